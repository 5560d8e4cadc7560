package httpapi

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/gin-gonic/gin"

	"beltend/geometry"
	"beltend/geometry/square"
	"beltend/server/archive"
	"beltend/server/measure"
	"beltend/server/pages"
	"beltend/server/plan"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/server/store"
)

const (
	stationRows = 4       // for widths further up, on the page
	maxWith     = 4 << 20 // bytes of the measurements that a tape is combined with
)

// Folded fields of the tape's form.
var tapeDetails = func() []string {
	names := []string{plan.TapeHook, plan.Reading, plan.Edge, plan.Target, plan.Tolerance, plan.Nominal, "camber-chord", "camber-gap", "camber-side"}
	for i := range stationRows {
		names = append(names, fmt.Sprintf("station-%d-up", i+1), fmt.Sprintf("station-%d-width", i+1))
	}
	return names
}()

// Fields of the tape's form, and those of the command line, which programs send.
var tapeFields = slices.Concat([]string{"diagonal-left", "diagonal-right", plan.Up, plan.Width, plan.SetOut, plan.LineU95, plan.Hollow, plan.Trim, plan.TapeClass,
	plan.Line, plan.Diagonals, plan.Stations, plan.Camber, "name", "with-photos", "fresh", "note"}, tapeDetails)

// tapeText puts the fields of the page together to the settings of package plan. A
// semicolon parts lengths, so that each may have a decimal comma.
func tapeText(fields map[string]string) map[string]string {
	text := map[string]string{}
	for name, value := range fields {
		text[name] = value
	}
	if left, right := fields["diagonal-left"], fields["diagonal-right"]; left != "" || right != "" {
		text[plan.Diagonals] = left + ";" + right
	}
	stations := ""
	for i := range stationRows {
		up, width := fields[fmt.Sprintf("station-%d-up", i+1)], fields[fmt.Sprintf("station-%d-width", i+1)]
		if up != "" || width != "" {
			stations += up + ":" + width + ";"
		}
	}
	if stations != "" {
		text[plan.Stations] = stations
	}
	if chord, gap := fields["camber-chord"], fields["camber-gap"]; chord != "" || gap != "" {
		text[plan.Camber] = chord + ";" + gap + ";" + fields["camber-side"]
	}
	return text
}

// filledIn says whether one of the folded fields is.
func filledIn(fields map[string]string) bool {
	return slices.ContainsFunc(tapeDetails, func(name string) bool { return fields[name] != "" })
}

// tape is the page of an end measured by hand that belongs to no joint.
func (s *service) tape(c *gin.Context) {
	w := s.words(c)
	if c.Request.Method == http.MethodGet {
		s.render(c, http.StatusOK, "tape.html", pages.Page{Title: w.Text("tape.title"), Data: &pages.PlanData{Fields: map[string]string{plan.SetOut: "corners"}}})
		return
	}
	photos, err := withFiles(c)
	fields := formFields(c, tapeFields...)
	d := pages.PlanData{Fields: fields, More: filledIn(fields)}
	var m *result.Measurement
	if err == nil {
		text := tapeText(fields)
		m, err = plan.Tape(func(name string) string { return text[name] }, photos...)
	}
	s.planned(c, "tape.html", w.Text("tape.title"), &d, err, func(o report.Options) error { return d.Tape(w, m, o) })
}

// withFiles reads the measurements that a form brings along to be combined with a tape.
func withFiles(c *gin.Context) ([]*result.Measurement, error) {
	if !strings.HasPrefix(c.ContentType(), "multipart/") {
		return nil, nil
	}
	c.Request.Body = http.MaxBytesReader(c.Writer, c.Request.Body, maxWith)
	form, err := c.MultipartForm()
	var large *http.MaxBytesError
	if errors.As(err, &large) {
		return nil, geometry.Wrong(plan.With, "these files have more than %d MB: give measurements as JSON", maxWith>>20).Coded("with_too_large", geometry.Values{"most": maxWith >> 20})
	}
	if err != nil {
		return nil, problem{Status: http.StatusBadRequest, Code: "bad_form", Detail: "The form cannot be read.", Advice: "Load the page again and send it again."}
	}
	defer func() { _ = form.RemoveAll() }() // what lay on the disk for a moment
	var photos []*result.Measurement
	for _, part := range form.File[plan.With] {
		if part.Filename == "" && part.Size == 0 { // none was chosen
			continue
		}
		f, err := part.Open()
		if err != nil {
			return nil, fmt.Errorf("read a form's file: %w", err)
		}
		data, err := io.ReadAll(f)
		if err = errors.Join(err, f.Close()); err != nil {
			return nil, fmt.Errorf("read a form's file: %w", err)
		}
		m, err := plan.ReadMeasurement(plan.With, data)
		if err != nil {
			return nil, err
		}
		photos = append(photos, m)
	}
	return photos, nil
}

