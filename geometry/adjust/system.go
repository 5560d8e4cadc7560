package adjust

import (
	"math"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/lapack/lapack64"
)

const (
	// Up to this many multiplications QR costs next to nothing and is always used.
	alwaysQR = 60_000
	// Cholesky squares the condition number. Below this smallest pivot (the scaled matrix has a unit diagonal)
	// the rows are factored by QR instead.
	leastPivot = 1e-4
	// A covariance from Cholesky is good to about 1e-16 * condition^2; above this it is computed once more by QR.
	choleskyCondition = 1e5
)

// system is the linear least-squares problem at one point, columns scaled to length 1:
// minimise |A z + b|, A = sqrt(W) J C^-1, b = sqrt(W) r, z = C step.
type system struct {
	n        int
	c        []float64 // column lengths C; 1 for a zero column
	zero     []bool    // columns of length 0
	r        []float64 // upper triangle R, n x n row-major, A = Q R
	q        []float64 // Q'b
	grad     []float64 // A'b
	byQR     bool
	singular bool // R has no usable inverse

	normal []float64 // A'A before scaling, upper triangle
	z, rz  []float64
	tmp    []float64
	stack  []float64 // room for [R q; sqrt(par) D 0]
	tau    []float64
	dense  []float64
	work   []float64
}

func newSystem(n int) *system {
	return &system{
		n: n, c: make([]float64, n), zero: make([]bool, n), r: make([]float64, n*n), q: make([]float64, n),
		grad: make([]float64, n), normal: make([]float64, n*n), z: make([]float64, n), rz: make([]float64, n),
		tmp: make([]float64, n), stack: make([]float64, 2*n*(n+1)), tau: make([]float64, n+1),
	}
}

// factor builds and factors the system of one linearisation.
func (s *system) factor(w *work, e *linearisation) {
	n := s.n
	s.accumulate(w, e)
	for j := range n {
		s.c[j] = math.Sqrt(s.normal[j*n+j])
		s.zero[j] = s.c[j] == 0
		if s.zero[j] {
			s.c[j] = 1
		}
		s.grad[j] /= s.c[j]
	}
	s.byQR = w.rows*n*n <= alwaysQR || !s.cholesky()
	if s.byQR {
		s.qr(w, e)
	}
}

// accumulate adds up the normal matrix and the gradient block by block.
func (s *system) accumulate(w *work, e *linearisation) {
	n := s.n
	clear(s.normal)
	clear(s.grad)
	for i := range w.items {
		it := &w.items[i]
		weight := e.weight[i]
		if weight == 0 {
			continue
		}
		r := e.r[it.row : it.row+it.m]
		for a := range it.parts {
			pa := &it.parts[a]
			ja := e.jac[pa.at : pa.at+it.m*pa.n]
			for k, rk := range r {
				rk *= weight
				g := s.grad[pa.col : pa.col+pa.n]
				for j, v := range ja[k*pa.n : k*pa.n+pa.n] {
					g[j] += rk * v
				}
			}
			// parts are sorted by column, so this fills the upper triangle
			for b := a; b < len(it.parts); b++ {
				pb := &it.parts[b]
				jb := e.jac[pb.at : pb.at+it.m*pb.n]
				for k := range it.m {
					rowB := jb[k*pb.n : k*pb.n+pb.n]
					for i, v := range ja[k*pa.n : k*pa.n+pa.n] {
						if v == 0 {
							continue
						}
						v *= weight
						from := 0
						if b == a {
							from = i
						}
						dst := s.normal[(pa.col+i)*n+pb.col+from:]
						src := rowB[from:]
						dst = dst[:len(src)]
						for j, u := range src {
							dst[j] += v * u
						}
					}
				}
			}
		}
	}
}

func (s *system) upper(data []float64) blas64.Triangular {
	return blas64.Triangular{Uplo: blas.Upper, Diag: blas.NonUnit, N: s.n, Stride: s.n, Data: data}
}

func vector(v []float64) blas64.Vector { return blas64.Vector{N: len(v), Inc: 1, Data: v} }

// cholesky reports whether the normal matrix was good enough for it.
func (s *system) cholesky() bool {
	n := s.n
	for i := range n {
		for j := i; j < n; j++ {
			s.r[i*n+j] = s.normal[i*n+j] / (s.c[i] * s.c[j])
		}
		if s.zero[i] {
			return false
		}
	}
	if _, ok := lapack64.Potrf(blas64.Symmetric{Uplo: blas.Upper, N: n, Stride: n, Data: s.r}); !ok {
		return false
	}
	for i := range n {
		if s.r[i*n+i] < leastPivot {
			return false
		}
	}
	s.singular = false
	copy(s.q, s.grad)
	blas64.Trsv(blas.Trans, s.upper(s.r), vector(s.q))
	return true
}

// qr factors [A b] itself; the last column then holds Q'b.
func (s *system) qr(w *work, e *linearisation) {
	n, cols := s.n, s.n+1
	rows := max(w.rows, cols)
	s.dense = grown(s.dense, rows*cols)
	clear(s.dense)
	for i := range w.items {
		it := &w.items[i]
		root := math.Sqrt(e.weight[i])
		for k := range it.m {
			dst := s.dense[(it.row+k)*cols : (it.row+k+1)*cols]
			dst[n] = root * e.r[it.row+k]
			for _, p := range it.parts {
				for j, v := range e.jac[p.at+k*p.n : p.at+(k+1)*p.n] {
					dst[p.col+j] = root * v / s.c[p.col+j]
				}
			}
		}
	}
	s.triangularise(rows, s.dense)
	s.singular = false
	for i := range n {
		copy(s.r[i*n+i:(i+1)*n], s.dense[i*cols+i:i*cols+n])
		s.q[i] = s.dense[i*cols+n]
		if math.Abs(s.r[i*n+i]) <= 1e-15*float64(n) {
			s.singular = true
		}
	}
}

