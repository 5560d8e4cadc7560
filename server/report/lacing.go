package report

import (
	"bufio"
	"fmt"
	"io"
	"strings"

	"beltend/geometry/lacing"
	"beltend/server/result"
)

// LacingCautions stand beside a lacing plan, after [Cautions].
var LacingCautions = []string{
	"Press evenly, never hammer: hooks out of round bind the pin.",
	"Hook points are sharp and strips spring: gloves and eye protection.",
	"New hooks in sound belt only; the same fastener on both ends.",
}

// place writes where something is set out: to a tenth of a millimetre or a
// sixteenth of an inch.
func (u units) place(mm float64) string {
	if u.inches {
		return u.marks(mm, u.step(0))
	}
	return u.length(mm)
}

// LacingHeadline is the answer in one sentence.
func LacingHeadline(r *result.Lacing) string {
	switch {
	case r.Refused != nil:
		return "No plan: " + r.Refused.Message
	case r.Plan == nil:
		return "Several fasteners fit: name one for a plan."
	}
	return fmt.Sprintf("%s: %d hooks on the leading side, %d on the trailing side.", r.Plan.Fastener.Name, r.Plan.Lead.Hooks, r.Plan.Trail.Hooks)
}

// FitRows say of each fastener of the chart whether it fits and why not.
func FitRows(r *result.Lacing, o Options) []Row {
	u := units{o.Inches}
	rows := []Row{{"Belt", fmt.Sprintf("%s thick at the joint; smallest pulley wrapped by 90° or more %s", u.length(r.ThicknessMM), u.place(r.PulleyMM))}}
	if len(r.Fits) == 0 {
		return rows
	}
	for _, f := range r.Fits {
		text := "fits"
		said := f.Near
		if !f.Fits {
			text, said = "does not fit", f.Reasons
		}
		for _, n := range said {
			text += "; " + fitNote(n, u)
		}
		rows = append(rows, Row{"", f.Fastener.Name + " " + text})
	}
	rows[1].Label = "Chart"
	return rows
}

func fitNote(n lacing.Note, u units) string {
	limit := u.length(n.Limit)
	switch n.Code {
	case lacing.BeltTooThin:
		return "the belt is too thin, it starts at " + limit
	case lacing.BeltTooThick:
		return "the belt is too thick, it goes up to " + limit
	case lacing.PulleyTooSmall:
		return "the pulley is too small, it needs " + u.place(n.Limit)
	case lacing.NearThinnest:
		return "near its thinnest belt, " + limit
	case lacing.NearThickest:
		return "near its thickest belt, " + limit
	case lacing.NearestPulley:
		return "near its smallest pulley, " + u.place(n.Limit)
	}
	return n.Code
}

// BenchList is what to have and to do at the bench, in order.
func BenchList(p *lacing.Plan, o Options) []Row {
	u := units{o.Inches}
	f := p.Fastener
	rows := []Row{{"Fastener", fmt.Sprintf("%s, pitch %s, wire %s; the same on both ends", f.Name, u.length(f.Pitch), u.length(f.Wire))}}
	if s := p.Skive; s != nil {
		rows = append(rows, Row{"Skive", fmt.Sprintf("both ends about %s back from the cut, from %s to %s; leave the carcass untouched, then gauge the thickness again", u.place(s.Back), u.length(s.From), u.length(s.To))})
	}
	strips := fmt.Sprintf("%d of %d hooks; %d hooks left over", p.Strips, f.HooksPerStrip, p.LeftOver)
	rows = append(rows, Row{"Strips", strips})
	for _, e := range []struct {
		name string
		s    *lacing.Side
	}{{"Leading", &p.Lead}, {"Trailing", &p.Trail}} {
		rows = append(rows, sideRows(e.name, e.s, p, u)...)
	}
	rows = append(rows, Row{"Mesh", fmt.Sprintf("every hook of one side in the middle of a gap of the other, %s free on each side of it", u.length(p.Mesh))})
	pin := u.place(p.Pin.Length)
	if p.Pin.Capped {
		pin += fmt.Sprintf(" (%s would be wanted; cut off at the narrower end's width, never past the belt's edge)", u.place(p.Pin.Wanted))
	}
	rows = append(rows, Row{"Pin", pin + "; secure both ends"})
	var sides []string
	var across []string
	for _, e := range []struct {
		name string
		s    *lacing.Side
	}{{"leading", &p.Lead}, {"trailing", &p.Trail}} {
		if e.s.Notch != nil {
			sides = append(sides, e.name)
			across = append(across, u.place(e.s.Notch.Across))
		}
	}
	along := u.place(p.NotchBack) + " up the edge"
	if p.NotchBack == 0 {
		along = "up the edge by what the maker or the site says"
	}
	rows = append(rows, Row{"Notch", fmt.Sprintf("both corners of the %s end: from the outer hook, %s in from the corner, diagonally to the edge, %s", strings.Join(sides, " and of the "), strings.Join(across, " and "), along)})
	return append(rows, Row{"Centre", "put the centrelines of the two ends on one line; do not push the edges flush"})
}

