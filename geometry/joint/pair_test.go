package joint

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"beltend/geometry"
	"beltend/geometry/lacing"
	"beltend/geometry/square"
)

func near(t *testing.T, what string, got, want, by float64) {
	t.Helper()
	if !(math.Abs(got-want) <= by) {
		t.Errorf("%s: %.6f, should be %.6f", what, got, want)
	}
}

// By hand, both ends 1000 mm wide, tolerance 2 mm each: leading +5 +- 0.6,
// trailing -1 +- 0.8.
//
//	kink 5 - (-1) = 6 mm over 1000: atan 0.005 + atan 0.001 = 0.00599996 = 0.343772 degrees, U sqrt(0.36 + 0.64) = 1.0
//	against 2 + 2 = 4: 6 - 1 > 4, recut
//	skew (5 - 1)/2 = 2 mm, U 0.5, against 2: undecided
//	bow of 10 m: (atan 0.005 + atan 0.001) * 2.5 m = 15.0 mm, to the long side, left
//	ways: leading to square loses 2.5 at the centre (left 5, right 0): kink 1, skew -0.5, mends
//	      trailing to square loses 0.5 (left 0, right 1): kink 5, does not
//	      leading to match loses 3: kink 0, skew -1, U 0.5: mends
//	      trailing to match loses 3: kink 0, skew 5: does not
//	      both lose 3: mends
//	least that mends: the leading end to square
func TestPairByHand(t *testing.T) {
	p, err := Match(End{Offset: 5, U95: 0.6, Width: 1000, Tolerance: 2}, End{Offset: -1, U95: 0.8, Width: 1000, Tolerance: 2})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "kink", p.Kink.MM, 6, 1e-12)
	near(t, "kink U", p.Kink.U95, 1, 1e-12)
	near(t, "kink angle", p.Kink.Deg, 0.343772, 1e-6)
	near(t, "kink limit", p.Kink.Tolerance, 4, 1e-12)
	near(t, "skew", p.Skew.MM, 2, 1e-12)
	near(t, "skew U", p.Skew.U95, 0.5, 1e-12)
	near(t, "skew limit", p.Skew.Tolerance, 2, 1e-12)
	near(t, "bow", p.Tendency.Bow, 15, 1e-3)
	if p.Kink.Verdict != square.MustRecut || p.Skew.Verdict != square.Undecided || p.Verdict != square.MustRecut || p.Tendency.Side != "left" ||
		p.Lead.Verdict != square.MustRecut || p.Trail.Verdict != square.Square {
		t.Errorf("%+v", p)
	}
	find := func(aim string, ends ...string) Recut {
		for _, r := range p.Recuts {
			if r.Aim != aim || len(r.Lines) != len(ends) {
				continue
			}
			same := true
			for i, l := range r.Lines {
				same = same && l.End == ends[i]
			}
			if same {
				return r
			}
		}
		t.Fatalf("%s of %v was not considered", aim, ends)
		return Recut{}
	}
	for _, c := range []struct {
		r                Recut
		lost, kink, skew float64
		mends            bool
	}{
		{find(ToTarget, lacing.Leading), 2.5, 1, -0.5, true},
		{find(ToTarget, lacing.Trailing), 0.5, 5, 2.5, false},
		{find(ToMatch, lacing.Leading), 3, 0, -1, true},
		{find(ToMatch, lacing.Trailing), 3, 0, 5, false},
		{find(ToTarget, lacing.Leading, lacing.Trailing), 3, 0, 0, true},
	} {
		near(t, "lost", c.r.Lost, c.lost, 1e-9)
		near(t, "kink after", c.r.Kink, c.kink, 1e-9)
		near(t, "skew after", c.r.Skew, c.skew, 1e-9)
		if c.r.Mends != c.mends {
			t.Errorf("%+v", c.r)
		}
	}
	if p.Advised == nil || p.Advised.Aim != ToTarget || len(p.Advised.Lines) != 1 || p.Advised.Lines[0].End != lacing.Leading ||
		math.Abs(p.Advised.Lines[0].Left-5) > 1e-9 || math.Abs(p.Advised.Lines[0].Right) > 1e-9 {
		t.Errorf("advised %+v", p.Advised)
	}
}

