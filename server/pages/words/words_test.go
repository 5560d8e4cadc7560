package words

import (
	"regexp"
	"strings"
	"testing"
)

var verb = regexp.MustCompile(`%[-+0-9.]*[a-z%]`)

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

func TestFigure(t *testing.T) {
	if got := In("de").Figure("+5.9 mm, v1.2."); got != "+5,9\u00a0mm, v1,2." {
		t.Errorf("%q", got)
	}
}
