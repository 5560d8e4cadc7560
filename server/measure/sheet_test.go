package measure

import (
	"context"
	"math"
	"slices"
	"testing"

	"beltend/server/result"
	"beltend/vision/render"
)

func warned(m *result.Measurement, code string) bool {
	return slices.ContainsFunc(m.Warnings, func(w result.Warning) bool { return w.Code == code })
}

// Sheets of A4 and Letter, each side anywhere within the 2 mm of ISO 216, on
// belts of several looks, a white one among them.
func TestPlainSheetMeasuresInsideItsUncertainty(t *testing.T) {
	t.Parallel()
	for _, seed := range []int64{1, 4, 5, 8, 14, 19} {
		s := small(render.PlainSheet(seed))
		truth := truthOf(t, s)
		m := measured(t, result.Settings{Sheet: s.Sheets[0].Paper}, draw(t, s))
		q := m.Squareness
		inside(t, s.What+": offset", q.OffsetMM, q.OffsetU95MM, truth.Squareness.Offset)
		inside(t, s.What+": width", m.Width.AtCutMM, m.Width.AtCutU95MM, truth.Width.AtCut)
		if !warned(m, "plain_sheet") || warned(m, "print_scale_not_measured") {
			t.Errorf("%s: warnings %+v", s.What, m.Warnings)
		}
		// paper's 2 mm in 297 mm cannot be made good by a better photo
		if m.Width.AtCutU95MM < 0.005*m.Width.AtCutMM {
			t.Errorf("%s: the width is too well known: ± %.1f mm", s.What, m.Width.AtCutU95MM)
		}
	}
}

// The same end measured by a sheet and by a card in its place: the sheet costs.
func TestPlainSheetIsLessSureThanACard(t *testing.T) {
	t.Parallel()
	s := plain()
	k := s.Cards[0]
	s.Cards = s.Cards[:1]
	card := measured(t, result.Settings{PrintScaleX: 1, PrintScaleY: 1}, draw(t, s))
	s.Cards, s.Sheets = nil, []render.Sheet{{X: k.X, Y: k.Y, Turn: k.Turn, Width: 297, Height: 210}}
	sheet := measured(t, result.Settings{Sheet: "a4"}, draw(t, s))
	if a, b := sheet.Squareness.OffsetU95MM, card.Squareness.OffsetU95MM; !(a > 1.5*b) {
		t.Errorf("by the sheet ± %.2f mm, by the card ± %.2f mm", a, b)
	}
	inside(t, "offset", sheet.Squareness.OffsetMM, sheet.Squareness.OffsetU95MM, truthOf(t, s).Squareness.Offset)

	// With a card beside it the sheet counts for nothing.
	s.Cards = []render.Card{{Number: 2, X: 220, Y: 600, Turn: -80}}
	both := measured(t, result.Settings{Sheet: "a4"}, draw(t, s))
	if warned(both, "plain_sheet") || !slices.Equal(both.Photos[0].Cards, []string{"card 2"}) {
		t.Errorf("cards %v, warnings %+v", both.Photos[0].Cards, both.Warnings)
	}
}

// A sheet of another size than was said, but of like proportions, shows in the
// belt's width.
func TestPlainSheetOfAnotherSizeShowsInTheWidth(t *testing.T) {
	t.Parallel()
	s := plain()
	s.Cards, s.Sheets = nil, []render.Sheet{{X: -100, Y: 380, Turn: 12, Width: 353, Height: 250}} // B4
	m := measured(t, result.Settings{Sheet: "a4", NominalMM: 800}, draw(t, s))
	if !warned(m, "width_differs") {
		t.Errorf("width %.0f ± %.0f, warnings %+v", m.Width.MeanMM, m.Width.MeanU95MM, m.Warnings)
	}
	if r := m.Width.MeanMM * 353 / 297; math.Abs(r-800) > 8 {
		t.Errorf("width %.0f mm is not the sheet's scale", m.Width.MeanMM)
	}
}

func TestPlainSheetRefused(t *testing.T) {
	t.Parallel()
	s := plain()
	s.Cards, s.Sheets = nil, []render.Sheet{{X: -100, Y: 380, Turn: 12, Width: 297, Height: 210}}
	in := draw(t, s)
	for name, c := range map[string]struct {
		s      result.Settings
		photos []Input
		want   string
	}{
		"no sheet said":    {result.Settings{}, []Input{in}, "no_card"},
		"two photos":       {result.Settings{Sheet: "a4"}, []Input{in, in}, "photos_not_connected"},
		"unknown":          {result.Settings{Sheet: "a3"}, []Input{in}, "usage: sheet"},
		"and markers":      {result.Settings{Sheet: "a4", Markers: "4X4_50:60"}, []Input{in}, "usage: sheet"},
		"with print scale": {result.Settings{Sheet: "a4", PrintScaleX: 1, PrintScaleY: 1}, []Input{in}, "usage: sheet"},
	} {
		if _, err := Run(context.Background(), c.photos, c.s, nil); refusal(t, err) != c.want {
			t.Errorf("%s: %v, want %s", name, err, c.want)
		}
	}
}
