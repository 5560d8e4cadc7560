package httpapi

import (
	"context"
	"errors"
	"html/template"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"beltend/server/archive"
	"beltend/server/measure"
	"beltend/server/pages"
	"beltend/server/pictures"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/server/store"
	"beltend/vision/overlay"
)

const (
	reviewPage  = 50
	eventsShown = 100
)

// routesReview adds the reviewer's pages. What changes something there needs
// the scope review.
func (s *service) routesReview(r *gin.Engine) {
	r.GET("/review", s.reviewList)
	r.GET("/review/m/:id", s.reviewRecord)
	r.POST("/review/m/:id", s.signOff)
	r.POST("/review/m/:id/again", s.measureBeside)
	r.POST("/review/m/:id/stand", s.promote)
	r.GET("/review/compare/:before/:after", s.compare)
	r.GET("/review/compare/:before/:after/:picture", s.comparePicture)
	r.GET("/review/chart", s.controlChart)
	r.GET("/review/cards", s.cardSets)
	r.POST("/review/cards", s.addCardSet)
	r.GET("/review/cards/:id", s.cardSet)
	r.POST("/review/cards/:id", s.addCardCheck)
}

// reviewQuery reads the search from the address.
func reviewQuery(c *gin.Context, u archive.Sites) (archive.Query, error) {
	get := func(name string) string { return strings.TrimSpace(c.Query(name)) }
	q := archive.Query{Sites: u, Conveyor: get("conveyor"), Belt: get("belt"), Joint: get("joint"), End: get("end"), Step: get("step"), Person: get("person"),
		CardSet: get("card-set"), Verdict: get("verdict"), Text: get("text"), Review: get("review"), Newest: c.Query("newest") == "1", After: get("after"), Limit: reviewPage}
	if site := get("site"); site != "" {
		q.Sites = u.Both(archive.SomeSites(site))
	}
	for _, d := range []struct {
		name string
		to   *time.Time
		days int
	}{{"from", &q.From, 0}, {"to", &q.To, 1}} { // "to" holds its whole day
		if v := get(d.name); v != "" {
			day, err := time.ParseInLocation(time.DateOnly, v, time.Local)
			if err != nil {
				return q, &measure.UsageError{Setting: d.name, Message: "is no day like 2026-03-31", Code: "no_day"}
			}
			*d.to = day.AddDate(0, 0, d.days)
		}
	}
	for _, o := range []struct {
		name string
		to   **float64
	}{{"offset-min", &q.OffsetMin}, {"offset-max", &q.OffsetMax}} {
		if v := get(o.name); v != "" {
			mm, err := report.ReadLength(v)
			if err != nil {
				return q, &measure.UsageError{Setting: o.name, Message: "is no length in mm", Code: "no_length_mm"}
			}
			*o.to = &mm
		}
	}
	return q, nil
}

// reviewFilters are what the search form offers and holds.
func (s *service) reviewFilters(ctx context.Context, c *gin.Context, sites archive.Sites) (pages.Filters, error) {
	f := pages.Filters{Values: map[string]string{}}
	for name := range c.Request.URL.Query() {
		f.Values[name] = c.Query(name)
	}
	var err error
	if f.Sites, err = s.Store.Archive.Sites(ctx, sites); err != nil {
		return f, err
	}
	if site := f.Values["site"]; site != "" {
		sites = sites.Both(archive.SomeSites(site))
	}
	if f.Conveyors, err = s.Store.Archive.Conveyors(ctx, sites); err != nil {
		return f, err
	}
	if conveyor := f.Values["conveyor"]; conveyor != "" {
		if f.Belts, err = s.Store.Archive.Belts(ctx, sites, conveyor); err != nil {
			return f, err
		}
	}
	f.CardSets, err = s.Store.Archive.CardSets(ctx, sites)
	return f, err
}

// next is the address of the following page of the same search.
func next(c *gin.Context, after string) string {
	if after == "" {
		return ""
	}
	values := map[string]string{}
	for name := range c.Request.URL.Query() {
		values[name] = c.Query(name)
	}
	q := url.Values{"after": {after}}
	return c.Request.URL.Path + "?" + strings.TrimPrefix(asked(values)+"&"+q.Encode(), "&")
}

// asked is the search of a form as the query of an address.
func asked(values map[string]string) string {
	q := url.Values{}
	for name, v := range values {
		if name != "after" && strings.TrimSpace(v) != "" {
			q.Set(name, v)
		}
	}
	return q.Encode()
}

