package photo

import (
	"image"
	"testing"
)

func TestMissingRows(t *testing.T) {
	const w, h, stride = 64, 48, 70
	picture := func(fillFrom int, fill uint8) []byte {
		src := noisy(stride, h)
		grey := make([]byte, stride*h)
		for y := range h {
			for x := range stride {
				grey[y*stride+x] = src.RGBAAt(x, y).R
				if y >= fillFrom && x < w {
					grey[y*stride+x] = fill
				}
			}
		}
		return grey
	}
	for _, c := range []struct {
		from int
		fill uint8
		want int
	}{
		{h, 0, 0}, {h - 16, 128, 16}, {h - 1, 128, 1}, {0, 128, h},
		{h - 16, 0, 0}, {h - 16, 255, 0}, // black and white occur in photos
	} {
		if got := MissingRows(picture(c.from, c.fill), w, h, stride); got != c.want {
			t.Errorf("filled from row %d with %d: %d rows, want %d", c.from, c.fill, got, c.want)
		}
	}
	for _, bad := range []image.Point{{0, 5}, {5, 0}, {71, 5}, {64, 49}} {
		if got := MissingRows(picture(0, 128), bad.X, bad.Y, stride); got != 0 {
			t.Errorf("size %v: %d rows", bad, got)
		}
	}
}
