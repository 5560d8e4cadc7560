package main

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"image"
	"image/jpeg"
	"math/rand/v2"
	"strings"
	"testing"
)

// shrunk is a photo of a by-th of the size.
func shrunk(t *testing.T, data []byte, by int) []byte {
	t.Helper()
	img, err := jpeg.Decode(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	b := img.Bounds()
	small := image.NewRGBA(image.Rect(0, 0, b.Dx()/by, b.Dy()/by))
	for y := range small.Bounds().Dy() {
		for x := range small.Bounds().Dx() {
			small.Set(x, y, img.At(b.Min.X+x*by, b.Min.Y+y*by))
		}
	}
	var out bytes.Buffer
	if err := jpeg.Encode(&out, small, nil); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// names are those of files that want to be somewhere else.
var names = []string{"../../../../etc/cron.d/x.jpg", `..\..\..\windows\x.jpg`, "/etc/passwd", "C:\\x.jpg", "a/../../b.jpg", ".", "..", "", "x.jpg\x00.sh", "\r\nSet-Cookie: x=1",
	strings.Repeat("x", 5000) + ".jpg", "<script>alert(1)</script>.jpg", "'; DROP TABLE photo; --.jpg", "\xff\xfe\xfd.jpg", "\u202egpj.exe", "COM1", "~/.ssh/x.jpg", "%2e%2e%2fx.jpg", "${HOME}.jpg", "-rf"}

// kindsOfFiles makes one damaged or hostile file each, from a small real photo that
// carries no answer.
var kindsOfFiles = []struct {
	name string
	file func(r *rand.Rand, photo []byte) []byte
}{
	{"nothing", func(*rand.Rand, []byte) []byte { return nil }},
	{"truncated", func(r *rand.Rand, p []byte) []byte { return p[:1+r.IntN(len(p)-1)] }},
	{"truncated and padded with zeros", func(r *rand.Rand, p []byte) []byte {
		out := make([]byte, len(p))
		copy(out, p[:r.IntN(len(p))])
		return out
	}},
	{"bits flipped", func(r *rand.Rand, p []byte) []byte {
		out := bytes.Clone(p)
		for range 1 + r.IntN(30) {
			out[r.IntN(len(out))] ^= 1 << r.IntN(8)
		}
		return out
	}},
	{"bits of the header flipped", func(r *rand.Rand, p []byte) []byte {
		out := bytes.Clone(p)
		for range 1 + r.IntN(8) {
			out[2+r.IntN(600)] ^= 1 << r.IntN(8)
		}
		return out
	}},
	{"a stretch repeated", func(r *rand.Rand, p []byte) []byte {
		a, b := r.IntN(len(p)), r.IntN(len(p))
		a, b = min(a, b), max(a, b)
		return append(append(bytes.Clone(p[:b]), p[a:b]...), p[b:]...)
	}},
	{"a stretch taken out", func(r *rand.Rand, p []byte) []byte {
		a := r.IntN(len(p) - 2)
		return append(bytes.Clone(p[:a]), p[a+1+r.IntN(len(p)-a-1):]...)
	}},
	{"noise", func(r *rand.Rand, _ []byte) []byte { return noise(r, 1+r.IntN(20_000)) }},
	{"noise that begins like a JPEG", func(r *rand.Rand, _ []byte) []byte {
		return append([]byte{0xff, 0xd8, 0xff, 0xe0}, noise(r, r.IntN(5000))...)
	}},
	{"noise that begins like a HEIC", func(r *rand.Rand, _ []byte) []byte {
		return append([]byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic"), noise(r, r.IntN(5000))...)
	}},
	{"noise that begins like a WebP", func(r *rand.Rand, _ []byte) []byte {
		return append([]byte("RIFF\x00\x10\x00\x00WEBPVP8 "), noise(r, r.IntN(5000))...)
	}},
	{"a JPEG that says it is huge", func(r *rand.Rand, p []byte) []byte {
		out := bytes.Clone(p)
		if i := bytes.Index(out, []byte{0xff, 0xc0}); i > 0 {
			binary.BigEndian.PutUint16(out[i+5:], uint16(65_500-r.IntN(1000))) //nolint:gosec // in range
			binary.BigEndian.PutUint16(out[i+7:], uint16(65_500-r.IntN(1000))) //nolint:gosec // in range
		}
		return out
	}},
	{"a JPEG of a size that it is not", func(r *rand.Rand, p []byte) []byte {
		out := bytes.Clone(p)
		if i := bytes.Index(out, []byte{0xff, 0xc0}); i > 0 {
			binary.BigEndian.PutUint16(out[i+5:], uint16(r.IntN(4000))) //nolint:gosec // in range
			binary.BigEndian.PutUint16(out[i+7:], uint16(r.IntN(4000))) //nolint:gosec // in range
		}
		return out
	}},
	{"a PNG bomb", func(r *rand.Rand, _ []byte) []byte { return pngBomb(1_000_000+r.Uint32N(1_000_000), 50_000) }},
	{"a PNG of many pixels in few bytes", func(r *rand.Rand, _ []byte) []byte { return pngBomb(9000, 9000+r.Uint32N(1000)) }},
	{"a PNG of no size", func(*rand.Rand, []byte) []byte { return pngBomb(0, 0) }},
	{"huge EXIF", func(r *rand.Rand, p []byte) []byte {
		out := bytes.Clone(p[:2])
		for range 20 + r.IntN(40) {
			out = append(out, 0xff, 0xe1, 0xff, 0xff)
			out = append(out, "Exif\x00\x00MM\x00*\x00\x00\x00\x08\xff\xff"...)
			out = append(out, noise(r, 65_533-16)...)
		}
		return append(out, p[2:]...)
	}},
	{"EXIF that leads in a circle", func(r *rand.Rand, p []byte) []byte {
		tiff := []byte("II*\x00\x08\x00\x00\x00\x02\x00\x69\x87\x04\x00\x01\x00\x00\x00\x08\x00\x00\x00\x25\x88\x04\x00\x01\x00\x00\x00\x08\x00\x00\x00\x08\x00\x00\x00")
		tiff[8] = byte(2 + r.IntN(250)) //nolint:gosec // below 256
		return segment(p, 0xe1, append([]byte("Exif\x00\x00"), tiff...))
	}},
	{"a photo with a program behind it", func(r *rand.Rand, p []byte) []byte {
		return append(bytes.Clone(p), append([]byte("#!/bin/sh\nrm -rf /\n"), noise(r, 500)...)...)
	}},
	{"a photo with an archive behind it", func(_ *rand.Rand, p []byte) []byte {
		return append(bytes.Clone(p), "PK\x03\x04\x14\x00../../../../tmp/evil"...)
	}},
	{"a photo with a page in its comment", func(_ *rand.Rand, p []byte) []byte {
		return segment(p, 0xfe, []byte("<html><script>fetch('//x')</script></html>"))
	}},
	{"a page", func(*rand.Rand, []byte) []byte { return []byte("<!doctype html><script>alert(1)</script>") }},
	{"a drawing", func(*rand.Rand, []byte) []byte {
		return []byte(`<svg xmlns="http://www.w3.org/2000/svg"><image href="file:///etc/passwd"/></svg>`)
	}},
	{"XML that grows", func(*rand.Rand, []byte) []byte {
		return []byte(`<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b "bbbb"><!ENTITY c "&b;&b;&b;&b;">]><a>&c;</a>`)
	}},
	{"a document", func(r *rand.Rand, _ []byte) []byte { return append([]byte("%PDF-1.7\n"), noise(r, 2000)...) }},
	{"a program", func(r *rand.Rand, _ []byte) []byte { return append([]byte("\x7fELF\x02\x01\x01"), noise(r, 2000)...) }},
	{"a GIF", func(r *rand.Rand, _ []byte) []byte {
		return append([]byte("GIF89a\xff\xff\xff\xff\xf7\x00\x00"), noise(r, 800)...)
	}},
	{"a TIFF", func(r *rand.Rand, _ []byte) []byte {
		return append([]byte("II*\x00\x08\x00\x00\x00\xff\xff"), noise(r, 800)...)
	}},
	{"a name that leads elsewhere", func(r *rand.Rand, p []byte) []byte { return another(p, fmt.Sprint(r.Uint64())) }},
}

// hostile is the i-th file, its kind, and its name.
func hostile(r *rand.Rand, i int, photo []byte) (kind, name string, data []byte) {
	k := kindsOfFiles[i%len(kindsOfFiles)]
	name = "end.jpg"
	if i%2 == 0 || strings.HasPrefix(k.name, "a name") {
		name = names[r.IntN(len(names))]
	}
	return k.name, name, k.file(r, photo)
}

func noise(r *rand.Rand, n int) []byte {
	out := make([]byte, n)
	for i := range out {
		out[i] = byte(r.Uint32()) //nolint:gosec // any byte
	}
	return out
}

// segment puts a segment behind a JPEG's start.
func segment(jpeg []byte, marker byte, body []byte) []byte {
	out := binary.BigEndian.AppendUint16([]byte{0xff, 0xd8, 0xff, marker}, uint16(len(body)+2)) //nolint:gosec // short
	return append(append(out, body...), jpeg[2:]...)
}

// pngBomb is a PNG that says it is so large, with next to no data.
func pngBomb(width, height uint32) []byte {
	chunk := func(kind string, body []byte) []byte {
		out := binary.BigEndian.AppendUint32(nil, uint32(len(body))) //nolint:gosec // short
		out = append(append(out, kind...), body...)
		return binary.BigEndian.AppendUint32(out, crc32.ChecksumIEEE(out[4:]))
	}
	header := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, width), height)
	header = append(header, 8, 2, 0, 0, 0)
	out := append([]byte("\x89PNG\r\n\x1a\n"), chunk("IHDR", header)...)
	out = append(out, chunk("IDAT", []byte("\x78\x9c\xed\xc1\x01\x01\x00\x00\x00\x80\x90\xfe\xaf\xee\x08\x0a"))...)
	return append(out, chunk("IEND", nil)...)
}
