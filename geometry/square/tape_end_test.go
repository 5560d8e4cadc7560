package square

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"beltend/geometry"
)

func close(t *testing.T, what string, got, want, by float64) {
	t.Helper()
	if !(math.Abs(got-want) <= by) {
		t.Errorf("%s: %.6f, should be %.6f", what, got, want)
	}
}

// By hand: a belt 1000 mm wide, set back 1250 mm from the corners, diagonals
// 1603.9 and 1597.7 mm.
//
//	e = (1603.9^2 - 1597.7^2)/(4*1250) = 3201.6*6.2/5000 = 3.96998
//	class II: 1603.9 mm counts 2 m, 0.3 + 0.2*2 = 0.7, /sqrt 3 = 0.404145; read to 1 mm: 0.288675;
//	one reading sqrt(0.404145^2 + 0.288675^2) = 0.496655; the set-back also counts 2 m
//	diagonals: 0.496655*sqrt(1603.9^2 + 1597.7^2)/2500 = 0.496655*2263.87/2500 = 0.449748
//	marks: 0.496655*sqrt(2*0.25 + 2*0.00158799^2) = 0.351190
//	edges: 1000/1250*0.5 = 0.4;  corners: sqrt(2)*0.5 = 0.707107
//	u = sqrt(0.202273 + 0.123334 + 0.16 + 0.5) = 0.992778
//	closure: sqrt((1603.9^2 + 1597.7^2)/2) = 1600.8030; sqrt(1000^2 + 1250^2 + 3.97^2) = 1600.7861; 0.0169
func TestFromTapeByHand(t *testing.T) {
	v, err := FromTape(Taped{Left: 1603.9, Right: 1597.7, Up: 1250, Width: 1000, Reading: Reading{Class: TapeII, Step: 1, Edge: 0.5}})
	if err != nil {
		t.Fatal(err)
	}
	close(t, "offset", v.Offset, 3.96998, 1e-5)
	close(t, "angle", v.Angle, math.Atan(0.00396998), 1e-8)
	for i, want := range []float64{0.449748, 0.351190, 0.4, 0.707107} {
		close(t, v.Terms[i].Name, v.Terms[i].U, want, 2e-5)
	}
	close(t, "u", v.U, 0.992778, 2e-5)
	close(t, "closure", v.Closure, 0.0169, 2e-4)
	close(t, "mean width", v.MeanWidth, 1000, 0)
}

// end is a belt end in the plane: edges that are straight lines, symmetric
// about the centreline x = 0 or with one of them worn, and a straight cut.
type end struct {
	width, taper, offset float64 // taper: change of width per length
}

func (b end) edge(y float64) float64 { return (b.width + b.taper*y) / 2 }

// corners lie where y = offset/width x meets the edges.
func (b end) corners() (l, r geometry.Vec2) {
	s := b.offset / b.width
	at := func(sign float64) geometry.Vec2 {
		// x = sign (width + taper s x)/2
		x := sign * b.width / 2 / (1 - sign*b.taper*s/2)
		return geometry.Vec2{X: x, Y: s * x}
	}
	return at(-1), at(1)
}

// mark goes the set-back up the edge from a place on it.
func (b end) mark(from geometry.Vec2, up float64) geometry.Vec2 {
	d := geometry.Vec2{X: b.taper / 2 * math.Copysign(1, from.X), Y: 1}.Unit()
	return from.Add(d.Mul(up))
}

func (b end) taped(up float64, s SetOut) Taped {
	l, r := b.corners()
	fl, fr := l, r
	if s == FromSquareLine {
		fl, fr = geometry.Vec2{X: -b.edge(0)}, geometry.Vec2{X: b.edge(0)}
	}
	ml, mr := b.mark(fl, up), b.mark(fr, up)
	t := Taped{Left: mr.Sub(l).Norm(), Right: ml.Sub(r).Norm(), Up: up, SetOut: s, Reading: Reading{Class: TapeII, Step: 1, Edge: 0.5}}
	if s == FromSquareLine {
		t.LineU = 0.3
	}
	t.Stations = []TapedStation{{0, b.width}, {up, b.width + b.taper*up}}
	return t
}

