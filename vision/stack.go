package vision

import (
	"math"

	"gonum.org/v1/gonum/stat"
)

// The cut of a belt shows several lines side by side: the top edge, the layers
// and the lower edge of its face, the border of a shadow. Slice by slice the
// strongest of them changes, but all were left by one knife and bend alike. So
// pieces of the strip are stacked along the shape they share; the stack tells
// the lines apart, and one of them is followed from piece to piece.

const (
	stackSlices = 30  // slices a piece
	stackStep   = 15  // slices from piece to piece
	stackAround = 20  // slices on both sides that help to tell a piece's direction
	shapeMM     = 0.5 // how far a slice may lie off its piece's straight line, mm
	// stackFaint is the share of the strongest line of a stack below which a line
	// is taken for noise or for the fringe that sharpening leaves.
	stackFaint = 0.12
	// fringePx is how far from a step sharpening reaches, px, and fringeShare how
	// strong its fringe is against the step.
	fringePx    = 5.0
	fringeShare = 0.2

	// In following a line from piece to piece, against 1 for a piece that shows it.
	unseenCost = 0.4 // of a piece that does not
	leaveCost  = 3.0 // of leaving it for another line
	inwardGain = 1.5 // for each mm that a line lies further inside all along

	leastFaceMM = 0.6 // the narrowest face whose edges are told apart
	mostUnseen  = 6   // pieces on end
)

// stackLine is a line that a piece of the strip shows.
type stackLine struct {
	offset   float64 // mm across the strip at the piece's middle
	strength float64 // in units of the stack's noise
	sign     float64
}

// piece is a stretch of the strip with the lines its stack shows.
type piece struct {
	from, to int       // slices
	slope    float64   // mm a slice
	shape    []float64 // of each slice off the straight line, mm
	lines    []stackLine
}

// at is the place of a line in a slice, without the slice's own shape.
func (p *piece) at(l stackLine, slice float64) float64 {
	return l.offset + p.slope*(slice-0.5*float64(p.from+p.to-1))
}

// stack aligns the slices from..to on each other and finds their lines within
// reach mm of the path.
func (s *strip) stack(g []float32, path []int, from, to int, reach, noise float64) (piece, bool) {
	p := piece{from: from, to: to, shape: make([]float64, to-from)}
	var at []int
	for i := from; i < to; i++ {
		if s.known[i] {
			at = append(at, i)
		}
	}
	if len(at) < stackSlices/3 {
		return p, false
	}
	// the direction needs a longer look than the lines
	run, ok := bestRun(s.runPoints(g, path, max(0, from-stackAround), min(s.slices, to+stackAround), noise), 1)
	if !ok {
		return p, false
	}
	mid := 0.5 * float64(from+to-1)
	base := run(mid * s.dt)
	p.slope = (run(float64(to-1)*s.dt) - run(float64(from)*s.dt)) / float64(to-1-from)
	w := int(reach / s.ds)
	most := int(shapeMM / s.ds)
	middle := func(i int) int { // index of the straight line in a slice
		return int(math.Round((base+p.slope*(float64(i)-mid))/s.ds)) + s.zero
	}
	// the slices beside that line, their strongest steps held down
	width := 2*(w+most) + 1
	near := make([]float32, len(at)*width)
	limit := float32(12 * noise)
	for k, i := range at {
		from := middle(i) - w - most
		for d := max(0, -from); d < width && from+d < s.n2; d++ {
			near[k*width+d] = min(max(g[i*s.n2+from+d], -limit), limit)
		}
	}
	shift := make([]int, len(at))
	sum := make([]float32, 2*w+1)
	gather := func() {
		clear(sum)
		for k, q := range shift {
			for d, v := range near[k*width+most+q:][:len(sum)] {
				sum[d] += v
			}
		}
	}
	gather()
	for range 3 {
		for k := range shift {
			// neighbours hold a slice: shapes are slow against a slice
			beside := float64(shift[max(0, k-1)]+shift[min(k+1, len(shift)-1)]) / 2
			best := math.Inf(-1)
			for q := -most; q <= most; q++ {
				var v float32
				for d, x := range near[k*width+most+q:][:len(sum)] {
					v += x * sum[d]
				}
				e := (float64(q) - beside) * s.ds / 0.3
				worth := float64(v)
				if v > 0 {
					worth /= 1 + 0.15*e*e
				}
				if worth > best {
					best, shift[k] = worth, q
				}
			}
		}
		gather()
	}
	// what is straight of the shape belongs to the line
	x, y := make([]float64, len(at)), make([]float64, len(at))
	for k, i := range at {
		x[k], y[k] = float64(i)-mid, float64(shift[k])*s.ds
	}
	lift, tilt := stat.LinearRegression(x, y, nil, false)
	base += lift
	p.slope += tilt
	for k, i := range at {
		p.shape[i-from] = y[k] - lift - tilt*x[k]
	}
	// noise of a sum of independent slices
	n := float64(len(at))
	floor := noise * math.Sqrt(n)
	size := func(k int) float64 { return math.Abs(float64(sum[k])) }
	top := 0.0
	for k := range sum {
		top = math.Max(top, size(k))
	}
	for k := 1; k < 2*w; k++ {
		v := size(k)
		if v <= size(k-1) || v < size(k+1) || v < math.Max(3*floor, stackFaint*top) {
			continue
		}
		sign := math.Copysign(1, float64(sum[k]))
		agree := 0.0
		for i, q := range shift {
			hit := false
			for _, x := range near[i*width+most+q+k-1:][:3] {
				hit = hit || sign*float64(x) > 0.3*noise
			}
			if hit {
				agree++
			}
		}
		if agree < 0.6*n {
			continue
		}
		p.lines = append(p.lines, stackLine{base + float64(k-w)*s.ds, v / floor, sign})
	}
	// fringes
	var out []stackLine
	for _, l := range p.lines {
		fringe := false
		for _, o := range p.lines {
			fringe = fringe || (o.sign != l.sign && l.strength < fringeShare*o.strength && math.Abs(o.offset-l.offset) < fringePx*s.pxmm)
		}
		if !fringe {
			out = append(out, l)
		}
	}
	p.lines = out
	return p, len(out) > 0
}

