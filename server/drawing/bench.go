package drawing

import (
	"beltend/server/report"
	"beltend/server/result"
)

// benchSheets are the printable list: what to have and to do, each with a box
// to tick, then what to know, the chart and the cautions.
func benchSheets(r *result.Lacing, o report.Options) []*sheet {
	f := newFlow(o, func(f *flow) {
		s := f.s
		s.title = s.Text("drawing.bench")
		s.head(edge, 20, 6, -1, s.title)
		s.say(edge, 27, 3.4, -1, pale, "%s", report.LacingHeadline(r, o))
		f.y = 36
		if len(f.sheets) > 1 {
			return
		}
		x := edge
		for _, name := range []string{"conveyor", "joint", "name", "date"} {
			blank := s.Text("drawing." + name)
			s.say(x, f.y, 3.2, -1, ink, "%s", blank)
			from := x + textWidth(blank, 3.2) + 1
			x += (short - 2*edge) / 4
			s.line(pale, 0.2, pt(from, f.y+0.6), pt(x-4, f.y+0.6))
		}
		f.y += 10
	})
	for _, c := range report.LacingCautions(o) {
		f.block(c, "", true, false)
	}
	f.group(f.s.Text("drawing.plan"))
	for _, row := range report.BenchList(r.Plan, o) {
		f.block(row.Text, row.Label, row.Label != "", true)
	}
	if notes := report.LacingNotes(r, o); len(notes) > 0 {
		f.group(f.s.Text("drawing.to_know"))
		for _, n := range notes {
			f.block(n.Text, "", false, false)
		}
	}
	f.group(f.s.Text("drawing.chart"))
	for _, row := range report.FitRows(r, o) {
		f.block(row.Text, row.Label, false, true)
	}
	return f.sheets
}
