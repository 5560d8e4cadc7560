package vision

import (
	"math"
	"math/rand/v2"
	"testing"

	"beltend/geometry"
)

// overhead is a camera 1 m above the plane that looks straight down on it.
func overhead(pxmm float64) geometry.View {
	return geometry.NewView(geometry.Camera{F: 1000 / pxmm, CX: 2000, CY: 1500}, geometry.PoseFrom(geometry.Rodrigues(geometry.Vec3{X: math.Pi}), geometry.Vec3{Z: 1000}))
}

// faced is a strip along a straight cut: the belt at grey 90 inside of top, the
// cut's face at 110 down to bottom, the ground at 20, blurred as a lens does;
// offsets in mm by slice.
func faced(top, bottom func(slice int) float64) *strip {
	const blur = 0.8 // px
	s := &strip{from: geometry.Vec2{X: -300}, dir: geometry.Vec2{X: 1}, n: geometry.Vec2{Y: 1}, dt: 4, ds: 0.135, slices: 150, pxmm: 0.3}
	s.n2 = 2*int(19/s.ds) + 1
	s.zero = s.n2 / 2
	s.known = make([]bool, s.slices)
	s.v = make([]float32, s.slices*s.n2)
	rng := rand.New(rand.NewPCG(5, 6))
	step := func(x float64) float64 { return 0.5 * (1 + math.Erf(x/(blur*s.pxmm*math.Sqrt2))) }
	for i := range s.known {
		s.known[i] = true
		for j := range s.n2 {
			x := s.offset(float64(j))
			s.v[i*s.n2+j] = float32(20 + 90*step(x-bottom(i)) - 20*step(x-top(i)) + 1.5*rng.NormFloat64())
		}
	}
	return s
}

// followed is the path along a line.
func (s *strip) followed(line func(slice int) float64) []int {
	path := make([]int, s.slices)
	for i := range path {
		path[i] = int(math.Round(line(i)/s.ds)) + s.zero
	}
	return path
}

// The trace follows the lower edge of a face that is too narrow to part from the
// upper at one end and 6 px wide at the other: where the belt ends is found to a
// pixel, and the doubt is about the face's growth.
func TestBeltEndsInsideTheLowerEdge(t *testing.T) {
	const most = 1.8 // mm
	face := func(i int) float64 { return most * math.Max(0, float64(i)/149-0.3) / 0.7 }
	top := func(i int) float64 { return 0.4 + 0.002*float64(i) }
	bottom := func(i int) float64 { return top(i) - face(i) }
	s := faced(top, bottom)
	view := overhead(s.pxmm)
	in, doubt := s.beltEnd(s.followed(bottom), &view, Sharp{Blur: 0.8})
	for i := 10; i < s.slices-10; i++ {
		if d := in[i] - face(i); math.Abs(d) > leastExcess*s.pxmm+0.1 {
			t.Errorf("slice %d: the belt ends %.2f mm inside, found %.2f", i, face(i), in[i])
		}
	}
	if math.Abs(doubt-most) > 0.7 {
		t.Errorf("doubt %.2f mm, the face grows by %.2f", doubt, most)
	}
}

// Where the trace follows the belt's own edge it stays there, whatever the
// width of the face below it.
func TestBeltEndsAtItsEdge(t *testing.T) {
	top := func(i int) float64 { return -0.3 + 0.001*float64(i) }
	for _, face := range []float64{0, 1, 3} {
		s := faced(top, func(i int) float64 { return top(i) - face })
		view := overhead(s.pxmm)
		in, doubt := s.beltEnd(s.followed(top), &view, Sharp{Blur: 0.8})
		for i, d := range in {
			if d != 0 {
				t.Errorf("face of %g mm, slice %d: moved by %.2f mm", face, i, d)
				break
			}
		}
		if doubt > 0.15 {
			t.Errorf("face of %g mm: doubt %.2f mm", face, doubt)
		}
	}
}

// A step at a fifth of the width stays in the trace, and what was followed by
// mistake between its halves goes.
func TestCleanTraceKeepsAStep(t *testing.T) {
	var pts []tracePoint
	for x := 0.0; x < 700; x += 4 {
		y := 0.0
		switch {
		case x < 125:
			y = -6
		case x < 170:
			y = 3 + 2*math.Mod(x/4, 2)
		}
		pts = append(pts, tracePoint{Plane: geometry.Vec2{X: x, Y: y}, T: x})
	}
	left, right := 0, 0
	for _, q := range cleanTrace(pts) {
		switch {
		case q.T < 125:
			left++
		case q.T < 170:
			t.Errorf("kept the point at %.0f mm, which is on neither half", q.T)
		default:
			right++
		}
	}
	if left < 28 || right < 125 {
		t.Errorf("kept %d points left of the step and %d right of it", left, right)
	}
}

// For a fifth of the cut the trace follows the lower edge of a wide face, and the
// upper for the rest: the belt ends on the upper all along. A true step, whose
// face lies there, is left alone.
func TestBeltEndsOnTheRunOfTheRest(t *testing.T) {
	top := func(i int) float64 { return 0.001 * float64(i) }
	lower := func(i int) float64 { return top(i) - 5 }
	followed := func(i int) float64 {
		if i < 30 {
			return lower(i)
		}
		return top(i)
	}
	s := faced(top, lower)
	view := overhead(s.pxmm)
	in, _ := s.beltEnd(s.followed(followed), &view, Sharp{Blur: 0.8})
	for i, d := range in {
		want := top(i) - followed(i)
		if (i < 22 || i > 45) && math.Abs(d-want) > 0.5 {
			t.Errorf("slice %d: the belt ends %.2f mm inside, found %.2f", i, want, d)
		}
	}
	s = faced(followed, followed)
	in, _ = s.beltEnd(s.followed(followed), &view, Sharp{Blur: 0.8})
	for i, d := range in {
		if d != 0 {
			t.Errorf("slice %d of a true step: moved by %.2f mm", i, d)
			break
		}
	}
}
