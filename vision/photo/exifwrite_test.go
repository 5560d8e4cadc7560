package photo

import (
	"bytes"
	"image/jpeg"
	"math"
	"strings"
	"testing"

	"github.com/bep/imagemeta"
)

// Read back by the independent reader straight from the JPEG, not through this
// package.
func TestWriteExif(t *testing.T) {
	photo := encodeJPEG(t, noisy(640, 480))
	tags := locatedTags()
	tags.FocalPlane, tags.DigitalZoom = 11000.25, 1.5
	first, err := WriteExif(photo, Tags{Model: "to be replaced"})
	if err != nil {
		t.Fatal(err)
	}
	out, err := WriteExif(first, tags)
	if err != nil {
		t.Fatal(err)
	}
	if bytes.Contains(out, []byte("to be replaced")) {
		t.Error("the old block is still there")
	}
	if !bytes.Equal(picture(t, photo), picture(t, out)) {
		t.Error("the picture changed")
	}
	if _, err := jpeg.Decode(bytes.NewReader(out)); err != nil {
		t.Error(err)
	}
	want := map[string]any{
		"Make": "Kestrel Hollow", "Model": "KH-1", "Orientation": 6.0, "DateTimeOriginal": "2025:03:04 05:06:07", "OffsetTimeOriginal": "+01:00",
		"FocalLength": 5.7, "FocalLengthIn35mmFormat": 26.0, "ExifImageWidth": 640.0, "ExifImageHeight": 480.0,
		"FocalPlaneXResolution": 11000.25, "FocalPlaneYResolution": 11000.25, "FocalPlaneResolutionUnit": 2.0, "DigitalZoomRatio": 1.5,
		"GPSLatitude": 12.5, "GPSLatitudeRef": "S", "GPSLongitude": 45.25, "GPSLongitudeRef": "W",
		// what the standard demands
		"XResolution": 72.0, "YResolution": 72.0, "ResolutionUnit": 2.0, "YCbCrPositioning": 1.0,
		"ExifVersion": "0232", "FlashpixVersion": "0100", "ComponentsConfiguration": "1 2 3 0", "ColorSpace": 1.0,
	}
	got := map[string]any{}
	err = imagemeta.Decode(imagemeta.Options{R: bytes.NewReader(out), ImageFormat: imagemeta.JPEG, Sources: imagemeta.EXIF,
		HandleTag: func(ti imagemeta.TagInfo) error { got[ti.Tag] = ti.Value; return nil }})
	if err != nil {
		t.Fatal(err)
	}
	for name, w := range want {
		g := got[name]
		if n, ok := w.(float64); ok {
			if v, ok := exifNumber(g); !ok || math.Abs(v-n) > 1e-6 {
				t.Errorf("%s = %v, want %v", name, g, w)
			}
		} else if g != w {
			t.Errorf("%s = %v, want %v", name, g, w)
		}
		delete(got, name)
	}
	if len(got) > 0 {
		t.Errorf("not asked for: %v", got)
	}
}

func TestWriteExifRefuses(t *testing.T) {
	photo := encodeJPEG(t, noisy(40, 40))
	for name, c := range map[string]struct {
		data []byte
		tags Tags
	}{
		"PNG":             {encodePNG(t, noisy(4, 4)), Tags{}},
		"text":            {[]byte("text"), Tags{}},
		"cut":             {photo[:300], Tags{}},
		"too much to fit": {photo, Tags{Model: strings.Repeat("x", 70000)}},
	} {
		if _, err := WriteExif(c.data, c.tags); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}
