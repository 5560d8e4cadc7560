package overlay

import (
	"image"
	"image/color"
	"image/draw"
	"math"

	xdraw "golang.org/x/image/draw"

	"beltend/geometry"
)

// LongSide is the long side of a drawn photo, pixels.
const LongSide = 1600

// Photo draws the findings into a copy of the upright photo, at screen size,
// with the verdict in a strip below it. img may be the photo itself or a
// smaller copy of the whole of it.
func Photo(img image.Image, in Input) image.Image {
	b := img.Bounds()
	if b.Empty() {
		return image.NewRGBA(image.Rect(0, 0, 1, 1))
	}
	w, h := fitted(b.Dx(), b.Dy(), LongSide)
	unit := float64(max(w, h)) / LongSide
	strip := int(math.Round(150 * unit))
	if in.Headline == "" && in.Detail == "" {
		strip = 0
	}
	out := image.NewRGBA(image.Rect(0, 0, w, h+strip))
	area := image.Rect(0, 0, w, h)
	resize(out, area, img)

	full := in.Size
	if full.X <= 0 || full.Y <= 0 {
		full = b.Size()
	}
	sx, sy := float64(w)/float64(full.X), float64(h)/float64(full.Y)
	in = in.mapped(func(p geometry.Vec2) (geometry.Vec2, bool) {
		return geometry.Vec2{X: (p.X+0.5)*sx - 0.5, Y: (p.Y+0.5)*sy - 0.5}, true
	})
	c := newCanvas(out, unit)
	c.clip = area
	c.findings(in)
	if strip > 0 {
		c.strip(in, image.Rect(0, h, w, h+strip))
	}
	return out
}

// fitted scales w x h down to a long side.
func fitted(w, h, long int) (int, int) {
	m := max(w, h)
	if m <= long {
		return w, h
	}
	s := float64(long) / float64(m)
	return max(1, int(math.Round(s*float64(w)))), max(1, int(math.Round(s*float64(h))))
}

func resize(dst *image.RGBA, area image.Rectangle, img image.Image) {
	if img.Bounds().Size() == area.Size() {
		draw.Draw(dst, area, img, img.Bounds().Min, draw.Src)
		return
	}
	xdraw.BiLinear.Scale(dst, area, img, img.Bounds(), xdraw.Src, nil)
}

// mapped returns the input with every place taken through f; places that f
// cannot map are left out.
func (in Input) mapped(f func(geometry.Vec2) (geometry.Vec2, bool)) Input {
	for _, l := range []*[]geometry.Vec2{&in.Left, &in.Right, &in.Cut, &in.Drawn, &in.Centreline, &in.Recut, &in.Rival} {
		var out []geometry.Vec2
		for _, p := range *l {
			if q, ok := f(p); ok && q.IsFinite() {
				out = append(out, q)
			}
		}
		*l = out
	}
	for _, p := range []**geometry.Vec2{&in.LeftCorner, &in.RightCorner} {
		if *p == nil {
			continue
		}
		if q, ok := f(**p); ok && q.IsFinite() {
			*p = &q
		} else {
			*p = nil
		}
	}
	return in
}

// findings draws lines, corners, letters and tape distances.
func (c *canvas) findings(in Input) {
	pens, _, lines := in.pens()
	for k, q := range pens {
		for _, l := range lines[k] {
			c.line(q, l)
		}
	}
	for _, p := range []*geometry.Vec2{in.LeftCorner, in.RightCorner} {
		if p != nil {
			c.corner(*p)
		}
	}
	right, up, ok := in.directions()
	if !ok {
		return
	}
	left := right.Mul(-1)
	if p, ok := nearCut(in.LeftCorner, in.Left); ok {
		c.badge("L", p.Add(left.Mul(62*c.unit)).Add(up.Mul(90*c.unit)))
	}
	if p, ok := nearCut(in.RightCorner, in.Right); ok {
		c.badge("R", p.Add(right.Mul(62*c.unit)).Add(up.Mul(90*c.unit)))
	}
	if n := len(in.Recut); n >= 2 {
		c.label(in.LeftText, in.Recut[0], recutPen.c, right, up)
		c.label(in.RightText, in.Recut[n-1], recutPen.c, left, up)
	}
}

// directions returns unit vectors across the belt to its right and up the belt
// in the picture, from whatever was found.
func (in Input) directions() (right, up geometry.Vec2, ok bool) {
	if l, r := len(in.Left), len(in.Right); l >= 2 && r >= 2 {
		up = in.Left[l-1].Sub(in.Left[0]).Unit().Add(in.Right[r-1].Sub(in.Right[0]).Unit()).Unit()
	}
	if n := len(in.Cut); n >= 2 {
		right = in.Cut[n-1].Sub(in.Cut[0]).Unit()
	} else if in.LeftCorner != nil && in.RightCorner != nil {
		right = in.RightCorner.Sub(*in.LeftCorner).Unit()
	} else if len(in.Left) > 0 && len(in.Right) > 0 {
		right = in.Right[0].Sub(in.Left[0]).Unit()
	}
	return right, up, right.Norm() > 0 && up.Norm() > 0
}

func nearCut(corner *geometry.Vec2, edge []geometry.Vec2) (geometry.Vec2, bool) {
	if corner != nil {
		return *corner, true
	}
	if len(edge) > 0 {
		return edge[0], true
	}
	return geometry.Vec2{}, false
}

