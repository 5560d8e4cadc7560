package hooks

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"beltend/geometry/lacing"
)

// drawn is a strip with bars of the given places and turns, as light on dark
// or dark on light, seen with a pixel of 0.2 mm and some noise.
func drawn(r *rand.Rand, at, turn []float64, wire, width, contrast, noise float64) Strip {
	s := Strip{From: -5, Step: 0.1, Left: 0, Right: width, Pixel: 0.2, Out: []float64{9, 12, 15, 18}}
	n := int((width + 10) / s.Step)
	profile := func(out float64) []float64 {
		p := make([]float64, n)
		for i := range p {
			x := s.From + float64(i)*s.Step
			for k, a := range at {
				d := math.Abs(x-a+(out-13.5)*math.Tan(turn[k])) - wire/2
				p[i] += contrast / (1 + math.Exp(d/0.08)) // a blur of a pixel or so
			}
			p[i] += noise * r.NormFloat64()
		}
		return p
	}
	for _, o := range s.Out {
		s.Bands = append(s.Bands, profile(o))
	}
	return s
}

// comb is n places at a pitch with some play, margins the same on both sides.
func comb(r *rand.Rand, n int, pitch, width, play float64) (at, turn []float64) {
	for k := range n {
		at = append(at, (width-float64(n-1)*pitch)/2+float64(k)*pitch+play*r.NormFloat64())
	}
	return at, make([]float64, n)
}

// Truth first: combs of known places, bright and dark, are counted exactly, with
// what is missing, doubled and crooked in its place. 60 rows, not more: one takes 0.15 s;
// [TestEveryHookOfRandomRows] has what follows from the places.
func TestRowsOfKnownPlaces(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for try := range 60 {
		pitch := 4 + 10*r.Float64()
		wire := pitch * (0.17 + 0.1*r.Float64())
		n := 15 + r.IntN(40)
		width := float64(n)*pitch + 10
		at, turn := comb(r, n, pitch, width, 0.01*pitch)
		contrast := []float64{1.2, -1.2, 0.5}[try%3]
		missing, double, crooked := 3+r.IntN(3), 8, 11
		turn[crooked] = 0.15
		gone := at[missing]
		twice := at[double] + 1.4*wire
		at = append(at, twice)
		turn = append(turn, 0)
		at, turn = append(at[:missing:missing], at[missing+1:]...), append(turn[:missing:missing], turn[missing+1:]...)
		row, err := Read(drawn(r, at, turn, wire, width, contrast, 0.05))
		if err != nil {
			t.Errorf("%d: pitch %.2f, wire %.2f: %v", try, pitch, wire, err)
			continue
		}
		flaws := map[string]int{}
		for _, h := range row.Hooks {
			if h.Flaw != "" {
				flaws[h.Flaw]++
			}
		}
		if len(row.Hooks) != len(at) || len(row.Unclear) != 0 || len(row.Missing) != 1 || math.Abs(row.Missing[0]-gone) > 0.1*pitch || flaws[Doubled] != 1 || flaws[Crooked] != 1 {
			t.Errorf("%d: pitch %.2f, wire %.2f: %d of %d hooks, unclear %v, missing %v (true %.1f), flaws %v", try, pitch, wire, len(row.Hooks), len(at), row.Unclear, row.Missing, gone, flaws)
			continue
		}
		if math.Abs(row.Pitch-pitch) > 0.02 || math.Abs(row.Hooks[0].At-at[0]) > 0.1 || row.Bright != (contrast > 0) {
			t.Errorf("%d: pitch %.3f for %.3f, first hook %.2f for %.2f, bright %v", try, row.Pitch, pitch, row.Hooks[0].At, at[0], row.Bright)
		}
	}
}

