package lacing

import "math"

// Ends of a joint.
const (
	Leading  = "leading"
	Trailing = "trailing"
)

// WidthFlag is how far apart the widths of two ends may be without a remark,
// mm: common practice.
const WidthFlag = 3.0

// Verdicts on two widths.
const (
	StepFine   = "within"
	StepLarge  = "apart"
	StepUnsure = "undecided"
)

// Step is how the edges of the two ends meet when their centrelines are put on
// one line.
type Step struct {
	PerSide    float64 `json:"per_side_mm"`     // on the left and on the right
	PerSideU95 float64 `json:"per_side_u95_mm"` // 0: a width was typed without one
	Difference float64 `json:"difference_mm"`
	Wider      string  `json:"wider"`   // Leading, Trailing or ""
	Verdict    string  `json:"verdict"` // on the difference, with its uncertainty as guard band
}

// Compare compares two widths. Their uncertainties add in squares; 0 is a width
// typed without one.
func Compare(lead, leadU95, trail, trailU95 float64) Step {
	d := lead - trail
	s := Step{PerSide: math.Abs(d) / 2, Difference: math.Abs(d), Verdict: StepUnsure}
	if leadU95 > 0 && trailU95 > 0 {
		s.PerSideU95 = math.Hypot(leadU95, trailU95) / 2
	}
	switch {
	case d > 0:
		s.Wider = Leading
	case d < 0:
		s.Wider = Trailing
	}
	switch u := 2 * s.PerSideU95; {
	case s.Difference+u <= WidthFlag:
		s.Verdict = StepFine
	case s.Difference-u > WidthFlag:
		s.Verdict = StepLarge
	}
	return s
}
