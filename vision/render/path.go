package render

import (
	"math"

	"beltend/geometry"
)

// segment is a straight piece of a projected outline, in pixels shifted so
// that pixel (0, 0) covers 0..1 both ways; y0 != y1.
type segment struct{ x0, y0, x1, y1 float64 }

// chordError is how far a drawn piece may lie from the true curve, px.
const chordError = 0.002

// projector turns polygons in space into segments in the picture.
type projector struct {
	view   *geometry.View
	rot    geometry.Mat3
	shift  vec3
	mx, my float64 // clip where |X| > mx Z or |Y| > my Z
}

func newProjector(v *geometry.View, w, h int) projector {
	p := projector{view: v, rot: v.CamFromPlane.Rotation(), shift: v.CamFromPlane.Translation()}
	for _, uv := range []vec2{{X: -1, Y: -1}, {X: float64(w), Y: -1}, {X: -1, Y: float64(h)}, {X: float64(w), Y: float64(h)}} {
		xy, ok := v.Camera.Undistort(uv)
		if !ok { // a lens folded inside the picture: take the pinhole's view
			xy = vec2{X: (uv.X - v.Camera.CX) / v.Camera.F, Y: (uv.Y - v.Camera.CY) / v.Camera.F}
		}
		p.mx, p.my = math.Max(p.mx, math.Abs(xy.X)), math.Max(p.my, math.Abs(xy.Y))
	}
	// barrel distortion bows the sides outwards between the corners
	p.mx, p.my = p.mx*1.08+0.02, p.my*1.08+0.02
	return p
}

// polygon appends the projected sides of a closed polygon.
func (p *projector) polygon(segs []segment, pts []vec3) []segment {
	cam := make([]vec3, len(pts))
	for i, q := range pts {
		cam[i] = p.rot.Apply(q).Add(p.shift)
	}
	for _, d := range [4]func(vec3) float64{
		func(q vec3) float64 { return p.mx*q.Z - q.X },
		func(q vec3) float64 { return p.mx*q.Z + q.X },
		func(q vec3) float64 { return p.my*q.Z - q.Y },
		func(q vec3) float64 { return p.my*q.Z + q.Y },
	} {
		cam = clip(cam, d)
	}
	if len(cam) < 3 {
		return segs
	}
	uv := make([]vec2, len(cam))
	for i, q := range cam {
		uv[i], _ = p.view.Camera.Project(q)
	}
	for i := range cam {
		j := i + 1
		if j == len(cam) {
			j = 0
		}
		segs = p.piece(segs, cam[i], cam[j], uv[i], uv[j], 0)
	}
	return segs
}

// clip keeps the part of a polygon where d is not negative (Sutherland and
// Hodgman).
func clip(pts []vec3, d func(vec3) float64) []vec3 {
	inside := true
	for _, q := range pts {
		if d(q) < 1e-6 {
			inside = false
			break
		}
	}
	if inside {
		return pts
	}
	out := make([]vec3, 0, len(pts)+4)
	for i, q := range pts {
		r := pts[(i+1)%len(pts)]
		a, b := d(q)-1e-6, d(r)-1e-6
		if a >= 0 {
			out = append(out, q)
		}
		if (a >= 0) != (b >= 0) {
			t := a / (a - b)
			out = append(out, q.Add(r.Sub(q).Mul(t)))
		}
	}
	return out
}

// piece appends a side, halved until its projection is straight.
func (p *projector) piece(segs []segment, a, b vec3, ua, ub vec2, depth int) []segment {
	d := ub.Sub(ua)
	if n := d.Norm(); depth < 12 && n > 1 {
		m := a.Add(b).Mul(0.5)
		um, ok := p.view.Camera.Project(m)
		// the first halving is looked through twice: a curve with a turning
		// point crosses its own chord
		if ok && (math.Abs(um.Sub(ua).Cross(d)) > chordError*n || (depth < 2 && n > 400)) {
			segs = p.piece(segs, a, m, ua, um, depth+1)
			return p.piece(segs, m, b, um, ub, depth+1)
		}
	}
	if ua.Y != ub.Y {
		segs = append(segs, segment{ua.X + 0.5, ua.Y + 0.5, ub.X + 0.5, ub.Y + 0.5})
	}
	return segs
}

