package vision

import (
	"math"

	"beltend/geometry"
	"beltend/vision/simd"
)

// channels of the scene map: light, two chromas, texture.
const channels = 4

// sceneMap is a coarse top-down map of what the photo shows of the plane:
// pixel (i, j) lies at Min + (i, j) * Step in the plane frame.
type sceneMap struct {
	Min    geometry.Vec2
	Step   float64 // mm
	W, H   int
	V      [][channels]float32 // smoothed
	Known  []bool              // inside the photo and not on a card
	Inside []bool              // inside the photo
	// Noise is the usual size of a difference across diffSpan on the belt near
	// the cards, one number a channel.
	Noise [channels]float64
	// Belt is the belt's look near the cards (median), Spread how much it varies.
	Belt, Spread [channels]float64
	// Strange is how far each place's look is from the belt's near the cards, by
	// chroma and texture more than by light.
	Strange []float32
}

// Windows whose difference is the evidence for an edge: from 5 to 15 mm on
// either side, clear of the edge's own blur and roughness.
const (
	nearMM = 6.0
	farMM  = 14.0
)

// newSceneMap looks at the plane from above. sheets are the cards' outlines in
// the plane frame, grown by what lies around the board.
func newSceneMap(p *Picture, view *geometry.View, sheets [][4]geometry.Vec2) *sceneMap {
	m := &sceneMap{}
	// footprint of the photo, at most a few camera heights away
	var centre geometry.Vec2
	for _, s := range sheets {
		centre = centre.Add(s[0].Add(s[2]).Mul(0.5 / float64(len(sheets))))
	}
	reach := 3.2 * view.Centre().Z
	lo, hi := geometry.Vec2{X: math.Inf(1), Y: math.Inf(1)}, geometry.Vec2{X: math.Inf(-1), Y: math.Inf(-1)}
	for i := 0; i <= 40; i++ {
		for j := 0; j <= 40; j++ {
			q, ok := view.Unproject(geometry.Vec2{X: float64(p.W-1) * float64(i) / 40, Y: float64(p.H-1) * float64(j) / 40})
			if !ok || q.Sub(centre).Norm() > reach {
				continue
			}
			lo.X, lo.Y, hi.X, hi.Y = math.Min(lo.X, q.X), math.Min(lo.Y, q.Y), math.Max(hi.X, q.X), math.Max(hi.Y, q.Y)
		}
	}
	area := (hi.X - lo.X) * (hi.Y - lo.Y)
	m.Step = math.Max(3, math.Sqrt(area/100000))
	m.Min = lo
	m.W, m.H = int((hi.X-lo.X)/m.Step)+1, int((hi.Y-lo.Y)/m.Step)+1
	n := m.W * m.H
	m.Known, m.Inside = make([]bool, n), make([]bool, n)
	m.V = make([][channels]float32, n)
	looks := looksOf(p)
	right, bottom := float64(p.W-13), float64(p.H-13)
	for j := 0; j < m.H; j++ {
		q := geometry.Vec2{Y: lo.Y + float64(j)*m.Step}
		for i := 0; i < m.W; i++ {
			q.X = lo.X + float64(i)*m.Step
			uv, ok := view.Project(q)
			if !ok || uv.X < 12 || uv.Y < 12 || uv.X > right || uv.Y > bottom {
				continue
			}
			k := j*m.W + i
			m.Inside[k] = true
			m.V[k] = bilinear(looks, p.CW, p.CH, (uv.X-3.5)/colourShrink, (uv.Y-3.5)/colourShrink)
		}
	}
	copy(m.Known, m.Inside)
	for _, s := range sheets {
		m.mask(s)
	}
	m.smooth()
	m.learn(sheets)
	m.compare()
	return m
}

// looksOf turns the small colour picture into looks: light and chroma as
// logarithms, so that a shadow is the same step on every colour and leaves
// chroma alone, and texture.
func looksOf(p *Picture) [][channels]float32 {
	var ln [256]float32
	for i := range ln {
		ln[i] = float32(100 * math.Log((float64(i)+8)/263))
	}
	out := make([][channels]float32, p.CW*p.CH)
	for k := range out {
		px := p.Colour[3*k : 3*k+3]
		b, g, r := ln[px[0]], ln[px[1]], ln[px[2]]
		out[k] = [channels]float32{(b + 2*g + r) / 4, r - g, b - g, 0}
	}
	addTexture(p, out)
	return out
}

// grain is the texture of a mean absolute difference of k/16 grey levels.
var grain = func() (t [16*255 + 1]float32) {
	for k := range t {
		t[k] = float32(40 * math.Log(float64(k)/16+0.5))
	}
	return t
}()

