package vision

import (
	"math"
	"testing"

	"beltend/vision/jpeg"
	"beltend/vision/render"
)

// The colours a JPEG keeps are those that OpenCV decodes, in a mirrored photo, too.
func TestProjectedIsOfTheDecodedColours(t *testing.T) {
	for _, orientation := range []int{1, 2, 7} {
		s := render.Clean(1, 1)
		s.Camera.Orientation, s.Belt.Look = orientation, "green_pu"
		p, _ := shoot(t, s)
		weights := [][3]float64{{-0.3, 0.5, -0.2}, {0.5, 0.2, -0.3}}
		got, err := p.projected(weights...)
		if err != nil {
			t.Fatal(err)
		}
		q := *p
		q.chroma = jpeg.Chroma{}
		want, err := q.projected(weights...)
		if err != nil {
			t.Fatal(err)
		}
		for k := range weights {
			sum, worst := 0.0, 0.0
			for i, v := range got[k].Grey {
				d := math.Abs(float64(v) - float64(want[k].Grey[i]))
				sum, worst = sum+d, math.Max(worst, d)
			}
			if mean := sum / float64(len(got[k].Grey)); mean > 0.5 || worst > 6 {
				t.Errorf("orientation %d, %v: %.2f grey levels off on average, %.0f at most", orientation, weights[k], mean, worst)
			}
		}
	}
}
