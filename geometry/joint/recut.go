package joint

import (
	"cmp"
	"math"
	"slices"

	"beltend/geometry"
	"beltend/geometry/lacing"
	"beltend/geometry/square"
)

// Aims of a re-cut.
const (
	ToTarget = "square" // to the target angle, square unless another was asked for
	ToMatch  = "match"  // parallel to the other end's cut as it is
)

// Recut is one way to put the pair right: new lines on one end or on both.
type Recut struct {
	Aim   string     `json:"aim"`
	Lines []LineBack `json:"lines"`
	Lost  float64    `json:"lost_mm"` // belt lost at the centreline, all lines together
	Kink  float64    `json:"kink_after_mm"`
	Skew  float64    `json:"hinge_skew_after_mm"`
	Mends bool       `json:"mends"` // the pair would be square, uncertainty included
}

// LineBack is a new line on one end, back from its present corners along the
// edges, as seen from beyond that end's cut.
type LineBack struct {
	End    string  `json:"end"` // "leading" or "trailing"
	Left   float64 `json:"left_mm"`
	Right  float64 `json:"right_mm"`
	U95    float64 `json:"u95_mm"` // of the offset between the two
	Centre float64 `json:"centre_mm"`
	Lost   float64 `json:"length_lost_mm"` // from the cut's farthest point out
}

// recuts weighs up the ways: each end to the target angle, each end parallel
// to the other, both to the target. What follows is judged as the pair is; the
// new cut counts as known no better than the old one was.
func (p *Pair) recuts(lead, trail End) {
	way := func(aim string, cutLead, cutTrail bool) {
		a, b := lead, trail
		a.Shape, b.Shape = nil, nil
		r := Recut{Aim: aim}
		if cutLead {
			a.Offset = aimed(aim, lead, trail)
			r.Lines = append(r.Lines, Line(lacing.Leading, lead, a.Offset))
		}
		if cutTrail {
			b.Offset = aimed(aim, trail, lead)
			r.Lines = append(r.Lines, Line(lacing.Trailing, trail, b.Offset))
		}
		for _, l := range r.Lines {
			r.Lost += l.Centre
		}
		after := Pair{Width: p.Width}
		mismatch(&after, a, b)
		r.Kink, r.Skew = after.Kink.MM, after.Skew.MM
		r.Mends = worse(after.Kink.Verdict, after.Skew.Verdict) == square.Square
		p.Recuts = append(p.Recuts, r)
	}
	way(ToTarget, true, false)
	way(ToTarget, false, true)
	way(ToMatch, true, false)
	way(ToMatch, false, true)
	way(ToTarget, true, true)
	both := p.Recuts[len(p.Recuts)-1]
	// by whole millimetres, which is what a tape shows; ties in the order above
	slices.SortStableFunc(p.Recuts, func(a, b Recut) int { return int(math.Round(a.Lost)) - int(math.Round(b.Lost)) })
	if p.Verdict != square.MustRecut {
		return
	}
	p.Advised = &both // the best that cutting can do
	for i := range p.Recuts {
		if r := p.Recuts[i]; r.Mends {
			p.Advised = &r
			break
		}
	}
}

func aimed(aim string, e, other End) float64 {
	if aim == ToMatch {
		return other.Offset / other.Width * e.Width
	}
	return 0
}

// Line is the new line of the given offset, on the end of that name, that just
// clears the deepest point of the cut: y = slope x + c with c the largest y - slope x of its points,
// which lie at y = (own slope) x + deviation.
func Line(name string, e End, offset float64) LineBack {
	own, slope := e.slope(), math.Tan(e.Target)+offset/e.Width
	half := e.Width / 2
	dev := shape(e.Shape)
	c := math.Inf(-1)
	clear := func(x float64) { c = math.Max(c, (own-slope)*x+dev(x)) }
	clear(-half)
	clear(half)
	for _, q := range e.Shape {
		if math.Abs(q.X) <= half {
			clear(q.X)
		}
	}
	back := func(x float64) float64 { return math.Max(0, c+(slope-own)*x-dev(x)) }
	l := LineBack{End: name, Left: back(-half), Right: back(half), U95: e.U95, Centre: back(0)}
	l.Lost = math.Max(l.Left, l.Right)
	for _, q := range e.Shape {
		if math.Abs(q.X) <= half {
			l.Lost = math.Max(l.Lost, back(q.X))
		}
	}
	return l
}

// shape interpolates a profile; beyond its ends the last deviation holds.
func shape(p []geometry.Vec2) func(x float64) float64 {
	return func(x float64) float64 {
		if len(p) == 0 {
			return 0
		}
		k, _ := slices.BinarySearchFunc(p, x, func(q geometry.Vec2, x float64) int { return cmp.Compare(q.X, x) })
		switch {
		case k == 0:
			return p[0].Y
		case k == len(p):
			return p[k-1].Y
		}
		a, b := p[k-1], p[k]
		return a.Y + (b.Y-a.Y)*(x-a.X)/(b.X-a.X)
	}
}
