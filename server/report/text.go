// Package report writes a measurement for people: plain text for a terminal
// 80 columns wide, and the words that the page shares with it.
package report

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strings"

	"beltend/server/result"
)

// Options of the text.
type Options struct {
	Inches bool // inches and sixteenths instead of mm
	Budget bool // add the uncertainty budget
}

const columns = 80

// Text writes the measurement, the verdict first.
func Text(w io.Writer, m *result.Measurement, o Options) error {
	p := &printer{w: bufio.NewWriter(w), u: units{o.Inches}}
	if m.Refused != nil {
		p.para("No answer: "+m.Refused.Message, 0)
		p.para(m.Refused.Advice, 0)
		return p.w.Flush()
	}
	p.para(Verdict(m), 0)
	p.gap()
	p.squareness(m)
	p.cut(m)
	p.recut("Re-cut", m.Recut)
	p.drawn(m)
	for _, f := range m.Findings {
		p.row("Seen", f.Message)
	}
	if m.Advice != "" {
		p.gap()
		p.row("To settle", m.Advice)
	}
	if len(m.Warnings) > 0 {
		p.gap()
		for _, x := range m.Warnings {
			p.row("Warning", x.Message)
		}
	}
	if o.Budget {
		p.gap()
		p.budget(m)
	}
	p.gap()
	p.para(strings.Join(Cautions, " "), 0)
	return p.w.Flush()
}

// Budget writes the uncertainty budget alone.
func Budget(w io.Writer, m *result.Measurement, o Options) error {
	p := &printer{w: bufio.NewWriter(w), u: units{o.Inches}}
	p.budget(m)
	return p.w.Flush()
}

type printer struct {
	w *bufio.Writer
	u units
}

func (p *printer) gap() { fmt.Fprintln(p.w) }

// row writes a label and a text that wraps behind it.
func (p *printer) row(label, text string) {
	const indent = 12
	for i, line := range wrap(text, columns-indent) {
		if i > 0 {
			label = ""
		}
		fmt.Fprintf(p.w, "%-*s%s\n", indent, label, line)
	}
}

func (p *printer) para(text string, indent int) {
	for _, line := range wrap(text, columns-indent) {
		fmt.Fprintf(p.w, "%*s%s\n", indent, "", line)
	}
}

func (p *printer) squareness(m *result.Measurement) {
	s := m.Squareness
	if s == nil {
		return
	}
	text := fmt.Sprintf("%s ± %s (95 %%), %s", p.u.signed(s.OffsetMM), p.u.expanded(s.OffsetU95MM), LongSide(m))
	if p.u.inches {
		text += fmt.Sprintf("; about %s", sixteenths(int(math.Round(math.Abs(s.OffsetMM)*16/inch))))
	}
	p.row("Offset", text)
	angle := fmt.Sprintf("%+.2f° ± %.2f°, %.1f mm per metre of width", zero(s.AngleDeg, 0.005), ceil(s.AngleU95Deg, 100), math.Abs(s.PerMetre))
	if s.TargetDeg != 0 {
		angle += fmt.Sprintf(", against a target of %+.2f°", s.TargetDeg)
	}
	p.row("Angle", angle)
	tol := p.u.length(s.ToleranceMM)
	if set := m.Settings; set != nil && set.ToleranceMM == 0 {
		tol += ", taken as 2 mm per metre of width; your site's figure wins"
	}
	p.row("Tolerance", tol)
	if w := m.Width; w != nil {
		text := fmt.Sprintf("%s ± %s at the cut", p.u.length(w.AtCutMM), p.u.expanded(w.AtCutU95MM))
		if c := m.Centreline; c != nil {
			text += fmt.Sprintf(", %s on average over %s of belt", p.u.length(w.MeanMM), p.u.marks(c.LengthMM, p.u.step(0)))
		}
		if w.NominalMM != 0 {
			text += fmt.Sprintf("; nominal %s", p.u.length(w.NominalMM))
		}
		p.row("Width", text)
	}
}

func (p *printer) cut(m *result.Measurement) {
	if c := m.Cut; c != nil {
		text := "straight within " + p.u.length(c.StraightnessMM)
		if c.StraightnessU95MM > 0 {
			text += " ± " + p.u.expanded(c.StraightnessU95MM)
		}
		p.row("Cut", text)
	}
	if c := m.Centreline; c != nil {
		bow, side := math.Abs(c.CamberMM), "right"
		if c.CamberMM < 0 {
			side = "left"
		}
		if bow > c.CamberU95MM {
			p.row("Camber", fmt.Sprintf("the belt bows %s to the %s over %s", p.u.length(bow), side, p.u.marks(c.LengthMM, p.u.step(0))))
		}
	}
}

