package report

import (
	"bufio"
	"fmt"
	"io"
	"strings"

	"beltend/geometry/lacing"
	"beltend/server/result"
)

// LacingCautions stand beside a lacing plan: [Cautions], then those of lacing.
func LacingCautions(o Options) []string {
	return append(Cautions(o), o.units().texts("lacing_says", "caution_1", "caution_2", "caution_3")...)
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
func LacingHeadline(r *result.Lacing, o Options) string {
	u := o.units()
	switch {
	case r.Refused != nil:
		message, _ := RefusalText(r.Refused, o)
		return u.Text("lacing_says.no_plan", message)
	case r.Plan == nil:
		return u.Text("lacing_says.several")
	}
	return u.Text("lacing_says.hooks", r.Plan.Fastener.Name, r.Plan.Lead.Hooks, r.Plan.Trail.Hooks)
}

// LacingAdvice says what to name where several fasteners fit.
func LacingAdvice(r *result.Lacing, o Options) string {
	if r.Refused != nil || r.Plan != nil {
		return ""
	}
	var fitting []string
	for i := range r.Fits {
		if r.Fits[i].Fits {
			fitting = append(fitting, r.Fits[i].Fastener.Name)
		}
	}
	return o.units().Text("lacing_says.choose", strings.Join(fitting, ", "))
}

// FitRows say of each fastener of the chart whether it fits and why not.
func FitRows(r *result.Lacing, o Options) []Row {
	u := o.units()
	rows := []Row{{u.Text("lacing_says.belt"), u.Text("lacing_says.thick", u.length(r.ThicknessMM), u.place(r.PulleyMM))}}
	if len(r.Fits) == 0 {
		return rows
	}
	for _, f := range r.Fits {
		text := u.Text("lacing_says.fits")
		said := f.Near
		if !f.Fits {
			text, said = u.Text("lacing_says.fits_not"), f.Reasons
		}
		for _, n := range said {
			text += "; " + fitNote(n, u)
		}
		rows = append(rows, Row{"", f.Fastener.Name + " " + text})
	}
	rows[1].Label = u.Text("lacing_says.chart")
	return rows
}

func fitNote(n lacing.Note, u units) string {
	limit := u.length(n.Limit)
	if n.Code == lacing.PulleyTooSmall || n.Code == lacing.NearestPulley {
		limit = u.place(n.Limit)
	}
	if key := "lacing_fit." + n.Code; u.Has(key) {
		return u.Text(key, limit)
	}
	return n.Code
}

// BenchList is what to have and to do at the bench, in order.
func BenchList(p *lacing.Plan, o Options) []Row {
	u := o.units()
	f := p.Fastener
	rows := []Row{{u.Text("lacing_says.fastener"), u.Text("lacing_says.fastener_is", f.Name, u.length(f.Pitch), u.length(f.Wire))}}
	if s := p.Skive; s != nil {
		rows = append(rows, Row{u.Text("lacing_says.skive"), u.Text("lacing_says.skive_how", u.place(s.Back), u.length(s.From), u.length(s.To))})
	}
	rows = append(rows, Row{u.Text("lacing_says.strips"), u.Text("lacing_says.strips_are", p.Strips, f.HooksPerStrip, p.LeftOver)})
	for _, e := range []struct {
		name string
		s    *lacing.Side
	}{{u.Text("pair.lead"), &p.Lead}, {u.Text("pair.trail"), &p.Trail}} {
		rows = append(rows, sideRows(e.name, e.s, p, u)...)
	}
	rows = append(rows, Row{u.Text("lacing_says.mesh"), u.Text("lacing_says.mesh_is", u.length(p.Mesh))})
	pin := u.place(p.Pin.Length)
	if p.Pin.Capped {
		pin += u.Text("lacing_says.pin_capped", u.place(p.Pin.Wanted))
	}
	rows = append(rows, Row{u.Text("lacing_says.pin"), u.Text("lacing_says.pin_secure", pin)})
	var sides []string
	var across []string
	for _, e := range []struct {
		name string
		s    *lacing.Side
	}{{"leading", &p.Lead}, {"trailing", &p.Trail}} {
		if e.s.Notch != nil {
			sides = append(sides, u.Text("lacing_says.of_"+e.name))
			across = append(across, u.place(e.s.Notch.Across))
		}
	}
	along := u.Text("lacing_says.up_edge", u.place(p.NotchBack))
	if p.NotchBack == 0 {
		along = u.Text("lacing_says.up_edge_open")
	}
	rows = append(rows, Row{u.Text("lacing_says.notch"), u.Text("lacing_says.notch_how", strings.Join(sides, u.Text("lacing_says.and_of")), strings.Join(across, u.Text("lacing_says.and")), along)})
	return append(rows, Row{u.Text("lacing_says.centre"), u.Text("lacing_says.centre_how")})
}

func sideRows(name string, s *lacing.Side, p *lacing.Plan, u units) []Row {
	margin := u.place(s.MarginLeft)
	if s.MarginU95 > 0 {
		margin += " ± " + u.expanded(s.MarginU95)
	}
	rows := []Row{{name, u.Text("lacing_says.side",
		s.Hooks, u.place(s.Span), margin, u.place(s.First))}}
	var load []string
	if s.FullStrips > 0 {
		load = append(load, u.Text("lacing_says.whole_"+plural(s.FullStrips), s.FullStrips))
	}
	for _, n := range s.CutStrips {
		load = append(load, u.Text("lacing_says.cut_to_"+plural(n), n))
	}
	rows = append(rows, Row{"", u.Text("lacing_says.load", strings.Join(load, " + "))})
	if len(s.Sections) > 1 {
		for i, c := range s.Sections {
			rows = append(rows, Row{"", u.Text("lacing_says.section", i+1, c.FirstHook, c.LastHook, u.place(c.Start))})
		}
	}
	return rows
}

func plural(n int) string {
	if n == 1 {
		return "one"
	}
	return "many"
}

// LacingNotes are what to know about a plan: code and sentence.
func LacingNotes(r *result.Lacing, o Options) []Row {
	p := r.Plan
	if p == nil {
		return nil
	}
	u := o.units()
	var rows []Row
	for _, f := range r.Fits {
		if f.Fastener.Name != p.Fastener.Name {
			continue
		}
		for _, n := range f.Near {
			rows = append(rows, Row{n.Code, u.Text("lacing_says.near", p.Fastener.Name, fitNote(n, u))})
		}
	}
	for _, n := range p.Notes {
		rows = append(rows, Row{n.Code, planNote(n, p, u)})
	}
	return rows
}

func planNote(n lacing.Note, p *lacing.Plan, u units) string {
	key := "lacing_note." + n.Code
	switch n.Code {
	case lacing.NoteBias:
		return u.Text(key, u.number("%.4g", n.Value))
	case lacing.NoteCountUnsure:
		return u.Text(key, n.Value, u.length(p.Margin), n.Limit)
	case lacing.NoteWidths:
		return u.Text(key+"_"+p.Width.Wider, u.length(n.Value), u.length(n.Limit))
	case lacing.NoteWidthsUnsure:
		return u.Text(key, u.length(n.Value), u.length(n.Limit))
	case lacing.NotePinCapped:
		return u.Text(key, u.place(n.Limit), u.place(n.Value))
	case lacing.NoteSkive:
		return u.Text(key, u.length(n.Value))
	case lacing.NoteSections:
		return u.Text(key, u.place(n.Value), u.place(n.Limit))
	case lacing.NoteCutStrips:
		return u.Text(key, n.Value, n.Limit)
	case lacing.NoteNotchSize:
		return u.Text(key)
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
	u := o.units()
	para(out, LacingHeadline(r, o))
	fmt.Fprintln(out)
	if r.Plan != nil {
		rows(out, BenchList(r.Plan, o))
		fmt.Fprintln(out)
	}
	rows(out, FitRows(r, o))
	if r.Advice != "" {
		fmt.Fprintln(out)
		rows(out, []Row{{u.Text("report.to_settle"), LacingAdvice(r, o)}})
	}
	if notes := LacingNotes(r, o); len(notes) > 0 {
		fmt.Fprintln(out)
		for _, n := range notes {
			rows(out, []Row{{u.Text("report.warning"), n.Text}})
		}
	}
	fmt.Fprintln(out)
	para(out, strings.Join(LacingCautions(o), " "))
	return out.Flush()
}

// Place writes a length as it is set out: to a tenth of a millimetre or a
// sixteenth of an inch.
func Place(mm float64, o Options) string { return o.units().place(mm) }

// Marks writes a length as it is read off a tape: to a millimetre or a sixteenth of
// an inch.
func Marks(mm float64, o Options) string {
	u := o.units()
	return u.marks(mm, u.step(0))
}

// Length writes a measured length: to a tenth of a millimetre or a thousandth
// of an inch.
func Length(mm float64, o Options) string { return o.units().length(mm) }

// Expanded writes an uncertainty, rounded up.
func Expanded(mm float64, o Options) string { return o.units().expanded(mm) }

// Signed writes a measured length with its sign.
func Signed(mm float64, o Options) string { return o.units().signed(mm) }