// Exact coordinates: parallel edges give the offset to the last digit, whatever
// its size, both ways of setting out; a taper of 10 mm in 1 m, which is a badly
// worn belt, costs less than 0.05 mm. The four lengths always close.
func TestFromTapeAgainstCoordinates(t *testing.T) {
	r := rand.New(rand.NewPCG(43, 1))
	in := func(lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }
	for range 10000 {
		b := end{width: in(300, 3000), offset: in(-40, 40)}
		up := b.width * in(0.8, 2.5)
		for _, s := range []SetOut{FromCorners, FromSquareLine} {
			b.taper = 0
			v, err := FromTape(b.taped(up, s))
			if err != nil {
				t.Fatal(err)
			}
			close(t, "parallel edges", v.Offset, b.offset, 1e-7)
			close(t, "closes", v.Closure, 0, 1e-7)
			close(t, "width", v.Width, b.width, 1e-7)
			// the other way round across the belt
			m := b.taped(up, s)
			m.Left, m.Right = m.Right, m.Left
			w, err := FromTape(m)
			if err != nil {
				t.Fatal(err)
			}
			close(t, "mirrored", w.Offset, -v.Offset, 1e-9)
			close(t, "mirrored u", w.U, v.U, 1e-9)

			b.taper = in(-0.01, 0.01)
			b.offset = in(-10, 10)
			if v, err = FromTape(b.taped(up, s)); err != nil {
				t.Fatal(err)
			}
			close(t, "taper", v.Offset, b.offset, 0.05+0.012*math.Abs(b.offset))
			close(t, "taper found", v.Taper, b.taper, 1e-9)
			close(t, "closes with the taper", v.Closure, 0, 0.1)
		}
		if t.Failed() {
			t.Fatalf("%+v, up %g", b, up)
		}
	}
	// a biased cut: 10 degrees asked for and 2 mm out of it
	b := end{width: 1000, offset: 1000*math.Tan(10*math.Pi/180) + 2}
	x := b.taped(1500, FromCorners)
	x.Target = 10 * math.Pi / 180
	v, err := FromTape(x)
	if err != nil {
		t.Fatal(err)
	}
	close(t, "biased", v.Offset, 2, 1e-6)
	if last := v.Terms[len(v.Terms)-1]; last.Name != TermWidth || !(last.U > 0.05) {
		t.Errorf("the width's share is missing: %+v", v.Terms)
	}
}

