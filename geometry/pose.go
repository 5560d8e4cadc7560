package geometry

import "math"

// Mat3 is a 3 x 3 matrix, row by row.
type Mat3 [9]float64

// Apply returns m * v.
func (m Mat3) Apply(v Vec3) Vec3 {
	return Vec3{
		m[0]*v.X + m[1]*v.Y + m[2]*v.Z,
		m[3]*v.X + m[4]*v.Y + m[5]*v.Z,
		m[6]*v.X + m[7]*v.Y + m[8]*v.Z,
	}
}

// Mul returns m * n.
func (m Mat3) Mul(n Mat3) Mat3 {
	var r Mat3
	for i := 0; i < 3; i++ {
		for j := 0; j < 3; j++ {
			r[3*i+j] = m[3*i]*n[j] + m[3*i+1]*n[3+j] + m[3*i+2]*n[6+j]
		}
	}
	return r
}

// Transpose returns the transpose, for a rotation its inverse.
func (m Mat3) Transpose() Mat3 {
	return Mat3{m[0], m[3], m[6], m[1], m[4], m[7], m[2], m[5], m[8]}
}

// Pose is a rigid transform target-from-source as six numbers: a rotation
// vector (Rodrigues: axis times angle, radians) and a translation in
// millimetres. x_target = R(w) x_source + t.
type Pose [6]float64

// Rotation returns R(w).
func (p Pose) Rotation() Mat3 { return Rodrigues(Vec3{p[0], p[1], p[2]}) }

// Translation returns t.
func (p Pose) Translation() Vec3 { return Vec3{p[3], p[4], p[5]} }

// Apply takes a point of the source frame to the target frame.
func (p Pose) Apply(v Vec3) Vec3 { return p.Rotation().Apply(v).Add(p.Translation()) }

// PoseFrom returns the pose with the given rotation matrix and translation.
func PoseFrom(r Mat3, t Vec3) Pose {
	w := RotationVector(r)
	return Pose{w.X, w.Y, w.Z, t.X, t.Y, t.Z}
}

// Rodrigues returns the rotation matrix of a rotation vector w:
// R = cos(a) I + (1-cos(a)) k k' + sin(a) [k]x, a = |w|, k = w/a.
func Rodrigues(w Vec3) Mat3 {
	a := w.Norm()
	if a < 1e-9 { // second order terms are below 1e-18
		return Mat3{1, -w.Z, w.Y, w.Z, 1, -w.X, -w.Y, w.X, 1}
	}
	k := w.Mul(1 / a)
	s, c := math.Sincos(a)
	v := 1 - c
	return Mat3{
		c + v*k.X*k.X, v*k.X*k.Y - s*k.Z, v*k.X*k.Z + s*k.Y,
		v*k.X*k.Y + s*k.Z, c + v*k.Y*k.Y, v*k.Y*k.Z - s*k.X,
		v*k.X*k.Z - s*k.Y, v*k.Y*k.Z + s*k.X, c + v*k.Z*k.Z,
	}
}

// RotationVector is the inverse of Rodrigues, with an angle in [0, pi]. It
// goes by the quaternion with the largest element first, which keeps full
// accuracy near 180 degrees, where a camera looking down on a belt always is.
func RotationVector(r Mat3) Vec3 {
	tr := r[0] + r[4] + r[8]
	q := [4]float64{1 + tr, 1 + r[0] - r[4] - r[8], 1 - r[0] + r[4] - r[8], 1 - r[0] - r[4] + r[8]}
	best := 0
	for i := 1; i < 4; i++ {
		if q[i] > q[best] {
			best = i
		}
	}
	d := 0.5 / math.Sqrt(q[best])
	var w float64
	var v Vec3
	switch best {
	case 0:
		w, v = q[0]*d, Vec3{(r[7] - r[5]) * d, (r[2] - r[6]) * d, (r[3] - r[1]) * d}
	case 1:
		w, v = (r[7]-r[5])*d, Vec3{q[1] * d, (r[1] + r[3]) * d, (r[2] + r[6]) * d}
	case 2:
		w, v = (r[2]-r[6])*d, Vec3{(r[1] + r[3]) * d, q[2] * d, (r[5] + r[7]) * d}
	default:
		w, v = (r[3]-r[1])*d, Vec3{(r[2] + r[6]) * d, (r[5] + r[7]) * d, q[3] * d}
	}
	if w < 0 {
		w, v = -w, v.Mul(-1)
	}
	n := v.Norm()
	if n < 1e-12 {
		return v.Mul(2)
	}
	return v.Mul(2 * math.Atan2(n, w) / n)
}

// rotationDerivative returns d(R(w) v)/dw as a 3 x 3 matrix:
// -R [v]x (w w' + (R' - I)[w]x) / |w|^2 (Gallego and Yezzi, J. Math. Imaging
// Vision 51 (2015) 378, eq. 8).
func rotationDerivative(w Vec3, r Mat3, v Vec3) Mat3 {
	a2 := w.Dot(w)
	vx := Mat3{0, -v.Z, v.Y, v.Z, 0, -v.X, -v.Y, v.X, 0}
	rv := r.Mul(vx)
	if a2 < 1e-16 {
		for i := range rv {
			rv[i] = -rv[i]
		}
		return rv
	}
	rt := r.Transpose()
	rt[0]--
	rt[4]--
	rt[8]--
	m := rt.Mul(Mat3{0, -w.Z, w.Y, w.Z, 0, -w.X, -w.Y, w.X, 0})
	m[0] += w.X * w.X
	m[1] += w.X * w.Y
	m[2] += w.X * w.Z
	m[3] += w.Y * w.X
	m[4] += w.Y * w.Y
	m[5] += w.Y * w.Z
	m[6] += w.Z * w.X
	m[7] += w.Z * w.Y
	m[8] += w.Z * w.Z
	out := rv.Mul(m)
	for i := range out {
		out[i] /= -a2
	}
	return out
}
