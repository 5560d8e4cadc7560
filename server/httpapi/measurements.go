package httpapi

import (
	"context"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"beltend/server/result"
	"beltend/server/store"
	"beltend/server/worker"
)

// Measure measures one job and keeps the result; its links are set.
func Measure(ctx context.Context, cfg Config, job worker.Job) (store.Record, error) {
	answer, err := cfg.Measurer.Run(ctx, job, nil)
	if err != nil {
		return store.Record{}, err
	}
	if answer.Measurement.Refused != nil {
		return store.Record{}, answer.Measurement.Refused
	}
	r := store.Record{ID: store.NewID(), Created: time.Now().UTC(), Inches: job.Inches, Measurement: answer.Measurement}
	for _, p := range answer.Pictures {
		r.Pictures = append(r.Pictures, store.Picture{Name: p.Name, Data: p.Data})
	}
	r.Measurement.Program = cfg.Program
	r.Measurement.Links = links(&r)
	return r, cfg.Store.Put(ctx, r)
}

func (s *service) create(c *gin.Context) {
	job, _, err := s.readJob(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	r, err := Measure(c.Request.Context(), s.Config, job)
	if err != nil {
		s.fail(c, err)
		return
	}
	c.Header("Location", r.Measurement.Links.Self)
	c.JSON(http.StatusCreated, r.Measurement)
}

func (s *service) get(c *gin.Context) {
	r, err := s.Store.Get(c.Request.Context(), c.Param("id"))
	if err != nil {
		s.fail(c, err)
		return
	}
	c.JSON(http.StatusOK, r.Measurement)
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
		r, err := s.Store.Get(c.Request.Context(), c.Param("id"))
		if err != nil {
			s.fail(c, err)
			return
		}
		b := r.Picture(name)
		if b == nil {
			s.fail(c, problemNotFound)
			return
		}
		c.Header("Cache-Control", "private, max-age=3600, immutable")
		c.Header("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; sandbox")
		c.Data(http.StatusOK, kind, b)
	}
}

func links(r *store.Record) *result.Links {
	self := "/api/v1/measurements/" + r.ID
	l := &result.Links{Self: self, Overlay: []string{}}
	for i := 1; r.Picture(fmt.Sprintf("overlay-%d.jpg", i)) != nil; i++ {
		l.Overlay = append(l.Overlay, fmt.Sprintf("%s/overlay/%d.jpg", self, i))
	}
	if r.Picture("topdown.png") != nil {
		l.TopDown = self + "/topdown.png"
	}
	if r.Picture("profile.svg") != nil {
		l.Profile = self + "/profile.svg"
	}
	return l
}
