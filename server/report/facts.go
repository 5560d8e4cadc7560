package report

import (
	"math"

	"beltend/geometry/square"
	"beltend/server/result"
)

// Facts are the measured values in words.
func Facts(m *result.Measurement, o Options) []Row {
	u := o.units()
	var rows []Row
	add := func(label, text string) { rows = append(rows, Row{u.Text("facts." + label), text}) }
	if s := m.Squareness; s != nil {
		text := Offset(m, o) + " (95 %), " + LongSide(m, o)
		if u.inches {
			text += u.Text("facts.about", sixteenths(int(math.Round(math.Abs(s.OffsetMM)*16/inch))))
		}
		add("offset", text)
		angle := u.number("%+.2f° ± %.2f°, ", zero(s.AngleDeg, 0.005), ceil(s.AngleU95Deg, 100)) + u.slope(s.PerMetre)
		if s.TargetDeg != 0 {
			angle += u.Text("facts.against", u.number("%+.2f°", s.TargetDeg))
		}
		add("angle", angle)
		tol := Tolerance(m, o)
		if set := m.Settings; set != nil && set.ToleranceMM == 0 {
			tol += ", " + u.Text("fact.tolerance_default", u.usualTolerance())
		}
		add("tolerance", tol)
	}
	if w := m.Width; w != nil {
		at := map[string]string{"cut": "facts.at_cut", "drawn": "facts.at_line"}[line(m)]
		text := u.Text(at, u.length(w.AtCutMM), u.expanded(w.AtCutU95MM))
		if c := m.Centreline; c != nil {
			text += u.Text("facts.on_average", u.length(w.MeanMM), u.marks(c.LengthMM, u.step(0)))
		}
		if w.NominalMM != 0 {
			text += u.Text("facts.nominal", u.marks(w.NominalMM, u.step(0)))
		}
		add("width", text)
	}
	if c := m.Cut; c != nil {
		text := u.Text("facts.straight", u.length(c.StraightnessMM))
		if c.StraightnessU95MM > 0 {
			text += " ± " + u.expanded(c.StraightnessU95MM)
		}
		add(line(m), text)
	}
	if c := m.Centreline; c != nil && math.Abs(c.CamberMM) > c.CamberU95MM {
		side := "right"
		if c.CamberMM < 0 {
			side = "left"
		}
		add("camber", u.Text("facts.bows_"+side, u.length(math.Abs(c.CamberMM)), u.marks(c.LengthMM, u.step(0))))
	}
	for _, f := range m.Findings {
		add("seen", FindingText(f, o))
	}
	return append(rows, sourceRows(m, o)...)
}

// slope is an offset over the width.
func (u units) slope(perMetre float64) string {
	if u.inches {
		return u.Text("facts.per_foot", u.number("%.2f in", math.Abs(perMetre)*12/1000))
	}
	return u.Text("facts.per_metre", u.number("%.1f mm", math.Abs(perMetre)))
}

// Slope is an offset over the width, without its sign.
func Slope(perMetre float64, o Options) string { return o.units().slope(perMetre) }

// usualTolerance is what is taken where a person names no tolerance.
func (u units) usualTolerance() string {
	if u.inches {
		return u.Text("facts.per_foot", u.number("%.3f in", square.NormalTolerance*12/1000))
	}
	return u.Text("facts.per_metre", u.number("%g mm", square.NormalTolerance))
}

// UsualTolerance is what is taken where a person names no tolerance.
func UsualTolerance(o Options) string { return o.units().usualTolerance() }

// Offset is the offset with its expanded uncertainty.
func Offset(m *result.Measurement, o Options) string {
	u := o.units()
	return u.signed(m.Squareness.OffsetMM) + " ± " + u.expanded(m.Squareness.OffsetU95MM)
}

// Tolerance is the largest offset allowed.
func Tolerance(m *result.Measurement, o Options) string {
	return o.units().length(m.Squareness.ToleranceMM)
}

