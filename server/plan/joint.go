package plan

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"beltend/geometry"
	"beltend/geometry/joint"
	"beltend/geometry/lacing"
	"beltend/geometry/square"
	"beltend/server/report"
	"beltend/server/result"
)

// Settings of a pair. Those of one end begin with "lead-" or "trail-".
const (
	Offset    = "offset"
	OffsetU95 = "u95"
	Width     = "width"
	WidthU95  = "width-u95"
	Face      = "face"
	TrimEnd   = "trim"
	Tolerance = "tolerance"
	Travel    = "travel"
	Reserve   = "reserve"
)

// Faces a measurement was made on.
const (
	Carrying   = result.Carrying
	PulleySide = result.PulleySide
)

// Joint puts the two ends together. lead and trail are measurements, or nil
// where the values are typed.
func Joint(text Text, lead, trail *result.Measurement) (*result.Joint, error) {
	tolerance, err := text.length(Tolerance, 0)
	if err != nil {
		return nil, err
	}
	if text.given(Tolerance) && !(tolerance > 0) {
		return nil, geometry.Wrong(Tolerance, "%g mm is not above 0: give the largest offset allowed at each end in mm", tolerance).Coded("tolerance_zero", geometry.Values{"tolerance_mm": tolerance})
	}
	r := &result.Joint{Schema: result.JointSchema, Warnings: []result.Warning{}}
	var ends [2]joint.End
	var trims [2]float64
	for i, e := range []struct {
		name string
		m    *result.Measurement
	}{{"lead", lead}, {"trail", trail}} {
		if ends[i], err = end(e.name, text, e.m); err != nil {
			return nil, err
		}
		if tolerance > 0 {
			ends[i].Tolerance = tolerance
		}
		if e.m != nil {
			if e.m.Line == "drawn" {
				r.Warnings = append(r.Warnings, report.Warn("drawn_line", endName(i), nil))
			}
			switch e.m.Source {
			case result.FromTape:
				r.Warnings = append(r.Warnings, report.Warn("taped", endName(i), nil))
			case result.FromBoth:
				r.Warnings = append(r.Warnings, report.Warn("taped_too", endName(i), nil))
			}
		}
		if trims[i], err = text.length(e.name+"-"+TrimEnd, 0); err != nil {
			return nil, err
		}
	}
	if r.Pair, err = joint.Match(ends[0], ends[1]); err != nil {
		return nil, err
	}
	for _, n := range report.PairNotes(r.Pair, report.Options{}) {
		r.Warnings = append(r.Warnings, result.Warning{Code: n.Label, Message: n.Text})
	}
	r.Advice = report.JointAdvice(r, report.Options{})
	if !text.given(Travel) && !text.given(Reserve) {
		return r, nil
	}
	c := joint.Cutting{LeadTrim: trims[0], TrailTrim: trims[1]}
	if !text.given(Travel) {
		return nil, geometry.Wrong(Travel, "not given: how far can the take-up still give belt back, in mm?").Coded("travel_missing", nil)
	}
	if err := text.lengths(map[string]*float64{Travel: &c.Travel, Reserve: &c.Reserve}); err != nil {
		return nil, err
	}
	if way := recutToCount(r.Pair); way != nil {
		c.Recuts = way.Lost
		for _, l := range way.Lines { // half of what the line turns by is lost at the centre
			c.RecutsU95 = math.Hypot(c.RecutsU95, l.U95/2)
			// a measurement's trim comes off with a re-cut: an end that is not cut again loses nothing
			m, name, trim := lead, "lead", &c.LeadTrim
			if l.End == lacing.Trailing {
				m, name, trim = trail, "trail", &c.TrailTrim
			}
			if m != nil && m.Recut != nil && !text.given(name+"-"+TrimEnd) {
				*trim = m.Recut.TrimMM
			}
		}
		if r.Pair.Advised == nil {
			r.Warnings = append(r.Warnings, report.Warn("takeup_with_recut", "", nil))
		}
	}
	r.Takeup, err = c.Takeup()
	return r, err
}

// recutToCount is the re-cut whose belt the take-up has to give: the one
// advised, both ends where nothing is decided, none for a pair that fits.
func recutToCount(p *joint.Pair) *joint.Recut {
	if p.Advised != nil || p.Verdict == square.Square {
		return p.Advised
	}
	for i := range p.Recuts {
		if len(p.Recuts[i].Lines) == 2 {
			return &p.Recuts[i]
		}
	}
	return nil
}

func endName(i int) string { return []string{lacing.Leading, lacing.Trailing}[i] }

// end is one end in the common frame, carrying side up.
func end(name string, text Text, m *result.Measurement) (joint.End, error) {
	var e joint.End
	field := func(what string) string { return name + "-" + what }
	if m == nil {
		for _, what := range []string{Offset, OffsetU95, Width} {
			if !text.given(field(what)) {
				return e, geometry.Wrong(field(what), "not given: type the end's offset, its uncertainty (95 %%) and the width in mm, or name the file of its measurement").Coded("end_missing", nil)
			}
		}
	} else {
		for _, what := range []string{Offset, OffsetU95, Width, WidthU95} {
			if text.given(field(what)) {
				return e, geometry.Wrong(field(what), "this end has both a measurement and typed values: give one of them").Coded("end_twice", nil)
			}
		}
		e = endOf(m)
	}
	if err := text.lengths(map[string]*float64{field(Offset): &e.Offset, field(OffsetU95): &e.U95, field(Width): &e.Width, field(WidthU95): &e.WidthU95}); err != nil {
		return e, err
	}
	switch face := strings.ToLower(strings.TrimSpace(text(field(Face)))); face {
	case "", Carrying:
	case PulleySide:
		e = e.Turned()
	default:
		return e, geometry.Wrong(field(Face), "%q is no face: carrying or pulley, whichever was up when the end was measured", face).Coded("face_unknown", geometry.Values{"given": face})
	}
	return e, nil
}

// endOf takes over a measurement.
func endOf(m *result.Measurement) joint.End {
	e := joint.End{Offset: m.Squareness.OffsetMM, U95: m.Squareness.OffsetU95MM, Width: m.Width.AtCutMM, WidthU95: m.Width.AtCutU95MM,
		Tolerance: m.Squareness.ToleranceMM, Target: m.Squareness.TargetDeg * math.Pi / 180}
	if m.Cut != nil {
		for _, p := range m.Cut.Profile {
			e.Shape = append(e.Shape, geometry.Vec2{X: p[0], Y: p[1]})
		}
		slices.SortFunc(e.Shape, func(a, b geometry.Vec2) int { return cmp.Compare(a.X, b.X) }) // whoever wrote the file
	}
	return e
}
