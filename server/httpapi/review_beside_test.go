package httpapi

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"beltend/server/archive"
	"beltend/server/report"
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

	// A reviewer lets the newer one stand.
	stand := func(who, why string) (answer, string) {
		t.Helper()
		resp, body := g.ask(t, who, "POST", "/review/m/"+id+"/stand", strings.NewReader(url.Values{"because": {why}}.Encode()), "application/x-www-form-urlencoded")
		return resp, string(body)
	}
	form = `action="/review/m/` + id + `/stand"`
	if body := page(to); !strings.Contains(body, form) || !strings.Contains(body, "must be signed off anew") {
		t.Error("no form to let it stand, or it does not say that the answer is signed off")
	}
	if strings.Contains(page("/review/m/"+first.ID), `/stand"`) {
		t.Error("the answer itself can be made the answer")
	}
	for _, c := range []struct {
		who, why string
		status   int
	}{{"technician", "x", http.StatusForbidden}, {"everything there", "x", http.StatusNotFound}, {"reviewer", " ", http.StatusBadRequest}} {
		if resp, _ := stand(c.who, c.why); resp.StatusCode != c.status {
			t.Errorf("by %s for %q: %s, want %d", c.who, c.why, resp.Status, c.status)
		}
	}
	resp, body = stand("reviewer", "seen on the photo")
	answer := resp.Header.Get("Location")
	if resp.StatusCode != http.StatusSeeOther || answer == to || !strings.HasPrefix(answer, "/review/m/") {
		t.Fatalf("%s to %q: %.300s", resp.Status, answer, body)
	}
	for path, want := range map[string][]string{
		answer:                  {"newer result made the answer, reviewer", "seen on the photo", "A reviewer made this newer result the answer", to, `name="outcome"`, "Nobody has signed this yet", "stands as the answer", "the answer before"},
		to:                      {"A reviewer made this result the answer", answer, "newer result made the answer, reviewer"},
		"/review/m/" + first.ID: {"see the newer result", answer, "accepted", "Signed off.", "the answer before", "newer result made the answer, reviewer"},
		"/review?review=":       {"newer result, made the answer", "measured again from the same photos"},
		"/review":               {answer},
	} {
		body := page(path)
		for _, w := range want {
			if !strings.Contains(body, w) {
				t.Errorf("after it stands, %s does not show %q", path, w)
			}
		}
	}
	if strings.Contains(page("/review/m/"+first.ID), `name="outcome"`) {
		t.Error("the answer before can be signed")
	}
	if strings.Contains(page("/review"), "/review/m/"+first.ID) {
		t.Error("the answer before still waits")
	}
	if status, _ := g.sign(t, "reviewer", first.ID, signs("sent_back", "x", "", "")); status != http.StatusConflict {
		t.Errorf("a sign-off on the answer before: %d", status)
	}
	if strings.Contains(page(to), form) {
		t.Error("it can be made the answer once more")
	}
	if resp, _ := stand("reviewer", "once more"); resp.StatusCode != http.StatusConflict {
		t.Errorf("once more: %s", resp.Status)
	}
	if status, body := g.sign(t, "reviewer", strings.TrimPrefix(answer, "/review/m/"), signs("concession", "the belt is short", "the plant's engineer", "")); status != http.StatusSeeOther {
		t.Errorf("signed off anew: %d %.300s", status, body)
	}
	german, text := g.ask(t, "reviewer", "GET", answer+"?lang=de", nil, "")
	if german.StatusCode != http.StatusOK || !strings.Contains(shownText(text), "neueres Ergebnis zur Antwort gemacht, reviewer") {
		t.Error("the event is not in German")
	}
	_, joint := g.ask(t, "reviewer", "GET", "/joints/"+g.ours.ids["joint"], nil, "")
	if !strings.Contains(string(joint), "measured again, to compare") {
		t.Error("the joint's history does not tell of it")
	}
}

// Programs let a newer result stand in the same way, with the scope to review.
func TestAResultStandsForPrograms(t *testing.T) {
	d, g := describe(t), guard(t)
	const route = "/api/v1/measurements/{id}/stand"
	first := g.put(t, result.Square, func(m *result.Measurement) { m.Program, m.Method, m.Settings = "v0.9", "4", &result.Settings{} })
	plain := full()
	plain.Links = nil
	beside, err := g.store.Put(t.Context(), local.Actor, archive.Measurement{Joint: first.Kept.Joint, End: first.Kept.End, Step: first.Kept.Step, Person: first.Kept.Person, Files: first.Kept.Files, Beside: first.ID}, "", plain, report.Options{}, nil)
	if err != nil {
		t.Fatal(err)
	}
	post := func(who, id, why string) (answer, []byte) {
		t.Helper()
		return g.ask(t, who, "POST", "/api/v1/measurements/"+id+"/stand", strings.NewReader(url.Values{"reason": {why}}.Encode()), "application/x-www-form-urlencoded")
	}
	for _, c := range []struct {
		who, id, why string
		status       int
	}{{"", beside.ID, "x", 401}, {"technician", beside.ID, "x", 403}, {"everything there", beside.ID, "x", 404}, {"reviewer", "0", "x", 404}, {"reviewer", beside.ID, "", 400}, {"reviewer", first.ID, "x", 409}, {"reviewer", beside.ID, "x", 201}, {"reviewer", beside.ID, "x", 409}} {
		resp, body := post(c.who, c.id, c.why)
		if resp.StatusCode != c.status {
			t.Errorf("%+v: %s %.300s", c, resp.Status, body)
		}
		d.check(t, "post", route, resp, body)
		if c.status != http.StatusCreated {
			continue
		}
		if resp, body := g.ask(t, "reviewer", "GET", resp.Header.Get("Location"), nil, ""); resp.StatusCode != http.StatusOK {
			t.Errorf("the answer: %s %.300s", resp.Status, body)
		}
	}
}
