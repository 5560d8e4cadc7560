package table

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"beltend/geometry/joint"
	"beltend/server/archive"
	"beltend/server/result"
)

// Measurements are the columns of a list of measurements.
var Measurements = []Column[archive.Found]{
	{"id", "of the measurement", func(f *archive.Found) any { return f.ID }},
	{"time", "when the photo was taken or measured, UTC (RFC 3339)", func(f *archive.Found) any { return f.Time }},
	{"site", "name of the site", func(f *archive.Found) any { return f.SiteName }},
	{"conveyor", "name of the conveyor", func(f *archive.Found) any { return f.ConveyorName }},
	{"belt", "name of the belt", func(f *archive.Found) any { return f.BeltName }},
	{"joint", "number of the joint", func(f *archive.Found) any { return f.JointNumber }},
	{"joint_id", "ID of the joint", func(f *archive.Found) any { return f.Joint }},
	{"end", "leading or trailing", func(f *archive.Found) any { return f.End }},
	{"step", "drawn_line, cut, recut or finished", func(f *archive.Found) any { return f.Step }},
	{"source", "photos, tape, or tape and photos", func(f *archive.Found) any { return cmp.Or(f.Source, "photos") }},
	{"person", "who took the photos, or taped", func(f *archive.Found) any { return f.Person }},
	{"verdict", "square, recut, undecided or refused", func(f *archive.Found) any {
		if f.Refusal != "" {
			return "refused"
		}
		return f.Verdict
	}},
	{"refusal", "code of the refusal, empty when measured", func(f *archive.Found) any { return f.Refusal }},
	{"offset_mm", "how far out of square; positive: the left side is long", func(f *archive.Found) any { return f.OffsetMM }},
	{"u95_mm", "expanded uncertainty of the offset, 95 %", func(f *archive.Found) any { return f.U95MM }},
	{"tolerance_mm", "what it was judged by", func(f *archive.Found) any { return f.ToleranceMM }},
	{"width_mm", "of the belt at the cut", func(f *archive.Found) any { return f.WidthMM }},
	{"bow_mm", "of the cut; 0: none was found", func(f *archive.Found) any { return f.BowMM }},
	{"roughness_mm", "RMS distance of the cut from its line", func(f *archive.Found) any { return f.RoughnessMM }},
	{"review", "latest sign-off: accepted, sent_back, concession; empty: none", func(f *archive.Found) any { return f.Review }},
	{"signs", "sign-offs so far", func(f *archive.Found) any { return f.Signs }},
	{"card_set", "number of the card set", func(f *archive.Found) any { return f.CardSetNo }},
	{"card_scale", "printed / nominal length across and up, as measured", func(f *archive.Found) any { return f.CardScale }},
	{"cards_in_doubt", "true: the card set was found bad at its next check", func(f *archive.Found) any { return f.CardDoubt }},
	{"camera_profile", "name and SHA-256 of the lens profile used", func(f *archive.Found) any { return f.CameraProfile }},
	{"program", "version of the program", func(f *archive.Found) any { return f.ProgramVersion }},
	{"method", "version of the method", func(f *archive.Found) any { return f.MethodVersion }},
	{"supersedes", "ID of the measurement that this one repeats", func(f *archive.Found) any { return f.Supersedes }},
	{"superseded_by", "ID of the measurement that repeats this one", func(f *archive.Found) any { return f.SupersededBy }},
	{"beside", "ID of the measurement that this one stands beside, to compare program and method", func(f *archive.Found) any { return f.Beside }},
	{"promotes", "ID of the measurement beside the superseded one whose result this is, made the answer by a reviewer", func(f *archive.Found) any { return f.Promotes }},
	{"note", "as written", func(f *archive.Found) any { return f.Note }},
	{"result_sha256", "hash of the whole result", func(f *archive.Found) any { return f.ResultSHA256 }},
}

// Joint is a joint with the newest answer at each end among the measurements found.
type Joint struct {
	archive.Joint
	SiteName, ConveyorName, BeltName string
	Measurements                     int // found
	Last                             time.Time
	Leading, Trailing                *End  // nil: none
	Plan                             *Plan // nil: none is kept
}

// Plan is the newest plan kept with a joint.
type Plan struct {
	*result.JointPlan
	time   time.Time
	person string
}

// End is the newest measurement of one that was not refused; a refusal where
// nothing else was found.
type End struct {
	verdict, step, review string
	source                string
	offset, u95           *float64
}

