// Package pages writes the service's pages: html/template, one style sheet, no
// script. It knows nothing of HTTP.
package pages

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"fmt"
	"html/template"
	"io/fs"
	"strings"
	"time"

	"beltend/server/report"
	"beltend/server/result"
	"beltend/server/setting"
	"beltend/server/store"
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

// styleVersion goes into the style sheet's address, so that a browser does not
// use an old one after an update.
var styleVersion = func() string {
	b, err := static.ReadFile("static/beltend.css")
	if err != nil { // it is embedded above
		panic(err)
	}
	return fmt.Sprintf("%x", sha256.Sum256(b))[:12]
}()

var funcs = template.FuncMap{
	"styleVersion": func() string { return styleVersion },

	"when": func(t time.Time) string { return t.Format("2006-01-02 15:04 MST") },
	"add":  func(a, b int) int { return a + b },
}

func parse(name string) *template.Template {
	return template.Must(template.New("base.html").Funcs(funcs).ParseFS(templates, "templates/base.html", "templates/"+name))
}

var homePage, resultPage, problemPage = parse("home.html"), parse("result.html"), parse("problem.html")

func write(t *template.Template, data any) ([]byte, error) {
	var b bytes.Buffer
	if err := t.Execute(&b, data); err != nil {
		return nil, fmt.Errorf("write a page: %w", err)
	}
	return b.Bytes(), nil
}

// ProblemData is an error or a refusal in words.
type ProblemData struct{ Title, Code, Detail, Advice string }

// HomeData is what the first page shows.
type HomeData struct {
	Problem *ProblemData      // of the form just sent
	Fields  map[string]string // of the form just sent
	Recent  []store.Record
}

type recent struct {
	ID, Photos, Offset, Verdict string
	Created                     time.Time
}

// Home writes the page with the form.
func Home(d HomeData) ([]byte, error) {
	v := struct {
		Title    string
		Problem  *ProblemData
		Fields   map[string]string
		Recent   []recent
		Cautions []string
		Names    map[string]string
	}{Title: "Measure a belt end", Problem: d.Problem, Fields: d.Fields, Cautions: report.Cautions}
	for _, r := range d.Recent {
		line := recent{ID: r.ID, Created: r.Created, Photos: photos(r.Measurement), Verdict: string(r.Measurement.Verdict)}
		if r.Measurement.Squareness != nil {
			line.Offset = report.Offset(r.Measurement, report.Options{Inches: r.Inches})
		}
		v.Recent = append(v.Recent, line)
	}
	return write(homePage, v)
}

func photos(m *result.Measurement) string {
	var names []string
	for _, p := range m.Photos {
		names = append(names, p.File)
	}
	return strings.Join(names, ", ")
}

// Problem writes a page that holds nothing but a problem.
func Problem(p ProblemData) ([]byte, error) { return write(problemPage, p) }

// Result writes the page of one measurement.
func Result(r store.Record) ([]byte, error) {
	m := r.Measurement
	o := report.Options{Inches: r.Inches}
	v := struct {
		Title, Verdict string
		Kind           result.Verdict
		Offset, U      string
		LongSide       string
		Facts          []report.Row
		Scale          *scale
		Tape           *report.Tape
		Record         store.Record
		M              *result.Measurement
		Photos         string
		Cautions       []string
		Budget         []result.BudgetRow
		Settings       []report.Row
	}{Title: "Belt end", Verdict: report.Verdict(m), Kind: m.Verdict, Record: r, M: m, Photos: photos(m), Cautions: report.Cautions,
		Facts: report.Facts(m, o), Budget: report.BudgetTable(m), Settings: given(m.Settings)}
	if m.Squareness != nil {
		offset, u, _ := strings.Cut(report.Offset(m, o), " ± ")
		v.Offset, v.U, v.LongSide = offset, u, report.LongSide(m)
		v.Scale = newScale(m.Squareness, r.Inches, report.Tolerance(m, o))
		v.Facts = v.Facts[1:] // the offset stands above, larger
	}
	if m.Recut != nil {
		t := report.TapeOf(m.Recut, o)
		v.Tape = &t
	}
	return write(resultPage, v)
}

// given lists the settings that are not at their defaults.
func given(s *result.Settings) []report.Row {
	if s == nil {
		return nil
	}
	var rows []report.Row
	for _, n := range []struct {
		name string
		v    float64
		unit string
	}{
		{setting.Tolerance, s.ToleranceMM, "mm"}, {setting.Width, s.NominalMM, "mm"}, {setting.Target, s.TargetDeg, "°"},
		{setting.Trim, s.TrimMM, "mm"}, {setting.Thickness, s.ThicknessMM, "mm"},
		{"print scale across", s.PrintScaleX, ""}, {"print scale up", s.PrintScaleY, ""},
	} {
		if n.v != 0 {
			rows = append(rows, report.Row{Label: n.name, Text: strings.TrimSpace(fmt.Sprintf("%g %s", n.v, n.unit))})
		}
	}
	for _, n := range [][2]string{{setting.Line, s.Line}, {setting.Board, s.Board}, {setting.Markers, s.Markers}, {setting.Sheet, s.Sheet}} {
		if n[1] != "" {
			rows = append(rows, report.Row{Label: n[0], Text: n[1]})
		}
	}
	for _, h := range s.Hints {
		rows = append(rows, report.Row{Label: "set by hand", Text: fmt.Sprintf("%s, photo %d", h.Edge, h.Photo+1)})
	}
	return rows
}
