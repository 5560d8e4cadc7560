package httpapi

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"strings"

	"github.com/gin-gonic/gin"

	"beltend/geometry/square"
	"beltend/server/archive"
	"beltend/server/measure"
	"beltend/server/pages"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/server/store"
)

var problemClosed = problem{Status: http.StatusConflict, Code: "joint_closed", Detail: "This joint is done.", Advice: "Open it again on its page, then change it."}

// openHead is the joint of the request, which may still be changed.
func (s *service) openHead(c *gin.Context) (pages.JointHead, error) {
	h, err := s.head(c)
	if err == nil && h.Closed {
		err = problemClosed
	}
	return h, err
}

// changing is the form that changes what a joint was begun with.
func (s *service) changing(c *gin.Context) {
	h, err := s.openHead(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	fields := begunWith(&h)
	lengthsAsRead(s.words(c), s.view(c).Inches, fields, jointLengths)
	s.changeForm(c, http.StatusOK, &h, fields, nil)
}

// Fields of that form that are lengths.
var jointLengths = []string{"width", "thickness", "pulley", "tolerance"}

// begunWith are the fields of that form as the joint has them, in mm.
func begunWith(h *pages.JointHead) map[string]string {
	fields := map[string]string{"number": h.Number, "covers": h.Covers, "travel": h.Travel, "face": h.FaceUp, "origin": h.ToleranceOrigin, "note": h.Note,
		"version": fmt.Sprint(h.Version)}
	for name, mm := range map[string]float64{"width": h.NominalMM, "thickness": h.ThicknessMM, "pulley": h.SmallestPulleyMM, "tolerance": h.ToleranceMM} {
		if mm > 0 {
			fields[name] = fmt.Sprintf("%g", mm)
		}
	}
	return fields
}

func (s *service) changeForm(c *gin.Context, status int, h *pages.JointHead, fields map[string]string, err error) {
	w := s.words(c)
	form := pages.JointForm{Fields: fields, Head: h}
	form.Problem, form.Wrong = s.formProblem(c, err)
	s.render(c, status, "joint_new.html", pages.Page{Title: w.Text("joint.change"), Data: form})
}

// changeJoint keeps a change with its reason. What was decided before stays; the
// joint's page shows which answers rest on older data and decides them again.
func (s *service) changeJoint(c *gin.Context) {
	h, err := s.openHead(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	fields := map[string]string{}
	for _, name := range append([]string{"reason", "version"}, jointFields...) {
		fields[name] = strings.TrimSpace(c.PostForm(name))
	}
	asked, was := maps.Clone(fields), begunWith(&h)
	for _, name := range jointLengths {
		asked[name] = asFilled(fields[name], was[name], s.view(c).Inches)
	}
	if err := s.keepChange(c.Request.Context(), s.who(c), h, asked); err != nil {
		s.changeForm(c, problemOf(err).Status, &h, fields, err)
		return
	}
	c.Redirect(http.StatusSeeOther, "/joints/"+h.ID+"#changed")
}

func (s *service) keepChange(ctx context.Context, by store.Person, h pages.JointHead, fields map[string]string) error {
	j := h.Joint
	width, err := readJoint(fields, &j, "number", "travel", "reason")
	if err != nil {
		return err
	}
	if fields["version"] != fmt.Sprint(j.Version) {
		return problem{Status: http.StatusConflict, Code: "conflict", Detail: "Somebody else changed this joint meanwhile.", Advice: "Load the page again and look at what it says now.", wrong: "changed_meanwhile"}
	}
	belt, err := s.Store.Archive.Belt(ctx, by.Sites, j.Belt)
	if err != nil {
		return err
	}
	belt.NominalMM, belt.Covers = width, fields["covers"]
	if err := belt.Check(); err != nil { // before the joint is kept: all of a form or nothing
		return err
	}
	if j != h.Joint {
		if _, err := s.Store.Archive.PutJoint(ctx, by.Actor, j, fields["reason"]); err != nil {
			return err
		}
	}
	if width == h.NominalMM && fields["covers"] == h.Covers {
		return nil
	}
	_, err = s.Store.Archive.PutBelt(ctx, by.Actor, belt, fields["reason"])
	return err
}

// jointAsks puts what a joint asks of every measurement into settings.
func jointAsks(set result.Settings, h *pages.JointHead) result.Settings {
	set.ToleranceMM, set.NominalMM, set.ThicknessMM = h.ToleranceMM, h.NominalMM, h.ThicknessMM
	return set
}

// outdated says which of the joint's data, by which a measurement was made, are
// others now.
func outdated(w *pages.Words, m *result.Measurement, h *pages.JointHead, inches bool) []string {
	var then result.Settings
	if m.Settings != nil {
		then = *m.Settings
	}
	now := jointAsks(then, h)
	var out []string
	length := func(mm float64) string {
		if mm == 0 {
			return w.Text("setting.none")
		}
		return report.Length(mm, report.Options{Inches: inches})
	}
	for _, one := range []struct {
		key       string
		then, now float64
	}{{"joint.tolerance", then.ToleranceMM, now.ToleranceMM}, {"joint.width", then.NominalMM, now.NominalMM}, {"joint.thickness", then.ThicknessMM, now.ThicknessMM}} {
		if one.then != one.now {
			out = append(out, w.Text("joint.was_now", w.Text(one.key), length(one.then), length(one.now)))
		}
	}
	return out
}

// since puts into the joint's page what was changed since it was begun, which
// answers rest on older data, and what became of those decided again.
func (s *service) since(ctx context.Context, who store.Person, w *pages.Words, inches bool, d *pages.JointData) error {
	for i := range d.Ends {
		for k := range d.Ends[i].Steps {
			cell := &d.Ends[i].Steps[k]
			if cell.Last == nil {
				continue
			}
			r, err := s.Store.Get(ctx, who.Sites, cell.Last.ID)
			if err != nil {
				return err
			}
			if r.Measurement.Squareness == nil {
				continue
			}
			cell.Wide = widthDiffers(r.Measurement, d.NominalMM, report.Options{Inches: inches, Lang: w.Lang})
			if !d.Closed { // what is done is left as it was decided
				cell.Outdated = outdated(w, r.Measurement, &d.JointHead, inches)
			}
			if len(cell.Outdated) > 0 {
				d.Outdated = append(d.Outdated, cell.Last.ID)
			}
			if r.Kept.Supersedes == "" {
				continue
			}
			before, err := s.Store.Get(ctx, who.Sites, r.Kept.Supersedes)
			if err != nil {
				return err
			}
			if len(before.Measurement.Photos) == len(r.Measurement.Photos) && before.Measurement.Squareness != nil && len(outdated(w, before.Measurement, &d.JointHead, inches)) > 0 {
				cell.Before = string(before.Measurement.Verdict)
				cell.BeforeBy = report.Length(before.Measurement.Squareness.ToleranceMM, report.Options{Inches: inches})
			}
		}
	}
	changes, err := s.changedSince(ctx, who.Sites, w, inches, &d.JointHead)
	d.Changes = changes
	return err
}

// widthDiffers says that a measured width is further from the joint's nominal one than
// belts and uncertainty allow; "" where it is not.
func widthDiffers(m *result.Measurement, nominal float64, o report.Options) string {
	if m.Width == nil || nominal == 0 {
		return ""
	}
	width, u := m.Width.MeanMM, m.Width.MeanU95MM
	if width == 0 {
		width, u = m.Width.AtCutMM, m.Width.AtCutU95MM
	}
	check := square.CheckWidth(width, u, nominal)
	if width == 0 || !check.Suspect {
		return ""
	}
	return report.WarningText(report.Warn("width_differs", "", result.Values{"width_mm": width, "off_percent": 100 * check.Relative, "nominal_mm": nominal}), o)
}

// changedSince lists what was changed of a joint and its belt since it was begun, the
// newest first.
func (s *service) changedSince(ctx context.Context, sites archive.Sites, w *pages.Words, inches bool, h *pages.JointHead) ([]pages.JointChange, error) {
	var out []pages.JointChange
	of := func(subject string, differ func(old, new json.RawMessage) ([]string, error)) error {
		events, err := s.Store.Archive.Events(ctx, archive.EventQuery{Sites: sites, Subject: subject, Limit: 200})
		if err != nil {
			return err
		}
		for i, e := range events {
			if i+1 == len(events) || !e.Time.After(h.Opened) {
				break // as it was begun
			}
			what, err := differ(events[i+1].Payload, e.Payload)
			if err != nil {
				return err
			}
			if len(what) > 0 {
				out = append(out, pages.JointChange{Time: e.Time, Name: e.Name, Reason: e.Reason, What: what})
			}
		}
		return nil
	}
	o := report.Options{Inches: inches, Lang: w.Lang}
	length := func(mm float64) string {
		if mm == 0 {
			return w.Text("setting.none")
		}
		return report.Length(mm, o)
	}
	text := func(t string) string {
		if t == "" {
			return w.Text("setting.none")
		}
		return t
	}
	pair := func(list *[]string, key, old, new string) {
		if old != new {
			*list = append(*list, w.Text("joint.was_now", w.Text(key), old, new))
		}
	}
	err := of("joint/"+h.ID, func(old, new json.RawMessage) (what []string, err error) {
		var a, b archive.Joint
		if err := readBoth(old, new, &a, &b); err != nil {
			return nil, err
		}
		pair(&what, "joint.number", a.Number, b.Number)
		pair(&what, "joint.tolerance", length(a.ToleranceMM), length(b.ToleranceMM))
		pair(&what, "joint.origin", text(a.ToleranceOrigin), text(b.ToleranceOrigin))
		pair(&what, "joint.thickness", length(a.ThicknessMM), length(b.ThicknessMM))
		pair(&what, "joint.pulley", length(a.SmallestPulleyMM), length(b.SmallestPulleyMM))
		pair(&what, "joint.travel", text(a.Travel), text(b.Travel))
		if a.FaceUp != b.FaceUp {
			pair(&what, "joint.face", w.Or("face."+a.FaceUp, w.Text("setting.none")), w.Or("face."+b.FaceUp, w.Text("setting.none")))
		}
		pair(&what, "joint.note", text(a.Note), text(b.Note))
		return what, nil
	})
	if err != nil {
		return nil, err
	}
	err = of("belt/"+h.Belt, func(old, new json.RawMessage) (what []string, err error) {
		var a, b archive.Belt
		if err := readBoth(old, new, &a, &b); err != nil {
			return nil, err
		}
		pair(&what, "joint.width", length(a.NominalMM), length(b.NominalMM))
		pair(&what, "joint.covers", text(report.Covers(a.Covers, o)), text(report.Covers(b.Covers, o)))
		return what, nil
	})
	return out, err
}

func readBoth[T any](old, new json.RawMessage, a, b *T) error {
	if err := json.Unmarshal(old, a); err != nil {
		return fmt.Errorf("read an event: %w", err)
	}
	if err := json.Unmarshal(new, b); err != nil {
		return fmt.Errorf("read an event: %w", err)
	}
	return nil
}

// decideAgain measures every answer that rests on older data of its joint again,
// for browsers without scripts.
func (s *service) decideAgain(c *gin.Context) {
	h, err := s.openHead(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	ctx, who, v := c.Request.Context(), s.who(c), s.view(c)
	found, err := s.Store.Archive.Search(ctx, archive.Query{Sites: who.Sites, Joint: h.ID, Newest: true, Limit: 500})
	if err != nil {
		s.fail(c, err)
		return
	}
	w := pages.In(v.Lang)
	d := pages.JointData{JointHead: h, Ends: pages.Table(w, found.Items, v.Inches)}
	if err := s.since(ctx, who, w, v.Inches, &d); err != nil {
		s.fail(c, err)
		return
	}
	for _, id := range d.Outdated {
		r, err := s.Store.Get(ctx, who.Sites, id)
		if err == nil {
			_, err = s.measureAgain(ctx, who, r, againRequest{Joint: true}, v.Options(), nil)
		}
		if err != nil {
			s.jointWith(c, problemOf(err).Status, s.problemData(c, problemOf(err)))
			return
		}
	}
	c.Redirect(http.StatusSeeOther, "/joints/"+h.ID)
}

// formField is a form's name of what the record names.
var formField = map[string]string{"joint number": "number", "nominal width": "width", "smallest pulley": "pulley", "tolerance origin": "origin", "travel direction": "travel",
	"face up": "face", "covers": "covers", "note": "note", "site name": "site", "conveyor name": "conveyor", "belt name": "belt", "thickness": "thickness", "tolerance": "tolerance"}

// formProblem puts an error of a form into words, with the field that is wrong.
func (s *service) formProblem(c *gin.Context, err error) (*pages.ProblemData, string) {
	if err == nil {
		return nil, ""
	}
	wrong := ""
	var usage *measure.UsageError
	var kept *archive.Error
	switch {
	case errors.As(err, &usage):
		wrong = usage.Setting
	case errors.As(err, &kept):
		wrong = formField[kept.Field]
	}
	return s.problemData(c, problemOf(err)), wrong
}
