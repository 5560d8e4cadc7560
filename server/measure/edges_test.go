package measure

import (
	"context"
	"slices"
	"testing"

	"beltend/server/result"
	"beltend/vision/render"
)

// Bars and rollers beyond the cut, in line with it and going on where the
// belt's edges end: the cut is still the belt's.
func TestCutIsToldFromBarsAndRollersBeyondIt(t *testing.T) {
	for name, seed := range map[string]int64{"grating": 5072, "rollers": 5088} {
		t.Run(name, func(t *testing.T) {
			s := render.Hard(seed)
			truth := truthOf(t, s)
			m := measured(t, result.Settings{}, draw(t, s))
			inside(t, "offset", m.Squareness.OffsetMM, m.Squareness.OffsetU95MM, truth.Squareness.Offset)
		})
	}
}

// A rag over a whole edge: its border is no edge of the belt, whatever the belt,
// the ground and the border's waves.
func TestThingsAlongAnEdgeAreRefused(t *testing.T) {
	n := 0
	for seed := int64(1); n < 3; seed++ {
		s := render.MustRefuse(seed)
		if s.What != "things along a whole edge" {
			continue
		}
		n++
		t.Run(s.Name, func(t *testing.T) {
			_, err := Run(context.Background(), []Input{draw(t, small(s))}, result.Settings{}, nil)
			if code := refusal(t, err); !slices.Contains(s.Codes, code) {
				t.Errorf("refused as %s, want one of %v", code, s.Codes)
			}
		})
	}
}
