package photo

import (
	"bytes"
	"hash/crc32"
)

// pngChunk is one chunk; data[start:end] includes length, type and CRC.
type pngChunk struct {
	name             string
	start, body, end int
}

type pngFile struct {
	header
	chunks []pngChunk
	end    int // just after IEND
}

// walkPNG reads the header and follows the chunks to IEND. The check sums of
// the critical chunks are verified: it is cheap, and a decoder would stop
// half-way. The header is valid whenever width is set, even with an error.
func walkPNG(data []byte) (pngFile, error) {
	var f pngFile
	hasPixels := false
	pos := len(pngSignature)
	for {
		if pos+12 > len(data) {
			return f, truncated(PNG, "it ends before the picture does")
		}
		n := be32(data[pos:])
		name := string(data[pos+4 : pos+8])
		if f.width == 0 && (name != "IHDR" || n != 13) {
			return f, unreadable(PNG, "it does not begin with a header")
		}
		if n > int64(len(data)-pos-12) {
			return f, truncated(PNG, "it ends before the picture does")
		}
		c := pngChunk{name: name, start: pos, body: pos + 8, end: pos + 12 + int(n)}
		body := data[c.body : c.end-4]
		if critical := name[0]&0x20 == 0; critical {
			if crc32.ChecksumIEEE(data[pos+4:c.end-4]) != uint32(be32(data[c.end-4:])) {
				return f, unreadable(PNG, "the check sum of its %q part is wrong", name)
			}
		}
		if f.chunks = append(f.chunks, c); len(f.chunks) > maxParts {
			return f, unreadable(PNG, "it has more than %d parts", maxParts)
		}
		pos = c.end
		switch name {
		case "IHDR":
			if f.width != 0 {
				return f, unreadable(PNG, "it has two headers")
			}
			if err := f.readHeader(body); err != nil {
				return f, err
			}
		case "IDAT":
			hasPixels = true
		case "eXIf":
			f.takeExif(bareTIFF(body))
		case "tEXt", "zTXt", "iTXt":
			f.location = f.location || pngTextNamesPlace(body)
		case "IEND":
			if !hasPixels {
				return f, unreadable(PNG, "it holds no picture")
			}
			f.end = pos
			return f, nil
		}
	}
}

func (f *pngFile) readHeader(b []byte) error {
	w, h := be32(b), be32(b[4:])
	depth, colour := int(b[8]), b[9]
	// PNG third edition 11.2.1: 1 .. 2^31-1.
	if w < 1 || h < 1 || w > 1<<31-1 || h > 1<<31-1 {
		return unreadable(PNG, "its size is %d x %d", w, h)
	}
	f.width, f.height, f.bits = int(w), int(h), depth
	allowed := map[byte]struct {
		channels int
		depths   string
	}{
		0: {1, "\x01\x02\x04\x08\x10"}, 2: {3, "\x08\x10"}, 3: {3, "\x01\x02\x04\x08"},
		4: {2, "\x08\x10"}, 6: {4, "\x08\x10"},
	}
	a, ok := allowed[colour]
	if !ok || bytes.IndexByte([]byte(a.depths), byte(depth)) < 0 || b[10] != 0 || b[11] != 0 || b[12] > 1 {
		return unreadable(PNG, "its header is not one of the allowed kinds")
	}
	f.channels = a.channels
	if colour == 3 { // a palette of 8-bit colours
		f.bits = 8
	}
	return nil
}
