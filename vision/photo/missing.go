package photo

// MissingRows counts the rows at the bottom of a decoded grey picture (in
// stored order) that a JPEG decoder filled in because the data had run out: all
// pixels of one value, neither black nor white. Inspect finds a file that ends
// too early; this finds one that some program has closed again after losing its
// end, which decoders accept in silence. The boundary of such a fill is a
// straight line across the picture and must never pass for a cut.
//
// A camera's noise leaves no such row, let alone a block of 8.
func MissingRows(grey []byte, width, height, stride int) int {
	if width < 1 || height < 1 || stride < width || len(grey) < stride*(height-1)+width {
		return 0
	}
	fill := grey[stride*(height-1)]
	if fill == 0 || fill == 255 {
		return 0
	}
	for n := range height {
		for _, v := range grey[stride*(height-1-n):][:width] {
			if v != fill {
				return n
			}
		}
	}
	return height
}
