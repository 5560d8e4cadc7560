package report

import (
	"fmt"
	"io"
	"math"
	"strings"

	"beltend/server/result"
)

// BudgetTable is the uncertainty budget of the offset as JCGM 100 lays it out:
// the contributions, then their root sum of squares and the expanded
// uncertainty, which have no type. It is empty where no budget was made.
func BudgetTable(m *result.Measurement) []result.BudgetRow {
	var rows []result.BudgetRow
	sum := 0.0
	for _, b := range m.Budget {
		if b.Type == "" { // a sum, which is made here
			continue
		}
		rows = append(rows, b)
		sum += b.UMM * b.UMM
	}
	if len(rows) == 0 || m.Squareness == nil {
		return nil
	}
	expanded := result.BudgetRow{Source: "Expanded uncertainty (95 %)", UMM: m.Squareness.OffsetU95MM}
	if u := math.Sqrt(sum); u > 0 {
		expanded.Comment = fmt.Sprintf("k = %.2f", expanded.UMM/u)
	}
	return append(rows, result.BudgetRow{Source: "Combined standard uncertainty", UMM: math.Sqrt(sum)}, expanded)
}

func budget(w io.Writer, m *result.Measurement) {
	table := BudgetTable(m)
	if table == nil {
		fmt.Fprintln(w, "No uncertainty budget was made.")
		return
	}
	const format = "%-30s %-4s %8s  %s\n"
	fmt.Fprintln(w, "Uncertainty of the offset (mm)")
	fmt.Fprintf(w, format, "Source", "Type", "u", "Comment")
	for _, b := range table {
		source, comment := wrap(b.Source, 30), wrap(b.Comment, columns-46)
		for i := range max(len(source), len(comment)) {
			kind, u := "", ""
			if i == 0 {
				kind, u = b.Type, fmt.Sprintf("%.3f", b.UMM)
			}
			fmt.Fprintln(w, strings.TrimRight(fmt.Sprintf(format, at(source, i), kind, u, at(comment, i)), " \n"))
		}
	}
}

func at(lines []string, i int) string {
	if i < len(lines) {
		return lines[i]
	}
	return ""
}
