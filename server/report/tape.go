package report

import (
	"fmt"
	"strings"

	"beltend/server/result"
)

// ByHand marks what was taped by hand, alone or with photos; empty: photos.
func ByHand(source string, o Options) string {
	switch source {
	case result.FromTape:
		return o.units().Text("tape.by_hand")
	case result.FromBoth:
		return o.units().Text("tape.and_photos")
	}
	return ""
}

// sourceRows say what was typed from a tape and how it goes with the photos.
func sourceRows(m *result.Measurement, o Options) []Row {
	u := o.units()
	var out []Row
	if t := m.Tape; t != nil {
		set := u.Text("taped.from_corners")
		if t.SetOut == "line" {
			set = u.Text("taped.from_line", u.expanded(t.LineU95MM))
		}
		out = append(out, Row{u.Text("taped.tape"), u.Text("taped.diagonals",
			u.place(t.LeftMM), u.place(t.RightMM), u.place(t.UpMM), set, t.Class, u.place(t.ReadingMM))})
	}
	if c := m.Combined; c != nil {
		var parts []string
		for _, p := range c.Parts {
			parts = append(parts, fmt.Sprintf("%s %s ± %s", u.Text("taped.part_"+p.Source), u.signed(p.OffsetMM), u.expanded(p.OffsetU95MM)))
		}
		says := u.Text("taped.agree")
		if !c.Agree {
			says = u.Text("taped.disagree")
		}
		out = append(out, Row{u.Text("taped.combined"), strings.Join(parts, ", ") + ": " + says})
	}
	return out
}
