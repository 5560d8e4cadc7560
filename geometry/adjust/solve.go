package adjust

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/mat"
)

// Options steer Solve.
type Options struct {
	// MaxIterations limits the steps tried, refused ones included.
	MaxIterations int
	// Tolerance ends the iteration: the next Gauss-Newton step would move no linear function of the parameters by
	// more than this part of its own standard deviation. Between 0 and 1e-6.
	Tolerance float64
	// MaxCondition is the largest condition number (columns scaled to length 1, Frobenius norm) that counts as
	// determined; above it Solve returns a *RankError.
	MaxCondition float64
}

// DefaultOptions are right for a measurement.
func DefaultOptions() Options {
	return Options{MaxIterations: 1000, Tolerance: 1e-8, MaxCondition: 1e7}
}

// Validate names the option that makes no sense.
func (o Options) Validate() error {
	switch {
	case o.MaxIterations < 1:
		return fmt.Errorf("adjustment: MaxIterations is %d, must be at least 1", o.MaxIterations)
	case !(o.Tolerance > 0 && o.Tolerance <= 1e-6):
		// A looser one could take parameters on their way to infinity for converged.
		return fmt.Errorf("adjustment: Tolerance is %g, must be above 0 and at most 1e-6", o.Tolerance)
	case !(o.MaxCondition >= 1):
		return fmt.Errorf("adjustment: MaxCondition is %g, must be at least 1", o.MaxCondition)
	}
	return nil
}

// Constants of the trust region, as MINPACK has them (J. J. Moré, B. S. Garbow, K. E. Hillstrom, ANL-80-74, 1980).
const (
	firstRadius = 10   // the first radius is this many times the scaled length of the start values
	leastGain   = 1e-4 // accept a step from this ratio of real to expected reduction on
	poorGain    = 0.25 // shrink below
	goodGain    = 0.75 // grow above
)

// work is a Problem laid out for evaluation. It does not change after newWork but for the values.
type work struct {
	items  []item
	values []float64   // all blocks one behind the other, fixed ones too
	args   [][]float64 // windows into values, as each Func wants them
	offset []int       // of each block in values
	col    []int       // first column of each block, -1 when fixed
	owner  []int       // block of each column
	place  []int       // index in values of each column
	rows   int
	jacLen int
}

type item struct {
	name      string
	f         Func
	loss      Loss
	keep      float64 // consistency of the loss
	m, row    int
	arg, args int    // window into work.args
	parts     []part // free blocks, by column
}

type part struct {
	arg, col, n, at int // argument of the Func, first column, number of columns, place in linearisation.jac
}

// linearisation is the value of all residuals and derivatives at one point.
type linearisation struct {
	x      []float64 // values at this point
	r      []float64
	jac    []float64
	ptr    [][]float64 // windows into jac, nil for fixed blocks
	weight []float64   // per item
	cost   float64     // 1/2 sum rho(s)
	square float64     // sum w s
}

func (p *Problem) layout() *work {
	w := &work{offset: make([]int, len(p.blocks)), col: make([]int, len(p.blocks))}
	for i, b := range p.blocks {
		w.offset[i] = len(w.values)
		w.col[i] = -1
		if !b.fixed {
			w.col[i] = len(w.owner)
			for j := range b.start {
				w.owner = append(w.owner, i)
				w.place = append(w.place, w.offset[i]+j)
			}
		}
		w.values = append(w.values, b.start...)
	}
	var args, parts int
	for _, r := range p.residuals {
		args += len(r.blocks)
	}
	w.items = make([]item, 0, len(p.residuals))
	w.args = make([][]float64, 0, args)
	allParts := make([]part, args)
	var loss Loss
	keep, keepM := 1.0, 0
	for _, r := range p.residuals {
		if r.prior && p.blocks[r.blocks[0]].fixed {
			continue
		}
		if keepM != r.m || !sameLoss(loss, r.loss) {
			loss, keep, keepM = r.loss, consistency(r.loss, r.m), r.m
		}
		it := item{name: r.name, f: r.f, loss: r.loss, keep: keep, m: r.m, row: w.rows, arg: len(w.args), args: len(r.blocks)}
		w.rows += r.m
		first := parts
		for k, b := range r.blocks {
			size := len(p.blocks[b].start)
			w.args = append(w.args, w.values[w.offset[b]:w.offset[b]+size:w.offset[b]+size])
			if w.col[b] >= 0 {
				allParts[parts] = part{arg: k, col: w.col[b], n: size, at: w.jacLen}
				parts++
				w.jacLen += r.m * size
			}
		}
		it.parts = allParts[first:parts:parts]
		slices.SortFunc(it.parts, func(a, b part) int { return a.col - b.col })
		w.items = append(w.items, it)
	}
	return w
}

