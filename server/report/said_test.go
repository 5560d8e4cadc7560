package report

import (
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"beltend/server/pages/words"
	"beltend/server/result"
)

var (
	refuses = regexp.MustCompile(`\b(?:Refuse|refuse)\("([a-z_]+)", "([^"]*)"`)
	warns   = regexp.MustCompile(`\b(?:report\.Warn\(|warn\(m, |warn\(&both, |add\()"([a-z_]+)", "([a-z_]*)"`)
	unclear = regexp.MustCompile(`unclear\((?:k|2), "([^"]+)"\)`)
	hooks   = regexp.MustCompile(`(?:unclearHooks\(|&Unclear\{)"([a-z_]+)"`)
	advises = regexp.MustCompile(`AdviceCode = "([a-z_]+)"`)
)

// Every code and reason that the program gives has its sentence, and every refusal
// an advice.
func TestEveryReasonHasASentence(t *testing.T) {
	asked := map[string]bool{}
	for _, dir := range []string{"../measure", "../plan", "../worker", "../../vision", "../../geometry/hooks"} {
		files, err := filepath.Glob(dir + "/*.go")
		if err != nil {
			t.Fatal(err)
		}
		for _, file := range files {
			if strings.HasSuffix(file, "_test.go") {
				continue
			}
			b, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			text := string(b)
			for _, m := range refuses.FindAllStringSubmatch(text, -1) {
				asked["refused."+named(m[1], m[2])] = true
			}
			if dir == "../measure" || dir == "../plan" {
				for _, m := range warns.FindAllStringSubmatch(text, -1) {
					asked["warned."+named(m[1], m[2])] = true
				}
			}
			for _, m := range unclear.FindAllStringSubmatch(text, -1) {
				asked["refused.cut_unclear_"+m[1]] = true
			}
			for _, m := range hooks.FindAllStringSubmatch(text, -1) {
				asked["refused.hooks_unclear_"+m[1]] = true
			}
			for _, m := range advises.FindAllStringSubmatch(text, -1) {
				asked["advised."+m[1]] = true
			}
		}
	}
	if len(asked) < 60 {
		t.Errorf("only %d were found", len(asked))
	}
	w := words.In("en")
	for _, key := range slices.Sorted(maps.Keys(asked)) {
		if !w.Has(key) {
			t.Errorf("there is no sentence %s", key)
		}
		if code, ok := strings.CutPrefix(key, "refused."); ok {
			for !w.Has("refused." + code + "_do") {
				i := strings.LastIndex(code, "_")
				if i < 0 {
					t.Errorf("%s has no advice", key)
					break
				}
				code = code[:i]
			}
		}
	}
}

var (
	wrongs = regexp.MustCompile(`(?:\.Coded\(|(?:UsageError\{|Faults\{\{)[^\n]*\bCode: |\b(?:[wW]rong|bad)\([^,\n]+, |\bfault\([^"\n]*(?:"", )?|\bClash\(|\bcode(?:, hint)? :?= )"([a-z_0-9]+)"`)
	givens = regexp.MustCompile(`geometry\.Wrong\(|UsageError\{|Faults\{\{`)
)

