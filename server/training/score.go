package training

import (
	"math"

	"beltend/geometry"
)

// Answer is what a person says about an exercise.
type Answer struct {
	Verdict string         `json:"verdict"`
	Long    string         `json:"long,omitempty"`
	Amount  *float64       `json:"amount_mm,omitempty"`
	Tap     *geometry.Vec2 `json:"tap,omitempty"` // fractions of the picture's width and height
}

// Check names what cannot be an answer.
func (a Answer) Check() error {
	switch a.Verdict {
	case Good, Recut, Cannot:
	default:
		return geometry.Wrong("verdict", "%q is no answer: good, recut or cannot", a.Verdict).Coded("training_verdict", geometry.Values{"given": a.Verdict})
	}
	switch a.Long {
	case "", Left, Right, Neither:
	default:
		return geometry.Wrong("long", "%q is no side: left, right or neither", a.Long).Coded("training_side", geometry.Values{"given": a.Long})
	}
	if a.Amount != nil {
		if err := geometry.InRange(geometry.Range{Name: "amount", V: *a.Amount, Hi: 1000, Unit: "mm", Want: "how much longer the long side is,"}); err != nil {
			return err
		}
	}
	if a.Tap != nil {
		return geometry.InRange(geometry.Range{Name: "tap", V: a.Tap.X, Hi: 1, Want: "a place in the photo"}, geometry.Range{Name: "tap", V: a.Tap.Y, Hi: 1, Want: "a place in the photo"})
	}
	return nil
}

// The points of a question. They are shown to people as they stand here.
const (
	VerdictPoints = 4
	LongPoints    = 2
	AmountPoints  = 2
	CutPoints     = 2
	MostPoints    = VerdictPoints + LongPoints + AmountPoints + CutPoints
)

// Limits of the points for amount and cut, mm and shares of the true offset.
const (
	AmountNear      = 1.0 // full points within this or AmountNearShare
	AmountNearShare = 0.25
	AmountFair      = 2.0 // half of them within this or AmountFairShare
	AmountFairShare = 0.5

	CutShort = 3.0  // a finger's breadth on a screen: so much of the old cut may seem left
	CutNear  = 25.0 // full points up to so much belt lost beyond the least
	CutFair  = 60.0 // half of them up to so much
)

// Marks are the points of an answer.
type Marks struct {
	Verdict int `json:"verdict"`
	Long    int `json:"long"`
	Amount  int `json:"amount"`
	Cut     int `json:"cut"`
	// Dangerous: an end that must be cut again, or that nobody can judge, was
	// called good. There are no points at all then.
	Dangerous bool `json:"dangerous,omitempty"`
	// Back is how far beyond the right line the chosen one lies, mm.
	Back *float64 `json:"back_mm,omitempty"`
}

// Total of the points.
func (m Marks) Total() int { return m.Verdict + m.Long + m.Amount + m.Cut }

// Score gives the points of an answer.
//
// An end called good that is not takes all points: it would be laced. Where the
// photo cannot tell, saying so is the whole answer.
func (w *Solution) Score(a Answer) Marks {
	var m Marks
	if a.Tap != nil && w.Verdict != Cannot {
		if back, ok := w.Back(*a.Tap); ok {
			m.Back = &back
		}
	}
	if a.Verdict == Good && w.Verdict != Good {
		m.Dangerous = true
		return m
	}
	if w.Verdict == Cannot {
		if a.Verdict == Cannot {
			m.Verdict, m.Long, m.Amount, m.Cut = VerdictPoints, LongPoints, AmountPoints, CutPoints
		}
		return m
	}
	if a.Verdict == w.Verdict {
		m.Verdict = VerdictPoints
	}
	// within the limit nobody has to see which side is long
	if a.Long == w.Long || w.Long == Neither && a.Long == longSide(w.Offset) {
		m.Long = LongPoints
	}
	if a.Amount != nil {
		off := math.Abs(*a.Amount - math.Abs(w.Offset))
		switch size := math.Abs(w.Offset); {
		case off <= math.Max(AmountNear, AmountNearShare*size):
			m.Amount = AmountPoints
		case off <= math.Max(AmountFair, AmountFairShare*size):
			m.Amount = AmountPoints / 2
		}
	}
	switch {
	case w.Verdict == Good: // every cut would waste belt
		if a.Tap == nil && a.Verdict == Good {
			m.Cut = CutPoints
		}
	case m.Back == nil || *m.Back < -CutShort:
	case *m.Back <= CutNear:
		m.Cut = CutPoints
	case *m.Back <= CutFair:
		m.Cut = CutPoints / 2
	}
	return m
}
