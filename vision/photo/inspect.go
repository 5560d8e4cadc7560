package photo

import (
	"crypto/sha256"
	"encoding/hex"
	"time"
)

// Info is what a photo says about itself before it is decoded.
type Info struct {
	Kind Kind
	// Width and Height are those of the stored pixels; for HEIC those of the
	// decoded picture, since HEIC decoders apply the file's turns themselves.
	Width, Height int
	// Orientation is the EXIF orientation, 1..8, that takes the stored picture
	// to the upright one; 1 when absent, invalid (with a warning) or HEIC.
	Orientation int
	Channels    int // stored channels: 1 grey, 2 grey and alpha, 3 colour, 4 colour and alpha or CMYK
	Bits        int // bits a channel
	CMYK, Grey  bool
	Focal       Focal
	// Cropped: the picture was cut after it was taken, so that the principal
	// point can be far from its middle.
	Cropped bool
	// TakenAt is the camera's clock; in UTC without meaning it when ZoneKnown is
	// false. Valid when HasTime is set.
	TakenAt            time.Time
	HasTime, ZoneKnown bool
	Make, Model        string // of the camera, for the record
	// HasLocation: the file says, or may say, where the photo was taken.
	HasLocation bool
	SHA256      string // of the file, hexadecimal
	Warnings    []Warning
}

// Inspect tells what data hold and refuses what cannot be measured. It reads
// headers, searches a JPEG for its end, and decodes no pixel. A refusal is an
// *Error; any other error is a limit that makes no sense.
//
// The limits come first: a file that announces too many pixels is refused for
// that, even if it is also incomplete.
func Inspect(data []byte, lim Limits) (Info, error) {
	if err := lim.Validate(); err != nil {
		return Info{}, err
	}
	if err := lim.checkBytes(len(data)); err != nil {
		return Info{}, err
	}
	kind, err := Sniff(data)
	if err != nil {
		return Info{}, err
	}
	h, err := readHeader(kind, data)
	if h.width > 0 && h.height > 0 {
		for _, size := range [][2]int{{h.boundW, h.boundH}, {h.width, h.height}} {
			if size[0] == 0 {
				continue
			}
			if err := lim.checkSize(size[0], size[1]); err != nil {
				return Info{}, err
			}
		}
	}
	if err != nil {
		return Info{}, err
	}
	info := describe(kind, h)
	sum := sha256.Sum256(data)
	info.SHA256 = hex.EncodeToString(sum[:])
	return info, nil
}

// readHeader may return a header with an error: its size then is still valid
// when above 0.
func readHeader(kind Kind, data []byte) (header, error) {
	switch kind {
	case JPEG:
		f, err := walkJPEG(data)
		return f.header, err
	case PNG:
		f, err := walkPNG(data)
		return f.header, err
	case WebP:
		f, err := walkWebP(data)
		return f.header, err
	default:
		f, err := walkHEIF(data)
		return f.header, err
	}
}

// describe joins what the header and the EXIF block say.
func describe(kind Kind, h header) Info {
	info := Info{
		Kind: kind, Width: h.width, Height: h.height, Orientation: 1,
		Channels: h.channels, Bits: h.bits, CMYK: h.cmyk, Grey: h.channels <= 2,
		HasLocation: h.location,
	}
	var tags exifTags
	if h.exif != nil {
		var err error
		if tags, err = readExif(h.exif); err != nil {
			info.warn(WarnExifDamaged, "Part of the photo's EXIF data is damaged and was left aside.")
		}
		info.HasLocation = info.HasLocation || hasGPS(h.exif)
	}
	if tags.hasOrientation && kind != HEIC {
		if tags.orientation >= 1 && tags.orientation <= 8 {
			info.Orientation = tags.orientation
		} else {
			info.warn(WarnOrientation, "The photo's orientation tag is wrong; the picture is taken as it is stored.")
		}
	}
	info.Make, info.Model = tags.make, tags.model
	info.TakenAt, info.ZoneKnown, info.HasTime = tags.time()
	focal, cropped, warnings := focalPrior(tags, h.width, h.height)
	info.Focal, info.Cropped = focal, cropped
	info.Warnings = append(info.Warnings, warnings...)
	return info
}

func (i *Info) warn(code, message string) {
	i.Warnings = append(i.Warnings, Warning{code, message})
}
