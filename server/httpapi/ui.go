package httpapi

import (
	"io/fs"
	"mime"
	"net/http"
	"path"
	"slices"
	"strings"

	"github.com/gin-gonic/gin"

	"beltend/server/pages"
)

func init() {
	// Not every system knows it.
	_ = mime.AddExtensionType(".webmanifest", "application/manifest+json")
}

// The parts of the service, in the header's order. One is shown where its page
// is served.
var sections = []pages.Section{
	{Key: "joints", Path: "/"}, {Key: "lacing", Path: "/lacing"}, {Key: "tape", Path: "/tape"},
	{Key: "train", Path: "/train"}, {Key: "review", Path: "/review"}, {Key: "account", Path: "/account"},
}

// ui adds the technician's pages and what all pages share.
func (s *service) ui(r *gin.Engine) {
	r.GET("/sw.js", s.serviceWorker)
	r.GET("/offline", s.offline)
	r.GET("/components", s.components)
	r.GET("/trust", s.trust)
	r.GET("/trust.crt", s.trustFile)

	r.GET("/joints/new", s.newJoint)
	r.GET("/joints", s.newJoint) // what the form's own address shows when it is opened again
	r.POST("/joints", s.beginJoint)
	r.GET("/joints/:id", s.joint)
	r.POST("/joints/:id/cautions", s.acknowledge)
	r.POST("/joints/:id/closed", s.closeJoint)
	r.GET("/joints/:id/change", s.changing)
	r.POST("/joints/:id/change", s.changeJoint)
	r.POST("/joints/:id/again", s.decideAgain)
	r.GET("/joints/:id/pair", s.jointPair)
	r.GET("/joints/:id/plan", s.jointPlan)
	r.POST("/joints/:id/plan", s.planJoint)
	r.GET("/joints/:id/record.pdf", s.jointPaper)
	r.GET("/joints/:id/finished", s.finished)
	r.POST("/joints/:id/finished", s.countFinished)
	r.POST("/joints/:id/finished/measure", s.finishedMeasure)
	r.GET("/joints/:id/finished/:look/counted.jpg", s.counted)
	r.GET("/joints/:id/finished/:look/report.pdf", s.lookReport)
	r.POST("/joints/:id/finished/:look/clinch", s.judgeClinch)
	r.POST("/joints/:id/finished/:look/clinch/judged", s.clinchJudged)
	r.GET("/joints/:id/finished/:look/photos/:hash", s.closeUpPhoto)
	r.GET("/joints/:id/end/:end/:step", s.photos)
	r.POST("/joints/:id/end/:end/:step", s.sendPhotos)
	r.POST("/joints/:id/end/:end/:step/measure", s.stepMeasure)
	r.GET("/joints/:id/end/:end/:step/tape", s.tapeStep)
	r.POST("/joints/:id/end/:end/:step/tape", s.tapedStep)
	r.GET("/joints/:id/photos/:hash", s.photoState)
	r.PUT("/joints/:id/photos/:hash", s.photoPart)
	r.GET("/photos/:hash", s.photoState)
	r.PUT("/photos/:hash", s.photoPart)
	r.POST("/measure", s.quickMeasure)

	r.GET("/lacing", s.lacing)
	r.POST("/lacing", s.lacing)
	r.GET("/tape", s.tape)
	r.POST("/tape", s.tape)

	r.GET("/m/:id/above.jpg", s.above)
	r.GET("/m/:id/photo/:photo", s.original)
	r.POST("/m/:id/again", s.again)
}

func opening(r *gin.Engine) map[string]bool {
	patterns := map[string]bool{}
	for _, route := range r.Routes() {
		if route.Method == http.MethodGet {
			patterns[route.Path] = true
		}
	}
	return patterns
}

// served are the sections whose pages are there.
func served(opening map[string]bool) []pages.Section {
	return slices.DeleteFunc(slices.Clone(sections), func(one pages.Section) bool { return !opening[one.Path] })
}

// opens is the address under which the page of this request can be opened: where a form
// was posted to an address of its own, that of the page it stood on.
func (s *service) opens(c *gin.Context) string {
	at, pattern := c.Request.URL.Path, c.FullPath()
	for c.Request.Method == http.MethodPost && pattern != "" && at != "/" && !s.opening[pattern] {
		at, pattern = path.Dir(at), path.Dir(pattern)
	}
	return at
}

