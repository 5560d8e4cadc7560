package measure

import (
	"math"
	"testing"

	"beltend/geometry/square"
	"beltend/server/result"
)

// Standard deviation of the mean of 1, 2 and 6: deviations -2, -1, 3 from 3,
// so sqrt(14 / 2 / 3).
func TestDisagreement(t *testing.T) {
	sd, spread := disagreement([]float64{1, math.NaN(), 2, 6})
	if math.Abs(sd-math.Sqrt(14.0/6)) > 1e-12 || spread != 5 {
		t.Errorf("sd %v, spread %v", sd, spread)
	}
	if sd, spread := disagreement([]float64{math.NaN(), 4}); sd != 0 || spread != 0 {
		t.Errorf("one photo: sd %v, spread %v", sd, spread)
	}
}

// Photos that differ widen U by what the edges' terms do not cover, and are told.
func TestDoubtPhotos(t *testing.T) {
	j := &judgement{v: &square.Values{WidthAtCut: 1000}, variance: make([]float64, quantities), own: []float64{2, 4},
		budget: []result.BudgetRow{{Source: "cut", UMM: 0.6}, {Source: "lens terms", UMM: 3}}}
	j.doubtPhotos(cut)
	// sd of the mean of 2 and 4 is 1; the cut's 0.6 allows for twice its variance
	if got := j.variance[qOffset]; math.Abs(got-(1-2*0.36)) > 1e-12 {
		t.Errorf("variance %v", got)
	}
	m := &result.Measurement{Squareness: &result.Squareness{OffsetU95MM: 1.5}}
	warnReversal(m, j.own)
	if len(m.Warnings) != 1 || m.Warnings[0].Code != "photos_disagree" {
		t.Errorf("warnings %v", m.Warnings)
	}
	m = &result.Measurement{Squareness: &result.Squareness{OffsetU95MM: 2.5}}
	if warnReversal(m, j.own); len(m.Warnings) != 0 {
		t.Errorf("warnings %v", m.Warnings)
	}
}
