package square

import (
	"math"
	"math/rand"
	"testing"
)

// Tape readings of 0.5 mm standard uncertainty on a belt 1 m wide; the figures
// are a separate derivation checked by Monte Carlo, printed to 0.01 mm.
func TestTapeMethodTable(t *testing.T) {
	near := func(what string, got, want float64) {
		if !(math.Abs(got-want) <= 0.0051) {
			t.Errorf("%s: %.4f, should be %.2f", what, got, want)
		}
	}
	up := []float64{500, 1000, 1500, 2000, 3000}
	for i, want := range []float64{0.79, 0.50, 0.42, 0.40, 0.37} {
		near("marks exact", DiagonalsU(1000, up[i], 0.5, FromCorners, false), want)
	}
	for i, want := range []float64{0.87, 0.61, 0.55, 0.53, 0.51} {
		near("marks taped", DiagonalsU(1000, up[i], 0.5, FromCorners, true), want)
	}
	legs := [][2]float64{{300, 400}, {600, 800}, {750, 1000}, {1333, 1000}}
	for i, want := range []float64{2.95, 1.47, 1.18, 0.88} {
		near("3-4-5", TriangleU(legs[i][0], legs[i][1], 1000, 0.5, true), want)
	}
	near("square 600/400", BladeU(1000, 600, 400, 0.5, 0.25, 0.0002), 1.23)
	if u := BladeU(1000, 1000, 600, 0.5, 0.25, 0.0002); !(math.Abs(u-0.80) < 0.006) {
		t.Errorf("square 1000/600: %.4f", u)
	}
	if u := BladeU(1000, 300, 200, 0.5, 0.25, 0.0002); !(math.Abs(u-2.4) < 0.06) {
		t.Errorf("square 300/200: %.4f", u)
	}
}

// The stated uncertainties against brute force: build the figure, read it with
// a noisy tape, work the offset out, and look at the scatter. 40000 readings
// leave the scatter 0.35 % uncertain.
func TestTapeUncertaintyByBruteForce(t *testing.T) {
	rng := rand.New(rand.NewSource(7))
	const n, s, b = 40000, 0.5, 900.0
	scatter := func(truth float64, f func() float64) float64 {
		var sum, sq float64
		for k := 0; k < n; k++ {
			d := f() - truth
			sum += d
			sq += d * d
		}
		if m := sum / n; math.Abs(m) > 5*math.Sqrt(sq/n/n)+1e-3 {
			t.Errorf("biased by %.4f mm", m)
		}
		return math.Sqrt(sq / n)
	}
	r := func() float64 { return s * rng.NormFloat64() }
	near := func(what string, got, want float64) {
		if !(math.Abs(got/want-1) < 0.015) {
			t.Errorf("%s: scatter %.4f, stated %.4f", what, got, want)
		}
	}
	const e, up = 6.0, 1300.0
	for _, taped := range []bool{false, true} {
		m := 0.0
		if taped {
			m = 1
		}
		// corners at -+e/2, marks each the set-back above its own corner
		got := scatter(e, func() float64 {
			left, right := up+m*r(), up+m*r()
			d1, d2 := math.Hypot(b, e+right)+r(), math.Hypot(b, left-e)+r()
			v, err := OffsetFromDiagonals(d1, d2, up, FromCorners)
			if err != nil {
				t.Fatal(err)
			}
			return v
		})
		near("from the corners", got, DiagonalsU(b, up, s, FromCorners, taped))
		// marks on a square line above the middle
		got = scatter(e, func() float64 {
			left, right := up+m*r(), up+m*r()
			d1, d2 := math.Hypot(b, right+e/2)+r(), math.Hypot(b, left-e/2)+r()
			v, err := OffsetFromDiagonals(d1, d2, up, FromSquareLine)
			if err != nil {
				t.Fatal(err)
			}
			return v
		})
		near("from a square line", got, DiagonalsU(b, up, s, FromSquareLine, taped))
	}
	// a triangle on the belt's left corner: the cut rises by e over b, so the
	// corner's angle is 90 degrees less atan(e/b)
	angle := math.Pi/2 - math.Atan(e/b)
	for _, all := range []bool{false, true} {
		m := 0.0
		if all {
			m = 1
		}
		got := scatter(e, func() float64 {
			c := math.Sqrt(800*800 + 600*600 - 2*800*600*math.Cos(angle))
			v, err := OffsetFromTriangle(800+m*r(), 600+m*r(), c+r(), b, LeftCorner)
			if err != nil {
				t.Fatal(err)
			}
			return v
		})
		near("triangle", got, TriangleU(800, 600, b, s, all))
	}
}

