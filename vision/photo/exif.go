package photo

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"time"

	"github.com/bep/imagemeta"
)

// exifTags are the tags used here as they stand in the file; 0 or "" when
// absent.
type exifTags struct {
	orientation    int
	hasOrientation bool
	focal          float64 // mm
	focal35        float64 // mm
	planeX, planeY float64 // pixels per unit on the sensor
	planeUnit      int     // 0 when absent
	pixelX, pixelY int     // size of the picture when the block was written
	zoom           float64
	make, model    string
	taken, offset  string
}

// maxExif bounds what is read of a block. A JPEG holds at most 64 kB; the rest
// of a longer one can only be a thumbnail or the maker's notes.
const maxExif = 1 << 20

// wantedTags reach the reader, from either directory: some cameras write tags
// of the one into the other.
var wantedTags = map[uint16]bool{tagMake: true, tagModel: true, tagOrientation: true, tagExifIFD: true,
	tagDateTimeOriginal: true, tagOffsetTimeOriginal: true, tagFocalLength: true,
	tagPixelXDimension: true, tagPixelYDimension: true, tagFocalPlaneXRes: true, tagFocalPlaneYRes: true,
	tagFocalPlaneUnit: true, tagDigitalZoomRatio: true, tagFocalLength35: true}

// readExif reads the tags from a TIFF block. With an error it still returns
// what could be read.
func readExif(block []byte) (exifTags, error) {
	var tags exifTags
	clean, damage := onlyWanted(block[:min(len(block), maxExif)])
	if clean == nil {
		return tags, damage
	}
	// The first of a kind counts. The EXIF directory is reached before those of
	// its tags that stand in the main one.
	seen := map[string]bool{}
	err := imagemeta.Decode(imagemeta.Options{
		R:               bytes.NewReader(clean),
		ImageFormat:     imagemeta.TIFF,
		Sources:         imagemeta.EXIF,
		ShouldHandleTag: func(t imagemeta.TagInfo) bool { return t.Tag != unknownTag },
		HandleTag: func(t imagemeta.TagInfo) error {
			if !seen[t.Tag] {
				seen[t.Tag] = true
				tags.set(t.Tag, t.Value)
			}
			return nil
		},
		LimitTagSize: 1000,
	})
	if err != nil {
		return tags, fmt.Errorf("reading EXIF: %w", err)
	}
	return tags, damage
}

var unknownTag = fmt.Sprintf("%s0x%x", imagemeta.UnknownPrefix, tagNone)

// onlyWanted copies a block with every entry made harmless that is not wanted
// or not sound: the reader stops at the first fault it meets, and a broken
// maker's note must not cost the focal length behind it. The error says what
// was unsound; the copy is nil when nothing can be read at all.
func onlyWanted(block []byte) ([]byte, error) {
	t, ok := openTIFF(bytes.Clone(block))
	if !ok {
		return nil, errors.New("the EXIF block has no TIFF header")
	}
	var damage error
	clean := func(pos int) (sub int) {
		list, _, ok := t.entries(pos)
		if !ok {
			damage = errors.New("an EXIF directory runs out of its block")
			if list != nil {
				t.order.PutUint16(t.data[pos:], uint16(len(list)))
			}
		}
		seen := map[uint16]bool{}
		for _, e := range list {
			keep := wantedTags[e.tag] && !seen[e.tag] && (e.tag != tagExifIFD || pos == t.first)
			if keep && (e.from < 0 || e.count == 0) {
				damage = fmt.Errorf("EXIF tag %#04x lies outside its block", e.tag)
				keep = false
			}
			if keep && e.tag == tagExifIFD {
				if sub = t.pointer(e); sub < 8 || sub > len(t.data)-2 || sub == t.first {
					damage = errors.New("the EXIF directory lies outside its block")
					sub, keep = 0, false
				}
			}
			switch {
			case !keep:
				t.order.PutUint16(t.data[e.pos:], tagNone)
				t.order.PutUint16(t.data[e.pos+2:], tiffByte)
				t.order.PutUint32(t.data[e.pos+4:], 1)
			case e.kind == tiffUTF8:
				t.order.PutUint16(t.data[e.pos+2:], tiffASCII)
				fallthrough
			default:
				seen[e.tag] = true
			}
		}
		return sub
	}
	if sub := clean(t.first); sub != 0 {
		clean(sub)
	}
	return t.data, damage
}

// set stores one tag, named as the reader names it.
func (t *exifTags) set(tag string, value any) {
	number, _ := exifNumber(value)
	text, _ := value.(string)
	switch tag {
	case "Make":
		t.make = text
	case "Model":
		t.model = text
	case "Orientation":
		t.orientation, t.hasOrientation = int(number), true
	case "DateTimeOriginal":
		t.taken = text
	case "OffsetTimeOriginal":
		t.offset = text
	case "FocalLength":
		t.focal = number
	case "FocalLengthIn35mmFormat":
		t.focal35 = number
	case "FocalPlaneXResolution":
		t.planeX = number
	case "FocalPlaneYResolution":
		t.planeY = number
	case "FocalPlaneResolutionUnit":
		t.planeUnit = int(number)
	case "ExifImageWidth":
		t.pixelX = int(number)
	case "ExifImageHeight":
		t.pixelY = int(number)
	case "DigitalZoomRatio":
		t.zoom = number
	}
}

// exifNumber takes a single number; x/0 comes as text and reads as absent.
func exifNumber(v any) (float64, bool) {
	x := 0.0
	switch v := v.(type) {
	case uint8:
		x = float64(v)
	case uint16:
		x = float64(v)
	case uint32:
		x = float64(v)
	case int32:
		x = float64(v)
	case float32:
		x = float64(v)
	case float64:
		x = v
	case interface{ Float64() float64 }:
		x = v.Float64()
	default:
		return 0, false
	}
	if math.IsNaN(x) || x < 0 || x > math.MaxUint32 {
		return 0, false
	}
	return x, true
}

// time gives the moment of the photo; zone says whether the offset from UTC is
// known, otherwise the clock time is given as if it were UTC.
func (t *exifTags) time() (at time.Time, zone, ok bool) {
	const clock = "2006:01:02 15:04:05"
	if at, err := time.Parse(clock+"-07:00", t.taken+t.offset); err == nil && t.offset != "" {
		return at, true, true
	}
	at, err := time.Parse(clock, t.taken)
	return at, false, err == nil
}
