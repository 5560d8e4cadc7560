package adjust_test

import (
	"fmt"
	"math"

	"beltend/geometry/adjust"
)

// The length of a bar from two tape readings and what is known of the tape's scale, with the budget of its uncertainty.
func Example() {
	p := adjust.NewProblem()
	length := p.Block("length", []float64{1000}) // mm
	scale := p.Block("scale", []float64{1})      // true mm per mm read
	for _, reading := range []float64{1001.0, 1000.4} {
		const sigma = 0.5 // mm
		p.Residual("reading", 1, func(x [][]float64, r []float64, jac [][]float64) bool {
			r[0] = (x[0][0]/x[1][0] - reading) / sigma
			if jac[0] != nil {
				jac[0][0] = 1 / x[1][0] / sigma
			}
			if jac[1] != nil {
				jac[1][0] = -x[0][0] / (x[1][0] * x[1][0]) / sigma
			}
			return true
		}, nil, length, scale)
	}
	p.Prior("scale of the tape", scale, []float64{1}, []float64{0.0003})

	s, err := p.Solve(adjust.DefaultOptions())
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("length %.2f mm, standard uncertainty %.2f mm\n", s.Value(length)[0], s.SD(length)[0])
	gradient := []adjust.Partial{{Block: length, D: []float64{1}}}
	for _, c := range s.Budget(gradient, func(name string) string { return name }) {
		fmt.Printf("  from %s %.2f mm\n", c.Name, math.Sqrt(c.Variance))
	}
	// Output:
	// length 1000.70 mm, standard uncertainty 0.46 mm
	//   from reading 0.35 mm
	//   from scale of the tape 0.30 mm
}

func ExampleFitLineErrorsBothWays() {
	x, y := []float64{0, 250, 500, 750, 1000}, []float64{0.2, 1.1, 2.3, 3.1, 4.2} // mm
	sx, sy := []float64{0.5, 0.5, 0.5, 0.5, 0.5}, []float64{0.1, 0.1, 0.1, 0.1, 0.1}
	l, err := adjust.FitLineErrorsBothWays(x, y, sx, sy)
	if err != nil {
		fmt.Println(err)
		return
	}
	rise, u := l.B*1000, math.Sqrt(l.VarB)*1000
	fmt.Printf("the line rises %.2f mm in a metre, standard uncertainty %.2f mm\n", rise, u)
	// Output: the line rises 4.00 mm in a metre, standard uncertainty 0.13 mm
}
