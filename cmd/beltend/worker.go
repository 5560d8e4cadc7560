package main

import (
	"context"
	"fmt"

	"beltend/server/measure"
	"beltend/server/pictures"
	"beltend/server/report"
	"beltend/server/worker"
)

type workerCmd struct {
	Memory int64 `default:"2048" help:"Most memory in MB."`
}

// Run measures what the service sends until it sends no more. An interrupt of
// the terminal goes to the service, which ends its workers itself.
func (c *workerCmd) Run(std streams) error {
	out, err := worker.TakeStdout()
	if err != nil {
		return err
	}
	if err := worker.LimitMemory(c.Memory << 20); err != nil {
		return err
	}
	return worker.Serve(context.Background(), std.in, out, measureAndDraw)
}

func measureAndDraw(ctx context.Context, job worker.Job, progress measure.Progress) (worker.Answer, error) {
	if job.Draw != nil {
		return draw(job)
	}
	m, err := measure.Run(ctx, job.Photos, job.Settings, progress)
	if err != nil {
		return worker.Answer{}, err
	}
	if m.Refused != nil {
		return worker.Answer{}, m.Refused
	}
	job.Draw = m
	a, err := draw(job)
	if err != nil {
		return worker.Answer{}, fmt.Errorf("draw the pictures: %w", err)
	}
	return a, nil
}

// draw makes the pictures of an earlier measurement.
func draw(job worker.Job) (worker.Answer, error) {
	a, o := worker.Answer{Measurement: job.Draw}, report.Options{Inches: job.Inches, Lang: job.Lang}
	files, err := pictures.Asked(job.Photos, job.Draw, job.Window, o)
	for _, f := range files {
		a.Pictures = append(a.Pictures, worker.File{Name: f.Name, Data: f.Data})
	}
	return a, err
}
