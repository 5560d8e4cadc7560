package measure

import (
	"math"
	"slices"
	"sort"

	"gonum.org/v1/gonum/stat"

	"beltend/geometry"
	"beltend/geometry/adjust"
	"beltend/geometry/bundle"
	"beltend/geometry/square"
	"beltend/server/result"
	"beltend/vision"
)

// observed is an edge point with the photo it comes from.
type observed struct {
	camera, photo int
	uv            geometry.Vec2
}

// edgeSet holds the points of the three edges in the order square wants, and
// can be mapped to the plane again for other camera values.
type edgeSet struct {
	pts   [3][]observed
	plane [3][]geometry.Vec2
	// by photo, mm: how far its points lie off those of all, towards across
	off    [3][]float64
	across [3]geometry.Vec2
}

// gather merges the photos' traces, sorted along the edge and each photo moved onto
// what all of them show; binned averages neighbouring points of a photo.
func gather(shots []*shot, n *network, ends []seen, binned bool) *edgeSet {
	s := &edgeSet{}
	up := ends[0].end.Up
	right := geometry.Vec2{X: up.Y, Y: -up.X}
	for k := range s.pts {
		dir := up
		if k == 2 {
			dir = right
		}
		type item struct {
			o observed
			t float64
		}
		var all []item
		photos := 0
		for _, e := range ends {
			t := []*vision.Trace{&e.end.Left, &e.end.Right, &e.end.Cut}[k]
			pts := t.Points
			if binned {
				pts = bin(pts)
			}
			photos = max(photos, e.photo+1)
			view := n.res.View(shots[e.photo].camera, e.photo)
			for _, q := range pts {
				if p, ok := view.Unproject(q.UV); ok {
					all = append(all, item{observed{shots[e.photo].camera, e.photo, q.UV}, dir.Dot(p)})
				}
			}
		}
		sort.SliceStable(all, func(i, j int) bool { return all[i].t < all[j].t })
		for _, a := range all {
			s.pts[k] = append(s.pts[k], a.o)
		}
		s.plane[k] = make([]geometry.Vec2, len(all))
		s.off[k], s.across[k] = make([]float64, photos), dir.Perp()
	}
	if len(ends) > 1 {
		s.toPlane(n.res.Cameras, n.res.Poses)
		for k := range s.off {
			s.off[k] = shifts(s.pts[k], s.plane[k], s.across[k], len(s.off[k]))
		}
	}
	return s
}

// toPlane maps all points by the given cameras and poses.
func (s *edgeSet) toPlane(cams []geometry.Camera, poses []geometry.Pose) square.Edges {
	views := make([]geometry.View, len(poses))
	have := make([]bool, len(poses))
	for k := range s.pts {
		for i, o := range s.pts[k] {
			if !have[o.photo] {
				views[o.photo], have[o.photo] = geometry.NewView(cams[o.camera], poses[o.photo]), true
			}
			p, _ := views[o.photo].Unproject(o.uv)
			s.plane[k][i] = p.Sub(s.across[k].Mul(s.off[k][o.photo]))
		}
	}
	return square.Edges{Left: s.plane[0], Right: s.plane[1], Cut: s.plane[2]}
}

// apart is the variance of an edge's place, mm^2, that the photos' differences in it
// tell: of their mean, as of any.
func (s *edgeSet) apart(k int, ends []seen) float64 {
	var off []float64
	for _, e := range ends {
		if len([]*vision.Trace{&e.end.Left, &e.end.Right, &e.end.Cut}[k].Points) > 0 {
			off = append(off, s.off[k][e.photo])
		}
	}
	if len(off) < 2 {
		return 0
	}
	return stat.Variance(off, nil) / float64(len(off))
}

// quantities are the numbers whose uncertainty is propagated.
const (
	qOffset = iota
	qAngle
	qWidthCut
	qWidthMean
	qCamber
	qStraight
	qLeft
	qRight
	quantities
)

func pick(v *square.Values, out []float64) {
	out[qOffset], out[qAngle] = v.Offset, v.Angle
	out[qWidthCut], out[qWidthMean] = v.WidthAtCut, v.WidthMean
	out[qCamber], out[qStraight] = v.Camber, v.CutStraightness
	out[qLeft], out[qRight] = v.Recut.Left, v.Recut.Right
}