func TestTapeRoundTrips(t *testing.T) {
	for _, s := range []SetOut{FromCorners, FromSquareLine} {
		for _, e := range []float64{-40, -3, 0, 0.5, 25} {
			l, r := Diagonals(800, 1000, e, s)
			if got, err := OffsetFromDiagonals(l, r, 1000, s); err != nil || !(math.Abs(got-e) < 1e-9) {
				t.Errorf("set out %d: %g came back as %g, %v", s, e, got, err)
			}
			if (e > 0 && l <= r) || (e < 0 && l >= r) {
				t.Errorf("offset %g: the long side's diagonal is %g against %g", e, l, r)
			}
		}
	}
	// 1.41 e at a set-back of one width, 1.79 e at two (closed form, small e)
	for _, c := range [][2]float64{{1000, 1.41}, {2000, 1.79}} {
		l, r := Diagonals(1000, c[0], 1, FromCorners)
		if !(math.Abs(l-r-c[1]) < 0.005) {
			t.Errorf("set-back %g: diagonals differ by %.4f mm per mm", c[0], l-r)
		}
	}
	if e, err := OffsetFromTriangle(600, 800, 1000, 1000, LeftCorner); err != nil || math.Abs(e) > 1e-9 {
		t.Error("3-4-5 is not square:", e, err)
	}
	// 1 mm on the hypotenuse: 2.1 mm/m on 600/800, 0.8 on 1500/2000
	for _, c := range [][2]float64{{200, 2.1}, {500, 0.8}} {
		e, err := OffsetFromTriangle(3*c[0], 4*c[0], 5*c[0]+1, 1000, RightCorner)
		if err != nil || !(math.Abs(e-c[1]) < 0.05) {
			t.Errorf("hypotenuse 1 mm long on %v: %g, %v", c[0], e, err)
		}
	}
	nan := math.NaN()
	for _, c := range [][3]float64{{0, 1, 1}, {1, -1, 1}, {1, 1, 0}, {nan, 1, 1}, {1, math.Inf(1), 1}} {
		if _, err := OffsetFromDiagonals(c[0], c[1], c[2], FromCorners); err == nil {
			t.Error("accepted", c)
		}
		if _, err := OffsetFromTriangle(c[0], c[1], c[2], 1000, LeftCorner); err == nil {
			t.Error("accepted", c)
		}
	}
	if _, err := OffsetFromTriangle(300, 400, 701, 1000, LeftCorner); err == nil {
		t.Error("accepted a triangle that cannot close")
	}
}

// Directive 2014/32/EU annex X (MI-008): class II 0.5, 0.7, 0.9 mm for 1, 2,
// 3 m, and 0.2 mm more from the hook.
func TestTapeClasses(t *testing.T) {
	for i, want := range []float64{0.5, 0.7, 0.9} {
		l := 1000 * float64(i+1)
		if got := TapeMPE(TapeII, l, false); !(math.Abs(got-want) < 1e-12) {
			t.Error(l, got)
		}
		if got := TapeMPE(TapeII, l-999, true); !(math.Abs(got-want-0.2) < 1e-12) {
			t.Error(l, "hook", got)
		}
		if got := TapeU(TapeII, l, false); !(math.Abs(got-[]float64{0.29, 0.40, 0.52}[i]) < 0.006) {
			t.Error(l, "u", got)
		}
	}
	if got := TapeMPE(TapeI, 1500, true); !(math.Abs(got-0.4) < 1e-12) {
		t.Error("class I", got)
	}
	if got := TapeMPE(TapeIII, 1500, true); !(math.Abs(got-1.7) < 1e-12) {
		t.Error("class III", got)
	}
	if !math.IsNaN(TapeMPE(0, 1000, false)) {
		t.Error("class 0 has an error limit")
	}
}

func TestWidths(t *testing.T) {
	for _, c := range []struct {
		nominal, band float64
	}{{300, 5}, {500, 5}, {650, 6.5}, {1000, 10}, {2000, 20}} {
		if got := WidthBand(c.nominal); !(math.Abs(got-c.band) < 1e-12) {
			t.Error(c.nominal, got)
		}
		n, ok := NearestNominal(c.nominal + 0.99*c.band)
		if n != c.nominal || !ok {
			t.Error("nearest to", c.nominal, "is", n, ok)
		}
	}
	if n, ok := NearestNominal(720); ok {
		t.Error("720 mm taken for", n)
	}
	if got := DefaultTolerance(650); !(math.Abs(got-1.3) < 1e-12) {
		t.Error("650 mm wide:", got)
	}
	if c := CheckWidth(1014, 2, 1000); c.InBand || c.Suspect || !(math.Abs(c.Deviation-14) < 1e-12) {
		t.Errorf("%+v", c)
	}
	if c := CheckWidth(1014, 5, 1000); !c.InBand {
		t.Errorf("outside for uncertain: %+v", c)
	}
	if c := CheckWidth(970, 2, 1000); c.InBand || !c.Suspect {
		t.Errorf("%+v", c)
	}
}
