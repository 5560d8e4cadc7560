package httpapi

import (
	"encoding/json"
	"html"
	"math"
	"net/http"
	"net/url"
	"path"
	"strings"
	"testing"

	"beltend/server/archive"
	"beltend/server/chart"
	"beltend/server/pages"
	"beltend/server/pages/words"
	"beltend/server/result"
	"beltend/server/store"
)

// By hand: marks 1250 mm up from each corner, diagonals 1485.0 and 1483.4 mm:
// e = (1485.0^2 - 1483.4^2)/(4*1250) = 1.6*2968.4/5000 = 0.950 mm. Four lengths of one end
// of 800 mm: its mean diagonal is sqrt(800^2 + 1250^2) = 1484.1.
var tapedEnd = url.Values{"diagonal-left": {"1485,0"}, "diagonal-right": {"1483,4"}, "up": {"1250"}, "width": {"800"}, "set-out": {"corners"}, "name": {"Ada Finch"}}

func alsoWith(v url.Values, pairs ...string) url.Values {
	out := url.Values{}
	for k, x := range v {
		out[k] = x
	}
	for i := 0; i+1 < len(pairs); i += 2 {
		out.Set(pairs[i], pairs[i+1])
	}
	return out
}

// A line drawn before cutting is taped as one: kept at that step as a drawn line, said so
// wherever it is shown, and no measurement of the cut.
func TestADrawnLineIsTaped(t *testing.T) {
	var st *store.Store
	s := serve(t, newFake(), func(cfg *Config) { st = cfg.Store })
	at := joint(t, s.URL, "J-24")
	if _, body := get(t, at+"/end/leading/drawn_line", nil); !strings.Contains(string(body), "/end/leading/drawn_line/tape") {
		t.Error("the step's page has no way to the tape")
	}
	// e = (1488.6^2 - 1479.6^2)/(4*1250) = 9*2968.2/5000 = 5.343 mm, and 1.6 mm are allowed
	off := alsoWith(tapedEnd, "diagonal-left", "1488.6", "diagonal-right", "1479.6", "do", "keep")
	resp, body := submit(t, at+"/end/leading/drawn_line/tape", off)
	if resp.StatusCode != http.StatusSeeOther {
		t.Fatalf("%s %.2000s", resp.Status, body)
	}
	page := resp.Header.Get("Location")
	r, err := st.Get(t.Context(), archive.AllSites(), path.Base(page))
	if err != nil || r.Kept.Step != archive.StepDrawn || r.Measurement.Line != "drawn" || r.Measurement.Source != result.FromTape || math.Abs(r.Measurement.Squareness.OffsetMM-5.343) > 0.005 || r.Measurement.Verdict != result.Recut {
		t.Fatalf("kept %+v, %v", r.Measurement, err)
	}
	for lang, want := range map[string]string{"en": "The drawn line is off by more than the tolerance", "de": "gezeichnete Linie"} {
		if _, body := get(t, s.URL+page+"?lang="+lang, nil); !strings.Contains(strings.ToLower(shownText(body)), strings.ToLower(want)) {
			t.Errorf("the answer does not say %q", want)
		}
	}
	if _, body := get(t, s.URL+page, nil); !strings.Contains(string(body), `/end/leading/drawn_line/tape">Draw it again, then tape it`) {
		t.Error("the answer does not lead back to the tape")
	}
	if resp, _ := get(t, at+"/pair", nil); resp.StatusCode != http.StatusConflict && resp.StatusCode != http.StatusNotFound {
		t.Errorf("a pair of no cut: %s", resp.Status)
	}
	// what belongs to no joint says it in the form
	for line, want := range map[string]bool{"cut": false, "drawn": true} {
		_, page := submit(t, s.URL+"/tape", alsoWith(tapedEnd, "line", line))
		if strings.Contains(page, "drawn line is within the tolerance") != want || strings.Contains(page, "drawn line can") {
			t.Errorf("%s: says a drawn line %v", line, !want)
		}
	}
}

