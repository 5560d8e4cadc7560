package pages

import (
	"fmt"
	"math"
	"strings"

	"beltend/geometry"
	"beltend/server/archive"
	"beltend/server/chart"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/server/setting"
	"beltend/server/store"
)

// ProblemOf is a problem in the person's language: in English as it was said,
// with what is special; else in the catalogue's words for its code, with the
// entry that it is about, if any.
func ProblemOf(w *Words, code, title, detail, advice, entry string) *ProblemData {
	key := entryKey(entry)
	if w.English() && detail != "" {
		if text, named := strings.CutPrefix(detail, entry+": "); named && w.Has(key) {
			detail = w.Text(key) + ": " + text
		}
		return &ProblemData{Title: title, Code: code, Detail: detail, Advice: advice}
	}
	p := &ProblemData{Title: title, Code: code, Detail: w.Or("problem."+code, detail), Advice: w.Or("problem."+code+"_do", advice)}
	if w.Has(key) {
		p.Detail = w.Text("problem.wrong_field", w.Text(key))
		p.Advice = w.Or("wanted."+asKey.Replace(entry), p.Advice)
	}
	return p
}

// Outside says in the person's units what is out of which range.
func (p *ProblemData) Outside(w *Words, o report.Options, r *geometry.Range) {
	key := entryKey(r.Name)
	if !w.Has(key) {
		return
	}
	show := func(v float64) string {
		switch r.Unit {
		case "mm":
			return report.Length(v, o)
		case "degrees":
			return w.Decimal(fmt.Sprintf("%g°", v))
		}
		return w.Decimal(fmt.Sprintf("%g", v))
	}
	p.Detail = w.Text("problem.outside", w.Text(key), show(r.V), show(r.Lo), show(r.Hi))
	p.Advice = w.Or("problem."+p.Code+"_do", p.Advice) // what is wanted is said
}

// Wrong says in the person's language and units why an entry cannot be used; English in
// mm is there already as it was said.
func (p *ProblemData) Wrong(w *Words, o report.Options, entry, why string) {
	if why == "" || w.English() && !o.Inches {
		return
	}
	p.Detail = why
	p.Advice = w.Or("problem."+p.Code+"_do", p.Advice) // what is wanted is said
	if key := entryKey(entry); w.Has(key) {
		p.Detail = w.Text("problem.entry", w.Text(key), why)
	}
}

// Faults lists what is wrong in a chart, one a line, each with its place.
func (p *ProblemData) Faults(w *Words, o report.Options, faults chart.Faults) {
	lines := []string{w.Text("problem.chart_faults")}
	for _, f := range faults {
		place := w.Text("problem.chart_line", f.Line)
		if f.Column != "" {
			place = w.Text("problem.chart_column", f.Line, f.Column)
		}
		why := report.WrongText(f.Code, f.Values, f.Message, o)
		if why == "" {
			why = f.Message
		}
		lines = append(lines, w.Text("problem.chart_fault", place, why))
	}
	p.Detail = strings.Join(lines, "\n")
}

var asKey = strings.NewReplacer("-", "_", " ", "_", ":", "")

func entryKey(entry string) string { return "entry." + asKey.Replace(entry) }

// RefusedOf is a refusal in the person's language and units.
func RefusedOf(r *result.Refusal, title string, o report.Options) *ProblemData {
	message, advice := report.RefusalText(r, o)
	return &ProblemData{Title: title, Code: r.Code, Detail: message, Advice: advice}
}

// HomeData is what the first page shows.
type HomeData struct {
	Problem *ProblemData      // of the form just sent
	Fields  map[string]string // of the form just sent
	Recent  []archive.Found
	Joints  []JointLine // open ones

	KeepLocation bool // the site of loose measurements keeps the place in its photos
}

// Line is a measurement in a list.
type Line struct {
	ID, Name, Place, Offset, When string
	Verdict                       string
	Taped                         string // by hand, alone or with photos; empty: photos
}

// Lines are measurements for a list.
func Lines(w *Words, found []archive.Found, inches bool) []Line {
	var out []Line
	for _, f := range found {
		l := Line{ID: f.ID, Verdict: f.Verdict, When: w.Stamp(f.Time), Place: f.BeltName, Taped: report.ByHand(f.Source, report.Options{Lang: w.Lang})}
		if f.Refusal != "" {
			l.Verdict = "refused"
		}
		if f.OffsetMM != nil && f.U95MM != nil {
			l.Offset = SignedU(*f.OffsetMM, *f.U95MM, inches)
		}
		if f.Belt != "" && f.BeltName != store.Loose {
			l.Place = fmt.Sprintf("%s · %s · %s", f.ConveyorName, f.JointNumber, w.Text("end."+f.End))
		} else {
			l.Place = ""
		}
		for i, file := range f.Files {
			if file.Role == archive.RolePhoto {
				if i > 0 {
					l.Name += ", "
				}
				l.Name += file.Name
			}
		}
		out = append(out, l)
	}
	return out
}

