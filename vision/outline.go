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
	Belt     float64 // share of the places with the near side more like the belt than the far side
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

// boundaries are left, right and cut.
func (o *outline) boundaries() [3]*boundary { return [3]*boundary{&o.Left, &o.Right, &o.Cut} }

// findOutlines lists belt ends that fit the scene, best first.
func (m *sceneMap) findOutlines(lines []planeLine, inner []geometry.Vec2, hints map[string]planeLine) []outline {
	type side struct {
		l  planeLine
		in geometry.Vec2 // normal towards the cards
		e  evidence
		// hint is the boundary that a person says this is: left, right, cut
		hint string
	}
	var sides []side
	names := make([]string, len(lines))
	for _, name := range []string{"left", "right", "cut"} {
		if l, ok := hints[name]; ok {
			lines, names = append(lines, l), append(names, name)
		}
	}
	fits := func(s *side, role string) bool {
		_, hinted := hints[role]
		return s.hint == role || (s.hint == "" && !hinted)
	}
	for k, l := range lines {
		l, ok := l.facing(inner)
		if !ok {
			continue
		}
		sides = append(sides, side{l: l, in: l.N, e: m.gatherEvidence(l), hint: names[k]})
	}
	var out []outline
	for i := range sides {
		for j := range sides {
			if i == j || !fits(&sides[i], "left") || !fits(&sides[j], "right") {
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
				if k == i || k == j || c.in.Dot(up) < 0.9 || !fits(&sides[k], "cut") {
					continue
				}
				o, ok := m.judge(&a.e, &b.e, &c.e, up)
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
func (m *sceneMap) judge(a, b, c *evidence, up geometry.Vec2) (outline, bool) {
	o := outline{Up: up}
	lc, ok1 := a.line.meet(c.line)
	rc, ok2 := b.line.meet(c.line)
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
	runOn := func(e *evidence, from, d geometry.Vec2, b *boundary) float64 {
		x := m.along(e, from.Add(d.Mul(20)), d, beyond)
		if x.Length <= 60 {
			return 0
		}
		return math.Min(x.Support, b.Support) * math.Max(0, math.Min(1, x.Score/math.Max(b.Score, 0.2)))
	}
	// The belt goes on where its edges do and the near side looks more like it.
	belt := func(e *evidence, from geometry.Vec2) float64 {
		return math.Max(0, 2*m.along(e, from.Sub(up.Mul(20)), up.Mul(-1), beyond).Belt-1)
	}
	left, right := runOn(a, lc, up.Mul(-1), &o.Left), runOn(b, rc, up.Mul(-1), &o.Right)
	cut := runOn(c, lc, across.Unit().Mul(-1), &o.Cut) + runOn(c, rc, across.Unit(), &o.Cut)
	// Where both edges go on, the belt does: that is no cut but a clamp or a line.
	o.Score = o.Left.Score + o.Right.Score + 1.2*o.Cut.Score - 0.3*(left+right+cut) - 1.5*math.Min(left*belt(a, lc), right*belt(b, rc))
	return o, true
}

// evidenceStep is the distance between places where evidence is taken, mm.
const evidenceStep = 8.0

// evidence is what speaks for a line as an edge of the belt, summed from its
// start: sums[i] covers the places before the i-th.
type evidence struct {
	line planeLine
	t0   float64 // of the first place, along line.dir()
	sums []evidenceSum
}

type evidenceSum struct {
	inside, n int // places in the photo, and of those not on a card
	support   int
	belt      int // near side more like the belt than the far side
	score     float64
}

// gatherEvidence walks along a line through the map.
func (m *sceneMap) gatherEvidence(l planeLine) evidence {
	t0, t1 := m.clip(l)
	e := evidence{line: l, t0: t0}
	p, d := l.N.Mul(l.D), l.dir()
	var s evidenceSum
	e.sums = append(e.sums, s)
	for t := t0; t < t1; t += evidenceStep {
		q := p.Add(d.Mul(t))
		if m.inPhoto(q) {
			s.inside++
			if ev, near, foreign, ok := m.contrast(q, l.N); ok {
				s.n++
				if ev > 3.2 {
					s.support++
				}
				if near < foreign {
					s.belt++
				}
				// an edge of this belt: a step, the near side like the belt, the far not
				s.score += math.Min(ev, 7)/7 + 0.8*math.Min(math.Max(foreign-near, -3), 5)/5 - 0.25*math.Min(near, 6)/6
			}
		}
		e.sums = append(e.sums, s)
	}
	return e
}

// along collects the evidence from a place on the line along d, over the given
// length or, when that is 0, to the end of the photo.
func (m *sceneMap) along(e *evidence, from, d geometry.Vec2, length float64) boundary {
	dir := e.line.dir()
	a := dir.Dot(from)
	b := a + length
	if length == 0 {
		b = math.Inf(1)
	}
	if dir.Dot(d) < 0 {
		if b = a - length; length == 0 {
			b = math.Inf(-1)
		}
		dir = dir.Mul(-1)
	}
	index := func(t float64) int {
		return int(math.Max(0, math.Min(float64(len(e.sums)-1), math.Round((t-e.t0)/evidenceStep))))
	}
	i, j := index(math.Min(a, b)), index(math.Max(a, b))
	lo, hi := e.sums[i], e.sums[j]
	out := boundary{Line: e.line, From: from, Length: evidenceStep * float64(hi.inside-lo.inside)}
	out.To = from.Add(dir.Mul(out.Length))
	if n := float64(hi.n - lo.n); n > 0 {
		out.Support = float64(hi.support-lo.support) / n
		out.Belt = float64(hi.belt-lo.belt) / n
		out.Score = (hi.score - lo.score) / n
	}
	return out
}