// tapeStep is the page that tapes one end of a joint at a step.
func (s *service) tapeStep(c *gin.Context) {
	h, err := s.headOfStep(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	fields := map[string]string{plan.SetOut: "corners", "with-photos": "yes", "name": s.who(c).Name}
	if h.Cautions != nil && fields["name"] == "" {
		fields["name"] = h.Cautions.Name
	}
	s.tapeStepWith(c, &pages.PlanData{Joint: &h, Fields: fields}, nil, func(report.Options) error { return nil })
}

// tapeStepWith shows that page with what came of its form.
func (s *service) tapeStepWith(c *gin.Context, d *pages.PlanData, err error, fill func(report.Options) error) {
	found, failed := s.chain(c.Request.Context(), s.who(c).Sites, d.Joint)
	if failed != nil {
		s.fail(c, failed)
		return
	}
	d.Before, d.More = len(found) > 0, filledIn(d.Fields)
	if f, ok := lastPhotographed(found); ok && f.OffsetMM != nil && f.U95MM != nil {
		d.Photos = pages.SignedU(*f.OffsetMM, *f.U95MM, s.view(c).Inches)
	}
	s.planned(c, "tape.html", s.words(c).Text("tape.title"), d, err, fill)
}

// lastPhotographed is the newest answer from photos alone of what was measured last at a step;
// found is that step's chain, newest first.
func lastPhotographed(found []archive.Found) (archive.Found, bool) {
	for len(found) > 0 {
		last := found[0]
		if last.Source == "" {
			return last, true
		}
		i := slices.IndexFunc(found, func(f archive.Found) bool { return f.ID == last.Supersedes })
		if i < 0 {
			break
		}
		found = found[i:]
	}
	return archive.Found{}, false
}

// tapedStep works the form of that page out, and keeps it where that is asked for.
func (s *service) tapedStep(c *gin.Context) {
	h, err := s.headOfStep(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	fields := formFields(c, tapeFields...)
	d := pages.PlanData{Joint: &h, Fields: fields}
	var m *result.Measurement
	if c.PostForm("do") == "keep" {
		var r store.Record
		if r, err = s.keepTaped(c.Request.Context(), s.who(c), &h, fields); err == nil {
			c.Redirect(http.StatusSeeOther, "/m/"+r.ID)
			return
		}
	} else {
		m, _, err = s.tapeOf(c.Request.Context(), s.who(c), &h, fields)
	}
	s.tapeStepWith(c, &d, err, func(o report.Options) error { return d.Tape(s.words(c), m, o) })
}

// tapedFor is what programs send: the same, kept at once.
func (s *service) tapedFor(c *gin.Context) {
	h, err := s.headOfStep(c)
	var r store.Record
	if err == nil {
		r, err = s.keepTaped(c.Request.Context(), s.who(c), &h, formFields(c, tapeFields...))
	}
	if err != nil {
		s.fail(c, err)
		return
	}
	r.Measurement.Links = links(&r)
	c.Header("Location", r.Measurement.Links.Self)
	c.JSON(http.StatusCreated, r.Measurement)
}

// tapeOf works out what was taped of an end, by what its joint asks, and gives what it
// is kept with.
func (s *service) tapeOf(ctx context.Context, by store.Person, h *pages.JointHead, fields map[string]string) (*result.Measurement, archive.Measurement, error) {
	kept := archive.Measurement{Joint: h.ID, End: h.End, Step: h.Step, Person: fields["name"], PersonID: by.ID, Note: fields["note"]}
	found, err := s.chain(ctx, by.Sites, h)
	if err != nil {
		return nil, kept, err
	}
	if fields["fresh"] != "" {
		found = nil
	}
	if len(found) > 0 {
		kept.Supersedes = found[0].ID
	}
	var photos []*result.Measurement
	if fields["with-photos"] != "" {
		if last, ok := lastPhotographed(found); ok {
			r, err := s.Store.Get(ctx, by.Sites, last.ID)
			if err != nil {
				return nil, kept, err
			}
			kept.Files, kept.CardSet = r.Kept.Files, r.Kept.CardSet
			photos = append(photos, asJointAsks(r.Measurement, h))
		}
	}
	text := tapeText(fields)
	text[plan.Tolerance], text[plan.Nominal] = filledMM(h.ToleranceMM), filledMM(h.NominalMM)
	if text[plan.Line] = "cut"; h.Step == archive.StepDrawn {
		text[plan.Line] = "drawn"
	}
	m, err := plan.Tape(func(name string) string { return text[name] }, photos...)
	if err != nil {
		return nil, kept, err
	}
	set := jointAsks(*m.Settings, h)
	m.Settings, m.Program = &set, s.Orders.Program
	return m, kept, nil
}

// filledMM is a length of the record as a setting; empty where there is none.
func filledMM(mm float64) string {
	if mm == 0 {
		return ""
	}
	return strconv.FormatFloat(mm, 'g', -1, 64)
}

// asJointAsks is an answer from photos judged by what its joint asks by now.
func asJointAsks(m *result.Measurement, h *pages.JointHead) *result.Measurement {
	now := *m
	var set result.Settings
	if m.Settings != nil {
		set = *m.Settings
	}
	set = jointAsks(set, h)
	s := *m.Squareness
	s.ToleranceMM = cmp.Or(h.ToleranceMM, square.DefaultTolerance(m.Width.AtCutMM))
	now.Settings, now.Squareness = &set, &s
	return &now
}

// keepTaped keeps what was taped. The same sent again finds what is kept.
func (s *service) keepTaped(ctx context.Context, by store.Person, h *pages.JointHead, fields map[string]string) (store.Record, error) {
	switch {
	case h.Closed:
		return store.Record{}, problemClosed
	case h.Cautions == nil:
		return store.Record{}, problemCautions
	}
	if fields["name"] = cmp.Or(fields["name"], by.Name); by.ID == "local" && fields["name"] == "" {
		fields["name"] = h.Cautions.Name
	}
	if fields["name"] == "" {
		return store.Record{}, &measure.UsageError{Setting: "name", Message: "say who taped it", Code: "who_taped"}
	}
	m, kept, err := s.tapeOf(ctx, by, h, fields)
	if err != nil {
		return store.Record{}, err
	}
	if kept.Supersedes != "" {
		last, err := s.Store.Get(ctx, by.Sites, kept.Supersedes)
		if err != nil {
			return last, err
		}
		if sameTape(last.Measurement, m) {
			return last, nil
		}
	}
	return s.Store.Put(ctx, by.Actor, kept, "", m, report.Options{}, nil)
}

// sameTape says whether two results are of the same readings, combined with the same.
func sameTape(a, b *result.Measurement) bool {
	return a.Source == b.Source && a.Tape != nil && a.Squareness != nil && *a.Squareness == *b.Squareness && maps.Equal(plan.AsTaped(a), plan.AsTaped(b))
}

// tapeAgain decides what was taped once more, by what its joint asks by now.
func (s *service) tapeAgain(ctx context.Context, by store.Person, r store.Record) (store.Record, error) {
	j, err := s.Store.Archive.Joint(ctx, by.Sites, r.Kept.Joint)
	if err != nil {
		return store.Record{}, err
	}
	h, err := s.headOf(ctx, by.Sites, j)
	if err != nil {
		return store.Record{}, err
	}
	h.End, h.Step = r.Kept.End, r.Kept.Step
	fields := plan.AsTaped(r.Measurement)
	fields["name"], fields["note"] = r.Kept.Person, r.Kept.Note
	if r.Measurement.Source == result.FromBoth {
		fields["with-photos"] = "yes"
	}
	return s.keepTaped(ctx, by, &h, fields)
}