// A joint that nobody can photograph: both ends taped, then its pair, its plan, its
// record on paper and its lists.
func TestTapedEndsMakeAJoint(t *testing.T) {
	var st *store.Store
	s := serve(t, newFake(), func(cfg *Config) { st = cfg.Store })
	at := joint(t, s.URL, "J-21")
	id := path.Base(at)

	if resp, body := get(t, at+"/end/leading/cut", nil); resp.StatusCode != http.StatusOK || !strings.Contains(string(body), "/end/leading/cut/tape") {
		t.Errorf("the step's page has no way to the tape: %s", resp.Status)
	}
	_, page := submit(t, at+"/end/leading/cut/tape", tapedEnd) // worked out, not kept
	if !strings.Contains(page, "+1.0 mm") && !strings.Contains(page, "+0.9 mm") || !strings.Contains(page, "not kept yet") {
		t.Error("the answer is not shown before it is kept")
	}
	found, err := st.Archive.Search(t.Context(), archive.Query{Sites: archive.AllSites(), Joint: id})
	if err != nil || len(found.Items) != 0 {
		t.Fatalf("kept without being asked: %v %v", found.Items, err)
	}
	for _, end := range pages.Ends {
		for range 2 { // a form that is sent twice is kept once
			resp, body := submit(t, at+"/end/"+end+"/cut/tape", alsoWith(tapedEnd, "do", "keep"))
			if resp.StatusCode != http.StatusSeeOther || !strings.HasPrefix(resp.Header.Get("Location"), "/m/") {
				t.Fatalf("%s: %s %.3000s", end, resp.Status, body)
			}
		}
	}
	found, err = st.Archive.Search(t.Context(), archive.Query{Sites: archive.AllSites(), Joint: id, Text: "tape"})
	if err != nil || len(found.Items) != 2 {
		t.Fatalf("found by its word: %d, %v", len(found.Items), err)
	}
	for _, f := range found.Items {
		if f.Source != result.FromTape || f.Person != "Ada Finch" || len(f.Files) != 0 || math.Abs(*f.OffsetMM-0.95) > 0.005 || *f.U95MM < 1 || *f.ToleranceMM != 1.6 {
			t.Errorf("kept: %+v, offset %.3f, U %.3f", f, *f.OffsetMM, *f.U95MM)
		}
		events, err := st.Archive.Events(t.Context(), archive.EventQuery{Sites: archive.AllSites(), Subject: "measurement/" + f.ID})
		if err != nil || len(events) != 1 || events[0].What != "measurement.added" {
			t.Errorf("events: %+v %v", events, err)
		}
		for _, address := range []string{"/m/" + f.ID, "/review/m/" + f.ID} {
			if resp, body := get(t, s.URL+address, nil); resp.StatusCode != http.StatusOK || !strings.Contains(string(body), "taped by hand") {
				t.Errorf("%s: %s, marked %t", address, resp.Status, strings.Contains(string(body), "taped by hand"))
			}
		}
	}
	for address, want := range map[string]string{at: "taped by hand", at + "/pair": "The trailing end was taped by hand.", at + "/plan": "taped by hand", at + "/end/leading/cut": "taped by hand", s.URL + "/review": "taped by hand", s.URL + "/review/measurements.csv": ",tape,", s.URL + "/review/joints.csv": ",tape,"} {
		resp, body := get(t, address, nil)
		if resp.StatusCode != http.StatusOK || !strings.Contains(shownText(body), want) {
			t.Errorf("%s: %s, says %q: %t", address, resp.Status, want, strings.Contains(shownText(body), want))
		}
	}
	// kept with the plan
	_, body := get(t, at+"/plan", nil)
	form := formOf(shownText(body))
	form.Set("thickness", "5")
	form.Set("pulley", "300")
	form.Set("chart", pages.DemoChart)
	form.Set("do", "keep")
	if resp, body := submit(t, at+"/plan", form); resp.StatusCode != http.StatusSeeOther {
		t.Fatalf("plan: %s %.2000s", resp.Status, body)
	}
	kept, err := st.Archive.JointPlan(t.Context(), archive.AllSites(), id)
	if err != nil {
		t.Fatal(err)
	}
	p, err := kept.Decode()
	if err != nil || p.Leading.Source != result.FromTape || p.Trailing.Measurement == "" || p.Lacing.Plan.Lead.Width != 800 {
		t.Errorf("plan: %+v %v", p, err)
	}
	if resp, body := get(t, at+"/record.pdf", nil); resp.StatusCode != http.StatusOK || !strings.HasPrefix(string(body), "%PDF") {
		t.Errorf("on paper: %s", resp.Status)
	}
	if report, err := st.Archive.Verify(t.Context(), archive.VerifyOptions{}); err != nil || len(report.Problems) != 0 {
		t.Errorf("verify: %v %v", report.Problems, err)
	}
}

// What is wrong is named at its field, in both languages, and nothing is kept.
func TestTapedEndsAreRefusedByField(t *testing.T) {
	var st *store.Store
	s := serve(t, newFake(), func(cfg *Config) { st = cfg.Store })
	at := joint(t, s.URL, "J-22")
	for _, c := range []struct{ set, to, marked string }{
		{"diagonal-left", "", "diagonal-left"}, {"diagonal-right", "much", "diagonal-right"}, {"up", "0", "up"}, {"width", "-1", "width"}, {"line-u95", "2", "line-u95"},
		{"station-1-up", "300", "station-1-up"}, {"camber-chord", "10000", "camber-gap"}, {"reading", "0", "reading"}, {"edge", "x", "edge"}, {"target", "slant", "target"}, {"trim", "-2", "trim"},
	} {
		for _, lang := range []string{"en", "de"} {
			resp, body := submit(t, at+"/end/leading/cut/tape?lang="+lang, alsoWith(tapedEnd, c.set, c.to, "do", "keep"))
			i := strings.Index(body, `name="`+c.marked+`"`)
			if resp.StatusCode != http.StatusBadRequest || i < 0 || !strings.Contains(body[i:i+200], `aria-invalid="true"`) {
				t.Errorf("%s %s=%q: %s, field marked %t", lang, c.set, c.to, resp.Status, i >= 0)
			}
		}
	}
	resp, body := submit(t, at+"/end/leading/cut/tape", alsoWith(tapedEnd, "diagonal-left", "1585", "do", "keep"))
	if resp.StatusCode != http.StatusUnprocessableEntity || !strings.Contains(body, "do not make one belt end") {
		t.Errorf("a diagonal misread by 100 mm: %s", resp.Status)
	}
	if page, err := st.Archive.Search(t.Context(), archive.Query{Sites: archive.AllSites()}); err != nil || len(page.Items) != 0 {
		t.Errorf("kept all the same: %v %v", page.Items, err)
	}
}

// By tape 0.950 with U 1.4, by photos 0.5 with U 0.3: combined near the photos, and less
// uncertain than they are. A changed tolerance decides it again, from the same readings.
func TestTapeIsCombinedWithPhotos(t *testing.T) {
	var st *store.Store
	s := serve(t, newFake(), func(cfg *Config) { st = cfg.Store })
	at := joint(t, s.URL, "J-23")
	id := path.Base(at)
	photos := cutOf(800.2, 0.5, 0, result.Square)
	photos.Settings, photos.Recut = &result.Settings{ToleranceMM: 1.6, NominalMM: 800}, nil
	first := put(t, st, local, archive.Measurement{Joint: id, End: archive.Leading, Step: archive.StepCut}, store.File{Name: "a.jpg", Data: []byte("a")}, photos)
	d := describe(t)
	api := s.URL + "/api/v1/joints/" + id + "/end/leading/cut/tape"
	by := func(fields url.Values) *result.Measurement {
		t.Helper()
		req, err := http.NewRequest(http.MethodPost, api, strings.NewReader(fields.Encode()))
		if err != nil {
			t.Fatal(err)
		}
		resp, body := send(t, req, map[string]string{"Content-Type": "application/x-www-form-urlencoded"})
		d.check(t, "post", "/api/v1/joints/{id}/end/{end}/{step}/tape", resp, body)
		if resp.StatusCode != http.StatusCreated {
			t.Fatalf("%s: %s", resp.Status, body)
		}
		var m result.Measurement
		if err := json.Unmarshal(body, &m); err != nil {
			t.Fatal(err)
		}
		return &m
	}
	readings := url.Values{"diagonals": {"1485,0;1483,4"}, "up": {"1250"}, "width": {"800"}, "set-out": {"corners"}}
	m := by(alsoWith(readings, "with-photos", "yes"))
	if m.Source != result.FromBoth || !m.Combined.Agree || m.Squareness.OffsetU95MM >= 0.3 || math.Abs(m.Squareness.OffsetMM-0.5) > 0.1 || m.Squareness.OffsetMM <= 0.5 {
		t.Errorf("combined: %+v of %+v", m.Squareness, m.Combined)
	}
	f, err := st.Archive.Measurement(t.Context(), archive.AllSites(), path.Base(m.Links.Self))
	if err != nil || f.Supersedes != first.ID || len(f.Files) != 1 {
		t.Errorf("kept: %+v %v", f, err)
	}
	if far := by(alsoWith(readings, "diagonals", "1488.7;1479.7", "with-photos", "yes")); far.Combined.Agree || far.Squareness.OffsetU95MM < 2 {
		t.Errorf("5.3 mm against 0.5 mm agree: %+v", far.Squareness) // e = 9*2968.4/5000
	}
	by(alsoWith(readings, "with-photos", "yes"))
	_, page := get(t, at+"/change", nil)
	form := alsoWith(formOf(string(page)), "face", "carrying", "tolerance", "0.2", "reason", "tighter")
	if resp, body := submit(t, at+"/change", form); resp.StatusCode != http.StatusSeeOther {
		t.Fatalf("change: %s %.2000s", resp.Status, body)
	}
	if resp, body := submit(t, at+"/again", nil); resp.StatusCode != http.StatusSeeOther {
		t.Fatalf("decide again: %s %.2000s", resp.Status, body)
	}
	found, err := st.Archive.Search(t.Context(), archive.Query{Sites: archive.AllSites(), Joint: id, Newest: true})
	if err != nil || len(found.Items) != 1 || found.Items[0].Source != result.FromBoth || *found.Items[0].ToleranceMM != 0.2 || found.Items[0].Verdict == string(result.Square) {
		t.Errorf("decided again: %+v %v", found.Items, err)
	}
}

