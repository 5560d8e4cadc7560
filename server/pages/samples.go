package pages

import (
	"encoding/json"
	"html/template"
	"time"

	"beltend/geometry/joint"
	"beltend/server/archive"
	"beltend/server/drawing"
	"beltend/server/report"
	"beltend/server/result"
)

// SampleData is what the page of components shows.
type SampleData struct {
	Recut, Square, Undecided *Scale
	Scales                   []*Scale
	Problem                  *ProblemData
	Rows                     []report.Row
	Checks                   []Check
	Arrow                    JointHead
	Planned                  PlanData
	Kept                     KeptPlan
	Tokens                   SampleTokens
	Measured                 SampleRows
	Look                     *Look
	Filters                  Filters
}

// SampleTokens is what the part "tokens" shows.
type SampleTokens struct {
	Tokens []struct {
		ID, Label string
		Scopes    []string
		Expires   time.Time
	}
	Scopes []string
	To     string
	Fields map[string]string
}

// SampleRows is what the part "measurements" shows.
type SampleRows struct {
	Rows []ReviewRow
	Next string
}

// Samples are parts of an invented joint.
func Samples(o report.Options) (SampleData, error) {
	w := In(o.Lang)
	d := SampleData{
		Recut: NewScale(EndOffset(5.9, 0.6, 1.6), o.Inches), Square: NewScale(EndOffset(-0.4, 0.5, 1.6), o.Inches), Undecided: NewScale(EndOffset(1.3, 0.7, 1.6), o.Inches),
		Scales: []*Scale{
			NewScale(Ruled{What: w.Text("scale.kink"), MM: -2.1, U95MM: 0.7, Allowed: 3.2}, o.Inches),
			NewScale(Ruled{What: "A, " + w.Text("hooks_says.what_margin_left"), MM: 8.4, U95MM: 0.4, Target: 6, Allowed: 2}, o.Inches),
			NewScale(Ruled{What: "A, " + w.Text("hooks_says.what_pitch"), MM: 9.21, U95MM: 0.02, Target: 9, Allowed: 0.18, Fine: true}, o.Inches),
			NewScale(Ruled{What: "B, " + w.Text("hooks_says.what_margin_left"), MM: 7.9, U95MM: 0.9, Bare: true}, o.Inches),
		},
		Problem: RefusedOf(report.Refuse("too_uncertain", "", "", result.Values{"u95_mm": 54.0}), w.Text("status.422"), o),
		Checks: []Check{{Text: w.Text("check.card"), State: "good"}, {Text: w.Text("check.sharp"), Do: w.Text("check.sharp_do"), State: "bad"},
			{Text: w.Text("check.tilt"), State: "open"}},
		Arrow: JointHead{Joint: archive.Joint{Number: "J-11", Travel: "KH 4", FaceUp: result.Carrying}, ConveyorName: "Conveyor 3", End: archive.Leading},
	}
	day := time.Date(2026, 3, 2, 14, 5, 0, 0, time.UTC)
	d.Tokens = SampleTokens{Scopes: []string{"measure", "read"}, To: "/components"}
	d.Tokens.Tokens = append(d.Tokens.Tokens, struct {
		ID, Label string
		Scopes    []string
		Expires   time.Time
	}{"1", "KH 30", []string{"measure"}, day})
	d.Measured = SampleRows{Next: "/components", Rows: []ReviewRow{
		{Verdict: "recut", Offset: "+5.9 ± 0.6 mm", Site: "Kestrel Hollow", Conveyor: "Conveyor 3", Belt: "3-A", Joint: "J-11", End: archive.Leading, Step: archive.StepCut, Person: "Ada Finch", When: w.Stamp(day), Review: "open"},
		{Verdict: "square", Offset: "-0.4 ± 0.5 mm", Site: "Kestrel Hollow", Conveyor: "Conveyor 3", Belt: "3-A", Joint: "J-11", End: archive.Leading, Step: archive.StepRecut, Person: "Ada Finch", When: w.Stamp(day), Review: "open", Doubt: true, Again: true, Beside: true},
	}}
	d.Filters = Filters{Values: map[string]string{}, Sites: []archive.Site{{ID: "1", Name: "Kestrel Hollow"}}}
	counted, err := json.Marshal(result.Hooks{Schema: result.HooksSchema, FaceUp: result.Carrying, Sides: []result.HookSide{
		{Side: "A", Hooks: 87, PitchMM: 9.02, PitchU95MM: 0.02, MarginLeftMM: 6.4, MarginRightMM: 7.9, MarginU95MM: 0.5, WidthMM: 800, WidthU95MM: 0.8, OffsetMM: 0.3, OffsetU95MM: 0.4, ToleranceMM: 1.6, Verdict: result.Square, MarginsCertain: true}},
		Findings: []result.HookFinding{report.FindHook(result.HookFinding{Code: "missing", Side: "A", AtMM: 120, Values: result.Values{"at_mm": 120.0}})}})
	if err != nil {
		return d, err
	}
	item := result.Clinch()[0]
	looks, err := Looks([]archive.Finished{{Time: day, Person: "Ada Finch", Result: counted, PhotosRemoved: 1, Clinch: []archive.ClinchMark{{Code: item.Code, Face: item.Face, Judgement: result.Rework, By: "Ada Finch", Time: day}}}}, o)
	if err != nil {
		return d, err
	}
	d.Look = &looks[0]
	ends := [2]joint.End{{Offset: 5.9, U95: 0.6, Width: 800, WidthU95: 0.8, Tolerance: 1.6}, {Offset: -0.4, U95: 0.5, Width: 798, WidthU95: 0.8, Tolerance: 1.6}}
	pair, err := joint.Match(ends[0], ends[1])
	if err != nil {
		return d, err
	}
	r := &result.Joint{Pair: pair}
	d.Planned.Pair(r, o)
	d.Rows = report.JointRows(r, o)[:2]
	d.Kept = KeptPlan{Headline: d.Planned.Verdict, Short: d.Rows, Groups: d.Planned.Groups[:1], Notes: []string{w.Text("components.note")},
		Drawing: template.HTML(drawing.JointPicture(r, o))} //nolint:gosec // package drawing escapes every text
	return d, nil
}
