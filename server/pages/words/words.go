// Package words is the catalogue: every text that people read, in every
// language, and how a language writes its numbers.
package words

import (
	"bytes"
	"embed"
	"encoding/json"
	"fmt"
	"io/fs"
	"maps"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"golang.org/x/text/language"
)

// Files of a language: de.json has the pages' texts, de.review.json the
// reviewer's, de.report.json those of results, reports and drawings, de.said.json
// the sentences about a measurement. Each holds sections of texts with verbs as
// in package fmt; those of de.said.json have values by name, see [Words.Say]. A
// new language is new files, and a line in languages.
//
//go:embed *.json
var wordFiles embed.FS

// languages in the order in which they are offered; the first is used where
// nothing is asked for.
var languages = []language.Tag{language.English, language.German}

var matcher = language.NewMatcher(languages)

// Words are the texts of one language.
type Words struct {
	Lang  string
	texts map[string]string // by "section.name"
}

var catalogue = func() map[string]*Words {
	all := map[string]*Words{}
	for _, tag := range languages {
		w := &Words{Lang: tag.String(), texts: map[string]string{}}
		files, err := fs.Glob(wordFiles, w.Lang+".*")
		if err != nil { // the pattern is well formed
			panic(err)
		}
		for _, file := range files {
			b, err := wordFiles.ReadFile(file)
			if err != nil { // it is embedded above
				panic(err)
			}
			if err := w.read(b); err != nil {
				panic(fmt.Errorf("%s: %w", file, err))
			}
		}
		all[w.Lang] = w
	}
	return all
}()

// read adds the texts of a file.
func (w *Words) read(b []byte) error {
	var sections map[string]map[string]string
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	if err := d.Decode(&sections); err != nil {
		return err
	}
	for section, texts := range sections {
		for name, text := range texts {
			w.texts[section+"."+name] = text
		}
	}
	return nil
}

// In is the catalogue of a language; English where there is none.
func In(lang string) *Words {
	if w := catalogue[lang]; w != nil {
		return w
	}
	return catalogue[languages[0].String()]
}

// Known says whether there is a catalogue of this language.
func Known(lang string) bool { return catalogue[lang] != nil }

// Match picks the language for what a browser accepts.
func Match(accept string) string {
	_, i := language.MatchStrings(matcher, accept)
	return languages[i].String()
}

// Text is the text of a key with its values set in. A key without a text is
// shown as such, and a test finds it.
func (w *Words) Text(key string, values ...any) string {
	text, ok := w.texts[key]
	if !ok {
		return "[" + key + "]"
	}
	if len(values) == 0 {
		return text
	}
	return fmt.Sprintf(text, values...)
}

// Has says whether a key has a text.
func (w *Words) Has(key string) bool { _, ok := w.texts[key]; return ok }

// Or is the text of a key, or another where there is none: for codes that come
// from elsewhere with words of their own.
func (w *Words) Or(key, otherwise string) string {
	if w.Has(key) {
		return w.Text(key)
	}
	return otherwise
}

// Decimal writes the numbers in a text of numbers with the language's decimal
// sign.
func (w *Words) Decimal(text string) string {
	if w != nil && w.Lang == "de" {
		text = decimalPoint.ReplaceAllString(text, "$1,$2")
	}
	return text
}

var value = regexp.MustCompile(`\{([a-z0-9_]+)(?:@([a-z_]+))?(?::(\+?)([0-9g]))?\}`)

// Say is the sentence of a key with its values set in by name: "{file}" as it
// is, "{size_mm:1}" a length with that many decimals, which length writes,
// "{pitch_mm:g}" one with as many as it has, "{off_percent:0}" a number, with a + before the decimals its sign too, "{side@where}" the text of the section where for
// the value. It is empty where the catalogue has no such sentence or a value is
// missing.
func (w *Words) Say(key string, values map[string]any, length func(mm float64, decimals int) string) string {
	text, ok := w.texts[key]
	if !ok {
		return ""
	}
	whole := true
	text = value.ReplaceAllStringFunc(text, func(hole string) string {
		m := value.FindStringSubmatch(hole)
		v, ok := values[m[1]]
		if !ok {
			whole = false
			return ""
		}
		if m[2] != "" {
			key := fmt.Sprintf("%s.%v", m[2], v)
			whole = whole && w.Has(key)
			return w.Text(key)
		}
		var n float64
		switch v := v.(type) {
		case float64:
			n = v
		case int:
			n = float64(v)
		default:
			return fmt.Sprint(v)
		}
		sign := ""
		if m[3] != "" && n > 0 {
			sign = m[3]
		}
		decimals, err := strconv.Atoi(m[4])
		switch {
		case m[4] == "g":
			decimals = ownDecimals(n)
		case err != nil: // none written
			decimals = 0
		}
		if strings.HasSuffix(m[1], "_mm") {
			return sign + length(n, decimals)
		}
		return sign + w.Decimal(strconv.FormatFloat(n, 'f', decimals, 64))
	})
	if !whole {
		return ""
	}
	return text
}

// ownDecimals is how many decimals a number has, three at most.
func ownDecimals(n float64) int {
	for d, k := 0, 1.0; d < 3; d, k = d+1, 10*k {
		if math.Abs(n*k-math.Round(n*k)) < 1e-6 {
			return d
		}
	}
	return 3
}

// All are the texts by their keys, "section.name".
func (w *Words) All() map[string]string { return maps.Clone(w.texts) }

// English says whether this is the language of the contract's own sentences.
func (w *Words) English() bool { return w.Lang == languages[0].String() }

// Languages are those there are.
func Languages() []string { return slices.Sorted(maps.Keys(catalogue)) }

var decimalPoint = regexp.MustCompile(`(\d)\.(\d)`)

// A number stays with its unit, a whole inch with its sixteenths, and an
// uncertainty with the sign before.
var together = regexp.MustCompile(`(\d) (mm|in|ft|m|px|\d+/\d+)\b|(\d) (%)|(±) `)

// Together writes a text so that no line breaks inside a quantity.
func Together(text string) string {
	text = together.ReplaceAllString(text, "$1$3$5\u00a0$2$4")
	return together.ReplaceAllString(text, "$1$3$5\u00a0$2$4") // the sixteenths' own unit
}

// Figure writes numbers in a text as the language does, and as they break into
// lines.
func (w *Words) Figure(text string) string {
	return Together(w.Decimal(text))
}

// When writes a time.
func (w *Words) When(t time.Time) string { return t.Format("2006-01-02 15:04 MST") }

// Stamp is When for a page, where a line may break between date and time alone.
func (w *Words) Stamp(t time.Time) string { return t.Format("2006\u201101\u201102 15:04\u00a0MST") }
