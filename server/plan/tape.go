package plan

import (
	"math"
	"strings"

	"beltend/geometry"
	"beltend/geometry/joint"
	"beltend/geometry/square"
	"beltend/server/report"
	"beltend/server/result"
)

// Settings of an end measured by hand.
const (
	Diagonals = "diagonals"
	Up        = "up"
	SetOut    = "set-out"
	LineU95   = "line-u95"
	Stations  = "stations"
	Hollow    = "hollow"
	Camber    = "camber"
	TapeClass = "tape-class"
	TapeHook  = "tape-hook"
	Reading   = "reading"
	Edge      = "edge"
	Nominal   = "nominal"
	Target    = "target"
	Trim      = "trim"
	Line      = "line" // cut or drawn: what was taped
	With      = "with" // measurements of the same end
)

// What was taped.
const (
	cut   = "cut"
	drawn = "drawn"
)

// TapeMethod is the version of the way from tape readings to a result.
const TapeMethod = "tape/1"

// Four lengths that miss each other by more than so many standard
// uncertainties are a misreading: 3 happen once in 400 sound cases.
const (
	doubtful = 2.0
	misread  = 3.0
)

// Tape is an end measured by hand, alone or together with measurements of the
// same end by photo.
func Tape(text Text, photos ...*result.Measurement) (*result.Measurement, error) {
	in, trim, tolerance, nominal, err := tapeInput(text)
	if err != nil {
		return nil, err
	}
	line := strings.ToLower(strings.TrimSpace(text(Line)))
	switch line {
	case "":
		line = cut
	case cut, drawn:
	default:
		return nil, geometry.Wrong(Line, "%q is unknown: cut or drawn", text(Line)).Coded("line_unknown", geometry.Values{"given": text(Line)})
	}
	v, err := square.FromTape(in)
	if err != nil {
		return nil, err
	}
	m := &result.Measurement{Schema: result.Schema, Line: line, Source: result.FromTape, Method: TapeMethod, Warnings: []result.Warning{},
		Settings: &result.Settings{ToleranceMM: tolerance, NominalMM: nominal, TargetDeg: in.Target * 180 / math.Pi, TrimMM: trim}}
	m.Tape = record(in, v)
	if c := math.Abs(v.Closure); c > misread*v.ClosureU {
		side := "longer"
		if v.Closure < 0 {
			side = "shorter"
		}
		m.Refused = report.Refuse("tape_disagrees", side, "", result.Values{"off_mm": c, "usual_mm": square.Coverage * v.ClosureU})
		return m, m.Refused
	} else if c > doubtful*v.ClosureU {
		// a single diagonal misread by twice that moves the offset by diagonal/up times as much as the closure
		v.Terms = append(v.Terms, square.Term{Name: "the lengths do not quite agree", U: c * math.Max(in.Left, in.Right) / in.Up})
		v.U = math.Hypot(v.U, v.Terms[len(v.Terms)-1].U)
		warn(m, "tape_doubtful", "", result.Values{"off_mm": c})
	}
	hollow := 0.0
	if text.given(Hollow) {
		if hollow, err = text.length(Hollow, 0); err != nil {
			return nil, err
		}
		if err := geometry.InRange(geometry.Range{Name: Hollow, V: hollow, Hi: 200, Unit: "mm", Want: "the deepest gap between the cut and a straightedge laid over its corners"}); err != nil {
			return nil, err
		}
		m.Tape.HollowMM = &hollow
		m.Cut = &result.Cut{StraightnessMM: hollow, StraightnessU95MM: square.Coverage * math.Hypot(in.Reading.Step/math.Sqrt(12), in.Reading.Edge), Profile: [][2]float64{}}
	} else {
		reason := ""
		if line == drawn {
			reason = drawn
		}
		warn(m, "cut_shape_unknown", reason, nil)
	}
	m.Width = &result.Width{AtCutMM: v.Width, AtCutU95MM: square.Coverage * v.WidthU, MeanMM: v.MeanWidth, MeanU95MM: square.Coverage * v.WidthU, NominalMM: nominal, Stations: []result.Station{}}
	for _, s := range v.Stations {
		m.Width.Stations = append(m.Width.Stations, result.Station{UpMM: s.Up, WidthMM: s.Width})
	}
	if len(v.Stations) > 0 {
		warn(m, "middles_unknown", "", nil)
	}
	if over := v.Taper * math.Max(v.Span, in.Up); math.Abs(over) > 0.01*v.Width {
		warn(m, "width_varies", "", result.Values{"over_mm": math.Abs(over), "length_mm": math.Max(v.Span, in.Up)})
	}
	if nominal > 0 {
		if c := square.CheckWidth(v.Width, square.Coverage*v.WidthU, nominal); !c.InBand {
			warn(m, "width_differs", "tape", result.Values{"off_mm": math.Abs(c.Deviation), "nominal_mm": nominal, "band_mm": c.Band})
		}
	}
	if err := camber(m, text, in, v); err != nil {
		return nil, err
	}
	for _, t := range v.Terms {
		m.Budget = append(m.Budget, result.BudgetRow{Source: t.Name, Type: "B", UMM: t.U, Comment: termComments[t.Name]})
	}
	judge(m, v.Offset, v.U, v.Angle, v.AngleU, tolerance)
	recut(m, joint.End{Offset: v.Offset, U95: square.Coverage * v.U, Width: v.Width, Target: in.Target}, hollow, trim, v.Taper)
	if m.Verdict == result.Undecided {
		m.AdviceCode = "tape_further"
		m.Advice = report.Advise(m.AdviceCode)
	}
	return combine(m, photos, tolerance > 0, trim)
}

