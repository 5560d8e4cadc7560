// Package httpapi is the service over HTTP: measurements for programs under
// /api/v1, the same as pages for people, health for operators. Gin is used
// here alone.
package httpapi

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"sync/atomic"
	"time"

	"github.com/gin-gonic/gin"
	"golang.org/x/sync/semaphore"

	"beltend/server/account"
	"beltend/server/measure"
	"beltend/server/order"
	"beltend/server/pages"
	"beltend/server/store"
	"beltend/server/worker"
)

// Measurer does the jobs; *worker.Pool is one.
type Measurer interface {
	Run(ctx context.Context, job worker.Job, progress measure.Progress) (worker.Answer, error)
	Ready(ctx context.Context) error
}

// Config of the service.
type Config struct {
	Measurer Measurer
	Store    *store.Store
	Orders   *order.Desk       // measurements to be made
	Metrics  *Metrics          // nil: its own
	Local    store.Person      // who acts where there are no accounts
	Accounts *account.Accounts // nil: there are none, and this machine alone may ask
	Trust    *Trust            // nil: the connection needs no explaining
	Log      *slog.Logger

	MaxUpload int64 // bytes of one request; 0: 200 MB
	Room      int64 // bytes of photos in memory while they are read and kept, at least MaxUpload; 0: 256 MB
}

type service struct {
	Config
	metrics  *Metrics
	room     *semaphore.Weighted
	reading  atomic.Int64    // requests
	sections []pages.Section // in the header
	opening  map[string]bool // patterns of addresses that can be opened, not only posted to
}

// New builds the service.
func New(cfg Config) http.Handler {
	if cfg.MaxUpload == 0 {
		cfg.MaxUpload = 200 << 20
	}
	if cfg.Room == 0 {
		cfg.Room = 256 << 20
	}
	cfg.Room = max(cfg.Room, cfg.MaxUpload)
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	if cfg.Metrics == nil {
		cfg.Metrics = NewMetrics()
	}
	s := &service{Config: cfg, metrics: cfg.Metrics, room: semaphore.NewWeighted(cfg.Room)}
	s.metrics.of(s)

	gin.SetMode(gin.ReleaseMode)
	r := gin.New()
	r.HandleMethodNotAllowed = true
	_ = r.SetTrustedProxies(nil) // nobody stands between; nil cannot fail
	r.Use(s.metrics.watch(cfg.Log), gin.CustomRecoveryWithWriter(nil, s.panicked), secure, s.ownHost, choices, s.changes, s.identify)
	r.NoRoute(func(c *gin.Context) { s.fail(c, problemNotFound) })
	r.NoMethod(func(c *gin.Context) { s.fail(c, problemMethod) })

	r.GET("/healthz", func(c *gin.Context) { c.JSON(http.StatusOK, gin.H{"status": "alive"}) })
	r.GET("/readyz", s.ready)
	r.GET("/metrics", s.metrics.handler())

	api := r.Group("/api/v1")
	api.POST("/measurements", sameOrigin(s), s.create)
	api.GET("/measurements/:id", s.get)
	api.POST("/measurements/:id/stand", s.promoted)
	api.GET("/measurements/:id/overlay/:photo", s.overlay)
	api.GET("/measurements/:id/topdown.png", s.picture("topdown.png"))
	api.GET("/measurements/:id/profile.svg", s.picture("profile.svg"))
	api.GET("/openapi.json", func(c *gin.Context) { c.Data(http.StatusOK, "application/json", openAPI) })

	r.GET("/", s.home)
	r.POST("/", sameOrigin(s), s.upload)
	r.GET("/m/:id", s.page)
	r.GET("/static/:file", s.static)
	s.ui(r)
	s.routesAccount(r)
	s.routesReview(r)
	s.routesLists(r)
	s.routesTrain(r)
	s.routesFinished(api)
	s.opening = opening(r)
	s.sections = served(s.opening)
	return r
}

func (s *service) ready(c *gin.Context) {
	ctx, cancel := context.WithTimeout(c.Request.Context(), 10*time.Second)
	defer cancel()
	if err := errors.Join(s.Measurer.Ready(ctx), s.Store.Archive.Ping(ctx), s.Orders.Ready(ctx)); err != nil {
		s.Log.Error("not ready", "error", err)
		c.JSON(http.StatusServiceUnavailable, gin.H{"status": "not ready"})
		return
	}
	c.JSON(http.StatusOK, gin.H{"status": "ready"})
}
