package vision

import (
	"math"
	"testing"

	"beltend/geometry"
	"beltend/vision/render"
)

func sheetRefs(t *testing.T, name string) References {
	t.Helper()
	s, err := geometry.ParseSheet(name)
	if err != nil {
		t.Fatal(err)
	}
	return References{Sheet: &s}
}

// a4 lies flat on the belt, exactly as large as its standard says.
var a4 = render.Sheet{X: -120, Y: 330, Turn: 17, Width: 297, Height: 210}

func withSheet(h ...render.Sheet) render.Scene {
	s := small()
	s.Cards, s.Sheets = nil, h
	return s
}

func TestPlainSheetIsFoundToSubPixel(t *testing.T) {
	t.Parallel()
	for name, set := range map[string]func(*render.Scene){
		"from above":     func(*render.Scene) {},
		"tilted":         func(s *render.Scene) { s.Camera.Tilt, s.Camera.Azimuth = 28, 35 },
		"through a lens": func(s *render.Scene) { s.Camera.K1 = 0.06 },
		"turned":         func(s *render.Scene) { s.Sheets[0].Turn = -77; s.Camera.Orientation = 1 },
		"mirrored":       func(s *render.Scene) { s.Camera.Orientation = 5 },
		"shaded":         func(s *render.Scene) { s.Light.Gradient, s.Light.Warm, s.Finish.Exposure = 0.4, 0.6, -0.8 },
		"half hidden side": func(s *render.Scene) {
			s.Clutter = []render.Clutter{{Kind: "tape", X: -120, Y: 225, Turn: 17, Length: 40, Width: 20}}
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := withSheet(a4)
			set(&s)
			p, truth := shoot(t, s)
			cards, err := FindCards(p, sheetRefs(t, "a4"))
			if err != nil {
				t.Fatal(err)
			}
			if len(cards) != 1 || len(cards[0].Corners) != 4 || !cards[0].Plain {
				t.Fatalf("found %+v", cards)
			}
			for _, c := range cards[0].Corners {
				// either way round: nothing tells the ends of a plain sheet apart
				near, uv := math.Inf(1), p.UprightOf(c.UV)
				for k, b := range []geometry.Vec2{{X: 0, Y: 0}, {X: 297, Y: 0}, {X: 297, Y: 210}, {X: 0, Y: 210}} {
					turned := geometry.Vec2{X: 297 - b.X, Y: 210 - b.Y}
					if b != c.Board && turned != c.Board {
						continue
					}
					q := truth.Sheets[0][k]
					near = math.Min(near, math.Hypot(uv.X-q[0], uv.Y-q[1]))
				}
				if near > 0.35 || !(c.Sigma > 0) {
					t.Errorf("corner %v is off by %.2f px (sigma %.2f)", c.Board, near, c.Sigma)
				}
			}
			if b := cards[0].Blur; !(b > 0.4 && b < 2) { // 0.8 px, the pixel and the fit of the strips
				t.Errorf("blur %.2f px", b)
			}
		})
	}
}

func TestNoPlainSheet(t *testing.T) {
	t.Parallel()
	letter := a4
	letter.Width, letter.Height = 279.4, 215.9
	bent := a4
	bent.Curl = 25
	other := a4
	other.X, other.Y, other.Turn = 150, 620, 60
	for _, c := range []struct {
		name  string
		sheet string
		scene render.Scene
		want  string
	}{
		{"none", "a4", withSheet(), "no_card"},
		{"two alike", "a4", withSheet(a4, other), "no_card"},
		{"Letter for A4", "a4", withSheet(letter), "no_card"},
		{"A4 for Letter", "letter", withSheet(a4), "no_card"},
		{"square", "a4", withSheet(render.Sheet{X: -120, Y: 330, Turn: 10, Width: 250, Height: 250}), "no_card"},
		{"curled", "a4", withSheet(bent), "not_flat"},
		{"over the picture's border", "a4", withSheet(render.Sheet{X: -120, Y: 1230, Turn: 10, Width: 297, Height: 210}), "no_card"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			p, _ := shoot(t, c.scene)
			if cards, err := FindCards(p, sheetRefs(t, c.sheet)); code(err) != c.want {
				t.Errorf("got %v and %d cards, want %s", err, len(cards), c.want)
			}
		})
	}
}

// Nothing is taken for a sheet unless it is asked for, and a card beside it is
// what counts.
func TestCardBeforePlainSheet(t *testing.T) {
	t.Parallel()
	s := withSheet(a4)
	p, _ := shoot(t, s)
	if _, err := FindCards(p, References{}); code(err) != "no_card" {
		t.Errorf("without --sheet: %v", err)
	}
	s.Cards = []render.Card{{Number: 4, X: 180, Y: 620, Turn: 95}}
	p, _ = shoot(t, s)
	cards, err := FindCards(p, sheetRefs(t, "a4"))
	if err != nil || len(cards) != 1 || cards[0].Plain || cards[0].Name != "card 4" {
		t.Errorf("%v, %+v", err, cards)
	}
}
