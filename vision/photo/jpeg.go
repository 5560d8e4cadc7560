package photo

import (
	"bytes"
)

// Markers of ITU-T T.81, table B.1.
const (
	mSOF0 = 0xc0
	mSOF2 = 0xc2
	mDHT  = 0xc4
	mJPG  = 0xc8
	mDAC  = 0xcc
	mRST0 = 0xd0
	mRST7 = 0xd7
	mSOI  = 0xd8
	mEOI  = 0xd9
	mSOS  = 0xda
	mDRI  = 0xdd
	mAPP0 = 0xe0
	mAPP1 = 0xe1
	mAPPF = 0xef
	mCOM  = 0xfe
	mTEM  = 0x01
)

// maxScans is far above what cameras and editors write (about ten); every
// scan of a progressive picture costs a pass over all of it.
const maxScans = 100

var exifPrefix = []byte("Exif\x00")

// jpegSegment is one marker segment; data[start] is its 0xff, data[body:end]
// what follows the length.
type jpegSegment struct {
	marker           byte
	start, body, end int
}

type jpegFile struct {
	header
	extras []jpegSegment // APPn and COM
	end    int           // just after the end-of-image marker
}

type jpegComponent struct{ id, h, v int }

// walkJPEG follows the markers from start to end of the picture. Entropy-coded
// data are searched for markers only. The header is valid whenever width is
// set, even with an error.
func walkJPEG(data []byte) (jpegFile, error) {
	var f jpegFile
	var frame []jpegComponent
	sequentialOrProgressive := false
	restart, scans := 0, 0
	pos := 2
	for {
		// Stray bytes before a marker are skipped, as decoders do.
		i := bytes.IndexByte(data[pos:], 0xff)
		if i < 0 {
			return f, truncatedJPEG(f)
		}
		start := pos + i
		pos = start + 1
		for pos < len(data) && data[pos] == 0xff {
			pos++
		}
		if pos >= len(data) {
			return f, truncatedJPEG(f)
		}
		marker := data[pos]
		pos++
		switch {
		case marker == 0 || marker == mTEM || (marker >= mRST0 && marker <= mRST7):
			continue
		case marker == mSOI:
			return f, unreadable(JPEG, "a second picture begins inside the first")
		case marker == mEOI:
			if scans == 0 {
				return f, unreadable(JPEG, "it holds no picture")
			}
			f.end = pos
			return f, nil
		}
		if pos+2 > len(data) {
			return f, truncatedJPEG(f)
		}
		n := be16(data[pos:])
		if n < 2 {
			return f, unreadable(JPEG, "marker %#02x has length %d", marker, n)
		}
		if pos+n > len(data) {
			return f, truncatedJPEG(f)
		}
		body := data[pos+2 : pos+n]
		seg := jpegSegment{marker: marker, start: start, body: pos + 2, end: pos + n}
		pos += n
		switch {
		case marker >= mAPP0 && marker <= mAPPF || marker == mCOM:
			if f.extras = append(f.extras, seg); len(f.extras) > maxParts {
				return f, unreadable(JPEG, "it has more than %d parts", maxParts)
			}
			if exif := jpegExif(seg, data); exif != nil {
				f.takeExif(exif)
			} else if namesPlace(seg, data) {
				f.location = true
			}
		case marker == mDRI && len(body) >= 2:
			restart = be16(body)
		case marker >= mSOF0 && marker <= 0xcf && marker != mDHT && marker != mJPG && marker != mDAC:
			if frame != nil {
				return f, unreadable(JPEG, "it has two frame headers")
			}
			var err error
			if frame, err = f.readFrame(marker, body); err != nil {
				return f, err
			}
			sequentialOrProgressive = marker <= mSOF2
		case marker == mSOS:
			if scans++; frame == nil || scans > maxScans {
				return f, unreadable(JPEG, "its scans are not in order")
			}
			next, restarts, inOrder := skipScan(data, pos)
			if next < 0 {
				return f, truncatedJPEG(f)
			}
			pos = next
			if restart > 0 && sequentialOrProgressive {
				if want := (f.scanUnits(frame, body)+restart-1)/restart - 1; !inOrder || restarts < want {
					return f, unreadable(JPEG, "part of the picture data is missing")
				}
			}
		}
	}
}

