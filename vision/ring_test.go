package vision

import (
	"testing"

	"beltend/vision/render"
)

// A photo that was sharpened hard shows on its cards what that leaves beside a step,
// and one that was not shows nothing.
func TestRingIsSeenOnTheCards(t *testing.T) {
	for _, c := range []struct {
		sharpen float64
		ring    bool
	}{{0, false}, {0.3, false}, {2, true}} {
		s := render.Clean(3, 2)
		s.Finish.Sharpen = c.sharpen
		p, _ := shoot(t, s)
		cards, err := FindCards(p, References{})
		if err != nil {
			t.Fatal(err)
		}
		for _, card := range cards {
			if (card.Ring != nil) != c.ring {
				t.Errorf("sharpened by %.1f: %s has the ring %.2f", c.sharpen, card.Name, card.Ring)
			}
			// the renderer sharpens with a binomial filter of sigma 1 px
			if r := card.Ring; r != nil && (r.at(0) > 0.02 || r.at(3) < leastRing || r[len(r)-1] > 0.04) {
				t.Errorf("sharpened by %.1f: %s has the ring %.2f, seen for %.1f px", c.sharpen, card.Name, r, r.reach())
			}
		}
	}
}

// What a ring explains is taken from the steps, and a step beyond it, or the same
// way as the strong one, is not.
func TestRingTakesOnlyWhatItExplains(t *testing.T) {
	ring := make(Ring, 13)
	for k := range ring {
		if px := float64(k) * ringStep; px >= 1.5 && px <= 4 {
			ring[k] = 0.2
		}
	}
	s := &strip{slices: 1, n2: 61, zero: 30, ds: 0.5, pxmm: 1}
	g := make([]float32, s.n2)
	g[30] = 100 // the step
	g[24] = -25 // 3 px: its ring
	g[36] = -40 // too strong
	g[25] = 20  // the same way
	g[50] = -10 // 10 px: too far
	ring.takeFrom(g, s)
	for j, want := range map[int]float32{30: 100, 24: 0, 36: -40, 25: 20, 50: -10} {
		if g[j] != want {
			t.Errorf("sample %d is %.0f, not %.0f", j, g[j], want)
		}
	}
}

// A card so far away that its white squares are narrow has no room to show a
// ring, and one that was shaken has no sharp step: neither makes one up.
func TestNoRingIsMadeUp(t *testing.T) {
	far := render.Clean(3, 2)
	far.Finish.Sharpen = 0
	far.Camera.F /= 2
	shaken := render.Clean(3, 2)
	shaken.Finish.Sharpen, shaken.Finish.Motion = 0, 8
	for name, s := range map[string]render.Scene{"far away": far, "shaken": shaken} {
		p, _ := shoot(t, s)
		cards, err := FindCards(p, References{})
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		for _, card := range cards {
			if card.Ring != nil {
				t.Errorf("%s: %s has the ring %.2f", name, card.Name, card.Ring)
			}
		}
	}
}
