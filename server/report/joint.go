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
func JointVerdict(r *result.Joint) string {
	switch p := r.Pair; p.Verdict {
	case square.Square:
		if p.Lead.Verdict == square.Square && p.Trail.Verdict == square.Square {
			return "Square: the two ends fit each other, and each is within its own tolerance."
		}
		return "Square as a pair: the two ends fit each other, though not each is shown to be within its own tolerance."
	case square.MustRecut:
		return "Re-cut: the two ends do not fit each other within the tolerance."
	}
	return "Undecided: the measurements cannot tell whether the two ends fit each other within the tolerance."
}

// JointRows are the pair in words.
func JointRows(r *result.Joint, o Options) []Row {
	u := units{o.Inches}
	p := r.Pair
	var out []Row
	for _, e := range []struct {
		name string
		v    joint.EndView
	}{{"Leading", p.Lead}, {"Trailing", p.Trail}} {
		out = append(out, Row{e.name, fmt.Sprintf("%s ± %s out of square, %s wide: %s by itself (tolerance %s)",
			u.signed(e.v.Offset), u.expanded(e.v.U95), u.length(e.v.Width), endVerdict(e.v.Verdict), u.length(e.v.Tolerance))})
	}
	out = append(out,
		Row{"Kink", "the belt bends at the joint by " + judged(p.Kink, u)},
		Row{"Hinge", "the hinge stands askew by " + judged(p.Skew, u)},
		Row{"Edges", stepText(p.Step, u)},
		Row{"Runs", tendency(p, u)})
	return out
}

func endVerdict(v square.Verdict) string {
	switch v {
	case square.Square:
		return "square"
	case square.MustRecut:
		return "re-cut"
	}
	return "undecided"
}

func judged(j joint.Judged, u units) string {
	word := map[square.Verdict]string{square.Square: "within", square.MustRecut: "more than", square.Undecided: "undecided against"}[j.Verdict]
	return fmt.Sprintf("%s ± %s over the width (%+.2f° ± %.2f°), %s the %s allowed", u.signed(j.MM), u.expanded(j.U95), zero(j.Deg, 0.005), ceil(j.DegU95, 100), word, u.length(j.Tolerance))
}

func stepText(s lacing.Step, u units) string {
	per := u.length(s.PerSide)
	if s.PerSideU95 > 0 {
		per += " ± " + u.expanded(s.PerSideU95)
	}
	if s.Wider == "" {
		return "both ends of the same width: the edges meet when the centrelines do"
	}
	return fmt.Sprintf("with the centrelines on one line the %s end stands out by %s on each side", s.Wider, per)
}

// run is the length over which a bow is stated.
func (u units) run(mm float64) string {
	if u.inches {
		return fmt.Sprintf("%.0f ft", mm/inch/12)
	}
	return fmt.Sprintf("%.0f m", mm/1000)
}

func tendency(p *joint.Pair, u units) string {
	t := p.Tendency
	if t.Side == "" {
		return "the kink is smaller than its uncertainty: no side can be named"
	}
	return fmt.Sprintf("looking along the belt's travel the joint tends to the %s, its long side: about %s ± %s off in %s of straight run. A tendency, not a promise: load, idlers and training count as much.",
		t.Side, u.place(t.Bow), u.expanded(t.U95), u.run(t.Over))
}

// RecutWay says where to cut, end by end.
func RecutWay(r *joint.Recut, o Options) []Row {
	u := units{o.Inches}
	var out []Row
	for _, l := range r.Lines {
		left, lu := u.tape(l.Left, l.U95)
		right, _ := u.tape(l.Right, l.U95)
		how := "square"
		if r.Aim == joint.ToMatch {
			how = "parallel to the other end's cut"
		}
		out = append(out, Row{"Re-cut", fmt.Sprintf("the %s end, %s: left edge %s back from its corner, right edge %s, ± %s (seen from beyond that end's cut, carrying side up)", l.End, how, left, right, lu)})
	}
	return append(out, Row{"", fmt.Sprintf("belt lost at the centreline %s; kink then %s, hinge %s. Measure again after cutting.", u.place(r.Lost), u.signed(r.Kink), u.signed(r.Skew))})
}

