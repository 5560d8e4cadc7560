package httpapi

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
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

// Every report on paper leaves an event of its own, and ends with the chain as that left
// it: the number and hash on paper are the event's, and the archive vouches for them.
func TestReportsAreEvents(t *testing.T) {
	g := guard(t)
	joint, look := g.ours.id("joint"), g.ours.id("look")
	issued := func() []archive.Event {
		t.Helper()
		events, err := g.store.Archive.Events(t.Context(), archive.EventQuery{Sites: archive.AllSites(), What: "joint.reported", Limit: 100})
		if err != nil {
			t.Fatal(err)
		}
		return events
	}
	var numbers []string
	for i, c := range []struct{ who, path, payload string }{
		{"reviewer", "/joints/" + joint + "/record.pdf", `{"kind":"joint.pdf"}`},
		{"technician", "/api/v1/joints/" + joint + "/record.pdf?lang=de", `{"kind":"joint.pdf"}`},
		{"technician", "/joints/" + joint + "/finished/" + look + "/report.pdf", `{"kind":"finished-joint.pdf","look":"` + look + `"}`},
	} {
		resp, body := g.ask(t, c.who, "GET", c.path, nil, "")
		if resp.StatusCode != 200 {
			t.Fatalf("%s: %s %.200s", c.path, resp.Status, body)
		}
		events := issued()
		if len(events) != i+1 {
			t.Fatalf("%s: %d events", c.path, len(events))
		}
		e := events[0]
		if e.Name != c.who || e.Site != g.ours.ids["site"] || e.Subject != archive.ReportSubject(joint) || string(e.Payload) != c.payload {
			t.Errorf("%s: %+v %s", c.path, e, e.Payload)
		}
		if strings.HasSuffix(c.path, "/report.pdf") { // which names no chain
			continue
		}
		text := strings.Join(strings.Fields(pdfText(t, body)), "")
		head := fmt.Sprintf("%d-%s", e.Seq, e.Hash)
		number := fmt.Sprintf("%s-%d", joint, e.Seq)
		if !strings.Contains(text, head) || !strings.Contains(text, number) {
			t.Errorf("%s: neither %s nor %s is on it:\n%s", c.path, head, number, text)
		}
		numbers = append(numbers, number)
		printed, err := archive.ParseHead(head)
		if err != nil {
			t.Fatal(err)
		}
		if r, err := g.store.Archive.Verify(t.Context(), archive.VerifyOptions{Head: &printed}); err != nil || len(r.Problems) > 0 {
			t.Errorf("verified by the paper's head: %+v, %v", r, err)
		}
	}
	if numbers[0] == numbers[1] {
		t.Errorf("two records have the number %s", numbers[0])
	}
	_, page := g.ask(t, "reviewer", "GET", "/review/m/"+g.ours.ids["measurement"], nil, "")
	if n := strings.Count(string(page), "report issued, "); n != 3 {
		t.Errorf("the history shows %d reports of 3", n)
	}
	before := g.head(t)
	for who, path := range map[string]string{"everything there": "/joints/" + joint + "/record.pdf", "reviewer": "/joints/" + joint + "/finished/0/report.pdf", "": "/joints/" + joint + "/record.pdf"} {
		if resp, body := g.ask(t, who, "GET", path, nil, ""); resp.StatusCode == 200 && strings.HasPrefix(string(body), "%PDF") {
			t.Errorf("%q got %s", who, path)
		}
	}
	if g.head(t) != before {
		t.Error("there are events of reports that nobody got")
	}
}

// pdfText is what a PDF says.
func pdfText(t *testing.T, pdf []byte) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "x.pdf")
	if err := os.WriteFile(file, pdf, 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command("pdftotext", file, "-").Output() //nolint:gosec // our own file
	if err != nil {
		t.Skip("pdftotext:", err)
	}
	return string(out)
}
