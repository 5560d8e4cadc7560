package drawing

import "beltend/server/report"

// flow lays rows of text out down the pages of a list, each row whole.
type flow struct {
	o      report.Options
	sheets []*sheet
	s      *sheet // the page at hand
	y      float64
	label  float64     // where texts begin that have a label, mm
	indent float64     // of labels, for the boxes before them
	begin  func(*flow) // heads a new page and sets y
}

const (
	flowLabel = 38.0 // where text begins that has a label, mm
	flowSize  = 3.5
	flowStep  = 1.35 * flowSize
)

func newFlow(o report.Options, begin func(*flow)) *flow {
	f := &flow{o: o, label: flowLabel, indent: 5, begin: begin}
	f.page()
	return f
}

func (f *flow) page() {
	f.s = newSheet(short, long, f.o)
	f.s.page = true
	f.sheets = append(f.sheets, f.s)
	f.begin(f)
}

// block writes a row, with a box to tick where asked for.
func (f *flow) block(text, name string, box, bold bool) {
	x := f.label
	if name == "" && box {
		x = edge + 5
	}
	lines := wrap(text, short-edge-x, flowSize, pageWidth)
	if f.y+float64(len(lines))*flowStep > long-edge {
		f.page()
	}
	s := f.s
	if box {
		s.area(none, ink, 0.25, pt(edge, f.y-2.8), pt(edge+3.2, f.y-2.8), pt(edge+3.2, f.y+0.4), pt(edge, f.y+0.4))
	}
	if name != "" {
		s.items = append(s.items, wording{at: pt(edge+f.indent, f.y), size: flowSize, text: name, align: -1, bold: bold, ink: ink})
	}
	for _, l := range lines {
		s.say(x, f.y, flowSize, -1, ink, "%s", l)
		f.y += flowStep
	}
	f.y += 1.4
}

// group heads the rows that follow.
func (f *flow) group(name string) {
	if f.y+14 > long-edge {
		f.page()
	}
	f.y += 3.5
	f.s.head(edge, f.y, 4.2, -1, name)
	f.y += 6.5
}

// pairs writes rows with short texts two beside each other.
func (f *flow) pairs(rows []report.Row) {
	const gap = 4.0
	label := f.label - edge
	half := (short - 2*edge + gap) / 2
	for len(rows) > 0 {
		pair := rows[:min(2, len(rows))]
		rows = rows[len(pair):]
		var wrapped [][]string
		most := 1
		for _, r := range pair {
			lines := wrap(r.Text, half-gap-label, flowSize, pageWidth)
			wrapped, most = append(wrapped, lines), max(most, len(lines))
		}
		if f.y+float64(most)*flowStep > long-edge {
			f.page()
		}
		for i, lines := range wrapped {
			x := edge + float64(i)*half
			f.s.items = append(f.s.items, wording{at: pt(x, f.y), size: flowSize, text: pair[i].Label, align: -1, bold: true, ink: ink})
			for k, l := range lines {
				f.s.say(x+label, f.y+float64(k)*flowStep, flowSize, -1, ink, "%s", l)
			}
		}
		f.y += float64(most)*flowStep + 1.4
	}
}

// full writes a text over the whole width.
func (f *flow) full(text string) {
	label := f.label
	f.label = edge
	f.block(text, "", false, false)
	f.label = label
}

const (
	tableSize = 3.1
	tableStep = 1.35 * tableSize
	tableGap  = 2.0 // between columns
)

// table writes rows under a head, each row whole; the head again on every page.
func (f *flow) table(widths []float64, head []string, rows [][]string) {
	line := func(cells []string, bold bool) {
		var wrapped [][]string
		most := 1
		for i, c := range cells {
			lines := wrap(c, widths[i]-tableGap, tableSize, pageWidth)
			wrapped, most = append(wrapped, lines), max(most, len(lines))
		}
		x := edge
		for i, lines := range wrapped {
			for k, l := range lines {
				f.s.items = append(f.s.items, wording{at: pt(x, f.y+float64(k)*tableStep), size: tableSize, text: l, align: -1, bold: bold, ink: ink})
			}
			x += widths[i]
		}
		f.y += float64(most) * tableStep
		f.s.line(pale, 0.12, pt(edge, f.y-2.6), pt(short-edge, f.y-2.6))
		f.y += 1.4
	}
	tall := func(cells []string) float64 {
		most := 1
		for i, c := range cells {
			most = max(most, len(wrap(c, widths[i]-tableGap, tableSize, pageWidth)))
		}
		return float64(most)*tableStep + 1.4
	}
	begun := false
	for _, cells := range rows {
		if need := tall(cells); !begun || f.y+need > long-edge {
			if begun || f.y+tall(head)+need > long-edge {
				f.page()
			}
			line(head, true)
			begun = true
		}
		line(cells, false)
	}
	f.y += 2
}
