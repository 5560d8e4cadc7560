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
	for name, s := range map[string]render.Scene{
		"grating":                 render.Hard(5072),
		"rollers":                 render.Hard(5088),
		"a bar beside a corner":   render.Clean(17008, 1),
		"a clamp bar on the belt": render.Hard(17030),
	} {
		t.Run(name, func(t *testing.T) {
			truth := truthOf(t, s)
			m := measured(t, result.Settings{}, draw(t, s))
			inside(t, "offset", m.Squareness.OffsetMM, m.Squareness.OffsetU95MM, truth.Squareness.Offset)
		})
	}
}

// Bars of a grating far beyond the cut, as sharp as it and with ground as dark as
// the belt between them: where the belt's look ends before them, they are no cut.
func TestNextBarIsNoCut(t *testing.T) {
	for _, seed := range []int64{41018, 51279} {
		s := render.Hard(seed)
		t.Run(s.Name, func(t *testing.T) {
			truth := truthOf(t, s)
			m, err := Run(context.Background(), []Input{draw(t, s)}, result.Settings{}, nil)
			if err != nil {
				// side edges that are lost before the bars look like those of a curled end
				if code := refusal(t, err); !slices.Contains([]string{"edge_unclear", "cut_unclear", "not_flat"}, code) {
					t.Errorf("refused as %s", code)
				}
				return
			}
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

// Photos further up the belt, which share cards and do not show the cut, carry
// the centreline on; the cut stays that of the first photo.
func TestPhotosUpTheBeltCarryItsEdgesOn(t *testing.T) {
	scenes := render.Several(13013) // in its second photo something looks like a cut
	truth, err := render.GroupTruth(scenes)
	if err != nil {
		t.Fatal(err)
	}
	var photos []Input
	for _, s := range scenes {
		photos = append(photos, draw(t, s))
	}
	alone := measured(t, result.Settings{}, photos[0])
	m := measured(t, result.Settings{}, photos...)
	inside(t, "offset", m.Squareness.OffsetMM, m.Squareness.OffsetU95MM, truth.Squareness.Offset)
	if got, one := m.Centreline.LengthMM, alone.Centreline.LengthMM; got < 1.3*one {
		t.Errorf("centreline over %.0f mm, with the first photo alone over %.0f mm", got, one)
	}
	for i, want := range [][]string{{"left", "right", "cut"}, {"left", "right"}} {
		var got []string
		for _, e := range m.Image[i].Edges {
			if got = append(got, e.Edge); e.Support < 0.8 || e.Support > 1 {
				t.Errorf("photo %d: the %s is seen to %.2f", i+1, e.Edge, e.Support)
			}
		}
		if !slices.Equal(got, want) {
			t.Errorf("photo %d shows %v, want %v", i+1, got, want)
		}
	}
	for _, p := range m.Photos {
		if p.LeftOut != "" {
			t.Errorf("%s left out: %s", p.File, p.LeftOut)
		}
	}
}

// Cards that curl by a millimetre, as paper on a belt does: their bend is
// adjusted with them, and the offset is as good as with flat ones.
func TestCurledCardsAreBent(t *testing.T) {
	for _, seed := range []int64{17016, 18101, 18411} {
		s := render.Hard(seed)
		t.Run(s.Name, func(t *testing.T) {
			truth := truthOf(t, s)
			m := measured(t, result.Settings{}, draw(t, s))
			inside(t, "offset", m.Squareness.OffsetMM, m.Squareness.OffsetU95MM, truth.Squareness.Offset)
		})
	}
}

// A step of the cut near its end stays in the trace.
func TestStepNearTheEdgeIsSeen(t *testing.T) {
	s := render.Hard(17035)
	truth := truthOf(t, s)
	m := measured(t, result.Settings{}, draw(t, s))
	inside(t, "offset", m.Squareness.OffsetMM, m.Squareness.OffsetU95MM, truth.Squareness.Offset)
	if !slices.ContainsFunc(m.Findings, func(f result.Finding) bool { return f.Code == "step" }) {
		t.Errorf("findings %v, none of them the step", m.Findings)
	}
}
