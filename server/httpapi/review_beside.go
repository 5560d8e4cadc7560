package httpapi

import (
	"errors"
	"net/http"
	"strings"

	"github.com/gin-gonic/gin"

	"beltend/server/archive"
	"beltend/server/result"
	"beltend/server/store"
)

// measureBeside measures the photos of a measurement again with the present program
// and method. What comes of it, a refusal too, stands beside the first.
func (s *service) measureBeside(c *gin.Context) {
	c.Request.Body = http.MaxBytesReader(c.Writer, c.Request.Body, maxField)
	ctx := c.Request.Context()
	o, err := s.Orders.Beside(ctx, s.who(c), c.Param("id"), strings.TrimSpace(c.PostForm("why")), s.view(c).Options())
	id := ""
	if err == nil {
		r, failed := s.ask(ctx, o, nil)
		id, err = r.ID, failed
		var refused *result.Refusal
		if errors.As(err, &refused) && id != "" {
			err = nil
		}
	}
	switch {
	case err == nil:
		c.Redirect(http.StatusSeeOther, "/review/m/"+id)
	case errors.Is(err, archive.NotFound), problemOf(err).Status >= http.StatusInternalServerError:
		s.fail(c, err)
	default:
		p := problemOf(err)
		s.reviewRecordWith(c, p.Status, s.problemData(c, p))
	}
}

// promote makes a result that stands beside the joint's answer the answer.
func (s *service) promote(c *gin.Context) {
	c.Request.Body = http.MaxBytesReader(c.Writer, c.Request.Body, maxField)
	by := s.who(c)
	if name := strings.TrimSpace(c.PostForm("person")); s.Accounts == nil && name != "" { // several persons work at this machine, each by name
		by.Name = name
	}
	m, err := s.Store.Archive.Promote(c.Request.Context(), by.Actor, by.Sites, c.Param("id"), strings.TrimSpace(c.PostForm("because")))
	switch {
	case err == nil:
		c.Redirect(http.StatusSeeOther, "/review/m/"+m.ID)
	case errors.Is(err, archive.NotFound), problemOf(err).Status >= http.StatusInternalServerError:
		s.fail(c, err)
	default:
		p := problemOf(err)
		s.reviewRecordWith(c, p.Status, s.problemData(c, p))
	}
}

// promoted is promote for programs; it gives the answer as it stands from now on.
func (s *service) promoted(c *gin.Context) {
	c.Request.Body = http.MaxBytesReader(c.Writer, c.Request.Body, maxField)
	ctx, by := c.Request.Context(), s.who(c)
	m, err := s.Store.Archive.Promote(ctx, by.Actor, by.Sites, c.Param("id"), strings.TrimSpace(c.PostForm("reason")))
	var r store.Record
	if err == nil {
		r, err = s.Store.Get(ctx, by.Sites, m.ID)
	}
	if err != nil {
		s.fail(c, err)
		return
	}
	r.Measurement.Links = links(&r)
	c.Header("Location", r.Measurement.Links.Self)
	c.JSON(http.StatusCreated, r.Measurement)
}
