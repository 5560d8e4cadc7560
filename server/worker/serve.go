package worker

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"beltend/server/measure"
	"beltend/server/result"
)

// Serve is the worker's side: it does jobs from in until in ends.
func Serve(ctx context.Context, in io.Reader, out io.Writer, do Func) error {
	r := bufio.NewReader(in)
	if err := writeFrame(out, reply{Ready: true}); err != nil {
		return err
	}
	for {
		var h jobHeader
		if err := readFrame(r, &h); errors.Is(err, io.EOF) {
			return nil
		} else if err != nil {
			return fmt.Errorf("read a job: %w", err)
		}
		data, err := readFiles(r, h.Photos)
		if err != nil {
			return fmt.Errorf("read a job's photos: %w", err)
		}
		job := Job{Settings: h.Settings, Inches: h.Inches, Lang: h.Lang, Draw: h.Draw, Window: h.Window, Hooks: h.Hooks}
		for i, p := range h.Photos {
			job.Photos = append(job.Photos, measure.Input{Name: p.Name, Data: data[i]})
		}
		var lost error // the parent is gone
		answer, err := do(ctx, job, func(step string, done float64) {
			if e := writeFrame(out, reply{Step: step, Done: done}); e != nil {
				lost = e
			}
		})
		if lost != nil {
			return lost
		}
		if err := writeAnswer(out, answer, err); err != nil {
			return err
		}
	}
}

func writeAnswer(out io.Writer, a Answer, err error) error {
	var refused *result.Refusal
	var usage *measure.UsageError
	switch {
	case errors.As(err, &refused):
		re := reply{Refused: refused}
		var doubt *result.Doubt
		if errors.As(err, &doubt) {
			re.Doubt = doubt.Image
		}
		return writeFrame(out, re)
	case errors.As(err, &usage):
		return writeFrame(out, reply{Usage: usage})
	case err != nil:
		return writeFrame(out, reply{Fault: err.Error()})
	case a.Measurement == nil && a.Hooks == nil:
		return writeFrame(out, reply{Fault: "the job gave no measurement"})
	}
	re := reply{Measurement: a.Measurement, Hooks: a.Hooks}
	var files [][]byte
	for _, p := range a.Pictures {
		re.Pictures = append(re.Pictures, fileHeader{p.Name, len(p.Data)})
		files = append(files, p.Data)
	}
	err = writeFrame(out, re, files...)
	var noNumber *json.UnsupportedValueError // nothing is written yet then
	if errors.As(err, &noNumber) {
		return writeFrame(out, reply{Fault: fmt.Sprintf("a value of the measurement is no number: %v", noNumber)})
	}
	return err
}
