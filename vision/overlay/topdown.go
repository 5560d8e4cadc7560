package overlay

import (
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"math"

	xdraw "golang.org/x/image/draw"

	"beltend/geometry"
)

// ErrNoPlane is returned when too little of the belt's plane is known or in
// view to draw it from above.
var ErrNoPlane = errors.New("overlay: the belt's plane is not seen well enough for a view from above")

const (
	around  = 70.0   // mm shown beyond the belt
	longest = 6000.0 // mm along or across that a single photo can show
	topLong = 1500   // pixels of the long side
)

// Window is a part of the belt's plane, mm in the belt frame, and the drawing's
// scale, px per mm. Two belt ends drawn in the same window can be laid one over
// the other.
type Window struct {
	Lo, Hi  geometry.Vec2
	PxPerMM float64
}

// Around is the window that holds all of these, at a scale for the screen. An
// empty window (Hi not beyond Lo) counts for nothing.
func Around(all ...Window) (Window, error) {
	lo, hi := geometry.Vec2{X: math.Inf(1), Y: math.Inf(1)}, geometry.Vec2{X: math.Inf(-1), Y: math.Inf(-1)}
	for _, w := range all {
		if !(w.Hi.X > w.Lo.X && w.Hi.Y > w.Lo.Y) {
			continue
		}
		lo = geometry.Vec2{X: math.Min(lo.X, w.Lo.X), Y: math.Min(lo.Y, w.Lo.Y)}
		hi = geometry.Vec2{X: math.Max(hi.X, w.Hi.X), Y: math.Max(hi.Y, w.Hi.Y)}
	}
	size := hi.Sub(lo)
	if !(size.X > 0 && size.Y > 0 && size.X <= longest && size.Y <= longest) {
		return Window{}, ErrNoPlane
	}
	return Window{Lo: lo, Hi: hi, PxPerMM: topLong / math.Max(size.X, size.Y)}, nil
}

// Extent is the part of the belt's plane that TopDown shows, without a scale.
func Extent(view geometry.View, in Input) (Window, error) {
	lo, hi, err := extent(in.mapped(func(p geometry.Vec2) (geometry.Vec2, bool) { return view.Unproject(p) }))
	return Window{Lo: lo, Hi: hi}, err
}

// TopDown draws the belt end as seen from straight above, up the belt up, in
// true scale with a millimetre grid counted from where the fitted cut crosses
// the centreline. view is the upright full-size photo's, over the belt frame.
func TopDown(img image.Image, view geometry.View, in Input) (image.Image, error) {
	w, err := Extent(view, in)
	if err != nil {
		return nil, err
	}
	w.PxPerMM = topLong / math.Max(w.Hi.X-w.Lo.X, w.Hi.Y-w.Lo.Y)
	if mm, ok := view.Scale(w.Lo.Add(w.Hi).Mul(0.5)); ok {
		w.PxPerMM = math.Min(w.PxPerMM, 1.5/mm) // no finer than the photo, or little
	}
	return TopDownIn(img, view, in, w)
}

// TopDownIn is TopDown of a given part of the plane at a given scale.
func TopDownIn(img image.Image, view geometry.View, in Input, win Window) (image.Image, error) {
	b := img.Bounds()
	if b.Empty() {
		return nil, ErrNoPlane
	}
	full := in.Size
	if full.X <= 0 || full.Y <= 0 {
		full = b.Size()
	}
	in = in.mapped(func(p geometry.Vec2) (geometry.Vec2, bool) { return view.Unproject(p) })
	lo, hi, scale := win.Lo, win.Hi, win.PxPerMM
	size := hi.Sub(lo)
	if !(size.X > 0 && size.Y > 0 && scale > 0 && math.Max(size.X, size.Y)*scale <= topLong+1) {
		return nil, ErrNoPlane
	}
	w, h := int(math.Ceil(size.X*scale)), int(math.Ceil(size.Y*scale))
	unit := float64(max(w, h)) / LongSide * 1.15
	left, bottom := int(math.Ceil(76*unit)), int(math.Ceil(112*unit))
	out := image.NewRGBA(image.Rect(0, 0, w+left, h+bottom))
	draw.Draw(out, out.Bounds(), image.White, image.Point{}, draw.Src)
	area := image.Rect(left, 0, left+w, h)

	// belt millimetres to pixels of out and back
	toPx := func(p geometry.Vec2) geometry.Vec2 {
		return geometry.Vec2{X: float64(left) + (p.X-lo.X)*scale - 0.5, Y: (hi.Y-p.Y)*scale - 0.5}
	}
	toMM := func(x, y float64) geometry.Vec2 {
		return geometry.Vec2{X: lo.X + (x+0.5-float64(left))/scale, Y: hi.Y - (y+0.5)/scale}
	}
	warp(out, area, img, full, &view, toMM, scale, lo.Add(hi).Mul(0.5))

	c := newCanvas(out, unit)
	c.clip = area
	g := ruledIn(in.Inches)
	g.draw(out, lo, hi, scale, toPx, area)
	c.findings(in.mapped(func(p geometry.Vec2) (geometry.Vec2, bool) { return toPx(p), true }))
	c.margins(g, in.Names.Up, lo, hi, scale, toPx, area, out.Bounds())
	return out, nil
}

