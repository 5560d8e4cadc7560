package report

import (
	"fmt"
	"math"

	"beltend/server/result"
)

// Facts are the measured values in words.
func Facts(m *result.Measurement, o Options) []Row {
	u := units{o.Inches}
	var rows []Row
	add := func(label, text string) { rows = append(rows, Row{label, text}) }
	if s := m.Squareness; s != nil {
		text := Offset(m, o) + " (95 %), " + LongSide(m)
		if u.inches {
			text += "; about " + sixteenths(int(math.Round(math.Abs(s.OffsetMM)*16/inch)))
		}
		add("Offset", text)
		slope := fmt.Sprintf("%.1f mm per metre of width", math.Abs(s.PerMetre))
		if u.inches {
			slope = fmt.Sprintf("%.2f in per foot of width", math.Abs(s.PerMetre)*12/1000)
		}
		angle := fmt.Sprintf("%+.2f° ± %.2f°, %s", zero(s.AngleDeg, 0.005), ceil(s.AngleU95Deg, 100), slope)
		if s.TargetDeg != 0 {
			angle += fmt.Sprintf(", against a target of %+.2f°", s.TargetDeg)
		}
		add("Angle", angle)
		tol := Tolerance(m, o)
		if set := m.Settings; set != nil && set.ToleranceMM == 0 {
			tol += ", taken as 2 mm per metre of width; your site's figure wins"
		}
		add("Tolerance", tol)
	}
	if w := m.Width; w != nil {
		text := fmt.Sprintf("%s ± %s at the cut", u.length(w.AtCutMM), u.expanded(w.AtCutU95MM))
		if c := m.Centreline; c != nil {
			text += fmt.Sprintf(", %s on average over %s of belt", u.length(w.MeanMM), u.marks(c.LengthMM, u.step(0)))
		}
		if w.NominalMM != 0 {
			text += "; nominal " + u.length(w.NominalMM)
		}
		add("Width", text)
	}
	if c := m.Cut; c != nil {
		text := "straight within " + u.length(c.StraightnessMM)
		if c.StraightnessU95MM > 0 {
			text += " ± " + u.expanded(c.StraightnessU95MM)
		}
		label := "Cut"
		if m.Line == "drawn" {
			label = "Line"
		}
		add(label, text)
	}
	if c := m.Centreline; c != nil && math.Abs(c.CamberMM) > c.CamberU95MM {
		side := "right"
		if c.CamberMM < 0 {
			side = "left"
		}
		add("Camber", fmt.Sprintf("the belt bows %s to the %s over %s", u.length(math.Abs(c.CamberMM)), side, u.marks(c.LengthMM, u.step(0))))
	}
	for _, f := range m.Findings {
		add("Seen", f.Message)
	}
	return append(rows, sourceRows(m, o)...)
}

// Offset is the offset with its expanded uncertainty.
func Offset(m *result.Measurement, o Options) string {
	u := units{o.Inches}
	return u.signed(m.Squareness.OffsetMM) + " ± " + u.expanded(m.Squareness.OffsetU95MM)
}

// Tolerance is the largest offset allowed.
func Tolerance(m *result.Measurement, o Options) string {
	return units{o.Inches}.length(m.Squareness.ToleranceMM)
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
	u := units{o.Inches}
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
		t.Rounding = "0.5 mm, other lengths 1 mm"
	default:
		t.Rounding = "0.5 or 1 mm"
	}
	return t
}

func recutRows(title string, r *result.RecutLine, o Options) []Row {
	t := TapeOf(r, o)
	lost := "at the centreline " + t.Centre + " back; length of belt lost " + t.Lost
	if t.Trim != "" {
		lost += ", " + t.Trim + " of it the trim asked for"
	}
	rows := []Row{
		{title, fmt.Sprintf("left edge %s back from its corner, ± %s", t.Left, t.LeftU)},
		{"", fmt.Sprintf("right edge %s back from its corner, ± %s", t.Right, t.RightU)},
		{"", lost},
	}
	if t.Diagonal != "" {
		rows = append(rows, Row{"Check", fmt.Sprintf("mark both edges %s up from the new line: both diagonals between line and marks are equal, about %s", t.DiagonalUp, t.Diagonal)})
	}
	return append(rows, Row{"", "Rounded to the tape (" + t.Rounding + "); the rounding is inside the ±."})
}

func drawnRows(d *result.Drawn, o Options) []Row {
	u := units{o.Inches}
	rows := []Row{{"Drawn line", fmt.Sprintf("%s ± %s: %s; straight within %s",
		u.signed(d.OffsetMM), u.expanded(d.OffsetU95MM), drawnVerdict(d.Verdict), u.length(d.StraightnessMM))}}
	if d.Recut != nil && d.Verdict != result.Square {
		rows = append(rows, redrawRows(d.Recut, o)...)
	}
	return rows
}

// redrawRows say where the line would have to be: never nearer to the old end
// than the one drawn.
func redrawRows(r *result.RecutLine, o Options) []Row {
	t := TapeOf(r, o)
	rows := []Row{
		{"Draw at", fmt.Sprintf("left edge %s up the belt from the line's end, ± %s", t.Left, t.LeftU)},
		{"", fmt.Sprintf("right edge %s up the belt from the line's end, ± %s", t.Right, t.RightU)},
	}
	if t.Diagonal != "" {
		rows = append(rows, Row{"Check", fmt.Sprintf("mark both edges %s up from the new line: both diagonals between line and marks are equal, about %s", t.DiagonalUp, t.Diagonal)})
	}
	return append(rows, Row{"", "Rounded to the tape (" + t.Rounding + "); the rounding is inside the ±."})
}

func drawnVerdict(v result.Verdict) string {
	switch v {
	case result.Square:
		return "within the tolerance"
	case result.Recut:
		return "off by more than the tolerance, draw it again"
	default:
		return "cannot be told from these photos"
	}
}