// A wire lit from one side shows a bright line off its middle, a dark side and a
// shadow like it; or two dark sides with a bright line between. Each is one hook,
// and its true sides lie within the stated uncertainty; the better so where the
// diameter is known.
func TestAWiresSidesInLightFromOneSide(t *testing.T) {
	type band struct{ from, to, light float64 } // mm from the axis, to the lit side
	const wire = 2.4
	for name, bands := range map[string][]band{
		"bright, dark side and shadow":   {{-1.2, -0.5, -0.3}, {-0.5, 1.2, 1}, {-2.2, -1.2, -0.25}},
		"two dark sides":                 {{-1.2, -0.2, -1.5}, {-0.2, 0.4, -0.7}, {0.4, 1.2, -1.4}},
		"dark with a paler shadow":       {{-1.2, 1.2, -1.6}, {-1.9, -1.2, -0.3}},
		"two dark lines, bright between": {{-1.2, -0.4, -0.5}, {-0.4, 0.4, 0.2}, {0.4, 1.2, -0.45}},
	} {
		r := rand.New(rand.NewPCG(8, 9))
		at, _ := comb(r, 40, 11, 450, 0.05)
		s := drawn(r, nil, nil, 1, 450, 0, 0.02)
		for _, b := range s.Bands {
			for i := range b {
				x := s.From + float64(i)*s.Step
				for k := range at {
					for _, p := range bands {
						l := at[k] + p.from - x
						h := x - at[k] - p.to
						b[i] += p.light / (1 + math.Exp(l/0.05)) / (1 + math.Exp(h/0.05))
					}
				}
			}
		}
		for _, known := range []float64{0, wire} {
			s.Wire = known
			row, err := Read(s)
			if err != nil {
				t.Errorf("%s: %v", name, err)
				continue
			}
			off := 0.0
			for i, h := range row.Hooks {
				if len(row.Hooks) == len(at) {
					off += (h.Root - at[i]) / float64(len(at))
				}
			}
			if len(row.Hooks) != len(at) || len(row.Unclear) != 0 || math.Abs(off) > 2*row.CentreU || math.Abs(row.Wire-wire) > 2*row.WireU+0.1 {
				t.Errorf("%s, wire %g known: %d of %d hooks, %d unclear, centre off by %.2f (u %.2f), wire %.2f (u %.2f)", name, known, len(row.Hooks), len(at), len(row.Unclear), off, row.CentreU, row.Wire, row.WireU)
			}
		}
	}
}

// A wire little brighter than the belt may hide its shaded side: it is taken for wider
// than it looks, and both what hides nothing and what hides a third is within the stated
// uncertainty.
func TestADimWiresShadedSideIsHidden(t *testing.T) {
	const wire = 2.4
	off := 0.0
	for _, hidden := range []float64{0, 0.11, 0.22, 0.33} {
		r := rand.New(rand.NewPCG(16, 17))
		at, _ := comb(r, 40, 11, 450, 0.05)
		lit := make([]float64, len(at))
		for i := range at {
			lit[i] = at[i] + hidden*wire/2
		}
		row, err := Read(drawn(r, lit, make([]float64, len(at)), wire*(1-hidden), 450, 1.1, 0.02))
		if err != nil || len(row.Hooks) != len(at) {
			t.Fatal(hidden, err)
		}
		if math.Abs(row.Wire-wire) > 2*row.WireU+0.1 || math.Abs(row.Hooks[20].At-at[20]) > 2*row.CentreU+0.1 {
			t.Errorf("%.0f %% hidden: wire %.2f (u %.2f), place off by %.2f (u %.2f)", 100*hidden, row.Wire, row.WireU, row.Hooks[20].At-at[20], row.CentreU)
		}
		off += (row.Wire - wire) / 4
	}
	if math.Abs(off) > 0.1*wire {
		t.Errorf("on average %.2f mm off a wire of %.2f", off, wire)
	}
}

