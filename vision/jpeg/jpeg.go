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

// Chroma holds the samples of blue and of red chroma, one after the other. The zero
// Chroma is that of a photo without, or of an unusual one.
type Chroma struct {
	size    C.struct_chroma_size
	samples []byte
}

// Known reports whether the photo's chroma can be projected.
func (c Chroma) Known() bool { return len(c.samples) > 0 }

// Decode fills grey with the luma of a photo, row by row as stored, and small
// with the mean blue, green and red of every Shrink x Shrink pixels. size must
// be that of the photo's header. The chroma returned is for Project: that of the
// usual pictures, where a sample of it covers 1 or 2 pixels each way. room makes the
// room for it, of so many bytes.
func Decode(data []byte, size Size, grey, small []byte, room func(int) ([]byte, error)) (Chroma, error) {
	s := size.Small()
	if err := check(data, size); err != nil {
		return Chroma{}, err
	}
	if len(grey) != size.W*size.H || len(small) != 3*s.W*s.H {
		return Chroma{}, fmt.Errorf("decode JPEG: %d and %d bytes are not those of a picture of %d x %d", len(grey), len(small), size.W, size.H)
	}
	var c Chroma
	if err := result(C.jpeg_chroma_of(pointer(data), C.size_t(len(data)), &c.size)); err != nil {
		return Chroma{}, err
	}
	if int(c.size.stride*c.size.across) >= size.W+64 || int(c.size.rows*c.size.down) >= size.H+64 { // blocks of 8, 4 to a band at most
		return Chroma{}, errors.New("decode JPEG: not of the size its header says")
	}
	usual := func(step C.int) bool { return step == 1 || step == 2 }
	if usual(c.size.across) && usual(c.size.down) {
		n := 2 * int(c.size.stride) * int(c.size.rows)
		var err error
		if c.samples, err = room(n); err != nil {
			return Chroma{}, fmt.Errorf("decode JPEG: room for its chroma: %w", err)
		}
		if len(c.samples) != n {
			return Chroma{}, fmt.Errorf("decode JPEG: room of %d bytes for %d of chroma", len(c.samples), n)
		}
	}
	err := result(C.jpeg_luma_and_colour(pointer(data), C.size_t(len(data)), C.int(size.W), C.int(size.H), pointer(grey), pointer(small), pointer(c.samples), C.size_t(len(c.samples))))
	return c, err
}

// Project fills out with the sum of each pixel's blue, green and red by weights about
// the middle grey, 128 + sum of weight (value - 127.5), within 0 to 255. The weights'
// sizes sum up to 1 at most.
//
// Luma and chroma are weighed as they are (Rec. ITU-T T.871, section 7): a colour that
// only they can hold is not cut to blue, green and red of 0 to 255 first.
func Project(luma []byte, size Size, c Chroma, weights [3]float64, out []byte) error {
	if len(luma) != size.W*size.H || len(out) != len(luma) || !c.Known() || int(c.size.stride*c.size.across) < size.W || int(c.size.rows*c.size.down) < size.H {
		return fmt.Errorf("project JPEG: %d bytes and chroma of %d x %d are not those of a picture of %d x %d", len(luma), c.size.stride, c.size.rows, size.W, size.H)
	}
	b, g, r := weights[0], weights[1], weights[2]
	sum := b + g + r
	if math.Abs(b)+math.Abs(g)+math.Abs(r) > 1.001 {
		return fmt.Errorf("project JPEG: weights %v", weights)
	}
	fixed := func(v, scale float64) C.short { return C.short(math.Round(v * scale)) }
	w := [4]C.short{
		fixed(sum, 8192),
		fixed(1.772*b-0.344136*g, 8192),
		fixed(1.402*r-0.714136*g, 8192),
		fixed(128-127.5*sum+0.5, 16), // and the half that rounds
	}
	if C.jpeg_projected(pointer(luma), C.int(size.W), C.int(size.H), pointer(c.samples), c.size, &w[0], pointer(out)) == 0 {
		return errors.New("project JPEG: no memory for a row")
	}
	return nil
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
