package vision

import (
	"bytes"
	"encoding/binary"
	"errors"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"testing"

	"beltend/geometry"
	"beltend/vision/photo"
	"beltend/vision/render"
)

// FuzzHintLines: whatever numbers a person's points are, each line has a unit
// normal and a finite place, or the points are refused in a sentence.
func FuzzHintLines(f *testing.F) {
	add := func(v ...float64) {
		var b []byte
		for _, x := range v {
			b = binary.LittleEndian.AppendUint64(b, math.Float64bits(x))
		}
		f.Add(b)
	}
	add(700, 2900, 2300, 2950)
	add(700, 2900, 700, 2900) // one place twice
	add(math.NaN(), 1, 2, 3)
	add(math.Inf(1), 0, math.Inf(-1), 5)
	add(1e6, -1e6, -1e6, 1e6, 0, 0)
	add(1e308, 1e308, -1e308, 5)
	add(1500, -5e4, 1500, 5e4) // one beyond the horizon
	scene := render.Default()
	scene.Camera.K1, scene.Camera.K2, scene.Camera.Tilt = 0.03, -0.01, 25
	view := scene.View()
	f.Fuzz(func(t *testing.T, data []byte) {
		var pts []geometry.Vec2
		for ; len(data) >= 16 && len(pts) < 64; data = data[16:] {
			pts = append(pts, geometry.Vec2{
				X: math.Float64frombits(binary.LittleEndian.Uint64(data)),
				Y: math.Float64frombits(binary.LittleEndian.Uint64(data[8:])),
			})
		}
		if len(pts) < 2 { // the settings' check asks for two
			return
		}
		lines, err := hintLines(&view, map[string][]geometry.Vec2{"cut": pts})
		if err != nil {
			var r *Refused
			if !errors.As(err, &r) || r.Code == "" || r.Reason == "" {
				t.Fatalf("not a refusal: %#v", err)
			}
			return
		}
		l := lines["cut"]
		if !(math.Abs(l.N.Norm()-1) < 1e-9) || math.IsNaN(l.D) || math.IsInf(l.D, 0) {
			t.Fatalf("%v gave the line %+v", pts, l)
		}
	})
}

// FuzzOpen: a file that passes the intake is decoded at the size announced, or
// refused; a failed assertion of OpenCV would end the process.
func FuzzOpen(f *testing.F) {
	img := image.NewYCbCr(image.Rect(0, 0, 48, 40), image.YCbCrSubsampleRatio420)
	grey := image.NewGray(img.Rect)
	for i := range img.Y {
		img.Y[i], grey.Pix[i] = byte(7*i), byte(5*i)
	}
	rgb := image.NewRGBA(img.Rect)
	for i := range 48 * 40 {
		rgb.Set(i%48, i/48, color.RGBA{byte(i), byte(3 * i), byte(i / 7), 255})
	}
	for o, m := range []image.Image{img, grey, rgb} {
		var b bytes.Buffer
		if err := jpeg.Encode(&b, m, nil); err != nil {
			f.Fatal(err)
		}
		turned, err := photo.WriteExif(b.Bytes(), photo.Tags{Orientation: 2*o + 1, FocalLength35: 26, PixelX: 48, PixelY: 40})
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b.Bytes())
		f.Add(turned)
		f.Add(turned[:len(turned)*2/3])
	}
	lim := photo.DefaultLimits()
	lim.MinSide, lim.MaxPixels = 1, 1<<20
	f.Fuzz(func(t *testing.T, data []byte) {
		info, err := photo.Inspect(data, lim)
		if err != nil || info.Kind == photo.HEIC { // HEIC: another decoder, too slow for this
			return
		}
		p, err := Open(data, info)
		if err != nil {
			var refusal *photo.Error
			if !errors.As(err, &refusal) || refusal.Code == "" || refusal.Message == "" || refusal.Advice == "" {
				t.Fatalf("not a refusal: %#v", err)
			}
			return
		}
		defer p.Close()
		if p.W != info.Width || p.H != info.Height || len(p.Grey) != p.W*p.H || len(p.Colour) != 3*p.CW*p.CH {
			t.Fatalf("%d x %d, %d bytes of grey, %d of colour for %+v", p.W, p.H, len(p.Grey), len(p.Colour), info)
		}
	})
}