var termComments = map[string]string{
	square.TermDiagonals: "permissible error of the tape's class and the reading, both rectangular",
	square.TermMarks:     "the same for the set-back, taped on both edges",
	square.TermEdges:     "where the edge is, at both corners and both marks",
	square.TermCorners:   "the corners stand for the whole cut",
	square.TermLine:      "as stated for the line",
	square.TermWidth:     "the target angle over the width",
}

func warn(m *result.Measurement, code, reason string, v result.Values) {
	m.Warnings = append(m.Warnings, report.Warn(code, reason, v))
}

func tapeInput(text Text) (in square.Taped, trim, tolerance, nominal float64, err error) {
	in.Reading = square.Reading{Class: square.DefaultTapeClass, Step: square.DefaultStep, Edge: square.DefaultEdge, Hook: text.yes(TapeHook)}
	if !text.given(Diagonals) {
		return in, 0, 0, 0, geometry.Wrong(Diagonals, "not given: from the left corner to the right mark, then from the right corner to the left mark, for example 1603.9,1597.7").Coded("diagonals_missing", nil)
	}
	if in.Left, in.Right, err = text.pair(Diagonals, "1603.9,1597.7"); err != nil {
		return in, 0, 0, 0, err
	}
	if !text.given(Up) {
		return in, 0, 0, 0, geometry.Wrong(Up, "not given: how far up both edges are the marks, in mm?").Coded("up_missing", nil)
	}
	var line float64
	err = text.lengths(map[string]*float64{Up: &in.Up, Width: &in.Width, LineU95: &line, Reading: &in.Reading.Step, Edge: &in.Reading.Edge, Trim: &trim, Tolerance: &tolerance, Nominal: &nominal})
	if err != nil {
		return in, 0, 0, 0, err
	}
	in.LineU = line / square.Coverage
	switch how := strings.ToLower(strings.TrimSpace(text(SetOut))); how {
	case "corners":
		in.SetOut = square.FromCorners
		if text.given(LineU95) {
			return in, 0, 0, 0, geometry.Wrong(LineU95, "goes with --%s line only", SetOut).Coded("line_u95_alone", nil)
		}
	case "line":
		in.SetOut = square.FromSquareLine
	case "":
		return in, 0, 0, 0, geometry.Wrong(SetOut, "not given: say how the marks were set out, corners (each the same distance up its edge from its own corner) or line (both on one line drawn square to the centreline)").Coded("set_out_missing", nil)
	default:
		return in, 0, 0, 0, geometry.Wrong(SetOut, "%q: say how the marks were set out, corners (each the same distance up its edge from its own corner) or line (both on one line drawn square to the centreline)", how).Coded("set_out", geometry.Values{"given": how})
	}
	switch class := strings.ToUpper(strings.TrimSpace(text(TapeClass))); class {
	case "":
	case "I", "1":
		in.Reading.Class = square.TapeI
	case "II", "2":
		in.Reading.Class = square.TapeII
	case "III", "3":
		in.Reading.Class = square.TapeIII
	default:
		return in, 0, 0, 0, geometry.Wrong(TapeClass, "%q is unknown: I, II or III, as printed on the tape", class).Coded("tape_class", geometry.Values{"given": class})
	}
	for _, c := range []struct {
		name   string
		v, top float64
		zero   bool
		want   string
	}{
		{Tolerance, tolerance, 1000, false, "the largest offset allowed"}, {Nominal, nominal, 10000, false, "the nominal width"},
		{Trim, trim, 5000, true, "the length to cut off beyond the deepest point"}, {Width, in.Width, 10000, false, "the width at the cut"},
		{Reading, in.Reading.Step, 20, false, "what the tape was read to"}, {Edge, in.Reading.Edge, 50, false, "how surely an edge is found"},
	} {
		if !text.given(c.name) {
			continue
		}
		if err := geometry.InRange(geometry.Range{Name: c.name, V: c.v, Hi: c.top, Unit: "mm", Want: c.want}); err != nil {
			return in, 0, 0, 0, err
		}
		if c.v == 0 && !c.zero {
			return in, 0, 0, 0, geometry.Wrong(c.name, "0 mm is nothing: give %s in mm", c.want).Coded("zero", nil)
		}
	}
	if in.Target, err = text.degrees(Target, 0); err != nil {
		return in, 0, 0, 0, err
	}
	for _, s := range text.parts(Stations) {
		up, width, ok := strings.Cut(s, ":")
		u, err1 := report.ReadLength(up)
		w, err2 := report.ReadLength(width)
		if !ok || err1 != nil || err2 != nil {
			return in, 0, 0, 0, geometry.Wrong(Stations, "%q is no station: give distance from the cut and width, for example 300:1000.5,600:1001", s).Coded("station_unread", geometry.Values{"given": s})
		}
		in.Stations = append(in.Stations, square.TapedStation{Up: u, Width: w})
	}
	return in, trim, tolerance, nominal, nil
}

