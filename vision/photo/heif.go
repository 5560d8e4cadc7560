package photo

import (
	"bytes"
	"maps"
	"math"
	"slices"
)

// heifBox is one ISO base media box; data[start:end] includes its head.
type heifBox struct {
	name             string
	start, body, end int
}

type heifExtent struct{ start, end int } // in the file

type heifItem struct {
	kind     string // four characters, or "" when only its place is known
	mime     string // content type of a "mime" item
	encoded  bool   // a "mime" item with a content encoding
	extents  []heifExtent
	props    []int // associated properties in order, 1-based
	inMemory bool  // its extents lie where this package can reach them
}

// maxHEIFMeta bounds the box that describes a HEIC file; phones write a few
// kilobytes.
const maxHEIFMeta = 4 << 20

type heifFile struct {
	header
	boxes []heifBox // top level
	items map[int64]*heifItem
}

// walkHEIF reads the boxes of a HEIC file (ISO/IEC 14496-12 and 23008-12): the
// primary item's size with its turns and crop applied, as decoders hand it
// out, and the EXIF item. The header is valid whenever width is set, even with
// an error.
func walkHEIF(data []byte) (heifFile, error) {
	f := heifFile{items: map[int64]*heifItem{}}
	var ok bool
	var meta *heifBox
	f.boxes, ok = heifBoxes(data, 0, len(data))
	for i, b := range f.boxes {
		if b.name == "meta" && meta == nil {
			meta = &f.boxes[i]
		}
	}
	if meta == nil && !ok {
		return f, truncated(HEIC, "it ends before the picture begins")
	}
	if meta == nil || meta.end-meta.body < 4 {
		return f, unreadable(HEIC, "it holds no picture")
	}
	inner, inOrder := heifBoxes(data, meta.body+4, meta.end)
	if !inOrder {
		return f, unreadable(HEIC, "the list of its parts is broken")
	}
	part := func(name string) []byte { // content after version and flags
		for _, b := range inner {
			if b.name == name && b.end-b.body >= 4 {
				return data[b.body:b.end]
			}
		}
		return nil
	}
	if meta.end-meta.body > maxHEIFMeta {
		return f, unreadable(HEIC, "the list of its parts is too long")
	}
	idat := heifExtent{-1, -1}
	for _, b := range inner {
		if b.name == "idat" {
			idat = heifExtent{b.body, b.end}
		}
	}
	primary, found := heifPrimary(part("pitm"))
	complete := f.readPlaces(part("iloc"), idat, len(data))
	f.readItems(part("iinf"))
	var props []heifBox
	for _, b := range inner {
		if b.name == "iprp" {
			props = f.readProperties(data, b)
		}
	}
	p := f.items[primary]
	if !found || p == nil {
		return f, unreadable(HEIC, "it names no main picture")
	}
	if err := f.readPrimary(data, p, props); err != nil {
		return f, err
	}
	if !ok || !complete {
		return f, truncated(HEIC, "it ends before the picture does")
	}
	for _, id := range f.itemIDs() {
		it := f.items[id]
		switch {
		case it.kind == "Exif":
			f.takeExif(heifExif(it.content(data)))
		case it.namesPlace(it.content(data)):
			f.location = true
		}
	}
	for _, b := range f.boxes {
		f.location = f.location || b.isExtra()
	}
	return f, nil
}

// isExtra reports a top-level box that the still picture does not need: film
// of a moving photo, private data. They can carry a place of their own.
func (b heifBox) isExtra() bool {
	switch b.name {
	case "ftyp", "meta", "mdat", "free", "skip":
		return false
	}
	return true
}

// heifBoxes lists the boxes in data[pos:end]; ok is false when the last one
// runs past the end.
func heifBoxes(data []byte, pos, end int) (boxes []heifBox, ok bool) {
	for pos+8 <= end && len(boxes) < maxParts {
		size := be32(data[pos:])
		b := heifBox{name: string(data[pos+4 : pos+8]), start: pos, body: pos + 8}
		switch {
		case size == 0: // to the end
			size = int64(end - pos)
		case size == 1:
			if pos+16 > end {
				return boxes, false
			}
			if be32(data[pos+8:]) != 0 {
				return boxes, false // beyond 4 GB
			}
			size = be32(data[pos+12:])
			b.body = pos + 16
		}
		if b.name == "uuid" {
			b.body += 16
		}
		if size < int64(b.body-pos) || size > int64(end-pos) {
			return boxes, false
		}
		b.end = pos + int(size)
		boxes = append(boxes, b)
		pos = b.end
	}
	return boxes, true
}

