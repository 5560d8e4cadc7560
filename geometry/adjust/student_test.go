package adjust

import (
	"math"
	"testing"
)

// JCGM 100:2008 Table G.2.
func TestStudentT_GUMTableG2(t *testing.T) {
	for _, row := range []struct{ nu, t95, t99 float64 }{
		{1, 12.706, 63.657}, {2, 4.303, 9.925}, {3, 3.182, 5.841}, {4, 2.776, 4.604}, {5, 2.571, 4.032},
		{10, 2.228, 3.169}, {16, 2.120, 2.921}, {20, 2.086, 2.845}, {50, 2.009, 2.678}, {math.Inf(1), 1.960, 2.576},
	} {
		within(t, "t 95 %", StudentT(0.95, row.nu), row.t95, 5.01e-4)
		within(t, "t 99 %", StudentT(0.99, row.nu), row.t99, 5.01e-4)
	}
	for _, bad := range [][2]float64{{0, 5}, {1, 5}, {0.95, 0}, {0.95, math.NaN()}, {math.NaN(), 5}} {
		if got := StudentT(bad[0], bad[1]); !math.IsNaN(got) {
			t.Errorf("StudentT(%g, %g) = %g, want NaN", bad[0], bad[1], got)
		}
	}
}

// Closed form: with 2 degrees of freedom chi-square is exponential, above x with probability exp(-x/2).
func TestChiSquare_TwoDegrees(t *testing.T) {
	near(t, "quantile", ChiSquareQuantile(0.95, 2), -2*math.Log(0.05), 1e-9)
	near(t, "probability above", ChiSquareAbove(5, 2), math.Exp(-2.5), 1e-12)
	near(t, "there and back", ChiSquareAbove(ChiSquareQuantile(0.975, 37), 37), 0.025, 1e-9)
	if !math.IsNaN(ChiSquareQuantile(0.5, 0)) || !math.IsNaN(ChiSquareAbove(-1, 3)) {
		t.Error("impossible arguments must give NaN")
	}
}

// One contribution keeps its degrees of freedom; equal ones add theirs; an exactly known one only dilutes.
func TestEffectiveDegreesOfFreedom_Laws(t *testing.T) {
	near(t, "alone", EffectiveDegreesOfFreedom([]float64{3}, []float64{7}), 7, 1e-12)
	near(t, "two equal", EffectiveDegreesOfFreedom([]float64{2, 2}, []float64{5, 5}), 10, 1e-12)
	near(t, "one known", EffectiveDegreesOfFreedom([]float64{1, 1}, []float64{5, math.Inf(1)}), 20, 1e-12)
	if got := EffectiveDegreesOfFreedom([]float64{1}, []float64{math.Inf(1)}); !math.IsInf(got, 1) {
		t.Errorf("known exactly: %g", got)
	}
	if !math.IsNaN(EffectiveDegreesOfFreedom([]float64{1, 2}, []float64{1})) {
		t.Error("lengths that differ must give NaN")
	}
}
