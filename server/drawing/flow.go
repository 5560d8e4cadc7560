package drawing

import "beltend/server/report"

// flow lays rows of text out down the pages of a list, each row whole.
type flow struct {
	o      report.Options
	sheets []*sheet
	s      *sheet // the page at hand
	y      float64
	begin  func(*flow) // heads a new page and sets y
}

const (
	flowLabel = 38.0 // where text begins that has a label, mm
	flowSize  = 3.5
	flowStep  = 1.35 * flowSize
)

func newFlow(o report.Options, begin func(*flow)) *flow {
	f := &flow{o: o, begin: begin}
	f.page()
	return f
}

func (f *flow) page() {
	f.s = newSheet(short, long, f.o)
	f.sheets = append(f.sheets, f.s)
	f.begin(f)
}

// block writes a row, with a box to tick where asked for.
func (f *flow) block(text, name string, box, bold bool) {
	x := flowLabel
	if name == "" && box {
		x = edge + 5
	}
	lines := wrap(text, short-edge-x, flowSize)
	if f.y+float64(len(lines))*flowStep > long-edge {
		f.page()
	}
	s := f.s
	if box {
		s.area(none, ink, 0.25, pt(edge, f.y-2.8), pt(edge+3.2, f.y-2.8), pt(edge+3.2, f.y+0.4), pt(edge, f.y+0.4))
	}
	if name != "" {
		s.items = append(s.items, wording{at: pt(edge+5, f.y), size: flowSize, text: name, align: -1, bold: bold, ink: ink})
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
