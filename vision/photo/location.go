package photo

import "bytes"

// locationWords are what XMP and other text metadata name a place with, in
// lower case: EXIF's GPS tags in XMP, the IPTC Core and Extension schemas,
// Photoshop's, drones' and C2PA's.
var locationWords = [][]byte{
	[]byte("latitude"), []byte("longitude"), []byte("gpsdest"), []byte("gpsarea"), []byte("geo:lat"),
	[]byte("locationcreated"), []byte("locationshown"), []byte("iptc4xmpcore:location"),
	[]byte("iptc4xmpcore:countrycode"), []byte("photoshop:city"), []byte("photoshop:state"), []byte("photoshop:country"),
}

// hasLocationWords looks for them whatever their case, in UTF-8 or UTF-16.
func hasLocationWords(b []byte) bool {
	plain := make([]byte, 0, len(b))
	for _, c := range b {
		if c == 0 {
			continue
		}
		if 'A' <= c && c <= 'Z' {
			c += 'a' - 'A'
		}
		plain = append(plain, c)
	}
	for _, w := range locationWords {
		if bytes.Contains(plain, w) {
			return true
		}
	}
	return false
}

// iptcPlaces are the data sets of IPTC IIM record 2 that name a place.
var iptcPlaces = []byte{26, 27, 90, 92, 95, 100, 101}

func hasIPTCPlace(b []byte) bool {
	for {
		i := bytes.Index(b, []byte{0x1c, 2})
		if i < 0 || i+3 > len(b) {
			return false
		}
		if b = b[i+2:]; bytes.IndexByte(iptcPlaces, b[0]) >= 0 {
			return true
		}
	}
}

// Application segments of a JPEG that are needed to show it right and hold no
// text: JFIF, the colour profile, the index of further pictures, Adobe's
// colour transform.
const (
	mAPP2  = 0xe2
	mAPP13 = 0xed
	mAPP14 = 0xee
)

// namesPlace reports whether a JPEG segment other than EXIF names a place.
func namesPlace(s jpegSegment, data []byte) bool {
	body := data[s.body:s.end]
	switch s.marker {
	case mAPP0, mAPP2, mAPP14:
		return false
	case mAPP13:
		return hasIPTCPlace(body) || hasLocationWords(body)
	}
	return hasLocationWords(body)
}

// pngTextNamesPlace reports whether a text chunk names a place or may: what is
// compressed or a raw metadata profile in hexadecimal is not opened.
func pngTextNamesPlace(body []byte) bool {
	if bytes.HasPrefix(body, []byte("Raw profile type ")) {
		return true
	}
	if rest, ok := bytes.CutPrefix(body, []byte("XML:com.adobe.xmp\x00")); ok && len(rest) > 0 && rest[0] != 0 {
		return true
	}
	return hasLocationWords(body)
}

type tiffDirectory struct {
	pos  int
	list []tiffEntry
}

// directories lists every directory that can be reached in a block: IFD0, those
// chained to it, and their EXIF directories.
func (t tiffBlock) directories() []tiffDirectory {
	var dirs []tiffDirectory
	seen := map[int]bool{}
	for todo := []int{t.first}; len(todo) > 0 && len(dirs) < 64; {
		pos := todo[0]
		todo = todo[1:]
		if seen[pos] {
			continue
		}
		seen[pos] = true
		list, next, _ := t.entries(pos)
		if list == nil {
			continue
		}
		dirs = append(dirs, tiffDirectory{pos, list})
		if next != 0 {
			todo = append(todo, next)
		}
		for _, e := range list {
			if e.tag == tagExifIFD {
				todo = append(todo, t.pointer(e))
			}
		}
	}
	return dirs
}

// holdsPlace reports whether an entry leads to or holds a place.
func (t tiffBlock) holdsPlace(e tiffEntry) bool {
	switch {
	case e.tag == tagGPSIFD:
		return true
	case e.from < 0:
		return false
	case e.tag == tagXMP:
		return hasLocationWords(t.data[e.from:e.to])
	case e.tag == tagIPTC:
		return hasIPTCPlace(t.data[e.from:e.to])
	}
	return false
}

func hasGPS(block []byte) bool {
	t, ok := openTIFF(block)
	if !ok {
		return false
	}
	for _, d := range t.directories() {
		for _, e := range d.list {
			if t.holdsPlace(e) {
				return true
			}
		}
	}
	return false
}

// removeGPS takes the place out of a TIFF block, in place: the entry that leads
// to it goes, the values are overwritten with zeros. Everything else stays
// where it is, so that offsets inside the block still hold. It reports whether
// anything changed.
func removeGPS(block []byte) bool {
	if !hasGPS(block) {
		return false
	}
	t, _ := openTIFF(block)
	dirs := t.directories()
	wipe, keep := make([]bool, len(block)), make([]bool, len(block))
	budget := 64 * len(block) // for directories that share values on purpose
	mark := func(set []bool, from, to int) {
		from, to = max(from, 0), min(to, len(set))
		if budget -= to - from; budget < 0 {
			return
		}
		for i := from; i < to; i++ {
			set[i] = true
		}
	}
	mark(keep, 0, 8)
	for _, d := range dirs {
		mark(keep, d.pos, d.pos+6+12*len(d.list))
		for _, e := range d.list {
			switch {
			case wantedTags[e.tag]:
				mark(keep, e.from, e.to)
			case e.tag == tagGPSIFD:
				gps := t.pointer(e)
				inner, _, _ := t.entries(gps)
				mark(wipe, gps, gps+2+12*len(inner))
				for _, g := range inner {
					mark(wipe, g.from, g.to)
				}
			case t.holdsPlace(e):
				mark(wipe, e.from, e.to)
			}
		}
	}
	for i := range wipe {
		if wipe[i] && !keep[i] {
			block[i] = 0
		}
	}
	for _, d := range dirs {
		n := len(d.list)
		// From the back, so that the positions ahead stay true.
		for i := n - 1; i >= 0; i-- {
			if d.list[i].tag != tagGPSIFD {
				continue
			}
			pos := d.list[i].pos
			end := min(d.pos+2+12*n+4, len(block)) // with the next directory's offset
			copy(block[pos:end], block[pos+12:end])
			clear(block[end-12 : end])
			n--
			t.order.PutUint16(block[d.pos:], uint16(n))
		}
	}
	return true
}
