package vision

import (
	"math"

	"beltend/geometry"
	"beltend/vision/simd"
)

// Sharp is how a sharp step looks in a photo, as seen on its cards.
type Sharp struct {
	Blur float64 // sigma of the edge spread, px
	Ring Ring
}

// Ring is what sharpening leaves beside a step: on both sides steps the other
// way, ringStep px apart from the step itself on, as a share of its own, under the
// filter of strip.sharpSteps. Nil where the photo shows next to none.
type Ring []float64

const (
	ringStep  = 0.5 // px
	ringReach = 6.0 // px that are looked at on either side
	leastRing = 0.1 // share of the step below which a ring is left alone
)

// ringOf measures the ring on a board's inner edges, between neighbouring corners
// length mm apart, beside which nothing is printed for margin mm.
func ringOf(p *Picture, corners []Corner, length, margin, blur float64) Ring {
	const fine = 4 // samples a pixel
	half := int((ringReach + 8) * fine)
	mean := make([]float32, 2*half+1)
	at := map[geometry.Vec2]geometry.Vec2{}
	key := func(q geometry.Vec2) geometry.Vec2 {
		return geometry.Vec2{X: math.Round(10 * q.X), Y: math.Round(10 * q.Y)}
	}
	for _, c := range corners {
		at[key(c.Board)] = c.UV
	}
	n, white, black := 0, ringReach, ringReach
	row := make([]float32, len(mean))
	for _, c := range corners {
		for _, d := range []geometry.Vec2{{X: length}, {Y: length}} {
			end, ok := at[key(c.Board.Add(d))]
			if !ok {
				continue
			}
			across := end.Sub(c.UV).Perp().Unit()
			// what else is printed must lie beyond the filter
			side := end.Sub(c.UV).Norm()
			white, black = math.Min(white, side*margin/length-5), math.Min(black, side-7)
			for _, t := range []float64{0.35, 0.5, 0.65} {
				clear(row)
				curve, ok := p.curve(len(row), c.UV.Add(end.Sub(c.UV).Mul(t)), across, geometry.Vec2{}, 1.0/fine)
				if !ok {
					continue
				}
				simd.AddCurves(p.Grey, p.W, []simd.Curve{curve}, row, nil)
				step := row[half+2*fine] - row[half-2*fine]
				if math.Abs(float64(step)) < 40 {
					continue
				}
				n++
				for j, v := range row {
					if step < 0 {
						v = row[len(row)-1-j]
					}
					mean[j] += v
				}
			}
		}
	}
	if n < 8 {
		return nil
	}
	s := &strip{slices: 1, n2: len(mean), ds: 1.0 / fine, pxmm: 1, v: mean, known: []bool{true}}
	g := s.sharpSteps(blur)
	if g[half] <= 0 { // shaken: no sharp step
		return nil
	}
	ring := make(Ring, int(ringReach/ringStep)+1)
	most := 0.0
	for k := range ring {
		for d := -1; d <= 1; d++ {
			away, px := k*int(ringStep*fine)+d, float64(k)*ringStep
			if px <= black {
				ring[k] = math.Max(ring[k], -float64(g[half-away]/g[half]))
			}
			if px <= white {
				ring[k] = math.Max(ring[k], -float64(g[half+away]/g[half]))
			}
		}
		most = math.Max(most, ring[k])
	}
	if most < leastRing {
		return nil
	}
	return ring
}

// at is the share at a distance in px.
func (r Ring) at(px float64) float64 {
	k := int(px / ringStep)
	if k+1 >= len(r) {
		return 0
	}
	return math.Max(r[k], r[k+1])
}

// reach is how far from a step the ring is seen, px.
func (r Ring) reach() float64 {
	for k := len(r) - 1; k > 0; k-- {
		if r[k] > 0.04 {
			return float64(k) * ringStep
		}
	}
	return 0
}

// takeFrom removes from the steps g of a strip what the rings of stronger ones explain.
func (r Ring) takeFrom(g []float32, s *strip) {
	// A belt's edge may be sharper in the photo than the card's print.
	const sharper = 1.5
	if len(r) == 0 {
		return
	}
	far := int(float64(len(r)) * ringStep * s.pxmm / s.ds)
	share := make([]float32, far+1)
	for d := range share {
		share[d] = float32(sharper * r.at(float64(d)*s.ds/s.pxmm))
	}
	row := make([]float32, s.n2)
	for i := range s.slices {
		out := g[i*s.n2 : (i+1)*s.n2]
		copy(row, out)
		for j := 1; j+1 < len(row); j++ {
			peak := row[j]
			if peak == 0 || abs32(row[j-1]) > abs32(peak) || abs32(row[j+1]) > abs32(peak) {
				continue
			}
			for d := 1; d <= far; d++ {
				for _, k := range []int{j - d, j + d} {
					if k >= 0 && k < len(row) && row[k]*peak < 0 && abs32(row[k]) <= share[d]*abs32(peak) {
						out[k] = 0
					}
				}
			}
		}
	}
}

func abs32(x float32) float32 { return float32(math.Abs(float64(x))) }
