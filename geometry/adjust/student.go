package adjust

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// StudentT is the two-sided coverage factor t_p(nu) of JCGM 100:2008 Table G.2: a quantity with standard uncertainty u
// and nu degrees of freedom lies within t*u with probability p. nu = +Inf gives the normal distribution. It is NaN
// unless 0 < p < 1 and nu > 0.
func StudentT(p, nu float64) float64 {
	switch {
	case !(p > 0 && p < 1 && nu > 0):
		return math.NaN()
	case math.IsInf(nu, 1):
		return distuv.UnitNormal.Quantile((1 + p) / 2)
	}
	return distuv.StudentsT{Sigma: 1, Nu: nu}.Quantile((1 + p) / 2)
}

// EffectiveDegreesOfFreedom is the Welch-Satterthwaite formula (JCGM 100:2008 G.4.1, formula G.2b) for independent
// contributions u[i], in units of the result, with nu[i] degrees of freedom (+Inf: known exactly):
//
//	nu_eff = (sum u_i^2)^2 / sum (u_i^4 / nu_i)
//
// The Guide takes the next lower integer before it looks up t. NaN when the lengths differ or a nu is not above 0.
func EffectiveDegreesOfFreedom(u, nu []float64) float64 {
	if len(u) != len(nu) {
		return math.NaN()
	}
	var sum, below float64
	for i := range u {
		if !(nu[i] > 0) {
			return math.NaN()
		}
		sum += u[i] * u[i]
		below += u[i] * u[i] * u[i] * u[i] / nu[i]
	}
	switch {
	case sum == 0:
		return math.NaN()
	case below == 0:
		return math.Inf(1)
	}
	return sum * sum / below
}

// ChiSquareQuantile is the value below which chi-square with k degrees of freedom lies with probability p.
func ChiSquareQuantile(p, k float64) float64 {
	if !(p >= 0 && p <= 1 && k > 0) {
		return math.NaN()
	}
	return distuv.ChiSquared{K: k}.Quantile(p)
}

// ChiSquareAbove is the probability that chi-square with k degrees of freedom exceeds x: a small one says that the
// model or the stated standard deviations are wrong.
func ChiSquareAbove(x, k float64) float64 {
	if !(x >= 0 && k > 0) {
		return math.NaN()
	}
	return distuv.ChiSquared{K: k}.Survival(x)
}
