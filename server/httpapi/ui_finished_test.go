package httpapi

import (
	"context"
	"encoding/json"
	"net/http"
	"path"
	"regexp"
	"slices"
	"strings"
	"testing"

	"beltend/server/archive"
	"beltend/server/archive/conformance"
	"beltend/server/measure"
	"beltend/server/pages"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/server/worker"
)

// counting answers as a worker does that counts hooks.
type counting struct {
	*fake
	asked []worker.Job
}

func (f *counting) Run(ctx context.Context, job worker.Job, p measure.Progress) (worker.Answer, error) {
	if job.Hooks == nil {
		return f.fake.Run(ctx, job, p)
	}
	f.asked = append(f.asked, job)
	return worker.Answer{Hooks: countOf(job), Pictures: []worker.File{{Name: "counted.jpg", Data: []byte(saying("counted"))}}}, nil
}

// countOf is what such a worker counts.
func countOf(job worker.Job) *result.Hooks {
	r := job.Hooks.Draw
	if r == nil {
		r = &result.Hooks{Schema: result.HooksSchema, FaceUp: job.Hooks.Face, HookPlan: job.Hooks.Plan, Settings: &job.Settings, Findings: []result.HookFinding{{Code: "missing", Side: "A", AtMM: 120, Message: "A, 120 mm from the left edge: a place without a hook."}},
			Warnings: []result.Warning{}, Checklist: result.Clinch(), Image: &result.HookImage{}}
		for _, side := range []string{"A", "B"} {
			r.Sides = append(r.Sides, result.HookSide{Side: side, Hooks: 87, PitchMM: 9, ToleranceMM: 1.6, Verdict: result.Square, MarginsCertain: true})
		}
	}
	return r
}

