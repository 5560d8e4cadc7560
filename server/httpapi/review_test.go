package httpapi

import (
	"bytes"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"beltend/server/archive"
	"beltend/server/pages"
	"beltend/server/result"
	"beltend/server/store"
)

// signs is what a form of the reviewer sends.
func signs(outcome, reason, by, person string) string {
	return url.Values{"outcome": {outcome}, "reason": {reason}, "concession-by": {by}, "person": {person}}.Encode()
}

func (g *guarded) put(t *testing.T, verdict result.Verdict, change func(*result.Measurement)) store.Record {
	t.Helper()
	m := full()
	m.Verdict = verdict
	if change != nil {
		change(m)
	}
	return put(t, g.store, local, archive.Measurement{Joint: g.ours.ids["joint"], CardSet: g.ours.ids["card-set"]}, store.File{Name: "x.jpg", Data: []byte("ok")}, m)
}

func (g *guarded) sign(t *testing.T, who, id, form string) (int, string) {
	t.Helper()
	resp, body := g.ask(t, who, "POST", "/review/m/"+id, strings.NewReader(form), "application/x-www-form-urlencoded")
	return resp.StatusCode, string(body)
}

func TestSigningOff(t *testing.T) {
	g := guard(t)
	for _, c := range []struct {
		name    string
		verdict result.Verdict
		form    string
		status  int
		review  string
	}{
		{"square is accepted", result.Square, signs("accepted", "", "", ""), 303, archive.Accepted},
		{"undecided is not", result.Undecided, signs("accepted", "", "", ""), 409, ""},
		{"recut is not", result.Recut, signs("accepted", "", "", ""), 409, ""},
		{"sent back without a reason", result.Square, signs("sent_back", " ", "", ""), 400, ""},
		{"sent back", result.Square, signs("sent_back", "frayed", "", ""), 303, archive.SentBack},
		{"conceded by nobody", result.Recut, signs("concession", "spare belt", "", ""), 400, ""},
		{"conceded", result.Recut, signs("concession", "spare belt", "the plant manager", ""), 303, archive.Concession},
		{"no outcome", result.Square, signs("", "", "", ""), 400, ""},
	} {
		r := g.put(t, c.verdict, nil)
		status, body := g.sign(t, "reviewer", r.ID, c.form)
		f, err := g.store.Archive.Measurement(t.Context(), archive.AllSites(), r.ID)
		if status != c.status || err != nil || f.Review != c.review {
			t.Errorf("%s: %d, review %q, %v; want %d, %q", c.name, status, f.Review, err, c.status, c.review)
		}
		if c.status >= 400 && !strings.Contains(body, `role="alert"`) {
			t.Errorf("%s: the page does not say what is wrong", c.name)
		}
	}
	// Whoever is signed in signs, whatever name the form holds.
	r := g.put(t, result.Square, nil)
	g.sign(t, "reviewer", r.ID, signs("accepted", "", "", "Somebody Else"))
	reviews, err := g.store.Archive.Reviews(t.Context(), archive.AllSites(), g.ours.ids["joint"])
	if err != nil {
		t.Fatal(err)
	}
	if last := reviews[len(reviews)-1]; last.Person != "reviewer" || last.PersonID == "" {
		t.Errorf("signed by %+v", last)
	}
	if status, _ := g.sign(t, "everything here", r.ID, signs("accepted", "", "", "")); status != http.StatusConflict {
		t.Errorf("a second acceptance where one is asked for: %d", status)
	}
	if status, _ := g.sign(t, "everything here", r.ID, signs("sent_back", "found later", "", "")); status != http.StatusSeeOther {
		t.Errorf("sent back after all: %d", status)
	}
}

func TestTwoPersonsWhereTheSiteAsks(t *testing.T) {
	g := guard(t)
	ctx := t.Context()
	site, err := g.store.Archive.Site(ctx, archive.AllSites(), g.ours.ids["site"])
	if err != nil {
		t.Fatal(err)
	}
	site.TwoSign = true
	if _, err := g.store.Archive.PutSite(ctx, local.Actor, site, ""); err != nil {
		t.Fatal(err)
	}
	r := g.put(t, result.Square, nil)
	says := func(text string) {
		t.Helper()
		if _, body := g.ask(t, "reviewer", "GET", "/review/m/"+r.ID, nil, ""); !bytes.Contains(body, []byte(text)) {
			t.Errorf("the record does not say %q", text)
		}
	}
	accept := signs("accepted", "", "", "")
	says("Nobody has signed this yet.")
	if status, _ := g.sign(t, "reviewer", r.ID, accept); status != http.StatusSeeOther {
		t.Fatalf("the first: %d", status)
	}
	says("a second person is needed")
	if status, _ := g.sign(t, "reviewer", r.ID, accept); status != http.StatusConflict {
		t.Errorf("the same person twice: %d", status)
	}
	if status, _ := g.sign(t, "everything here", r.ID, accept); status != http.StatusSeeOther {
		t.Errorf("the second: %d", status)
	}
	says("Signed off.")
}

// Without accounts several persons sign at one machine, each by name.
func TestTwoPersonsAtOneMachine(t *testing.T) {
	f := newFake()
	f.answer.Verdict = result.Square
	var st *store.Store
	s := serve(t, f, func(c *Config) { st = c.Store })
	resp, _ := post(t, s.URL+measurements, nil, part{"photos", "a.jpg", "ok"})
	id := resp.Header.Get("Location")[len(measurements)+1:]
	found, err := st.Get(t.Context(), archive.AllSites(), id)
	if err != nil {
		t.Fatal(err)
	}
	site, err := st.Archive.Site(t.Context(), archive.AllSites(), found.Kept.Site)
	if err != nil {
		t.Fatal(err)
	}
	site.TwoSign = true
	if _, err := st.Archive.PutSite(t.Context(), local.Actor, site, ""); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		person string
		status int
	}{{"Bo Tern", 303}, {"bo tern", 409}, {"Cy Wren", 303}} {
		req, err := http.NewRequest(http.MethodPost, s.URL+"/review/m/"+id, strings.NewReader(signs("accepted", "", "", c.person)))
		if err != nil {
			t.Fatal(err)
		}
		if resp, _ := send(t, req, map[string]string{"Content-Type": "application/x-www-form-urlencoded"}); resp.StatusCode != c.status {
			t.Errorf("%s: %s, want %d", c.person, resp.Status, c.status)
		}
	}
}

func TestSearchIsTakenFromTheAddress(t *testing.T) {
	g := guard(t)
	list := func(query string) (int, int) {
		t.Helper()
		resp, body := g.ask(t, "reviewer", "GET", "/review?"+query, nil, "")
		return resp.StatusCode, bytes.Count(body, []byte(`<td><a href="/review/m/`))
	}
	for _, mm := range []float64{-3, 0.5, 4} {
		g.put(t, result.Recut, func(m *result.Measurement) { m.Squareness.OffsetMM = mm })
	}
	r := g.put(t, result.Square, nil)
	g.sign(t, "reviewer", r.ID, signs("accepted", "", "", ""))
	// One is the plant's own; its offset is 1.25 as is that of the accepted one.
	for query, want := range map[string]int{
		"": 4, "review=": 5, "review=accepted": 1, "verdict=square&review=": 1, "offset-min=-1&offset-max=1&review=": 1, "offset-min=-1%2C0&offset-max=2.0&review=": 3,
		"text=alpha+conv": 5, "text=nothing": 0, "person=Alpha+person&review=": 1, "end=trailing&review=": 0, "from=2020-01-01&to=2020-12-31&review=": 0, "from=2020-01-01&review=": 5,
		"site=" + g.ours.ids["site"] + "&review=": 5, "site=" + g.theirs.ids["site"] + "&review=": 0, "card-set=" + g.ours.ids["card-set"] + "&review=": 5,
		"joint=" + g.ours.ids["joint"] + "&review=": 5, "belt=" + g.theirs.ids["belt"] + "&review=": 0,
	} {
		if status, n := list(query); status != http.StatusOK || n != want {
			t.Errorf("%q finds %d (%d), want %d", query, n, status, want)
		}
	}
	for _, query := range []string{"from=yesterday", "offset-min=wide", "verdict=fine", "end=left", "after=x", "text=%2B%2B"} {
		if status, _ := list(query); status != http.StatusBadRequest {
			t.Errorf("%q: %d, want it refused", query, status)
		}
	}
}

