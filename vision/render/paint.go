package render

import "math"

// rgb is linear light; 1 is what a perfect white sheet returns.
type rgb [3]float32

// rows holds what paints need to know about the pixels of a strip.
type rows struct {
	w            int
	x, y         []float32 // place on the belt plane, mm
	gx, gy       []float32 // place on the ground, mm
	foot         []float32 // size of a pixel on the belt plane, mm
	light, glare []float32
}

// paint gives a surface's colour at pixel i of the strip.
type paint func(r *rows, i int) rgb

func plain(c rgb) paint { return func(*rows, int) rgb { return c } }

func (c rgb) times(k float32) rgb { return rgb{c[0] * k, c[1] * k, c[2] * k} }

func (c rgb) mix(d rgb, t float32) rgb {
	return rgb{c[0] + (d[0]-c[0])*t, c[1] + (d[1]-c[1])*t, c[2] + (d[2]-c[2])*t}
}

func clamp01(v float32) float32 { return max(0, min(1, v)) }

// look is what a belt is made of: share of light returned, measured by eye
// from photos of such belts.
type look struct {
	top, cover, carcass rgb
	dust                rgb
	cloud, grain        float32 // relative unevenness
	stretch             float32 // how much longer it runs along the belt
	gloss               float32
}

var looks = map[string]look{
	"black_rubber": {rgb{0.042, 0.043, 0.044}, rgb{0.03, 0.03, 0.031}, rgb{0.075, 0.07, 0.06}, rgb{0.20, 0.19, 0.17}, 0.16, 0.14, 6, 0.5},
	"rough_top":    {rgb{0.075, 0.062, 0.05}, rgb{0.05, 0.04, 0.035}, rgb{0.16, 0.14, 0.11}, rgb{0.22, 0.2, 0.17}, 0.12, 0.12, 1, 0.2},
	"white_food":   {rgb{0.60, 0.62, 0.64}, rgb{0.55, 0.56, 0.57}, rgb{0.42, 0.41, 0.39}, rgb{0.42, 0.39, 0.34}, 0.035, 0.012, 4, 1},
	"green_pu":     {rgb{0.026, 0.20, 0.072}, rgb{0.03, 0.16, 0.07}, rgb{0.30, 0.30, 0.27}, rgb{0.26, 0.27, 0.23}, 0.10, 0.035, 5, 0.8},
	"blue_food":    {rgb{0.03, 0.105, 0.34}, rgb{0.03, 0.09, 0.27}, rgb{0.35, 0.37, 0.42}, rgb{0.33, 0.34, 0.35}, 0.07, 0.03, 4, 0.9},
	"grey_fabric":  {rgb{0.30, 0.295, 0.275}, rgb{0.10, 0.10, 0.10}, rgb{0.26, 0.25, 0.22}, rgb{0.36, 0.34, 0.30}, 0.09, 0.10, 5, 0.1},
	"brown_pvc":    {rgb{0.16, 0.085, 0.05}, rgb{0.13, 0.07, 0.045}, rgb{0.30, 0.28, 0.24}, rgb{0.28, 0.25, 0.2}, 0.10, 0.03, 5, 0.6},
}

// beltPaint is the belt's top.
func (s *Scene) beltPaint() paint {
	l := looks[s.Belt.Look]
	c, g := cloud(), grain()
	ox, oy := float32(chance(s.Seed, 21))*512, float32(chance(s.Seed, 22))*512
	dust := float32(s.Belt.Dust)
	// points of texture a mm: clouds of half a metre, streaks along the belt
	kx, ky := float32(0.9), float32(0.9)/l.stretch
	weave, rough := s.Belt.Look == "grey_fabric", s.Belt.Look == "rough_top"
	return func(r *rows, i int) rgb {
		x, y := r.x[i], r.y[i]
		a := c.at(x*kx+ox, y*ky+oy)
		b := c.at(x*0.31+oy, y*0.29+ox)
		n := g.at(x*1.7+ox, y*1.7+oy)
		t := l.top.times(max(0.2, 1+l.cloud*a+l.grain*n))
		if dust > 0 { // lies in patches and thins to the bare belt
			d := clamp01(0.32+0.22*b+0.14*a) * dust
			t = t.mix(l.dust, d*0.75)
		}
		if weave {
			fade := clamp01(1.6 - r.foot[i])
			t = t.times(1 + fade*0.10*(wave(x*0.7)*wave(y*0.7)))
		}
		if rough {
			fade := clamp01(2.5 - r.foot[i])
			q := wave(x*0.105+0.1*a) * wave(y*0.105+0.1*b)
			t = t.times(1 + fade*0.5*q)
		}
		return t
	}
}

