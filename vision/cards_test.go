package vision

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"beltend/geometry"
	"beltend/vision/photo"
	"beltend/vision/render"
)

// shrink makes the scene's picture smaller by a factor, all else alike.
func shrink(s render.Scene, k float64) render.Scene {
	c := &s.Camera
	if c.CX != 0 || c.CY != 0 {
		c.CX, c.CY = (c.CX+0.5)*k-0.5, (c.CY+0.5)*k-0.5
	}
	c.Width, c.Height, c.F = int(math.Round(float64(c.Width)*k)), int(math.Round(float64(c.Height)*k)), c.F*k
	return s
}

// small is a plain scene of 3 MP, stored as it is seen.
func small() render.Scene {
	s := shrink(render.Default(), 0.5)
	s.Camera.Orientation = 1
	return s
}

func openPhoto(t *testing.T, data []byte) *Picture {
	t.Helper()
	info, err := photo.Inspect(data, photo.DefaultLimits())
	if err != nil {
		t.Fatal(err)
	}
	p, err := Open(data, info)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.Close)
	return p
}

func shoot(t *testing.T, s render.Scene) (*Picture, render.Truth) {
	t.Helper()
	data, err := s.JPEG()
	if err != nil {
		t.Fatal(err)
	}
	truth, err := s.Truth()
	if err != nil {
		t.Fatal(err)
	}
	return openPhoto(t, data), truth
}

// cornerErrors compares a card's corners, in the upright photo, with the
// truth's: RMS per coordinate, the largest, and the mean square of error over
// stated standard deviation. cards' saddles are in the board's order.
func cornerErrors(t *testing.T, p *Picture, c Card, b geometry.Board, truth []render.Pt) (rms, worst, z float64) {
	t.Helper()
	at := map[geometry.Vec2]render.Pt{}
	for i, q := range b.Saddles() {
		at[q] = truth[i]
	}
	for _, k := range c.Corners {
		q, ok := at[k.Board]
		if !ok {
			t.Fatalf("%s has no corner at %v", c.Name, k.Board)
		}
		d := p.UprightOf(k.UV).Sub(geometry.Vec2{X: q[0], Y: q[1]})
		rms += d.Dot(d) / 2
		worst = math.Max(worst, d.Norm())
		z += d.Dot(d) / (2 * k.Sigma * k.Sigma)
	}
	n := float64(len(c.Corners))
	return math.Sqrt(rms / n), worst, z / n
}

func TestCardsAreWhereTheyWereDrawn(t *testing.T) {
	for _, c := range []struct {
		name string
		make func(s *render.Scene)
	}{
		{"plain", func(*render.Scene) {}},
		{"from a steep angle", func(s *render.Scene) { s.Camera.Tilt, s.Camera.Azimuth = 38, 20 }},
		{"through a lens that bends", func(s *render.Scene) { s.Camera.K1, s.Camera.K2 = 0.06, -0.05 }},
		{"in low light", func(s *render.Scene) { s.Finish.Noise, s.Finish.Blur, s.Finish.Exposure = 4, 1.3, -1 }},
		{"printed small", func(s *render.Scene) { s.Cards[0].ScaleX, s.Cards[0].ScaleY = 0.96, 0.965 }},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := small()
			s.Seed = 11
			s.Cards = []render.Card{{Number: 3, X: -200, Y: 300, Turn: 12}, {Number: 14, X: 180, Y: 420, Turn: -100}}
			c.make(&s)
			p, truth := shoot(t, s)
			cards, err := FindCards(p, References{})
			if err != nil {
				t.Fatal(err)
			}
			if len(cards) != 2 || cards[0].Name != "card 3" || cards[1].Name != "card 14" {
				t.Fatalf("found %+v", cards)
			}
			for i, card := range cards {
				b, _ := geometry.Card(truth.Cards[i].Number)
				rms, worst, z := cornerErrors(t, p, card, b, truth.Cards[i].Saddles)
				t.Logf("%s: %d corners off by %.3f px RMS, %.3f at worst, mean square over stated %.2f", card.Name, len(card.Corners), rms, worst, z)
				if len(card.Corners) != len(b.Saddles()) {
					t.Errorf("%s: %d corners", card.Name, len(card.Corners))
				}
				if rms > 0.05 || worst > 0.2 {
					t.Errorf("%s: off by %.3f px RMS, %.3f at worst", card.Name, rms, worst)
				}
				if z > 1.5 {
					t.Errorf("%s: mean square of error over stated standard deviation is %.2f", card.Name, z)
				}
				if card.Size != (geometry.Vec2{X: 245, Y: 175}) {
					t.Errorf("%s: size %v", card.Name, card.Size)
				}
			}
		})
	}
}

