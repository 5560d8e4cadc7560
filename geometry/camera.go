package geometry

import (
	"errors"
	"math"
)

// Camera holds a phone camera's inner geometry: a pinhole with square pixels
// and the Brown-Conrady lens terms, in OpenCV's order and sense.
//
//	x = X/Z, y = Y/Z, r2 = x^2 + y^2, g = 1 + k1 r2 + k2 r2^2 + k3 r2^3
//	u = f (x g + 2 p1 x y + p2 (r2 + 2 x^2)) + cx
//	v = f (y g + p1 (r2 + 2 y^2) + 2 p2 x y) + cy
type Camera struct {
	F, CX, CY  float64 // pixels
	K1, K2, K3 float64 // radial
	P1, P2     float64 // tangential
}

// CameraParams is the number of parameters of a Camera.
const CameraParams = 8

// Params returns f, cx, cy, k1, k2, k3, p1, p2.
func (c Camera) Params() []float64 {
	return []float64{c.F, c.CX, c.CY, c.K1, c.K2, c.K3, c.P1, c.P2}
}

// CameraFrom is the inverse of Params.
func CameraFrom(p []float64) Camera {
	return Camera{F: p[0], CX: p[1], CY: p[2], K1: p[3], K2: p[4], K3: p[5], P1: p[6], P2: p[7]}
}

// ProjectionJacobian holds the derivatives of a projected point (u, v): row 0
// for u, row 1 for v.
type ProjectionJacobian struct {
	Camera [2][CameraParams]float64
	Pose   [2][6]float64
	Point  [2][3]float64 // by the point in the plane frame
}

// distort applies the lens terms to normalised coordinates and returns the
// 2 x 2 derivative as well.
func (c *Camera) distort(x, y float64) (xd, yd float64, d [4]float64) {
	r2 := x*x + y*y
	g := 1 + r2*(c.K1+r2*(c.K2+r2*c.K3))
	gp := c.K1 + r2*(2*c.K2+3*r2*c.K3) // dg/dr2
	xd = x*g + 2*c.P1*x*y + c.P2*(r2+2*x*x)
	yd = y*g + c.P1*(r2+2*y*y) + 2*c.P2*x*y
	d[0] = g + 2*x*x*gp + 2*c.P1*y + 6*c.P2*x
	d[1] = 2*x*y*gp + 2*c.P1*x + 2*c.P2*y
	d[2] = d[1]
	d[3] = g + 2*y*y*gp + 6*c.P1*y + 2*c.P2*x
	return xd, yd, d
}

// Project returns the image of a point in the camera frame. ok is false when
// the point is not in front of the camera.
func (c Camera) Project(p Vec3) (uv Vec2, ok bool) { return c.project(p.X, p.Y, p.Z) }

// project is Project without a copy of the camera: it is called for every
// place of a trace.
func (c *Camera) project(px, py, pz float64) (uv Vec2, ok bool) {
	if !(pz > 1e-6) {
		return Vec2{}, false
	}
	x, y := px/pz, py/pz
	r2 := x*x + y*y
	g := 1 + r2*(c.K1+r2*(c.K2+r2*c.K3))
	return Vec2{
		c.F*(x*g+2*c.P1*x*y+c.P2*(r2+2*x*x)) + c.CX,
		c.F*(y*g+c.P1*(r2+2*y*y)+2*c.P2*x*y) + c.CY,
	}, true
}

// View is a photo's geometry: its camera and where it stood over the plane.
type View struct {
	Camera       Camera
	CamFromPlane Pose
	rot          Mat3
	trans        Vec3
}

// NewView returns the view of a camera at a pose.
func NewView(c Camera, camFromPlane Pose) View {
	return View{Camera: c, CamFromPlane: camFromPlane, rot: camFromPlane.Rotation(), trans: camFromPlane.Translation()}
}

// Project returns the image of a point of the plane. ok is false when it lies
// behind the camera.
func (v *View) Project(p Vec2) (uv Vec2, ok bool) {
	m := &v.rot
	return v.Camera.project(m[0]*p.X+m[1]*p.Y+v.trans.X, m[3]*p.X+m[4]*p.Y+v.trans.Y, m[6]*p.X+m[7]*p.Y+v.trans.Z)
}

