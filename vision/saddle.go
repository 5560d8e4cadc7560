package vision

import (
	"math"

	"beltend/geometry"
)

// saddle is a chessboard corner found to sub-pixel.
type saddle struct {
	uv       geometry.Vec2
	sigma    float64 // standard deviation of each coordinate, px
	blur     float64 // sigma of the edge spread, px
	contrast float64 // white minus black, grey levels
}

// erfTable holds erf(x/sqrt2) for x in steps of 1/64 up to 5.
var erfTable = func() (t [5*64 + 2]float64) {
	for i := range t {
		t[i] = math.Erf(float64(i) / 64 / math.Sqrt2)
	}
	return t
}()

// edgeSpread returns erf(x/sqrt2), the image of a step edge blurred by a
// Gaussian of sigma 1 running from -1 to 1, and its slope.
func edgeSpread(x float64) (e, slope float64) {
	a := math.Abs(x)
	if a >= 5 {
		return math.Copysign(1, x), 0
	}
	k := a * 64
	i := int(k)
	d := erfTable[i+1] - erfTable[i]
	e = erfTable[i] + (k-float64(i))*d
	return math.Copysign(e, x), d * 64
}

// fitSaddle fits a blurred chessboard corner
//
//	I = m + a E(n1.(p-c)/s) E(n2.(p-c)/s),  E(x) = erf(x/sqrt2)
//
// to the pixels around a predicted place, where dx and dy are the image of a
// millimetre along the board's axes and radius the half window along them in
// mm. The product form is exact for square corners and, by symmetry, free of
// bias for sheared ones. Least squares over c, the two edge angles, m, a and s
// by Gauss-Newton; the standard deviation comes from the fit's own residuals.
func fitSaddle(grey []byte, w, h int, at, dx, dy geometry.Vec2, radius float64) (saddle, bool) {
	det := dx.Cross(dy)
	if math.Abs(det) < 1e-9 {
		return saddle{}, false
	}
	// board coordinates of a pixel offset: inverse of [dx dy]
	ix, iy := geometry.Vec2{X: dy.Y / det, Y: -dy.X / det}, geometry.Vec2{X: -dx.Y / det, Y: dx.X / det}
	ext := math.Ceil(radius * (math.Abs(dx.X) + math.Abs(dy.X)))
	eyt := math.Ceil(radius * (math.Abs(dx.Y) + math.Abs(dy.Y)))
	u0, u1 := int(math.Floor(at.X-ext)), int(math.Ceil(at.X+ext))
	v0, v1 := int(math.Floor(at.Y-eyt)), int(math.Ceil(at.Y+eyt))
	if u0 < 1 || v0 < 1 || u1 >= w-1 || v1 >= h-1 {
		return saddle{}, false
	}
	// n1 is across the edge that runs along y, n2 across the one along x
	n1, n2 := dy.Perp().Unit(), dx.Perp().Unit()
	if n1.Dot(dx) < 0 {
		n1 = n1.Mul(-1)
	}
	if n2.Dot(dy) < 0 {
		n2 = n2.Mul(-1)
	}
	step := 1
	for (u1-u0)*(v1-v0)/(step*step) > 900 {
		step++
	}
	type px struct{ u, v, i float64 }
	pxs := make([]px, 0, 1024)
	lo, hi := 255.0, 0.0
	var corr, sum float64
	for v := v0; v <= v1; v += step {
		for u := u0; u <= u1; u += step {
			d := geometry.Vec2{X: float64(u) - at.X, Y: float64(v) - at.Y}
			bx, by := ix.Dot(d), iy.Dot(d)
			if math.Abs(bx) > radius || math.Abs(by) > radius {
				continue
			}
			g := float64(grey[v*w+u])
			lo, hi = math.Min(lo, g), math.Max(hi, g)
			corr += g * math.Copysign(1, bx*by)
			sum += g
			pxs = append(pxs, px{d.X, d.Y, g})
		}
	}
	n := len(pxs)
	if n < 20 || hi-lo < 12 {
		return saddle{}, false
	}
	a1, a2 := math.Atan2(n1.Y, n1.X), math.Atan2(n2.Y, n2.X)
	m, a := sum/float64(n), math.Copysign((hi-lo)/2, corr)
	c, s := geometry.Vec2{}, 1.2
	limit := math.Min(3+0.3*math.Min(ext, eyt), 0.9*math.Min(ext, eyt))
	var ata [7][7]float64
	var rss float64
	for it := 0; it < 8; it++ {
		ata = [7][7]float64{}
		var atb [7]float64
		rss = 0
		s1, c1 := math.Sincos(a1)
		s2, c2 := math.Sincos(a2)
		for _, q := range pxs {
			ex, ey := q.u-c.X, q.v-c.Y
			d1, d2 := (c1*ex+s1*ey)/s, (c2*ex+s2*ey)/s
			e1, g1 := edgeSpread(d1)
			e2, g2 := edgeSpread(d2)
			r := q.i - (m + a*e1*e2)
			p1, p2 := a*g1*e2/s, a*e1*g2/s
			j := [7]float64{
				-(p1*c1 + p2*c2), -(p1*s1 + p2*s2),
				p1 * (-s1*ex + c1*ey), p2 * (-s2*ex + c2*ey),
				1, e1 * e2, -(p1*d1 + p2*d2),
			}
			for k := 0; k < 7; k++ {
				for l := k; l < 7; l++ {
					ata[k][l] += j[k] * j[l]
				}
				atb[k] += j[k] * r
			}
			rss += r * r
		}
		x, ok := solve7(ata, atb)
		if !ok {
			return saddle{}, false
		}
		c.X += clamp(x[0], 1.5)
		c.Y += clamp(x[1], 1.5)
		a1 += clamp(x[2], 0.2)
		a2 += clamp(x[3], 0.2)
		m += x[4]
		a += x[5]
		s = math.Min(math.Max(s+clamp(x[6], 0.7), 0.35), 12)
		if c.Norm() > limit {
			return saddle{}, false
		}
		if math.Abs(x[0])+math.Abs(x[1]) < 2e-3 && it > 1 {
			break
		}
	}
	noise := rss / float64(n-7)
	contrast := 2 * math.Abs(a)
	// A corner that the model explains: residuals small against its contrast.
	if contrast < 15 || math.Sqrt(noise) > 0.12*contrast || a*corr < 0 {
		return saddle{}, false
	}
	cx, cy, ok := cov2(ata)
	if !ok {
		return saddle{}, false
	}
	return saddle{uv: at.Add(c), sigma: math.Sqrt(noise * (cx + cy) / 2), blur: s, contrast: contrast}, true
}