// By hand: ends parallel but askew, +6 and +6: kink 0, skew 6. No single line
// mends that: to square leaves a kink of 6, to match changes nothing.
func TestAskewNeedsBoth(t *testing.T) {
	p, err := Match(End{Offset: 6, U95: 0.5, Width: 1000}, End{Offset: 6, U95: 0.5, Width: 1000})
	if err != nil {
		t.Fatal(err)
	}
	if p.Kink.Verdict != square.Square || p.Skew.Verdict != square.MustRecut || p.Tendency.Side != "" || p.Advised == nil || len(p.Advised.Lines) != 2 || !p.Advised.Mends {
		t.Errorf("%+v", p)
	}
	near(t, "lost", p.Advised.Lost, 6, 1e-9)
	// +5 and +1.2: to match at +1.2 loses 1.9, to square 2.5: by whole mm the match
	p, err = Match(End{Offset: 5, U95: 0.5, Width: 1000, Tolerance: 2}, End{Offset: 1.2, U95: 0.5, Width: 1000, Tolerance: 2})
	if err != nil || p.Advised == nil || p.Advised.Aim != ToMatch || p.Advised.Lines[0].End != lacing.Leading {
		t.Errorf("%+v, %v", p.Advised, err)
	}
}

func randomEnd(r *rand.Rand, width float64) End {
	in := func(lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }
	e := End{Offset: in(-25, 25), U95: in(0.1, 4), Width: width + in(-20, 20), WidthU95: in(0.1, 3)}
	if r.IntN(2) == 0 {
		n := 5 + r.IntN(20)
		for k := range n {
			e.Shape = append(e.Shape, geometry.Vec2{X: (float64(k)/float64(n-1) - 0.5) * e.Width, Y: in(-2, 2)})
		}
	}
	return e
}

