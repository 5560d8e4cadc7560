package geometry

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// The project's own cards: ChArUco boards of CardCols x CardRows squares with
// the markers of one dictionary, CardMarkers ids to a card.
const (
	CardCount   = 14
	CardCols    = 7
	CardRows    = 5
	CardSquare  = 35.0 // mm
	CardMarker  = 26.0 // mm
	CardDict    = "5X5_250"
	CardMarkers = CardCols * CardRows / 2
)

// Board is a ChArUco board as printed: a chessboard with an ArUco marker in
// the middle of every white square. The markers are numbered from FirstID, row
// by row from the top left of the print.
//
// Positions are in the board frame: origin at the bottom left outer corner of
// the board, x to the right of the print, y up the print, millimetres. Rows
// count from the top of the print, as OpenCV counts them.
type Board struct {
	Cols, Rows int     // squares across and down
	Square     float64 // side of a square, mm
	Marker     float64 // side of a marker with its black border, mm
	Dict       string  // one of Dictionaries
	FirstID    int
	// Legacy is the layout of OpenCV before 4.6: the bottom left square is
	// black, not the top left one. With an odd number of rows both are.
	Legacy bool
}

// Loose describes single markers of one size, each lying anywhere.
type Loose struct {
	Dict string  // one of Dictionaries
	Side float64 // side of a marker with its black border, mm
}

// dictionaries are OpenCV's predefined marker sets (its names less DICT_) and
// how many ids each has, as listed in the documentation of
// cv::aruco::PredefinedDictionaryType; the sets that OpenCV 4.6 and later share.
var dictionaries = []struct {
	name string
	size int
}{
	{"4X4_50", 50}, {"4X4_100", 100}, {"4X4_250", 250}, {"4X4_1000", 1000},
	{"5X5_50", 50}, {"5X5_100", 100}, {"5X5_250", 250}, {"5X5_1000", 1000},
	{"6X6_50", 50}, {"6X6_100", 100}, {"6X6_250", 250}, {"6X6_1000", 1000},
	{"7X7_50", 50}, {"7X7_100", 100}, {"7X7_250", 250}, {"7X7_1000", 1000},
	{"ARUCO_ORIGINAL", 1024},
	{"APRILTAG_16h5", 30}, {"APRILTAG_25h9", 35}, {"APRILTAG_36h10", 2320}, {"APRILTAG_36h11", 587},
}

// Dictionaries lists the marker dictionaries by OpenCV's names without DICT_.
func Dictionaries() []string {
	names := make([]string, len(dictionaries))
	for i, d := range dictionaries {
		names[i] = d.name
	}
	return names
}

// DictionarySize returns how many ids (0 to n-1) a dictionary has, 0 for an
// unknown name.
func DictionarySize(name string) int {
	for _, d := range dictionaries {
		if d.name == name {
			return d.size
		}
	}
	return 0
}

// Card returns card n of the project's own set, 1 to CardCount.
func Card(n int) (Board, error) {
	if n < 1 || n > CardCount {
		return Board{}, fmt.Errorf("there is no card %d: cards are numbered 1 to %d", n, CardCount)
	}
	return Board{
		Cols: CardCols, Rows: CardRows, Square: CardSquare, Marker: CardMarker,
		Dict: CardDict, FirstID: CardMarkers * (n - 1),
	}, nil
}

// CardNumber returns the number of the card that carries a marker id of
// CardDict, 0 if none does.
func CardNumber(id int) int {
	if id < 0 || id >= CardCount*CardMarkers {
		return 0
	}
	return id/CardMarkers + 1
}

// minSide and maxSide (mm) bound the squares and markers that can lie on a belt
// and be seen: beyond them a length was not meant in millimetres.
const (
	minSide = 1.0
	maxSide = 2000.0
)

// ParseBoard reads COLSxROWS:SQUARE/MARKER:DICT[:FIRSTID][:legacy], lengths in
// millimetres, for example 7x5:25.7/12.9:6X6_250.
func ParseBoard(s string) (Board, error) {
	b, err := parseBoard(s)
	if err != nil {
		return Board{}, fmt.Errorf("board %q: %w; write COLSxROWS:SQUARE/MARKER:DICT[:FIRSTID][:legacy] with lengths in mm, for example 7x5:25.7/12.9:6X6_250", s, err)
	}
	return b, nil
}

