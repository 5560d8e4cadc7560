package httpapi

import (
	"html"
	"maps"
	"net/http"
	"net/url"
	"path"
	"regexp"
	"slices"
	"strings"
	"testing"

	"beltend/server/archive"
	"beltend/server/pages"
	"beltend/server/pages/words"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/server/store"
)

var (
	notShown = regexp.MustCompile(`(?s)<(script|style|textarea|code)\b.*?</(script|style|textarea|code)>`)
	shownToo = regexp.MustCompile(`\b(?:alt|title|aria-label|placeholder|data-[a-z-]+)="([^"]*)"`)
	tag      = regexp.MustCompile(`<[^>]*>`)
	blanks   = regexp.MustCompile(`\s+`)
	hole     = regexp.MustCompile(`%[-+0-9.]*[a-z%]|\{[^}]*\}`)
	foreign  = regexp.MustCompile(`\b(the|The|and|is|are|of|with|this|This|from|that|There|measured|photo)\b`)
)

// read is what people are shown of a page, and what screen readers and scripts
// say of it.
func read(page []byte) string {
	body := notShown.ReplaceAllString(string(page), " ")
	var said []string
	for _, m := range shownToo.FindAllStringSubmatch(body, -1) {
		if !strings.HasPrefix(m[1], "/") { // an address
			said = append(said, m[1])
		}
	}
	return blanks.ReplaceAllString(html.UnescapeString(tag.ReplaceAllString(body, " ")+" "+strings.Join(said, " ")), " ")
}

// sentences are the parts of a catalogue between what is set in, those that
// are long enough to be nobody's name.
func sentences(w *words.Words) map[string]string {
	of := map[string]string{}
	for key, text := range w.All() {
		for _, part := range hole.Split(text, -1) {
			if part = strings.Trim(blanks.ReplaceAllString(part, " "), " .,:;()"); len(part) > 11 && strings.Contains(part, " ") {
				of[part] = key
			}
		}
	}
	return of
}

// everySentence is a measurement with every warning, finding and advice that the catalogue
// has, and every source of uncertainty.
func everySentence(m *result.Measurement) {
	value := map[string]any{"line": "cut", "side": "left", "edge": "left", "end": "leading", "sheet": "a4", "photo": "end.jpg", "code": "no_card"}
	values := func(text string) result.Values {
		v := result.Values{}
		for _, m := range regexp.MustCompile(`\{([a-z0-9_]+)`).FindAllStringSubmatch(text, -1) {
			if v[m[1]] = value[m[1]]; v[m[1]] == nil {
				v[m[1]] = 12.5
			}
		}
		return v
	}
	m.Warnings, m.Findings, m.Budget = nil, nil, nil
	all := words.In("en").All()
	for key, text := range all {
		section, name, _ := strings.Cut(key, ".")
		switch {
		case section == "warned" && !strings.HasSuffix(name, "_all"):
			m.Warnings = append(m.Warnings, report.Warn(name, "", values(text)))
		case section == "found" && name != "at":
			m.Findings = append(m.Findings, report.Find(result.Finding{Code: name, Values: values(text)}))
		case section == "budget" && all[key+"_why"] != "":
			m.Budget = append(m.Budget, result.BudgetRow{Source: text, Type: "B", UMM: 0.1, Comment: all[key+"_why"]})
		}
	}
	m.Verdict, m.AdviceCode, m.Advice = result.Undecided, "second_card", report.Advise("second_card")
	m.Photos[0].LeftOut, m.Photos[0].File = "edge_unclear: The edge of the belt is not seen.", "end.jpg"
	m.Settings.Board, m.Settings.Markers, m.Program, m.Method = "", "", "test", "1"
}

// german asks a page in German, by everybody who may.
func (g *guarded) german(t *testing.T, method, path string, form url.Values) string {
	t.Helper()
	body := g.asked(t, method, path, "lang=de", form)
	if strings.Contains(string(body), "<html") && !strings.Contains(string(body), `<html lang="de"`) {
		t.Errorf("%s %s is in another language", method, path)
	}
	return read(body)
}

// asked asks a page with a choice; nil where it is none, nor a drawing.
func (g *guarded) asked(t *testing.T, method, path, choice string, form url.Values) []byte {
	t.Helper()
	at := path + "?" + choice
	if strings.Contains(path, "?") {
		at = path + "&" + choice
	}
	kind := ""
	if method == http.MethodPost {
		kind = "application/x-www-form-urlencoded"
	}
	resp, body := g.ask(t, "everything here", method, at, strings.NewReader(form.Encode()), kind)
	switch kind, _, _ := strings.Cut(resp.Header.Get("Content-Type"), ";"); kind {
	case "image/svg+xml", "text/html":
		return body
	}
	return nil
}

// No page says anything in English to whoever reads German: each route's page, with what
// the record has, with what it has not, and what forms answer.
func TestNoEnglishOnGermanPages(t *testing.T) {
	g := guard(t)
	m := full()
	everySentence(m)
	r := put(t, g.store, local, archive.Measurement{Joint: g.ours.ids["joint"], CardSet: g.ours.ids["card-set"]}, store.File{Name: "end.jpg", Data: []byte("ok")}, m)
	g.ours.ids["measurement-of-all"] = r.ID
	english, known := sentences(words.In("en")), strings.Join(slices.Collect(maps.Values(words.In("de").All())), "\n")
	for part := range english {
		if strings.Contains(known, part) {
			delete(english, part) // said so in German too
		}
	}
	seen := 0
	check := func(what, text string) {
		t.Helper()
		if text == "" {
			return
		}
		seen++
		for part, key := range english {
			if strings.Contains(text, part) {
				t.Errorf("%s says %q (%s)", what, part, key)
			}
		}
		if at := foreign.FindStringIndex(text); at != nil {
			t.Errorf("%s: ...%s...", what, text[max(0, at[0]-60):min(len(text), at[1]+60)])
		}
		if i := strings.Index(text, "["); i >= 0 {
			t.Errorf("%s lacks a text: %.60s", what, text[i:])
		}
	}
	for _, route := range g.engine.Routes() {
		if strings.HasPrefix(route.Path, "/api/") || strings.HasPrefix(route.Path, "/static") {
			continue
		}
		for _, path := range paths(route.Path, g.ours) {
			switch route.Method {
			case http.MethodGet:
				check("GET "+path, g.german(t, route.Method, path, nil))
			case http.MethodPost: // nothing filled in
				if !strings.Contains(path, "sign-out") && !strings.Contains(path, "closed") {
					check("POST "+path, g.german(t, route.Method, path, url.Values{}))
				}
			}
		}
	}
	for _, form := range []struct {
		path   string
		fields url.Values
	}{
		{"/lacing", url.Values{"lead-width": {"1000"}, "trail-width": {"994"}, "thickness": {"5"}, "pulley": {"200"}, "fastener": {"KH 30"}, "chart": {pages.DemoChart}}},
		{"/lacing", url.Values{"lead-width": {"1000"}, "trail-width": {"998"}, "thickness": {"4.2"}, "pulley": {"200"}, "chart": {pages.DemoChart}}},
		{"/lacing", url.Values{"lead-width": {"1000"}, "trail-width": {"998"}, "thickness": {"50"}, "pulley": {"200"}, "chart": {pages.DemoChart}}},
		{"/lacing", url.Values{"lead-width": {"broad"}, "chart": {pages.DemoChart}}},
		{"/lacing", url.Values{"chart": {"name,pitch"}}},
		{"/tape", url.Values{"diagonals": {"1603.9,1597.7"}, "up": {"1250"}, "set-out": {"corners"}, "width": {"1000"}}},
		{"/tape", url.Values{"diagonals": {"1603.9,1597.7"}, "up": {"1250"}, "set-out": {"line"}, "line-u95": {"1"}, "width": {"1000"}, "hollow": {"2"}}},
		{"/tape", url.Values{"diagonals": {"1603.9,1697.7"}, "up": {"1250"}, "set-out": {"corners"}, "width": {"1000"}}},
		{"/tape", url.Values{"diagonals": {"none"}, "set-out": {"corners"}}},
	} {
		check("POST "+form.path+" "+form.fields.Get("diagonals")+form.fields.Get("thickness"), g.german(t, http.MethodPost, form.path, form.fields))
	}
	if seen < 60 {
		t.Errorf("%d pages were read", seen)
	}
}

var inMM = regexp.MustCompile(`[0-9]\s?mm\b`)

// Whoever reads inches reads them everywhere, in words, drawings and findings.
func TestNoMillimetresForWhoReadsInches(t *testing.T) {
	g := guard(t)
	m := full()
	everySentence(m)
	put(t, g.store, local, archive.Measurement{Joint: g.ours.ids["joint"], CardSet: g.ours.ids["card-set"]}, store.File{Name: "end.jpg", Data: []byte("ok")}, m)
	fixed := []string{"200,150 mm", "", "200 mm", "", "150 mm", ""} // a card's bars
	for _, text := range words.In("en").All() {                     // what names a length itself
		for _, part := range hole.Split(text, -1) {
			if inMM.MatchString(part) {
				fixed = append(fixed, strings.TrimSpace(part), "")
			}
		}
	}
	allowed := strings.NewReplacer(fixed...)
	inches := 0
	check := func(what string, body []byte) {
		t.Helper()
		text := strings.ReplaceAll(read(body), "\u00a0", " ")
		text = allowed.Replace(text)
		if at := inMM.FindStringIndex(text); at != nil {
			t.Errorf("%s: ...%s...", what, text[max(0, at[0]-60):min(len(text), at[1]+20)])
		}
		inches += strings.Count(text, " in ")
	}
	for _, route := range g.engine.Routes() {
		if route.Method != http.MethodGet || strings.HasPrefix(route.Path, "/api/") || route.Path == "/components" {
			continue
		}
		for _, path := range paths(route.Path, g.ours) {
			check(path, g.asked(t, route.Method, path, "units=in", nil))
		}
	}
	check("/lacing", g.asked(t, http.MethodPost, "/lacing", "units=in", url.Values{"lead-width": {"1000"}, "trail-width": {"994"}, "thickness": {"5"}, "pulley": {"200"}, "fastener": {"KH 30"}, "chart": {pages.DemoChart}}))
	check("/tape", g.asked(t, http.MethodPost, "/tape", "units=in", url.Values{"diagonals": {"1603.9,1597.7"}, "up": {"1250"}, "set-out": {"corners"}, "width": {"1000"}}))
	if inches < 50 {
		t.Errorf("only %d lengths in inches", inches)
	}
}

