// Package overlay draws a measurement for people: into the photo, and as the
// view from straight above in true scale. It draws what it is given and decides
// nothing.
package overlay

import (
	"image"
	"image/color"
	"slices"

	"beltend/geometry"
)

// Verdict picks the strip's colour and sign.
type Verdict int

// The verdicts.
const (
	Undecided Verdict = iota
	Square
	Recut
	Refused
)

// Input says what to draw. Places are pixels of the upright photo at the size
// that Size gives, pixel centres at integers; the picture handed in may be a
// smaller copy. What is empty is not drawn.
type Input struct {
	Size image.Point

	Left, Right, Cut []geometry.Vec2 // found edges and cut
	Drawn            []geometry.Vec2 // line drawn across the belt
	Centreline       []geometry.Vec2 // from the cut up the belt
	Recut            []geometry.Vec2 // from the left edge to the right edge
	Rival            []geometry.Vec2 // next best candidate of an unclear edge
	LeftCorner       *geometry.Vec2
	RightCorner      *geometry.Vec2

	Redraw bool // Recut is where to draw the line again, not where to cut

	LeftText, RightText string // at the re-cut line's ends, such as "14.5 mm back"

	Names  Names
	Inches bool // the grid of the view from above, instead of mm
	Scale  Scale

	Verdict  Verdict
	Headline string // "Re-cut"
	Detail   string // "Offset +14.0 mm, 95 % within 0.8 mm; allowed 1.7 mm"
	Note     string // a caution or a warning in small type
}

// Names are the texts of the drawing itself: of its lines, in their key.
type Names struct {
	Edges, Cut, Centre, Recut, Redraw, Drawn, Rival, Hinge string

	Up string // "up the belt", at the view from above
}

// Scale is the offset against the tolerance, mm. Without a tolerance it is not
// drawn.
type Scale struct{ Offset, U95, Tolerance float64 }

// Every line has a bright core on a dark halo, so that it shows on black rubber
// and on white belts alike, and its own dash or width besides its colour.
type pen struct {
	c      color.NRGBA
	width  float64 // of the core, for a picture with a long side of 1600 px
	dashes []float64
}

var (
	edgePen   = pen{color.NRGBA{0x3d, 0xd6, 0xff, 0xff}, 3, nil}
	cutPen    = pen{color.NRGBA{0xff, 0xe1, 0x32, 0xff}, 3, nil}
	centrePen = pen{color.NRGBA{0xff, 0xff, 0xff, 0xff}, 2.2, []float64{22, 7, 4, 7}}
	recutPen  = pen{color.NRGBA{0xff, 0x6a, 0x3d, 0xff}, 4, []float64{18, 12}}
	drawnPen  = pen{color.NRGBA{0x7c, 0xff, 0x8a, 0xff}, 3, []float64{4, 8}}
	rivalPen  = pen{color.NRGBA{0xff, 0x7b, 0xe5, 0xff}, 3, []float64{3, 9}}
)

var (
	halo  = color.NRGBA{0x08, 0x10, 0x18, 0xb4}
	ink   = color.NRGBA{0x14, 0x1b, 0x22, 0xff}
	paper = color.NRGBA{0xff, 0xff, 0xff, 0xf0}
)

// pens lists the lines that the input holds and their names, in the order they
// are drawn.
func (in Input) pens() (p []pen, names []string, lines [][][]geometry.Vec2) {
	add := func(q pen, name string, l ...[]geometry.Vec2) {
		var some [][]geometry.Vec2
		for _, x := range l {
			if len(x) >= 2 {
				some = append(some, x)
			}
		}
		if some != nil {
			p, names, lines = append(p, q), append(names, name), append(lines, some)
		}
	}
	add(centrePen, in.Names.Centre, in.Centreline)
	add(rivalPen, in.Names.Rival, in.Rival)
	add(edgePen, in.Names.Edges, append(runs(in.Left), runs(in.Right)...)...)
	add(cutPen, in.Names.Cut, runs(in.Cut)...)
	add(drawnPen, in.Names.Drawn, runs(in.Drawn)...)
	again := in.Names.Recut
	if in.Redraw {
		again = in.Names.Redraw
	}
	add(recutPen, again, in.Recut)
	return p, names, lines
}

// runs breaks a row of found points where it was covered, so that no line is
// drawn over what was not seen: at spaces of more than eight usual ones, which
// perspective alone does not make.
func runs(p []geometry.Vec2) [][]geometry.Vec2 {
	if len(p) < 8 {
		return [][]geometry.Vec2{p}
	}
	d := make([]float64, len(p)-1)
	for k := range d {
		d[k] = p[k+1].Sub(p[k]).Norm()
	}
	sorted := slices.Clone(d)
	slices.Sort(sorted)
	most := 8 * sorted[len(d)/2]
	var out [][]geometry.Vec2
	from := 0
	for k := range d {
		if d[k] > most {
			out = append(out, p[from:k+1])
			from = k + 1
		}
	}
	return append(out, p[from:])
}
