package vision

// DecodeColour decodes a whole photo in colour and throws it away: the
// yardstick that the time of a measurement is compared with.
func DecodeColour(data []byte) error {
	full, err := decodeColour(data)
	if err != nil {
		return err
	}
	return full.Close()
}
