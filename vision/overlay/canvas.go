package overlay

import (
	"fmt"
	"image"
	"image/color"
	"math"
	"sync"

	"git.sr.ht/~sbinet/gg"
	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"

	"beltend/geometry"
)

// canvas is a drawing context with sizes in units of a picture whose long side
// is 1600 px.
type canvas struct {
	*gg.Context
	unit  float64
	clip  image.Rectangle // where labels must stay
	faces map[faceKey]font.Face
}

type faceKey struct {
	bold bool
	size float64
}

var fonts = sync.OnceValues(func() (f [2]*opentype.Font, err error) {
	for i, ttf := range [][]byte{goregular.TTF, gobold.TTF} {
		if f[i], err = opentype.Parse(ttf); err != nil {
			return f, fmt.Errorf("overlay: built-in font: %w", err)
		}
	}
	return f, nil
})

func newCanvas(img *image.RGBA, unit float64) *canvas {
	return &canvas{Context: gg.NewContextForRGBA(img), unit: unit, clip: img.Bounds(), faces: map[faceKey]font.Face{}}
}

// text sets the font; size is the height of the letters' body in units.
func (c *canvas) text(bold bool, size float64) {
	k := faceKey{bold, size}
	f, ok := c.faces[k]
	if !ok {
		all, err := fonts()
		if err != nil {
			return // the fonts are compiled in; a test opens them
		}
		i := 0
		if bold {
			i = 1
		}
		if f, err = opentype.NewFace(all[i], &opentype.FaceOptions{Size: size * c.unit, DPI: 72, Hinting: font.HintingNone}); err != nil {
			return
		}
		c.faces[k] = f
	}
	c.SetFontFace(f)
}

// at turns a place with pixel centres at integers into the drawing library's,
// which counts from the picture's corner.
func at(p geometry.Vec2) (x, y float64) { return p.X + 0.5, p.Y + 0.5 }

// line strokes one polyline with its halo.
func (c *canvas) line(q pen, pts []geometry.Vec2) {
	path := func() {
		for k, p := range pts {
			x, y := at(p)
			if k == 0 {
				c.MoveTo(x, y)
			} else {
				c.LineTo(x, y)
			}
		}
	}
	c.SetLineCapButt()
	c.SetLineJoinRound()
	c.SetDash()
	path()
	c.SetColor(halo)
	c.SetLineWidth((q.width + 4) * c.unit)
	c.Stroke()
	var dashes []float64
	for _, d := range q.dashes {
		dashes = append(dashes, d*c.unit)
	}
	c.SetDash(dashes...)
	path()
	c.SetColor(q.c)
	c.SetLineWidth(q.width * c.unit)
	c.Stroke()
	c.SetDash()
}

// badge draws a letter in a disc.
func (c *canvas) badge(s string, p geometry.Vec2) {
	r := 34 * c.unit
	p = c.inside(p, r+3*c.unit, r+3*c.unit)
	x, y := at(p)
	c.DrawCircle(x, y, r)
	c.SetColor(paper)
	c.FillPreserve()
	c.SetColor(ink)
	c.SetLineWidth(4 * c.unit)
	c.Stroke()
	c.text(true, 50)
	c.centred(s, x, y)
}

// centred draws a string with the middle of its capitals at a place.
func (c *canvas) centred(s string, x, y float64) {
	w, _ := c.MeasureString(s)
	c.DrawString(s, x-w/2, y+0.31*c.FontHeight())
}

// inside moves a place so that a box of the given half sizes stays on the
// picture.
func (c *canvas) inside(p geometry.Vec2, hx, hy float64) geometry.Vec2 {
	b := c.clip
	p.X = math.Max(math.Min(p.X, float64(b.Max.X)-hx), float64(b.Min.X)+hx)
	p.Y = math.Max(math.Min(p.Y, float64(b.Max.Y)-hy), float64(b.Min.Y)+hy)
	return p
}

// label draws a text in a box that stands off p in all the directions away
// and stays on the picture.
func (c *canvas) label(s string, p geometry.Vec2, edge color.Color, away ...geometry.Vec2) {
	if s == "" {
		return
	}
	c.text(true, 28)
	w, h := c.MeasureString(s)
	hx, hy := w/2+10*c.unit, h/2+9*c.unit
	q := p
	for _, d := range away {
		d = d.Unit()
		q = q.Add(d.Mul(math.Abs(d.X)*hx + math.Abs(d.Y)*hy + 14*c.unit))
	}
	q = c.inside(q, hx+3*c.unit, hy+3*c.unit)
	x, y := at(q)
	c.DrawRoundedRectangle(x-hx, y-hy, 2*hx, 2*hy, 6*c.unit)
	c.SetColor(paper)
	c.FillPreserve()
	c.SetColor(edge)
	c.SetLineWidth(4 * c.unit)
	c.Stroke()
	c.SetColor(ink)
	c.centred(s, x, y)
}

// corner marks a found corner with a small ring.
func (c *canvas) corner(p geometry.Vec2) {
	x, y := at(p)
	for _, s := range []struct {
		w float64
		c color.Color
	}{{7, halo}, {3, cutPen.c}} {
		c.DrawCircle(x, y, 10*c.unit)
		c.SetColor(s.c)
		c.SetLineWidth(s.w * c.unit)
		c.Stroke()
	}
}
