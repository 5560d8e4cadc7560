package photo

import (
	"bytes"
	"encoding/binary"
)

func be16(b []byte) int { return int(binary.BigEndian.Uint16(b)) }

// be32 fits an int: the project is built for 64-bit machines only, and every
// use compares the result with a length before it indexes anything.
func be32(b []byte) int64 { return int64(binary.BigEndian.Uint32(b)) }

func le32(b []byte) int64 { return int64(binary.LittleEndian.Uint32(b)) }

// header is what the file itself says, before EXIF is read.
type header struct {
	width, height  int
	boundW, boundH int // the largest picture announced anywhere, for the limits; 0 when the same
	channels, bits int
	cmyk           bool
	exif           []byte // the TIFF block, nil when absent
	location       bool   // a place is named outside the EXIF block
}

// maxParts bounds the segments, chunks or items of one file: photos have tens,
// a PNG of small pieces thousands.
const maxParts = 100_000

// takeExif keeps the first EXIF block; of further ones only the place matters.
func (h *header) takeExif(block []byte) {
	if h.exif == nil {
		h.exif = block
	} else {
		h.location = h.location || hasGPS(block)
	}
}

// bareTIFF takes off the prefix of a JPEG's EXIF segment, which some programs
// write in other files too.
func bareTIFF(b []byte) []byte { return bytes.TrimPrefix(b, []byte("Exif\x00\x00")) }
