package photo

import "beltend/geometry"

// EXIF orientation o takes the stored picture to the upright one (CIPA DC-008,
// Orientation):
//
//	1 as it is      2 mirrored left-right   3 turned 180   4 mirrored top-bottom
//	5 transposed    6 turned 90 clockwise   7 transposed across the other diagonal
//	8 turned 90 counterclockwise
//
// An orientation outside 1..8 counts as 1.

// UprightSize gives the upright picture's size for a stored one of w x h.
func UprightSize(w, h, orientation int) (int, int) {
	if orientation >= 5 && orientation <= 8 {
		return h, w
	}
	return w, h
}

// UprightFromStored maps a pixel position from the stored picture of w x h to
// the upright one.
func UprightFromStored(p geometry.Vec2, w, h, orientation int) geometry.Vec2 {
	right, bottom := float64(w-1)-p.X, float64(h-1)-p.Y // distances from the far sides
	switch orientation {
	case 2:
		return geometry.Vec2{X: right, Y: p.Y}
	case 3:
		return geometry.Vec2{X: right, Y: bottom}
	case 4:
		return geometry.Vec2{X: p.X, Y: bottom}
	case 5:
		return geometry.Vec2{X: p.Y, Y: p.X}
	case 6:
		return geometry.Vec2{X: bottom, Y: p.X}
	case 7:
		return geometry.Vec2{X: bottom, Y: right}
	case 8:
		return geometry.Vec2{X: p.Y, Y: right}
	}
	return p
}

// StoredFromUpright is the inverse; w and h are the stored picture's size.
func StoredFromUpright(p geometry.Vec2, w, h, orientation int) geometry.Vec2 {
	uw, uh := UprightSize(w, h, orientation)
	switch orientation { // the two quarter turns undo each other, the rest themselves
	case 6:
		orientation = 8
	case 8:
		orientation = 6
	}
	return UprightFromStored(p, uw, uh, orientation)
}
