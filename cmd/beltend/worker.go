package main

import (
	"context"
	"fmt"
	"runtime"
	"runtime/debug"

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
	debug.SetGCPercent(worker.GCPercent)
	defer runtime.KeepAlive(worker.Ballast())
	return worker.Serve(context.Background(), std.in, out, measureAndDraw)
}

func measureAndDraw(ctx context.Context, job worker.Job, progress measure.Progress) (worker.Answer, error) {
	if job.Hooks != nil && job.Hooks.CloseUps {
		return closeUps(job), nil
	}
	if job.Hooks != nil {
		return countAndDraw(ctx, job, progress)
	}
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

// closeUps makes a small picture of each photo; an empty one of what is no picture.
func closeUps(job worker.Job) (a worker.Answer) {
	for _, p := range job.Photos {
		b, err := pictures.Small(p.Data)
		if err != nil {
			b = nil
		}
		a.Pictures = append(a.Pictures, worker.File{Name: p.Name, Data: b})
	}
	return a
}

// countAndDraw counts the hooks of a finished joint, or draws an earlier count.
func countAndDraw(ctx context.Context, job worker.Job, progress measure.Progress) (worker.Answer, error) {
	r := job.Hooks.Draw
	if r == nil {
		var err error
		if r, err = measure.Hooks(ctx, job.Photos, job.Settings, job.Hooks.Plan, job.Hooks.Face, progress); err != nil {
			return worker.Answer{}, err
		}
		r.Program = version()
	}
	a := worker.Answer{Hooks: r}
	if r.Image == nil || r.Image.Photo >= len(job.Photos) {
		return a, nil
	}
	b, err := pictures.Hooks(job.Photos[r.Image.Photo].Data, r, "jpg", report.Options{Inches: job.Inches, Lang: job.Lang})
	if err != nil {
		return a, fmt.Errorf("draw the count: %w", err)
	}
	a.Pictures = []worker.File{{Name: "counted.jpg", Data: b}}
	return a, nil
}
