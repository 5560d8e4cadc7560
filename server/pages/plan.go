package pages

import (
	"html/template"
	"strings"

	"beltend/geometry/joint"
	"beltend/server/drawing"
	"beltend/server/report"
	"beltend/server/result"
)

// DemoChart is a fastener chart to begin from, invented.
const DemoChart = `# Invented fasteners of Kestrel Hollow, to try with. Lengths in mm. No such hooks exist.
name,pitch,wire,thickness_from,thickness_to,smallest_pulley,strip,hooks_per_strip,pin_allowance
KH 20,6.5,1.2,2.5,4.5,50,312,48,15
KH 30,9,1.8,4,7,100,306,34,15
`

// PlanData is a page of package plan: a form, and what came of it.
type PlanData struct {
	Joint    *JointHead // nil: from typed values
	Photos   string     // the photos' answer that a tape can be combined with
	Before   bool       // this step was measured before
	More     bool       // details are filled in
	Problem  *ProblemData
	Wrong    string // name of the field that is wrong
	Fields   map[string]string
	Done     bool
	Verdict  string
	Groups   []PlanGroup
	Drawing  template.HTML // SVG of package drawing, as wide as the page
	Picture  template.HTML // one that fits a phone
	Scale    *Scale
	Scales   []*Scale // of a pair
	Kind     string   // of a verdict
	Chart    string
	Advice   string
	Warnings []string
}

// PlanGroup is a list with its title.
type PlanGroup struct {
	Title string // key of a text
	Rows  []report.Row
}

func (d *PlanData) group(title string, rows []report.Row) {
	if len(rows) > 0 {
		d.Groups = append(d.Groups, PlanGroup{title, rows})
	}
}

// Pair fills in the two ends as a pair.
func (d *PlanData) Pair(r *result.Joint, o report.Options) {
	d.Done, d.Kind, d.Advice = true, string(r.Pair.Verdict), report.JointAdvice(r, o)
	_, d.Verdict, _ = strings.Cut(report.JointVerdict(r, o), ": ") // the word stands beside its sign
	if r.Pair.Advised != nil {                                     // what to do before why
		d.group("answer.recut", report.RecutWay(r.Pair.Advised, o))
	}
	w := In(o.Lang)
	for _, one := range []struct {
		name string
		v    joint.Judged
	}{{"scale.kink", r.Pair.Kink}, {"scale.skew", r.Pair.Skew}} {
		d.Scales = append(d.Scales, NewScale(Ruled{What: w.Text(one.name), MM: one.v.MM, U95MM: one.v.U95, Allowed: one.v.Tolerance}, o.Inches))
	}
	d.group("answer.measured", report.JointRows(r, o))
	d.group("pair.ways", report.OtherWays(r.Pair, o))
	if r.Takeup != nil {
		d.group("pair.takeup", report.TakeupRows(r.Takeup, o))
	}
	for _, note := range report.JointNotes(r, o) {
		d.Warnings = append(d.Warnings, note.Text)
	}
	d.Picture = template.HTML(drawing.JointPicture(r, o)) //nolint:gosec // package drawing escapes every text
}

// Lacing fills in a hook plan.
func (d *PlanData) Lacing(r *result.Lacing, o report.Options) error {
	d.Done, d.Verdict, d.Advice = true, report.LacingHeadline(r, o), report.LacingAdvice(r, o)
	d.group("lacing.fits", report.FitRows(r, o))
	if r.Plan == nil {
		return nil
	}
	d.group("lacing.bench", report.BenchList(r.Plan, o))
	for _, note := range report.LacingNotes(r, o) {
		d.Warnings = append(d.Warnings, note.Text)
	}
	svg, err := drawing.Lacing(r, "svg", o)
	d.Drawing = template.HTML(svg) //nolint:gosec // package drawing escapes every text
	return err
}

// Tape fills in an end measured by hand.
func (d *PlanData) Tape(w *Words, m *result.Measurement, o report.Options) error {
	d.Done, d.Verdict, d.Kind = true, verdict(w, m), string(m.Verdict)
	if s := m.Squareness; s != nil {
		d.Scale = NewScale(EndOffset(s.OffsetMM, s.OffsetU95MM, s.ToleranceMM), o.Inches)
	}
	d.group("answer.measured", report.Facts(m, o))
	if m.Recut != nil {
		t := report.TapeOf(m.Recut, o)
		d.group("answer.recut", []report.Row{{Label: w.Text("answer.left"), Text: t.Left + " ± " + t.LeftU}, {Label: w.Text("answer.right"), Text: t.Right + " ± " + t.RightU}})
	}
	d.Advice, d.Warnings = report.AdviceText(m, o), report.WarningTexts(m.Warnings, o)
	return nil
}
