package photo

import (
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// noisy draws a picture with camera-like grain, so that its JPEG has a scan of
// honest length.
func noisy(w, h int) *image.RGBA {
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	state := uint32(1)
	for i := range img.Pix {
		state = state*1664525 + 1013904223
		img.Pix[i] = uint8(100 + state>>27)
		if i%4 == 3 {
			img.Pix[i] = 255
		}
	}
	return img
}

func encodeJPEG(t testing.TB, img image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, &jpeg.Options{Quality: 90}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func encodePNG(t testing.TB, img image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func testFile(t testing.TB, name string) []byte {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func pngPart(name string, body []byte) []byte {
	b := binary.BigEndian.AppendUint32(nil, uint32(len(body)))
	b = append(append(b, name...), body...)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[4:]))
}

func pngHeader(w, h uint32, depth, colour byte) []byte {
	b := binary.BigEndian.AppendUint32(nil, w)
	b = binary.BigEndian.AppendUint32(b, h)
	return append([]byte(pngSignature), pngPart("IHDR", append(b, depth, colour, 0, 0, 0))...)
}

// jpegHeader is a JPEG up to its frame header.
func jpegHeader(sof byte, w, h int, bits, components byte) []byte {
	b := []byte{0xff, 0xd8, 0xff, sof, 0, 8 + 3*components, bits, byte(h >> 8), byte(h), byte(w >> 8), byte(w), components}
	for i := range components {
		b = append(b, i+1, 0x11, 0)
	}
	return b
}

// closed adds a scan of nothing and the end.
func closed(b []byte) []byte {
	return append(bytes.Clone(b), 0xff, 0xda, 0, 8, 1, 1, 0, 0, 63, 0, 0xff, 0xd9)
}

func webpPart(name string, body []byte) []byte {
	b := binary.LittleEndian.AppendUint32([]byte(name), uint32(len(body)))
	b = append(b, body...)
	if len(body)%2 == 1 {
		b = append(b, 0)
	}
	return b
}

func webpOf(parts ...[]byte) []byte {
	body := append([]byte("WEBP"), bytes.Join(parts, nil)...)
	return append(binary.LittleEndian.AppendUint32([]byte("RIFF"), uint32(len(body))), body...)
}

func vp8x(flags byte, w, h int) []byte {
	w--
	h--
	return webpPart("VP8X", []byte{flags, 0, 0, 0, byte(w), byte(w >> 8), byte(w >> 16), byte(h), byte(h >> 8), byte(h >> 16)})
}

func vp8(w, h int) []byte {
	return webpPart("VP8 ", []byte{0, 0, 0, 0x9d, 1, 0x2a, byte(w), byte(w >> 8), byte(h), byte(h >> 8)})
}

func heifPart(name string, body ...[]byte) []byte {
	b := bytes.Join(body, nil)
	return append(append(binary.BigEndian.AppendUint32(nil, uint32(8+len(b))), name...), b...)
}

// heicOf is a HEIC file without pixels: one coded picture of w x h whose data
// should lie at the given place.
func heicOf(brand, kind string, w, h, at, length uint32, turns ...byte) []byte {
	be := binary.BigEndian.AppendUint32
	props := [][]byte{heifPart("ispe", []byte{0, 0, 0, 0}, be(be(nil, w), h))}
	for _, r := range turns {
		props = append(props, heifPart("irot", []byte{r}))
	}
	assoc := []byte{0, 0, 0, 0, 0, 0, 0, 1, 0, 1, byte(len(props))}
	for i := range props {
		assoc = append(assoc, byte(i+1))
	}
	return bytes.Join([][]byte{
		heifPart("ftyp", []byte(brand), []byte{0, 0, 0, 0}, []byte("mif1")),
		heifPart("meta", []byte{0, 0, 0, 0},
			heifPart("pitm", []byte{0, 0, 0, 0, 0, 1}),
			heifPart("iloc", []byte{0, 0, 0, 0, 0x44, 0, 0, 1, 0, 1, 0, 0, 0, 1}, be(be(nil, at), length)),
			heifPart("iinf", []byte{0, 0, 0, 0, 0, 1}, heifPart("infe", []byte{2, 0, 0, 0, 0, 1, 0, 0}, []byte(kind), []byte{0})),
			heifPart("iprp", heifPart("ipco", props...), heifPart("ipma", assoc))),
		heifPart("mdat", []byte("data")),
	}, nil)
}

func TestInspectRefuses(t *testing.T) {
	photo := encodeJPEG(t, noisy(640, 480))
	plainPNG := encodePNG(t, noisy(400, 400))
	brokenPNG := bytes.Clone(plainPNG)
	brokenPNG[len(brokenPNG)/2] ^= 1
	restart := testFile(t, "restart.jpg")
	lostRestart := bytes.Clone(restart)
	if i := bytes.Index(lostRestart, []byte{0xff, 0xd3}); i > 0 {
		lostRestart = append(lostRestart[:i:i], lostRestart[i+2:]...)
	}
	// Cut after its fifth restart and closed again, as a rescue program would.
	rescued := append(bytes.Clone(restart[:bytes.Index(restart, []byte{0xff, 0xd4})]), 0xff, 0xd9)
	located := testFile(t, "located.heic")
	located2 := bytes.Clone(located)
	copy(located2[bytes.Index(located2, []byte("hvc1")):], "av01")

	for _, c := range []struct {
		name   string
		data   []byte
		code   string
		says   string // a part of the sentence
		advice string // a part of what to do
	}{
		{"empty", nil, CodeEmpty, "empty", "upload the photo again"},
		{"one byte", []byte{0xff}, CodeNotPhoto, "not a photo", "as JPEG"},
		{"zeros", make([]byte, 5000), CodeNotPhoto, "not a photo", "as JPEG"},
		{"text", []byte("a list of belts"), CodeNotPhoto, "not a photo", "as JPEG"},
		{"web page", []byte("<!DOCTYPE html><html>"), CodeNotPhoto, "web page", "as JPEG"},
		{"PDF", []byte("%PDF-1.7\n"), CodeNotPhoto, "PDF", "as JPEG"},
		{"film", heifPart("ftyp", []byte("isom\x00\x00\x00\x00mp42")), CodeNotPhoto, "film", "as JPEG"},
		{"sound", []byte("RIFF\x00\x00\x00\x00WAVEfmt "), CodeNotPhoto, "sound", "as JPEG"},
		{"GIF", []byte("GIF89a\x01\x00\x01\x00"), CodeUnsupported, "GIF", "Save the photo as JPEG"},
		{"TIFF", []byte("II*\x00\x08\x00\x00\x00"), CodeUnsupported, "TIFF", "Save the photo as JPEG"},
		{"AVIF", heifPart("ftyp", []byte("avif\x00\x00\x00\x00mif1")), CodeUnsupported, "AVIF", "Save the photo as JPEG"},
		{"AVIF under a general brand", heicOf("mif1", "av01", 640, 480, 0, 4), CodeUnsupported, "AVIF", "Save the photo as JPEG"},
		{"AVIF inside HEIC", located2, CodeUnsupported, "AVIF", "Save the photo as JPEG"},
		{"byte order mark", append([]byte(utf8BOM), photo...), CodeUnreadable, "byte order mark", "upload the photo again"},
		{"byte order mark and text", []byte(utf8BOM + "text"), CodeNotPhoto, "text file", "as JPEG"},

		{"JPEG begin only", photo[:3], CodeTruncated, "before the picture begins", "upload the photo again"},
		{"JPEG cut in its header", photo[:100], CodeTruncated, "before the picture begins", "upload the photo again"},
		{"JPEG cut in the picture", photo[:len(photo)*6/10], CodeTruncated, "before the picture does", "upload the photo again"},
		{"JPEG without its last byte", photo[:len(photo)-1], CodeTruncated, "before the picture does", "upload the photo again"},
		{"JPEG padded with zeros", append(bytes.Clone(photo[:len(photo)/2]), make([]byte, 5000)...), CodeTruncated, "before the picture does", "upload"},
		{"JPEG without a picture", []byte{0xff, 0xd8, 0xff, 0xd9}, CodeUnreadable, "no picture", "upload the photo again"},
		{"JPEG restart lost", lostRestart, CodeUnreadable, "missing", "upload the photo again"},
		{"JPEG closed again", rescued, CodeUnreadable, "missing", "upload the photo again"},
		{"JPEG scan before its frame", closed([]byte{0xff, 0xd8}), CodeUnreadable, "order", "upload the photo again"},
		{"JPEG frame twice", closed(append(jpegHeader(0xc0, 640, 480, 8, 1), jpegHeader(0xc0, 640, 480, 8, 1)[2:]...)), CodeUnreadable, "two frame", "upload"},
		{"JPEG lossless", closed(jpegHeader(0xc3, 640, 480, 8, 1)), CodeUnsupported, "lossless", "Save the photo as JPEG"},
		{"JPEG 12 bit", closed(jpegHeader(0xc1, 640, 480, 12, 1)), CodeUnsupported, "12 bits", "Save the photo as JPEG"},
		{"JPEG two channels", closed(jpegHeader(0xc0, 640, 480, 8, 2)), CodeUnreadable, "2 colour channels", "upload the photo again"},
		{"JPEG no height", closed(jpegHeader(0xc0, 640, 0, 8, 1)), CodeUnsupported, "height", "Save the photo as JPEG"},
		{"JPEG 1x1", encodeJPEG(t, noisy(1, 1)), CodeTooSmall, "1 x 1 pixels; at least 320", "original file"},
		{"JPEG bomb", jpegHeader(0xc0, 30000, 30000, 8, 3), CodeTooLarge, "30000 x 30000", "about 12 megapixels"},
		{"JPEG bomb of the largest size", closed(jpegHeader(0xc2, 65535, 65535, 8, 3)), CodeTooLarge, "65535 x 65535", "about 12 megapixels"},
		{"JPEG strip", jpegHeader(0xc0, 30000, 400, 8, 3), CodeTooLarge, "20000 pixels a side", "about 12 megapixels"},

		{"PNG signature only", []byte(pngSignature), CodeTruncated, "incomplete", "upload the photo again"},
		{"PNG cut", plainPNG[:len(plainPNG)/2], CodeTruncated, "incomplete", "upload the photo again"},
		{"PNG without its end", plainPNG[:len(plainPNG)-12], CodeTruncated, "incomplete", "upload the photo again"},
		{"PNG changed", brokenPNG, CodeUnreadable, "check sum", "upload the photo again"},
		{"PNG bad header sum", append(bytes.Clone(plainPNG[:29]), 1, 2, 3, 4, 0, 0, 0, 0, 0, 0, 0, 0), CodeUnreadable, "check sum", "upload"},
		{"PNG 1x1", encodePNG(t, noisy(1, 1)), CodeTooSmall, "1 x 1 pixels", "original file"},
		{"PNG bomb", pngHeader(30000, 30000, 8, 2), CodeTooLarge, "30000 x 30000", "about 12 megapixels"},
		{"PNG bomb beyond 32 bit", pngHeader(1<<31-1, 1<<31-1, 16, 6), CodeTooLarge, "2147483647 x 2147483647", "about 12 megapixels"},
		{"PNG size 0", pngHeader(0, 400, 8, 2), CodeUnreadable, "0 x 400", "upload the photo again"},
		{"PNG impossible kind", pngHeader(400, 400, 4, 2), CodeUnreadable, "allowed kinds", "upload the photo again"},
		{"PNG without pixels", append(pngHeader(400, 400, 8, 2), pngPart("IEND", nil)...), CodeUnreadable, "no picture", "upload"},

		{"WebP head only", []byte("RIFF\x10\x00\x00\x00WEBP"), CodeTruncated, "incomplete", "upload the photo again"},
		{"WebP cut", testFile(t, "located.webp")[:600], CodeTruncated, "incomplete", "upload the photo again"},
		{"WebP 1x1", webpOf(vp8(1, 1)), CodeTooSmall, "1 x 1 pixels", "original file"},
		{"WebP bomb", webpOf(vp8x(0, 30000, 30000)), CodeTooLarge, "30000 x 30000", "about 12 megapixels"},
		{"WebP bomb in the frame", webpOf(vp8x(0, 400, 400), vp8(16383, 16383)), CodeTooLarge, "16383 x 16383", "about 12 megapixels"},
		{"WebP two sizes", webpOf(vp8x(0, 400, 400), vp8(500, 400)), CodeUnreadable, "two sizes", "upload the photo again"},
		{"WebP moving", webpOf(vp8x(webpAnimated, 400, 400)), CodeUnsupported, "moving", "Save the photo as JPEG"},
		{"WebP without a picture", webpOf(vp8x(0, 400, 400)), CodeUnreadable, "no picture", "upload the photo again"},

		{"HEIC head only", heifPart("ftyp", []byte("heic\x00\x00\x00\x00")), CodeUnreadable, "no picture", "upload the photo again"},
		{"HEIC cut in its list", located[:100], CodeTruncated, "incomplete", "upload the photo again"},
		{"HEIC cut in the picture", located[:len(located)-1000], CodeTruncated, "incomplete", "upload the photo again"},
		{"HEIC data elsewhere", heicOf("heic", "hvc1", 640, 480, 1<<31, 10), CodeTruncated, "incomplete", "upload the photo again"},
		{"HEIC 1x1", heicOf("heic", "hvc1", 1, 1, 0, 4), CodeTooSmall, "1 x 1 pixels", "original file"},
		{"HEIC bomb", heicOf("heic", "hvc1", 30000, 30000, 0, 4), CodeTooLarge, "30000 x 30000", "about 12 megapixels"},
		{"HEIC bomb beyond 32 bit", heicOf("heic", "grid", 1<<32-1, 1<<32-1, 0, 4), CodeTooLarge, "4294967295", "about 12 megapixels"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := Inspect(c.data, DefaultLimits())
			var refusal *Error
			if !errors.As(err, &refusal) {
				t.Fatalf("got %v, want a refusal with code %s", err, c.code)
			}
			if refusal.Code != c.code || !strings.Contains(refusal.Message, c.says) || !strings.Contains(refusal.Advice, c.advice) {
				t.Errorf("got %s: %q %q\nwant %s, ...%s... ...%s...", refusal.Code, refusal.Message, refusal.Advice, c.code, c.says, c.advice)
			}
			for _, s := range []string{refusal.Message, refusal.Advice} {
				if !strings.HasSuffix(s, ".") || strings.ToUpper(s[:1]) != s[:1] {
					t.Errorf("%q is not a sentence", s)
				}
			}
			if refusal.Error() != refusal.Message {
				t.Errorf("Error() = %q, want the message", refusal.Error())
			}
		})
	}
}

func TestInspectByteLimit(t *testing.T) {
	data := encodeJPEG(t, noisy(640, 480))
	lim := DefaultLimits()
	lim.MaxBytes = int64(len(data))
	if _, err := Inspect(data, lim); err != nil {
		t.Errorf("a file of exactly the limit is refused: %v", err)
	}
	lim.MaxBytes--
	var refusal *Error
	if _, err := Inspect(data, lim); !errors.As(err, &refusal) || refusal.Code != CodeTooLarge {
		t.Errorf("one byte above the limit: %v, want %s", err, CodeTooLarge)
	}
}

func TestInspectNamesWrongLimit(t *testing.T) {
	for name, change := range map[string]func(*Limits){
		"MaxBytes": func(l *Limits) { l.MaxBytes = 0 }, "MaxPixels": func(l *Limits) { l.MaxPixels = -1 },
		"MaxSide": func(l *Limits) { l.MaxSide = 3 }, "MinSide": func(l *Limits) { l.MinSide = 0 },
	} {
		lim := DefaultLimits()
		change(&lim)
		var refusal *Error
		_, err := Inspect([]byte("x"), lim)
		if err == nil || !strings.Contains(err.Error(), name) || errors.As(err, &refusal) {
			t.Errorf("%s: got %v, want an error that names it and does not blame the photo", name, err)
		}
	}
}

// The truth of the test files is in testdata/README.md.
func TestInspectDescribes(t *testing.T) {
	grey16 := image.NewGray16(image.Rect(0, 0, 400, 330))
	for _, c := range []struct {
		name           string
		data           []byte
		kind           Kind
		w, h           int
		channels, bits int
		cmyk, grey     bool
	}{
		{"baseline", encodeJPEG(t, noisy(640, 480)), JPEG, 640, 480, 3, 8, false, false},
		{"grey JPEG", testFile(t, "grey.jpg"), JPEG, 640, 480, 1, 8, false, true},
		{"CMYK JPEG", testFile(t, "cmyk.jpg"), JPEG, 640, 480, 4, 8, true, false},
		{"progressive JPEG", testFile(t, "progressive.jpg"), JPEG, 640, 480, 3, 8, false, false},
		{"arithmetic JPEG", testFile(t, "arithmetic.jpg"), JPEG, 640, 480, 3, 8, false, false},
		{"restart JPEG", testFile(t, "restart.jpg"), JPEG, 640, 480, 3, 8, false, false},
		{"JPEG with something after it", append(encodeJPEG(t, noisy(400, 400)), "film of a moving photo \xff\xd8\xff"...), JPEG, 400, 400, 3, 8, false, false},
		{"PNG", encodePNG(t, noisy(500, 400)), PNG, 500, 400, 3, 8, false, false},
		{"PNG 16 bit grey", encodePNG(t, grey16), PNG, 400, 330, 1, 16, false, true},
		{"PNG palette", encodePNG(t, image.NewPaletted(image.Rect(0, 0, 400, 330), color.Palette{color.Black, color.White})), PNG, 400, 330, 3, 8, false, false},
		{"PNG with something after it", append(encodePNG(t, noisy(400, 400)), 0), PNG, 400, 400, 3, 8, false, false},
		{"WebP lossless", testFile(t, "lossless.webp"), WebP, 640, 480, 3, 8, false, false},
		{"WebP extended", testFile(t, "located.webp"), WebP, 640, 480, 3, 8, false, false},
		{"HEIC", testFile(t, "located.heic"), HEIC, 640, 480, 3, 8, false, false},
		{"HEIC turned", testFile(t, "turned.heic"), HEIC, 480, 640, 3, 8, false, false},
		{"HEIC turned twice", heicOf("mif1", "grid", 640, 480, 0, 4, 1, 3), HEIC, 640, 480, 3, 8, false, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			i, err := Inspect(c.data, DefaultLimits())
			if err != nil {
				t.Fatal(err)
			}
			if i.Kind != c.kind || i.Width != c.w || i.Height != c.h || i.Channels != c.channels || i.Bits != c.bits || i.CMYK != c.cmyk || i.Grey != c.grey {
				t.Errorf("got %+v", i)
			}
			if len(i.SHA256) != 64 {
				t.Errorf("SHA256 %q", i.SHA256)
			}
		})
	}
}

