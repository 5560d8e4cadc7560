package adjust

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// An input of an uncertainty statement: estimate, standard uncertainty, degrees of freedom.
type input struct {
	name     string
	mean, u  float64
	nu, dydx float64 // sensitivity coefficient
}

// propagate puts inputs into an adjustment that has nothing but priors: the law of propagation of uncertainty is the
// variance of a function of its parameters, and the budget is that of the priors.
func propagate(t *testing.T, inputs []input) (u float64, budget []Contribution) {
	t.Helper()
	p := NewProblem()
	var g []Partial
	for _, in := range inputs {
		b := p.Block(in.name, []float64{in.mean})
		p.Prior("prior "+in.name, b, []float64{in.mean}, []float64{in.u})
		g = append(g, Partial{b, []float64{in.dydx}})
	}
	s, err := p.Solve(DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	budget = s.Budget(g, func(name string) string { return name })
	var sum float64
	for i, c := range budget {
		sum += c.Variance
		near(t, "influence of "+c.Name, s.Influence(c.Name, g), c.Variance, 1e-12)
		near(t, "part of "+c.Name, math.Sqrt(c.Variance), math.Abs(inputs[i].dydx*inputs[i].u), 1e-12)
	}
	if len(budget) != len(inputs) {
		t.Fatalf("%d lines in the budget for %d inputs", len(budget), len(inputs))
	}
	near(t, "sum of the budget", sum, s.Variance(g), 1e-12)
	if s.DegreesOfFreedom != 0 || !math.IsNaN(s.VarianceFactor) {
		t.Errorf("priors alone leave no redundancy: %g, variance factor %g", s.DegreesOfFreedom, s.VarianceFactor)
	}
	return math.Sqrt(s.Variance(g)), budget
}

// JCGM 100:2008 H.1: the end gauge, lengths in nm. l = ls + d - ls (da theta + as dt).
func TestBudget_GUMH1(t *testing.T) {
	const ls, theta, as = 50_000_623, -0.1, 11.5e-6
	const nominal = 50_000_000 // the unrounded check value takes the nominal length for the sensitivities
	inf := math.Inf(1)
	inputs := []input{
		{"standard", ls, 25, 18, 1},
		{"d repeatability", 0, 5.8, 24, 1},
		{"d comparator random", 0, 3.9, 5, 1},
		{"d comparator systematic", 0, 6.7, 8, 1},
		{"da", 0, 1e-6 / math.Sqrt(3), 50, -nominal * theta},
		{"dt", 0, 0.05 / math.Sqrt(3), 2, -nominal * as},
		{"as", as, 2e-6 / math.Sqrt(3), inf, 0}, // multiplies dt = 0
		{"theta", theta, 0.41, inf, 0},          // multiplies da = 0
	}
	u, budget := propagate(t, inputs)
	near(t, "combined standard uncertainty", u, 31.6637674, 1e-8)
	if math.Round(u) != 32 {
		t.Errorf("u = %g nm, printed 32", u)
	}
	for i, part := range []float64{25, 5.8, 3.9, 6.7, 2.8868, 16.5988, 0, 0} {
		within(t, budget[i].Name, math.Sqrt(budget[i].Variance), part, 5e-5)
	}
	d := []float64{5.8, 3.9, 6.7}
	near(t, "nu of d", EffectiveDegreesOfFreedom(d, []float64{24, 5, 8}), 25.4472508, 1e-8)
	var parts, nu []float64
	for i, in := range inputs {
		parts, nu = append(parts, math.Sqrt(budget[i].Variance)), append(nu, in.nu)
	}
	// The Guide groups the three parts of d; the formula gives the same.
	near(t, "effective nu", EffectiveDegreesOfFreedom(parts, nu), 16.7521475, 1e-8)
	t99 := StudentT(0.99, math.Floor(EffectiveDegreesOfFreedom(parts, nu)))
	within(t, "t99", t99, 2.92, 0.005)
	within(t, "U99", math.Round(t99*math.Round(u)), 93, 0)
}

// JCGM 100:2008 H.2: five simultaneous readings of voltage, current and phase with correlated means.
func TestJointCovariance_GUMH2(t *testing.T) {
	d := readTable(t, "gum_h2.csv")
	v, i, phi := d.numbers("V_volt"), d.numbers("I_milliampere"), d.numbers("phi_radian")
	n := len(v)
	mean := make([]float64, 3)
	for k := range n {
		for j, x := range []float64{v[k], i[k] / 1000, phi[k]} {
			mean[j] += x / float64(n)
		}
	}
	cov := mat.NewSymDense(3, nil) // of one reading
	for k := range n {
		dev := mat.NewVecDense(3, []float64{v[k] - mean[0], i[k]/1000 - mean[1], phi[k] - mean[2]})
		cov.SymRankOne(cov, 1/float64(n-1), dev)
	}
	var chol mat.Cholesky
	if !chol.Factorize(cov) {
		t.Fatal("covariance of the readings")
	}
	var l, whiten mat.TriDense
	chol.LTo(&l)
	if err := whiten.InverseTri(&l); err != nil {
		t.Fatal(err)
	}
	p := NewProblem()
	b := p.Block("means", []float64{5, 0.02, 1})
	for k := range n {
		z := []float64{v[k], i[k] / 1000, phi[k]}
		p.Residual("reading", 3, func(x [][]float64, r []float64, jac [][]float64) bool {
			for row := range 3 {
				r[row] = 0
				for col := range row + 1 {
					r[row] += whiten.At(row, col) * (x[0][col] - z[col])
					if jac[0] != nil {
						jac[0][row*3+col] = whiten.At(row, col)
					}
				}
			}
			return true
		}, nil, b)
	}
	s, err := p.Solve(DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	m, c := s.Value(b), s.JointCovariance(b)
	r := func(a, b int) float64 { return c.At(a, b) / math.Sqrt(c.At(a, a)*c.At(b, b)) }
	within(t, "V", m[0], 4.9990, 5e-5)
	within(t, "I", m[1], 0.0196610, 5e-8)
	within(t, "phi", m[2], 1.04446, 5e-6)
	within(t, "u(V)", math.Sqrt(c.At(0, 0)), 0.0032094, 5e-8)
	within(t, "u(I)", math.Sqrt(c.At(1, 1)), 9.4710e-6, 5e-11)
	within(t, "u(phi)", math.Sqrt(c.At(2, 2)), 7.5206e-4, 5e-9)
	within(t, "r(V,I)", r(0, 1), -0.355, 5e-4)
	within(t, "r(V,phi)", r(0, 2), 0.858, 5e-4)
	within(t, "r(I,phi)", r(1, 2), -0.645, 5e-4)

	z := m[0] / m[1]
	sin, cos := math.Sincos(m[2])
	grad := [][]float64{
		{cos / m[1], -z * cos / m[1], -z * sin}, // R
		{sin / m[1], -z * sin / m[1], z * cos},  // X
		{1 / m[1], -z / m[1], 0},                // Z
	}
	var u [3]float64
	for k, want := range []float64{0.071, 0.295, 0.236} {
		u[k] = math.Sqrt(s.Variance([]Partial{{b, grad[k]}}))
		within(t, []string{"u(R)", "u(X)", "u(Z)"}[k], u[k], want, 0.001) // the Guide rounded on the way
	}
	within(t, "u(X), unrounded", u[1], 0.2956, 5e-5)
	within(t, "R", z*cos, 127.732, 0.001)
	within(t, "X", z*sin, 219.847, 0.001)
	within(t, "Z", z, 254.260, 0.001)
	for _, pair := range []struct {
		a, b int
		want float64
	}{{0, 1, -0.588}, {0, 2, -0.485}, {1, 2, 0.993}} {
		got := mat.Inner(mat.NewVecDense(3, grad[pair.a]), c, mat.NewVecDense(3, grad[pair.b])) / (u[pair.a] * u[pair.b])
		within(t, fmt.Sprintf("correlation %d,%d", pair.a, pair.b), got, pair.want, 0.001)
	}
}

// JCGM 100:2008 H.3: calibration line of a thermometer, t0 = 20 degC.
func TestFitLine_GUMH3(t *testing.T) {
	d := readTable(t, "gum_h3.csv")
	x := d.numbers("t_k_degC")
	for i := range x {
		x[i] -= 20
	}
	raw, err := FitLine(x, d.numbers("b_k_degC"), nil)
	if err != nil {
		t.Fatal(err)
	}
	l := raw.Scaled()
	within(t, "y1", l.A, -0.17120379, 5e-9)
	within(t, "u(y1)", math.Sqrt(l.VarA), 0.0028776, 5e-8)
	within(t, "y2", l.B, 0.00218270, 5e-9)
	within(t, "u(y2)", math.Sqrt(l.VarB), 0.00066794, 5e-9)
	within(t, "r", l.Cov/math.Sqrt(l.VarA*l.VarB), -0.93043, 5e-6)
	within(t, "s", math.Sqrt(raw.VarianceFactor()), 0.00349756, 5e-9)
	b, u := l.At(10)
	within(t, "b(30)", b, -0.14937681, 5e-9)
	within(t, "u(b(30))", u, 0.00413860, 5e-9)
	if l.DegreesOfFreedom != 9 {
		t.Errorf("degrees of freedom %d, want 9", l.DegreesOfFreedom)
	}
}

// monteCarlo is JCGM 101 in short: mean, standard deviation and sorted values of a function of random inputs.
func monteCarlo(n int, seed uint64, f func(rng *rand.Rand) float64) (mean, sd float64, sorted []float64) {
	rng := rand.New(rand.NewPCG(seed, 101))
	sorted = make([]float64, n)
	for i := range sorted {
		sorted[i] = f(rng)
		mean += sorted[i] / float64(n)
	}
	for _, v := range sorted {
		sd += (v - mean) * (v - mean) / float64(n-1)
	}
	slices.Sort(sorted)
	return mean, math.Sqrt(sd), sorted
}

// half is half the width of the symmetric coverage interval.
func half(sorted []float64, p float64) float64 {
	n := float64(len(sorted))
	return (sorted[int((1+p)/2*n)] - sorted[int((1-p)/2*n)]) / 2
}

// shortest is the shortest interval with a share p of the values.
func shortest(sorted []float64, p float64) (low, high float64) {
	k := int(p * float64(len(sorted)))
	low, high = sorted[0], sorted[len(sorted)-1]
	for i := 0; i+k < len(sorted); i++ {
		if sorted[i+k]-sorted[i] < high-low {
			low, high = sorted[i], sorted[i+k]
		}
	}
	return low, high
}

func rect(rng *rand.Rand, a, b float64) float64 { return a + (b-a)*rng.Float64() }

// curved is a rectangle whose limits are known to +-d only (JCGM 101 6.4.3).
func curved(rng *rand.Rand, a, b, d float64) float64 {
	low := a - d + 2*d*rng.Float64()
	return rect(rng, low, a+b-low)
}

func student(rng *rand.Rand, nu int) float64 {
	var chi float64
	for range nu {
		z := rng.NormFloat64()
		chi += z * z
	}
	return rng.NormFloat64() / math.Sqrt(chi/float64(nu))
}

const draws = 400_000

// JCGM 101:2008 9.2: the sum of four inputs.
func TestVariance_GUMS1AdditiveModel(t *testing.T) {
	r3 := math.Sqrt(3)
	for _, c := range []struct {
		name               string
		u                  [4]float64
		draw               func(rng *rand.Rand, u float64) float64
		linear, gum, exact float64 // u, 95 % half-width by the Guide and by Monte Carlo
		tol                float64
	}{
		{"9.2.2 normal", [4]float64{1, 1, 1, 1}, func(r *rand.Rand, u float64) float64 { return u * r.NormFloat64() }, 2, 3.92, 3.92, 0.005},
		{"9.2.3 rectangular", [4]float64{1, 1, 1, 1}, func(r *rand.Rand, u float64) float64 { return rect(r, -u*r3, u*r3) }, 2, 3.92, 3.88, 0.005},
		{"9.2.4 one large", [4]float64{1, 1, 1, 10}, func(r *rand.Rand, u float64) float64 { return rect(r, -u*r3, u*r3) }, math.Sqrt(103), 19.89, 17.02, 0.005},
	} {
		var in []input
		for i, u := range c.u {
			in = append(in, input{name: fmt.Sprint("x", i), u: u, dydx: 1})
		}
		u, _ := propagate(t, in)
		near(t, c.name+" u", u, c.linear, 1e-12)
		within(t, c.name+" half-width by the Guide", StudentT(0.95, math.Inf(1))*u, c.gum, c.tol)
		_, sd, sorted := monteCarlo(draws, 1, func(rng *rand.Rand) float64 {
			var y float64
			for _, u := range c.u {
				y += c.draw(rng, u)
			}
			return y
		})
		near(t, c.name+" u by Monte Carlo", sd, u, 0.005) // 400 000 draws know it to 0.1 %
		near(t, c.name+" half-width by Monte Carlo", half(sorted, 0.95), c.exact, 0.005)
	}
}

// JCGM 101:2008 9.3: the first order misses most of the uncertainty of this mass calibration, and is known to.
func TestVariance_GUMS1Mass(t *testing.T) {
	r3 := math.Sqrt(3)
	u, _ := propagate(t, []input{
		{name: "mRc", mean: 100_000, u: 0.05, dydx: 1},
		{name: "dm", mean: 1.234, u: 0.02, dydx: 1},
		{name: "air", mean: 1.2, u: 0.1 / r3}, // times 1/8000 - 1/8000
		{name: "weight", mean: 8000, u: 1000 / r3},
		{name: "reference", mean: 8000, u: 50 / r3},
	})
	within(t, "u, first order", u, 0.0539, 5e-5)
	mean, sd, sorted := monteCarlo(draws, 2, func(rng *rand.Rand) float64 {
		m := 100_000 + 0.05*rng.NormFloat64() + 1.234 + 0.02*rng.NormFloat64()
		return m*(1+(rect(rng, 1.1, 1.3)-1.2)*(1/rect(rng, 7000, 9000)-1/rect(rng, 7950, 8050))) - 100_000
	})
	within(t, "mean", mean, 1.2340, 0.0005)
	near(t, "u by Monte Carlo", sd, 0.07546, 0.005)
	low, high := shortest(sorted, 0.95)
	near(t, "width of the 95 % interval", high-low, 0.2991, 0.01)
}

// JCGM 101:2008 9.5: H.1 by Monte Carlo; the Guide's first order gives 32 nm.
func TestVariance_GUMS1GaugeBlock(t *testing.T) {
	mean, sd, sorted := monteCarlo(draws, 3, func(rng *rand.Rand) float64 {
		ls := 50_000_623 + 25*student(rng, 18)
		d := 215 + 6*student(rng, 24) + 4*student(rng, 5) + 7*student(rng, 8)
		theta := -0.1 + 0.2*rng.NormFloat64() + 0.5*math.Sin(2*math.Pi*rng.Float64())
		da, dt := curved(rng, -1e-6, 1e-6, 0.1e-6), curved(rng, -0.05, 0.05, 0.025)
		return ls + d - ls*(da*theta+rect(rng, 9.5e-6, 13.5e-6)*dt) - 50_000_000
	})
	within(t, "mean", mean, 838, 0.5)
	within(t, "u", sd, 35.8, 0.3)
	// JCGM 101 Table 10; the ends of a shortest interval wander, its width does not
	low, high := shortest(sorted, 0.99)
	near(t, "width of the 99 % interval", high-low, 932-744, 0.015)
	within(t, "middle of the 99 % interval", (low+high)/2, 838, 4)
}

// NPL DEM-ES-011 Table 9.2: y = ln x with x rectangular on [0.1, 1.1].
func TestVariance_Logarithm(t *testing.T) {
	u, _ := propagate(t, []input{{name: "x", mean: 0.6, u: 1 / math.Sqrt(12), dydx: 1 / 0.6}})
	within(t, "y by the Guide", math.Log(0.6), -0.511, 5e-4)
	within(t, "u by the Guide", u, 0.481, 5e-4)
	mean, sd, sorted := monteCarlo(draws, 4, func(rng *rand.Rand) float64 { return math.Log(rect(rng, 0.1, 1.1)) })
	within(t, "y by Monte Carlo", mean, -0.665, 0.004)
	near(t, "u by Monte Carlo", sd, 0.606, 0.005)
	low, high := shortest(sorted, 0.95)
	within(t, "low end", low, math.Log(0.15), 0.01)
	within(t, "high end", high, math.Log(1.1), 0.001)
}

// NIST TN 1900 E13: thermal expansion coefficient (L1 - L0)/(L0 (T1 - T0)).
func TestVariance_NISTTN1900E13(t *testing.T) {
	const l0, l1, t0, t1 = 1.4999, 1.5021, 288.15, 373.10
	const alpha = (l1 - l0) / (l0 * (t1 - t0))
	u, _ := propagate(t, []input{
		{name: "L0", mean: l0, u: 1e-4, dydx: -l1 / (l0 * l0 * (t1 - t0))},
		{name: "L1", mean: l1, u: 2e-4, dydx: 1 / (l0 * (t1 - t0))},
		{name: "T0", mean: t0, u: 0.02, dydx: alpha / (t1 - t0)},
		{name: "T1", mean: t1, u: 0.05, dydx: -alpha / (t1 - t0)},
	})
	within(t, "alpha", alpha, 1.7266e-5, 5e-10)
	within(t, "u", u, 1.76e-6, 5e-9)
}
