package adjust

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Line is y = A + B x with the covariance of A and B that follows from the stated standard deviations.
type Line struct {
	A, B             float64
	VarA, VarB, Cov  float64
	ChiSquare        float64 // weighted sum of squared residuals
	DegreesOfFreedom int     // points - 2
}

// At is the line's height at x and its standard uncertainty.
func (l Line) At(x float64) (y, u float64) {
	return l.A + l.B*x, math.Sqrt(l.VarA + 2*x*l.Cov + x*x*l.VarB)
}

// VarianceFactor is ChiSquare / DegreesOfFreedom; NaN for two points.
func (l Line) VarianceFactor() float64 {
	if l.DegreesOfFreedom <= 0 {
		return math.NaN()
	}
	return l.ChiSquare / float64(l.DegreesOfFreedom)
}

// Scaled is the line with its covariance multiplied by the variance factor: the usual choice where the standard
// deviations of the points are known only up to a common factor, or not at all.
func (l Line) Scaled() Line {
	f := l.VarianceFactor()
	l.VarA, l.VarB, l.Cov = l.VarA*f, l.VarB*f, l.Cov*f
	return l
}

// FitLine fits y = A + B x to points whose x is exact. sy holds the standard deviations of y; nil means 1 each, and
// then the covariance needs Scaled.
func FitLine(x, y, sy []float64) (Line, error) {
	if err := checkPoints(x, y, nil, sy); err != nil {
		return Line{}, err
	}
	var sw, mx, my float64
	weight := func(i int) float64 {
		if sy == nil {
			return 1
		}
		return 1 / (sy[i] * sy[i])
	}
	for i := range x {
		w := weight(i)
		sw += w
		mx += w * x[i]
		my += w * y[i]
	}
	mx, my = mx/sw, my/sw
	var sxx, sxy float64
	for i := range x {
		w, dx := weight(i), x[i]-mx
		sxx += w * dx * dx
		sxy += w * dx * (y[i] - my)
	}
	if !(sxx > 0) {
		return Line{}, errors.New("line fit: all points have the same x")
	}
	b := sxy / sxx
	l := Line{A: my - b*mx, B: b, VarB: 1 / sxx, VarA: 1/sw + mx*mx/sxx, Cov: -mx / sxx, DegreesOfFreedom: len(x) - 2}
	for i := range x {
		r := (y[i] - my) - b*(x[i]-mx)
		l.ChiSquare += weight(i) * r * r
	}
	return l, nil
}

