package httpapi

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"

	"github.com/gin-gonic/gin"

	"beltend/geometry/lacing"
	"beltend/server/archive"
	"beltend/server/drawing"
	"beltend/server/measure"
	"beltend/server/pages"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/server/setting"
	"beltend/server/store"
	"beltend/server/worker"
	"beltend/vision/photo"
)

// Fields of the form that counts hooks, beside the print scale.
var finishedFields = []string{"pitch", "wire", "margin", measure.FaceUp}

// finished is the page of the finished joint: photos to count, what was counted
// last, and the clinch checklist.
func (s *service) finished(c *gin.Context) {
	s.finishedWith(c, http.StatusOK, map[string]string{}, nil)
}

func (s *service) finishedWith(c *gin.Context, status int, fields map[string]string, failed error) {
	h, err := s.head(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	if fields[measure.FaceUp] == "" {
		fields[measure.FaceUp] = h.FaceUp
	}
	d := pages.FinishedData{JointHead: h, Fields: fields, Name: s.who(c).Name}
	if failed != nil {
		p := problemOf(failed)
		if status = p.Status; status == http.StatusInternalServerError {
			s.Log.Error("finished joint failed", "route", c.FullPath(), "error", failed)
		}
		if p.retryAfter > 0 {
			c.Header("Retry-After", retryAfter(p))
		}
		d.Problem = s.problemData(c, p)
	}
	looks, err := s.Store.Archive.FinishedOf(c.Request.Context(), s.who(c).Sites, h.ID)
	if err == nil {
		var found archive.Page
		if found, err = s.Store.Archive.Search(c.Request.Context(), archive.Query{Sites: s.who(c).Sites, Joint: h.ID, Limit: 500}); err == nil {
			d.Plan, err = s.keptPlan(c.Request.Context(), s.who(c).Sites, h.ID, found.Items, s.view(c).Options())
		}
	}
	if err == nil {
		err = d.Fill(looks, s.view(c).Options())
	}
	if err != nil {
		s.fail(c, err)
		return
	}
	s.render(c, status, "finished.html", pages.Page{Title: s.words(c).Text("finished.title"), Scripts: []string{"form.js"}, Data: d})
}

// countFinished counts the hooks in the photos of a form and keeps what came of it.
func (s *service) countFinished(c *gin.Context) {
	h, err := s.head(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	fields := map[string]string{}
	if _, err := s.countForm(c, &h, fields); err != nil {
		s.finishedWith(c, http.StatusOK, fields, err)
		return
	}
	c.Redirect(http.StatusSeeOther, "/joints/"+h.ID+"/finished")
}

// countForm counts the hooks in the photos of a form and keeps the look; what was
// typed is in fields, even where it fails.
func (s *service) countForm(c *gin.Context, h *pages.JointHead, fields map[string]string) (look archive.Finished, err error) {
	if h.Cautions == nil {
		return look, problemCautions
	}
	ctx, by := c.Request.Context(), s.who(c)
	photos, err := func() ([]archive.File, error) { // which lets go of them before they are counted
		job, typed, leave, err := s.readJob(c, finishedFields...)
		defer leave()
		for _, name := range append(finishedFields, setting.PrintScale) {
			fields[name] = strings.TrimSpace(typed[name])
		}
		var photos []archive.File
		for _, p := range job.Photos {
			if err != nil {
				return nil, err
			}
			var kept archive.Photo
			kept, err = s.keepPhoto(ctx, by, h.Site, p)
			photos = append(photos, archive.File{SHA256: kept.SHA256, Role: archive.RolePhoto, Name: kept.Name})
		}
		return photos, err
	}()
	if err != nil {
		return look, err
	}
	return s.countPhotos(ctx, by, h, photos, fields, nil)
}

// countRequest asks for the hooks to be counted in photos that are kept.
type countRequest struct {
	Photos []string          `json:"photos"` // SHA-256 as kept
	Fields map[string]string `json:"fields"` // of the form, as typed
}

// finishedMeasure counts the hooks in photos that came in parts, and tells each step on
// the way. Sent again, as after a connection broke, it finds the look that was kept.
func (s *service) finishedMeasure(c *gin.Context) {
	h, err := s.head(c)
	var o countRequest
	if err == nil {
		err = readJSON(c, &o)
	}
	if err == nil && h.Cautions == nil {
		err = problemCautions
	}
	fields := map[string]string{}
	for name, value := range o.Fields {
		if err == nil && name != setting.PrintScale && !slices.Contains(finishedFields, name) {
			err = &measure.UsageError{Setting: name, Message: "there is no such field", Code: "no_such_field"}
		}
		fields[name] = strings.TrimSpace(value)
	}
	if err != nil {
		s.fail(c, err)
		return
	}
	by := s.who(c)
	s.stream(c, func(ctx context.Context, progress measure.Progress) (streamed, error) {
		photos, err := s.keptPhotos(ctx, h.Site, o.Photos)
		if err != nil {
			return streamed{}, err
		}
		look, err := s.countPhotos(ctx, by, &h, photos, fields, progress)
		if err != nil {
			return streamed{}, err
		}
		return streamed{ID: look.ID, Address: "/joints/" + h.ID + "/finished"}, nil
	})
}

// countPhotos counts the hooks in kept photos and keeps the look.
func (s *service) countPhotos(ctx context.Context, by store.Person, h *pages.JointHead, photos []archive.File, fields map[string]string, progress measure.Progress) (look archive.Finished, err error) {
	job := worker.Job{Hooks: &worker.Hooks{Face: cmp.Or(fields[measure.FaceUp], h.FaceUp)}}
	if job.Settings, err = settings(map[string]string{setting.PrintScale: fields[setting.PrintScale]}); err != nil {
		return look, err
	}
	job.Settings.ToleranceMM = h.ToleranceMM
	if job.Hooks.Plan, err = s.planToCompare(ctx, by.Sites, h, fields); err != nil {
		return look, err
	}
	if look, err = s.countedBefore(ctx, by.Sites, h, photos, &job); err != nil || look.ID != "" {
		return look, err
	}
	look = archive.Finished{Joint: h.ID, Person: by.Name, PersonID: by.ID, Files: photos}
	if by.ID == "local" {
		look.Person = h.Cautions.Name
	}
	for _, p := range photos { // counted as they are kept
		data, _, err := s.Store.Archive.ReadPhoto(ctx, archive.SomeSites(h.Site), p.SHA256)
		if err != nil {
			return look, err
		}
		job.Photos = append(job.Photos, measure.Input{Name: p.Name, Data: data})
	}
	answer, err := s.Measurer.Run(ctx, job, progress)
	if err != nil {
		return look, err
	}
	if answer.Hooks == nil {
		return look, errors.New("the worker counted nothing")
	}
	if look.Result, err = json.Marshal(answer.Hooks); err != nil {
		return look, fmt.Errorf("write the count: %w", err)
	}
	return s.Store.Archive.PutFinished(ctx, by.Actor, look, "")
}

// countedBefore is the newest look where it answers the same: the same photos, face,
// plan and settings. Else it has no ID.
func (s *service) countedBefore(ctx context.Context, sites archive.Sites, h *pages.JointHead, photos []archive.File, job *worker.Job) (archive.Finished, error) {
	looks, err := s.Store.Archive.FinishedOf(ctx, sites, h.ID)
	if err != nil || len(looks) == 0 {
		return archive.Finished{}, err
	}
	last := looks[0]
	same := func(a, b archive.File) bool { return a.SHA256 == b.SHA256 }
	if !slices.EqualFunc(last.Files, photos, same) {
		return archive.Finished{}, nil
	}
	r, err := last.Decode()
	if err != nil {
		return archive.Finished{}, err
	}
	plan, err1 := json.Marshal(r.HookPlan)
	wanted, err2 := json.Marshal(job.Hooks.Plan)
	if err := errors.Join(err1, err2); err != nil {
		return archive.Finished{}, fmt.Errorf("compare the plans: %w", err)
	}
	var before result.Settings
	if r.Settings != nil {
		before = *r.Settings
	}
	if r.FaceUp != job.Hooks.Face || string(plan) != string(wanted) || before.PrintScaleX != job.Settings.PrintScaleX || before.PrintScaleY != job.Settings.PrintScaleY {
		return archive.Finished{}, nil
	}
	return last, nil
}

// planToCompare is the hook plan by the fastener typed and the measured widths of
// both ends; where no fastener is typed, the one kept with the joint, if there is one.
func (s *service) planToCompare(ctx context.Context, sites archive.Sites, h *pages.JointHead, fields map[string]string) (*lacing.Plan, error) {
	if fields["pitch"] == "" && fields["wire"] == "" {
		kept, err := s.Store.Archive.JointPlan(ctx, sites, h.ID)
		if errors.Is(err, archive.NotFound) {
			return nil, nil
		}
		if err != nil {
			return nil, err
		}
		r, err := kept.Decode()
		if err != nil {
			return nil, err
		}
		return r.Lacing.Plan, nil
	}
	var pitch, wire float64
	margin := lacing.DefaultMargin
	for _, n := range []struct {
		name string
		to   *float64
	}{{"pitch", &pitch}, {"wire", &wire}, {"margin", &margin}} {
		if fields[n.name] == "" && n.name == "margin" {
			continue
		}
		mm, err := report.ReadLength(fields[n.name])
		if err != nil || !(mm > 0) {
			return nil, &measure.UsageError{Setting: n.name, Message: "give a length above 0 in mm, or with its unit", Code: "length_above_zero"}
		}
		*n.to = mm
	}
	found, err := s.Store.Archive.Search(ctx, archive.Query{Sites: sites, Joint: h.ID, Newest: true, Limit: 500})
	if err != nil {
		return nil, err
	}
	var widths [2]float64
	for i, end := range pages.Ends {
		if widths[i] = h.NominalMM; widths[i] == 0 {
			widths[i] = -1
		}
		if last, ok := lastCut(found.Items, end); ok && last.WidthMM != nil {
			widths[i] = *last.WidthMM
		}
		if widths[i] < 0 {
			return nil, &measure.UsageError{Setting: "pitch", Message: "without the widths of both ends there is no plan: measure them, or give the belt's nominal width", Code: "plan_without_widths"}
		}
	}
	thickness := h.ThicknessMM
	if thickness == 0 {
		thickness = 1 // no part of the count
	}
	// strips and pulley are no part of the count
	p, err := lacing.Make(lacing.Fastener{Name: fmt.Sprintf("%g × %g mm", pitch, wire), Pitch: pitch, Wire: wire, ThicknessFrom: thickness / 2, ThicknessTo: 2 * thickness, Pulley: 100, Strip: 20 * pitch, HooksPerStrip: 20},
		lacing.Wish{LeadWidth: widths[0], TrailWidth: widths[1], Thickness: thickness, Margin: margin})
	if err != nil {
		return nil, err
	}
	// what was not typed is not kept as if it were known
	f := &p.Fastener
	f.ThicknessFrom, f.ThicknessTo, f.Pulley, f.Strip, f.HooksPerStrip = 0, 0, 0, 0, 0
	p.Strips, p.LeftOver = 0, 0
	for _, side := range []*lacing.Side{&p.Lead, &p.Trail} {
		side.FullStrips, side.CutStrips = 0, nil
	}
	return p, nil
}

// look finds the look at a joint that the address names.
func (s *service) look(c *gin.Context) (archive.Finished, error) {
	h, err := s.head(c)
	if err != nil {
		return archive.Finished{}, err
	}
	all, err := s.Store.Archive.FinishedOf(c.Request.Context(), s.who(c).Sites, h.ID)
	if err != nil {
		return archive.Finished{}, err
	}
	i := slices.IndexFunc(all, func(f archive.Finished) bool { return f.ID == c.Param("look") })
	if i < 0 {
		return archive.Finished{}, problemNotFound
	}
	return all[i], nil
}

// counted is the photo with what was counted in it.
func (s *service) counted(c *gin.Context) {
	f, err := s.look(c)
	var drawn []byte
	if err == nil {
		drawn, err = s.drawLook(c.Request.Context(), &f, s.reads(c))
	}
	if err != nil {
		s.fail(c, err)
		return
	}
	c.Header("Content-Security-Policy", "default-src 'none'; sandbox")
	picture(c, "image/jpeg", drawn)
}

// reads is how whoever asks wants to read: a page's person by choice, a program by
// the address.
func (s *service) reads(c *gin.Context) report.Options {
	if strings.HasPrefix(c.Request.URL.Path, "/api/") {
		return drawnFor(c)
	}
	return s.view(c).Options()
}

// drawLook draws what was counted into its photo.
func (s *service) drawLook(ctx context.Context, f *archive.Finished, o report.Options) ([]byte, error) {
	r, err := f.Decode()
	if err != nil {
		return nil, err
	}
	job := worker.Job{Inches: o.Inches, Lang: o.Lang, Hooks: &worker.Hooks{Draw: r}}
	for _, file := range f.Files {
		data, _, err := s.Store.Archive.ReadPhoto(ctx, archive.SomeSites(f.Site), file.SHA256)
		if err != nil {
			return nil, err
		}
		job.Photos = append(job.Photos, measure.Input{Name: file.Name, Data: data})
	}
	a, err := s.Measurer.Run(ctx, job, nil)
	switch {
	case err != nil:
		return nil, err
	case len(a.Pictures) == 0:
		return nil, problemNotFound
	}
	return a.Pictures[0].Data, nil
}

// smallCloseUps are the photos that persons judged the clinch by, small, for paper.
func (s *service) smallCloseUps(ctx context.Context, f *archive.Finished, r *result.Hooks) ([]drawing.CloseUp, error) {
	var all []drawing.CloseUp
	var asked []int // of all
	job := worker.Job{Hooks: &worker.Hooks{CloseUps: true}}
	for i, item := range r.Checklist {
		if item.Photo == "" {
			continue
		}
		all = append(all, drawing.CloseUp{Item: i})
		data, _, err := s.Store.Archive.ReadPhoto(ctx, archive.SomeSites(f.Site), item.Photo)
		switch {
		case errors.Is(err, archive.Removed):
			continue
		case err != nil:
			return nil, err
		}
		asked = append(asked, len(all)-1)
		job.Photos = append(job.Photos, measure.Input{Name: item.Photo, Data: data})
	}
	if len(asked) == 0 {
		return all, nil
	}
	a, err := s.Measurer.Run(ctx, job, nil)
	if err != nil {
		return nil, err
	}
	for i, p := range a.Pictures[:min(len(a.Pictures), len(asked))] {
		all[asked[i]].Picture = p.Data
	}
	return all, nil
}

// lookReport is a look on paper: what was counted, and how the clinch was judged.
func (s *service) lookReport(c *gin.Context) {
	b, err := s.paperLook(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	c.Header("Content-Disposition", `inline; filename="finished-joint.pdf"`)
	c.Header("Cache-Control", "no-store") // judgements are added
	c.Data(http.StatusOK, "application/pdf", b)
}

func (s *service) paperLook(c *gin.Context) ([]byte, error) {
	f, err := s.look(c)
	if err != nil {
		return nil, err
	}
	h, err := s.head(c)
	if err != nil {
		return nil, err
	}
	r, err := f.Decode()
	if err != nil {
		return nil, err
	}
	o := s.reads(c)
	w := pages.In(o.Lang)
	d := drawing.Look{Where: strings.Join([]string{h.SiteName, h.ConveyorName, h.BeltName, w.Text("joint.title", h.Number)}, " · "), Made: w.When(f.Time) + ", " + f.Person}
	switch d.Picture, err = s.drawLook(c.Request.Context(), &f, o); {
	case errors.Is(err, archive.Removed): // by a rule of retention: the figures stay
	case err != nil:
		return nil, err
	}
	if d.CloseUps, err = s.smallCloseUps(c.Request.Context(), &f, r); err != nil {
		return nil, err
	}
	if _, err = s.Store.Archive.Reported(c.Request.Context(), s.who(c).Actor, "finished-joint.pdf", s.who(c).Sites, h.ID, f.ID); err != nil {
		return nil, err
	}
	return drawing.Finished(r, d, o)
}

// judgeClinch takes the form of browsers without scripts: judgements on the clinch, each
// with its close-up.
func (s *service) judgeClinch(c *gin.Context) {
	f, err := s.look(c)
	if err == nil {
		err = s.clinchForm(c, &f)
	}
	if err != nil {
		s.finishedWith(c, http.StatusOK, map[string]string{}, err)
		return
	}
	c.Redirect(http.StatusSeeOther, "/joints/"+f.Joint+"/finished#clinch")
}

func (s *service) clinchForm(c *gin.Context, f *archive.Finished) error {
	ctx, by := c.Request.Context(), s.who(c)
	c.Request.Body = http.MaxBytesReader(c.Writer, c.Request.Body, s.MaxUpload)
	leave, err := s.admit(ctx, s.MaxUpload)
	defer leave()
	if err != nil {
		return err
	}
	if err := c.Request.ParseMultipartForm(1 << 20); err != nil {
		return badForm(err)
	}
	defer func() { _ = c.Request.MultipartForm.RemoveAll() }()
	return s.judge(ctx, by, f, c.PostForm, func(key string) (string, error) { return s.closeUp(c, by, f.Site, "photo-"+key) })
}

// clinchRequest judges the clinch with close-ups that are kept. Items that it does not
// name stay as they are.
type clinchRequest struct {
	Fields map[string]string `json:"fields"` // of the form, as typed
	Photos map[string]string `json:"photos"` // field of the form: SHA-256 as kept
}

// clinchJudged takes judgements whose close-ups came in parts. Sent again, as after a
// connection broke, they are kept once.
func (s *service) clinchJudged(c *gin.Context) {
	f, err := s.look(c)
	var o clinchRequest
	if err == nil {
		err = readJSON(c, &o)
	}
	known := []string{"name"}
	for _, item := range result.Clinch() {
		key := clinchKey(item)
		known = append(known, "judged-"+key, "note-"+key, "photo-"+key)
	}
	for _, fields := range []map[string]string{o.Fields, o.Photos} {
		for name := range fields {
			if err == nil && !slices.Contains(known, name) {
				err = &measure.UsageError{Setting: name, Message: "there is no such field", Code: "no_such_field"}
			}
		}
	}
	if err != nil {
		s.fail(c, err)
		return
	}
	by := s.who(c)
	s.stream(c, func(ctx context.Context, _ measure.Progress) (streamed, error) {
		if err := s.judge(ctx, by, &f, func(name string) string { return o.Fields[name] }, func(key string) (string, error) { return o.Photos["photo-"+key], nil }); err != nil {
			return streamed{}, err
		}
		return streamed{ID: f.ID, Address: "/joints/" + f.Joint + "/finished#clinch"}, nil
	})
}

func clinchKey(item result.ClinchItem) string { return item.Face + "-" + item.Code }

// judge keeps a person's judgements. closeUp gives the hash of an item's photo, empty
// where none was taken.
func (s *service) judge(ctx context.Context, by store.Person, f *archive.Finished, field func(string) string, closeUp func(key string) (string, error)) error {
	name := strings.TrimSpace(field("name"))
	if name == "" {
		return &measure.UsageError{Setting: "name", Message: "say who judged", Code: "who_judged"}
	}
	changed := false
	for _, item := range result.Clinch() {
		key := clinchKey(item)
		mark := archive.ClinchMark{Code: item.Code, Face: item.Face, Judgement: field("judged-" + key), Note: strings.TrimSpace(field("note-" + key)), By: name}
		i := slices.IndexFunc(f.Clinch, func(m archive.ClinchMark) bool { return m.Code == item.Code && m.Face == item.Face })
		if i >= 0 {
			mark.Photo = f.Clinch[i].Photo
		}
		taken, err := closeUp(key)
		if err != nil {
			return err
		}
		if taken != "" {
			mark.Photo = taken
		}
		switch {
		case mark.Judgement == result.Open && (taken != "" || mark.Note != ""):
			return &measure.UsageError{Setting: item.Code, Message: "there is a photo or a note but no judgement: choose one", Code: "judgement_missing"}
		case mark.Judgement == result.Open:
		case i < 0:
			f.Clinch, changed = append(f.Clinch, mark), true
		case f.Clinch[i].Judgement != mark.Judgement || f.Clinch[i].Note != mark.Note || f.Clinch[i].Photo != mark.Photo:
			f.Clinch[i], changed = mark, true
		}
	}
	if !changed {
		return nil
	}
	_, err := s.Store.Archive.PutFinished(ctx, by.Actor, *f, "clinch judged")
	return err
}

// closeUp keeps the photo of a form's field and gives its hash; empty where none was
// chosen.
func (s *service) closeUp(c *gin.Context, by store.Person, site, field string) (string, error) {
	header, err := c.FormFile(field)
	if err != nil || header.Size == 0 {
		return "", nil
	}
	if limit := photo.DefaultLimits().MaxBytes; header.Size > limit {
		return "", &result.Refusal{Code: photo.CodeTooLarge, Message: fmt.Sprintf("The photo has more than %d MB.", limit>>20), Advice: "Set the camera to its ordinary JPEG and take the photo again."}
	}
	file, err := header.Open()
	if err != nil {
		return "", badForm(err)
	}
	defer file.Close()
	data, err := io.ReadAll(file)
	if err != nil {
		return "", badForm(err)
	}
	kept, err := s.keepPhoto(c.Request.Context(), by, site, measure.Input{Name: photoName(header.Filename, 0), Data: data})
	return kept.SHA256, err
}

// closeUpPhoto shows a close-up as it was taken.
func (s *service) closeUpPhoto(c *gin.Context) {
	f, err := s.look(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	if !slices.ContainsFunc(f.Clinch, func(m archive.ClinchMark) bool { return m.Photo == c.Param("hash") }) {
		s.fail(c, problemNotFound)
		return
	}
	data, p, err := s.Store.Archive.ReadPhoto(c.Request.Context(), archive.SomeSites(f.Site), c.Param("hash"))
	if err != nil {
		s.fail(c, err)
		return
	}
	c.Header("Cache-Control", "private, max-age=3600, immutable")
	c.Header("Content-Security-Policy", "default-src 'none'; sandbox")
	c.Header("X-Content-Type-Options", "nosniff")
	c.Data(http.StatusOK, p.Type, data)
}
