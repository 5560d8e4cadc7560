package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"runtime/debug"

	"beltend/server/measure"
	"beltend/server/result"
	"beltend/vision"
)

// outcome is one measured belt end.
type outcome struct {
	job
	answered bool
	found    *result.Measurement // when answered
	refusal  *result.Refusal     // when not
	got, u95 float64             // measured, mm
	seconds  float64             // of the processor, for all photos, in a process that has measured before
	decode   float64             // the same for one full colour decode of each of them
	peak     float64             // memory over the idle process, MB
	naive    naive
}

// naive is what the naive way made of the first photo.
type naive struct {
	answered bool
	offset   float64
}

// lieMM is the error that a lie exceeds: the usual tolerance, 2 mm per metre.
func (j *job) lieMM() float64 { return 0.002 * j.width }

func (o *outcome) err() float64 { return o.got - o.offset }

// narrow: an answer where none can be, sure enough to call a belt square.
func (o *outcome) narrow() bool { return o.answered && o.refuse && o.u95 < o.lieMM() }

// lie: answered with an error above 1.5 U95 and above 2 mm/m, or answered where
// the truth says to refuse, unless so widely that nothing wrong follows.
func (o *outcome) lie() bool {
	e := math.Abs(o.err())
	return o.narrow() || o.answered && e > o.lieMM() && (e > 1.5*o.u95 || o.refuse && e > o.u95)
}

// naiveLie: the naive way has no U95, so its answers count by their error alone;
// each one where the truth says to refuse is a lie.
func (o *outcome) naiveLie() bool {
	return o.naive.answered && (o.refuse || math.Abs(o.naive.offset-o.offset) > o.lieMM())
}

// measureAll measures one belt end after the other, so that times and memory
// are each one's own.
func measureAll(class string, jobs []job, idle float64) ([]outcome, error) {
	out := make([]outcome, 0, len(jobs))
	p := progress{what: class + ": measured", of: len(jobs)}
	debug.FreeOSMemory() // of the rendering's
	for _, j := range jobs {
		o, err := measureJob(j, idle)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", j.name, err)
		}
		o.class = class
		out = append(out, o)
		p.step()
	}
	return out, nil
}

func measureJob(j job, idle float64) (outcome, error) {
	o := outcome{job: j}
	var in []measure.Input
	for k, path := range j.photos {
		data, err := os.ReadFile(path)
		if err != nil {
			return o, err
		}
		in = append(in, measure.Input{Name: fmt.Sprintf("photo %d", k+1), Data: data})
	}
	debug.FreeOSMemory() // of the last scene's and the yardsticks' leavings
	vision.TrimMemory()
	if err := resetPeak(); err != nil {
		return o, err
	}
	m, err := measure.Run(context.Background(), in, j.settings, nil)
	o.peak = (status("VmHWM:") - idle) / 1024
	// Timed anew, as in a worker that has measured before: memory that was given
	// back costs as much to get again as half a decode.
	start := cpuSeconds()
	_, _ = measure.Run(context.Background(), in, j.settings, nil)
	o.seconds = cpuSeconds() - start
	var r *result.Refusal
	var usage *measure.UsageError
	switch {
	case errors.As(err, &r):
		o.refusal = r
	case errors.As(err, &usage):
		o.refusal = &result.Refusal{Code: "setting " + usage.Setting, Message: usage.Message}
	case err != nil: // to be seen on the scoreboard, not to end the run
		o.refusal = &result.Refusal{Code: "fault", Message: err.Error()}
	default:
		o.answered, o.found, o.got, o.u95 = true, m, m.Squareness.OffsetMM, m.Squareness.OffsetU95MM
	}
	for _, p := range in {
		start := cpuSeconds()
		if err := vision.DecodeColour(p.Data); err != nil {
			return o, err
		}
		o.decode += cpuSeconds() - start
	}
	if j.settings.Line != "drawn" {
		o.naive.offset, _, o.naive.answered = vision.Naive(in[0].Data)
	}
	return o, nil
}
