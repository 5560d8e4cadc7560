package httpapi

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/gin-gonic/gin"

	"beltend/geometry/lacing"
	"beltend/server/archive"
	"beltend/server/chart"
	"beltend/server/measure"
	"beltend/server/pages"
	"beltend/server/plan"
	"beltend/server/report"
	"beltend/server/result"
)

// Fields of a joint's plan, beside the chart.
var jointPlanFields = []string{plan.LeadWidth, plan.TrailWidth, plan.Thickness, plan.JointThickness, plan.Pulley, plan.Margin, plan.Bias, plan.Fastener, plan.Machine, plan.Notch,
	plan.Reversible, plan.MoreOnTrailing, plan.LeadRecut, plan.LeadTrim, plan.TrailRecut, plan.TrailTrim, plan.Travel, plan.Reserve, "name", "reason", "version"}

// Those that are lengths.
var jointPlanLengths = []string{plan.LeadWidth, plan.TrailWidth, plan.Thickness, plan.JointThickness, plan.Pulley, plan.Margin, plan.Machine, plan.Notch,
	plan.LeadRecut, plan.LeadTrim, plan.TrailRecut, plan.TrailTrim, plan.Travel, plan.Reserve}

// jointPlan is the page of a joint's plan: the newest kept, or the one of ?version=,
// and the form filled in from the record.
func (s *service) jointPlan(c *gin.Context) {
	h, err := s.head(c)
	var ends [2]plan.JointEnd
	if err == nil {
		ends, err = s.jointEnds(c.Request.Context(), s.who(c).Sites, &h)
	}
	if err != nil {
		s.fail(c, err)
		return
	}
	s.jointPlanWith(c, http.StatusOK, &h, ends, &pages.JointPlanData{})
}

// planJoint works a plan out, and keeps it where that is asked for.
func (s *service) planJoint(c *gin.Context) {
	h, err := s.openHead(c)
	var ends [2]plan.JointEnd
	if err == nil {
		ends, err = s.jointEnds(c.Request.Context(), s.who(c).Sites, &h)
	}
	if err != nil {
		s.fail(c, err)
		return
	}
	d := &pages.JointPlanData{Fields: formFields(c, jointPlanFields...), Chart: c.PostForm("chart")}
	status := http.StatusOK
	r, err := s.workOut(c, &h, ends, d)
	if err == nil && c.PostForm("do") == "keep" && d.Tried != nil {
		if _, err = s.keepPlan(c, &h, d.Fields, r); err == nil {
			c.Redirect(http.StatusSeeOther, "/joints/"+h.ID+"/plan")
			return
		}
	}
	if err != nil {
		p := problemOf(err)
		if status = p.Status; status == http.StatusInternalServerError {
			s.Log.Error("plan failed", "route", c.FullPath(), "error", err)
		}
		d.Problem, d.Wrong, d.Tried = s.problemData(c, p), p.Setting, nil
	}
	s.jointPlanWith(c, status, &h, ends, d)
}

// workOut fills in the plan that the form asks for, for measured ends.
func (s *service) workOut(c *gin.Context, h *pages.JointHead, ends [2]plan.JointEnd, d *pages.JointPlanData) (*result.JointPlan, error) {
	o := s.view(c).Options()
	newest, err := s.newestPlan(c.Request.Context(), s.who(c).Sites, h.ID)
	if err != nil {
		return nil, err
	}
	filled := fillPlan(h, ends, newest)
	r, err := planOf(h, d, func(name string) string {
		if !slices.Contains(jointPlanLengths, name) {
			return d.Fields[name]
		}
		return asFilled(d.Fields[name], filled[name], o.Inches)
	}, ends, s.Orders.Program)
	if r != nil && r.Lacing != nil && r.Lacing.Plan == nil { // to choose from, or why none fits
		d.Choose, d.Advice = report.FitRows(r.Lacing, o), report.LacingAdvice(r.Lacing, o)
	}
	if err == nil && r.Lacing.Plan != nil {
		d.Tried, err = pages.Tried(r, o)
	}
	return r, err
}

// planOf is the plan by the form's chart and what its fields say, for measured ends.
func planOf(h *pages.JointHead, d *pages.JointPlanData, text plan.Text, ends [2]plan.JointEnd, program string) (*result.JointPlan, error) {
	fasteners, err := chart.Read(strings.NewReader(d.Chart))
	if err != nil {
		return nil, err
	}
	r, err := plan.ForJoint(fasteners, text, ends)
	if err == nil {
		r.NominalMM, r.Covers, r.Program = h.NominalMM, h.Covers, program
	}
	return r, err
}

