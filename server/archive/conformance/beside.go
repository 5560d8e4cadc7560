package conformance

import (
	"testing"

	"beltend/server/archive"
	"beltend/server/result"
)

// testBeside measures answer's photos once more, to compare: it is listed and told of,
// and changes nothing about the answer.
func testBeside(t *testing.T, a *archive.Archive, p Plant, answer archive.Measurement) {
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
}
