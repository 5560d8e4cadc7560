// Package chart reads the chart of fasteners that the user brings, as CSV, and
// names every fault in it by line and column. beltend has no chart of its own:
// the figures are the maker's.
package chart

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"beltend/geometry"
	"beltend/geometry/lacing"
	"beltend/server/report"
)

// Columns of a chart, by the names in its first line; any order.
var Columns = []string{
	lacing.FieldName, lacing.FieldPitch, lacing.FieldWire, lacing.FieldThicknessFrom, lacing.FieldThicknessTo,
	lacing.FieldPulley, lacing.FieldStrip, lacing.FieldHooks, lacing.FieldPinAllowance,
}

const (
	maxBytes  = 1 << 20
	maxFaults = 200
)

// Fault is one thing wrong in a chart.
type Fault struct {
	Line    int    `json:"line"`
	Column  string `json:"column,omitempty"` // empty: the line as a whole
	Message string `json:"message"`

	// What is wrong, for whoever says it in another language.
	Code   string          `json:"code"`
	Values geometry.Values `json:"values,omitempty"`
}

// String names the place first.
func (f Fault) String() string {
	if f.Column == "" {
		return fmt.Sprintf("line %d: %s", f.Line, f.Message)
	}
	return fmt.Sprintf("line %d, column %s: %s", f.Line, f.Column, f.Message)
}

// Faults are all that is wrong in a chart.
type Faults []Fault

// Error lists them, one a line.
func (f Faults) Error() string {
	lines := make([]string, len(f))
	for i := range f {
		lines[i] = f[i].String()
	}
	return strings.Join(lines, "\n")
}

// Read reads a chart: comma, semicolon or tab between the columns, lines that
// begin with # are remarks. An error is of type [Faults], or the reader's.
func Read(r io.Reader) ([]lacing.Fastener, error) {
	data, err := io.ReadAll(io.LimitReader(r, maxBytes+1))
	if err != nil {
		return nil, fmt.Errorf("read the chart: %w", err)
	}
	if len(data) > maxBytes {
		return nil, Faults{{Line: 1, Message: "the file is larger than 1 MB, which is no chart", Code: "chart_large"}}
	}
	data = bytes.TrimPrefix(data, []byte("\ufeff")) // some spreadsheets put it first
	for i, line := range bytes.Split(data, []byte("\n")) {
		if !utf8.Valid(line) || bytes.IndexByte(line, 0) >= 0 {
			return nil, Faults{{Line: i + 1, Message: "this is no text in UTF-8: save the sheet as CSV (UTF-8)", Code: "chart_no_text"}}
		}
	}
	c := csv.NewReader(bytes.NewReader(data))
	c.Comma = separator(data)
	c.Comment = '#'
	c.FieldsPerRecord = -1
	c.TrimLeadingSpace = c.Comma != '\t'

	t := table{separator: c.Comma}
	for {
		row, err := c.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		var parse *csv.ParseError
		if errors.As(err, &parse) { // the rest would be guessed at
			t.fault(parse.StartLine, "", "chart_quotes", nil, "a quotation mark is out of place (%v)", parse.Err)
			break
		}
		if err != nil {
			return nil, fmt.Errorf("read the chart: %w", err)
		}
		line, _ := c.FieldPos(0)
		if t.index == nil {
			if !t.head(line, row) {
				break
			}
			continue
		}
		t.row(line, row)
		if len(t.faults) >= maxFaults {
			t.fault(line, "", "chart_and_so_on", nil, "and so on: the rest was not looked at")
			break
		}
	}
	if t.index == nil && len(t.faults) == 0 {
		t.fault(1, "", "chart_empty", geometry.Values{"columns": strings.Join(Columns, ", ")}, "the chart is empty: its first line names the columns %s", strings.Join(Columns, ", "))
	} else if len(t.fasteners) == 0 && len(t.faults) == 0 {
		t.fault(1, "", "chart_no_fastener", nil, "the chart names columns but no fastener")
	}
	if len(t.faults) > 0 {
		return nil, t.faults
	}
	return t.fasteners, nil
}

// separator is the one that the first line of figures or names uses.
func separator(data []byte) rune {
	for _, line := range bytes.Split(data, []byte("\n")) {
		line = bytes.TrimSpace(line)
		if len(line) == 0 || line[0] == '#' {
			continue
		}
		switch {
		case bytes.IndexByte(line, ';') >= 0:
			return ';'
		case bytes.IndexByte(line, '\t') >= 0:
			return '\t'
		}
		break
	}
	return ','
}

