package measure

import (
	"testing"

	"beltend/server/result"
	"beltend/vision/render"
)

// Phones that sharpen hard leave a light and a dark fringe beside every edge. They
// are none of the belt's: the answer is as certain as on other clean photos.
func TestFringesOfSharpeningAreNotFollowed(t *testing.T) {
	for _, seed := range []int64{10, 11, 12} {
		s := render.Clean(seed, 2)
		s.Finish.Sharpen = 2.5
		m := measured(t, result.Settings{PrintScaleX: 1, PrintScaleY: 1}, draw(t, s))
		inside(t, "offset", m.Squareness.OffsetMM, m.Squareness.OffsetU95MM, truthOf(t, s).Squareness.Offset)
		if u := m.Squareness.OffsetU95MM; u > 0.5 {
			t.Errorf("seed %d: uncertain by %.2f mm", seed, u)
		}
	}
}