// extent returns the part of the plane to show: the findings and some room.
func extent(in Input) (lo, hi geometry.Vec2, err error) {
	lo, hi = geometry.Vec2{X: math.Inf(1), Y: math.Inf(1)}, geometry.Vec2{X: math.Inf(-1), Y: math.Inf(-1)}
	n := 0
	for _, l := range [][]geometry.Vec2{in.Left, in.Right, in.Cut, in.Drawn, in.Recut} {
		for _, p := range l {
			lo = geometry.Vec2{X: math.Min(lo.X, p.X), Y: math.Min(lo.Y, p.Y)}
			hi = geometry.Vec2{X: math.Max(hi.X, p.X), Y: math.Max(hi.Y, p.Y)}
			n++
		}
	}
	if n < 3 {
		return lo, hi, ErrNoPlane
	}
	room := geometry.Vec2{X: around, Y: around}
	lo, hi = lo.Sub(room), hi.Add(room)
	if s := hi.Sub(lo); s.X > longest || s.Y > longest {
		return lo, hi, fmt.Errorf("%w: it would be %.0f x %.0f mm", ErrNoPlane, s.X, s.Y)
	}
	return lo, hi, nil
}

var outside = color.RGBA{0xd8, 0xdb, 0xde, 0xff} // where the photo shows nothing

// warp fills area with the photo as seen from above. The camera is evaluated
// on a grid of 8 px and interpolated between, which is exact to a few
// hundredths of a pixel.
func warp(out *image.RGBA, area image.Rectangle, img image.Image, full image.Point, view *geometry.View,
	toMM func(x, y float64) geometry.Vec2, scale float64, middle geometry.Vec2) {
	// a photo finer than the drawing is reduced first, so that nothing flickers
	b := img.Bounds()
	sw, sh := b.Dx(), b.Dy()
	if mm, ok := view.Scale(middle); ok {
		fine := 1 / (mm * scale) * float64(b.Dx()) / float64(full.X) // photo pixels per drawn pixel
		if fine > 1.4 {
			sw, sh = fitted(sw, sh, int(float64(max(sw, sh))/fine*1.2))
		}
	}
	src := image.NewRGBA(image.Rect(0, 0, sw, sh))
	if sw == b.Dx() {
		draw.Draw(src, src.Bounds(), img, b.Min, draw.Src)
	} else {
		xdraw.ApproxBiLinear.Scale(src, src.Bounds(), img, b, xdraw.Src, nil)
	}
	fx, fy := float64(sw)/float64(full.X), float64(sh)/float64(full.Y)

	const step = 8
	cols, rows := area.Dx()/step+2, area.Dy()/step+2
	type node struct {
		p  geometry.Vec2
		ok bool
	}
	line := func(j int) []node {
		l := make([]node, cols)
		for i := range l {
			q, ok := view.Project(toMM(float64(area.Min.X+i*step), float64(area.Min.Y+j*step)))
			l[i] = node{geometry.Vec2{X: (q.X+0.5)*fx - 0.5, Y: (q.Y+0.5)*fy - 0.5}, ok}
		}
		return l
	}
	above := line(0)
	for j := 0; j+1 < rows; j++ {
		below := line(j + 1)
		for i := 0; i+1 < cols; i++ {
			a, b, c, d := above[i], above[i+1], below[i], below[i+1]
			seen := a.ok && b.ok && c.ok && d.ok
			for dy := 0; dy < step; dy++ {
				y := area.Min.Y + j*step + dy
				if y >= area.Max.Y {
					break
				}
				v := float64(dy) / step
				l := a.p.Mul(1 - v).Add(c.p.Mul(v))
				r := b.p.Mul(1 - v).Add(d.p.Mul(v)).Sub(l).Mul(1.0 / step)
				for dx := 0; dx < step; dx++ {
					x := area.Min.X + i*step + dx
					if x >= area.Max.X {
						break
					}
					o := out.PixOffset(x, y)
					if !seen || !sample(src, l.X+float64(dx)*r.X, l.Y+float64(dx)*r.Y, out.Pix[o:o+4:o+4]) {
						out.Pix[o], out.Pix[o+1], out.Pix[o+2], out.Pix[o+3] = outside.R, outside.G, outside.B, outside.A
					}
				}
			}
		}
		above = below
	}
}

// sample interpolates src at (x, y), pixel centres at integers.
func sample(src *image.RGBA, x, y float64, to []byte) bool {
	w, h := src.Rect.Dx(), src.Rect.Dy()
	if !(x >= 0 && y >= 0 && x < float64(w-1) && y < float64(h-1)) {
		return false
	}
	i, j := int(x), int(y)
	u, v := uint32((x-float64(i))*256), uint32((y-float64(j))*256)
	p := src.Pix[j*src.Stride+4*i:]
	q := src.Pix[(j+1)*src.Stride+4*i:]
	for k := 0; k < 3; k++ {
		top := uint32(p[k])*(256-u) + uint32(p[k+4])*u
		low := uint32(q[k])*(256-u) + uint32(q[k+4])*u
		to[k] = byte((top*(256-v) + low*v + 1<<15) >> 16)
	}
	to[3] = 255
	return true
}