// Line is a fastener as a line of a chart, its columns in the order of Columns.
func Line(f lacing.Fastener) string {
	mm := func(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
	var out strings.Builder
	w := csv.NewWriter(&out)
	_ = w.Write([]string{f.Name, mm(f.Pitch), mm(f.Wire), mm(f.ThicknessFrom), mm(f.ThicknessTo), mm(f.Pulley), mm(f.Strip), strconv.Itoa(f.HooksPerStrip), mm(f.PinAllowance)})
	w.Flush() // into memory: cannot fail
	return strings.TrimSuffix(out.String(), "\n")
}

type table struct {
	separator rune
	index     map[string]int // column of each name
	names     int            // columns in the first line
	fasteners []lacing.Fastener
	seen      map[string]int // line of each name
	faults    Faults
}

func (t *table) fault(line int, column, code string, v geometry.Values, format string, a ...any) {
	t.faults = append(t.faults, Fault{line, column, fmt.Sprintf(format, a...), code, v})
}

// head reads the names of the columns; false: nothing below can be read.
func (t *table) head(line int, row []string) bool {
	t.index, t.seen, t.names = map[string]int{}, map[string]int{}, len(row)
	if !slices.ContainsFunc(row, func(name string) bool { return slices.Contains(Columns, strings.ToLower(strings.TrimSpace(name))) }) {
		all := strings.Join(Columns, ", ")
		t.fault(line, "", "chart_no_head", geometry.Values{"columns": all}, "the first line must name the columns: %s", all)
		return false
	}
	for i, name := range row {
		name = strings.ToLower(strings.TrimSpace(name))
		switch _, twice := t.index[name]; {
		case !slices.Contains(Columns, name):
			t.fault(line, strconv.Itoa(i+1), "chart_column_unknown", geometry.Values{"given": name}, "%q is no column of a chart", name)
		case twice:
			t.fault(line, name, "chart_column_twice", nil, "the column is there twice")
		default:
			t.index[name] = i
		}
	}
	for _, name := range Columns {
		if _, ok := t.index[name]; !ok {
			t.fault(line, name, "chart_column_missing", nil, "the column is missing")
		}
	}
	return len(t.faults) == 0
}

func (t *table) row(line int, row []string) {
	if len(row) != t.names {
		code, hint := "chart_columns_count", ""
		if t.separator == ',' && len(row) > t.names {
			code, hint = "chart_columns_comma", "; with commas between the columns, numbers need a point"
		}
		t.fault(line, "", code, geometry.Values{"there": len(row), "named": t.names}, "there are %d columns, the first line names %d%s", len(row), t.names, hint)
		return
	}
	text := func(name string) string { return strings.TrimSpace(row[t.index[name]]) }
	unread := map[string]bool{}
	length := func(name string) float64 {
		mm, err := report.ReadLength(text(name))
		if err != nil {
			unread[name] = true
			if text(name) == "" {
				t.fault(line, name, "chart_nothing", nil, "nothing is given: a length in mm, or with its unit, is wanted")
			} else {
				t.fault(line, name, "chart_no_length", geometry.Values{"given": text(name)}, "%q is no length: write mm, for example 12.5, or 1/2 in", text(name))
			}
		}
		return mm
	}
	f := lacing.Fastener{
		Name: text(lacing.FieldName), Pitch: length(lacing.FieldPitch), Wire: length(lacing.FieldWire),
		ThicknessFrom: length(lacing.FieldThicknessFrom), ThicknessTo: length(lacing.FieldThicknessTo),
		Pulley: length(lacing.FieldPulley), Strip: length(lacing.FieldStrip), PinAllowance: length(lacing.FieldPinAllowance),
	}
	n, err := strconv.Atoi(text(lacing.FieldHooks))
	if err != nil {
		unread[lacing.FieldHooks] = true
		t.fault(line, lacing.FieldHooks, "chart_no_hooks", geometry.Values{"given": text(lacing.FieldHooks)}, "%q is no whole number of hooks", text(lacing.FieldHooks))
	}
	f.HooksPerStrip = n
	for _, wrong := range f.Check() {
		if !unread[wrong.Name] {
			t.fault(line, wrong.Name, wrong.Code, wrong.Values, "%s", wrong.Message)
		}
	}
	if before, twice := t.seen[f.Name]; twice && f.Name != "" {
		t.fault(line, lacing.FieldName, "chart_name_twice", geometry.Values{"given": f.Name, "line": before}, "%q is on line %d already", f.Name, before)
	} else {
		t.seen[f.Name] = line
	}
	t.fasteners = append(t.fasteners, f)
}
