package httpapi

import (
	"context"
	"net/http"
	"slices"

	"github.com/gin-gonic/gin"

	"beltend/server/measure"
	"beltend/server/pages"
	"beltend/server/report"
	"beltend/server/setting"
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

// quickMeasure measures photos that came in parts, with the settings of the quick
// form, and tells each step on the way.
func (s *service) quickMeasure(c *gin.Context) {
	var o countRequest
	err := readJSON(c, &o)
	for name := range o.Fields {
		if err == nil && name != "units" && !slices.Contains(setting.Names, name) {
			err = &measure.UsageError{Setting: name, Message: "there is no such field", Code: "no_such_field"}
		}
	}
	if err != nil {
		s.fail(c, err)
		return
	}
	by, reads := s.who(c), s.view(c).Options()
	reads.Inches = o.Fields["units"] == "in"
	s.stream(c, func(ctx context.Context, progress measure.Progress) (streamed, error) {
		set, err := settings(o.Fields)
		if err != nil {
			return streamed{}, err
		}
		release, err := s.Orders.Reserve(ctx)
		if err != nil {
			return streamed{}, err
		}
		defer release()
		j, err := s.Store.Joint(ctx, by, store.Place{})
		if err != nil {
			return streamed{}, err
		}
		photos, err := s.keptPhotos(ctx, j.Site, o.Photos)
		if err != nil {
			return streamed{}, err
		}
		taken, err := s.Orders.TakeKept(ctx, by, store.Place{}, photos, set, reads)
		if err != nil {
			return streamed{}, err
		}
		out, err := recorded(s.Orders.Ask(ctx, taken, release, progress))
		if err == nil && reads.Inches {
			out.Address += "?units=in"
		}
		return out, err
	})
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
	key, text := titleOf(p)
	title := w.Or(key, text)
	if p.refused != nil {
		return pages.RefusedOf(p.refused, title, o)
	}
	d := pages.ProblemOf(w, p.Code, title, p.Detail, p.Advice, p.Setting)
	switch {
	case p.outside != nil:
		d.Outside(w, o, p.outside)
	case p.faults != nil:
		d.Faults(w, o, p.faults)
	case p.wrong != "":
		d.Wrong(w, o, p.Setting, report.WrongText(p.wrong, p.values, "", o))
	}
	return d
}
