package httpapi

import (
	"net/http"
	"strconv"

	"github.com/gin-gonic/gin"

	"beltend/server/pages"
	"beltend/server/report"
	"beltend/server/store"
)

const recentShown = 10

func (s *service) home(c *gin.Context) { s.homeWith(c, http.StatusOK, nil, nil) }

func (s *service) homeWith(c *gin.Context, status int, p *pages.ProblemData, fields map[string]string) {
	recent, err := s.Store.Recent(c.Request.Context(), s.who(c).Sites, recentShown)
	if err != nil {
		s.Log.Error("list measurements", "error", err) // the form still works
	}
	view := s.view(c)
	joints, err := s.jointLines(c.Request.Context(), s.words(c), s.who(c).Sites)
	if err != nil {
		s.Log.Error("list joints", "error", err)
	}
	sites, err := s.Store.Archive.Sites(c.Request.Context(), s.who(c).Sites)
	if err != nil {
		s.Log.Error("list sites", "error", err)
	}
	keeps := len(sites) > 0 && sites[0].KeepLocation // loose measurements go to the first
	s.render(c, status, "home.html", pages.Home(view, pages.HomeData{Problem: p, Fields: fields, Recent: recent, Joints: joints, KeepLocation: keeps}))
}

// upload measures what the form sends and goes on to the result's page.
func (s *service) upload(c *gin.Context) {
	r, fields, err := s.send(c, "units")
	if err == nil {
		to := "/m/" + r.ID
		if r.Inches {
			to += "?units=in"
		}
		c.Redirect(http.StatusSeeOther, to)
		return
	}
	p := problemOf(err)
	if p.Status >= http.StatusInternalServerError {
		s.Log.Error("form failed", "error", err)
	}
	if p.retryAfter > 0 {
		c.Header("Retry-After", retryAfter(p))
	}
	data := s.problemData(c, p)
	data.Kept = keptPage(r)
	s.homeWith(c, p.Status, data, fields)
}

// keptPage is the page of a record, "" where there is none.
func keptPage(r store.Record) string {
	if r.ID == "" {
		return ""
	}
	return "/m/" + r.ID
}

// problemData puts a problem into the person's language and units.
func (s *service) problemData(c *gin.Context, p problem) *pages.ProblemData {
	v := s.view(c)
	return problemIn(v.Options(), p)
}

func problemIn(o report.Options, p problem) *pages.ProblemData {
	w := pages.In(o.Lang)
	title := w.Or("status."+strconv.Itoa(p.Status), title(p.Status))
	if p.refused != nil {
		return pages.RefusedOf(p.refused, title, o)
	}
	d := pages.ProblemOf(w, p.Code, title, p.Detail, p.Advice, p.Setting)
	if p.outside != nil {
		d.Outside(w, o, p.outside)
	}
	return d
}