func truncatedJPEG(f jpegFile) *Error {
	if f.width == 0 {
		return truncated(JPEG, "it ends before the picture begins")
	}
	return truncated(JPEG, "it ends before the picture does")
}

// readFrame reads a frame header (T.81 B.2.2).
func (f *jpegFile) readFrame(marker byte, b []byte) ([]jpegComponent, error) {
	if len(b) < 6 || len(b) < 6+3*int(b[5]) {
		return nil, unreadable(JPEG, "its frame header is too short")
	}
	bits, n := int(b[0]), int(b[5])
	h, w := be16(b[1:]), be16(b[3:])
	if w == 0 {
		return nil, unreadable(JPEG, "its width is 0")
	}
	f.width, f.height, f.channels, f.bits, f.cmyk = w, h, n, bits, n == 4
	switch marker {
	case mSOF0, mSOF0 + 1, mSOF2, 0xc9, 0xca: // Huffman and arithmetic coding
	default:
		return nil, unsupported("a lossless or hierarchical JPEG")
	}
	if h == 0 { // T.81 B.2.5: the height would follow after the first scan
		return nil, unsupported("a JPEG of undeclared height")
	}
	if bits != 8 {
		return nil, unsupported("a JPEG of %d bits a channel", bits)
	}
	if n != 1 && n != 3 && n != 4 {
		return nil, unreadable(JPEG, "it has %d colour channels", n)
	}
	frame := make([]jpegComponent, n)
	for i := range frame {
		c := b[6+3*i:]
		frame[i] = jpegComponent{id: int(c[0]), h: int(c[1] >> 4), v: int(c[1] & 15)}
		if frame[i].h < 1 || frame[i].h > 4 || frame[i].v < 1 || frame[i].v > 4 {
			return nil, unreadable(JPEG, "its sampling factors are wrong")
		}
	}
	return frame, nil
}

// skipScan runs over entropy-coded data from pos to the next marker that is
// neither a stuffed 0xff nor a restart. It returns that marker's position, or
// -1 at the end of the data, the number of restarts, and whether they count
// 0..7 in turn.
func skipScan(data []byte, pos int) (next, restarts int, inOrder bool) {
	inOrder = true
	for {
		i := bytes.IndexByte(data[pos:], 0xff)
		if i < 0 {
			return -1, restarts, inOrder
		}
		pos += i + 1
		for pos < len(data) && data[pos] == 0xff {
			pos++
		}
		if pos >= len(data) {
			return -1, restarts, inOrder
		}
		switch m := data[pos]; {
		case m == 0:
			pos++
		case m >= mRST0 && m <= mRST7:
			if int(m-mRST0) != restarts%8 {
				inOrder = false
			}
			restarts++
			pos++
		default:
			return pos - 1, restarts, inOrder
		}
	}
}

// scanUnits counts the minimum coded units of a scan (T.81 A.2).
func (f *jpegFile) scanUnits(frame []jpegComponent, sos []byte) int {
	hMax, vMax := 1, 1
	for _, c := range frame {
		hMax, vMax = max(hMax, c.h), max(vMax, c.v)
	}
	ceil := func(a, b int) int { return (a + b - 1) / b }
	if len(sos) > 1 && sos[0] == 1 {
		for _, c := range frame {
			if c.id == int(sos[1]) {
				return ceil(ceil(f.width*c.h, hMax), 8) * ceil(ceil(f.height*c.v, vMax), 8)
			}
		}
		return 0
	}
	return ceil(f.width, 8*hMax) * ceil(f.height, 8*vMax)
}

// jpegExif returns the TIFF block of an EXIF segment, nil for another segment.
func jpegExif(s jpegSegment, data []byte) []byte {
	body := data[s.body:s.end]
	if s.marker != mAPP1 || !bytes.HasPrefix(body, exifPrefix) || len(body) < 6 {
		return nil
	}
	return body[6:]
}