// A choice in the footer keeps the page and what its address asks.
func TestChoicesKeepThePage(t *testing.T) {
	s := serve(t, newFake(), nil)
	for path, want := range map[string]string{
		"/": "/?lang=de", "/train/show?error=bow&size=4": "/train/show?error=bow&amp;lang=de&amp;size=4", "/review?verdict=square&lang=en&theme=dark": "/review?lang=de&amp;verdict=square",
	} {
		_, body := get(t, s.URL+path, map[string]string{"Accept": "text/html"})
		if !strings.Contains(string(body), `href="`+want+`" hreflang="de"`) {
			t.Errorf("%s: no link to %s", path, want)
		}
	}
	// an address that is only posted to leads back to the page its form stood on
	for path, want := range map[string]string{"/joints": "/joints?lang=de", "/joints/none/cautions": "/joints/none?lang=de", "/train/rounds": "/train?lang=de"} {
		req, err := http.NewRequest(http.MethodPost, s.URL+path, strings.NewReader("number=J-1"))
		if err != nil {
			t.Fatal(err)
		}
		_, body := send(t, req, map[string]string{"Accept": "text/html", "Content-Type": "application/x-www-form-urlencoded"})
		if !strings.Contains(string(body), `href="`+want+`" hreflang="de"`) {
			t.Errorf("after a form sent to %s: no link to %s", path, want)
		}
	}
}

// A drawing with words has another address in each language and units, so that none comes
// out of a cache for another; such an address chooses nothing for the pages.
func TestDrawingsInEachLanguageHaveAddressesOfTheirOwn(t *testing.T) {
	f := &counting{fake: newFake()}
	var cfg Config
	s := serve(t, f, func(c *Config) { cfg = *c })
	at := joint(t, s.URL, "J-9")
	if resp, body := post(t, at+"/finished", nil, part{"photos", "j.jpg", "hooks"}); resp.StatusCode != http.StatusSeeOther {
		t.Fatalf("%s: %s", resp.Status, body)
	}
	m := full()
	m.Links, m.Settings = nil, nil
	var ids []string
	for _, name := range []string{"before", "after"} {
		ids = append(ids, put(t, cfg.Store, local, archive.Measurement{Joint: path.Base(at), End: archive.Leading, Step: archive.StepCut}, store.File{Name: name + ".jpg", Data: []byte(saying(name))}, m).ID)
	}
	address := regexp.MustCompile(`["'](/[^"'? ]+\.(?:jpg|png|svg))(\?[^"']*)?["']`)
	drawings := map[string]int{}
	for _, page := range []string{at + "/finished", s.URL + "/m/" + ids[1], s.URL + "/review/m/" + ids[1], s.URL + "/review/compare/" + ids[0] + "/" + ids[1]} {
		seen := map[string]string{}
		for _, reads := range []string{"lang=en&units=mm", "lang=de&units=mm", "lang=en&units=in", "lang=de&units=in"} {
			resp, body := get(t, page+"?"+reads, nil)
			if resp.StatusCode != http.StatusOK {
				t.Fatalf("%s: %s", page, resp.Status)
			}
			for _, found := range address.FindAllStringSubmatch(html.UnescapeString(string(body)), -1) {
				whole := found[1] + found[2]
				if strings.HasPrefix(whole, "/static/") {
					continue
				}
				drawings[path.Base(found[1])]++
				if before := seen[whole]; before != "" && before != reads {
					t.Errorf("%s has %s with %s and with %s", page, whole, before, reads)
				}
				seen[whole] = reads
				if resp, _ := get(t, s.URL+whole, nil); resp.Header.Get("Set-Cookie") != "" {
					t.Errorf("%s chooses %q", whole, resp.Header.Get("Set-Cookie"))
				}
			}
		}
	}
	for _, name := range []string{"counted.jpg", "above.jpg", "before.jpg", "after.jpg", "1.jpg", "topdown.png", "profile.svg"} {
		if drawings[name] == 0 {
			t.Errorf("%s is on no page: %v", name, drawings)
		}
	}
	if resp, _ := get(t, s.URL+"/?lang=de", nil); resp.Header.Get("Set-Cookie") == "" {
		t.Error("a page's address does not choose")
	}
}