// keepPlan keeps a plan that was worked out by the form's fields.
func (s *service) keepPlan(c *gin.Context, h *pages.JointHead, fields map[string]string, r *result.JointPlan) (archive.JointPlan, error) {
	by := s.who(c)
	r.Lacing.Fits = slices.DeleteFunc(r.Lacing.Fits, func(f lacing.Fit) bool { return f.Fastener.Name != r.Lacing.Plan.Fastener.Name })
	kept := archive.JointPlan{ID: h.ID, Person: fields["name"], PersonID: by.ID}
	if kept.Person == "" {
		return kept, &measure.UsageError{Setting: "name", Message: "say who planned it", Code: "who_planned"}
	}
	var err error
	if kept.Version, err = strconv.ParseInt(fields["version"], 10, 64); err != nil || kept.Version < 0 {
		return kept, &measure.UsageError{Setting: "version", Message: "load the page again", Code: "load_again"}
	}
	if kept.Result, err = json.Marshal(r); err != nil {
		return kept, fmt.Errorf("write the plan: %w", err)
	}
	return s.Store.Archive.PutJointPlan(c.Request.Context(), by.Actor, kept, fields["reason"])
}

// jointPlanWith shows the page with what is kept around d.
func (s *service) jointPlanWith(c *gin.Context, status int, h *pages.JointHead, ends [2]plan.JointEnd, d *pages.JointPlanData) {
	ctx, who, o := c.Request.Context(), s.who(c), s.view(c).Options()
	d.JointHead = *h
	plans, err := s.Store.Archive.JointPlans(ctx, who.Sites, h.ID)
	var newest *result.JointPlan
	if err == nil && len(plans) > 0 {
		d.Version = plans[0].Version
		if newest, err = plans[0].Decode(); err == nil {
			d.Anew = measuredSince(newest, ends[0].ID, ends[1].ID)
			err = s.showKept(c, d, plans, o)
		}
	}
	if err != nil {
		s.fail(c, err)
		return
	}
	if d.Fields == nil {
		d.Fields, d.Chart = fillPlan(h, ends, newest), strings.Join(chart.Columns, ",")+"\n"
		if newest != nil {
			d.Chart += chart.Line(newest.Lacing.Plan.Fastener) + "\n"
		}
		lengthsAsRead(s.words(c), o.Inches, d.Fields, jointPlanLengths)
		d.Fields[plan.Bias] = s.words(c).Decimal(d.Fields[plan.Bias])
		d.Fields["version"] = strconv.FormatInt(d.Version, 10)
		d.Fields["name"] = cmp.Or(who.Name, cautionsName(h))
	}
	d.Hints = planHints(s.words(c), ends, o)
	s.render(c, status, "joint_plan.html", pages.Page{Title: s.words(c).Text("plan.title"), Data: d})
}

// newestPlan is the newest plan kept of a joint; nil: none.
func (s *service) newestPlan(ctx context.Context, sites archive.Sites, joint string) (*result.JointPlan, error) {
	plans, err := s.Store.Archive.JointPlans(ctx, sites, joint)
	if err != nil || len(plans) == 0 {
		return nil, err
	}
	return plans[0].Decode()
}

func cautionsName(h *pages.JointHead) string {
	if h.Cautions == nil {
		return ""
	}
	return h.Cautions.Name
}

// showKept lays out the plan to show, the newest or that of ?version=, and names the
// earlier ones.
func (s *service) showKept(c *gin.Context, d *pages.JointPlanData, plans []archive.KeptPlan, o report.Options) error {
	shown := 0
	if v := c.Query("version"); v != "" {
		if shown = slices.IndexFunc(plans, func(p archive.KeptPlan) bool { return strconv.FormatInt(p.Version, 10) == v }); shown < 0 {
			return problemNotFound
		}
	}
	d.Old = shown > 0
	for i := range plans {
		k, err := pages.Kept(&plans[i], i == shown, o)
		if err != nil {
			return err
		}
		if i == shown && d.Tried == nil && d.Problem == nil && d.Choose == nil { // else the form is what to look at
			d.Kept = k
		}
		if i > 0 {
			d.Earlier = append(d.Earlier, *k)
		}
	}
	return nil
}

// jointEnds are both ends of a joint with what their measured cuts ask for.
func (s *service) jointEnds(ctx context.Context, sites archive.Sites, h *pages.JointHead) ([2]plan.JointEnd, error) {
	found, err := s.Store.Archive.Search(ctx, archive.Query{Sites: sites, Joint: h.ID, Newest: true, Answered: true, Limit: 500})
	if err != nil {
		return [2]plan.JointEnd{}, err
	}
	var cuts [2][]plan.Answer
	for _, f := range slices.Backward(found.Items) { // oldest first
		if f.Step != archive.StepCut && f.Step != archive.StepRecut {
			continue
		}
		r, err := s.Store.Get(ctx, sites, f.ID)
		if err != nil {
			return [2]plan.JointEnd{}, err
		}
		if r.Measurement.Squareness == nil || r.Measurement.Width == nil {
			continue
		}
		i := slices.Index(pages.Ends, f.End)
		cuts[i] = append(cuts[i], plan.Answer{ID: f.ID, Recut: f.Step == archive.StepRecut, Result: r.Measurement})
	}
	return plan.JointEnds(cuts[0], cuts[1], h.FaceUp), nil
}

