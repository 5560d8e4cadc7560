package training

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image/color"
	"math"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"
)

// Cut is a real cut that a person made and beltend measured. Millimetres.
type Cut struct {
	Time                    time.Time
	Joint, Step             string
	Offset, U95, Tolerance  float64
	Bow, BowU95, Roughness  float64 // Bow without sign; BowU95 0: not known
	Verdict, MeasurementURL string
}

// Cuts gives the cuts of a person, the oldest first.
type Cuts interface {
	Cuts(ctx context.Context, person string) ([]Cut, error)
}

// ErrNoCuts is returned where there is nothing to draw.
var ErrNoCuts = errors.New("there are no measured cuts")

// CutTitles are the texts of the drawing, in the reader's language.
type CutTitles struct {
	Offset, Bow, Roughness, Tolerance, Number string

	Inches  bool                // the values, instead of mm
	Decimal func(string) string // writes the language's decimal sign; nil: a point
}

var (
	inkColour  = color.RGBA{0x26, 0x31, 0x3b, 0xff}
	softColour = color.RGBA{0x5b, 0x68, 0x73, 0xff}
	bandColour = color.RGBA{0xdf, 0xe5, 0xe2, 0xff}
	markColour = color.RGBA{0x9c, 0x47, 0x16, 0xff}
)

// PlotCuts draws offset, bow and roughness of a person's cuts one above the
// other, the tolerance as a band and the uncertainty as whiskers, as SVG.
func PlotCuts(cuts []Cut, t CutTitles) ([]byte, error) {
	if len(cuts) == 0 {
		return nil, ErrNoCuts
	}
	const w, h = 12 * vg.Centimeter, 20 * vg.Centimeter // to be read on a phone
	c := vgsvg.New(w, h)
	all := draw.New(c)
	panels := []struct {
		title string
		value func(Cut) (v, u float64)
		both  bool // has a sign
	}{
		{t.Offset, func(c Cut) (float64, float64) { return c.Offset, c.U95 }, true},
		{t.Bow, func(c Cut) (float64, float64) { return c.Bow, c.BowU95 }, false},
		{t.Roughness, func(c Cut) (float64, float64) { return c.Roughness, 0 }, false},
	}
	for i, panel := range panels {
		p, err := cutPanel(cuts, panel.title, t, panel.value, panel.both)
		if err != nil {
			return nil, fmt.Errorf("draw the cuts: %w", err)
		}
		if i == len(panels)-1 {
			p.X.Label.Text = t.Number
		}
		n := vg.Length(len(panels))
		top := h - h*vg.Length(i)/n
		p.Draw(draw.Crop(all, 0.3*vg.Centimeter, -0.5*vg.Centimeter, top-h/n+0.2*vg.Centimeter, top-h-0.2*vg.Centimeter))
	}
	var b bytes.Buffer
	if _, err := c.WriteTo(&b); err != nil {
		return nil, fmt.Errorf("draw the cuts: %w", err)
	}
	return b.Bytes(), nil
}

func cutPanel(cuts []Cut, title string, t CutTitles, value func(Cut) (v, u float64), both bool) (*plot.Plot, error) {
	p := plot.New()
	p.Title.Text, p.Y.Label.Text = title, "mm"
	unit := 1.0 // mm
	if t.Inches {
		p.Y.Label.Text, unit = "in", 25.4
	}
	p.Title.TextStyle.Color = inkColour
	for _, style := range []*text.Style{&p.Title.TextStyle, &p.Y.Label.TextStyle, &p.X.Label.TextStyle, &p.X.Tick.Label, &p.Y.Tick.Label, &p.Legend.TextStyle} {
		style.Font.Variant, style.Font.Size = "Sans", 12
	}
	p.Title.TextStyle.Font.Size = 13
	pts := make(plotter.XYs, len(cuts))
	bars := make(plotter.YErrors, len(cuts))
	most := 0.5 / unit
	lower := make(plotter.XYs, 0, 2*len(cuts))
	upper := make(plotter.XYs, 0, 2*len(cuts))
	for i, c := range cuts {
		v, u := value(c)
		v, u, c.Tolerance = v/unit, u/unit, c.Tolerance/unit
		for _, x := range []float64{v, u, c.Tolerance} {
			if math.IsNaN(x) || math.IsInf(x, 0) {
				return nil, errors.New("a value is no number")
			}
		}
		x := float64(i + 1)
		pts[i] = plotter.XY{X: x, Y: v}
		bars[i].Low, bars[i].High = u, u
		most = math.Max(most, math.Max(math.Abs(v)+u, c.Tolerance))
		low := 0.0
		if both {
			low = -c.Tolerance
		}
		for _, d := range []float64{-0.5, 0.5} {
			upper = append(upper, plotter.XY{X: x + d, Y: c.Tolerance})
			lower = append(lower, plotter.XY{X: x + d, Y: low})
		}
	}
	outline := append(plotter.XYs{}, upper...)
	for i := len(lower) - 1; i >= 0; i-- {
		outline = append(outline, lower[i])
	}
	band, err := plotter.NewPolygon(outline)
	if err != nil {
		return nil, err
	}
	band.Color, band.LineStyle.Width = bandColour, 0.4
	band.LineStyle.Color = softColour
	line, dots, err := plotter.NewLinePoints(pts)
	if err != nil {
		return nil, err
	}
	line.Color, line.Width = softColour, 0.8
	dots.Color, dots.Shape, dots.Radius = markColour, draw.CircleGlyph{}, 3
	whiskers, err := plotter.NewYErrorBars(struct {
		plotter.XYs
		plotter.YErrors
	}{pts, bars})
	if err != nil {
		return nil, err
	}
	whiskers.Color, whiskers.Width = markColour, 1.2
	p.Add(band, line, whiskers, dots)
	p.Legend.Add(t.Tolerance, band)
	p.Legend.Top = true
	p.X.Min, p.X.Max = 0.5, float64(len(cuts))+0.5
	p.X.Tick.Marker = wholeTicks(len(cuts))
	p.Y.Tick.Marker = valueTicks{t.Decimal}
	p.Y.Max = 1.15 * most
	if both {
		p.Y.Min = -p.Y.Max
	} else {
		p.Y.Min = 0
	}
	return p, nil
}

// valueTicks are plot's own, in the reader's language.
type valueTicks struct{ decimal func(string) string }

// Ticks implements plot.Ticker.
func (v valueTicks) Ticks(lo, hi float64) []plot.Tick {
	ticks := plot.DefaultTicks{}.Ticks(lo, hi)
	for i := range ticks {
		if v.decimal != nil {
			ticks[i].Label = v.decimal(ticks[i].Label)
		}
	}
	return ticks
}

// wholeTicks numbers the cuts, a dozen labels at most.
type wholeTicks int

// Ticks implements plot.Ticker.
func (n wholeTicks) Ticks(_, _ float64) []plot.Tick {
	step := (int(n) + 11) / 12
	var ticks []plot.Tick
	for i := 1; i <= int(n); i += step {
		ticks = append(ticks, plot.Tick{Value: float64(i), Label: fmt.Sprint(i)})
	}
	return ticks
}