// Brute force: 10000 random joints are built in the plane, closed by turning
// one belt until the cuts lie on each other, and measured there; every new line
// is set out from the corners and checked against every point of the cut.
func TestRandomJointsInThePlane(t *testing.T) {
	r := rand.New(rand.NewPCG(42, 1))
	for trial := range 10000 {
		width := 300 + 2500*r.Float64()
		a, b := randomEnd(r, width), randomEnd(r, width)
		if r.IntN(4) == 0 {
			a.Target = 0.5 * (r.Float64() - 0.5)
			b.Target = a.Target
		}
		p, err := Match(a, b)
		if err != nil {
			t.Fatalf("joint %d: %v", trial, err)
		}
		// corners of the straight cuts, each in its own frame; the trailing end
		// faces the leading one, so it is turned by half a turn
		corners := func(e End) (l, r geometry.Vec2) {
			rise := e.Offset + e.Width*math.Tan(e.Target)
			return geometry.Vec2{X: -e.Width / 2, Y: -rise / 2}, geometry.Vec2{X: e.Width / 2, Y: rise / 2}
		}
		al, ar := corners(a)
		bl, br := corners(b)
		bl, br = bl.Mul(-1), br.Mul(-1) // now br is at the left
		dirA, dirB := ar.Sub(al), bl.Sub(br)
		// Lay the leading belt's cut onto the trailing belt's: it turns from dirA to
		// dirB, and its centreline, which was along y, with it.
		turn := math.Atan2(dirA.Cross(dirB), dirA.Dot(dirB))
		axis := geometry.Vec2{X: -math.Sin(turn), Y: math.Cos(turn)}
		bend := math.Atan2(axis.X, axis.Y) // to the right of straight on
		near(t, "kink", p.Kink.Deg*math.Pi/180, bend, 1e-9)
		// the hinge lies on the trailing belt's cut; half way between the belts'
		// two directions is the run's mean direction
		hinge := math.Atan2(dirB.Y, dirB.X) + bend/2
		near(t, "skew", p.Skew.Deg*math.Pi/180, hinge-a.Target, 1e-9)
		if a.Target == 0 {
			sa, sb := math.Abs(a.Offset/a.Width), math.Abs(b.Offset/b.Width) // atan x = x - x^3/3 + ...
			near(t, "small kink", p.Kink.MM/p.Width, bend, (sa*sa*sa+sb*sb*sb)/3)
		}
		// pull both far ends onto one straight line: the joint stands off it on the
		// side away from the bend
		far, near5 := axis.Mul(5000), geometry.Vec2{Y: -5000}
		chord := far.Sub(near5).Unit()
		off := chord.Cross(near5.Mul(-1)) // of the joint at 0, left positive
		near(t, "bow", p.Tendency.Bow, math.Abs(off), 1e-3*math.Abs(off)+1e-6)
		if p.Tendency.Side == "left" && off < 0 || p.Tendency.Side == "right" && off > 0 {
			t.Errorf("joint %d: stands off %.2f mm to the left, stated %q", trial, off, p.Tendency.Side)
		}
		for _, way := range p.Recuts {
			na, nb := a, b
			na.Shape, nb.Shape = nil, nil
			lost := 0.0
			for _, l := range way.Lines {
				e, n := a, &na
				if l.End == lacing.Trailing {
					e, n = b, &nb
				}
				n.Offset = setOut(t, e, l)
				lost += l.Centre
			}
			after, err := Match(na, nb)
			if err != nil {
				t.Fatal(err)
			}
			near(t, "kink after", way.Kink, after.Kink.MM, 1e-6)
			near(t, "skew after", way.Skew, after.Skew.MM, 1e-6)
			near(t, "lost", way.Lost, lost, 1e-9)
			if way.Mends != (after.Verdict == square.Square) {
				t.Errorf("joint %d: mends %v, but the pair would be %s", trial, way.Mends, after.Verdict)
			}
		}
		if (p.Advised != nil) != (p.Verdict == square.MustRecut) {
			t.Errorf("joint %d: %s with advice %+v", trial, p.Verdict, p.Advised)
		}
		if p.Advised != nil {
			for _, way := range p.Recuts {
				if way.Mends && math.Round(way.Lost) < math.Round(p.Advised.Lost) {
					t.Errorf("joint %d: %+v mends with less than %+v", trial, way, p.Advised)
				}
			}
		}
		// two ends within their tolerance for sure make a pair that is
		if p.Lead.Verdict == square.Square && p.Trail.Verdict == square.Square && p.Verdict != square.Square {
			t.Errorf("joint %d: both ends are square, the pair is %s", trial, p.Verdict)
		}
		if t.Failed() {
			t.Fatalf("%+v\n%+v\n%+v", a, b, p)
		}
	}
}

// setOut marks the two distances from the corners up the edges and returns the
// offset of the line between the marks, having checked that it clears the cut
// and touches it.
func setOut(t *testing.T, e End, l LineBack) float64 {
	t.Helper()
	dev := func(x float64) float64 {
		for k := 1; k < len(e.Shape); k++ {
			if a, b := e.Shape[k-1], e.Shape[k]; x <= b.X+1e-9 {
				return a.Y + (b.Y-a.Y)*(x-a.X)/(b.X-a.X)
			}
		}
		return 0
	}
	rise := e.Offset/e.Width + math.Tan(e.Target)
	cut := func(x float64) float64 { return rise*x + dev(x) }
	half := e.Width / 2
	ml, mr := cut(-half)+l.Left, cut(half)+l.Right
	line := func(x float64) float64 { return ml + (mr-ml)*(x+half)/e.Width }
	least, most := math.Inf(1), 0.0
	for k := 0; k <= 40; k++ { // straight between the points of its shape
		x := (float64(k)/40 - 0.5) * e.Width
		least, most = math.Min(least, line(x)-cut(x)), math.Max(most, line(x)-cut(x))
	}
	for _, q := range e.Shape {
		least, most = math.Min(least, line(q.X)-cut(q.X)), math.Max(most, line(q.X)-cut(q.X))
	}
	near(t, "length lost", l.Lost, most, 1e-6)
	near(t, "closest to the cut", least, 0, 1e-6)
	near(t, "centre", l.Centre, line(0)-cut(0), 1e-6)
	return mr - ml - e.Width*math.Tan(e.Target)
}

