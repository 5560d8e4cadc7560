package report

import (
	"math"

	"beltend/server/result"
)

// Cautions stand wherever a person starts or plans work at the belt.
func Cautions(o Options) []string { return o.units().texts("cautions", "1", "2", "3", "4") }

// texts are several of a section.
func (u units) texts(section string, names ...string) (out []string) {
	for _, n := range names {
		out = append(out, u.Text(section+"."+n))
	}
	return out
}

// Say is the catalogue's sentence for a code of the contract, with its values;
// empty where there is none, or a value is missing. See [words.Words.Say].
func Say(key string, values map[string]any, o Options) string {
	u := o.units()
	return u.Say(key, values, u.decimals)
}

// line is what was judged, as it is named in keys.
func line(m *result.Measurement) string {
	if m.Line == "drawn" {
		return "drawn"
	}
	return "cut"
}

// Verdict says the decision in one sentence.
func Verdict(m *result.Measurement, o Options) string {
	u := o.units()
	switch key := line(m); m.Verdict {
	case result.Square:
		if m.Squareness != nil && m.Squareness.TargetDeg != 0 {
			return u.Text("decided.target_" + key)
		}
		return u.Text("decided.square_" + key)
	case result.Recut:
		return u.Text("decided.recut_" + key)
	default:
		return u.Text("decided.undecided_"+key, u.Text("decided.from_"+source(m)))
	}
}

// source is what was measured from, as it is named in keys.
func source(m *result.Measurement) string {
	switch m.Source {
	case result.FromTape:
		return "tape"
	case result.FromBoth:
		return "both"
	}
	return "photos"
}

// Headline is the decision in a word or two.
func Headline(m *result.Measurement, o Options) string {
	u := o.units()
	switch {
	case m.Refused != nil:
		return u.Text("verdict.refused")
	case m.Verdict == result.Square && m.Squareness != nil && m.Squareness.TargetDeg != 0:
		return u.Text("decided.target")
	case m.Verdict == result.Square:
		return u.Text("verdict.square")
	case m.Verdict == result.Recut && m.Line == "drawn":
		return u.Text("decided.redraw")
	case m.Verdict == result.Recut:
		return u.Text("verdict.recut")
	}
	return u.Text("verdict.undecided")
}

// Outcomes of a decision with guard band w = U, in the four words of ILAC-G8:2019,
// 4.2.3: what is undecided passes or fails conditionally, by the side of the limit on
// which the value itself lies.
const (
	Pass            = "pass"
	ConditionalPass = "conditional_pass"
	ConditionalFail = "conditional_fail"
	Fail            = "fail"
)

// Outcome names the decision; empty without squareness.
func Outcome(m *result.Measurement) string {
	s := m.Squareness
	switch {
	case s == nil:
		return ""
	case m.Verdict == result.Square:
		return Pass
	case m.Verdict == result.Recut:
		return Fail
	case math.Abs(s.OffsetMM) <= s.ToleranceMM:
		return ConditionalPass
	}
	return ConditionalFail
}

// LongSide says which side sticks out. Where the offset is smaller than its
// uncertainty the side is not known.
func LongSide(m *result.Measurement, o Options) string {
	s, u := m.Squareness, o.units()
	side := "left"
	if s.OffsetMM < 0 {
		side = "right"
	}
	switch {
	case math.Abs(s.OffsetMM) <= s.OffsetU95MM:
		return u.Text("long.none")
	case s.TargetDeg != 0:
		return u.Text("long." + side + "_target")
	}
	return u.Text("long." + side)
}