// The stated uncertainty of offset, angle, width and closure against brute
// force: every corner, mark and reading is moved at random as the Reading
// says, 40000 times. Edges found again for each length, as in practice.
func TestFromTapeUncertaintyByBruteForce(t *testing.T) {
	r := rand.New(rand.NewPCG(43, 2))
	const n = 20000
	flat := func(half float64) float64 { return half * (2*r.Float64() - 1) }
	for _, c := range []struct {
		s   SetOut
		rd  Reading
		off float64
	}{{FromCorners, Reading{TapeII, false, 1, 0.5}, 5}, {FromCorners, Reading{TapeIII, true, 2, 0.1}, -20}, {FromSquareLine, Reading{TapeI, false, 0.5, 0.4}, 3}} {
		b := end{width: 1200, offset: c.off}
		const up = 1500.0
		read := func(mm float64) float64 { return mm + flat(TapeMPE(c.rd.Class, mm, c.rd.Hook)) + flat(c.rd.Step/2) }
		var so, so2, sc, sc2, sw, sw2 float64
		var stated *TapedValues
		for range n {
			e := func() float64 { return c.rd.Edge * r.NormFloat64() }
			l, rr := b.corners()
			l, rr = l.Add(geometry.Vec2{X: e(), Y: e()}), rr.Add(geometry.Vec2{X: e(), Y: e()})
			fl, fr := geometry.Vec2{X: -600}, geometry.Vec2{X: 600}
			if c.s == FromCorners {
				fl, fr = b.corners()
				fl.Y, fr.Y = l.Y, rr.Y // set back from the corner as it was taken
			} else {
				tilt := 0.3 * r.NormFloat64() / 2
				fl.Y, fr.Y = -tilt, tilt
			}
			ml := geometry.Vec2{X: fl.X + e(), Y: fl.Y + 2*up - read(up)}
			mr := geometry.Vec2{X: fr.X + e(), Y: fr.Y + 2*up - read(up)}
			x := Taped{Left: read(mr.Sub(l).Norm()), Right: read(ml.Sub(rr).Norm()), Up: up, SetOut: c.s, Reading: c.rd,
				Width: read(1200 + e() - e())}
			if c.s == FromSquareLine {
				x.LineU = 0.3
			}
			v, err := FromTape(x)
			if err != nil {
				t.Fatal(err)
			}
			stated = v
			so, so2 = so+v.Offset-c.off, so2+(v.Offset-c.off)*(v.Offset-c.off)
			sc, sc2 = sc+v.Closure, sc2+v.Closure*v.Closure
			sw, sw2 = sw+v.Width-1200, sw2+(v.Width-1200)*(v.Width-1200)
		}
		for _, q := range []struct {
			what             string
			sum, sq, u, most float64
		}{{"offset", so, so2, stated.U, 1.06}, {"closure", sc, sc2, stated.ClosureU, 1.15}, {"width", sw, sw2, stated.WidthU, 1.02}} {
			scatter := math.Sqrt(q.sq / n)
			if m := math.Abs(q.sum / n); m > 5*scatter/math.Sqrt(n)+2e-3 {
				t.Errorf("%+v: %s biased by %.4f mm", c.rd, q.what, m)
			}
			// never too small, and not far too large
			if ratio := q.u / scatter; !(ratio > 0.985 && ratio < q.most) {
				t.Errorf("%+v: %s scatters by %.4f mm, %.4f stated", c.rd, q.what, scatter, q.u)
			}
		}
	}
}

// A misread diagonal shows in the closure.
func TestClosureSeesAMisreading(t *testing.T) {
	x := end{width: 1000, offset: 2}.taped(1250, FromCorners)
	x.Left += 10
	v, err := FromTape(x)
	if err != nil || !(math.Abs(v.Closure) > 3*v.ClosureU) {
		t.Errorf("10 mm misread: closure %.2f, u %.2f, %v", v.Closure, v.ClosureU, err)
	}
}

// Widths by hand: 1000 at the cut, stations 500:999 and 1000:998, taper -2 mm
// per metre; without the width at the cut the line through the stations gives
// 1000 there.
func TestTapedWidths(t *testing.T) {
	x := Taped{Left: 1600, Right: 1600, Up: 1250, Width: 1000, Stations: []TapedStation{{500, 999}, {1000, 998}}, Reading: Reading{Class: TapeII, Step: 1, Edge: 0.5}}
	v, err := FromTape(x)
	if err != nil {
		t.Fatal(err)
	}
	close(t, "taper", v.Taper, -0.002, 1e-12)
	close(t, "width", v.Width, 1000, 0)
	close(t, "mean", v.MeanWidth, 999, 1e-9)
	// 0.3 + 0.2 for the first metre, /sqrt 3 = 0.2887; reading 0.2887; two edges 0.7071
	close(t, "u", v.WidthU, math.Sqrt(0.288675*0.288675*2+0.5), 1e-4)
	x.Width = 0
	u := v.WidthU
	if v, err = FromTape(x); err != nil {
		t.Fatal(err)
	}
	close(t, "width from the stations", v.Width, 1000, 1e-9)
	if !(v.WidthU > u) {
		t.Errorf("a width not taped is known as well as one that was: %g, %g", v.WidthU, u)
	}
}

