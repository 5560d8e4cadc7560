package words

import (
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

var verb = regexp.MustCompile(`%[-+0-9.]*[a-z%]`)

// holes are the values that a sentence names, each once.
func holes(text string) (names []string) {
	for _, m := range value.FindAllStringSubmatch(text, -1) {
		names = append(names, m[1])
	}
	slices.Sort(names)
	return slices.Compact(names)
}

func (w *Words) has(section string) bool {
	for key := range w.texts {
		if strings.HasPrefix(key, section+".") {
			return true
		}
	}
	return false
}

// Every language has the same texts, and each takes the same values.
func TestLanguagesAreComplete(t *testing.T) {
	en := In("en")
	for lang, w := range catalogue {
		for key, text := range en.texts {
			other, ok := w.texts[key]
			if !ok {
				t.Errorf("%s lacks %s", lang, key)
				continue
			}
			if strings.TrimSpace(other) == "" {
				t.Errorf("%s: %s is empty", lang, key)
			}
			if a, b := holes(text), holes(other); !slices.Equal(a, b) {
				t.Errorf("%s: %s names %q, English %q", lang, key, b, a)
			}
			for _, m := range value.FindAllStringSubmatch(other, -1) {
				if m[2] != "" && !w.has(m[2]) {
					t.Errorf("%s: %s asks for a text of %s, which there are none of", lang, key, m[2])
				}
			}
			if a, b := strings.Join(verb.FindAllString(text, -1), " "), strings.Join(verb.FindAllString(other, -1), " "); a != b {
				t.Errorf("%s: %s takes %q, English %q", lang, key, b, a)
			}
		}
		for key := range w.texts {
			if _, ok := en.texts[key]; !ok {
				t.Errorf("%s has %s, English has not", lang, key)
			}
		}
	}
}

func TestMatch(t *testing.T) {
	for accept, want := range map[string]string{"": "en", "de": "de", "de-AT,en;q=0.5": "de", "fr,en;q=0.8": "en", "ja": "en", "en-GB": "en", ";;": "en"} {
		if got := Match(accept); got != want {
			t.Errorf("%q: %s, want %s", accept, got, want)
		}
	}
}

func TestSay(t *testing.T) {
	mm := func(v float64, n int) string { return In("de").Decimal(strconv.FormatFloat(v, 'f', n, 64)) + " mm" }
	all := map[string]any{"at_mm": 120.4, "side": "left", "line": "drawn", "size_mm": 2.04}
	if got := In("de").Say("found.step", all, mm); got != "Die gezeichnete Linie hat eine Stufe von 2,0 mm, 120 mm links der Mittellinie." {
		t.Errorf("%q", got)
	}
	delete(all, "side")
	if got := In("de").Say("found.step", all, mm); got != "" {
		t.Errorf("said with a value missing: %q", got)
	}
	all["side"] = "nowhere"
	if got := In("de").Say("found.step", all, mm); got != "" {
		t.Errorf("said of a side that is none: %q", got)
	}
	if got := In("en").Say("warned.camber_baseline", map[string]any{"length_mm": 1250.0, "offset_mm": 5.22}, mm); !strings.Contains(got, "would be +5,2 mm") {
		t.Errorf("a signed length: %q", got)
	}
}

func TestFigure(t *testing.T) {
	if got := In("en").Figure("1 1/2 in ± 0.01 in, 95 %, in 3 minutes"); got != "1\u00a01/2\u00a0in ±\u00a00.01\u00a0in, 95\u00a0%, in 3 minutes" {
		t.Errorf("%q", got)
	}
	if got := In("de").Figure("+5.9 mm, v1.2."); got != "+5,9\u00a0mm, v1,2." {
		t.Errorf("%q", got)
	}
}
