package square

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"
)

// testdata/decision_normal.csv: 15 offsets with tolerance, u and U95 = 1.96 u;
// probabilities computed independently with SciPy.
func TestDecideAgainstTable(t *testing.T) {
	f, err := os.Open("testdata/decision_normal.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) != 16 {
		t.Fatal(len(rows), err)
	}
	for _, r := range rows[1:] {
		var x [5]float64
		for i := range x {
			if x[i], err = strconv.ParseFloat(r[i], 64); err != nil {
				t.Fatal(err)
			}
		}
		tol, offset, u, u95, p := x[0], x[1], x[2], x[3], x[4]
		if got := Decide(offset, u95, tol); string(got) != r[5] {
			t.Errorf("%v: %s", r, got)
		}
		if got := Decide(-offset, u95, tol); string(got) != r[5] {
			t.Errorf("%v mirrored: %s", r, got)
		}
		if got := OffsetConformance(offset, u, tol); !(math.Abs(got-p) <= 6e-7) {
			t.Errorf("%v: probability %.7f", r, got)
		}
	}
}

// Printed and recomputed figures of JCGM 106:2012 7.3.3, 8.3.3.2 and
// ISO 14253-1:2017.
func TestConformanceExamples(t *testing.T) {
	inf := math.Inf(1)
	for _, c := range []struct {
		what                string
		y, u, lo, hi, p, by float64
	}{
		{"7.3.3 example 1", -5.47, 0.05, -inf, -5.40, 0.919, 5e-4},
		{"7.3.3 example 2", 509.7, 8.6, 490, inf, 0.989, 5e-4},
		{"8.3.3.2 acceptance limit", 100 / (1 - 3.0902*0.02), 0.02 * 100 / (1 - 3.0902*0.02), 100, inf, 0.999, 1e-6},
		{"r 0", 2, 1, -inf, 2, 0.5, 1e-12},
		{"r 0.5", 1, 1, -inf, 2, 0.841, 5e-4},
		{"r 0.825", 2 - 1.65, 1, -inf, 2, 0.9505, 5e-5},
		{"r 1", 0, 1, -inf, 2, 0.9772, 5e-5},
		{"r 1.5", -1, 1, -inf, 2, 0.99865, 5e-6},
		{"width 4 u, guard 1.796 u", 2 - 1.796, 1, -2, 2, 0.95, 5e-5},
		{"width 5 u, guard 1.649 u", 2.5 - 1.649, 1, -2.5, 2.5, 0.95, 5e-5},
		{"width 6 u, guard 1.645 u", 3 - 1.645, 1, -3, 3, 0.95, 5e-5},
		{"width 3.92 u, the middle just reaches 95 %", 0, 1, -1.96, 1.96, 0.95, 5e-6},
		{"offset at the tolerance", 2, 0.01, -2, 2, 0.5, 1e-12},
		{"far tail keeps its digits", 12, 1, -2, 2, 7.619853e-24, 1e-29}, // Phi(-10) - Phi(-14)
	} {
		if p := Conformance(c.y, c.u, c.lo, c.hi); !(math.Abs(p-c.p) <= c.by) {
			t.Errorf("%s: %.8g, should be %.8g", c.what, p, c.p)
		}
	}
}

func TestDecideGuards(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range [][3]float64{{nan, 1, 2}, {0, nan, 2}, {0, 1, nan}, {inf, 1, 2}, {0, inf, 2}, {0, 1, inf},
		{0, 0, 2}, {0, -1, 2}, {9, 0, 2}, {9, -1, 2}, {0, 1, -1}, {9, 1, -1}} {
		if v := Decide(c[0], c[1], c[2]); v != Undecided {
			t.Errorf("%v: %s", c, v)
		}
		if o := Judge(c[0], c[1], c[2]); o != NoOutcome {
			t.Errorf("%v: %q", c, o)
		}
	}
	for x := -9.0; x <= 9; x += 0.25 {
		if Decide(x, 2.01, 2) == Square {
			t.Errorf("offset %g with U above the tolerance called square", x)
		}
		if SimpleAcceptance(x, 2) != (x >= -2 && x <= 2) {
			t.Error("simple acceptance at", x)
		}
	}
	if p := Conformance(0, 0, -1, 1); !math.IsNaN(p) {
		t.Error("zero u gave", p)
	}
	for _, c := range []struct {
		offset float64
		want   Outcome
	}{{0, Pass}, {-1, Pass}, {1.5, ConditionalPass}, {2, ConditionalPass}, {-2.5, ConditionalFail}, {3.01, Fail}} {
		if got := Judge(c.offset, 1, 2); got != c.want {
			t.Errorf("%g: %s", c.offset, got)
		}
	}
}
