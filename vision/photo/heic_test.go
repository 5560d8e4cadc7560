package photo

import (
	"errors"
	"image"
	"image/color"
	"strings"
	"testing"
)

// quadrants reads the middle of each quarter of a picture: top left, top
// right, bottom left, bottom right.
func quadrants(img image.Image) (grey [4]int) {
	b := img.Bounds()
	for i := range grey {
		x, y := b.Dx()/4+b.Dx()/2*(i%2), b.Dy()/4+b.Dy()/2*(i/2)
		grey[i] = int(color.GrayModel.Convert(img.At(x, y)).(color.Gray).Y)
	}
	return grey
}

// The pictures' truth is in testdata/README.md. A general brand instead of
// "heic" is what some phones write.
func TestDecodeHEIC(t *testing.T) {
	if testing.Short() {
		t.Skip("starts the decoder, some 0.5 s")
	}
	general := testFile(t, "located.heic")
	copy(general[8:], "mif1")
	for name, c := range map[string]struct {
		data []byte
		want [4]int
	}{
		"plain":         {testFile(t, "located.heic"), [4]int{40, 100, 160, 220}},
		"turned":        {testFile(t, "turned.heic"), [4]int{100, 220, 40, 160}},
		"general brand": {general, [4]int{40, 100, 160, 220}},
	} {
		info, err := Inspect(c.data, DefaultLimits())
		if err != nil {
			t.Fatal(err)
		}
		img, err := DecodeHEIC(c.data, DefaultLimits())
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if b := img.Bounds(); b.Dx() != info.Width || b.Dy() != info.Height {
			t.Errorf("%s: decoded %v, announced %d x %d", name, b, info.Width, info.Height)
		}
		for i, got := range quadrants(img) {
			if d := got - c.want[i]; d < -4 || d > 4 {
				t.Errorf("%s: quadrant %d has %d, want %d", name, i, got, c.want[i])
			}
		}
		// After the place is gone it must still be the same picture.
		stripped, _, err := StripLocation(c.data)
		if err != nil {
			t.Fatal(err)
		}
		again, err := DecodeHEIC(stripped, DefaultLimits())
		if err != nil {
			t.Fatalf("%s: stripped: %v", name, err)
		}
		if quadrants(again) != quadrants(img) {
			t.Errorf("%s: stripped picture differs", name)
		}
	}
}

func TestDecodeHEICRefuses(t *testing.T) {
	var refusal *Error
	if _, err := DecodeHEIC(heicOf("heic", "hvc1", 640, 480, 0, 4), DefaultLimits()); !errors.As(err, &refusal) || refusal.Code != CodeUnreadable || refusal.Cause == nil {
		t.Errorf("no pixels: %v", err)
	}
	if _, err := DecodeHEIC(heicOf("heic", "hvc1", 30000, 30000, 0, 4), DefaultLimits()); !errors.As(err, &refusal) || refusal.Code != CodeTooLarge {
		t.Errorf("bomb: %v", err)
	}
	if _, err := DecodeHEIC(testFile(t, "grey.jpg"), DefaultLimits()); err == nil || !strings.Contains(err.Error(), "jpeg") {
		t.Errorf("JPEG: %v", err)
	}
}