// Project3 returns the image of a point z above the plane.
func (v *View) Project3(p Vec3) (uv Vec2, ok bool) {
	return v.Camera.Project(v.rot.Apply(p).Add(v.trans))
}

// ProjectJ is Project3 with derivatives by camera, pose and point.
func (v *View) ProjectJ(p Vec3, j *ProjectionJacobian) (uv Vec2, ok bool) {
	q := v.rot.Apply(p).Add(v.trans)
	if !(q.Z > 1e-6) {
		return Vec2{}, false
	}
	c := &v.Camera
	iz := 1 / q.Z
	x, y := q.X*iz, q.Y*iz
	xd, yd, d := c.distort(x, y)
	r2 := x*x + y*y
	j.Camera[0] = [CameraParams]float64{xd, 1, 0, c.F * x * r2, c.F * x * r2 * r2, c.F * x * r2 * r2 * r2, c.F * 2 * x * y, c.F * (r2 + 2*x*x)}
	j.Camera[1] = [CameraParams]float64{yd, 0, 1, c.F * y * r2, c.F * y * r2 * r2, c.F * y * r2 * r2 * r2, c.F * (r2 + 2*y*y), c.F * 2 * x * y}
	// by the camera-frame point
	var dq [2][3]float64
	for i := 0; i < 2; i++ {
		a, b := c.F*d[2*i], c.F*d[2*i+1]
		dq[i] = [3]float64{a * iz, b * iz, -(a*x + b*y) * iz}
	}
	w := Vec3{v.CamFromPlane[0], v.CamFromPlane[1], v.CamFromPlane[2]}
	dw := rotationDerivative(w, v.rot, p)
	for i := 0; i < 2; i++ {
		for k := 0; k < 3; k++ {
			j.Pose[i][k] = dq[i][0]*dw[k] + dq[i][1]*dw[3+k] + dq[i][2]*dw[6+k]
			j.Pose[i][3+k] = dq[i][k]
		}
		for k := 0; k < 3; k++ {
			j.Point[i][k] = dq[i][0]*v.rot[k] + dq[i][1]*v.rot[3+k] + dq[i][2]*v.rot[6+k]
		}
	}
	return Vec2{c.F*xd + c.CX, c.F*yd + c.CY}, true
}

// Undistort returns the normalised coordinates (x, y) whose image is uv, by
// Newton's method. ok is false where the lens model folds over (far outside
// the picture).
func (c Camera) Undistort(uv Vec2) (xy Vec2, ok bool) {
	xd, yd := (uv.X-c.CX)/c.F, (uv.Y-c.CY)/c.F
	x, y := xd, yd
	for i := 0; i < 20; i++ {
		fx, fy, d := c.distort(x, y)
		ex, ey := fx-xd, fy-yd
		det := d[0]*d[3] - d[1]*d[2]
		if !(det > 1e-3) {
			return Vec2{}, false
		}
		dx, dy := (d[3]*ex-d[1]*ey)/det, (d[0]*ey-d[2]*ex)/det
		x -= dx
		y -= dy
		if math.Abs(dx)+math.Abs(dy) < 1e-12 {
			return Vec2{x, y}, true
		}
	}
	return Vec2{}, false
}

// Unproject returns the point of the plane seen at uv. ok is false above the
// plane's horizon.
func (v *View) Unproject(uv Vec2) (p Vec2, ok bool) {
	xy, ok := v.Camera.Undistort(uv)
	if !ok {
		return Vec2{}, false
	}
	return v.intersect(xy, 0)
}

// UnprojectAt is Unproject for the plane z above the belt's.
func (v *View) UnprojectAt(uv Vec2, z float64) (p Vec2, ok bool) {
	xy, ok := v.Camera.Undistort(uv)
	if !ok {
		return Vec2{}, false
	}
	return v.intersect(xy, z)
}

func (v *View) intersect(xy Vec2, z float64) (Vec2, bool) {
	rt := v.rot.Transpose()
	dir := rt.Apply(Vec3{xy.X, xy.Y, 1})
	centre := rt.Apply(v.trans).Mul(-1)
	h := centre.Z - z
	if !(h > 0) || !(dir.Z < -1e-4) {
		return Vec2{}, false
	}
	s := -h / dir.Z
	return Vec2{centre.X + s*dir.X, centre.Y + s*dir.Y}, true
}