func clamp(v, limit float64) float64 { return math.Max(-limit, math.Min(limit, v)) }

// cholesky7 factorises a symmetric positive definite matrix given by its upper
// triangle; l is lower.
func cholesky7(a [7][7]float64) (l [7][7]float64, ok bool) {
	for i := 0; i < 7; i++ {
		for j := 0; j <= i; j++ {
			s := a[j][i]
			for k := 0; k < j; k++ {
				s -= l[i][k] * l[j][k]
			}
			if i == j {
				if !(s > 1e-9) {
					return l, false
				}
				l[i][i] = math.Sqrt(s)
			} else {
				l[i][j] = s / l[j][j]
			}
		}
	}
	return l, true
}

func solve7(a [7][7]float64, b [7]float64) (x [7]float64, ok bool) {
	l, ok := cholesky7(a)
	if !ok {
		return x, false
	}
	for i := 0; i < 7; i++ {
		s := b[i]
		for k := 0; k < i; k++ {
			s -= l[i][k] * x[k]
		}
		x[i] = s / l[i][i]
	}
	for i := 6; i >= 0; i-- {
		s := x[i]
		for k := i + 1; k < 7; k++ {
			s -= l[k][i] * x[k]
		}
		x[i] = s / l[i][i]
	}
	return x, true
}

// cov2 returns the first two diagonal terms of the inverse.
func cov2(a [7][7]float64) (c0, c1 float64, ok bool) {
	var e0, e1 [7]float64
	e0[0], e1[1] = 1, 1
	x0, ok0 := solve7(a, e0)
	x1, ok1 := solve7(a, e1)
	return x0[0], x1[1], ok0 && ok1
}
