package pattern

import (
	"image"
	"math"
	"strings"
	"testing"

	"beltend/geometry"
	"beltend/vision/aruco"
)

// paint colours every pixel whose centre lies inside a rectangle; scale is in
// pixels per millimetre, height the board's, margin in pixels.
func paint(black []Rect, width, height, scale float64, margin int) *image.Gray {
	w := int(math.Round(width*scale)) + 2*margin
	h := int(math.Round(height*scale)) + 2*margin
	img := image.NewGray(image.Rect(0, 0, w, h))
	for i := range img.Pix {
		img.Pix[i] = 255
	}
	first := func(mm float64) int { return int(math.Ceil(mm*scale + float64(margin) - 0.5 - 1e-9)) }
	for _, r := range black {
		for y := first(height - r.Y1); y < first(height-r.Y0); y++ {
			for x := first(r.X0); x < first(r.X1); x++ {
				img.Pix[y*img.Stride+x] = 0
			}
		}
	}
	return img
}

// differing counts pixels of different colour, all of them and those farther
// than one pixel from every edge in want.
func differing(t *testing.T, got, want *image.Gray) (all, inside int) {
	t.Helper()
	if got.Rect != want.Rect {
		t.Fatalf("size %v, want %v", got.Rect, want.Rect)
	}
	w, h := want.Rect.Dx(), want.Rect.Dy()
	for y := range h {
		for x := range w {
			v := want.Pix[y*w+x]
			if v != 0 && v != 255 {
				t.Fatalf("grey level %d in the reference", v)
			}
			if got.Pix[y*w+x] == v {
				continue
			}
			all++
			edge := false
			for j := max(y-1, 0); j <= min(y+1, h-1); j++ {
				for i := max(x-1, 0); i <= min(x+1, w-1); i++ {
					edge = edge || want.Pix[j*w+i] != v
				}
			}
			if !edge {
				inside++
			}
		}
	}
	return all, inside
}

// Reference: cv::aruco's own drawing of each marker, one pixel to a cell.
func TestMarkerOpenCV(t *testing.T) {
	compared := 0
	for _, dict := range geometry.Dictionaries() {
		for id := range geometry.DictionarySize(dict) {
			code, err := Marker(dict, id)
			if err != nil {
				t.Fatal(err)
			}
			want, err := aruco.DrawMarker(dict, id, code.Size+2)
			if err != nil {
				t.Fatal(err)
			}
			side := float64(code.Size + 2)
			black, err := Loose(geometry.Loose{Dict: dict, Side: side}, id)
			if err != nil {
				t.Fatal(err)
			}
			if all, _ := differing(t, paint(black, side, side, 1, 0), want); all != 0 {
				t.Fatalf("marker %d of %s differs in %d cells", id, dict, all)
			}
			compared++
		}
	}
	if compared != 9596 { // the ids that OpenCV documents, added up
		t.Errorf("compared %d markers, want 9596", compared)
	}
}

func TestMarkerRefusesWhatIsNotThere(t *testing.T) {
	for _, c := range []struct {
		dict string
		id   int
		say  string
	}{{"5X5_250", 250, "0 to 249"}, {"5X5_250", -1, "no marker -1"}, {"5X5_51", 0, "known are 4X4_50"}} {
		if _, err := Marker(c.dict, c.id); err == nil || !strings.Contains(err.Error(), c.say) {
			t.Errorf("%s %d: error %v, want one with %q", c.dict, c.id, err, c.say)
		}
	}
}

// Reference: cv::aruco::CharucoBoard's own drawing. At 14 px/mm every edge of a
// card lies between two pixels: square 490, marker 364, cell 52, gap 63.
func TestCardsOpenCV(t *testing.T) {
	for n := 1; n <= geometry.CardCount; n++ {
		card, err := geometry.Card(n)
		if err != nil {
			t.Fatal(err)
		}
		want, err := aruco.DrawBoard(card, 490, 35)
		if err != nil {
			t.Fatal(err)
		}
		black, err := Board(card)
		if err != nil {
			t.Fatal(err)
		}
		if all, _ := differing(t, paint(black, card.Width(), card.Height(), 14, 35), want); all != 0 {
			t.Errorf("card %d differs from OpenCV's drawing in %d pixels", n, all)
		}
	}
}

