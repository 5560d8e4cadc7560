//go:build matprofile && linux

package vision

/*
#include <malloc.h>
*/
import "C"

import "gocv.io/x/gocv"

// OpenMats is how many OpenCV matrices are not closed yet; the build tag
// matprofile makes the binding count them.
func OpenMats() int { return gocv.MatProfile.Count() }

// BytesInUse is what OpenCV and the rest of C and C++ hold of the C library's
// memory. Unlike the process's size it does not grow by fragments.
func BytesInUse() int {
	m := C.mallinfo2()
	return int(m.uordblks) + int(m.hblkhd)
}
