package drawing

import (
	"errors"
	"fmt"
	"image/color"
	"math"
	"strings"

	"beltend/geometry"
	"beltend/geometry/lacing"
	"beltend/server/report"
	"beltend/server/result"
)

// ErrNoPlan is returned where there is no plan to draw.
var ErrNoPlan = errors.New("there is no hook plan to draw")

// Lacing draws a hook plan: as "svg" the two ends meshed, as "pdf" that and the
// bench list behind it.
func Lacing(r *result.Lacing, format string, o report.Options) ([]byte, error) {
	if r.Plan == nil {
		return nil, ErrNoPlan
	}
	switch format {
	case "svg":
		return meshed(r.Plan, o).svg(), nil
	case "pdf":
		return pdf(append([]*sheet{meshed(r.Plan, o)}, benchSheets(r, o)...)...)
	}
	return nil, fmt.Errorf("%w, not %q", ErrFormat, format)
}

// view maps the joint onto paper. Joint frame: origin in the middle of the
// hinge, x across to the right, y along the leading belt.
type view struct {
	origin geometry.Vec2 // on paper
	scale  float64
	bias   float64
	hinge  float64 // from the pin to either cut, mm. The chart does not say how long a hook is: for show
}

// at is a place u along the cut from the centreline and v square to the cut,
// towards the leading belt.
func (w view) at(u, v float64) geometry.Vec2 {
	s, c := math.Sincos(w.bias)
	return pt(w.origin.X+w.scale*(u*c-v*s), w.origin.Y-w.scale*(u*s+v*c))
}

// up is a place u along the cut and y further along the belt.
func (w view) up(u, v, y float64) geometry.Vec2 {
	p := w.at(u, v)
	p.Y -= w.scale * y
	return p
}

// outline is a belt end as a polygon; sign +1 for the leading end.
func outline(w view, s *lacing.Side, sign, depth float64) []geometry.Vec2 {
	half, h := s.Cut/2, w.hinge
	var pts []geometry.Vec2
	for _, side := range []float64{-1, 1} {
		corner := []geometry.Vec2{w.up(side*half, sign*h, 0)}
		if s.Notch != nil && s.Notch.Along > 0 {
			corner = []geometry.Vec2{w.up(side*half, sign*h, sign*math.Min(s.Notch.Along, 0.9*depth)), w.up(side*(half-s.Notch.Across), sign*h, 0)}
		}
		far := w.up(side*half, sign*h, sign*depth)
		if side < 0 {
			pts = append(pts, far)
			pts = append(pts, corner...)
		} else {
			for i := len(corner) - 1; i >= 0; i-- {
				pts = append(pts, corner[i])
			}
			pts = append(pts, far)
		}
	}
	return pts
}

// hooks draws hooks from..to (counted from 0) of one side.
func hooks(s *sheet, w view, p *lacing.Plan, e *lacing.Side, sign float64, c color.RGBA, fill color.RGBA, from, to int) {
	d := p.Fastener.Wire / 2
	tip, foot := -sign*0.15*p.Fastener.Pitch, sign*2*w.hinge
	for k := max(from, 0); k < min(to, e.Hooks); k++ {
		u := e.Centre(k, p.Fastener.Pitch) - e.Cut/2
		s.area(fill, c, 0.12, w.at(u-d, tip), w.at(u+d, tip), w.at(u+d, foot), w.at(u-d, foot))
	}
}

func meshed(p *lacing.Plan, o report.Options) *sheet {
	s := newSheet(long, short, o)
	s.title = s.Text("drawing.title", p.Fastener.Name, p.Lead.Hooks, p.Trail.Hooks)
	s.head(edge, 19, 6, -1, s.Text("drawing.meshed", p.Fastener.Name, p.Lead.Hooks, p.Trail.Hooks))
	overall(s, p, o)
	corner(s, p, o, -1, edge)
	corner(s, p, o, 1, long/2+3)
	legend(s, p, o)
	return s
}

