package vision

/*
#cgo LDFLAGS: -lopencv_core
// from opencv2/core/core_c.h, which C++ alone can read
extern void cvSetNumThreads(int threads);
*/
import "C"

// DecodeColour decodes a whole photo in colour and throws it away: the
// yardstick that the time of a measurement is compared with.
func DecodeColour(data []byte) error {
	full, err := decodeColour(data)
	if err != nil {
		return err
	}
	return full.Close()
}

// OneThread makes OpenCV work in one thread from now on, so that times can be
// compared.
func OneThread() { C.cvSetNumThreads(1) }
