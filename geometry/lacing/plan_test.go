package lacing

import (
	"errors"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"

	"beltend/geometry"
)

// hook is an invented fastener.
var hook = Fastener{Name: "KH 40", Pitch: 13, Wire: 2.4, ThicknessFrom: 6, ThicknessTo: 9, Pulley: 200,
	Strip: 312, HooksPerStrip: 24, PinAllowance: 20}

// By hand: two ends of 1000 and 998 mm, square, 6 mm margin.
//
//	count: narrower cut 998; (998 - 12 - 2.4)/13 = 983.6/13 = 75.66, so 75 + 1 = 76 leading, 75 trailing
//	spans: 75*13 + 2.4 = 977.4; 74*13 + 2.4 = 964.4
//	margins: (1000 - 977.4)/2 = 11.3; (998 - 964.4)/2 = 16.8; first centres 11.3 + 1.2 = 12.5 and 18.0
//	strips of 24: 76 = 3*24 + 4; 75 = 3*24 + 3; the pieces of 4 and 3 come from one strip:
//	7 strips, 168 hooks, 151 used, 17 left
//	pin: 977.4 + 20 = 997.4, below 998
//	mesh: 13/2 - 2.4 = 4.1; step per side (1000 - 998)/2 = 1, the leading end wider
//	widths 1000 +- 0.8: margin +- 0.4; step +- sqrt(0.8^2 + 0.6^2)/2 = 0.5
func TestPlanByHand(t *testing.T) {
	p, err := Make(hook, Wish{LeadWidth: 1000, LeadU95: 0.8, TrailWidth: 998, TrailU95: 0.6, Margin: 6, Thickness: 8, JointThickness: 7, Notch: 40})
	if err != nil {
		t.Fatal(err)
	}
	near := func(what string, got, want float64) {
		t.Helper()
		if !(math.Abs(got-want) < 1e-9) {
			t.Errorf("%s: %g, by hand %g", what, got, want)
		}
	}
	if p.Lead.Hooks != 76 || p.Trail.Hooks != 75 || p.Strips != 7 || p.LeftOver != 17 || p.Lead.FullStrips != 3 || p.Trail.FullStrips != 3 ||
		!reflect.DeepEqual(p.Lead.CutStrips, []int{4}) || !reflect.DeepEqual(p.Trail.CutStrips, []int{3}) {
		t.Errorf("hooks %d and %d, strips %d (%d %v, %d %v), left over %d", p.Lead.Hooks, p.Trail.Hooks, p.Strips,
			p.Lead.FullStrips, p.Lead.CutStrips, p.Trail.FullStrips, p.Trail.CutStrips, p.LeftOver)
	}
	near("leading span", p.Lead.Span, 977.4)
	near("trailing span", p.Trail.Span, 964.4)
	near("leading margin", p.Lead.MarginLeft, 11.3)
	near("trailing margin", p.Trail.MarginRight, 16.8)
	near("margin's U", p.Lead.MarginU95, 0.4)
	near("first leading hook", p.Lead.First, 12.5)
	near("first trailing hook", p.Trail.First, 18)
	near("pin", p.Pin.Length, 997.4)
	near("mesh", p.Mesh, 4.1)
	near("step", p.Width.PerSide, 1)
	near("step's U", p.Width.PerSideU95, 0.5)
	near("notch across", p.Trail.Notch.Across, 16.8)
	near("notch along", p.Trail.Notch.Along, 40)
	if p.Pin.Capped || p.Width.Wider != Leading || p.Lead.Notch != nil || p.Skive == nil || *p.Skive != (Skive{25, 8, 7}) {
		t.Errorf("%+v", p)
	}
}

// By hand: 1000 mm wide at 10 degrees bias: cut 1000/cos 10 = 1015.4266;
// (1015.4266 - 12 - 2.4)/13 = 77.002, so 78 leading; span 1003.4;
// margin (1015.4266 - 1003.4)/2 = 6.0133; pin 1023.4 capped at 1015.4266.
func TestBiasByHand(t *testing.T) {
	p, err := Make(hook, Wish{LeadWidth: 1000, TrailWidth: 1000, Margin: 6, Thickness: 8, Bias: 10 * math.Pi / 180})
	if err != nil {
		t.Fatal(err)
	}
	if p.Lead.Hooks != 78 || math.Abs(p.Lead.MarginLeft-6.0133) > 1e-4 || !p.Pin.Capped || math.Abs(p.Pin.Length-1015.4266) > 1e-4 {
		t.Errorf("%+v", p)
	}
	if !noted(p, NoteBias) || !noted(p, NotePinCapped) || !noted(p, NoteNotchSize) {
		t.Errorf("notes %+v", p.Notes)
	}
}

