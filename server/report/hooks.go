package report

import (
	"bufio"
	"fmt"
	"io"
	"strings"

	"beltend/server/result"
)

// HooksCautions stand beside a finished joint: [Cautions], then those of hooks.
func HooksCautions(o Options) []string {
	return append(Cautions(o), o.units().texts("hooks_says", "caution_1", "caution_2")...)
}

// HooksHeadline is the answer in one sentence.
func HooksHeadline(r *result.Hooks, o Options) string {
	u := o.units()
	if r.Refused != nil {
		message, _ := RefusalText(r.Refused, o)
		return u.Text("hooks_says.not_counted", message)
	}
	var parts []string
	for _, s := range r.Sides {
		parts = append(parts, fmt.Sprintf("%s %s", s.Side, u.hookCount(s)))
	}
	text := strings.Join(parts, ", ")
	switch n := len(r.Findings); {
	case n == 0 && len(r.Plan) > 0:
		return u.Text("hooks_says.as_planned", text)
	case n == 0:
		return u.Text("hooks_says.nothing", text)
	case n == 1:
		return u.Text("hooks_says.one", text)
	default:
		return u.Text("hooks_says.some", text, n)
	}
}

// fine writes a pitch: to a hundredth of a millimetre or a thousandth of an inch.
func (u units) fine(mm float64) string {
	if u.inches {
		return u.length(mm)
	}
	return u.number("%.2f mm", mm)
}

// Fine writes a pitch: to a hundredth of a millimetre or a thousandth of an inch.
func Fine(mm float64, o Options) string { return o.units().fine(mm) }

func (u units) hookCount(s result.HookSide) string {
	if s.Unclear > 0 {
		return u.Text("hooks_says.range", s.Hooks, s.Hooks+s.Unclear)
	}
	return fmt.Sprint(s.Hooks)
}

// HookRows are the measured values of each side in words.
func HookRows(r *result.Hooks, o Options) []Row {
	u := o.units()
	var out []Row
	for _, s := range r.Sides {
		name := u.Text("hooks_says.end", s.Side)
		if s.Planned != "" {
			name = s.Side + ", " + u.Text("hooks_says.planned_"+s.Planned)
		}
		margin := u.Text("hooks_says.margins", u.length(s.MarginLeftMM), u.length(s.MarginRightMM), u.expanded(s.MarginU95MM))
		if !s.MarginsCertain {
			margin += u.Text("hooks_says.not_certain")
		}
		out = append(out,
			Row{name, u.Text("hooks_says.pitch", u.hookCount(s), u.fine(s.PitchMM), u.fine(ceil(s.PitchU95MM, 100)), u.fine(s.SpreadMM), u.length(s.ClosestMM), u.length(s.WidestMM))},
			Row{"", margin},
			Row{"", u.Text("hooks_says.row", u.signed(s.OffsetMM), u.expanded(s.OffsetU95MM), u.length(s.ToleranceMM), u.Text("hooks_says.row_"+string(s.Verdict)))},
			Row{"", u.Text("hooks_says.width", u.length(s.WidthMM), u.expanded(s.WidthU95MM))})
	}
	out = append(out, Row{u.Text("pair_says.hinge"), u.Text("facts.straight", u.length(r.Straight))})
	if r.FaceUp != "" {
		out = append(out, Row{u.Text("joint.face"), u.Text("hooks_says.face_" + r.FaceUp)})
	}
	return out
}

// PlanRows put the plan beside what is seen.
func PlanRows(r *result.Hooks, o Options) []Row {
	u := o.units()
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
			label = u.Text("hooks_says.plan")
		}
		out = append(out, Row{label, u.Text("hooks_says.compared", c.Side, u.Text("hooks_says.what_"+c.What), planned, seen, u.Text("hooks_says.plan_"+c.Verdict))})
	}
	return out
}

// ClinchRows are the questions of the checklist that a person answers.
func ClinchRows(items []result.ClinchItem, o Options) []Row {
	u := o.units()
	var out []Row
	last := ""
	for _, c := range items {
		label := ""
		if c.Face != last {
			last, label = c.Face, u.Text("clinch.face_"+c.Face)
		}
		answer := "[ ]"
		if c.Judgement != result.Open {
			answer = "[" + u.Text("clinch."+c.Judgement) + "]"
		}
		out = append(out, Row{label, answer + " " + u.Or("clinch.ask_"+c.Code, c.Ask)})
	}
	return out
}

// Hooks writes the answer about a finished joint.
func Hooks(w io.Writer, r *result.Hooks, o Options) error {
	out := bufio.NewWriter(w)
	u := o.units()
	para(out, HooksHeadline(r, o))
	if r.Refused != nil {
		_, advice := RefusalText(r.Refused, o)
		para(out, advice)
		return out.Flush()
	}
	fmt.Fprintln(out)
	rows(out, HookRows(r, o))
	if len(r.Findings) > 0 {
		fmt.Fprintln(out)
		for _, f := range r.Findings {
			rows(out, []Row{{u.Text("hooks_says.look_at"), HookFindingText(f, o)}})
		}
	}
	if len(r.Plan) > 0 {
		fmt.Fprintln(out)
		rows(out, PlanRows(r, o))
	}
	if len(r.Warnings) > 0 {
		fmt.Fprintln(out)
		for _, x := range r.Warnings {
			rows(out, []Row{{u.Text("report.warning"), WarningText(x, o)}})
		}
	}
	fmt.Fprintln(out)
	para(out, u.Text("clinch.judge"))
	rows(out, ClinchRows(r.Checklist, o))
	fmt.Fprintln(out)
	para(out, strings.Join(HooksCautions(o), " "))
	return out.Flush()
}
