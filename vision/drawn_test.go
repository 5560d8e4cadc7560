package vision

import (
	"errors"
	"math"
	"slices"
	"testing"

	"beltend/geometry"
	"beltend/vision/photo"
	"beltend/vision/render"
)

// endOf opens a scene's photo and finds its end with its true view and cards.
func endOf(tb testing.TB, s render.Scene) (*Picture, *End, Sheets) {
	tb.Helper()
	data, err := s.JPEG()
	if err != nil {
		tb.Fatal(err)
	}
	info, err := photo.Inspect(data, photo.DefaultLimits())
	if err != nil {
		tb.Fatal(err)
	}
	p, err := Open(data, info)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(p.Close)
	var boards, sheets Sheets
	for _, c := range s.Cards {
		quad := func(g float64) (q [4]geometry.Vec2) {
			for k, a := range [4]geometry.Vec2{{X: -1, Y: -1}, {X: 1, Y: -1}, {X: 1, Y: 1}, {X: -1, Y: 1}} {
				q[k] = geometry.Vec2{X: a.X * (122.5 + g), Y: a.Y * (87.5 + g)}.Rotate(c.Turn * math.Pi / 180).Add(geometry.Vec2{X: c.X, Y: c.Y})
			}
			return q
		}
		boards, sheets = append(boards, quad(0)), append(sheets, quad(32))
	}
	v := s.View()
	e, err := FindEnd(p, &v, boards, sheets, Sharp{Blur: spread(s)}, nil)
	if err != nil {
		tb.Fatal(err)
	}
	return p, e, sheets
}

func spread(s render.Scene) float64 { return math.Hypot(s.Finish.Blur, 0.3) }

// lined is a belt of 700 mm with two cards and a line drawn across it, one of
// them over the line, in a picture of 3 MP.
func lined(look, ground string, l *render.Line) render.Scene {
	s := render.Default()
	c := &s.Camera
	c.Width, c.Height, c.F, c.Orientation = 1500, 2000, 1500, 1
	s.Seed = 5
	s.Belt.Width, s.Belt.Look, s.Ground.Kind = 700, look, ground
	s.Cut = render.Cut{Offset: -9, Ragged: 0.5, RaggedWave: 6, Fringe: 80}
	s.Cards = []render.Card{{Number: 1, X: -120, Y: 170, Turn: 93}, {Number: 2, X: 170, Y: 420, Turn: -85}}
	s.Line = l
	return s
}

func TestDrawnLineIsFoundWhereItWasDrawn(t *testing.T) {
	for _, c := range []struct {
		name, look, ground string
		line               render.Line
	}{
		{"chalk", "black_rubber", "concrete", render.Line{Kind: "chalk", Width: 4.5, Y: 60, Offset: 5, Inset: 6, Gaps: 2}},
		{"chalk under a card", "black_rubber", "concrete", render.Line{Kind: "chalk", Width: 3, Y: 150, Offset: -7, Wander: 0.4}},
		{"faint silver pen, bowed", "black_rubber", "tiles", render.Line{Kind: "pen", Colour: "silver", Width: 1.5, Y: 70, Bow: 2, Faint: 0.4}},
		{"yellow pen under dust", "green_pu", "concrete", render.Line{Kind: "pen", Colour: "yellow", Width: 2.5, Y: 85, Offset: 20, Dust: 0.4}},
		{"black pen", "white_food", "mat", render.Line{Kind: "pen", Colour: "black", Width: 1, Y: 90, Offset: -4}},
		{"scribed", "brown_pvc", "concrete", render.Line{Kind: "scribe", Width: 1, Y: 50, Offset: 8, Gaps: 3}},
		{"leaning by 8 degrees", "blue_food", "concrete", render.Line{Kind: "pen", Colour: "white", Width: 3, Y: 110, Offset: 98}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := lined(c.look, c.ground, &c.line)
			truth, err := s.Truth()
			if err != nil {
				t.Fatal(err)
			}
			p, e, sheets := endOf(t, s)
			v := s.View()
			for _, asked := range []bool{true, false} {
				d, err := FindDrawn(p, &v, e, sheets, spread(s), Searching{Asked: asked})
				if err != nil {
					t.Fatal(err)
				}
				if d == nil {
					if asked || c.line.Faint == 0 {
						t.Errorf("asked %v: not found", asked)
					}
					continue
				}
				var sum, sq, n float64
				for _, q := range d.Points {
					if x, ok := off(q.UV, truth.MarkedLine.Points); ok {
						sum, sq, n = sum+x, sq+x*x, n+1
					}
				}
				mean, rms := sum/n, math.Sqrt(sq/n)
				t.Logf("asked %v: %.0f points, support %.2f, %.2f mm a px, off by %.3f px on average, RMS %.3f; %.1f mm wide", asked, n, d.Support, d.PxMM, mean, rms, d.WidthMM)
				if math.Abs(mean) > 0.15 || rms > 0.6 {
					t.Errorf("the points are %.3f px off on average, RMS %.3f", mean, rms)
				}
				if w := c.line.Width; math.Abs(d.WidthMM-w) > 0.35*w+0.6*d.PxMM {
					t.Errorf("%.2f mm wide, drawn %.1f", d.WidthMM, w)
				}
				if !slices.IsSortedFunc(d.Points, func(a, b EdgePoint) int { return int(math.Copysign(1, a.T-b.T)) }) {
					t.Error("the points do not run from left to right")
				}
			}
			if _, is := CutIsDrawn(p, &v, e, sheets, spread(s)); is {
				t.Error("the cut is taken for a drawn line")
			}
		})
	}
}

