package adjust

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// linear adds one residual with all rows of a linear model: sum of columns * parameters - y.
func linear(p *Problem, b BlockID, columns [][]float64, y []float64) {
	n := len(columns)
	p.Residual("rows", len(y), func(v [][]float64, r []float64, jac [][]float64) bool {
		for i := range y {
			r[i] = -y[i]
			for j := range n {
				r[i] += columns[j][i] * v[0][j]
				if jac[0] != nil {
					jac[0][i*n+j] = columns[j][i]
				}
			}
		}
		return true
	}, nil, b)
}

func TestFitLine_NISTNorris(t *testing.T) {
	data, cert := readTable(t, "nist_norris.csv"), readTable(t, "nist_linear_certified.csv").where("dataset", "Norris")
	l, err := FitLine(data.numbers("x"), data.numbers("y"), nil)
	if err != nil {
		t.Fatal(err)
	}
	s := l.Scaled()
	value := func(q string) float64 { return cert.where("quantity", q).number("certified") }
	near(t, "B0", s.A, value("B0"), 1e-10)
	near(t, "B1", s.B, value("B1"), 1e-10)
	near(t, "sd of B0", math.Sqrt(s.VarA), cert.where("quantity", "B0").number("certified_sd"), 1e-10)
	near(t, "sd of B1", math.Sqrt(s.VarB), cert.where("quantity", "B1").number("certified_sd"), 1e-10)
	near(t, "residual sd", math.Sqrt(l.VarianceFactor()), value("residual_sd"), 1e-10)
	near(t, "residual sum of squares", l.ChiSquare, value("residual_ss"), 1e-10)
	if l.DegreesOfFreedom != int(value("residual_dof")) {
		t.Errorf("degrees of freedom %d", l.DegreesOfFreedom)
	}
}

func TestFitPolynomial_NISTPontius(t *testing.T) {
	data, cert := readTable(t, "nist_pontius.csv"), readTable(t, "nist_linear_certified.csv").where("dataset", "Pontius")
	c, cov, chi, err := FitPolynomial(data.numbers("x"), data.numbers("y"), nil, 2)
	if err != nil {
		t.Fatal(err)
	}
	factor := chi / cert.where("quantity", "residual_dof").number("certified")
	for j := range 3 {
		want := cert.where("quantity", fmt.Sprintf("B%d", j))
		near(t, fmt.Sprintf("B%d", j), c[j], want.number("certified"), 1e-9)
		near(t, fmt.Sprintf("sd of B%d", j), math.Sqrt(factor*cov.At(j, j)), want.number("certified_sd"), 1e-9)
	}
	near(t, "residual sum of squares", chi, cert.where("quantity", "residual_ss").number("certified"), 1e-9)
}