// A bright wire's light spreads over the belt beside it. Of its diameter most of that
// is taken off where the blur is known, and its place stays.
func TestAKnownBlurIsTakenOffAWire(t *testing.T) {
	const wire = 1.6
	r := rand.New(rand.NewPCG(12, 13))
	for _, bright := range []float64{4, 8} {
		for _, blur := range []float64{0.2, 0.3} {
			at, _ := comb(r, 40, 8, 330, 0.03)
			s := drawn(r, nil, nil, 1, 330, 0, 0)
			for _, b := range s.Bands {
				for i := range b {
					x, light := s.From+float64(i)*s.Step, 1.0
					for _, a := range at {
						light += (bright - 1) / 2 * (math.Erf((x-a+wire/2)/(blur*math.Sqrt2)) - math.Erf((x-a-wire/2)/(blur*math.Sqrt2)))
					}
					b[i] = math.Log(light) + 0.02*r.NormFloat64()
				}
			}
			as, err1 := Read(s)
			s.Blur = blur
			row, err2 := Read(s)
			if err1 != nil || err2 != nil || len(row.Hooks) != len(at) {
				t.Fatalf("light %g, blur %g: %d hooks, %v, %v", bright, blur, len(row.Hooks), err1, err2)
			}
			if row.Wire < wire-0.1 || row.Wire > as.Wire-0.05 || math.Abs(row.Hooks[0].At-at[0]) > 0.12 {
				t.Errorf("light %g times the belt's, blur %.2f mm: wire %.2f for %.2f (%.2f with the blur), first hook %.2f for %.2f", bright, blur, row.Wire, wire, as.Wire, row.Hooks[0].At, at[0])
			}
		}
	}
}

// Colour is coarser than light: the hue of fine wires smears over their pitch. They are
// counted exactly, two that are missing too; with noise added they are refused and never
// miscounted.
func TestFineWiresSmearedHue(t *testing.T) {
	const pitch, wire, smear = 4.5, 1.1, 0.75
	for _, noise := range []float64{0.02, 0.2, 0.4, 0.6, 0.8, 1, 1.5} {
		r := rand.New(rand.NewPCG(14, 15))
		at, _ := comb(r, 90, pitch, 420, 0.05)
		at = append(at[:30:30], at[31:]...)
		at = append(at[:60:60], at[61:]...)
		s := drawn(r, nil, nil, 1, 420, 0, 0)
		s.Hue = true
		var size []float64
		for range at {
			size = append(size, 0.25+0.15*r.Float64()) // as the samples of colour fall
		}
		for _, b := range s.Bands {
			for i := range b {
				x := s.From + float64(i)*s.Step
				for k, a := range at {
					b[i] += size[k] / 2 * (math.Erf((x-a+wire/2)/(smear*math.Sqrt2)) - math.Erf((x-a-wire/2)/(smear*math.Sqrt2)))
				}
				b[i] += noise * 0.2 * r.NormFloat64()
			}
		}
		row, err := Read(s)
		exact := err == nil && len(row.Hooks) == len(at) && len(row.Unclear) == 0 && len(row.Missing) == 2
		wrong := err == nil && (len(row.Hooks) > len(at) || len(row.Hooks)+len(row.Unclear) < len(at))
		if wrong || exact && noise >= 1 || !exact && noise < 0.1 {
			t.Errorf("noise %g of a wire: %d of %d hooks, %d unclear, missing %.1f, %v", noise, len(row.Hooks), len(at), len(row.Unclear), row.Missing, err)
		}
	}
}

