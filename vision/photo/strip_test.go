package photo

import (
	"bytes"
	"encoding/binary"
	"errors"
	"image/jpeg"
	"image/png"
	"testing"
	"time"

	"github.com/bep/imagemeta"

	"beltend/geometry"
)

const xmpPrefix = "http://ns.adobe.com/xap/1.0/\x00"

// The values that give the invented place (45.25 W, 12.5 S) away, as they stand
// in EXIF: 12 and 45 degrees, then 30 and 15 minutes.
func locatedTags() Tags {
	return Tags{Make: "Kestrel Hollow", Model: "KH-1", Orientation: 6, FocalLength: 5.7, FocalLength35: 26,
		PixelX: 640, PixelY: 480, TakenAt: time.Date(2025, 3, 4, 5, 6, 7, 0, time.FixedZone("", 3600)),
		Location: &geometry.Vec2{X: -45.25, Y: -12.5}}
}

func jpegPart(marker byte, body string) []byte {
	n := 2 + len(body)
	return append([]byte{0xff, marker, byte(n >> 8), byte(n)}, body...)
}

func locatedJPEG(t testing.TB, extra ...[]byte) []byte {
	t.Helper()
	data, err := WriteExif(encodeJPEG(t, noisy(640, 480)), locatedTags())
	if err != nil {
		t.Fatal(err)
	}
	return bytes.Join([][]byte{data[:2], bytes.Join(extra, nil), data[2:]}, nil)
}

func locatedPNG(t testing.TB) []byte {
	t.Helper()
	plain := encodePNG(t, noisy(640, 480))
	xmp := "XML:com.adobe.xmp\x00\x00\x00\x00\x00<x:xmpmeta exif:GPSLatitude='12,30.0S'/>"
	return bytes.Join([][]byte{plain[:33], pngPart("eXIf", locatedTags().block()),
		pngPart("iTXt", []byte(xmp)), pngPart("tEXt", []byte("Comment\x00a belt")), plain[33:]}, nil)
}

// picture is what must not change: the coded pixels and what decodes them.
func picture(t testing.TB, data []byte) []byte {
	t.Helper()
	kind, err := Sniff(data)
	if err != nil {
		t.Fatal(err)
	}
	var out []byte
	switch kind {
	case JPEG: // everything but the application segments
		f, err := walkJPEG(data)
		if err != nil {
			t.Fatal(err)
		}
		pos := 0
		for _, s := range f.extras {
			out = append(out, data[pos:s.start]...)
			pos = s.end
		}
		out = append(out, data[pos:f.end]...)
	case PNG:
		f, err := walkPNG(data)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range f.chunks {
			if c.name[0]&0x20 == 0 {
				out = append(out, data[c.start:c.end]...)
			}
		}
	case WebP:
		f, err := walkWebP(data)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range f.chunks {
			if c.name == "VP8 " || c.name == "VP8L" || c.name == "ALPH" {
				out = append(out, data[c.start:c.end]...)
			}
		}
	case HEIC:
		f, err := walkHEIF(data)
		if err != nil {
			t.Fatal(err)
		}
		for _, id := range f.itemIDs() {
			if it := f.items[id]; it.kind == "hvc1" || it.kind == "grid" {
				out = append(out, it.content(data)...)
			}
		}
	}
	if len(out) == 0 {
		t.Fatalf("no picture data found in %s", kind)
	}
	return out
}

