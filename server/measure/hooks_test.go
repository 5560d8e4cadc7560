package measure

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"strconv"
	"sync"
	"testing"

	"beltend/geometry/hooks"
	"beltend/geometry/lacing"
	"beltend/server/result"
	"beltend/vision/render"
)

// hookScore is how one joint was read against its truth.
type hookScore struct {
	scene                   string
	refused                 string
	exact, wrong            bool // counts of both sides; wrong: not even within what is unclear
	missed                  int  // flaws not named, or named where none is
	pitch, margin, offset   float64
	marginOut, offsetOut    bool // beyond the stated uncertainty
	straight, marginU, offU float64
}

// scoreHooks reads a joint's photo through the whole chain.
func scoreHooks(t testing.TB, s render.Scene, plan *lacing.Plan) (hookScore, *result.Hooks) {
	t.Helper()
	out := hookScore{scene: fmt.Sprintf("%s %s %s/%s %.0f mm, pitch %.2f, wire %.2f", s.Name, s.What, s.Belt.Look, s.Hinge.Look, s.Belt.Width, s.Hinge.Pitch, s.Hinge.Wire)}
	data, err := s.JPEG()
	if err != nil {
		t.Fatal(err)
	}
	truth, err := s.Truth()
	if err != nil {
		t.Fatal(err)
	}
	r, err := Hooks(context.Background(), []Input{{Name: s.Name + ".jpg", Data: data}}, result.Settings{PrintScaleX: 1, PrintScaleY: 1}, plan, nil)
	var refused *result.Refusal
	if errors.As(err, &refused) {
		out.refused = refused.Code + ": " + refused.Message
		return out, nil
	}
	if err != nil {
		t.Fatal(err)
	}
	out.exact = true
	out.straight = r.Straight
	for i := range r.Sides {
		g := &r.Sides[i]
		w, flipped := sideOf(truth.Hinge, g)
		left, right := w.MarginLeft, w.MarginRight
		if flipped {
			left, right = right, left
		}
		if g.Hooks != w.Count || g.Unclear > 0 {
			out.exact = false
			out.wrong = out.wrong || g.Hooks > w.Count || g.Hooks+g.Unclear < w.Count
		}
		found := map[string]int{}
		for _, f := range r.Findings {
			if f.Side == g.Side {
				found[f.Code]++
			}
		}
		for code, n := range map[string]int{"missing": len(w.Missing), "doubled": len(w.Doubled), "crooked": len(w.Crooked)} {
			if d := found[code] - n; d != 0 {
				out.missed += max(d, -d)
			}
		}
		out.pitch = math.Max(out.pitch, math.Abs(g.PitchMM-w.Pitch))
		for _, d := range []float64{g.MarginLeftMM - left, g.MarginRightMM - right} {
			if g.MarginsCertain {
				out.margin = math.Max(out.margin, math.Abs(d))
				out.marginOut = out.marginOut || math.Abs(d) > g.MarginU95MM
			}
		}
		d := g.OffsetMM - truth.Hinge.Offset
		out.offset = math.Max(out.offset, math.Abs(d))
		out.offsetOut = out.offsetOut || math.Abs(d) > g.OffsetU95MM
		out.marginU, out.offU = math.Max(out.marginU, g.MarginU95MM), math.Max(out.offU, g.OffsetU95MM)
	}
	return out, r
}

// sideOf finds which of the truth's rows a side is, and whether its left is the
// truth's right: by where its first hook is in the photo.
func sideOf(h *render.TruthHinge, g *result.HookSide) (row *render.TruthRow, flipped bool) {
	best := math.Inf(1)
	for _, w := range []*render.TruthRow{&h.Upper, h.Lower} {
		if w == nil {
			continue
		}
		for k, q := range []render.TruthHook{w.Hooks[0], w.Hooks[len(w.Hooks)-1]} {
			if d := math.Hypot(q.Px[0]-g.Places[0].Px[0], q.Px[1]-g.Places[0].Px[1]); d < best {
				best, row, flipped = d, w, k == 1
			}
		}
	}
	return row, flipped
}

// asPlanned is the plan that a scene's hooks were laced by.
func asPlanned(t testing.TB, s render.Scene) *lacing.Plan {
	t.Helper()
	g := s.Hinge
	p, err := lacing.Make(lacing.Fastener{Name: "KH", Pitch: g.Pitch, Wire: g.Wire, ThicknessFrom: 1, ThicknessTo: 20, Pulley: 100, Strip: 20 * g.Pitch, HooksPerStrip: 20},
		lacing.Wish{LeadWidth: s.Belt.Width, TrailWidth: s.Belt.Width, Thickness: 8, Margin: 6})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// A few joints of known truth: one with a hook missing, doubled or crooked.
// BELTEND_JOINTS=100 prints the figures of so many clean and hard ones instead.
func TestHooksAreCounted(t *testing.T) {
	notUnderRace(t)
	if n, _ := strconv.Atoi(os.Getenv("BELTEND_JOINTS")); n > 0 {
		hookFigures(t, n)
		return
	}
	for _, seed := range []int64{3, 5, 6} {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			t.Parallel()
			g, _ := scoreHooks(t, render.Joint(seed), nil)
			if g.refused != "" || !g.exact || g.missed > 0 {
				t.Errorf("%s: exact %v, %d flaws wrong, refused %q", g.scene, g.exact, g.missed, g.refused)
			}
			if g.pitch > 0.1 || g.margin > 0.5 || g.marginOut || g.offsetOut {
				t.Errorf("%s: pitch off by %.3f mm, margins by %.2f (U %.2f), row by %.2f (U %.2f)", g.scene, g.pitch, g.margin, g.marginU, g.offset, g.offU)
			}
		})
	}
}