func TestListsAreReadPageByPage(t *testing.T) {
	g := guard(t)
	const n = 120
	for range n - 1 { // one is the plant's
		g.put(t, result.Square, nil)
	}
	seen := map[string]bool{}
	at, pagesRead := "/review?review=", 0
	for at != "" && pagesRead < 10 {
		_, body := g.ask(t, "reviewer", "GET", at, nil, "")
		for _, part := range strings.Split(string(body), `<td><a href="/review/m/`)[1:] {
			id, _, _ := strings.Cut(part, `"`)
			if seen[id] {
				t.Errorf("%s is listed twice", id)
			}
			seen[id] = true
		}
		at = ""
		if _, rest, ok := strings.Cut(string(body), `rel="next" href="`); ok {
			at, _, _ = strings.Cut(rest, `"`)
			at = strings.ReplaceAll(at, "&amp;", "&")
		}
		pagesRead++
	}
	if len(seen) != n || pagesRead != 3 {
		t.Errorf("%d measurements on %d pages, want %d on 3", len(seen), pagesRead, n)
	}
}

func TestBeforeAndAfter(t *testing.T) {
	g := guard(t)
	a := g.put(t, result.Recut, func(m *result.Measurement) { m.Squareness.OffsetMM, m.Squareness.OffsetU95MM = 6, 0.3 })
	b := g.put(t, result.Square, func(m *result.Measurement) { m.Squareness.OffsetMM, m.Squareness.OffsetU95MM = 1, 0.4 })
	resp, body := g.ask(t, "technician", "GET", "/review/compare/"+a.ID+"/"+b.ID, nil, "")
	if resp.StatusCode != http.StatusOK || !bytes.Contains(body, []byte("before.jpg")) {
		t.Fatalf("%s", resp.Status)
	}
	for _, name := range []string{"before.jpg", "after.jpg"} {
		if resp, body := g.ask(t, "technician", "GET", "/review/compare/"+a.ID+"/"+b.ID+"/"+name, nil, ""); resp.StatusCode != http.StatusOK || resp.Header.Get("Content-Type") != "image/jpeg" || commentOf(body) != "ok" {
			t.Errorf("%s: %s %.80q", name, resp.Status, body)
		}
	}
	if resp, _ := g.ask(t, "technician", "GET", "/review/compare/"+a.ID+"/"+b.ID+"/other.jpg", nil, ""); resp.StatusCode != http.StatusNotFound {
		t.Errorf("another picture: %s", resp.Status)
	}
	// A change of −5 mm, and of two independent values U = √(0.3² + 0.4²) = 0.5 mm (JCGM 100, 5.1.2).
	row := pages.Differences(pages.In("en"), a.Measurement, b.Measurement, false)[0]
	if row.Before != "+6.0 mm ± 0.3 mm" || row.After != "+1.0 mm ± 0.4 mm" || !strings.HasSuffix(row.Change, "5.0 mm ± 0.5 mm") || strings.HasPrefix(row.Change, "+") {
		t.Errorf("%+v", row)
	}
	// Both are drawn over the same part of the belt at one scale.
	w, err := windowOf(a.Measurement, b.Measurement)
	w2, err2 := windowOf(b.Measurement, a.Measurement)
	if err != nil || err2 != nil || w != w2 || !(w.PxPerMM > 0) {
		t.Errorf("%+v, %v; %+v, %v", w, err, w2, err2)
	}
}

