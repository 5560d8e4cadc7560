package report

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strings"

	"beltend/geometry/joint"
	"beltend/geometry/lacing"
	"beltend/geometry/square"
	"beltend/server/result"
)

// JointVerdict is the decision on the pair in one sentence.
func JointVerdict(r *result.Joint, o Options) string {
	u := o.units()
	switch p := r.Pair; p.Verdict {
	case square.Square:
		if p.Lead.Verdict == square.Square && p.Trail.Verdict == square.Square {
			return u.Text("pair_says.square")
		}
		return u.Text("pair_says.square_pair")
	case square.MustRecut:
		return u.Text("pair_says.recut")
	}
	return u.Text("pair_says.undecided")
}

// JointRows are the pair in words.
func JointRows(r *result.Joint, o Options) []Row {
	u := o.units()
	p := r.Pair
	var out []Row
	for _, e := range []struct {
		name string
		v    joint.EndView
	}{{u.Text("pair.lead"), p.Lead}, {u.Text("pair.trail"), p.Trail}} {
		out = append(out, Row{e.name, u.Text("pair_says.end",
			u.signed(e.v.Offset), u.expanded(e.v.U95), u.length(e.v.Width), u.Text("pair_says.by_itself_"+verdictKey(e.v.Verdict)), u.length(e.v.Tolerance))})
	}
	out = append(out,
		Row{u.Text("pair_says.kink"), u.Text("pair_says.bends", judged(p.Kink, u))},
		Row{u.Text("pair_says.hinge"), u.Text("pair_says.askew", judged(p.Skew, u))},
		Row{u.Text("pair_says.edges"), stepText(p.Step, u)},
		Row{u.Text("pair_says.runs"), tendency(p, u)})
	return out
}

func verdictKey(v square.Verdict) string {
	switch v {
	case square.Square:
		return "square"
	case square.MustRecut:
		return "recut"
	}
	return "undecided"
}

func judged(j joint.Judged, u units) string {
	return u.Text("pair_says.judged_"+verdictKey(j.Verdict), u.signed(j.MM), u.expanded(j.U95), u.number("%+.2f° ± %.2f°", zero(j.Deg, 0.005), ceil(j.DegU95, 100)), u.length(j.Tolerance))
}

func stepText(s lacing.Step, u units) string {
	per := u.length(s.PerSide)
	if s.PerSideU95 > 0 {
		per += " ± " + u.expanded(s.PerSideU95)
	}
	if s.Wider == "" {
		return u.Text("pair_says.same_width")
	}
	return u.Text("pair_says.stands_out", u.Text("end."+s.Wider), per)
}

// run is the length over which a bow is stated.
func (u units) run(mm float64) string {
	if u.inches {
		return u.number("%.0f ft", mm/inch/12)
	}
	return fmt.Sprintf("%.0f m", mm/1000)
}

func tendency(p *joint.Pair, u units) string {
	t := p.Tendency
	if t.Side == "" {
		return u.Text("pair_says.no_side")
	}
	return u.Text("pair_says.tends_"+t.Side, u.place(t.Bow), u.expanded(t.U95), u.run(t.Over))
}

// RecutWay says where to cut, end by end.
func RecutWay(r *joint.Recut, o Options) []Row {
	u := o.units()
	var out []Row
	for _, l := range r.Lines {
		left, lu := u.tape(l.Left, l.U95)
		right, _ := u.tape(l.Right, l.U95)
		how := u.Text("pair_says.to_square")
		if r.Aim == joint.ToMatch {
			how = u.Text("pair_says.to_match")
		}
		out = append(out, Row{u.Text("retape.cut_at"), u.Text("pair_says.cut", u.Text("end."+l.End), how, left, right, lu)})
	}
	return append(out, Row{"", u.Text("pair_says.lost", u.place(r.Lost), u.signed(r.Kink), u.signed(r.Skew))})
}

// OtherWays compares the ways to put a pair right, least belt first; none for a pair that
// fits.
func OtherWays(p *joint.Pair, o Options) []Row {
	if p.Verdict == square.Square {
		return nil
	}
	u := o.units()
	var out []Row
	for i, r := range p.Recuts {
		var ends []string
		for _, l := range r.Lines {
			ends = append(ends, l.End)
		}
		what := u.Text("pair_says.way_both")
		switch {
		case r.Aim == joint.ToMatch:
			what = u.Text("pair_says.way_match_" + ends[0])
		case len(ends) == 1:
			what = u.Text("pair_says.way_" + ends[0])
		}
		mends := u.Text("pair_says.mends")
		if !r.Mends {
			mends = u.Text("pair_says.mends_not")
		}
		label := ""
		if i == 0 {
			label = u.Text("pair_says.ways")
		}
		out = append(out, Row{label, u.Text("pair_says.way", what, u.place(math.Abs(r.Lost)), mends)})
	}
	return out
}