// UnprojectJ is Unproject with the derivative of the plane point by the
// camera's and the pose's parameters (implicit function theorem:
// dP = -(d uv/dP)^-1 d uv/d parameter) and by uv itself.
func (v *View) UnprojectJ(uv Vec2, cam *[2][CameraParams]float64, pose *[2][6]float64, img *[2][2]float64) (p Vec2, ok bool) {
	p, ok = v.Unproject(uv)
	if !ok {
		return p, false
	}
	var j ProjectionJacobian
	if _, ok = v.ProjectJ(Vec3{p.X, p.Y, 0}, &j); !ok {
		return p, false
	}
	a, b, c, d := j.Point[0][0], j.Point[0][1], j.Point[1][0], j.Point[1][1]
	det := a*d - b*c
	if det == 0 {
		return p, false
	}
	inv := [2][2]float64{{d / det, -b / det}, {-c / det, a / det}}
	for r := 0; r < 2; r++ {
		for k := 0; k < CameraParams; k++ {
			cam[r][k] = -(inv[r][0]*j.Camera[0][k] + inv[r][1]*j.Camera[1][k])
		}
		for k := 0; k < 6; k++ {
			pose[r][k] = -(inv[r][0]*j.Pose[0][k] + inv[r][1]*j.Pose[1][k])
		}
	}
	*img = inv
	return p, true
}

// Centre returns the camera's place in the plane frame, millimetres.
func (v *View) Centre() Vec3 { return v.rot.Transpose().Apply(v.trans).Mul(-1) }

// Tilt returns the angle between the optical axis and the plane's normal,
// radians.
func (v *View) Tilt() float64 {
	return math.Acos(math.Max(-1, math.Min(1, -v.rot[8])))
}

// Scale returns the size of a pixel on the plane at p, millimetres: the
// geometric mean over directions.
func (v *View) Scale(p Vec2) (float64, bool) {
	var j ProjectionJacobian
	if _, ok := v.ProjectJ(Vec3{p.X, p.Y, 0}, &j); !ok {
		return 0, false
	}
	det := math.Abs(j.Point[0][0]*j.Point[1][1] - j.Point[0][1]*j.Point[1][0])
	if det == 0 {
		return 0, false
	}
	return 1 / math.Sqrt(det), true
}

// ErrNoPose is returned when a homography does not come from a camera looking
// down on the plane.
var ErrNoPose = errors.New("no camera pose fits the homography")

// PoseFromHomography returns the pose of a camera without lens terms from the
// homography h (image from plane), by the orthonormal pair nearest to its
// first two columns.
func PoseFromHomography(h Mat3, c Camera) (Pose, error) {
	// columns of K^-1 H
	col := func(k int) Vec3 {
		w := h[6+k]
		return Vec3{(h[k] - c.CX*w) / c.F, (h[3+k] - c.CY*w) / c.F, w}
	}
	a, b, t := col(0), col(1), col(2)
	n := math.Sqrt(a.Norm() * b.Norm())
	if !(n > 0) || !isFinite(n) {
		return Pose{}, ErrNoPose
	}
	if t.Z < 0 {
		n = -n
	}
	a, b, t = a.Mul(1/n), b.Mul(1/n), t.Mul(1/n)
	// symmetric orthonormalisation of a and b
	s, d := a.Unit().Add(b.Unit()), a.Unit().Sub(b.Unit())
	if s.Norm() < 1e-9 || d.Norm() < 1e-9 {
		return Pose{}, ErrNoPose
	}
	s, d = s.Unit(), d.Unit()
	r1 := s.Add(d).Mul(math.Sqrt2 / 2)
	r2 := s.Sub(d).Mul(math.Sqrt2 / 2)
	r3 := r1.Cross(r2)
	return PoseFrom(Mat3{r1.X, r2.X, r3.X, r1.Y, r2.Y, r3.Y, r1.Z, r2.Z, r3.Z}, t), nil
}
