package adjust

import (
	"math"
	"reflect"
)

// Loss makes large residuals count less. Its argument s is the squared norm of a whole whitened residual block, so
// for a block of two coordinates the usual constants for one coordinate are to be raised (see the functions below).
type Loss interface {
	// Weight is the derivative of Rho: 1 at s = 0, falling, never negative.
	Weight(s float64) float64
	// Rho replaces s in the sum that is minimised; Rho(s) is about s for small s.
	Rho(s float64) float64
}

// Huber is quadratic within k standard deviations and linear beyond. k = 1.345 keeps 95 % efficiency for one
// coordinate (P. J. Huber, Robust Statistics, 1981).
func Huber(k float64) Loss { return huber{k} }

// Tukey is the biweight: beyond c standard deviations an observation has no influence at all. c = 4.685 keeps 95 %
// efficiency for one coordinate (A. E. Beaton, J. W. Tukey, Technometrics 16 (1974) 147). It has local minima:
// start near the truth.
func Tukey(c float64) Loss { return tukey{c} }

// Cauchy grows with the logarithm; c = 2.385 keeps 95 % efficiency for one coordinate.
func Cauchy(c float64) Loss { return cauchy{c} }

type huber struct{ k float64 }

func (h huber) Weight(s float64) float64 {
	if s <= h.k*h.k {
		return 1
	}
	return h.k / math.Sqrt(s)
}

func (h huber) Rho(s float64) float64 {
	if s <= h.k*h.k {
		return s
	}
	return 2*h.k*math.Sqrt(s) - h.k*h.k
}

type tukey struct{ c float64 }

func (t tukey) Weight(s float64) float64 {
	u := 1 - s/(t.c*t.c)
	if u <= 0 {
		return 0
	}
	return u * u
}

func (t tukey) Rho(s float64) float64 {
	c2 := t.c * t.c
	u := math.Max(0, 1-s/c2)
	return c2 / 3 * (1 - u*u*u)
}

type cauchy struct{ c float64 }

func (c cauchy) Weight(s float64) float64 { return 1 / (1 + s/(c.c*c.c)) }

func (c cauchy) Rho(s float64) float64 { return c.c * c.c * math.Log1p(s/(c.c*c.c)) }

// consistency is E[w(s) s]/E[s] for s from the chi-square distribution with m degrees of freedom: the share of the
// sum of squares that the loss leaves in place when the errors are normal. With t = sqrt(s) it is the mean of
// w(t^2) under a density proportional to t^(m+1) exp(-t^2/2).
func consistency(loss Loss, m int) float64 {
	if loss == nil {
		return 1
	}
	const steps = 400 // the midpoint rule is good to 1e-4 even at Huber's corner
	top := math.Sqrt(float64(m)) + 8
	var kept, all float64
	for i := range steps {
		t := top * (float64(i) + 0.5) / steps
		// logarithms, so that large blocks do not overflow; the shift to the density's peak cancels
		peak := float64(m+1) / 2 * (math.Log(float64(m+1)) - 1)
		f := math.Exp(float64(m+1)*math.Log(t) - t*t/2 - peak)
		kept += f * loss.Weight(t*t)
		all += f
	}
	return kept / all
}

// sameLoss tells whether two losses are known to be equal.
func sameLoss(a, b Loss) bool {
	if a == nil || b == nil {
		return a == nil && b == nil
	}
	return reflect.TypeOf(a).Comparable() && reflect.TypeOf(b).Comparable() && a == b
}
