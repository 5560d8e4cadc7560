package adjust

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// row is a linear residual (sum of d_i . x_i - y)/sigma over whole blocks.
func row(y, sigma float64, d ...[]float64) Func {
	return func(x [][]float64, r []float64, jac [][]float64) bool {
		r[0] = -y / sigma
		for i := range d {
			for j, v := range d[i] {
				r[0] += v * x[i][j] / sigma
				if jac[i] != nil {
					jac[i][j] = v / sigma
				}
			}
		}
		return true
	}
}

// addLine adds points of y = a + b x; the block is (a, b).
func addLine(p *Problem, b BlockID, x, y []float64, sigma float64, loss Loss) {
	for i := range x {
		p.Residual(fmt.Sprintf("point %d", i), 1, row(y[i], sigma, []float64{1, x[i]}), loss, b)
	}
}

func mustSolve(t *testing.T, p *Problem) *Solution {
	t.Helper()
	s, err := p.Solve(DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	if s.Status != Converged || s.Status.Early() || s.Status.Err() != nil {
		t.Fatalf("status %v without an error", s.Status)
	}
	return s
}

// A linear problem is the line fit, whatever the start, and unscaled.
func TestSolve_LineIsFitLine(t *testing.T) {
	d := readTable(t, "nist_norris.csv")
	x, y := d.numbers("x"), d.numbers("y")
	sigma := make([]float64, len(x))
	for i := range sigma {
		sigma[i] = 0.9
	}
	want, err := FitLine(x, y, sigma)
	if err != nil {
		t.Fatal(err)
	}
	for _, start := range [][]float64{{0, 0}, {1e6, -1e3}, {-1e-9, 1e-9}} {
		p := NewProblem()
		b := p.Block("line", start)
		addLine(p, b, x, y, 0.9, nil)
		s := mustSolve(t, p)
		v, c := s.Value(b), s.Covariance(b, b)
		near(t, "A", v[0], want.A, 1e-8)
		near(t, "B", v[1], want.B, 1e-11)
		near(t, "variance of A", c.At(0, 0), want.VarA, 1e-10)
		near(t, "covariance", c.At(0, 1), want.Cov, 1e-10)
		near(t, "variance of B", c.At(1, 1), want.VarB, 1e-10)
		near(t, "chi-square", s.ChiSquare, want.ChiSquare, 1e-10)
		if got := p.Value(b); got[0] != start[0] || got[1] != start[1] {
			t.Error("Solve changed the problem")
		}
	}
}

// Two equal observations of one quantity with a prior: weighted mean in closed form.
func TestPrior_WeightedMean(t *testing.T) {
	p := NewProblem()
	b := p.Block("length", []float64{0, 7})
	p.Residual("tape", 1, row(10, 0.5, []float64{1, 0}), nil, b)
	p.Residual("tape", 1, row(11, 0.5, []float64{1, 0}), nil, b)
	p.Prior("prior length", b, []float64{12, 7.5}, []float64{0.25, 2})
	s := mustSolve(t, p)
	// weights 4, 4, 16
	near(t, "mean", s.Value(b)[0], (4*10+4*11+16*12)/24.0, 1e-14)
	near(t, "sd", s.SD(b)[0], 1/math.Sqrt(24), 1e-14)
	near(t, "only a prior", s.Value(b)[1], 7.5, 1e-14)
	near(t, "sd of only a prior", s.SD(b)[1], 2, 1e-14)
	if s.DegreesOfFreedom != 2 {
		t.Errorf("degrees of freedom %g, want 4 - 2", s.DegreesOfFreedom)
	}
	g := []Partial{{b, []float64{1, 0}}}
	near(t, "share of the prior", s.Influence("prior", g), 16.0/24/24, 1e-13)
	near(t, "share of the tape", s.Influence("tape", g), 8.0/24/24, 1e-13)
	info := s.Residuals("prior length")
	if len(info) != 1 || len(info[0].R) != 2 || len(s.Residuals("")) != 3 || s.Residuals("no such") != nil {
		t.Fatalf("residuals %+v", info)
	}
	near(t, "redundancy of the prior", info[0].Redundancy[0], 1-16.0/24, 1e-13)
	within(t, "redundancy of the only one", info[0].Redundancy[1], 0, 1e-13)
}

// sd +Inf, 0 or negative means no prior for that element.
func TestPrior_None(t *testing.T) {
	p := NewProblem()
	b := p.Block("b", []float64{1, 2, 3})
	p.Prior("prior", b, []float64{5, math.NaN(), 5}, []float64{math.Inf(1), 0, -1})
	var rank *RankError
	if _, err := p.Solve(DefaultOptions()); !errors.As(err, &rank) || rank.Block != "b" {
		t.Errorf("got %v, want a RankError for b", err)
	}
	p.Prior("prior", b, []float64{5, 6, 7}, []float64{1, 1, math.Inf(1)})
	p.Residual("third", 1, row(8, 1, []float64{0, 0, 1}), nil, b)
	s := mustSolve(t, p)
	if v := s.Value(b); v[0] != 5 || v[1] != 6 || v[2] != 8 {
		t.Errorf("values %v", v)
	}
}

// A fixed block stays, has no variance, and its prior drops out; freed, it is adjusted.
func TestFix(t *testing.T) {
	x := []float64{0, 1, 2, 3}
	y := []float64{1.1, 2.9, 5.2, 6.8}
	p := NewProblem()
	a := p.Block("a", []float64{1.5})
	b := p.Block("b", []float64{0})
	for i := range x {
		p.Residual("point", 1, row(y[i], 1, []float64{1}, []float64{x[i]}), nil, a, b)
	}
	p.Prior("prior a", a, []float64{9}, []float64{0.1})
	p.Fix(a)
	if p.Dim() != 1 {
		t.Fatalf("dimension %d", p.Dim())
	}
	s := mustSolve(t, p)
	var num, den float64
	for i := range x {
		num += x[i] * (y[i] - 1.5)
		den += x[i] * x[i]
	}
	near(t, "b", s.Value(b)[0], num/den, 1e-13)
	near(t, "sd of b", s.SD(b)[0], 1/math.Sqrt(den), 1e-13)
	if s.Value(a)[0] != 1.5 || s.SD(a)[0] != 0 || s.Covariance(a, b).At(0, 0) != 0 {
		t.Error("the fixed block moved or has a variance")
	}
	if s.DegreesOfFreedom != 3 || len(s.Residuals("prior a")) != 0 {
		t.Errorf("%g degrees of freedom, want 4 - 1", s.DegreesOfFreedom)
	}
	p.Free(a)
	free := mustSolve(t, p)
	// normal equations (4 + 100) a + 6 b = 16 + 900, 6 a + 14 b = 33.7
	near(t, "a, free", free.Value(a)[0], (916*14-6*33.7)/(104*14-36), 1e-13)
	if free.DegreesOfFreedom != 3 {
		t.Errorf("free: %g degrees of freedom, want 5 - 2", free.DegreesOfFreedom)
	}
	joint := free.JointCovariance(b, a)
	if joint.At(0, 1) != free.Covariance(b, a).At(0, 0) || joint.At(1, 1) != free.Covariance(a, a).At(0, 0) {
		t.Error("joint covariance and its blocks disagree")
	}
	p.Set(b, []float64{2})
	if p.Value(b)[0] != 2 {
		t.Error("Set did nothing")
	}
}

// MGH09 has a false minimum at b = (+inf, -14.07, -inf, -inf) with a residual sum of squares of 0.00102734 (NIST, head
// of the data file). Whatever the tolerance and the patience, it must not be called converged.
func TestSolve_NISTMGH09FalseMinimum(t *testing.T) {
	d := readTable(t, "nist_mgh09.csv")
	x, y := d.numbers("x"), d.numbers("y")
	options := map[string]Options{"default": DefaultOptions()}
	for _, n := range []int{5, 10, 15, 20, 25, 30, 35, 40, 50, 1_000_000} {
		for _, tolerance := range []float64{1e-6, 1e-8, 1e-11} {
			o := DefaultOptions()
			o.Tolerance, o.MaxIterations = tolerance, n
			options[fmt.Sprintf("tolerance %g, %d iterations", tolerance, n)] = o
		}
	}
	for _, start := range [][]float64{
		{1e4, -14, -6e5, -3e5}, {100, -14, -6e3, -3e3}, {10, -14, -600, -300}, {1e7, -14.07, -6e8, -3e8},
	} {
		for name, o := range options {
			p := NewProblem()
			b := p.Block("b", start)
			addPoints(p, b, nistModels["MGH09"], x, y, 1)
			s, err := p.Solve(o)
			if err == nil || s == nil || !s.Status.Early() || !math.IsNaN(s.SD(b)[0]) {
				t.Fatalf("%s, start %v: called converged at %v", name, start, s.Value(b))
			}
			if v := s.Value(b); o.MaxIterations > 1000 {
				var rank *RankError
				if !errors.As(err, &rank) {
					t.Errorf("%s, start %v: %v, want a RankError", name, start, err)
				}
				near(t, "sum of squares of the false minimum", s.ChiSquare, 0.00102734, 5e-6)
				within(t, "b2 of the false minimum", v[1], -14.07, 0.01)
			}
		}
	}
}

// At this finite local minimum of MGH09 the full Gauss-Newton step is too long by half, so it only converges when the
// radius still shrinks where rounding hides the change of the cost.
func TestSolve_OvershootBelowRounding(t *testing.T) {
	d := readTable(t, "nist_mgh09.csv")
	p := NewProblem()
	b := p.Block("b", []float64{-1, -1, -1, -1})
	addPoints(p, b, nistModels["MGH09"], d.numbers("x"), d.numbers("y"), 1)
	s := mustSolve(t, p)
	if s.Iterations > 100 {
		t.Errorf("%d iterations", s.Iterations)
	}
	// the gradient of the sum of squares, by differences of the model alone, is zero against its scale
	v, sd := s.Value(b), s.SD(b)
	sum := func(b []float64) (q float64) {
		for i, x := range d.numbers("x") {
			f, _ := nistModels["MGH09"](x, b)
			q += (f - d.numbers("y")[i]) * (f - d.numbers("y")[i])
		}
		return q
	}
	for j := range v {
		h := 1e-4 * sd[j]
		up, down := slices.Clone(v), slices.Clone(v)
		up[j] += h
		down[j] -= h
		if !(sum(up) > s.ChiSquare && sum(down) > s.ChiSquare) {
			t.Errorf("not a minimum in b%d: %.17g, %.17g, %.17g", j+1, sum(down), s.ChiSquare, sum(up))
		}
	}
}

func TestSolve_RankDeficient(t *testing.T) {
	x := []float64{0, 1, 2, 3, 4}
	for _, c := range []struct {
		name   string
		build  func(p *Problem)
		block  string
		blocks []string
	}{
		{"block that nothing observes", func(p *Problem) {
			b, _ := p.Block("line", []float64{0, 0}), p.Block("card 7", []float64{1, 2, 3})
			addLine(p, b, x, x, 1, nil)
		}, "card 7", []string{"card 7"}},
		{"only the sum is observed", func(p *Problem) {
			a, b, c := p.Block("left", []float64{3}), p.Block("right", []float64{1}), p.Block("other", []float64{5})
			for i := range x {
				p.Residual("sum", 1, row(float64(i), 1, []float64{1}, []float64{1}), nil, a, b)
			}
			p.Prior("prior other", c, []float64{4}, []float64{1})
		}, "left", []string{"left", "right"}},
		{"more parameters than rows", func(p *Problem) {
			b := p.Block("parabola", []float64{1, 1, 1})
			p.Residual("row", 1, row(1, 1, []float64{1, 2, 4}), nil, b)
			p.Residual("row", 1, row(2, 1, []float64{1, 3, 9}), nil, b)
		}, "parabola", []string{"parabola"}},
		{"a column of zeros", func(p *Problem) {
			a, b := p.Block("seen", []float64{1}), p.Block("unseen", []float64{1, 1})
			for i := range x {
				p.Residual("row", 1, row(float64(i), 1, []float64{1}, []float64{x[i], 0}), nil, a, b)
			}
		}, "unseen", []string{"unseen"}},
		{"all but determined", func(p *Problem) {
			a, b := p.Block("offset", []float64{0}), p.Block("slope", []float64{0})
			for i := range x {
				p.Residual("row", 1, row(float64(i), 1, []float64{1}, []float64{1 + 1e-9*x[i]}), nil, a, b)
			}
		}, "offset", []string{"offset", "slope"}},
		{"rotation of a network", func(p *Problem) { // distances alone leave place and turn open
			var pts []BlockID
			for i, at := range [][]float64{{0, 0}, {10, 1}, {4, 8}} {
				pts = append(pts, p.Block(fmt.Sprint("point ", i), at))
			}
			for i := range pts {
				a, b := pts[i], pts[(i+1)%3]
				p.Residual("distance", 1, distance(9), nil, a, b)
			}
		}, "", nil},
	} {
		p := NewProblem()
		c.build(p)
		s, err := p.Solve(DefaultOptions())
		var rank *RankError
		if !errors.As(err, &rank) {
			t.Errorf("%s: error %v, want a RankError", c.name, err)
			continue
		}
		if c.block != "" && (rank.Block != c.block || !slices.Equal(rank.Blocks, c.blocks)) {
			t.Errorf("%s: names %q and %q, want %q and %q", c.name, rank.Block, rank.Blocks, c.block, c.blocks)
		}
		if !(rank.Condition > 1e7) || !strings.Contains(err.Error(), rank.Block) {
			t.Errorf("%s: condition %g, message %q", c.name, rank.Condition, err)
		}
		if s != nil && (s.Status != Undetermined || !math.IsNaN(s.SD(0)[0]) ||
			!math.IsNaN(s.Variance(nil)) || !math.IsNaN(s.Residuals("")[0].Redundancy[0])) {
			t.Errorf("%s: status %v, a covariance in spite of it", c.name, s.Status)
		}
	}
}

// distance is the residual of a measured distance between two points.
func distance(d float64) Func {
	return func(x [][]float64, r []float64, jac [][]float64) bool {
		dx, dy := x[0][0]-x[1][0], x[0][1]-x[1][1]
		l := math.Hypot(dx, dy)
		if l == 0 {
			return false
		}
		r[0] = l - d
		for i, sign := range []float64{1, -1} {
			if jac[i] != nil {
				jac[i][0], jac[i][1] = sign*dx/l, sign*dy/l
			}
		}
		return true
	}
}

// The same network becomes determined when its datum is chosen: one point and a direction held.
func TestSolve_NetworkWithDatum(t *testing.T) {
	p := NewProblem()
	a, b, c := p.Block("a", []float64{0, 0}), p.Block("b", []float64{9, 0}), p.Block("c", []float64{4, 6})
	p.Fix(a)
	p.Prior("datum", b, []float64{0, 0}, []float64{0, 1e-3})
	for _, pair := range []struct {
		from, to BlockID
		d        float64
	}{{a, b, 10}, {b, c, 8}, {c, a, 6}} {
		p.Residual("distance", 1, distance(pair.d), nil, pair.from, pair.to)
	}
	s := mustSolve(t, p)
	// right angle at c: 6-8-10
	within(t, "b", s.Value(b)[0], 10, 1e-9)
	within(t, "c x", s.Value(c)[0], 3.6, 1e-9)
	within(t, "c y", s.Value(c)[1], 4.8, 1e-9)
	if s.DegreesOfFreedom != 0 || !math.IsNaN(s.VarianceFactor) {
		t.Errorf("no redundancy, but %g, variance factor %g", s.DegreesOfFreedom, s.VarianceFactor)
	}
}

// A residual that cannot be computed at the start is named; on the way the step is refused and the minimum found.
func TestSolve_FuncReturningFalse(t *testing.T) {
	// y = ln b has the minimum at b = e^2; the Gauss-Newton step from 20 goes below 0
	logarithm := func(x [][]float64, r []float64, jac [][]float64) bool {
		if x[0][0] <= 0 {
			return false
		}
		r[0] = math.Log(x[0][0]) - 2
		if jac[0] != nil {
			jac[0][0] = 1 / x[0][0]
		}
		return true
	}
	p := NewProblem()
	b := p.Block("b", []float64{100})
	p.Residual("logarithm", 1, logarithm, nil, b)
	s := mustSolve(t, p)
	near(t, "b", s.Value(b)[0], math.Exp(2), 1e-7)
	if s.Iterations < 3 {
		t.Errorf("%d iterations: no step was refused", s.Iterations)
	}

	p.Set(b, []float64{-1})
	_, err := p.Solve(DefaultOptions())
	var eval *EvalError
	if !errors.As(err, &eval) || eval.Residual != "logarithm" || !strings.Contains(err.Error(), "logarithm") {
		t.Errorf("got %v", err)
	}
	for name, f := range map[string]Func{
		"not a number": func(_ [][]float64, r []float64, _ [][]float64) bool { r[0] = math.NaN(); return true },
		"infinite":     func(_ [][]float64, r []float64, _ [][]float64) bool { r[0] = math.Inf(1); return true },
		"bad derivative": func(_ [][]float64, r []float64, jac [][]float64) bool {
			r[0], jac[0][0] = 1, math.NaN()
			return true
		},
	} {
		q := NewProblem()
		q.Residual(name, 1, f, nil, q.Block("b", []float64{1}))
		if _, err := q.Solve(DefaultOptions()); !errors.As(err, &eval) || eval.Residual != name {
			t.Errorf("%s: got %v", name, err)
		}
	}
}

// A wrong Jacobian, or an iteration cut short, is no success.
func TestSolve_StopsThatAreNoSuccess(t *testing.T) {
	d := readTable(t, "nist_misra1a.csv")
	p := NewProblem()
	b := p.Block("b", []float64{500, 0.0001})
	addPoints(p, b, nistModels["Misra1a"], d.numbers("x"), d.numbers("y"), 1)
	o := DefaultOptions()
	o.MaxIterations = 3
	s, err := p.Solve(o)
	var stop *StopError
	if !errors.As(err, &stop) || stop.Status != IterationLimit || s.Status != IterationLimit || s.Iterations != 3 {
		t.Errorf("cut short: %v, status %v", err, s.Status)
	}
	if !math.IsNaN(s.SD(b)[0]) || !math.IsNaN(s.Variance([]Partial{{b, []float64{1, 0}}})) {
		t.Error("a covariance in spite of the error")
	}

	wrong := NewProblem()
	c := wrong.Block("c", []float64{3})
	wrong.Residual("uphill", 1, func(x [][]float64, r []float64, jac [][]float64) bool {
		r[0] = x[0][0] + 10
		if jac[0] != nil {
			jac[0][0] = -1
		}
		return true
	}, nil, c)
	s, err = wrong.Solve(DefaultOptions())
	if !errors.As(err, &stop) || !s.Status.Early() {
		t.Errorf("wrong Jacobian: %v", err)
	}
	for _, status := range []Status{NotStarted, IterationLimit, Stalled, Undetermined, Status(99)} {
		if !status.Early() || status.Err() == nil || status.String() == "" || status.String() == Converged.String() {
			t.Errorf("status %d must count as early", status)
		}
	}
}

// Exact observations: the rounding floor ends the iteration, at the truth.
func TestSolve_ExactObservations(t *testing.T) {
	truth := []float64{1.554, 4.089, 451.54}
	p := NewProblem()
	b := p.Block("b", []float64{1.5, 5, 450})
	for x := 400.0; x <= 500; x += 3 {
		y, _ := nistModels["Eckerle4"](x, truth)
		p.Residual("point", 1, pointResidual(nistModels["Eckerle4"], x, y, 1e-6), nil, b)
	}
	s := mustSolve(t, p)
	for i := range truth {
		near(t, "b", s.Value(b)[i], truth[i], 1e-12)
	}
	if s.Iterations > 20 {
		t.Errorf("%d iterations", s.Iterations)
	}
}

// Whatever the units of the parameters, the adjusted values and their standard deviations follow.
func TestSolve_UnitsOfParameters(t *testing.T) {
	d := readTable(t, "nist_mgh17.csv")
	x, y := d.numbers("x"), d.numbers("y")
	f := nistModels["MGH17"]
	unit := []float64{1e6, 1e-6, 1e3, 1e-9, 1}
	start := []float64{0.5, 1.5, -1, 0.01, 0.02}
	scaled := func(x float64, b []float64) (float64, []float64) {
		inside := make([]float64, len(b))
		for j := range b {
			inside[j] = b[j] * unit[j]
		}
		y, dy := f(x, inside)
		for j := range dy {
			dy[j] *= unit[j]
		}
		return y, dy
	}
	p, q := NewProblem(), NewProblem()
	b := p.Block("b", start)
	for j := range start {
		start[j] /= unit[j]
	}
	c := q.Block("b", start)
	addPoints(p, b, f, x, y, 1e-3)
	addPoints(q, c, scaled, x, y, 1e-3)
	s, u := mustSolve(t, p), mustSolve(t, q)
	for j := range unit {
		near(t, "value", u.Value(c)[j]*unit[j], s.Value(b)[j], 1e-8)
		near(t, "sd", u.SD(c)[j]*unit[j], s.SD(b)[j], 1e-8)
	}
	near(t, "condition", u.Condition, s.Condition, 1e-6)
}

// QR and Cholesky are two ways to the same answer; a problem large enough for Cholesky is cut into ones that are not.
func TestSolve_CholeskyAgreesWithQR(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	const n, m = 12, 900
	design := make([][]float64, m)
	y := make([]float64, m)
	for i := range design {
		design[i] = make([]float64, n)
		for j := range design[i] {
			design[i][j] = rng.NormFloat64() * math.Pow(10, float64(j-6))
		}
		y[i] = rng.NormFloat64()
	}
	p := NewProblem()
	var blocks []BlockID
	for k := range 3 {
		blocks = append(blocks, p.Block(fmt.Sprint("block ", k), make([]float64, 4)))
	}
	for i := range y {
		// blocks in another order than their columns
		p.Residual("row", 1, row(y[i], 1, design[i][8:], design[i][:4], design[i][4:8]), nil, blocks[2], blocks[0], blocks[1])
	}
	if m*n*n <= alwaysQR {
		t.Fatal("the problem is too small to use Cholesky")
	}
	s := mustSolve(t, p)
	a := mat.NewDense(m, n, nil)
	for i := range design {
		a.SetRow(i, design[i])
	}
	var qr mat.QR
	qr.Factorize(a)
	var want mat.VecDense
	if err := qr.SolveVecTo(&want, false, mat.NewVecDense(m, y)); err != nil {
		var ill mat.Condition
		if !errors.As(err, &ill) { // raw columns are badly scaled on purpose
			t.Fatal(err)
		}
	}
	joint := s.JointCovariance(blocks...)
	var normal, product mat.Dense
	normal.Mul(a.T(), a)
	product.Mul(&normal, joint)
	for j := range n {
		near(t, fmt.Sprint("parameter ", j), s.Value(blocks[j/4])[j%4], want.AtVec(j), 1e-9)
		near(t, "N N^-1", product.At(j, j), 1, 1e-9)
	}
	near(t, "influence of all", s.Influence("row", []Partial{{blocks[1], []float64{1, 2, 3, 4}}}),
		s.Variance([]Partial{{blocks[1], []float64{1, 2, 3, 4}}}), 1e-10)
}

// Kahan's matrix hides its condition from the pivots (W. Kahan, Canadian Math. Bull. 9 (1966) 757): Cholesky takes it,
// and the covariance must still come out as back substitution of the triangle itself has it.
func TestSolve_HiddenCondition(t *testing.T) {
	const n, rows, s = 20, 160, 0.75
	c := math.Sqrt(1 - s*s)
	r := mat.NewTriDense(n, mat.Upper, nil)
	p := NewProblem()
	b := p.Block("b", make([]float64, n))
	for i := range rows {
		line := make([]float64, n)
		if i < n {
			for j := i; j < n; j++ {
				line[j] = -c * math.Pow(s, float64(i))
			}
			line[i] = math.Pow(s, float64(i))
			for j := i; j < n; j++ {
				r.SetTri(i, j, line[j])
			}
		}
		p.Residual("row", 1, row(1, 1, line), nil, b)
	}
	sol := mustSolve(t, p)
	if rows*n*n <= alwaysQR || math.Pow(s, n-1) < leastPivot || sol.Condition < choleskyCondition {
		t.Fatalf("condition %g: the case tests nothing", sol.Condition)
	}
	var inv mat.TriDense
	if err := inv.InverseTri(r); err != nil {
		t.Fatal(err)
	}
	var want mat.Dense
	want.Mul(&inv, inv.T())
	got := sol.Covariance(b, b)
	for i := range n {
		near(t, fmt.Sprint("variance ", i), got.At(i, i), want.At(i, i), 1e-8)
		near(t, fmt.Sprint("covariance with the last ", i), got.At(i, n-1), want.At(i, n-1), 1e-8)
	}
}

func TestProblem_MistakesAreErrors(t *testing.T) {
	ok := row(1, 1, []float64{1})
	for name, build := range map[string]func(p *Problem){
		"empty block":           func(p *Problem) { p.Block("b", nil) },
		"start not a number":    func(p *Problem) { p.Block("b", []float64{math.NaN()}) },
		"no rows":               func(p *Problem) { p.Residual("r", 0, ok, nil, p.Block("b", []float64{1})) },
		"no function":           func(p *Problem) { p.Residual("r", 1, nil, nil, p.Block("b", []float64{1})) },
		"no such block":         func(p *Problem) { p.Residual("r", 1, ok, nil, 5) },
		"block twice":           func(p *Problem) { b := p.Block("b", []float64{1}); p.Residual("r", 1, ok, nil, b, b) },
		"prior of wrong length": func(p *Problem) { p.Prior("r", p.Block("b", []float64{1}), []float64{1, 2}, []float64{1, 2}) },
		"prior of no block":     func(p *Problem) { p.Prior("r", 3, []float64{1}, []float64{1}) },
		"prior mean infinite":   func(p *Problem) { p.Prior("r", p.Block("b", []float64{1}), []float64{math.Inf(1)}, []float64{1}) },
		"prior sd not a number": func(p *Problem) { p.Prior("r", p.Block("b", []float64{1}), []float64{1}, []float64{math.NaN()}) },
		"set of wrong length":   func(p *Problem) { p.Set(p.Block("b", []float64{1}), []float64{1, 2}) },
		"nothing":               func(p *Problem) {},
		"everything fixed":      func(p *Problem) { b := p.Block("b", []float64{1}); p.Residual("r", 1, ok, nil, b); p.Fix(b) },
	} {
		p := NewProblem()
		build(p)
		if s, err := p.Solve(DefaultOptions()); err == nil || s != nil {
			t.Errorf("%s: no error", name)
		}
	}
	p := NewProblem()
	p.Residual("r", 1, ok, nil, p.Block("b", []float64{1}))
	for _, o := range []Options{{}, {0, 1e-8, 1e7}, {10, 0, 1e7}, {10, 0.1, 1e7}, {10, math.NaN(), 1e7}, {10, 1e-8, 0}} {
		if _, err := p.Solve(o); err == nil {
			t.Errorf("options %+v: no error", o)
		}
	}
}

func TestCheckJacobian_FindsMistakes(t *testing.T) {
	good := pointResidual(nistModels["Rat43"], 5, 600, 3)
	at := []float64{700, 5, 0.76, 1.28}
	if rel, compared, err := CheckJacobian(good, 1, [][]float64{at}); err != nil || rel > 1e-8 || compared != 4 {
		t.Errorf("right Jacobian: off by %g, %d compared, %v", rel, compared, err)
	}
	for j := range at {
		bad := func(x [][]float64, r []float64, jac [][]float64) bool {
			ok := good(x, r, jac)
			if jac[0] != nil {
				jac[0][j] *= 1.001
			}
			return ok
		}
		if rel, _, err := CheckJacobian(bad, 1, [][]float64{at}); err != nil || rel < 9e-4 {
			t.Errorf("derivative %d wrong by 0.1 %%: found %g, %v", j, rel, err)
		}
	}
	for name, f := range map[string]Func{
		"constant":  func(_ [][]float64, r []float64, _ [][]float64) bool { r[0] = 1; return true },
		"zero":      func(_ [][]float64, r []float64, _ [][]float64) bool { r[0] = 0; return true },
		"false":     func(_ [][]float64, _ []float64, _ [][]float64) bool { return false },
		"other r":   func(_ [][]float64, r []float64, jac [][]float64) bool { r[0] = float64(len(jac[0])); return true },
		"near edge": func(x [][]float64, r []float64, _ [][]float64) bool { r[0] = x[0][0]; return x[0][0] <= 700 },
	} {
		if _, compared, err := CheckJacobian(f, 1, [][]float64{at}); err == nil || compared != 0 {
			t.Errorf("%s: %d compared and no error", name, compared)
		}
	}
}

func TestLoss_WeightIsDerivativeOfRho(t *testing.T) {
	for name, l := range map[string]Loss{"Huber": Huber(1.345), "Tukey": Tukey(4.685), "Cauchy": Cauchy(2.385)} {
		last := 1.0
		for s := 0.0; s < 60; s += 0.37 {
			const h = 1e-5
			if s > h {
				within(t, fmt.Sprintf("%s, derivative at %g", name, s), l.Weight(s), (l.Rho(s+h)-l.Rho(s-h))/(2*h), 1e-6)
			}
			if w := l.Weight(s); w > last || w < 0 {
				t.Errorf("%s: weight %g at %g after %g", name, w, s, last)
			} else {
				last = w
			}
		}
		near(t, name+" at 0", l.Weight(0), 1, 1e-15)
		near(t, name+" near 0", l.Rho(1e-8), 1e-8, 1e-6)
	}
	// Huber in closed form, one coordinate: E[psi(x) x] = 2 Phi(k) - 1 (Stein's lemma)
	const k = 1.345
	near(t, "consistency", consistency(Huber(k), 1), 2*distuv.UnitNormal.CDF(k)-1, 1e-3)
	near(t, "consistency without a loss", consistency(nil, 3), 1, 0)
	near(t, "consistency of a wide loss, many rows", consistency(Huber(1e9), 4000), 1, 1e-12)
}

// JCGM 101 against the linear covariance: the whole adjustment is repeated with new errors, those of the priors too.
// 3000 repeats know a standard deviation to 1.3 % and a rate of 95 % to 0.4 %.
func TestSolve_MonteCarloAgainstCovariance(t *testing.T) {
	const repeats = 3000
	truth := []float64{1.5543827178, 4.0888321754, 451.54121844}
	priorSD := []float64{0.05, math.Inf(1), 0.4}
	f := nistModels["Eckerle4"]
	rng := rand.New(rand.NewPCG(2024, 5))
	var scatter, stated [3]float64
	var inside [3]int
	var factor, chiInside float64
	for range repeats {
		p := NewProblem()
		b := p.Block("b", []float64{1.5, 4, 451})
		const sigma = 0.02
		for x := 430.0; x <= 470; x += 1 {
			y, _ := f(x, truth)
			p.Residual("point", 1, pointResidual(f, x, y+sigma*rng.NormFloat64(), sigma), nil, b)
		}
		mean := make([]float64, 3)
		for j := range mean {
			if !math.IsInf(priorSD[j], 1) {
				mean[j] = truth[j] + priorSD[j]*rng.NormFloat64()
			}
		}
		p.Prior("prior", b, mean, priorSD)
		s := mustSolve(t, p)
		v, sd := s.Value(b), s.SD(b)
		for j := range truth {
			d := v[j] - truth[j]
			scatter[j] += d * d / repeats
			stated[j] += sd[j] * sd[j] / repeats
			if math.Abs(d) <= StudentT(0.95, math.Inf(1))*sd[j] {
				inside[j]++
			}
		}
		factor += s.VarianceFactor / repeats
		if q := ChiSquareAbove(s.ChiSquare, s.DegreesOfFreedom); q > 0.025 && q < 0.975 {
			chiInside += 1.0 / repeats
		}
	}
	for j := range truth {
		near(t, fmt.Sprintf("sd of b%d", j+1), math.Sqrt(stated[j]), math.Sqrt(scatter[j]), 0.05)
		within(t, fmt.Sprintf("share of b%d inside", j+1), float64(inside[j])/repeats, 0.95, 0.015)
	}
	near(t, "mean variance factor", factor, 1, 0.02)
	within(t, "share of chi-square inside", chiInside, 0.95, 0.015)
}

// Robust losses: on clean normal errors the variance factor and the standard deviations stay true; with one
// observation in ten wrong by 15 to 50 sigma the line stays within what it states, where least squares is far off.
func TestSolve_RobustLosses(t *testing.T) {
	const repeats, n = 600, 80
	for _, c := range []struct {
		name        string
		loss        Loss
		wrongFactor float64 // largest mean variance factor with outliers
	}{{"Huber", Huber(1.345), 8}, {"Tukey", Tukey(4.685), 1.1}, {"Cauchy", Cauchy(2.385), 2.2}} {
		for _, outliers := range []bool{false, true} {
			rng := rand.New(rand.NewPCG(99, 4))
			var factor, scatter, stated, plain float64
			for range repeats {
				x, y := make([]float64, n), make([]float64, n)
				for i := range x {
					x[i] = float64(i)/n - 0.5
					y[i] = 2 + 3*x[i] + 0.1*rng.NormFloat64()
					if outliers && i%10 == 3 {
						y[i] += 0.1 * (15 + 35*rng.Float64())
					}
				}
				p, q := NewProblem(), NewProblem()
				b, bq := p.Block("line", []float64{0, 0}), q.Block("line", []float64{0, 0})
				addLine(q, bq, x, y, 0.1, nil)
				ls := mustSolve(t, q)
				if c.name == "Tukey" { // start it from a safe place
					h := NewProblem()
					bh := h.Block("line", []float64{0, 0})
					addLine(h, bh, x, y, 0.1, Huber(1.345))
					p.Set(b, mustSolve(t, h).Value(bh))
				}
				addLine(p, b, x, y, 0.1, c.loss)
				s := mustSolve(t, p)
				factor += s.VarianceFactor / repeats
				d := s.Value(b)[0] - 2
				scatter += d * d / repeats
				stated += s.SD(b)[0] * s.SD(b)[0] / repeats
				d = ls.Value(bq)[0] - 2
				plain += d * d / repeats
			}
			what := fmt.Sprintf("%s, outliers %v: ", c.name, outliers)
			t.Logf("%svariance factor %.3f, sd stated %.4f, scatter %.4f, least squares %.4f",
				what, factor, math.Sqrt(stated), math.Sqrt(scatter), math.Sqrt(plain))
			if !outliers {
				near(t, what+"variance factor", factor, 1, 0.03)
				near(t, what+"sd", math.Sqrt(stated), math.Sqrt(scatter), 0.08)
				continue
			}
			if !(factor > 0.9 && factor < c.wrongFactor) {
				t.Errorf("%svariance factor %g", what, factor)
			}
			if scaled := math.Sqrt(stated * factor); !(scaled > 0.95*math.Sqrt(scatter)) {
				t.Errorf("%sscaled sd %g, scatter %g", what, scaled, math.Sqrt(scatter))
			}
			if !(math.Sqrt(plain) > 0.25) || !(math.Sqrt(scatter) < 0.2*math.Sqrt(plain)) {
				t.Errorf("%sscatter %g, least squares %g", what, math.Sqrt(scatter), math.Sqrt(plain))
			}
		}
	}
}

// Tukey's loss started so far away that every observation has weight 0 finds nothing, and says so.
func TestSolve_TukeyTooFarAway(t *testing.T) {
	p := NewProblem()
	b := p.Block("line", []float64{1000, 0})
	addLine(p, b, []float64{0, 1, 2, 3}, []float64{0, 1, 2, 3}, 0.1, Tukey(4.685))
	s, err := p.Solve(DefaultOptions())
	var rank *RankError
	if !errors.As(err, &rank) || s.Status != Undetermined || s.DegreesOfFreedom != -2 {
		t.Errorf("%v, %+v", err, s)
	}
}

// One gross error in a clean set: its normalised residual is the largest, and Tukey's weight for it is 0.
func TestResiduals_FindTheOutlier(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 9))
	var x, y []float64
	for i := range 30 {
		x, y = append(x, float64(i)), append(y, 5-0.2*float64(i)+0.05*rng.NormFloat64())
	}
	y[29] += 0.5 // at the end, where leverage hides it best
	for _, loss := range []Loss{nil, Tukey(4.685)} {
		p := NewProblem()
		b := p.Block("line", []float64{5, -0.2})
		addLine(p, b, x, y, 0.05, loss)
		s := mustSolve(t, p)
		var worst string
		var largest, redundancy float64
		for _, info := range s.Residuals("point") {
			redundancy += info.Redundancy[0]
			if w := math.Abs(info.R[0]) / math.Sqrt(info.Redundancy[0]); w > largest {
				worst, largest = info.Name, w
			}
			if loss != nil && (info.Name == "point 29") != (info.Weight == 0) {
				t.Errorf("%s has weight %g", info.Name, info.Weight)
			}
		}
		if worst != "point 29" || largest < 5 {
			t.Errorf("worst is %s with %g", worst, largest)
		}
		near(t, "sum of redundancies", redundancy, 28, 1e-10)
		want := 28.0
		if loss != nil {
			want = 27 // the rejected one does not count
		}
		if s.DegreesOfFreedom != want {
			t.Errorf("degrees of freedom %g, want %g", s.DegreesOfFreedom, want)
		}
	}
}