// The same EXIF block must read the same from every kind of file, whether a
// program wrote it (ExifTool) or this package.
func TestInspectReadsExifOfEveryKind(t *testing.T) {
	taken := time.Date(2025, 3, 4, 5, 6, 7, 0, time.FixedZone("", 3600))
	tags := Tags{Make: "Kestrel Hollow", Model: "KH-1", Orientation: 6, TakenAt: taken,
		FocalLength: 5.7, FocalLength35: 26, PixelX: 640, PixelY: 480}
	withExif, err := WriteExif(encodeJPEG(t, noisy(640, 480)), tags)
	if err != nil {
		t.Fatal(err)
	}
	plain := encodePNG(t, noisy(640, 480))
	pngExif := bytes.Join([][]byte{plain[:33], pngPart("eXIf", tags.block()), plain[33:]}, nil)
	for name, data := range map[string][]byte{
		"jpeg": withExif, "png": pngExif, "webp": testFile(t, "located.webp"), "heic": testFile(t, "located.heic"),
	} {
		i, err := Inspect(data, DefaultLimits())
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		wantOrientation := 6
		if name == "heic" {
			wantOrientation = 1
		}
		if i.Orientation != wantOrientation || i.Make != "Kestrel Hollow" || i.Model != "KH-1" {
			t.Errorf("%s: orientation %d, make %q, model %q", name, i.Orientation, i.Make, i.Model)
		}
		if !i.HasTime || !i.ZoneKnown || !i.TakenAt.Equal(taken) {
			t.Errorf("%s: taken %v", name, i.TakenAt)
		}
		// 26 / 43.2666 * sqrt(640^2 + 480^2) = 480.74, the CSV's third case.
		if i.Focal.Source != Source35mm || i.Focal.Pixels < 480.73 || i.Focal.Pixels > 480.75 {
			t.Errorf("%s: focal %+v", name, i.Focal)
		}
		if len(i.Warnings) != 0 {
			t.Errorf("%s: warnings %v", name, i.Warnings)
		}
	}
}