// OtherWays compares the ways to put a pair right, least belt first.
func OtherWays(p *joint.Pair, o Options) []Row {
	u := units{o.Inches}
	var out []Row
	for i, r := range p.Recuts {
		var ends []string
		for _, l := range r.Lines {
			ends = append(ends, l.End)
		}
		what := strings.Join(ends, " and ") + " to square"
		if r.Aim == joint.ToMatch {
			what = ends[0] + " to match the other"
		}
		mends := "mends the pair"
		if !r.Mends {
			mends = "does not"
		}
		label := ""
		if i == 0 {
			label = "Ways"
		}
		out = append(out, Row{label, fmt.Sprintf("%s: %s of belt; %s", what, u.place(math.Abs(r.Lost)), mends)})
	}
	return out
}

// TakeupRows are what the lost belt does to the take-up.
func TakeupRows(t *joint.Takeup, o Options) []Row {
	u := units{o.Inches}
	with := func(mm, u95 float64) string {
		if u95 > 0 {
			return u.place(mm) + " ± " + u.expanded(u95)
		}
		return u.place(mm)
	}
	out := []Row{{"Take-up", fmt.Sprintf("belt lost %s; the take-up of a single loop moves by half of it, %s, of the %s it can still give back", with(t.Lost, t.LostU95), u.place(t.Moves), u.place(t.Travel))}}
	if t.Reserve > 0 {
		out[0].Text += fmt.Sprintf(" with %s to be kept", u.place(t.Reserve))
	}
	switch t.Outcome {
	case joint.Enough:
		out = append(out, Row{"", with(t.Left, t.LeftU95) + " left: enough"})
	case joint.Insert:
		out = append(out, Row{"", fmt.Sprintf("%s missing: needs an insert piece, two joints; the piece has to give back at least %s more than its two joints cost", u.place(-t.Left), u.place(t.Piece))})
	default:
		out = append(out, Row{"", fmt.Sprintf("%s left, which is too near to tell: allow for an insert piece, two joints", with(t.Left, t.LeftU95))})
	}
	return out
}

// JointNotes are what to know about a pair: code and sentence.
func JointNotes(r *result.Joint, o Options) []Row {
	u := units{o.Inches}
	var out []Row
	s := r.Pair.Step
	switch s.Verdict {
	case lacing.StepLarge:
		out = append(out, Row{lacing.NoteWidths, fmt.Sprintf("The widths differ by %s, more than %s: centre the ends and taper the corners of the %s end.", u.length(s.Difference), u.length(lacing.WidthFlag), s.Wider)})
	case lacing.StepUnsure:
		out = append(out, Row{lacing.NoteWidthsUnsure, fmt.Sprintf("The widths differ by %s; with the uncertainties it may be more than %s: measure both again.", u.length(s.Difference), u.length(lacing.WidthFlag))})
	}
	for _, e := range []struct {
		name string
		v    joint.EndView
	}{{lacing.Leading, r.Pair.Lead}, {lacing.Trailing, r.Pair.Trail}} {
		if e.v.Verdict == square.MustRecut && r.Pair.Advised == nil {
			out = append(out, Row{"end_out_of_square", fmt.Sprintf("The %s end by itself is out of square by more than its tolerance, whatever the pair makes of it.", e.name)})
		}
	}
	return out
}

// Joint writes the answer about a pair.
func Joint(w io.Writer, r *result.Joint, o Options) error {
	out := bufio.NewWriter(w)
	para(out, JointVerdict(r))
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
		rows(out, []Row{{"To settle", r.Advice}})
	}
	notes := JointNotes(r, o)
	for _, x := range r.Warnings { // those that are not about figures
		if x.Code == "drawn_line" || x.Code == "takeup_with_recut" {
			notes = append(notes, Row{x.Code, x.Message})
		}
	}
	if len(notes) > 0 {
		fmt.Fprintln(out)
		for _, n := range notes {
			rows(out, []Row{{"Warning", n.Text}})
		}
	}
	fmt.Fprintln(out)
	para(out, strings.Join(Cautions, " "))
	return out.Flush()
}
