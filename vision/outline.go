package vision

import (
	"math"
	"sort"

	"beltend/geometry"
)

// boundary is one side of a belt hypothesis with what speaks for it.
type boundary struct {
	Line planeLine
	// From and To are the ends of the boundary as seen in the photo.
	From, To geometry.Vec2
	Support  float64 // share of the visible length with an edge there, 0..1
	Score    float64
	Length   float64 // visible length, mm
}

// outline is a belt end in the plane: left and right as seen from beyond the
// cut, looking up the belt.
type outline struct {
	Left, Right, Cut boundary
	Up               geometry.Vec2 // unit, up the belt
	Score            float64
}

// findOutlines lists belt ends that fit the scene, best first.
func (m *sceneMap) findOutlines(lines []planeLine, inner []geometry.Vec2) []outline {
	type side struct {
		l       planeLine
		sc, sup float64
		in      geometry.Vec2 // normal towards the cards
		lo, hi  float64       // of the cards' corners along in, from the line
	}
	var sides []side
	for _, l := range lines {
		lo, hi := math.Inf(1), math.Inf(-1)
		for _, q := range inner {
			d := l.N.Dot(q) - l.D
			lo, hi = math.Min(lo, d), math.Max(hi, d)
		}
		n := l.N
		if hi <= 4 {
			n, lo, hi = n.Mul(-1), -hi, -lo
			l = planeLine{N: n, D: -l.D, Votes: l.Votes}
		}
		if lo < -4 {
			continue // runs through a card
		}
		sides = append(sides, side{l: l, in: n, lo: lo, hi: hi})
	}
	var out []outline
	for i := range sides {
		for j := range sides {
			if i == j {
				continue
			}
			a, b := sides[i], sides[j]
			// opposite normals: left's points right
			if a.in.Dot(b.in) > -0.996 {
				continue
			}
			up := a.in.Perp().Sub(b.in.Perp()).Unit() // a is left when in x up > 0
			width := -a.l.D - b.l.D                   // at the origin; both normals point inwards
			if width < 80 || width > 4000 {
				continue
			}
			for k := range sides {
				c := sides[k]
				if k == i || k == j || c.in.Dot(up) < 0.9 {
					continue
				}
				o, ok := m.judge(a.l, b.l, c.l, up)
				if ok {
					out = append(out, o)
				}
			}
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].Score > out[j].Score })
	return out
}

// judge scores one hypothesis: a left edge, b right edge, c cut.
func (m *sceneMap) judge(a, b, c planeLine, up geometry.Vec2) (outline, bool) {
	o := outline{Up: up}
	lc, ok1 := a.meet(c)
	rc, ok2 := b.meet(c)
	if !ok1 || !ok2 {
		return o, false
	}
	across := rc.Sub(lc)
	if across.Norm() < 60 || up.Cross(across) > 0 {
		return o, false
	}
	o.Left = m.along(a, lc, up, 0)
	o.Right = m.along(b, rc, up, 0)
	o.Cut = m.along(c, lc, across.Unit(), across.Norm())
	if o.Left.Length < 120 || o.Right.Length < 120 || o.Cut.Length < 0.3*across.Norm() {
		return o, false
	}
	// Beyond its corners a true edge ends; planks, joints and shadows go on.
	beyond := math.Min(math.Max(0.25*across.Norm(), 80), 250)
	var runOn float64
	for _, e := range []struct {
		l    planeLine
		from geometry.Vec2
		d    geometry.Vec2
		b    boundary
	}{
		{a, lc, up.Mul(-1), o.Left}, {b, rc, up.Mul(-1), o.Right},
		{c, lc, across.Unit().Mul(-1), o.Cut}, {c, rc, across.Unit(), o.Cut},
	} {
		x := m.along(e.l, e.from.Add(e.d.Mul(20)), e.d, beyond)
		if x.Length > 60 {
			runOn += math.Min(x.Support, e.b.Support)
		}
	}
	// Length counts, but by its square root: a long edge is not worth many short ones.
	o.Score = 1.0*(o.Left.Score+o.Right.Score) + 1.2*o.Cut.Score - 0.6*runOn
	return o, o.Left.Support > 0.2 && o.Right.Support > 0.2 && o.Cut.Support > 0.2
}

// along collects the evidence for a boundary from a corner along d, to the
// photo's border or over the given length. The line's N points into the belt.
func (m *sceneMap) along(l planeLine, from, d geometry.Vec2, length float64) boundary {
	if dl := l.dir(); dl.Dot(d) < 0 {
		d = dl.Mul(-1)
	} else {
		d = dl
	}
	b := boundary{Line: l, From: from}
	if length == 0 {
		length = 6000
	}
	const step = 8.0
	var n, sup, score, seen float64
	outside := 0
	for t := step / 2; t < length; t += step {
		q := from.Add(d.Mul(t))
		if !m.inPhoto(q) {
			if outside++; outside > 12 && seen > 0 {
				break
			}
			if outside > 100 {
				break
			}
			continue
		}
		outside = 0
		seen += step
		if b.Length == 0 {
			b.From = q
		}
		b.To = q
		b.Length = seen
		ev, near, foreign, ok := m.contrast(q, l.N)
		if !ok {
			continue
		}
		n++
		if ev > 3.2 {
			sup++
		}
		// an edge of this belt: a step, the near side like the belt, the far not
		score += math.Min(ev, 7)/7 + 0.8*math.Min(math.Max(foreign-near, -3), 5)/5 - 0.25*math.Min(near, 6)/6
	}
	if n > 0 {
		b.Support = sup / n
		b.Score = score / n
	}
	return b
}
