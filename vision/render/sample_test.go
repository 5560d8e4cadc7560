package render

import (
	"bytes"
	"encoding/json"
	"image/jpeg"
	"math"
	"os"
	"testing"
)

// The sample photo and its truth are what their scene gives.
func TestSampleIsItsScene(t *testing.T) {
	const name = "../../testdata/sample/belt-end"
	text, err := os.ReadFile(name + ".json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct {
		Squareness TruthSquareness
		Scene      json.RawMessage
	}
	if err := json.Unmarshal(text, &file); err != nil {
		t.Fatal(err)
	}
	s, err := Parse(file.Scene)
	if err != nil {
		t.Fatal(err)
	}
	truth, err := s.Truth()
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(truth.Squareness.Offset-file.Squareness.Offset) > 1e-6 {
		t.Errorf("the scene's offset is %v, the file says %v", truth.Squareness.Offset, file.Squareness.Offset)
	}
	data, err := os.ReadFile(name + ".jpg")
	if err != nil {
		t.Fatal(err)
	}
	stored, err := jpeg.Decode(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	img, err := s.Render()
	if err != nil {
		t.Fatal(err)
	}
	again := turned(img, s.Camera.Orientation)
	if stored.Bounds() != again.Bounds() {
		t.Fatalf("the photo is %v, the scene %v", stored.Bounds(), again.Bounds())
	}
	sum, n := 0.0, 0
	for y := 0; y < again.Rect.Dy(); y += 7 {
		for x := 0; x < again.Rect.Dx(); x += 7 {
			r, g, b, _ := stored.At(x, y).RGBA()
			d := 0.299*float64(r>>8) + 0.587*float64(g>>8) + 0.114*float64(b>>8) - float64(again.Y[y*again.YStride+x])
			sum += d * d
			n++
		}
	}
	if rms := math.Sqrt(sum / float64(n)); rms > 4 { // compression
		t.Errorf("photo and scene differ by %.1f grey levels (rms)", rms)
	}
}