func TestSolve_NISTLongley(t *testing.T) {
	data, cert := readTable(t, "nist_longley.csv"), readTable(t, "nist_linear_certified.csv").where("dataset", "Longley")
	y := data.numbers("y")
	one := make([]float64, len(y))
	for i := range one {
		one[i] = 1
	}
	columns := [][]float64{one}
	for j := 1; j <= 6; j++ {
		columns = append(columns, data.numbers(fmt.Sprintf("x%d", j)))
	}
	p := NewProblem()
	b := p.Block("b", make([]float64, 7))
	linear(p, b, columns, y)
	s, err := p.Solve(DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	value, sd := s.Value(b), s.SD(b)
	for j := range 7 {
		want := cert.where("quantity", fmt.Sprintf("B%d", j))
		near(t, fmt.Sprintf("B%d", j), value[j], want.number("certified"), 1e-8)
		near(t, fmt.Sprintf("sd of B%d", j), sd[j]*math.Sqrt(s.VarianceFactor), want.number("certified_sd"), 1e-8)
	}
	near(t, "residual sd", math.Sqrt(s.VarianceFactor), cert.where("quantity", "residual_sd").number("certified"), 1e-8)
	t.Logf("%d iterations, condition %.3g", s.Iterations, s.Condition)
}

// pearson returns Pearson's points with York's standard deviations.
func pearson(t *testing.T) (x, y, sx, sy []float64) {
	d := readTable(t, "pearson_york.csv")
	sx, sy = d.numbers("weight_x"), d.numbers("weight_y")
	for i := range sx {
		sx[i], sy[i] = 1/math.Sqrt(sx[i]), 1/math.Sqrt(sy[i])
	}
	return d.numbers("x"), d.numbers("y"), sx, sy
}

func TestFitLineErrorsBothWays_PearsonYork(t *testing.T) {
	x, y, sx, sy := pearson(t)
	l, err := FitLineErrorsBothWays(x, y, sx, sy)
	if err != nil {
		t.Fatal(err)
	}
	// Williamson 1968, Reed, Lybanon 1984, to the digits printed and recomputed
	near(t, "intercept", l.A, 5.479910224033, 1e-11)
	near(t, "slope", l.B, -0.480533407446, 1e-11)
	// York 2004, Cantrell 2008
	near(t, "chi-square", l.ChiSquare, 11.8663532, 1e-8)
	near(t, "variance factor", l.VarianceFactor(), 1.48329415, 1e-8)
	// York et al. 2004: the 'expected' points, not one of the other definitions 1 % away
	near(t, "sd of intercept", math.Sqrt(l.VarA), 0.294970735, 1e-8)
	near(t, "sd of slope", math.Sqrt(l.VarB), 0.057985009, 1e-8)
	near(t, "covariance", l.Cov, -0.016472545, 1e-7)
	// Cantrell 2008
	s := l.Scaled()
	near(t, "scaled sd of intercept", math.Sqrt(s.VarA), 0.359246523, 1e-8)
	near(t, "scaled sd of slope", math.Sqrt(s.VarB), 0.070620270, 1e-8)
}

// The guide's estimate stopped where the sum of squares changed by less than 1.5e-8 of itself, 8e-6 of a standard
// deviation short of the minimum: ours is compared with it to that, and with the exact minimum by a second way.
func TestFitLineErrorsBothWays_ODRPACKGuide(t *testing.T) {
	d := readTable(t, "pearson_york.csv")
	x, y, sx, sy := d.numbers("x"), d.numbers("y"), d.numbers("sx_rounded"), d.numbers("sy_rounded")
	l, err := FitLineErrorsBothWays(x, y, sx, sy)
	if err != nil {
		t.Fatal(err)
	}
	const a, b = 5.4767400299, -0.4796082367
	within(t, "intercept", l.A, a, 1e-5*math.Sqrt(l.VarA))
	within(t, "slope", l.B, b, 1e-5*math.Sqrt(l.VarB))
	var theirs float64
	for i := range x {
		r := y[i] - a - b*x[i]
		theirs += r * r / (sy[i]*sy[i] + b*b*sx[i]*sx[i])
	}
	if theirs < l.ChiSquare || theirs > l.ChiSquare*(1+1.5e-8) {
		t.Errorf("chi-square %.15g, the guide's line has %.15g", l.ChiSquare, theirs)
	}
	p, line := latentLine(x, y, sx, sy)
	s, err := p.Solve(DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	near(t, "intercept by adjustment", s.Value(line)[0], l.A, 1e-9)
	near(t, "slope by adjustment", s.Value(line)[1], l.B, 1e-9)
	near(t, "scaled sd of intercept", math.Sqrt(l.Scaled().VarA), 0.3590121690, 1e-6)
	near(t, "scaled sd of slope", math.Sqrt(l.Scaled().VarB), 0.0706291186, 1e-6)
}

// latentLine is the same fit as one adjustment: intercept, slope and the true x of every point.
func latentLine(x, y, sx, sy []float64) (*Problem, BlockID) {
	p := NewProblem()
	line := p.Block("line", []float64{0, 0})
	for i := range x {
		at := p.Block(fmt.Sprintf("x %d", i), []float64{x[i]})
		p.Prior(fmt.Sprintf("prior x %d", i), at, []float64{x[i]}, []float64{sx[i]})
		p.Residual(fmt.Sprintf("y %d", i), 1, func(v [][]float64, r []float64, jac [][]float64) bool {
			l, at := v[0], v[1][0]
			r[0] = (l[0] + l[1]*at - y[i]) / sy[i]
			if jac[0] != nil {
				jac[0][0], jac[0][1] = 1/sy[i], at/sy[i]
			}
			if jac[1] != nil {
				jac[1][0] = l[1] / sy[i]
			}
			return true
		}, nil, line, at)
	}
	return p, line
}

// Two ways to the same line: York's formulas, and the general adjustment with the true x as parameters.
func TestSolve_PearsonYorkAsAdjustment(t *testing.T) {
	x, y, sx, sy := pearson(t)
	want, err := FitLineErrorsBothWays(x, y, sx, sy)
	if err != nil {
		t.Fatal(err)
	}
	p, line := latentLine(x, y, sx, sy)
	s, err := p.Solve(DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	v, c := s.Value(line), s.Covariance(line, line)
	near(t, "intercept", v[0], want.A, 1e-9)
	near(t, "slope", v[1], want.B, 1e-9)
	near(t, "chi-square", s.ChiSquare, want.ChiSquare, 1e-12)
	near(t, "variance of intercept", c.At(0, 0), want.VarA, 1e-7)
	near(t, "variance of slope", c.At(1, 1), want.VarB, 1e-7)
	near(t, "covariance", c.At(0, 1), want.Cov, 1e-7)
	if s.DegreesOfFreedom != 8 {
		t.Errorf("degrees of freedom %g, want 8", s.DegreesOfFreedom)
	}
}

func TestFitLine_ISO28037(t *testing.T) {
	all := readTable(t, "iso28037.csv")
	for _, c := range []struct {
		name                     string
		a, b, ua, ub, cov, chi   float64
		tolA, tolB, tolUA, tolUB float64 // half a unit of the last printed digit
		tolCov, tolChi           float64
		fit                      func(tab table) (Line, error)
	}{
		{"wls_equal", 1.866667, 1.757143, 0.4654747, 0.1195229, -0.050, 1.665, 5e-7, 5e-7, 5e-8, 5e-8, 5e-4, 5e-4, exactX},
		{"wls_unequal", 0.8852, 2.0570, 0.5297081, 0.1778920, -0.08227848, 4.131, 5e-5, 5e-5, 5e-8, 5e-8, 5e-9, 5e-4, exactX},
		{"gdr_both", 0.5788, 2.1597, 0.4764, 0.1355, -0.0577, 2.743, 5e-5, 5e-5, 5e-5, 5e-5, 5e-5, 5e-4, bothWays},
	} {
		l, err := c.fit(all.where("case", c.name))
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		within(t, c.name+" a", l.A, c.a, c.tolA)
		within(t, c.name+" b", l.B, c.b, c.tolB)
		within(t, c.name+" u(a)", math.Sqrt(l.VarA), c.ua, c.tolUA)
		within(t, c.name+" u(b)", math.Sqrt(l.VarB), c.ub, c.tolUB)
		within(t, c.name+" cov(a,b)", l.Cov, c.cov, c.tolCov)
		within(t, c.name+" chi-square", l.ChiSquare, c.chi, c.tolChi)
	}
}

func exactX(d table) (Line, error) {
	return FitLine(d.numbers("x"), d.numbers("y"), d.numbers("u_y"))
}

func bothWays(d table) (Line, error) {
	return FitLineErrorsBothWays(d.numbers("x"), d.numbers("y"), d.numbers("u_x"), d.numbers("u_y"))
}

// With exact x the fit with errors both ways is the ordinary one.
func TestFitLineErrorsBothWays_ExactX(t *testing.T) {
	d := readTable(t, "iso28037.csv").where("case", "wls_unequal")
	want, _ := exactX(d)
	got, err := bothWays(d)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "a", got.A, want.A, 1e-12)
	near(t, "b", got.B, want.B, 1e-12)
	near(t, "variance of b", got.VarB, want.VarB, 1e-12)
	near(t, "chi-square", got.ChiSquare, want.ChiSquare, 1e-12)
}

func TestFitOrthogonal_Pearson1901(t *testing.T) {
	d := readTable(t, "pearson_york.csv")
	x, y := d.numbers("x"), d.numbers("y")
	f, err := FitOrthogonal(x, y, nil)
	if err != nil {
		t.Fatal(err)
	}
	slope := math.Tan(f.Angle)
	near(t, "slope", slope, -0.545561197521, 1e-11)
	near(t, "intercept", f.Y-slope*f.X, 5.784043774530, 1e-11)
	near(t, "sum of squared distances", f.SumSq, 0.618572759437, 1e-11)

	ones := make([]float64, len(x))
	for i := range ones {
		ones[i] = 1
	}
	l, err := FitLineErrorsBothWays(x, y, ones, ones)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "slope by the other fit", l.B, slope, 1e-10)
	near(t, "chi-square by the other fit", l.ChiSquare, f.SumSq, 1e-10)
	// d(slope) = (1 + slope^2) d(angle)
	near(t, "sd of slope by the other fit", math.Sqrt(l.VarB), (1+slope*slope)*math.Sqrt(f.VarAngle), 1e-10)
}

// A turn of the points turns the line and changes nothing else, in any direction.
func TestFitOrthogonal_Turned(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 1))
	var x, y, w []float64
	for i := range 40 {
		x, y = append(x, float64(i)), append(y, 0.3*rng.NormFloat64())
		w = append(w, 1+rng.Float64())
	}
	base, err := FitOrthogonal(x, y, w)
	if err != nil {
		t.Fatal(err)
	}
	for _, turn := range []float64{0.3, math.Pi / 2, 2, 3.1} {
		sin, cos := math.Sincos(turn)
		u, v := make([]float64, len(x)), make([]float64, len(x))
		for i := range x {
			u[i], v[i] = cos*x[i]-sin*y[i]+5, sin*x[i]+cos*y[i]-9
		}
		f, err := FitOrthogonal(u, v, w)
		if err != nil {
			t.Fatal(err)
		}
		within(t, "direction", math.Sin(f.Angle-base.Angle-turn), 0, 1e-12)
		near(t, "sum of squares", f.SumSq, base.SumSq, 1e-10)
		near(t, "variance of the angle", f.VarAngle, base.VarAngle, 1e-12)
		within(t, "distance of the centre", f.Distance(f.X, f.Y), 0, 1e-12)
	}
}