// OpenCV rounds a drawing's edges to whole pixels where they do not fit.
func TestBoardsOpenCV(t *testing.T) {
	for _, spec := range []string{
		"7x5:25.7/12.9:6X6_250", "6x4:30/22:4X4_50:10", "5x6:20/15:7X7_1000:900", "8x7:31/20:APRILTAG_36h11", "3x3:40/30:ARUCO_ORIGINAL:1000",
	} {
		b, err := geometry.ParseBoard(spec)
		if err != nil {
			t.Fatal(err)
		}
		want, err := aruco.DrawBoard(b, 160, 20)
		if err != nil {
			t.Fatal(err)
		}
		black, err := Board(b)
		if err != nil {
			t.Fatal(err)
		}
		if _, inside := differing(t, paint(black, b.Width(), b.Height(), 160/b.Square, 20), want); inside != 0 {
			t.Errorf("%s differs from OpenCV's drawing in %d pixels away from edges", spec, inside)
		}
	}
}

// An even number of rows in the layout of OpenCV before 4.6 looks like the
// present layout with one more row on top that is cut off.
func TestLegacyBoardsOpenCV(t *testing.T) {
	const px, margin = 160, 20
	for _, c := range []struct {
		legacy, taller string
	}{
		{"7x6:32/24:5X5_250:23:legacy", "7x7:32/24:5X5_250:20"}, // three markers in the row cut off
		{"6x4:32/24:6X6_250:8:legacy", "6x5:32/24:6X6_250:5"},
	} {
		b, err := geometry.ParseBoard(c.legacy)
		if err != nil {
			t.Fatal(err)
		}
		taller, err := geometry.ParseBoard(c.taller)
		if err != nil {
			t.Fatal(err)
		}
		drawn, err := aruco.DrawBoard(taller, px, margin)
		if err != nil {
			t.Fatal(err)
		}
		black, err := Board(b)
		if err != nil {
			t.Fatal(err)
		}
		got := paint(black, b.Width(), b.Height(), px/b.Square, 0)
		want := image.NewGray(got.Rect)
		for y := range want.Rect.Dy() {
			from := drawn.PixOffset(margin, margin+px+y)
			copy(want.Pix[y*want.Stride:(y+1)*want.Stride], drawn.Pix[from:from+want.Stride])
		}
		if _, inside := differing(t, got, want); inside != 0 {
			t.Errorf("%s differs from OpenCV's drawing in %d pixels away from edges", c.legacy, inside)
		}
	}
}

// Law: black covers what it must, once. The area of touching rectangles that
// do not overlap is the number of black cells.
func TestBlackDoesNotOverlap(t *testing.T) {
	for _, spec := range []string{"7x5:35/26:5X5_250:17", "6x4:32/24:6X6_250:8:legacy"} {
		b, err := geometry.ParseBoard(spec)
		if err != nil {
			t.Fatal(err)
		}
		black, err := Board(b)
		if err != nil {
			t.Fatal(err)
		}
		for i, r := range black {
			if !(r.X0 < r.X1 && r.Y0 < r.Y1) || r.X0 < 0 || r.Y0 < 0 || r.X1 > b.Width() || r.Y1 > b.Height() {
				t.Fatalf("%s: rectangle %v", spec, r)
			}
			for _, q := range black[:i] {
				if r.X0 < q.X1 && q.X0 < r.X1 && r.Y0 < q.Y1 && q.Y0 < r.Y1 {
					t.Fatalf("%s: %v and %v overlap", spec, r, q)
				}
			}
		}
	}
	if _, err := Board(geometry.Board{Cols: 7}); err == nil {
		t.Error("a board without rows was drawn")
	}
}
