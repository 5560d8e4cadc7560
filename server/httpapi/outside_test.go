package httpapi

import (
	"net/http"
	"net/url"
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
