package drawing

import (
	"beltend/server/report"
	"beltend/server/result"
)

// benchSheets are the printable list: what to have and to do, each with a box
// to tick, then what to know, the chart and the cautions.
func benchSheets(r *result.Lacing, o report.Options) []*sheet {
	var sheets []*sheet
	var s *sheet
	y := 0.0
	page := func() {
		s = newSheet(short, long, o)
		s.title = s.Text("drawing.bench")
		sheets = append(sheets, s)
		s.head(edge, 20, 6, -1, s.title)
		s.say(edge, 27, 3.4, -1, pale, "%s", report.LacingHeadline(r, o))
		y = 36
		if len(sheets) > 1 {
			return
		}
		x := edge
		for _, name := range []string{"conveyor", "joint", "name", "date"} {
			blank := s.Text("drawing." + name)
			s.say(x, y, 3.2, -1, ink, "%s", blank)
			from := x + textWidth(blank, 3.2) + 1
			x += (short - 2*edge) / 4
			s.line(pale, 0.2, pt(from, y+0.6), pt(x-4, y+0.6))
		}
		y += 10
	}
	page()
	const (
		label = 38.0
		size  = 3.5
		step  = 1.35 * size
	)
	// block keeps the lines of one row on one page.
	block := func(text, name string, box, bold bool) {
		x := label
		if box && name == "" {
			x = edge + 5
		}
		lines := wrap(text, short-edge-x, size)
		if y+float64(len(lines))*step > long-edge {
			page()
		}
		if box {
			s.area(none, ink, 0.25, pt(edge, y-2.8), pt(edge+3.2, y-2.8), pt(edge+3.2, y+0.4), pt(edge, y+0.4))
		}
		if name != "" {
			s.items = append(s.items, wording{at: pt(edge+5, y), size: size, text: name, align: -1, bold: bold, ink: ink})
		}
		for _, l := range lines {
			s.say(x, y, size, -1, ink, "%s", l)
			y += step
		}
		y += 1.4
	}
	group := func(name string) {
		if y+14 > long-edge {
			page()
		}
		y += 3.5
		s.head(edge, y, 4.2, -1, name)
		y += 6.5
	}
	for _, c := range report.LacingCautions(o) {
		block(c, "", true, false)
	}
	group(s.Text("drawing.plan"))
	for _, row := range report.BenchList(r.Plan, o) {
		block(row.Text, row.Label, row.Label != "", true)
	}
	if notes := report.LacingNotes(r, o); len(notes) > 0 {
		group(s.Text("drawing.to_know"))
		for _, n := range notes {
			block(n.Text, "", false, false)
		}
	}
	group(s.Text("drawing.chart"))
	for _, row := range report.FitRows(r, o) {
		block(row.Text, row.Label, false, true)
	}
	return sheets
}