func (w *work) linearisation() *linearisation {
	e := &linearisation{
		x: make([]float64, len(w.values)), r: make([]float64, w.rows), jac: make([]float64, w.jacLen),
		ptr: make([][]float64, len(w.args)), weight: make([]float64, len(w.items)),
	}
	for i := range w.items {
		it := &w.items[i]
		for _, p := range it.parts {
			e.ptr[it.arg+p.arg] = e.jac[p.at : p.at+it.m*p.n : p.at+it.m*p.n]
		}
	}
	return e
}

// evaluate computes everything at w.values. It returns the index of the first residual that cannot be computed or is
// not finite, or -1.
func (w *work) evaluate(e *linearisation) int {
	copy(e.x, w.values)
	clear(e.jac)
	e.cost, e.square = 0, 0
	for i := range w.items {
		it := &w.items[i]
		r := e.r[it.row : it.row+it.m : it.row+it.m]
		if !it.f(w.args[it.arg:it.arg+it.args], r, e.ptr[it.arg:it.arg+it.args]) {
			return i
		}
		var s, bad float64
		for _, v := range r {
			s += v * v
		}
		for _, p := range it.parts {
			for _, v := range e.jac[p.at : p.at+it.m*p.n] {
				bad += v * 0 // stays 0 unless v is infinite or not a number
			}
		}
		if bad != 0 || math.IsNaN(s) || math.IsInf(s, 0) {
			return i
		}
		rho, weight := s, 1.0
		if it.loss != nil {
			rho, weight = it.loss.Rho(s), it.loss.Weight(s)
			if !(weight >= 0) || math.IsInf(weight, 0) || math.IsNaN(rho) {
				return i
			}
		}
		e.weight[i] = weight
		e.cost += rho / 2
		e.square += weight * s
	}
	return -1
}

// active counts the rows that have any weight.
func (w *work) active(e *linearisation) int {
	rows := 0
	for i := range w.items {
		if e.weight[i] > 0 {
			rows += w.items[i].m
		}
	}
	return rows
}

// Solve adjusts the parameters. The error is nil only when the solution converged to a determined minimum; it is a
// *EvalError, *RankError or *StopError, or says what is wrong with the set-up. A solution that comes with an error is
// for looking at only: it has no covariance.
func (p *Problem) Solve(o Options) (*Solution, error) {
	if p.err != nil {
		return nil, p.err
	}
	if err := o.Validate(); err != nil {
		return nil, err
	}
	w := p.layout()
	n := len(w.owner)
	if n == 0 {
		return nil, errors.New("adjustment: no parameter is free")
	}
	if err := p.unused(w); err != nil {
		return nil, err
	}
	here, there := w.linearisation(), w.linearisation()
	if bad := w.evaluate(here); bad >= 0 {
		return nil, &EvalError{Residual: w.items[bad].name}
	}
	sys := newSystem(n)
	status, iterations, here := w.minimise(sys, here, there, o)
	s := &Solution{
		Status: status, Iterations: iterations, Cost: here.cost, p: slices.Clone(p.blocks), w: w, at: here,
	}
	s.sums()

	if sys.singular || status == Undetermined {
		s.Status, s.Condition = Undetermined, math.Inf(1)
		return s, p.loosest(w, sys, math.Inf(1))
	}
	inv, condition := sys.inverse()
	if !sys.byQR && condition > choleskyCondition {
		sys.refactorQR(w, here)
		inv, condition = sys.inverse()
	}
	s.Condition = condition
	if !(condition <= o.MaxCondition) {
		s.Status = Undetermined
		return s, p.loosest(w, sys, condition)
	}
	if err := status.Err(); err != nil {
		return s, err
	}
	for i := range n { // (J'WJ)^-1 = C^-1 R^-1 R^-T C^-1
		for j := i; j < n; j++ {
			inv[i*n+j] /= sys.c[i]
		}
	}
	root := mat.NewDense(n, n, inv)
	s.cov = mat.NewSymDense(n, nil)
	s.cov.SymOuterK(1, root)
	return s, nil
}

