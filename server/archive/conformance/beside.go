package conformance

import (
	"testing"

	"beltend/server/archive"
	"beltend/server/result"
)

// testBeside measures answer's photos once more, to compare: it is listed and told of,
// and changes nothing about the answer.
func testBeside(t *testing.T, a *archive.Archive, p Plant, answer archive.Measurement) archive.Measurement {
	ctx, all := t.Context(), archive.AllSites()
	SignOff(t, a, answer, archive.Accepted, "Rev A")
	m, err := a.AddMeasurement(ctx, By, archive.Measurement{Joint: p.Joint.ID, End: answer.End, Step: answer.Step, Person: answer.Person, CardSet: answer.CardSet, Files: answer.Files,
		Beside: answer.ID, Result: Offset(9, 0.5, 2)}, "method 5 is out")
	if err != nil || m.Verdict != string(result.Recut) {
		t.Fatalf("%+v, %v", m, err)
	}
	if f, err := a.Measurement(ctx, all, m.ID); err != nil || f.Beside != answer.ID || f.Stands() || f.Review != "" {
		t.Errorf("what was measured beside: %+v, %v", f, err)
	}
	if f, err := a.Measurement(ctx, all, answer.ID); err != nil || !f.Stands() || f.SupersededBy != "" || f.Review != archive.Accepted || f.ResultSHA256 != answer.ResultSHA256 {
		t.Errorf("the answer that it is compared with: %+v, %v", f, err)
	}
	eight := 8.0
	for what, c := range map[string]struct {
		q      archive.Query
		listed bool
	}{
		"everything":         {archive.Query{Joint: p.Joint.ID}, true},
		"the newest":         {archive.Query{Joint: p.Joint.ID, Newest: true}, false},
		"the answers":        {archive.Query{Joint: p.Joint.ID, Answered: true}, false},
		"what waits":         {archive.Query{Joint: p.Joint.ID, Review: "open"}, false},
		"those to be recut":  {archive.Query{Verdict: string(result.Recut)}, true},
		"the recut, newest":  {archive.Query{Verdict: string(result.Recut), Newest: true}, false},
		"offsets, answered":  {archive.Query{OffsetMin: &eight, Answered: true}, false},
		"large offsets, all": {archive.Query{OffsetMin: &eight}, true},
	} {
		c.q.Sites = all
		page, err := a.Search(ctx, c.q)
		found := false
		for _, f := range page.Items {
			found = found || f.ID == m.ID
		}
		if err != nil || found != c.listed {
			t.Errorf("%s: listed %v, want %v; %v", what, found, c.listed, err)
		}
	}
	if points, err := a.Series(ctx, archive.Query{Sites: all, Newest: true}, 100); err != nil || len(points) != 1 || points[0].ID != answer.ID {
		t.Errorf("the chart has %+v, %v; want the answer alone", points, err)
	}
	events, err := a.Events(ctx, archive.EventQuery{Sites: all, Subject: "measurement/" + m.ID})
	if err != nil || len(events) != 1 || events[0].Name != By.Name || events[0].Reason != "method 5 is out" {
		t.Errorf("its event: %+v, %v", events, err)
	}
	for _, outcome := range []string{archive.SentBack, archive.Concession} {
		_, err = a.AddReview(ctx, By, archive.Review{Measurement: m.ID, Outcome: outcome, Person: "Rev A", Reason: "r", ConcessionBy: "x"})
		Is(t, "a sign-off on it", err, archive.Conflict)
	}
	_, err = a.AddMeasurement(ctx, By, archive.Measurement{Joint: p.Joint.ID, End: answer.End, Step: answer.Step, Person: answer.Person, Files: answer.Files, Beside: m.ID, Result: Offset(1, 0.5, 2)}, "")
	Is(t, "beside what stands beside another", err, archive.Invalid)
	return m
}

