package geometry

import "math"

// Vec2 is a point or a displacement in a plane: millimetres in the belt, plane
// and board frames, pixels in an image.
type Vec2 struct{ X, Y float64 }

// Add returns a + b.
func (a Vec2) Add(b Vec2) Vec2 { return Vec2{a.X + b.X, a.Y + b.Y} }

// Sub returns a - b.
func (a Vec2) Sub(b Vec2) Vec2 { return Vec2{a.X - b.X, a.Y - b.Y} }

// Mul returns s * a.
func (a Vec2) Mul(s float64) Vec2 { return Vec2{s * a.X, s * a.Y} }

// Dot returns the scalar product.
func (a Vec2) Dot(b Vec2) float64 { return a.X*b.X + a.Y*b.Y }

// Cross returns the z component of a x b: positive when b is counterclockwise
// of a seen from above (y up), clockwise in an image (v down).
func (a Vec2) Cross(b Vec2) float64 { return a.X*b.Y - a.Y*b.X }

// Norm returns the length.
func (a Vec2) Norm() float64 { return math.Hypot(a.X, a.Y) }

// Unit returns a scaled to length 1, or a itself when its length is 0.
func (a Vec2) Unit() Vec2 {
	n := a.Norm()
	if n == 0 {
		return a
	}
	return a.Mul(1 / n)
}

// Perp returns a turned by +90 degrees (x to y).
func (a Vec2) Perp() Vec2 { return Vec2{-a.Y, a.X} }

// Rotate returns a turned by angle (radians, x to y).
func (a Vec2) Rotate(angle float64) Vec2 {
	s, c := math.Sincos(angle)
	return Vec2{c*a.X - s*a.Y, s*a.X + c*a.Y}
}

// IsFinite reports whether both coordinates are ordinary numbers.
func (a Vec2) IsFinite() bool { return isFinite(a.X) && isFinite(a.Y) }

// Vec3 is a point or a displacement in space, millimetres.
type Vec3 struct{ X, Y, Z float64 }

// Add returns a + b.
func (a Vec3) Add(b Vec3) Vec3 { return Vec3{a.X + b.X, a.Y + b.Y, a.Z + b.Z} }

// Sub returns a - b.
func (a Vec3) Sub(b Vec3) Vec3 { return Vec3{a.X - b.X, a.Y - b.Y, a.Z - b.Z} }

// Mul returns s * a.
func (a Vec3) Mul(s float64) Vec3 { return Vec3{s * a.X, s * a.Y, s * a.Z} }

// Dot returns the scalar product.
func (a Vec3) Dot(b Vec3) float64 { return a.X*b.X + a.Y*b.Y + a.Z*b.Z }

// Cross returns the vector product.
func (a Vec3) Cross(b Vec3) Vec3 {
	return Vec3{a.Y*b.Z - a.Z*b.Y, a.Z*b.X - a.X*b.Z, a.X*b.Y - a.Y*b.X}
}

// Norm returns the length.
func (a Vec3) Norm() float64 { return math.Sqrt(a.Dot(a)) }

// Unit returns a scaled to length 1, or a itself when its length is 0.
func (a Vec3) Unit() Vec3 {
	n := a.Norm()
	if n == 0 {
		return a
	}
	return a.Mul(1 / n)
}

func isFinite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