func code(err error) string {
	var pe *photo.Error
	var ve *Refused
	switch {
	case errors.As(err, &pe):
		return pe.Code
	case errors.As(err, &ve):
		return ve.Code
	case err == nil:
		return ""
	}
	return "other error: " + err.Error()
}

func TestCardsThatCannotServeAreRefused(t *testing.T) {
	for _, c := range []struct {
		name string
		make func(s *render.Scene)
		refs References
		want string
	}{
		{"none", func(s *render.Scene) { s.Cards = nil }, References{}, "no_card"},
		{"the same twice", func(s *render.Scene) {
			s.Cards = []render.Card{{Number: 3, X: -200, Y: 300, Turn: 12}, {Number: 3, X: 180, Y: 420, Turn: -100}}
		}, References{}, "card_repeated"},
		{"another board", func(s *render.Scene) { s.Cards[0].Number, s.Cards[0].Board = 0, "7x5:35/26:6X6_250" }, References{}, "no_card"},
		{"loose markers looked for", func(*render.Scene) {}, References{Markers: &geometry.Loose{Dict: "4X4_50", Side: 60}}, "no_card"},
		{"the same marker twice", func(s *render.Scene) {
			s.Cards = []render.Card{{Marker: "4X4_50:60", ID: 7, X: -200, Y: 300}, {Marker: "4X4_50:60", ID: 7, X: 150, Y: 300, Turn: 30}}
		}, References{Markers: &geometry.Loose{Dict: "4X4_50", Side: 60}}, "card_repeated"},
		{"too far out of focus", func(s *render.Scene) { s.Finish.Blur = 9 }, References{}, "no_card"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := small()
			c.make(&s)
			p, _ := shoot(t, s)
			cards, err := FindCards(p, c.refs)
			if got := code(err); got != c.want {
				t.Errorf("got %q and %d cards, want %s", got, len(cards), c.want)
			}
			var pe *photo.Error
			if errors.As(err, &pe) && (pe.Message == "" || pe.Advice == "") {
				t.Errorf("no message or no advice: %+v", pe)
			}
		})
	}
}

func TestAnotherBoard(t *testing.T) {
	t.Parallel()
	const text = "9x6:20/15:5X5_100"
	s := small()
	s.Camera.Distance = 600 // its markers are small
	s.Cards = []render.Card{{Board: text, X: -100, Y: 300, Turn: 40}}
	p, truth := shoot(t, s)
	b, err := geometry.ParseBoard(text)
	if err != nil {
		t.Fatal(err)
	}
	cards, err := FindCards(p, References{Board: &b})
	if err != nil {
		t.Fatal(err)
	}
	if len(cards) != 1 || len(cards[0].Corners) != len(b.Saddles()) {
		t.Fatalf("found %d cards", len(cards))
	}
	if len(truth.Cards) != 1 || len(truth.Cards[0].Saddles) != len(b.Saddles()) {
		t.Fatalf("the truth has %d saddles, the board %d", len(truth.Cards[0].Saddles), len(b.Saddles()))
	}
	if rms, worst, _ := cornerErrors(t, p, cards[0], b, truth.Cards[0].Saddles); rms > 0.06 || worst > 0.25 {
		t.Errorf("off by %.3f px RMS, %.3f at worst", rms, worst)
	}
}

