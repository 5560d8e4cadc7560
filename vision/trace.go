package vision

import (
	"math"

	"beltend/geometry"
	"beltend/vision/simd"
)

// tracePoint is a place on an edge found to sub-pixel.
type tracePoint struct {
	UV    geometry.Vec2 // working picture
	Plane geometry.Vec2 // by the view it was traced with
	T     float64       // mm along the edge
	Step  float64       // grey levels across it
	Faint bool          // noise alone could be it
}

// align moves a boundary onto the scene map's evidence: at stations along it
// the offset of the best contrast, and a line through those that agree.
func (m *sceneMap) align(b boundary, reach float64) boundary {
	d := b.To.Sub(b.From).Unit()
	n := b.Line.N
	length := b.To.Sub(b.From).Norm()
	type obs struct{ t, o, w float64 }
	var os []obs
	for t := 4.0; t < length; t += 8 {
		q := b.From.Add(d.Mul(t))
		var sw, swo, best float64
		ev := make([]float64, 0, 64)
		for o := -reach; o <= reach; o += 2 {
			e, near, foreign, ok := m.contrast(q.Add(n.Mul(o)), n)
			if !ok {
				ev = append(ev, 0)
				continue
			}
			e = math.Max(0, math.Min(e, 9)+0.5*math.Max(-4, math.Min(4, foreign-near)))
			ev = append(ev, e)
			best = math.Max(best, e)
		}
		if best < 3 {
			continue
		}
		for i, e := range ev {
			if e > 0.75*best {
				w := e - 0.75*best
				sw += w
				swo += w * (-reach + 2*float64(i))
			}
		}
		os = append(os, obs{t, swo / sw, math.Min(best, 8)})
	}
	if len(os) < 6 {
		return b
	}
	// robust line o(t): best of all pairs of stations, then least squares
	bestA, bestB, bestS := 0.0, 0.0, -1.0
	stride := max(1, len(os)/24)
	for i := 0; i < len(os); i += stride {
		for j := i + stride; j < len(os); j += stride {
			if os[j].t-os[i].t < 0.3*length {
				continue
			}
			sl := (os[j].o - os[i].o) / (os[j].t - os[i].t)
			a := os[i].o - sl*os[i].t
			s := 0.0
			for _, k := range os {
				if e := (k.o - a - sl*k.t) / 4; math.Abs(e) < 1 {
					s += k.w * (1 - e*e)
				}
			}
			if s > bestS {
				bestA, bestB, bestS = a, sl, s
			}
		}
	}
	if bestS <= 0 {
		return b
	}
	var sw, st, stt, so, sto float64
	for _, k := range os {
		if math.Abs(k.o-bestA-bestB*k.t) < 5 {
			sw, st, stt, so, sto = sw+k.w, st+k.w*k.t, stt+k.w*k.t*k.t, so+k.w*k.o, sto+k.w*k.t*k.o
		}
	}
	if det := sw*stt - st*st; det > 0 {
		bestB = (sw*sto - st*so) / det
		bestA = (so - bestB*st) / sw
	}
	p0, p1 := b.From.Add(n.Mul(bestA)), b.To.Add(n.Mul(bestA+bestB*length))
	b.Line = lineThrough(p0, p1, n)
	b.From, b.To = p0, p1
	return b
}

// lineThrough returns the line through two places with its normal on the side
// of n.
func lineThrough(p0, p1, n geometry.Vec2) planeLine {
	k := p1.Sub(p0).Perp().Unit()
	if k.Dot(n) < 0 {
		k = k.Mul(-1)
	}
	return planeLine{N: k, D: k.Dot(p0)}
}

// strip is the neighbourhood of a boundary sampled at full resolution: slices
// along it, each a mean profile across it from outside to inside.
type strip struct {
	from, dir, n geometry.Vec2
	dt, ds       float64   // mm between slices and samples
	slices, n2   int       // samples a slice
	zero         int       // the sample on the boundary
	v            []float32 // slices x n2, mean along the slice
	v2           []float32 // mean square, where asked for
	known        []bool    // slice seen and free of cards
	pxmm         float64   // mm a pixel across the edge
}

