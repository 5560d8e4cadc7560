// Package table writes measurements and joints as tables for other programs:
// CSV (RFC 4180) and JSON lines, with the same columns. Lengths in mm, times UTC.
package table

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
)

// Format of a table.
type Format string

// The formats.
const (
	CSV      Format = "csv"
	JSONL    Format = "jsonl"
	SheetCSV Format = "csv for table programs" // CSV that begins with a byte order mark, by which they know UTF-8
)

// Column is one of a table of T. Value gives a string, bool, int, float64,
// *float64 or time.Time; nil, nil pointers and zero times are empty cells.
type Column[T any] struct {
	Name  string
	Means string
	Value func(*T) any
}

// Writer writes rows as they come.
type Writer[T any] struct {
	columns []Column[T]
	to      io.Writer
	csv     *csv.Writer // nil: JSON lines
}

// NewWriter begins a table; CSV has its head written.
func NewWriter[T any](to io.Writer, format Format, columns []Column[T]) (*Writer[T], error) {
	w := &Writer[T]{columns: columns, to: to}
	if format == JSONL {
		return w, nil
	}
	if format == SheetCSV {
		if _, err := io.WriteString(to, "\ufeff"); err != nil {
			return nil, err
		}
	}
	w.csv = csv.NewWriter(to)
	head := make([]string, len(columns))
	for i, c := range columns {
		head[i] = c.Name
	}
	return w, w.csv.Write(head)
}

// Row writes one.
func (w *Writer[T]) Row(row *T) error {
	if w.csv == nil {
		return w.line(row)
	}
	cells := make([]string, len(w.columns))
	for i, c := range w.columns {
		cells[i] = cell(c.Value(row))
	}
	return w.csv.Write(cells)
}

// Flush hands on what was written.
func (w *Writer[T]) Flush() error {
	if w.csv == nil {
		return nil
	}
	w.csv.Flush()
	return w.csv.Error()
}

// Broken ends a table that could not be written to its end with a row that says
// so: whoever reads it must not take it for whole.
func (w *Writer[T]) Broken() error {
	const message = "INCOMPLETE: the list could not be written to its end"
	if w.csv == nil {
		_, err := fmt.Fprintf(w.to, "{\"error\":%q}\n", message)
		return err
	}
	if err := w.csv.Write([]string{message}); err != nil {
		return err
	}
	return w.Flush()
}

// cell writes a value. Numbers are plain, whatever their sign; text is Harmless.
func cell(v any) string {
	switch v := plain(v).(type) {
	case nil:
		return ""
	case string:
		return Harmless(v)
	case float64:
		return strconv.FormatFloat(v, 'f', -1, 64)
	default:
		return fmt.Sprint(v)
	}
}

// line writes a row as a JSON object with its members in the columns' order.
func (w *Writer[T]) line(row *T) error {
	var out bytes.Buffer
	for i, c := range w.columns {
		value, err := json.Marshal(plain(c.Value(row)))
		if err != nil {
			return fmt.Errorf("column %s: %w", c.Name, err)
		}
		sep := ","
		if i == 0 {
			sep = "{"
		}
		fmt.Fprintf(&out, "%s%q:%s", sep, c.Name, value)
	}
	out.WriteString("}\n")
	_, err := w.to.Write(out.Bytes())
	return err
}

// plain makes what may be empty a value or nil.
func plain(v any) any {
	switch v := v.(type) {
	case *float64:
		if v == nil {
			return nil
		}
		return *v
	case time.Time:
		if v.IsZero() {
			return nil
		}
		return v.UTC().Format(time.RFC3339Nano)
	}
	return v
}

// Harmless keeps table programs from taking a text for a formula: one that begins
// with a sign of a formula, or with what such programs skip before one, gets an
// apostrophe in front.
func Harmless(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r\n＝＋－＠", []rune(s)[0]) {
		return "'" + s
	}
	return s
}