// By hand: a machine of 600 mm takes floor((600 - 2.4)/13) + 1 = 46 hooks, of
// which one whole strip of 24 is a section. 76 hooks: sections from hook 1, 25,
// 49 and 73, starting at 12.5, 12.5 + 24*13 = 324.5, 636.5 and 948.5.
// A machine of 300 mm takes 23 hooks, less than a strip: pieces 23 23 23 7 and
// 23 23 23 6, six strips of 24 for the pieces of 23, one for 7 and 6.
func TestSectionsByHand(t *testing.T) {
	w := Wish{LeadWidth: 1000, TrailWidth: 998, Margin: 6, Thickness: 8, Machine: 600}
	p, err := Make(hook, w)
	if err != nil {
		t.Fatal(err)
	}
	want := []Section{{1, 24, 12.5, 311.5}, {25, 48, 324.5, 623.5}, {49, 72, 636.5, 935.5}, {73, 76, 948.5, 987.5}}
	if len(p.Lead.Sections) != len(want) {
		t.Fatalf("%+v", p.Lead.Sections)
	}
	for i, s := range p.Lead.Sections {
		if s.FirstHook != want[i].FirstHook || s.LastHook != want[i].LastHook || math.Abs(s.Start-want[i].Start) > 1e-9 || math.Abs(s.End-want[i].End) > 1e-9 {
			t.Errorf("section %d: %+v, by hand %+v", i, s, want[i])
		}
	}
	if p.Strips != 7 || !noted(p, NoteSections) || noted(p, NoteCutStrips) {
		t.Errorf("%d strips, %+v", p.Strips, p.Notes)
	}
	w.Machine = 300
	if p, err = Make(hook, w); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(p.Lead.CutStrips, []int{23, 23, 23, 7}) || !reflect.DeepEqual(p.Trail.CutStrips, []int{23, 23, 23, 6}) ||
		p.Strips != 7 || p.LeftOver != 7*24-151 || !noted(p, NoteCutStrips) {
		t.Errorf("%v %v, %d strips, %d left", p.Lead.CutStrips, p.Trail.CutStrips, p.Strips, p.LeftOver)
	}
}

func noted(p *Plan, code string) bool {
	for _, n := range p.Notes {
		if n.Code == code {
			return true
		}
	}
	return false
}

func random(r *rand.Rand) (Fastener, Wish) {
	in := func(lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }
	f := Fastener{Name: "x", Pitch: in(4, 40), ThicknessFrom: 2, ThicknessTo: 20, Pulley: 100, HooksPerStrip: 2 + r.IntN(40), PinAllowance: in(0, 60)}
	f.Wire = f.Pitch * in(0.05, 0.49)
	f.Strip = f.Pitch * float64(f.HooksPerStrip)
	w := Wish{LeadWidth: in(200, 3200), Margin: in(0, 20), Bias: in(-0.4, 0.4), Thickness: 8, Notch: in(0, 80), Reversible: r.IntN(2) == 0, MoreOnTrailing: r.IntN(2) == 0}
	w.TrailWidth = w.LeadWidth + in(-30, 30)
	if r.IntN(3) == 0 {
		w.Machine = in(100, 1500)
	}
	if r.IntN(2) == 0 {
		w.LeadU95, w.TrailU95 = in(0.1, 5), in(0.1, 5)
	}
	if r.IntN(2) == 0 {
		w.JointThickness = in(3, 8)
	}
	return f, w
}

