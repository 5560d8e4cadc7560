package vision

import (
	"math"
	"sort"

	"beltend/geometry"
	"beltend/vision/simd"
)

// planeLine is a candidate line of the plane: points with N.q = D, N a unit
// normal.
type planeLine struct {
	N     geometry.Vec2
	D     float64
	Votes float64
}

func (l planeLine) dir() geometry.Vec2 { return l.N.Perp() }

// foot is the place of the line next to q.
func (l planeLine) foot(q geometry.Vec2) geometry.Vec2 { return q.Sub(l.N.Mul(l.N.Dot(q) - l.D)) }

// meet returns where two lines cross.
func (l planeLine) meet(o planeLine) (geometry.Vec2, bool) {
	x := l.N.Cross(o.N)
	if math.Abs(x) < 0.05 {
		return geometry.Vec2{}, false
	}
	return geometry.Vec2{X: (l.D*o.N.Y - o.D*l.N.Y) / x, Y: (o.D*l.N.X - l.D*o.N.X) / x}, true
}

// facing turns a line's normal towards the cards; ok is false where it runs
// through one.
func (l planeLine) facing(cards []geometry.Vec2) (planeLine, bool) {
	const margin = 4.0 // mm of a card that may lie beyond
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, q := range cards {
		d := l.N.Dot(q) - l.D
		lo, hi = math.Min(lo, d), math.Max(hi, d)
	}
	if hi <= margin {
		l.N, l.D, lo = l.N.Mul(-1), -l.D, -hi
	}
	return l, lo >= -margin
}

// candidateLines finds straight steps of any channel in the map by a Hough
// transform whose votes come from each place's own gradient direction, then
// straightens each onto the steps it runs along.
func (m *sceneMap) candidateLines(most int) []planeLine {
	const reach = 2
	gradient := func(k, c int) (gx, gy float32) {
		return m.V[k+reach][c] - m.V[k-reach][c], m.V[k+reach*m.W][c] - m.V[k-reach*m.W][c]
	}
	inside := make([]int32, 0, len(m.V)) // pixels with known ones all around
	var all [channels][]float64
	for j := reach; j < m.H-reach; j++ {
		for i := reach; i < m.W-reach; i++ {
			k := j*m.W + i
			if !m.Known[k] || !m.Known[k-reach] || !m.Known[k+reach] || !m.Known[k-reach*m.W] || !m.Known[k+reach*m.W] {
				continue
			}
			inside = append(inside, int32(k))
			if (i+j)%7 == 0 {
				for c := range all {
					gx, gy := gradient(k, c)
					all[c] = append(all[c], float64(gx*gx+gy*gy))
				}
			}
		}
	}
	var noise, least [channels]float32 // least: the square of the smallest step that votes
	for c := range noise {
		noise[c] = float32(max(math.Sqrt(median(all[c]))/1.18, []float64{0.8, 0.6, 0.6, 2}[c]))
		least[c] = 2.2 * 2.2 * noise[c] * noise[c]
	}
	const bins = 180
	diag := int(math.Hypot(float64(m.W), float64(m.H))) + 2
	acc := make([]float32, bins*2*diag)
	var sin, cos [bins]float64
	for t := range sin {
		sin[t], cos[t] = math.Sincos(float64(t) * math.Pi / bins)
	}
	m.simd().Votes(inside, reach, least, noise, sin[:], cos[:], diag, acc)
	var out []planeLine
	for t := 0; t < bins; t++ {
		for d := 2; d < 2*diag-2; d++ {
			v := acc[t*2*diag+d]
			if v < 60 {
				continue
			}
			peak := true
			for dt := -2; dt <= 2 && peak; dt++ {
				tt, flip := t+dt, false
				if tt < 0 || tt >= bins {
					tt, flip = ((tt%bins)+bins)%bins, true
				}
				for dd := -2; dd <= 2; dd++ {
					e := d + dd
					if flip {
						e = 2*diag - e
					}
					if (dt != 0 || dd != 0) && e >= 0 && e < 2*diag {
						o := acc[tt*2*diag+e]
						if o > v || (o == v && (dt < 0 || (dt == 0 && dd < 0))) {
							peak = false
							break
						}
					}
				}
			}
			if peak {
				n := geometry.Vec2{X: cos[t], Y: sin[t]}
				out = append(out, planeLine{N: n, D: float64(d-diag)*m.Step + n.Dot(m.Min), Votes: float64(v)})
			}
		}
	}
	sort.Slice(out, func(i, j int) bool { return out[i].Votes > out[j].Votes })
	if len(out) > most {
		out = out[:most]
	}
	for _, reach := range []float64{10, 6, 4} {
		for i := range out {
			out[i] = m.straighten(out[i], noise, reach)
		}
		out = dropTwins(out)
	}
	return out
}