// pieces stacks the strip piece by piece.
func (s *strip) pieces(g []float32, path []int, reach float64) []piece {
	noise := noiseOf(g)
	var ps []piece
	for from := 0; from+stackSlices/2 < s.slices; from += stackStep {
		if p, ok := s.stack(g, path, from, min(from+stackSlices, s.slices), reach, noise); ok {
			ps = append(ps, p)
		}
	}
	return ps
}

// follow picks from every piece the line that goes on from piece to piece, -1
// where it is not seen: the best seen of all, and of about equals the one
// further inside by gain, for each mm all along. A line may be unseen in some
// pieces, at a price; to leave it for another one costs more.
func follow(ps []piece, gain float64) []int {
	type state struct {
		score       float64
		piece, line int // before this one
	}
	states := make([][]state, len(ps))
	best := state{math.Inf(-1), -1, -1}
	for k := range ps {
		states[k] = make([]state, len(ps[k].lines))
		for a, l := range ps[k].lines {
			st := state{-unseenCost * float64(k), -1, -1}
			for m := max(0, k-mostUnseen-1); m < k; m++ {
				unseen := float64(k - m - 1)
				between := 0.25 * float64(ps[m].from+ps[m].to+ps[k].from+ps[k].to-2)
				for b, o := range ps[m].lines {
					d := math.Abs(ps[m].at(o, between) - ps[k].at(l, between))
					cost := unseenCost*unseen + math.Min(6*math.Max(0, d-0.2-0.1*unseen), leaveCost)
					if o.sign != l.sign {
						cost += 0.3
					}
					if v := states[m][b].score - cost; v > st.score {
						st = state{v, m, b}
					}
				}
			}
			st.score += math.Min(l.strength/8, 1) + gain*l.offset/float64(len(ps))
			states[k][a] = st
			if v := st.score - unseenCost*float64(len(ps)-1-k); v > best.score {
				best = state{v, k, a}
			}
		}
	}
	chosen := make([]int, len(ps))
	for k := range chosen {
		chosen[k] = -1
	}
	for k, a := best.piece, best.line; k >= 0; k, a = states[k][a].piece, states[k][a].line {
		chosen[k] = a
	}
	return chosen
}

// carried is the chosen line in every piece, carried on over those that do not
// show it.
func carried(ps []piece, chosen []int) []stackLine {
	out := make([]stackLine, len(ps))
	before := -1
	for k := range ps {
		if chosen[k] >= 0 {
			out[k] = ps[k].lines[chosen[k]]
			before = k
			continue
		}
		after := k + 1
		for after < len(ps) && chosen[after] < 0 {
			after++
		}
		mid := 0.5 * float64(ps[k].from+ps[k].to-1)
		switch {
		case before < 0:
			l := ps[after].lines[chosen[after]]
			out[k] = stackLine{offset: ps[after].at(l, mid), sign: l.sign}
		case after == len(ps):
			out[k] = stackLine{offset: ps[before].at(out[before], mid), sign: out[before].sign}
		default:
			f := float64(k-before) / float64(after-before)
			l := ps[after].lines[chosen[after]]
			out[k] = stackLine{offset: (1-f)*ps[before].at(out[before], mid) + f*ps[after].at(l, mid), sign: out[before].sign}
		}
	}
	return out
}

