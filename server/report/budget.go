package report

import (
	"fmt"
	"io"
	"math"
	"regexp"
	"strings"

	"beltend/server/result"
)

var noLetters = regexp.MustCompile(`[^a-z]+`)

// BudgetTable is the uncertainty budget of the offset as JCGM 100 lays it out:
// the contributions, then their root sum of squares and the expanded
// uncertainty, which have no type. It is empty where no budget was made.
func BudgetTable(m *result.Measurement, o Options) []result.BudgetRow {
	u := o.units()
	var rows []result.BudgetRow
	sum := 0.0
	for _, b := range m.Budget {
		if b.Type == "" { // a sum, which is made here
			continue
		}
		sum += b.UMM * b.UMM
		// the contract names a source by words, which are its code
		key := "budget." + strings.Trim(noLetters.ReplaceAllString(strings.ToLower(b.Source), "_"), "_")
		b.Source, b.Comment = u.Or(key, b.Source), u.Or(key+"_why", b.Comment)
		rows = append(rows, b)
	}
	if len(rows) == 0 || m.Squareness == nil {
		return nil
	}
	expanded := result.BudgetRow{Source: u.Text("budget.expanded"), UMM: m.Squareness.OffsetU95MM}
	if combined := math.Sqrt(sum); combined > 0 {
		expanded.Comment = u.number("k = %.2f", expanded.UMM/combined)
	}
	return append(rows, result.BudgetRow{Source: u.Text("budget.combined"), UMM: math.Sqrt(sum)}, expanded)
}

func budget(w io.Writer, m *result.Measurement, o Options) {
	table, u := BudgetTable(m, o), o.units()
	if table == nil {
		fmt.Fprintln(w, u.Text("budget.none"))
		return
	}
	const format = "%-30s %-4s %8s  %s\n"
	fmt.Fprintln(w, u.Text("budget.title"))
	fmt.Fprintf(w, format, u.Text("answer.source"), u.Text("answer.type"), "u", u.Text("answer.comment"))
	for _, b := range table {
		source, comment := wrap(b.Source, 30), wrap(b.Comment, columns-46)
		for i := range max(len(source), len(comment)) {
			kind, size := "", ""
			if i == 0 {
				kind, size = b.Type, u.number("%.3f", b.UMM)
			}
			fmt.Fprintln(w, strings.TrimRight(fmt.Sprintf(format, at(source, i), kind, size, at(comment, i)), " \n"))
		}
	}
}

func at(lines []string, i int) string {
	if i < len(lines) {
		return lines[i]
	}
	return ""
}