// By hand, ends of 1000 and 994 mm, pitch 9, wire 1.8, 6 mm free: (994 - 12 - 1.8)/9 = 108.9,
// so 109 hooks, here on the trailing side and 108 on the leading one. A row of 1000 mm in a
// machine of 600 mm takes two sections.
func TestLacingPageTakesWhatTheCommandTakes(t *testing.T) {
	s := serve(t, newFake(), nil)
	form := url.Values{"lead-width": {"1000"}, "trail-width": {"994"}, "thickness": {"5"}, "pulley": {"200"}, "fastener": {"KH 30"}, "chart": {pages.DemoChart}}
	_, plain := submit(t, s.URL+"/lacing", form)
	resp, page := submit(t, s.URL+"/lacing", alsoWith(form, "machine", "600", "notch", "40", "reversible", "yes", "more-on-trailing", "yes"))
	if resp.StatusCode != http.StatusOK || page == plain {
		t.Fatalf("%s, the same with and without: %t", resp.Status, page == plain)
	}
	for _, want := range []string{"108 hooks on the leading side, 109 on the trailing side", "the machine takes 600", "section 2:", "both corners of the"} {
		if !strings.Contains(page, want) {
			t.Errorf("does not say %q", want)
		}
	}
	for name, value := range map[string]string{"bias": "slant", "notch": "-3", "machine": "-1"} {
		resp, page := submit(t, s.URL+"/lacing", alsoWith(form, name, value))
		i := strings.Index(page, `name="`+name+`"`)
		if resp.StatusCode != http.StatusBadRequest || i < 0 || !strings.Contains(page[i:i+250], `aria-invalid="true"`) {
			t.Errorf("%s %q: %s", name, value, resp.Status)
		}
	}
}

// A chart's faults stand one a line, each with its place, and ask for no photos.
func TestChartFaultsStandOneALine(t *testing.T) {
	s := serve(t, newFake(), nil)
	wrong := strings.ReplaceAll(pages.DemoChart, "6.5,1.2", "six,1.2") + "KH 40,9,thin,4,7,100,306,34,15\n"
	_, page := submit(t, s.URL+"/lacing", url.Values{"lead-width": {"1000"}, "trail-width": {"994"}, "thickness": {"5"}, "pulley": {"200"}, "chart": {wrong}})
	i := strings.Index(page, `<p class="lines">`)
	if i < 0 {
		t.Fatal("no problem is shown")
	}
	says, _, _ := strings.Cut(page[i:], "</p>")
	if strings.Count(says, "\n") != 2 || !strings.Contains(says, "line 3, column pitch") || !strings.Contains(says, "line 5, column wire") || strings.Contains(page, "photos again") {
		t.Errorf("says %q", says)
	}
}