// sampleStrip looks along the line from..to, +-reach mm across; squares fills v2
// as well.
func sampleStrip(p *Picture, view *geometry.View, from, to, n geometry.Vec2, dt, reach float64, blocked func(geometry.Vec2) bool, squares bool) *strip {
	s := &strip{from: from, n: n, dt: dt}
	s.dir = to.Sub(from).Unit()
	length := to.Sub(from).Norm()
	s.slices = int(length / dt)
	mid := from.Add(to).Mul(0.5)
	s.pxmm = pixelAcross(view, mid, n)
	s.ds = math.Max(0.12, 0.45*s.pxmm)
	s.zero = int(reach / s.ds)
	s.n2 = 2*s.zero + 1
	s.v = make([]float32, s.slices*s.n2)
	if squares {
		s.v2 = make([]float32, s.slices*s.n2)
	}
	s.known = make([]bool, s.slices)
	sub := min(int(dt), 6) // places along a slice
	curves := make([]simd.Curve, sub)
	for i := 0; i < s.slices; i++ {
		t := (float64(i) + 0.5) * dt
		c := from.Add(s.dir.Mul(t))
		if blocked(c) {
			continue
		}
		row := s.v[i*s.n2 : (i+1)*s.n2]
		var sq []float32
		if squares {
			sq = s.v2[i*s.n2 : (i+1)*s.n2]
		}
		ok := true
		for k := 0; k < sub && ok; k++ {
			q := c.Add(s.dir.Mul((float64(k)+0.5)/float64(sub)*dt - dt/2))
			// quadratic in the offset: exact to well below 0.01 px over the strip
			a, ok0 := view.Project(q.Sub(n.Mul(reach)))
			b, ok1 := view.Project(q)
			e, ok2 := view.Project(q.Add(n.Mul(reach)))
			if !ok0 || !ok1 || !ok2 {
				ok = false
				break
			}
			lin, quad := e.Sub(a).Mul(0.5), e.Add(a).Mul(0.5).Sub(b)
			curves[k], ok = p.curve(s.n2, b, lin, quad, s.ds/reach)
		}
		if s.known[i] = ok; !ok {
			continue
		}
		simd.AddCurves(p.Grey, p.W, curves, row, sq)
		for j := range row {
			row[j] /= float32(sub)
		}
		for j := range sq {
			sq[j] /= float32(sub)
		}
	}
	return s
}

// curve is that of the places at + x lin + x^2 quad, n of them dx apart, x the same to
// both sides of 0. It reports whether all of it is in the picture.
func (p *Picture) curve(n int, at, lin, quad geometry.Vec2, dx float64) (simd.Curve, bool) {
	far := float64(n/2) * dx
	for _, x := range [...]float64{-far, far} {
		q := at.Add(lin.Mul(x))
		bx, by := math.Abs(quad.X)*x*x, math.Abs(quad.Y)*x*x // the bend
		if !(q.X >= bx && q.Y >= by && q.X < float64(p.W-1)-bx && q.Y < float64(p.H-1)-by) {
			return simd.Curve{}, false
		}
	}
	// by differences: the bend is the same at every step
	fixed := func(x float64) int64 { return int64(math.Round(x * (1 << 32))) }
	return simd.Curve{
		X: fixed(at.X - far*(lin.X-far*quad.X)), DX: fixed(dx * (lin.X + (dx-2*far)*quad.X)), DDX: fixed(2 * dx * dx * quad.X),
		Y: fixed(at.Y - far*(lin.Y-far*quad.Y)), DY: fixed(dx * (lin.Y + (dx-2*far)*quad.Y)), DDY: fixed(2 * dx * dx * quad.Y),
	}, true
}

// pixelAcross is the size of a pixel at q along n, mm.
func pixelAcross(view *geometry.View, q, n geometry.Vec2) float64 {
	a, ok1 := view.Project(q.Sub(n.Mul(0.5)))
	b, ok2 := view.Project(q.Add(n.Mul(0.5)))
	if d := b.Sub(a).Norm(); ok1 && ok2 && d > 0 {
		return 1 / d
	}
	return 1
}

