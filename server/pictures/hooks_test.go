package pictures

import (
	"bytes"
	"image/jpeg"
	"math"
	"os"
	"testing"
)

// A small picture has the photo's shape, upright, and 640 to 1279 pixels along its longer
// side: the sample lies on its side and says so.
func TestSmallIsUpright(t *testing.T) {
	photo, err := os.ReadFile("../../testdata/sample/belt-end.jpg")
	if err != nil {
		t.Fatal(err)
	}
	b, err := Small(photo)
	if err != nil {
		t.Fatal(err)
	}
	from, err1 := jpeg.DecodeConfig(bytes.NewReader(photo))
	to, err2 := jpeg.DecodeConfig(bytes.NewReader(b))
	if err1 != nil || err2 != nil {
		t.Fatal(err1, err2)
	}
	long := max(to.Width, to.Height)
	if long < 640 || long > 1279 || len(b) > len(photo)/2 || math.Abs(float64(from.Height)/float64(from.Width)-float64(to.Width)/float64(to.Height)) > 0.01 {
		t.Errorf("%d x %d, %d bytes, from %d x %d, %d bytes", to.Width, to.Height, len(b), from.Width, from.Height, len(photo))
	}
	if _, err := Small(photo[:2000]); err == nil {
		t.Error("a photo that breaks off is drawn")
	}
}