// The stated standard deviations against the scatter of repeated fits; 2000 repeats know a variance to 3.2 %.
func TestFitOrthogonal_StatedAgainstScatter(t *testing.T) {
	const repeats, n, sigma, truth = 2000, 30, 0.5, 0.4
	rng := rand.New(rand.NewPCG(11, 2))
	sin, cos := math.Sincos(truth)
	var angle, offset, statedA, statedO float64
	for range repeats {
		var x, y, w []float64
		for i := range n {
			s, across := float64(i-n/2)*3, sigma*rng.NormFloat64()
			x, y, w = append(x, cos*s-sin*across), append(y, sin*s+cos*across), append(w, 1/(sigma*sigma))
		}
		f, err := FitOrthogonal(x, y, w)
		if err != nil {
			t.Fatal(err)
		}
		angle += (f.Angle - truth) * (f.Angle - truth) / repeats
		d := f.Y*cos - f.X*sin // of the fitted centre from the true line
		offset += d * d / repeats
		statedA += f.VarAngle / repeats
		statedO += f.VarOffset / repeats
	}
	near(t, "variance of the angle", statedA, angle, 0.1)
	near(t, "variance of the offset", statedO, offset, 0.1)
}

func TestFits_RefuseBadPoints(t *testing.T) {
	nan := math.NaN()
	a, b := []float64{1, 2, 3}, []float64{2, 4, 7}
	for name, fit := range map[string]func() error{
		"one point":            func() error { _, err := FitLine([]float64{1}, []float64{1}, nil); return err },
		"lengths differ":       func() error { _, err := FitLine(a, b[:2], nil); return err },
		"not a number":         func() error { _, err := FitLine([]float64{1, nan, 2}, b, nil); return err },
		"same x":               func() error { _, err := FitLine([]float64{1, 1, 1}, b, nil); return err },
		"sigma zero":           func() error { _, err := FitLine(a, b, []float64{1, 0, 1}); return err },
		"sigma infinite":       func() error { _, err := FitLine(a, b, []float64{1, math.Inf(1), 1}); return err },
		"both sigmas zero":     func() error { z := make([]float64, 3); _, err := FitLineErrorsBothWays(a, b, z, z); return err },
		"both ways, no sigmas": func() error { _, err := FitLineErrorsBothWays(a, b, nil, nil); return err },
		"no direction":         func() error { _, err := FitOrthogonal([]float64{0, 1, 1, 0}, []float64{0, 0, 1, 1}, nil); return err },
		"negative weight":      func() error { _, err := FitOrthogonal(a, b, []float64{1, -1, 1}); return err },
		"one point of weight":  func() error { _, err := FitOrthogonal(a, b, []float64{1, 0, 0}); return err },
		"degree too high":      func() error { _, _, _, err := FitPolynomial(a, b, nil, 3); return err },
		"x twice, parabola":    func() error { _, _, _, err := FitPolynomial([]float64{1, 1, 2}, b, nil, 2); return err },
	} {
		if fit() == nil {
			t.Errorf("%s: no error", name)
		}
	}
}