// triangularise replaces rows x (n+1) data by the R of its QR factorisation.
func (s *system) triangularise(rows int, data []float64) {
	a := blas64.General{Rows: rows, Cols: s.n + 1, Stride: s.n + 1, Data: data}
	tau := s.tau[:min(rows, s.n+1)]
	var want [1]float64
	lapack64.Geqrf(a, tau, want[:], -1)
	s.work = grown(s.work, int(want[0]))
	lapack64.Geqrf(a, tau, s.work, len(s.work))
}

// refactorQR replaces a Cholesky factor by the more accurate QR one.
func (s *system) refactorQR(w *work, e *linearisation) {
	s.byQR = true
	s.qr(w, e)
}

// solve sets z to the step for the damping par (0: the Gauss-Newton step): it minimises
// |A z + b|^2 + par |diag(d) z|^2. It leaves the factor of the damped matrix in stack.
func (s *system) solve(d []float64, par float64) {
	n, cols := s.n, s.n+1
	if par == 0 {
		for i := range s.z {
			s.z[i] = -s.q[i]
		}
		blas64.Trsv(blas.NoTrans, s.upper(s.r), vector(s.z))
		return
	}
	clear(s.stack)
	root := math.Sqrt(par)
	for i := range n {
		copy(s.stack[i*cols+i:i*cols+n], s.r[i*n+i:(i+1)*n])
		s.stack[i*cols+n] = s.q[i]
		s.stack[(n+i)*cols+i] = root * d[i]
	}
	s.triangularise(2*n, s.stack)
	for i := range n {
		s.z[i] = -s.stack[i*cols+n]
	}
	blas64.Trsv(blas.NoTrans, s.damped(), vector(s.z))
}

func (s *system) damped() blas64.Triangular {
	return blas64.Triangular{Uplo: blas.Upper, Diag: blas.NonUnit, N: s.n, Stride: s.n + 1, Data: s.stack}
}

// step finds the damping par >= 0 for which |diag(d) z| is within a tenth of the trust radius, or 0 if the
// Gauss-Newton step is no longer than that, and leaves that step in z. start is the damping used last.
// Newton's iteration on 1/|diag(d) z(par)| between bounds (Moré 1978, section 5).
func (s *system) step(d []float64, radius, start float64) (par float64) {
	low := 0.0
	if !s.singular {
		s.solve(d, 0)
		length := scaledNorm(d, s.z)
		if length <= 1.1*radius {
			return 0
		}
		low = s.newton(d, length, radius, s.upper(s.r))
	}
	var g float64
	for j, v := range s.grad {
		g = math.Hypot(g, v/d[j])
	}
	high := g / radius
	par = math.Min(math.Max(start, low), high)
	for range 10 {
		if par <= 0 || math.IsNaN(par) || math.IsInf(par, 0) {
			par = math.Max(1e-3*high, 1e-300)
		}
		s.solve(d, par)
		length := scaledNorm(d, s.z)
		over := length - radius
		if math.Abs(over) <= 0.1*radius {
			return par
		}
		if over > 0 {
			low = math.Max(low, par)
		} else {
			high = math.Min(high, par)
		}
		par = math.Max(low, par+s.newton(d, length, radius, s.damped()))
		if par > high && high > low {
			par = (low + high) / 2
		}
	}
	s.solve(d, par)
	return par
}

// newton is the change of par that Newton's iteration asks for at the step z of the given length.
func (s *system) newton(d []float64, length, radius float64, factor blas64.Triangular) float64 {
	for j := range s.tmp {
		s.tmp[j] = d[j] * (d[j] * s.z[j] / length)
	}
	blas64.Trsv(blas.Trans, factor, vector(s.tmp))
	slope := blas64.Nrm2(vector(s.tmp))
	return (length - radius) / radius / slope / slope
}

// linearLength is |A z|, the change of the whitened residuals that the linear model expects.
func (s *system) linearLength() float64 {
	copy(s.rz, s.z)
	blas64.Trmv(blas.NoTrans, s.upper(s.r), vector(s.rz))
	return blas64.Nrm2(vector(s.rz))
}

// inverse returns R^-1 and the Frobenius condition number of A; nil and +Inf when singular.
func (s *system) inverse() ([]float64, float64) {
	if s.singular {
		return nil, math.Inf(1)
	}
	inv := make([]float64, len(s.r))
	copy(inv, s.r)
	if !lapack64.Trtri(s.upper(inv)) {
		return nil, math.Inf(1)
	}
	var a, b float64
	for i := range s.n {
		for j := i; j < s.n; j++ {
			a += s.r[i*s.n+j] * s.r[i*s.n+j]
			b += inv[i*s.n+j] * inv[i*s.n+j]
		}
		for j := range i {
			inv[i*s.n+j] = 0
		}
	}
	return inv, math.Sqrt(a) * math.Sqrt(b)
}

func scaledNorm(d, z []float64) float64 {
	var sum float64
	for j, v := range z {
		v *= d[j]
		sum += v * v
	}
	return math.Sqrt(sum)
}

func grown(v []float64, n int) []float64 {
	if cap(v) < n {
		return make([]float64, n)
	}
	return v[:n]
}
