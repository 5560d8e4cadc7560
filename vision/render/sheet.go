package render

import (
	"fmt"
	"math"

	"beltend/geometry"
)

// Sheet is a plain sheet of paper.
type Sheet struct {
	Paper  string  `json:"paper,omitempty"` // what it is sold as: a4 (default) or letter
	X      float64 `json:"x_mm"`
	Y      float64 `json:"y_mm"`
	Turn   float64 `json:"turn_deg"`
	Width  float64 `json:"width_mm"` // true size
	Height float64 `json:"height_mm"`
	Curl   float64 `json:"curl_mm,omitempty"` // how far its ends rise
}

// card is the sheet as a card without print.
func (h *Sheet) card() Card { return Card{X: h.X, Y: h.Y, Turn: h.Turn, Curl: h.Curl} }

// corners are the sheet's corners in the photo.
func (h *Sheet) corners(s *Scene, v *geometry.View) []Pt {
	k := h.card()
	out := make([]Pt, 0, 4)
	for _, q := range rectangle(0, 0, 0, h.Width, h.Height) {
		out = append(out, imagePt(v, k.point(s, q.X, q.Y, h.Width/2)))
	}
	return out
}

// PlainSheet is an ordinary photo with a plain sheet for its only reference: A4
// for even seeds, Letter for odd ones. Each side is anywhere within the 2 mm that
// paper may be off (ISO 216).
func PlainSheet(seed int64) Scene {
	m := newMaker(seed, 600)
	s := m.s
	s.Class, s.Name = "plain sheet", fmt.Sprintf("sheet-%d", seed)
	length := math.Max(m.belt(), 600)
	s.Belt.Width = math.Max(s.Belt.Width, 420)
	m.phone()
	m.stand(m.in(2, 25), m.in(-20, 20), m.in(-8, 8), length)
	m.cards(1, length)
	h := Sheet{Paper: "a4", X: s.Cards[0].X, Y: s.Cards[0].Y, Turn: s.Cards[0].Turn, Width: 297, Height: 210}
	if seed%2 != 0 {
		h.Paper, h.Width, h.Height = "letter", 279.4, 215.9
	}
	h.Width += m.in(-2, 2)
	h.Height += m.in(-2, 2)
	s.Cards, s.Sheets = nil, []Sheet{h}
	s.What = "a plain " + h.Paper + " sheet on " + s.Belt.Look
	return *s
}