func heifPrimary(b []byte) (id int64, ok bool) {
	r := reader{b: b}
	version := r.uint(1)
	r.uint(3)
	if version == 0 {
		id = r.uint(2)
	} else {
		id = r.uint(4)
	}
	return id, !r.short
}

// readPlaces reads the item location box; false when an item lies outside the
// file.
func (f *heifFile) readPlaces(b []byte, idat heifExtent, size int) bool {
	r := reader{b: b}
	version := r.uint(1)
	r.uint(3)
	sizes := r.uint(2)
	offsetSize, lengthSize := int(sizes>>12&15), int(sizes>>8&15)
	baseSize, indexSize := int(sizes>>4&15), int(sizes&15)
	if version == 0 {
		indexSize = 0
	}
	idSize := 2
	if version >= 2 {
		idSize = 4
	}
	count := r.uint(idSize)
	complete := true
	extents := 0
	for ; count > 0 && !r.short; count-- {
		id := r.uint(idSize)
		method := int64(0)
		if version >= 1 {
			method = r.uint(2) & 15
		}
		local := r.uint(2) // 0: in this file
		base := r.uint(baseSize)
		it := f.item(id)
		it.inMemory = local == 0 && (method == 0 || method == 1 && idat.start >= 0)
		for n := r.uint(2); n > 0 && !r.short; n-- {
			r.uint(indexSize)
			offset, length := r.uint(offsetSize), r.uint(lengthSize)
			if r.short || !it.inMemory {
				continue
			}
			if extents++; extents > maxParts { // entries may have no bytes of their own
				return false
			}
			from, to := int64(0), int64(size)
			if method == 1 {
				from, to = int64(idat.start), int64(idat.end)
			}
			// The fields have up to 64 bits: compare before adding.
			room := to - from
			if base > room || offset > room-base || length > room-base-offset {
				complete = false
				continue
			}
			start := from + base + offset
			if length == 0 {
				length = to - start
			}
			it.extents = append(it.extents, heifExtent{int(start), int(start + length)})
		}
	}
	return complete && !r.short
}

// readItems reads the item information box: what each item is.
func (f *heifFile) readItems(b []byte) {
	r := reader{b: b}
	version := r.uint(1)
	r.uint(3)
	if version == 0 {
		r.uint(2)
	} else {
		r.uint(4)
	}
	entries, _ := heifBoxes(b, r.pos, len(b))
	for _, e := range entries {
		if e.name != "infe" {
			continue
		}
		r := reader{b: b[e.body:e.end]}
		v := r.uint(1)
		r.uint(3)
		var id int64
		switch v {
		case 2:
			id = r.uint(2)
		case 3:
			id = r.uint(4)
		default: // without an item type
			continue
		}
		r.uint(2)
		kind := r.bytes(4)
		if r.short {
			continue
		}
		it := f.item(id)
		it.kind = string(kind)
		if it.kind == "mime" {
			r.text() // the item's name
			it.mime = r.text()
			it.encoded = r.text() != ""
		}
	}
}

// readProperties reads which properties belong to which item and returns the
// properties.
func (f *heifFile) readProperties(data []byte, iprp heifBox) (props []heifBox) {
	inner, _ := heifBoxes(data, iprp.body, iprp.end)
	for _, b := range inner {
		switch b.name {
		case "ipco":
			props, _ = heifBoxes(data, b.body, b.end)
		case "ipma":
			r := reader{b: data[b.body:b.end]}
			version := r.uint(1)
			wide := r.uint(3)&1 != 0
			for n := r.uint(4); n > 0 && !r.short; n-- {
				var id int64
				if version == 0 {
					id = r.uint(2)
				} else {
					id = r.uint(4)
				}
				it := f.item(id)
				for k := r.uint(1); k > 0 && !r.short; k-- {
					index := int64(0)
					if wide {
						index = r.uint(2) & 0x7fff
					} else {
						index = r.uint(1) & 0x7f
					}
					it.props = append(it.props, int(index))
				}
			}
		}
	}
	return props
}