func TestCardSetsTellWhatTheyMeasured(t *testing.T) {
	g := guard(t)
	set := "/review/cards/" + g.ours.ids["card-set"]
	rows := func() int {
		t.Helper()
		_, body := g.ask(t, "reviewer", "GET", set, nil, "")
		return bytes.Count(body, []byte(`<td><a href="/review/m/`))
	}
	check := func(v url.Values) int {
		t.Helper()
		resp, _ := g.ask(t, "reviewer", "POST", set, strings.NewReader(v.Encode()), "application/x-www-form-urlencoded")
		return resp.StatusCode
	}
	if n := rows(); n != 1 {
		t.Errorf("never checked: %d measurements, want all (1)", n)
	}
	good := url.Values{"across": {"199,8"}, "up": {"149.9"}, "rule": {"R7"}, "good": {"yes"}, "due": {"2030-01-01"}}
	for field, bad := range map[string]string{"across": "wide", "up": "0", "rule": "", "good": "perhaps", "due": "soon"} {
		v := url.Values{}
		for name := range good {
			v.Set(name, good.Get(name))
		}
		v.Set(field, bad)
		if status := check(v); status != http.StatusBadRequest {
			t.Errorf("%s %q: %d", field, bad, status)
		}
	}
	if status := check(good); status != http.StatusSeeOther || rows() != 0 {
		t.Errorf("checked: %d, then %d measurements since", status, rows())
	}
	r := g.put(t, result.Square, nil)
	if n := rows(); n != 1 {
		t.Errorf("%d measurements since the check, want 1", n)
	}
	good.Set("good", "no")
	if status := check(good); status != http.StatusSeeOther || rows() != 1 {
		t.Errorf("found bad: %d, %d measurements to judge again", status, rows())
	}
	if _, body := g.ask(t, "technician", "GET", "/review/m/"+r.ID, nil, ""); !bytes.Contains(body, []byte("Judge this measurement again.")) {
		t.Error("the measurement is not marked")
	}
}

// Truth: values that alternate by d about a mean m have a mean moving range of
// d, so the limits are m ± 2.66 d (ISO 7870-2, chart of individuals).
func TestControlChart(t *testing.T) {
	g := guard(t)
	for i := range 20 {
		g.put(t, result.Square, func(m *result.Measurement) { m.Squareness.OffsetMM = 1 + 0.5*float64(i%2) })
	}
	points, err := g.store.Archive.Series(t.Context(), archive.Query{Sites: g.ours.sites, Person: local.Name}, 100)
	if err != nil || len(points) != 20 {
		t.Fatalf("%d points, %v", len(points), err)
	}
	charts := pages.ControlCharts(pages.In("en"), points, "person", nil, false)
	if len(charts) != 1 || charts[0].Mean != "+1.2\u00a0mm" && charts[0].Mean != "+1.3\u00a0mm" || charts[0].Lo != fmt.Sprintf("%+.1f\u00a0mm", 1.25-2.66*0.5) || charts[0].Hi != fmt.Sprintf("%+.1f\u00a0mm", 1.25+2.66*0.5) || charts[0].Out != 0 {
		t.Errorf("%+v", charts)
	}
	points[19].OffsetMM = 9
	if c := pages.ControlCharts(pages.In("en"), points, "", nil, false)[0]; c.Out != 1 || !c.Points[19].Out {
		t.Errorf("an offset far off: %d outside", c.Out)
	}
	if c := pages.ControlCharts(pages.In("en"), points[:9], "", nil, false)[0]; c.Limits || c.Out != 0 {
		t.Errorf("limits from nine values: %+v", c)
	}
	for _, p := range charts[0].Points {
		if math.IsNaN(p.X) || p.X < charts[0].Left || p.X > charts[0].Right || p.Y < charts[0].Top || p.Y > charts[0].Bottom {
			t.Errorf("a point outside the drawing: %+v", p)
		}
	}
	for _, by := range []string{"", "site", "person", "moon"} {
		if resp, body := g.ask(t, "reviewer", "GET", "/review/chart?by="+by, nil, ""); resp.StatusCode != http.StatusOK || !bytes.Contains(body, []byte("<svg class=\"control\"")) {
			t.Errorf("by %q: %s", by, resp.Status)
		}
	}
}