// choices takes ?lang=, ?theme= and ?units= into cookies, so that they hold for
// every page from then on. The address of a drawing says how it is drawn, and chooses nothing.
func choices(c *gin.Context) {
	for name, known := range map[string]func(string) bool{
		"lang":  pages.Known,
		"theme": func(v string) bool { return v == "auto" || v == "light" || v == "dark" || v == "contrast" },
		"units": func(v string) bool { return v == "mm" || v == "in" },
	} {
		if v := c.Query(name); known(v) {
			c.Set(name, v)
			if path.Ext(c.Request.URL.Path) != "" {
				continue
			}
			http.SetCookie(c.Writer, &http.Cookie{Name: "beltend_" + name, Value: v, Path: "/", MaxAge: 365 * 24 * 3600,
				HttpOnly: true, Secure: c.Request.TLS != nil, SameSite: http.SameSiteLaxMode})
		} else if cookie, err := c.Request.Cookie("beltend_" + name); err == nil && known(cookie.Value) {
			c.Set(name, cookie.Value)
		}
	}
}

// view is how the person wants pages.
func (s *service) view(c *gin.Context) pages.View {
	v := pages.View{Lang: c.GetString("lang"), Theme: c.GetString("theme"), Inches: c.GetString("units") == "in", Path: s.opens(c), Query: c.Request.URL.Query(), Posted: c.Request.Method == http.MethodPost, Phone: s.Trust != nil}
	if v.Lang == "" {
		v.Lang = pages.Match(c.GetHeader("Accept-Language"))
	}
	if s.Accounts != nil {
		v.Person = s.user(c).Name
	}
	if v.Theme == "auto" {
		v.Theme = ""
	}
	for _, one := range s.sections {
		one.Here = v.Path == one.Path || one.Path != "/" && strings.HasPrefix(v.Path, one.Path+"/") ||
			one.Path == "/" && (strings.HasPrefix(v.Path, "/joints") || strings.HasPrefix(v.Path, "/m/"))
		v.Sections = append(v.Sections, one)
	}
	return v
}

// words are the texts in the person's language.
func (s *service) words(c *gin.Context) *pages.Words { return pages.In(s.view(c).Lang) }

// render answers with the page of a template.
func (s *service) render(c *gin.Context, status int, template string, p pages.Page) {
	p.View = s.view(c)
	s.show(c, status, func() ([]byte, error) { return pages.Write(template, p) })
}

func (s *service) show(c *gin.Context, status int, page func() ([]byte, error)) {
	b, err := page()
	if err != nil {
		s.Log.Error("page failed", "route", c.FullPath(), "error", err)
		c.String(http.StatusInternalServerError, "The page could not be written.")
		return
	}
	c.Data(status, "text/html; charset=utf-8", b)
}

// static serves a file of package pages. Its address changes with its content.
func (s *service) static(c *gin.Context) {
	name := c.Param("file")
	b, err := fs.ReadFile(pages.Static(), name)
	if err != nil {
		s.fail(c, problemNotFound)
		return
	}
	kind := mime.TypeByExtension(path.Ext(name))
	if path.Ext(name) == ".js" { // as every system should know
		kind = "text/javascript; charset=utf-8"
	}
	c.Header("Cache-Control", "max-age=300")
	if c.Query("v") == pages.StaticVersion {
		c.Header("Cache-Control", "max-age=31536000, immutable")
	}
	c.Data(http.StatusOK, kind, b)
}

// serviceWorker is served at the top, where it may answer for every page.
func (s *service) serviceWorker(c *gin.Context) {
	b, err := fs.ReadFile(pages.Static(), "sw.js")
	if err != nil {
		s.fail(c, problemNotFound)
		return
	}
	c.Header("Cache-Control", "no-cache")
	c.Data(http.StatusOK, "text/javascript; charset=utf-8", []byte(strings.ReplaceAll(string(b), "VERSION", pages.StaticVersion)))
}

// offline is what a browser shows without network in place of a page that it has
// never seen.
func (s *service) offline(c *gin.Context) {
	s.render(c, http.StatusOK, "offline.html", pages.Page{Title: s.words(c).Text("offline.title")})
}

// components shows every part of pages in every theme.
func (s *service) components(c *gin.Context) {
	w := s.words(c)
	d, err := pages.Samples(s.view(c).Options())
	if err != nil {
		s.fail(c, err)
		return
	}
	s.render(c, http.StatusOK, "components.html", pages.Page{Title: w.Text("components.title"), Data: d})
}
