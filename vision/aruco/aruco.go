// Package aruco finds printed ArUco and AprilTag markers with OpenCV's own
// detector, on OpenCV 4.6 and later.
//
// The image is read where it lies, without a copy. A C++ exception, and so a
// failed OpenCV assertion, comes back as an error.
package aruco

/*
#cgo CXXFLAGS: -std=c++17 -O2 -Wall -I/usr/include/opencv4
#cgo LDFLAGS: -Wl,--as-needed -lopencv_aruco -lopencv_objdetect -lopencv_calib3d -lopencv_imgproc -lopencv_core
#include <stdlib.h>
#include "shim.h"
*/
import "C"

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"unsafe"

	"beltend/geometry"
)

// Marker is one found marker.
type Marker struct {
	ID int
	// Corners are clockwise from the marker's top left as printed, in pixels
	// with pixel centres at integers. They are those of the detector's contour,
	// up to two pixels off, and good for finding a board, not for measuring.
	Corners [4]geometry.Vec2
}

// Options of the search. Zero values stand for the defaults named.
type Options struct {
	// Stride is the number of bytes from one row to the next; default the width.
	Stride int
	// Windows of the adaptive threshold, side in pixels from WindowMin to
	// WindowMax by WindowStep; defaults 3, 23, 10. Each window costs one pass
	// over the image.
	WindowMin, WindowMax, WindowStep int
	// MinPerimeterRate is the smallest perimeter of a marker as a fraction of
	// the image's longer side; default 0.03.
	MinPerimeterRate float64
}

// maxSide is the largest image side taken: OpenCV's contours use 16 bit
// coordinates in places.
const maxSide = 32767

// maxPerimeterRate is OpenCV's default of the largest perimeter looked at.
const maxPerimeterRate = 4.0

func (o Options) withDefaults(width int) Options {
	if o.Stride == 0 {
		o.Stride = width
	}
	if o.WindowMin == 0 {
		o.WindowMin = 3
	}
	if o.WindowMax == 0 {
		o.WindowMax = max(23, o.WindowMin)
	}
	if o.WindowStep == 0 {
		o.WindowStep = 10
	}
	if o.MinPerimeterRate == 0 {
		o.MinPerimeterRate = 0.03
	}
	return o
}

func (o Options) check(width int) error {
	switch {
	case o.Stride < width:
		return fmt.Errorf("stride %d is below the width %d", o.Stride, width)
	case o.WindowMin < 3 || o.WindowMax < o.WindowMin || o.WindowMax > maxSide || o.WindowStep < 1:
		return fmt.Errorf("threshold windows %d to %d by %d: want at least 3 px, the first not above the last, the step above 0",
			o.WindowMin, o.WindowMax, o.WindowStep)
	case !(o.MinPerimeterRate > 0 && o.MinPerimeterRate < maxPerimeterRate):
		return fmt.Errorf("smallest perimeter rate %g: want between 0 and %g", o.MinPerimeterRate, maxPerimeterRate)
	}
	return nil
}

// Detect returns the markers of one dictionary (geometry.Dictionaries) in an
// 8 bit grey image of width x height pixels, ordered by id, then by place. A
// marker seen twice is returned twice; none is no error.
func Detect(gray []byte, width, height int, dict string, o Options) ([]Marker, error) {
	if err := checkDict(dict); err != nil {
		return nil, err
	}
	if width < 1 || height < 1 || width > maxSide || height > maxSide {
		return nil, fmt.Errorf("detect markers: image of %d x %d pixels: sides must be 1 to %d", width, height, maxSide)
	}
	o = o.withDefaults(width)
	if err := o.check(width); err != nil {
		return nil, fmt.Errorf("detect markers: %w", err)
	}
	if need := (height-1)*o.Stride + width; len(gray) < need || o.Stride > math.MaxInt/height {
		return nil, fmt.Errorf("detect markers: %d bytes are too few for %d x %d pixels with a stride of %d", len(gray), width, height, o.Stride)
	}

	name := C.CString(dict)
	defer C.free(unsafe.Pointer(name))
	options := C.aruco_options{
		window_min: C.int(o.WindowMin), window_max: C.int(o.WindowMax), window_step: C.int(o.WindowStep),
		min_perimeter_rate: C.double(o.MinPerimeterRate),
	}
	var found *C.aruco_marker
	var count C.int
	if err := takeError(C.aruco_detect((*C.uchar)(unsafe.SliceData(gray)), C.int(width), C.int(height),
		C.size_t(o.Stride), name, options, &found, &count)); err != nil {
		return nil, fmt.Errorf("detect markers: %w", err)
	}
	defer C.free(unsafe.Pointer(found))

	markers := make([]Marker, count)
	for i, f := range unsafe.Slice(found, int(count)) {
		markers[i].ID = int(f.id)
		for k := range markers[i].Corners {
			markers[i].Corners[k] = geometry.Vec2{X: float64(f.corners[2*k]), Y: float64(f.corners[2*k+1])}
		}
	}
	// The detector's order depends on how its threads ran.
	slices.SortFunc(markers, func(a, b Marker) int {
		return cmp.Or(cmp.Compare(a.ID, b.ID),
			cmp.Compare(a.Corners[0].Y, b.Corners[0].Y), cmp.Compare(a.Corners[0].X, b.Corners[0].X))
	})
	return markers, nil
}

// Version returns the release of the OpenCV built with, for example 4.6.0.
func Version() string { return C.GoString(C.aruco_opencv_version()) }

func checkDict(dict string) error {
	if geometry.DictionarySize(dict) == 0 {
		return fmt.Errorf("unknown marker dictionary %q: known are %s", dict, strings.Join(geometry.Dictionaries(), ", "))
	}
	return nil
}

// takeError turns an error text of the shim into an error and frees it.
func takeError(text *C.char) error {
	if text == nil {
		return nil
	}
	defer C.free(unsafe.Pointer(text))
	return errors.New(strings.TrimSpace(C.GoString(text)))
}
