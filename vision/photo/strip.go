package photo

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"math"
	"reflect"
)

// StripLocation returns the same photo without the place where it was taken,
// and whether anything had to be changed; if not, data itself is returned.
//
// The picture data stay as they are, byte for byte, and so do orientation,
// focal length and time. Taken out are the GPS directory of EXIF, XMP, IPTC and
// text that name a place, and whatever follows the end of the picture: second
// pictures and films carry a place of their own. Makers' notes stay.
//
// Files that Inspect refuses (but for their size) are refused here too, and so
// is a file so damaged that its place cannot be removed safely.
func StripLocation(data []byte) ([]byte, bool, error) {
	unlimited := Limits{MaxBytes: math.MaxInt64, MaxPixels: math.MaxInt64, MaxSide: math.MaxInt, MinSide: 1}
	before, err := Inspect(data, unlimited)
	if err != nil {
		return nil, false, err
	}
	var out []byte
	switch before.Kind {
	case JPEG:
		out = stripJPEG(data)
	case PNG:
		out = stripPNG(data)
	case WebP:
		out = stripWebP(data)
	default:
		out = stripHEIF(data)
	}
	changed := !bytes.Equal(out, data)
	if !changed {
		out = data
	}
	// Look again: in a file made to confuse, what was wiped may have been
	// shared with something else.
	after, err := Inspect(out, unlimited)
	if err != nil || after.HasLocation || !sameApartFromLocation(before, after) {
		return nil, false, &Error{Code: CodeUnreadable,
			Message: "The photo's data about where it was taken are damaged and cannot be removed safely.",
			Advice:  "Save the photo again without its location and send that.", Cause: err}
	}
	return out, changed, nil
}

func sameApartFromLocation(a, b Info) bool {
	a.HasLocation, b.HasLocation = false, false
	a.SHA256, b.SHA256 = "", ""
	a.Warnings, b.Warnings = nil, nil
	return reflect.DeepEqual(a, b)
}

// stripJPEG leaves out segments that name a place, and what follows the
// picture together with its index (the multi-picture segment, CIPA DC-007).
func stripJPEG(data []byte) []byte {
	f, err := walkJPEG(data)
	if err != nil {
		return data
	}
	followed := f.end < len(data)
	out := make([]byte, 0, f.end)
	pos := 0
	for _, s := range f.extras {
		out = append(out, data[pos:s.start]...)
		pos = s.end
		body := data[s.body:s.end]
		isIndex := s.marker == mAPP2 && bytes.HasPrefix(body, []byte("MPF\x00"))
		isExif := jpegExif(s, data) != nil
		if (!isExif && namesPlace(s, data)) || (isIndex && followed) {
			continue
		}
		from := len(out)
		out = append(out, data[s.start:s.end]...)
		if isExif {
			removeGPS(out[from+s.body-s.start+6:])
		}
	}
	return append(out, data[pos:f.end]...)
}

func stripPNG(data []byte) []byte {
	f, err := walkPNG(data)
	if err != nil {
		return data
	}
	out := append(make([]byte, 0, f.end), pngSignature...)
	for _, c := range f.chunks {
		body := data[c.body : c.end-4]
		switch c.name {
		case "tEXt", "zTXt", "iTXt":
			if pngTextNamesPlace(body) {
				continue
			}
		case "eXIf":
			clean := bytes.Clone(body)
			if removeGPS(bareTIFF(clean)) {
				out = append(out, data[c.start:c.body]...)
				out = append(out, clean...)
				out = binary.BigEndian.AppendUint32(out, crc32.ChecksumIEEE(out[len(out)-len(clean)-4:]))
				continue
			}
		}
		out = append(out, data[c.start:c.end]...)
	}
	return out
}

func stripWebP(data []byte) []byte {
	f, err := walkWebP(data)
	if err != nil {
		return data
	}
	out := append(make([]byte, 0, f.end), data[:12]...)
	flags := -1 // position of the VP8X flags in out
	for _, c := range f.chunks {
		body := data[c.body:c.stop]
		if c.name == "XMP " && hasLocationWords(body) {
			if flags >= 0 {
				out[flags] &^= webpXMP
			}
			continue
		}
		from := len(out)
		out = append(out, data[c.start:c.end]...)
		switch {
		case c.name == "VP8X" && flags < 0:
			flags = from + 8
		case c.name == "EXIF":
			removeGPS(bareTIFF(out[from+8 : from+8+len(body)]))
		}
	}
	binary.LittleEndian.PutUint32(out[4:], uint32(len(out)-8))
	return out
}

// stripHEIF changes bytes in place: items are found by their position in the
// file. Boxes beside the still picture become free space of the same size.
func stripHEIF(data []byte) []byte {
	f, err := walkHEIF(data)
	if err != nil {
		return data
	}
	out := bytes.Clone(data)
	for _, id := range f.itemIDs() {
		it := f.items[id]
		content := bytes.Clone(it.content(data))
		switch {
		case it.kind == "Exif":
			if removeGPS(heifExif(content)) {
				it.setContent(out, content)
			}
		case it.namesPlace(content):
			it.setContent(out, blankXMP(len(content)))
		}
	}
	for _, b := range f.boxes {
		if b.isExtra() {
			copy(out[b.start+4:], "free")
			clear(out[b.start+8 : b.end])
		}
	}
	return out
}
