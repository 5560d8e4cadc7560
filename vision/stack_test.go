package vision

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// Most of an edge lies on its run; a shadow followed for a while does not move it.
func TestBestRunIsTheMajoritys(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, c := range []struct {
		name   string
		degree int
		truth  func(x float64) float64
	}{
		{"a line", 1, func(x float64) float64 { return 2 - 0.004*x }},
		{"a curved belt", 2, func(x float64) float64 { return -3 + 0.01*x - 1e-5*x*x }},
	} {
		var pts []runPoint
		for x := 0.0; x < 1200; x += 4 {
			y := c.truth(x) + 0.08*rng.NormFloat64()
			if x > 500 && x < 900 {
				y += 1.6 // a third of it followed something else
			}
			pts = append(pts, runPoint{x, y, 1})
		}
		run, ok := bestRun(pts, c.degree)
		if !ok {
			t.Fatalf("%s: no run", c.name)
		}
		for x := 0.0; x < 1200; x += 100 {
			if d := run(x) - c.truth(x); math.Abs(d) > 0.35 {
				t.Errorf("%s: off by %.2f mm at %.0f", c.name, d, x)
			}
		}
	}
	if _, ok := bestRun(make([]runPoint, 3), 1); ok {
		t.Error("three points make a run")
	}
}

// layered is the gradient of a strip along a cut that sways: lines at the given
// offsets from its top edge, each as strong as its function of the slice says.
type layer struct {
	offset   float64
	strength func(slice int) float64
}

func layered(layers []layer) (s *strip, g []float32, top func(slice int) float64) {
	s = &strip{dt: 4, ds: 0.12, slices: 200, pxmm: 0.3}
	s.n2 = 2*int(19/s.ds) + 1
	s.zero = s.n2 / 2
	s.known = make([]bool, s.slices)
	g = make([]float32, s.slices*s.n2)
	rng := rand.New(rand.NewPCG(3, 4))
	top = func(i int) float64 { return 1.2 + 0.006*float64(i) + 0.25*math.Sin(float64(i)/9) }
	for i := range s.known {
		s.known[i] = true
		for j := 0; j < s.n2; j++ {
			v := 0.1 * rng.NormFloat64()
			for _, l := range layers {
				x := (s.offset(float64(j)) - top(i) - l.offset) / 0.2
				v += l.strength(i) * math.Exp(-x*x/2)
			}
			g[i*s.n2+j] = float32(v)
		}
	}
	return s, g, top
}

func always(v float64) func(int) float64 { return func(int) float64 { return v } }

// The lower edge of the face is up to four times as strong as the upper one over
// half of the cut, so that the strongest step hops; the top edge is followed all along. The
// same with the lines' signs turned.
func TestTopLineDoesNotHop(t *testing.T) {
	for _, sign := range []float64{1, -1} {
		s, g, top := layered([]layer{
			{0, func(i int) float64 { return sign * (0.7 + 0.45*math.Sin(float64(i)/30)) }},
			{-1.1, func(i int) float64 { return -sign * (0.7 - 0.45*math.Sin(float64(i)/30)) }},
		})
		hopping := make([]int, s.slices)
		for i := range hopping {
			y := top(i)
			if math.Sin(float64(i)/30) < 0 {
				y -= 1.1
			}
			hopping[i] = int(math.Round(y/s.ds)) + s.zero
		}
		path := s.topLine(g, hopping, s.pieces(g, hopping, 4))
		bad := 0
		for i, j := range path {
			if math.Abs(s.offset(float64(j))-top(i)) > 0.4 {
				bad++
			}
		}
		if bad > s.slices/20 {
			t.Errorf("sign %+.0f: %d of %d slices are off the top edge", sign, bad, s.slices)
		}
	}
}

// A step stays a step: there is no line that joins its two sides.
func TestTopLineKeepsAStep(t *testing.T) {
	const step = 5.0
	s := &strip{dt: 4, ds: 0.12, slices: 200, pxmm: 0.3}
	s.n2 = 2*int(19/s.ds) + 1
	s.zero = s.n2 / 2
	s.known = make([]bool, s.slices)
	g := make([]float32, s.slices*s.n2)
	rng := rand.New(rand.NewPCG(5, 6))
	at := func(i int) float64 {
		if i >= 120 {
			return step
		}
		return 0
	}
	path := make([]int, s.slices)
	for i := range path {
		s.known[i] = true
		path[i] = int(math.Round(at(i)/s.ds)) + s.zero
		for j := 0; j < s.n2; j++ {
			x := (s.offset(float64(j)) - at(i)) / 0.2
			g[i*s.n2+j] = float32(0.1*rng.NormFloat64() + math.Exp(-x*x/2))
		}
	}
	off := 0
	for i, j := range s.topLine(g, path, s.pieces(g, path, 4)) {
		if math.Abs(s.offset(float64(j))-at(i)) > 0.4 {
			off++
		}
	}
	if off > stackStep { // the pieces on it know no better
		t.Errorf("%d slices left a step of %.0f mm", off, step)
	}
}

// The face grows by what the lower edge is out of parallel, and a parallel one
// does not.
func TestLowerEdge(t *testing.T) {
	for _, twist := range []float64{0, 1.5, -1.5} {
		s, g, top := layered([]layer{{0, always(1)}})
		for i := 0; i < s.slices; i++ {
			lower := top(i) - 2 - twist*(float64(i)/float64(s.slices)-0.5)
			for j := 0; j < s.n2; j++ {
				x := (s.offset(float64(j)) - lower) / 0.2
				g[i*s.n2+j] += float32(0.8 * math.Exp(-x*x/2))
			}
		}
		path := make([]int, s.slices)
		for i := range path {
			path[i] = int(math.Round(top(i)/s.ds)) + s.zero
		}
		got, sd, ok := lowerEdge(s.pieces(g, path, 4))
		// from the middle of the first piece to that of the last
		want := twist * float64(s.slices-stackSlices) / float64(s.slices)
		if !ok || math.Abs(got-want) > 0.25 {
			t.Errorf("twist %.2f ± %.2f mm (%v), truth %.2f", got, sd, ok, want)
		}
	}
}

// A top line carried over a step of the cut, to where nothing is seen, is put back; a
// weak line inside a strong lower edge, and a few slices, stay.
func TestTopLineGoesBackWhereNothingIsSeen(t *testing.T) {
	const n2, strong = 60, 10
	for name, c := range map[string]struct {
		slices int
		weak   float32
		back   bool
	}{
		"nothing seen":          {20, 0.4, true},
		"a weak line":           {20, 3, false},
		"nothing, a few slices": {4, 0.4, false},
	} {
		s := &strip{ds: 0.2, n2: n2, slices: 30, known: make([]bool, 30)}
		g := make([]float32, s.slices*n2)
		for k := range g {
			g[k] = float32(k%2)*0.6 - 0.3 // noise
		}
		path, top := make([]int, s.slices), make([]int, s.slices)
		for i := range path {
			s.known[i], path[i], top[i] = true, 20, 20
			if i >= 3 && i < 3+c.slices {
				top[i] = 35
			}
			g[i*n2+20], g[i*n2+35] = strong, -c.weak
		}
		want := append([]int(nil), top...)
		if c.back {
			want = path
		}
		s.backToPath(g, top, path)
		if !slices.Equal(top, want) {
			t.Errorf("%s: the top line is %v, want %v", name, top, want)
		}
	}
}
