package httpapi

import (
	"html"
	"net/http"
	"net/http/httptest"
	"net/url"
	"path"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"beltend/server/archive"
	"beltend/server/result"
	"beltend/server/store"
)

// A joint begun as 800 mm whose ends measure 500 mm says so at each end in words; ends within
// a per cent of it, the usual band, say nothing.
func TestJointSaysThatTheWidthDiffers(t *testing.T) {
	f := newFake()
	var cfg Config
	s := serve(t, f, func(c *Config) { cfg = *c })
	measured := func(number string, width float64) string {
		t.Helper()
		at := joint(t, s.URL, number)
		for _, end := range []string{archive.Leading, archive.Trailing} {
			m := full()
			m.Links = nil
			m.Width = &result.Width{AtCutMM: width, AtCutU95MM: 0.6, MeanMM: width, MeanU95MM: 0.5}
			put(t, cfg.Store, local, archive.Measurement{Joint: path.Base(at), End: end, Step: archive.StepCut}, store.File{Name: "end.jpg", Data: []byte(saying(number + end))}, m)
		}
		return at
	}
	for _, c := range []struct {
		number, lang string
		width        float64
		want         string
		times        int
	}{
		{"J-1", "en", 500, "The belt measures 500 mm, -37.5 % off the nominal 800 mm", 2},
		{"J-2", "de", 500, "Der Gurt misst 500 mm, -37,5 % neben dem Nennmaß 800 mm", 2},
		{"J-3", "en", 807, "off the nominal", 0},
		{"J-4", "en", 813, "The belt measures 813 mm, 1.6 % off the nominal 800 mm", 2},
	} {
		_, body := get(t, measured(c.number, c.width)+"?lang="+c.lang, nil)
		text := strings.ReplaceAll(html.UnescapeString(string(body)), "\u00a0", " ")
		if got := strings.Count(text, c.want); got != c.times {
			t.Errorf("%s, %.0f mm: %q is said %d times, want %d", c.number, c.width, c.want, got, c.times)
		}
	}
}

// Another joint on the same belt starts with what the first was begun with, but for its own
// number; the joint's page leads there.
func TestJointLikeAnother(t *testing.T) {
	s := serve(t, newFake(), nil)
	at := joint(t, s.URL, "J-7")
	_, body := get(t, at, nil)
	link := "/joints/new?like=" + path.Base(at)
	if !strings.Contains(string(body), link) {
		t.Fatalf("the joint's page has no link to %s", link)
	}
	field := regexp.MustCompile(`<input name="([a-z]+)" value="([^"]*)"`)
	_, body = get(t, s.URL+link, nil)
	got := map[string]string{}
	for _, m := range field.FindAllStringSubmatch(string(body), -1) {
		got[m[1]] = html.UnescapeString(m[2])
	}
	for name, want := range map[string]string{"site": "Kestrel Hollow quarry", "conveyor": "Conveyor 3", "belt": "Belt 3-A", "number": "", "width": "800", "tolerance": "1.6"} {
		if got[name] != want {
			t.Errorf("%s is %q, want %q", name, got[name], want)
		}
	}
	if got["travel"] == "" {
		t.Error("the direction of travel is not filled in")
	}
	form := url.Values{}
	for name, value := range got {
		form.Set(name, value)
	}
	form.Set("number", "J-8")
	form.Set("face", "carrying")
	req, err := http.NewRequest(http.MethodPost, s.URL+"/joints", strings.NewReader(form.Encode()))
	if err != nil {
		t.Fatal(err)
	}
	resp, _ := send(t, req, map[string]string{"Content-Type": "application/x-www-form-urlencoded"})
	if resp.StatusCode != http.StatusSeeOther || resp.Header.Get("Location") == at[len(s.URL):] {
		t.Errorf("%s to %s", resp.Status, resp.Header.Get("Location"))
	}
	if resp, _ := get(t, s.URL+"/joints/new?like=0", nil); resp.StatusCode != http.StatusNotFound {
		t.Errorf("like a joint that is not there: %s", resp.Status)
	}
}

