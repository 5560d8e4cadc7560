package square

import (
	"errors"
	"math"
)

// SetOut says from where the two marks for a comparison of diagonals were
// measured.
type SetOut int

const (
	// FromCorners: each mark the same distance along its edge from the corner
	// of the cut itself.
	FromCorners SetOut = iota
	// FromSquareLine: both marks on one line that is truly square to the
	// centreline, at that distance from the middle of the cut.
	FromSquareLine
)

// ErrTape is returned for lengths that no belt could have.
var ErrTape = errors.New("square: lengths must be above 0 and able to meet in a triangle")

// Diagonals returns the two diagonals of a belt of the given width with
// parallel edges, marks up the edges and an out-of-square offset: left from
// the left corner of the cut to the right mark, right from the right corner to
// the left mark. Millimetres. From the geometry of two right triangles:
// width^2 + (up +- offset)^2 from the corners, up +- offset/2 from a square
// line.
func Diagonals(width, up, offset float64, s SetOut) (left, right float64) {
	if s == FromSquareLine {
		offset /= 2
	}
	return math.Hypot(width, up+offset), math.Hypot(width, up-offset)
}

// OffsetFromDiagonals turns taped diagonals into the out-of-square offset,
// exactly for parallel edges and to first order for a symmetric taper:
// (left^2 - right^2)/(4 up) from the corners, twice that from a square line.
func OffsetFromDiagonals(left, right, up float64, s SetOut) (float64, error) {
	if !(left > 0 && right > 0 && up > 0) || math.IsInf(left+right+up, 0) {
		return 0, ErrTape
	}
	e := (left - right) * (left + right) / (4 * up)
	if s == FromSquareLine {
		e *= 2
	}
	return e, nil
}

// DiagonalsU is the standard uncertainty of an offset from diagonals, tape the
// standard uncertainty of one reading. With marksTaped the marks were laid out
// with the same tape, otherwise they count as exact. For marks from a square
// line that line's own error is not in here.
//
//	from the corners: sqrt(tape^2 d^2/(2 up^2) [+ tape^2/2]), d^2 = width^2 + up^2
func DiagonalsU(width, up, tape float64, s SetOut, marksTaped bool) float64 {
	u := tape * math.Hypot(width, up) / (math.Sqrt2 * up)
	marks := tape / math.Sqrt2
	if s == FromSquareLine {
		// a mark 1 mm too high on one side turns the two marks' line by 1/width
		u, marks = 2*u, math.Sqrt2*tape
	}
	if marksTaped {
		return math.Hypot(u, marks)
	}
	return u
}

// Corner is one end of the cut.
type Corner int

// The corners of the cut.
const (
	LeftCorner Corner = iota
	RightCorner
)

// OffsetFromTriangle turns a triangle taped at one corner (3-4-5 or any other)
// into an offset over the width against that edge: along the edge, across
// along the cut, hyp between their ends. sin(delta) =
// (along^2 + across^2 - hyp^2)/(2 along across), offset = width tan(delta),
// negative at the right corner.
func OffsetFromTriangle(along, across, hyp, width float64, at Corner) (float64, error) {
	if !(along > 0 && across > 0 && hyp > 0 && width > 0) || math.IsInf(along+across+hyp+width, 0) {
		return 0, ErrTape
	}
	s := (along*along + across*across - hyp*hyp) / (2 * along * across)
	if !(math.Abs(s) < 1) {
		return 0, ErrTape
	}
	e := width * s / math.Sqrt(1-s*s)
	if at == RightCorner {
		e = -e
	}
	return e, nil
}

// TriangleU is the standard uncertainty of an offset from a triangle, tape the
// standard uncertainty of one reading: width hyp tape/(along across) when only
// the hypotenuse is uncertain, sqrt(2) times that when all three are.
func TriangleU(along, across, width, tape float64, legsTaped bool) float64 {
	u := width * math.Hypot(along, across) * tape / (along * across)
	if legsTaped {
		u *= math.Sqrt2
	}
	return u
}

// BladeU is the standard uncertainty of an offset over width shown by a square
// whose stock sits on the edge over stock mm with seating uncertainty seat at
// each end and whose blade is blade mm long, the gap read to gap and its own
// error own (radians), all standard uncertainties:
// width sqrt((gap/blade)^2 + 2 (seat/stock)^2 + own^2).
func BladeU(width, blade, stock, gap, seat, own float64) float64 {
	a, b := gap/blade, seat/stock
	return width * math.Sqrt(a*a+2*b*b+own*own)
}

// TapeClass is the accuracy class of a tape.
type TapeClass int

// The classes of Directive 2014/32/EU annex X (MI-008) and OIML R 35-1.
const (
	TapeI TapeClass = iota + 1
	TapeII
	TapeIII
)

// TapeMPE is the maximum permissible error either way of a tape over a length,
// millimetres: a + b L with L in metres rounded up to the next whole metre,
// more when the length starts at the end hook (2014/32/EU annex X, MI-008).
// NaN for an unknown class.
func TapeMPE(c TapeClass, length float64, hook bool) float64 {
	var a, b, h float64
	switch c {
	case TapeI:
		a, b, h = 0.1, 0.1, 0.1
	case TapeII:
		a, b, h = 0.3, 0.2, 0.2
	case TapeIII:
		a, b, h = 0.6, 0.4, 0.3
	default:
		return math.NaN()
	}
	mpe := a + b*math.Ceil(length/1000-1e-9)
	if hook {
		mpe += h
	}
	return mpe
}

// TapeU is the standard uncertainty that goes with the maximum permissible
// error, taken as rectangular (JCGM 100:2008 4.3.7).
func TapeU(c TapeClass, length float64, hook bool) float64 {
	return TapeMPE(c, length, hook) / math.Sqrt(3)
}
