// Package pattern knows what is printed on reference cards: the cells of the
// markers and the black areas of boards, in millimetres. Pure Go, for whatever
// draws cards: printable sheets and synthetic scenes.
package pattern

import (
	"embed"
	"fmt"
	"strconv"
	"strings"
	"sync"

	"beltend/geometry"
)

// The codes are facts of OpenCV's predefined dictionaries; the head of each
// file says how they are written down.
//
//go:embed bits/*.txt
var bitFiles embed.FS

// Rect is a black rectangle in the board frame (y up the print), mm.
type Rect struct{ X0, Y0, X1, Y1 float64 }

// Code is the inner part of a marker: Size x Size cells inside a black border
// one cell wide.
type Code struct {
	Size int
	bits uint64
}

// White tells the colour of a cell; row 0 is the top one.
func (c Code) White(col, row int) bool {
	return c.bits>>(c.Size*c.Size-1-row*c.Size-col)&1 == 1
}

// Marker returns the code of a marker of a dictionary (geometry.Dictionaries).
func Marker(dict string, id int) (Code, error) {
	size := geometry.DictionarySize(dict)
	if size == 0 {
		return Code{}, fmt.Errorf("unknown marker dictionary %q: known are %s", dict, strings.Join(geometry.Dictionaries(), ", "))
	}
	if id < 0 || id >= size {
		return Code{}, fmt.Errorf("dictionary %s has no marker %d: its ids are 0 to %d", dict, id, size-1)
	}
	return codes()[family(dict)][id], nil
}

// family is the file that a dictionary's codes are in: of the dictionaries of
// one marker size the smaller ones are the first ids of the largest.
func family(dict string) string {
	cells, _, numbered := strings.Cut(dict, "X")
	if _, err := strconv.Atoi(cells); numbered && err == nil {
		return cells + "X" + cells + "_1000"
	}
	return dict
}

var cellsAcross = map[string]int{
	"4X4_1000": 4, "5X5_1000": 5, "6X6_1000": 6, "7X7_1000": 7,
	"ARUCO_ORIGINAL": 5,
	"APRILTAG_16h5":  4, "APRILTAG_25h9": 5, "APRILTAG_36h10": 6, "APRILTAG_36h11": 6,
}

// codes reads the embedded files once. They are part of the program: a fault in
// them is a fault of the build.
var codes = sync.OnceValue(func() map[string][]Code {
	all := make(map[string][]Code, len(cellsAcross))
	for name, size := range cellsAcross {
		text, err := bitFiles.ReadFile("bits/" + name + ".txt")
		if err != nil {
			panic("pattern: " + err.Error())
		}
		for line := range strings.Lines(string(text)) {
			if strings.HasPrefix(line, "#") {
				continue
			}
			bits, err := strconv.ParseUint(strings.TrimSpace(line), 16, 64)
			if err != nil {
				panic("pattern: " + name + ": " + err.Error())
			}
			all[name] = append(all[name], Code{Size: size, bits: bits})
		}
	}
	return all
})

// Board returns all that is black on a board: rectangles that touch but do not
// overlap, in the board frame. Neighbours share their edges' exact coordinates.
func Board(b geometry.Board) ([]Rect, error) {
	if err := b.Validate(); err != nil {
		return nil, fmt.Errorf("board %v: %w", b, err)
	}
	var black []Rect
	for row := range b.Rows {
		for col := range b.Cols {
			if b.SquareIsBlack(col, row) {
				black = append(black, Rect{
					X0: float64(col) * b.Square, Y0: float64(b.Rows-row-1) * b.Square,
					X1: float64(col+1) * b.Square, Y1: float64(b.Rows-row) * b.Square,
				})
			}
		}
	}
	for k := range b.MarkerCount() {
		code, err := Marker(b.Dict, b.FirstID+k)
		if err != nil {
			return nil, fmt.Errorf("board %v: %w", b, err)
		}
		c := b.MarkerCorners(k)
		black = append(black, code.black(c[3], b.Marker)...)
	}
	return black, nil
}

// Loose returns all that is black on a loose marker, in its own board frame.
func Loose(l geometry.Loose, id int) ([]Rect, error) {
	code, err := Marker(l.Dict, id)
	if err != nil {
		return nil, err
	}
	return code.black(geometry.Vec2{}, l.Side), nil
}

// black returns the black cells of a marker, border and all, joined along the
// rows; corner is the bottom left one.
func (c Code) black(corner geometry.Vec2, side float64) []Rect {
	n := c.Size + 2
	at := func(origin float64, i int) float64 { return origin + float64(i)*side/float64(n) }
	white := func(col, row int) bool {
		return col > 0 && col < n-1 && row > 0 && row < n-1 && c.White(col-1, row-1)
	}
	var black []Rect
	for row := range n {
		for col := 0; col < n; col++ {
			if white(col, row) {
				continue
			}
			first := col
			for col < n && !white(col, row) {
				col++
			}
			black = append(black, Rect{
				X0: at(corner.X, first), Y0: at(corner.Y, n-1-row),
				X1: at(corner.X, col), Y1: at(corner.Y, n-row),
			})
		}
	}
	return black
}