// reviewList lists what waits for a sign-off, or what was searched for.
func (s *service) reviewList(c *gin.Context) {
	ctx, u, w := c.Request.Context(), s.user(c), s.words(c)
	filters, err := s.reviewFilters(ctx, c, u.Sites)
	if err != nil {
		s.fail(c, err)
		return
	}
	if !c.Request.URL.Query().Has("review") && !c.Request.URL.Query().Has("text") { // nothing asked yet
		filters.Values["review"], filters.Values["newest"] = "open", "1" // what was made again needs no sign-off
	}
	d := pages.ReviewList{Filters: filters}
	status := http.StatusOK
	q, err := reviewQuery(c, u.Sites)
	if q.Verdict == "refused" { // which nobody signs off
		filters.Values["review"] = ""
	}
	q.Review, q.Newest = filters.Values["review"], filters.Values["newest"] == "1"
	var found archive.Page
	if err == nil {
		found, err = s.Store.Archive.Search(ctx, q)
	}
	if err != nil {
		p := problemOf(err)
		if p.Status >= http.StatusInternalServerError {
			s.fail(c, err)
			return
		}
		status, d.Problem = p.Status, s.problemData(c, p)
	}
	d.Rows = pages.ReviewRows(w, found.Items, s.view(c).Inches)
	d.Next = next(c, found.Next)
	d.Query = template.URL(asked(filters.Values)) //nolint:gosec // encoded
	s.render(c, status, "review_list.html", pages.Page{Title: w.Text("review.title"), Data: d})
}

// reviewRecord shows all that is kept of one measurement.
func (s *service) reviewRecord(c *gin.Context) { s.reviewRecordWith(c, http.StatusOK, nil) }

