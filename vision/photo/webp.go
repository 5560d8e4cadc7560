package photo

// webpChunk is one RIFF chunk; data[start:end] includes its head and padding.
type webpChunk struct {
	name                   string
	start, body, stop, end int // data[body:stop] is the content
}

type webpFile struct {
	header
	chunks []webpChunk
	end    int
}

const (
	webpAnimated = 1 << 1 // flags of the VP8X chunk, RFC 9649 section 2.7.1
	webpXMP      = 1 << 2
)

// walkWebP reads the headers of a WebP file (RFC 9649). The header is valid
// whenever width is set, even with an error.
func walkWebP(data []byte) (webpFile, error) {
	var f webpFile
	short := truncated(WebP, "it ends before the picture does")
	size := le32(data[4:]) + 8
	f.end = int(min(size, int64(len(data))))
	hasPixels, extended := false, false
	for pos := 12; pos+8 <= f.end; {
		n := le32(data[pos+4:])
		c := webpChunk{name: string(data[pos : pos+4]), start: pos, body: pos + 8}
		cut := n > int64(f.end-c.body)
		c.stop = c.body + int(min(n, int64(f.end-c.body)))
		c.end = min(c.stop+int(n&1), f.end)
		body := data[c.body:c.stop]
		f.chunks = append(f.chunks, c)
		pos = c.end
		switch c.name {
		case "VP8X":
			if len(body) < 10 {
				return f, short
			}
			extended = true
			f.setSize(1+le24(body[4:]), 1+le24(body[7:]))
			if body[0]&webpAnimated != 0 {
				return f, unsupported("a moving picture")
			}
		case "VP8 ", "VP8L":
			w, h, err := webpFrameSize(c.name, body)
			if err != nil {
				return f, err
			}
			if extended && (w != f.width || h != f.height) {
				f.boundW, f.boundH = w, h
				return f, unreadable(WebP, "its two sizes differ")
			}
			f.setSize(w, h)
			hasPixels = true
		case "EXIF":
			f.takeExif(bareTIFF(body))
		case "XMP ":
			f.location = f.location || hasLocationWords(body)
		}
		if cut {
			return f, short
		}
		if len(f.chunks) > maxParts {
			return f, unreadable(WebP, "it has more than %d parts", maxParts)
		}
	}
	switch {
	case size > int64(len(data)):
		return f, short
	case !hasPixels:
		return f, unreadable(WebP, "it holds no picture")
	}
	return f, nil
}

func (f *webpFile) setSize(w, h int) { f.width, f.height, f.channels, f.bits = w, h, 3, 8 }

// webpFrameSize reads the size from a lossy (RFC 6386 section 9.1) or lossless
// (RFC 9649 section 3.4) bit stream.
func webpFrameSize(name string, b []byte) (w, h int, err error) {
	if name == "VP8 " {
		if len(b) < 10 {
			return 0, 0, truncated(WebP, "it ends before the picture begins")
		}
		if b[0]&1 != 0 || b[3] != 0x9d || b[4] != 0x01 || b[5] != 0x2a {
			return 0, 0, unreadable(WebP, "its picture does not begin with a key frame")
		}
		w, h = (int(b[7])<<8|int(b[6]))&0x3fff, (int(b[9])<<8|int(b[8]))&0x3fff
	} else {
		if len(b) < 5 {
			return 0, 0, truncated(WebP, "it ends before the picture begins")
		}
		if b[0] != 0x2f {
			return 0, 0, unreadable(WebP, "its lossless picture has a wrong signature")
		}
		v := le32(b[1:])
		w, h = int(v&0x3fff)+1, int(v>>14&0x3fff)+1
	}
	if w == 0 || h == 0 {
		return 0, 0, unreadable(WebP, "its size is %d x %d", w, h)
	}
	return w, h, nil
}

func le24(b []byte) int { return int(b[0]) | int(b[1])<<8 | int(b[2])<<16 }
