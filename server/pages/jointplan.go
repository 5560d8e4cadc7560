package pages

import (
	"html/template"
	"time"

	"beltend/server/archive"
	"beltend/server/drawing"
	"beltend/server/report"
	"beltend/server/result"
)

// JointPlanData is the page of a joint's plan: what is kept, and the form to plan it.
type JointPlanData struct {
	JointHead
	Kept    *KeptPlan  // shown; nil: none yet, or a plan just worked out is shown in its place
	Earlier []KeptPlan // all but the newest
	Version int64      // of the newest; 0: none
	Old     bool       // an earlier one is shown
	Anew    bool       // an end was measured since the newest was kept
	Tried   *KeptPlan  // just worked out, not kept
	Choose  []report.Row
	Advice  string
	Problem *ProblemData
	Wrong   string
	Fields  map[string]string
	Chart   string
	Hints   map[string]string // beside fields: what was measured
}

// KeptPlan is a joint's plan with everything to be shown of it.
type KeptPlan struct {
	Joint    string
	Version  int64
	Time     time.Time
	Person   string
	Reason   string
	Headline string
	Short    []report.Row
	Groups   []PlanGroup
	Notes    []string
	Drawing  template.HTML // SVG of package drawing
	Hooks    [2]int        // leading, trailing
	Fastener string
	Anew     bool // an end was measured since
}

// Kept lays out a plan as it was kept at one time; drawn with its drawing.
func Kept(p *archive.KeptPlan, drawn bool, o report.Options) (*KeptPlan, error) {
	r, err := p.Decode()
	if err != nil {
		return nil, err
	}
	k, err := planOf(r, drawn, o)
	if err != nil {
		return nil, err
	}
	k.Joint, k.Version, k.Time, k.Person, k.Reason = p.ID, p.Version, p.Time, p.Person, p.Reason
	return k, nil
}

// Tried lays out a plan that was worked out and is not kept.
func Tried(r *result.JointPlan, o report.Options) (*KeptPlan, error) { return planOf(r, true, o) }

func planOf(r *result.JointPlan, drawn bool, o report.Options) (*KeptPlan, error) {
	p := r.Lacing.Plan
	k := &KeptPlan{Headline: report.LacingHeadline(r.Lacing, o), Short: report.KeptShort(r, o), Hooks: [2]int{p.Lead.Hooks, p.Trail.Hooks}, Fastener: p.Fastener.Name}
	if !drawn {
		return k, nil
	}
	k.Groups = []PlanGroup{{"lacing.bench", report.BenchList(p, o)}, {"plan.belt", report.KeptBelt(r, o)},
		{"lacing.fits", append([]report.Row{report.ChartRow(p.Fastener, o)}, report.FitRows(r.Lacing, o)...)}}
	for _, n := range report.LacingNotes(r.Lacing, o) {
		k.Notes = append(k.Notes, n.Text)
	}
	svg, err := drawing.Lacing(r.Lacing, "svg", o)
	k.Drawing = template.HTML(svg) //nolint:gosec // package drawing escapes every text
	return k, err
}
