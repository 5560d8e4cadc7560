package aruco

import (
	"image"
	"image/draw"
	"math"
	"strings"
	"sync"
	"testing"

	"beltend/geometry"
)

// place puts pictures on a white sheet at the given points.
func place(width, height int, at map[image.Point]*image.Gray) *image.Gray {
	sheet := image.NewGray(image.Rect(0, 0, width, height))
	draw.Draw(sheet, sheet.Rect, image.White, image.Point{}, draw.Src)
	for p, img := range at {
		draw.Draw(sheet, img.Rect.Add(p), img, image.Point{}, draw.Src)
	}
	return sheet
}

func mustDraw(t *testing.T, dict string, id, side int) *image.Gray {
	t.Helper()
	img, err := DrawMarker(dict, id, side)
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// near reports whether corners lie within tol pixels of a square of the given
// side whose top left pixel is p, in OpenCV's order.
func near(c [4]geometry.Vec2, p image.Point, side int, tol float64) bool {
	x0, y0 := float64(p.X)-0.5, float64(p.Y)-0.5
	x1, y1 := x0+float64(side), y0+float64(side)
	want := [4]geometry.Vec2{{X: x0, Y: y0}, {X: x1, Y: y0}, {X: x1, Y: y1}, {X: x0, Y: y1}}
	for k := range c {
		if c[k].Sub(want[k]).Norm() > tol {
			return false
		}
	}
	return true
}

// cornerTol is what the doc comment of Marker promises, on both axes.
const cornerTol = 2 * math.Sqrt2

func TestDetectFindsEveryDictionary(t *testing.T) {
	if len(geometry.Dictionaries()) < 21 {
		t.Fatalf("only %d dictionaries", len(geometry.Dictionaries()))
	}
	for _, dict := range geometry.Dictionaries() {
		t.Run(dict, func(t *testing.T) {
			last := geometry.DictionarySize(dict) - 1
			if _, err := DrawMarker(dict, last+1, 100); err == nil {
				t.Errorf("id %d drawn: the dictionary is larger than geometry says", last+1)
			}
			p, q := image.Pt(40, 60), image.Pt(250, 40)
			sheet := place(400, 240, map[image.Point]*image.Gray{
				p: mustDraw(t, dict, 0, 120), q: mustDraw(t, dict, last, 120),
			})
			got, err := Detect(sheet.Pix, 400, 240, dict, Options{})
			if err != nil {
				t.Fatal(err)
			}
			if len(got) != 2 || got[0].ID != 0 || got[1].ID != last {
				t.Fatalf("found %v, want ids 0 and %d", got, last)
			}
			if !near(got[0].Corners, p, 120, cornerTol) || !near(got[1].Corners, q, 120, cornerTol) {
				t.Errorf("corners %v, want squares of 120 at %v and %v", got, p, q)
			}
		})
	}
}

func TestDetectReturnsBothOfTwins(t *testing.T) {
	m := mustDraw(t, "5X5_250", 17, 100)
	p, q := image.Pt(30, 20), image.Pt(200, 150)
	sheet := place(340, 280, map[image.Point]*image.Gray{p: m, q: m})
	got, err := Detect(sheet.Pix, 340, 280, "5X5_250", Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != 2 || got[0].ID != 17 || got[1].ID != 17 {
		t.Fatalf("found %v, want id 17 twice", got)
	}
	if !near(got[0].Corners, p, 100, cornerTol) || !near(got[1].Corners, q, 100, cornerTol) {
		t.Errorf("corners %v, want squares at %v and %v in this order", got, p, q)
	}
}

// A marker turned on the table keeps its own corner first.
func TestDetectCornersFollowThePrint(t *testing.T) {
	m := mustDraw(t, "6X6_250", 5, 120)
	turned := image.NewGray(m.Rect) // a quarter turn clockwise
	for y := range 120 {
		for x := range 120 {
			turned.SetGray(119-y, x, m.GrayAt(x, y))
		}
	}
	sheet := place(200, 200, map[image.Point]*image.Gray{image.Pt(40, 40): turned})
	got, err := Detect(sheet.Pix, 200, 200, "6X6_250", Options{})
	if err != nil || len(got) != 1 {
		t.Fatalf("found %v, %v", got, err)
	}
	c := got[0].Corners
	if !near([4]geometry.Vec2{c[3], c[0], c[1], c[2]}, image.Pt(40, 40), 120, cornerTol) {
		t.Errorf("corners %v: the first is not the print's top left, now at the top right", c)
	}
}

func TestDetectReadsRowsByStride(t *testing.T) {
	sheet := place(300, 200, map[image.Point]*image.Gray{image.Pt(60, 50): mustDraw(t, "4X4_50", 7, 100)})
	want, err := Detect(sheet.Pix, 300, 200, "4X4_50", Options{})
	if err != nil || len(want) != 1 {
		t.Fatalf("found %v, %v", want, err)
	}
	// The same pixels inside a wider black image, with the shortest slice that holds them.
	wide := image.NewGray(image.Rect(0, 0, 411, 220))
	draw.Draw(wide, image.Rect(10, 5, 310, 205), sheet, image.Point{}, draw.Src)
	first := wide.PixOffset(10, 5)
	got, err := Detect(wide.Pix[first:first+199*wide.Stride+300], 300, 200, "4X4_50", Options{Stride: wide.Stride})
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != 1 || got[0] != want[0] {
		t.Errorf("found %v, want %v", got, want)
	}
}

func TestDetectOptionsReachTheDetector(t *testing.T) {
	sheet := place(400, 300, map[image.Point]*image.Gray{
		image.Pt(20, 20): mustDraw(t, "5X5_250", 1, 150), image.Pt(250, 100): mustDraw(t, "5X5_250", 2, 50),
	})
	for _, c := range []struct {
		rate float64
		want int
	}{{0, 2}, {0.6, 1}, {2, 0}} { // perimeters 600 and 200 px of 400
		got, err := Detect(sheet.Pix, 400, 300, "5X5_250", Options{MinPerimeterRate: c.rate})
		if err != nil || len(got) != c.want {
			t.Errorf("rate %g: found %v, %v, want %d markers", c.rate, got, err, c.want)
		}
	}

	// Grey steps that rise softly over ten pixels: a window of 3 px sees no edge.
	soft := place(260, 260, map[image.Point]*image.Gray{image.Pt(50, 50): mustDraw(t, "5X5_250", 9, 160)})
	for range 3 {
		soft = boxBlur(soft, 5)
	}
	narrow, err := Detect(soft.Pix, 260, 260, "5X5_250", Options{WindowMin: 3, WindowMax: 3, WindowStep: 1})
	if err != nil || len(narrow) != 0 {
		t.Errorf("window 3: found %v, %v, want none", narrow, err)
	}
	wide, err := Detect(soft.Pix, 260, 260, "5X5_250", Options{WindowMin: 41, WindowMax: 41, WindowStep: 1})
	if err != nil || len(wide) != 1 || wide[0].ID != 9 {
		t.Errorf("window 41: found %v, %v, want id 9", wide, err)
	}
}

// boxBlur averages over (2r+1) x (2r+1) pixels, repeating the border.
func boxBlur(src *image.Gray, r int) *image.Gray {
	w, h := src.Rect.Dx(), src.Rect.Dy()
	dst := image.NewGray(src.Rect)
	for y := range h {
		for x := range w {
			sum := 0
			for j := y - r; j <= y+r; j++ {
				for i := x - r; i <= x+r; i++ {
					sum += int(src.Pix[min(max(j, 0), h-1)*w+min(max(i, 0), w-1)])
				}
			}
			dst.Pix[y*w+x] = uint8(sum / ((2*r + 1) * (2*r + 1)))
		}
	}
	return dst
}

func TestDetectFindsNothingInNothing(t *testing.T) {
	for _, size := range [][2]int{{1, 1}, {1, 300}, {300, 1}, {2, 2}, {320, 240}} {
		for _, level := range []byte{0, 128, 255} {
			pix := make([]byte, size[0]*size[1])
			for i := range pix {
				pix[i] = level
			}
			got, err := Detect(pix, size[0], size[1], "5X5_250", Options{})
			if err != nil || len(got) != 0 {
				t.Errorf("%v at level %d: found %v, %v", size, level, got, err)
			}
		}
	}
}

func TestDetectRefusesBadInput(t *testing.T) {
	pix := make([]byte, 100*80)
	for _, c := range []struct {
		name          string
		pix           []byte
		width, height int
		dict          string
		options       Options
		say           string
	}{
		{"unknown dictionary", pix, 100, 80, "5X5_251", Options{}, `unknown marker dictionary "5X5_251": known are 4X4_50`},
		{"no dictionary", pix, 100, 80, "", Options{}, "APRILTAG_36h11"},
		{"no width", pix, 0, 80, "4X4_50", Options{}, "0 x 80"},
		{"negative height", pix, 100, -1, "4X4_50", Options{}, "100 x -1"},
		{"huge", pix, 100, 1 << 20, "4X4_50", Options{}, "1048576"},
		{"nil", nil, 100, 80, "4X4_50", Options{}, "0 bytes"},
		{"one byte short", pix[1:], 100, 80, "4X4_50", Options{}, "7999 bytes"},
		{"stride below width", pix, 100, 80, "4X4_50", Options{Stride: 99}, "stride 99"},
		{"negative stride", pix, 100, 80, "4X4_50", Options{Stride: -100}, "stride -100"},
		{"stride beyond the bytes", pix, 100, 80, "4X4_50", Options{Stride: 101}, "stride of 101"},
		{"stride that overflows", pix, 100, 80, "4X4_50", Options{Stride: math.MaxInt / 2}, "stride"},
		{"window too small", pix, 100, 80, "4X4_50", Options{WindowMin: 2}, "windows 2"},
		{"windows reversed", pix, 100, 80, "4X4_50", Options{WindowMin: 9, WindowMax: 5}, "windows 9 to 5"},
		{"step below zero", pix, 100, 80, "4X4_50", Options{WindowStep: -1}, "by -1"},
		{"rate below zero", pix, 100, 80, "4X4_50", Options{MinPerimeterRate: -0.1}, "rate -0.1"},
		{"rate not a number", pix, 100, 80, "4X4_50", Options{MinPerimeterRate: math.NaN()}, "rate NaN"},
	} {
		got, err := Detect(c.pix, c.width, c.height, c.dict, c.options)
		if err == nil || !strings.Contains(err.Error(), c.say) {
			t.Errorf("%s: got %v, error %v, want one with %q", c.name, got, err, c.say)
		}
	}
}

func TestExceptionsOfOpenCVBecomeErrors(t *testing.T) {
	if _, err := DrawMarker("4X4_50", 50, 100); err == nil { // an assertion inside OpenCV
		t.Error("a marker that does not exist was drawn")
	}
	if _, err := DrawMarker("4X4_50", 3, 2); err == nil {
		t.Error("a marker of 6 x 6 cells was drawn on 2 x 2 pixels")
	}
}

func TestDrawBoardRefusesWhatItCannotDraw(t *testing.T) {
	legacy, err := geometry.ParseBoard("7x6:30/20:5X5_250:legacy")
	if err != nil {
		t.Fatal(err)
	}
	card, _ := geometry.Card(1)
	for name, f := range map[string]func() error{
		"legacy":   func() error { _, err := DrawBoard(legacy, 50, 10); return err },
		"margin":   func() error { _, err := DrawBoard(card, 50, -1); return err },
		"square":   func() error { _, err := DrawBoard(card, 0, 10); return err },
		"size":     func() error { _, err := DrawBoard(card, 1<<20, 10); return err },
		"no board": func() error { _, err := DrawBoard(geometry.Board{}, 50, 10); return err },
	} {
		if f() == nil {
			t.Errorf("%s: drawn", name)
		}
	}
}

// A second run, and runs side by side, give the same markers in the same order.
func TestDetectIsTheSameEveryTime(t *testing.T) {
	card, err := geometry.Card(3)
	if err != nil {
		t.Fatal(err)
	}
	img, err := DrawBoard(card, 70, 70)
	if err != nil {
		t.Fatal(err)
	}
	want, err := Detect(img.Pix, img.Rect.Dx(), img.Rect.Dy(), card.Dict, Options{})
	if err != nil || len(want) != card.MarkerCount() {
		t.Fatalf("found %d of %d markers: %v", len(want), card.MarkerCount(), err)
	}
	var wg sync.WaitGroup
	for range 4 {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for range 3 {
				got, err := Detect(img.Pix, img.Rect.Dx(), img.Rect.Dy(), card.Dict, Options{})
				if err != nil || len(got) != len(want) {
					t.Errorf("found %d markers: %v", len(got), err)
					return
				}
				for i := range got {
					if got[i] != want[i] {
						t.Errorf("marker %d is %v, was %v", i, got[i], want[i])
					}
				}
			}
		}()
	}
	wg.Wait()
}
