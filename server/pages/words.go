package pages

import (
	"bytes"
	"embed"
	"encoding/json"
	"fmt"
	"io/fs"
	"regexp"
	"strings"
	"time"

	"golang.org/x/text/language"
)

// The catalogue: one file a language (the reviewer's pages have one more), sections of texts, verbs as in package
// fmt. A new language is a new file, and a line in languages.
//
//go:embed words
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
		files, err := fs.Glob(wordFiles, "words/"+w.Lang+"*.json")
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

var decimalPoint = regexp.MustCompile(`(\d)\.(\d)`)

// Figure writes numbers in a text as the language does.
func (w *Words) Figure(text string) string {
	if w.Lang == "de" {
		text = decimalPoint.ReplaceAllString(text, "$1,$2")
	}
	return strings.ReplaceAll(text, " mm", "\u00a0mm")
}

// When writes a time.
func (w *Words) When(t time.Time) string { return t.Format("2006-01-02 15:04 MST") }
