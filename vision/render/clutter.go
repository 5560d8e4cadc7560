package render

import "math"

// thing draws a piece of clutter.
func (b *builder) thing(c *Clutter, i int) {
	s := b.s
	or := func(v, ordinary float64) float64 {
		if v == 0 {
			return ordinary
		}
		return v
	}
	seed := s.Seed + int64(i)*31
	steel := rgb{0.24, 0.24, 0.245}
	switch c.Kind {
	case "bar": // a clamp bar across the belt, with its bolts
		l, w, h := or(c.Length, s.Belt.Width+240), or(c.Width, 50), or(c.Height, 30)
		for _, x := range []float64{-l/2 + 45, l/2 - 45} {
			p := moved([]vec2{{X: x}}, c.X, c.Y, c.Turn)[0]
			b.box(ellipse(p.X, p.Y, 15, 15, 0, 6), h, h+14, steel.times(0.7))
		}
		b.box(rectangle(c.X, c.Y, c.Turn, l, w), 0, h, rgb{0.33, 0.20, 0.015}.mix(steel, float32(math.Round(chance(seed, 1)))))
	case "box":
		b.box(rectangle(c.X, c.Y, c.Turn, or(c.Length, 200), or(c.Width, 150)), 0, or(c.Height, 60), rgb{0.25, 0.05, 0.04})
	case "tape", "rule": // measuring tape or steel rule, its length along x before turning
		l, w, h := or(c.Length, 900), or(c.Width, 19), or(c.Height, 1.2)
		colour := rgb{0.62, 0.47, 0.03}
		if c.Kind == "rule" {
			colour = rgb{0.42, 0.42, 0.43}
		}
		var ticks [][]vec3
		for k := 0; float64(k)*5 < l-4; k++ {
			n := 0.3
			if k%2 == 0 {
				n = 0.5
			}
			if k%20 == 0 {
				n = 0.9
			}
			t := rectangle(-l/2+2+float64(k)*5, w/2-n*w/2, 0, 0.6, n*w)
			ticks = append(ticks, level(moved(t, c.X, c.Y, c.Turn), h))
		}
		b.add(layer{paint: plain(rgb{0.02, 0.02, 0.02})}, ticks...)
		b.box(rectangle(c.X, c.Y, c.Turn, l, w), 0, h, colour)
	case "knife":
		blade := moved([]vec2{{X: 0, Y: -9}, {X: 75, Y: -9}, {X: 62, Y: 9}, {X: 0, Y: 9}}, c.X, c.Y, c.Turn)
		handle := moved([]vec2{{X: -135, Y: -13}, {X: 8, Y: -11}, {X: 8, Y: 11}, {X: -135, Y: 15}}, c.X, c.Y, c.Turn)
		b.box(handle, 0, 20, rgb{0.42, 0.06, 0.03})
		b.add(layer{paint: plain(rgb{0.5, 0.5, 0.5}), gloss: 1}, level(blade, 8))
		b.castShadow(blade, 8, 0)
	case "rag":
		pts := blob(rectangle(0, 0, 0, or(c.Length, 260), or(c.Width, 180)), 9, seed)
		pts = moved(pts, c.X, c.Y, c.Turn)
		b.add(layer{paint: s.sidePaint(rgb{0.35, 0.16, 0.10})}, level(pts, or(c.Height, 4)))
		b.castShadow(pts, or(c.Height, 4), 0)
	case "glove": // a gloved hand, fingers along +x before turning, an arm behind it
		k := or(c.Length, 200) / 200
		h := or(c.Height, 28)
		colour := []rgb{{0.45, 0.16, 0.02}, {0.07, 0.10, 0.25}, {0.38, 0.28, 0.15}}[int(3*chance(seed, 2))]
		part := func(pts []vec2, z float64, shade float32) {
			pts = moved(scaled(pts, k), c.X, c.Y, c.Turn)
			b.add(layer{paint: s.sidePaint(colour.times(shade))}, level(pts, z))
			b.castShadow(pts, z, 0)
		}
		for f, y := range []float64{-36, -13, 11, 34} {
			n := []float64{70, 92, 98, 84}[f]
			part(capsule(vec2{X: 20, Y: y * 0.8}, vec2{X: n, Y: y * 1.15}, 11), h*0.75, 0.92+0.05*float32(f))
		}
		part(capsule(vec2{X: -25, Y: 40}, vec2{X: 38, Y: 74}, 13), h*0.8, 0.95)
		part(ellipse(-15, 0, 62, 50, 0, 32), h, 1)
		part(blob(rectangle(-320, 0, 0, 520, 92), 5, seed), h*1.6, 0.7)
	}
}

func scaled(pts []vec2, k float64) []vec2 {
	out := make([]vec2, len(pts))
	for i, p := range pts {
		out[i] = p.Mul(k)
	}
	return out
}

// capsule is a rounded bar from a to b.
func capsule(a, b vec2, r float64) []vec2 {
	d := b.Sub(a)
	t := math.Atan2(d.Y, d.X)
	var out []vec2
	for i := range 25 {
		w := t - math.Pi/2 + 2*math.Pi*float64(i)/24
		c := b
		if i > 12 {
			c = a
		}
		out = append(out, c.Add(vec2{X: r}.Rotate(w)))
	}
	return out
}

// blob makes the sides of an outline uneven.
func blob(pts []vec2, size float64, seed int64) []vec2 {
	var out []vec2
	n := 0.0
	for i, p := range pts {
		q := pts[(i+1)%len(pts)]
		d := q.Sub(p)
		for k := range 24 {
			t := float64(k) / 24
			n += d.Norm() / 24
			r := size * wander(seed, n/40) * math.Sin(math.Pi*t)
			out = append(out, p.Add(d.Mul(t)).Add(d.Unit().Perp().Mul(r)))
		}
	}
	return out
}