func parseBoard(s string) (b Board, err error) {
	parts := strings.Split(strings.TrimSpace(s), ":")
	if len(parts) > 3 && strings.EqualFold(parts[len(parts)-1], "legacy") {
		b.Legacy = true
		parts = parts[:len(parts)-1]
	}
	if len(parts) < 3 || len(parts) > 4 {
		return b, errors.New("expected three to five parts with colons between them")
	}
	cols, rows, ok := strings.Cut(strings.ToLower(parts[0]), "x")
	if !ok {
		return b, fmt.Errorf("%q is not a number of squares across and down such as 7x5", parts[0])
	}
	if b.Cols, err = strconv.Atoi(cols); err != nil {
		return b, fmt.Errorf("%q is not a whole number of squares across", cols)
	}
	if b.Rows, err = strconv.Atoi(rows); err != nil {
		return b, fmt.Errorf("%q is not a whole number of squares down", rows)
	}
	square, marker, ok := strings.Cut(parts[1], "/")
	if !ok {
		return b, fmt.Errorf("%q is not a square side and a marker side such as 25.7/12.9", parts[1])
	}
	if b.Square, err = parseSide(square); err != nil {
		return b, fmt.Errorf("square side: %w", err)
	}
	if b.Marker, err = parseSide(marker); err != nil {
		return b, fmt.Errorf("marker side: %w", err)
	}
	if b.Dict, err = parseDict(parts[2]); err != nil {
		return b, err
	}
	if len(parts) == 4 {
		if b.FirstID, err = strconv.Atoi(parts[3]); err != nil {
			return b, fmt.Errorf("first id %q is not a whole number", parts[3])
		}
	}
	return b, b.Validate()
}

// Validate reports what keeps a board from being one that can be measured with.
func (b Board) Validate() error {
	switch size := DictionarySize(b.Dict); {
	case b.Cols < 3 || b.Rows < 3:
		// Two squares one way leave inner corners on one line at best.
		return fmt.Errorf("%d x %d squares are too few: at least 3 x 3 are needed", b.Cols, b.Rows)
	case !(b.Square >= minSide && b.Square <= maxSide):
		return fmt.Errorf("square side %g mm is out of range: %g to %g mm", b.Square, minSide, maxSide)
	case !(b.Marker >= minSide && b.Marker < b.Square):
		return fmt.Errorf("marker side %g mm is out of range: from %g mm to less than the square side %g mm", b.Marker, minSide, b.Square)
	case size == 0:
		return unknownDict(b.Dict)
	case b.FirstID < 0:
		return fmt.Errorf("first id %d is below 0", b.FirstID)
	case b.Cols > 2*size || b.Rows > 2*size || b.MarkerCount() > size-b.FirstID:
		return fmt.Errorf("%d x %d squares from id %d need more markers than %s has (ids 0 to %d)", b.Cols, b.Rows, b.FirstID, b.Dict, size-1)
	}
	return nil
}

// ParseMarkers reads DICT:SIDE, the side in millimetres with the marker's black
// border, for example 4X4_50:16.
func ParseMarkers(s string) (Loose, error) {
	dict, side, ok := strings.Cut(strings.TrimSpace(s), ":")
	l, err := Loose{}, errors.New("expected two parts with a colon between them")
	if ok {
		if l.Dict, err = parseDict(dict); err == nil {
			l.Side, err = parseSide(side)
		}
	}
	if err != nil {
		return Loose{}, fmt.Errorf("markers %q: %w; write DICT:SIDE with the side in mm, for example 4X4_50:16", s, err)
	}
	return l, nil
}

func parseSide(s string) (float64, error) {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return 0, fmt.Errorf("%q is not a length in mm", s)
	}
	if !(v >= minSide && v <= maxSide) {
		return 0, fmt.Errorf("%s mm is out of range: %g to %g mm", s, minSide, maxSide)
	}
	return v, nil
}

