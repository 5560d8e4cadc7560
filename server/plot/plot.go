// Package plot draws the shape of a cut across the belt's width, heights
// exaggerated by a round factor that is written on the drawing.
package plot

import (
	"errors"
	"fmt"
	"image/color"
	"io"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"

	"beltend/geometry"
	"beltend/server/pages/words"
)

// Input is what a profile shows. Millimetres, belt frame: x from the
// centreline to the right, y up the belt from where the fitted cut line crosses
// the centreline. For a biased joint everything is against the target line.
type Input struct {
	Title     string // optional
	Width     float64
	Profile   []geometry.Vec2 // x, deviation of the cut from its own fitted line
	Offset    float64         // out of square (or of target)
	U95       float64         // 0: not known, no bars
	Tolerance float64         // 0: not set, no wedge
	HasRecut  bool
	Recut     float64 // height of the re-cut line over the origin
	RecutL    string  // tape distances at its ends, as written
	RecutR    string
	Drawn     bool // the drawn line was judged, not the cut
	Inches    bool
	Lang      string // of the catalogue; empty: English
}

// ErrInput is returned for values that cannot be drawn.
var ErrInput = errors.New("plot: nothing to draw")

// ErrFormat is returned for a format other than "svg" and "png".
var ErrFormat = errors.New(`plot: the format must be "svg" or "png"`)

// Colours keep their meaning without hue: the cut is the thick line, the
// fitted line the thin one, the re-cut line dashed.
var (
	ink     = color.RGBA{0x1c, 0x24, 0x2b, 0xff}
	pale    = color.RGBA{0x8a, 0x93, 0x9b, 0xff}
	beltInk = color.RGBA{0xe9, 0xec, 0xef, 0xff}
	allowed = color.RGBA{0xc3, 0xd3, 0xe6, 0xff}
	fitted  = color.RGBA{0x1f, 0x5f, 0xa8, 0xff}
	recut   = color.RGBA{0xb3, 0x3a, 0x1a, 0xff}
)

const (
	pageW = 19 * vg.Centimeter
	pageH = 11 * vg.Centimeter
)

// Profile writes the drawing to w.
func Profile(w io.Writer, format string, in Input) error {
	if format != "svg" && format != "png" {
		return fmt.Errorf("%w, not %q", ErrFormat, format)
	}
	if !(in.Width > 0) || math.IsInf(in.Width, 0) || len(in.Profile) < 2 {
		return fmt.Errorf("%w: width %g mm, %d points of the cut", ErrInput, in.Width, len(in.Profile))
	}
	for _, v := range []float64{in.Offset, in.U95, in.Tolerance, in.Recut} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("%w: a value is not a finite number", ErrInput)
		}
	}
	for _, p := range in.Profile {
		if !p.IsFinite() {
			return fmt.Errorf("%w: a point is not a finite number", ErrInput)
		}
	}
	p, err := build(in)
	if err != nil {
		return fmt.Errorf("plot: %w", err)
	}
	var c vg.CanvasWriterTo
	if format == "svg" {
		c = vgsvg.New(pageW, pageH)
	} else {
		c = vgimg.PngCanvas{Canvas: vgimg.NewWith(vgimg.UseWH(pageW, pageH), vgimg.UseDPI(215), vgimg.UseBackgroundColor(color.White))}
	}
	page := draw.Crop(draw.New(c), 0.5*vg.Centimeter, -0.5*vg.Centimeter, 0.4*vg.Centimeter, -0.5*vg.Centimeter)
	p.Draw(page)
	if _, err := c.WriteTo(w); err != nil {
		return fmt.Errorf("plot: write the %s: %w", format, err)
	}
	return nil
}

