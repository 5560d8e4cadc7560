package photo

import "fmt"

// Limits bound what is accepted, before anything is decoded.
type Limits struct {
	MaxBytes  int64 // size of the file, bytes
	MaxPixels int64 // width times height
	MaxSide   int   // longer side, pixels
	MinSide   int   // shorter side, pixels
}

// DefaultLimits suit phone photos: 50 megapixel cameras pass with room to
// spare. Below MinSide a reference card is a few pixels a square and nothing
// can be measured.
func DefaultLimits() Limits {
	return Limits{MaxBytes: 40 << 20, MaxPixels: 60_000_000, MaxSide: 20_000, MinSide: 320}
}

// Validate reports the first limit that makes no sense.
func (l Limits) Validate() error {
	switch {
	case l.MaxBytes <= 0:
		return fmt.Errorf("photo limit MaxBytes is %d, must be above 0", l.MaxBytes)
	case l.MaxPixels <= 0:
		return fmt.Errorf("photo limit MaxPixels is %d, must be above 0", l.MaxPixels)
	case l.MinSide < 1:
		return fmt.Errorf("photo limit MinSide is %d, must be at least 1", l.MinSide)
	case l.MaxSide < l.MinSide:
		return fmt.Errorf("photo limit MaxSide is %d, below MinSide %d", l.MaxSide, l.MinSide)
	}
	return nil
}

func (l Limits) checkBytes(n int) error {
	if n == 0 {
		return &Error{Code: CodeEmpty, Message: "The file is empty.", Advice: adviceAgain}
	}
	if int64(n) > l.MaxBytes {
		return &Error{Code: CodeTooLarge,
			Message: fmt.Sprintf("The file has %.1f MB; at most %.1f MB are accepted.", float64(n)/1e6, float64(l.MaxBytes)/1e6),
			Advice:  "Send the photo as JPEG at the camera's ordinary setting (about 12 megapixels)."}
	}
	return nil
}

func (l Limits) checkSize(w, h int) error {
	// In 64 bit: 65535 * 65535 overflows 32.
	if pixels := int64(w) * int64(h); max(w, h) > l.MaxSide || pixels > l.MaxPixels {
		return &Error{Code: CodeTooLarge,
			Message: fmt.Sprintf("The picture has %d x %d pixels; at most %.0f megapixels and %d pixels a side are accepted.",
				w, h, float64(l.MaxPixels)/1e6, l.MaxSide),
			Advice: "Take the photo at the camera's ordinary setting (about 12 megapixels)."}
	}
	if min(w, h) < l.MinSide {
		return &Error{Code: CodeTooSmall,
			Message: fmt.Sprintf("The picture has %d x %d pixels; at least %d pixels a side are needed.", w, h, l.MinSide),
			Advice:  adviceOriginal}
	}
	return nil
}