func record(in square.Taped, v *square.TapedValues) *result.Tape {
	t := &result.Tape{LeftMM: in.Left, RightMM: in.Right, UpMM: in.Up, SetOut: "corners", LineU95MM: square.Coverage * in.LineU, WidthMM: in.Width,
		Class: []string{"I", "II", "III"}[in.Reading.Class-square.TapeI], Hook: in.Reading.Hook, ReadingMM: in.Reading.Step, EdgeMM: in.Reading.Edge,
		ClosureMM: v.Closure, ClosureU: square.Coverage * v.ClosureU}
	if in.SetOut == square.FromSquareLine {
		t.SetOut = "line"
	}
	for _, s := range in.Stations {
		t.Stations = append(t.Stations, result.TapeStation{UpMM: s.Up, WidthMM: s.Width})
	}
	return t
}

// camber reads "CHORD,GAP,left|right" and says what it does to "square".
func camber(m *result.Measurement, text Text, in square.Taped, v *square.TapedValues) error {
	if !text.given(Camber) {
		return nil
	}
	parts := text.parts(Camber)
	var a square.Arc
	var err1, err2 error
	side := ""
	if len(parts) == 3 {
		a.Chord, err1 = report.ReadLength(parts[0])
		a.Gap, err2 = report.ReadLength(parts[1])
		side = strings.ToLower(strings.TrimSpace(parts[2]))
	}
	if len(parts) != 3 || err1 != nil || err2 != nil || side != "left" && side != "right" {
		given := typed(text(Camber))
		return geometry.Wrong(Camber, "%q is not understood: give the string's length, the largest gap and the side the belt bows to, for example 10000,25,right", given).Coded("camber_unread", geometry.Values{"given": given})
	}
	if err := a.Check(); err != nil {
		return err
	}
	a.ToRight = side == "right"
	u := square.Coverage * a.U(in.Reading)
	share := (in.Up / a.Chord) * (in.Up / a.Chord) // of the gap, over the set-back
	m.Centreline = &result.Centreline{LengthMM: in.Up, CamberMM: a.Over(in.Up), CamberU95MM: u * share}
	if !a.ToRight {
		m.Centreline.CamberMM *= -1
	}
	c := &result.TapeCamber{ChordMM: a.Chord, GapMM: a.Gap, GapU95MM: u, BowsTo: side, Percent: a.Percent()}
	m.Tape.Camber = c
	if a.Gap == 0 {
		return nil
	}
	c.RadiusMM = a.Radius()
	m.Findings = append(m.Findings, report.Find(result.Finding{Code: square.Camber, Reason: "string", SizeMM: a.Gap, U95MM: u, Where: side,
		Values: result.Values{"side": side, "size_mm": a.Gap, "chord_m": a.Chord / 1000, "percent": a.Percent(), "radius_m": a.Radius() / 1000}}))
	if turn := v.Width * math.Tan(a.Turn(in.Up)); math.Abs(turn) > 0.1*square.DefaultTolerance(v.Width) {
		warn(m, "camber_baseline", "", result.Values{"length_mm": in.Up, "offset_mm": v.Offset + turn})
	}
	return nil
}