func TestStripLocation(t *testing.T) {
	xmp := jpegPart(mAPP1, xmpPrefix+"<rdf:Description exif:GPSLatitude='12,30.0S'/>")
	for name, data := range map[string][]byte{
		"jpeg":               locatedJPEG(t),
		"jpeg with XMP":      locatedJPEG(t, xmp),
		"jpeg with film":     append(locatedJPEG(t, jpegPart(mAPP2, "MPF\x00MM\x00*")), "ftypmp42 +12.5-045.25/"...),
		"jpeg, XMP alone":    withXMP(t, xmp),
		"jpeg, IPTC city":    withXMP(t, jpegPart(mAPP13, "Photoshop 3.0\x008BIM\x04\x04\x00\x00\x00\x00\x00\x0b\x1c\x02\x5a\x00\x06Quarry\x00")),
		"jpeg, second block": locatedJPEG(t, jpegPart(mAPP1, "Exif\x00\x00"+string(locatedTags().block()))),
		"jpeg, UTF-16 XMP":   withXMP(t, jpegPart(mAPP1, xmpPrefix+"<\x00e\x00x\x00i\x00f\x00:\x00G\x00P\x00S\x00L\x00a\x00t\x00i\x00t\x00u\x00d\x00e\x00")),
		"jpeg, XMP in EXIF": withBlock(t, exifBlock([]exifField{exifShort(tagOrientation, 6),
			{tagXMP, tiffByte, 30, []byte("<x exif:GPSLatitude='12,30S'/>")}}, nil, nil)),
		"png":  locatedPNG(t),
		"webp": testFile(t, "located.webp"),
		"heic": testFile(t, "located.heic"),
	} {
		t.Run(name, func(t *testing.T) {
			original := bytes.Clone(data)
			before, err := Inspect(data, DefaultLimits())
			if err != nil {
				t.Fatal(err)
			}
			out, changed, err := StripLocation(data)
			if err != nil {
				t.Fatal(err)
			}
			if !changed || bytes.Equal(out, data) {
				t.Error("nothing changed")
			}
			if !bytes.Equal(data, original) {
				t.Error("the input was written to")
			}
			after, err := Inspect(out, DefaultLimits())
			if err != nil {
				t.Fatal(err)
			}
			if name != "jpeg with film" && !before.HasLocation || after.HasLocation {
				t.Errorf("location %v before, %v after", before.HasLocation, after.HasLocation)
			}
			if !sameApartFromLocation(before, after) {
				t.Errorf("more than the location changed:\n%+v\n%+v", before, after)
			}
			if !bytes.Equal(picture(t, data), picture(t, out)) {
				t.Error("the picture data changed")
			}
			traces := 0
			for _, trace := range []string{"GPSLa", "G\x00P\x00S", "12,30", "+12.5", "Quarry",
				"\x00\x00\x00\x0c\x00\x00\x00\x01\x01\xc9\xc3\x80", "\x00\x00\x00\x0c\x00\x00\x00\x01\x00\x00\x00\x1e"} {
				if bytes.Contains(data, []byte(trace)) {
					traces++
				}
				if bytes.Contains(out, []byte(trace)) {
					t.Errorf("%q is still there", trace)
				}
			}
			if traces == 0 {
				t.Error("no trace of the place was there to find")
			}
			again, changed, err := StripLocation(out)
			if err != nil || changed || !bytes.Equal(again, out) {
				t.Errorf("a second time: changed %v, %v", changed, err)
			}
		})
	}
}

func withXMP(t testing.TB, segment []byte) []byte {
	t.Helper()
	photo := encodeJPEG(t, noisy(640, 480))
	return bytes.Join([][]byte{photo[:2], segment, photo[2:]}, nil)
}

// Ordinary decoders and an independent EXIF reader must agree that the picture
// is whole and the place gone.
func TestStripLocation_IndependentReaders(t *testing.T) {
	for name, c := range map[string]struct {
		data   []byte
		format imagemeta.ImageFormat
	}{
		"jpeg": {locatedJPEG(t), imagemeta.JPEG}, "png": {locatedPNG(t), imagemeta.PNG}, "webp": {testFile(t, "located.webp"), imagemeta.WebP},
	} {
		read := func(data []byte) (gps, other int) {
			t.Helper()
			err := imagemeta.Decode(imagemeta.Options{R: bytes.NewReader(data), ImageFormat: c.format,
				HandleTag: func(ti imagemeta.TagInfo) error {
					if len(ti.Tag) > 6 && ti.Tag[:6] == "GPSLat" {
						gps++
					} else {
						other++
					}
					return nil
				}})
			if err != nil {
				t.Errorf("%s: %v", name, err)
			}
			return gps, other
		}
		out, _, err := StripLocation(c.data)
		if err != nil {
			t.Fatal(err)
		}
		if gps, _ := read(c.data); gps == 0 {
			t.Errorf("%s: the reader sees no GPS tags even before", name)
		}
		if gps, other := read(out); gps != 0 || other < 8 {
			t.Errorf("%s: %d GPS tags and %d others after", name, gps, other)
		}
	}
	out, _, err := StripLocation(locatedJPEG(t))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := jpeg.Decode(bytes.NewReader(out)); err != nil {
		t.Error(err)
	}
	if out, _, err = StripLocation(locatedPNG(t)); err != nil {
		t.Fatal(err)
	}
	if _, err := png.Decode(bytes.NewReader(out)); err != nil {
		t.Error(err)
	}
}

