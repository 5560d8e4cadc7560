package httpapi

import (
	"strings"
	"testing"

	"beltend/server/archive"
)

// Whatever is taken away leaves an event that says who took what.
func TestExportsAreEvents(t *testing.T) {
	g := guard(t)
	taken := func() []archive.Event {
		t.Helper()
		events, err := g.store.Archive.Events(t.Context(), archive.EventQuery{Sites: archive.AllSites(), What: "archive.exported", Limit: 100})
		if err != nil {
			t.Fatal(err)
		}
		return events
	}
	for i, c := range []struct{ path, payload string }{
		{"/api/v1/measurements.csv?text=feed", `"kind":"measurements.csv","sites":["` + g.ours.ids["site"] + `"],"text":"feed"`},
		{"/api/v1/joints.jsonl?joint=" + g.ours.ids["joint"], `"joint":"` + g.ours.ids["joint"] + `","kind":"joints.jsonl"`},
		{"/review/measurements.csv?from=2026-03-01", `"from":"2026-0`},
		{"/api/v1/export.zip", `"kind":"export.zip"`},
	} {
		if resp, body := g.ask(t, "reviewer", "GET", c.path, nil, ""); resp.StatusCode != 200 {
			t.Fatalf("%s: %s %.200s", c.path, resp.Status, body)
		}
		events := taken()
		if len(events) != i+1 || events[0].Name != "reviewer" || events[0].Site != g.ours.ids["site"] || !strings.Contains(string(events[0].Payload), c.payload) {
			t.Errorf("%s: %d events, the last %+v %s", c.path, len(events), events[0], events[0].Payload)
		}
	}
	before := len(taken())
	for path, status := range map[string]int{"/api/v1/measurements.csv?verdict=round": 400, "/api/v1/export.zip?from=yesterday": 400} {
		if resp, _ := g.ask(t, "reviewer", "GET", path, nil, ""); resp.StatusCode != status {
			t.Errorf("%s: %s, want %d", path, resp.Status, status)
		}
	}
	if resp, _ := g.ask(t, "", "GET", "/api/v1/measurements.csv", nil, ""); resp.StatusCode == 200 {
		t.Error("taken away by nobody")
	}
	if n := len(taken()); n != before {
		t.Errorf("%d events of what was never handed out", n-before)
	}
}