// Brute force: every hook of 10000 random joints is set into the plane on its
// own belt, and every distance is measured there. Nothing of the plan but its
// places is used.
func TestEveryHookOfRandomJoints(t *testing.T) {
	r := rand.New(rand.NewPCG(41, 1))
	for trial := range 10000 {
		f, w := random(r)
		p, err := Make(f, w)
		if err != nil {
			t.Fatalf("joint %d: %v", trial, err)
		}
		bad := func(format string, a ...any) {
			t.Helper()
			t.Errorf("joint %d: "+format, append([]any{trial}, a...)...)
		}
		more, fewer := &p.Lead, &p.Trail
		if w.MoreOnTrailing {
			more, fewer = fewer, more
		}
		// The plane: centreline x = 0, the cut through the origin along d. A belt's
		// edges are the lines x = -+width/2.
		d := geometry.Vec2{X: math.Cos(w.Bias), Y: math.Sin(w.Bias)}
		place := func(s *Side) (at []geometry.Vec2) {
			corner := d.Mul(-s.Width / 2 / d.X)
			for k := range s.Hooks {
				at = append(at, corner.Add(d.Mul(s.Centre(k, f.Pitch))))
			}
			return at
		}
		a, b := place(more), place(fewer)
		for _, s := range []struct {
			at   []geometry.Vec2
			side *Side
		}{{a, more}, {b, fewer}} {
			for k, h := range s.at {
				// along the cut to either edge, from the wire's outer side
				left, right := (h.X+s.side.Width/2)/d.X-f.Wire/2, (s.side.Width/2-h.X)/d.X-f.Wire/2
				if left < w.Margin-1e-6 || right < w.Margin-1e-6 {
					bad("hook %d is %.4f and %.4f mm from the edges, %.4f asked for", k, left, right, w.Margin)
				}
				if k == 0 && math.Abs(left-s.side.MarginLeft) > 1e-6 {
					bad("left margin %.6f, stated %.6f", left, s.side.MarginLeft)
				}
				if k == len(s.at)-1 && math.Abs(right-s.side.MarginRight) > 1e-6 {
					bad("right margin %.6f, stated %.6f", right, s.side.MarginRight)
				}
				if k > 0 && math.Abs(h.Sub(s.at[k-1]).Norm()-f.Pitch) > 1e-6 {
					bad("hooks %d and %d are %.6f mm apart", k-1, k, h.Sub(s.at[k-1]).Norm())
				}
			}
		}
		for _, s := range []struct {
			at   []geometry.Vec2
			side *Side
			u95  float64
		}{{place(&p.Lead), &p.Lead, w.LeadU95}, {place(&p.Trail), &p.Trail, w.TrailU95}} {
			span := s.at[len(s.at)-1].Sub(s.at[0]).Norm() + f.Wire
			if math.Abs(span-s.side.Span) > 1e-6 {
				bad("row %.6f mm long, stated %.6f", span, s.side.Span)
			}
			// the same row on a belt as much wider as its width is unsure
			if wider := ((s.side.Width+s.u95)/d.X - span) / 2; math.Abs(wider-s.side.MarginLeft-s.side.MarginU95) > 1e-6 {
				bad("the margin may be %.6f, %.6f +- %.6f stated", wider, s.side.MarginLeft, s.side.MarginU95)
			}
		}
		// meshed: every hook of the fewer side stands in the middle of a gap
		if len(b) != len(a)-1 {
			bad("%d hooks against %d", len(a), len(b))
		}
		for k, h := range b {
			l, rr := h.Sub(a[k]).Dot(d), a[k+1].Sub(h).Dot(d)
			if math.Abs(l-rr) > 1e-6 || math.Abs(l-f.Wire-p.Mesh) > 1e-6 || p.Mesh <= 0 {
				bad("hook %d meshes with %.6f and %.6f mm, gap stated %.6f", k, l, rr, p.Mesh)
			}
		}
		// no more would fit: one pitch more breaks the margin on the narrower end
		narrow := math.Min(w.LeadWidth, w.TrailWidth) / d.X
		if room := narrow - 2*w.Margin - f.Wire; float64(len(a))*f.Pitch <= room-1e-6 {
			bad("%d hooks, but %d fit", len(a), len(a)+1)
		}
		// set one by one on the narrower end, were it as narrow as it may be
		least, u := w.LeadWidth, w.LeadU95
		if w.TrailWidth < least {
			least, u = w.TrailWidth, w.TrailU95
		}
		fit := 0
		for x := w.Margin + f.Wire/2; x+f.Wire/2+w.Margin <= (least-u)/d.X+1e-7; x += f.Pitch {
			fit++
		}
		if noted(p, NoteCountUnsure) != (fit < len(a)) {
			bad("%d hooks, %d if the belt is %.3f mm narrower; notes %+v", len(a), fit, u, p.Notes)
		}
		// the pin: all hooks on it if its length allows, never past an edge
		if p.Pin.Length > narrow+1e-9 || p.Pin.Length < more.Span-1e-9 {
			bad("pin %.3f mm, cut %.3f mm, row %.3f mm", p.Pin.Length, narrow, more.Span)
		}
		if math.Abs(p.Pin.Wanted-a[len(a)-1].Sub(a[0]).Norm()-f.Wire-f.PinAllowance) > 1e-6 {
			bad("a pin of %.6f mm is wanted for hooks over %.6f mm", p.Pin.Wanted, a[len(a)-1].Sub(a[0]).Norm())
		}
		if (p.Pin.Length < more.Span+f.PinAllowance-1e-6) != p.Pin.Capped {
			bad("pin %.3f of %.3f mm, capped %v", p.Pin.Length, p.Pin.Wanted, p.Pin.Capped)
		}
		checkSections(bad, f, w, more)
		checkSections(bad, f, w, fewer)
		if p.LeftOver < 0 || p.Strips*f.HooksPerStrip != len(a)+len(b)+p.LeftOver {
			bad("%d strips of %d for %d + %d hooks leave %d", p.Strips, f.HooksPerStrip, len(a), len(b), p.LeftOver)
		}
		pieces := len(more.CutStrips) + len(fewer.CutStrips)
		if p.Strips < more.FullStrips+fewer.FullStrips || p.Strips > more.FullStrips+fewer.FullStrips+pieces {
			bad("%d strips", p.Strips)
		}
		cut := append(slices.Clone(more.CutStrips), fewer.CutStrips...)
		if n := p.Strips - more.FullStrips - fewer.FullStrips; !cuttable(cut, n, f.HooksPerStrip) || cuttable(cut, n-1, f.HooksPerStrip) {
			bad("pieces %v of strips of %d: not %d strips", cut, f.HooksPerStrip, n)
		}
		// covers come off where the joint is thinner than the belt, 25 mm back
		if skived := w.JointThickness > 0 && w.JointThickness < w.Thickness; (p.Skive != nil) != skived || skived && *p.Skive != (Skive{25, w.Thickness, w.JointThickness}) {
			bad("skive %+v", p.Skive)
		}
		// notches reach from the edge to the outer hook and no further
		for _, s := range []*Side{&p.Lead, &p.Trail} {
			wanted := s == &p.Trail || w.Reversible
			if (s.Notch != nil) != wanted {
				bad("notch %v", s.Notch)
			} else if wanted && (math.Abs(s.Notch.Across-(s.First-f.Wire/2)) > 1e-9 || s.Notch.Along != w.Notch) {
				bad("notch %+v, first hook at %.3f", s.Notch, s.First)
			}
		}
		// the step, from the four corners
		if l := (w.LeadWidth - w.TrailWidth) / 2; math.Abs(math.Abs(l)-p.Width.PerSide) > 1e-9 || (l > 0) != (p.Width.Wider == Leading) {
			bad("step %+v", p.Width)
		}
		if t.Failed() {
			t.Fatalf("%+v\n%+v", f, w)
		}
	}
}