// overall draws the whole width of both ends.
func overall(s *sheet, p *lacing.Plan, o report.Options) {
	const boxW, boxH = 225.0, 54.0
	bias := p.BiasDeg * math.Pi / 180
	widest := math.Max(p.Lead.Width, p.Trail.Width)
	gap := 0.6 * p.Fastener.Pitch
	scale, text := scaleDown(math.Min(boxW/widest, boxH/(widest*math.Abs(math.Tan(bias))+4*gap+2*p.Fastener.Pitch)))
	depth := (boxH/scale - widest*math.Abs(math.Tan(bias)) - 2*gap) / 2 // of belt shown behind each cut
	w := view{origin: pt(long/2, 64), scale: scale, bias: bias, hinge: gap}
	s.say(edge, 24.5, 3.1, -1, pale, "%s", s.Text("drawing.scale", s.Decimal(text)))

	s.area(belt, ink, 0.3, outline(w, &p.Lead, 1, depth)...)
	s.area(beltToo, ink, 0.3, outline(w, &p.Trail, -1, depth)...)
	hooks(s, w, p, &p.Lead, 1, lead, lead, 0, p.Lead.Hooks)
	hooks(s, w, p, &p.Trail, -1, trail, white, 0, p.Trail.Hooks)
	s.line(steel, math.Max(0.25, 0.4*p.Fastener.Wire*scale), w.at(-p.Pin.Length/2, 0), w.at(p.Pin.Length/2, 0))

	// centreline, letters, travel
	top, bottom := w.up(0, w.hinge, depth), w.up(0, -w.hinge, -depth)
	s.dashed(pale, 0.2, 2, pt(top.X, top.Y-2), pt(bottom.X, bottom.Y+2))
	left, right := w.origin.X-scale*widest/2, w.origin.X+scale*widest/2
	s.head(left-4, 35, 6, 1, "L")
	s.head(right+4, 35, 6, -1, "R")
	s.arrow(ink, 0.5, pt(edge+4, 86), pt(edge+4, 44))
	s.items = append(s.items, wording{at: pt(edge+1.8, 72), size: 3, text: s.Text("drawing.travel"), ink: ink, up: true})
	if p.Reversible {
		s.arrow(ink, 0.5, pt(edge+8, 44), pt(edge+8, 86))
	}

	s.dimension(w.origin.X-scale*p.Lead.Width/2, w.origin.X+scale*p.Lead.Width/2, 33, lead, 1, s.Text("drawing.width_leading", p.Lead.Hooks, withU(p.Lead.Width, p.Lead.WidthU95, o)))
	s.dimension(w.origin.X-scale*p.Trail.Width/2, w.origin.X+scale*p.Trail.Width/2, 97, trail, 1, s.Text("drawing.width_trailing", p.Trail.Hooks, withU(p.Trail.Width, p.Trail.WidthU95, o)))

	// where each section starts: centre of its first hook from the left corner
	for _, e := range []struct {
		side *lacing.Side
		sign float64
		c    color.RGBA
	}{{&p.Lead, 1, lead}, {&p.Trail, -1, trail}} {
		if len(e.side.Sections) < 2 {
			continue
		}
		for i, c := range e.side.Sections {
			u := c.Start - e.side.Cut/2 - p.Fastener.Wire/2
			rise := 4 + 4*float64(i%2) // neighbours' texts one above the other
			a, b := w.at(u, e.sign*2*w.hinge), w.at(u, e.sign*(2*w.hinge+rise/scale))
			s.line(e.c, 0.3, a, b)
			label := fmt.Sprintf("%d: %s", i+1, report.Place(c.Start, o))
			y := b.Y + 1 + e.sign
			// away from the hooks where the cut slopes, and inside the belt's right edge
			if e.sign*bias > 0.02 || b.X+textWidth(label, 2.6) > right {
				s.say(b.X-0.8, y, 2.6, 1, e.c, "%s", label)
			} else {
				s.say(b.X+0.8, y, 2.6, -1, e.c, "%s", label)
			}
		}
	}
}

func withU(mm, u95 float64, o report.Options) string {
	if u95 > 0 {
		return report.Place(mm, o) + " ± " + report.Expanded(u95, o)
	}
	return report.Place(mm, o)
}