// build lays the plot out with a round exaggeration.
func build(in Input) (*plot.Plot, error) {
	half := in.Width / 2
	slope := in.Offset / in.Width
	cut := make(plotter.XYs, len(in.Profile))
	lo, hi := 0.0, 0.0
	see := func(y float64) { lo, hi = math.Min(lo, y), math.Max(hi, y) }
	for k, q := range in.Profile {
		cut[k] = plotter.XY{X: q.X, Y: q.Y + slope*q.X}
		see(cut[k].Y)
	}
	see((in.Offset + in.U95) / 2)
	see((in.Offset - in.U95) / 2)
	see(-(in.Offset + in.U95) / 2)
	see(-(in.Offset - in.U95) / 2)
	see(in.Tolerance / 2)
	see(-in.Tolerance / 2)
	if in.HasRecut {
		see(in.Recut)
	}
	room := math.Max(0.12*(hi-lo), 0.2)
	lo, hi = lo-room, hi+3.2*room // the legend's lines stand above everything

	p := plot.New()
	p.Title.Text = in.Title
	w := words.In(in.Lang)
	unit, name, decimals := 1.0, "mm", 1
	if in.Inches {
		unit, name, decimals = 25.4, "in", 3
	}
	figure := func(mm float64) string { return w.Decimal(figure(mm/unit, decimals)) + " " + name }
	p.Y.Label.Text = w.Text("plot.up", name)
	for _, s := range []*text.Style{&p.Title.TextStyle, &p.X.Label.TextStyle, &p.Y.Label.TextStyle, &p.X.Tick.Label, &p.Y.Tick.Label, &p.Legend.TextStyle} {
		s.Font = sans(10)
		s.Color = ink
	}
	p.Title.TextStyle.Font = sans(12)
	for _, a := range []*plot.Axis{&p.X, &p.Y} {
		a.Color, a.Tick.Color = pale, pale
		a.Tick.Marker = ticks{unit, w}
	}
	p.X.Min, p.X.Max = -1.09*half, 1.09*half

	p.Legend.Top, p.Legend.Left = true, true
	p.Legend.XOffs = 0.8 * vg.Centimeter
	p.Legend.Padding = vg.Points(2)

	// The factor by which heights are larger than widths, a round one. The
	// room for the axis labels hangs on the range, so go round twice.
	page := draw.New(vgimg.New(pageW-vg.Centimeter, pageH-0.9*vg.Centimeter))
	factor := 1.0
	for turn := 0; turn < 3; turn++ {
		p.Y.Min, p.Y.Max = lo, hi
		p.X.Label.Text = w.Text("plot.across", name, w.Text("plot.larger", "1000"))
		d := p.DataCanvas(page)
		perMM := float64(d.Max.X-d.Min.X) / (p.X.Max - p.X.Min)
		tall := float64(d.Max.Y - d.Min.Y)
		factor = roundDown(tall / (hi - lo) / perMM)
		mid, span := (lo+hi)/2, tall/perMM/factor
		lo, hi = mid-span/2, mid+span/2
	}
	p.Y.Min, p.Y.Max = lo, hi
	times := w.Text("plot.same")
	if factor != 1 {
		times = w.Text("plot.larger", w.Decimal(fmt.Sprintf("%g", factor)))
	}
	p.X.Label.Text = w.Text("plot.across", name, times)

	// the belt above the cut
	area := append(plotter.XYs{}, cut...)
	area = append(area, plotter.XY{X: cut[len(cut)-1].X, Y: hi}, plotter.XY{X: cut[0].X, Y: hi})
	belt, err := plotter.NewPolygon(area)
	if err != nil {
		return nil, err
	}
	belt.Color, belt.Width = beltInk, 0
	p.Add(belt)

	if t := in.Tolerance / 2; t > 0 {
		wedge, err := plotter.NewPolygon(plotter.XYs{{X: -half, Y: -t}, {X: 0, Y: 0}, {X: -half, Y: t}},
			plotter.XYs{{X: half, Y: -t}, {X: 0, Y: 0}, {X: half, Y: t}})
		if err != nil {
			return nil, err
		}
		wedge.Color, wedge.LineStyle.Width = allowed, 0
		p.Add(wedge)
		p.Legend.Add(w.Text("plot.allowed", figure(in.Tolerance)), block{allowed})
	}

	line := func(xy plotter.XYs, c color.Color, width float64, dashes ...vg.Length) (*plotter.Line, error) {
		l, err := plotter.NewLine(xy)
		if err != nil {
			return nil, err
		}
		l.Color, l.Width, l.Dashes = c, vg.Points(width), dashes
		p.Add(l)
		return l, nil
	}
	for _, x := range []float64{-half, half} { // the edges
		if _, err := line(plotter.XYs{{X: x, Y: lo}, {X: x, Y: hi}}, pale, 0.7); err != nil {
			return nil, err
		}
	}
	if _, err := line(plotter.XYs{{X: -half, Y: 0}, {X: half, Y: 0}}, pale, 0.7); err != nil {
		return nil, err
	}
	l, err := line(cut, ink, 2.2)
	if err != nil {
		return nil, err
	}
	what, again := "plot.cut", "plot.recut"
	if in.Drawn {
		what, again = "plot.line", "plot.redraw"
	}
	p.Legend.Add(w.Text(what), l)
	l, err = line(plotter.XYs{{X: -half, Y: -in.Offset / 2}, {X: half, Y: in.Offset / 2}}, fitted, 1.2)
	if err != nil {
		return nil, err
	}
	out := w.Text("plot.fitted", figure(in.Offset))
	if in.U95 > 0 {
		out += w.Text("plot.bars", figure(in.U95))
	}
	p.Legend.Add(out, l)
	if u := in.U95 / 2; u > 0 {
		cap := 0.008 * in.Width
		for _, x := range []float64{-half, half} {
			y := slope * x
			for _, s := range []plotter.XYs{{{X: x, Y: y - u}, {X: x, Y: y + u}},
				{{X: x - cap, Y: y - u}, {X: x + cap, Y: y - u}}, {{X: x - cap, Y: y + u}, {X: x + cap, Y: y + u}}} {
				if _, err := line(s, fitted, 1.6); err != nil {
					return nil, err
				}
			}
		}
	}
	labels := plotter.XYLabels{}
	var styles []text.Style
	say := func(x, y float64, s string, size float64, c color.Color, xa, ya float64) {
		labels.XYs = append(labels.XYs, plotter.XY{X: x, Y: y})
		labels.Labels = append(labels.Labels, s)
		styles = append(styles, text.Style{Color: c, Font: sans(size), XAlign: text.XAlignment(xa), YAlign: text.YAlignment(ya), Handler: plot.DefaultTextHandler})
	}
	if in.HasRecut {
		l, err := line(plotter.XYs{{X: -1.03 * half, Y: in.Recut}, {X: 1.03 * half, Y: in.Recut}}, recut, 1.6, vg.Points(7), vg.Points(4))
		if err != nil {
			return nil, err
		}
		p.Legend.Add(w.Text(again, in.RecutL, in.RecutR), l)
	}
	bottom := lo + 0.03*(hi-lo)
	say(-1.045*half, bottom, "L", 24, ink, -0.5, 0)
	say(1.045*half, bottom, "R", 24, ink, -0.5, 0)
	ls, err := plotter.NewLabels(labels)
	if err != nil {
		return nil, err
	}
	ls.TextStyle = styles
	p.Add(ls)
	return p, nil
}