// cuttable says whether the pieces can be cut from n strips. All but two at most
// are of one size, so the odd ones are tried together and apart.
func cuttable(pieces []int, n, perStrip int) bool {
	if len(pieces) == 0 {
		return n >= 0
	}
	size := slices.Max(pieces)
	var odd [2]int
	usual, k := 0, 0
	for _, p := range pieces {
		if p == size {
			usual++
		} else {
			odd[k] = p
			k++
		}
	}
	holds := func(strips, hooks int) int { return strips * (hooks / size) }
	apart := n >= 2 && usual <= holds(n-2, perStrip)+holds(1, perStrip-odd[0])+holds(1, perStrip-odd[1])
	together := n >= 1 && odd[0]+odd[1] <= perStrip && usual <= holds(n-1, perStrip)+holds(1, perStrip-odd[0]-odd[1])
	return apart || together
}

func checkSections(bad func(string, ...any), f Fastener, w Wish, s *Side) {
	next, hooks, full := 1, 0, 0
	for _, c := range s.Sections {
		if c.FirstHook != next {
			bad("a section starts with hook %d, not %d", c.FirstHook, next)
		}
		n := c.LastHook - c.FirstHook + 1
		if n < 1 || w.Machine > 0 && c.End-c.Start+f.Wire > w.Machine+1e-6 {
			bad("section %+v in a machine of %.3f mm", c, w.Machine)
		}
		if math.Abs(c.Start-s.Centre(c.FirstHook-1, f.Pitch)) > 1e-9 || math.Abs(c.End-c.Start-float64(n-1)*f.Pitch) > 1e-9 {
			bad("section %+v", c)
		}
		more := 1 // what a section grows by: whole strips where the machine takes one
		if n >= f.HooksPerStrip {
			more = f.HooksPerStrip
		}
		if c.LastHook < s.Hooks && float64(n+more-1)*f.Pitch+f.Wire <= w.Machine-1e-6 {
			bad("section %+v, but the machine of %.3f mm takes more", c, w.Machine)
		}
		next, hooks, full = c.LastHook+1, hooks+n, full+n/f.HooksPerStrip
	}
	if (w.Machine == 0 || s.Span <= w.Machine) && len(s.Sections) != 1 {
		bad("%d sections for nothing", len(s.Sections))
	}
	pieces := 0
	for _, c := range s.CutStrips {
		pieces += c
	}
	if hooks != s.Hooks || full != s.FullStrips || pieces+full*f.HooksPerStrip != s.Hooks {
		bad("%d hooks in %+v, %d full strips and %v", s.Hooks, s.Sections, s.FullStrips, s.CutStrips)
	}
}