func TestStripLocationLeavesOthersAlone(t *testing.T) {
	tags := locatedTags()
	tags.Location = nil
	plain, err := WriteExif(encodeJPEG(t, noisy(640, 480)), tags)
	if err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string][]byte{
		"jpeg": plain, "jpeg with harmless XMP": withXMP(t, jpegPart(mAPP1, xmpPrefix+"<rdf:Description exif:Flash='0'/>")),
		"png": encodePNG(t, noisy(400, 400)), "webp": testFile(t, "lossless.webp"), "heic": testFile(t, "turned.heic"),
	} {
		out, changed, err := StripLocation(data)
		if err != nil || changed || &out[0] != &data[0] {
			t.Errorf("%s: changed %v, %v", name, changed, err)
		}
	}
}

func TestStripLocationOfHEICFilm(t *testing.T) {
	film := heifPart("mpvd", []byte("+12.5-045.25/"))
	data := append(testFile(t, "turned.heic"), film...)
	out, changed, err := StripLocation(data)
	if err != nil || !changed {
		t.Fatal(changed, err)
	}
	if len(out) != len(data) || bytes.Contains(out, []byte("12.5")) {
		t.Error("the film is still there")
	}
}

// Compressed XMP is not opened: it counts as naming a place until it is blank.
func TestHEICCompressedXMPMayNamePlace(t *testing.T) {
	data := testFile(t, "located.heic")
	f, err := walkHEIF(data)
	if err != nil {
		t.Fatal(err)
	}
	for _, it := range f.items {
		if it.kind == "mime" {
			it.encoded = true
			if !it.namesPlace([]byte("x\x9c compressed")) || it.namesPlace(blankXMP(1000)) || it.namesPlace(blankXMP(3)) {
				t.Error("compressed XMP is not told from a blank one")
			}
			return
		}
	}
	t.Fatal("no XMP item")
}

// A GPS entry whose values lie over the focal length: the photo is refused or
// comes out right, never changed in silence.
func TestStripLocationRefusesSharedBytes(t *testing.T) {
	block := locatedTags().block()
	i := bytes.Index(block, []byte{0x88, 0x25, 0, 4, 0, 0, 0, 1})
	binary.BigEndian.PutUint32(block[i+8:], 8) // the GPS directory is IFD0 itself
	data := withBlock(t, block)
	before, err := Inspect(data, DefaultLimits())
	if err != nil {
		t.Fatal(err)
	}
	out, _, err := StripLocation(data)
	var refusal *Error
	if errors.As(err, &refusal) {
		return
	}
	if err != nil {
		t.Fatal(err)
	}
	after, err := Inspect(out, DefaultLimits())
	if err != nil || after.HasLocation || !sameApartFromLocation(before, after) {
		t.Errorf("%v\n%+v\n%+v", err, before, after)
	}
}

func TestStripLocationRefusesBadFiles(t *testing.T) {
	for _, data := range [][]byte{nil, []byte("text"), locatedJPEG(t)[:5000]} {
		var refusal *Error
		if _, _, err := StripLocation(data); !errors.As(err, &refusal) {
			t.Errorf("got %v, want a refusal", err)
		}
	}
}