// noLines are what people, tools and light leave on a belt besides lines.
func noLines() map[string]render.Scene {
	out := map[string]render.Scene{}
	add := func(name string, change func(s *render.Scene)) {
		s := lined("black_rubber", "concrete", nil)
		change(&s)
		out[name] = s
	}
	add("bare", func(*render.Scene) {})
	add("clamp bar", func(s *render.Scene) {
		s.Clutter = []render.Clutter{{Kind: "bar", Y: 620, Turn: 2, Width: 50, Height: 25}}
	})
	add("rule by the cut", func(s *render.Scene) {
		s.Cards[0].Y = 210
		s.Clutter = []render.Clutter{{Kind: "rule", Y: 45, Turn: 1, Length: 500, Width: 30}}
	})
	add("tape across", func(s *render.Scene) {
		s.Clutter = []render.Clutter{{Kind: "tape", Y: 580, Turn: 1, Length: 640}}
	})
	add("bar's shadow", func(s *render.Scene) {
		s.Light.Shadows = []render.Shadow{{Kind: "bar", Y: 320, Turn: 3, Width: 60, Soft: 2, Depth: 0.6}}
	})
	add("scratches", func(s *render.Scene) { s.Belt.Scratches, s.Belt.Specks, s.Belt.Dust = 120, 150, 1 })
	add("rough top", func(s *render.Scene) { s.Belt.Look = "rough_top" })
	return out
}

func TestOtherThingsAreNoDrawnLine(t *testing.T) {
	for name, s := range noLines() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			p, e, sheets := endOf(t, s)
			v := s.View()
			if d, err := FindDrawn(p, &v, e, sheets, spread(s), Searching{}); d != nil || err != nil {
				t.Errorf("found %v, error %v", d != nil, err)
			}
			d, err := FindDrawn(p, &v, e, sheets, spread(s), Searching{Asked: true})
			var r *Refused
			if !errors.As(err, &r) || r.Code != "line_unclear" || r.Reason == "" {
				t.Errorf("asked for: found %v, error %v", d != nil, err)
			}
			if _, is := CutIsDrawn(p, &v, e, sheets, spread(s)); is {
				t.Error("the cut is taken for a drawn line")
			}
		})
	}
}

// stroke paints a white line into the picture.
func stroke(p *Picture, v *geometry.View, from, to geometry.Vec2, width float64) {
	n := int(to.Sub(from).Norm() / 0.15)
	across := to.Sub(from).Unit().Perp()
	for i := range n {
		for d := -width / 2; d <= width/2; d += 0.15 {
			if uv, ok := v.Project(from.Add(to.Sub(from).Mul(float64(i) / float64(n))).Add(across.Mul(d))); ok {
				p.Grey[int(math.Round(uv.Y))*p.W+int(math.Round(uv.X))] = 190
			}
		}
	}
}

