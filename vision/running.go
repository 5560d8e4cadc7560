package vision

import (
	"math"
	"sort"

	"beltend/geometry"
)

// FindBelt finds the two edges of a belt that runs on through the photo, before it
// is cut: the End has no cut, RunsOn is set, and its corners are where the photo
// begins to show both edges. Up the belt is up in the upright photo; Turn turns it.
func FindBelt(p *Picture, view *geometry.View, boards, sheets Sheets, sharp Sharp) (*End, error) {
	m := newSceneMap(p, view, sheets)
	var inner []geometry.Vec2
	for _, b := range boards {
		inner = append(inner, b[:]...)
	}
	pairs := m.runningSides(m.candidateLines(90), inner)
	if len(pairs) == 0 {
		return nil, refuse("edge_unclear", "none")
	}
	best := pairs[0]
	for _, o := range pairs[1:] {
		if o.score < best.score-0.1 {
			break
		}
		if best.apart(&o) > 25 {
			r := refuse("edge_unclear", "two_outlines")
			for k := range 2 {
				r.Best = append(r.Best, [2]geometry.Vec2{best.sides[k].From, best.sides[k].To})
				r.Rival = append(r.Rival, [2]geometry.Vec2{o.sides[k].From, o.sides[k].To})
			}
			return nil, r
		}
	}
	middle := best.sides[0].From.Add(best.sides[0].To).Mul(0.5)
	up := best.sides[0].To.Sub(best.sides[0].From).Unit()
	if a, ok := view.Project(middle); ok {
		if b, ok := view.Project(middle.Add(up)); ok && p.UprightOf(b).Y > p.UprightOf(a).Y {
			up = up.Mul(-1)
		}
	}
	e := &End{Up: up, RunsOn: true}
	right := geometry.Vec2{X: up.Y, Y: -up.X}
	for i := range best.sides {
		b := best.sides[i]
		k, to := 0, &e.Left
		if b.Line.N.Dot(right) < 0 {
			k, to = 1, &e.Right
		}
		if b.To.Sub(b.From).Dot(up) < 0 {
			b.From, b.To = b.To, b.From
		}
		for _, reach := range []float64{20, 8} {
			b = m.align(b, reach)
		}
		ok, err := to.followSide(p, view, &b, k, sheets, sharp)
		if err != nil {
			return nil, err
		}
		if !ok {
			return nil, unclear(k, "faint")
		}
		to.NearCut, to.Margin = 1, math.Inf(1)
	}
	if len(e.Left.Points) == 0 || len(e.Right.Points) == 0 {
		return nil, refuse("edge_unclear", "none")
	}
	e.fromCorners()
	return e, nil
}

// Turn looks at a belt that runs on from its other end.
func (e *End) Turn() {
	e.Up = e.Up.Mul(-1)
	e.Left, e.Right = e.Right, e.Left
	for _, t := range []*Trace{&e.Left, &e.Right} {
		for i, j := 0, len(t.Points)-1; i < j; i, j = i+1, j-1 {
			t.Points[i], t.Points[j] = t.Points[j], t.Points[i]
		}
	}
	e.fromCorners()
}

// fromCorners puts the corners of an end without a cut where the first of both
// edges is seen, and counts T from there.
func (e *End) fromCorners() {
	low := math.Max(e.Up.Dot(e.Left.Points[0].Plane), e.Up.Dot(e.Right.Points[0].Plane))
	for k, t := range []*Trace{&e.Left, &e.Right} {
		first := t.Points[0].Plane
		for _, q := range t.Points {
			if e.Up.Dot(q.Plane) >= low {
				first = q.Plane
				break
			}
		}
		*[]*geometry.Vec2{&e.LeftCorner, &e.RightCorner}[k] = first
		for i := range t.Points {
			t.Points[i].T = e.Up.Dot(t.Points[i].Plane.Sub(first))
		}
	}
}

// sidePair is two edges that could be a belt's.
type sidePair struct {
	sides [2]boundary
	score float64
}

// apart is how far two pairs differ, mm.
func (s *sidePair) apart(o *sidePair) float64 {
	most := 0.0
	for k := range s.sides {
		l := o.sides[k].Line
		if l.N.Dot(s.sides[k].Line.N) < 0 {
			l = o.sides[1-k].Line
		}
		for _, q := range []geometry.Vec2{s.sides[k].From, s.sides[k].To} {
			most = math.Max(most, math.Abs(l.N.Dot(q)-l.D))
		}
	}
	return most
}

// runningSides lists pairs of parallel edges with the cards between them, the best
// seen first.
func (m *sceneMap) runningSides(lines []planeLine, inner []geometry.Vec2) []sidePair {
	var sides []boundary
	for _, l := range lines {
		l, ok := l.facing(inner)
		if !ok {
			continue
		}
		b, ok := m.within(l.N.Mul(l.D), l.dir(), -mostUp, l.N)
		if !ok {
			continue
		}
		e := m.gatherEvidence(b.Line)
		b = m.along(&e, b.From, b.To.Sub(b.From).Unit(), b.To.Sub(b.From).Norm())
		if b.Support >= 0.6 && b.Score >= leastScore {
			sides = append(sides, b)
		}
	}
	var out []sidePair
	for i := range sides {
		for j := range sides[:i] {
			a, b := sides[i], sides[j]
			if a.Line.N.Dot(b.Line.N) > -0.996 {
				continue
			}
			if width := -a.Line.D - b.Line.D; width < 80 || width > 4000 {
				continue
			}
			out = append(out, sidePair{[2]boundary{a, b}, a.Score + b.Score})
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].score > out[j].score })
	return out
}
