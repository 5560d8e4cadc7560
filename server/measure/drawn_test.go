package measure

import (
	"context"
	"fmt"
	"math"
	"slices"
	"testing"

	"beltend/server/result"
	"beltend/vision/render"
)

// withLine is plain, its belt brown, with a line across it.
func withLine(l render.Line) render.Scene {
	s := plain()
	s.Belt.Look = "brown_pvc"
	s.Line = &l
	return s
}

var chalk = render.Line{Kind: "chalk", Y: 70, Offset: -5, Width: 3.8, Wander: 0.2, Inset: 5, Gaps: 2, Faint: 0.4}

func TestDrawnLineIsJudgedAndTheCutBesideIt(t *testing.T) {
	t.Parallel()
	s := withLine(chalk)
	truth := truthOf(t, s)
	photo := draw(t, s)
	line := measured(t, result.Settings{Line: "drawn", TrimMM: 20}, photo)
	want := truth.MarkedLine
	if line.Line != "drawn" || line.Drawn == nil {
		t.Fatalf("judged %q, drawn line %v", line.Line, line.Drawn)
	}
	q, r := line.Squareness, line.Recut
	inside(t, "offset", q.OffsetMM, q.OffsetU95MM, want.Offset)
	inside(t, "width at the line", line.Width.AtCutMM, line.Width.AtCutU95MM, want.At)
	inside(t, "left end", r.LeftMM, r.LeftU95MM, want.Recut.Left)
	inside(t, "right end", r.RightMM, r.RightU95MM, want.Recut.Right)
	if q.OffsetU95MM > 2 || line.Verdict != result.Recut { // 5 mm, tolerance 1.6
		t.Errorf("offset is known to %.1f mm, verdict %s", q.OffsetU95MM, line.Verdict)
	}
	if r.TrimMM != 0 || line.Drawn.Recut.LeftMM != r.LeftMM || line.Drawn.OffsetMM != q.OffsetMM {
		t.Errorf("line %+v, re-cut %+v, squareness %+v", line.Drawn, r, q)
	}
	if !slices.ContainsFunc(line.Findings, func(f result.Finding) bool { return f.Code == "skew" && math.Abs(f.SizeMM+5) < 1 }) {
		t.Errorf("findings %+v", line.Findings)
	}
	if !slices.ContainsFunc(line.Warnings, func(w result.Warning) bool { return w.Code == "thick_line" }) {
		t.Errorf("nothing said of a line of %.1f mm: %+v", chalk.Width, line.Warnings)
	}
	px := line.Image[0].Drawn
	if len(px) < 20 || len(line.Image[0].Cut) < 20 {
		t.Fatalf("%d points of the line, %d of the cut", len(px), len(line.Image[0].Cut))
	}
	near := math.Inf(1)
	for _, p := range want.Points {
		near = math.Min(near, math.Hypot(px[0][0]-p[0], px[0][1]-p[1]))
	}
	if near > 25 { // the truth has a point every 20 mm
		t.Errorf("the line's left end %v is %.0f px from where it was drawn", px[0], near)
	}

	cut := measured(t, result.Settings{}, photo)
	inside(t, "the cut's offset", cut.Squareness.OffsetMM, cut.Squareness.OffsetU95MM, truth.Squareness.Offset)
	if cut.Line != "cut" || cut.Drawn == nil {
		t.Fatalf("judged %q, drawn line %v", cut.Line, cut.Drawn)
	}
	inside(t, "the line's offset beside the cut", cut.Drawn.OffsetMM, cut.Drawn.OffsetU95MM, want.Offset)
}

func TestMirroredLineSwapsItsSign(t *testing.T) {
	t.Parallel()
	s := withLine(chalk)
	s.Line.Wander = 0
	k := mirrored(s)
	other := *s.Line
	other.Offset = -other.Offset
	k.Line = &other
	set := result.Settings{Line: "drawn"}
	a, b := measured(t, set, draw(t, s)).Squareness, measured(t, set, draw(t, k)).Squareness
	if d := math.Abs(a.OffsetMM + b.OffsetMM); d > math.Hypot(a.OffsetU95MM, b.OffsetU95MM) {
		t.Errorf("%.2f ± %.2f mirrored is %.2f ± %.2f", a.OffsetMM, a.OffsetU95MM, b.OffsetMM, b.OffsetU95MM)
	}
}

// A line beyond the middle of the belt seen is judged too.
func TestLineFarUpTheBeltIsJudged(t *testing.T) {
	t.Parallel()
	s := withLine(render.Line{Kind: "pen", Colour: "white", Y: 620, Offset: 7, Width: 2})
	s.Cards[0].Y, s.Cards[1].Y = 220, 400
	truth := truthOf(t, s)
	q := measured(t, result.Settings{Line: "drawn"}, draw(t, s)).Squareness
	inside(t, "offset", q.OffsetMM, q.OffsetU95MM, truth.MarkedLine.Offset)
}

