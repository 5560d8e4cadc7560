package report

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"beltend/server/pages/words"
	"beltend/server/result"
)

// Every source of uncertainty that the chain names has its words in every language: what the
// catalogue does not know would stand in English on every page.
func TestEveryBudgetSourceHasItsWords(t *testing.T) {
	named := map[string]bool{}
	for pattern, in := range map[string]*regexp.Regexp{
		"../measure/*.go":            regexp.MustCompile(`(?:BudgetRow\{Source: |\badd\(|\.doubt\()"([a-z' -]+)",? (?:Type: "|")`),
		"../../geometry/bundle/*.go": regexp.MustCompile(`\bPrior\("prior ([a-z ]+)"|cornersGroup = "([a-z ]+)"`),
	} {
		files, err := filepath.Glob(pattern)
		if err != nil || len(files) == 0 {
			t.Fatalf("%s: %v", pattern, err)
		}
		for _, file := range files {
			if strings.HasSuffix(file, "_test.go") {
				continue
			}
			b, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			for _, m := range in.FindAllStringSubmatch(string(b), -1) {
				named[m[1]+strings.Join(m[2:], "")] = true
			}
		}
	}
	for _, known := range []string{"card bend", "cut not seen", "bent cut", "print scale", "card corners in the photo"} {
		if !named[known] {
			t.Errorf("%q is not among the sources found: %v", known, named)
		}
	}
	for source := range named {
		for _, lang := range words.Languages() {
			m := &result.Measurement{Squareness: &result.Squareness{OffsetU95MM: 1}, Budget: []result.BudgetRow{{Source: source, Type: "B", UMM: 0.1}}}
			if row := BudgetTable(m, Options{Lang: lang})[0]; row.Comment == "" || lang != "en" && row.Source == source {
				t.Errorf("%s: %q is shown as %q, %q", lang, source, row.Source, row.Comment)
			}
		}
	}
}
