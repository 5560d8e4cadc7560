package photo

import (
	"bytes"
	"image"
	"image/color"
	"testing"

	"beltend/geometry"
)

// turnCW and mirror are picture operations written pixel by pixel, independent
// of the formulas under test.
func turnCW(src *image.Gray) *image.Gray {
	w, h := src.Rect.Dx(), src.Rect.Dy()
	dst := image.NewGray(image.Rect(0, 0, h, w))
	for y := range h {
		for x := range w {
			dst.SetGray(h-1-y, x, src.GrayAt(x, y))
		}
	}
	return dst
}

func mirror(src *image.Gray) *image.Gray {
	w, h := src.Rect.Dx(), src.Rect.Dy()
	dst := image.NewGray(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			dst.SetGray(w-1-x, y, src.GrayAt(x, y))
		}
	}
	return dst
}

// TestUprightMapsAgreeWithPictures: the eight orientations as CIPA DC-008
// describes them, done to a picture whose pixels all differ.
func TestUprightMapsAgreeWithPictures(t *testing.T) {
	const w, h = 7, 4
	stored := image.NewGray(image.Rect(0, 0, w, h))
	for i := range stored.Pix {
		stored.Pix[i] = uint8(i)
	}
	turn := func(src *image.Gray, n int) *image.Gray {
		for range n {
			src = turnCW(src)
		}
		return src
	}
	upright := map[int]*image.Gray{
		1: stored, 2: mirror(stored), 3: turn(stored, 2), 4: turn(mirror(stored), 2),
		5: mirror(turn(stored, 1)), 6: turn(stored, 1), 7: mirror(turn(stored, 3)), 8: turn(stored, 3),
	}
	for o := 1; o <= 8; o++ {
		want := upright[o]
		uw, uh := UprightSize(w, h, o)
		if uw != want.Rect.Dx() || uh != want.Rect.Dy() {
			t.Fatalf("orientation %d: size %d x %d, want %v", o, uw, uh, want.Rect)
		}
		got := image.NewGray(want.Rect)
		for y := range h {
			for x := range w {
				p := geometry.Vec2{X: float64(x), Y: float64(y)}
				q := UprightFromStored(p, w, h, o)
				got.SetGray(int(q.X), int(q.Y), color.Gray{Y: stored.GrayAt(x, y).Y})
				if back := StoredFromUpright(q, w, h, o); back != p {
					t.Errorf("orientation %d: %v -> %v -> %v", o, p, q, back)
				}
			}
		}
		if !bytes.Equal(got.Pix, want.Pix) {
			t.Errorf("orientation %d: got %v, want %v", o, got.Pix, want.Pix)
		}
	}
}

// The picture covers -0.5 .. size-0.5 in both frames: its corners map to corners.
func TestUprightKeepsTheFrame(t *testing.T) {
	const w, h = 7, 4
	for o := 0; o <= 9; o++ {
		uw, uh := UprightSize(w, h, o)
		for _, p := range []geometry.Vec2{{X: -0.5, Y: -0.5}, {X: w - 0.5, Y: -0.5}, {X: -0.5, Y: h - 0.5}, {X: w - 0.5, Y: h - 0.5}} {
			q := UprightFromStored(p, w, h, o)
			if (q.X != -0.5 && q.X != float64(uw)-0.5) || (q.Y != -0.5 && q.Y != float64(uh)-0.5) {
				t.Errorf("orientation %d: corner %v -> %v in %d x %d", o, p, q, uw, uh)
			}
			if back := StoredFromUpright(q, w, h, o); back != p {
				t.Errorf("orientation %d: %v -> %v -> %v", o, p, q, back)
			}
		}
	}
}