// A wire smeared by its hue looks wider. Truth first: bars blurred step by step, their width
// at half of their height read off; the bar's own width comes back. By strong hue and on
// black what comes back is off by no more than is stated: rows as they were seen, the worst of 140 and some others.
func TestAWireSeenByItsHue(t *testing.T) {
	const sd, step = 0.5, 0.002
	for _, wire := range []float64{0.9, 1, 1.4, 2, 3} {
		n := int(4 / step)
		light := make([]float64, 2*n+1)
		for i := range light {
			x := float64(i-n) * step
			for a := -wire / 2; a < wire/2; a += 10 * step {
				light[i] += math.Exp(-(x - a - 5*step) * (x - a - 5*step) / (2 * sd * sd))
			}
		}
		wide := 0
		for _, v := range light {
			if v > light[n]/2 {
				wide++
			}
		}
		if seen := float64(wide) * step; math.Abs(unsmear(seen, sd)-wire) > 0.02 {
			t.Errorf("a wire of %g looks %.3f wide: %.3f", wire, seen, unsmear(seen, sd))
		}
	}
	for _, c := range []struct {
		true, seen, pixel, contrast float64
		dark                        bool
	}{{2.91, 2.58, 0.33, 0.68, false}, {1.64, 1.85, 0.36, 1.2, false}, {1.46, 1.9, 0.3, 0.35, true}, {1.86, 2.12, 0.2, 0.43, true}, {2.44, 2.4, 0.16, 0.39, false}, {1, 1.41, 0.29, 0.15, false}, {1.89, 1.8, 0.31, 0.37, false}} {
		if wire, u := ofHue(c.seen, 0.02*c.seen, c.pixel, c.contrast, c.dark); math.Abs(wire-c.true) > 2.6*u || u > 0.25*c.true {
			t.Errorf("%+v: %.2f (u %.2f)", c, wire, u)
		}
	}
}

// A leaning leg is looked at in its middle; its place in the row is where it
// meets the hinge line.
func TestARowIsPlacedAtTheHingeLine(t *testing.T) {
	r := rand.New(rand.NewPCG(10, 11))
	at, turn := comb(r, 30, 9, 290, 0.1)
	for i := range turn {
		turn[i] = 0.02 * r.NormFloat64()
	}
	row, err := Read(drawn(r, at, turn, 2, 290, 1, 0.03))
	if err != nil || len(row.Hooks) != len(at) {
		t.Fatal(len(row.Hooks), err)
	}
	for i, h := range row.Hooks {
		if want := at[i] + 13.5*math.Tan(turn[i]); math.Abs(h.Root-want) > 0.12 {
			t.Errorf("hook %d leans by %.3f: %.2f at the hinge line, want %.2f", i, turn[i], h.Root, want)
		}
	}
}

// Legs seen badly, each band by itself, are not carried to the hinge line by what their
// turns seem to be: half as far off and less than straight lines through them would be
// (2.07 times a band's scatter), and that is stated.
func TestTurnsSeenBadlyAreNotCarriedOn(t *testing.T) {
	const scatter = 0.12
	r := rand.New(rand.NewPCG(18, 19))
	at, turn := comb(r, 60, 7, 430, 0.05)
	s := drawn(r, at, turn, 1.6, 430, 1, 0.02)
	for b := range s.Bands {
		moved := make([]float64, len(at))
		for i := range at {
			moved[i] = at[i] + scatter*r.NormFloat64()
		}
		s.Bands[b] = drawn(r, moved, turn, 1.6, 430, 1, 0.02).Bands[b]
	}
	row, err := Read(s)
	if err != nil || len(row.Hooks) != len(at) {
		t.Fatal(len(row.Hooks), err)
	}
	off := 0.0
	for i, h := range row.Hooks {
		off += math.Pow(h.Root-at[i], 2) / float64(len(at))
	}
	if off = math.Sqrt(off); off > 2.07*scatter/2 || row.RootU < 0.6*off || row.RootU > 2*off {
		t.Errorf("places off by %.3f mm, stated %.3f; a band scatters by %.2f", off, row.RootU, scatter)
	}
}

