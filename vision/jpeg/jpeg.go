// Package jpeg decodes JPEG photos with libjpeg, as OpenCV does, but in one
// pass for what the measurement looks at: the light at full size and the colour
// at an eighth. OpenCV would read the file twice for that.
//
// An error of libjpeg comes back as an error; nothing ends the process.
package jpeg

/*
#cgo CFLAGS: -O3 -Wall
#cgo LDFLAGS: -ljpeg
#include <stdlib.h>
#include "shim.h"
*/
import "C"

import (
	"errors"
	"fmt"
	"math"
	"unsafe"
)

// Shrink is how many pixels of the photo a pixel of the small colour picture
// covers along each axis.
const Shrink = 8

// ErrOther is returned for files that are JPEG but neither grey nor luma and
// chroma with the luma at full size: CMYK, RGB and the like.
var ErrOther = errors.New("JPEG is neither grey nor of luma and chroma")

// Size is the size of a picture, in pixels.
type Size struct{ W, H int }

// Small returns the size of the small colour picture.
func (s Size) Small() Size { return Size{(s.W + Shrink - 1) / Shrink, (s.H + Shrink - 1) / Shrink} }

// Decode fills grey with the luma of a photo, row by row as stored, and small
// with the mean blue, green and red of every Shrink x Shrink pixels. size must
// be that of the photo's header.
func Decode(data []byte, size Size, grey, small []byte) error {
	s := size.Small()
	if err := check(data, size); err != nil {
		return err
	}
	if len(grey) != size.W*size.H || len(small) != 3*s.W*s.H {
		return fmt.Errorf("decode JPEG: %d and %d bytes are not those of a picture of %d x %d", len(grey), len(small), size.W, size.H)
	}
	return result(C.jpeg_luma_and_colour(pointer(data), C.size_t(len(data)), C.int(size.W), C.int(size.H), pointer(grey), pointer(small)))
}

// Project fills grey with one picture after the other, one for each weights: the
// sum of each pixel's blue, green and red by them about the middle grey,
// 128 + sum of weight (value - 127.5), rounded down and kept within 0 to 255.
func Project(data []byte, size Size, weights [][3]float64, grey []byte) error {
	if err := check(data, size); err != nil {
		return err
	}
	if len(weights) == 0 || len(grey) != len(weights)*size.W*size.H {
		return fmt.Errorf("decode JPEG: %d bytes are not those of %d pictures of %d x %d", len(grey), len(weights), size.W, size.H)
	}
	tables := make([][3][256]int32, len(weights))
	for k, w := range weights {
		tables[k] = Table(w)
	}
	return result(C.jpeg_projected(pointer(data), C.size_t(len(data)), C.int(size.W), C.int(size.H), C.int(len(weights)), (*C.int)(unsafe.Pointer(&tables[0][0][0])), pointer(grey)))
}

// Table holds what each blue, green and red value adds to a projected grey, in
// 256ths of a grey level from 128.
func Table(weights [3]float64) (t [3][256]int32) {
	for c, w := range weights {
		for v := range t[c] {
			t[c][v] = int32(math.Round(w * (float64(v) - 127.5) * 256))
		}
	}
	return t
}

func check(data []byte, s Size) error {
	if len(data) == 0 || s.W < 1 || s.H < 1 || s.W > 65535 || s.H > 65535 {
		return fmt.Errorf("decode JPEG: %d bytes of a picture of %d x %d", len(data), s.W, s.H)
	}
	return nil
}

func pointer(b []byte) *C.uchar { return (*C.uchar)(unsafe.SliceData(b)) }

// result turns an error text of the shim into an error and frees it.
func result(text *C.char) error {
	if text == nil {
		return nil
	}
	defer C.free(unsafe.Pointer(text))
	if s := C.GoString(text); s != "" {
		return fmt.Errorf("decode JPEG: %s", s)
	}
	return ErrOther
}