// offset is the place of sample j across the strip, mm.
func (s *strip) offset(j float64) float64 { return (j - float64(s.zero)) * s.ds }

// gradients returns the profiles' derivative smoothed by a Gaussian of sigma
// samples, grey levels a sample.
func (s *strip) gradients(sigma float64) []float32 {
	ker := slopeKernel(sigma)
	out := make([]float32, len(s.v))
	for i := range s.slices {
		if s.known[i] {
			simd.Slopes(out[i*s.n2:(i+1)*s.n2], s.v[i*s.n2:(i+1)*s.n2], ker)
		}
	}
	return out
}

// inLight is the strip with grey levels turned into light.
func (s *strip) inLight() *strip {
	l := *s
	l.v = make([]float32, len(s.v))
	for k, g := range s.v {
		l.v[k] = toLight(g)
	}
	return &l
}

func toLight(grey float32) float32 {
	i := min(int(grey), 254)
	f := float64(grey) - float64(i)
	return float32(lightOf[i]*(1-f) + lightOf[i+1]*f)
}

// slopeKernel is the derivative of a Gaussian of sigma samples from place 1 on;
// the filter is odd. It gives 1 for a slope of 1.
func slopeKernel(sigma float64) []float32 {
	ker := make([]float32, int(math.Ceil(3*sigma)))
	var norm float64
	for k := range ker {
		x := float64(k + 1)
		ker[k] = float32(x * math.Exp(-x*x/(2*sigma*sigma)))
		norm += 2 * x * float64(ker[k])
	}
	for k := range ker {
		ker[k] /= float32(norm)
	}
	return ker
}

// lightSlopes is the same derivative of one slice in light instead of grey
// levels, from sample j-around to j+around.
func (s *strip) lightSlopes(i, j, around int, ker []float32) []float32 {
	first := j - around - len(ker)
	light := make([]float32, 2*(around+len(ker))+1)
	out := make([]float32, len(light))
	from, to := max(0, -first), min(len(light), s.n2-first)
	for k := from; k < to; k++ {
		light[k] = toLight(s.v[i*s.n2+first+k])
	}
	simd.Slopes(out[from:to], light[from:to], ker)
	return out[len(ker) : len(out)-len(ker)]
}

// sharpSteps is the part of the profiles' derivative that only a sharp step
// has: the edge of the belt hides what lies behind it and is as sharp as the
// lens, while the penumbra of a shadow and the shading of a rounded edge are
// not. A step of height A and spread s has the slope A/sqrt(2 pi (s^2+sigma^2))
// under a filter of width sigma: at the lens' own spread the narrow filter
// gives three times the wide one's, at a soft edge about the same. blur is the
// spread on the cards, px.
func (s *strip) sharpSteps(blur float64) []float32 {
	px := s.pxmm / s.ds * math.Max(1, blur/0.8)
	fine, wide := s.gradients(0.8*px), s.gradients(3*px)
	for k, f := range fine {
		w := 1.3 * wide[k]
		switch {
		case f > 0 && f > w:
			fine[k] = f - max(w, 0)
		case f < 0 && f < w:
			fine[k] = f - min(w, 0)
		default:
			fine[k] = 0
		}
	}
	return fine
}

// inwardBias is what a step counts more for each mm further inside: of two
// clear steps, the cut face's two edges or the belt's and its shadow's, the inner
// one is the belt's top edge. So a clear step counts no more than mostStep,
// in units of the usual gradient.
const (
	inwardBias = 0.15
	mostStep   = 3.5
)