// Mirrored, a row has its hooks, turns and missing places mirrored.
func TestMirroredRow(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	at, turn := comb(r, 30, 9, 290, 0.1)
	turn[20] = 0.2
	at, turn = append(at[:6:6], at[7:]...), append(turn[:6:6], turn[7:]...)
	s := drawn(r, at, turn, 2, 290, 1, 0.04)
	m := s
	m.Bands = nil
	n := len(s.Bands[0])
	for _, b := range s.Bands {
		c := make([]float64, n)
		for i := range c {
			c[i] = b[n-1-i]
		}
		m.Bands = append(m.Bands, c)
	}
	m.From = 290 - (s.From + float64(n-1)*s.Step)
	a, err1 := Read(s)
	b, err2 := Read(m)
	if err1 != nil || err2 != nil {
		t.Fatal(err1, err2)
	}
	if len(a.Hooks) != len(b.Hooks) || len(a.Missing) != 1 || len(b.Missing) != 1 || math.Abs(a.Missing[0]+b.Missing[0]-290) > 0.3 {
		t.Fatalf("%d and %d hooks, missing %v and %v", len(a.Hooks), len(b.Hooks), a.Missing, b.Missing)
	}
	for i, h := range a.Hooks {
		g := b.Hooks[len(b.Hooks)-1-i]
		if math.Abs(h.At+g.At-290) > 0.1 || math.Abs(h.Turn+g.Turn) > 0.03 || h.Flaw != g.Flaw {
			t.Errorf("hook %d: %+v, mirrored %+v", i, h, g)
		}
	}
}

// What cannot be told apart is refused: noise alone, a pitch of too few pixels,
// hooks that drown in noise.
func TestUnclearRows(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	at, turn := comb(r, 40, 7, 300, 0.1)
	small := drawn(r, at, turn, 1.5, 300, 1, 0.02)
	small.Pixel = 3
	for name, s := range map[string]Strip{
		"noise":     drawn(r, nil, nil, 1, 300, 1, 0.3),
		"too small": small,
		"drowned":   drawn(r, at, turn, 1.5, 300, 0.3, 0.9),
	} {
		var u *Unclear
		if row, err := Read(s); !errors.As(err, &u) {
			t.Errorf("%s: %d hooks, %v", name, len(row.Hooks), err)
		}
	}
}

// Hooks fade from sure to gone: at no strength is a false number stated as sure.
func TestAFadingHookIsNeverMiscounted(t *testing.T) {
	for k := 0; k <= 20; k++ {
		r := rand.New(rand.NewPCG(7, uint64(k)))
		at, turn := comb(r, 40, 8, 330, 0.05)
		s := drawn(r, at, turn, 1.8, 330, 1, 0.03)
		faint := float64(k) / 20
		for b := range s.Bands { // one hook covered by so much dust
			for i := range s.Bands[b] {
				if x := s.From + float64(i)*s.Step; math.Abs(x-at[17]) < 3 {
					s.Bands[b][i] *= faint
				}
			}
		}
		row, err := Read(s)
		if err != nil {
			t.Fatal(err)
		}
		sure, unclear := len(row.Hooks), len(row.Unclear)
		if faint > 0.35 && sure+unclear < 40 || faint < 0.2 && sure > 39 {
			t.Errorf("strength %.2f: %d hooks, %d unclear", faint, sure, unclear)
		}
	}
}

func TestJudge(t *testing.T) {
	for _, c := range []struct {
		planned, seen, u, allowed float64
		want                      string
	}{{10, 11, 0.5, 3, AsPlanned}, {10, 14, 0.5, 3, Differs}, {10, 13, 0.5, 3, Undecided}, {10, 6, 0.5, 3, Differs}} {
		if got := Judge(c.planned, c.seen, c.u, c.allowed); got != c.want {
			t.Errorf("planned %g, seen %g ± %g: %s, want %s", c.planned, c.seen, c.u, got, c.want)
		}
	}
	for _, c := range []struct {
		planned, seen, unclear int
		want                   string
	}{{76, 76, 0, AsPlanned}, {76, 75, 0, Differs}, {76, 75, 1, Undecided}, {76, 76, 1, Undecided}, {76, 77, 2, Differs}} {
		if got := JudgeCount(c.planned, c.seen, c.unclear); got != c.want {
			t.Errorf("%d planned, %d seen, %d unclear: %s, want %s", c.planned, c.seen, c.unclear, got, c.want)
		}
	}
	p := &lacing.Plan{Lead: lacing.Side{Hooks: 76}, Trail: lacing.Side{Hooks: 75}}
	if Swapped(p, 76, 75) || !Swapped(p, 75, 76) || Swapped(p, 75, 75) {
		t.Error("sides are not told by their numbers of hooks")
	}
}

