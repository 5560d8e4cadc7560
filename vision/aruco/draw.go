package aruco

// #include <stdlib.h>
// #include "shim.h"
import "C"

import (
	"fmt"
	"image"
	"unsafe"

	"beltend/geometry"
)

// maxDrawing bounds the side of a drawing in pixels.
const maxDrawing = 20000

// DrawMarker returns OpenCV's own drawing of a marker with its black border,
// side x side pixels: the reference that other drawings are tested against.
func DrawMarker(dict string, id, side int) (*image.Gray, error) {
	if err := checkDict(dict); err != nil {
		return nil, err
	}
	if side < 1 || side > maxDrawing {
		return nil, fmt.Errorf("draw marker: side of %d pixels: want 1 to %d", side, maxDrawing)
	}
	name := C.CString(dict)
	defer C.free(unsafe.Pointer(name))
	img := image.NewGray(image.Rect(0, 0, side, side))
	if err := takeError(C.aruco_draw_marker(name, C.int(id), C.int(side), (*C.uchar)(&img.Pix[0]))); err != nil {
		return nil, fmt.Errorf("draw marker %d of %s: %w", id, dict, err)
	}
	return img, nil
}

// DrawBoard returns OpenCV's own drawing of a board with square pixels to a
// square and a white margin around it. OpenCV 4.6 cannot draw the layout of
// earlier releases, so a board whose Legacy makes a difference is refused.
func DrawBoard(b geometry.Board, square, margin int) (*image.Gray, error) {
	if err := b.Validate(); err != nil {
		return nil, fmt.Errorf("draw board: %w", err)
	}
	if !b.SquareIsBlack(0, 0) {
		return nil, fmt.Errorf("draw board %v: the legacy layout cannot be drawn", b)
	}
	width, height := b.Cols*square+2*margin, b.Rows*square+2*margin
	if square < 1 || margin < 0 || width > maxDrawing || height > maxDrawing {
		return nil, fmt.Errorf("draw board: squares of %d and a margin of %d pixels: want sides of 1 to %d", square, margin, maxDrawing)
	}
	name := C.CString(b.Dict)
	defer C.free(unsafe.Pointer(name))
	img := image.NewGray(image.Rect(0, 0, width, height))
	if err := takeError(C.aruco_draw_board(C.int(b.Cols), C.int(b.Rows), C.double(b.Square), C.double(b.Marker),
		name, C.int(b.FirstID), C.int(width), C.int(height), C.int(margin), (*C.uchar)(&img.Pix[0]))); err != nil {
		return nil, fmt.Errorf("draw board %v: %w", b, err)
	}
	return img, nil
}
