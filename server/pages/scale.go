package pages

import (
	"math"
	"strconv"
	"strings"

	"beltend/server/report"
)

// Ruled is what a scale shows, in mm: a value with its expanded uncertainty, and what it
// is to be, give or take what is allowed.
type Ruled struct {
	What            string // its name; "": an end's offset, whose left side lies on the left
	MM, U95MM       float64
	Target, Allowed float64
	Fine            bool // a pitch: to a hundredth
	Bare            bool // nothing is asked of it: value and whisker alone, the value in the middle
}

// EndOffset is an end's offset against its tolerance.
func EndOffset(mm, u95, tolerance float64) Ruled {
	return Ruled{MM: mm, U95MM: u95, Allowed: tolerance}
}

// Scale is a value on the ruled edge of a steel rule: what is allowed as a band about the
// target, the expanded uncertainty as a whisker, the value as a mark. Places are in units
// of the drawing, which the part "scale" draws.
type Scale struct {
	What      string
	Ticks     []Tick
	BandX     float64 // left end of the band
	BandW     float64
	X, Lo, Hi float64 // value and ends of the whisker, Lo < Hi
	Value, U  string
	Target    string // "" for none but 0
	Bare      bool
	Tolerance string
}

// Tick is one graduation.
type Tick struct {
	X, Len float64
	Label  string
}

const (
	scaleWidth = 340.0
	scaleEdge  = 24.0 // free on both sides, for the labels of the last ticks
)

// NewScale draws a value with the target in the middle. "Left long" lies on the left, so
// positive offsets run leftwards; all else runs as on a rule. Nil where there is nothing
// to draw.
func NewScale(r Ruled, inches bool) *Scale {
	unit := 1.0
	if inches {
		unit = 25.4
	}
	if r.Bare {
		least := 1.0 // mm of rule to either side
		if r.Fine {
			least = 0.1
		}
		r.Target, r.Allowed = r.MM, math.Max(least, 2*r.U95MM)/1.6
	}
	v, u, target, allowed := r.MM/unit, r.U95MM/unit, r.Target/unit, r.Allowed/unit
	reach := 1.12 * math.Max(math.Abs(v-target)+u, 1.6*allowed)
	if !(reach > 0) || math.IsInf(reach, 0) {
		return nil
	}
	step := niceStep(reach / 5)
	if r.Target == 0 && !r.Bare {
		reach = math.Ceil(reach/step) * step
	}
	way := 1.0
	if r.What == "" {
		way = -1
	}
	at := func(v float64) float64 { return scaleWidth/2 + way*(v-target)/reach*(scaleWidth/2-scaleEdge) }
	o := report.Options{Inches: inches}
	text, expanded := report.Length, report.Expanded(r.U95MM, o)
	if r.Fine {
		text, expanded = report.Fine, report.Fine(math.Ceil(r.U95MM*100-1e-9)/100, o)
	}
	sc := &Scale{What: r.What, X: at(v), Value: text(r.MM, o), U: expanded, Tolerance: text(r.Allowed, o)}
	sc.BandX, sc.BandW = at(target-way*allowed), at(target+way*allowed)-at(target-way*allowed)
	sc.Lo, sc.Hi = at(v-way*u), at(v+way*u)
	switch {
	case r.Bare:
		sc.Bare, sc.Tolerance, sc.BandX, sc.BandW = true, "", 0, 0
	case r.Target == 0:
		sc.Value = report.Signed(r.MM, o)
	default:
		sc.Target, _, _ = strings.Cut(text(r.Target, o), " ") // its unit stands behind what is allowed
	}
	const parts = 5 // graduations a step
	first, last := int(math.Ceil((target-reach)/step*parts-1e-9)), int(math.Floor((target+reach)/step*parts+1e-9))
	every := (int(math.Round(reach/step)) + 1) / 2 // labels that do not touch
	if r.Target != 0 || r.Bare {
		every = (last-first)/parts/3 + 1 // which are longer
	}
	for i := first; i <= last; i++ {
		t := Tick{X: at(float64(i) * step / parts), Len: 6}
		if i%parts == 0 {
			t.Len = 11
			if k := i / parts; k%every == 0 {
				t.Len = 15
				mark := float64(k) * step
				if r.What == "" {
					mark = math.Abs(mark)
				}
				t.Label = strconv.FormatFloat(mark, 'g', 4, 64)
			}
		}
		sc.Ticks = append(sc.Ticks, t)
	}
	return sc
}

// Outside says whether value and whisker lie outside the band, inside, or
// neither: what the drawing shows, in one word.
func (s *Scale) Outside() string {
	switch {
	case s.Lo >= s.BandX && s.Hi <= s.BandX+s.BandW:
		return "inside"
	case s.Hi < s.BandX || s.Lo > s.BandX+s.BandW:
		return "outside"
	}
	return "across"
}

// niceStep is the smallest of 1, 2, 5 times a power of ten that is not below v.
func niceStep(v float64) float64 {
	p := math.Pow(10, math.Floor(math.Log10(v)))
	for _, f := range []float64{1, 2, 5} {
		if f*p >= v*(1-1e-9) {
			return f * p
		}
	}
	return 10 * p
}