// FitLineErrorsBothWays fits y = A + B x to points with independent errors in x and y of standard deviation sx[i] and
// sy[i]; one of the two may be 0. The line is that of D. York, N. M. Evensen, M. López Martínez, J. De Basabe
// Delgado, Am. J. Phys. 72 (2004) 367, doi 10.1119/1.1632486, and so is the covariance: unscaled, at the 'expected'
// (adjusted) points, which is also what maximum likelihood and ISO/TS 28037:2010 give. The Hessian at the observed
// points and other definitions in print differ from it by a few per cent.
//
// With W_i = 1/(sy_i^2 + B^2 sx_i^2), X_w, Y_w the W-weighted means and U_i, V_i the deviations of x_i, y_i from them,
//
//	beta_i = W_i (U_i sy_i^2 + B V_i sx_i^2),  B = sum W_i beta_i V_i / sum W_i beta_i U_i,  A = Y_w - B X_w
//
// is iterated from the fit to exact x. A line steeper than about 45 degrees is better fitted with x and y exchanged.
func FitLineErrorsBothWays(x, y, sx, sy []float64) (Line, error) {
	if sx == nil || sy == nil {
		return Line{}, errors.New("line fit: standard deviations of x and of y are needed")
	}
	if err := checkPoints(x, y, sx, sy); err != nil {
		return Line{}, err
	}
	start, err := FitLine(x, y, nil)
	if err != nil {
		return Line{}, err
	}
	n := len(x)
	w, beta := make([]float64, n), make([]float64, n)
	b := start.B
	for range 1000 {
		var sw, mx, my float64
		for i := range x {
			v := sy[i]*sy[i] + b*b*sx[i]*sx[i]
			if !(v > 0) {
				return Line{}, fmt.Errorf("line fit: point %d has no error across the line, so no finite weight", i)
			}
			w[i] = 1 / v
			sw += w[i]
			mx += w[i] * x[i]
			my += w[i] * y[i]
		}
		mx, my = mx/sw, my/sw
		var num, den, mean float64
		for i := range x {
			u, v := x[i]-mx, y[i]-my
			beta[i] = w[i] * (u*sy[i]*sy[i] + b*v*sx[i]*sx[i])
			num += w[i] * beta[i] * v
			den += w[i] * beta[i] * u
			mean += w[i] * beta[i]
		}
		next := num / den
		if math.IsNaN(next) || math.IsInf(next, 0) {
			break
		}
		// until the change is nothing against the slope's standard deviation, about 1/sqrt(den)
		if math.Abs(next-b) > math.Max(4*epsilon*math.Abs(next), 1e-12/math.Sqrt(math.Abs(den))) {
			b = next
			continue
		}
		b, mean = next, mean/sw
		var s float64
		for i := range x {
			s += w[i] * (beta[i] - mean) * (beta[i] - mean)
		}
		if !(s > 0) {
			break
		}
		xbar := mx + mean // mean of the adjusted x
		l := Line{A: my - b*mx, B: b, VarB: 1 / s, VarA: 1/sw + xbar*xbar/s, Cov: -xbar / s, DegreesOfFreedom: n - 2}
		for i := range x {
			r := (y[i] - my) - b*(x[i]-mx)
			l.ChiSquare += w[i] * r * r
		}
		return l, nil
	}
	return Line{}, errors.New("line fit: errors in both directions do not lead to one line; is it nearly vertical?")
}

// StraightFit is the line through the centre (X, Y) in the direction Angle that has the least sum of squared
// perpendicular distances.
type StraightFit struct {
	X, Y   float64
	Angle  float64 // radians in (-pi/2, pi/2], from the x axis
	SumSq  float64 // weighted sum of squared perpendicular distances
	Spread float64 // weighted sum of squared distances from the centre, along the line
	// VarAngle and VarOffset are the variances of the direction and of the line's position across itself at the
	// centre, for weights that are 1/sigma^2 of the perpendicular distances; they are uncorrelated.
	VarAngle, VarOffset float64
	DegreesOfFreedom    int // points - 2
}

// Distance is how far (x, y) lies to the left of the line, seen along Angle.
func (s StraightFit) Distance(x, y float64) float64 {
	sin, cos := math.Sincos(s.Angle)
	return (y-s.Y)*cos - (x-s.X)*sin
}