// minimise runs the trust-region iteration. The system is factored at the linearisation it returns.
func (w *work) minimise(sys *system, here, there *linearisation, o Options) (Status, int, *linearisation) {
	n := sys.n
	longest := make([]float64, n) // largest length of each column so far: the scale of its parameter
	d := make([]float64, n)
	x := make([]float64, n)
	var radius, par float64
	for iteration := 0; ; {
		sys.factor(w, here)
		for j := range n {
			if !sys.zero[j] {
				longest[j] = math.Max(longest[j], sys.c[j])
			}
			d[j] = 1
			if longest[j] > 0 {
				d[j] = longest[j] / sys.c[j]
			}
			x[j] = here.x[w.place[j]]
		}
		size := scaledNorm(longest, x)
		if iteration == 0 {
			radius = firstRadius * size
			if size == 0 {
				radius = firstRadius
			}
		}

		// The Gauss-Newton step has the length |Q'b| in units of the a-priori standard deviation. Below the second
		// bound it is rounding: about 1e-16 of the observations themselves.
		sigma := math.Sqrt(here.square / float64(max(1, w.active(here)-n)))
		enough := math.Max(o.Tolerance*sigma, 8*epsilon*size)
		if !sys.singular {
			if blas64.Nrm2(vector(sys.q)) <= enough {
				return Converged, iteration, here
			}
		} else if blas64.Nrm2(vector(sys.grad)) <= enough {
			return Undetermined, iteration, here
		}

		accepted := false
		for !accepted {
			if iteration == o.MaxIterations {
				return IterationLimit, iteration, here
			}
			par = sys.step(d, radius, par)
			length := scaledNorm(d, sys.z)
			if iteration == 0 {
				radius = math.Min(radius, length)
			}
			iteration++
			copy(w.values, here.x)
			moved := false
			for j := range n {
				v := &w.values[w.place[j]]
				was := *v
				*v += sys.z[j] / sys.c[j]
				moved = moved || *v != was
			}
			switch {
			case !moved && par == 0: // the full step is below the rounding of the parameters
				return Converged, iteration, here
			case !moved:
				return Stalled, iteration, here
			}
			if !finite(w.values) || w.evaluate(there) >= 0 {
				radius = 0.25 * math.Min(radius, length)
				par *= 4
				if radius <= epsilon*math.Max(size, 1e-3) {
					return Stalled, iteration, here
				}
				continue
			}
			linear := sys.linearLength()
			expected := linear*linear/2 + par*length*length
			change := here.cost - there.cost
			if expected <= 1e-9*here.square {
				// Rounding of the cost drowns the change; the slopes at both ends still show it (trapezoidal rule).
				change = -(w.slope(here, sys) + w.slope(there, sys)) / 2
			}
			gain := change / expected
			switch {
			case gain < poorGain:
				shrink := 0.5
				if change < 0 {
					slope := linear*linear + par*length*length
					shrink = math.Max(0.1, 0.5*slope/(slope-change))
				}
				radius = shrink * math.Min(radius, 10*length)
				par /= shrink
			case gain > 1-1e-4 && gain < 1+1e-4:
				radius = math.Max(radius, 10*length) // as good as linear
				par = 0
			case par == 0 || gain > goodGain:
				radius = 2 * length
				par /= 2
			}
			accepted = gain >= leastGain
			if !accepted && radius <= epsilon*math.Max(size, 1e-3) {
				return Stalled, iteration, here
			}
		}
		here, there = there, here
	}
}

const epsilon = 0x1p-52

// slope is the derivative of the cost along the step of the system.
func (w *work) slope(e *linearisation, sys *system) float64 {
	var sum float64
	for i := range w.items {
		it := &w.items[i]
		for k, r := range e.r[it.row : it.row+it.m] {
			var dr float64
			for _, p := range it.parts {
				for j, v := range e.jac[p.at+k*p.n : p.at+(k+1)*p.n] {
					dr += v * sys.z[p.col+j] / sys.c[p.col+j]
				}
			}
			sum += e.weight[i] * r * dr
		}
	}
	return sum
}

// unused finds a free block that no residual depends on.
func (p *Problem) unused(w *work) error {
	seen := make([]bool, len(p.blocks))
	for i := range w.items {
		for _, part := range w.items[i].parts {
			seen[w.owner[part.col]] = true
		}
	}
	for i, b := range p.blocks {
		if !b.fixed && !seen[i] {
			return &RankError{Block: b.name, Blocks: []string{b.name}, Condition: math.Inf(1)}
		}
	}
	return nil
}

// loosest describes the direction that the observations determine least.
func (p *Problem) loosest(w *work, sys *system, condition float64) error {
	n := sys.n
	e := &RankError{Condition: condition}
	var svd mat.SVD
	if !svd.Factorize(mat.NewDense(n, n, sys.r), mat.SVDFull) {
		return fmt.Errorf("adjustment: singular value decomposition failed (condition number %.3g)", condition)
	}
	var v mat.Dense
	svd.VTo(&v)
	share := make([]float64, len(p.blocks))
	element := make([]int, len(p.blocks))
	largest := make([]float64, len(p.blocks))
	worst := w.owner[0]
	for j := range n {
		b := w.owner[j]
		f := v.At(j, n-1) * v.At(j, n-1)
		share[b] += f
		if f > largest[b] {
			largest[b], element[b] = f, j-w.col[b]
		}
	}
	for b := range share {
		if share[b] > share[worst]*(1+1e-9) {
			worst = b
		}
	}
	e.Block, e.Element = p.blocks[worst].name, element[worst]
	for b := range share {
		if share[b] >= 0.1*share[worst] {
			e.Blocks = append(e.Blocks, p.blocks[b].name)
		}
	}
	return e
}