func (s *service) reviewRecordWith(c *gin.Context, status int, p *pages.ProblemData) {
	ctx, u := c.Request.Context(), s.user(c)
	r, err := s.record(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	d, err := s.reviewData(ctx, u.Sites, r, s.view(c).Options())
	if err != nil {
		s.fail(c, err)
		return
	}
	d.Problem, d.Local = p, s.Accounts == nil
	d.May = u.May("review")
	d.Reviewer, d.Program, d.Method = u.Name, s.Orders.Program, measure.Method
	for _, name := range []string{"outcome", "reason", "concession-by", "person", "why", "because"} {
		d.Fields[name] = c.PostForm(name)
	}
	view := s.view(c)
	r.Inches, r.Lang = view.Inches, view.Lang
	r.Measurement.Links = links(&r)
	s.render(c, status, "review_record.html", pages.ReviewRecordPage(view, r, d))
}

// reviewData gathers what stands around a measurement.
func (s *service) reviewData(ctx context.Context, sites archive.Sites, r store.Record, o report.Options) (pages.ReviewRecord, error) {
	a := s.Store.Archive
	d := pages.ReviewRecord{Fields: map[string]string{}}
	var err error
	if d.Site, err = a.Site(ctx, sites, r.Kept.Site); err != nil {
		return d, err
	}
	if d.Joint, err = a.Joint(ctx, sites, r.Kept.Joint); err != nil {
		return d, err
	}
	reviews, err := a.Reviews(ctx, sites, r.Kept.Joint)
	if err != nil {
		return d, err
	}
	subjects := []string{"measurement/" + r.ID}
	for _, one := range reviews {
		if one.Measurement == r.ID {
			d.Reviews = append(d.Reviews, one)
			subjects = append(subjects, "review/"+one.ID)
		}
	}
	for _, f := range r.Kept.Files {
		subjects = append(subjects, "photo/"+r.Kept.Site+"/"+f.SHA256, "photo_removal/"+r.Kept.Site+"/"+f.SHA256)
	}
	same, err := a.Search(ctx, archive.Query{Sites: sites, Joint: r.Kept.Joint, End: r.Kept.End, Limit: 100})
	if err != nil {
		return d, err
	}
	d.Others = same.Items
	for _, f := range d.Others { // what took this one's place, or its result
		if f.ID == r.Kept.SupersededBy || f.Promotes == r.ID {
			subjects = append(subjects, "measurement/"+f.ID)
		}
	}
	subjects = append(subjects, "joint/"+r.Kept.Joint, "joint_plan/"+r.Kept.Joint, archive.ReportSubject(r.Kept.Joint))
	for _, subject := range subjects {
		events, err := a.Events(ctx, archive.EventQuery{Sites: archive.SomeSites(r.Kept.Site), Subject: subject, Limit: eventsShown})
		if err != nil {
			return d, err
		}
		d.Events = append(d.Events, events...)
	}
	if d.Head, err = a.Head(ctx); err != nil {
		return d, err
	}
	looks, err := a.FinishedOf(ctx, sites, r.Kept.Joint)
	if err != nil {
		return d, err
	}
	d.Looks, err = pages.Looks(looks, o)
	return d, err
}

// signOff accepts, sends back or concedes.
func (s *service) signOff(c *gin.Context) {
	c.Request.Body = http.MaxBytesReader(c.Writer, c.Request.Body, maxField)
	ctx, u := c.Request.Context(), s.user(c)
	// Whoever may not see it may not sign it.
	f, err := s.Store.Archive.Measurement(ctx, u.Sites, c.Param("id"))
	if err != nil {
		s.fail(c, err)
		return
	}
	review := archive.Review{Measurement: f.ID, Outcome: c.PostForm("outcome"), Reason: strings.TrimSpace(c.PostForm("reason")),
		ConcessionBy: strings.TrimSpace(c.PostForm("concession-by")), Person: u.Name, PersonID: u.ID}
	if s.Accounts == nil { // several persons work at this machine, each by name
		review.PersonID = ""
		if name := strings.TrimSpace(c.PostForm("person")); name != "" {
			review.Person = name
		}
	}
	site, err := s.Store.Archive.Site(ctx, u.Sites, f.Site)
	if err == nil && !site.TwoSign && f.Signs > 0 && review.Outcome != archive.SentBack {
		err = archive.Clash("signed_already", "This measurement has its sign-off already.", nil)
	}
	if err == nil {
		_, err = s.Store.Archive.AddReview(ctx, u.Actor, review)
	}
	if errors.Is(err, archive.Invalid) || errors.Is(err, archive.Conflict) {
		p := problemOf(err)
		s.reviewRecordWith(c, p.Status, s.problemData(c, p))
		return
	}
	if err != nil {
		s.fail(c, err)
		return
	}
	c.Redirect(http.StatusSeeOther, "/review/m/"+f.ID)
}

// pair finds the two measurements to compare, the earlier first.
func (s *service) pair(c *gin.Context) (before, after store.Record, err error) {
	ctx, sites := c.Request.Context(), s.user(c).Sites
	if before, err = s.Store.Get(ctx, sites, c.Param("before")); err != nil {
		return before, after, err
	}
	after, err = s.Store.Get(ctx, sites, c.Param("after"))
	if err == nil && (before.Kept.Joint != after.Kept.Joint || before.Kept.End != after.Kept.End) {
		err = problem{Status: http.StatusBadRequest, Code: "other_end", Detail: "The two measurements are not of the same joint and end.", Advice: "Choose two of one end."}
	}
	return before, after, err
}

func (s *service) compare(c *gin.Context) {
	before, after, err := s.pair(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	w, view := s.words(c), s.view(c)
	d := pages.ReviewCompare{Before: before, After: after, Rows: pages.Differences(w, before.Measurement, after.Measurement, view.Inches), With: pages.MadeWith(w, before.Kept, after.Kept)}
	d.Pictures = before.Kept.PhotosRemoved+after.Kept.PhotosRemoved == 0 && canCompare(before.Measurement, after.Measurement)
	s.render(c, http.StatusOK, "review_compare.html", pages.Page{Title: w.Text("review.compare"), Scripts: []string{"review.js"}, Data: d})
}

func canCompare(before, after *result.Measurement) bool {
	_, err := windowOf(before, after)
	return err == nil
}

// compareHeight is the height of the common view to its width: the cut and what
// lies next to it, on one screen.
const compareHeight = 0.7

// windowOf is the part of the plane in which both are drawn.
func windowOf(before, after *result.Measurement) (overlay.Window, error) {
	w, err := pictures.Window(before, after)
	if err != nil {
		return w, err
	}
	w.Hi.Y = min(w.Hi.Y, w.Lo.Y+compareHeight*(w.Hi.X-w.Lo.X))
	return overlay.Around(w)
}

// comparePicture serves before.jpg and after.jpg, drawn in one window.
func (s *service) comparePicture(c *gin.Context) {
	before, after, err := s.pair(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	window, err := windowOf(before.Measurement, after.Measurement)
	id := map[string]string{"before.jpg": before.ID, "after.jpg": after.ID}[c.Param("picture")]
	if err != nil || id == "" {
		s.fail(c, problemNotFound)
		return
	}
	b, err := s.Store.Picture(c.Request.Context(), s.user(c).Sites, id, "topdown.jpg", s.view(c).Options(), &window)
	if err != nil {
		s.fail(c, err)
		return
	}
	picture(c, "image/jpeg", b)
}
