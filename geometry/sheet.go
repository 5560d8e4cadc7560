package geometry

import (
	"fmt"
	"math"
	"strings"
)

// PlainSheet is a sheet of paper with nothing printed on it: a reference for an
// emergency, known only as well as paper is cut.
type PlainSheet struct {
	Name        string
	Long, Short float64 // mm
	Tolerance   float64 // largest deviation of each side, mm
}

// plainSheets are the sheets that offices have. A4 is 210 mm x 297 mm, each side
// within 2.0 mm (ISO 216, lengths of 150 mm to 600 mm); Letter is 8.5 in x 11 in
// (ANSI/ASME Y14.1, size A), for whose cut the same is taken.
var plainSheets = map[string]PlainSheet{
	"a4":     {"A4", 297, 210, 2},
	"letter": {"Letter", 279.4, 215.9, 2},
}

// ParseSheet reads a4 or letter.
func ParseSheet(s string) (PlainSheet, error) {
	p, ok := plainSheets[strings.ToLower(strings.TrimSpace(s))]
	if !ok {
		return p, fmt.Errorf("%q is no sheet: a4 or letter", s)
	}
	return p, nil
}

// ScaleSD is the standard deviation of both the mean scale of the two sides and
// half their difference: of a side rectangular within the tolerance (JCGM 100,
// 4.3.7), relative to the short side, the less well known one.
func (p PlainSheet) ScaleSD() float64 { return p.Tolerance / math.Sqrt(3) / p.Short / math.Sqrt2 }

// Corners returns the corners clockwise from the top left, the long sides across,
// in the board frame (origin at the bottom left corner).
func (p PlainSheet) Corners() [4]Vec2 {
	return [4]Vec2{{0, p.Short}, {p.Long, p.Short}, {p.Long, 0}, {0, 0}}
}