// Localisation of an edge that no statistics of its points shows: the top
// edge's rounding, its shading and the lens' own point spread, as a bias that
// may drift from one end of an edge to the other. Standard deviations in px.
const (
	driftPx    = 0.10 // end against end
	driftCutPx = 0.25 // the same for the cut, whose face has lines of its own
	driftTold  = 0.10 // the same where its profile tells them apart
	biasPx     = 0.30 // common, matters for the width only
	softMM     = 1.0  // the same as a drift, mm, where an edge is only a border of regions
)

// evaluate computes the values, the variances of the quantities and the budget.
func evaluate(shots []*shot, n *network, ends []seen, s *result.Settings) (*judgement, error) {
	spec := square.Spec{TargetAngle: s.TargetDeg * math.Pi / 180, Trim: s.TrimMM}
	v := &square.Values{}
	full := gather(shots, n, ends, false)
	if err := square.Compute(full.toPlane(n.res.Cameras, n.res.Poses), spec, v); err != nil {
		return nil, err
	}
	coarse := gather(shots, n, ends, true)
	var w square.Values
	variance, terms := n.res.Propagate(quantities, func(cams []geometry.Camera, poses []geometry.Pose, pr [2]float64, out []float64) {
		if err := square.Compute(coarse.toPlane(cams, poses), spec, &w); err != nil {
			for k := range out {
				out[k] = math.NaN()
			}
			return
		}
		pick(&w, out)
		// places are held by the plane frame, whose scale is the print's
	}, qOffset)
	j := &judgement{v: v, variance: variance, budget: budgetRows(terms)}

	// the edges' own noise and drift
	width := v.WidthAtCut
	var slope [3]float64 // variance of each edge's direction, rad^2
	var noise, pxmm, soft [3]float64
	names := []string{"left edge", "right edge", nameOf(s.Line)}
	line, told := lineOfCut(ends)
	for k := range slope {
		var inv float64
		for _, e := range ends {
			t := []*vision.Trace{&e.end.Left, &e.end.Right, &e.end.Cut}[k]
			if len(t.Points) == 0 {
				continue // a photo further up the belt
			}
			sd, length := roughness(t.Points)
			noise[k] = math.Max(noise[k], sd)
			pxmm[k] = math.Max(pxmm[k], t.PxMM)
			// neighbouring points share their error over some 12 mm: a third of them is news
			news := math.Max(4, float64(len(t.Points))/3)
			drift := driftPx * t.PxMM
			if k == 2 {
				if drift = driftCutPx * t.PxMM; told {
					drift = driftTold * t.PxMM
				}
			}
			if t.Soft {
				drift, soft[k] = softMM, softMM
			}
			vs := 12*sd*sd/(news*length*length) + math.Pow(drift/length, 2)
			if k < 2 {
				// An edge that waves is worn, or has something lying along it: its
				// waves hang together over some 200 mm.
				wave := waviness(t.Points)
				vs += 12 * wave * wave / (math.Max(2, length/200) * length * length)
			}
			inv += 1 / vs
		}
		slope[k] = 1 / inv
	}
	contribution := []float64{slope[0] / 4 * width * width, slope[1] / 4 * width * width, slope[2] * width * width}
	for k, c := range contribution {
		variance[qOffset] += c
		variance[qAngle] += c / (width * width)
		j.budget = append(j.budget, result.BudgetRow{Source: names[k], Type: "A", UMM: math.Sqrt(c), Comment: "roughness seen, noise and localisation of its points"})
	}
	// Each edge was looked at twice, the second time nearer and in light: the
	// standard deviation of one of two is their difference by the root of two.
	j.doubt("second look", "A", math.Abs(secondLook(ends))*width/math.Sqrt2, "what looking at the edges again changed")
	// Edges of a belt are parallel but for wear. What they are out of parallel
	// beyond that may be the error of either one: rectangular over +-half of it.
	if taper := math.Abs(v.EdgeAngleLeft - v.EdgeAngleRight); taper > freeTaper {
		j.doubt("edges not parallel", "B", (taper-freeTaper)/(2*math.Sqrt(3))*width, "one edge worn or not rightly found, or the card not in the belt's plane")
	}
	if told {
		j.doubt("line of the cut", "B", line*width, "the top edge beside the other lines of the face, by the profile across the cut")
	}
	// A cut followed now on one line, now on another beside it (the two edges of
	// its face, a hard shadow) has a direction no better than their distance.
	if hop := hopping(ends) * leftOfDoubt(told); hop > 0 {
		j.doubt("leaps of the cut", "B", hop, "ragged cut, or two edges side by side")
	}
	// Where the belt's own look ends further and further inside the line that was
	// followed, that line may be none of the belt's: rectangular.
	if doubt := doubtOfCut(ends) * leftOfDoubt(told); doubt > 0 {
		j.doubt("belt's look ends inside the cut", "B", doubt/math.Sqrt(3), "a narrow face, or something close beyond the cut")
	}
	// Ends of the cut that were not seen may leave its line as cuts do, and noise may
	// have led where it is faint: by 105 scenes, error over uncertainty then has an RMS of
	// 0.9 where some of the cut is.
	followed := cutSeen(ends, width, shortGapMM, true)
	plainly := cutSeen(ends, width, shortGapMM, false)
	if plainly < 0.98 {
		j.doubt("cut not seen", "B", math.Hypot(2*(1-followed), 1.5*(followed-plainly)), "stretches of the cut that are covered or faint")
	}
	for _, q := range []int{qWidthCut, qWidthMean} {
		for k := 0; k < 2; k++ {
			variance[q] += math.Pow(math.Max(biasPx*pxmm[k], soft[k]), 2) + noise[k]*noise[k]/8 + full.apart(k, ends)
		}
	}
	for _, q := range []int{qLeft, qRight} {
		variance[q] += contribution[2]/2 + contribution[0] + contribution[1] + math.Pow(biasPx*pxmm[2], 2) + 2*noise[2]*noise[2] + full.apart(2, ends)
	}
	variance[qStraight] += 2*math.Pow(0.2*pxmm[2], 2) + 2*noise[2]*noise[2]
	variance[qCamber] += math.Pow(0.2*pxmm[0], 2)
	return j, nil
}