// Laws: the other hand of bias gives the same plan; swapping the ends swaps
// the sides; all lengths in another unit give all lengths in that unit.
func TestLaws(t *testing.T) {
	r := rand.New(rand.NewPCG(41, 2))
	for range 10000 {
		f, w := random(r)
		p, err := Make(f, w)
		if err != nil {
			t.Fatal(err)
		}
		m := w
		m.Bias = -w.Bias
		q, err := Make(f, m)
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(p.Lead, q.Lead) || !reflect.DeepEqual(p.Trail, q.Trail) || p.Pin != q.Pin {
			t.Fatal("mirrored", f, w)
		}
		x := w
		x.LeadWidth, x.TrailWidth, x.LeadU95, x.TrailU95 = w.TrailWidth, w.LeadWidth, w.TrailU95, w.LeadU95
		x.MoreOnTrailing = !w.MoreOnTrailing
		if q, err = Make(f, x); err != nil {
			t.Fatal(err)
		}
		q.Lead.Notch, q.Trail.Notch, p.Lead.Notch, p.Trail.Notch = nil, nil, nil, nil
		if !reflect.DeepEqual(p.Lead, q.Trail) || !reflect.DeepEqual(p.Trail, q.Lead) || p.Strips != q.Strips {
			t.Fatal("swapped", f, w)
		}
		const unit = 1 / 2.54
		g, y := f, w
		for _, mm := range []*float64{&g.Pitch, &g.Wire, &g.Strip, &g.PinAllowance, &y.LeadWidth, &y.TrailWidth, &y.LeadU95, &y.TrailU95, &y.Margin, &y.Machine, &y.Notch} {
			*mm *= unit
		}
		if p, err = Make(f, w); err != nil {
			t.Fatal(err)
		}
		if q, err = Make(g, y); err != nil {
			t.Fatal(err)
		}
		for _, s := range [][2]*Side{{&p.Lead, &q.Lead}, {&p.Trail, &q.Trail}} {
			a, b := s[0], s[1]
			if a.Hooks != b.Hooks || !slices.Equal(a.CutStrips, b.CutStrips) || len(a.Sections) != len(b.Sections) {
				t.Fatal("in another unit", f, w)
			}
			for _, mm := range [][2]float64{{a.Cut, b.Cut}, {a.Span, b.Span}, {a.MarginLeft, b.MarginLeft}, {a.MarginU95, b.MarginU95}, {a.First, b.First}, {p.Pin.Length, q.Pin.Length}, {p.Mesh, q.Mesh}, {p.Width.PerSide, q.Width.PerSide}} {
				if math.Abs(mm[0]*unit-mm[1]) > 1e-6 {
					t.Fatalf("in another unit: %g and %g mm; %+v %+v", mm[0], mm[1], f, w)
				}
			}
		}
	}
	// a belt of 36 in with a pitch of 1/2 in: (36 - 2/4 - 1/8)/(1/2) = 70.75, so 71 hooks
	in := 25.4
	f := Fastener{Name: "half inch", Pitch: in / 2, Wire: in / 8, ThicknessFrom: 6, ThicknessTo: 9, Pulley: 200, Strip: 12 * in, HooksPerStrip: 24}
	p, err := Make(f, Wish{LeadWidth: 36 * in, TrailWidth: 36 * in, Margin: in / 4, Thickness: 8})
	if err != nil || p.Lead.Hooks != 71 || math.Abs(p.Lead.MarginLeft/in-(36-70.0/2-1.0/8)/2) > 1e-9 {
		t.Errorf("%+v, %v", p, err)
	}
	// exactly room for one more: 36 in - 2*(7/16) - 1/8 = 35 = 70 * 1/2, so 71 hooks in spite of rounding
	if p, err = Make(f, Wish{LeadWidth: 36 * in, TrailWidth: 36 * in, Margin: 7 * in / 16, Thickness: 8}); err != nil || p.Lead.Hooks != 71 {
		t.Errorf("%+v, %v", p, err)
	}
}

