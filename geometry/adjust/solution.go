package adjust

import (
	"math"
	"strings"

	"gonum.org/v1/gonum/mat"
)

// Solution is the result of an adjustment.
type Solution struct {
	Status     Status
	Iterations int     // steps tried, refused ones included
	Cost       float64 // what was minimised: 1/2 sum rho(s)
	Condition  float64 // of the design, columns scaled to length 1, Frobenius norm

	// ChiSquare is the weighted sum of squared whitened residuals, priors included. Where a loss is in force, each
	// block's w*s is divided by what that loss keeps of normal errors, so that the expectation stays the same.
	ChiSquare float64
	// DegreesOfFreedom is the redundancy: rows with any weight, priors included, less the free parameters.
	DegreesOfFreedom float64
	// VarianceFactor is ChiSquare / DegreesOfFreedom; near 1 when the stated standard deviations are true, NaN
	// without redundancy.
	VarianceFactor float64

	p   []block
	w   *work
	at  *linearisation
	cov *mat.SymDense // nil after an error
}

func (s *Solution) sums() {
	for i := range s.w.items {
		it := &s.w.items[i]
		var sq float64
		for _, v := range s.at.r[it.row : it.row+it.m] {
			sq += v * v
		}
		s.ChiSquare += s.at.weight[i] * sq / it.keep
	}
	s.DegreesOfFreedom = float64(s.w.active(s.at) - len(s.w.owner))
	s.VarianceFactor = math.NaN()
	if s.DegreesOfFreedom > 0 {
		s.VarianceFactor = s.ChiSquare / s.DegreesOfFreedom
	}
}

// Value returns a copy of the adjusted block; a fixed block as it was.
func (s *Solution) Value(b BlockID) []float64 {
	from := s.w.offset[b]
	return append([]float64(nil), s.at.x[from:from+len(s.p[b].start)]...)
}

// Covariance is the block of (J'WJ)^-1 for the parameters of a (rows) and b (columns), not scaled by the variance
// factor. A fixed block has zeros. After an error everything is NaN.
func (s *Solution) Covariance(a, b BlockID) *mat.Dense {
	m := mat.NewDense(len(s.p[a].start), len(s.p[b].start), nil)
	m.Apply(func(i, j int, _ float64) float64 { return s.element(a, i, b, j) }, m)
	return m
}

// JointCovariance is the covariance of several blocks one behind the other.
func (s *Solution) JointCovariance(blocks ...BlockID) *mat.SymDense {
	type parameter struct {
		b BlockID
		i int
	}
	var all []parameter
	for _, b := range blocks {
		for i := range s.p[b].start {
			all = append(all, parameter{b, i})
		}
	}
	m := mat.NewSymDense(len(all), nil)
	for i, p := range all {
		for j := i; j < len(all); j++ {
			m.SetSym(i, j, s.element(p.b, p.i, all[j].b, all[j].i))
		}
	}
	return m
}

// SD returns the standard deviations of a block, not scaled by the variance factor.
func (s *Solution) SD(b BlockID) []float64 {
	sd := make([]float64, len(s.p[b].start))
	for i := range sd {
		sd[i] = math.Sqrt(s.element(b, i, b, i))
	}
	return sd
}

func (s *Solution) element(a BlockID, i int, b BlockID, j int) float64 {
	switch {
	case s.cov == nil:
		return math.NaN()
	case s.w.col[a] < 0 || s.w.col[b] < 0:
		return 0
	}
	return s.cov.At(s.w.col[a]+i, s.w.col[b]+j)
}

// ResidualInfo is one residual block after the adjustment.
type ResidualInfo struct {
	Name   string
	R      []float64 // whitened, without the weight
	Weight float64   // given by the loss; 1 without one
	// Redundancy has, for each row, the part of an error in that observation that shows in its own residual
	// (1: all of it, 0: none, nothing can check it). R/sqrt(Redundancy) is the normalised residual for an outlier
	// search (W. Baarda, A testing procedure for use in geodetic networks, 1968). NaN after an error.
	Redundancy []float64
}