// hookFigures prints how n clean and n/2 hard joints are read.
func hookFigures(t *testing.T, n int) {
	for _, class := range []struct {
		name string
		n    int
		make func(int64) render.Scene
	}{{"clean", n, render.Joint}, {"hard", n / 2, render.HardJoint}} {
		all := make([]hookScore, class.n)
		var wg sync.WaitGroup
		next := make(chan int)
		for range 2 {
			wg.Add(1)
			go func() {
				defer wg.Done()
				for i := range next {
					all[i], _ = scoreHooks(t, class.make(int64(i+1)), nil)
				}
			}()
		}
		for i := range all {
			next <- i
		}
		close(next)
		wg.Wait()
		var exact, wrong, refused, flaws, mOut, oOut, answered int
		var pitch, margin, m2, offset, o2 float64
		wide := 0
		for _, g := range all {
			if g.refused != "" {
				refused++
				fmt.Println("refused", g.scene, g.refused)
				continue
			}
			answered++
			if g.exact {
				exact++
			}
			if g.wrong || g.missed > 0 || g.margin > 0.5 || g.offsetOut {
				fmt.Printf("look at %s: wrong %v flaws %d margin %.2f (U %.2f) row %.2f (U %.2f)\n", g.scene, g.wrong, g.missed, g.margin, g.marginU, g.offset, g.offU)
			}
			flaws += g.missed
			if g.wrong {
				wrong++
			}
			if g.margin > 0.5 {
				wide++
			}
			if g.marginOut {
				mOut++
			}
			if g.offsetOut {
				oOut++
			}
			pitch, margin, offset = math.Max(pitch, g.pitch), math.Max(margin, g.margin), math.Max(offset, g.offset)
			m2 += g.margin * g.margin
			o2 += g.offset * g.offset
		}
		a := float64(max(1, answered))
		fmt.Printf("%s: %d joints, %d answered, %d exact, %d MISCOUNTED, %d refused, %d flaws wrong; pitch within %.3f mm; worst margin of a joint RMS %.2f, most %.2f, %d above 0.5, %d beyond U; row offset RMS %.2f, most %.2f, %d beyond U\n",
			class.name, class.n, answered, exact, wrong, refused, flaws, pitch, math.Sqrt(m2/a), margin, wide, mOut, math.Sqrt(o2/a), offset, oOut)
	}
}

// Turned by half a turn, the same joint has the same hooks, margins and
// squareness: A becomes B, left becomes right.
func TestHooksOfAPhotoHeldTheOtherWay(t *testing.T) {
	notUnderRace(t)
	t.Parallel()
	s := render.Joint(9)
	s.Finish.Noise, s.Finish.Blotch = 0, 0
	_, a := scoreHooks(t, s, nil)
	s.Camera.Orientation = map[int]int{0: 3, 1: 3, 3: 1, 6: 8, 8: 6}[s.Camera.Orientation]
	if s.Camera.Roll += 180; s.Camera.Orientation == 0 {
		t.Fatal("orientation")
	}
	_, b := scoreHooks(t, s, nil)
	if a == nil || b == nil || len(a.Sides) != 2 || len(b.Sides) != 2 {
		t.Fatalf("not both sides are seen: %v, %v", a, b)
	}
	for i := range a.Sides {
		p, q := a.Sides[i], b.Sides[1-i]
		if p.Hooks != q.Hooks || math.Abs(p.MarginLeftMM-q.MarginRightMM) > 0.15 || math.Abs(p.MarginRightMM-q.MarginLeftMM) > 0.15 || math.Abs(p.OffsetMM-q.OffsetMM) > 0.3 {
			t.Errorf("%d hooks, margins %.2f %.2f, row %.2f; turned %d, %.2f %.2f, %.2f", p.Hooks, p.MarginLeftMM, p.MarginRightMM, p.OffsetMM, q.Hooks, q.MarginLeftMM, q.MarginRightMM, q.OffsetMM)
		}
	}
}

// A plan that the joint was not laced by differs where it does, and only there.
func TestHooksAgainstThePlan(t *testing.T) {
	notUnderRace(t)
	t.Parallel()
	s := render.Joint(5)
	plan := asPlanned(t, s)
	plan.Lead.Hooks, plan.Trail.Hooks = len(s.Hinge.Upper), len(s.Hinge.Lower)+1
	plan.Fastener.Pitch *= 1.06
	_, r := scoreHooks(t, s, plan)
	if r == nil {
		t.Fatal("refused")
	}
	got := map[string]string{}
	for _, c := range r.Plan {
		for _, side := range r.Sides {
			if side.Side == c.Side {
				got[side.Planned+" "+c.What] = c.Verdict
			}
		}
	}
	for what, want := range map[string]string{"leading hooks": hooks.AsPlanned, "trailing hooks": hooks.Differs, "leading pitch": hooks.Differs, "trailing pitch": hooks.Differs} {
		if got[what] != want {
			t.Errorf("%s: %q, want %q", what, got[what], want)
		}
	}
	for _, c := range r.Checklist {
		if c.Judgement != result.Open {
			t.Errorf("%s is judged by nobody: %q", c.Code, c.Judgement)
		}
	}
}

// A joint whose hooks cannot be seen is refused, not counted.
func TestHooksThatCannotBeToldApart(t *testing.T) {
	notUnderRace(t)
	t.Parallel()
	far := render.Joint(5)
	far.Camera.Distance *= 7
	shaken := render.Joint(3)
	shaken.Finish.Motion, shaken.Finish.Blur = 30, 3
	for _, s := range []render.Scene{far, shaken} {
		if g, _ := scoreHooks(t, s, nil); g.refused == "" {
			t.Errorf("%s is answered, exact %v", g.scene, g.exact)
		}
	}
}
