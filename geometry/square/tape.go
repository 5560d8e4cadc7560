package square

import (
	"math"

	"beltend/geometry"
	"beltend/geometry/adjust"
)

// Reading says how well places and lengths are found with a tape.
type Reading struct {
	Class TapeClass
	Hook  bool    // lengths start at the end hook
	Step  float64 // what is read to: 1 mm, or 0.5 between two marks
	Edge  float64 // standard uncertainty of where an edge or a corner is, each place, across and along
}

// Defaults of a [Reading]: a new tape of the usual class, read to the mark, and
// a sound edge. A worn edge is good for 1 mm at best.
const (
	DefaultTapeClass = TapeII
	DefaultStep      = 1.0
	DefaultEdge      = 0.5
)

// U is the standard uncertainty of one length: the tape's error and the
// reading's rounding, both rectangular (JCGM 100:2008 4.3.7).
func (r Reading) U(length float64) float64 {
	return math.Hypot(TapeU(r.Class, length, r.Hook), r.Step/math.Sqrt(12))
}

// TapedStation is a width taped square across the belt, Up from the cut.
type TapedStation struct{ Up, Width float64 }

// Taped is a belt end as a tape gives it: the two diagonals between the
// corners of the cut and two marks up the edges, and widths.
type Taped struct {
	Left, Right float64 // from the left corner to the right mark, from the right corner to the left mark
	Up          float64 // the marks' set-back
	SetOut      SetOut
	LineU       float64 // FromSquareLine: standard uncertainty of that line's squareness, as offset over the width
	Width       float64 // at the cut; 0: from the stations
	Stations    []TapedStation
	Target      float64
	Reading     Reading
}

// Term is one contribution to the standard uncertainty of the offset.
type Term struct {
	Name string
	U    float64
}

// Names of the contributions.
const (
	TermDiagonals = "diagonals as taped"
	TermMarks     = "set-back of the marks"
	TermEdges     = "place of the edges"
	TermCorners   = "corners for the whole cut"
	TermLine      = "the line's own squareness"
	TermWidth     = "width, for the target angle"
)

// TapedValues are what a tape tells about an end.
type TapedValues struct {
	Offset, U       float64 // U: standard uncertainty
	Angle, AngleU   float64 // from the target
	Terms           []Term  // of U
	Width, WidthU   float64 // at the cut
	MeanWidth       float64 // over the stations, or at the cut
	Taper           float64 // change of width per length up the belt, from the stations
	Closure         float64 // mean diagonal as taped less the one that width and set-back make
	ClosureU        float64 // its standard uncertainty
	Stations        []TapedStation
	HighestUp, Span float64 // of the stations: highest, and length from the lowest to the highest
}

// FromTape works out an end from its diagonals. The centreline is the line from
// the middle of the cut to the middle between the marks. Readings count as
// independent; what all have in common, a tape too long or too short, cancels
// in the difference and only makes this cautious. Parallel edges, or a taper to
// first order.
//
//	from the corners:      e = (left^2 - right^2)/(4 up)
//	from a square line:    e = (left^2 - right^2)/(2 up)
//	offset = e - width tan(target)
func FromTape(t Taped) (*TapedValues, error) {
	if err := t.check(); err != nil {
		return nil, err
	}
	v := &TapedValues{}
	t.widths(v)
	e, err := OffsetFromDiagonals(t.Left, t.Right, t.Up, t.SetOut)
	if err != nil {
		return nil, geometry.Wrong("diagonals", "%v", err).Coded("diagonals_wrong", nil)
	}
	tan := math.Tan(t.Target)
	v.Offset = e - v.Width*tan
	v.Angle = math.Atan(e/v.Width) - t.Target
	r := t.Reading

	// a square line's marks count double, see OffsetFromDiagonals
	k := 1.0
	if t.SetOut == FromSquareLine {
		k = 2
	}
	diagonals := k / (2 * t.Up) * math.Hypot(t.Left*r.U(t.Left), t.Right*r.U(t.Right))
	m := e / (2 * t.Up)
	marks := r.U(t.Up) * math.Hypot(m+k/2, m-k/2)
	// a corner or mark that is off across the belt by 1 mm changes its diagonal by width/diagonal
	edges := k * v.Width / t.Up * r.Edge
	corners := math.Sqrt2 * r.Edge
	v.Terms = []Term{{TermDiagonals, diagonals}, {TermMarks, marks}, {TermEdges, edges}, {TermCorners, corners}}
	if t.SetOut == FromSquareLine {
		v.Terms = append(v.Terms, Term{TermLine, t.LineU})
	}
	if t.Target != 0 {
		v.Terms = append(v.Terms, Term{TermWidth, math.Abs(tan) * v.WidthU})
	}
	var sum float64
	for _, c := range v.Terms {
		sum += c.U * c.U
	}
	v.U = math.Sqrt(sum)
	slope := e / v.Width
	v.AngleU = math.Hypot(v.U, slope*v.WidthU) / v.Width / (1 + slope*slope)
	t.closure(v, e/k)
	return v, nil
}