// testPromoted lets what was measured beside the signed answer stand: it is the answer
// then, to be signed off anew, and nothing kept before is other than it was.
func testPromoted(t *testing.T, a *archive.Archive, p Plant, answer, beside archive.Measurement) {
	ctx, all := t.Context(), archive.AllSites()
	other := NewPlant(t, a, "Kestrel Hollow Mill")
	first, err := a.Measurement(ctx, all, answer.ID)
	if err != nil {
		t.Fatal(err)
	}
	signs, err := a.Reviews(ctx, all, p.Joint.ID)
	if err != nil {
		t.Fatal(err)
	}
	refusal, err := a.AddMeasurement(ctx, By, archive.Measurement{Joint: p.Joint.ID, End: answer.End, Step: answer.Step, Person: answer.Person, Files: answer.Files, Beside: answer.ID, Result: Refused("no_card")}, "")
	if err != nil {
		t.Fatal(err)
	}
	joint, err := a.Joint(ctx, all, p.Joint.ID)
	if err != nil {
		t.Fatal(err)
	}
	joint.Closed = true
	if joint, err = a.PutJoint(ctx, By, joint, "done"); err != nil {
		t.Fatal(err)
	}
	head, err := a.Head(ctx)
	if err != nil {
		t.Fatal(err)
	}
	for what, c := range map[string]struct {
		id, reason string
		sites      archive.Sites
		kind       archive.Kind
	}{
		"without a reason":           {beside.ID, " ", all, archive.Invalid},
		"what is nowhere":            {archive.NewID(), "x", all, archive.NotFound},
		"by those of another site":   {beside.ID, "x", archive.SomeSites(other.Site.ID), archive.NotFound},
		"by those of none":           {beside.ID, "x", archive.Sites{}, archive.NotFound},
		"what stands by itself":      {answer.ID, "x", all, archive.Conflict},
		"what was refused this time": {refusal.ID, "x", all, archive.Conflict},
	} {
		_, err := a.Promote(ctx, By, c.sites, c.id, c.reason)
		Is(t, "promoting "+what, err, c.kind)
	}
	if now, err := a.Head(ctx); err != nil || now != head {
		t.Errorf("refused, and yet there are events up to %d, %v", now.Seq, err)
	}

	m, err := a.Promote(ctx, archive.Actor{ID: "u2", Name: "Rev B"}, archive.SomeSites(p.Site.ID), beside.ID, "method 5 sees the worn edge")
	if err != nil || m.Supersedes != answer.ID || m.Promotes != beside.ID || m.Beside != "" || m.Verdict != beside.Verdict || m.ResultSHA256 != beside.ResultSHA256 || m.MethodVersion != beside.MethodVersion || !m.Time.Equal(answer.Time) || m.Person != answer.Person {
		t.Fatalf("%+v, %v", m, err)
	}
	now, err := a.Measurement(ctx, all, m.ID)
	if err != nil || !now.Stands() || now.Review != "" || now.Signs != 0 || string(now.Result) != string(mustMeasurement(t, a, beside.ID).Result) {
		t.Errorf("the answer: %+v, %v", now, err)
	}
	if f := mustMeasurement(t, a, answer.ID); f.Stands() || f.SupersededBy != m.ID || f.ResultSHA256 != first.ResultSHA256 || f.Review != first.Review || f.Signs != first.Signs {
		t.Errorf("the answer before: %+v", f)
	}
	if f := mustMeasurement(t, a, beside.ID); f.Beside != answer.ID || f.Stands() {
		t.Errorf("what it is of: %+v", f)
	}
	if after, err := a.Reviews(ctx, all, p.Joint.ID); err != nil || len(after) != len(signs) {
		t.Errorf("%d sign-offs, %v; there were %d", len(after), err, len(signs))
	}
	if j, err := a.Joint(ctx, all, p.Joint.ID); err != nil || j.Closed || j.Version != joint.Version+1 {
		t.Errorf("the closed joint: %+v, %v", j, err)
	}
	events, err := a.Events(ctx, archive.EventQuery{Sites: all, Subject: "measurement/" + m.ID})
	if err != nil || len(events) != 1 || events[0].What != "measurement.promoted" || events[0].Name != "Rev B" || events[0].Reason != "method 5 sees the worn edge" || events[0].Site != p.Site.ID {
		t.Errorf("its event: %+v, %v", events, err)
	}
	page, err := a.Search(ctx, archive.Query{Sites: all, Joint: p.Joint.ID, Newest: true, Answered: true})
	if err != nil || len(page.Items) != 1 || page.Items[0].ID != m.ID || page.Items[0].Promotes != beside.ID {
		t.Errorf("the joint's answers: %+v, %v", page.Items, err)
	}
	page, err = a.Search(ctx, archive.Query{Sites: all, Joint: p.Joint.ID, Review: "open"})
	if err != nil || len(page.Items) == 0 || page.Items[0].ID != m.ID {
		t.Errorf("what waits: %+v, %v", page.Items, err)
	}
	_, err = a.Promote(ctx, By, all, beside.ID, "once more")
	Is(t, "promoting it once more", err, archive.Conflict)
	_, err = a.AddReview(ctx, By, archive.Review{Measurement: answer.ID, Outcome: archive.SentBack, Person: "Rev B", Reason: "worn"})
	Is(t, "a sign-off on the answer before", err, archive.Conflict)
	_, err = a.AddReview(ctx, By, archive.Review{Measurement: m.ID, Outcome: archive.Accepted, Person: "Rev A"})
	Is(t, "accepting what was not measured square", err, archive.Conflict)
	if forged, err := a.AddMeasurement(ctx, By, archive.Measurement{Joint: p.Joint.ID, End: answer.End, Step: answer.Step, Person: answer.Person, Files: answer.Files, Promotes: beside.ID, Result: Offset(1, 0.5, 2)}, ""); err != nil || forged.Promotes != "" {
		t.Errorf("a measurement that calls itself promoted: %+v, %v", forged, err)
	}
}

func mustMeasurement(t *testing.T, a *archive.Archive, id string) archive.Found {
	t.Helper()
	f, err := a.Measurement(t.Context(), archive.AllSites(), id)
	if err != nil {
		t.Fatal(err)
	}
	return f
}
