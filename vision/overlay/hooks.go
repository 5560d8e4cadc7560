package overlay

import (
	"image"
	"image/color"
	"math"

	"beltend/geometry"
)

// HooksInput says what to draw of a finished joint. Places are pixels of the
// upright photo at the size that Size gives.
type HooksInput struct {
	Size     image.Point
	Edges    [][]geometry.Vec2
	Hinge    []geometry.Vec2
	Hooks    []geometry.Vec2
	Marks    []HookMark
	Sides    map[string]geometry.Vec2 // letters A and B
	Headline string
	Detail   string
	Note     string
	Refused  bool
}

// HookMark is a finding's place and its sign.
type HookMark struct {
	At   geometry.Vec2
	Text string
}

var (
	hingePen = pen{color.NRGBA{0xff, 0xe1, 0x32, 0xff}, 2, []float64{14, 8}}
	hookDot  = color.NRGBA{0x3d, 0xd6, 0xff, 0xff}
	markRing = color.NRGBA{0xff, 0x6a, 0x3d, 0xff}
)

// Hooks draws a finished joint's findings into a copy of the upright photo: a
// dot on every hook counted, a ring with its name on every finding.
func Hooks(img image.Image, in HooksInput) image.Image {
	b := img.Bounds()
	if b.Empty() {
		return image.NewRGBA(image.Rect(0, 0, 1, 1))
	}
	w, h := fitted(b.Dx(), b.Dy(), LongSide)
	unit := float64(max(w, h)) / LongSide
	band := int(math.Round(150 * unit))
	out := image.NewRGBA(image.Rect(0, 0, w, h+band))
	area := image.Rect(0, 0, w, h)
	resize(out, area, img)
	sx, sy := float64(w)/float64(max(1, in.Size.X)), float64(h)/float64(max(1, in.Size.Y))
	to := func(p geometry.Vec2) geometry.Vec2 {
		return geometry.Vec2{X: (p.X+0.5)*sx - 0.5, Y: (p.Y+0.5)*sy - 0.5}
	}
	all := func(p []geometry.Vec2) (q []geometry.Vec2) {
		for _, v := range p {
			q = append(q, to(v))
		}
		return q
	}
	c := newCanvas(out, unit)
	c.clip = area
	for _, e := range in.Edges {
		for _, r := range runs(all(e)) {
			if len(r) > 1 {
				c.line(edgePen, r)
			}
		}
	}
	if len(in.Hinge) > 1 {
		c.line(hingePen, all(in.Hinge))
	}
	for _, p := range in.Hooks {
		x, y := at(to(p))
		c.DrawCircle(x, y, 3*unit)
		c.SetColor(halo)
		c.Fill()
		c.DrawCircle(x, y, 2*unit)
		c.SetColor(hookDot)
		c.Fill()
	}
	for i, m := range in.Marks {
		p := to(m.At)
		x, y := at(p)
		for _, s := range []struct {
			w float64
			c color.Color
		}{{8, halo}, {4, markRing}} {
			c.DrawCircle(x, y, 16*unit)
			c.SetColor(s.c)
			c.SetLineWidth(s.w * unit)
			c.Stroke()
		}
		away := geometry.Vec2{Y: -1} // off the row
		if n := len(in.Hinge); n > 1 {
			h := to(in.Hinge[0])
			d := to(in.Hinge[n-1]).Sub(h).Unit()
			if away = d.Perp(); away.Dot(p.Sub(h)) < 0 {
				away = away.Mul(-1)
			}
		}
		tier := 0.0 // labels of near ones above each other
		for _, o := range in.Marks[:i] {
			if to(o.At).Sub(p).Norm() < 130*unit {
				tier++
			}
		}
		c.label(m.Text, p.Add(away.Mul((14+56*tier)*unit)), markRing, away)
	}
	for s, p := range in.Sides {
		c.badge(s, to(p))
	}
	v := Undecided
	if in.Refused {
		v = Refused
	}
	c.strip(Input{Verdict: v, Headline: in.Headline, Detail: in.Detail, Note: in.Note}, image.Rect(0, h, w, h+band))
	return out
}
