package photo

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"time"

	"beltend/geometry"
)

// Tags are what WriteExif can put into a picture. Zero values are left out.
type Tags struct {
	Make, Model    string
	Orientation    int // 1..8
	TakenAt        time.Time
	FocalLength    float64 // mm
	FocalLength35  int     // mm equivalent
	PixelX, PixelY int     // size of the stored picture
	FocalPlane     float64 // pixels per inch on the sensor
	DigitalZoom    float64
	Location       *geometry.Vec2 // degrees: X east, Y north
}

// WriteExif returns the JPEG with an EXIF block of these tags in place of any
// that it has. Everything else stays as it is.
func WriteExif(jpeg []byte, tags Tags) ([]byte, error) {
	if kind, err := Sniff(jpeg); err != nil {
		return nil, fmt.Errorf("writing EXIF: %w", err)
	} else if kind != JPEG {
		return nil, fmt.Errorf("writing EXIF: the picture is %s, must be jpeg", kind)
	}
	f, err := walkJPEG(jpeg)
	if err != nil {
		return nil, fmt.Errorf("writing EXIF: %w", err)
	}
	block := tags.block()
	n := 2 + 6 + len(block)
	if n > math.MaxUint16 {
		return nil, fmt.Errorf("writing EXIF: %d bytes do not fit a segment", n)
	}
	out := make([]byte, 0, len(jpeg)+n+2)
	out = append(out, 0xff, mSOI, 0xff, mAPP1, byte(n>>8), byte(n))
	out = append(out, "Exif\x00\x00"...)
	out = append(out, block...)
	pos := 2
	for _, s := range f.extras {
		if jpegExif(s, jpeg) != nil {
			out = append(out, jpeg[pos:s.start]...)
			pos = s.end
		}
	}
	return append(out, jpeg[pos:]...), nil
}

// exifField is one entry to be written, its value already in bytes.
type exifField struct {
	tag, kind uint16
	count     uint32
	value     []byte
}

func exifText(tag uint16, s string) exifField {
	b := append([]byte(s), 0)
	return exifField{tag, tiffASCII, uint32(len(b)), b}
}

func exifShort(tag uint16, v int) exifField {
	return exifField{tag, tiffShort, 1, binary.BigEndian.AppendUint16(nil, uint16(v))}
}

func exifLong(tag uint16, v int) exifField {
	return exifField{tag, tiffLong, 1, binary.BigEndian.AppendUint32(nil, uint32(v))}
}

// exifRationals writes pairs of numerator and denominator.
func exifRationals(tag uint16, pairs ...[2]uint32) exifField {
	var b []byte
	for _, p := range pairs {
		b = binary.BigEndian.AppendUint32(b, p[0])
		b = binary.BigEndian.AppendUint32(b, p[1])
	}
	return exifField{tag, tiffRational, uint32(len(pairs)), b}
}

// rational keeps six digits, or as many as fit 32 bits.
func rational(v float64) [2]uint32 {
	den := 1e6
	for den > 1 && v*den > math.MaxUint32 {
		den /= 10
	}
	return [2]uint32{uint32(math.Round(v * den)), uint32(den)}
}

