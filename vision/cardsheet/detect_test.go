package cardsheet

import (
	"bytes"
	"fmt"
	"image"
	"image/png"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"gocv.io/x/gocv"

	"beltend/geometry"
	"beltend/vision/aruco"
)

// checkCard finds a card on a picture of its sheet with OpenCV's detector and
// compares every marker corner and every saddle, refined by OpenCV, with the
// board's definition. scale is in pixels per mm, both
// tolerances in mm: OpenCV's refinement is itself good to some 0.04 px.
func checkCard(t *testing.T, img *image.Gray, n int, paper Paper, scale, markerTol, saddleTol float64) {
	t.Helper()
	card, err := geometry.Card(n)
	if err != nil {
		t.Fatal(err)
	}
	w, h := img.Rect.Dx(), img.Rect.Dy()
	if math.Abs(float64(w)-paper.Width*scale) > 1 || math.Abs(float64(h)-paper.Height*scale) > 1 {
		t.Fatalf("card %d: %d x %d pixels for %g x %g mm at %g px/mm", n, w, h, paper.Width, paper.Height, scale)
	}
	markers, err := aruco.Detect(img.Pix, w, h, card.Dict, aruco.Options{Stride: img.Stride})
	if err != nil {
		t.Fatal(err)
	}
	if len(markers) != card.MarkerCount() {
		t.Fatalf("card %d: %d markers found, want %d", n, len(markers), card.MarkerCount())
	}

	// Written out here, not taken from the layout: the board's middle is the sheet's.
	pixel := func(p geometry.Vec2) geometry.Vec2 {
		return geometry.Vec2{
			X: (paper.Width/2+p.X-245.0/2)*scale - 0.5,
			Y: (paper.Height/2-p.Y+175.0/2)*scale - 0.5,
		}
	}
	worst, compared := map[string]float64{}, 0
	compare := func(kind, name string, got, want geometry.Vec2, tol float64) {
		d := got.Sub(want).Norm() / scale
		worst[kind] = max(worst[kind], d)
		compared++
		if !(d <= tol) {
			t.Errorf("card %d: %s is %.4f mm from its place", n, name, d)
		}
	}
	for k, m := range markers { // ordered by id
		if m.ID != card.FirstID+k {
			t.Fatalf("card %d: marker %d found, want %d", n, m.ID, card.FirstID+k)
		}
		for i, p := range card.MarkerCorners(k) {
			q := pixel(p)
			if d := m.Corners[i].Sub(q).Norm(); d > 2*math.Sqrt2 {
				t.Errorf("card %d: marker %d corner %d found %.1f px away", n, m.ID, i, d)
			}
			compare("marker", fmt.Sprintf("marker %d corner %d", m.ID, i), markerCorner(img, m.Corners, i, scale), q, markerTol)
		}
	}
	var start, want []geometry.Vec2
	for _, p := range card.Saddles() {
		q := pixel(p)
		start, want = append(start, q.Add(geometry.Vec2{X: 1.2, Y: -0.8})), append(want, q)
	}
	for i, got := range refine(t, img, start) {
		compare("saddle", fmt.Sprintf("saddle %d", i), got, want[i], saddleTol)
	}
	if compared != 4*17+24 {
		t.Errorf("card %d: %d corners compared", n, compared)
	}
	t.Logf("card %d on %s, %.0f dpi: worst marker corner %.4f mm, saddle %.4f mm", n, paper.Name, scale*25.4, worst["marker"], worst["saddle"])
}

// markerCorner measures a corner of an upright marker: where the ink begins
// across both sides that meet there, along lines through the middle of the
// black border's cells next to the corner.
func markerCorner(img *image.Gray, c [4]geometry.Vec2, i int, scale float64) geometry.Vec2 {
	reach := 1.8 * scale // px; the border is 26/7 mm wide, the white around it 4.5 mm
	centre := c[0].Add(c[2]).Mul(0.5)
	edgeAt := func(near, line, inward float64, vertical bool) float64 {
		a, b := int(math.Round(near-reach)), int(math.Round(near+reach))
		ink := 0.0
		for j := a; j <= b; j++ {
			x, y := j, int(math.Round(line))
			if vertical {
				x, y = y, x
			}
			ink += (255 - float64(img.GrayAt(x, y).Y)) / 255
		}
		if inward > 0 {
			return float64(b) + 0.5 - ink
		}
		return float64(a) - 0.5 + ink
	}
	inX, inY := centre.X-c[i].X, centre.Y-c[i].Y
	return geometry.Vec2{
		X: edgeAt(c[i].X, c[i].Y+math.Copysign(reach, inY), inX, false),
		Y: edgeAt(c[i].Y, c[i].X+math.Copysign(reach, inX), inY, true),
	}
}

