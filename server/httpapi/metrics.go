package httpapi

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"strconv"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"beltend/server/measure"
	"beltend/server/result"
	"beltend/server/worker"
)

// metrics are what operators watch. Labels hold routes and codes, never a name
// or an address.
type metrics struct {
	registry     *prometheus.Registry
	requests     *prometheus.HistogramVec
	measurements *prometheus.CounterVec
	measuring    prometheus.Histogram
}

func newMetrics(s *service) *metrics {
	m := &metrics{
		registry: prometheus.NewRegistry(),
		requests: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "beltend_http_request_seconds", Help: "Time of requests.",
			Buckets: []float64{.005, .02, .05, .1, .2, .5, 1, 2, 5, 10, 30, 60}}, []string{"method", "route", "status"}),
		measurements: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "beltend_measurements_total", Help: "Measurements by outcome: a verdict, a refusal's code, busy or fault."}, []string{"outcome"}),
		measuring:    prometheus.NewHistogram(prometheus.HistogramOpts{Name: "beltend_measuring_seconds", Help: "Time of a measurement with its wait.", Buckets: []float64{.2, .5, 1, 2, 5, 10, 20, 60}}),
	}
	uploads := prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "beltend_uploads", Help: "Requests whose photos are being read."},
		func() float64 { return float64(len(s.uploads)) })
	m.registry.MustRegister(m.requests, m.measurements, m.measuring, uploads, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return m
}

// counted counts what a Measurer answers.
type counted struct {
	Measurer
	*metrics
}

// Run implements Measurer.
func (c counted) Run(ctx context.Context, job worker.Job, p measure.Progress) (worker.Answer, error) {
	began := time.Now()
	a, err := c.Measurer.Run(ctx, job, p)
	var refused *result.Refusal
	var busy *worker.Busy
	var usage *measure.UsageError
	outcome := "fault"
	switch {
	case errors.As(err, &refused):
		outcome = refused.Code
	case errors.As(err, &busy):
		outcome = "busy"
	case errors.As(err, &usage):
		outcome = "wrong_setting"
	case errors.Is(err, context.Canceled), errors.Is(err, worker.ErrClosed):
		outcome = "stopped"
	case err == nil && a.Measurement.Refused != nil:
		outcome = a.Measurement.Refused.Code
	case err == nil:
		outcome = string(a.Measurement.Verdict)
	}
	c.measurements.WithLabelValues(outcome).Inc()
	c.measuring.Observe(time.Since(began).Seconds())
	return a, err
}

// watch counts a request and writes it to the log: its route, not its address.
func (m *metrics) watch(log *slog.Logger) gin.HandlerFunc {
	return func(c *gin.Context) {
		began := time.Now()
		c.Next()
		took := time.Since(began)
		route := c.FullPath()
		if route == "" {
			route = "none"
		}
		method := c.Request.Method
		switch method {
		case http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodDelete, http.MethodPatch, http.MethodOptions:
		default: // anybody may invent one
			method = "other"
		}
		m.requests.WithLabelValues(method, route, strconv.Itoa(c.Writer.Status())).Observe(took.Seconds())
		if route != "/healthz" && route != "/readyz" && route != "/metrics" && route != "/static/:file" {
			log.Info("request", "method", method, "route", route, "status", c.Writer.Status(), "ms", took.Milliseconds(), "bytes", c.Writer.Size())
		}
	}
}

func (m *metrics) handler() gin.HandlerFunc {
	return gin.WrapH(promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{}))
}
