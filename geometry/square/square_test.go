package square

import (
	"errors"
	"math"
	"math/rand"
	"testing"

	"beltend/geometry"
)

func compute(t *testing.T, e Edges, s Spec) *Values {
	t.Helper()
	v := new(Values)
	if err := Compute(e, s, v); err != nil {
		t.Fatal(err)
	}
	return v
}

func near(t *testing.T, what string, got, want, by float64) {
	t.Helper()
	if !(math.Abs(got-want) <= by) {
		t.Errorf("%s: %.9g, should be %.9g", what, got, want)
	}
}

// A straight cut on a straight belt: everything in closed form.
func TestStraightCut(t *testing.T) {
	for _, o := range []float64{-30, -4, 0, 0.5, 12} {
		for _, trim := range []float64{0, 5} {
			b := belt{w: 800, length: 1200, step: 7, cut: func(x float64) float64 { return o * x / 800 }}
			v := compute(t, b.edges(), Spec{Trim: trim})
			near(t, "offset", v.Offset, o, 1e-9)
			near(t, "angle", v.Angle, math.Atan(o/800), 1e-12)
			near(t, "width", v.WidthAtCut, 800, 1e-9)
			near(t, "mean width", v.WidthMean, 800, 1e-9)
			near(t, "length", v.Length, 1200-math.Abs(o)/2, 1e-9)
			near(t, "camber", v.Camber, 0, 1e-9)
			near(t, "straightness", v.CutStraightness, 0, 1e-9)
			near(t, "left", v.Recut.Left, trim+math.Max(o, 0), 1e-9)
			near(t, "right", v.Recut.Right, trim+math.Max(-o, 0), 1e-9)
			near(t, "left less right", v.Recut.Left-v.Recut.Right, v.Offset, 1e-9)
			near(t, "centre", v.Recut.Centre, trim+math.Abs(o)/2, 1e-9)
			near(t, "length lost", v.Recut.LengthLost, trim+math.Abs(o), 1e-9)
			near(t, "set-back", v.Recut.DiagonalUp, 1000, 0)
			near(t, "diagonal", v.Recut.Diagonal, math.Hypot(800, 1000), 1e-9)
			near(t, "left corner", v.LeftCorner.Y, -o/2, 1e-9)
			if len(v.Stations) != 5 {
				t.Errorf("%d stations", len(v.Stations))
			}
		}
	}
}

// At a target angle the offset is against the target's line along the belt.
func TestTargetAngle(t *testing.T) {
	target := 16.7 * math.Pi / 180
	b := belt{w: 700, length: 1500, step: 5, cut: func(x float64) float64 { return x*math.Tan(target) + 6*x/700 }}
	v := compute(t, b.edges(), Spec{TargetAngle: target, Trim: 3})
	near(t, "offset", v.Offset, 6, 1e-9)
	near(t, "angle", v.Angle, math.Atan(math.Tan(target)+6.0/700)-target, 1e-12)
	near(t, "left", v.Recut.Left, 9, 1e-6)
	near(t, "right", v.Recut.Right, 3, 1e-6)
	if v.Recut.Diagonal != 0 || v.Recut.DiagonalUp != 0 {
		t.Error("equal diagonals offered for a biased re-cut")
	}
	near(t, "line", v.Recut.RightBelt.Y-v.Recut.LeftBelt.Y, 700*math.Tan(target), 1e-6)
}

// crooked has everything wrong with it, so that the laws below mean something.
func crooked(seed int64) Edges {
	rng := rand.New(rand.NewSource(seed))
	rough := func(e []geometry.Vec2) {
		for k := range e {
			e[k].X += 0.2 * rng.NormFloat64()
			e[k].Y += 0.05 * rng.NormFloat64()
		}
	}
	b := belt{w: 900, length: 1400, step: 9,
		left:  func(y float64) float64 { return 0.002*y + 1e-6*y*y },
		right: func(y float64) float64 { return -0.001 * y },
		cut:   func(x float64) float64 { return -0.012*x + 2e-5*x*x + 0.4*math.Sin(x/70) }}
	e := b.edges()
	for _, p := range [][]geometry.Vec2{e.Left, e.Right, e.Cut} {
		rough(p)
	}
	e.Left = append(e.Left[:30:30], e.Left[60:]...) // something lay on the edge
	return e
}