// judge fills squareness and verdict; u and angleU are standard uncertainties.
func judge(m *result.Measurement, offset, u, angle, angleU, tolerance float64) {
	if tolerance == 0 {
		tolerance = square.DefaultTolerance(m.Width.AtCutMM)
	}
	deg := 180 / math.Pi
	m.Squareness = &result.Squareness{OffsetMM: offset, OffsetU95MM: square.Coverage * u, AngleDeg: angle * deg, AngleU95Deg: square.Coverage * angleU * deg,
		ToleranceMM: tolerance, TargetDeg: m.Settings.TargetDeg, PerMetre: 1000 * offset / m.Width.AtCutMM, ConformanceP: square.OffsetConformance(offset, u, tolerance)}
	m.Verdict = result.Verdict(square.Decide(offset, square.Coverage*u, tolerance))
}

// recut sets the new line out; hollow is how deep the cut may lie behind the
// line between its corners, at whatever place.
func recut(m *result.Measurement, e joint.End, hollow, trim, taper float64) {
	l := joint.Line("", e, 0)
	more := hollow + trim
	m.Recut = &result.RecutLine{LeftMM: l.Left + more, RightMM: l.Right + more, LeftU95MM: e.U95, RightU95MM: e.U95, CentreMM: l.Centre + more, LengthLostMM: l.Lost + more, TrimMM: trim}
	if e.Target == 0 {
		up := square.DiagonalSetBack(e.Width)
		bottom := e.Width + taper*m.Recut.CentreMM
		m.Recut.DiagonalUpMM, m.Recut.DiagonalMM = up, math.Sqrt(up*up+bottom*(bottom+taper*up)) // trapezoid: leg^2 + product of the parallel sides
	}
}