// SignedU writes a signed length with its expanded uncertainty.
func SignedU(mm, u95 float64, inches bool) string {
	o := report.Options{Inches: inches}
	return report.Signed(mm, o) + " ± " + report.Expanded(u95, o)
}

// Home is the first page: joints, and a form for one measurement.
func Home(view View, d HomeData) Page {
	w := In(view.Lang)
	if d.Fields == nil {
		d.Fields = map[string]string{}
	}
	return Page{Title: w.Text("home.title"), View: view, Scripts: []string{"waits.js", "form.js"}, Data: struct {
		Problem *ProblemData
		Fields  map[string]string
		Recent  []Line
		Joints  []JointLine
		Inches  bool

		KeepLocation bool
	}{d.Problem, d.Fields, Lines(w, d.Recent, view.Inches), d.Joints, view.Inches, d.KeepLocation}}
}

// ResultData is the page of one measurement.
type ResultData struct {
	ID, Kind, Verdict string
	Offset, U         string
	LongSide          string
	Scale             *Scale
	Advice            string
	Tape              *report.Tape
	Redraw            bool // the drawn line was judged: draw again, do not cut
	Warnings          []string
	Facts             []report.Row
	Budget            []BudgetRow
	Settings          []report.Row
	Photos            []PhotoRow
	Names             string
	Created           string
	M                 *result.Measurement
	Checks            [][]Check // a photo
	Rule              *Rule
	Joint             *JointHead // nil: a loose measurement
	Person            string
	Hands             []string // edges set by hand
	Taped             string   // by hand, alone or with photos
	TapeBefore        bool     // this answer from photos alone took the place of one with a tape
	Removed           bool     // photos were taken away by a rule of retention
}

// BudgetRow is a row of the uncertainty budget in the person's units.
type BudgetRow struct {
	result.BudgetRow
	U string
}

func budget(m *result.Measurement, o report.Options) (rows []BudgetRow) {
	for _, b := range report.BudgetTable(m, o) {
		u := fmt.Sprintf("%.3f", b.UMM)
		if o.Inches {
			u = fmt.Sprintf("%.4f", b.UMM/25.4)
		}
		rows = append(rows, BudgetRow{b, u})
	}
	return rows
}

// PhotoRow is a photo of a measurement.
type PhotoRow struct {
	result.Photo
	Number   int
	Overlay  string // address
	Original string // address, "" where a browser could not show it
	Image    *result.Image
	CardList string
}

// Rule says how to measure in the view from above.
type Rule struct {
	Picture string  // address
	PxPerMM float64 // of that picture
	// U95 of a distance d: the scale is known as well as the width is, and each end
	// is set to about half a pixel of the picture.
	ScaleU95 float64 // relative
	PointU95 float64 // mm, of both ends
}

// Result is the page of one measurement.
func Result(view View, r store.Record) Page {
	w := In(view.Lang)
	m := r.Measurement
	o := view.Options()
	v := ResultData{ID: r.ID, Kind: string(m.Verdict), Verdict: verdict(w, m), M: m, Created: w.Stamp(r.Created), Redraw: m.Line == "drawn",
		Facts: facts(w, m, o), Budget: budget(m, o), Settings: given(w, m.Settings, o), Person: r.Kept.Person, Removed: r.Kept.PhotosRemoved > 0, Taped: report.ByHand(m.Source, o)}
	if m.Refused != nil {
		v.refused(w, r, o)
	}
	if m.Squareness != nil {
		v.Offset, v.U, _ = strings.Cut(report.Offset(m, o), " ± ")
		v.LongSide = report.LongSide(m, o)
		v.Scale = NewScale(EndOffset(m.Squareness.OffsetMM, m.Squareness.OffsetU95MM, m.Squareness.ToleranceMM), o.Inches)
	}
	if m.Verdict == result.Undecided {
		v.Advice = report.AdviceText(m, o)
	}
	if m.Recut != nil {
		t := report.TapeOf(m.Recut, o)
		v.Tape = &t
	}
	v.Warnings = report.WarningTexts(m.Warnings, o)
	var names []string
	for i, p := range m.Photos {
		names = append(names, p.File)
		if p.LeftOut != "" {
			code, _, _ := strings.Cut(p.LeftOut, ":")
			p.LeftOut = elsewhere(w, "problem."+code, p.LeftOut)
		}
		row := PhotoRow{Photo: p, Number: i + 1, CardList: strings.Join(p.Cards, ", ")}
		if m.Links != nil && i < len(m.Links.Overlay) {
			row.Overlay = m.Links.Overlay[i]
		}
		if !v.Removed {
			row.Original = fmt.Sprintf("/m/%s/photo/%d", r.ID, i+1)
		}
		if i < len(m.Image) {
			row.Image = &m.Image[i]
			for _, hand := range m.Image[i].SetByHand {
				v.Hands = append(v.Hands, w.Text("hand."+hand))
			}
		}
		v.Photos = append(v.Photos, row)
		v.Checks = append(v.Checks, Checks(w, m, i))
	}
	if m.Refused == nil {
		v.Names = strings.Join(names, ", ")
	}
	return Page{Title: w.Text("answer.title"), View: view, Scripts: []string{"answer.js"}, Data: &v}
}