// Residuals lists the residual blocks whose names begin with the prefix, in the order in which they were added; the
// empty prefix means all. Priors on fixed blocks are not among them.
func (s *Solution) Residuals(prefix string) []ResidualInfo {
	var out []ResidualInfo
	for i := range s.w.items {
		it := &s.w.items[i]
		if !strings.HasPrefix(it.name, prefix) {
			continue
		}
		info := ResidualInfo{
			Name: it.name, R: append([]float64(nil), s.at.r[it.row:it.row+it.m]...), Weight: s.at.weight[i],
			Redundancy: make([]float64, it.m),
		}
		for k := range info.Redundancy {
			info.Redundancy[k] = 1 - info.Weight*s.rowVariance(it, k)
		}
		out = append(out, info)
	}
	return out
}

// rowVariance is j (J'WJ)^-1 j' for row k of a residual block.
func (s *Solution) rowVariance(it *item, k int) float64 {
	if s.cov == nil {
		return math.NaN()
	}
	raw := s.cov.RawSymmetric()
	var sum float64
	for a := range it.parts {
		pa := &it.parts[a]
		ja := s.at.jac[pa.at+k*pa.n : pa.at+(k+1)*pa.n]
		for b := a; b < len(it.parts); b++ {
			pb := &it.parts[b]
			jb := s.at.jac[pb.at+k*pb.n : pb.at+(k+1)*pb.n]
			for i, u := range ja {
				row := raw.Data[(pa.col+i)*raw.Stride+pb.col:]
				if a == b {
					sum += u * u * row[i]
					for j := i + 1; j < len(jb); j++ {
						sum += 2 * u * jb[j] * row[j]
					}
					continue
				}
				for j, v := range jb {
					sum += 2 * u * v * row[j]
				}
			}
		}
	}
	return sum
}

// Partial is the gradient of a function of the parameters with respect to one block.
type Partial struct {
	Block BlockID
	D     []float64
}

// gradient puts a function's derivatives into columns; those of fixed blocks fall out.
func (s *Solution) gradient(g []Partial) []float64 {
	v := make([]float64, len(s.w.owner))
	for _, p := range g {
		if c := s.w.col[p.Block]; c >= 0 {
			for i := range s.p[p.Block].start {
				v[c+i] += p.D[i]
			}
		}
	}
	return v
}

// Variance is g'(J'WJ)^-1 g, the variance of a function of the parameters with the gradient g, not scaled by the
// variance factor.
func (s *Solution) Variance(g []Partial) float64 {
	if s.cov == nil {
		return math.NaN()
	}
	v := mat.NewVecDense(len(s.w.owner), s.gradient(g))
	return mat.Inner(v, s.cov, v)
}

// Influence is what the residual blocks whose names begin with the prefix contribute to Variance(g):
//
//	g' N^-1 (J_p' W J_p) N^-1 g,  N = J'WJ
//
// that is, the variance that the errors of those observations alone would give. Groups that together hold every
// residual once add up to Variance(g).
func (s *Solution) Influence(prefix string, g []Partial) float64 {
	var sum float64
	for _, c := range s.Budget(g, func(name string) string {
		if strings.HasPrefix(name, prefix) {
			return "in"
		}
		return "out"
	}) {
		if c.Name == "in" {
			sum = c.Variance
		}
	}
	return sum
}

// Contribution is one line of an uncertainty budget.
type Contribution struct {
	Name     string
	Variance float64
}

// Budget splits Variance(g) into the contributions of groups of residuals, in the order in which the groups first
// appear. group gives the group of a residual's name. The contributions add up to Variance(g).
func (s *Solution) Budget(g []Partial, group func(name string) string) []Contribution {
	var out []Contribution
	u := mat.NewVecDense(len(s.w.owner), nil)
	if s.cov == nil {
		u.SetVec(0, math.NaN())
	} else {
		u.MulVec(s.cov, mat.NewVecDense(len(s.w.owner), s.gradient(g)))
	}
	raw := u.RawVector().Data
	at := map[string]int{}
	for i := range s.w.items {
		it := &s.w.items[i]
		name := group(it.name)
		k, ok := at[name]
		if !ok {
			k = len(out)
			at[name] = k
			out = append(out, Contribution{Name: name})
		}
		if s.cov == nil {
			out[k].Variance = math.NaN()
			continue
		}
		for row := range it.m {
			var dot float64
			for _, p := range it.parts {
				for j, v := range s.at.jac[p.at+row*p.n : p.at+(row+1)*p.n] {
					dot += v * raw[p.col+j]
				}
			}
			out[k].Variance += s.at.weight[i] * dot * dot
		}
	}
	return out
}