// path follows the strongest steps through the strip from slice to slice by
// dynamic programming, no faster than slope mm a mm, inside the band
// centre[i]+-band (sample indices). inward is what a step counts more for each
// mm further inside.
func (s *strip) path(g []float32, sign, inward float64, centre []float64, band, slope float64) []int {
	out := make([]int, s.slices)
	if s.slices == 0 {
		return out
	}
	noise := noiseOf(g)
	jump := max(1, int(math.Ceil(slope*s.dt/s.ds)))
	cost := float32(0.35) / float32(jump)
	back := make([]int16, len(g))
	score, last := make([]float32, s.n2), make([]float32, s.n2)
	queue := make([]candidate, s.n2)
	lo, hi := 0, -1 // the last slice's band
	for i := range s.slices {
		lastLo, lastHi := lo, hi
		lo, hi = max(0, int(centre[i]-band)), min(s.n2-1, int(centre[i]+band))
		score, last = last, score
		from := back[i*s.n2 : (i+1)*s.n2]
		if i == 0 {
			clear(score)
		} else {
			bestBefore(last, lastLo, lastHi, score, from, lo, hi, jump, cost, queue)
		}
		if !s.known[i] {
			continue
		}
		for j := lo; j <= hi; j++ {
			x := float64(g[i*s.n2+j])
			if sign != 0 {
				x *= sign
			} else {
				x = math.Abs(x)
			}
			score[j] += float32(min(max(x/noise-1, -1), mostStep) + inward*s.offset(float64(j)))
		}
	}
	j, best := 0, never
	for k := lo; k <= hi; k++ {
		if score[k] > best {
			j, best = k, score[k]
		}
	}
	for i := s.slices - 1; i >= 0; i-- {
		out[i] = j
		j = int(back[i*s.n2+j])
	}
	return out
}

// never is the score of a place outside the band.
const never = float32(-1e9)

// bestBefore gives for each place of a slice the best score of the slice before, less
// cost a place that lies between, no more than jump places away, and where that is. The
// places before are those from lastLo to lastHi, the others from lo to hi. A queue holds
// the places that can still be the best to one side, so that each is looked at once
// (the sliding maximum).
func bestBefore(last []float32, lastLo, lastHi int, score []float32, from []int16, lo, hi, jump int, cost float32, queue []candidate) {
	head, tail := 0, 0
	for j, q := lo, max(lastLo, lo-jump); j <= hi; j++ {
		for ; q <= min(j, lastHi); q++ {
			key := last[q] + cost*float32(q)
			for tail > head && queue[tail-1].key < key {
				tail--
			}
			queue[tail] = candidate{int32(q), key}
			tail++
		}
		for head < tail && int(queue[head].at) < j-jump {
			head++
		}
		if head < tail {
			score[j], from[j] = queue[head].key-cost*float32(j), int16(queue[head].at)
		} else {
			score[j], from[j] = never, int16(j)
		}
	}
	head, tail = 0, 0
	for j, q := hi, min(lastHi, hi+jump); j >= lo; j-- {
		for ; q >= max(j, lastLo); q-- {
			key := last[q] - cost*float32(q)
			for tail > head && queue[tail-1].key <= key {
				tail--
			}
			queue[tail] = candidate{int32(q), key}
			tail++
		}
		for head < tail && int(queue[head].at) > j+jump {
			head++
		}
		if head < tail {
			if v := queue[head].key + cost*float32(j); v > score[j] {
				score[j], from[j] = v, int16(queue[head].at)
			}
		}
	}
}

// candidate is a place of the slice before that can still be the best, and its score
// with the costs of going to the first place.
type candidate struct {
	at  int32
	key float32
}

