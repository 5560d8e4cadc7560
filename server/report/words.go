package report

import (
	"math"

	"beltend/server/result"
)

// Cautions stand wherever a person starts or plans work at the belt.
var Cautions = []string{
	"Work only on a conveyor that the authorised person has isolated and locked out.",
	"Have tension and counterweight released or held, and the belt clamped.",
	"Cut away from the body, nobody beside the stroke; cut-resistant gloves, eye protection.",
	"Site rules win. beltend measures; it never declares anything safe.",
}

// Verdict says the decision in one sentence.
func Verdict(m *result.Measurement) string {
	line := "end"
	if m.Line == "drawn" {
		line = "drawn line"
	}
	switch m.Verdict {
	case result.Square:
		if m.Squareness != nil && m.Squareness.TargetDeg != 0 {
			return "At the target angle: the " + line + " is within the tolerance."
		}
		return "Square: the " + line + " is within the tolerance."
	case result.Recut:
		if m.Line == "drawn" {
			return "Draw again: the drawn line is off by more than the tolerance."
		}
		return "Re-cut: the end is off by more than the tolerance."
	default:
		return "Undecided: the " + sources(m) + " cannot tell whether the " + line + " is within the tolerance."
	}
}

// sources is what was measured from.
func sources(m *result.Measurement) string {
	switch m.Source {
	case result.FromTape:
		return "tape readings"
	case result.FromBoth:
		return "photos and the tape"
	}
	return "photos"
}

// Headline is the decision in a word or two.
func Headline(m *result.Measurement) string {
	switch {
	case m.Refused != nil:
		return "No answer"
	case m.Verdict == result.Square && m.Squareness != nil && m.Squareness.TargetDeg != 0:
		return "At the target angle"
	case m.Verdict == result.Square:
		return "Square"
	case m.Verdict == result.Recut && m.Line == "drawn":
		return "Draw again"
	case m.Verdict == result.Recut:
		return "Re-cut"
	}
	return "Undecided"
}

// LongSide says which side sticks out. Where the offset is smaller than its
// uncertainty the side is not known.
func LongSide(m *result.Measurement) string {
	s := m.Squareness
	switch {
	case math.Abs(s.OffsetMM) <= s.OffsetU95MM:
		return "too small to say which side is long"
	case s.OffsetMM > 0 && s.TargetDeg == 0:
		return "the left side is long"
	case s.OffsetMM < 0 && s.TargetDeg == 0:
		return "the right side is long"
	case s.OffsetMM > 0:
		return "left longer than the target asks"
	default:
		return "right longer than the target asks"
	}
}