// FitOrthogonal fits a straight line in any direction by the perpendicular distances (K. Pearson, Phil. Mag. 2 (1901)
// 559). w holds the weights 1/sigma^2; nil means 1 each.
func FitOrthogonal(x, y, w []float64) (StraightFit, error) {
	if err := checkPoints(x, y, nil, nil); err != nil {
		return StraightFit{}, err
	}
	if w != nil && len(w) != len(x) {
		return StraightFit{}, fmt.Errorf("line fit: %d weights for %d points", len(w), len(x))
	}
	weight := func(i int) float64 {
		if w == nil {
			return 1
		}
		return w[i]
	}
	var sw, mx, my float64
	points := 0
	for i := range x {
		wi := weight(i)
		if !(wi >= 0) || math.IsInf(wi, 0) {
			return StraightFit{}, fmt.Errorf("line fit: weight %d is %g", i, wi)
		}
		if wi > 0 {
			points++
		}
		sw += wi
		mx += wi * x[i]
		my += wi * y[i]
	}
	if points < 2 {
		return StraightFit{}, fmt.Errorf("line fit: %d points with weight, at least 2 are needed", points)
	}
	mx, my = mx/sw, my/sw
	var sxx, syy, sxy float64
	for i := range x {
		wi, dx, dy := weight(i), x[i]-mx, y[i]-my
		sxx += wi * dx * dx
		syy += wi * dy * dy
		sxy += wi * dx * dy
	}
	angle := math.Atan2(2*sxy, sxx-syy) / 2
	sin, cos := math.Sincos(angle)
	f := StraightFit{X: mx, Y: my, Angle: angle, VarOffset: 1 / sw, DegreesOfFreedom: points - 2}
	for i := range x { // from the distances themselves: the eigenvalues would lose the small one
		wi, dx, dy := weight(i), x[i]-mx, y[i]-my
		along, across := dx*cos+dy*sin, dy*cos-dx*sin
		f.Spread += wi * along * along
		f.SumSq += wi * across * across
	}
	if !(f.Spread-f.SumSq > 1e-12*f.Spread) {
		return StraightFit{}, errors.New("line fit: the points have no direction")
	}
	f.VarAngle = 1 / f.Spread
	return f, nil
}

// FitPolynomial fits y = c0 + c1 x + ... of the given degree to points with exact x; nil sy means 1 each. The
// covariance is unscaled; multiply it by chiSquare/(points - degree - 1) where sy is not known.
func FitPolynomial(x, y, sy []float64, degree int) (c []float64, cov *mat.SymDense, chiSquare float64, err error) {
	if err := checkPoints(x, y, nil, sy); err != nil {
		return nil, nil, 0, err
	}
	if degree < 0 || degree >= len(x) {
		return nil, nil, 0, fmt.Errorf("polynomial fit: degree %d with %d points", degree, len(x))
	}
	n := degree + 1
	p := NewProblem()
	b := p.Block("coefficients", make([]float64, n))
	p.Residual("points", len(x), func(v [][]float64, r []float64, jac [][]float64) bool {
		for i := range x {
			sigma := 1.0
			if sy != nil {
				sigma = sy[i]
			}
			r[i] = -y[i] / sigma
			power := 1 / sigma
			for j := range n {
				r[i] += v[0][j] * power
				if jac[0] != nil {
					jac[0][i*n+j] = power
				}
				power *= x[i]
			}
		}
		return true
	}, nil, b)
	s, err := p.Solve(DefaultOptions())
	if err != nil {
		return nil, nil, 0, fmt.Errorf("polynomial fit of degree %d: %w", degree, err)
	}
	return s.Value(b), s.JointCovariance(b), s.ChiSquare, nil
}

// checkPoints looks for what no line can be fitted to. sy, without sx, must be above 0; with sx both may be 0.
func checkPoints(x, y, sx, sy []float64) error {
	if len(x) != len(y) || (sx != nil && len(sx) != len(x)) || (sy != nil && len(sy) != len(x)) {
		return fmt.Errorf("line fit: %d x, %d y, %d and %d standard deviations do not match", len(x), len(y), len(sx), len(sy))
	}
	if len(x) < 2 {
		return fmt.Errorf("line fit: %d points, at least 2 are needed", len(x))
	}
	if !finite(x) || !finite(y) {
		return errors.New("line fit: a coordinate is not a finite number")
	}
	if !finite(sx) || !finite(sy) {
		return errors.New("line fit: a standard deviation is not a finite number")
	}
	for i := range x {
		if sy != nil && (sy[i] < 0 || (sx == nil && sy[i] == 0)) {
			return fmt.Errorf("line fit: standard deviation %g of y of point %d", sy[i], i)
		}
		if sx != nil && sx[i] < 0 {
			return fmt.Errorf("line fit: standard deviation %g of x of point %d", sx[i], i)
		}
	}
	return nil
}
