package measure

import (
	"context"
	"errors"
	"fmt"
	"math"
	"testing"

	"beltend/geometry/hooks"
	"beltend/geometry/lacing"
	"beltend/server/measure/truth"
	"beltend/server/result"
	"beltend/vision"
	"beltend/vision/render"
)

// hookScore is how one joint was read against its truth.
type hookScore struct {
	scene, refused string
	truth.Hooks
}

// scoreHooks reads a joint's photo through the whole chain.
func scoreHooks(t testing.TB, s render.Scene, plan *lacing.Plan) (hookScore, *result.Hooks) {
	t.Helper()
	out := hookScore{scene: fmt.Sprintf("%s %s %s/%s %.0f mm, pitch %.2f, wire %.2f", s.Name, s.What, s.Belt.Look, s.Hinge.Look, s.Belt.Width, s.Hinge.Pitch, s.Hinge.Wire)}
	data, err := s.JPEG()
	if err != nil {
		t.Fatal(err)
	}
	real, err := s.Truth()
	if err != nil {
		t.Fatal(err)
	}
	r, err := Hooks(context.Background(), []Input{{Name: s.Name + ".jpg", Data: data}}, result.Settings{PrintScaleX: 1, PrintScaleY: 1}, plan, "", nil)
	var refused *result.Refusal
	if errors.As(err, &refused) {
		out.refused = refused.Code + ": " + refused.Message
		return out, nil
	}
	if err != nil {
		t.Fatal(err)
	}
	out.Hooks = truth.OfHooks(r, real.Hinge)
	return out, r
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

// A few joints of known truth: one with a hook missing, doubled or crooked; a belt as
// light as the ground beside it, with a shadow that is seen better than its edge.
func TestHooksAreCounted(t *testing.T) {
	notUnderRace(t)
	// 264: two hooks in one place that their light parts, not their hue. 288: a shadow's border
	// beside the edge, which the other end's edge leads away from.
	for _, seed := range []int64{3, 5, 6, 26, 264, 288} {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			t.Parallel()
			g, _ := scoreHooks(t, render.Joint(seed), nil)
			if g.refused != "" || !g.Exact || g.Flaws > 0 {
				t.Errorf("%s: exact %v, %d flaws wrong, refused %q", g.scene, g.Exact, g.Flaws, g.refused)
			}
			if g.Pitch > 0.1 || g.Margin > 0.5 || !g.MarginIn || !g.OffsetIn {
				t.Errorf("%s: pitch off by %.3f mm, margins by %.2f (U %.2f), row by %.2f (U %.2f)", g.scene, g.Pitch, g.Margin, g.MarginU, g.Offset, g.OffsetU)
			}
		})
	}
}

// Fine wires told by their hue alone, with a pitch of 15 px, are counted, and their margins
// lie inside what is stated.
func TestFineWiresAreCountedByTheirHue(t *testing.T) {
	notUnderRace(t)
	t.Parallel()
	g, _ := scoreHooks(t, render.Joint(63), nil)
	if g.refused != "" || !g.Exact || g.Flaws > 0 || g.Pitch > 0.1 || g.Margin > 0.5 || !g.MarginIn || !g.OffsetIn {
		t.Errorf("%s: exact %v, %d flaws wrong, refused %q, pitch off by %.3f mm, margins by %.2f, row by %.2f (U %.2f)", g.scene, g.Exact, g.Flaws, g.refused, g.Pitch, g.Margin, g.Offset, g.OffsetU)
	}
}

// Turned by half a turn, the same joint has the same hooks, margins and
// squareness: A becomes B, left becomes right.
func TestHooksOfAPhotoHeldTheOtherWay(t *testing.T) {
	notUnderRace(t)
	t.Parallel()
	s := render.Joint(11)
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
			t.Errorf("%s is answered, exact %v", g.scene, g.Exact)
		}
	}
}

// On a belt as light as steel what is seen may be a wire's shadow, and margins are known
// to half a pitch at best; as deep as no shadow is, it is the wire itself.
func TestMarginsOfDarkWireOnAPaleBelt(t *testing.T) {
	l := &vision.Laced{Light: -30}
	sd := func(deep, rootU float64) float64 {
		s := &vision.LacedSide{PxMM: 0.25}
		s.Row.Pitch, s.Row.Deep, s.Row.RootU = 10, deep, rootU
		return math.Sqrt(marginVariance(l, s, 0.9))
	}
	if shadow, wire := sd(0.8, 0), sd(2.1, 0); shadow < 1.2 || wire > 0.2 {
		t.Errorf("shadow %.2f mm, wire %.2f mm", shadow, wire)
	}
	if sure, not := sd(2.1, 0), sd(2.1, 0.3); math.Abs(not*not-sure*sure-0.09) > 1e-9 {
		t.Errorf("places known to 0.3 mm: %.3f mm for %.3f", not, sure)
	}
}
