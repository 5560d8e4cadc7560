package order_test

import (
	"context"
	"encoding/json"
	"errors"
	"testing"

	"beltend/server/archive"
	"beltend/server/archive/conformance"
	"beltend/server/measure"
	"beltend/server/order"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/server/worker"
)

// A later program measures kept photos again, with their settings: what comes of it
// stands beside the signed-off answer, once for each program, and the answer stays.
func TestMeasuredAgainBesideTheAnswer(t *testing.T) {
	both(t, func(t *testing.T, at archive.Address) {
		ctx := t.Context()
		var got worker.Job
		m := &measurer{do: func(_ context.Context, job worker.Job) error { got = job; return nil }}
		early := open(t, at, m, nil)
		stop := work(t, early, 0)
		first, err := ask(ctx, early, take(t, early, 480, result.Settings{TrimMM: 12}))
		if err != nil {
			t.Fatal(err)
		}
		stop()
		a := early.Store.Archive
		if _, err := a.AddReview(ctx, by.Actor, archive.Review{Measurement: first.ID, Outcome: archive.Accepted, Person: "Rev A"}); err != nil {
			t.Fatal(err)
		}
		before, err := a.Measurement(ctx, by.Sites, first.ID)
		if err != nil {
			t.Fatal(err)
		}
		later := open(t, at, m, func(c *order.Config) { c.Program = "2" })
		work(t, later, 0)
		_, err = later.Beside(ctx, by, first.ID, " ", report.Options{})
		conformance.Is(t, "without a reason", err, archive.Invalid)
		_, err = later.Beside(ctx, by, archive.NewID(), "x", report.Options{})
		conformance.Is(t, "of none", err, archive.NotFound)
		stranger := by
		stranger.Sites = archive.SomeSites(archive.NewID())
		_, err = later.Beside(ctx, stranger, first.ID, "x", report.Options{})
		conformance.Is(t, "by somebody of another site", err, archive.NotFound)

		o, err := later.Beside(ctx, by, first.ID, "program 2 came out", report.Options{})
		if err != nil {
			t.Fatal(err)
		}
		now, err := ask(ctx, later, o)
		if err != nil || now.ID == first.ID || now.Kept.Beside != first.ID || now.Kept.Supersedes != "" || now.Kept.ProgramVersion != "2" || now.Kept.Files[0] != first.Kept.Files[0] || got.Settings.TrimMM != 12 {
			t.Fatalf("measured again: %+v, %v; with %+v", now.Kept.Measurement, err, got.Settings)
		}
		events, err := a.Events(ctx, archive.EventQuery{Sites: by.Sites, Subject: "measurement/" + now.ID})
		if err != nil || len(events) != 1 || events[0].Name != by.Name || events[0].Reason != "program 2 came out" {
			t.Errorf("its event: %+v, %v", events, err)
		}
		if after, err := a.Measurement(ctx, by.Sites, first.ID); err != nil || !after.Stands() || after.Review != archive.Accepted || after.ResultSHA256 != before.ResultSHA256 || after.ProgramVersion != "1" {
			t.Errorf("the answer afterwards: %+v, %v", after, err)
		}
		times := m.times()
		if o, err = later.Beside(ctx, by, now.ID, "another reason", report.Options{}); err != nil {
			t.Fatal(err)
		}
		if again, err := later.Make(ctx, o); err != nil || again.ID != now.ID || m.times() != times {
			t.Errorf("asked for from its own page, by the same program: %s, want %s, measured %d times more; %v", again.ID, now.ID, m.times()-times, err)
		}

		// Past the queue, where it gives no answer.
		m.do = func(context.Context, worker.Job) error {
			return &result.Refusal{Code: "no_card", Message: "no card", Advice: "lay one"}
		}
		last := open(t, at, m, func(c *order.Config) { c.Program = "3" })
		if o, err = last.Beside(ctx, by, first.ID, "program 3", report.Options{}); err != nil {
			t.Fatal(err)
		}
		var refused *result.Refusal
		if r, err := last.Make(ctx, o); !errors.As(err, &refused) || r.Kept.Refusal != "no_card" || r.Kept.Beside != first.ID {
			t.Errorf("refused beside an answer: %+v, %v", r.Kept.Measurement, err)
		}
		page, err := a.Search(ctx, archive.Query{Sites: by.Sites, Newest: true})
		if err != nil || len(page.Items) != 1 || page.Items[0].ID != first.ID {
			t.Errorf("the newest: %+v, %v; want the answer alone", page.Items, err)
		}
	})
}

func TestNothingToMeasureAgain(t *testing.T) {
	d := open(t, archive.Address{Folder: t.TempDir()}, &measurer{}, func(c *order.Config) { c.Program = "v1.2.3" })
	p := conformance.NewPlant(t, d.Store.Archive, "Kestrel Hollow")
	present := conformance.Measured(t, d.Store.Archive, p, func(m *archive.Measurement) {
		var r result.Measurement
		if err := json.Unmarshal(conformance.Offset(1, 0.3, 2), &r); err != nil {
			t.Fatal(err)
		}
		r.Program, r.Method = "v1.2.3", measure.Method
		var err error
		if m.Result, err = json.Marshal(&r); err != nil {
			t.Fatal(err)
		}
	})
	taped, err := d.Store.Archive.AddMeasurement(t.Context(), by.Actor, archive.Measurement{Joint: p.Joint.ID, End: archive.Leading, Step: archive.StepCut, Person: "Mara Quill",
		Result: conformance.Taped(result.FromTape, &result.Tape{LeftMM: 1603.9})}, "")
	if err != nil {
		t.Fatal(err)
	}
	for what, id := range map[string]string{"by the present program and method": present.ID, "from a tape": taped.ID} {
		_, err := d.Beside(t.Context(), by, id, "x", report.Options{})
		conformance.Is(t, what, err, archive.Conflict)
	}
}