// addTexture fills in texture: the logarithm of the mean absolute difference
// between pixels two apart, of 16 pairs in every block of 8 x 8 pixels. A block
// at the right or lower border that does not hold them all has none: no place
// of the map is so near the border.
func addTexture(p *Picture, looks [][channels]float32) {
	sums := make([]uint16, len(looks))
	simd.Texture(p.Grey, p.W, p.H, p.CW, sums)
	for j := 0; 8*j+7 < p.H; j++ {
		for i := 0; 8*i+8 < p.W; i++ {
			looks[j*p.CW+i][3] = grain[sums[j*p.CW+i]]
		}
	}
}

// bilinear interpolates between the looks of a small picture.
func bilinear(v [][channels]float32, w, h int, x, y float64) (out [channels]float32) {
	i, j := int(x), int(y)
	if i < 0 || j < 0 || i+1 >= w || j+1 >= h {
		return v[max(0, min(j, h-1))*w+max(0, min(i, w-1))]
	}
	fx, fy := float32(x-float64(i)), float32(y-float64(j))
	k := j*w + i
	a, b, c, d := &v[k], &v[k+1], &v[k+w], &v[k+w+1]
	for n := range out {
		t := a[n] + (b[n]-a[n])*fx
		out[n] = t + (c[n]+(d[n]-c[n])*fx-t)*fy
	}
	return out
}

// mask takes a sheet out of the map.
func (m *sceneMap) mask(s [4]geometry.Vec2) {
	lo, hi := s[0], s[0]
	for _, q := range s {
		lo.X, lo.Y, hi.X, hi.Y = min(lo.X, q.X), min(lo.Y, q.Y), max(hi.X, q.X), max(hi.Y, q.Y)
	}
	clip := func(v float64, n int) int { return int(max(0, min(float64(n), v/m.Step))) }
	for j := clip(lo.Y-m.Min.Y, m.H); j < min(m.H, clip(hi.Y-m.Min.Y, m.H)+1); j++ {
		for i := clip(lo.X-m.Min.X, m.W); i < min(m.W, clip(hi.X-m.Min.X, m.W)+1); i++ {
			if insideQuad(s, geometry.Vec2{X: m.Min.X + float64(i)*m.Step, Y: m.Min.Y + float64(j)*m.Step}) {
				m.Known[j*m.W+i] = false
			}
		}
	}
}

func insideQuad(s [4]geometry.Vec2, q geometry.Vec2) bool {
	pos, neg := false, false
	for k := range s {
		if s[(k+1)%4].Sub(s[k]).Cross(q.Sub(s[k])) > 0 {
			pos = true
		} else {
			neg = true
		}
	}
	return !(pos && neg)
}

// smooth is a 3 x 3 binomial filter over known pixels.
func (m *sceneMap) smooth() {
	out := make([][channels]float32, len(m.V))
	copy(out, m.V)
	down := make([][channels]float32, m.W) // sums of three, 1 2 1
	whole := make([]bool, m.W)             // all three known
	for j := 1; j < m.H-1; j++ {
		row := j * m.W
		above, here, below := m.V[row-m.W:row], m.V[row:row+m.W], m.V[row+m.W:row+2*m.W]
		for i := range down {
			k := row + i
			whole[i] = m.Known[k-m.W] && m.Known[k] && m.Known[k+m.W]
			a, b, c := &above[i], &here[i], &below[i]
			for n := range a {
				down[i][n] = a[n] + 2*b[n] + c[n]
			}
		}
		for i := 1; i < m.W-1; i++ {
			k := row + i
			if whole[i-1] && whole[i] && whole[i+1] {
				a, b, c := &down[i-1], &down[i], &down[i+1]
				for n := range a {
					out[k][n] = (a[n] + 2*b[n] + c[n]) / 16
				}
			} else if m.Known[k] {
				out[k] = m.meanOfKnown(k)
			}
		}
	}
	m.V = out
}

// meanOfKnown is the filter at pixel k where not all around it are known.
func (m *sceneMap) meanOfKnown(k int) (out [channels]float32) {
	var sum float32
	for b := -1; b <= 1; b++ {
		for a := -1; a <= 1; a++ {
			if q := k + b*m.W + a; m.Known[q] {
				w := float32((2 - b*b) * (2 - a*a))
				for n, v := range m.V[q] {
					out[n] += w * v
				}
				sum += w
			}
		}
	}
	for n := range out {
		out[n] /= sum
	}
	return out
}

// index returns the pixel nearest to a place, -1 outside the map.
func (m *sceneMap) index(q geometry.Vec2) int { return m.nearest(m.pixels(q)) }

