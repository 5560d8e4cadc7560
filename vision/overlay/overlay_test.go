package overlay

import (
	"errors"
	"image"
	"image/color"
	"math"
	"testing"

	"beltend/geometry"
)

func v2(x, y float64) geometry.Vec2 { return geometry.Vec2{X: x, Y: y} }

func grey(w, h int, at func(x, y int) uint8) *image.Gray {
	g := image.NewGray(image.Rect(0, 0, w, h))
	for y := 0; y < h; y++ {
		for x := 0; x < w; x++ {
			g.SetGray(x, y, color.Gray{Y: at(x, y)})
		}
	}
	return g
}

func flat(v uint8) func(int, int) uint8 { return func(int, int) uint8 { return v } }

// sample input: a belt that fills most of an upright photo of 3000 x 4000.
func belt() Input {
	l, r := v2(600, 3000), v2(2400, 3060)
	return Input{
		Size: image.Pt(3000, 4000),
		Left: []geometry.Vec2{l, v2(600, 200)}, Right: []geometry.Vec2{r, v2(2400, 200)}, Cut: []geometry.Vec2{l, r},
		Centreline: []geometry.Vec2{v2(1500, 3030), v2(1500, 200)}, Recut: []geometry.Vec2{v2(600, 3000), v2(2400, 3000)},
		LeftCorner: &l, RightCorner: &r, LeftText: "0.0 mm back", RightText: "21.0 mm back",
		Verdict: Recut, Headline: "Re-cut", Detail: "Offset -20.0 mm, 95 % within 0.8 mm", Note: "Lock out first.",
	}
}

func near(a color.Color, b color.NRGBA) bool {
	r, g, bl, _ := a.RGBA()
	d := math.Abs(float64(r>>8)-float64(b.R)) + math.Abs(float64(g>>8)-float64(b.G)) + math.Abs(float64(bl>>8)-float64(b.B))
	return d < 24
}

func luma(c color.Color) float64 {
	r, g, b, _ := c.RGBA()
	return (0.299*float64(r) + 0.587*float64(g) + 0.114*float64(b)) / 257
}

// The fonts are compiled in; the drawing code relies on their opening.
func TestFontsOpen(t *testing.T) {
	if _, err := fonts(); err != nil {
		t.Fatal(err)
	}
}

// Lines lie where they were found, whatever size of copy is drawn on, and can
// be told from black and from white by their core or their halo.
func TestPhotoLines(t *testing.T) {
	for _, size := range []image.Point{{3000, 4000}, {1500, 2000}, {600, 800}} {
		for _, tone := range []uint8{8, 250} {
			p := Photo(grey(size.X, size.Y, flat(tone)), belt())
			scale := math.Min(1, 1600/float64(size.Y)) * float64(size.X) / 3000
			y := int(1500 * scale)
			for _, c := range []struct {
				what string
				x    float64
				pen  pen
			}{{"left edge", 600, edgePen}, {"right edge", 2400, edgePen}} {
				x := int(math.Round((c.x+0.5)*scale - 0.5))
				if got := p.At(x, y); scale > 0.3 && !near(got, c.pen.c) {
					t.Errorf("%v on %d: %s is %v at x %d", size, tone, c.what, got, x)
				}
				most := 0.0
				for d := -6; d <= 6; d++ {
					most = math.Max(most, math.Abs(luma(p.At(x+d, y))-float64(tone)))
				}
				if most < 80 {
					t.Errorf("%v on %d: %s stands out by %.0f only", size, tone, c.what, most)
				}
			}
			// between the lines the photo is untouched
			if got := luma(p.At(int(1050*scale), y)); math.Abs(got-float64(tone)) > 2 {
				t.Errorf("%v: the photo changed from %d to %.0f", size, tone, got)
			}
		}
	}
}