func sans(size float64) font.Font {
	f := font.From(plot.DefaultFont, font.Length(size))
	f.Variant = "Sans"
	return f
}

// roundDown returns the largest 1, 2 or 5 times a power of ten not above x.
func roundDown(x float64) float64 {
	e := math.Pow(10, math.Floor(math.Log10(x)+1e-9))
	for _, m := range []float64{5, 2} {
		if m*e <= x*(1+1e-9) {
			return m * e
		}
	}
	return e
}

// figure prints a length without a zero's sign.
func figure(v float64, decimals int) string {
	if math.Abs(v) < 0.5*math.Pow10(-decimals) {
		v = 0
	}
	return fmt.Sprintf("%.*f", decimals, v)
}

// ticks sets round ticks in a unit, mm long, and prints whole numbers plainly.
type ticks struct {
	unit float64
	*words.Words
}

func (t ticks) Ticks(lo, hi float64) []plot.Tick {
	step := roundDown((hi - lo) / t.unit / 5)
	var all []plot.Tick
	for k := math.Ceil(lo / t.unit / step); k*step*t.unit <= hi; k++ {
		all = append(all, plot.Tick{Value: k * step * t.unit, Label: t.Decimal(fmt.Sprintf("%.4g", k*step+0))})
	}
	return all
}

// block is a filled swatch for the legend.
type block struct{ c color.Color }

func (b block) Thumbnail(c *draw.Canvas) {
	c.FillPolygon(b.c, []vg.Point{{X: c.Min.X, Y: c.Min.Y}, {X: c.Min.X, Y: c.Max.Y}, {X: c.Max.X, Y: c.Max.Y}, {X: c.Max.X, Y: c.Min.Y}})
}