// readPrimary fills in the size and the pixels' kind.
func (f *heifFile) readPrimary(data []byte, p *heifItem, props []heifBox) error {
	switch p.kind {
	case "hvc1", "hev1", "grid", "iden", "iovl":
	case "av01":
		return unsupported("an AVIF picture")
	default:
		return unsupported("a HEIF picture with %q coding", p.kind)
	}
	w, h := 0.0, 0.0
	f.channels, f.bits = 3, 8
	for _, index := range p.props {
		if index < 1 || index > len(props) {
			continue
		}
		b := props[index-1]
		r := reader{b: data[b.body:b.end]}
		switch b.name {
		case "ispe":
			r.uint(4)
			w, h = float64(r.uint(4)), float64(r.uint(4))
		case "irot":
			if r.uint(1)&1 != 0 {
				w, h = h, w
			}
		case "clap": // clean aperture, a crop: width and height as fractions
			wn, wd, hn, hd := r.uint(4), r.uint(4), r.uint(4), r.uint(4)
			if !r.short && wd > 0 && hd > 0 {
				w, h = math.Round(float64(wn)/float64(wd)), math.Round(float64(hn)/float64(hd))
			}
		case "pixi":
			r.uint(4)
			if n := int(r.uint(1)); n >= 1 && n <= 4 {
				f.channels = n
				f.bits = int(r.uint(1))
			}
		case "hvcC": // ISO/IEC 14496-15 8.3.3.1
			if c := r.bytes(23); !r.short {
				f.bits = int(c[17]&7) + 8
				if c[16]&3 == 0 {
					f.channels = 1
				}
			}
		}
		if r.short {
			return unreadable(HEIC, "its %q property is too short", b.name)
		}
	}
	if w < 1 || h < 1 {
		return unreadable(HEIC, "its size is missing")
	}
	f.width, f.height = int(w), int(h)
	// Tiles and helper pictures may announce more than the whole: the limits
	// look at the largest.
	for _, b := range props {
		r := reader{b: data[b.body:b.end]}
		if b.name != "ispe" || r.uint(4) != 0 {
			continue
		}
		if tw, th := r.uint(4), r.uint(4); !r.short && float64(tw)*float64(th) > float64(f.boundW)*float64(f.boundH) {
			f.boundW, f.boundH = int(tw), int(th)
		}
	}
	return nil
}

// itemIDs lists the items in a fixed order.
func (f *heifFile) itemIDs() []int64 { return slices.Sorted(maps.Keys(f.items)) }

func (f *heifFile) item(id int64) *heifItem {
	it := f.items[id]
	if it == nil {
		it = &heifItem{}
		f.items[id] = it
	}
	return it
}

// namesPlace reports whether the item is XMP that names a place or, being
// compressed, may.
func (it *heifItem) namesPlace(content []byte) bool {
	return it.kind == "mime" && it.mime == "application/rdf+xml" &&
		(hasLocationWords(content) || it.encoded && !bytes.Equal(content, blankXMP(len(content))))
}

// blankXMP is a packet of n bytes that says nothing.
func blankXMP(n int) []byte {
	b := bytes.Repeat([]byte(" "), n)
	if empty := "<x:xmpmeta xmlns:x='adobe:ns:meta/'/>"; n >= len(empty) {
		copy(b, empty)
	}
	return b
}

// content joins the extents. One extent is not copied.
func (it *heifItem) content(data []byte) []byte {
	if len(it.extents) == 1 {
		return data[it.extents[0].start:it.extents[0].end]
	}
	total := 0
	for _, e := range it.extents {
		total += e.end - e.start
	}
	if total > len(data) { // overlapping on purpose
		return nil
	}
	b := make([]byte, 0, total)
	for _, e := range it.extents {
		b = append(b, data[e.start:e.end]...)
	}
	return b
}

// setContent writes back what content returned, changed in place.
func (it *heifItem) setContent(data, content []byte) {
	for _, e := range it.extents {
		n := copy(data[e.start:e.end], content)
		content = content[n:]
	}
}

// heifExif returns the TIFF block of an EXIF item: a 4-byte offset comes first
// (ISO/IEC 23008-12 A.2.1).
func heifExif(b []byte) []byte {
	if len(b) < 4 {
		return nil
	}
	offset := be32(b)
	if offset > int64(len(b)-4) {
		return nil
	}
	return bareTIFF(b[4+offset:])
}

// reader takes big-endian numbers from the front of b and remembers when it
// ran out.
type reader struct {
	b     []byte
	pos   int
	short bool
}

func (r *reader) bytes(n int) []byte {
	if r.short || n > len(r.b)-r.pos {
		r.short = true
		return nil
	}
	r.pos += n
	return r.b[r.pos-n : r.pos]
}

// uint reads n bytes; a value above 2^62 reads as 2^62, larger than any file.
func (r *reader) uint(n int) int64 {
	v := uint64(0)
	for _, c := range r.bytes(n) {
		v = v<<8 | uint64(c)
	}
	return int64(min(v, 1<<62))
}

// text reads up to a zero byte.
func (r *reader) text() string {
	if r.short {
		return ""
	}
	i := bytes.IndexByte(r.b[r.pos:], 0)
	if i < 0 {
		i = len(r.b) - r.pos
		s := string(r.b[r.pos:])
		r.pos += i
		return s
	}
	s := string(r.b[r.pos : r.pos+i])
	r.pos += i + 1
	return s
}
