// Package worker measures in processes of their own. A failed assertion in
// OpenCV ends the process it happens in, so the service keeps a pool of its own
// binary running as workers: each gets one job at a time, with a deadline and a
// memory limit. A photo that brings its worker down is refused; other jobs go on.
//
// Parent and worker speak over the worker's standard input and output in
// frames: a length (4 bytes, big endian), that much JSON, then the bytes of the
// files the JSON announces.
package worker

import (
	"context"
	"errors"
	"time"

	"beltend/geometry/lacing"
	"beltend/server/measure"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/vision/overlay"
)

// Job is one belt end to measure.
type Job struct {
	Photos   []measure.Input
	Settings result.Settings
	Inches   bool
	Lang     string // of what is drawn; empty: English // units written into the pictures

	// Draw asks for the pictures of a measurement made earlier from these photos,
	// instead of a measurement; with Window, for its view from above in that window.
	Draw   *result.Measurement
	Window *overlay.Window

	// Hooks asks for the hooks of a finished joint instead.
	Hooks *Hooks
}

// Hooks is what is asked of the photos of a finished joint: its hooks counted, and
// compared with a plan where there is one; or a picture of an earlier count; or
// close-ups of them, small.
type Hooks struct {
	Plan *lacing.Plan  `json:"plan,omitempty"`
	Face string        `json:"face,omitempty"` // up in the photos; empty: not said
	Draw *result.Hooks `json:"draw,omitempty"`

	// CloseUps asks for the photos themselves instead, small, for paper. One that cannot be
	// read is empty.
	CloseUps bool `json:"close_ups,omitempty"`
}

// File is one picture made for the answer.
type File struct {
	Name string
	Data []byte
}

// Answer is a measurement, or a count of hooks, with its pictures.
type Answer struct {
	Measurement *result.Measurement
	Hooks       *result.Hooks
	Pictures    []File
}

// Func does a job inside the worker. Its error is a *result.Refusal, a
// *measure.UsageError or a fault.
type Func func(ctx context.Context, job Job, progress measure.Progress) (Answer, error)

// GCPercent is for debug.SetGCPercent in a process that measures: pictures seen
// by their colour are tens of megabytes each, and twice as many of them as are in
// use would be kept. Collecting at half as much again costs little beside a Ballast.
const GCPercent = 50

// Ballast is memory that such a process holds and never touches, so that it costs
// none: what a photo needs beside pictures is so little that collecting at half as
// much again would come every few megabytes, and take a tenth of the time. Keep it
// with runtime.KeepAlive.
func Ballast() []byte { return make([]byte, 24<<20) }

// Busy is returned when too many jobs wait already.
type Busy struct{ RetryAfter time.Duration }

func (b *Busy) Error() string { return "too many measurements are waiting" }

// ErrClosed is returned when the pool is shut down.
var ErrClosed = errors.New("the workers are shut down")

// Codes of the refusals that a worker's end becomes.
const (
	CodeCrashed  = "unreadable_photo"
	CodeTimedOut = "took_too_long"
)

func crashed(job Job) *result.Refusal {
	if len(job.Photos) == 1 {
		return report.Refuse(CodeCrashed, "broke_down_one", job.Photos[0].Name, nil)
	}
	return report.Refuse(CodeCrashed, "broke_down", "", nil)
}

func timedOut(job Job, limit time.Duration) *result.Refusal {
	photo := ""
	if len(job.Photos) == 1 {
		photo = job.Photos[0].Name
	}
	return report.Refuse(CodeTimedOut, "", photo, result.Values{"limit": limit.String()})
}
