package render

import (
	"math"

	"beltend/geometry"
)

type vec2 = geometry.Vec2
type vec3 = geometry.Vec3

// Steps of the sampled outlines, mm. The sampled outline is the shape: truth
// is computed from the same points that are drawn.
const (
	cutStep  = 0.5
	edgeStep = 5.0
	frayStep = 1.0
)

// middle is the course of the belt's middle.
func (s *Scene) middle(y float64) float64 {
	b := &s.Belt
	if b.Camber == 0 {
		return 0
	}
	l := b.CamberLength
	if l == 0 {
		l = 2000
	}
	t := 2*y/l - 1
	return b.Camber * (1 - t*t)
}

// edge is the x of an edge at y: side -1 left, +1 right.
func (s *Scene) edge(side int, y float64) float64 {
	b := &s.Belt
	e := &b.Left
	if side > 0 {
		e = &b.Right
	}
	out := b.Width/2 + b.Taper*y/2000
	seed := s.Seed*16 + int64(side)
	if e.Wave != 0 {
		l := e.WaveLength
		if l == 0 {
			l = 250
		}
		out += e.Wave * wander(seed+3, y/l)
	}
	if e.Fray != 0 {
		out += e.Fray * wander(seed+5, y/3)
	}
	for i, n := range e.Nicks {
		t := (y - n.Y) / (n.Length / 2)
		if t > -1 && t < 1 {
			// a bite with steep sides and an uneven bottom
			out -= n.Depth * math.Sqrt(1-t*t) * (0.85 + 0.15*wander(seed+7+int64(i), y/6))
		}
	}
	return s.middle(y) + float64(side)*out
}

// cutY is the y of the cut's top edge at x.
func (s *Scene) cutY(x float64) float64 {
	c := &s.Cut
	u := x / s.Belt.Width
	y := c.Offset*u + c.Bow*(1-4*u*u) + c.V*(1-2*math.Abs(u))
	if c.Step != 0 { // a knife needs a millimetre or two to change
		y += c.Step / 2 * math.Tanh((u-c.StepAt)*s.Belt.Width)
	}
	if c.Wander != 0 {
		l := c.WanderWave
		if l == 0 {
			l = 120
		}
		y += c.Wander * wander(s.Seed*16+11, x/l)
	}
	if c.Ragged != 0 {
		l := c.RaggedWave
		if l == 0 {
			l = 4
		}
		y += c.Ragged * wander(s.Seed*16+12, x/l)
	}
	return y
}

// outline is the belt's top surface: the cut from the left corner to the right
// one, and both edges from their corners up.
type outline struct {
	cut, left, right []vec2
}

func (s *Scene) outline() outline {
	corner := func(side int) vec2 {
		y := 0.0
		x := s.edge(side, y)
		for range 50 {
			y = s.cutY(x)
			x = s.edge(side, y)
		}
		return vec2{X: x, Y: y}
	}
	l, r := corner(-1), corner(1)
	var o outline
	n := int(math.Ceil((r.X - l.X) / cutStep))
	o.cut = make([]vec2, n+1)
	for i := 1; i < n; i++ {
		x := l.X + (r.X-l.X)*float64(i)/float64(n)
		o.cut[i] = vec2{X: x, Y: s.cutY(x)}
	}
	o.cut[0], o.cut[n] = l, r
	side := func(side int, from vec2, e *Edge) []vec2 {
		step := edgeStep
		if e.Fray != 0 || len(e.Nicks) > 0 {
			step = frayStep
		}
		pts := []vec2{from}
		for y := from.Y + step; y < s.Belt.Length; y += step {
			pts = append(pts, vec2{X: s.edge(side, y), Y: y})
		}
		return append(pts, vec2{X: s.edge(side, s.Belt.Length), Y: s.Belt.Length})
	}
	o.left, o.right = side(-1, l, &s.Belt.Left), side(1, r, &s.Belt.Right)
	return o
}

// flat tells whether the belt lies in its plane.
func (s *Scene) flat() bool { return s.Belt.CurlRadius == 0 && s.Belt.Buckle == 0 }

// place puts a point that lies z above the belt's surface into space.
func (s *Scene) place(p vec2, z float64) vec3 {
	b := &s.Belt
	q := vec3{X: p.X, Y: p.Y, Z: z}
	if b.Buckle != 0 {
		l := b.BuckleWave
		if l == 0 {
			l = 500
		}
		q.Z += b.Buckle / 2 * (1 + math.Sin(2*math.Pi*(p.Y+0.25*p.X)/l))
	}
	if b.CurlRadius != 0 && p.Y < b.CurlFrom {
		a := (b.CurlFrom - p.Y) / b.CurlRadius
		sa, ca := math.Sincos(math.Min(a, 2.5))
		q.Y = b.CurlFrom - (b.CurlRadius-z)*sa
		q.Z += (b.CurlRadius - z) * (1 - ca)
	}
	return q
}

// lineY is the y of the drawn line's middle at x.
func (s *Scene) lineY(x float64) float64 {
	l := s.Line
	u := x / s.Belt.Width
	y := l.Y + l.Offset*u + l.Bow*(1-4*u*u)
	if l.Wander != 0 {
		w := l.WanderWave
		if w == 0 {
			w = 120
		}
		y += l.Wander * wander(s.Seed*16+13, x/w)
	}
	return y
}

// linePoints is the drawn line from the left to the right.
func (s *Scene) linePoints() []vec2 {
	l := s.Line
	x0, x1 := s.edge(-1, l.Y-l.Offset/2)+l.Inset, s.edge(1, l.Y+l.Offset/2)-l.Inset
	n := int(math.Ceil((x1 - x0) / 2))
	if n < 1 {
		return nil
	}
	pts := make([]vec2, n+1)
	for i := range pts {
		x := x0 + (x1-x0)*float64(i)/float64(n)
		pts[i] = vec2{X: x, Y: s.lineY(x)}
	}
	return pts
}
