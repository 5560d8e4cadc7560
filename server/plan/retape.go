package plan

import (
	"fmt"
	"strconv"
	"strings"

	"beltend/server/result"
)

// AsTaped gives the settings again that a kept result was worked out from, so that it
// can be decided anew; those of the joint are not among them.
func AsTaped(m *result.Measurement) map[string]string {
	mm := func(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
	t := m.Tape
	text := map[string]string{Diagonals: mm(t.LeftMM) + ";" + mm(t.RightMM), Up: mm(t.UpMM), SetOut: t.SetOut, TapeClass: t.Class, Reading: mm(t.ReadingMM), Edge: mm(t.EdgeMM)}
	if m.Line == drawn {
		text[Line] = drawn
	}
	if t.Hook {
		text[TapeHook] = "yes"
	}
	if t.LineU95MM > 0 {
		text[LineU95] = mm(t.LineU95MM)
	}
	if t.WidthMM > 0 {
		text[Width] = mm(t.WidthMM)
	}
	var stations []string
	for _, s := range t.Stations {
		stations = append(stations, mm(s.UpMM)+":"+mm(s.WidthMM))
	}
	text[Stations] = strings.Join(stations, ";")
	if t.HollowMM != nil {
		text[Hollow] = mm(*t.HollowMM)
	}
	if c := t.Camber; c != nil {
		text[Camber] = fmt.Sprintf("%s;%s;%s", mm(c.ChordMM), mm(c.GapMM), c.BowsTo)
	}
	if s := m.Settings; s != nil {
		if s.TrimMM > 0 {
			text[Trim] = mm(s.TrimMM)
		}
		if s.TargetDeg != 0 {
			text[Target] = mm(s.TargetDeg)
		}
	}
	return text
}