func sideRows(name string, s *lacing.Side, p *lacing.Plan, u units) []Row {
	margin := u.place(s.MarginLeft)
	if s.MarginU95 > 0 {
		margin += " ± " + u.expanded(s.MarginU95)
	}
	rows := []Row{{name, fmt.Sprintf("%d hooks over %s; %s free at the left edge and at the right; centre of the first hook %s from the left corner, along the cut",
		s.Hooks, u.place(s.Span), margin, u.place(s.First))}}
	load := fmt.Sprintf("load %d whole %s", s.FullStrips, plural(s.FullStrips, "strip"))
	if s.FullStrips == 0 {
		load = "load"
	}
	for i, n := range s.CutStrips {
		switch {
		case i > 0 || s.FullStrips > 0:
			load += fmt.Sprintf(" + one cut to %d %s", n, plural(n, "hook"))
		default:
			load += fmt.Sprintf(" one strip cut to %d %s", n, plural(n, "hook"))
		}
	}
	rows = append(rows, Row{"", load})
	if len(s.Sections) > 1 {
		for i, c := range s.Sections {
			rows = append(rows, Row{"", fmt.Sprintf("section %d: hooks %d to %d, its first hook's centre %s from the left corner", i+1, c.FirstHook, c.LastHook, u.place(c.Start))})
		}
	}
	return rows
}

func plural(n int, word string) string {
	if n == 1 {
		return word
	}
	return word + "s"
}

// LacingNotes are what to know about a plan: code and sentence.
func LacingNotes(r *result.Lacing, o Options) []Row {
	p := r.Plan
	if p == nil {
		return nil
	}
	u := units{o.Inches}
	var rows []Row
	for _, f := range r.Fits {
		if f.Fastener.Name != p.Fastener.Name {
			continue
		}
		for _, n := range f.Near {
			rows = append(rows, Row{n.Code, fmt.Sprintf("%s is %s: gauge the belt in several places and measure the pulley before you decide.", p.Fastener.Name, fitNote(n, u))})
		}
	}
	for _, n := range p.Notes {
		rows = append(rows, Row{n.Code, planNote(n, p, u)})
	}
	return rows
}

func planNote(n lacing.Note, p *lacing.Plan, u units) string {
	switch n.Code {
	case lacing.NoteBias:
		return fmt.Sprintf("A hinge at %.4g° from square cannot lie parallel to a pulley: hooks and pin suffer. Both ends need the same hand. Mechanical hinges are nearly always square.", n.Value)
	case lacing.NoteCountUnsure:
		return fmt.Sprintf("If the narrower end is narrower by its uncertainty, only %.0f hooks keep the margin of %s, not %.0f: measure the width again with a tape.", n.Value, u.length(p.Margin), n.Limit)
	case lacing.NoteWidths:
		return fmt.Sprintf("The ends differ in width by %s, more than %s: centre them and taper the corners of the %s end, which is wider.", u.length(n.Value), u.length(n.Limit), p.Width.Wider)
	case lacing.NoteWidthsUnsure:
		return fmt.Sprintf("The ends differ in width by %s; with the uncertainties it may be more than %s: measure both widths again.", u.length(n.Value), u.length(n.Limit))
	case lacing.NotePinCapped:
		return fmt.Sprintf("The pin is cut to %s instead of %s so that it does not stand out of the belt: see that both ends can still be secured.", u.place(n.Limit), u.place(n.Value))
	case lacing.NoteNotchSize:
		return "The size of the notches was not given: take the maker's or the site's."
	case lacing.NoteSkive:
		return fmt.Sprintf("The fastener was chosen for %s after skiving: gauge the thickness again, and choose anew if it differs.", u.length(n.Value))
	case lacing.NoteSections:
		return fmt.Sprintf("The row of hooks is %s long, the machine takes %s: lace in the sections listed and check the pitch from one to the next.", u.place(n.Value), u.place(n.Limit))
	case lacing.NoteCutStrips:
		return fmt.Sprintf("The machine takes %.0f hooks, a strip has %.0f: cut the strips.", n.Value, n.Limit)
	}
	return n.Code
}

// Lacing writes the answer, the plan before the chart.
func Lacing(w io.Writer, r *result.Lacing, o Options) error {
	out := bufio.NewWriter(w)
	if r.Refused != nil { // which the caller tells
		rows(out, FitRows(r, o))
		return out.Flush()
	}
	para(out, LacingHeadline(r))
	fmt.Fprintln(out)
	if r.Plan != nil {
		rows(out, BenchList(r.Plan, o))
		fmt.Fprintln(out)
	}
	rows(out, FitRows(r, o))
	if r.Advice != "" {
		fmt.Fprintln(out)
		rows(out, []Row{{"To settle", r.Advice}})
	}
	if notes := LacingNotes(r, o); len(notes) > 0 {
		fmt.Fprintln(out)
		for _, n := range notes {
			rows(out, []Row{{"Warning", n.Text}})
		}
	}
	fmt.Fprintln(out)
	para(out, strings.Join(append(append([]string{}, Cautions...), LacingCautions...), " "))
	return out.Flush()
}

// Place writes a length as it is set out: to a tenth of a millimetre or a
// sixteenth of an inch.
func Place(mm float64, o Options) string { return units{o.Inches}.place(mm) }

// Length writes a measured length: to a tenth of a millimetre or a thousandth
// of an inch.
func Length(mm float64, o Options) string { return units{o.Inches}.length(mm) }

// Expanded writes an uncertainty, rounded up.
func Expanded(mm float64, o Options) string { return units{o.Inches}.expanded(mm) }

// Signed writes a measured length with its sign.
func Signed(mm float64, o Options) string { return units{o.Inches}.signed(mm) }
