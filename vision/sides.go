package vision

import (
	"math"

	"beltend/geometry"
)

const (
	leastSide = 150.0 // mm of both edges that a photo further up the belt must show
	mostUp    = 20000 // mm up the belt that is looked
)

// FindSides finds the two edges of a belt whose end is known from another photo
// in a photo taken further up the belt, which does not show the cut: it carries
// the edges on. The cut of what it returns has no points; T counts from the
// known end's corners. ok is false where not both edges are clearly seen.
func FindSides(p *Picture, view *geometry.View, known *End, sheets Sheets, sharp Sharp) (end *End, ok bool, err error) {
	m := newSceneMap(p, view, sheets)
	e := &End{Up: known.Up, LeftCorner: known.LeftCorner, RightCorner: known.RightCorner}
	for k, from := range []*Trace{&known.Left, &known.Right} {
		corner, to := known.LeftCorner, &e.Left
		in := geometry.Vec2{X: known.Up.Y, Y: -known.Up.X} // right of up
		if k == 1 {
			corner, to, in = known.RightCorner, &e.Right, in.Mul(-1)
		}
		b, ok := m.carriedOn(from, in)
		if !ok {
			return nil, false, nil
		}
		for _, reach := range []float64{20, 8} {
			b = m.align(b, reach)
		}
		ev := m.gatherEvidence(b.Line)
		if seen := m.along(&ev, b.From, known.Up, b.To.Sub(b.From).Norm()); seen.Support < 0.6 || seen.Score < leastScore {
			return nil, false, nil
		}
		if ok, err := to.followSide(p, view, &b, k, sheets, sharp); err != nil || !ok {
			return nil, false, err
		}
		to.NearCut, to.Margin = 1, from.Margin
		for i := range to.Points {
			q := &to.Points[i]
			q.T = known.Up.Dot(q.Plane.Sub(corner))
		}
	}
	return e, true, nil
}

// followSide traces a side edge along a boundary that no corner ends. ok is false
// where too little of it is seen.
func (t *Trace) followSide(p *Picture, view *geometry.View, b *boundary, k int, sheets Sheets, sharp Sharp) (ok bool, err error) {
	pic, sharp, err := lookAcross(p, view, b, sharp, alikeLight, sheets.cover)
	if err != nil {
		return false, err
	}
	var pts []tracePoint
	for round := range 2 {
		how := search{course: straight, reach: 10, sharp: sharp, share: innerShare[k], last: round == 1}
		if round == 1 {
			how.course, how.reach = courseOf(pts, *b)
		}
		if pts, t.Soft = traceBest(pic, view, *b, how, sheets.cover); len(pts) < 10 {
			return false, nil
		}
		before := b.Line.N
		fitBoundary(b, pts)
		b.From, b.To = b.Line.foot(b.From), b.Line.foot(b.To) // the second look is along the line found
		t.Turned = math.Atan2(before.Cross(b.Line.N), before.Dot(b.Line.N))
	}
	t.fill(view, b, pts, sheets.cover)
	return t.Support >= 0.45, nil
}

// carriedOn is the part of an edge's line that the photo shows up the belt,
// with its normal towards in.
func (m *sceneMap) carriedOn(edge *Trace, in geometry.Vec2) (boundary, bool) {
	var q []geometry.Vec2
	for _, k := range edge.Points {
		q = append(q, k.Plane)
	}
	at, dir := fitLine2(q)
	if dir.Dot(q[len(q)-1].Sub(q[0])) < 0 {
		dir = dir.Mul(-1) // up the belt
	}
	return m.within(at, dir, 0, in)
}

// within is the part of a line from at along dir that the photo shows, beginning
// no earlier than from, mm.
func (m *sceneMap) within(at, dir geometry.Vec2, from float64, in geometry.Vec2) (boundary, bool) {
	lo, hi := math.Inf(1), math.Inf(-1)
	for t := from; t < mostUp; t += 10 {
		if m.inPhoto(at.Add(dir.Mul(t))) {
			lo, hi = math.Min(lo, t), math.Max(hi, t)
		}
	}
	if hi-lo < leastSide {
		return boundary{}, false
	}
	p0, p1 := at.Add(dir.Mul(lo)), at.Add(dir.Mul(hi))
	return boundary{Line: lineThrough(p0, p1, in), From: p0, To: p1}, true
}
