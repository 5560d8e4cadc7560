package photo

import "encoding/binary"

// EXIF tags used here (CIPA DC-008, tables 4 to 7).
const (
	tagMake               = 0x010f
	tagModel              = 0x0110
	tagOrientation        = 0x0112
	tagXMP                = 0x02bc
	tagIPTC               = 0x83bb
	tagExifIFD            = 0x8769
	tagGPSIFD             = 0x8825
	tagDateTimeOriginal   = 0x9003
	tagOffsetTimeOriginal = 0x9011
	tagFocalLength        = 0x920a
	tagPixelXDimension    = 0xa002
	tagPixelYDimension    = 0xa003
	tagFocalPlaneXRes     = 0xa20e
	tagFocalPlaneYRes     = 0xa20f
	tagFocalPlaneUnit     = 0xa210
	tagDigitalZoomRatio   = 0xa404
	tagFocalLength35      = 0xa405

	tagNone = 0xffff // reserved here for entries taken out
)

// Types of TIFF 6.0 with their sizes in bytes; 129 is UTF-8 text of Exif 3.0.
var tiffSizes = map[uint16]int64{1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 129: 1}

const (
	tiffByte      = 1
	tiffASCII     = 2
	tiffShort     = 3
	tiffLong      = 4
	tiffRational  = 5
	tiffUndefined = 7
	tiffUTF8      = 129
)

// tiffBlock is the TIFF structure that EXIF is kept in: offsets count from its
// beginning.
type tiffBlock struct {
	data  []byte
	order binary.ByteOrder
	first int // position of IFD0
}

func openTIFF(data []byte) (tiffBlock, bool) {
	t := tiffBlock{data: data}
	if len(data) < 8 {
		return t, false
	}
	switch string(data[:4]) {
	case "II*\x00":
		t.order = binary.LittleEndian
	case "MM\x00*":
		t.order = binary.BigEndian
	default:
		return t, false
	}
	first := t.order.Uint32(data[4:])
	t.first = int(first)
	return t, first >= 8 && int64(first) <= int64(len(data)-2)
}

// tiffEntry is one entry of a directory.
type tiffEntry struct {
	tag, kind uint16
	count     uint32
	pos       int // of the 12 bytes
	from, to  int // the value; from is -1 when it lies outside the block
}

// entries lists the directory at pos and gives the position of the next one, 0
// when there is none. ok is false when the directory runs out of the block;
// what fits is listed all the same.
func (t tiffBlock) entries(pos int) (list []tiffEntry, next int, ok bool) {
	if pos < 8 || pos > len(t.data)-2 {
		return nil, 0, false
	}
	n := int(t.order.Uint16(t.data[pos:]))
	fit := (len(t.data) - pos - 2) / 12
	ok = n <= fit
	n = min(n, fit)
	list = make([]tiffEntry, n)
	for i := range list {
		p := pos + 2 + 12*i
		e := tiffEntry{tag: t.order.Uint16(t.data[p:]), kind: t.order.Uint16(t.data[p+2:]), count: t.order.Uint32(t.data[p+4:]), pos: p, from: -1, to: -1}
		if size, known := tiffSizes[e.kind]; known {
			length := size * int64(e.count)
			from := int64(p + 8)
			if length > 4 {
				from = int64(t.order.Uint32(t.data[p+8:]))
			}
			if from+length <= int64(len(t.data)) {
				e.from, e.to = int(from), int(from+length)
			}
		}
		list[i] = e
	}
	if end := pos + 2 + 12*n; ok && end+4 <= len(t.data) {
		next = int(t.order.Uint32(t.data[end:]))
	}
	return list, next, ok
}

// pointer reads the offset of a sub-directory, 0 when the entry holds none.
func (t tiffBlock) pointer(e tiffEntry) int {
	if e.kind != tiffLong || e.count != 1 {
		return 0
	}
	return int(t.order.Uint32(t.data[e.from:]))
}