// innerPath looks, window by window along the edge, for a steady step up to
// 3.5 mm inside the path: the top edge beside the lower edge of a thin cut face
// or beside a hard shadow, where the first path may have followed now one, now
// the other. share is how strong the inner step must be against the path's.
func (s *strip) innerPath(g []float32, path []int, share float64) []int {
	const window = 24
	noise := noiseOf(g)
	out := append([]int(nil), path...)
	least := int(math.Max(0.4, 2.2*s.pxmm) / s.ds)
	most := int(3.5 / s.ds)
	moved := false
	for w := 0; w+window/2 < s.slices; w += window {
		hi := min(w+window, s.slices)
		if hi+window/2 >= s.slices {
			hi = s.slices
		}
		mean := make([]float64, most+3)
		pos := make([]int, most+3)
		n := 0
		var size []float64
		for i := w; i < hi; i++ {
			if s.known[i] {
				size = append(size, math.Abs(float64(g[i*s.n2+path[i]])))
			}
		}
		limit := math.Max(8*noise, 2*median(size))
		for i := w; i < hi; i++ {
			if !s.known[i] || path[i]+most+3 >= s.n2 || path[i] < 1 {
				continue
			}
			n++
			for d := range mean {
				v := float64(g[i*s.n2+path[i]+d])
				mean[d] += clamp(v, limit)
				if v > 0 {
					pos[d]++
				} else if v < 0 {
					pos[d]--
				}
			}
		}
		if n < window/3 {
			continue
		}
		for d := most; d >= least; d-- {
			v := math.Abs(mean[d])
			if v > math.Abs(mean[d-1]) && v >= math.Abs(mean[d+1]) && v/float64(n) > math.Max(1.0*noise, share*math.Abs(mean[0])/float64(n)) &&
				math.Abs(float64(pos[d])) > 0.7*float64(n) {
				for i := w; i < hi; i++ {
					out[i] += d
				}
				moved = true
				break
			}
		}
	}
	if !moved {
		return path
	}
	centre := make([]float64, s.slices)
	for i, j := range out {
		centre[i] = float64(j)
	}
	return s.path(g, 0, 0, centre, 0.7/s.ds, 0.5)
}

// noiseOf is the usual size of a strip's gradient away from edges.
func noiseOf(g []float32) float64 {
	all := make([]float64, 0, len(g)/17+1)
	for k := 0; k < len(g); k += 17 {
		if g[k] != 0 {
			all = append(all, math.Abs(float64(g[k])))
		}
	}
	return math.Max(median(all)/0.6745, 0.05)
}

// meanProfile is the mean over slices of the profile taken relative to a path,
// and the share of sections in which its gradient has the mean's sign.
func (s *strip) meanProfile(g []float32, path []int, from, to int) (mean []float64, agree []float64) {
	w := to - from + 1
	const sections = 12
	sec := make([][sections]float64, w)
	cnt := make([]float64, w)
	mean = make([]float64, w)
	agree = make([]float64, w)
	var used [sections]bool
	for i := 0; i < s.slices; i++ {
		if !s.known[i] {
			continue
		}
		k := i * sections / s.slices
		used[k] = true
		for d := from; d <= to; d++ {
			j := path[i] + d
			if j < 0 || j >= s.n2 {
				continue
			}
			v := float64(g[i*s.n2+j])
			mean[d-from] += v
			cnt[d-from]++
			sec[d-from][k] += v
		}
	}
	for k := range mean {
		if cnt[k] < 0.5*float64(s.slices)*0.5 {
			mean[k] = 0
			continue
		}
		mean[k] /= cnt[k]
		n, same := 0.0, 0.0
		for q := range used {
			if used[q] {
				n++
				if sec[k][q]*mean[k] > 0 {
					same++
				}
			}
		}
		agree[k] = same / math.Max(n, 1)
	}
	return mean, agree
}