// Joints are the columns of a list of joints.
var Joints = slices.Concat([]Column[Joint]{
	{"id", "of the joint", func(j *Joint) any { return j.ID }},
	{"site", "name of the site", func(j *Joint) any { return j.SiteName }},
	{"conveyor", "name of the conveyor", func(j *Joint) any { return j.ConveyorName }},
	{"belt", "name of the belt", func(j *Joint) any { return j.BeltName }},
	{"number", "as the site counts", func(j *Joint) any { return j.Number }},
	{"opened", "when it was begun, UTC (RFC 3339)", func(j *Joint) any { return j.Opened }},
	{"closed", "true: nothing more is to be done", func(j *Joint) any { return j.Closed }},
	{"measurements", "how many of it the search found", func(j *Joint) any { return j.Measurements }},
	{"last_measured", "time of the newest of them", func(j *Joint) any { return j.Last }},
}, ofEnd("leading", func(j *Joint) *End { return j.Leading }), ofEnd("trailing", func(j *Joint) *End { return j.Trailing }), []Column[Joint]{
	{"thickness_mm", "of the belt at the joint; 0: not given", func(j *Joint) any { return j.ThicknessMM }},
	{"smallest_pulley_mm", "diameter; 0: not given", func(j *Joint) any { return j.SmallestPulleyMM }},
	{"tolerance_mm", "of the joint; 0: 2 mm per metre of width", func(j *Joint) any { return j.ToleranceMM }},
	{"tolerance_origin", "where that comes from", func(j *Joint) any { return j.ToleranceOrigin }},
	{"travel", "travel direction as stated", func(j *Joint) any { return j.Travel }},
	{"face_up", "carrying or pulley", func(j *Joint) any { return j.FaceUp }},
	{"note", "as written", func(j *Joint) any { return j.Note }},
}, ofPlan)

// ofPlan are the columns of the plan kept with a joint.
var ofPlan = func() []Column[Joint] {
	of := func(value func(*Plan) any) func(*Joint) any {
		return func(j *Joint) any {
			if j.Plan == nil {
				return nil
			}
			return value(j.Plan)
		}
	}
	takeup := func(value func(*joint.Takeup) any) func(*Joint) any {
		return of(func(p *Plan) any {
			if p.Takeup == nil {
				return nil
			}
			return value(p.Takeup)
		})
	}
	return []Column[Joint]{
		{"plan_time", "when the newest plan was kept, UTC (RFC 3339); empty, as all of it: none", of(func(p *Plan) any { return p.time })},
		{"plan_person", "who planned it", of(func(p *Plan) any { return p.person })},
		{"fastener", "name of the row chosen from the chart", of(func(p *Plan) any { return p.Lacing.Plan.Fastener.Name })},
		{"fastener_pitch_mm", "its pitch", of(func(p *Plan) any { return p.Lacing.Plan.Fastener.Pitch })},
		{"fastener_wire_mm", "its wire", of(func(p *Plan) any { return p.Lacing.Plan.Fastener.Wire })},
		{"leading_hooks", "planned for the leading end", of(func(p *Plan) any { return p.Lacing.Plan.Lead.Hooks })},
		{"trailing_hooks", "planned for the trailing end", of(func(p *Plan) any { return p.Lacing.Plan.Trail.Hooks })},
		{"leading_margin_mm", "planned at each edge of the leading end", of(func(p *Plan) any { return p.Lacing.Plan.Lead.MarginLeft })},
		{"trailing_margin_mm", "planned at each edge of the trailing end", of(func(p *Plan) any { return p.Lacing.Plan.Trail.MarginLeft })},
		{"pin_mm", "length of the hinge pin", of(func(p *Plan) any { return p.Lacing.Plan.Pin.Length })},
		{"belt_lost_mm", "re-cuts and trims of both ends", of(func(p *Plan) any { return p.LostMM })},
		{"belt_lost_u95_mm", "expanded uncertainty of the re-cuts as measured", of(func(p *Plan) any { return p.LostU95MM })},
		{"takeup_travel_mm", "that the take-up could still give back; empty: not given", takeup(func(t *joint.Takeup) any { return t.Travel })},
		{"takeup_left_mm", "of it after the belt lost and the reserve; below 0: missing", takeup(func(t *joint.Takeup) any { return t.Left })},
		{"takeup_outcome", "enough, insert (needs an insert piece, two joints) or undecided", takeup(func(t *joint.Takeup) any { return t.Outcome })},
	}
}()

