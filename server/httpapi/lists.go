package httpapi

import (
	"context"
	"io"
	"net/http"
	"time"

	"github.com/gin-gonic/gin"

	"beltend/server/archive"
	"beltend/server/table"
)

// routesLists adds what a search finds as files. Programs take them under
// /api/v1; what the pages offer begins with a mark for table programs.
func (s *service) routesLists(r *gin.Engine) {
	for kind, write := range map[string]writeList{"measurements": table.WriteMeasurements, "joints": table.WriteJoints} {
		r.GET("/api/v1/"+kind+".csv", s.list(kind+".csv", table.CSV, write))
		r.GET("/api/v1/"+kind+".jsonl", s.list(kind+".jsonl", table.JSONL, write))
		r.GET("/review/"+kind+".csv", s.list(kind+".csv", table.SheetCSV, write))
	}
	r.GET("/api/v1/export.zip", s.export)
}

type writeList func(ctx context.Context, a *archive.Archive, q archive.Query, to io.Writer, format table.Format, began func()) error

// listTime is how long one piece of a list may take to be sent; a list of a
// million measurements takes minutes in all.
const listTime = 2 * time.Minute

// slow lets a long answer go on as long as pieces of it are taken.
type slow struct {
	gin.ResponseWriter
	control *http.ResponseController
}

func (w slow) Write(p []byte) (int, error) {
	_ = w.control.SetWriteDeadline(time.Now().Add(listTime)) // where there are none, as in tests, nothing ends it
	return w.ResponseWriter.Write(p)
}

// list answers with all that the search in the address finds.
func (s *service) list(name string, format table.Format, write writeList) gin.HandlerFunc {
	kind := "text/csv; charset=utf-8"
	if format == table.JSONL {
		kind = "application/jsonl"
	}
	return func(c *gin.Context) {
		s.download(c, name, kind, func(q archive.Query, to io.Writer, began func()) error {
			return write(c.Request.Context(), s.Store.Archive, q, to, format, began)
		})
	}
}

// export answers with the signed ZIP of all that the search finds.
func (s *service) export(c *gin.Context) {
	s.download(c, "export.zip", "application/zip", func(q archive.Query, to io.Writer, began func()) error {
		if !s.Store.Archive.Signs() {
			return &archive.Error{Kind: archive.Conflict, Message: "This service has no key to sign an export with."}
		}
		began()
		return s.Store.Archive.Export(c.Request.Context(), q, to, nil)
	})
}

func (s *service) download(c *gin.Context, name, kind string, write func(q archive.Query, to io.Writer, began func()) error) {
	q, err := reviewQuery(c, s.user(c).Sites)
	if err == nil && (name != "export.zip" || s.Store.Archive.Signs()) {
		err = s.Store.Archive.Exported(c.Request.Context(), s.who(c).Actor, name, q)
	}
	if err == nil {
		begun := false
		err = write(q, slow{c.Writer, http.NewResponseController(c.Writer)}, func() {
			begun = true
			c.Header("Content-Type", kind)
			c.Header("Content-Disposition", `attachment; filename="`+name+`"`)
			c.Header("Cache-Control", "no-store")
			c.Status(http.StatusOK)
		})
		if begun && err != nil {
			s.Log.Error("a list was cut short", "list", name, "error", err)
			c.Abort()
			return
		}
	}
	if err != nil {
		s.fail(c, err)
	}
}