func TestOfTwoLinesNeitherIsGuessed(t *testing.T) {
	s := lined("black_rubber", "concrete", &render.Line{Kind: "pen", Colour: "white", Width: 2.5, Y: 50})
	p, e, sheets := endOf(t, s)
	v := s.View()
	stroke(p, &v, geometry.Vec2{X: -340, Y: 608}, geometry.Vec2{X: 340, Y: 613}, 2.5)
	if d, err := FindDrawn(p, &v, e, sheets, spread(s), Searching{}); d != nil || err != nil {
		t.Errorf("unasked: found one at %v, error %v", d.Left, err)
	}
	d, err := FindDrawn(p, &v, e, sheets, spread(s), Searching{Asked: true})
	var r *Refused
	if !errors.As(err, &r) || r.Code != "line_unclear" || len(r.Best) != 1 || len(r.Rival) != 1 {
		t.Fatalf("found %v, error %v", d != nil, err)
	}
	// a person settles it
	for _, y := range []float64{50, 610} {
		a, _ := v.Project(geometry.Vec2{X: -200, Y: y + 3})
		b, _ := v.Project(geometry.Vec2{X: 250, Y: y - 2})
		d, err := FindDrawn(p, &v, e, sheets, spread(s), Searching{Asked: true, Near: []geometry.Vec2{a, b}})
		if err != nil {
			t.Fatal(err)
		}
		if mid := d.Left.Add(d.Right).Mul(0.5).Y; math.Abs(mid-y) > 1.5 || !d.ByHand {
			t.Errorf("set at %.0f mm, found at %.1f", y, mid)
		}
	}
	a, _ := v.Project(geometry.Vec2{X: -200, Y: 180})
	b, _ := v.Project(geometry.Vec2{X: 250, Y: 180})
	d, err = FindDrawn(p, &v, e, sheets, spread(s), Searching{Asked: true, Near: []geometry.Vec2{a, b}})
	if !errors.As(err, &r) || r.Code != "line_unclear" {
		t.Errorf("set by hand where no line is: found %v, error %v", d != nil, err)
	}
}

// A search that took the line for the cut is caught.
func TestLineTakenForTheCutIsNamed(t *testing.T) {
	for _, y := range []float64{22, 50, 160} {
		s := lined("black_rubber", "concrete", &render.Line{Kind: "pen", Colour: "silver", Width: 2, Y: y, Offset: 4, Faint: 0.3})
		s.Cards[0].Y = 400
		p, e, sheets := endOf(t, s)
		v := s.View()
		d, is := CutIsDrawn(p, &v, e, sheets, spread(s))
		if !is { // the search was right: make it wrong
			var err error
			if d, err = FindDrawn(p, &v, e, sheets, spread(s), Searching{Asked: true}); err != nil {
				t.Fatal(err)
			}
			wrong := *e
			wrong.Cut, wrong.LeftCorner, wrong.RightCorner = d.Trace, d.Left, d.Right
			if d, is = CutIsDrawn(p, &v, &wrong, sheets, spread(s)); !is {
				t.Fatalf("a line %.0f mm up the belt passes as the cut", y)
			}
		}
		for _, q := range []struct{ got, want geometry.Vec2 }{{d.Left, geometry.Vec2{X: -350, Y: y - 2}}, {d.Right, geometry.Vec2{X: 350, Y: y + 2}}} {
			if q.got.Sub(q.want).Norm() > 1.5 {
				t.Errorf("an end of the line is at %.1f, drawn at %.1f", q.got, q.want)
			}
		}
	}
}

// BenchmarkNoDrawnLine is what looking for a line costs where there is none.
func BenchmarkNoDrawnLine(b *testing.B) {
	s := render.Clean(3, 2)
	s.Camera.Orientation = 1
	p, e, sheets := endOf(b, s)
	v := s.View()
	for b.Loop() {
		if _, is := CutIsDrawn(p, &v, e, sheets, spread(s)); is {
			b.Fatal("the cut is no line")
		}
		if d, err := FindDrawn(p, &v, e, sheets, spread(s), Searching{}); d != nil || err != nil {
			b.Fatal(d, err)
		}
	}
}