// wave is a cheap sine of period 1.
func wave(t float32) float32 {
	i := int32(t)
	f := t - float32(i)
	if f < 0 {
		f++
	}
	if f < 0.5 {
		return 16 * f * (0.5 - f)
	}
	f -= 0.5
	return -16 * f * (0.5 - f)
}

// band is how much of a pixel of size foot lies within half of a line at
// distance d.
func band(d, half, foot float32) float32 {
	if d < 0 {
		d = -d
	}
	foot = max(foot, 1e-3)
	a := clamp01((half-d)/foot + 0.5)
	return min(a, 2*half/foot)
}

// near is the signed distance to the nearest multiple of pitch, and which.
func near(v, pitch float32) (float32, int) {
	k := float32(math.Floor(float64(v/pitch) + 0.5))
	return v - k*pitch, int(k)
}

// cell is which piece of a row of pitch v lies in, and how far in.
func cell(v, pitch float32) (int, float32) {
	k := float32(math.Floor(float64(v / pitch)))
	return int(k), v - k*pitch
}

// groundPaint is what lies beneath.
func (s *Scene) groundPaint() paint {
	c, g := cloud(), grain()
	seed := s.Seed
	ox, oy := float32(chance(seed, 31))*512, float32(chance(seed, 32))*512
	sn, cs := math.Sincos(s.Ground.Turn * math.Pi / 180)
	sin, cos := float32(sn), float32(cs)
	shift := float32(s.Ground.Shift)
	tone := float32(s.Ground.Tone)
	if tone == 0 {
		tone = 1
	}
	pitch := float32(s.Ground.Pitch)
	if pitch == 0 {
		pitch = map[string]float32{"planks": 95, "tiles": 300, "mat": 6, "rollers": 130, "grating": 40, "bench": 600, "steel": 1000, "concrete": 1000}[s.Ground.Kind]
	}
	// u along the pattern's rows (across the belt), v from row to row
	at := func(r *rows, i int) (u, v float32) {
		x, y := r.gx[i], r.gy[i]
		return cos*x + sin*y, cos*y - sin*x + shift
	}
	tint := func(k ...int) float32 { return float32(chance(seed+77, k...)) }
	// chance for whole rows is asked for at every pixel: keep it
	table := make([]float32, 1024)
	for i := range table {
		table[i] = tint(i)
	}
	switch s.Ground.Kind {
	case "planks":
		base := rgb{0.20, 0.125, 0.07}.times(tone)
		return func(r *rows, i int) rgb {
			u, v := at(r, i)
			k, f := cell(v, pitch)
			h := table[k&1023]
			n := c.at(u*0.22+h*300, v*2.6+oy) // long grain
			m := g.at(u*0.15, v*1.9+ox)
			t := base.times((0.75 + 0.5*h) * max(0.3, 1+0.20*n+0.10*m))
			foot := r.foot[i]
			gap := band(f-pitch/2, pitch/2-2.2, foot) // 1 on the board
			edge := band(f-pitch/2, pitch/2-6, 4)
			t = t.times(0.8 + 0.2*edge)
			// butt joints
			d, _ := near(u+h*900, 1400)
			t = t.times(1 - 0.8*band(d, 1.2, foot))
			return t.mix(rgb{0.012, 0.01, 0.008}, 1-gap)
		}
	case "tiles":
		base := rgb{0.40, 0.385, 0.345}.times(tone)
		grout := rgb{0.13, 0.125, 0.115}.times(tone)
		return func(r *rows, i int) rgb {
			u, v := at(r, i)
			ku, fu := cell(u, pitch)
			kv, fv := cell(v, pitch)
			h := table[(ku*37+kv*101)&1023]
			n := c.at(u*0.8+h*500, v*0.8+h*900)
			m := g.at(u*1.1, v*1.1)
			t := base.times(max(0.3, 0.86+0.22*h+0.07*n+0.03*m))
			foot := r.foot[i]
			on := min(band(fu-pitch/2, pitch/2-1.8, foot), band(fv-pitch/2, pitch/2-1.8, foot))
			return t.mix(grout.times(1+0.2*m), 1-on)
		}
	case "mat":
		base := rgb{0.045, 0.046, 0.05}.times(tone)
		return func(r *rows, i int) rgb {
			u, v := at(r, i)
			n := c.at(u*0.6+ox, v*0.6+oy)
			m := g.at(u*1.4, v*1.4)
			fade := clamp01(1.5 - 2*r.foot[i]/pitch)
			return base.times(max(0.2, 1+0.22*n+0.12*m+0.45*fade*wave(v/pitch)))
		}
	case "steel":
		base := rgb{0.25, 0.25, 0.255}.times(tone)
		rust := rgb{0.17, 0.09, 0.05}
		return func(r *rows, i int) rgb {
			u, v := at(r, i)
			n := c.at(u*0.05+ox, v*1.4+oy) // brushed
			m := c.at(u*0.5+oy, v*0.5+ox)
			t := base.times(max(0.3, 1+0.12*n+0.08*m))
			return t.mix(rust, clamp01(m*1.6-2.6)*0.5)
		}
	case "rollers":
		pipe := rgb{0.30, 0.305, 0.315}.times(tone)
		floor := rgb{0.03, 0.03, 0.032}
		radius := min(pitch*0.42, 45)
		end := float32(s.railX() + 30)
		return func(r *rows, i int) rgb {
			u, v := at(r, i)
			d, k := near(v, pitch)
			m := g.at(u*1.3, v*1.3+ox)
			n := c.at(u*0.7+oy, v*0.7+ox)
			q := d / radius
			if r.gx[i] > end || r.gx[i] < -end { // beyond the frame
				return floor.times(1.6 + 0.5*n + 0.3*m)
			}
			on := band(d, radius, r.foot[i])
			z := float32(math.Sqrt(float64(max(0, 1-q*q)))) // the pipe's normal upwards
			shine := z*0.75 + 0.25*q
			hi := max(0, 1-abs32(q-0.3)*5)
			t := pipe.times(max(0.05, shine) * (0.9 + 0.2*table[k&1023] + 0.05*n + 0.04*m))
			t = t.mix(rgb{0.8, 0.8, 0.8}, 0.45*hi*hi)
			return floor.times(1+0.4*n).mix(t, on)
		}
	case "grating":
		bar := rgb{0.28, 0.28, 0.275}.times(tone)
		return func(r *rows, i int) rgb {
			u, v := at(r, i)
			du, _ := near(u, pitch)
			dv, _ := near(v, pitch*2.5)
			foot := r.foot[i]
			n := c.at(u*0.7, v*0.7)
			on := max(band(du, 2.5, foot), band(dv, 3, foot))
			return rgb{0.02, 0.02, 0.021}.times(1+0.3*n).mix(bar.times(1+0.1*n), on)
		}
	case "bench":
		base := rgb{0.62, 0.62, 0.60}.times(tone)
		return func(r *rows, i int) rgb {
			u, v := at(r, i)
			n := c.at(u*0.35+ox, v*0.35+oy)
			m := g.at(u*1.2, v*1.2)
			d := clamp01(n - 1.1)
			return base.times(1 + 0.025*n + 0.012*m - 0.15*d)
		}
	}
	base := rgb{0.37, 0.36, 0.33}.times(tone)
	return func(r *rows, i int) rgb {
		u, v := at(r, i)
		n := c.at(u*0.35+ox, v*0.35+oy)
		n2 := c.at(u*1.3+oy, v*1.3+ox)
		n3 := c.at(u*3.1+ox, v*3.1+ox)
		m := g.at(u*1.5, v*1.5)
		t := base.times(max(0.2, 1+0.11*n+0.05*n2+0.05*n3+0.05*m))
		return t.times(1 - 0.3*clamp01(n2-1.5)*clamp01(1.5*n))
	}
}

func abs32(v float32) float32 {
	if v < 0 {
		return -v
	}
	return v
}

// paperPaint is a card's sheet.
func (s *Scene) paperPaint(dirt float64, seed int) paint {
	c := cloud()
	ox, oy := float32(chance(s.Seed, 41, seed))*512, float32(chance(s.Seed, 42, seed))*512
	d := float32(dirt)
	return func(r *rows, i int) rgb {
		t := rgb{0.76, 0.77, 0.78}
		if d > 0 {
			n := c.at(r.x[i]*1.1+ox, r.y[i]*1.1+oy)
			t = t.mix(rgb{0.2, 0.18, 0.15}, clamp01(0.25*d+0.4*d*n)*0.9)
		}
		return t
	}
}
