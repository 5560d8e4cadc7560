package adjust

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// table is a CSV file of testdata with a header.
type table struct {
	t    testing.TB
	name string
	rows []map[string]string
}

func readTable(t testing.TB, name string) table {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	tab := table{t: t, name: name}
	for _, row := range all[1:] {
		m := map[string]string{}
		for i, cell := range row {
			m[all[0][i]] = cell
		}
		tab.rows = append(tab.rows, m)
	}
	if len(tab.rows) == 0 {
		t.Fatalf("%s is empty", name)
	}
	return tab
}

// where keeps the rows with this value in a column.
func (tab table) where(column, value string) table {
	out := table{t: tab.t, name: tab.name}
	for _, row := range tab.rows {
		if row[column] == value {
			out.rows = append(out.rows, row)
		}
	}
	if len(out.rows) == 0 {
		tab.t.Fatalf("%s has no row with %s = %s", tab.name, column, value)
	}
	return out
}

func (tab table) numbers(column string) []float64 {
	tab.t.Helper()
	out := make([]float64, len(tab.rows))
	for i, row := range tab.rows {
		v, err := strconv.ParseFloat(row[column], 64)
		if err != nil {
			tab.t.Fatalf("%s, column %s: %v", tab.name, column, err)
		}
		out[i] = v
	}
	return out
}

func (tab table) number(column string) float64 { tab.t.Helper(); return tab.numbers(column)[0] }

// near fails unless got agrees with want within a relative tolerance.
func near(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if !(math.Abs(got-want) <= rel*math.Abs(want)) {
		t.Errorf("%s = %.12g, want %.12g (off by %.2g, allowed %.2g relative)",
			what, got, want, math.Abs(got-want)/math.Abs(want), rel)
	}
}

// within fails unless got agrees with want within an absolute tolerance.
func within(t *testing.T, what string, got, want, abs float64) {
	t.Helper()
	if !(math.Abs(got-want) <= abs) {
		t.Errorf("%s = %.12g, want %.12g +- %g", what, got, want, abs)
	}
}

// A model gives y and its derivatives by the parameters.
type model func(x float64, b []float64) (y float64, dy []float64)

// nistModels are the models of the NIST StRD non-linear sets, as nist_nonlinear_summary.csv prints them.
var nistModels = map[string]model{
	"Misra1a": func(x float64, b []float64) (float64, []float64) {
		e := math.Exp(-b[1] * x)
		return b[0] * (1 - e), []float64{1 - e, b[0] * x * e}
	},
	"BoxBOD": func(x float64, b []float64) (float64, []float64) {
		e := math.Exp(-b[1] * x)
		return b[0] * (1 - e), []float64{1 - e, b[0] * x * e}
	},
	"Thurber": func(x float64, b []float64) (float64, []float64) {
		n := b[0] + x*(b[1]+x*(b[2]+x*b[3]))
		d := 1 + x*(b[4]+x*(b[5]+x*b[6]))
		q := -n / (d * d)
		return n / d, []float64{1 / d, x / d, x * x / d, x * x * x / d, q * x, q * x * x, q * x * x * x}
	},
	"MGH09": func(x float64, b []float64) (float64, []float64) {
		n, d := x*x+x*b[1], x*x+x*b[2]+b[3]
		q := -b[0] * n / (d * d)
		return b[0] * n / d, []float64{n / d, b[0] * x / d, q * x, q}
	},
	"MGH17": func(x float64, b []float64) (float64, []float64) {
		e, g := math.Exp(-x*b[3]), math.Exp(-x*b[4])
		return b[0] + b[1]*e + b[2]*g, []float64{1, e, g, -x * b[1] * e, -x * b[2] * g}
	},
	"Rat43": func(x float64, b []float64) (float64, []float64) {
		e := math.Exp(b[1] - b[2]*x)
		p := math.Pow(1+e, -1/b[3])
		q := -b[0] * p * e / (b[3] * (1 + e))
		return b[0] * p, []float64{p, q, -x * q, b[0] * p * math.Log1p(e) / (b[3] * b[3])}
	},
	"Eckerle4": func(x float64, b []float64) (float64, []float64) {
		u := (x - b[2]) / b[1]
		e := math.Exp(-u * u / 2)
		y := b[0] / b[1] * e
		return y, []float64{e / b[1], y * (u*u - 1) / b[1], y * u / b[1]}
	},
}

