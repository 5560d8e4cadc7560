package report

import (
	"bufio"
	"fmt"
	"io"
	"strings"

	"beltend/geometry/hooks"
	"beltend/server/result"
)

// HooksCautions stand beside a finished joint, after [Cautions].
var HooksCautions = []string{
	"A count and a measurement do not say that the joint holds: a competent person judges the clinch on both faces.",
	"Old hooks and old holes are not used again.",
}

// HooksHeadline is the answer in one sentence.
func HooksHeadline(r *result.Hooks) string {
	if r.Refused != nil {
		return "Not counted: " + r.Refused.Message
	}
	var parts []string
	unclear := 0
	for _, s := range r.Sides {
		parts = append(parts, fmt.Sprintf("%s %s", s.Side, hookCount(s)))
		unclear += s.Unclear
	}
	text := "Hooks seen: " + strings.Join(parts, ", ")
	switch n := len(r.Findings); {
	case n == 0 && len(r.Plan) > 0:
		return text + "; nothing differs from the plan."
	case n == 0:
		return text + "; nothing found missing, doubled or crooked."
	case n == 1:
		return text + "; one thing to look at."
	default:
		return fmt.Sprintf("%s; %d things to look at.", text, n)
	}
}

// fine writes a pitch: to a hundredth of a millimetre or a thousandth of an inch.
func (u units) fine(mm float64) string {
	if u.inches {
		return u.length(mm)
	}
	return fmt.Sprintf("%.2f mm", mm)
}

func hookCount(s result.HookSide) string {
	if s.Unclear > 0 {
		return fmt.Sprintf("%d to %d", s.Hooks, s.Hooks+s.Unclear)
	}
	return fmt.Sprint(s.Hooks)
}

// HookRows are the measured values of each side in words.
func HookRows(r *result.Hooks, o Options) []Row {
	u := units{o.Inches}
	var out []Row
	for _, s := range r.Sides {
		name := "End " + s.Side
		if s.Planned != "" {
			name = s.Side + ", " + s.Planned
		}
		margin := fmt.Sprintf("%s free at the left edge, %s at the right, ± %s", u.length(s.MarginLeftMM), u.length(s.MarginRightMM), u.expanded(s.MarginU95MM))
		if !s.MarginsCertain {
			margin += "; not certain, an outer hook is unclear"
		}
		out = append(out,
			Row{name, fmt.Sprintf("%s hooks, pitch %s ± %s, scatter %s (%s to %s)", hookCount(s), u.fine(s.PitchMM), u.fine(ceil(s.PitchU95MM, 100)), u.fine(s.SpreadMM), u.length(s.ClosestMM), u.length(s.WidestMM))},
			Row{"", margin},
			Row{"", fmt.Sprintf("row against this end's centreline %s ± %s, tolerance %s: %s", u.signed(s.OffsetMM), u.expanded(s.OffsetU95MM), u.length(s.ToleranceMM), rowVerdict(s.Verdict))},
			Row{"", fmt.Sprintf("belt %s ± %s wide at the hooks", u.length(s.WidthMM), u.expanded(s.WidthU95MM))})
	}
	return append(out, Row{"Hinge", "straight within " + u.length(r.Straight)})
}

func rowVerdict(v result.Verdict) string {
	switch v {
	case result.Square:
		return "square"
	case result.Recut:
		return "out of square"
	}
	return "cannot be told from these photos"
}

// PlanRows put the plan beside what is seen.
func PlanRows(r *result.Hooks, o Options) []Row {
	u := units{o.Inches}
	names := map[string]string{"hooks": "hooks", "pitch": "pitch", "margin_left": "left margin", "margin_right": "right margin"}
	verdicts := map[string]string{hooks.AsPlanned: "as planned", hooks.Differs: "differs", hooks.Undecided: "cannot be told"}
	var out []Row
	for i, c := range r.Plan {
		planned, seen := u.length(c.Planned), u.length(c.Seen)
		if c.What == "hooks" {
			planned, seen = fmt.Sprintf("%.0f", c.Planned), fmt.Sprintf("%.0f", c.Seen)
		} else if c.What == "pitch" {
			planned, seen = u.fine(c.Planned), u.fine(c.Seen)
		}
		label := ""
		if i == 0 {
			label = "Plan"
		}
		out = append(out, Row{label, fmt.Sprintf("%s %s: planned %s, seen %s: %s", c.Side, names[c.What], planned, seen, verdicts[c.Verdict])})
	}
	return out
}

// ClinchRows are the questions of the checklist that a person answers.
func ClinchRows(items []result.ClinchItem) []Row {
	var out []Row
	last := ""
	for _, c := range items {
		label := ""
		if c.Face != last {
			last, label = c.Face, strings.ToUpper(c.Face[:1])+c.Face[1:]
		}
		answer := map[string]string{result.Open: "[ ]", result.Good: "[good]", result.Rework: "[rework]", result.NotSeen: "[not seen]"}[c.Judgement]
		out = append(out, Row{label, answer + " " + c.Ask})
	}
	return out
}

// Hooks writes the answer about a finished joint.
func Hooks(w io.Writer, r *result.Hooks, o Options) error {
	out := bufio.NewWriter(w)
	para(out, HooksHeadline(r))
	if r.Refused != nil {
		para(out, r.Refused.Advice)
		return out.Flush()
	}
	fmt.Fprintln(out)
	rows(out, HookRows(r, o))
	if len(r.Findings) > 0 {
		fmt.Fprintln(out)
		for _, f := range r.Findings {
			rows(out, []Row{{"Look at", f.Message}})
		}
	}
	if len(r.Plan) > 0 {
		fmt.Fprintln(out)
		rows(out, PlanRows(r, o))
	}
	if len(r.Warnings) > 0 {
		fmt.Fprintln(out)
		for _, x := range r.Warnings {
			rows(out, []Row{{"Warning", x.Message}})
		}
	}
	fmt.Fprintln(out)
	para(out, "Take a close photo for each of these and judge it yourself:")
	rows(out, ClinchRows(r.Checklist))
	fmt.Fprintln(out)
	para(out, strings.Join(append(append([]string{}, Cautions...), HooksCautions...), " "))
	return out.Flush()
}
