package httpapi

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"beltend/server/archive"
	"beltend/server/result"
)

// The reviewer measures kept photos again: both results are shown with program and
// method, and the joint's answer stays the signed-off one.
func TestMeasuringAgainToCompare(t *testing.T) {
	g := guard(t)
	first := g.put(t, result.Square, func(m *result.Measurement) {
		m.Program, m.Method, m.Settings = "v0.9", "4", &result.Settings{}
		m.Squareness.OffsetMM = 0.7
	})
	if status, body := g.sign(t, "reviewer", first.ID, signs("accepted", "", "", "")); status != http.StatusSeeOther {
		t.Fatalf("%d %s", status, body)
	}
	page := func(path string) string {
		t.Helper()
		resp, body := g.ask(t, "reviewer", "GET", path, nil, "")
		if resp.StatusCode != 200 {
			t.Fatalf("%s: %s", path, resp.Status)
		}
		return string(body)
	}
	again := func(who, why string) (answer, string) {
		t.Helper()
		resp, body := g.ask(t, who, "POST", "/review/m/"+first.ID+"/again", strings.NewReader(url.Values{"why": {why}}.Encode()), "application/x-www-form-urlencoded")
		return resp, string(body)
	}
	form := `action="/review/m/` + first.ID + `/again"`
	if body := page("/review/m/" + first.ID); !strings.Contains(body, form) {
		t.Error("no form to measure again")
	}
	if resp, _ := again("technician", "x"); resp.StatusCode != http.StatusForbidden {
		t.Errorf("by a technician: %s", resp.Status)
	}
	if resp, body := again("reviewer", " "); resp.StatusCode != http.StatusBadRequest || !strings.Contains(body, form) {
		t.Errorf("without a reason: %s", resp.Status)
	}
	if resp, _ := again("everything there", "x"); resp.StatusCode != http.StatusNotFound {
		t.Errorf("by somebody of another site: %s", resp.Status)
	}
	resp, body := again("reviewer", "method 4 read dark belts badly")
	to := resp.Header.Get("Location")
	if resp.StatusCode != http.StatusSeeOther || !strings.HasPrefix(to, "/review/m/") || to == "/review/m/"+first.ID {
		t.Fatalf("%s to %q: %.300s", resp.Status, to, body)
	}
	id := strings.TrimPrefix(to, "/review/m/")
	compare := `/review/compare/` + first.ID + `/` + id
	for path, want := range map[string][]string{
		"/review/m/" + first.ID: {compare, "Program v0.9", "Program test", "the answer"},
		to:                      {compare, "Program v0.9", "Program test", "method 4 read dark belts badly", "nothing to sign off", "/review/m/" + first.ID},
		compare:                 {"v0.9", "test"},
		"/review?review=":       {"measured again, to compare"},
	} {
		body := page(path)
		for _, w := range want {
			if !strings.Contains(body, w) {
				t.Errorf("%s does not show %q", path, w)
			}
		}
		if path == to && strings.Contains(body, `name="outcome"`) {
			t.Error("what stands beside the answer can be signed")
		}
	}
	if status, _ := g.sign(t, "reviewer", id, signs("sent_back", "x", "", "")); status != http.StatusConflict {
		t.Errorf("a sign-off on it: %d", status)
	}
	if f, err := g.store.Archive.Measurement(t.Context(), archive.AllSites(), first.ID); err != nil || f.Review != archive.Accepted || !f.Stands() || f.ResultSHA256 != first.Kept.ResultSHA256 {
		t.Errorf("the answer afterwards: %+v, %v", f, err)
	}
	_, joint := g.ask(t, "reviewer", "GET", "/joints/"+g.ours.ids["joint"], nil, "")
	if !strings.Contains(string(joint), "measured again, to compare") {
		t.Error("the joint's history does not tell of it")
	}
}