// fuzzSeeds are small: the engine spends its time on large ones.
func fuzzSeeds(f *testing.F) [][]byte {
	small, err := WriteExif(encodeJPEG(f, noisy(16, 16)), locatedTags())
	if err != nil {
		f.Fatal(err)
	}
	dot := encodePNG(f, noisy(4, 4))
	seeds := [][]byte{
		small,
		bytes.Join([][]byte{small[:2], jpegPart(mAPP1, xmpPrefix+"GPSLatitude"), jpegPart(mAPP2, "MPF\x00"), small[2:], []byte("film")}, nil),
		bytes.Join([][]byte{dot[:33], pngPart("eXIf", locatedTags().block()), pngPart("tEXt", []byte("a\x00latitude")), dot[33:]}, nil),
		heicOf("mif1", "grid", 640, 480, 0, 4, 1), webpOf(vp8x(0, 400, 400), vp8(400, 400), webpPart("EXIF", locatedTags().block())),
		closed(jpegHeader(0xc2, 400, 400, 8, 4)),
	}
	for _, name := range []string{"arithmetic.jpg", "progressive.jpg", "restart.jpg", "grey.jpg", "cmyk.jpg", "lossless.webp", "located.webp", "located.heic", "turned.heic"} {
		seeds = append(seeds, testFile(f, name))
	}
	return seeds
}

// FuzzInspect: any bytes give an Info that keeps its promises or a refusal that
// is a sentence; nothing panics.
func FuzzInspect(f *testing.F) {
	for _, s := range fuzzSeeds(f) {
		f.Add(s)
	}
	lim := DefaultLimits()
	lim.MinSide = 1
	f.Fuzz(func(t *testing.T, data []byte) {
		i, err := Inspect(data, lim)
		if err != nil {
			var refusal *Error
			if !errors.As(err, &refusal) || refusal.Code == "" || refusal.Message == "" || refusal.Advice == "" {
				t.Errorf("not a refusal: %#v", err)
			}
			return
		}
		if min(i.Width, i.Height) < lim.MinSide || max(i.Width, i.Height) > lim.MaxSide || int64(i.Width)*int64(i.Height) > lim.MaxPixels {
			t.Errorf("size %d x %d passed", i.Width, i.Height)
		}
		if i.Orientation < 1 || i.Orientation > 8 || !(i.Focal.Pixels > 0) || !(i.Focal.RelSD > 0) || i.Focal.RelSD > relMax ||
			i.Channels < 1 || i.Channels > 4 || i.Bits < 1 || i.Bits > 16 {
			t.Errorf("%+v", i)
		}
	})
}

// FuzzStripLocation: what comes out reads the same but for the place, holds the
// same picture data, and has nothing left to strip.
func FuzzStripLocation(f *testing.F) {
	for _, s := range fuzzSeeds(f) {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		original := bytes.Clone(data)
		out, changed, err := StripLocation(data)
		if !bytes.Equal(data, original) {
			t.Fatal("the input was written to")
		}
		if err != nil {
			var refusal *Error
			if !errors.As(err, &refusal) {
				t.Errorf("not a refusal: %v", err)
			}
			return
		}
		if changed == bytes.Equal(out, data) {
			t.Errorf("changed is %v", changed)
		}
		lim := Limits{MaxBytes: 1 << 40, MaxPixels: 1 << 62, MaxSide: 1 << 40, MinSide: 1}
		before, err := Inspect(data, lim)
		if err != nil {
			t.Fatal(err)
		}
		after, err := Inspect(out, lim)
		if err != nil {
			t.Fatal(err)
		}
		if after.HasLocation || !sameApartFromLocation(before, after) {
			t.Errorf("\n%+v\n%+v", before, after)
		}
		if before.Kind != HEIC && !bytes.Equal(picture(t, data), picture(t, out)) {
			t.Error("the picture data changed")
		}
		if _, changed, err := StripLocation(out); err != nil || changed {
			t.Errorf("a second time: changed %v, %v", changed, err)
		}
	})
}