// compare fills in Strange.
func (m *sceneMap) compare() {
	m.Strange = make([]float32, len(m.Known))
	var belt, spread, weight [channels]float32
	for c := range belt {
		belt[c], spread[c], weight[c] = float32(m.Belt[c]), float32(m.Spread[c]), float32(lookWeight[c])
	}
	simd.Strangeness(m.V, belt, spread, weight, 8, m.Strange)
}

// clip returns the part of a line inside the map as parameters along dir.
func (m *sceneMap) clip(l planeLine) (t0, t1 float64) {
	p, d := l.N.Mul(l.D), l.dir()
	t0, t1 = math.Inf(-1), math.Inf(1)
	for _, b := range [][4]float64{
		{p.X, d.X, m.Min.X, float64(m.W-1) * m.Step},
		{p.Y, d.Y, m.Min.Y, float64(m.H-1) * m.Step},
	} {
		if math.Abs(b[1]) < 1e-9 {
			continue
		}
		a, c := (b[2]-b[0])/b[1], (b[2]+b[3]-b[0])/b[1]
		t0, t1 = math.Max(t0, math.Min(a, c)), math.Min(t1, math.Max(a, c))
	}
	return t0, t1
}

// simd is the map for the loops over its places.
func (m *sceneMap) simd() simd.Map {
	return simd.Map{Width: m.W, Height: m.H, Looks: m.V, Strange: m.Strange, Known: m.Known}
}

// straighten moves a line onto the steps within reach (mm) of it.
func (m *sceneMap) straighten(l planeLine, noise [channels]float32, reach float64) planeLine {
	t0, t1 := m.clip(l)
	if !(t1 > t0) {
		return l
	}
	p, d := l.N.Mul(l.D), l.dir()
	const least = 4
	// places across the line, half a pixel of the map apart: a step lies between
	// two that are apart eight places
	const apart = 8
	first := m.pixels(p.Add(d.Mul(t0)).Sub(l.N.Mul(reach + 2*m.Step)))
	size := make([]float32, int((t1-t0)/(2*m.Step))+1)
	offset := make([]float32, len(size))
	m.simd().Steps(simd.Line{
		X: first.X, Y: first.Y, AlongX: 2 * d.X, AlongY: 2 * d.Y, AcrossX: l.N.X / 2, AcrossY: l.N.Y / 2,
		First: float32(-reach), Step: float32(m.Step / 2), Tries: int(4*reach/m.Step+1e-9) + 1, Apart: apart,
	}, noise, 0.05, size, offset)
	var sw, st, stt, so, sto float64
	for i, z := range size {
		if z < least {
			continue
		}
		w, t, off := float64(z), t0+2*m.Step*float64(i), float64(offset[i])
		sw, st, stt, so, sto = sw+w, st+w*t, stt+w*t*t, so+w*off, sto+w*t*off
	}
	det := sw*stt - st*st
	if sw == 0 || det <= 0 {
		return l
	}
	b := (sw*sto - st*so) / det
	a := (so - b*st) / sw
	if math.Abs(b) > 0.03 {
		return l
	}
	// offset a + b t along N: the line turns by -b seen from N to dir
	n := l.N.Sub(d.Mul(b)).Unit()
	q := p.Add(l.N.Mul(a))
	return planeLine{N: n, D: n.Dot(q), Votes: l.Votes}
}

// dropTwins leaves one of lines that became the same.
func dropTwins(in []planeLine) []planeLine {
	var out []planeLine
	for _, l := range in {
		twin := false
		for _, o := range out {
			s := 1.0
			if l.N.Dot(o.N) < 0 {
				s = -1
			}
			if math.Abs(l.N.Cross(o.N)) < 0.006 && math.Abs(l.D-s*o.D) < 3 {
				twin = true
				break
			}
		}
		if !twin {
			out = append(out, l)
		}
	}
	return out
}