// refused shows why there is no answer, what to do, and the photos, with what was found
// in them all the same.
func (v *ResultData) refused(w *Words, r store.Record, o report.Options) {
	no := r.Measurement.Refused
	v.Kind = "refused"
	v.Verdict, v.Advice = report.RefusalText(no, o)
	v.Checks = [][]Check{RefusedChecks(w, no.Code, v.Advice)}
	var names []string
	for _, f := range r.Kept.Files {
		names = append(names, f.Name)
		row := PhotoRow{Number: len(names), Photo: result.Photo{File: f.Name}}
		if !v.Removed {
			row.Original = fmt.Sprintf("/m/%s/photo/%d", r.ID, row.Number)
		}
		if l := r.Measurement.Links; l != nil && len(names) <= len(l.Overlay) {
			if row.Image = &r.Measurement.Image[len(names)-1]; row.Image.Found() {
				row.Overlay = l.Overlay[len(names)-1]
			}
		}
		v.Photos = append(v.Photos, row)
	}
	v.Names = strings.Join(names, ", ")
}

// elsewhere is a sentence said in English with all its details, or in another
// language the catalogue's for the same thing.
func elsewhere(w *Words, key, english string) string {
	if w.English() && english != "" {
		return english
	}
	return w.Or(key, english)
}

// verdict says the decision in one sentence.
func verdict(w *Words, m *result.Measurement) string {
	key := string(m.Verdict)
	switch {
	case m.Line == "drawn":
		key += "_drawn"
	case m.Verdict == result.Square && m.Squareness != nil && m.Squareness.TargetDeg != 0:
		key += "_target"
	}
	return w.Text("says." + key)
}

func facts(w *Words, m *result.Measurement, o report.Options) []report.Row {
	var rows []report.Row
	add := func(key, text string) { rows = append(rows, report.Row{Label: w.Text("fact." + key), Text: text}) }
	if s := m.Squareness; s != nil {
		add("angle", fmt.Sprintf("%+.2f° ± %.2f°", s.AngleDeg, math.Ceil(s.AngleU95Deg*100)/100))
		add("per_metre", report.Slope(s.PerMetre, o))
		tolerance := report.Length(s.ToleranceMM, o)
		if set := m.Settings; set == nil || set.ToleranceMM == 0 {
			tolerance += ", " + w.Text("fact.tolerance_default", report.UsualTolerance(o))
		}
		add("tolerance", tolerance)
		if s.TargetDeg != 0 {
			add("target", fmt.Sprintf("%+.2f°", s.TargetDeg))
		}
	}
	if x := m.Width; x != nil {
		add("width", report.Length(x.AtCutMM, o)+" ± "+report.Expanded(x.AtCutU95MM, o))
		if x.NominalMM != 0 {
			add("nominal", report.Place(x.NominalMM, o))
		}
	}
	if c := m.Cut; c != nil {
		add("straight", report.Length(c.StraightnessMM, o)+" ± "+report.Expanded(c.StraightnessU95MM, o))
	}
	if c := m.Centreline; c != nil {
		add("length", report.Place(c.LengthMM, o))
		if math.Abs(c.CamberMM) > c.CamberU95MM {
			side := "right"
			if c.CamberMM < 0 {
				side = "left"
			}
			add("camber", report.Length(math.Abs(c.CamberMM), o)+", "+w.Text("fact.to_"+side))
		}
	}
	for _, f := range m.Findings {
		add("seen", report.FindingText(f, o))
	}
	if m.Drawn != nil {
		add("drawn", SignedU(m.Drawn.OffsetMM, m.Drawn.OffsetU95MM, o.Inches)+": "+w.Text("verdict."+string(m.Drawn.Verdict)))
	}
	return rows
}

