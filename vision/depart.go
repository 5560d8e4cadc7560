package vision

import (
	"math"
	"sort"

	"gonum.org/v1/gonum/stat"

	"beltend/geometry"
)

// departSlices are stacked to see where the belt's own look ends.
const departSlices = 15

// departure is how far inside a traced line, in one stretch of it, the picture
// begins to differ from the belt.
type departure struct {
	from, to int     // slices
	in       float64 // mm
	onRun    bool    // that is on the run of the rest
}

// departures looks from well inside the belt outwards, stretch by stretch: a
// stack of slices along the path is level where it shows the belt alone, and
// what leaves that level first is the belt's edge or a blur's width inside it.
// Where the path lies outside the run that most of it is on, it is looked
// further inside, whether the belt ends on that run.
func (s *strip) departures(path []int) []departure {
	usual := math.Max(6*s.pxmm, 2.5) // mm
	var pts []runPoint
	for i, j := range path {
		if s.known[i] {
			pts = append(pts, runPoint{float64(i) * s.dt, s.offset(float64(j)), 1})
		}
	}
	run, hasRun := bestRun(pts, 2)
	var ds []departure
	for from := 0; from+departSlices/2 < s.slices; from += departSlices {
		to := min(from+departSlices, s.slices)
		if s.slices-to <= departSlices/2 {
			to = s.slices
		}
		d := departure{from: from, to: to}
		var ok bool
		d.in, ok = s.leavesBelt(path, from, to, usual)
		if hasRun {
			mid := (from + to) / 2
			if out := run(float64(mid)*s.dt) - s.offset(float64(path[mid])); out > usual/2 {
				if further, found := s.leavesBelt(path, from, to, out+usual); found && math.Abs(further-out) < usual {
					d.in, d.onRun, ok = further, true, true
				}
			}
		}
		if ok {
			ds = append(ds, d)
		}
	}
	return ds
}

// leavesBelt is how far inside the path, mm, a stack of its slices leaves the level
// that it has from near, mm, inwards. ok is false where there is no clear edge.
func (s *strip) leavesBelt(path []int, from, to int, near float64) (in float64, ok bool) {
	px := s.pxmm / s.ds
	first, out := int(near/s.ds), -int(4*px)
	last := first + int(math.Max(10*px, 5/s.ds))
	mean, n := make([]float64, last-out+1), 0.0
	for i := from; i < to; i++ {
		if !s.known[i] || path[i]+out < 0 || path[i]+last >= s.n2 {
			continue
		}
		n++
		for k := range mean {
			mean[k] += float64(s.v[i*s.n2+path[i]+out+k])
		}
	}
	if n < departSlices/3 || first < 3 {
		return 0, false
	}
	x, y := make([]float64, last-first), make([]float64, last-first)
	for k := range x {
		x[k], y[k] = float64(first+k), mean[first+k-out]/n
	}
	a, b := stat.LinearRegression(x, y, nil, false)
	noise := 0.0
	for k := range x {
		noise = math.Hypot(noise, y[k]-a-b*x[k])
	}
	noise = math.Max(0.4, noise/math.Sqrt(float64(len(x))))
	off := func(d int) float64 { return math.Abs(mean[d-out]/n - a - b*float64(d)) }
	top := 0.0
	for d := out; d <= 0; d++ {
		top = math.Max(top, off(d))
	}
	if top < 10*noise {
		return 0, false
	}
	limit := math.Max(4*noise, 0.06*top)
	for d := first - 1; d > out+2; d-- {
		if off(d) > limit && off(d-1) > limit && off(d-2) > limit {
			return float64(d) * s.ds, true
		}
	}
	return 0, false
}

const (
	// leastUsual is how far inside a sharp edge the belt's look ends for blur and
	// sharpening alone, px at a blur of 0.8 px.
	leastUsual = 1.5
	// leastExcess is how much further inside than usual, px, it must end for the
	// traced line to be taken for another than the belt's edge.
	leastExcess = 1.2
)

// beltEnd tells how far inside the path the belt ends, mm by slice: 0 where the
// path follows it. What a blur and sharpening leave inside an edge is the same
// all along a cut; more of it in some stretches shows that there the path
// follows something outside the belt: the lower edge of a narrow face, the bar
// of a grating. doubt is by how much that grows from one end of the cut to the
// other, beyond chance, mm.
func (s *strip) beltEnd(path []int, view *geometry.View, sharp Sharp) (in []float64, doubt float64) {
	in = make([]float64, s.slices)
	ds := s.departures(path)
	if len(ds) < 3 {
		return in, 0
	}
	at, px := make([]float64, len(ds)), make([]float64, len(ds))
	inPx, steady := make([]float64, len(ds)), make([]float64, len(ds))
	for k, d := range ds {
		at[k] = 0.5 * float64(d.from+d.to-1)
		px[k] = pixelAcross(view, s.from.Add(s.dir.Mul((at[k]+0.5)*s.dt)), s.n)
		inPx[k] = d.in / px[k]
	}
	for k := range ds {
		from := min(max(0, k-1), len(ds)-3)
		steady[k] = median(append([]float64(nil), inPx[from:from+3]...))
	}
	usual := math.Max(math.Max(leastUsual*math.Max(1, sharp.Blur/0.8), sharp.Ring.reach()), nth(append([]float64(nil), steady...), len(steady)/4))
	excess, doubtful := make([]float64, len(ds)), make([]float64, len(ds))
	for k, d := range ds {
		excess[k] = math.Max(0, steady[k]-usual) * px[k]
		if doubtful[k] = excess[k]; d.onRun {
			doubtful[k] /= 4 // most of the path bears it out
		}
	}
	doubt = growth(at, doubtful, float64(s.slices))
	for k := range ds {
		if steady[k]-usual < leastExcess {
			excess[k] = 0
		}
	}
	for i := range in {
		k := sort.SearchFloat64s(at, float64(i))
		switch {
		case k == 0:
			in[i] = excess[0]
		case k == len(at):
			in[i] = excess[k-1]
		default:
			f := (float64(i) - at[k-1]) / (at[k] - at[k-1])
			in[i] = (1-f)*excess[k-1] + f*excess[k]
		}
	}
	return in, doubt
}

// growth is by how much y grows over a length of x, beyond twice what chance
// gives it.
func growth(x, y []float64, length float64) float64 {
	a, b := stat.LinearRegression(x, y, nil, false)
	rss := 0.0
	for k := range x {
		e := y[k] - a - b*x[k]
		rss += e * e
	}
	sd := math.Sqrt(rss / float64(len(x)-2) / (stat.Variance(x, nil) * float64(len(x)-1)))
	return math.Sqrt(math.Max(0, b*b-4*sd*sd)) * length
}

// stepNear is the place of the strongest step in a slice within reach of a place,
// or, where there is none of its own, that place.
func (s *strip) stepNear(g []float32, slice int, at, reach float64) float64 {
	row := g[slice*s.n2 : (slice+1)*s.n2]
	size := func(j int) float64 { return math.Abs(float64(row[j])) }
	middle := int(math.Round(at/s.ds)) + s.zero
	w := int(reach / s.ds)
	best, most := at, 0.0
	for j := max(2, middle-w); j <= min(s.n2-3, middle+w); j++ {
		if v := size(j); v > most && v > size(j-1) && v >= size(j+1) {
			most = v
			best = s.offset(float64(j) + 0.5*(size(j-1)-size(j+1))/(size(j-1)-2*v+size(j+1)))
		}
	}
	return best
}
