package geometry

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mat"
)

// ErrDegenerate is returned when points do not determine what was asked.
var ErrDegenerate = errors.New("points do not determine the transform")

// ApplyH takes a plane point through the homography; ok is false at infinity.
func (m Mat3) ApplyH(p Vec2) (Vec2, bool) {
	w := m[6]*p.X + m[7]*p.Y + m[8]
	if math.Abs(w) < 1e-12 {
		return Vec2{}, false
	}
	return Vec2{(m[0]*p.X + m[1]*p.Y + m[2]) / w, (m[3]*p.X + m[4]*p.Y + m[5]) / w}, true
}

// Homography returns the least-squares homography dst-from-src of four or
// more point pairs by the normalised direct linear transform (Hartley, IEEE
// PAMI 19 (1997) 580).
func Homography(src, dst []Vec2) (Mat3, error) {
	if len(src) != len(dst) || len(src) < 4 {
		return Mat3{}, ErrDegenerate
	}
	ts, ns, ok1 := normalise(src)
	td, nd, ok2 := normalise(dst)
	if !ok1 || !ok2 {
		return Mat3{}, ErrDegenerate
	}
	// normal matrix of the DLT rows, 9 x 9
	ata := mat.NewSymDense(9, nil)
	add := func(r [9]float64) {
		for i := 0; i < 9; i++ {
			for j := i; j < 9; j++ {
				ata.SetSym(i, j, ata.At(i, j)+r[i]*r[j])
			}
		}
	}
	for i := range ns {
		x, y, u, v := ns[i].X, ns[i].Y, nd[i].X, nd[i].Y
		add([9]float64{x, y, 1, 0, 0, 0, -u * x, -u * y, -u})
		add([9]float64{0, 0, 0, x, y, 1, -v * x, -v * y, -v})
	}
	var eig mat.EigenSym
	if !eig.Factorize(ata, true) {
		return Mat3{}, ErrDegenerate
	}
	vals := eig.Values(nil)
	if vals[1] <= 1e-10*vals[8] {
		return Mat3{}, ErrDegenerate
	}
	var vec mat.Dense
	eig.VectorsTo(&vec)
	var h Mat3
	for i := range h {
		h[i] = vec.At(i, 0)
	}
	// h has norm 1 here: singular is what takes the plane to a line or a point
	if det := h[0]*(h[4]*h[8]-h[5]*h[7]) - h[1]*(h[3]*h[8]-h[5]*h[6]) + h[2]*(h[3]*h[7]-h[4]*h[6]); !(math.Abs(det) > 1e-9) {
		return Mat3{}, ErrDegenerate
	}
	inv := Mat3{1 / td[0], 0, -td[1] / td[0], 0, 1 / td[0], -td[2] / td[0], 0, 0, 1}
	h = inv.Mul(h).Mul(Mat3{ts[0], 0, ts[1], 0, ts[0], ts[2], 0, 0, 1})
	n := h[8]
	if n == 0 {
		n = 1
	}
	for i := range h {
		h[i] /= n
		if !isFinite(h[i]) {
			return Mat3{}, ErrDegenerate
		}
	}
	return h, nil
}

// normalise moves points to mean 0 and mean distance sqrt(2): p' = s p + t.
func normalise(p []Vec2) (t [3]float64, out []Vec2, ok bool) {
	var c Vec2
	for _, q := range p {
		c = c.Add(q)
	}
	c = c.Mul(1 / float64(len(p)))
	var d float64
	for _, q := range p {
		d += q.Sub(c).Norm()
	}
	d /= float64(len(p))
	if !(d > 0) || !isFinite(d) {
		return t, nil, false
	}
	s := math.Sqrt2 / d
	t = [3]float64{s, -s * c.X, -s * c.Y}
	out = make([]Vec2, len(p))
	for i, q := range p {
		out[i] = q.Sub(c).Mul(s)
	}
	return t, out, true
}