// corner draws one corner enlarged; side -1 is the left one.
func corner(s *sheet, p *lacing.Plan, o report.Options, side, x0 float64) {
	const boxW = 130.0
	f := p.Fastener
	// from a little outside the wider belt to the third hook of the trailing side
	widest := math.Max(p.Lead.Cut, p.Trail.Cut) / 2
	inner := widest - math.Max(p.Lead.First+3*f.Pitch, p.Trail.First+2.2*f.Pitch)
	if inner < 0 {
		inner = 0
	}
	const paper = 22.0 // mm on paper from the pin to where the belt is torn off
	gap := 0.35 * f.Pitch
	scale, text := scaleDown(math.Min(0.86*boxW/(widest-inner), paper/(3.2*gap)))
	depth := paper/scale - gap // of belt shown behind each cut
	name := s.Text("drawing.left_corners")
	// the belt's edge stands a little inside the box, on its own side
	ox := x0 + 6 + scale*widest
	if side > 0 {
		name = s.Text("drawing.right_corners")
		ox = x0 + boxW - 6 - scale*widest
	}
	w := view{origin: pt(ox, 146), scale: scale, hinge: gap}
	s.head(x0, 107, 3.8, -1, name)
	s.say(x0+boxW, 107, 3, 1, pale, "%s", s.Text("drawing.along", s.Decimal(text)))
	y := func(v float64) float64 { return w.at(0, v).Y }
	x := func(u float64) float64 { return w.at(side*u, 0).X }
	for _, e := range []struct {
		s    *lacing.Side
		sign float64
		fill color.RGBA
	}{{&p.Lead, 1, belt}, {&p.Trail, -1, beltToo}} {
		half, h := e.s.Cut/2, w.hinge
		body := []geometry.Vec2{pt(x(inner), y(e.sign*h)), pt(x(inner), y(e.sign*(h+depth))), pt(x(half), y(e.sign*(h+depth)))}
		if n := e.s.Notch; n != nil {
			along := n.Along
			shown := along
			if along == 0 || along > 0.8*depth {
				shown = 0.8 * depth // size open, or larger than the picture
			}
			cut := []geometry.Vec2{pt(x(half), y(e.sign*(h+shown))), pt(x(half-n.Across), y(e.sign*h))}
			body = append(body, cut...)
			s.area(e.fill, none, 0, body...)
			s.dashed(ink, 0.2, 1, cut[0], pt(x(half), y(e.sign*h)), cut[1])
			s.line(ink, 0.5, cut...)
			label := s.Text("drawing.notch_open")
			if along > 0 {
				label = s.Text("drawing.notch", report.Place(n.Across, o), report.Place(along, o))
				if shown != along {
					label += s.Text("drawing.shortened")
				}
			}
			s.say(x(half-n.Across)-side*3.5, y(e.sign*(h+0.85*depth))+1, 2.9, int(side), ink, "%s", label)
		} else {
			body = append(body, pt(x(half), y(e.sign*h)))
			s.area(e.fill, none, 0, body...)
		}
		// edge and cut drawn, the torn-off sides left open
		s.line(ink, 0.3, pt(x(half), y(e.sign*(h+depth))), pt(x(half), y(e.sign*(h+notchAlong(e.s, depth)))))
		s.line(ink, 0.3, pt(x(half-notchAcross(e.s)), y(e.sign*h)), pt(x(inner), y(e.sign*h)))
	}
	draw := func(e *lacing.Side, sign float64, c, fill color.RGBA) {
		d := f.Wire / 2
		for k := 0; k < e.Hooks; k++ {
			u := e.Cut/2 - e.Centre(k, f.Pitch) // from the centreline; the same on the right
			if u-d < inner {
				break
			}
			tip, foot := -sign*0.15*f.Pitch, sign*2*w.hinge
			s.area(fill, c, 0.2, pt(x(u+d), y(tip)), pt(x(u-d), y(tip)), pt(x(u-d), y(foot)), pt(x(u+d), y(foot)))
		}
	}
	draw(&p.Lead, 1, lead, lead)
	draw(&p.Trail, -1, trail, white)
	s.line(steel, math.Max(0.4, 0.3*f.Wire*scale), pt(x(p.Pin.Length/2), y(0)), pt(x(inner), y(0)))

	// dimensions: leading above, trailing below, each from its own edge
	dim := func(e *lacing.Side, sign, row float64, u0, u1 float64, c color.RGBA, text string) {
		yy := y(sign*(w.hinge+depth)) - sign*row
		s.dimension(x(u0), x(u1), yy, c, -side, text)
		for _, u := range []float64{u0, u1} {
			s.line(c, 0.1, pt(x(u), yy), pt(x(u), y(sign*2*w.hinge)))
		}
	}
	l, t := &p.Lead, &p.Trail
	margins := func(e *lacing.Side) string {
		return s.Text("drawing.free", report.Place(e.MarginLeft, o))
	}
	dim(l, 1, 9.5, l.Cut/2, l.Cut/2-l.MarginLeft, lead, margins(l))
	dim(l, 1, 4, l.Cut/2, l.Cut/2-l.First, lead, s.Text("drawing.first", report.Place(l.First, o)))
	dim(t, -1, 4, t.Cut/2, t.Cut/2-t.First, trail, s.Text("drawing.first", report.Place(t.First, o)))
	dim(t, -1, 9.5, t.Cut/2, t.Cut/2-t.MarginLeft, trail, margins(t))
	a, b := l.Cut/2-l.First-f.Pitch, l.Cut/2-l.First-2*f.Pitch
	if l.Hooks > 2 {
		s.dimension(x(a), x(b), y(2*w.hinge)-3, ink, -side, s.Text("drawing.pitch", report.Length(f.Pitch, o)))
	}
}