// Tape is the re-cut as it is set out with a tape.
type Tape struct {
	Left, LeftU   string // back from the left corner along the edge
	Right, RightU string
	Centre        string
	Lost          string
	Trim          string // empty: none was asked for
	DiagonalUp    string // empty: the line is not square to the belt
	Diagonal      string
	Rounding      string
}

// TapeOf rounds a re-cut to what a tape shows. The uncertainties include the
// rounding.
func TapeOf(r *result.RecutLine, o Options) Tape {
	u := o.units()
	t := Tape{
		Centre: u.marks(r.CentreMM, u.step(0)),
		Lost:   u.marks(r.LengthLostMM, u.step(0)),
	}
	t.Left, t.LeftU = u.tape(r.LeftMM, r.LeftU95MM)
	t.Right, t.RightU = u.tape(r.RightMM, r.RightU95MM)
	if r.TrimMM > 0 {
		t.Trim = u.length(r.TrimMM)
	}
	if r.DiagonalMM > 0 {
		t.DiagonalUp, t.Diagonal = u.marks(r.DiagonalUpMM, u.step(0)), u.marks(r.DiagonalMM, u.step(0))
	}
	left, right := u.step(r.LeftU95MM), u.step(r.RightU95MM)
	switch {
	case u.inches:
		t.Rounding = "1/16 in"
	case left == 1 && right == 1:
		t.Rounding = "1 mm"
	case left == right:
		t.Rounding = u.Text("retape.rounding_half")
	default:
		t.Rounding = u.Text("retape.rounding_mixed")
	}
	return t
}

// RecutRows say where to cut, or to draw the line, again; none where that is not
// asked for.
func RecutRows(m *result.Measurement, o Options) []Row {
	switch {
	case m.Recut == nil:
		return nil
	case m.Line == "drawn":
		return redrawRows(m.Recut, o)
	}
	return recutRows(m.Recut, o)
}

func recutRows(r *result.RecutLine, o Options) []Row {
	t, u := TapeOf(r, o), o.units()
	lost := u.Text("retape.lost", t.Centre, t.Lost)
	if t.Trim != "" {
		lost += u.Text("retape.trim", t.Trim)
	}
	rows := []Row{
		{u.Text("retape.cut_at"), u.Text("retape.left", t.Left, t.LeftU)},
		{"", u.Text("retape.right", t.Right, t.RightU)},
		{"", lost},
	}
	return append(rows, checkRows(t, u)...)
}

// checkRows say how to check the new line, and what the figures are rounded to.
func checkRows(t Tape, u units) []Row {
	var rows []Row
	if t.Diagonal != "" {
		rows = append(rows, Row{u.Text("retape.check"), u.Text("retape.diagonals", t.DiagonalUp, t.Diagonal)})
	}
	return append(rows, Row{"", u.Text("retape.rounded", t.Rounding)})
}

func drawnRows(d *result.Drawn, o Options) []Row {
	u := o.units()
	rows := []Row{{u.Text("fact.drawn"), u.Text("retape.drawn",
		u.signed(d.OffsetMM), u.expanded(d.OffsetU95MM), u.Text("retape.drawn_"+string(d.Verdict)), u.length(d.StraightnessMM))}}
	if d.Recut != nil && d.Verdict != result.Square {
		rows = append(rows, redrawRows(d.Recut, o)...)
	}
	return rows
}

// redrawRows say where the line would have to be: never nearer to the old end
// than the one drawn.
func redrawRows(r *result.RecutLine, o Options) []Row {
	t, u := TapeOf(r, o), o.units()
	rows := []Row{
		{u.Text("retape.draw_at"), u.Text("retape.left_up", t.Left, t.LeftU)},
		{"", u.Text("retape.right_up", t.Right, t.RightU)},
	}
	return append(rows, checkRows(t, u)...)
}
