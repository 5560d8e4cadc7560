package vision

import "gocv.io/x/gocv"

// DecodeColour decodes a whole photo in colour and throws it away: the
// yardstick that the time of a measurement is compared with.
func DecodeColour(data []byte) error {
	full, err := gocv.IMDecode(data, gocv.IMReadColor|gocv.IMReadFlag(128))
	if err != nil || full.Empty() {
		return unreadable(err)
	}
	return full.Close()
}