// Measuring again takes joint and hints; what else is named would be ignored, and is refused.
func TestMeasuringAgainRefusesUnknownFields(t *testing.T) {
	f := newFake()
	var cfg Config
	s := serve(t, f, func(c *Config) { cfg = *c })
	m := full()
	m.Links, m.Settings = nil, nil
	r := put(t, cfg.Store, local, archive.Measurement{Joint: path.Base(joint(t, s.URL, "J-5")), End: archive.Leading, Step: archive.StepCut}, store.File{Name: "end.jpg", Data: []byte(saying("end"))}, m)
	for body, want := range map[string]string{`{"photos":["1"]}`: "photos", `{"card_set":"1"}`: "card_set", `{"fresh":true}`: "fresh", `{"hints":[],"trim":"5"}`: "trim", `{"joint":true}`: "", `{}`: ""} {
		req, err := http.NewRequest(http.MethodPost, s.URL+"/m/"+r.ID+"/again", strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		resp, answer := send(t, req, map[string]string{"Content-Type": "application/json", "Accept": "text/event-stream"})
		kind := resp.Header.Get("Content-Type")
		switch {
		case want == "" && kind != "text/event-stream":
			t.Errorf("%s: %s %s", body, resp.Status, answer)
		case want != "" && (resp.StatusCode != http.StatusBadRequest || kind != "application/problem+json" || !strings.Contains(string(answer), want)):
			t.Errorf("%s: %s %s %s", body, resp.Status, kind, answer)
		}
	}
}

// Pages answer within 100 ms of this process's processor time, the best of some tries: at the
// wall others on the machine would count too.
func TestPagesAnswerSoon(t *testing.T) {
	if testing.Short() || underRace {
		t.Skip("times mean nothing here")
	}
	const most = 100 * time.Millisecond
	f := newFake()
	cfg := Config{Measurer: f, Store: newStore(t, f), Local: local}
	cfg.Orders = newDesk(t, cfg.Store, f)
	service := New(cfg)
	s := httptest.NewServer(service)
	defer s.Close()
	at := path.Base(joint(t, s.URL, "J-6"))
	var last store.Record
	for i := range 100 {
		m := full()
		m.Links, m.Verdict, m.Width.AtCutMM, m.Cut.Profile, m.Squareness.TargetDeg = nil, result.Recut, 800, [][2]float64{{-400, 0}, {400, 0}}, 0
		last = put(t, cfg.Store, local, archive.Measurement{Joint: at, End: []string{archive.Leading, archive.Trailing}[i%2], Step: archive.StepCut}, store.File{Name: "end.jpg", Data: []byte(saying("end"))}, m)
	}
	used := func() time.Duration {
		var u syscall.Rusage
		if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
			t.Fatal(err)
		}
		return time.Duration(u.Utime.Nano() + u.Stime.Nano())
	}
	for _, page := range []string{"/", "/joints/" + at, "/joints/" + at + "/end/leading/cut", "/joints/" + at + "/finished", "/m/" + last.ID, "/joints/" + at + "/pair", "/review", "/review/m/" + last.ID, "/review/chart", "/train", "/lacing", "/tape", "/components"} {
		var took []time.Duration
		for range 5 {
			r := httptest.NewRequest(http.MethodGet, page, nil)
			r.Host = "127.0.0.1"
			r.Header.Set("Accept", "text/html")
			w := httptest.NewRecorder()
			before := used()
			service.ServeHTTP(w, r)
			if took = append(took, used()-before); w.Code != http.StatusOK {
				t.Fatalf("%s: %d", page, w.Code)
			}
		}
		if best := slices.Min(took); best > most {
			t.Errorf("%s takes %v, at most %v are wanted", page, best, most)
		} else {
			t.Logf("%s: %v", page, best)
		}
	}
}