func each(e Edges, f func(geometry.Vec2) geometry.Vec2) Edges {
	m := func(p []geometry.Vec2) []geometry.Vec2 {
		out := make([]geometry.Vec2, len(p))
		for k := range p {
			out[k] = f(p[k])
		}
		return out
	}
	return Edges{m(e.Left), m(e.Right), m(e.Cut)}
}

func reversed(p []geometry.Vec2) []geometry.Vec2 {
	out := make([]geometry.Vec2, len(p))
	for k := range p {
		out[len(p)-1-k] = p[k]
	}
	return out
}

// scalars lists the values that must not depend on the plane frame.
func scalars(v *Values) []float64 {
	s := []float64{v.Offset, v.Angle, v.WidthAtCut, v.WidthMean, v.Length, v.Camber, v.EdgeAngleLeft, v.EdgeAngleRight,
		v.CutStraightness, v.CutRMS, v.Deepest.X, v.Deepest.Y, v.Recut.Left, v.Recut.Right, v.Recut.Centre,
		v.Recut.LengthLost, v.Recut.Diagonal, v.Recut.DiagonalUp}
	for _, st := range v.Stations {
		s = append(s, st.Up, st.Width, st.Middle)
	}
	return s
}

func TestTurningThePlaneChangesNothing(t *testing.T) {
	for seed := int64(1); seed < 20; seed++ {
		e := crooked(seed)
		v := compute(t, e, Spec{Trim: 2})
		a, shift := 0.7*float64(seed), geometry.Vec2{X: 3e3, Y: -1e3}
		w := compute(t, each(e, func(p geometry.Vec2) geometry.Vec2 { return p.Rotate(a).Add(shift) }), Spec{Trim: 2})
		sv, sw := scalars(v), scalars(w)
		if len(sv) != len(sw) {
			t.Fatal("another number of stations")
		}
		for k := range sv {
			near(t, "scalar", sw[k], sv[k], 1e-8)
		}
		for _, p := range [][2]geometry.Vec2{{v.Origin, w.Origin}, {v.LeftCorner, w.LeftCorner}, {v.Recut.RightPoint, w.Recut.RightPoint}} {
			if d := p[0].Rotate(a).Add(shift).Sub(p[1]).Norm(); !(d < 1e-8) {
				t.Error("a point moved by", d)
			}
		}
		if d := v.Direction.Rotate(a).Sub(w.Direction).Norm(); !(d < 1e-11) {
			t.Error("direction turned by", d)
		}
	}
}

func TestMirror(t *testing.T) {
	for seed := int64(1); seed < 20; seed++ {
		e := crooked(seed)
		m := each(e, func(p geometry.Vec2) geometry.Vec2 { return geometry.Vec2{X: -p.X, Y: p.Y} })
		m.Left, m.Right, m.Cut = m.Right, m.Left, reversed(m.Cut)
		v, w := compute(t, e, Spec{}), compute(t, m, Spec{})
		near(t, "offset", w.Offset, -v.Offset, 1e-8)
		near(t, "angle", w.Angle, -v.Angle, 1e-10)
		near(t, "camber", w.Camber, -v.Camber, 1e-8)
		near(t, "left", w.Recut.Left, v.Recut.Right, 1e-8)
		near(t, "right", w.Recut.Right, v.Recut.Left, 1e-8)
		near(t, "centre", w.Recut.Centre, v.Recut.Centre, 1e-8)
		near(t, "edge angle", w.EdgeAngleLeft, -v.EdgeAngleRight, 1e-10)
		near(t, "width", w.WidthAtCut, v.WidthAtCut, 1e-8)
		near(t, "deepest", w.Deepest.X, -v.Deepest.X, 1e-8)
	}
}