// traceEdge finds the top edge of the belt along a boundary to sub-pixel.
//
// The strongest path is followed first; then, with the edge's own shape taken
// out, the mean profile shows whether a weaker but steady step lies further
// inside: the top edge above a bright lower edge of the cut face, or above the
// border of a shadow. The innermost steady step is the belt's top edge.
func traceEdge(p *Picture, view *geometry.View, b boundary, how search, dt float64, blocked func(geometry.Vec2) bool) []tracePoint {
	const innerReach = 9.0
	s := sampleStrip(p, view, b.From, b.To, b.Line.N, dt, how.reach+innerReach+how.bulge(b), blocked, false)
	if s.slices < 10 {
		return nil
	}
	blur := how.sharp.Blur
	g := s.sharpSteps(blur)
	how.sharp.Ring.takeFrom(g, s)
	centre := make([]float64, s.slices)
	for i := range centre {
		centre[i] = float64(s.zero) + how.course((float64(i)+0.5)*dt)/s.ds
	}
	path := s.path(g, 0, inwardBias, centre, how.reach/s.ds, 0.35)
	path = s.innerPath(g, path, how.share)
	var ps []piece
	band := 1.6 // mm off the line that is looked for further inside
	if how.cut {
		// it is rough, and what goes on beside may be another of its lines
		path = s.steady(g, path, 0.8)
		ps = s.pieces(g, path, 4)
		if how.face != nil {
			how.face.Twist, how.face.SD, how.face.Seen = lowerEdge(ps)
		}
		path = s.topLine(g, path, ps)
		band = shapeMM
	} else {
		path = s.steady(g, path, 0.35)
	}
	sign := 0.0
	in := int(innerReach / s.ds)
	for round := 0; round < 3; round++ {
		mean, agree := s.meanProfile(g, path, -int(2/s.ds), in+int(6/s.ds))
		zero := int(2 / s.ds)
		main := math.Abs(mean[zero])
		// steadiness of the belt's own streaks further inside
		var inner []float64
		for k := zero + in/2; k < len(mean); k++ {
			inner = append(inner, math.Abs(mean[k]))
		}
		noise := median(inner) / 0.6745
		found := -1
		for k := len(mean) - int(6/s.ds); k > zero+int(math.Max(0.5, 2.2*s.pxmm)/s.ds); k-- {
			if k >= len(mean)-1 {
				continue
			}
			v := math.Abs(mean[k])
			if v > math.Abs(mean[k-1]) && v >= math.Abs(mean[k+1]) && agree[k] >= 0.8 && v > math.Max(7*noise, 0.10*main) && v*s.pxmm/s.ds > 1.2 {
				found = k
				break
			}
		}
		if found < 0 {
			break
		}
		sign = math.Copysign(1, mean[found])
		for i := range centre {
			centre[i] = float64(path[i] + found - zero)
		}
		path = s.path(g, sign, 0, centre, band/s.ds, 0.35)
	}
	inwards := make([]float64, s.slices)
	if how.cut {
		var doubt float64
		inwards, doubt = s.beltEnd(path, view, how.sharp)
		if how.face != nil {
			how.face.Doubt = doubt
		}
	}
	light := slopeKernel(0.8 * s.pxmm / s.ds * math.Max(1, blur/0.8))
	steps := int(math.Ceil(s.pxmm / s.ds)) // a pixel
	var pts []tracePoint
	followed := make([]float64, s.slices) // mm across, NaN where nothing is seen
	faint := math.Max(0.4, 3*noiseOf(g)*s.pxmm/s.ds)
	if how.cut {
		faint *= 0.5 // its stacks have shown the line already
	}
	for i := 0; i < s.slices; i++ {
		followed[i] = math.NaN()
		if !s.known[i] {
			continue
		}
		j := path[i]
		row := g[i*s.n2 : (i+1)*s.n2]
		if j < 2 || j > s.n2-3 {
			continue
		}
		// climb to the local peak, then its parabola
		sg := float32(1)
		if row[j] < 0 {
			sg = -1
		}
		for step := 0; step < 4; step++ {
			if sg*row[j+1] > sg*row[j] && j < s.n2-3 {
				j++
			} else if sg*row[j-1] > sg*row[j] && j > 2 {
				j--
			}
		}
		strength := float64(sg*row[j]) * s.pxmm / s.ds // grey levels a pixel
		// The lens blurs light, not grey levels, which the picture's tone curve
		// bends: the step's place is its steepest in light, at most a pixel away.
		first := 0
		if how.last {
			first = j - steps - 1
			row = s.lightSlopes(i, j, steps+1, light)
		}
		for range steps {
			if k := j - first; j < s.n2-3 && sg*row[k+1] > sg*row[k] {
				j++
			} else if j > 2 && sg*row[k-1] > sg*row[k] {
				j--
			}
		}
		k := j - first
		a, c, e := float64(sg*row[k-1]), float64(sg*row[k]), float64(sg*row[k+1])
		den := a - 2*c + e
		if den >= 0 {
			continue
		}
		off := s.offset(float64(j) + clamp(0.5*(a-e)/den, 0.6))
		if strength < faint {
			continue
		}
		if inwards[i] > 0 {
			off = s.stepNear(g, i, off+inwards[i], s.pxmm)
		}
		q := s.from.Add(s.dir.Mul((float64(i) + 0.5) * dt)).Add(s.n.Mul(off))
		uv, ok := view.Project(q)
		if !ok {
			continue
		}
		followed[i] = off
		pts = append(pts, tracePoint{UV: uv, Plane: q, T: (float64(i) + 0.5) * dt, Step: strength})
	}
	if how.cut {
		markFaint(pts, 2*faint)
	}
	if how.face != nil && how.last {
		pxAt := func(along float64) float64 { return pixelAcross(view, s.from.Add(s.dir.Mul(along)), s.n) }
		how.face.Turn, how.face.TurnSD, how.face.TurnSpread, how.face.Told = turnOfCut(s.facePieces(ps, followed, pxAt), blur)
	}
	return pts
}

