package httpapi

import (
	"context"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"github.com/gin-gonic/gin"

	"beltend/server/measure"
	"beltend/server/order"
	"beltend/server/pages"
	"beltend/server/pictures"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/server/store"
	"beltend/server/worker"
	"beltend/vision/overlay"
)

// Draw makes what store.New draws with: the workers do it.
func Draw(m Measurer) store.Draw {
	return func(ctx context.Context, photos []store.File, r *result.Measurement, o report.Options, window *overlay.Window) ([]store.File, error) {
		job := worker.Job{Draw: r, Inches: o.Inches, Lang: o.Lang, Window: window}
		for _, p := range photos {
			job.Photos = append(job.Photos, measure.Input(p))
		}
		a, err := m.Run(ctx, job, nil)
		files := make([]store.File, len(a.Pictures))
		for i, p := range a.Pictures {
			files[i] = store.File(p)
		}
		return files, err
	}
}

func (s *service) create(c *gin.Context) {
	r, _, err := s.send(c)
	if err != nil {
		s.fail(c, kept(err, r))
		return
	}
	r.Measurement.Links = links(&r)
	c.Header("Location", r.Measurement.Links.Self)
	c.JSON(http.StatusCreated, r.Measurement)
}

// send measures what a form sends, with the fields named in others.
func (s *service) send(c *gin.Context, others ...string) (store.Record, map[string]string, error) {
	ctx := c.Request.Context()
	release, err := s.Orders.Reserve(ctx)
	if err != nil {
		return store.Record{}, nil, err
	}
	defer release()
	var fields map[string]string
	o, err := func() (order.Order, error) { // which lets go of the photos before the wait
		job, read, leave, err := s.readJob(c, append(others, placeFields...)...)
		defer leave()
		fields = read
		if err != nil {
			return order.Order{}, err
		}
		switch units := fields["units"]; units {
		case "", "mm":
		case "in":
			job.Inches = true
		default:
			return order.Order{}, &measure.UsageError{Setting: "units", Message: "is mm or in", Code: "units"}
		}
		return s.Orders.Take(ctx, s.who(c), place(fields), job.Photos, job.Settings, report.Options{Inches: job.Inches, Lang: job.Lang})
	}()
	if err != nil {
		s.metrics.turnedAway(err)
		return store.Record{}, fields, err
	}
	r, err := s.Orders.Ask(ctx, o, release, nil)
	return r, fields, err
}

// kept is an error as a problem that names the record kept of it, where there is one.
func kept(err error, r store.Record) error {
	if r.ID == "" {
		return err
	}
	p := problemOf(err)
	p.Instance = "/api/v1/measurements/" + r.ID
	return p
}

// Fields that say where a measurement belongs.
var placeFields = []string{"joint", "end", "step", "person", "card-set", "note", "site", "supersedes"}

func place(fields map[string]string) store.Place {
	return store.Place{Site: fields["site"], Joint: fields["joint"], End: fields["end"], Step: strings.ReplaceAll(fields["step"], "-", "_"), Person: fields["person"],
		CardSet: fields["card-set"], Note: fields["note"], Supersedes: fields["supersedes"]}
}

func (s *service) get(c *gin.Context) {
	r, err := s.record(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	c.JSON(http.StatusOK, r.Measurement)
}

// record finds the measurement in the address, with its links.
func (s *service) record(c *gin.Context) (store.Record, error) {
	r, err := s.Store.Get(c.Request.Context(), s.who(c).Sites, c.Param("id"))
	if err != nil {
		return r, err
	}
	o := drawnFor(c)
	r.Inches, r.Lang = o.Inches, o.Lang
	r.Measurement.Links = links(&r)
	return r, nil
}

// drawnFor is what the address asks for, units=in and lang=de: cookies do not
// count outside of the pages.
func drawnFor(c *gin.Context) report.Options {
	o := report.Options{Inches: c.Query("units") == "in"}
	if lang := c.Query("lang"); pages.Known(lang) {
		o.Lang = lang
	}
	return o
}

// overlay serves /overlay/1.jpg and so on.
func (s *service) overlay(c *gin.Context) {
	number, ok := strings.CutSuffix(c.Param("photo"), ".jpg")
	if _, err := strconv.Atoi(number); !ok || err != nil {
		s.fail(c, problemNotFound)
		return
	}
	s.picture("overlay-" + number + ".jpg")(c)
}

func (s *service) picture(name string) gin.HandlerFunc {
	kind := map[string]string{"jpg": "image/jpeg", "png": "image/png", "svg": "image/svg+xml"}[name[strings.LastIndex(name, ".")+1:]]
	return func(c *gin.Context) {
		b, err := s.Store.Picture(c.Request.Context(), s.who(c).Sites, c.Param("id"), name, drawnFor(c), nil)
		if err != nil {
			s.fail(c, err)
			return
		}
		c.Header("Cache-Control", "private, max-age=3600, immutable")
		c.Header("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; sandbox")
		c.Data(http.StatusOK, kind, b)
	}
}

func links(r *store.Record) *result.Links {
	self, query := "/api/v1/measurements/"+r.ID, url.Values{}
	if r.Inches {
		query.Set("units", "in")
	}
	if r.Lang != "" {
		query.Set("lang", r.Lang)
	}
	units := ""
	if len(query) > 0 {
		units = "?" + query.Encode()
	}
	l := &result.Links{Self: self, Overlay: []string{}}
	if r.Kept.PhotosRemoved > 0 { // nothing can be drawn any more
		return l
	}
	for _, name := range pictures.Names(r.Measurement) {
		switch name {
		case "topdown.png":
			l.TopDown = self + "/" + name + units
		case "profile.svg":
			l.Profile = self + "/" + name + units
		default:
			l.Overlay = append(l.Overlay, self+"/overlay/"+strings.TrimPrefix(name, "overlay-")+units)
		}
	}
	return l
}