// What was covered is not drawn over.
func TestCoveredEdgeStaysOpen(t *testing.T) {
	in := belt()
	in.Left = nil
	for y := 3000.0; y > 200; y -= 40 {
		if y > 1700 || y < 1200 {
			in.Left = append(in.Left, v2(600, y))
		}
	}
	p := Photo(grey(3000, 4000, flat(100)), in)
	for _, c := range []struct {
		y    int
		want bool
	}{{2000, true}, {1450, false}, {600, true}} {
		x, y := int(math.Round(600.5*0.4-0.5)), int(float64(c.y)*0.4)
		if got := near(p.At(x, y), edgePen.c); got != c.want {
			t.Errorf("edge drawn at y %d: %v", c.y, got)
		}
	}
}

// A line's middle is where it should be to a fraction of a pixel: pixel
// centres at integers in both pictures.
func TestPhotoPixelCentres(t *testing.T) {
	in := Input{Size: image.Pt(3200, 3200), Left: []geometry.Vec2{v2(1000.5, 3000), v2(1000.5, 100)}}
	p := Photo(grey(3200, 3200, flat(0)), in) // to 1600: (1000.5+0.5)/2-0.5 = 500
	var sum, w float64
	for x := 480; x <= 520; x++ {
		l := luma(p.At(x, 800))
		sum += l * float64(x)
		w += l
	}
	if !(w > 0 && math.Abs(sum/w-500) < 0.02) {
		t.Errorf("the line's middle is at %.3f", sum/w)
	}
}

func TestStrip(t *testing.T) {
	for _, v := range []Verdict{Square, Recut, Undecided, Refused} {
		in := belt()
		in.Verdict = v
		p := Photo(grey(900, 1200, flat(90)), in)
		h := p.Bounds().Dy()
		if p.Bounds().Dx() != 900 || h <= 1200 {
			t.Fatal(p.Bounds())
		}
		if !near(p.At(4, h-4), ink) { // a verdict has no colour of its own
			t.Errorf("verdict %d: the strip begins with %v", v, p.At(4, h-4))
		}
	}
	in := belt()
	in.Headline, in.Detail = "", ""
	if p := Photo(grey(900, 1200, flat(90)), in); p.Bounds().Dy() != 1200 {
		t.Error("a strip without words:", p.Bounds())
	}
}

// Nothing a measurement could hand over stops the drawing.
func TestPhotoOddInput(t *testing.T) {
	img := grey(400, 300, flat(128))
	nan := v2(math.NaN(), 3)
	far := v2(-1e5, 1e5)
	for k, in := range []Input{{}, {Size: image.Pt(-1, 0)}, {Cut: []geometry.Vec2{nan, nan, v2(1, 1)}},
		{Left: []geometry.Vec2{v2(9, 9)}, LeftCorner: &nan, RightCorner: &far, Recut: []geometry.Vec2{far, v2(9, 9)}, LeftText: "x"},
		{Left: []geometry.Vec2{v2(5, 5), v2(5, 5)}, Right: []geometry.Vec2{v2(5, 5), v2(5, 5)}, Cut: []geometry.Vec2{v2(5, 5), v2(5, 5)}, Headline: "h"},
		{Headline: "a headline far too long for any strip of this size, on and on and on", Detail: "and so on, and so on, and so on, and so on, and so on, and so on"}} {
		if p := Photo(img, in); p.Bounds().Dx() != 400 {
			t.Errorf("input %d gave %v", k, p.Bounds())
		}
	}
	if p := Photo(image.NewGray(image.Rectangle{}), belt()); p == nil {
		t.Error("no picture for no picture")
	}
}

// viewOver is a phone 1.2 m above the belt, tilted, over the belt frame.
func viewOver() geometry.View {
	// camera x along the belt's X, y down the belt, z down; then tilted
	r := geometry.Rodrigues(geometry.Vec3{X: 0.3}).Mul(geometry.Mat3{1, 0, 0, 0, -1, 0, 0, 0, -1})
	centre := geometry.Vec3{X: 30, Y: 150, Z: 1200}
	return geometry.NewView(geometry.Camera{F: 1100, CX: 749, CY: 1001, K1: 0.05, K2: -0.02}, geometry.PoseFrom(r, r.Apply(centre).Mul(-1)))
}