func (t Taped) check() error {
	err := geometry.InRange(
		geometry.Range{Name: "diagonals", V: t.Left, Lo: 50, Hi: 20000, Unit: "mm", Want: "both diagonals"},
		geometry.Range{Name: "diagonals", V: t.Right, Lo: 50, Hi: 20000, Unit: "mm", Want: "both diagonals"},
		geometry.Range{Name: "up", V: t.Up, Lo: 50, Hi: 20000, Unit: "mm", Want: "the set-back of the marks"},
		geometry.Range{Name: "line-u95", V: t.LineU, Hi: 1000, Unit: "mm", Want: "how true the line is over the width"},
		geometry.Range{Name: "width", V: t.Width, Hi: 10000, Unit: "mm", Want: "the width at the cut"},
		geometry.Range{Name: "target", V: t.Target * 180 / math.Pi, Lo: -60, Hi: 60, Unit: "degrees", Want: "the angle asked for from square"},
		geometry.Range{Name: "reading", V: t.Reading.Step, Hi: 20, Unit: "mm", Want: "what the tape is read to"},
		geometry.Range{Name: "edge", V: t.Reading.Edge, Hi: 50, Unit: "mm", Want: "how surely an edge is found"},
	)
	if err != nil {
		return err
	}
	if math.IsNaN(TapeMPE(t.Reading.Class, 1000, false)) {
		return geometry.Wrong("tape-class", "class %d is unknown: I, II or III", t.Reading.Class).Coded("tape_class_number", geometry.Values{"class": t.Reading.Class})
	}
	if t.SetOut == FromSquareLine && t.LineU == 0 {
		return geometry.Wrong("line-u95", "a line is only as square as it was drawn: give how far it may be out over the width (95 %%) in mm").Coded("line_u95_missing", nil)
	}
	if t.Width == 0 && len(t.Stations) == 0 {
		return geometry.Wrong("width", "no width was given: tape it at the cut, in mm").Coded("tape_width_missing", nil)
	}
	if t.Width != 0 && t.Width < 50 {
		return geometry.Wrong("width", "%g mm is too narrow for a belt: give the width at the cut in mm", t.Width).Coded("too_narrow", geometry.Values{"width_mm": t.Width})
	}
	for _, s := range t.Stations {
		if !(s.Up >= 0 && s.Up <= 20000 && s.Width >= 50 && s.Width <= 10000) {
			return geometry.Wrong("stations", "%g:%g is no station: give its distance from the cut and the width there in mm", s.Up, s.Width).Coded("station_outside", geometry.Values{"up": s.Up, "width": s.Width})
		}
	}
	return nil
}

// widths fits a line through the widths taped. What the tape itself is off by
// is common to all of them, the reading and the edges are each station's own.
func (t Taped) widths(v *TapedValues) {
	v.Stations = t.Stations
	s := append([]TapedStation(nil), t.Stations...)
	if t.Width > 0 {
		s = append(s, TapedStation{0, t.Width})
	}
	var f fit
	lo, hi := math.Inf(1), 0.0
	for _, x := range s {
		f.add(x.Up, x.Width, 1)
		lo, hi = math.Min(lo, x.Up), math.Max(hi, x.Up)
	}
	n := float64(len(s))
	mean := f.y / n
	own := math.Hypot(t.Reading.Step/math.Sqrt(12), math.Sqrt2*t.Reading.Edge)
	common := TapeU(t.Reading.Class, mean, t.Reading.Hook)
	at, own2 := mean, own*own/n
	if a, b, ok := f.line(); ok && hi-lo > 1 {
		v.Taper = b
		at = a
		mx := f.x / n
		own2 += own * own * mx * mx / (f.xx - n*mx*mx)
	}
	if t.Width > 0 {
		at, own2 = t.Width, own*own
	}
	v.Width, v.WidthU = at, math.Hypot(common, math.Sqrt(own2))
	v.MeanWidth, v.HighestUp, v.Span = mean, hi, hi-lo
}

// closure checks the four lengths against each other, half being half the
// offset for marks from a square line and all of it from the corners:
// (left^2 + right^2)/2 = width * width at the marks + up^2 + half^2.
func (t Taped) closure(v *TapedValues, half float64) {
	r := t.Reading
	q := math.Sqrt((t.Left*t.Left + t.Right*t.Right) / 2)
	top := v.Width + v.Taper*t.Up
	s := math.Sqrt(math.Max(0, v.Width*top+t.Up*t.Up+half*half))
	v.Closure = q - s
	d := r.U(q) / math.Sqrt2
	w := v.Width / s * math.Hypot(v.WidthU, r.Edge)
	up := r.U(t.Up)
	if t.SetOut == FromSquareLine {
		up = math.Hypot(up, r.Edge) // the corners' own place along the belt is not in the set-back
	}
	up *= t.Up / s / math.Sqrt2
	v.ClosureU = math.Sqrt(d*d + w*w + up*up)
}

