package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"text/tabwriter"

	"beltend/server/archive"
	"beltend/server/measure"
	"beltend/server/order"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/server/store"
	"beltend/server/worker"
)

type archiveMeasureCmd struct {
	IDs []string `arg:"" name:"id" help:"Measurements whose photos are measured again, by their IDs."`
	archiveFlags
	Reason string `required:"" placeholder:"TEXT" help:"Why, as the events keep it."`
	By     string `placeholder:"NAME" setting:"name" help:"Who does this, as the records name you (default: the name you are signed in with)."`
}

// Run measures one after the other and prints old and new results side by side.
func (c *archiveMeasureCmd) Run(ctx context.Context, std streams) error {
	return c.with(ctx, func(a *archive.Archive) error {
		by := localPerson(c.By)
		line := newProgress(std.err)
		desk := order.New(order.Config{Store: store.New(a, nil, 0), Measurer: here{line}, Program: version(), Workers: 1})
		rows := &comparison{w: tabwriter.NewWriter(std.out, 0, 4, 2, ' ', 0)}
		for _, id := range c.IDs {
			o, err := desk.Beside(ctx, by, id, c.Reason, report.Options{})
			switch {
			case errors.Is(err, archive.NotFound):
				return errors.Join(rows.w.Flush(), &measure.UsageError{Setting: "id", Message: "there is no measurement " + id})
			case errors.Is(err, archive.Invalid):
				return &measure.UsageError{Setting: "reason", Message: "say why these photos are measured again"}
			case errors.Is(err, archive.Conflict):
				line.end()
				fmt.Fprintf(std.err, "%s: %s\n", id, archive.Message(err))
				continue
			case err != nil:
				return err
			}
			now, err := desk.Make(ctx, o)
			line.end()
			var refused *result.Refusal
			if err != nil && !errors.As(err, &refused) {
				return errors.Join(rows.w.Flush(), fmt.Errorf("measure the photos of %s again: %w", id, err))
			}
			then, err := desk.Store.Get(ctx, by.Sites, o.Beside)
			if err != nil {
				return err
			}
			rows.add(&then)
			rows.add(&now)
		}
		return rows.w.Flush()
	})
}

type archiveStandCmd struct {
	ID string `arg:"" name:"id" help:"Measurement whose result is to stand, by its ID: one that archive measure, or Review, made."`
	archiveFlags
	Reason string `required:"" placeholder:"TEXT" help:"Why, as the events keep it."`
	By     string `placeholder:"NAME" setting:"name" help:"Who decides this, as the events name you (default: the name you are signed in with)."`
}

// Run makes the result the answer, which then waits for a sign-off.
func (c *archiveStandCmd) Run(ctx context.Context, std streams) error {
	return c.with(ctx, func(a *archive.Archive) error {
		by := localPerson(c.By)
		m, err := a.Promote(ctx, by.Actor, by.Sites, c.ID, c.Reason)
		switch {
		case errors.Is(err, archive.NotFound):
			return &measure.UsageError{Setting: "id", Message: "there is no measurement " + c.ID}
		case errors.Is(err, archive.Invalid):
			return &measure.UsageError{Setting: "reason", Message: "say why the newer result stands from now on"}
		case errors.Is(err, archive.Conflict):
			return &measure.UsageError{Setting: "id", Message: archive.Message(err)}
		case err != nil:
			return err
		}
		fmt.Fprintf(std.out, "%s stands in place of %s, and waits for a sign-off.\n", m.ID, m.Supersedes)
		return nil
	})
}

// here measures in this process.
type here struct{ line *progress }

// Run measures one job.
func (h here) Run(ctx context.Context, job worker.Job, tell measure.Progress) (worker.Answer, error) {
	m, err := measure.Run(ctx, job.Photos, job.Settings, func(name string, done float64) {
		h.line.step(name, done)
		tell(name, done)
	})
	return worker.Answer{Measurement: m}, err
}

// comparison prints each measurement and what stands beside it.
type comparison struct {
	w interface {
		io.Writer
		Flush() error
	}
	begun bool
}

func (c *comparison) add(r *store.Record) {
	if !c.begun {
		fmt.Fprintln(c.w, "MEASUREMENT\tBESIDE\tRESULT\tOFFSET\tPROGRAM\tMETHOD")
		c.begun = true
	}
	k, verdict, offset := r.Kept, r.Kept.Verdict, ""
	if k.Refusal != "" {
		verdict = "refused: " + k.Refusal
	}
	if k.OffsetMM != nil && k.U95MM != nil {
		offset = report.Signed(*k.OffsetMM, report.Options{}) + " ± " + report.Expanded(*k.U95MM, report.Options{})
	}
	fmt.Fprintf(c.w, "%s\t%s\t%s\t%s\t%s\t%s\n", k.ID, k.Beside, verdict, offset, k.ProgramVersion, k.MethodVersion)
}
