package table

import (
	"context"
	"fmt"
	"io"
	"time"

	"beltend/server/archive"
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
	{"person", "who took the photos", func(f *archive.Found) any { return f.Person }},
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
	{"note", "as written", func(f *archive.Found) any { return f.Note }},
	{"result_sha256", "hash of the whole result", func(f *archive.Found) any { return f.ResultSHA256 }},
}

// Joint is a joint with the newest answer at each end among the measurements found.
type Joint struct {
	archive.Joint
	SiteName, ConveyorName, BeltName string
	Measurements                     int // found
	Last                             time.Time
	Leading, Trailing                *End // nil: none
}

// End is the newest measurement of one that was not refused; a refusal where
// nothing else was found.
type End struct {
	verdict, step, review string
	offset, u95           *float64
}

// Joints are the columns of a list of joints.
var Joints = append([]Column[Joint]{
	{"id", "of the joint", func(j *Joint) any { return j.ID }},
	{"site", "name of the site", func(j *Joint) any { return j.SiteName }},
	{"conveyor", "name of the conveyor", func(j *Joint) any { return j.ConveyorName }},
	{"belt", "name of the belt", func(j *Joint) any { return j.BeltName }},
	{"number", "as the site counts", func(j *Joint) any { return j.Number }},
	{"opened", "when it was begun, UTC (RFC 3339)", func(j *Joint) any { return j.Opened }},
	{"closed", "true: nothing more is to be done", func(j *Joint) any { return j.Closed }},
	{"measurements", "how many of it the search found", func(j *Joint) any { return j.Measurements }},
	{"last_measured", "time of the newest of them", func(j *Joint) any { return j.Last }},
}, append(append(ofEnd("leading", func(j *Joint) *End { return j.Leading }), ofEnd("trailing", func(j *Joint) *End { return j.Trailing })...),
	Column[Joint]{"thickness_mm", "of the belt at the joint; 0: not given", func(j *Joint) any { return j.ThicknessMM }},
	Column[Joint]{"smallest_pulley_mm", "diameter; 0: not given", func(j *Joint) any { return j.SmallestPulleyMM }},
	Column[Joint]{"tolerance_mm", "of the joint; 0: 2 mm per metre of width", func(j *Joint) any { return j.ToleranceMM }},
	Column[Joint]{"tolerance_origin", "where that comes from", func(j *Joint) any { return j.ToleranceOrigin }},
	Column[Joint]{"travel", "travel direction as stated", func(j *Joint) any { return j.Travel }},
	Column[Joint]{"face_up", "carrying or pulley", func(j *Joint) any { return j.FaceUp }},
	Column[Joint]{"note", "as written", func(j *Joint) any { return j.Note }})...)

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
		if err := w.Row(j); err != nil {
			return err
		}
	}
	return w.Flush()
}

// add counts a measurement, which is older than those before it.
func (j *Joint) add(f *archive.Found) {
	j.Measurements++
	at := &j.Leading
	if f.End == archive.Trailing {
		at = &j.Trailing
	}
	if *at != nil && ((*at).verdict != "refused" || f.Refusal != "") {
		return
	}
	*at = &End{verdict: f.Verdict, step: f.Step, review: f.Review, offset: f.OffsetMM, u95: f.U95MM}
	if f.Refusal != "" {
		(*at).verdict = "refused"
	}
}
