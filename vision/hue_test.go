package vision

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"beltend/vision/render"
)

// A dusty blue belt darker than the concrete below it: in grey its face and the
// shade look like the belt, and the line found lies 1 to 3 px off the top edge and
// not parallel to it. By the hue it is that edge.
func TestCutOfAColouredBeltIsItsTopEdge(t *testing.T) {
	for _, seed := range []int64{3, 4, 5, 22} {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			t.Parallel()
			s := render.Clean(seed, 2)
			s.Camera.Orientation = 1
			s.Belt.Look, s.Belt.Dust, s.Belt.Thickness = "blue_food", 0.5, 6
			s.Ground = render.Ground{Kind: "concrete", Turn: 40, Tone: 1.2}
			_, truth, e, err := seenEnd(t, s)
			if err != nil {
				t.Fatal(err)
			}
			var offs []float64
			for _, q := range e.Cut.Points {
				if d, ok := off(q.UV, truth.ImagePoints.Cut); ok {
					offs = append(offs, d)
				}
			}
			half := len(offs) / 2
			left, right := middle(offs[:half]), middle(offs[half:])
			t.Logf("px %.2f mm, %d points: halves %.2f and %.2f px off", e.Cut.PxMM, len(offs), left, right)
			if math.Abs(left) > 0.7 || math.Abs(right) > 0.7 || math.Abs(left-right) > 0.3 {
				t.Errorf("the halves of the cut lie %.2f and %.2f px off the top edge", left, right)
			}
		})
	}
}

// middle is the median; it puts values in order.
func middle(v []float64) float64 {
	slices.Sort(v)
	return v[len(v)/2]
}
