package httpapi

import (
	"context"
	"errors"
	"log/slog"
	"math"
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

// Metrics are what operators watch. Labels hold routes and codes, never a name
// or an address.
type Metrics struct {
	registry     *prometheus.Registry
	requests     *prometheus.HistogramVec
	measurements *prometheus.CounterVec
	measuring    prometheus.Histogram
}

// NewMetrics makes the metrics of a service.
func NewMetrics() *Metrics {
	m := &Metrics{
		registry: prometheus.NewRegistry(),
		requests: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "beltend_http_request_seconds", Help: "Time of requests.",
			Buckets: []float64{.005, .02, .05, .1, .2, .5, 1, 2, 5, 10, 30, 60}}, []string{"method", "route", "status"}),
		measurements: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "beltend_measurements_total", Help: "Measurements by outcome: a verdict, a refusal's code, busy or fault."}, []string{"outcome"}),
		measuring:    prometheus.NewHistogram(prometheus.HistogramOpts{Name: "beltend_measuring_seconds", Help: "Time of a measurement, without its wait in the queue.", Buckets: []float64{.2, .5, 1, 2, 5, 10, 20, 60}}),
	}
	m.registry.MustRegister(m.requests, m.measurements, m.measuring, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return m
}

// of adds what a service knows.
func (m *Metrics) of(s *service) {
	gauge := func(name, help string, value func() float64) {
		m.registry.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: name, Help: help}, value))
	}
	m.registry.MustRegister(prometheus.NewCounterFunc(prometheus.CounterOpts{Name: "beltend_database_statements_total", Help: "Statements that the record asked of its database."}, func() float64 {
		n, _ := s.Store.Archive.Used()
		return float64(n)
	}))
	gauge("beltend_uploads", "Requests whose photos are being read.", func() float64 { return float64(s.reading.Load()) })
	gauge("beltend_queue", "Measurements that wait or are being made, of all processes; NaN: the queue does not answer.", func() float64 {
		ctx, cancel := context.WithTimeout(context.Background(), time.Second)
		defer cancel()
		n, err := s.Orders.Queue.Length(ctx)
		if err != nil {
			return math.NaN()
		}
		return float64(n)
	})
}

// turnedAway counts photos that are refused before they are kept.
func (m *Metrics) turnedAway(err error) {
	var refused *result.Refusal
	if errors.As(err, &refused) {
		m.measurements.WithLabelValues(refused.Code).Inc()
	}
}

// Count counts what a Measurer answers.
func (m *Metrics) Count(of Measurer) Measurer { return counted{of, m} }

type counted struct {
	Measurer
	*Metrics
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
	case err == nil && a.Measurement == nil:
		outcome = "counted"
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
func (m *Metrics) watch(log *slog.Logger) gin.HandlerFunc {
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

func (m *Metrics) handler() gin.HandlerFunc {
	return gin.WrapH(promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{}))
}
