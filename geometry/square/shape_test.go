package square

import (
	"math"
	"math/rand"
	"slices"
	"testing"

	"beltend/geometry"
)

// with adds measuring noise and roughness to every point.
func with(e Edges, sd float64, seed int64) Edges {
	rng := rand.New(rand.NewSource(seed))
	return each(e, func(p geometry.Vec2) geometry.Vec2 {
		return geometry.Vec2{X: p.X + sd*rng.NormFloat64(), Y: p.Y + sd*rng.NormFloat64()}
	})
}

func find(d []Defect, code string) *Defect {
	for k := range d {
		if d[k].Code == code {
			return &d[k]
		}
	}
	return nil
}

func codes(d []Defect) []string {
	var out []string
	for _, x := range d {
		out = append(out, x.Code)
	}
	return out
}

// Each fault alone, of known size, is named, sized and placed; nothing else is.
func TestShapesNamesOneFault(t *testing.T) {
	const w = 900.0
	base := belt{w: w, length: 1300, step: 4.5}
	cases := []struct {
		code string
		size float64
		x    float64 // NaN: anywhere
		by   float64
		b    belt
	}{}
	add := func(code string, size, x, by float64, change func(*belt)) {
		b := base
		change(&b)
		cases = append(cases, struct {
			code string
			size float64
			x    float64
			by   float64
			b    belt
		}{code, size, x, by, b})
	}
	for _, s := range []float64{-6, 2} {
		add(Skew, s, math.NaN(), 0.15, func(b *belt) { b.cut = func(x float64) float64 { return s * x / w } })
		add(Bow, s, math.NaN(), 0.15, func(b *belt) { b.cut = func(x float64) float64 { return s * (1 - 4*x*x/w/w) } })
		add(Vee, s, 120, 0.25, func(b *belt) {
			b.cut = func(x float64) float64 {
				if x < 120 {
					return s * (x + w/2) / (120 + w/2)
				}
				return s * (w/2 - x) / (w/2 - 120)
			}
		})
	}
	for _, s := range []float64{-3, 1.2} {
		add(Step, s, -200, 0.25, func(b *belt) {
			b.cut = func(x float64) float64 {
				if x > -200 {
					return s
				}
				return 0
			}
		})
	}
	add(Wander, 3, math.NaN(), 0.5, func(b *belt) { b.cut = func(x float64) float64 { return 1.5 * math.Sin(x/40) } })
	add(WornEdge, 8, 600, 0.5, func(b *belt) {
		b.left = func(y float64) float64 { return 8 * math.Exp(-(y-600)*(y-600)/(2*25*25)) }
	})
	add(Camber, 4, math.NaN(), 0.2, func(b *belt) {
		arc := func(y float64) float64 { return 4 * (1 - 4*(y-650)*(y-650)/1300/1300) }
		b.left, b.right = arc, arc
	})
	for _, c := range cases {
		for seed := int64(1); seed <= 12; seed++ {
			e := with(c.b.edges(), 0.1, seed)
			v := compute(t, e, Spec{})
			d := Shapes(e, v, 0.1)
			got := find(d, c.code)
			if got == nil {
				t.Fatalf("%s of %g not named: %+v", c.code, c.size, d)
			}
			if !(math.Abs(got.Size-c.size) <= c.by) {
				t.Errorf("%s: %.3f, should be %g", c.code, got.Size, c.size)
			}
			if !(got.SD > 0 && got.SD < 0.34*math.Abs(c.size)) {
				t.Errorf("%s: sd %g", c.code, got.SD)
			}
			if !math.IsNaN(c.x) && !(math.Abs(got.X-c.x) <= 40) {
				t.Errorf("%s at %.0f, should be at %.0f", c.code, got.X, c.x)
			}
			allowed := []string{c.code}
			if c.code == Step || c.code == Vee || c.code == Camber {
				allowed = append(allowed, Skew) // the line through a one-sided fault is itself skew
			}
			for _, other := range codes(d) {
				if !slices.Contains(allowed, other) {
					t.Errorf("%s of %g also called %s: %+v", c.code, c.size, other, d)
				}
			}
		}
	}
}

// Raggedness from point to point, with the measuring noise taken out.
func TestRagged(t *testing.T) {
	e := with(belt{w: 900, length: 1300, step: 4.5}.edges(), 0.1, 3)
	rng := rand.New(rand.NewSource(9))
	for k := range e.Cut {
		e.Cut[k].Y += 0.8 * rng.NormFloat64()
	}
	d := find(Shapes(e, compute(t, e, Spec{}), 0.1), Ragged)
	if d == nil || !(math.Abs(d.Size-0.8) < 4*d.SD) || !(d.SD < 0.1) {
		t.Errorf("%+v", d)
	}
}

// A good cut has no fault, and the false alarms stay rare.
func TestShapesOfAGoodCut(t *testing.T) {
	alarms := 0
	for seed := int64(1); seed <= 200; seed++ {
		e := with(belt{w: 900, length: 1300, step: 4.5, cut: func(x float64) float64 { return 0.15 * math.Sin(x/50+float64(seed)) }}.edges(), 0.12, seed)
		if d := Shapes(e, compute(t, e, Spec{}), 0.12); len(d) > 0 {
			alarms++
			t.Logf("seed %d: %+v", seed, d)
		}
	}
	if alarms > 1 {
		t.Errorf("%d false alarms in 200 good cuts", alarms)
	}
}

// The stated standard deviation is what repeated cuts scatter by.
func TestShapeUncertainty(t *testing.T) {
	const w = 900.0
	b := belt{w: w, length: 1300, step: 4.5, cut: func(x float64) float64 { return 3 * (1 - 4*x*x/w/w) }}
	var sum, sq, sd float64
	const n = 300
	for seed := int64(0); seed < n; seed++ {
		e := with(b.edges(), 0.3, seed)
		d := find(Shapes(e, compute(t, e, Spec{}), 0.3), Bow)
		if d == nil {
			t.Fatal("no bow")
		}
		sum += d.Size - 3
		sq += (d.Size - 3) * (d.Size - 3)
		sd += d.SD
	}
	got, want := math.Sqrt(sq/n), sd/n
	if !(got < 1.3*want && got > 0.6*want) {
		t.Errorf("bow scatters by %.4f mm, stated %.4f", got, want)
	}
}

func TestShapesOfTooLittle(t *testing.T) {
	e := belt{w: 900, length: 1300, step: 200, cut: func(x float64) float64 { return 0.1 * x }}.edges()
	if d := Shapes(e, compute(t, e, Spec{}), 0.1); d != nil {
		t.Errorf("named %v from %d cut points", d, len(e.Cut))
	}
}
