package vision

import (
	"bytes"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"gocv.io/x/gocv"

	"beltend/geometry"
	"beltend/vision/photo"
)

// However a phone was held, and even where the file holds a mirror image, the
// card's corners are at the same places of the upright photo.
func TestOrientationsGiveTheSameUprightPlaces(t *testing.T) {
	b, _ := geometry.Card(1)
	for o := 1; o <= 8; o++ {
		s := small()
		s.Seed = 4
		s.Camera.Width, s.Camera.Height = 1200, 1600 // not square: a swap shows
		s.Camera.F, s.Camera.Distance = 1200, 900
		s.Camera.Orientation = o
		p, truth := shoot(t, s)
		if turned := o >= 5; turned != (p.W == 1600 && p.H == 1200) {
			t.Errorf("orientation %d: working picture of %d x %d", o, p.W, p.H)
		}
		cards, err := FindCards(p, References{})
		if err != nil {
			t.Fatalf("orientation %d: %v", o, err)
		}
		rms, worst, _ := cornerErrors(t, p, cards[0], b, truth.Cards[0].Saddles)
		if len(cards[0].Corners) != 24 || rms > 0.05 || worst > 0.2 {
			t.Errorf("orientation %d: %d corners off by %.3f px RMS, %.3f at worst", o, len(cards[0].Corners), rms, worst)
		}
		// the working picture is never a mirror image: seen from above, a turn
		// from the board's x to its y goes against the clock, in an image with v
		// down that is a negative cross product
		var at [3]geometry.Vec2
		for _, c := range cards[0].Corners {
			switch c.Board {
			case geometry.Vec2{X: 35, Y: 35}:
				at[0] = c.UV
			case geometry.Vec2{X: 210, Y: 35}:
				at[1] = c.UV
			case geometry.Vec2{X: 35, Y: 140}:
				at[2] = c.UV
			}
		}
		if at[1].Sub(at[0]).Cross(at[2].Sub(at[0])) >= 0 {
			t.Errorf("orientation %d: the working picture is a mirror image", o)
		}
		for _, q := range []geometry.Vec2{{}, {X: 17.25, Y: 300.5}, {X: float64(p.W - 1), Y: float64(p.H - 1)}} {
			if back := p.FromUpright(p.UprightOf(q)); back.Sub(q).Norm() > 1e-9 {
				t.Errorf("orientation %d: %v came back as %v", o, q, back)
			}
		}
	}
}

// ramp is a picture whose light grows to the right and whose red grows down.
func ramp(w, h int) *image.NRGBA {
	img := image.NewNRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			img.SetNRGBA(x, y, color.NRGBA{uint8(x * 255 / w), uint8(x * 255 / w), uint8(x * 255 / w), 255})
		}
	}
	return img
}

// Every kind of file that phones and people send gives the same grey.
func TestKindsOfFilesAreRead(t *testing.T) {
	const w, h = 640, 480
	src := ramp(w, h)
	grey := image.NewGray(src.Rect)
	grey16 := image.NewGray16(src.Rect)
	deep := image.NewNRGBA64(src.Rect)
	see := image.NewNRGBA(src.Rect)
	paletted := image.NewPaletted(src.Rect, nil)
	for i := range 256 {
		paletted.Palette = append(paletted.Palette, color.Gray{uint8(i)})
	}
	for y := range h {
		for x := range w {
			c := src.NRGBAAt(x, y)
			grey.SetGray(x, y, color.Gray{c.R})
			grey16.SetGray16(x, y, color.Gray16{uint16(c.R) * 257})
			deep.SetNRGBA64(x, y, color.NRGBA64{uint16(c.R) * 257, uint16(c.G) * 257, uint16(c.B) * 257, 65535})
			see.SetNRGBA(x, y, color.NRGBA{c.R, c.G, c.B, 254})
			paletted.SetColorIndex(x, y, c.R)
		}
	}
	encode := func(f func(b *bytes.Buffer) error) []byte {
		var b bytes.Buffer
		if err := f(&b); err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}
	pngOf := func(img image.Image) []byte {
		return encode(func(b *bytes.Buffer) error { return png.Encode(b, img) })
	}
	jpegOf := func(img image.Image) []byte {
		return encode(func(b *bytes.Buffer) error { return jpeg.Encode(b, img, &jpeg.Options{Quality: 95}) })
	}
	for _, c := range []struct {
		name string
		data []byte
	}{
		{"JPEG", jpegOf(src)},
		{"grey JPEG", jpegOf(grey)},
		{"PNG", pngOf(src)},
		{"grey PNG", pngOf(grey)},
		{"grey PNG of 16 bits", pngOf(grey16)},
		{"PNG of 16 bits", pngOf(deep)},
		{"PNG with alpha", pngOf(see)},
		{"PNG with a palette", pngOf(paletted)},
	} {
		p := openPhoto(t, c.data)
		if p.W != w || p.H != h || len(p.Grey) != w*h || p.CW != w/colourShrink || p.CH != h/colourShrink || len(p.Colour) != 3*p.CW*p.CH {
			t.Errorf("%s: %d x %d, %d grey and %d colour bytes", c.name, p.W, p.H, len(p.Grey), len(p.Colour))
			continue
		}
		for _, x := range []int{0, 100, 333, 639} {
			if got, want := int(p.Grey[200*w+x]), x*255/w; got < want-3 || got > want+3 {
				t.Errorf("%s: grey at %d is %d, want %d", c.name, x, got, want)
			}
		}
		for _, x := range []int{5, 40, 75} {
			// the mean of eight pixels
			want := (float64(8*x) + 3.5) * 255 / w
			for k := range 3 {
				if got := float64(p.Colour[3*(30*p.CW+x)+k]); math.Abs(got-want) > 4 {
					t.Errorf("%s: colour %d at %d is %.0f, want %.0f", c.name, k, x, got, want)
				}
			}
		}
	}
}