// Camber against points on an arc: gap, radius, the bow over other chords and
// the direction at the cut. 25 mm over 10 m: R = 10000^2/200 + 12.5 = 500012.5
// mm, 0.25 %; over 1 m the arc is 0.25 mm; over 3 m the direction at the cut
// differs from the chord's by 3/(2*500) = 3 mm/m.
func TestCamberAgainstAnArc(t *testing.T) {
	c := Arc{Chord: 10000, Gap: 25, ToRight: true}
	close(t, "radius", c.Radius(), 500012.5, 1e-6)
	close(t, "percent", c.Percent(), 0.25, 1e-12)
	close(t, "over 1 m", c.Over(1000), 0.25, 1e-4)
	close(t, "turn", c.Turn(3000), 0.003, 1e-6)
	r := rand.New(rand.NewPCG(43, 3))
	for range 10000 {
		R := 50000 + 1e6*r.Float64()
		at := func(s float64) geometry.Vec2 { // along the arc from the cut, centre of the circle at the left
			return geometry.Vec2{X: R*math.Cos(s/R) - R, Y: R * math.Sin(s/R)}
		}
		gap := func(length float64) (chord, gap float64) {
			a, b, m := at(0), at(length), at(length/2)
			d := b.Sub(a)
			return d.Norm(), -d.Unit().Cross(m.Sub(a))
		}
		chord, h := gap(10000)
		c := Arc{Chord: chord, Gap: h, ToRight: true}
		if err := c.Check(); err != nil {
			t.Fatal(err)
		}
		close(t, "radius", c.Radius()/R, 1, 1e-6)
		other, h2 := gap(2500)
		close(t, "bow", c.Over(other), h2, 1e-6)
		// tangent at the cut is straight up (0, 1); the chord leans to the left of it
		d := at(2500).Unit()
		close(t, "turn", c.Turn(other), math.Atan2(-d.X, d.Y), 1e-9)
		c.ToRight = false
		close(t, "turn to the left", c.Turn(other), -math.Atan2(-d.X, d.Y), 1e-9)
		// the offset of one cut against both directions: a cut square to the chord is
		// out by width tan(turn) against the tangent, left side long when the belt bows right
		cut := geometry.Vec2{X: d.Y, Y: -d.X} // from left to right, square to the chord
		close(t, "offset against the tangent", 1000*cut.Y/cut.X, 1000*math.Tan(-c.Turn(other)), 1e-6)
	}
	straight := Arc{Chord: 5000}
	if straight.Over(1000) != 0 || straight.Turn(1000) != 0 || !math.IsInf(straight.Radius(), 1) {
		t.Error("a straight belt is cambered")
	}
}

// By hand: 3.0 with u 0.4 and 4.0 with u 0.3: weights 6.25 and 11.111, mean
// (18.75 + 44.444)/17.361 = 3.64, u = 1/sqrt(17.361) = 0.24; they differ by 1,
// U of the difference 2*0.5 = 1 (chi2 = 1/0.25 = 4.0 against 3.841: just apart).
// 3.05 and 4: chi2 = 0.9025/0.25 = 3.61, together.
func TestCombineByHand(t *testing.T) {
	c, err := Combine(Value{3.05, 0.4}, Value{4, 0.3})
	if err != nil || !c.Agree {
		t.Fatalf("%+v, %v", c, err)
	}
	close(t, "mean", c.X, (3.05*6.25+4/0.09)/(6.25+1/0.09), 1e-12)
	close(t, "u", c.U, 0.24, 1e-12)
	close(t, "chi2", c.Chi2, 3.61, 1e-9)
	close(t, "limit", c.Limit, 3.841, 1e-3)
	// apart: from 3 - 0.8 = 2.2 to 4 + 0.6 = 4.6, so 3.4 +- 1.2
	c, err = Combine(Value{3, 0.4}, Value{4, 0.3})
	if err != nil || c.Agree {
		t.Fatalf("%+v, %v", c, err)
	}
	close(t, "middle", c.X, 3.4, 1e-12)
	close(t, "U", Coverage*c.U, 1.2, 1e-12)
	if c, err = Combine(Value{3, 0.4}); err != nil || c.X != 3 || math.Abs(c.U-0.4) > 1e-15 || !c.Agree {
		t.Errorf("one alone: %+v, %v", c, err)
	}
	for _, bad := range [][]Value{nil, {{math.NaN(), 1}}, {{1, 0}}, {{1, 1}, {1, math.Inf(1)}}} {
		if _, err := Combine(bad...); err == nil {
			t.Errorf("combined %v", bad)
		}
	}
}