// faintPoints is how many neighbours tell whether an edge fades away in a stretch.
const faintPoints = 9

// markFaint marks the stretches of an edge in which the usual step is below a size
// that noise alone reaches: what was followed there may be noise. Where that is half
// of the edge, nothing is marked: all of it is faint, and followed by its stacks.
func markFaint(pts []tracePoint, least float64) {
	faint := make([]bool, len(pts))
	count := 0
	var steps []float64
	for i := range pts {
		steps = steps[:0]
		from := max(0, min(i-faintPoints/2, len(pts)-faintPoints))
		for _, r := range pts[from:min(from+faintPoints, len(pts))] {
			steps = append(steps, r.Step)
		}
		if median(steps) < least {
			faint[i] = true
			count++
		}
	}
	for i := range pts {
		pts[i].Faint = faint[i] && count < len(pts)/2
	}
}

// traceRegion finds the border between two regions that differ in light or in
// grain but have no sharp step between them (black belt on dark steel): in
// every slice the place where splitting the grey values into two normal
// populations, belt and ground, gains the most likelihood,
//
//	log s^2 - (log s1^2 + log s2^2)/2,
//
// followed from slice to slice as traceEdge does.
func traceRegion(p *Picture, view *geometry.View, b boundary, how search, blocked func(geometry.Vec2) bool) []tracePoint {
	const dt, window = 8.0, 4.0
	s := sampleStrip(p, view, b.From, b.To, b.Line.N, dt, how.reach+window+1, blocked, true)
	if s.slices < 10 {
		return nil
	}
	w := int(window / s.ds)
	gain := make([]float32, len(s.v))
	sum, sq := make([]float64, s.n2+1), make([]float64, s.n2+1)
	for i := 0; i < s.slices; i++ {
		if !s.known[i] {
			continue
		}
		for j := 0; j < s.n2; j++ {
			sum[j+1] = sum[j] + float64(s.v[i*s.n2+j])
			sq[j+1] = sq[j] + float64(s.v2[i*s.n2+j])
		}
		logVar := func(a, b int) float64 {
			n := float64(b - a)
			m := (sum[b] - sum[a]) / n
			return math.Log((sq[b]-sq[a])/n - m*m + 1)
		}
		for j := w; j < s.n2-w; j++ {
			gain[i*s.n2+j] = float32(logVar(j-w, j+w) - (logVar(j-w, j)+logVar(j, j+w))/2)
		}
	}
	centre := make([]float64, s.slices)
	for i := range centre {
		centre[i] = float64(s.zero)
	}
	path := s.path(gain, 1, 0, centre, how.reach/s.ds, 0.15)
	var pts []tracePoint
	for i, j := range path {
		if !s.known[i] || j < 2 || j > s.n2-3 || gain[i*s.n2+j] < 0.08 {
			continue
		}
		q := s.from.Add(s.dir.Mul((float64(i) + 0.5) * dt)).Add(s.n.Mul(s.offset(float64(j) - 0.5)))
		if uv, ok := view.Project(q); ok {
			pts = append(pts, tracePoint{UV: uv, Plane: q, T: (float64(i) + 0.5) * dt})
		}
	}
	return pts
}