// area is twice the signed area of projected outlines; the sign tells from
// which side a face is seen.
func area(segs []segment) float64 {
	s := 0.0
	for _, g := range segs {
		s += (g.y1 - g.y0) * (g.x0 + g.x1)
	}
	return s
}

// coverage is the exact area that outlines cover of the pixels of a strip.
type coverage struct {
	w, rows  int
	acc      []float32
	min, max []int // touched columns of each row; max < min: none
}

func newCoverage(w, rows int) *coverage {
	return &coverage{w: w, rows: rows, acc: make([]float32, (w+2)*rows), min: make([]int, rows), max: make([]int, rows)}
}

// fill draws the outlines into the strip of rows from top.
func (c *coverage) fill(segs []segment, top, rows int) (touched bool) {
	for r := range rows {
		if c.max[r] >= c.min[r] {
			clear(c.acc[r*(c.w+2)+c.min[r] : r*(c.w+2)+c.max[r]+1])
		}
		c.min[r], c.max[r] = c.w+2, -1
	}
	t, b := float64(top), float64(top+rows)
	for _, g := range segs {
		if (g.y0 >= b && g.y1 >= b) || (g.y0 <= t && g.y1 <= t) {
			continue
		}
		touched = true
		sign := float32(1)
		if g.y0 > g.y1 {
			g.x0, g.y0, g.x1, g.y1 = g.x1, g.y1, g.x0, g.y0
			sign = -1
		}
		slope := (g.x1 - g.x0) / (g.y1 - g.y0)
		y, x := g.y0, g.x0
		if y < t {
			x += slope * (t - y)
			y = t
		}
		end := math.Min(g.y1, b)
		for y < end {
			r := int(y)
			yn := math.Min(float64(r+1), end)
			dy := yn - y
			xn := x + slope*dy
			c.span(r-top, x, xn, dy, sign)
			x, y = xn, yn
		}
	}
	return touched
}

// span adds a piece that crosses one row by dy between x and xn.
func (c *coverage) span(row int, x, xn, dy float64, sign float32) {
	if row >= c.rows {
		return
	}
	if x > xn {
		x, xn = xn, x
	}
	wf := float64(c.w)
	// left of the picture counts at its side; right of it not at all
	if x < 0 || xn > wf {
		if xn <= 0 {
			x, xn = 0, 0
		} else if x >= wf {
			return
		} else {
			d := dy / (xn - x)
			if x < 0 {
				c.span(row, 0, 0, -x*d, sign)
				x = 0
			}
			if xn > wf {
				xn = wf
			}
			dy = (xn - x) * d
			if !(dy > 0) {
				return
			}
		}
	}
	acc := c.acc[row*(c.w+2) : (row+1)*(c.w+2)]
	i, j := int(x), int(xn)
	c.min[row], c.max[row] = min(c.min[row], i), max(c.max[row], j+1)
	h := sign * float32(dy)
	if i == j || xn == float64(i+1) {
		f := float32((x+xn)/2 - float64(i))
		acc[i] += h * (1 - f)
		acc[i+1] += h * f
		return
	}
	// over several pixels: the covered area of each is a trapezium
	d := dy / (xn - x)
	prev := 0.0 // covered so far, summed over pixels
	for k := i; k <= j; k++ {
		// area of column k to the right of the piece, summed from y
		a, b := math.Max(x, float64(k)), math.Min(xn, float64(k+1))
		full := 0.0 // height that lies left of this column
		if a > x {
			full = (a - x) * d
		}
		cov := full + (b-a)*d*(float64(k+1)-(a+b)/2)
		acc[k] += sign * float32(cov-prev)
		prev = cov
	}
	acc[j+1] += sign * float32(dy-prev)
}
