package vision

import (
	"math"
)

// steadyMM is how far an edge's trace may leave the edge's own run before the
// run itself is looked at again.
const steadyMM = 0.5

// runPoint is a place on an edge: offset off across it at along, both mm.
type runPoint struct{ along, off, weight float64 }

// bestRun is the polynomial of degree 1 or 2 that most of the weighted points
// lie on to half a millimetre: the edge's own run, whatever the rest follows.
// Of about equals it is the straighter and the one further inside.
func bestRun(pts []runPoint, degree int) (func(along float64) float64, bool) {
	const tries = 14
	if len(pts) < 4 {
		return nil, false
	}
	lo, hi := pts[0].along, pts[len(pts)-1].along
	x := func(along float64) float64 { return (2*along - lo - hi) / (hi - lo) }
	value := func(c [3]float64, x float64) float64 { return c[0] + x*(c[1]+x*c[2]) }
	score := func(c [3]float64) (sum float64) {
		for k := 0; k < len(pts); k += 2 {
			if e := (pts[k].off - value(c, x(pts[k].along))) / steadyMM; math.Abs(e) < 1 {
				sum += pts[k].weight * (1 - e*e)
			}
		}
		return sum * (1 + clamp(0.03*c[0], 0.1))
	}
	var best [3]float64
	most := 0.0
	consider := func(c [3]float64, worth float64) {
		if v := worth * score(c); v > most {
			best, most = c, v
		}
	}
	pick := func(k int) runPoint { return pts[k*(len(pts)-1)/(tries-1)] }
	for a := 0; a < tries; a++ {
		for b := a + 2; b < tries; b++ {
			p, q := pick(a), pick(b)
			xp, xq := x(p.along), x(q.along)
			if xq-xp < 0.1 {
				continue
			}
			slope := (q.off - p.off) / (xq - xp)
			c := [3]float64{p.off - slope*xp, slope, 0}
			consider(c, 1)
			for m := b + 2; degree == 2 && m < tries; m++ {
				r := pick(m)
				xr := x(r.along)
				if xr-xq < 0.1 {
					continue
				}
				bend := (r.off - value(c, xr)) / ((xr - xp) * (xr - xq))
				consider([3]float64{c[0] + bend*xp*xq, c[1] - bend*(xp+xq), bend}, 0.95)
			}
		}
	}
	if most <= 0 {
		return nil, false
	}
	return func(along float64) float64 { return value(best, x(along)) }, true
}

// runPoints are the places of a path in slices from..to-1 of a strip.
func (s *strip) runPoints(g []float32, path []int, from, to int, noise float64) []runPoint {
	var out []runPoint
	for i := from; i < to; i++ {
		if s.known[i] {
			w := math.Min(math.Abs(float64(g[i*s.n2+path[i]]))/noise, 4)
			out = append(out, runPoint{float64(i) * s.dt, s.offset(float64(path[i])), w})
		}
	}
	return out
}

// steady mends a path that left the edge for a while: where it lies off the
// edge's own run although a step goes on along that, the step is taken. A true
// bite, step or wander of the edge leaves nothing behind on the run. share is
// how strong the step must be against what the path follows.
func (s *strip) steady(g []float32, path []int, share float64) []int {
	noise := noiseOf(g)
	pts := s.runPoints(g, path, 0, s.slices, noise)
	if len(pts) < 20 {
		return path
	}
	run, ok := bestRun(pts, 2)
	if !ok {
		return path
	}
	centre := make([]float64, s.slices)
	for i := range centre {
		centre[i] = run(float64(i)*s.dt)/s.ds + float64(s.zero)
	}
	on := s.path(g, 0, 0, centre, steadyMM/s.ds, 0.35)
	out := append([]int(nil), path...)
	var off []int // slices of a stretch off the run
	var there, here float64
	mend := func() {
		if n := float64(len(off)); here > share*there && here > 2.5*noise*n {
			for _, i := range off {
				out[i] = on[i]
			}
		}
		off, there, here = off[:0], 0, 0
	}
	for i := range path {
		if !s.known[i] {
			continue
		}
		if math.Abs(s.offset(float64(path[i]))-run(float64(i)*s.dt)) > steadyMM {
			off = append(off, i)
			there += math.Abs(float64(g[i*s.n2+path[i]]))
			here += math.Abs(float64(g[i*s.n2+on[i]]))
		} else {
			mend()
		}
	}
	mend()
	return out
}

// straight is the course of an edge along its boundary's line.
func straight(float64) float64 { return 0 }

// courseOf is where an edge is looked for again, and how far from there: the
// parabola through most of its points, for a bowed cut or a curved belt leaves
// its line, and as far as the points leave the parabola.
func courseOf(pts []tracePoint, b boundary) (course func(along float64) float64, reach float64) {
	d := b.To.Sub(b.From).Unit()
	run := make([]runPoint, len(pts))
	for k, q := range pts {
		run[k] = runPoint{d.Dot(q.Plane.Sub(b.From)), b.Line.N.Dot(q.Plane) - b.Line.D, 1}
	}
	course, ok := bestRun(run, 2)
	if !ok {
		return straight, 10
	}
	reach = 6
	for _, q := range run {
		reach = math.Max(reach, 3+math.Abs(q.off-course(q.along)))
	}
	return course, math.Min(reach, 20)
}

// search says how an edge is traced.
type search struct {
	cut    bool                        // its face shows lines of its own, and it may be rough
	course func(along float64) float64 // where it is looked for: off the boundary's line, mm
	reach  float64                     // how far from there, mm
	sharp  Sharp                       // how a sharp step looks
	share  float64                     // see innerPath
	last   bool                        // the last round: places in light
	face   *Face                       // filled for the cut, when asked for
}

// bulge is how far a course leaves its line.
func (h search) bulge(b boundary) float64 {
	most := 0.0
	for t := 0.0; t <= 1; t += 0.125 {
		most = math.Max(most, math.Abs(h.course(t*b.To.Sub(b.From).Norm())))
	}
	return most
}