// TakeupRows are what the lost belt does to the take-up.
func TakeupRows(t *joint.Takeup, o Options) []Row {
	u := o.units()
	out := []Row{{u.Text("pair.takeup"), u.Text("pair_says.takeup", u.summed(t.Lost, t.LostU95), u.place(t.Moves), u.place(t.Travel))}}
	if t.Reserve > 0 {
		out[0].Text += u.Text("pair_says.reserve", u.place(t.Reserve))
	}
	switch t.Outcome {
	case joint.Enough:
		out = append(out, Row{"", u.Text("pair_says.enough", u.summed(t.Left, t.LeftU95))})
	case joint.Insert:
		out = append(out, Row{"", u.Text("pair_says.insert", u.place(-t.Left), u.place(t.Piece))})
	default:
		out = append(out, Row{"", u.Text("pair_says.near", u.summed(t.Left, t.LeftU95))})
	}
	return out
}

// summed writes a length that was calculated, with its uncertainty: a sixteenth of an inch
// would be coarser than that.
func (u units) summed(mm, u95 float64) string {
	if u95 > 0 {
		return u.length(mm) + " ± " + u.expanded(u95)
	}
	return u.place(mm)
}

// PairNotes are what the figures of a pair give to know: code and sentence.
func PairNotes(p *joint.Pair, o Options) []Row {
	u := o.units()
	var out []Row
	switch s := p.Step; s.Verdict {
	case lacing.StepLarge:
		out = append(out, Row{lacing.NoteWidths, u.Text("pair_says.widths_"+s.Wider, u.length(s.Difference), u.length(lacing.WidthFlag))})
	case lacing.StepUnsure:
		out = append(out, Row{lacing.NoteWidthsUnsure, u.Text("pair_says.widths_unsure", u.length(s.Difference), u.length(2*s.PerSideU95), u.length(lacing.WidthFlag))})
	}
	for _, e := range []struct {
		name string
		v    joint.EndView
	}{{lacing.Leading, p.Lead}, {lacing.Trailing, p.Trail}} {
		if e.v.Verdict == square.MustRecut && p.Advised == nil {
			out = append(out, Row{endOutOfSquare, u.Text("pair_says.out_" + e.name)})
		}
	}
	return out
}

const endOutOfSquare = "end_out_of_square"

// JointNotes are what to know about a pair: what its figures give, made anew for the
// reader, then every other warning.
func JointNotes(r *result.Joint, o Options) []Row {
	out := PairNotes(r.Pair, o)
	for _, x := range r.Warnings {
		switch x.Code {
		case lacing.NoteWidths, lacing.NoteWidthsUnsure, endOutOfSquare: // said above
		default:
			out = append(out, Row{x.Code, WarningText(x, o)})
		}
	}
	return out
}

// JointAdvice is what would settle a pair, empty where nothing is open.
func JointAdvice(r *result.Joint, o Options) string {
	u, p := o.units(), r.Pair
	switch {
	case p.Advised != nil && !p.Advised.Mends:
		return u.Text("pair_says.cut_both")
	case p.Verdict == square.Undecided:
		return u.Text("pair_says.measure_again" + howMeasured(r))
	}
	return ""
}

// howMeasured is how the end with the larger uncertainty was: "_taped", "_taped_too" or,
// by photos or typed, nothing.
func howMeasured(r *result.Joint) string {
	end := lacing.Leading
	if r.Pair.Trail.U95 > r.Pair.Lead.U95 {
		end = lacing.Trailing
	}
	for _, w := range r.Warnings {
		if w.Reason == end && (w.Code == "taped" || w.Code == "taped_too") {
			return "_" + w.Code
		}
	}
	return ""
}

// Joint writes the answer about a pair.
func Joint(w io.Writer, r *result.Joint, o Options) error {
	out := bufio.NewWriter(w)
	u := o.units()
	para(out, JointVerdict(r, o))
	fmt.Fprintln(out)
	rows(out, JointRows(r, o))
	if a := r.Pair.Advised; a != nil {
		fmt.Fprintln(out)
		rows(out, RecutWay(a, o))
		rows(out, OtherWays(r.Pair, o))
	}
	if r.Takeup != nil {
		fmt.Fprintln(out)
		rows(out, TakeupRows(r.Takeup, o))
	}
	if r.Advice != "" {
		fmt.Fprintln(out)
		rows(out, []Row{{u.Text("report.to_settle"), JointAdvice(r, o)}})
	}
	notes := JointNotes(r, o)
	if len(notes) > 0 {
		fmt.Fprintln(out)
		for _, n := range notes {
			rows(out, []Row{{u.Text("report.warning"), n.Text}})
		}
	}
	fmt.Fprintln(out)
	para(out, strings.Join(Cautions(o), " "))
	return out.Flush()
}
