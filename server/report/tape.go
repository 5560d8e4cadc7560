package report

import (
	"fmt"
	"strings"

	"beltend/server/result"
)

// sourceRows say what was typed from a tape and how it goes with the photos.
func sourceRows(m *result.Measurement, o Options) []Row {
	u := units{o.Inches}
	var out []Row
	if t := m.Tape; t != nil {
		set := "from each corner"
		if t.SetOut == "line" {
			set = fmt.Sprintf("from a line square within ± %s", u.expanded(t.LineU95MM))
		}
		out = append(out, Row{"Tape", fmt.Sprintf("diagonals %s from the left corner, %s from the right; marks %s up, set out %s; class %s, read to %s",
			u.place(t.LeftMM), u.place(t.RightMM), u.place(t.UpMM), set, t.Class, u.place(t.ReadingMM))})
	}
	if c := m.Combined; c != nil {
		var parts []string
		for _, p := range c.Parts {
			parts = append(parts, fmt.Sprintf("%s %s ± %s", p.Source, u.signed(p.OffsetMM), u.expanded(p.OffsetU95MM)))
		}
		says := "they agree; the weighted mean stands above"
		if !c.Agree {
			says = "they do NOT agree; the value above spans them all"
		}
		out = append(out, Row{"Combined", strings.Join(parts, ", ") + ": " + says})
	}
	return out
}