func TestWithoutALineNoneIsFound(t *testing.T) {
	t.Parallel()
	photo := draw(t, plain())
	if m := measured(t, result.Settings{}, photo); m.Drawn != nil || len(m.Image[0].Drawn) != 0 {
		t.Errorf("found %+v", m.Drawn)
	}
	_, err := Run(context.Background(), []Input{photo}, result.Settings{Line: "drawn"}, nil)
	if got := refusal(t, err); got != "line_unclear" {
		t.Errorf("asked for: %s", got)
	}
	hint := result.Settings{Hints: []result.Hint{{Edge: "line", Px: [][2]float64{{300, 1300}, {1200, 1300}}}}}
	_, err = Run(context.Background(), []Input{photo}, hint, nil)
	if got := refusal(t, err); got != "line_unclear" {
		t.Errorf("set by hand where none is: %s", got)
	}
}

func TestLineIsFoundNearPointsSetByHand(t *testing.T) {
	t.Parallel()
	s := withLine(chalk)
	truth := truthOf(t, s).MarkedLine
	var px [][2]float64
	for _, p := range []render.Pt{truth.Points[4], truth.Points[len(truth.Points)-5]} {
		px = append(px, [2]float64{p[0] + 3, p[1] - 4})
	}
	m := measured(t, result.Settings{Line: "drawn", Hints: []result.Hint{{Edge: "line", Px: px}}}, draw(t, s))
	inside(t, "offset", m.Squareness.OffsetMM, m.Squareness.OffsetU95MM, truth.Offset)
	if !slices.Contains(m.Image[0].SetByHand, "line") {
		t.Errorf("set by hand: %v", m.Image[0].SetByHand)
	}
}

// Lines of all kinds on belts of all kinds: the truth lies within the 95 %
// interval, and neither line nor cut is ever wrong and confident, whichever is
// judged.
func TestDrawnLinesOfAllKinds(t *testing.T) {
	notUnderRace(t)
	const scenes = 16
	found := make([]int, scenes)
	t.Run("scenes", func(t *testing.T) {
		for i := range scenes {
			t.Run(fmt.Sprint(i), func(t *testing.T) {
				t.Parallel()
				s := small(render.DrawnLine(int64(900 + i)))
				truth := truthOf(t, s)
				photo := draw(t, s)
				check := func(what string, got, u, want, width float64) int {
					e := math.Abs(got - want)
					t.Logf("%s %.2f ± %.2f, truth %.2f", what, got, u, want)
					if e > 1.5*u && e > 0.002*width {
						t.Errorf("wrong and confident: %s of %s on %s is %.2f ± %.2f, truth %.2f", what, s.What, s.Belt.Look, got, u, want)
					}
					if e > u {
						return 0
					}
					return 1
				}
				for _, line := range []string{"drawn", "cut"} {
					m, err := Run(context.Background(), []Input{photo}, result.Settings{Line: line}, nil)
					if err != nil {
						t.Logf("%s: %s, %v", line, refusal(t, err), err)
						continue
					}
					if d := m.Drawn; d != nil {
						in := check("line", d.OffsetMM, d.OffsetU95MM, truth.MarkedLine.Offset, truth.Width.AtCut)
						if line == "drawn" {
							found[i] = in
						}
					}
					if line == "cut" {
						check("cut", m.Squareness.OffsetMM, m.Squareness.OffsetU95MM, truth.Squareness.Offset, truth.Width.AtCut)
					}
				}
			})
		}
	})
	n := 0
	for _, k := range found {
		n += k
	}
	t.Logf("%d of %d found and inside", n, scenes)
	if n < 12 {
		t.Errorf("%d of %d found and inside", n, scenes)
	}
}

// A belt that is not cut yet and runs on through the picture: the line drawn
// across it is judged, whatever it is drawn with, and up the belt is where the
// cards lie.
func TestLineOnABeltThatRunsOnIsJudged(t *testing.T) {
	t.Parallel()
	for _, l := range []render.Line{
		{Kind: "chalk", Y: 1500, Offset: -5, Width: 3.8, Wander: 0.2, Inset: 5, Faint: 0.2},
		{Kind: "pen", Y: 1500, Offset: 8, Width: 2, Wander: 0.1, Inset: 2},
	} {
		for _, turn := range []float64{0, 180, 90} {
			t.Run(fmt.Sprint(l.Kind, turn), func(t *testing.T) {
				t.Parallel()
				s := withLine(l)
				s.Belt.Length = 6000
				for i := range s.Cards {
					s.Cards[i].Y += 1500
				}
				s.Camera.TargetY, s.Camera.Roll = s.Camera.TargetY+1450, turn
				truth := truthOf(t, s)
				m := measured(t, result.Settings{Line: "drawn"}, draw(t, s))
				inside(t, "offset", m.Squareness.OffsetMM, m.Squareness.OffsetU95MM, truth.MarkedLine.Offset)
				inside(t, "width at the line", m.Width.AtCutMM, m.Width.AtCutU95MM, truth.MarkedLine.At)
				if m.Squareness.OffsetU95MM > 3 || len(m.Image[0].Drawn) < 20 || len(m.Image[0].Cut) != 0 {
					t.Errorf("U %.2f mm, %d points of the line, %d of a cut", m.Squareness.OffsetU95MM, len(m.Image[0].Drawn), len(m.Image[0].Cut))
				}
			})
		}
	}
}
