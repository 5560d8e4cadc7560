package measure

import (
	"context"
	"errors"
	"math"
	"testing"

	"beltend/geometry"
	"beltend/server/result"
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
