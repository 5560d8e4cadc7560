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
func FindSides(p *Picture, view *geometry.View, known *End, sheets Sheets, blur float64) (end *End, ok bool, err error) {
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
		pic, spread, err := lookAcross(p, view, &b, blur, sheets.cover)
		if err != nil {
			return nil, false, err
		}
		var pts []tracePoint
		for round := range 2 {
			how := search{course: straight, reach: 10, blur: spread, share: innerShare[k], last: round == 1}
			if round == 1 {
				how.course, how.reach = courseOf(pts, b)
			}
			if pts, to.Soft = traceBest(pic, view, b, how, sheets.cover); len(pts) < 10 {
				return nil, false, nil
			}
			fitBoundary(&b, pts)
		}
		to.fill(view, &b, pts, sheets.cover)
		if to.Support < 0.45 {
			return nil, false, nil
		}
		to.NearCut, to.Margin = 1, from.Margin
		for i := range to.Points {
			q := &to.Points[i]
			q.T = known.Up.Dot(q.Plane.Sub(corner))
		}
	}
	return e, true, nil
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
	lo, hi := math.Inf(1), math.Inf(-1)
	for t := 0.0; t < mostUp; t += 10 {
		if m.inPhoto(at.Add(dir.Mul(t))) {
			lo, hi = math.Min(lo, t), math.Max(hi, t)
		}
	}
	if hi-lo < leastSide {
		return boundary{}, false
	}
	from, to := at.Add(dir.Mul(lo)), at.Add(dir.Mul(hi))
	return boundary{Line: lineThrough(from, to, in), From: from, To: to}, true
}