// The reviewer's pages in both languages, whole and without a missing text.
func TestReviewPagesInEveryLanguage(t *testing.T) {
	g := guard(t)
	m := g.ours.ids["measurement"]
	r := g.put(t, result.Square, nil)
	for _, path := range []string{"/review", "/review/m/" + m, "/review/compare/" + m + "/" + r.ID, "/review/chart", "/review/cards", "/review/cards/" + g.ours.ids["card-set"], "/account", "/sign-in"} {
		for _, lang := range []string{"en", "de"} {
			resp, body := g.ask(t, "everything here", "GET", path+"?lang="+lang, nil, "")
			if resp.StatusCode != http.StatusOK || !bytes.Contains(body, []byte("</html>")) || !bytes.Contains(body, []byte(`lang="`+lang+`"`)) {
				t.Errorf("%s in %s: %s", path, lang, resp.Status)
			}
			for _, section := range []string{"[review.", "[record.", "[sign", "[cards.", "[card_state.", "[chart.", "[compare.", "[event.", "[account.", "[role.", "[scope.", "[outcome."} {
				if i := bytes.Index(body, []byte(section)); i >= 0 {
					t.Errorf("%s in %s lacks a text: %.40s", path, lang, body[i:])
				}
			}
			if bytes.Contains(body, []byte(" style=")) || bytes.Contains(body, []byte("https://")) {
				t.Errorf("%s holds a style or an outside address", path)
			}
		}
	}
}

func TestAMeasurementWhosePhotosWereRemoved(t *testing.T) {
	g := guard(t)
	r := g.put(t, result.Square, nil)
	ctx, all := t.Context(), archive.AllSites()
	for _, kept := range []string{g.ours.ids["measurement"], r.ID} {
		f, err := g.store.Archive.Measurement(ctx, all, kept)
		if err != nil {
			t.Fatal(err)
		}
		outcome := archive.Accepted
		if f.Verdict != "square" {
			outcome = archive.Concession
		}
		if f.Signs > 0 {
			continue
		}
		if _, err := g.store.Archive.AddReview(ctx, local.Actor, archive.Review{Measurement: kept, Outcome: outcome, Person: "Rev A", Reason: "r", ConcessionBy: "c"}); err != nil {
			t.Fatal(err)
		}
	}
	sum, err := g.store.Archive.Retain(ctx, local.Actor, archive.Rules{Sites: archive.SomeSites(r.Kept.Site), SignedOff: archive.Age{Days: 1}, At: time.Now().AddDate(1, 0, 0)}, false, nil)
	if err != nil || sum.Photos == 0 {
		t.Fatalf("%+v, %v", sum, err)
	}
	says := "The photos were removed by a rule of retention"
	for path, want := range map[string]struct {
		status int
		says   string
	}{
		"/review/m/" + r.ID:                                         {200, says},
		"/m/" + r.ID:                                                {200, says},
		"/m/" + r.ID + "/photo/1":                                   {410, "photo_removed"},
		"/api/v1/measurements/" + r.ID:                              {200, `"overlay":[]`},
		"/api/v1/measurements/" + r.ID + "/overlay/1.jpg":           {410, "photo_removed"},
		"/review/compare/" + g.ours.ids["measurement"] + "/" + r.ID: {200, "compare"},
	} {
		if resp, body := g.ask(t, "everything here", "GET", path, nil, ""); resp.StatusCode != want.status || !strings.Contains(string(body), want.says) {
			t.Errorf("%s: %s; %q is not in %.300s", path, resp.Status, want.says, body)
		}
	}
	if _, body := g.ask(t, "everything here", "GET", "/review/m/"+r.ID, nil, ""); !strings.Contains(string(body), "photo removed by a rule") || strings.Contains(string(body), "/overlay/") {
		t.Error("the record does not tell of the removal, or shows pictures")
	}
}