// combine makes the tape's result and those of photos one. Everything but the
// values that are combined is the first photos' own.
func combine(m *result.Measurement, photos []*result.Measurement, ownTolerance bool, trim float64) (*result.Measurement, error) {
	if len(photos) == 0 {
		return m, nil
	}
	s := m.Squareness
	c := &result.Combined{Parts: []result.Part{{Source: "tape", OffsetMM: s.OffsetMM, OffsetU95MM: s.OffsetU95MM}}}
	offsets := []square.Value{{X: s.OffsetMM, U: s.OffsetU95MM / square.Coverage}}
	widths := []square.Value{{X: m.Width.AtCutMM, U: m.Width.AtCutU95MM / square.Coverage}}
	for _, p := range photos {
		switch {
		case p.Line == drawn && m.Line != drawn:
			return nil, geometry.Wrong(With, "there a drawn line was measured, not the cut: measure the cut, or tape the line").Coded("with_drawn", nil)
		case p.Line != drawn && m.Line == drawn:
			return nil, geometry.Wrong(With, "there the cut was measured, not a drawn line: photograph the line, or tape the cut").Coded("with_cut", nil)
		case p.Source != "":
			return nil, geometry.Wrong(With, "that measurement is from %s: name one from photos alone, a tape shares its errors with this one", p.Source).Coded("with_tape", nil)
		case math.Abs(p.Squareness.TargetDeg-s.TargetDeg) > 1e-4:
			return nil, geometry.Wrong(Target, "%.4g degrees from square here, %.4g degrees in the measurement: both need the same", s.TargetDeg, p.Squareness.TargetDeg).Coded("with_target", geometry.Values{"here_deg": s.TargetDeg, "there_deg": p.Squareness.TargetDeg})
		}
		c.Parts = append(c.Parts, result.Part{Source: "photos", OffsetMM: p.Squareness.OffsetMM, OffsetU95MM: p.Squareness.OffsetU95MM})
		offsets = append(offsets, square.Value{X: p.Squareness.OffsetMM, U: p.Squareness.OffsetU95MM / square.Coverage})
		widths = append(widths, square.Value{X: p.Width.AtCutMM, U: p.Width.AtCutU95MM / square.Coverage})
	}
	offset, err := square.Combine(offsets...)
	if err != nil {
		return nil, geometry.Wrong(With, "the offset there: %v", err).Coded("with_offset", nil)
	}
	width, err := square.Combine(widths...)
	if err != nil {
		return nil, geometry.Wrong(With, "the width there: %v", err).Coded("with_width", nil)
	}
	c.Chi2, c.Limit, c.Agree = offset.Chi2, offset.Limit, offset.Agree

	both := *photos[0]
	both.Source, both.Tape, both.Combined, both.Method = result.FromBoth, m.Tape, c, photos[0].Method+" and "+TapeMethod
	both.Links, both.Advice, both.AdviceCode, both.Drawn = nil, "", "", nil
	both.Photos, both.Image = nil, nil
	for _, p := range photos {
		both.Photos = append(both.Photos, p.Photos...)
		both.Image = append(both.Image, p.Image...)
	}
	settings := *m.Settings
	if photos[0].Settings != nil {
		settings = *photos[0].Settings
	}
	both.Settings = &settings
	tolerance := photos[0].Squareness.ToleranceMM
	if ownTolerance {
		tolerance = s.ToleranceMM
		settings.ToleranceMM = tolerance
	}
	if trim == 0 && photos[0].Recut != nil {
		trim = photos[0].Recut.TrimMM
	}
	w := *photos[0].Width
	w.AtCutMM, w.AtCutU95MM = width.X, square.Coverage*width.U
	both.Width = &w
	both.Findings = append(append([]result.Finding{}, photos[0].Findings...), m.Findings...)
	both.Warnings = append([]result.Warning{}, photos[0].Warnings...)
	for _, x := range m.Warnings {
		if x.Code != "cut_shape_unknown" && x.Code != "middles_unknown" { // the photos show both
			both.Warnings = append(both.Warnings, x)
		}
	}
	both.Budget = nil
	for i, v := range offsets {
		row := result.BudgetRow{Source: c.Parts[i].Source, Type: "B", UMM: offset.U * offset.U / v.U, Comment: "by its share of the weighted mean"}
		both.Budget = append(both.Budget, row)
	}
	if !c.Agree {
		both.Budget = []result.BudgetRow{{Source: "tape against photos", Type: "B", UMM: offset.U, Comment: "they do not agree: as wide as all their intervals together"}}
		warn(&both, "tape_and_photos_differ", "", result.Values{"tape_mm": c.Parts[0].OffsetMM, "tape_u_mm": c.Parts[0].OffsetU95MM,
			"photo_mm": c.Parts[1].OffsetMM, "photo_u_mm": c.Parts[1].OffsetU95MM})
	}
	if !width.Agree {
		warn(&both, "widths_differ", "", result.Values{"tape_mm": widths[0].X, "photo_mm": widths[1].X})
	}
	target := s.TargetDeg * math.Pi / 180
	slope := math.Tan(target) + offset.X/width.X
	judge(&both, offset.X, offset.U, math.Atan(slope)-target, offset.U/width.X/(1+slope*slope), tolerance)
	both.Squareness.TargetDeg = s.TargetDeg
	e := endOf(&both)
	hollow := 0.0
	if len(e.Shape) == 0 && m.Tape.HollowMM != nil { // otherwise the photos show the cut's shape
		hollow = *m.Tape.HollowMM
	}
	recut(&both, e, hollow, trim, 0)
	if both.Verdict == result.Undecided {
		both.AdviceCode = "tape_again"
		if !c.Agree {
			both.AdviceCode = "tape_or_photos"
		}
		both.Advice = report.Advise(both.AdviceCode)
	}
	return &both, nil
}
