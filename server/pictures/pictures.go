// Package pictures draws a measurement for people: the photo with the
// findings, the view from straight above, the profile of the cut. It turns the
// contract's values into what package overlay and package plot take.
package pictures

import (
	"errors"

	"beltend/server/measure"
	"beltend/server/result"
)

// Overlay draws the findings into photo i of the measurement; the answer is a
// JPEG.
func Overlay(photo []byte, m *result.Measurement, i int) ([]byte, error) {
	return nil, errMissing
}

// TopDown draws the belt end as seen from straight above with a millimetre
// grid; the answer is a PNG.
func TopDown(photos []measure.Input, m *result.Measurement) ([]byte, error) {
	return nil, errMissing
}

// Profile draws the cut's deviation across the width as "svg" or "png".
func Profile(m *result.Measurement, format string) ([]byte, error) {
	return nil, errMissing
}

var errMissing = errors.New("this picture cannot be drawn yet")

// File is a picture with its name.
type File struct {
	Name string
	Data []byte
}

// All draws every picture that the service shows: overlay-1.jpg and so on,
// topdown.png, profile.svg.
func All(photos []measure.Input, m *result.Measurement) ([]File, error) {
	return nil, nil
}