// Laws: seen from the other face both quantities change sign; the ends swapped
// turn the kink round and leave the skew; all in inches is the same joint.
func TestLaws(t *testing.T) {
	r := rand.New(rand.NewPCG(42, 2))
	for range 10000 {
		a, b := randomEnd(r, 1000), randomEnd(r, 1000)
		p, err := Match(a, b)
		if err != nil {
			t.Fatal(err)
		}
		q, err := Match(a.Turned(), b.Turned())
		if err != nil {
			t.Fatal(err)
		}
		near(t, "mirrored kink", q.Kink.MM, -p.Kink.MM, 1e-9)
		near(t, "mirrored skew", q.Skew.MM, -p.Skew.MM, 1e-9)
		for i := range p.Recuts {
			for k, l := range p.Recuts[i].Lines {
				near(t, "mirrored line", q.Recuts[i].Lines[k].Left, l.Right, 1e-9)
			}
		}
		if p.Verdict != q.Verdict || (p.Tendency.Side == "left") != (q.Tendency.Side == "right") {
			t.Error(p.Tendency, q.Tendency)
		}
		if q, err = Match(b, a); err != nil {
			t.Fatal(err)
		}
		near(t, "swapped kink", q.Kink.MM, -p.Kink.MM, 1e-9)
		near(t, "swapped skew", q.Skew.MM, p.Skew.MM, 1e-9)
		near(t, "swapped U", q.Kink.U95, p.Kink.U95, 1e-9)
		if p.Verdict != q.Verdict {
			t.Error(p.Verdict, q.Verdict)
		}
		in := func(e End) End {
			for i := range e.Shape {
				e.Shape[i] = e.Shape[i].Mul(1 / 2.54)
			}
			e.Offset, e.U95, e.Width, e.WidthU95, e.Tolerance = e.Offset/2.54, e.U95/2.54, e.Width/2.54, e.WidthU95/2.54, 2*e.Width/2540
			return e
		}
		if q, err = Match(in(a), in(b)); err != nil {
			t.Fatal(err)
		}
		near(t, "scaled kink", q.Kink.MM*2.54, p.Kink.MM, 1e-9)
		near(t, "scaled angle", q.Skew.Deg, p.Skew.Deg, 1e-9)
		if p.Verdict != q.Verdict {
			t.Error(p.Verdict, q.Verdict)
		}
	}
}

// The stated U of the kink against the scatter of 40000 joints whose ends are
// measured with it: 95 % within, give or take what so many joints leave open.
func TestKinkCoverage(t *testing.T) {
	r := rand.New(rand.NewPCG(42, 3))
	const n = 40000
	inside := 0
	for range n {
		a, b := End{Offset: 3, U95: 0.8, Width: 1000}, End{Offset: -1, U95: 1.4, Width: 1000}
		a.Offset += a.U95 / 1.96 * r.NormFloat64()
		b.Offset += b.U95 / 1.96 * r.NormFloat64()
		p, err := Match(a, b)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(p.Kink.MM-4) <= p.Kink.U95 {
			inside++
		}
	}
	near(t, "coverage", float64(inside)/n, 0.95, 5*math.Sqrt(0.05*0.95/n))
}

func TestWrongEndsNameTheField(t *testing.T) {
	nan := math.NaN()
	good := End{Offset: 1, U95: 0.5, Width: 1000}
	for _, c := range []struct {
		field string
		f     func(a, b *End)
	}{
		{"lead-width", func(a, _ *End) { a.Width = 0 }},
		{"trail-width", func(_, b *End) { b.Width = 100000 }},
		{"lead-offset", func(a, _ *End) { a.Offset = nan }},
		{"lead-offset", func(a, _ *End) { a.Offset = 1001 }},
		{"trail-u95", func(_, b *End) { b.U95 = 0 }},
		{"trail-u95", func(_, b *End) { b.U95 = nan }},
		{"trail-u95", func(_, b *End) { b.U95 = -1 }},
		{"lead-tolerance", func(a, _ *End) { a.Tolerance = -1 }},
		{"lead-width-u95", func(a, _ *End) { a.WidthU95 = math.Inf(1) }},
		{"lead-target", func(a, _ *End) { a.Target = 1.5 }},
		{"target", func(a, _ *End) { a.Target = 0.1 }},
		{"target", func(a, b *End) { a.Target, b.Target = 0.1, -0.1 }},
		{"trail", func(_, b *End) { b.Shape = []geometry.Vec2{{X: nan}} }},
	} {
		a, b := good, good
		c.f(&a, &b)
		_, err := Match(a, b)
		var wrong *geometry.WrongValue
		if !errors.As(err, &wrong) || wrong.Name != c.field {
			t.Errorf("%+v %+v: %v, should name %s", a, b, err, c.field)
		}
	}
}

