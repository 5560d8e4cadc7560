package render

import (
	"math"

	"beltend/geometry"
)

// lightMap is the light on the belt plane, and what shines off it, on a grid.
type lightMap struct {
	n            int
	x0, y0, k    float32 // grid = (mm - x0) * k
	light, shine []float32
}

func (s *Scene) lightMap(v *geometry.View) *lightMap {
	// what of the plane is in the picture, as far as it matters
	lo, hi := vec2{X: math.Inf(1), Y: math.Inf(1)}, vec2{X: math.Inf(-1), Y: math.Inf(-1)}
	w, h := float64(s.Camera.Width), float64(s.Camera.Height)
	mid, ok := v.Unproject(vec2{X: w / 2, Y: h / 2})
	if !ok {
		mid = vec2{}
	}
	for i := range 5 {
		for j := range 5 {
			p, ok := v.Unproject(vec2{X: w * float64(i) / 4, Y: h * float64(j) / 4})
			if !ok {
				continue
			}
			d := p.Sub(mid)
			if n := d.Norm(); n > 4000 {
				d = d.Mul(4000 / n)
			}
			p = mid.Add(d)
			lo = vec2{X: math.Min(lo.X, p.X), Y: math.Min(lo.Y, p.Y)}
			hi = vec2{X: math.Max(hi.X, p.X), Y: math.Max(hi.Y, p.Y)}
		}
	}
	if lo.X > hi.X { // the plane is not in the picture
		lo, hi = mid, mid
	}
	size := math.Max(math.Max(hi.X-lo.X, hi.Y-lo.Y), 1) * 1.02
	m := &lightMap{n: 128}
	if len(s.Light.Shadows) > 0 {
		m.n = 1024
	}
	m.x0, m.y0, m.k = float32((lo.X+hi.X-size)/2), float32((lo.Y+hi.Y-size)/2), float32(float64(m.n-1)/size)
	m.light, m.shine = make([]float32, m.n*m.n), make([]float32, m.n*m.n)
	sa, ca := math.Sincos(s.Light.Azimuth * math.Pi / 180)
	c := cloud()
	off := float32(chance(s.Seed, 91)) * 512
	for j := range m.n {
		for i := range m.n {
			p := vec2{X: float64(m.x0) + float64(i)/float64(m.k), Y: float64(m.y0) + float64(j)/float64(m.k)}
			d := p.Sub(vec2{Y: 300})
			l := 1 + s.Light.Gradient*(d.X*ca+d.Y*sa)/1000
			l += s.Light.Patches * float64(c.at(float32(p.X)*0.012+off, float32(p.Y)*0.012))
			l = math.Max(0.25, math.Min(1.9, l))
			for k := range s.Light.Shadows {
				l *= s.Light.Shadows[k].at(p)
			}
			g := 0.0
			for _, q := range s.Light.Glares {
				t := p.Sub(vec2{X: q.X, Y: q.Y}).Rotate(-q.Turn * math.Pi / 180)
				e := math.Pow(t.X/math.Max(q.Length/2, 1), 2) + math.Pow(t.Y/math.Max(q.Width/2, 1), 2)
				g += q.Strength * math.Exp(-e/2)
			}
			m.light[j*m.n+i], m.shine[j*m.n+i] = float32(l), float32(g)
		}
	}
	return m
}

// at reads light and shine at a place of the belt plane.
func (m *lightMap) at(x, y float32) (light, shine float32) {
	u, v := (x-m.x0)*m.k, (y-m.y0)*m.k
	top := float32(m.n-1) - 0.001
	u, v = max(0, min(top, u)), max(0, min(top, v))
	i, j := int(u), int(v)
	fu, fv := u-float32(i), v-float32(j)
	k := j*m.n + i
	mix := func(g []float32) float32 {
		a := g[k] + (g[k+1]-g[k])*fu
		b := g[k+m.n] + (g[k+m.n+1]-g[k+m.n])*fu
		return a + (b-a)*fv
	}
	return mix(m.light), mix(m.shine)
}

// at is the share of light that a shadow leaves at p.
func (h *Shadow) at(p vec2) float64 {
	p = p.Sub(vec2{X: h.X, Y: h.Y}).Rotate(-h.Turn * math.Pi / 180)
	d := 0.0 // distance from the shadow's outline, inside below 0
	switch h.Kind {
	case "bar": // along x
		d = math.Abs(p.Y) - h.Width/2
	case "half": // everything beyond x
		d = p.Y
	default: // a person standing at the place, lying along y
		k := 1.0
		if h.Width > 0 {
			k = h.Width / 420
		}
		q := p.Mul(1 / k)
		d = math.Inf(1)
		for _, c := range person {
			d = math.Min(d, capsuleDistance(q, c.a, c.b)-c.r)
		}
		d *= k
	}
	soft := math.Max(h.Soft, 0.5)
	t := math.Max(0, math.Min(1, 0.5-d/(2*soft)))
	return 1 - h.Depth*t*t*(3-2*t)
}

// person is a standing figure from its feet up, mm, holding a phone.
var person = []struct {
	a, b vec2
	r    float64
}{
	{vec2{X: -95, Y: 0}, vec2{X: -80, Y: 750}, 75}, {vec2{X: 95, Y: 0}, vec2{X: 80, Y: 750}, 75},
	{vec2{X: -60, Y: 850}, vec2{X: -70, Y: 1270}, 135}, {vec2{X: 60, Y: 850}, vec2{X: 70, Y: 1270}, 135},
	{vec2{X: 0, Y: 1400}, vec2{X: 0, Y: 1480}, 60}, {vec2{X: 0, Y: 1580}, vec2{X: 0, Y: 1630}, 105},
	{vec2{X: -200, Y: 1350}, vec2{X: -330, Y: 1130}, 52}, {vec2{X: -330, Y: 1130}, vec2{X: -140, Y: 1420}, 45},
	{vec2{X: 200, Y: 1350}, vec2{X: 330, Y: 1130}, 52}, {vec2{X: 330, Y: 1130}, vec2{X: 140, Y: 1420}, 45},
	{vec2{X: -80, Y: 1450}, vec2{X: 80, Y: 1450}, 40},
}

func capsuleDistance(p, a, b vec2) float64 {
	d := b.Sub(a)
	t := math.Max(0, math.Min(1, p.Sub(a).Dot(d)/d.Dot(d)))
	q := p.Sub(a.Add(d.Mul(t)))
	return math.Sqrt(q.Dot(q)) // no Hypot: a million times a scene
}