// A belt twice as large has twice every length. The reaches in millimetres do
// not scale, so the belt is smooth here.
func TestScaling(t *testing.T) {
	b := belt{w: 900, length: 1400, step: 9, left: func(y float64) float64 { return 0.002 * y },
		cut: func(x float64) float64 { return -0.012 * x }}
	e := b.edges()
	v := compute(t, e, Spec{Stations: 7})
	w := compute(t, each(e, func(p geometry.Vec2) geometry.Vec2 { return p.Mul(2) }), Spec{Stations: 7})
	for _, c := range [][2]float64{{v.Offset, w.Offset}, {v.WidthMean, w.WidthMean}, {v.Length, w.Length},
		{v.Recut.Left, w.Recut.Left}, {v.Recut.Right, w.Recut.Right}, {v.Stations[3].Width, w.Stations[3].Width}} {
		near(t, "length", c[1], 2*c[0], 1e-8)
	}
	near(t, "angle", w.Angle, v.Angle, 1e-12)
}

// Camber of a belt laid in an arc of radius r: L^2/(8 r), positive when the
// middle of the length lies to the right.
func TestCamber(t *testing.T) {
	const r = 50000.0
	arc := func(y float64) float64 { return -(y - 700) * (y - 700) / (2 * r) }
	v := compute(t, belt{w: 800, length: 1400, step: 5, left: arc, right: arc}.edges(), Spec{})
	near(t, "camber", v.Camber, v.Length*v.Length/(8*r), 1e-3*v.Camber)
}

// A taper is shared by both edges: the centreline halves it, and a square laid
// on one edge is wrong by that edge's own angle.
func TestTaper(t *testing.T) {
	v := compute(t, belt{w: 800, length: 1400, step: 5, right: func(y float64) float64 { return -0.01 * y }}.edges(), Spec{})
	near(t, "edge angle", v.EdgeAngleRight, math.Atan(0.005), 1e-5)
	near(t, "edge angle", v.EdgeAngleLeft, -math.Atan(0.005), 1e-5)
	near(t, "right edge only", v.Angle-v.EdgeAngleRight, -math.Atan(0.01), 1e-5)
	near(t, "left edge only", v.Angle-v.EdgeAngleLeft, 0, 1e-5)
	// equal diagonals hold over a symmetric taper
	d := func(a, b geometry.Vec2) float64 { return a.Sub(b).Norm() }
	up := v.Recut.DiagonalUp
	ml := v.Recut.LeftBelt.Add(geometry.Vec2{X: -math.Sin(v.EdgeAngleLeft), Y: math.Cos(v.EdgeAngleLeft)}.Mul(up))
	mr := v.Recut.RightBelt.Add(geometry.Vec2{X: -math.Sin(v.EdgeAngleRight), Y: math.Cos(v.EdgeAngleRight)}.Mul(up))
	near(t, "one diagonal", d(v.Recut.LeftBelt, mr), v.Recut.Diagonal, 0.02)
	near(t, "the other", d(v.Recut.RightBelt, ml), v.Recut.Diagonal, 0.02)
}

// Crowded points must not outvote thin ones.
func TestUnevenPoints(t *testing.T) {
	b := belt{w: 800, length: 1200, step: 2, left: func(y float64) float64 { return 3 * math.Sin(y/150) },
		cut: func(x float64) float64 { return 2 * math.Sin(x/90) }}
	e := b.edges()
	v := compute(t, e, Spec{})
	thin := func(p []geometry.Vec2) []geometry.Vec2 {
		var out []geometry.Vec2
		for k := range p {
			if k < len(p)/3 || k%3 == 0 || k == len(p)-1 {
				out = append(out, p[k])
			}
		}
		return out
	}
	w := compute(t, Edges{thin(e.Left), thin(e.Right), thin(e.Cut)}, Spec{})
	near(t, "offset", w.Offset, v.Offset, 0.02)
	near(t, "width", w.WidthMean, v.WidthMean, 0.02)
}