// Where several hooks side by side are not seen, something may lie over them: they are
// not called missing. One alone, with the belt seen in its place, is.
func TestManyEmptyPlacesSideBySideAreUnclear(t *testing.T) {
	for gone := 1; gone <= 6; gone++ {
		r := rand.New(rand.NewPCG(11, uint64(gone)))
		at, turn := comb(r, 120, 8, 970, 0.05)
		at = append(at[:50:50], at[50+gone:]...)
		row, err := Read(drawn(r, at, turn[gone:], 1.8, 970, 1, 0.03))
		var u *Unclear
		switch {
		case gone < 3 && (err != nil || len(row.Missing) != gone || len(row.Unclear) != 0):
			t.Errorf("%d gone: missing %.1f, unclear %.1f, %v", gone, row.Missing, row.Unclear, err)
		case gone >= 3 && !errors.As(err, &u) && (len(row.Missing) != 0 || len(row.Unclear) != gone):
			t.Errorf("%d gone: missing %.1f, unclear %.1f", gone, row.Missing, row.Unclear)
		}
	}
}

// Two wires cannot stand less than a wire apart: such bars are one hook, and its place
// is unclear; at a wire and more they are two.
func TestBarsLessThanAWireApartAreNotTwoHooks(t *testing.T) {
	for _, c := range []struct {
		apart          float64
		hooks, unclear int
	}{{1.9, 3, 1}, {2, 4, 0}, {2.4, 4, 0}} {
		f := &finder{r: &Row{Hooks: []Hook{{At: 10, Clear: 0.9}, {At: 20, Clear: 0.7}, {At: 20 + c.apart, Clear: 0.8}, {At: 30, Clear: 0.9}}}}
		f.partWires(2)
		if len(f.r.Hooks) != c.hooks || len(f.r.Unclear) != c.unclear {
			t.Errorf("%.1f mm apart: %d hooks, %d unclear, not %d and %d", c.apart, len(f.r.Hooks), len(f.r.Unclear), c.hooks, c.unclear)
		}
	}
}

// Two bars at one place, neither seen surely, may be two hooks: both are unclear. One
// off the comb with nothing unclear beside it is a mark.
func TestTwoUnclearBarsMayBeTwoHooks(t *testing.T) {
	for _, c := range []struct {
		beside float64 // strength of the bar on the comb
		want   int
	}{{0.3, 2}, {0.2, 0}} {
		f := &finder{s: Strip{Step: 0.1, Out: []float64{9, 12}}, r: &Row{Wire: 1.5}, k: shape{sign: 1}, p: 8,
			resp: [][]float64{make([]float64, 500), make([]float64, 500)}, all: make([]float64, 500), light: make([]float64, 500), base: make([]float64, 500),
			found: []candidate{{at: 20, size: c.beside, scale: 1, seen: 2}, {at: 22.3, size: 0.5, scale: 1, seen: 2, between: 0.29}}}
		f.choose(nil)
		if len(f.r.Hooks) != 0 || len(f.r.Unclear) != c.want {
			t.Errorf("strength %.1f beside 0.5: %d hooks, unclear %.1f; want %d unclear", c.beside, len(f.r.Hooks), f.r.Unclear, c.want)
		}
	}
}

// What is seen less clearly within a wire is its own side; further off it may be
// another hook.
func TestAWiresOwnSideIsNoHook(t *testing.T) {
	f := &finder{r: &Row{Hooks: []Hook{{At: 10, Clear: 0.9}, {At: 20, Clear: 0.9}}, Unclear: []float64{11.2, 22.1}}}
	f.partWires(2)
	if len(f.r.Unclear) != 1 || f.r.Unclear[0] != 22.1 {
		t.Errorf("unclear %.1f, want 22.1 alone", f.r.Unclear)
	}
}
