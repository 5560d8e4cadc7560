package httpapi

import (
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"beltend/server/pages"
)

// An entry out of its range is told by the form's own name for it, with value and range in
// the person's language and units.
func TestEntryOutOfRangeIsNamed(t *testing.T) {
	s := serve(t, newFake(), nil)
	for query, want := range map[string]string{
		"?lang=en&units=mm": "“Width at the leading end”: 100000.0 mm is out of range, which is from 50.0 mm to 10000.0 mm.",
		"?lang=de&units=mm": "„Breite am vorlaufenden Ende“: 100000,0 mm liegt außerhalb des Bereichs von 50,0 mm bis 10000,0 mm.",
		"?lang=en&units=in": "“Width at the leading end”: 3937.008 in is out of range, which is from 1.969 in to 393.701 in.",
	} {
		fields := url.Values{"lead-width": {"100000 mm"}, "trail-width": {"1000 mm"}, "thickness": {"8 mm"}, "pulley": {"240 mm"}, "chart": {pages.DemoChart}}
		req, err := http.NewRequest(http.MethodPost, s.URL+"/lacing"+query, strings.NewReader(fields.Encode()))
		if err != nil {
			t.Fatal(err)
		}
		res, body := send(t, req, map[string]string{"Accept": "text/html", "Content-Type": "application/x-www-form-urlencoded"})
		if res.StatusCode != http.StatusBadRequest || !strings.Contains(strings.ReplaceAll(string(body), "\u00a0", " "), want) {
			t.Errorf("%s: %d without %q", query, res.StatusCode, want)
		}
	}
}

// What the record does not keep is told with its reason in the reader's language, by the
// form's own name for the entry.
func TestWhatIsNotKeptIsToldWhy(t *testing.T) {
	s := serve(t, newFake(), nil)
	at := joint(t, s.URL, "J-31")
	for _, c := range []struct{ lang, field, given, want string }{
		{"de", "covers", strings.Repeat("x", 120), "„Decken“: Höchstens 100 Byte, es sind 120."},
		{"de", "number", strings.Repeat("x", 250), "„Nummer der Verbindung“: Höchstens 200 Byte, es sind 250."},
		{"de", "note", "a\x01b", "„Anmerkung“: Steuerzeichen lassen sich nicht aufbewahren."},
		{"de", "origin", strings.Repeat("x", 600), "„Woher die Toleranz kommt“: Höchstens 500 Byte, es sind 600."},
		{"en", "covers", strings.Repeat("x", 120), "Covers: at most 100 bytes, these are 120."},
	} {
		_, page := get(t, at+"/change", nil)
		fields := formOf(shownText(page)) // without what is chosen from a list, which is a change, too
		fields.Set("reason", "to see")
		fields.Set(c.field, c.given)
		req, err := http.NewRequest(http.MethodPost, at+"/change?lang="+c.lang, strings.NewReader(fields.Encode()))
		if err != nil {
			t.Fatal(err)
		}
		res, body := send(t, req, map[string]string{"Accept": "text/html", "Content-Type": "application/x-www-form-urlencoded"})
		if res.StatusCode != http.StatusBadRequest || !strings.Contains(string(body), c.want) {
			t.Errorf("%s: %d without %q", c.field, res.StatusCode, c.want)
		}
		if !regexp.MustCompile(`name="` + c.field + `"[^>]*aria-invalid="true"`).MatchString(string(body)) {
			t.Errorf("%s is not marked", c.field)
		}
		if _, after := get(t, at+"/change", nil); !strings.Contains(shownText(after), `name="version" value="1"`) && shownText(after) != shownText(page) {
			t.Errorf("%s: some of the form was kept", c.field)
		}
	}
}

// What is in the way of an entry, a name that is taken or another's change, is told in the
// reader's language, too.
func TestWhatIsInTheWayIsToldWhy(t *testing.T) {
	s := serve(t, newFake(), nil)
	joint(t, s.URL, "J-33")
	at := joint(t, s.URL, "J-34")
	for field, c := range map[string]struct{ given, want string }{
		"number":  {"J-33", "Es gibt schon etwas mit diesem Namen oder dieser Nummer."},
		"version": {"7", "Jemand anders hat das inzwischen geändert."},
	} {
		_, page := get(t, at+"/change", nil)
		fields := formOf(shownText(page))
		fields.Set("reason", "to see")
		fields.Set(field, c.given)
		req, err := http.NewRequest(http.MethodPost, at+"/change?lang=de", strings.NewReader(fields.Encode()))
		if err != nil {
			t.Fatal(err)
		}
		res, body := send(t, req, map[string]string{"Accept": "text/html", "Content-Type": "application/x-www-form-urlencoded"})
		if res.StatusCode != http.StatusConflict || !strings.Contains(string(body), c.want) {
			t.Errorf("%s: %d without %q", field, res.StatusCode, c.want)
		}
	}
}
