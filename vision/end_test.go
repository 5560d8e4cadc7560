package vision

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"beltend/geometry"
	"beltend/vision/render"
)

// seenEnd finds the end of a scene with its true view and cards.
func seenEnd(t *testing.T, s render.Scene) (*Picture, render.Truth, *End, error) {
	t.Helper()
	p, truth := shoot(t, s)
	var boards, sheets Sheets
	for _, c := range s.Cards {
		quad := func(g float64) (q [4]geometry.Vec2) {
			for k, a := range [4]geometry.Vec2{{X: -1, Y: -1}, {X: 1, Y: -1}, {X: 1, Y: 1}, {X: -1, Y: 1}} {
				q[k] = geometry.Vec2{X: a.X * (122.5 + g), Y: a.Y * (87.5 + g)}.Rotate(c.Turn * math.Pi / 180).Add(geometry.Vec2{X: c.X, Y: c.Y})
			}
			return q
		}
		boards, sheets = append(boards, quad(0)), append(sheets, quad(32))
	}
	v := s.View()
	e, err := FindEnd(p, &v, boards, sheets, Sharp{Blur: math.Hypot(s.Finish.Blur, 0.3)}, nil)
	return p, truth, e, err
}

// off returns how far a point lies from a polyline, positive clockwise of its
// course; ok is false beyond its ends.
func off(q geometry.Vec2, line []render.Pt) (best float64, ok bool) {
	best = math.Inf(1)
	for i := 1; i < len(line); i++ {
		a := geometry.Vec2{X: line[i-1][0], Y: line[i-1][1]}
		d := geometry.Vec2{X: line[i][0], Y: line[i][1]}.Sub(a)
		along := d.Dot(q.Sub(a)) / d.Dot(d)
		t := math.Max(0, math.Min(1, along))
		e := q.Sub(a.Add(d.Mul(t)))
		if n := e.Norm(); n < math.Abs(best) {
			best = math.Copysign(n, d.Cross(e))
			ok = !(i == 1 && along < 0 || i == len(line)-1 && along > 1)
		}
	}
	return best, ok
}

// The points found lie within half a pixel of the edges that were drawn.
func TestEdgesLieWhereTheyWereDrawn(t *testing.T) {
	for seed := int64(1); seed <= 6; seed++ {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			t.Parallel()
			s := render.Clean(seed, 2)
			s.Camera.Orientation = 1
			t.Logf("seed %d: %s, %.0f mm wide, %.0f thick, on %s", seed, s.Belt.Look, s.Belt.Width, s.Belt.Thickness, s.Ground.Kind)
			_, truth, e, err := seenEnd(t, s)
			if err != nil {
				t.Fatalf("%s on %s: %v", s.Belt.Look, s.Ground.Kind, err)
			}
			for k, c := range []struct {
				trace Trace
				line  []render.Pt
			}{{e.Left, truth.ImagePoints.EdgeLeft}, {e.Right, truth.ImagePoints.EdgeRight}, {e.Cut, truth.ImagePoints.Cut}} {
				if c.trace.Soft {
					t.Errorf("%s: no sharp step was found", roles[k])
				}
				var mean float64
				var all []float64
				for _, q := range c.trace.Points {
					if d, ok := off(q.UV, c.line); ok {
						mean += d
						all = append(all, math.Abs(d))
					}
				}
				mean /= float64(len(all))
				med := median(all)
				most := nth(all, len(all)*9/10)
				t.Logf("%s: %d points of %.2f mm a px, %.2f px off on average, median %.2f, nine tenths within %.2f", roles[k], len(all), c.trace.PxMM, mean, med, most)
				if math.Abs(mean) > 0.5 || med > 0.5 || most > 1.5 {
					t.Errorf("%s: %.2f px off on average, median %.2f, nine tenths within %.2f", roles[k], mean, med, most)
				}
				if c.trace.Support < 0.7 {
					t.Errorf("%s: seen over %.0f %%", roles[k], 100*c.trace.Support)
				}
			}
			for _, c := range []struct {
				name  string
				got   geometry.Vec2
				truth render.Pt
			}{{"left", e.LeftCorner, truth.CornersMM.Left}, {"right", e.RightCorner, truth.CornersMM.Right}} {
				if d := c.got.Sub(geometry.Vec2{X: c.truth[0], Y: c.truth[1]}).Norm(); d > 2 {
					t.Errorf("%s corner is %.1f mm off", c.name, d)
				}
			}
			if e.Up.Y < 0.999 {
				t.Errorf("up the belt is %v", e.Up)
			}
		})
	}
}