// pixels is a place in pixels of the map.
func (m *sceneMap) pixels(q geometry.Vec2) geometry.Vec2 { return q.Sub(m.Min).Mul(1 / m.Step) }

// nearest returns the pixel nearest to a place in pixels, -1 outside the map.
func (m *sceneMap) nearest(at geometry.Vec2) int {
	x, y := at.X+0.5, at.Y+0.5
	if !(x >= 0 && y >= 0) {
		return -1
	}
	i, j := int(x), int(y)
	if i >= m.W || j >= m.H {
		return -1
	}
	return j*m.W + i
}

// at returns the channels at a place; ok is false on cards and outside.
func (m *sceneMap) at(q geometry.Vec2, out *[channels]float64) bool {
	k := m.index(q)
	if k < 0 || !m.Known[k] {
		return false
	}
	for c, v := range m.V[k] {
		out[c] = float64(v)
	}
	return true
}

// inPhoto reports whether a place is in the photo.
func (m *sceneMap) inPhoto(q geometry.Vec2) bool {
	k := m.index(q)
	return k >= 0 && m.Inside[k]
}

// side returns the mean look between nearMM and farMM from q along n.
func (m *sceneMap) side(q, n geometry.Vec2, out *[channels]float64) bool {
	*out = [channels]float64{}
	for _, d := range [...]float64{nearMM, (nearMM + farMM) / 2, farMM} {
		k := m.index(geometry.Vec2{X: q.X + d*n.X, Y: q.Y + d*n.Y})
		if k < 0 || !m.Known[k] {
			return false
		}
		for c, v := range m.V[k] {
			out[c] += float64(v) / 3
		}
	}
	return true
}

// learn takes the belt's look and its usual variation from around the cards.
func (m *sceneMap) learn(sheets [][4]geometry.Vec2) {
	var looks, diffs [channels][]float64
	for _, s := range sheets {
		centre := s[0].Add(s[2]).Mul(0.5)
		for k := 0; k < 360; k += 4 {
			dir := geometry.Vec2{X: 1}.Rotate(float64(k) * math.Pi / 180)
			t := 0.0
			for insideQuad(s, centre.Add(dir.Mul(t))) {
				t += m.Step
			}
			for _, d := range []float64{farMM + 4, farMM + 14, farMM + 24} {
				q := centre.Add(dir.Mul(t + d))
				for _, n := range []geometry.Vec2{dir, dir.Perp()} {
					var a, b [channels]float64
					if m.side(q, n, &a) && m.side(q, n.Mul(-1), &b) {
						for c := range a {
							diffs[c] = append(diffs[c], math.Abs(a[c]-b[c]))
							looks[c] = append(looks[c], a[c])
						}
					}
				}
			}
		}
	}
	floor := [channels]float64{1.5, 1, 1, 2.5}
	for c := range m.Noise {
		m.Noise[c] = math.Max(floor[c], third(diffs[c]))
		m.Belt[c] = median(looks[c])
		dev := make([]float64, len(looks[c]))
		for i, v := range looks[c] {
			dev[i] = math.Abs(v - m.Belt[c])
		}
		m.Spread[c] = math.Max(2*floor[c], third(dev))
	}
}

// lookWeight weighs the channels of a look: shadows change light, not chroma,
// and grain less.
var lookWeight = [channels]float64{0.25, 1, 1, 0.6}

// contrast is the evidence for an edge at q with the belt towards n: the
// distance between the looks of both sides in units of the belt's own
// variation. foreign says how far the far side is from the belt's look, near
// how far the near side is; both by chroma and texture more than by light,
// which shadows change.
func (m *sceneMap) contrast(q, n geometry.Vec2) (evidence, near, foreign float64, ok bool) {
	var a, b [channels]float64
	if !m.side(q, n, &a) || !m.side(q, n.Mul(-1), &b) {
		return 0, 0, 0, false
	}
	for c := range a {
		d := min(math.Abs(a[c]-b[c])/m.Noise[c], 6)
		evidence += d * d
		e := min(math.Abs(a[c]-m.Belt[c])/m.Spread[c], 8)
		near += lookWeight[c] * e * e
		e = min(math.Abs(b[c]-m.Belt[c])/m.Spread[c], 8)
		foreign += lookWeight[c] * e * e
	}
	return math.Sqrt(evidence), math.Sqrt(near), math.Sqrt(foreign), true
}

// third is the standard deviation that the smallest third of the absolute
// deviations tells (a normal deviate is below 0.4307 sd in one third of cases):
// a card near an edge has ground around it too.
func third(dev []float64) float64 {
	if len(dev) == 0 {
		return 0
	}
	return nth(dev, len(dev)/3) / 0.4307
}