// Every entry that cannot be used says why by a code, which has its sentence in every
// language; there is no sentence that nothing asks for.
func TestEveryWrongEntryHasASentence(t *testing.T) {
	asked := map[string]bool{}
	photos := map[string]bool{"photos_differ": true, "card_not_on_belt": true} // refusals, chosen in the same words
	for _, dir := range []string{"../../geometry/joint", "../../geometry/lacing", "../../geometry/square", "../chart", "../plan", "../setting", "../measure", "../training", "../httpapi", "../archive", "../account", "../order", "../store"} {
		files, err := filepath.Glob(dir + "/*.go")
		if err != nil || len(files) == 0 {
			t.Fatal(dir, err)
		}
		for _, file := range files {
			if strings.HasSuffix(file, "_test.go") {
				continue
			}
			b, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			text := string(b)
			for _, m := range wrongs.FindAllStringSubmatch(text, -1) {
				if !photos[m[1]] {
					asked["wrong."+m[1]] = true
				}
			}
			if dir == "../order" { // which carries what others said
				continue
			}
			for _, at := range givens.FindAllStringIndex(text, -1) {
				rest := text[at[1]:]
				end := strings.Index(rest, "\n\t}") // of the statement or the block it ends
				if end < 0 {
					end = len(rest)
				}
				if end = min(end, 600); !strings.Contains(rest[:end], ".Coded(") && !strings.Contains(rest[:end], "Code:") {
					t.Errorf("%s: no code in %.80q", file, rest)
				}
			}
		}
	}
	w := words.In("en")
	known := map[string]bool{}
	for key := range w.All() {
		if strings.HasPrefix(key, "wrong.") {
			if known[key] = true; !asked[key] {
				t.Errorf("nothing asks for %s", key)
			}
		}
	}
	if len(known) < 140 {
		t.Errorf("only %d sentences", len(known))
	}
	for key := range asked {
		for _, lang := range words.Languages() {
			if !words.In(lang).Has(key) {
				t.Errorf("%s has no sentence %s", lang, key)
			}
		}
	}
}

// Whoever reads inches reads them in sentences too, in every language; whoever reads English
// and mm reads what was said.
func TestSentencesInEveryLanguageAndUnit(t *testing.T) {
	f := Find(result.Finding{Code: "skew", Values: result.Values{"line": "cut", "side": "left", "size_mm": 5.94}})
	for o, want := range map[Options]string{
		{}:                         "The cut is skew: the left side is long by 5.9 mm.",
		{Inches: true}:             "The cut is skew: the left side is long by 0.234 in.",
		{Lang: "de"}:               "Der Schnitt ist schräg: die linke Seite ist um 5,9 mm länger.",
		{Lang: "de", Inches: true}: "Der Schnitt ist schräg: die linke Seite ist um 0,234 in länger.",
	} {
		if got := FindingText(f, o); got != want {
			t.Errorf("%+v: %q, want %q", o, got, want)
		}
	}
	r := Refuse("edge_unclear", "partly", "end.jpg", result.Values{"edge": "right", "seen_percent": 41.6})
	if r.Message != "end.jpg: The right edge of the belt is seen over only 42 % of its length." || !strings.HasPrefix(r.Advice, "Clear the edge") {
		t.Errorf("%+v", r)
	}
	if message, advice := RefusalText(r, Options{Lang: "de"}); message != "end.jpg: Die rechte Gurtkante ist nur auf 42 % der Länge zu sehen." || advice == r.Advice {
		t.Errorf("%q %q", message, advice)
	}
	// kept before there were values
	old := &result.Refusal{Code: "edge_unclear", Message: "The edge is not seen.", Advice: "Clear it."}
	if message, _ := RefusalText(old, Options{}); message != old.Message {
		t.Errorf("%q", message)
	}
	if message, advice := RefusalText(old, Options{Lang: "de"}); message != words.In("de").Text("problem.edge_unclear") || advice == old.Advice {
		t.Errorf("%q %q", message, advice)
	}
}

// By ILAC-G8:2019, 4.2.3: limit 2, U 0.5. What is undecided is named by the side of
// the limit on which the value lies.
func TestOutcome(t *testing.T) {
	for _, c := range []struct {
		offset  float64
		verdict result.Verdict
		want    string
	}{{1.5, result.Square, Pass}, {-1.5, result.Square, Pass}, {1.6, result.Undecided, ConditionalPass}, {-2, result.Undecided, ConditionalPass}, {2.1, result.Undecided, ConditionalFail}, {-2.5, result.Undecided, ConditionalFail}, {2.6, result.Recut, Fail}} {
		m := &result.Measurement{Verdict: c.verdict, Squareness: &result.Squareness{OffsetMM: c.offset, OffsetU95MM: 0.5, ToleranceMM: 2}}
		if got := Outcome(m); got != c.want {
			t.Errorf("%g: %s, want %s", c.offset, got, c.want)
		}
	}
	if got := Outcome(&result.Measurement{}); got != "" {
		t.Errorf("nothing measured: %s", got)
	}
}