func TestLooseMarkers(t *testing.T) {
	t.Parallel()
	s := small()
	s.Cards = nil
	want := map[string][]geometry.Vec2{}
	l := geometry.Loose{Dict: "4X4_50", Side: 60}
	for i, k := range []render.Card{{ID: 3, X: -250, Y: 120, Turn: 10}, {ID: 7, X: 220, Y: 150, Turn: 95}, {ID: 20, X: -200, Y: 600, Turn: -50}, {ID: 49, X: 250, Y: 650, Turn: 180}} {
		k.Marker = "4X4_50:60"
		s.Cards = append(s.Cards, k)
		v := s.View()
		for _, c := range l.MarkerCorners() {
			c = c.Sub(geometry.Vec2{X: l.Side / 2, Y: l.Side / 2}).Rotate(k.Turn * math.Pi / 180).Add(geometry.Vec2{X: k.X, Y: k.Y})
			uv, ok := v.Project(c)
			if !ok {
				t.Fatalf("marker %d is behind the camera", i)
			}
			name := fmt.Sprintf("marker %d", k.ID)
			want[name] = append(want[name], uv)
		}
	}
	p, _ := shoot(t, s)
	cards, err := FindCards(p, References{Markers: &l})
	if err != nil {
		t.Fatal(err)
	}
	if len(cards) != 4 {
		t.Fatalf("found %d markers", len(cards))
	}
	for _, c := range cards {
		truth, ok := want[c.Name]
		if !ok || len(c.Corners) != 4 {
			t.Fatalf("found %q with %d corners", c.Name, len(c.Corners))
		}
		var sq float64
		for i, k := range c.Corners {
			if k.Board != l.MarkerCorners()[i] {
				t.Errorf("%s: corner %d is at %v of its board", c.Name, i, k.Board)
			}
			d := k.UV.Sub(truth[i])
			sq += d.Dot(d)
			if d.Norm() > 0.6 {
				t.Errorf("%s: corner %d off by %.2f, %.2f px", c.Name, i, d.X, d.Y)
			}
		}
		// what the corners state, 0.15 px each coordinate, with sampling error of eight
		if rms := math.Sqrt(sq / 8); rms > 0.25 {
			t.Errorf("%s: corners off by %.2f px RMS", c.Name, rms)
		}
		if !strings.HasPrefix(c.Name, "marker ") || c.Size != (geometry.Vec2{X: 60, Y: 60}) {
			t.Errorf("%s: size %v", c.Name, c.Size)
		}
	}
}

// A rag over a card leaves the corners that are seen, and none of the rag's.
func TestCoveredCard(t *testing.T) {
	t.Parallel()
	s := small()
	s.Cards = []render.Card{{Number: 1, X: -100, Y: 330, Turn: 12, Cover: 0.35}}
	p, truth := shoot(t, s)
	cards, err := FindCards(p, References{})
	if err != nil {
		t.Fatal(err)
	}
	b, _ := geometry.Card(1)
	rms, worst, _ := cornerErrors(t, p, cards[0], b, truth.Cards[0].Saddles)
	t.Logf("%d corners off by %.3f px RMS, %.3f at worst", len(cards[0].Corners), rms, worst)
	if n := len(cards[0].Corners); n < 8 || n > 20 {
		t.Errorf("%d corners of a card a third of which is covered", n)
	}
	if rms > 0.1 || worst > 0.5 {
		t.Errorf("off by %.3f px RMS, %.3f at worst", rms, worst)
	}
}

// nth is what sorting would put there, with equal values too.
func TestNthIsThatOfTheSorted(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for n := 1; n < 200; n++ {
		v := make([]float64, n)
		for i := range v {
			v[i] = float64(rng.IntN(1 + n/(1+n%3)))
		}
		sorted := slices.Sorted(slices.Values(v))
		for _, k := range []int{0, n / 3, n / 2, n - 1} {
			if got := nth(v, k); got != sorted[k] {
				t.Fatalf("place %d of %d: got %g, want %g", k, n, got, sorted[k])
			}
		}
	}
}

// Markers of 14 to 19 px, across the belt in a picture of 2 megapixels.
func TestCardsOfSmallPictures(t *testing.T) {
	for seed := int64(1); seed <= 3; seed++ {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			t.Parallel()
			p, _ := shoot(t, shrink(render.Clean(seed, 2), 0.4))
			cards, err := FindCards(p, References{})
			if err != nil || len(cards) != 2 {
				t.Fatalf("found %d of 2 cards: %v", len(cards), err)
			}
			for _, c := range cards {
				if len(c.Corners) < 22 {
					t.Errorf("%s: %d of 24 corners", c.Name, len(c.Corners))
				}
			}
		})
	}
}