// A belt end that is not whole in the picture is not measured, and the reason
// is the right one.
func TestEndsThatCannotBeSeenAreRefused(t *testing.T) {
	for seed := int64(0); seed < int64(render.RefuseClasses); seed++ {
		s := shrink(render.MustRefuse(seed), 0.5)
		switch s.What {
		case "an edge out of the frame", "both edges out of the frame", "the cut out of the frame", "things along a whole edge":
		default:
			continue // not for the edges to tell
		}
		t.Run(s.What, func(t *testing.T) {
			t.Parallel()
			s.Camera.Orientation = 1
			_, _, e, err := seenEnd(t, s)
			if err == nil {
				t.Fatalf("found corners at %v and %v", e.LeftCorner, e.RightCorner)
			}
			for _, want := range s.Codes {
				if code(err) == want {
					var r *Refused
					if errors.As(err, &r) && r.Reason == "" {
						t.Errorf("no reason: %+v", r)
					}
					return
				}
			}
			t.Errorf("got %s (%v), want one of %v", code(err), err, s.Codes)
		})
	}
}

// A step that fades away into noise towards one end of the cut is marked there, and
// nowhere else; one that is faint all along is left as it is.
func TestAFadingEdgeIsFaintWhereItFades(t *testing.T) {
	fading := make([]tracePoint, 100)
	for i := range fading {
		fading[i] = tracePoint{T: 4 * float64(i), Step: 3}
		if i >= 80 {
			fading[i].Step = 0.7
		}
	}
	fading[20].Step, fading[90].Step = 0.5, 2 // single points prove nothing
	markFaint(fading, 1)
	for i, q := range fading {
		if want := i >= 80; q.Faint != want {
			t.Errorf("point %d: faint %v, want %v", i, q.Faint, want)
		}
	}
	faint := make([]tracePoint, 100)
	for i := range faint {
		faint[i].Step = 0.8
	}
	markFaint(faint, 1)
	for i, q := range faint {
		if q.Faint {
			t.Fatalf("point %d of an edge that is faint all along is marked", i)
		}
	}
	markFaint(nil, 1)
}

// Edges between the same belt and the same ground are followed in one picture, those
// with other grounds not.
func TestAlikeWeights(t *testing.T) {
	green, alike, red := [3]float64{-0.3, 0.5, -0.2}, [3]float64{-0.29, 0.5, -0.21}, [3]float64{-0.3, -0.2, 0.5}
	if !alikeWeights(green, green) || !alikeWeights(green, alike) {
		t.Error("alike weights are told apart")
	}
	if alikeWeights(green, red) || alikeWeights(green, [3]float64{0.3, -0.5, 0.2}) {
		t.Error("other weights are taken for alike")
	}
}

// The queue finds what looking at every place finds.
func TestBestBefore(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 1))
	const n = 60
	last, score, from, queue := make([]float32, n), make([]float32, n), make([]int16, n), make([]candidate, n)
	for try := range 500 {
		for k := range last {
			last[k] = float32(r.NormFloat64() * 3)
		}
		jump, cost := 1+r.IntN(12), float32(r.Float64())
		lastLo, lo := r.IntN(n/2), r.IntN(n/2)
		lastHi, hi := lastLo+r.IntN(n-lastLo), lo+r.IntN(n-lo)
		bestBefore(last, lastLo, lastHi, score, from, lo, hi, jump, cost, queue)
		for j := lo; j <= hi; j++ {
			want, at := never, j
			for q := max(lastLo, j-jump); q <= min(lastHi, j+jump); q++ {
				if v := last[q] - cost*float32(max(q-j, j-q)); v > want {
					want, at = v, q
				}
			}
			if math.Abs(float64(score[j]-want)) > 1e-4 || int(from[j]) != at {
				t.Fatalf("try %d, place %d: %g from %d, want %g from %d", try, j, score[j], from[j], want, at)
			}
		}
	}
}

// The joint of two planks that lies along a belt's edge, 15 mm beside it, is not the
// edge: just inside it the planks are seen, by their hue. The edge itself has the belt inside.
func TestGroundInsideAnEdge(t *testing.T) {
	s := render.Default()
	s.Belt.Look, s.Ground.Kind = "blue_food", "planks"
	s.Camera.Orientation = 1
	p, _ := shoot(t, s)
	view := s.View()
	half := s.Belt.Width / 2
	edge := func(beside float64) *boundary {
		n := geometry.Vec2{X: 1}
		from := geometry.Vec2{X: -half - beside, Y: 20}
		return &boundary{Line: planeLine{N: n, D: n.Dot(from)}, From: from, To: from.Add(geometry.Vec2{Y: 500})}
	}
	none := func(geometry.Vec2) bool { return false }
	if g := groundInside(p, &view, edge(0), none); g > 0.02 {
		t.Errorf("the belt's edge: ground inside along %.2f of it", g)
	}
	if g := groundInside(p, &view, edge(15), none); g < 0.9 {
		t.Errorf("15 mm beside it: ground inside along %.2f of it", g)
	}
}