// parseDict finds a dictionary whatever the case, with or without DICT_.
func parseDict(s string) (string, error) {
	name := s
	if len(s) > 5 && strings.EqualFold(s[:5], "DICT_") {
		name = s[5:]
	}
	i := slices.IndexFunc(dictionaries, func(d struct {
		name string
		size int
	}) bool {
		return strings.EqualFold(d.name, name)
	})
	if i < 0 {
		return "", unknownDict(s)
	}
	return dictionaries[i].name, nil
}

func unknownDict(s string) error {
	return fmt.Errorf("unknown marker dictionary %q: known are %s", s, strings.Join(Dictionaries(), ", "))
}

// String returns the board as ParseBoard reads it.
func (b Board) String() string {
	s := fmt.Sprintf("%dx%d:%s/%s:%s", b.Cols, b.Rows, formatMM(b.Square), formatMM(b.Marker), b.Dict)
	if b.FirstID != 0 {
		s += ":" + strconv.Itoa(b.FirstID)
	}
	if b.Legacy {
		s += ":legacy"
	}
	return s
}

// String returns the markers as ParseMarkers reads them.
func (l Loose) String() string { return l.Dict + ":" + formatMM(l.Side) }

func formatMM(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// Width returns the extent of the squares across the print, mm.
func (b Board) Width() float64 { return float64(b.Cols) * b.Square }

// Height returns the extent of the squares up the print, mm.
func (b Board) Height() float64 { return float64(b.Rows) * b.Square }

// SquareIsBlack tells the colour of a square; row 0 is the top one.
func (b Board) SquareIsBlack(col, row int) bool {
	if b.Legacy {
		row += b.Rows - 1 // same parity as counting from the bottom
	}
	return (col+row)%2 == 0
}

// MarkerCount returns the number of markers, one to a white square.
func (b Board) MarkerCount() int {
	n := b.Cols * b.Rows
	if b.SquareIsBlack(0, 0) {
		return n / 2
	}
	return n - n/2
}

// MarkerSquare returns the square that holds marker k, that is id FirstID + k,
// 0 <= k < MarkerCount; row 0 is the top one.
func (b Board) MarkerSquare(k int) (col, row int) {
	if k < 0 || k >= b.MarkerCount() {
		panic(fmt.Sprintf("geometry: marker %d of a board with %d", k, b.MarkerCount()))
	}
	// Two rows together always hold Cols white squares.
	row = 2 * (k / b.Cols)
	k %= b.Cols
	first := b.Cols / 2 // white squares in an even row
	if !b.SquareIsBlack(0, 0) {
		first = b.Cols - first
	}
	if k >= first {
		k -= first
		row++
	}
	col = 2 * k
	if b.SquareIsBlack(0, row) {
		col++
	}
	return col, row
}

// MarkerCorners returns the corners of marker k, 0 <= k < MarkerCount,
// clockwise from its top left as printed: the order of OpenCV's detector.
func (b Board) MarkerCorners(k int) [4]Vec2 {
	col, row := b.MarkerSquare(k)
	cx := (float64(col) + 0.5) * b.Square
	cy := (float64(b.Rows-row) - 0.5) * b.Square
	h := b.Marker / 2
	return [4]Vec2{{cx - h, cy + h}, {cx + h, cy + h}, {cx + h, cy - h}, {cx - h, cy - h}}
}

// Saddles returns the inner corners of the chessboard, (Cols-1)(Rows-1) of
// them, row by row from the top left of the print: OpenCV's ChArUco corner ids.
func (b Board) Saddles() []Vec2 {
	pts := make([]Vec2, 0, max(0, b.Cols-1)*max(0, b.Rows-1))
	for row := 1; row < b.Rows; row++ {
		for col := 1; col < b.Cols; col++ {
			pts = append(pts, Vec2{float64(col) * b.Square, float64(b.Rows-row) * b.Square})
		}
	}
	return pts
}

// MarkerCorners returns the corners of a loose marker clockwise from its top
// left as printed, in its own board frame (origin at its bottom left corner).
func (l Loose) MarkerCorners() [4]Vec2 {
	return [4]Vec2{{0, l.Side}, {l.Side, l.Side}, {l.Side, 0}, {0, 0}}
}
