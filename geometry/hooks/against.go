package hooks

import (
	"math"

	"beltend/geometry/lacing"
)

// MarginFlag is how far a margin may be from the plan without a remark, mm: as
// much as two widths may differ ([lacing.WidthFlag]).
const MarginFlag = lacing.WidthFlag

// PitchFlag is how far a pitch may be from the plan's without a remark, as a share of it.
const PitchFlag = 0.02

// Verdicts on a figure of the plan.
const (
	AsPlanned = "as_planned"
	Differs   = "differs"
	Undecided = "undecided"
)

// Judge compares a seen value with a planned one that it may be off by allowed,
// guarded by its expanded uncertainty.
func Judge(planned, seen, u95, allowed float64) string {
	switch d := math.Abs(seen - planned); {
	case d+u95 <= allowed:
		return AsPlanned
	case d-u95 > allowed:
		return Differs
	}
	return Undecided
}

// JudgeCount compares a number of hooks, of which unclear may be more.
func JudgeCount(planned, seen, unclear int) string {
	switch {
	case unclear == 0 && planned == seen:
		return AsPlanned
	case planned < seen || planned > seen+unclear:
		return Differs
	}
	return Undecided
}

// Swapped tells whether two rows go with the plan's sides better the other way
// round: the first row trailing, the second leading.
func Swapped(p *lacing.Plan, first, second int) bool {
	abs := func(v int) int { return max(v, -v) }
	return abs(first-p.Trail.Hooks)+abs(second-p.Lead.Hooks) < abs(first-p.Lead.Hooks)+abs(second-p.Trail.Hooks)
}
