package httpapi

import (
	"errors"
	"net/http"
	"strings"

	"github.com/gin-gonic/gin"

	"beltend/server/archive"
	"beltend/server/result"
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