// ofEnd are the columns of one end.
func ofEnd(name string, end func(*Joint) *End) []Column[Joint] {
	of := func(value func(*End) any) func(*Joint) any {
		return func(j *Joint) any {
			if e := end(j); e != nil {
				return value(e)
			}
			return nil
		}
	}
	return []Column[Joint]{
		{name + "_verdict", "of the end's newest answer", of(func(e *End) any { return e.verdict })},
		{name + "_step", "at which that was measured", of(func(e *End) any { return e.step })},
		{name + "_source", "photos, tape, or tape and photos", of(func(e *End) any { return e.source })},
		{name + "_offset_mm", "its offset", of(func(e *End) any { return e.offset })},
		{name + "_u95_mm", "and expanded uncertainty", of(func(e *End) any { return e.u95 })},
		{name + "_review", "its latest sign-off", of(func(e *End) any { return e.review })},
	}
}

const perPage = 500 // measurements read at a time

// each calls do with the measurements that q finds, newest first.
func each(ctx context.Context, a *archive.Archive, q archive.Query, do func(*archive.Found) error, paged func() error) error {
	q.Limit, q.After = perPage, ""
	for {
		page, err := a.Search(ctx, q)
		if err != nil {
			return err
		}
		for i := range page.Items {
			if err := do(&page.Items[i]); err != nil {
				return err
			}
		}
		if err := paged(); err != nil {
			return err
		}
		if q.After = page.Next; q.After == "" {
			return nil
		}
	}
}

// WriteMeasurements writes all that q finds, newest first. began is called
// before the first byte, when nothing can go wrong with the question any more.
func WriteMeasurements(ctx context.Context, a *archive.Archive, q archive.Query, to io.Writer, format Format, began func()) error {
	var w *Writer[archive.Found]
	begin := func() (err error) {
		if w == nil {
			began()
			w, err = NewWriter(to, format, Measurements)
		}
		return err
	}
	err := each(ctx, a, q, func(f *archive.Found) error {
		if err := begin(); err != nil {
			return err
		}
		return w.Row(f)
	}, func() error {
		if err := begin(); err != nil {
			return err
		}
		return w.Flush()
	})
	return ended(w, err)
}

// ended marks a table that was begun and not finished.
func ended[T any](w *Writer[T], err error) error {
	if err != nil && w != nil {
		_ = w.Broken() // where that fails too, the reader sees the connection break
	}
	return err
}

// WriteJoints writes the joints of all measurements that q finds, the one measured
// last first.
func WriteJoints(ctx context.Context, a *archive.Archive, q archive.Query, to io.Writer, format Format, began func()) error {
	found := map[string]*Joint{}
	var order []*Joint
	err := each(ctx, a, q, func(f *archive.Found) error {
		j := found[f.Joint]
		if j == nil {
			j = &Joint{SiteName: f.SiteName, ConveyorName: f.ConveyorName, BeltName: f.BeltName, Last: f.Time}
			j.ID = f.Joint
			found[f.Joint] = j
			order = append(order, j)
		}
		j.add(f)
		return nil
	}, func() error { return nil })
	if err != nil {
		return err
	}
	began()
	w, err := NewWriter(to, format, Joints)
	if err != nil {
		return err
	}
	for _, j := range order {
		if j.Joint, err = a.Joint(ctx, q.Sites, j.ID); err != nil {
			return ended(w, fmt.Errorf("joint of the list: %w", err))
		}
		if j.Plan, err = planOf(ctx, a, q.Sites, j.ID); err != nil {
			return ended(w, fmt.Errorf("plan of a joint of the list: %w", err))
		}
		if err := w.Row(j); err != nil {
			return err
		}
	}
	return w.Flush()
}

// planOf is a joint's newest plan, nil where none is kept.
func planOf(ctx context.Context, a *archive.Archive, sites archive.Sites, id string) (*Plan, error) {
	kept, err := a.JointPlan(ctx, sites, id)
	if errors.Is(err, archive.NotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	r, err := kept.Decode()
	return &Plan{r, kept.Time, kept.Person}, err
}

// add counts a measurement, which is older than those before it.
func (j *Joint) add(f *archive.Found) {
	j.Measurements++
	if f.Beside != "" { // no answer of the joint
		return
	}
	at := &j.Leading
	if f.End == archive.Trailing {
		at = &j.Trailing
	}
	if *at != nil && ((*at).verdict != "refused" || f.Refusal != "") {
		return
	}
	*at = &End{verdict: f.Verdict, step: f.Step, review: f.Review, source: cmp.Or(f.Source, "photos"), offset: f.OffsetMM, u95: f.U95MM}
	if f.Refusal != "" {
		(*at).verdict = "refused"
	}
}