// doubt widens the uncertainty of the offset, and of what hangs on it, by a
// contribution of u mm.
func (j *judgement) doubt(source, kind string, u float64, comment string) {
	for _, q := range []int{qOffset, qLeft, qRight} {
		j.variance[q] += u * u
	}
	j.variance[qAngle] += u * u / (j.v.WidthAtCut * j.v.WidthAtCut)
	j.budget = append(j.budget, result.BudgetRow{Source: source, Type: kind, UMM: u, Comment: comment})
}

// secondLook is by how much looking again turned the cut against the
// centreline, rad, in the mean of the photos. An edge that turned by more than
// sound edges are out of parallel counts with that: the other one bears it out, or
// their taper is doubted.
func secondLook(ends []seen) float64 {
	edge := func(t *vision.Trace) float64 { return math.Max(-freeTaper, math.Min(freeTaper, t.Turned)) }
	var sum, n float64
	for _, e := range ends {
		if len(e.end.Cut.Points) > 0 {
			sum += e.end.Cut.Turned - (edge(&e.end.Left)+edge(&e.end.Right))/2
			n++
		}
	}
	return sum / math.Max(1, n)
}

// freeTaper is how far a sound belt's edges may be out of parallel, rad.
const freeTaper = 0.002

// mostTaper is where they are no two edges of one belt any more, or the card
// is not in the belt's plane.
const mostTaper = 0.015

// Gaps between neighbouring points of the cut that count as seen, mm: for the
// uncertainty what a few slices leave out, for a refusal also a card or a tool.
const (
	shortGapMM = 17.0
	longGapMM  = 25.0
)

// cutSeen is the share of the width over which the cut has points no further
// than gap mm apart, the faint ones among them or not.
func cutSeen(ends []seen, width, gap float64, faint bool) float64 {
	best := 0.0
	for _, e := range ends {
		p := e.end.Cut.Points
		if !faint {
			p = slices.DeleteFunc(slices.Clone(p), func(q vision.EdgePoint) bool { return q.Faint })
		}
		covered := 0.0
		for i := 1; i < len(p); i++ {
			covered += math.Min(p[i].T-p[i-1].T, gap)
		}
		best = math.Max(best, (covered+8)/width)
	}
	return math.Min(best, 1)
}

