package vision

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"testing"

	"beltend/geometry"
	"beltend/vision/photo"
)

// Four corners of different colours must land where package photo says that
// upright pixels come from, whatever the orientation and the shrinking.
func TestScreenIsUprightAndInColour(t *testing.T) {
	const w, h = 801, 600
	stored := image.NewRGBA(image.Rect(0, 0, w, h))
	colours := []color.RGBA{{200, 20, 20, 255}, {20, 200, 20, 255}, {20, 20, 200, 255}, {220, 220, 220, 255}}
	for y := range h {
		for x := range w {
			stored.SetRGBA(x, y, colours[x*2/w+2*(y*2/h)])
		}
	}
	var jpg, pngs bytes.Buffer
	if err := jpeg.Encode(&jpg, stored, &jpeg.Options{Quality: 95}); err != nil {
		t.Fatal(err)
	}
	if err := png.Encode(&pngs, stored); err != nil {
		t.Fatal(err)
	}
	for orientation := 1; orientation <= 8; orientation++ {
		turned, err := photo.WriteExif(jpg.Bytes(), photo.Tags{Orientation: orientation})
		if err != nil {
			t.Fatal(err)
		}
		for _, long := range []int{100, 200, 400, 5000} {
			check(t, fmt.Sprintf("orientation %d, long side %d", orientation, long), turned, long, orientation, colours)
		}
	}
	check(t, "PNG", pngs.Bytes(), 300, 1, colours)
}

func check(t *testing.T, name string, data []byte, long, orientation int, colours []color.RGBA) {
	t.Helper()
	info, err := photo.Inspect(data, photo.DefaultLimits())
	if err != nil {
		t.Fatal(err)
	}
	if info.Orientation != orientation {
		t.Fatalf("%s: orientation %d was read", name, info.Orientation)
	}
	img, err := Screen(data, info, long)
	if err != nil {
		t.Fatal(err)
	}
	b := img.Bounds()
	if side := max(b.Dx(), b.Dy()); side < min(long, 801) || side > 801 || long < 400 && side > 2*long+2 {
		t.Errorf("%s: long side %d", name, side)
	}
	for i, want := range colours {
		// the middle of the stored quarter, as a part of the picture
		p := photo.UprightFromStored(geometry.Vec2{X: float64(200 + 400*(i%2)), Y: float64(150 + 300*(i/2))}, 801, 600, orientation)
		uw, uh := photo.UprightSize(801, 600, orientation)
		got := img.RGBAAt(int(p.X)*b.Dx()/uw, int(p.Y)*b.Dy()/uh)
		for _, d := range []int{int(got.R) - int(want.R), int(got.G) - int(want.G), int(got.B) - int(want.B)} {
			if d < -12 || d > 12 {
				t.Errorf("%s: quarter %d is %v, want %v", name, i, got, want)
				break
			}
		}
	}
}
