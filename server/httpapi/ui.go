package httpapi

import (
	"io/fs"
	"net/http"

	"github.com/gin-gonic/gin"

	"beltend/server/measure"
	"beltend/server/pages"
)

const recentShown = 10

func (s *service) home(c *gin.Context) { s.homeWith(c, http.StatusOK, nil, nil) }

func (s *service) homeWith(c *gin.Context, status int, p *pages.ProblemData, fields map[string]string) {
	recent, err := s.Store.Recent(c.Request.Context(), s.who(c).Sites, recentShown)
	if err != nil {
		s.Log.Error("list measurements", "error", err) // the form still works
	}
	s.show(c, status, func() ([]byte, error) {
		return pages.Home(pages.HomeData{Problem: p, Fields: fields, Recent: recent})
	})
}

// upload measures what the form sends and goes on to the result's page.
func (s *service) upload(c *gin.Context) {
	job, fields, err := s.readJob(c, append(placeFields, "units")...)
	if units := fields["units"]; err == nil && units != "" && units != "mm" && units != "in" {
		err = &measure.UsageError{Setting: "units", Message: "is mm or in"}
	}
	if err == nil {
		job.Inches = fields["units"] == "in"
		r, failed := Measure(c.Request.Context(), s.Config, s.who(c), place(fields), job)
		if failed == nil {
			to := "/m/" + r.ID
			if job.Inches {
				to += "?units=in"
			}
			c.Redirect(http.StatusSeeOther, to)
			return
		}
		err = failed
	}
	p := problemOf(err)
	if p.Status >= http.StatusInternalServerError {
		s.Log.Error("form failed", "error", err)
	}
	s.homeWith(c, p.Status, &pages.ProblemData{Title: title(p.Status), Code: p.Code, Detail: p.Detail, Advice: p.Advice}, fields)
}

func (s *service) page(c *gin.Context) {
	r, err := s.record(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	s.show(c, http.StatusOK, func() ([]byte, error) { return pages.Result(r) })
}

func (s *service) show(c *gin.Context, status int, page func() ([]byte, error)) {
	b, err := page()
	if err != nil {
		s.Log.Error("page failed", "path", c.Request.URL.Path, "error", err)
		c.String(http.StatusInternalServerError, "The page could not be written.")
		return
	}
	c.Data(status, "text/html; charset=utf-8", b)
}

func (s *service) static(c *gin.Context) {
	name := c.Param("file")
	b, err := fs.ReadFile(pages.Static(), name)
	if err != nil {
		s.fail(c, problemNotFound)
		return
	}
	kind := "text/css; charset=utf-8"
	if name == "icon.svg" {
		kind = "image/svg+xml"
	}
	c.Header("Cache-Control", "max-age=300")
	c.Data(http.StatusOK, kind, b)
}