func withBlock(t testing.TB, block []byte) []byte {
	t.Helper()
	photo := encodeJPEG(t, noisy(640, 480))
	n := 8 + len(block)
	seg := append([]byte{0xff, 0xd8, 0xff, mAPP1, byte(n >> 8), byte(n)}, "Exif\x00\x00"...)
	return bytes.Join([][]byte{seg, block, photo[2:]}, nil)
}

func TestDamagedExifWarns(t *testing.T) {
	good := Tags{Orientation: 3, FocalLength: 5.7, FocalLength35: 26, PixelX: 640, PixelY: 480, Model: "KH-1 long name"}.block()
	loop := bytes.Clone(good)
	// The EXIF directory points back to IFD0.
	i := bytes.Index(loop, []byte{0x87, 0x69, 0, 4, 0, 0, 0, 1})
	binary.BigEndian.PutUint32(loop[i+8:], 8)
	outside := bytes.Clone(good)
	binary.BigEndian.PutUint32(outside[i+8:], 1<<30)
	manyEntries := bytes.Clone(good)
	binary.BigEndian.PutUint16(manyEntries[8:], 65535)
	badType := exifBlock([]exifField{exifShort(tagOrientation, 3), {tagMake, 77, 1, []byte{1}}, {0x9999, 0, 1, nil}},
		[]exifField{exifShort(tagFocalLength35, 26)}, nil)
	utf8 := exifBlock([]exifField{exifShort(tagOrientation, 3), {tagModel, tiffUTF8, 6, []byte("KH-\xc3\xa4\x00")}},
		[]exifField{exifShort(tagFocalLength35, 26)}, nil)

	for _, c := range []struct {
		name        string
		block       []byte
		damaged     bool
		orientation int
		source      string
	}{
		{"sound", good, false, 3, Source35mm},
		{"nothing", nil, true, 1, SourceAssumed},
		{"rubbish", bytes.Repeat([]byte("rubbish "), 100), true, 1, SourceAssumed},
		{"header only", good[:8], true, 1, SourceAssumed},
		{"cut in IFD0", good[:12], true, 1, SourceAssumed},
		{"cut in the EXIF directory", good[:len(good)-10], true, 3, Source35mm},
		{"directory loop", loop, true, 3, SourceAssumed},
		{"directory outside", outside, true, 3, SourceAssumed},
		{"65535 entries", manyEntries, true, 3, SourceAssumed},
		{"unknown types", badType, true, 3, Source35mm},
		{"UTF-8 text of Exif 3.0", utf8, false, 3, Source35mm},
	} {
		t.Run(c.name, func(t *testing.T) {
			i, err := Inspect(withBlock(t, c.block), DefaultLimits())
			if err != nil {
				t.Fatal(err)
			}
			if got := hasWarning(i.Warnings, WarnExifDamaged); got != c.damaged {
				t.Errorf("damage warning %v, want %v (%v)", got, c.damaged, i.Warnings)
			}
			if i.Orientation != c.orientation || i.Focal.Source != c.source {
				t.Errorf("orientation %d, focal %+v", i.Orientation, i.Focal)
			}
		})
	}
}

