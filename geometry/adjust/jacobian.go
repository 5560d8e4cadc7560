package adjust

import (
	"errors"
	"fmt"
	"math"
)

// CheckJacobian compares the derivatives that f gives with central differences of its residuals at x, for tests.
// m is the number of rows. Several step widths are tried and the closest counts. maxRel is the largest difference
// relative to the larger of the two derivatives, where derivatives below 1/1000 of the largest of their column count
// as that large (differences cannot resolve them). compared counts the derivatives that differences could resolve;
// nothing to compare is an error. It is also an error when f gives other residuals or derivatives if only some
// derivatives are wanted, or cannot be computed around x.
func CheckJacobian(f Func, m int, x [][]float64) (maxRel float64, compared int, err error) {
	values := make([][]float64, len(x))
	jac := make([][]float64, len(x))
	none := make([][]float64, len(x))
	for i := range x {
		values[i] = append([]float64(nil), x[i]...)
		jac[i] = make([]float64, m*len(x[i]))
	}
	r, again := make([]float64, m), make([]float64, m)
	if !f(values, r, jac) {
		return 0, 0, errors.New("the residual cannot be computed at x")
	}
	if !f(values, again, none) || !equal(r, again) {
		return 0, 0, errors.New("the residual differs when no derivatives are wanted")
	}
	for i := range x {
		one := make([][]float64, len(x))
		one[i] = make([]float64, m*len(x[i]))
		if !f(values, again, one) || !equal(r, again) || !equal(jac[i], one[i]) {
			return 0, 0, fmt.Errorf("residual or derivatives differ when only those of block %d are wanted", i)
		}
	}
	var size float64
	for _, v := range r {
		size = math.Max(size, math.Abs(v))
	}
	for i := range x {
		n := len(x[i])
		for j := range n {
			var numeric [][]float64 // one per step width
			widths := steps(x[i][j])
			for _, h := range widths {
				d, ok := fivePoint(f, m, values, i, j, h)
				if !ok {
					return 0, 0, fmt.Errorf("the residual cannot be computed beside x (block %d, parameter %d)", i, j)
				}
				numeric = append(numeric, d)
			}
			var largest float64
			for row := range m {
				largest = math.Max(largest, math.Abs(jac[i][row*n+j]))
			}
			for row := range m {
				analytic := jac[i][row*n+j]
				best := math.Inf(1)
				for k, h := range widths {
					d := numeric[k][row]
					if math.IsNaN(analytic) || math.IsNaN(d) {
						return 0, 0, fmt.Errorf("derivative of row %d by block %d, parameter %d is not a number", row, i, j)
					}
					scale := math.Max(math.Max(math.Abs(analytic), math.Abs(d)), 1e-3*largest)
					if scale == 0 || epsilon*size/h > 1e-6*scale {
						continue // nothing but rounding
					}
					best = math.Min(best, math.Abs(analytic-d)/scale)
				}
				if !math.IsInf(best, 1) {
					compared++
					maxRel = math.Max(maxRel, best)
				}
			}
		}
	}
	if compared == 0 {
		return 0, 0, errors.New("every derivative is zero or lost in rounding: nothing was compared")
	}
	return maxRel, compared, nil
}

// steps are the widths to try at v, largest first: parameters near 1, and small ones that matter.
func steps(v float64) []float64 {
	v = math.Abs(v)
	h := []float64{5e-4 * math.Max(1, v), 3e-5 * math.Max(1, v)}
	if v > 0 && v < 1 {
		h = append(h, 5e-4*v, 3e-5*v)
	}
	return h
}

// fivePoint differentiates f by values[i][j] with an error of h^4.
func fivePoint(f Func, m int, values [][]float64, i, j int, h float64) ([]float64, bool) {
	d, r := make([]float64, m), make([]float64, m)
	none := make([][]float64, len(values))
	at := values[i][j]
	defer func() { values[i][j] = at }()
	for _, s := range []struct{ step, weight float64 }{{-2, 1}, {-1, -8}, {1, 8}, {2, -1}} {
		values[i][j] = at + s.step*h
		if !f(values, r, none) {
			return nil, false
		}
		for row := range d {
			d[row] += s.weight * r[row] / (12 * h)
		}
	}
	return d, true
}

func equal(a, b []float64) bool {
	for i := range a {
		if a[i] != b[i] {
			return false
		}
	}
	return true
}