// addPoints adds one residual (model - y)/sigma per point.
func addPoints(p *Problem, b BlockID, f model, x, y []float64, sigma float64) {
	for i := range x {
		p.Residual(fmt.Sprintf("point %d", i), 1, pointResidual(f, x[i], y[i], sigma), nil, b)
	}
}

func pointResidual(f model, x, y, sigma float64) Func {
	return func(v [][]float64, r []float64, jac [][]float64) bool {
		value, d := f(x, v[0])
		r[0] = (value - y) / sigma
		if jac[0] != nil {
			for j := range d {
				jac[0][j] = d[j] / sigma
			}
		}
		return true
	}
}

func TestSolve_NISTNonlinear(t *testing.T) {
	summary := readTable(t, "nist_nonlinear_summary.csv")
	certified := readTable(t, "nist_nonlinear_certified.csv")
	if len(summary.rows) != len(nistModels) {
		t.Errorf("%d data sets, %d models", len(summary.rows), len(nistModels))
	}
	for _, row := range summary.rows {
		name := row["dataset"]
		sum := summary.where("dataset", name)
		cert := certified.where("dataset", name)
		data := readTable(t, "nist_"+strings.ToLower(name)+".csv")
		x, y := data.numbers("x"), data.numbers("y")
		for _, start := range []string{"start1", "start2"} {
			t.Run(name+"/"+start, func(t *testing.T) {
				p := NewProblem()
				b := p.Block(name, cert.numbers(start))
				addPoints(p, b, nistModels[name], x, y, 1)
				s, err := p.Solve(DefaultOptions())
				if err != nil {
					t.Fatalf("%v; reached %v, cost %g", err, s.Value(b), s.Cost)
				}
				near(t, "residual sum of squares", s.ChiSquare, sum.number("residual_sum_of_squares"), 1e-9)
				// The certificate of Rat43 prints 9 degrees of freedom, but its residual sd belongs to 15 - 4 = 11.
				if want := sum.number("n") - float64(len(s.Value(b))); s.DegreesOfFreedom != want {
					t.Errorf("degrees of freedom %g, want %g", s.DegreesOfFreedom, want)
				}
				value, sd := s.Value(b), s.SD(b)
				scale := math.Sqrt(s.VarianceFactor)
				near(t, "residual sd", scale, sum.number("residual_sd"), 1e-9)
				for j, want := range cert.numbers("certified") {
					near(t, fmt.Sprintf("b%d", j+1), value[j], want, 1e-6)
					near(t, fmt.Sprintf("sd of b%d", j+1), scale*sd[j], cert.numbers("certified_sd")[j], 1e-6)
				}
				t.Logf("%d iterations, condition %.3g", s.Iterations, s.Condition)
			})
		}
	}
}

func TestCheckJacobian_NISTModels(t *testing.T) {
	certified := readTable(t, "nist_nonlinear_certified.csv")
	for name, f := range nistModels {
		x := readTable(t, "nist_"+strings.ToLower(name)+".csv").numbers("x")
		at := certified.where("dataset", name).numbers("certified")
		rel, compared, err := CheckJacobian(pointResidual(f, x[len(x)/2], 0, 1), 1, [][]float64{at})
		if err != nil || compared < len(at) || rel > 1e-6 {
			t.Errorf("%s: off by %g relative, %d of %d compared, %v", name, rel, compared, len(at), err)
		}
	}
}