func hasWarning(list []Warning, code string) bool {
	for _, w := range list {
		if w.Code == code {
			return true
		}
	}
	return false
}

// Cameras exist that put EXIF tags into the main directory and the other way
// round; the tag in its right place wins.
func TestExifTagsInTheWrongDirectory(t *testing.T) {
	swapped := exifBlock([]exifField{exifShort(tagFocalLength35, 66), exifText(tagMake, "right")},
		[]exifField{exifText(tagModel, "KH-1"), exifShort(tagOrientation, 8), exifText(tagMake, "wrong")}, nil)
	tags, err := readExif(swapped)
	if err != nil || tags.focal35 != 66 || tags.model != "KH-1" || tags.orientation != 8 || tags.make != "right" {
		t.Errorf("%+v, %v", tags, err)
	}
	both := exifBlock([]exifField{exifShort(tagFocalLength35, 66)}, []exifField{exifShort(tagFocalLength35, 26)}, nil)
	if tags, err := readExif(both); err != nil || tags.focal35 != 26 {
		t.Errorf("%+v, %v", tags, err)
	}
}

func TestWrongOrientationTagWarns(t *testing.T) {
	for _, o := range []int{0, 9, 255, 65535} {
		data := withBlock(t, exifBlock([]exifField{exifShort(tagOrientation, o)}, nil, nil))
		i, err := Inspect(data, DefaultLimits())
		if err != nil {
			t.Fatal(err)
		}
		if i.Orientation != 1 || !hasWarning(i.Warnings, WarnOrientation) {
			t.Errorf("tag %d: orientation %d, warnings %v", o, i.Orientation, i.Warnings)
		}
	}
	for o := 1; o <= 8; o++ {
		i, err := Inspect(withBlock(t, exifBlock([]exifField{exifShort(tagOrientation, o)}, nil, nil)), DefaultLimits())
		if err != nil || i.Orientation != o || hasWarning(i.Warnings, WarnOrientation) {
			t.Errorf("tag %d: %+v, %v", o, i, err)
		}
	}
}