// Arc is an edge's camber, as a string shows it: the largest gap between the edge and a string
// stretched along it over the chord.
type Arc struct {
	Chord, Gap float64
	ToRight    bool // the belt bows to the right: its right edge is the convex one
}

// Check names what cannot be.
func (c Arc) Check() error {
	if err := geometry.InRange(geometry.Range{Name: "camber", V: c.Chord, Lo: 500, Hi: 100000, Unit: "mm", Want: "the string's length, and the gap at its middle,"}); err != nil {
		return err
	}
	if !(c.Gap >= 0 && c.Gap <= c.Chord/20) {
		return geometry.Wrong("camber", "a gap of %g mm on a chord of %g mm is no camber: it is from 0 to a twentieth of the chord", c.Gap, c.Chord).Coded("camber_gap", geometry.Values{"gap_mm": c.Gap, "chord_mm": c.Chord})
	}
	return nil
}

// Percent is the gap over the chord, which means nothing without the chord.
func (c Arc) Percent() float64 { return 100 * c.Gap / c.Chord }

// Radius of the arc: chord^2/(8 gap) + gap/2; infinite for a straight belt.
func (c Arc) Radius() float64 { return c.Chord*c.Chord/(8*c.Gap) + c.Gap/2 }

// Over is the bow of the same arc over another chord: R - sqrt(R^2 - chord^2/4).
func (c Arc) Over(chord float64) float64 {
	if c.Gap == 0 {
		return 0
	}
	// written so that nothing cancels
	r, h := c.Radius(), chord/2
	return h * h / (r + math.Sqrt(math.Max(0, r*r-h*h)))
}

// Turn is the angle between the belt's direction at the cut and that of the
// chord over the given length up from it: asin(length/(2 R)), positive where the
// direction at the cut points further right. The offset against the direction
// at the cut is larger by width tan(Turn).
func (c Arc) Turn(length float64) float64 {
	if c.Gap == 0 {
		return 0
	}
	a := math.Asin(math.Min(1, length/(2*c.Radius())))
	if c.ToRight {
		return a
	}
	return -a
}

// U is the standard uncertainty of the gap: read once, and the string's two
// ends each count half.
func (c Arc) U(r Reading) float64 {
	return math.Sqrt(r.Step*r.Step/12 + 1.5*r.Edge*r.Edge)
}

// Value is a measured value with its standard uncertainty.
type Value struct{ X, U float64 }

// Combined is several measurements of one thing as one.
type Combined struct {
	X, U  float64
	Chi2  float64 // of the values about their weighted mean
	Limit float64 // that chi2 keeps in 95 of 100 honest cases
	Agree bool
}

// Coverage is the factor of the expanded uncertainty (95 %).
const Coverage = 2.0

// Combine takes the weighted mean of independent values, weights 1/u^2, and
// tests whether they agree (for two of them: whether they differ by less than
// the expanded uncertainty of their difference). Values that do not agree never
// give a small uncertainty: the result is then the middle of the stretch that
// all their 95 % intervals together cover, and half of that its expanded
// uncertainty.
func Combine(values ...Value) (Combined, error) {
	if len(values) == 0 {
		return Combined{}, geometry.Wrong("values", "there is nothing to combine").Coded("nothing_to_combine", nil)
	}
	var w, sum float64
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, v := range values {
		if !finite(v.X) || !finite(v.U) || !(v.U > 0) {
			return Combined{}, geometry.Wrong("values", "%g with an uncertainty of %g cannot be combined", v.X, v.U).Coded("cannot_combine", geometry.Values{"value": v.X, "u": v.U})
		}
		k := 1 / (v.U * v.U)
		w += k
		sum += k * v.X
		lo, hi = math.Min(lo, v.X-Coverage*v.U), math.Max(hi, v.X+Coverage*v.U)
	}
	c := Combined{X: sum / w, U: 1 / math.Sqrt(w)}
	for _, v := range values {
		c.Chi2 += (v.X - c.X) * (v.X - c.X) / (v.U * v.U)
	}
	if len(values) == 1 {
		c.Agree = true
		return c, nil
	}
	c.Limit = adjust.ChiSquareQuantile(0.95, float64(len(values)-1))
	c.Agree = c.Chi2 <= c.Limit
	if !c.Agree {
		c.X, c.U = (lo+hi)/2, (hi-lo)/2/Coverage
	}
	return c, nil
}