// strip writes the verdict below the picture: a sign, words, a key of lines.
func (c *canvas) strip(in Input, r image.Rectangle) {
	u := c.unit
	x0, y0, w, h := float64(r.Min.X), float64(r.Min.Y), float64(r.Dx()), float64(r.Dy())
	c.DrawRectangle(x0, y0, w, h)
	c.SetColor(ink)
	c.Fill()
	// no verdict has a colour of its own: a shape, words and the place on the scale tell
	sign := h
	if in.Scale.Tolerance > 0 {
		sign = 1.9 * h
		c.sign(in.Verdict, x0+sign/2, y0+0.32*h, 0.21*h)
		c.scale(in.Scale, x0+0.1*h, y0+0.62*h, sign-0.2*h, 0.26*h)
	} else {
		c.sign(in.Verdict, x0+h/2, y0+h/2, 0.3*h)
	}
	c.DrawLine(x0+sign, y0+0.12*h, x0+sign, y0+0.88*h)
	c.SetColor(faint)
	c.SetLineWidth(2 * u)
	c.Stroke()

	// the key stands to the right, two columns at most
	pens, names, _ := in.pens()
	c.text(false, 21)
	rows := 4
	cols := (len(pens) + rows - 1) / rows
	wide := 0.0
	for _, name := range names {
		tw, _ := c.MeasureString(name)
		wide = math.Max(wide, tw+78*u)
	}
	left := x0 + w - float64(cols)*wide - 6*u
	room := left - (x0 + sign + 24*u) - 12*u
	if room < 420*u { // a narrow picture has no room for a key
		room, pens = x0+w-(x0+sign+36*u), nil
	}
	for k, q := range pens {
		x, y := left+float64(k/rows)*wide, y0+h*(0.16+0.23*float64(k%rows))
		c.SetLineCapButt()
		var dashes []float64
		for _, d := range q.dashes {
			dashes = append(dashes, d*u*0.7)
		}
		c.SetDash(dashes...)
		c.SetColor(q.c)
		c.SetLineWidth(q.width * u)
		c.DrawLine(x, y, x+50*u, y)
		c.Stroke()
		c.SetDash()
		c.text(false, 21)
		c.DrawString(names[k], x+60*u, y+0.31*c.FontHeight())
	}
	say := func(s string, bold bool, size, y float64) {
		if s == "" {
			return
		}
		c.text(bold, size)
		for size > 12 {
			if tw, _ := c.MeasureString(s); tw <= room {
				break
			}
			size--
			c.text(bold, size)
		}
		c.SetColor(color.White)
		c.DrawString(s, x0+sign+24*u, y0+y*h)
	}
	say(in.Headline, true, 48, 0.36)
	say(in.Detail, false, 30, 0.61)
	c.text(false, 19)
	for k, l := range c.WordWrap(in.Note, room) {
		say(l, false, 19, 0.79+0.15*float64(k))
	}
}

var faint = color.NRGBA{0xff, 0xff, 0xff, 0x50}

// sign draws the belt's end: cut square; slanting, with the line that is asked
// for; open, with a question mark; crossed out.
func (c *canvas) sign(v Verdict, x, y, r float64) {
	c.SetColor(color.White)
	c.SetLineWidth(r / 4.5)
	c.SetLineCapRound()
	c.SetLineJoinRound()
	defer c.SetLineCapButt()
	to := func(points ...float64) {
		for k := 0; k < len(points); k += 2 {
			c.LineTo(x+points[k]*r, y+points[k+1]*r)
		}
		c.Stroke()
	}
	switch v {
	case Square: // three sides of the end, with the right angle in its corner
		to(-0.9, 1, -0.9, -0.8, 0.9, -0.8, 0.9, 1)
		to(-0.9, -0.2, -0.3, -0.2, -0.3, -0.8)
	case Recut:
		to(-0.9, 1, -0.9, -1, 0.9, -0.3, 0.9, 1)
		c.SetDash(0.4*r, 0.45*r)
		to(-1.2, 0.15, 1.2, 0.15)
		c.SetDash()
	case Undecided:
		to(-0.9, 1, -0.9, -0.9)
		to(0.9, 1, 0.9, -0.9)
		c.text(true, 2.1*r/c.unit)
		c.centred("?", x, y)
	default:
		to(-0.9, 1, -0.9, -0.9)
		to(0.9, 1, 0.9, -0.9)
		to(-0.5, -0.5, 0.5, 0.5)
		to(0.5, -0.5, -0.5, 0.5)
	}
}

// scale draws the offset's place: the tolerance as a band, the value as a mark,
// its expanded uncertainty as a whisker. Left long lies on the left.
func (c *canvas) scale(s Scale, x, y, w, h float64) {
	reach := 1.1 * math.Max(math.Abs(s.Offset)+s.U95, 1.6*s.Tolerance)
	at := func(v float64) float64 { return x + w/2 - v/reach*w/2 }
	base := y + h
	c.DrawRectangle(at(s.Tolerance), y, at(-s.Tolerance)-at(s.Tolerance), h)
	c.SetColor(faint)
	c.Fill()
	c.SetColor(color.White)
	c.SetLineWidth(h / 12)
	c.DrawLine(x, base, x+w, base)
	c.DrawLine(at(0), y, at(0), base)
	c.Stroke()
	c.SetLineWidth(h / 9)
	lo, hi := at(s.Offset+s.U95), at(s.Offset-s.U95)
	over := y + 0.16*h
	c.DrawLine(lo, over, hi, over)
	c.DrawLine(lo, over-0.16*h, lo, over+0.16*h)
	c.DrawLine(hi, over-0.16*h, hi, over+0.16*h)
	c.Stroke()
	m, mid := at(s.Offset), y+0.62*h
	c.MoveTo(m, base)
	c.LineTo(m-0.16*h, mid)
	c.LineTo(m+0.16*h, mid)
	c.ClosePath()
	c.Fill()
	c.DrawCircle(m, mid, 0.17*h)
	c.Fill()
}