// Files of other programs: CMYK, progressive, arithmetic or restart-marked
// JPEG, WebP and HEIC decode to the size that their header says and to what a
// plain file of the same picture shows.
func TestOtherProgramsFilesAreRead(t *testing.T) {
	names := []string{"cmyk.jpg", "progressive.jpg", "restart.jpg", "grey.jpg"}
	means := map[string]float64{}
	for _, name := range names {
		data, err := os.ReadFile("photo/testdata/" + name)
		if err != nil {
			t.Fatal(err)
		}
		p := openPhoto(t, data)
		var sum float64
		for _, v := range p.Grey {
			sum += float64(v)
		}
		means[name] = sum / float64(len(p.Grey))
		lo, hi := byte(255), byte(0)
		for _, v := range p.Grey {
			lo, hi = min(lo, v), max(hi, v)
		}
		if hi-lo < 50 {
			t.Errorf("%s: grey from %d to %d", name, lo, hi)
		}
	}
	for _, name := range names[1:] {
		if math.Abs(means[name]-means["cmyk.jpg"]) > 6 {
			t.Errorf("mean grey of %s is %.1f, of cmyk.jpg %.1f", name, means[name], means["cmyk.jpg"])
		}
	}
}

// A file that breaks off or lies about itself is refused with a code.
func TestDamagedFilesAreRefused(t *testing.T) {
	var buf bytes.Buffer
	if err := jpeg.Encode(&buf, ramp(640, 480), nil); err != nil {
		t.Fatal(err)
	}
	whole := buf.Bytes()
	var pb bytes.Buffer
	if err := png.Encode(&pb, ramp(640, 480)); err != nil {
		t.Fatal(err)
	}
	open := func(data []byte) error {
		info, err := photo.Inspect(data, photo.DefaultLimits())
		if err != nil {
			return err
		}
		p, err := Open(data, info)
		if err == nil {
			p.Close()
		}
		return err
	}
	if err := open(whole); err != nil {
		t.Fatalf("the whole file: %v", err)
	}
	for k := 1; k < 20; k++ {
		data := whole[:len(whole)*k/20]
		if got := code(open(data)); got != photo.CodeTruncated && got != photo.CodeUnreadable {
			t.Errorf("a JPEG that ends at %d of 20: %q", k, got)
		}
		data = pb.Bytes()[:pb.Len()*k/20]
		if got := code(open(data)); got != photo.CodeTruncated && got != photo.CodeUnreadable {
			t.Errorf("a PNG that ends at %d of 20: %q", k, got)
		}
	}
	// what the header promised is not what comes
	info, err := photo.Inspect(whole, photo.DefaultLimits())
	if err != nil {
		t.Fatal(err)
	}
	info.Width++
	if _, err := Open(whole, info); code(err) != photo.CodeUnreadable {
		t.Errorf("another size than the header's: %v", err)
	}
}

func TestHalf(t *testing.T) {
	half := func(w, h int, grey []byte) []byte {
		m, err := gocv.NewMatFromBytes(h, w, gocv.MatTypeCV8UC1, grey)
		if err != nil {
			t.Fatal(err)
		}
		defer m.Close()
		out := (&Picture{W: w, H: h, grey: m}).half()
		defer out.Close()
		if out.Cols() != w/2 || out.Rows() != h/2 {
			t.Fatalf("half of %d x %d is %d x %d", w, h, out.Cols(), out.Rows())
		}
		return out.ToBytes()
	}
	got := half(5, 4, []byte{
		0, 10, 100, 100, 7,
		20, 10, 100, 101, 7,
		255, 255, 1, 2, 7,
		255, 255, 3, 4, 7,
	})
	if want := []byte{10, 100, 255, 3}; !bytes.Equal(got, want) {
		t.Errorf("half is %v, want %v", got, want)
	}
	// wide enough for the fast way, and a rest; the extremes among them
	const w = 2*37 + 1
	rng := rand.New(rand.NewPCG(1, 2))
	grey := make([]byte, 2*w)
	for k := range grey {
		grey[k] = byte(min(255, rng.IntN(300)))
	}
	for i, v := range half(w, 2, grey) {
		mean := float64(int(grey[2*i])+int(grey[2*i+1])+int(grey[w+2*i])+int(grey[w+2*i+1])) / 4
		if want := math.Floor(mean + 0.5); float64(v) != want {
			t.Errorf("pixel %d is %d, want %g", i, v, want)
		}
	}
}
