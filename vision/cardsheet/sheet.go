package cardsheet

import (
	"fmt"
	"strings"

	"beltend/geometry"
	"beltend/vision/pattern"
)

// Paper is a sheet in landscape, mm.
type Paper struct {
	Name          string
	Width, Height float64
}

// A4 is of ISO 216, Letter of ANSI/ASME Y14.1 (11 x 8 1/2 inches).
var (
	A4     = Paper{"A4", 297, 210}
	Letter = Paper{"Letter", 279.4, 215.9}
)

// ParsePaper finds a paper by its name.
func ParsePaper(s string) (Paper, error) {
	for _, p := range []Paper{A4, Letter} {
		if strings.EqualFold(strings.TrimSpace(s), p.Name) {
			return p, nil
		}
	}
	return Paper{}, fmt.Errorf("paper %q: choose A4 or Letter", s)
}

// The check bars: distance between the middles of their end ticks, mm.
// Middles do not move when ink spreads.
const (
	BarAcross = 200.0
	BarUp     = 150.0
)

const (
	edge = 5.0 // what printers leave blank along the paper's edge, mm
	// gap is what stays white around the board, mm: a marker's quiet zone of
	// one cell (26/7 mm) and some more.
	gap = 4.5

	stroke = 0.25 // width of the bars' lines, mm
	tick   = 3.0  // length of their end ticks, mm

	numberHeight = 7.5 // of the card number's digits, mm: 15 px at 0.5 mm a pixel
	textSize     = 3.2 // em of the small print, mm (9 point)
	lineStep     = 4.2
)

// rect is a black rectangle on the sheet, mm.
type rect struct{ x0, y0, x1, y1 float64 }

// label is a line of black text; x, y is where its baseline starts, mm.
type label struct {
	text string
	x, y float64
	size float64 // em, mm
	bold bool
	up   bool // runs up the sheet instead of to the right
}

// sheet is all that is printed.
type sheet struct {
	title string
	paper Paper
	black []rect // touching, never overlapping
	text  []label
}

// origin is where the top left outer corner of a card's board lies.
func (p Paper) origin() (x, y float64) {
	return (p.Width - geometry.CardCols*geometry.CardSquare) / 2, (p.Height - geometry.CardRows*geometry.CardSquare) / 2
}

// layout puts card n on a sheet: the board in the middle, its number and how to
// print above it, how to lay it below, the check bars below and on the left.
func layout(n int, paper Paper) (sheet, error) {
	card, err := geometry.Card(n)
	if err != nil {
		return sheet{}, err
	}
	black, err := pattern.Board(card)
	if err != nil {
		return sheet{}, err
	}
	s := sheet{title: fmt.Sprintf("beltend reference card %d", n), paper: paper}
	left, top := paper.origin()
	for _, r := range black {
		s.black = append(s.black, rect{left + r.X0, top + card.Height() - r.Y1, left + r.X1, top + card.Height() - r.Y0})
	}

	// Check bars with end ticks, at the very edge.
	barY, barX := paper.Height-edge-tick/2, edge+tick/2
	x0, x1 := paper.Width/2-BarAcross/2, paper.Width/2+BarAcross/2
	y0, y1 := paper.Height/2-BarUp/2, paper.Height/2+BarUp/2
	const h = stroke / 2
	s.black = append(s.black,
		rect{x0 - h, barY - tick/2, x0 + h, barY + tick/2},
		rect{x0 + h, barY - h, x1 - h, barY + h},
		rect{x1 - h, barY - tick/2, x1 + h, barY + tick/2},
		rect{barX - tick/2, y0 - h, barX + tick/2, y0 + h},
		rect{barX - h, y0 + h, barX + h, y1 - h},
		rect{barX - tick/2, y1 - h, barX + tick/2, y1 + h},
	)
	small := func(x, y float64, up bool, text string) {
		s.text = append(s.text, label{text: text, x: x, y: y, size: textSize, up: up})
	}
	across, up := fmt.Sprintf("%g mm", BarAcross), fmt.Sprintf("%g mm", BarUp)
	small(x1+2, barY+1.2, false, across)
	small(edge+tick+3.8, paper.Height/2+textWidth(up, textSize, false)/2, true, up)

	// The number, and how to print.
	number := label{text: fmt.Sprintf("Card %d", n), x: left, y: edge + numberHeight + 0.31, bold: true}
	number.size = numberHeight / digitHeight(true)
	s.text = append(s.text, number)
	x := left + textWidth(number.text, number.size, true) + 6
	small(x, edge+3, false, "Print at 100 % (actual size), never 'fit to page'. Then measure both check bars with a steel rule,")
	small(x, edge+3+lineStep, false, "middle of tick to middle of tick, and enter the two lengths you read (--print-scale).")

	// How to lay it.
	small(left, paper.Height-edge-tick-1.2, false, "Matt paper, not glossy. Lay it flat on the belt's top surface, print upwards, anywhere and at any angle; leave its white margin uncovered.")

	// What to mind first, and what it is.
	x = paper.Width - edge - 0.8
	last := card.FirstID + card.MarkerCount() - 1
	bottom := top + card.Height()
	small(x-lineStep, bottom, true, "Before going to the belt: isolated and locked out by the authorised person, stored tension released. Site rules win.")
	small(x, bottom, true, fmt.Sprintf("ChArUco board %d x %d, squares %g mm, markers %g mm, DICT_%s, ids %d to %d. Sheet: %s.",
		card.Cols, card.Rows, card.Square, card.Marker, card.Dict, card.FirstID, last, paper.Name))
	return s, nil
}