// A photo painted with a pattern of 100 mm fields on the plane must come out
// of the view from above as fields of 100 mm in their places.
func TestTopDownTrueScale(t *testing.T) {
	view := viewOver()
	dark := func(p geometry.Vec2) bool {
		return (int(math.Floor((p.X+25)/100))+int(math.Floor((p.Y+25)/100)))%2 == 0
	}
	img := grey(1500, 2000, func(x, y int) uint8 {
		p, ok := view.Unproject(v2(float64(x), float64(y)))
		if ok && dark(p) {
			return 40
		}
		return 215
	})
	px := func(p geometry.Vec2) geometry.Vec2 {
		q, ok := view.Project(p)
		if !ok {
			t.Fatal(p, "is not in front of the camera")
		}
		return q
	}
	in := Input{Size: image.Pt(1500, 2000),
		Left: []geometry.Vec2{px(v2(-400, 0)), px(v2(-400, 700))}, Right: []geometry.Vec2{px(v2(400, 0)), px(v2(400, 700))},
		Cut: []geometry.Vec2{px(v2(-400, 0)), px(v2(400, 0))}}
	p, err := TopDown(img, view, in)
	if err != nil {
		t.Fatal(err)
	}
	// the edges drawn 800 mm apart give the scale, the cut the origin
	row := 300
	var at []int
	for x := 0; x < p.Bounds().Dx(); x++ {
		if near(p.At(x, row), edgePen.c) && (len(at) == 0 || x > at[len(at)-1]+20) {
			at = append(at, x)
		}
	}
	cut := -1
	for y := 0; y < p.Bounds().Dy() && cut < 0; y++ {
		if near(p.At((3*at[0]+at[1])/4, y), cutPen.c) {
			cut = y
		}
	}
	if len(at) != 2 || cut < 0 {
		t.Fatal("edges at", at, "cut at", cut)
	}
	scale := float64(at[1]-at[0]) / 800
	wrong, seen := 0, 0
	for x := -395.0; x < 400; x += 10 {
		for y := 5.0; y < 690; y += 10 {
			q := v2(x, y)
			near := false
			for _, d := range []geometry.Vec2{v2(4, 0), v2(-4, 0), v2(0, 4), v2(0, -4)} {
				near = near || dark(q.Add(d)) != dark(q)
			}
			u, inView := view.Project(q)
			if near || !inView || u.X < 2 || u.Y < 2 || u.X > 1497 || u.Y > 1997 {
				continue
			}
			seen++
			l := luma(p.At(at[0]+1+int(math.Round((x+400)*scale)), cut+1-int(math.Round(y*scale))))
			if (l < 128) != dark(q) {
				wrong++
			}
		}
	}
	// letters cover a little of it
	if seen < 1500 || float64(wrong) > 0.02*float64(seen) {
		t.Errorf("%d of %d places show the wrong field", wrong, seen)
	}
}

func TestTopDownRefuses(t *testing.T) {
	view := viewOver()
	img := grey(1500, 2000, flat(99))
	sky := Input{Size: image.Pt(1500, 2000), Left: []geometry.Vec2{v2(0, -1e5), v2(2, -1e5), v2(9, -1e5)}}
	if _, err := TopDown(img, view, sky); !errors.Is(err, ErrNoPlane) {
		t.Error("above the horizon:", err)
	}
	if _, err := TopDown(img, view, Input{}); !errors.Is(err, ErrNoPlane) {
		t.Error("nothing found:", err)
	}
	if _, err := TopDown(image.NewGray(image.Rectangle{}), view, belt()); !errors.Is(err, ErrNoPlane) {
		t.Error("no picture:", err)
	}
}