// ruling is the grid: lines drawn faintly and plainly, and the lengths of the
// bar, in units of mm mm.
type ruling struct {
	name         string
	mm           float64
	faint, plain float64
	bars         []float64
}

func ruledIn(inches bool) ruling {
	if inches {
		return ruling{"in", 25.4, 1, 5, []float64{5, 10, 20}}
	}
	return ruling{"mm", 1, 10, 100, []float64{100, 200, 500}}
}

// draw draws the grid, dark and light side by side so that it shows on any
// belt.
func (g ruling) draw(out *image.RGBA, lo, hi geometry.Vec2, scale float64, toPx func(geometry.Vec2) geometry.Vec2, area image.Rectangle) {
	rule := func(r image.Rectangle, light, dark uint8) {
		for _, s := range []struct {
			shift image.Point
			c     color.NRGBA
		}{{image.Pt(1, 1), color.NRGBA{0, 0, 0, dark}}, {image.Point{}, color.NRGBA{255, 255, 255, light}}} {
			draw.Draw(out, r.Add(s.shift).Intersect(area), image.NewUniform(s.c), image.Point{}, draw.Over)
		}
	}
	lines := func(step float64, light, dark uint8) {
		for k := math.Ceil(lo.X / step); k*step <= hi.X; k++ {
			x := int(math.Round(toPx(geometry.Vec2{X: k * step}).X))
			rule(image.Rect(x, area.Min.Y, x+1, area.Max.Y), light, dark)
		}
		for k := math.Ceil(lo.Y / step); k*step <= hi.Y; k++ {
			y := int(math.Round(toPx(geometry.Vec2{Y: k * step}).Y))
			rule(image.Rect(area.Min.X, y, area.Max.X, y+1), light, dark)
		}
	}
	if g.faint*g.mm*scale >= 6 {
		lines(g.faint*g.mm, 34, 26)
	}
	lines(g.plain*g.mm, 120, 90)
}

// margins writes the lengths beside the grid, the scale bar and the direction.
func (c *canvas) margins(g ruling, direction string, lo, hi geometry.Vec2, scale float64, toPx func(geometry.Vec2) geometry.Vec2, area, page image.Rectangle) {
	u := c.unit
	c.SetColor(color.White)
	c.DrawRectangle(0, 0, float64(area.Min.X), float64(page.Max.Y))
	c.DrawRectangle(0, float64(area.Max.Y), float64(page.Max.X), float64(page.Max.Y-area.Max.Y))
	c.Fill()
	c.text(false, 21)
	c.SetColor(ink)
	each := g.plain * g.mm
	for each*scale < 62*u {
		each *= 2
	}
	name := func(v float64) string { return fmt.Sprintf("%.0f", v/g.mm+0) }
	for k := math.Ceil((lo.X + 10) / each); k*each <= hi.X-10; k++ {
		c.centred(name(k*each), toPx(geometry.Vec2{X: k * each}).X+0.5, float64(area.Max.Y)+18*u)
	}
	for k := math.Ceil((lo.Y + 10) / each); k*each <= hi.Y-10; k++ {
		s := name(k * each)
		w, _ := c.MeasureString(s)
		c.DrawString(s, float64(area.Min.X)-w-8*u, toPx(geometry.Vec2{Y: k * each}).Y+0.5+0.31*c.FontHeight())
	}
	y := float64(area.Max.Y) + 72*u
	x := float64(area.Min.X) + 8*u
	bar := g.bars[0]
	for _, b := range g.bars {
		if b*g.mm*scale < 0.3*float64(area.Dx()) {
			bar = b
		}
	}
	scale *= g.mm            // px a unit
	for k := 0; k < 5; k++ { // five fields, so that the bar can be read in parts
		c.DrawRectangle(x+float64(k)*bar*scale/5, y-7*u, bar*scale/5, 14*u)
		if k%2 == 0 {
			c.SetColor(ink)
		} else {
			c.SetColor(color.White)
		}
		c.FillPreserve()
		c.SetColor(ink)
		c.SetLineWidth(1.5 * u)
		c.Stroke()
	}
	c.text(true, 24)
	c.DrawString(fmt.Sprintf("%.0f %s", bar, g.name), x+bar*scale+12*u, y+0.31*c.FontHeight())
	c.text(false, 21)
	w, _ := c.MeasureString(direction)
	ax := float64(area.Max.X) - w - 40*u
	c.DrawString(direction, ax+26*u, y+0.31*c.FontHeight())
	c.SetLineWidth(3 * u)
	c.MoveTo(ax+8*u, y+16*u)
	c.LineTo(ax+8*u, y-16*u)
	c.MoveTo(ax, y-6*u)
	c.LineTo(ax+8*u, y-17*u)
	c.LineTo(ax+16*u, y-6*u)
	c.Stroke()
}