// Laws of combining: order does not matter; agreeing values are never worse
// than the best of them, disagreeing ones never better than the worst; and the
// test calls honest pairs apart in 5 of 100 cases.
func TestCombineLaws(t *testing.T) {
	r := rand.New(rand.NewPCG(43, 4))
	const n = 20000
	apart, inside := 0, 0
	for range n {
		a, b := Value{U: 0.1 + r.Float64()}, Value{U: 0.1 + r.Float64()}
		a.X, b.X = a.U*r.NormFloat64(), b.U*r.NormFloat64()
		c, err := Combine(a, b)
		d, err2 := Combine(b, a)
		if err != nil || err2 != nil || math.Abs(c.X-d.X) > 1e-12 || math.Abs(c.U-d.U) > 1e-12 || c.Agree != d.Agree {
			t.Fatalf("%+v %+v", c, d)
		}
		if math.Abs(c.X) <= 1.96*c.U {
			inside++
		}
		if c.Agree {
			if c.U > math.Min(a.U, b.U) {
				t.Fatalf("%+v from %+v and %+v", c, a, b)
			}
			continue
		}
		apart++
		if c.U < math.Max(a.U, b.U) {
			t.Fatalf("%+v from %+v and %+v", c, a, b)
		}
	}
	close(t, "called apart", float64(apart)/n, 0.05, 0.008)
	if float64(inside)/n < 0.945 {
		t.Errorf("truth inside in %.3f", float64(inside)/n)
	}
}

func TestWrongTapeNamesTheField(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		field string
		f     func(*Taped)
	}{
		{"diagonals", func(x *Taped) { x.Left = 0 }},
		{"diagonals", func(x *Taped) { x.Right = nan }},
		{"up", func(x *Taped) { x.Up = -3 }},
		{"up", func(x *Taped) { x.Up = 100000 }},
		{"width", func(x *Taped) { x.Width, x.Stations = 0, nil }},
		{"width", func(x *Taped) { x.Width = 100000 }},
		{"width", func(x *Taped) { x.Width = 3 }},
		{"stations", func(x *Taped) { x.Stations = []TapedStation{{nan, 1000}} }},
		{"stations", func(x *Taped) { x.Stations = []TapedStation{{100, 0}} }},
		{"line-u95", func(x *Taped) { x.SetOut = FromSquareLine }},
		{"tape-class", func(x *Taped) { x.Reading.Class = 4 }},
		{"reading", func(x *Taped) { x.Reading.Step = nan }},
		{"edge", func(x *Taped) { x.Reading.Edge = -1 }},
		{"target", func(x *Taped) { x.Target = 1.5 }},
	} {
		x := end{width: 1000, offset: 2}.taped(1250, FromCorners)
		c.f(&x)
		_, err := FromTape(x)
		var wrong *geometry.WrongValue
		if !errors.As(err, &wrong) || wrong.Name != c.field {
			t.Errorf("%+v: %v, should name %s", x, err, c.field)
		}
	}
	for _, c := range []Arc{{Chord: 0, Gap: 1}, {Chord: nan, Gap: 1}, {Chord: 10000, Gap: -1}, {Chord: 10000, Gap: nan}, {Chord: 10000, Gap: 900}} {
		if err := c.Check(); err == nil {
			t.Errorf("%+v is a camber", c)
		}
	}
}
