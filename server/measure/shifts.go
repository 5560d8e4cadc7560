package measure

import (
	"maps"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"

	"beltend/geometry"
)

// shiftMM is the usual distance between one edge as two photos of it show it: the
// lens' point spread, shading, another line of a cut's face, the cards' thickness.
const shiftMM = 0.3

// shifts is by how much each photo's points of an edge lie off those of all photos
// where they are seen together, mm towards across. A photo's points as a whole may lie
// beside those of another; in one row they would then leap to and fro, and the line
// through the row would hang on how the photos' points happen to alternate.
//
// Points are averaged by photo in bins along the edge, each y = shape(bin) +
// shift(photo) + noise of binSD, the shifts of shiftMM about none: least squares, the
// shape eliminated. A photo that shares no bin with others has none.
func shifts(points []observed, plane []geometry.Vec2, across geometry.Vec2, photos int) []float64 {
	const binSD = 0.1 // mm
	along := across.Perp().Mul(-1)
	var x, y []float64
	for _, q := range plane {
		x, y = append(x, along.Dot(q)), append(y, across.Dot(q))
	}
	// off their common line, or where in its bin a point lies would count
	level, slope := stat.LinearRegression(x, y, nil, false)
	type sum struct{ y, n float64 }
	bins := map[int][]sum{} // by place along, by photo
	for i, o := range points {
		k := int(math.Floor(x[i] / binMM))
		if bins[k] == nil {
			bins[k] = make([]sum, photos)
		}
		b := &bins[k][o.photo]
		b.y, b.n = b.y+y[i]-level-slope*x[i], b.n+1
	}
	normal, right := mat.NewSymDense(photos, nil), mat.NewVecDense(photos, nil)
	for p := range photos {
		normal.SetSym(p, p, binSD*binSD/(shiftMM*shiftMM))
	}
	for _, k := range slices.Sorted(maps.Keys(bins)) {
		bin := bins[k]
		var m, mean float64
		for _, b := range bin {
			if b.n > 0 {
				m, mean = m+1, mean+b.y/b.n
			}
		}
		mean /= m
		for p, b := range bin {
			if b.n == 0 {
				continue
			}
			normal.SetSym(p, p, normal.At(p, p)+1)
			right.SetVec(p, right.AtVec(p)+b.y/b.n-mean)
			for q := range p + 1 {
				if bin[q].n > 0 {
					normal.SetSym(p, q, normal.At(p, q)-1/m)
				}
			}
		}
	}
	out := make([]float64, photos)
	var chol mat.Cholesky
	if chol.Factorize(normal) {
		_ = chol.SolveVecTo(mat.NewVecDense(photos, out), right)
	}
	return out
}