func TestWidthNotes(t *testing.T) {
	for _, c := range []struct {
		lead, u, trail float64
		code           string
	}{{1000, 0, 1003, ""}, {1000, 0, 1003.1, NoteWidths}, {1004, 1, 1000, NoteWidthsUnsure}, {1004, 0.5, 1000, NoteWidths}, {1002, 1, 1000, NoteWidthsUnsure}, {1002, 0.5, 1000, ""}} {
		p, err := Make(hook, Wish{LeadWidth: c.lead, LeadU95: c.u, TrailWidth: c.trail, TrailU95: c.u, Margin: 6, Thickness: 8, Notch: 30})
		if err != nil {
			t.Fatal(err)
		}
		for _, code := range []string{NoteWidths, NoteWidthsUnsure} {
			if noted(p, code) != (code == c.code) {
				t.Errorf("%+v: %+v", c, p.Notes)
			}
		}
	}
	// (990 - 12 - 2.4)/13 = 75.05: at 989 +- 1 mm it may be one hook fewer
	p, err := Make(hook, Wish{LeadWidth: 990, LeadU95: 1, TrailWidth: 992, TrailU95: 1, Margin: 6, Thickness: 8})
	if err != nil || !noted(p, NoteCountUnsure) {
		t.Errorf("%+v, %v", p, err)
	}
}