// A covered stretch of a wavy edge has no say; a straight belt does not notice.
func TestGaps(t *testing.T) {
	b := belt{w: 800, length: 1200, step: 6, cut: func(x float64) float64 { return 0.01 * x }}
	e := b.edges()
	e.Left = append(e.Left[:40:40], e.Left[90:]...)
	e.Cut = append(e.Cut[:20:20], e.Cut[50:]...)
	v := compute(t, e, Spec{Stations: 12})
	near(t, "offset", v.Offset, 8, 1e-9)
	near(t, "width", v.WidthAtCut, 800, 1e-9)
	if n := len(v.Stations); n >= 12 || n < 7 {
		t.Errorf("%d of 12 stations beside a gap of a quarter of the length", n)
	}
	// the corner itself covered: both lines run on
	e.Cut = e.Cut[8:]
	e.Right = e.Right[20:]
	v = compute(t, e, Spec{})
	near(t, "offset", v.Offset, 8, 1e-9)
	near(t, "left corner", v.LeftCorner.X, -400, 1e-9)
	near(t, "left corner", v.LeftCorner.Y, -4, 1e-9)
	near(t, "right corner", v.RightCorner.Y, 4, 1e-9)
}

// Differences with steps a thousand times apart must agree: no jumps.
func TestDifferentiable(t *testing.T) {
	e := crooked(3)
	rng := rand.New(rand.NewSource(5))
	dir := each(e, func(geometry.Vec2) geometry.Vec2 { return geometry.Vec2{X: rng.NormFloat64(), Y: rng.NormFloat64()} })
	at := func(h float64) []float64 {
		move := func(p, d []geometry.Vec2) []geometry.Vec2 {
			out := make([]geometry.Vec2, len(p))
			for k := range p {
				out[k] = p[k].Add(d[k].Mul(h))
			}
			return out
		}
		return scalars(compute(t, Edges{move(e.Left, dir.Left), move(e.Right, dir.Right), move(e.Cut, dir.Cut)}, Spec{}))
	}
	diff := func(h float64) []float64 {
		a, b := at(h), at(-h)
		for k := range a {
			a[k] = (a[k] - b[k]) / (2 * h)
		}
		return a
	}
	small, large := diff(1e-6), diff(1e-3)
	for k := range small {
		if !(math.Abs(small[k]-large[k]) <= 1e-3*(1+math.Abs(large[k]))) {
			t.Errorf("value %d: %g by small steps, %g by large", k, small[k], large[k])
		}
	}
}

func TestComputeRefuses(t *testing.T) {
	good := func() Edges { return belt{w: 800, length: 1200, step: 50}.edges() }
	swap := good()
	swap.Left, swap.Right = swap.Right, swap.Left
	few := good()
	few.Cut = few.Cut[:2]
	nan := good()
	nan.Left[3].X = math.NaN()
	apart := good()
	apart.Left, apart.Right = apart.Left[:8], apart.Right[12:]
	above := each(good(), func(p geometry.Vec2) geometry.Vec2 { return p })
	for k := range above.Cut {
		above.Cut[k].Y += 1150
	}
	short := good()
	short.Cut = short.Cut[4:7]
	same := good()
	for k := range same.Left {
		same.Left[k] = same.Left[0]
	}
	for _, c := range []struct {
		what string
		e    Edges
		s    Spec
		want error
	}{
		{"nothing", Edges{}, Spec{}, ErrFewPoints},
		{"two cut points", few, Spec{}, ErrFewPoints},
		{"NaN", nan, Spec{}, ErrNotFinite},
		{"edges swapped", swap, Spec{}, ErrSides},
		{"edges not side by side", apart, Spec{}, ErrNoLength},
		{"cut at the far end", above, Spec{}, ErrSides},
		{"cut hardly seen", short, Spec{}, ErrSides},
		{"an edge in one point", same, Spec{}, ErrNoLength},
		{"target along the belt", good(), Spec{TargetAngle: 1.2}, ErrSpec},
		{"target NaN", good(), Spec{TargetAngle: math.NaN()}, ErrSpec},
		{"trim below 0", good(), Spec{Trim: -1}, ErrSpec},
		{"trim without end", good(), Spec{Trim: math.Inf(1)}, ErrSpec},
	} {
		var v Values
		if err := Compute(c.e, c.s, &v); !errors.Is(err, c.want) {
			t.Errorf("%s: %v", c.what, err)
		}
	}
}
