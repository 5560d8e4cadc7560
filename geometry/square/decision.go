package square

import "math"

// Verdict is the decision on squareness.
type Verdict string

// The verdicts of [Decide].
const (
	Square    Verdict = "square"
	MustRecut Verdict = "recut"
	Undecided Verdict = "undecided"
)

// Decide applies the guarded rule with guard band w = U (JCGM 106:2012 8.3,
// ILAC-G8:09/2019 4.2) to an offset with expanded uncertainty u95, all in
// millimetres:
//
//	|offset| + u95 <= tolerance  square
//	|offset| - u95 >  tolerance  recut
//	else                         undecided
//
// Nothing is decided on a value that is not a number, without an uncertainty
// above 0 (a measurement always has one) or against a tolerance below 0.
func Decide(offset, u95, tolerance float64) Verdict {
	if !usable(offset, u95, tolerance) {
		return Undecided
	}
	switch a := math.Abs(offset); {
	case a+u95 <= tolerance:
		return Square
	case a-u95 > tolerance:
		return MustRecut
	}
	return Undecided
}

// Outcome is one of the four outcomes of ILAC-G8:09/2019 4.2.3 with a guard
// band.
type Outcome string

// The outcomes of [Judge].
const (
	Pass            Outcome = "pass"
	ConditionalPass Outcome = "conditional pass"
	ConditionalFail Outcome = "conditional fail"
	Fail            Outcome = "fail"
	NoOutcome       Outcome = ""
)

// Judge is [Decide] with the undecided range split at the tolerance itself,
// which is what simple acceptance would go by.
func Judge(offset, u95, tolerance float64) Outcome {
	if !usable(offset, u95, tolerance) {
		return NoOutcome
	}
	switch Decide(offset, u95, tolerance) {
	case Square:
		return Pass
	case MustRecut:
		return Fail
	}
	if SimpleAcceptance(offset, tolerance) {
		return ConditionalPass
	}
	return ConditionalFail
}

// SimpleAcceptance accepts whatever lies within the tolerance and leaves the
// uncertainty to the reader (JCGM 106:2012 8.2): at the limit itself half of
// what it accepts is out of tolerance.
func SimpleAcceptance(offset, tolerance float64) bool {
	return math.Abs(offset) <= tolerance // false for NaN
}

func usable(offset, u95, tolerance float64) bool {
	return finite(offset) && finite(u95) && u95 > 0 && finite(tolerance) && tolerance >= 0
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// Conformance is the probability that a quantity measured as y with standard
// uncertainty u (normal) lies between two limits (JCGM 106:2012 7.4):
// Phi((upper-y)/u) - Phi((lower-y)/u). One-sided limits are infinite ones. NaN
// without an uncertainty above 0.
func Conformance(y, u, lower, upper float64) float64 {
	if !(u > 0) || !finite(y) || !finite(u) || !(lower <= upper) {
		return math.NaN()
	}
	// each from the side on which nothing cancels
	a, b := (lower-y)/u, (upper-y)/u
	if a > 0 {
		return phi(-a) - phi(-b)
	}
	return phi(b) - phi(a)
}

// OffsetConformance is the probability that the true |offset| is within the
// tolerance, u being the standard uncertainty.
func OffsetConformance(offset, u, tolerance float64) float64 {
	return Conformance(offset, u, -tolerance, tolerance)
}

// phi is the standard normal distribution function.
func phi(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }
