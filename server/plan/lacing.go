package plan

import (
	"math"
	"strings"

	"beltend/geometry"
	"beltend/geometry/lacing"
	"beltend/server/report"
	"beltend/server/result"
)

// Settings of a lacing plan.
const (
	LeadWidth      = "lead-width"
	LeadWidthU95   = "lead-width-u95"
	TrailWidth     = "trail-width"
	TrailWidthU95  = "trail-width-u95"
	Thickness      = "thickness"
	JointThickness = "joint-thickness"
	Pulley         = "pulley"
	Margin         = "margin"
	Bias           = "bias"
	Fastener       = "fastener"
	Machine        = "machine"
	Notch          = "notch"
	Reversible     = "reversible"
	MoreOnTrailing = "more-on-trailing"
)

// Lacing picks the fasteners of a chart that fit and plans the joint with the
// one named, or with the only one. lead and trail are measurements of the two
// ends, or nil where the widths are typed.
func Lacing(chart []lacing.Fastener, text Text, lead, trail *result.Measurement) (*result.Lacing, error) {
	w, pulley, err := wish(text, lead, trail)
	if err != nil {
		return nil, err
	}
	if err := w.Check(); err != nil {
		return nil, err
	}
	r := &result.Lacing{Schema: result.LacingSchema, ThicknessMM: w.AtJoint(), PulleyMM: pulley, Warnings: []result.Warning{}}
	if r.Fits, err = lacing.Fitting(chart, r.ThicknessMM, pulley); err != nil {
		return nil, err
	}
	chosen, err := choose(r, strings.TrimSpace(text(Fastener)))
	switch {
	case r.Refused != nil:
		return r, r.Refused // with the reasons
	case err != nil:
		return nil, err
	case chosen == nil:
		return r, nil
	}
	if r.Plan, err = lacing.Make(*chosen, w); err != nil {
		return nil, err
	}
	said := report.LacingNotes(r, report.Options{})
	for i, n := range said {
		w := result.Warning{Code: n.Label, Message: n.Text}
		if k := i - len(said) + len(r.Plan.Notes); k >= 0 { // behind those on the fastener
			w.Values = result.Values{"value": r.Plan.Notes[k].Value, "limit": r.Plan.Notes[k].Limit}
		}
		r.Warnings = append(r.Warnings, w)
	}
	return r, nil
}

func wish(text Text, lead, trail *result.Measurement) (w lacing.Wish, pulley float64, err error) {
	w.Margin = lacing.DefaultMargin
	var bias float64
	for _, e := range []struct {
		m          *result.Measurement
		width, u95 *float64
		name, u    string
	}{{lead, &w.LeadWidth, &w.LeadU95, LeadWidth, LeadWidthU95}, {trail, &w.TrailWidth, &w.TrailU95, TrailWidth, TrailWidthU95}} {
		if e.m == nil {
			if !text.given(e.name) {
				return w, 0, geometry.Wrong(e.name, "the width of this end is not given: type it in mm, or name the file of its measurement").Coded("width_missing", nil)
			}
			continue
		}
		if text.given(e.name) || text.given(e.u) {
			return w, 0, geometry.Wrong(e.name, "this end has both a measurement and a typed width: give one of them").Coded("width_twice", nil)
		}
		*e.width, *e.u95 = e.m.Width.AtCutMM, e.m.Width.AtCutU95MM
		bias = e.m.Squareness.TargetDeg * math.Pi / 180
		if s := e.m.Settings; s != nil && s.ThicknessMM > 0 {
			w.Thickness = s.ThicknessMM
		}
	}
	if lead != nil && trail != nil && math.Abs(lead.Squareness.TargetDeg-trail.Squareness.TargetDeg) > 1e-4 {
		return w, 0, geometry.Wrong(Bias, "the leading end was measured for %.4g degrees from square and the trailing end for %.4g: both need the same", lead.Squareness.TargetDeg, trail.Squareness.TargetDeg).Coded("bias_differs", geometry.Values{"lead_deg": lead.Squareness.TargetDeg, "trail_deg": trail.Squareness.TargetDeg})
	}
	err = text.lengths(map[string]*float64{LeadWidth: &w.LeadWidth, LeadWidthU95: &w.LeadU95, TrailWidth: &w.TrailWidth, TrailWidthU95: &w.TrailU95,
		Thickness: &w.Thickness, JointThickness: &w.JointThickness, Margin: &w.Margin, Machine: &w.Machine, Notch: &w.Notch, Pulley: &pulley})
	if err != nil {
		return w, 0, err
	}
	for _, c := range []struct {
		name string
		v    float64
		want string
	}{{JointThickness, w.JointThickness, "what a gauge reads after skiving"}, {Machine, w.Machine, "the longest row of hooks the machine takes"}, {Notch, w.Notch, "the notch's length along the edge"}} {
		if text.given(c.name) && c.v == 0 {
			return w, 0, geometry.Wrong(c.name, "0 mm is nothing: give %s in mm, or leave it out", c.want).Coded("zero", nil)
		}
	}
	if w.Bias, err = text.degrees(Bias, bias); err != nil {
		return w, 0, err
	}
	w.Reversible, w.MoreOnTrailing = text.yes(Reversible), text.yes(MoreOnTrailing)
	return w, pulley, nil
}

// choose is the fastener to plan with: the one named, or the only one that
// fits. Nil while there is a choice to make, and where the answer is a refusal.
func choose(r *result.Lacing, name string) (*lacing.Fastener, error) {
	var fitting []string
	var chosen *lacing.Fastener
	named := false
	for i := range r.Fits {
		f := &r.Fits[i]
		if f.Fits {
			fitting = append(fitting, f.Fastener.Name)
			if name == "" {
				chosen = &f.Fastener
			}
		}
		if name != "" && strings.EqualFold(f.Fastener.Name, name) {
			named = true
			if f.Fits {
				chosen = &f.Fastener
			}
		}
	}
	choice := "None of the chart's fasteners fits: bring a chart with others, or skive the covers where the maker allows it."
	if len(fitting) > 0 {
		choice = "These fit: " + strings.Join(fitting, ", ") + "."
	}
	switch {
	case name != "" && !named:
		code := "fastener_unknown"
		if len(fitting) == 0 {
			code = "fastener_unknown_none"
		}
		return nil, geometry.Wrong(Fastener, "the chart has no %q. %s", name, choice).Coded(code, geometry.Values{"given": name, "fitting": strings.Join(fitting, ", ")})
	case name != "" && chosen == nil:
		reason := ""
		if len(fitting) == 0 {
			reason = "none"
		}
		r.Refused = report.Refuse("fastener_does_not_fit", reason, "", result.Values{"fastener": name, "fitting": strings.Join(fitting, ", ")})
		return nil, nil
	case len(fitting) == 0:
		r.Refused = report.Refuse("no_fastener_fits", "", "", nil)
		return nil, nil
	case name == "" && len(fitting) > 1:
		r.Advice = report.LacingAdvice(r, report.Options{})
		return nil, nil
	}
	return chosen, nil
}
