package measure

import (
	"context"
	"errors"
	"math"
	"testing"

	"beltend/geometry"
	"beltend/server/result"
	"beltend/vision"
	"beltend/vision/render"
)

// A card that stands on a block tilts the plane: the edges found look out of parallel.
// The refusal shows them.
func TestRefusalShowsWhatWasFound(t *testing.T) {
	t.Parallel()
	scene := small(render.MustRefuse(9))
	_, err := Run(context.Background(), []Input{draw(t, scene)}, result.Settings{}, nil)
	if got := refusal(t, err); got != "edge_unclear" {
		t.Fatalf("refused: %s", got)
	}
	var d *result.Doubt
	if !errors.As(err, &d) || len(d.Image) != 1 || len(d.Image[0].LeftEdge) < 10 || len(d.Image[0].RightEdge) < 10 || len(d.Image[0].Cut) < 10 {
		t.Fatalf("nothing is shown: %+v", err)
	}
	cut := d.Image[0].Cut // on a belt as wide as this many px the cards tell about its scale
	px := math.Hypot(cut[len(cut)-1][0]-cut[0][0], cut[len(cut)-1][1]-cut[0][1])
	if want := scene.Belt.Width / px; d.Image[0].MMPerPx < 0.7*want || d.Image[0].MMPerPx > 1.3*want {
		t.Errorf("a pixel is %.3f mm, at the cut %.3f", d.Image[0].MMPerPx, want)
	}
}

// The way round a belt end is the same however its three lines were drawn.
func TestWayRoundABeltEnd(t *testing.T) {
	want := []geometry.Vec2{{X: -400, Y: 900}, {X: -400, Y: 5}, {X: -398, Y: 3}, {X: 399, Y: -2}, {X: 400}, {X: 402, Y: 880}}
	for turns := range 8 {
		lines := [][2]geometry.Vec2{{want[0], want[1]}, {want[4], want[5]}, {want[2], want[3]}}
		for k := range lines {
			if turns>>k&1 == 1 {
				lines[k][0], lines[k][1] = lines[k][1], lines[k][0]
			}
		}
		got := aroundEnd(lines)
		for i := range want {
			if got[i] != want[i] {
				t.Fatalf("turned %03b: %v", turns, got)
			}
		}
	}
}

// What a second look changed is doubted as one of two observations; a belt that was
// seen turned as a whole is as square as before, and what is seen in a mirror turns
// the other way.
func TestSecondLook(t *testing.T) {
	look := func(left, right, cut float64) []seen {
		e := &vision.End{Left: vision.Trace{Turned: left}, Right: vision.Trace{Turned: right}, Cut: vision.Trace{Turned: cut, Points: make([]vision.EdgePoint, 9)}}
		return []seen{{end: e}}
	}
	for _, c := range []struct {
		name             string
		left, right, cut float64
		want             float64
	}{
		{"the cut alone", 0, 0, 1e-3, 1e-3},
		{"one edge, half of which is the centreline's", 2e-3, 0, 0, -1e-3},
		{"one edge by more than the other bears out", 16e-3, 0, 0, -1e-3},
		{"the whole belt", 1e-3, 1e-3, 1e-3, 0},
		{"both edges against the cut", 1e-3, 1e-3, -1e-3, -2e-3},
	} {
		if got := secondLook(look(c.left, c.right, c.cut)); math.Abs(got-c.want) > 1e-15 {
			t.Errorf("%s: %g, want %g", c.name, got, c.want)
		}
		if got := secondLook(look(-c.left, -c.right, -c.cut)); math.Abs(got+c.want) > 1e-15 {
			t.Errorf("%s in a mirror: %g, want %g", c.name, got, -c.want)
		}
	}
	two := append(look(0, 0, 3e-3), look(0, 0, -1e-3)...)
	further := seen{end: &vision.End{Left: vision.Trace{Turned: 1}}} // without the cut
	if got := secondLook(append(two, further)); math.Abs(got-1e-3) > 1e-15 {
		t.Errorf("two photos: %g, want their mean", got)
	}
}

// A belt as light as the steel it lies on with glare over the cut, and worn edges whose
// side faces are followed now and then: which line is found hangs on chance, and looking
// twice shows it.
func TestWhatHangsOnChanceIsDoubted(t *testing.T) {
	t.Parallel()
	for _, seed := range []int64{71089, 71004, 71066} {
		s := render.Hard(seed)
		m, err := Run(context.Background(), []Input{draw(t, s)}, result.Settings{}, nil)
		if err != nil {
			refusal(t, err)
			continue
		}
		if e := m.Squareness.OffsetMM - truthOf(t, s).Squareness.Offset; math.Abs(e) > 1.5*m.Squareness.OffsetU95MM {
			t.Errorf("%s: %.2f mm off, said to be within %.2f", s.Name, e, m.Squareness.OffsetU95MM)
		}
	}
}