// A refusal has its place in lists and histories, its own page, and nothing to sign off.
func TestARefusalIsShownAndNotSignedOff(t *testing.T) {
	g := guard(t)
	m := &result.Measurement{Schema: result.Schema, Warnings: []result.Warning{}, Program: "test", Method: "1",
		Refused: &result.Refusal{Code: "no_card", Message: "x.jpg: no reference card was found.", Advice: "Lay a card flat.", Photo: "x.jpg"}}
	r := put(t, g.store, local, archive.Measurement{Joint: g.ours.ids["joint"]}, store.File{Name: "x.jpg", Data: []byte("refused")}, m)
	page := func(path string) string {
		t.Helper()
		resp, body := g.ask(t, "everything here", "GET", path, nil, "")
		if resp.StatusCode != 200 {
			t.Fatalf("%s: %s", path, resp.Status)
		}
		return string(body)
	}
	for path, want := range map[string][]string{
		"/review?verdict=refused":                {"/review/m/" + r.ID, "No answer", "No reference card was found", "needs none"},
		"/review?verdict=refused&review=open":    {"/review/m/" + r.ID},
		"/joints/" + g.ours.ids["joint"]:         {"/m/" + r.ID},
		"/m/" + r.ID:                             {"No answer", "no reference card was found", "Lay a card flat", "/m/" + r.ID + "/photo/1", "x.jpg"},
		"/m/" + r.ID + "?lang=de":                {"Keine Antwort", "/m/" + r.ID + "/photo/1"},
		"/review/m/" + r.ID:                      {"no reference card was found", "nothing to sign off", "/m/" + r.ID + "/photo/1", r.Kept.ResultSHA256, r.Kept.Files[0].SHA256},
		"/review/m/" + g.ours.ids["measurement"]: {"/review/m/" + r.ID}, // this end's others
	} {
		body := page(path)
		for _, w := range want {
			if !strings.Contains(body, w) {
				t.Errorf("%s lacks %q", path, w)
			}
		}
	}
	for path, never := range map[string]string{"/review?review=open": r.ID, "/review/m/" + r.ID: `name="outcome"`, "/review/m/" + g.ours.ids["measurement"]: "/compare/" + r.ID} {
		if strings.Contains(page(path), never) {
			t.Errorf("%s has %q", path, never)
		}
	}
	if status, _ := g.sign(t, "reviewer", r.ID, signs("concession", "r", "c", "")); status != 409 {
		t.Errorf("a concession of a refusal: %d", status)
	}
}

func TestVersionsStandBesideEachOther(t *testing.T) {
	g := guard(t)
	before := g.put(t, result.Recut, nil)
	after := g.put(t, result.Square, func(m *result.Measurement) { m.Settings.CameraProfile, m.Program = "phone.json 34cd", "v9" })
	_, body := g.ask(t, "reviewer", "GET", "/review/compare/"+before.ID+"/"+after.ID, nil, "")
	for _, want := range []string{"<td>phone.json 34cd</td><td>another</td>", "<td>v9</td><td>another</td>"} {
		if !strings.Contains(string(body), want) {
			t.Errorf("%s is not in %s", want, body)
		}
	}
	for _, path := range []string{"/review/m/" + after.ID, "/m/" + after.ID} {
		if _, body := g.ask(t, "reviewer", "GET", path, nil, ""); !strings.Contains(string(body), "phone.json 34cd") {
			t.Errorf("%s does not name the camera profile", path)
		}
	}
}