// measuredSince says whether a plan rests on other cuts than the newest ones of the
// ends; "": an end has none.
func measuredSince(r *result.JointPlan, lead, trail string) bool {
	return lead != "" && lead != r.Leading.Measurement || trail != "" && trail != r.Trailing.Measurement
}

// keptPlan is a joint's newest plan, laid out in short; nil where none is kept. found
// is what was measured of the joint, newest first.
func (s *service) keptPlan(ctx context.Context, sites archive.Sites, joint string, found []archive.Found, o report.Options) (*pages.KeptPlan, error) {
	plans, err := s.Store.Archive.JointPlans(ctx, sites, joint)
	if err != nil || len(plans) == 0 {
		return nil, err
	}
	r, err := plans[0].Decode()
	if err != nil {
		return nil, err
	}
	k, err := pages.Kept(&plans[0], false, o)
	if err != nil {
		return nil, err
	}
	lead, _ := lastCut(found, archive.Leading)
	trail, _ := lastCut(found, archive.Trailing)
	k.Anew = measuredSince(r, lead.ID, trail.ID)
	return k, nil
}

// fillPlan fills the form in: what was measured from the newest cuts, else as it was
// kept, else as the joint was begun.
func fillPlan(h *pages.JointHead, ends [2]plan.JointEnd, newest *result.JointPlan) map[string]string {
	fields := map[string]string{}
	set := func(name string, of ...float64) { // the first above 0
		for _, mm := range of {
			if mm > 0 {
				fields[name] = strconv.FormatFloat(mm, 'g', 6, 64)
				return
			}
		}
	}
	setAngle := func(deg float64) {
		if deg != 0 {
			fields[plan.Bias] = strconv.FormatFloat(deg, 'g', 6, 64)
		}
	}
	if newest != nil {
		p := newest.Lacing.Plan
		fields[plan.Fastener] = p.Fastener.Name
		set(plan.LeadWidth, p.Lead.Width)
		set(plan.TrailWidth, p.Trail.Width)
		if newest.Lacing.ThicknessMM < newest.ThicknessMM {
			set(plan.JointThickness, newest.Lacing.ThicknessMM)
		}
		fields[plan.Margin] = strconv.FormatFloat(p.Margin, 'g', 6, 64)
		setAngle(p.BiasDeg)
		set(plan.Machine, p.Machine)
		set(plan.Notch, p.NotchBack)
		for name, yes := range map[string]bool{plan.Reversible: p.Reversible, plan.MoreOnTrailing: p.Trail.Hooks > p.Lead.Hooks} {
			if yes {
				fields[name] = "yes"
			}
		}
		set(plan.Thickness, newest.ThicknessMM, h.ThicknessMM)
		set(plan.Pulley, newest.Lacing.PulleyMM, h.SmallestPulleyMM)
		set(plan.LeadTrim, newest.Leading.TrimMM)
		set(plan.TrailTrim, newest.Trailing.TrimMM)
		if t := newest.Takeup; t != nil {
			fields[plan.Travel] = strconv.FormatFloat(t.Travel, 'g', 6, 64)
			set(plan.Reserve, t.Reserve)
		}
	} else {
		set(plan.LeadWidth, h.NominalMM)
		set(plan.TrailWidth, h.NominalMM)
		set(plan.Thickness, h.ThicknessMM)
		set(plan.Pulley, h.SmallestPulleyMM)
		set(plan.LeadTrim, ends[0].Trim)
		set(plan.TrailTrim, ends[1].Trim)
	}
	for i, names := range [][2]string{{plan.LeadWidth, plan.LeadRecut}, {plan.TrailWidth, plan.TrailRecut}} {
		if e := &ends[i]; e.Cut != nil {
			fields[names[0]] = plan.Filled(e.Cut.Width.AtCutMM)
			fields[names[1]] = plan.Filled(e.Recut)
			setAngle(e.Cut.Squareness.TargetDeg)
		} else if newest != nil {
			set(names[1], []float64{newest.Leading.RecutMM, newest.Trailing.RecutMM}[i])
		}
	}
	return fields
}

// planHints say beside the fields what was measured.
func planHints(w *pages.Words, ends [2]plan.JointEnd, o report.Options) map[string]string {
	hints := map[string]string{}
	for i, names := range [][2]string{{plan.LeadWidth, plan.LeadRecut}, {plan.TrailWidth, plan.TrailRecut}} {
		e := &ends[i]
		if e.Cut == nil {
			hints[names[0]] = w.Text("plan.not_measured")
			continue
		}
		hints[names[0]] = w.Text("plan.measured", report.Length(e.Cut.Width.AtCutMM, o), report.Expanded(e.Cut.Width.AtCutU95MM, o))
		if by := report.ByHand(e.Cut.Source, o); by != "" {
			hints[names[0]] += ", " + by
		}
		if e.Recut > 0 {
			hints[names[1]] = w.Text("plan.measured", report.Place(e.Recut, o), report.Expanded(e.RecutU95, o))
		} else {
			hints[names[1]] = w.Text("plan.no_recut")
		}
	}
	return hints
}