// A finished joint is counted, compared with the plan for its width, and judged by
// a person item by item; nothing passes by itself.
func TestFinishedJoint(t *testing.T) {
	f := &counting{fake: newFake()}
	var a *archive.Archive
	s := serve(t, f, func(cfg *Config) { a = cfg.Store.Archive })
	at := joint(t, s.URL, "J-9")
	looks := func() []archive.Finished {
		all, err := a.FinishedOf(context.Background(), archive.AllSites(), path.Base(at))
		if err != nil {
			t.Fatal(err)
		}
		return all
	}

	for field, value := range map[string]string{"pitch": "2000", "wire": "-1"} {
		parts := map[string]string{"pitch": "9", "wire": "2"}
		parts[field] = value
		resp, body := post(t, at+"/finished", nil, part{"photos", "j.jpg", "hooks"}, part{"pitch", "", parts["pitch"]}, part{"wire", "", parts["wire"]})
		if resp.StatusCode != http.StatusBadRequest || !strings.Contains(string(body), field) {
			t.Errorf("%s %s: %s", field, value, resp.Status)
		}
	}
	if resp, body := post(t, at+"/finished", nil, part{"photos", "j.jpg", "hooks"}, part{"pitch", "", "9"}, part{"wire", "", "2"}); resp.StatusCode != http.StatusSeeOther {
		t.Fatalf("%s: %s", resp.Status, body)
	}
	// by hand: (800 - 2*6 - 2) / 9 = 87.3, one hook more than whole pitches
	if face := f.asked[len(f.asked)-1].Hooks.Face; face != result.Carrying { // that of the joint
		t.Errorf("face up %q", face)
	}
	if p := f.asked[len(f.asked)-1].Hooks.Plan; p == nil || p.Lead.Hooks != 88 || p.Trail.Hooks != 87 || f.asked[0].Settings.ToleranceMM != 1.6 {
		t.Errorf("the plan asked for: %+v", p)
	}
	kept := looks()
	if len(kept) != 1 || len(kept[0].Files) != 1 || len(kept[0].Clinch) != 0 {
		t.Fatalf("kept: %+v", kept)
	}
	// sent again, as after a connection broke, it is the same look
	if resp, _ := post(t, at+"/finished", nil, part{"photos", "j.jpg", "hooks"}, part{"pitch", "", "9"}, part{"wire", "", "2"}); resp.StatusCode != http.StatusSeeOther || len(looks()) != 1 {
		t.Errorf("the same photo again: %s, %d looks", resp.Status, len(looks()))
	}
	look := at + "/finished/" + kept[0].ID
	_, body := get(t, at+"/finished", nil)
	for _, want := range []string{"/counted.jpg", "0 of 8 judged", "120"} {
		if !strings.Contains(string(body), want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if regexp.MustCompile(`name="judged-[^>]* checked`).Match(body) {
		t.Error("something of the clinch is judged by nobody")
	}
	if resp, picture := get(t, look+"/counted.jpg", nil); commentOf(picture) != "counted" || resp.Header.Get("Content-Type") != "image/jpeg" {
		t.Errorf("the picture: %s %q", resp.Status, picture)
	}

	if resp, _ := post(t, look+"/clinch", nil, part{"name", "", "Bo Tern"}, part{"photo-pulley-loop_round", "c.jpg", "close"}); resp.StatusCode != http.StatusBadRequest {
		t.Errorf("a photo without a judgement: %s", resp.Status)
	}
	if resp, _ := post(t, look+"/clinch", nil, part{"name", "", ""}, part{"judged-pulley-loop_round", "", "good"}); resp.StatusCode != http.StatusBadRequest {
		t.Errorf("judged by nobody: %s", resp.Status)
	}
	if resp, body := post(t, look+"/clinch", nil, part{"name", "", "Bo Tern"}, part{"judged-pulley-loop_round", "", "rework"}, part{"note-pulley-loop_round", "", "keyhole at 40 mm"},
		part{"photo-pulley-loop_round", "c.jpg", "close"}); resp.StatusCode != http.StatusSeeOther {
		t.Fatalf("%s: %s", resp.Status, body)
	}
	// a later judgement of something else leaves it as it is
	if resp, body := post(t, look+"/clinch", nil, part{"name", "", "Ada Finch"}, part{"judged-pulley-loop_round", "", "rework"}, part{"note-pulley-loop_round", "", "keyhole at 40 mm"},
		part{"judged-carrying-wire_sunk", "", "good"}); resp.StatusCode != http.StatusSeeOther {
		t.Fatalf("%s: %s", resp.Status, body)
	}
	kept = looks()
	if c := kept[0].Clinch; len(c) != 2 || c[0].By != "Bo Tern" || c[0].Judgement != result.Rework || c[0].Photo == "" || c[1].By != "Ada Finch" || c[1].Photo != "" {
		t.Fatalf("judged: %+v", kept[0].Clinch)
	}
	if _, body := get(t, at+"/finished", nil); !strings.Contains(string(body), "2 of 8 judged") || !strings.Contains(string(body), "keyhole at 40 mm") {
		t.Error("the page does not show the judgements")
	}
	if resp, _ := get(t, look+"/photos/"+kept[0].Clinch[0].Photo, nil); resp.StatusCode != http.StatusOK {
		t.Errorf("the close-up: %s", resp.Status)
	}
	if resp, _ := get(t, look+"/photos/"+kept[0].Files[0].SHA256, nil); resp.StatusCode != http.StatusNotFound {
		t.Errorf("another photo by the close-up's address: %s", resp.Status)
	}
	// judgements whose close-ups came before, as the pages' queue sends them
	judged := func(body string) string {
		t.Helper()
		req, err := http.NewRequest(http.MethodPost, look+"/clinch/judged", strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		_, answer := send(t, req, map[string]string{"Content-Type": "application/json", "Accept": "text/event-stream"})
		return string(answer)
	}
	by := `"name":"Bo Tern","judged-carrying-points_through":"good"`
	hash := kept[0].Clinch[0].Photo
	version := looks()[0].Version
	for body, want := range map[string]string{
		`{"fields":{` + by + `,"judged-belt":"good"}}`:                                                         "no such field",
		`{"fields":{` + by + `},"photos":{"photo-belt":"` + hash + `"}}`:                                       "no such field",
		`{"fields":{"judged-carrying-points_through":"good"}}`:                                                 "who judged",
		`{"fields":{` + by + `},"photos":{"photo-carrying-points_through":"` + strings.Repeat("0", 64) + `"}}`: "not kept at this site",
		`{"fields":{"name":"Bo Tern"},"photos":{"photo-carrying-points_through":"` + hash + `"}}`:              "no judgement",
		`{"fields":{"name":"Bo Tern","note-carrying-points_through":"two stick out"}}`:                         "no judgement",
		`{"fields":{"name":"Bo Tern","judged-carrying-points_through":"fine"}}`:                                "is none of good",
	} {
		if answer := judged(body); strings.Contains(answer, "event: done") || !strings.Contains(answer, want) {
			t.Errorf("%s: %s", body, answer)
		}
	}
	for range 2 { // the second time as after a connection broke
		if answer := judged(`{"fields":{` + by + `},"photos":{"photo-carrying-points_through":"` + hash + `"}}`); !strings.Contains(answer, "event: done") || !strings.Contains(answer, "/finished#clinch") {
			t.Fatal(answer)
		}
	}
	if f := looks()[0]; len(f.Clinch) != 3 || f.Clinch[2].Code != "points_through" || f.Clinch[2].Photo != hash || f.Version != version+1 {
		t.Errorf("judged: %+v, version %d after %d", f.Clinch, f.Version, version)
	}

	// on paper, and for the reviewer
	if resp, paper := get(t, look+"/report.pdf", nil); resp.Header.Get("Content-Type") != "application/pdf" || !strings.HasPrefix(string(paper), "%PDF") {
		t.Errorf("on paper: %s %.40q", resp.Status, paper)
	}
	if last := f.asked[len(f.asked)-1]; !last.Hooks.CloseUps || len(last.Photos) != 2 || commentOf(last.Photos[0].Data) != "close" {
		t.Errorf("close-ups for the paper: %+v of %d photos", last.Hooks, len(last.Photos))
	}
	m, err := a.AddMeasurement(context.Background(), archive.Actor{ID: "t"}, archive.Measurement{Joint: path.Base(at), End: archive.Leading, Step: archive.StepCut, Person: "Mara Quill", Files: kept[0].Files, Result: conformance.Offset(0.5, 0.3, 2)}, "")
	if err != nil {
		t.Fatal(err)
	}
	_, body = get(t, s.URL+"/review/m/"+m.ID, nil)
	for _, want := range []string{look[len(s.URL):] + "/counted.jpg", "keyhole at 40 mm", "not judged", "rework"} {
		if !strings.Contains(string(body), want) {
			t.Errorf("the reviewer's page does not say %q", want)
		}
	}
	// the whole joint on paper, for people and programs
	for _, address := range []string{at, s.URL + "/api/v1" + at[len(s.URL):]} {
		if resp, paper := get(t, address+"/record.pdf", nil); resp.Header.Get("Content-Type") != "application/pdf" || resp.Header.Get("Cache-Control") != "no-store" || !strings.HasPrefix(string(paper), "%PDF") {
			t.Errorf("the joint on paper: %s %.200q", resp.Status, paper)
		}
	}
	if _, body := get(t, at, nil); !strings.Contains(string(body), at[len(s.URL):]+"/record.pdf") {
		t.Error("the joint's page has no link to its paper")
	}
	if resp, _ := get(t, s.URL+"/joints/0/record.pdf", nil); resp.StatusCode != http.StatusNotFound {
		t.Errorf("a joint that is not there on paper: %s", resp.Status)
	}
	// once each end had a step of that name
	if resp, _ := get(t, at+"/end/leading/finished", nil); resp.StatusCode != http.StatusMovedPermanently || resp.Header.Get("Location") != at[len(s.URL):]+"/finished" {
		t.Errorf("an old link: %s to %q", resp.Status, resp.Header.Get("Location"))
	}
}

// Programs count, list and fetch what pages do.
func TestFinishedJointForPrograms(t *testing.T) {
	d := describe(t)
	f := &counting{fake: newFake()}
	s := serve(t, f, nil)
	const route = "/api/v1/joints/{id}/finished"
	at := s.URL + "/api/v1/joints/" + path.Base(joint(t, s.URL, "J-9")) + "/finished"
	resp, body := post(t, at, nil, part{"photos", "j.jpg", "hooks"}, part{"face-up", "", "pulley"})
	if resp.StatusCode != http.StatusCreated || f.asked[0].Hooks.Face != result.PulleySide {
		t.Fatalf("%s %s", resp.Status, body)
	}
	d.check(t, "post", route, resp, body)
	resp, body = get(t, at, nil)
	d.check(t, "get", route, resp, body)
	var all struct{ Looks []finishedLook }
	if err := json.Unmarshal(body, &all); err != nil || len(all.Looks) != 1 || len(all.Looks[0].Counted.Checklist) != 8 || all.Looks[0].Counted.Sides[1].Hooks != 87 {
		t.Fatalf("%v: %s", err, body)
	}
	resp, body = get(t, s.URL+all.Looks[0].Links.Picture, nil)
	d.check(t, "get", route+"/{look}/counted.jpg", resp, body)
	resp, body = get(t, strings.TrimSuffix(at, "/finished")+"/record.pdf", nil)
	d.check(t, "get", "/api/v1/joints/{id}/record.pdf", resp, body)
	resp, body = get(t, s.URL+all.Looks[0].Links.Report, nil)
	d.check(t, "get", route+"/{look}/report.pdf", resp, body)
	resp, body = post(t, at, nil, part{"photos", "j.jpg", "hooks"}, part{"wire", "", "-1"}, part{"pitch", "", "9"})
	if d.check(t, "post", route, resp, body); resp.StatusCode != http.StatusBadRequest {
		t.Errorf("an impossible wire: %s", resp.Status)
	}
	resp, body = get(t, s.URL+"/api/v1/joints/0/finished", nil)
	if d.check(t, "get", route, resp, body); resp.StatusCode != http.StatusNotFound {
		t.Errorf("no such joint: %s", resp.Status)
	}
}

// Margins that are not certain and joints without a plan are drawn with their uncertainty and
// nothing beside them; with a plan both are held against it.
func TestRowsAreDrawnOnARule(t *testing.T) {
	side := func(name string, certain bool) result.HookSide {
		return result.HookSide{Side: name, Hooks: 87, PitchMM: 9.02, PitchU95MM: 0.02, MarginLeftMM: 6.4, MarginRightMM: 5.9, MarginU95MM: 0.5, OffsetMM: 0.3, OffsetU95MM: 0.4, ToleranceMM: 1.6, MarginsCertain: certain}
	}
	r := result.Hooks{Schema: result.HooksSchema, Sides: []result.HookSide{side("A", true), side("B", false)}, Warnings: []result.Warning{}}
	drawn := func() (bare, against []string) {
		t.Helper()
		b, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		looks, err := pages.Looks([]archive.Finished{{Result: b}}, report.Options{})
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range looks[0].Scales {
			switch {
			case s.Bare && s.Lo < s.Hi && s.BandW == 0:
				bare = append(bare, s.What)
			case s.BandW > 0:
				against = append(against, s.What)
			}
		}
		return bare, against
	}
	rows := []string{"A, row out of square", "B, row out of square"}
	if bare, against := drawn(); len(bare) != 6 || !slices.Equal(against, rows) {
		t.Errorf("without a plan: bare %q, against something %q", bare, against)
	}
	for _, s := range r.Sides {
		r.Plan = append(r.Plan, result.PlanCheck{Side: s.Side, What: "pitch", Planned: 9, Seen: s.PitchMM}, result.PlanCheck{Side: s.Side, What: "margin_left", Planned: 6, Seen: s.MarginLeftMM}, result.PlanCheck{Side: s.Side, What: "margin_right", Planned: 6, Seen: s.MarginRightMM})
	}
	bare, against := drawn()
	if len(bare) != 2 || !strings.HasPrefix(bare[0], "B, ") || !strings.HasPrefix(bare[1], "B, ") || len(against) != 6 {
		t.Errorf("with a plan: bare %q, against it %q", bare, against)
	}
}
