// Package report writes a measurement for people: plain text for a terminal
// 80 columns wide, and the words that the page shares with it.
package report

import (
	"bufio"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"beltend/server/pages/words"
	"beltend/server/result"
)

// Options of the text.
type Options struct {
	Inches bool   // inches and sixteenths instead of mm
	Budget bool   // add the uncertainty budget
	Lang   string // of the catalogue; empty: English
}

const columns = 80

// Row is a label and a text. An empty row parts two groups.
type Row struct{ Label, Text string }

// Text writes the measurement, the verdict first.
func Text(w io.Writer, m *result.Measurement, o Options) error {
	out, u := bufio.NewWriter(w), o.units()
	if m.Refused != nil {
		message, advice := RefusalText(m.Refused, o)
		para(out, u.Text("verdict.refused")+": "+message)
		para(out, advice)
		return out.Flush()
	}
	para(out, Verdict(m, o))
	fmt.Fprintln(out)
	rows(out, Facts(m, o))
	if m.Recut != nil {
		fmt.Fprintln(out)
		rows(out, RecutRows(m, o))
	}
	if d := m.Drawn; d != nil && m.Line != "drawn" {
		fmt.Fprintln(out)
		rows(out, drawnRows(d, o))
	}
	if m.Advice != "" {
		fmt.Fprintln(out)
		rows(out, []Row{{u.Text("report.to_settle"), AdviceText(m, o)}})
	}
	if len(m.Warnings) > 0 {
		fmt.Fprintln(out)
		for _, x := range m.Warnings {
			rows(out, []Row{{u.Text("report.warning"), WarningText(x, o)}})
		}
	}
	if o.Budget {
		fmt.Fprintln(out)
		budget(out, m, o)
	}
	fmt.Fprintln(out)
	para(out, strings.Join(Cautions(o), " "))
	return out.Flush()
}

// Budget writes the uncertainty budget alone.
func Budget(w io.Writer, m *result.Measurement, o Options) error {
	out := bufio.NewWriter(w)
	budget(out, m, o)
	return out.Flush()
}

// rows writes labels and texts that wrap behind them.
func rows(w io.Writer, rows []Row) {
	const indent = 12
	for _, r := range rows {
		long := utf8.RuneCountInString(r.Label) >= indent
		if long { // on a line of its own
			fmt.Fprintln(w, r.Label)
		}
		for i, line := range wrap(r.Text, columns-indent) {
			if i > 0 || long {
				r.Label = ""
			}
			fmt.Fprintf(w, "%-*s%s\n", indent, r.Label, line)
		}
	}
}

func para(w io.Writer, text string) {
	for _, line := range wrap(text, columns) {
		fmt.Fprintln(w, line)
	}
}

// wrap breaks a text at spaces into lines of at most width characters, at
// least one line, never inside a quantity.
func wrap(text string, width int) []string {
	lines := []string{""}
	for _, word := range strings.Split(words.Together(strings.Join(strings.Fields(text), " ")), " ") {
		word = strings.ReplaceAll(word, "\u00a0", " ")
		last := &lines[len(lines)-1]
		switch {
		case *last == "":
			*last = word
		case utf8.RuneCountInString(*last)+1+utf8.RuneCountInString(word) <= width:
			*last += " " + word
		default:
			lines = append(lines, word)
		}
	}
	return lines
}