// By hand: 12 mm of re-cuts, 150 and 180 mm trimmed: 342 mm, the pulley moves
// 171 mm. 400 mm of travel with 200 in reserve leave 29; with 250 in reserve 21
// are missing, so an insert piece gives back 42 mm.
func TestTakeupByHand(t *testing.T) {
	c := Cutting{Recuts: 12, RecutsU95: 1, LeadTrim: 150, TrailTrim: 180, Travel: 400, Reserve: 200}
	u, err := c.Takeup()
	if err != nil {
		t.Fatal(err)
	}
	near(t, "lost", u.Lost, 342, 1e-12)
	near(t, "moves", u.Moves, 171, 1e-12)
	near(t, "left", u.Left, 29, 1e-12)
	near(t, "U", u.LeftU95, 0.5, 1e-12)
	if u.Outcome != Enough || u.Piece != 0 {
		t.Errorf("%+v", u)
	}
	c.Reserve = 250
	if u, err = c.Takeup(); err != nil || u.Outcome != Insert || math.Abs(u.Piece-42) > 1e-12 {
		t.Errorf("%+v, %v", u, err)
	}
	c.Reserve = 228.8 // 0.2 left, known to 0.5
	if u, err = c.Takeup(); err != nil || u.Outcome != TooNear {
		t.Errorf("%+v, %v", u, err)
	}
	for field, f := range map[string]func(*Cutting){
		"travel": func(c *Cutting) { c.Travel = -1 }, "reserve": func(c *Cutting) { c.Reserve = math.NaN() },
		"lead-trim": func(c *Cutting) { c.LeadTrim = 1e9 }, "trail-trim": func(c *Cutting) { c.TrailTrim = -3 }, "recuts": func(c *Cutting) { c.Recuts = math.Inf(1) },
	} {
		x := c
		f(&x)
		var wrong *geometry.WrongValue
		if _, err := x.Takeup(); !errors.As(err, &wrong) || wrong.Name != field {
			t.Errorf("%s: %v", field, err)
		}
	}
}

// The loop, by brute force: a belt around two pulleys of one size, the length
// found from their distance; shortening it brings them closer by half.
func TestTakeupOfALoop(t *testing.T) {
	r := rand.New(rand.NewPCG(42, 4))
	for range 10000 {
		d, apart := 200+800*r.Float64(), 5000+100000*r.Float64()
		loop := func(apart float64) float64 { return 2*apart + math.Pi*d }
		c := Cutting{Recuts: 30 * r.Float64(), LeadTrim: 500 * r.Float64(), TrailTrim: 500 * r.Float64(), Travel: 1000 * r.Float64(), Reserve: 500 * r.Float64()}
		u, err := c.Takeup()
		if err != nil {
			t.Fatal(err)
		}
		near(t, "loop", loop(apart-u.Moves), loop(apart)-c.Recuts-c.LeadTrim-c.TrailTrim, 1e-6)
		fits := u.Moves <= c.Travel-c.Reserve
		if fits != (u.Outcome == Enough) || fits != (u.Piece == 0) {
			t.Fatalf("%+v %+v", c, u)
		}
		if !fits { // with the piece put in, the move just fits
			near(t, "piece", (u.Lost-u.Piece)/2, c.Travel-c.Reserve, 1e-9)
		}
	}
}