// given lists the settings that are not at their defaults.
func given(w *Words, s *result.Settings, o report.Options) []report.Row {
	if s == nil {
		return nil
	}
	var rows []report.Row
	for _, n := range []struct {
		name string
		v    float64
		unit string
	}{
		{setting.Tolerance, s.ToleranceMM, "mm"}, {setting.Width, s.NominalMM, "mm"}, {setting.Target, s.TargetDeg, "°"},
		{setting.Trim, s.TrimMM, "mm"}, {setting.Thickness, s.ThicknessMM, "mm"},
		{"print_scale_across", s.PrintScaleX, ""}, {"print_scale_up", s.PrintScaleY, ""},
	} {
		if n.v != 0 {
			text := w.Decimal(strings.TrimSpace(fmt.Sprintf("%g %s", n.v, n.unit)))
			if n.unit == "mm" && o.Inches {
				text = report.Length(n.v, o)
			}
			rows = append(rows, report.Row{Label: w.Text("setting." + n.name), Text: text})
		}
	}
	for _, n := range [][2]string{{setting.Line, s.Line}, {setting.Board, s.Board}, {setting.Markers, s.Markers}, {setting.Sheet, s.Sheet}} {
		if n[1] != "" {
			rows = append(rows, report.Row{Label: w.Text("setting." + n[0]), Text: w.Or("setting."+n[0]+"_"+n[1], n[1])})
		}
	}
	if s.CameraProfile != "" {
		rows = append(rows, report.Row{Label: w.Text("record.camera"), Text: s.CameraProfile})
	}
	for _, h := range s.Hints {
		rows = append(rows, report.Row{Label: w.Text("setting.hand"), Text: fmt.Sprintf("%s, %s %d", w.Text("hand."+h.Edge), w.Text("answer.photo"), h.Photo+1)})
	}
	return rows
}

// Check is one thing a good photo needs.
type Check struct {
	Text, Do string
	State    string // "good", "bad" or "open": not told
}

// What a photo is held against: beyond these it may still be measured, with a
// wider uncertainty. Tilt from the trade's rule "under about 20°", with room;
// width of view: a pixel of more than 1 mm carries no edge to half a millimetre.
const (
	tiltDeg = 30.0
	blurPx  = 2.5
	pixelMM = 1.0
)

// Checks holds a measured photo against what a good one needs.
func Checks(w *Words, m *result.Measurement, i int) []Check {
	p := m.Photos[i]
	var out []Check
	add := func(name string, good bool, state string) {
		c := Check{Text: w.Text("check." + name), State: "good"}
		if !good {
			c.State, c.Do = "bad", w.Text("check."+name+"_do")
		}
		if state != "" {
			c.State = state
		}
		out = append(out, c)
	}
	add("card", len(p.Cards) > 0, "")
	add("two_cards", len(p.Cards) > 1, "")
	frame := i < len(m.Image) && len(m.Image[i].LeftEdge) > 0 && len(m.Image[i].RightEdge) > 0
	add("frame", frame, "")
	add("sharp", p.BlurPx < blurPx, "")
	add("tilt", math.Abs(p.TiltDeg) <= tiltDeg, "")
	add("view", p.MMPerPx <= pixelMM, "")
	if p.LeftOut != "" {
		out = append(out, Check{Text: w.Text("check.used"), Do: elsewhere(w, "problem."+strings.SplitN(p.LeftOut, ":", 2)[0], p.LeftOut), State: "bad"})
	}
	return out
}

// refusalCheck is the check that fails with a refusal's code.
var refusalCheck = map[string]string{
	"no_card": "card", "card_not_on_belt": "card", "not_flat": "card", "card_repeated": "card",
	"edge_out_of_frame": "frame", "cut_out_of_frame": "frame", "edge_unclear": "frame", "cut_unclear": "frame", "line_unclear": "frame",
	"blurred": "sharp", "too_small": "view", "too_uncertain": "view",
}

// RefusedChecks are the checks of a refused photo: the one that failed is bad,
// those before it in the chain are good, the rest is not known.
func RefusedChecks(w *Words, code, advice string) []Check {
	failed := refusalCheck[code]
	var out []Check
	state := "open"
	if failed != "" && failed != "card" && code != "blurred" {
		state = "good"
	}
	for _, name := range []string{"card", "frame", "sharp", "tilt", "view"} {
		c := Check{Text: w.Text("check." + name), State: "open"}
		if name == "card" {
			c.State = state
		}
		if name == failed {
			c.State, c.Do = "bad", w.Or("problem."+code+"_do", advice)
		}
		out = append(out, c)
	}
	return out
}
