package vision

import (
	"math"
	"testing"

	"beltend/vision/render"
)

// On a picture made for it (no lens terms, straight from above, a thin light
// belt on a plain dark floor) the naive way is right to some millimetres and
// knows the sides; the yardstick must not be worse than it is.
func TestNaiveWayOnAnEasyPicture(t *testing.T) {
	for _, offset := range []float64{18, -18} {
		s := small()
		s.Seed = 3
		s.Belt = render.Belt{Width: 600, Thickness: 2, Length: 4000, Look: "white_food"}
		s.Ground = render.Ground{Kind: "mat"}
		s.Cut = render.Cut{Offset: offset}
		s.Cards = []render.Card{{Number: 1, X: 20, Y: 260, Turn: 30}}
		s.Camera.K1, s.Camera.K2, s.Camera.Tilt, s.Camera.Distance = 0, 0, 0, 1000
		s.Camera.TargetY = 300
		data, err := s.JPEG()
		if err != nil {
			t.Fatal(err)
		}
		got, width, ok := Naive(data)
		t.Logf("offset %.2f of %.0f, width %.2f of 600, %v", got, offset, width, ok)
		if !ok || math.Abs(got-offset) > 4 || math.Abs(width-600) > 8 {
			t.Errorf("offset %.2f of %.0f, width %.2f of 600, %v", got, offset, width, ok)
		}
	}
	if _, _, ok := Naive([]byte("no photo")); ok {
		t.Error("no photo was measured")
	}
}
