package vision

import (
	"math"
	"sort"

	"beltend/geometry"
)

// channels of the scene map: light, two chromas, texture.
const channels = 4

// sceneMap is a coarse top-down map of what the photo shows of the plane:
// pixel (i, j) lies at Min + (i, j) * Step in the plane frame.
type sceneMap struct {
	Min    geometry.Vec2
	Step   float64 // mm
	W, H   int
	V      [channels][]float32 // smoothed
	Known  []bool              // inside the photo and not on a card
	Inside []bool              // inside the photo
	// Noise is the usual size of a difference across diffSpan on the belt near
	// the cards, one number a channel.
	Noise [channels]float64
	// Belt is the belt's look near the cards (median), Spread how much it varies.
	Belt, Spread [channels]float64
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
	for c := range m.V {
		m.V[c] = make([]float32, n)
	}
	tex, tw, th := texture(p)
	look := lookTable(p)
	for j := 0; j < m.H; j++ {
		for i := 0; i < m.W; i++ {
			q := geometry.Vec2{X: lo.X + float64(i)*m.Step, Y: lo.Y + float64(j)*m.Step}
			uv, ok := view.Project(q)
			if !ok || uv.X < 12 || uv.Y < 12 || uv.X > float64(p.W-13) || uv.Y > float64(p.H-13) {
				continue
			}
			k := j*m.W + i
			m.Inside[k] = true
			x, y := (uv.X-3.5)/colourShrink, (uv.Y-3.5)/colourShrink
			for c := 0; c < 3; c++ {
				m.V[c][k] = bilinear3(look, p.CW, p.CH, x, y, c)
			}
			m.V[3][k] = bilinear3(tex, tw, th, x, y, 0)
		}
	}
	copy(m.Known, m.Inside)
	for _, s := range sheets {
		m.mask(s)
	}
	m.smooth()
	m.learn(sheets)
	return m
}

// lookTable turns the small colour picture into light and chroma: logarithms,
// so that a shadow is the same step on every colour and leaves chroma alone.
func lookTable(p *Picture) []float32 {
	var ln [256]float32
	for i := range ln {
		ln[i] = float32(100 * math.Log((float64(i)+8)/263))
	}
	out := make([]float32, 3*p.CW*p.CH)
	for k := 0; k < p.CW*p.CH; k++ {
		b, g, r := ln[p.Colour[3*k]], ln[p.Colour[3*k+1]], ln[p.Colour[3*k+2]]
		out[3*k] = (b + 2*g + r) / 4
		out[3*k+1] = r - g
		out[3*k+2] = b - g
	}
	return out
}

// texture is the logarithm of the mean absolute difference between neighbours
// in blocks of 8 pixels, replicated to 3 values a block as bilinear3 reads.
func texture(p *Picture) ([]float32, int, int) {
	w, h := p.CW, p.CH
	out := make([]float32, 3*w*h)
	for j := 0; j < h; j++ {
		for i := 0; i < w; i++ {
			sum, n := 0, 0
			for y := 8*j + 1; y < 8*j+8 && y+2 < p.H; y += 4 {
				row, below := p.Grey[y*p.W:], p.Grey[(y+2)*p.W:]
				for x := 8 * i; x < 8*i+8 && x+2 < p.W; x += 2 {
					d, e := int(row[x])-int(row[x+2]), int(row[x])-int(below[x])
					if d < 0 {
						d = -d
					}
					if e < 0 {
						e = -e
					}
					sum += d + e
					n += 2
				}
			}
			if n > 0 {
				out[3*(j*w+i)] = float32(40 * math.Log(float64(sum)/float64(n)+0.5))
			}
		}
	}
	return out, w, h
}

func bilinear3(v []float32, w, h int, x, y float64, c int) float32 {
	i, j := int(x), int(y)
	if i < 0 || j < 0 || i+1 >= w || j+1 >= h {
		i, j = max(0, min(i, w-1)), max(0, min(j, h-1))
		return v[3*(j*w+i)+c]
	}
	fx, fy := float32(x-float64(i)), float32(y-float64(j))
	k := 3*(j*w+i) + c
	a := v[k]*(1-fx) + v[k+3]*fx
	b := v[k+3*w]*(1-fx) + v[k+3*w+3]*fx
	return a*(1-fy) + b*fy
}

// mask takes a sheet out of the map.
func (m *sceneMap) mask(s [4]geometry.Vec2) {
	for j := 0; j < m.H; j++ {
		for i := 0; i < m.W; i++ {
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
	tmp := make([]float32, len(m.Known))
	for c := range m.V {
		v := m.V[c]
		copy(tmp, v)
		for j := 1; j < m.H-1; j++ {
			for i := 1; i < m.W-1; i++ {
				k := j*m.W + i
				if !m.Known[k] {
					continue
				}
				var s, n float32
				for b := -1; b <= 1; b++ {
					for a := -1; a <= 1; a++ {
						q := k + b*m.W + a
						if m.Known[q] {
							w := float32((2 - b*b) * (2 - a*a))
							s += w * tmp[q]
							n += w
						}
					}
				}
				v[k] = s / n
			}
		}
	}
}

// at returns the channels at a place; ok is false on cards and outside.
func (m *sceneMap) at(q geometry.Vec2, out *[channels]float64) bool {
	i, j := int(math.Round((q.X-m.Min.X)/m.Step)), int(math.Round((q.Y-m.Min.Y)/m.Step))
	if i < 0 || j < 0 || i >= m.W || j >= m.H || !m.Known[j*m.W+i] {
		return false
	}
	k := j*m.W + i
	for c := range out {
		out[c] = float64(m.V[c][k])
	}
	return true
}

// inPhoto reports whether a place is in the photo.
func (m *sceneMap) inPhoto(q geometry.Vec2) bool {
	i, j := int(math.Round((q.X-m.Min.X)/m.Step)), int(math.Round((q.Y-m.Min.Y)/m.Step))
	return i >= 0 && j >= 0 && i < m.W && j < m.H && m.Inside[j*m.W+i]
}

// side returns the mean look between nearMM and farMM from q along n.
func (m *sceneMap) side(q, n geometry.Vec2, out *[channels]float64) bool {
	var a, b, c [channels]float64
	if !m.at(q.Add(n.Mul(nearMM)), &a) || !m.at(q.Add(n.Mul((nearMM+farMM)/2)), &b) || !m.at(q.Add(n.Mul(farMM)), &c) {
		return false
	}
	for k := range out {
		out[k] = (a[k] + b[k] + c[k]) / 3
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
		d := math.Min(math.Abs(a[c]-b[c])/m.Noise[c], 6)
		evidence += d * d
		e := math.Min(math.Abs(a[c]-m.Belt[c])/m.Spread[c], 8)
		near += lookWeight[c] * e * e
		e = math.Min(math.Abs(b[c]-m.Belt[c])/m.Spread[c], 8)
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
	sort.Float64s(dev)
	return dev[len(dev)/3] / 0.4307
}