func TestImpossibleWishesNameTheField(t *testing.T) {
	good := Wish{LeadWidth: 1000, TrailWidth: 1000, Margin: 6, Thickness: 8}
	nan := math.NaN()
	for _, c := range []struct {
		field string
		f     func(*Fastener, *Wish)
	}{
		{"pitch", func(f *Fastener, _ *Wish) { f.Pitch = nan }},
		{"pitch", func(f *Fastener, _ *Wish) { f.Pitch = 1200 }},
		{"wire", func(f *Fastener, _ *Wish) { f.Wire = 6.5 }},
		{"wire", func(f *Fastener, _ *Wish) { f.Wire = 0 }},
		{"name", func(f *Fastener, _ *Wish) { f.Name = " " }},
		{"thickness_to", func(f *Fastener, _ *Wish) { f.ThicknessTo = 6 }},
		{"smallest_pulley", func(f *Fastener, _ *Wish) { f.Pulley = math.Inf(1) }},
		{"strip", func(f *Fastener, _ *Wish) { f.Strip = 280 }},
		{"hooks_per_strip", func(f *Fastener, _ *Wish) { f.HooksPerStrip = 0 }},
		{"pin_allowance", func(f *Fastener, _ *Wish) { f.PinAllowance = -1 }},
		{"lead-width", func(_ *Fastener, w *Wish) { w.LeadWidth = 100000 }},
		{"trail-width", func(_ *Fastener, w *Wish) { w.TrailWidth = 0 }},
		{"trail-width-u95", func(_ *Fastener, w *Wish) { w.TrailU95 = nan }},
		{"margin", func(_ *Fastener, w *Wish) { w.Margin = -1 }},
		{"margin", func(_ *Fastener, w *Wish) { w.Margin = 500 }},
		{"thickness", func(_ *Fastener, w *Wish) { w.Thickness = 0 }},
		{"thickness", func(_ *Fastener, w *Wish) { w.Thickness = nan }},
		{"joint-thickness", func(_ *Fastener, w *Wish) { w.JointThickness = 9 }},
		{"bias", func(_ *Fastener, w *Wish) { w.Bias = 1.5 }},
		{"bias", func(_ *Fastener, w *Wish) { w.Bias = nan }},
		{"machine", func(_ *Fastener, w *Wish) { w.Machine = 10 }},
		{"notch", func(_ *Fastener, w *Wish) { w.Notch = -5 }},
	} {
		f, w := hook, good
		c.f(&f, &w)
		_, err := Make(f, w)
		var wrong *geometry.WrongValue
		if !errors.As(err, &wrong) || wrong.Name != c.field || !strings.Contains(wrong.Message, " ") {
			t.Errorf("%+v %+v: %v, should name %s", f, w, err, c.field)
		}
	}
	if _, err := Make(Fastener{Name: "wide", Pitch: 150, Wire: 10, ThicknessFrom: 1, ThicknessTo: 9, Pulley: 100, Strip: 300, HooksPerStrip: 2},
		Wish{LeadWidth: 120, TrailWidth: 120, Margin: 6, Thickness: 8}); err == nil || !strings.Contains(err.Error(), "not even two hooks") {
		t.Error("a pitch wider than the belt:", err)
	}
}

// A chart of three invented rows. 7.5 mm fits the second (6 to 9) alone; a
// pulley of 190 mm is then too small, 210 mm is near its 200 mm, 250 mm is not.
// Near a thickness limit: within the smaller of 0.5 mm and 3 mm/5 = 0.6 mm.
func TestFitting(t *testing.T) {
	chart := []Fastener{{Name: "a", ThicknessFrom: 3, ThicknessTo: 6, Pulley: 100}, hook, {Name: "c", ThicknessFrom: 9, ThicknessTo: 12, Pulley: 300}}
	for _, c := range []struct {
		thickness, pulley float64
		want              []string // per row: "fits" or the reasons, then what is near
	}{
		{7.5, 250, []string{BeltTooThick, "fits", BeltTooThin + " " + PulleyTooSmall}},
		{7.5, 190, []string{BeltTooThick, PulleyTooSmall, BeltTooThin + " " + PulleyTooSmall}},
		{7.5, 210, []string{BeltTooThick, "fits " + NearestPulley, BeltTooThin + " " + PulleyTooSmall}},
		{6, 400, []string{"fits " + NearThickest, "fits " + NearThinnest, BeltTooThin}},
		{6.49, 400, []string{BeltTooThick, "fits " + NearThinnest, BeltTooThin}},
		{6.51, 400, []string{BeltTooThick, "fits", BeltTooThin}},
		{9, 400, []string{BeltTooThick, "fits " + NearThickest, "fits " + NearThinnest}},
	} {
		fits, err := Fitting(chart, c.thickness, c.pulley)
		if err != nil || len(fits) != len(chart) {
			t.Fatal(fits, err)
		}
		for i, f := range fits {
			var said []string
			if f.Fits {
				said = append(said, "fits")
			}
			for _, n := range append(f.Reasons, f.Near...) {
				said = append(said, n.Code)
			}
			if got := strings.Join(said, " "); got != c.want[i] {
				t.Errorf("%g mm, pulley %g mm, row %d: %q, should be %q", c.thickness, c.pulley, i, got, c.want[i])
			}
		}
	}
	for _, c := range []struct {
		thickness, pulley float64
		field             string
	}{{0, 100, "thickness"}, {math.NaN(), 100, "thickness"}, {8, 0, "pulley"}, {8, math.Inf(1), "pulley"}} {
		if _, err := Fitting(chart, c.thickness, c.pulley); err == nil || !strings.HasPrefix(err.Error(), c.field+":") {
			t.Errorf("%+v: %v", c, err)
		}
	}
}