// topLine follows the innermost line that is there all along, and returns the
// path along it.
func (s *strip) topLine(g []float32, path []int, ps []piece) []int {
	if len(ps) < 2 {
		return path
	}
	chosen := follow(ps, inwardGain)
	top := carried(ps, chosen)
	// the pieces' lines, blended where they overlap; the line's own sign turned up
	centre, weight, sign := make([]float64, s.slices), make([]float64, s.slices), make([]float64, s.slices)
	for k, p := range ps {
		for i := p.from; i < p.to; i++ {
			w := 1 - math.Abs(float64(2*i-p.from-p.to+1))/float64(p.to-p.from+1)
			centre[i] += w * (p.at(top[k], float64(i)) + p.shape[i-p.from])
			weight[i] += w
			sign[i] += w * top[k].sign
		}
	}
	signed := append([]float32(nil), g...)
	for i := range centre {
		switch {
		case weight[i] > 0:
			centre[i] = centre[i]/weight[i]/s.ds + float64(s.zero)
		case i > 0:
			centre[i], sign[i] = centre[i-1], sign[i-1]
		default:
			centre[i] = float64(path[i])
		}
		for j := i * s.n2; sign[i] < 0 && j < (i+1)*s.n2; j++ {
			signed[j] = -g[j]
		}
	}
	out := s.path(signed, 1, 0, centre, 0.35/s.ds, 0.5)
	// where the line was not seen and the path has something better, a step, it stays
	for k, p := range ps {
		if chosen[k] >= 0 {
			continue
		}
		from, to := p.from, p.to
		if k > 0 && chosen[k-1] >= 0 {
			from = ps[k-1].to
		}
		if k+1 < len(ps) && chosen[k+1] >= 0 {
			to = ps[k+1].from
		}
		here, there := 0.0, 0.0
		for i := from; i < to; i++ {
			if s.known[i] {
				here += math.Abs(float64(g[i*s.n2+out[i]]))
				there += math.Abs(float64(g[i*s.n2+path[i]]))
			}
		}
		for i := from; i < to && here < 0.35*there; i++ {
			out[i] = path[i]
		}
	}
	s.backToPath(g, out, path)
	return out
}

// A top line away from the path, mm, over that many slices, along which there is no more
// than noise makes, and little of what is seen along the path, was carried over a step of
// the cut. One in a shadow, whose border was the path, is three times the noise.
const (
	awayMM     = 0.8
	awaySlices = 5
	mostNoise  = 2.0
	leastShare = 0.2
)

// backToPath puts a top line back onto the path where it was carried over a step.
func (s *strip) backToPath(g []float32, top, path []int) {
	noise := noiseOf(g)
	away := func(i int) bool { return math.Abs(float64(top[i]-path[i]))*s.ds > awayMM }
	for from := 0; from < s.slices; from++ {
		to := from
		here, there := 0.0, 0.0
		for ; to < s.slices && away(to); to++ {
			if s.known[to] {
				here += math.Abs(float64(g[to*s.n2+top[to]]))
				there += math.Abs(float64(g[to*s.n2+path[to]]))
			}
		}
		if to-from >= awaySlices && here < mostNoise*noise*float64(to-from) && here < leastShare*there {
			copy(top[from:to], path[from:to])
		}
		from = to
	}
}

// lowerEdge is how the cut's face, as seen, changes from the left end of the
// cut to the right: by how many mm it grows, and the standard deviation of
// that. The face ends at the outermost line that goes on beside the top edge.
func lowerEdge(ps []piece) (twist, sd float64, ok bool) {
	if len(ps) < 4 {
		return 0, 0, false
	}
	top := carried(ps, follow(ps, inwardGain))
	beyond := make([]piece, len(ps))
	for k, p := range ps {
		beyond[k] = p
		beyond[k].lines = nil
		for _, l := range p.lines {
			if l.offset < top[k].offset-leastFaceMM {
				beyond[k].lines = append(beyond[k].lines, l)
			}
		}
	}
	chosen := follow(beyond, -inwardGain)
	var at, face []float64
	for k, a := range chosen {
		if a >= 0 {
			at = append(at, 0.5*float64(ps[k].from+ps[k].to-1))
			face = append(face, top[k].offset-beyond[k].lines[a].offset)
		}
	}
	if float64(len(at)) < 0.7*float64(len(ps)) || len(at) < 4 {
		return 0, 0, false
	}
	a, b := stat.LinearRegression(at, face, nil, false)
	length := at[len(at)-1] - at[0]
	rss := 0.0
	for k := range at {
		e := face[k] - a - b*at[k]
		rss += e * e
	}
	// pieces overlap by half: only every second one is news
	sd = math.Sqrt(rss/float64(len(at)-2)) * math.Sqrt(12/(0.5*float64(len(at))))
	return b * length, math.Max(sd, 0.1), true
}
