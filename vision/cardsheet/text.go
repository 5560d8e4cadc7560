package cardsheet

import (
	"sync"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
)

// The Go fonts travel with the program, so a sheet looks the same everywhere.
var regularFont, boldFont = parseFont(goregular.TTF), parseFont(gobold.TTF)

func parseFont(ttf []byte) func() *sfnt.Font {
	return sync.OnceValue(func() *sfnt.Font {
		f, err := sfnt.Parse(ttf)
		if err != nil {
			panic("cardsheet: " + err.Error()) // part of the program
		}
		return f
	})
}

func fontOf(bold bool) *sfnt.Font {
	if bold {
		return boldFont()
	}
	return regularFont()
}

// segment is a piece of a glyph's outline in em, relative to the start of the
// text's baseline; y down.
type segment struct {
	op  sfnt.SegmentOp
	pts [3][2]float64
}

// outline returns the outline and the width of a line of text in em, without
// kerning, as the PDF sets it.
func outline(text string, bold bool) (segs []segment, width float64) {
	f := fontOf(bold)
	var buf sfnt.Buffer
	// At this size the font's own units are whole numbers of the answer.
	ppem := fixed.I(int(f.UnitsPerEm()))
	em := float64(ppem)
	for _, r := range text {
		g, err := f.GlyphIndex(&buf, r)
		if err != nil || g == 0 {
			panic("cardsheet: no glyph for " + string(r)) // the texts are this package's own
		}
		glyph, err := f.LoadGlyph(&buf, g, ppem, nil)
		if err != nil {
			panic("cardsheet: " + err.Error())
		}
		for _, s := range glyph {
			q := segment{op: s.Op}
			for i, p := range s.Args {
				q.pts[i] = [2]float64{width + float64(p.X)/em, float64(p.Y) / em}
			}
			segs = append(segs, q)
		}
		advance, err := f.GlyphAdvance(&buf, g, ppem, font.HintingNone)
		if err != nil {
			panic("cardsheet: " + err.Error())
		}
		width += float64(advance) / em
	}
	return segs, width
}

// textWidth returns the width of a line of text in mm.
func textWidth(text string, size float64, bold bool) float64 {
	_, width := outline(text, bold)
	return width * size
}

// digitHeight returns the height of a digit in em.
func digitHeight(bold bool) float64 {
	segs, _ := outline("1", bold)
	top := 0.0
	for _, s := range segs {
		top = min(top, s.pts[0][1])
	}
	return -top
}

// args is the number of points that a segment uses.
func (s segment) args() int {
	switch s.op {
	case sfnt.SegmentOpQuadTo:
		return 2
	case sfnt.SegmentOpCubeTo:
		return 3
	default:
		return 1
	}
}

// outline returns the label's outline on the sheet, mm.
func (l label) outline() []segment {
	segs, _ := outline(l.text, l.bold)
	for i := range segs {
		for k, p := range segs[i].pts {
			x, y := p[0]*l.size, p[1]*l.size
			if l.up {
				x, y = y, -x
			}
			segs[i].pts[k] = [2]float64{l.x + x, l.y + y}
		}
	}
	return segs
}
