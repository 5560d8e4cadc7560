package vision

import (
	"math"
	"math/rand/v2"
	"testing"
)

// facesAlong are the profiles across a cut 900 mm long whose top edge is straight,
// seen with a blur of 0.9 px, noise of 0.1 % and 0.3 mm a pixel. Along it, from
// 0 to 1, the face is so many px wide and belt and face so light against a
// ground of 1; the line followed is off the top edge by so many px.
func facesAlong(seed uint64, width, belt, face, off func(along float64) float64) []facePiece {
	const length, px, blur = 900.0, 0.3, 0.9
	rng := rand.New(rand.NewPCG(seed, 1))
	step := func(u float64) float64 { return 0.5 * math.Erfc(-u/(blur*math.Sqrt2)) }
	var fs []facePiece
	for x := 60.0; x < length-50; x += 60 {
		a := x / length
		f := facePiece{at: x, px: px, followed: off(a) * px}
		for k := range f.profile {
			u := float64(k)*faceSample - faceOut + off(a) // inwards from the top edge, px
			f.profile[k] = 1 + (face(a)-1)*step(u+width(a)) + (belt(a)-face(a))*step(u) + 0.001*rng.NormFloat64()
		}
		fs = append(fs, f)
	}
	return fs
}

func even(v float64) func(float64) float64 { return func(float64) float64 { return v } }

func from(a, b float64) func(float64) float64 {
	return func(x float64) float64 { return a + (b-a)*x }
}

// What was followed is turned against the top edge by so many px over the length
// of the cut: the profile tells it, and how well. Mirrored it is the other way.
func TestTurnOfCut(t *testing.T) {
	for _, c := range []struct {
		name              string
		width, belt, face func(float64) float64
		off               func(float64) float64
		turn              float64 // px over the whole cut
		sure              float64 // most that the standard deviation may be, px
	}{
		{"the top edge followed, a dark face", even(2), even(0.5), even(0.1), even(0), 0, 0.1},
		{"off it by the same all along", even(2), even(0.5), even(0.1), even(-1.5), 0, 0.1},
		{"from the top edge to the lower one", even(2), even(0.5), even(0.1), from(0, -2), -2, 0.15},
		{"a light belt on dark ground, its face between", even(1.8), even(3), even(1.8), from(-1.2, -0.2), 1, 0.1},
		{"a bevelled face: its lower edge followed", from(4, 0.5), even(0.6), even(0.2), from(-4, -0.5), 3.5, 0.5},
		{"undercut at one end, its face seen at the other", func(a float64) float64 { return math.Max(0, 8*(a-0.5)) }, even(0.3), even(0.1), func(a float64) float64 { return -math.Max(0, 8*(a-0.5)) }, -4, 1.5},
		{"a belt that is as dark as its face at one end", even(2), from(0.5, 0.1), even(0.1), from(0, -2), -2, 0.8},
	} {
		for seed := range uint64(6) {
			fs := facesAlong(seed, c.width, c.belt, c.face, c.off)
			turn, sd, _, ok := turnOfCut(fs, 0.9)
			length := 900.0 / 0.3 // px
			if !ok || sd*length > c.sure || math.Abs(turn*length-c.turn) > 3*sd*length+0.1 {
				t.Errorf("%s: turned by %.2f ± %.2f px (%v), truth %.2f", c.name, turn*length, sd*length, ok, c.turn)
			}
			var mirrored []facePiece
			for k := range fs {
				f := fs[len(fs)-1-k]
				f.at = 900 - f.at
				mirrored = append(mirrored, f)
			}
			if m, _, _, _ := turnOfCut(mirrored, 0.9); math.Abs(m+turn) > 1e-3*math.Abs(turn)+1e-7 {
				t.Errorf("%s: mirrored it is %.3f px, not %.3f", c.name, m*length, -turn*length)
			}
		}
	}
	if _, _, _, ok := turnOfCut(facesAlong(1, even(2), even(0.5), even(0.1), even(0))[:3], 0.9); ok {
		t.Error("three pieces tell a cut")
	}
}

// Where the picture shows no face that would tell one line from the other, the
// profile is not sure of itself.
func TestTurnOfCutIsUnsureWithoutContrast(t *testing.T) {
	fs := facesAlong(3, even(2), even(0.1), even(0.1), from(0, -1))
	for k := range fs { // noise as strong as what there is to see
		rng := rand.New(rand.NewPCG(uint64(k), 2))
		for i := range fs[k].profile {
			fs[k].profile[i] += 0.1 * rng.NormFloat64()
		}
	}
	turn, sd, _, ok := turnOfCut(fs, 0.9)
	if !ok || sd*3000 < 0.4 {
		t.Errorf("turned by %.2f ± %.2f px (%v), from noise", turn*3000, sd*3000, ok)
	}
}

// What is left of a profile is what is left when the model's parts are taken out
// one after the other.
func TestStepModelLeavesWhatIsLeft(t *testing.T) {
	m := newStepModel(1)
	r := rand.New(rand.NewPCG(5, 7))
	for range 300 {
		w, k := r.IntN(len(m.widths)), r.IntN(len(m.tops))
		l := &m.lower[m.low(w, k)]
		var p profileVector
		for i := range p {
			p[i] = 3 - 4*l[0][i] + 2*l[1][i] + 5*m.top[k][i] + 0.3*r.NormFloat64()
		}
		s := m.shares(&p)
		got, whole := m.misfit(&s, w, k), p.dot(&p)
		top := m.top[k].without(&m.level, &l[0], &l[1])
		for _, part := range []*profileVector{&m.level, &l[0], &l[1], &top} {
			share := p.dot(part)
			for i := range p {
				p[i] -= share * part[i]
			}
		}
		if want := p.dot(&p); math.Abs(got-want) > 1e-9*whole {
			t.Fatalf("width %g, top edge at %g: %g left, want %g", m.widths[w], m.tops[k], got, p.dot(&p))
		}
	}
}