// In German a faulty chart names every line and column, and says of each what is wrong: of
// the pitch "six", of wire that is too thick for its pitch (5 of 9 mm: 9 is not above 10),
// of a strip of 306 mm for 24 hooks at 9 mm (216), of a line cut short, of a name used twice.
func TestFaultyChartInGermanNamesEveryLine(t *testing.T) {
	s := serve(t, newFake(), nil)
	head := strings.Join(chart.Columns, ",")
	wrong := head + "\nA,six,1.2,4,7,100,306,34,15\nB,9,5,4,7,100,306,34,15\nC,9,1.2,4,7,100,306,24,15\nD,9\nA,9,1.2,4,7,100,306,34,15\n"
	form := url.Values{"lead-width": {"1000"}, "trail-width": {"994"}, "thickness": {"5"}, "pulley": {"200"}, "chart": {wrong}}
	resp, page := submit(t, s.URL+"/lacing?lang=de", form)
	i := strings.Index(page, `<p class="lines">`)
	if i < 0 || resp.StatusCode != http.StatusBadRequest {
		t.Fatalf("%s, no problem is shown", resp.Status)
	}
	says, _, _ := strings.Cut(html.UnescapeString(page[i:]), "</p>")
	for _, want := range []string{"Zeile 2, Spalte pitch: „six“ ist keine Länge", "Zeile 3, Spalte wire: Haken aus 5\u00a0mm starkem Draht lassen bei 9\u00a0mm", "Zeile 4, Spalte strip: 306\u00a0mm gehen nicht mit 24 Haken bei 9\u00a0mm Teilung zusammen, die 216\u00a0mm",
		"Zeile 5: Es sind 2 Spalten, die erste Zeile nennt 9", "Zeile 6, Spalte name: „A“ steht schon in Zeile 2"} {
		if !strings.Contains(words.Together(says), words.Together(want)) {
			t.Errorf("does not say %q in %q", want, says)
		}
	}
	if n := strings.Count(says, "\n"); n != 5 || strings.Contains(says, "line ") {
		t.Errorf("%d lines in %q", n, says)
	}
	// an entry's reason, too, not only its name
	form.Set("chart", pages.DemoChart)
	form.Set("joint-thickness", "6")
	if _, page = submit(t, s.URL+"/lacing?lang=de", form); !strings.Contains(words.Together(html.UnescapeString(page)), "„Dicke an der Verbindung“: 6\u00a0mm nach dem Schälen sind mehr als die 5\u00a0mm") {
		t.Error("no reason for a thickness that cannot be")
	}
}

// 800.4 mm are 31.512 in (800.4/25.4 = 31.5118): German writes a comma, and what still
// stands there is the record's own width; what was typed instead is kept as typed.
func TestFilledInLengthsHaveTheLanguagesDecimalSign(t *testing.T) {
	for _, c := range []struct {
		lang, want string
		inches     bool
	}{{"en", "31.512 in", true}, {"de", "31,512 in", true}, {"en", "800.4", false}, {"de", "800,4", false}} {
		shown := map[string]string{"": "800.4", "none": ""}
		lengthsAsRead(pages.In(c.lang), c.inches, shown, []string{"", "none"})
		if shown[""] != c.want || shown["none"] != "" || asFilled(c.want, "800.4", c.inches) != "800.4" || asFilled("31,6 in", "800.4", c.inches) != "31,6 in" {
			t.Errorf("%+v: %q", c, shown[""])
		}
	}
}

// An answer from tape and photos that a look at photos alone took the place of: its page
// says that the tape is no part of it any more, and of an end that nobody taped not.
func TestPhotosAfterTapeSayThatTheTapeIsLeftOut(t *testing.T) {
	var st *store.Store
	s := serve(t, newFake(), func(cfg *Config) { st = cfg.Store })
	at := joint(t, s.URL, "J-24")
	id := path.Base(at)
	photos := cutOf(800.2, 0.5, 0, result.Square)
	photos.Settings, photos.Recut = &result.Settings{ToleranceMM: 1.6, NominalMM: 800}, nil
	end := archive.Measurement{Joint: id, End: archive.Leading, Step: archive.StepCut}
	end.Supersedes = put(t, st, local, end, store.File{Name: "a.jpg", Data: []byte("a")}, photos).ID
	resp, body := submit(t, at+"/end/leading/cut/tape", alsoWith(tapedEnd, "with-photos", "yes", "do", "keep"))
	if resp.StatusCode != http.StatusSeeOther {
		t.Fatalf("%s %.2000s", resp.Status, body)
	}
	says := map[string]string{"en": "The tape is not part of this answer", "de": "Das Maßband ist nicht Teil dieses Ergebnisses"}
	shows := func(address string, want bool) {
		t.Helper()
		for lang, text := range says {
			resp, body := get(t, s.URL+address+"?lang="+lang, nil)
			if resp.StatusCode != http.StatusOK || strings.Contains(shownText(body), text) != want {
				t.Errorf("%s in %s: %s, says it: %t", address, lang, resp.Status, !want)
			}
		}
	}
	both := resp.Header.Get("Location")
	shows("/m/"+end.Supersedes, false)
	shows(both, false)
	end.Supersedes = path.Base(both)
	for _, photo := range []string{"b", "c"} { // and after one more photo still
		end.Supersedes = put(t, st, local, end, store.File{Name: photo + ".jpg", Data: []byte(photo)}, photos).ID
		shows("/m/"+end.Supersedes, true)
	}
}