// doubtOfCut is the least that a photo shows of Face.Doubt.
func doubtOfCut(ends []seen) float64 {
	least := math.Inf(1)
	for _, e := range ends {
		if len(e.end.Cut.Points) > 0 {
			least = math.Min(least, e.end.Cut.Face.Doubt)
		}
	}
	if math.IsInf(least, 1) {
		return 0
	}
	return least
}

// hopping is a third of the usual size of the cut's leaps of more than half a
// millimetre from point to point: the worst photo of the end. A single leap is
// a step, which the shape tells.
func hopping(ends []seen) float64 {
	worst, photos := 0.0, 0.0
	for _, e := range ends {
		p := e.end.Cut.Points
		if len(p) < 8 {
			continue
		}
		photos++
		c, d := p[0].Plane, p[len(p)-1].Plane.Sub(p[0].Plane).Unit()
		var leaps []float64
		for i := 1; i < len(p); i++ {
			if l := math.Abs(d.Cross(p[i].Plane.Sub(c)) - d.Cross(p[i-1].Plane.Sub(c))); l > 0.5 && p[i].T-p[i-1].T < 17 {
				leaps = append(leaps, l)
			}
		}
		sort.Float64s(leaps)
		if len(leaps) >= 2 {
			worst = math.Max(worst, leaps[len(leaps)/2]/3)
		}
	}
	return worst / math.Sqrt(math.Max(1, photos))
}

// roughness is the standard deviation of single points about the smooth run
// of their neighbours, from second differences, and the length covered.
func roughness(p []vision.EdgePoint) (sd, length float64) {
	if len(p) < 8 {
		return 1, 100
	}
	c, d := p[0].Plane, p[len(p)-1].Plane.Sub(p[0].Plane)
	length = d.Norm()
	d = d.Mul(1 / length)
	var dd []float64
	for i := 2; i < len(p); i++ {
		if p[i].T-p[i-2].T > 9 {
			continue
		}
		a, b, e := d.Cross(p[i-2].Plane.Sub(c)), d.Cross(p[i-1].Plane.Sub(c)), d.Cross(p[i].Plane.Sub(c))
		dd = append(dd, math.Abs(a-2*b+e))
	}
	if len(dd) < 5 {
		return 0.5, length
	}
	sort.Float64s(dd)
	return math.Max(0.02, dd[len(dd)/2]/0.6745/math.Sqrt(6)), length
}

// waviness is the RMS of an edge's points about their parabola, mm; 0 when
// there are too few to tell.
func waviness(p []vision.EdgePoint) float64 {
	if len(p) < 12 {
		return 0
	}
	c, d := p[0].Plane, p[len(p)-1].Plane.Sub(p[0].Plane).Unit()
	x, y := make([]float64, len(p)), make([]float64, len(p))
	for i, q := range p {
		x[i], y[i] = d.Dot(q.Plane.Sub(c)), d.Cross(q.Plane.Sub(c))
	}
	_, _, chi, err := adjust.FitPolynomial(x, y, nil, 2)
	if err != nil {
		return 0
	}
	return math.Sqrt(chi / float64(len(p)-3))
}

// budgetRows turns the adjustment's groups into lines of a GUM budget.
func budgetRows(terms []bundle.Term) []result.BudgetRow {
	var out []result.BudgetRow
	for _, t := range terms {
		row := result.BudgetRow{Source: t.Name, Type: "B", UMM: math.Sqrt(math.Max(0, t.Variance))}
		switch t.Name {
		case "card corners in the photo":
			row.Type, row.Comment = "A", "noise of the corners, by their residuals"
		case "straightness of the edges":
			row.Type, row.Comment = "A", "waviness of the belt's edges, which help to hold the lens terms"
		case "focal length":
			row.Comment = "EXIF or camera profile"
		case "principal point", "lens terms":
			row.Comment = "usual spread of phone cameras, or camera profile"
		case "print scale":
			row.Comment = "both directions alike: matters for lengths only"
		case "print x against y":
			row.Comment = "printers scale differently along and across the sheet; a plain one is cut so"
		}
		out = append(out, row)
	}
	return out
}
