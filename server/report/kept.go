package report

import (
	"beltend/geometry/joint"
	"beltend/geometry/lacing"
	"beltend/server/result"
)

// KeptShort is a joint's kept plan in a few rows.
func KeptShort(k *result.JointPlan, o Options) []Row {
	u, p := o.units(), k.Lacing.Plan
	return []Row{
		{u.Text("kept_says.hooks"), LacingHeadline(k.Lacing, o)},
		{u.Text("kept_says.margins"), u.Text("kept_says.margins_are", u.place(p.Lead.MarginLeft), u.place(p.Trail.MarginLeft))},
		{u.Text("lacing_says.pin"), u.place(p.Pin.Length)},
		{u.Text("pair.takeup"), takeupLeft(k, u)},
	}
}

// takeupLeft says whether the travel left is enough.
func takeupLeft(k *result.JointPlan, u units) string {
	if k.Takeup == nil {
		return u.Text("kept_says.travel_open")
	}
	rows := TakeupRows(k.Takeup, Options{Inches: u.inches, Lang: u.Lang})
	return rows[len(rows)-1].Text
}

// ChartRow is a row of the user's chart, with all of its numbers.
func ChartRow(f lacing.Fastener, o Options) Row {
	u := o.units()
	return Row{u.Text("kept_says.row"), u.Text("kept_says.row_is", f.Name, u.length(f.Pitch), u.length(f.Wire), u.length(f.ThicknessFrom), u.length(f.ThicknessTo),
		u.place(f.Pulley), u.place(f.Strip), f.HooksPerStrip, u.place(f.PinAllowance))}
}

// KeptBelt is the belt that a joint loses, and what that does to the take-up.
func KeptBelt(k *result.JointPlan, o Options) []Row {
	u := o.units()
	var out []Row
	for _, e := range []struct {
		key string
		end result.PlannedEnd
	}{{"pair.lead", k.Leading}, {"pair.trail", k.Trailing}} {
		says := u.Text("kept_says.end", u.summed(e.end.RecutMM, e.end.RecutU95MM), u.place(e.end.TrimMM))
		if by := ByHand(e.end.Source, o); by != "" {
			says += "; " + by
		}
		out = append(out, Row{u.Text(e.key), says})
	}
	if k.Takeup != nil {
		return append(out, TakeupRows(k.Takeup, o)...)
	}
	return append(out, Row{u.Text("pair.takeup"), u.Text("kept_says.lost", u.summed(k.LostMM, k.LostU95MM), u.place(joint.Moves(k.LostMM)))},
		Row{"", u.Text("kept_says.travel_open")})
}