// refine runs cv::cornerSubPix with a window of 11 x 11 pixels, after a blur of
// sigma 1.5 px such as every lens has: on edges as sharp as a drawing's it is
// up to 0.11 px off, whatever the resolution.
func refine(t *testing.T, img *image.Gray, start []geometry.Vec2) []geometry.Vec2 {
	t.Helper()
	mat, err := gocv.NewMatFromBytes(img.Rect.Dy(), img.Rect.Dx(), gocv.MatTypeCV8U, img.Pix)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = mat.Close() }()
	soft := gocv.NewMat() // not in place: the matrix above is a view of img
	defer func() { _ = soft.Close() }()
	gocv.GaussianBlur(mat, &soft, image.Pt(0, 0), 1.5, 1.5, gocv.BorderReplicate)
	corners := gocv.NewMatWithSize(len(start), 2, gocv.MatTypeCV32F)
	defer func() { _ = corners.Close() }()
	for i, p := range start {
		corners.SetFloatAt(i, 0, float32(p.X))
		corners.SetFloatAt(i, 1, float32(p.Y))
	}
	gocv.CornerSubPix(soft, &corners, image.Pt(5, 5), image.Pt(-1, -1), gocv.NewTermCriteria(gocv.Count|gocv.EPS, 100, 1e-4))
	out := make([]geometry.Vec2, len(start))
	for i := range out {
		out[i] = geometry.Vec2{X: float64(corners.GetFloatAt(i, 0)), Y: float64(corners.GetFloatAt(i, 1))}
	}
	return out
}

// checkBars measures both check bars as with a rule: the middle of the ink of
// each end tick, along lines that meet nothing else.
func checkBars(t *testing.T, img *image.Gray, paper Paper, scale, tol float64) {
	t.Helper()
	middle := func(along, across float64, vertical bool) float64 {
		split, line := int(math.Round(along*scale)), int(math.Round(across*scale))
		before, after := 0.0, 0.0 // px of ink on either side of a line inside the tick
		for i := split - int(1.5*scale); i < split+int(1.5*scale); i++ {
			x, y := i, line
			if vertical {
				x, y = line, i
			}
			v := (255 - float64(img.GrayAt(x, y).Y)) / 255
			if i < split {
				before += v
			} else {
				after += v
			}
		}
		if w := (before + after) / scale; math.Abs(w-0.25) > 0.01 {
			t.Errorf("tick near %g mm is %.3f mm wide", along, w)
		}
		return (float64(split) + (after-before)/2) / scale
	}
	const outer = 0.7 // mm from the end of a tick, clear of the bar itself
	left := middle(paper.Width/2-100, paper.Height-edge-outer, false)
	right := middle(paper.Width/2+100, paper.Height-edge-outer, false)
	top := middle(paper.Height/2-75, edge+outer, true)
	bottom := middle(paper.Height/2+75, edge+outer, true)
	if d := right - left - 200; math.Abs(d) > tol {
		t.Errorf("%s: bar across is %.4f mm too long", paper.Name, d)
	}
	if d := bottom - top - 150; math.Abs(d) > tol {
		t.Errorf("%s: bar up is %.4f mm too long", paper.Name, d)
	}
}

func TestEveryCardFromItsPNG(t *testing.T) {
	for _, paper := range []Paper{A4, Letter} {
		for n := 1; n <= geometry.CardCount; n++ {
			var buf bytes.Buffer
			if err := WritePNG(&buf, n, paper, DefaultDPI); err != nil {
				t.Fatal(err)
			}
			gray := decodeGray(t, buf.Bytes())
			checkCard(t, gray, n, paper, 300/25.4, 0.0005, 0.005)
			checkBars(t, gray, paper, 300/25.4, 0.0005)
		}
	}
}

// A card's own drawing is found at every resolution offered, as coarse as a
// photo from far away.
func TestCardAtOtherResolutions(t *testing.T) {
	for _, dpi := range []float64{MinDPI, 72, 96.5, 600} {
		img, err := Draw(9, A4, dpi)
		if err != nil {
			t.Fatal(err)
		}
		checkCard(t, img, 9, A4, dpi/25.4, 0.15/dpi, 1.2/dpi) // 0.006 and 0.05 px
	}
	for _, dpi := range []float64{0, -300, 49, 1201, math.NaN(), math.Inf(1)} {
		if _, err := Draw(9, A4, dpi); err == nil {
			t.Errorf("drawn at %g dpi", dpi)
		}
	}
}

func TestEveryCardFromThePDF(t *testing.T) {
	// Of poppler's two rasterisers cairo's covers pixels by their area;
	// pdftoppm's darkens every quarter pixel that it touches, 0.02 mm at 300 dpi.
	tool, err := exec.LookPath("pdftocairo")
	if err != nil {
		t.Skip("pdftocairo (poppler-utils) is not installed")
	}
	cards, err := ParseCards("1-14")
	if err != nil {
		t.Fatal(err)
	}
	for _, paper := range []Paper{A4, Letter} {
		dir := t.TempDir()
		names, err := WriteFiles(filepath.Join(dir, "cards.pdf"), cards, paper, DefaultDPI)
		if err != nil {
			t.Fatal(err)
		}
		cmd := exec.Command(tool, "-png", "-gray", "-r", "300", names[0], filepath.Join(dir, "page"))
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		for _, n := range cards {
			img := readGray(t, filepath.Join(dir, fmt.Sprintf("page-%02d.png", n)))
			checkCard(t, img, n, paper, 300/25.4, 0.004, 0.006) // 1/100 point is 0.0035 mm
			// Two ends, each rounded to 1/100 point.
			checkBars(t, img, paper, 300/25.4, 0.0035)
		}
		if more, _ := filepath.Glob(filepath.Join(dir, "page-*")); len(more) != len(cards) {
			t.Errorf("%d pages, want %d", len(more), len(cards))
		}
	}
}

func readGray(t *testing.T, name string) *image.Gray {
	t.Helper()
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return decodeGray(t, data)
}

func decodeGray(t *testing.T, data []byte) *image.Gray {
	t.Helper()
	img, err := png.Decode(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	gray, ok := img.(*image.Gray)
	if !ok {
		t.Fatalf("picture is a %T", img)
	}
	return gray
}
