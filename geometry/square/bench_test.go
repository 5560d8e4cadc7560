package square

import (
	"math"
	"testing"

	"beltend/geometry"
)

// belt describes a synthetic belt end in its own frame: edges at x = -w/2 and
// w/2 plus their own shapes over y, the cut at y = f(x).
type belt struct {
	w, length   float64
	left, right func(y float64) float64 // added to x; nil for 0
	cut         func(x float64) float64
	step        float64 // between points
}

func (b belt) edges() Edges {
	var e Edges
	zero := func(float64) float64 { return 0 }
	left, right, cut := b.left, b.right, b.cut
	if left == nil {
		left = zero
	}
	if right == nil {
		right = zero
	}
	if cut == nil {
		cut = zero
	}
	run := func(from, to float64, f func(float64)) {
		n := int(math.Ceil((to - from) / b.step))
		for k := 0; k <= n; k++ {
			f(from + (to-from)*float64(k)/float64(n))
		}
	}
	run(cut(-b.w/2), b.length, func(y float64) {
		e.Left = append(e.Left, geometry.Vec2{X: -b.w/2 + left(y), Y: y})
	})
	run(cut(b.w/2), b.length, func(y float64) {
		e.Right = append(e.Right, geometry.Vec2{X: b.w/2 + right(y), Y: y})
	})
	run(-b.w/2+left(0), b.w/2+right(0), func(x float64) { e.Cut = append(e.Cut, geometry.Vec2{X: x, Y: cut(x)}) })
	return e
}

func BenchmarkCompute(b *testing.B) {
	e := belt{w: 1000, length: 1200, step: 11, cut: func(x float64) float64 { return -0.01 * x }}.edges()
	b.ReportMetric(float64(len(e.Left)+len(e.Right)+len(e.Cut)), "points")
	var v Values
	b.ReportAllocs()
	for i := 0; i < b.N; i++ {
		if err := Compute(e, Spec{}, &v); err != nil {
			b.Fatal(err)
		}
	}
}
