package measure

import (
	"context"
	"errors"
	"fmt"
	"math"
	"testing"

	"beltend/geometry"
	"beltend/server/result"
	"beltend/vision/render"
)

// calibrationPhotos show two cards from several sides through one lens.
func calibrationPhotos(t *testing.T, tilts []float64) ([]Input, geometry.Camera) {
	t.Helper()
	s := render.Default()
	s.Camera = render.Camera{Width: 2000, Height: 1500, F: 1480, CX: 1012, CY: 741, K1: -0.06, K2: 0.03, Orientation: 1, F35: 26, Distance: 620, TargetY: 300}
	s.Cards = []render.Card{{Number: 1, X: -130, Y: 300}, {Number: 2, X: 140, Y: 300, Turn: 90}}
	var photos []Input
	for i, tilt := range tilts {
		s.Seed = int64(i + 1)
		s.Camera.Tilt, s.Camera.Azimuth, s.Camera.Roll = tilt, float64(75*i), float64(40*i)
		data, err := s.JPEG()
		if err != nil {
			t.Fatal(err)
		}
		photos = append(photos, Input{Name: fmt.Sprintf("shot-%d.jpg", i+1), Data: data})
	}
	return photos, geometry.Camera{F: s.Camera.F, CX: s.Camera.CX, CY: s.Camera.CY, K1: s.Camera.K1, K2: s.Camera.K2}
}

// The lens that drew the photos is found within what the calibration claims,
// and the claim is worth having.
func TestCalibrateFindsTheLens(t *testing.T) {
	photos, truth := calibrationPhotos(t, []float64{0, 35, 35, 35, 35, 35})
	c, err := Calibrate(context.Background(), photos, result.Settings{}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if c.Width != 2000 || c.Height != 1500 || c.Photos != 6 {
		t.Errorf("profile of %d photos of %d x %d", c.Photos, c.Width, c.Height)
	}
	worst := map[int]float64{0: 3, 1: 3, 2: 3, 3: 0.02, 4: 0.06} // px and 1; about 0.2 % of the focal length
	for i, want := range truth.Params() {
		name := []string{"f", "cx", "cy", "k1", "k2", "k3", "p1", "p2"}[i]
		t.Logf("%s = %.5f ± %.5f, truth %.5f", name, c.Values[i], c.SD[i], want)
		if math.Abs(c.Values[i]-want) > 3.5*c.SD[i] {
			t.Errorf("%s is %.1f standard deviations off", name, (c.Values[i]-want)/c.SD[i])
		}
		if w, ok := worst[i]; ok && c.SD[i] > w {
			t.Errorf("%s is known only to %.4f", name, c.SD[i])
		}
	}
}

// Photos from straight above cannot part focal length from distance.
func TestCalibrateRefusesParallelViews(t *testing.T) {
	photos, _ := calibrationPhotos(t, []float64{0, 0, 0})
	_, err := Calibrate(context.Background(), photos, result.Settings{}, nil)
	var refused *result.Refusal
	if !errors.As(err, &refused) || refused.Code != "poor_calibration" {
		t.Errorf("got %v", err)
	}
}

func TestCalibrateNeedsSeveralPhotos(t *testing.T) {
	_, err := Calibrate(context.Background(), make([]Input, 2), result.Settings{}, nil)
	var usage *UsageError
	if !errors.As(err, &usage) || usage.Setting != "photos" {
		t.Errorf("got %v", err)
	}
}