func (p *printer) recut(title string, r *result.RecutLine) {
	if r == nil {
		return
	}
	p.gap()
	left, ul := p.u.tape(r.LeftMM, r.LeftU95MM)
	right, ur := p.u.tape(r.RightMM, r.RightU95MM)
	width := max(len(left), len(right))
	p.row(title, fmt.Sprintf("left edge   %*s back from the corner, ± %s", width, left, ul))
	p.row("", fmt.Sprintf("right edge  %*s back from the corner, ± %s", width, right, ur))
	text := fmt.Sprintf("at the centreline %s back; length of belt lost %s", p.u.marks(r.CentreMM, p.u.step(0)), p.u.marks(r.LengthLostMM, p.u.step(0)))
	if r.TrimMM > 0 {
		text += fmt.Sprintf(", %s of it the trim asked for", p.u.length(r.TrimMM))
	}
	p.row("", text)
	if r.DiagonalMM > 0 {
		p.row("Check", fmt.Sprintf("mark both edges %s up from the new line: both diagonals between new line and marks are equal, about %s",
			p.u.marks(r.DiagonalUpMM, p.u.step(0)), p.u.marks(r.DiagonalMM, p.u.step(0))))
	}
	p.row("", "Rounded to the tape ("+p.rounding(r)+"); the rounding is inside the ±.")
}

func (p *printer) rounding(r *result.RecutLine) string {
	switch {
	case p.u.inches:
		return "1/16 in"
	case p.u.step(r.LeftU95MM) == 0.5 && p.u.step(r.RightU95MM) == 0.5:
		return "0.5 mm, long lengths 1 mm"
	case p.u.step(r.LeftU95MM) == 1 && p.u.step(r.RightU95MM) == 1:
		return "1 mm"
	}
	return "0.5 or 1 mm"
}

func (p *printer) drawn(m *result.Measurement) {
	d := m.Drawn
	if d == nil {
		return
	}
	p.gap()
	p.row("Drawn line", fmt.Sprintf("%s ± %s: %s; straight within %s", p.u.signed(d.OffsetMM), p.u.expanded(d.OffsetU95MM), drawnVerdict(d.Verdict), p.u.length(d.StraightnessMM)))
	p.recut("Line lies", d.Recut)
}

func drawnVerdict(v result.Verdict) string {
	switch v {
	case result.Square:
		return "within the tolerance"
	case result.Recut:
		return "off by more than the tolerance, draw it again"
	default:
		return "cannot be told from these photos"
	}
}

// budget writes the table of JCGM 100: each contribution to the offset, its
// type and its standard uncertainty, then their sum and the expanded one.
func (p *printer) budget(m *result.Measurement) {
	if len(m.Budget) == 0 || m.Squareness == nil {
		p.row("Budget", "none was made")
		return
	}
	fmt.Fprintln(p.w, "Uncertainty of the offset (mm)")
	fmt.Fprintf(p.w, "%-30s %-4s %8s  %s\n", "Source", "Type", "u", "Comment")
	sum := 0.0
	for _, b := range m.Budget {
		if b.Type == "" { // a sum, which is made here
			continue
		}
		sum += b.UMM * b.UMM
		source, comment := wrap(b.Source, 30), wrap(b.Comment, columns-45)
		for i := range max(len(source), len(comment)) {
			if i == 0 {
				fmt.Fprintf(p.w, "%-30s %-4s %8.3f  %s\n", source[0], b.Type, b.UMM, comment[0])
				continue
			}
			fmt.Fprintln(p.w, strings.TrimRight(fmt.Sprintf("%-30s %-4s %8s  %s", line(source, i), "", "", line(comment, i)), " "))
		}
	}
	u := math.Sqrt(sum)
	fmt.Fprintf(p.w, "%-30s %-4s %8.3f\n", "Combined standard uncertainty", "", u)
	k := ""
	if u > 0 {
		k = fmt.Sprintf("k = %.2f", m.Squareness.OffsetU95MM/u)
	}
	fmt.Fprintf(p.w, "%-30s %-4s %8.3f  %s\n", "Expanded uncertainty (95 %)", "", m.Squareness.OffsetU95MM, k)
}

func line(lines []string, i int) string {
	if i < len(lines) {
		return lines[i]
	}
	return ""
}

// wrap breaks a text at spaces into lines of at most width characters, at
// least one line.
func wrap(text string, width int) []string {
	lines := []string{""}
	for _, word := range strings.Fields(text) {
		last := &lines[len(lines)-1]
		switch {
		case *last == "":
			*last = word
		case len([]rune(*last))+1+len([]rune(word)) <= width:
			*last += " " + word
		default:
			lines = append(lines, word)
		}
	}
	return lines
}
