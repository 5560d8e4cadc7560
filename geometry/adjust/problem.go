package adjust

import (
	"fmt"
	"math"
)

// BlockID names a parameter block of one Problem.
type BlockID int

// Func computes one whitened residual block. x[i] holds the values of the i-th block given to Residual (not to be
// kept or changed), r has the length m to be filled. jac[i] is nil when it is not wanted, otherwise it arrives
// zeroed and takes d r / d x[i], row-major, m rows by len(x[i]) columns.
//
// A Func returns false when the residual cannot be computed, for example with a point behind the camera: the step
// that led there is then refused. It must not put zero instead. The same x must always give the same r.
type Func func(x [][]float64, r []float64, jac [][]float64) bool

// Problem collects parameter blocks and residual blocks. Mistakes in setting it up are kept and returned by Solve.
// A Problem is not for concurrent use.
type Problem struct {
	blocks    []block
	residuals []residual
	err       error // the first mistake
}

type block struct {
	name  string
	start []float64
	fixed bool
}

type residual struct {
	name   string
	m      int
	f      Func
	loss   Loss
	blocks []BlockID
	prior  bool
}

// NewProblem returns an empty problem.
func NewProblem() *Problem { return &Problem{} }

// Block adds a parameter block and copies its start values.
func (p *Problem) Block(name string, start []float64) BlockID {
	if len(start) == 0 {
		p.fail("block %q has no parameters", name)
	}
	if !finite(start) {
		p.fail("block %q has a start value that is not a finite number: %v", name, start)
	}
	p.blocks = append(p.blocks, block{name: name, start: append([]float64(nil), start...)})
	return BlockID(len(p.blocks) - 1)
}

// Fix holds a whole block at its start values. Priors on it then drop out.
func (p *Problem) Fix(b BlockID) { p.blocks[b].fixed = true }

// Free undoes Fix.
func (p *Problem) Free(b BlockID) { p.blocks[b].fixed = false }

// Set replaces the start values of a block, for example by those of an earlier solution.
func (p *Problem) Set(b BlockID, start []float64) {
	k := &p.blocks[b]
	if len(start) != len(k.start) || !finite(start) {
		p.fail("block %q: start values %v do not fit %d finite parameters", k.name, start, len(k.start))
		return
	}
	copy(k.start, start)
}

// Value returns a copy of a block's start values. Solve leaves them alone; results are in the Solution.
func (p *Problem) Value(b BlockID) []float64 { return append([]float64(nil), p.blocks[b].start...) }

// Dim is the number of parameters that are not held fixed.
func (p *Problem) Dim() int {
	n := 0
	for _, b := range p.blocks {
		if !b.fixed {
			n += len(b.start)
		}
	}
	return n
}

// Residual adds a residual block of m rows that depends on the given blocks. A nil loss means plain least squares.
// Names need not be unique; a common prefix makes a group for Solution.Residuals, Influence and Budget.
func (p *Problem) Residual(name string, m int, f Func, loss Loss, blocks ...BlockID) {
	p.add(residual{name: name, m: m, f: f, loss: loss, blocks: blocks})
}

// Prior adds pseudo-observations of a block: the i-th parameter was found to be mean[i] with standard deviation
// sd[i]. An element with sd +Inf or not above 0 has no prior.
func (p *Problem) Prior(name string, b BlockID, mean, sd []float64) {
	if b < 0 || int(b) >= len(p.blocks) {
		p.fail("prior %q: no such block", name)
		return
	}
	dim := len(p.blocks[b].start)
	if len(mean) != dim || len(sd) != dim {
		p.fail("prior %q: %d means and %d standard deviations for the %d parameters of block %q",
			name, len(mean), len(sd), dim, p.blocks[b].name)
		return
	}
	var at []int
	var mu, sigma []float64
	for i := range dim {
		if math.IsNaN(sd[i]) {
			p.fail("prior %q: standard deviation %d is not a number", name, i)
			return
		}
		if sd[i] <= 0 || math.IsInf(sd[i], 1) {
			continue
		}
		if math.IsNaN(mean[i]) || math.IsInf(mean[i], 0) {
			p.fail("prior %q: mean %d is not a finite number", name, i)
			return
		}
		at, mu, sigma = append(at, i), append(mu, mean[i]), append(sigma, sd[i])
	}
	if len(at) == 0 {
		return
	}
	f := func(x [][]float64, r []float64, jac [][]float64) bool {
		for k, i := range at {
			r[k] = (x[0][i] - mu[k]) / sigma[k]
			if jac[0] != nil {
				jac[0][k*dim+i] = 1 / sigma[k]
			}
		}
		return true
	}
	p.add(residual{name: name, m: len(at), f: f, blocks: []BlockID{b}, prior: true})
}

func (p *Problem) add(r residual) {
	if r.m <= 0 || r.f == nil {
		p.fail("residual %q needs at least one row and a function", r.name)
		return
	}
	for i, b := range r.blocks {
		if b < 0 || int(b) >= len(p.blocks) {
			p.fail("residual %q: no such block", r.name)
			return
		}
		for _, other := range r.blocks[:i] {
			if other == b {
				p.fail("residual %q names block %q twice", r.name, p.blocks[b].name)
				return
			}
		}
	}
	r.blocks = append([]BlockID(nil), r.blocks...)
	p.residuals = append(p.residuals, r)
}

func (p *Problem) fail(format string, args ...any) {
	if p.err == nil {
		p.err = fmt.Errorf("adjustment: "+format, args...)
	}
}

func finite(v []float64) bool {
	for _, x := range v {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}
