package measure

import (
	"math"

	"beltend/geometry/square"
	"beltend/server/report"
	"beltend/server/result"
)

// reversal judges the line in each photo by that photo's own edges, in the
// geometry that all have in common: photos from several sides see shadows,
// faces and glare differently, so what they differ by is the best honesty
// check there is (in metrology a reversal). The offsets are by photo, NaN for
// those that do not show both edges and the line over most of the length.
func reversal(shots []*shot, n *network, ends []seen, all *square.Values, s *result.Settings) []float64 {
	out := make([]float64, len(shots))
	for i := range out {
		out[i] = math.NaN()
	}
	spec := square.Spec{TargetAngle: s.TargetDeg * math.Pi / 180, Trim: s.TrimMM}
	var v square.Values
	for _, e := range ends {
		own := gather(shots, n, []seen{e}, false)
		if err := square.Compute(own.toPlane(n.res.Cameras, n.res.Poses), spec, &v); err == nil && v.Length > 0.6*all.Length {
			out[e.photo] = v.Offset
		}
	}
	return out
}

// disagreement is what the photos' own offsets say about the uncertainty of
// their mean: its standard deviation, 0 for a single photo.
func disagreement(own []float64) (sd, spread float64) {
	var sum, sum2, n float64
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, o := range own {
		if !math.IsNaN(o) {
			sum, sum2, n = sum+o, sum2+o*o, n+1
			lo, hi = math.Min(lo, o), math.Max(hi, o)
		}
	}
	if n < 2 {
		return 0, 0
	}
	return math.Sqrt(math.Max(0, sum2-sum*sum/n) / (n - 1) / n), hi - lo
}

// doubtPhotos widens the offset's uncertainty where the photos differ by more
// than chance: by twice the variance that the budget has for the edges and the
// line. With two photos the difference itself is that uncertain.
func (j *judgement) doubtPhotos(line string) {
	sd, _ := disagreement(j.own)
	c := sd * sd
	for _, b := range j.budget {
		switch b.Source {
		case "left edge", "right edge", nameOf(line), "line of the cut", "leaps of the cut":
			c -= 2 * b.UMM * b.UMM
		}
	}
	if c > 0 {
		j.doubt("photos against each other", "A", math.Sqrt(c), "edges and cut as each photo alone shows them")
	}
}

// warnReversal tells of photos that differ by more than U.
func warnReversal(m *result.Measurement, own []float64) {
	if _, spread := disagreement(own); spread > math.Max(m.Squareness.OffsetU95MM, 1) {
		m.Warnings = append(m.Warnings, report.Warn("photos_disagree", "", result.Values{"spread_mm": spread}))
	}
}