// photoSized is a problem of the size of one photo's: 500 corners on three cards, 25 parameters.
func photoSized() *Problem {
	rng := rand.New(rand.NewPCG(5, 5))
	m := lensModels[0]
	p := NewProblem()
	lens := p.Block("lens", []float64{3000, 3000, 2000, 1500, 0, 0, 0, 0, 0})
	pose := p.Block("pose", []float64{0.5, 0.1, -0.2, -400, -300, 1200})
	truth := [][]float64{{3100, 3100, 2010, 1490, 0.1, -0.2, 0.001, 0, 0.1}, {0.55, 0.12, -0.22, -410, -310, 1230}}
	var cards []BlockID
	for range 3 {
		cards = append(cards, p.Block("card", make([]float64, 3)))
	}
	extra := p.Block("scale", []float64{0.5})
	none := [][]float64{nil, nil}
	for i := range 500 {
		c := corner{x: 1000 * rng.Float64(), y: 600 * rng.Float64()}
		r := make([]float64, 2)
		cornerResidual(m, c, 1)(truth, r, none)
		c.u, c.v = r[0]+0.1*rng.NormFloat64(), r[1]+0.1*rng.NormFloat64()
		base := cornerResidual(m, c, 0.1)
		p.Residual("corner", 2, func(x [][]float64, r []float64, jac [][]float64) bool {
			ok := base(x[:2], r, jac[:2])
			for k := range 3 {
				r[k%2] += x[2][k] * 1e-3 * c.x
				if jac[2] != nil {
					jac[2][(k%2)*3+k] = 1e-3 * c.x
				}
			}
			r[0] += 1e-3 * x[3][0] * c.y
			if jac[3] != nil {
				jac[3][0] = 1e-3 * c.y
			}
			return ok
		}, Huber(2.5), lens, pose, cards[i%3], extra)
	}
	p.Prior("prior lens", lens, []float64{3000, 3000, 2000, 1500, 0, 0, 0, 0, 0}, []float64{90, 90, 40, 40, 0.3, 0.3, 0.002, 0.002, 0.3})
	for _, c := range cards {
		p.Prior("prior card", c, []float64{0, 0, 0}, []float64{1, 1, 1})
	}
	p.Prior("prior scale", extra, []float64{0}, []float64{1})
	return p
}

// Thirteen photos, 1404 rows and 87 parameters.
func BenchmarkSolve_Calibration(b *testing.B) {
	photos, names := readCorners(b)
	p, _, _ := cameraProblem(b, lensModels[0], photos, names, 0.15)
	b.ReportAllocs()
	for b.Loop() {
		s, err := p.Solve(DefaultOptions())
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(s.Iterations), "iterations")
	}
}

func BenchmarkSolve_OnePhoto(b *testing.B) {
	p := photoSized()
	b.ReportAllocs()
	for b.Loop() {
		s, err := p.Solve(DefaultOptions())
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(s.Iterations), "iterations")
	}
}