// A JPEG of nothing but tiny segments, a HEIC whose extents take no bytes: both
// would fill memory if their lists were kept.
func TestInspectBoundsLists(t *testing.T) {
	many := append([]byte{0xff, 0xd8}, bytes.Repeat([]byte{0xff, mCOM, 0, 2}, 2*maxParts)...)
	var refusal *Error
	if _, err := Inspect(many, DefaultLimits()); !errors.As(err, &refusal) || refusal.Code != CodeUnreadable {
		t.Errorf("many segments: %v", err)
	}
	iloc := []byte{1, 0, 0, 0, 0, 0, 0xff, 0xff} // no offset, no length, 65535 items
	for id := range 20_000 {
		iloc = append(iloc, byte(id>>8), byte(id), 0, 0, 0, 0, 0xff, 0xff)
	}
	heic := append(heifPart("ftyp", []byte("heic\x00\x00\x00\x00")),
		heifPart("meta", []byte{0, 0, 0, 0}, heifPart("iloc", iloc))...)
	if _, err := Inspect(heic, DefaultLimits()); !errors.As(err, &refusal) {
		t.Errorf("many extents: %v", err)
	}
}

func BenchmarkInspectWithoutHash(b *testing.B) {
	data := encodeJPEG(b, noisy(1600, 1200))
	data, err := WriteExif(data, Tags{Make: "M", Model: "M", Orientation: 6, FocalLength: 5.7, FocalLength35: 26, PixelX: 1600, PixelY: 1200})
	if err != nil {
		b.Fatal(err)
	}
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		h, err := readHeader(JPEG, data)
		if err != nil {
			b.Fatal(err)
		}
		if describe(JPEG, h).Focal.Source != Source35mm {
			b.Fatal("no focal length")
		}
	}
}