func notchAlong(e *lacing.Side, depth float64) float64 {
	if e.Notch == nil {
		return 0
	}
	if e.Notch.Along == 0 || e.Notch.Along > 0.8*depth {
		return 0.8 * depth
	}
	return e.Notch.Along
}

func notchAcross(e *lacing.Side) float64 {
	if e.Notch == nil {
		return 0
	}
	return e.Notch.Across
}

// legend is the line of numbers that are of no one place.
func legend(s *sheet, p *lacing.Plan, o report.Options) {
	f := p.Fastener
	pin := s.Text("drawing.pin_open")
	if f.HooksPerStrip > 0 { // the chart has its allowance too
		pin = s.Text("drawing.pin", report.Place(p.Pin.Length, o))
	}
	if p.Pin.Capped {
		pin += s.Text("drawing.pin_capped", report.Place(p.Pin.Wanted, o))
	}
	first := s.Text("drawing.figures",
		report.Length(f.Pitch, o), report.Length(f.Wire, o), report.Length(p.Mesh, o), report.Place(p.Lead.Span, o), report.Place(p.Trail.Span, o), pin)
	second := ""
	if f.HooksPerStrip > 0 { // known from a chart
		second = s.Text("drawing.strips", f.HooksPerStrip, p.Strips, p.LeftOver)
	}
	if p.Width.Wider != "" {
		second += s.Text("drawing.stands_out", s.Text("end."+p.Width.Wider), report.Length(p.Width.PerSide, o))
	}
	if p.BiasDeg != 0 {
		second += s.Text("drawing.bias", s.Decimal(fmt.Sprintf("%+.4g", p.BiasDeg)), report.Place(p.Lead.Cut, o), report.Place(p.Trail.Cut, o))
	}
	if k := p.Skive; k != nil {
		second += s.Text("drawing.skive", report.Place(k.Back, o), report.Length(k.From, o), report.Length(k.To, o))
	}
	y := s.para(edge, 185.5, long-2*edge, 3.1, ink, first)
	y = s.para(edge, y+0.6, long-2*edge, 3.1, ink, strings.TrimPrefix(second, " · "))
	s.say(edge, math.Max(y+0.8, 200), 2.7, -1, pale, "%s", s.Text("drawing.key", s.Text("cautions.4")))
}
