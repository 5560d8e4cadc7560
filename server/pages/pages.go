// Package pages writes the service's pages: html/template, one style sheet,
// small scripts of our own, every text from a catalogue. It knows nothing of HTTP.
package pages

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"fmt"
	"html/template"
	"io/fs"
	"net/url"
	"path"
	"slices"
	"strings"
	"time"

	"beltend/server/pages/words"
	"beltend/server/report"
)

//go:embed templates
var templates embed.FS

//go:embed static
var static embed.FS

// Static holds the files served under /static.
func Static() fs.FS {
	sub, err := fs.Sub(static, "static")
	if err != nil { // the folder is embedded above
		panic(err)
	}
	return sub
}

// StaticVersion goes into the addresses of style sheet and scripts, so that a
// browser does not use old ones after an update.
var StaticVersion = func() string {
	sum := sha256.New()
	files, err := fs.Glob(Static(), "*")
	for _, name := range files {
		b, failed := fs.ReadFile(Static(), name)
		if err = failed; err != nil {
			break
		}
		sum.Write(b)
	}
	if err != nil { // they are embedded above
		panic(err)
	}
	return fmt.Sprintf("%x", sum.Sum(nil))[:12]
}()

// Words are the texts of one language.
type Words = words.Words

// In is the catalogue of a language; English where there is none.
func In(lang string) *Words { return words.In(lang) }

// Known says whether there is a catalogue of this language.
func Known(lang string) bool { return words.Known(lang) }

// Match picks the language for what a browser accepts.
func Match(accept string) string { return words.Match(accept) }

// Page is what the layout needs of every page. Templates find what is their own
// under .Data.
type Page struct {
	Title   string   // in the page's language
	Scripts []string // files of static, without folder
	Data    any

	View
}

// View is how a person wants pages, and where they are.
type View struct {
	Lang     string // of Languages; "": English
	Theme    string // "light", "dark", "contrast"; "": as the device
	Inches   bool   // lengths in inches and sixteenths
	Path     string // under which this page can be opened
	Posted   bool   // it came in answer to a form
	Query    url.Values
	Person   string // who is signed in, "" where there are no accounts
	Sections []Section
	Phone    bool // /trust brings a phone here
}

// Options are the view's language and units, for texts and drawings.
func (v View) Options() report.Options { return report.Options{Inches: v.Inches, Lang: v.Lang} }

// Drawn is what the address of a drawing says of how it is read: drawn otherwise it is
// another picture, which no cache takes for this one.
func (v View) Drawn() url.Values {
	units := "mm"
	if v.Inches {
		units = "in"
	}
	return url.Values{"lang": {In(v.Lang).Lang}, "units": {units}}
}

// With is the address of this page with one choice changed.
func (v View) With(name, value string) string {
	q := url.Values{}
	for k, all := range v.Query {
		if k != "lang" && k != "theme" && k != "units" {
			q[k] = all
		}
	}
	q.Set(name, value)
	return v.Path + "?" + q.Encode()
}

// Section is a part of the service in the header.
type Section struct {
	Key  string // its name is the text nav.Key
	Path string
	Here bool
}

// ProblemData is an error or a refusal in words.
type ProblemData struct {
	Title, Code, Detail, Advice string
	Kept                        string // address of the record of a refusal
}

// shared are the templates that every page may use.
var shared = []string{"base.html", "parts.html", "review_parts.html", "account_parts.html"}

// reading is a language with units.
type reading struct {
	lang   string
	inches bool
}

// byReading holds every page in every language and unit, so that {{text "key"}}
// and {{length 5.9}} need neither wherever they stand.
var byReading = func() map[reading]map[string]*template.Template {
	names, err := fs.Glob(templates, "templates/*.html")
	if err != nil { // the pattern is well formed
		panic(err)
	}
	all := map[reading]map[string]*template.Template{}
	for _, lang := range words.Languages() {
		w := words.In(lang)
		for _, inches := range []bool{false, true} {
			r := reading{lang, inches}
			base := template.Must(template.New("base.html").Funcs(funcs(w, inches)).ParseFS(templates, "templates/base.html", "templates/*parts.html"))
			all[r] = map[string]*template.Template{}
			for _, name := range names {
				if file := path.Base(name); !slices.Contains(shared, file) {
					all[r][file] = template.Must(template.Must(base.Clone()).ParseFS(templates, name))
				}
			}
		}
	}
	return all
}()

func funcs(w *Words, inches bool) template.FuncMap {
	o := report.Options{Inches: inches, Lang: w.Lang}
	return template.FuncMap{
		"covers": func(as string) string { return report.Covers(as, o) },
		"length": func(mm float64) string { return report.Length(mm, o) },
		"place":  func(mm float64) string { return report.Place(mm, o) },
		"inches": func() bool { return inches },
		"inunits": func(key string) string { // a text that stands in the catalogue for either units
			if inches {
				return key + "_in"
			}
			return key
		},
		"usualtolerance": func() string { return report.UsualTolerance(o) },
		"unitname": func() string {
			if inches {
				return "in"
			}
			return "mm"
		},
		"drawn": func() template.URL { return template.URL(View{Lang: w.Lang, Inches: inches}.Drawn().Encode()) }, //nolint:gosec // encoded
		"unit": func() string { // of what is typed
			if inches {
				return w.Text("base.mm_or_in")
			}
			return "mm"
		},
		"text":    func(key string, values ...any) string { return words.Together(w.Text(key, values...)) },
		"keep":    words.Together,
		"has":     w.Has,
		"figure":  w.Figure,
		"lang":    func() string { return w.Lang },
		"version": func() string { return StaticVersion },
		"langs":   words.Languages,
		"when":    w.Stamp,
		"day":     func(t time.Time) string { return t.Format("2006-01-02") },
		"add":     func(a, b int) int { return a + b },
		"dict":    dict,
		"dotless": func(what string) string { return strings.ReplaceAll(what, ".", "_") },
		"list":    func(v ...any) []any { return v },
		"attr":    func(key string) template.HTMLAttr { return attr(w, key) },
	}
}

// attr is a text as an attribute data-section-name, for scripts.
func attr(w *Words, key string) template.HTMLAttr {
	name := strings.NewReplacer(".", "-", "_", "-").Replace(key)
	return template.HTMLAttr(fmt.Sprintf(`data-%s="%s"`, name, template.HTMLEscapeString(words.Together(w.Text(key))))) //nolint:gosec // escaped
}

// dict makes a map of pairs, to give a part several values.
func dict(pairs ...any) (map[string]any, error) {
	m := map[string]any{}
	for i := 0; i+1 < len(pairs); i += 2 {
		key, ok := pairs[i].(string)
		if !ok {
			return nil, fmt.Errorf("dict: %v is no name", pairs[i])
		}
		m[key] = pairs[i+1]
	}
	if len(pairs)%2 != 0 {
		return nil, fmt.Errorf("dict: %v has no value", pairs[len(pairs)-1])
	}
	return m, nil
}

// Write writes the page of a template, "problem.html", in the page's language.
func Write(name string, p Page) ([]byte, error) {
	t := byReading[reading{In(p.Lang).Lang, p.Inches}][name]
	if t == nil {
		return nil, fmt.Errorf("write a page: there is no template %s", name)
	}
	var b bytes.Buffer
	if err := t.Execute(&b, p); err != nil {
		return nil, fmt.Errorf("write a page: %w", err)
	}
	return b.Bytes(), nil
}