// block builds the TIFF structure, big-endian: IFD0, then the EXIF and GPS
// directories, each followed by its values.
func (t Tags) block() []byte {
	// What the standard demands of every file (CIPA DC-008, tables 17 and 18).
	main := []exifField{
		exifRationals(0x011a, [2]uint32{72, 1}), exifRationals(0x011b, [2]uint32{72, 1}), exifShort(0x0128, 2), // dots per inch
		exifShort(0x0213, 1), // chroma samples centred
	}
	exif := []exifField{
		{0x9000, tiffUndefined, 4, []byte("0232")}, {0xa000, tiffUndefined, 4, []byte("0100")}, // versions
		{0x9101, tiffUndefined, 4, []byte{1, 2, 3, 0}}, // Y, Cb, Cr
		exifShort(0xa001, 1),                           // sRGB
	}
	var gps []exifField
	if t.Make != "" {
		main = append(main, exifText(tagMake, t.Make))
	}
	if t.Model != "" {
		main = append(main, exifText(tagModel, t.Model))
	}
	if t.Orientation != 0 {
		main = append(main, exifShort(tagOrientation, t.Orientation))
	}
	if !t.TakenAt.IsZero() {
		exif = append(exif, exifText(tagDateTimeOriginal, t.TakenAt.Format("2006:01:02 15:04:05")),
			exifText(tagOffsetTimeOriginal, t.TakenAt.Format("-07:00")))
	}
	if t.FocalLength > 0 {
		exif = append(exif, exifRationals(tagFocalLength, rational(t.FocalLength)))
	}
	if t.PixelX > 0 && t.PixelY > 0 {
		exif = append(exif, exifLong(tagPixelXDimension, t.PixelX), exifLong(tagPixelYDimension, t.PixelY))
	}
	if t.FocalPlane > 0 {
		r := rational(t.FocalPlane)
		exif = append(exif, exifRationals(tagFocalPlaneXRes, r), exifRationals(tagFocalPlaneYRes, r), exifShort(tagFocalPlaneUnit, 2))
	}
	if t.DigitalZoom > 0 {
		exif = append(exif, exifRationals(tagDigitalZoomRatio, rational(t.DigitalZoom)))
	}
	if t.FocalLength35 > 0 {
		exif = append(exif, exifShort(tagFocalLength35, t.FocalLength35))
	}
	if p := t.Location; p != nil {
		degrees := func(tag uint16, v float64) exifField {
			d, m := math.Modf(math.Abs(v))
			return exifRationals(tag, [2]uint32{uint32(d), 1}, rational(m*60), [2]uint32{0, 1})
		}
		side := func(v float64, positive, negative string) string {
			if v < 0 {
				return negative
			}
			return positive
		}
		gps = []exifField{
			exifText(1, side(p.Y, "N", "S")), degrees(2, p.Y),
			exifText(3, side(p.X, "E", "W")), degrees(4, p.X),
		}
	}
	return exifBlock(main, exif, gps)
}

// exifBlock lays out the directories; empty ones are left out.
func exifBlock(main, exif, gps []exifField) []byte {
	main = slices.Clone(main)
	if len(exif) > 0 {
		main = append(main, exifLong(tagExifIFD, 0))
	}
	if len(gps) > 0 {
		main = append(main, exifLong(tagGPSIFD, 0))
	}
	size := func(fields []exifField) int {
		n := 2 + 12*len(fields) + 4
		for _, f := range fields {
			if len(f.value) > 4 {
				n += (len(f.value) + 1) &^ 1
			}
		}
		return n
	}
	exifAt := 8 + size(main)
	gpsAt := exifAt
	if len(exif) > 0 {
		gpsAt += size(exif)
	}
	for i := range main {
		switch main[i].tag {
		case tagExifIFD:
			main[i] = exifLong(tagExifIFD, exifAt)
		case tagGPSIFD:
			main[i] = exifLong(tagGPSIFD, gpsAt)
		}
	}
	out := bytes.NewBuffer([]byte("MM\x00*\x00\x00\x00\x08"))
	for _, fields := range [][]exifField{main, exif, gps} {
		if len(fields) > 0 {
			writeDirectory(out, fields)
		}
	}
	return out.Bytes()
}

func writeDirectory(out *bytes.Buffer, fields []exifField) {
	slices.SortStableFunc(fields, func(a, b exifField) int { return int(a.tag) - int(b.tag) })
	values := out.Len() + 2 + 12*len(fields) + 4
	head := binary.BigEndian.AppendUint16(nil, uint16(len(fields)))
	var tail []byte
	for _, f := range fields {
		head = binary.BigEndian.AppendUint16(head, f.tag)
		head = binary.BigEndian.AppendUint16(head, f.kind)
		head = binary.BigEndian.AppendUint32(head, f.count)
		if len(f.value) <= 4 {
			head = append(head, append(slices.Clone(f.value), 0, 0, 0, 0)[:4]...)
			continue
		}
		head = binary.BigEndian.AppendUint32(head, uint32(values+len(tail)))
		tail = append(tail, f.value...)
		if len(tail)%2 == 1 {
			tail = append(tail, 0)
		}
	}
	head = append(head, 0, 0, 0, 0) // no further directory
	out.Write(head)
	out.Write(tail)
}
