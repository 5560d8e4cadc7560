package bundle

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/mat"

	"beltend/geometry"
	"beltend/geometry/adjust"
)

// prior is what EXIF tells of a phone, as the measurement takes it.
var prior = CameraPrior{
	Mean: geometry.Camera{F: 3000, CX: 1999.5, CY: 1499.5},
	SD:   geometry.Camera{F: 60, CX: 24, CY: 24, K1: 0.05, K2: 0.03, K3: 0.01, P1: 0.0005, P2: 0.0005},
}

var printPrior = PrintPrior{X: 1, Y: 1, ScaleSD: 0.0015, AnisoSD: 0.0003}

// world is a scene whose truth is known: cameras and print drawn from their
// priors, cards lying about on an 800 mm belt whose left edge is x = -400.
type world struct {
	rng    *rand.Rand
	cam    geometry.Camera
	poses  []geometry.Pose
	places []Place // in a frame of the belt
	bends  []Bend  // of cards that are not flat
	print  [2]float64
	noise  float64 // px
}

func newWorld(seed uint64, photos int, places ...Place) *world {
	w := &world{rng: rand.New(rand.NewPCG(seed, 77)), places: places, noise: 0.05}
	m, sd := prior.Mean.Params(), prior.SD.Params()
	for i := range m {
		m[i] += sd[i] * w.rng.NormFloat64()
	}
	w.cam = geometry.CameraFrom(m)
	w.print = [2]float64{printPrior.ScaleSD * w.rng.NormFloat64(), printPrior.AnisoSD * w.rng.NormFloat64()}
	for range photos {
		down := geometry.Rodrigues(geometry.Vec3{X: math.Pi})
		turn := geometry.Rodrigues(geometry.Vec3{Z: w.in(-0.3, 0.3)})
		lean := geometry.Rodrigues(geometry.Vec3{X: w.in(-0.35, 0.35), Y: w.in(-0.25, 0.25)})
		r := lean.Mul(turn).Mul(down)
		middle := geometry.Vec3{X: w.in(-40, 40), Y: 300 + w.in(-40, 40)}
		w.poses = append(w.poses, geometry.PoseFrom(r, geometry.Vec3{Z: 1250}.Sub(r.Apply(middle))))
	}
	return w
}

func (w *world) in(lo, hi float64) float64 { return lo + (hi-lo)*w.rng.Float64() }

func (w *world) view(i int) geometry.View { return geometry.NewView(w.cam, w.poses[i]) }

// rise is how far a card lies above the belt at d from its middle.
func (w *world) rise(card int, d geometry.Vec2) float64 {
	if card >= len(w.bends) {
		return 0
	}
	b := w.bends[card]
	return (b[0]*d.X*d.X + b[1]*d.Y*d.Y + b[2]*d.X*d.Y) / (100 * 100)
}

// problem observes the world. Starts are off by as much as a homography leaves.
func (w *world) problem(edges bool) *Problem {
	p := &Problem{Cameras: []CameraPrior{prior}, Print: printPrior}
	board, _ := geometry.Card(1)
	o := w.places[0]
	for i, c := range w.places {
		d := geometry.Vec2{X: c[0] - o[0], Y: c[1] - o[1]}.Rotate(-o[2])
		at := Place{d.X, d.Y, c[2] - o[2]}
		if i > 0 {
			at[0], at[1], at[2] = at[0]+w.in(-4, 4), at[1]+w.in(-4, 4), at[2]+w.in(-0.02, 0.02)
		}
		p.Places = append(p.Places, at)
	}
	for i := range w.poses {
		v := w.view(i)
		// camera from the first card's frame
		s, c := math.Sincos(o[2])
		r := w.poses[i].Rotation().Mul(geometry.Mat3{c, -s, 0, s, c, 0, 0, 0, 1})
		start := geometry.PoseFrom(r, w.poses[i].Apply(geometry.Vec3{X: o[0], Y: o[1]}))
		for k := range start {
			if start[k] += w.in(-0.01, 0.01); k > 2 {
				start[k] += w.in(-10, 10)
			}
		}
		ph := Photo{Start: start}
		for k, place := range w.places {
			for _, b := range board.Saddles() {
				q := place.Apply(printed(b, printPrior, w.print[:]))
				uv, ok := v.Project3(geometry.Vec3{X: q.X, Y: q.Y, Z: w.rise(k, b.Sub(board.Saddles()[0].Add(board.Saddles()[len(board.Saddles())-1]).Mul(0.5)))})
				if !ok {
					panic("a card lies behind the camera")
				}
				uv = uv.Add(geometry.Vec2{X: w.noise * w.rng.NormFloat64(), Y: w.noise * w.rng.NormFloat64()})
				ph.Corners = append(ph.Corners, Corner{Card: k, Board: b, UV: uv, Sigma: math.Max(w.noise, 1e-3)})
			}
		}
		if edges {
			for k, x := range []float64{-400, 400} {
				for y := 0.0; y < 700; y += 100 {
					uv, _ := v.Project(geometry.Vec2{X: x + 0.3*w.rng.NormFloat64(), Y: y})
					ph.Edges = append(ph.Edges, EdgePoint{Edge: k, UV: uv, SigmaMM: 0.3})
				}
			}
		}
		p.Photos = append(p.Photos, ph)
	}
	if edges {
		for _, x := range []float64{-400, 400} {
			a := geometry.Vec2{X: x - o[0], Y: -o[1]}.Rotate(-o[2])
			n := geometry.Vec2{X: 1}.Rotate(-o[2])
			p.Lines = append(p.Lines, Line{math.Atan2(n.Y, n.X) + w.in(-0.01, 0.01), n.Dot(a) + w.in(-3, 3)})
		}
	}
	return p
}

// end is where the first photo shows the corners of the cut and two places up
// the edges, and evaluates the offset and the width from there.
type end struct{ left, right, leftUp, rightUp geometry.Vec2 }

const (
	trueOffset = 6.0
	trueWidth  = 800.0
)

func (w *world) end() end {
	v := w.view(0)
	at := func(x, y float64) geometry.Vec2 {
		uv, _ := v.Project(geometry.Vec2{X: x, Y: y})
		return uv
	}
	return end{at(-400, -trueOffset/2), at(400, trueOffset/2), at(-400, 650), at(400, 650)}
}

func (e end) evaluate(cams []geometry.Camera, poses []geometry.Pose, _ [2]float64, out []float64) {
	v := geometry.NewView(cams[0], poses[0])
	l, _ := v.Unproject(e.left)
	r, _ := v.Unproject(e.right)
	lu, _ := v.Unproject(e.leftUp)
	ru, _ := v.Unproject(e.rightUp)
	up := lu.Add(ru).Sub(l).Sub(r).Unit()
	cut := r.Sub(l)
	out[0] = up.Dot(cut)
	out[1] = -up.Perp().Dot(cut)
}

// near the edges of the belt, as one is told to lay them
var twoCards = []Place{{-370, 120, 0.1}, {130, 330, -0.3}}

func TestJacobians(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	compared := 0
	for range 20 {
		w := newWorld(rng.Uint64(), 1, twoCards...)
		cam, pose := w.cam.Params(), w.poses[0]
		place := []float64{w.in(-300, 100), w.in(50, 400), w.in(-3, 3)}
		pr := PrintPrior{X: 0.97, Y: 1.02, ScaleSD: 1, AnisoSD: 1}
		corner := cornerFunc(Corner{Board: geometry.Vec2{X: 70, Y: 105}, UV: geometry.Vec2{X: 1900, Y: 1400}, Sigma: 0.05}, pr, geometry.Vec2{X: 105, Y: 75})
		rel, n, err := adjust.CheckJacobian(corner, 2, [][]float64{cam, pose[:], place, {0.004, -0.002}, {w.in(-3, 3), w.in(-3, 3), w.in(-3, 3)}})
		if err != nil || rel > 1e-6 {
			t.Errorf("corner: derivatives off by %.1e of themselves (%v)", rel, err)
		}
		compared += n
		// far from the middle, or the lens moves nothing that differences could resolve
		far := geometry.Vec2{X: w.in(1000, 1500)}.Rotate(w.in(-3, 3)).Add(geometry.Vec2{X: 2000, Y: 1500})
		edge := edgeFunc(EdgePoint{UV: far, SigmaMM: 0.4}, geometry.Vec2{X: w.in(-100, 100), Y: w.in(0, 500)})
		rel, n, err = adjust.CheckJacobian(edge, 1, [][]float64{cam, pose[:], {w.in(-3, 3), w.in(-500, 500)}, {w.in(-1e-4, 1e-4)}})
		if err != nil || rel > 1e-6 {
			t.Errorf("edge: derivatives off by %.1e of themselves (%v)", rel, err)
		}
		compared += n
	}
	if compared < 20*(2*22+17)*3/4 {
		t.Errorf("only %d derivatives were compared", compared)
	}
}

// Without noise the truth itself comes back, and the answer does not depend on
// where and how the cards lie.
func TestExactWhereverTheCardsLie(t *testing.T) {
	for i, places := range [][]Place{
		twoCards,
		{{-370, 120, 2.2}, {380, 500, 3.1}},
		{{130, 330, -0.3}, {-370, 120, 0.1}},
		{{-380, 20, 0}, {100, 40, 0.05}, {-200, 420, 1}},
	} {
		w := newWorld(5, 2, places...)
		w.noise, w.print = 0, [2]float64{}
		p := w.problem(false)
		// what is known does not pull: the truth is the prior's mean
		p.Cameras[0].Mean = w.cam
		r, err := p.Solve()
		if err != nil {
			t.Fatal(err)
		}
		var v [2]float64
		w.end().evaluate(r.Cameras, r.Poses, r.Print, v[:])
		if math.Abs(v[0]-trueOffset) > 1e-5 || math.Abs(v[1]-trueWidth) > 1e-3 {
			t.Errorf("cards %d: offset %.7f, width %.5f", i, v[0], v[1])
		}
		if r.Factor > 1e-6 || r.PhotoRMS[0] > 1e-6 {
			t.Errorf("cards %d: residuals of %g px without noise", i, r.PhotoRMS[0])
		}
	}
}

// Which card is named first makes no difference.
func TestDatumIsFree(t *testing.T) {
	w := newWorld(6, 2, twoCards...)
	p := w.problem(true)
	a, err := p.Solve()
	if err != nil {
		t.Fatal(err)
	}
	q := *p
	o := p.Places[1]
	into := func(x geometry.Vec2) geometry.Vec2 { return x.Sub(geometry.Vec2{X: o[0], Y: o[1]}).Rotate(-o[2]) }
	first := into(geometry.Vec2{})
	q.Places = []Place{{}, {first.X, first.Y, -o[2]}}
	q.Photos = append([]Photo(nil), p.Photos...)
	q.Lines = append([]Line(nil), p.Lines...)
	for i, l := range q.Lines {
		s, c := math.Sincos(l[0])
		q.Lines[i] = Line{l[0] - o[2], l[1] - o[0]*c - o[1]*s}
	}
	for i := range q.Photos {
		ph := &q.Photos[i]
		s, c := math.Sincos(o[2])
		ph.Start = geometry.PoseFrom(ph.Start.Rotation().Mul(geometry.Mat3{c, -s, 0, s, c, 0, 0, 0, 1}), ph.Start.Apply(geometry.Vec3{X: o[0], Y: o[1]}))
		ph.Corners = append([]Corner(nil), ph.Corners...)
		for k := range ph.Corners {
			ph.Corners[k].Card = 1 - ph.Corners[k].Card
		}
	}
	b, err := q.Solve()
	if err != nil {
		t.Fatal(err)
	}
	e := w.end()
	var va, vb [2]float64
	e.evaluate(a.Cameras, a.Poses, a.Print, va[:])
	e.evaluate(b.Cameras, b.Poses, b.Print, vb[:])
	ua, _ := a.Propagate(2, e.evaluate, 0)
	ub, _ := b.Propagate(2, e.evaluate, 0)
	for k, name := range []string{"offset", "width"} {
		if sd := math.Sqrt(ua[k]); math.Abs(va[k]-vb[k]) > 1e-3*sd {
			t.Errorf("%s: %.6f with one datum, %.6f with the other, sd %.3f", name, va[k], vb[k], sd)
		}
		if math.Abs(ub[k]/ua[k]-1) > 0.01 {
			t.Errorf("%s: variance %.5g with one datum, %.5g with the other", name, ua[k], ub[k])
		}
	}
}

// A print that is larger by a factor is a belt that is larger by it.
func TestPrintScaleScales(t *testing.T) {
	w := newWorld(8, 1, twoCards...)
	p := w.problem(false)
	a, err := p.Solve()
	if err != nil {
		t.Fatal(err)
	}
	const f = 1.04
	p.Print.X, p.Print.Y = f, f
	for i := range p.Places {
		p.Places[i][0] *= f
		p.Places[i][1] *= f
	}
	for k := 3; k < 6; k++ {
		p.Photos[0].Start[k] *= f
	}
	b, err := p.Solve()
	if err != nil {
		t.Fatal(err)
	}
	var va, vb [2]float64
	w.end().evaluate(a.Cameras, a.Poses, a.Print, va[:])
	w.end().evaluate(b.Cameras, b.Poses, b.Print, vb[:])
	for k := range va {
		if math.Abs(vb[k]/va[k]-f) > 1e-4*math.Max(1, 1/va[k]) {
			t.Errorf("quantity %d: %.5f became %.5f, want %.2f times as much", k, va[k], vb[k], f)
		}
	}
}

// The truth lies inside the 95 % intervals in 95 % of cases. 190 of 200 with a
// standard deviation of 3: beyond 180 and 199 the intervals are not what they
// say. The mean square of error over standard deviation is 1 with a standard
// deviation of 0.1.
func TestIntervalsHoldTheTruth(t *testing.T) {
	for _, c := range []struct {
		name   string
		places []Place
		edges  bool
		photos int
		trials int
	}{
		{"one card", twoCards[:1], false, 1, 200},
		{"two cards", twoCards, false, 1, 200},
		{"two cards and straight edges", twoCards, true, 1, 200},
		{"two cards in two photos", twoCards, true, 2, 200},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			names := []string{"offset", "width"}
			truth := []float64{trueOffset, trueWidth}
			inside, square, mean := [2]int{}, [2]float64{}, [2]float64{}
			var factor float64
			for seed := range uint64(c.trials) {
				w := newWorld(1000+seed, c.photos, c.places...)
				r, err := w.problem(c.edges).Solve()
				if err != nil {
					t.Fatalf("seed %d: %v", seed, err)
				}
				e := w.end()
				var v [2]float64
				e.evaluate(r.Cameras, r.Poses, r.Print, v[:])
				u, _ := r.Propagate(2, e.evaluate, 0)
				factor += r.Factor / float64(c.trials)
				for k := range v {
					z := (v[k] - truth[k]) / math.Sqrt(u[k])
					if math.Abs(z) <= 1.96 {
						inside[k]++
					}
					square[k] += z * z / float64(c.trials)
					mean[k] += math.Sqrt(u[k]) / float64(c.trials)
				}
			}
			for k, name := range names {
				t.Logf("%s: sd %.3f mm, %d of %d inside, mean square %.2f, factor %.3f", name, mean[k], inside[k], c.trials, square[k], factor)
				if inside[k] < 180 || inside[k] > 199 {
					t.Errorf("%s: %d of %d inside 95 %% intervals", name, inside[k], c.trials)
				}
				if square[k] < 0.7 || square[k] > 1.35 {
					t.Errorf("%s: mean square of error over standard deviation is %.2f", name, square[k])
				}
			}
			if factor < 0.9 || factor > 1.1 {
				t.Errorf("mean variance factor %.3f", factor)
			}
		})
	}
}

// Propagation by derivatives against Monte Carlo (JCGM 101): 20000 draws know
// a variance to 1 %.
func TestPropagateAgreesWithMonteCarlo(t *testing.T) {
	w := newWorld(21, 1, twoCards...)
	w.noise = 0.05
	p := w.problem(true)
	for i := range p.Photos[0].Corners { // so that the factor is below 1 and scales nothing
		p.Photos[0].Corners[i].Sigma = 0.07
	}
	r, err := p.Solve()
	if err != nil {
		t.Fatal(err)
	}
	if r.Factor > 1 {
		t.Fatalf("factor %.2f", r.Factor)
	}
	e := w.end()
	variance, budget := r.Propagate(2, e.evaluate, 0)
	var sum float64
	for _, b := range budget {
		if b.Variance < 0 {
			t.Errorf("budget: %s has the variance %g", b.Name, b.Variance)
		}
		sum += b.Variance
	}
	if math.Abs(sum/variance[0]-1) > 1e-9 {
		t.Errorf("the budget adds up to %g, the variance is %g", sum, variance[0])
	}

	cov := r.sol.JointCovariance(r.cameras[0], r.poses[0])
	var chol mat.Cholesky
	if !chol.Factorize(cov) {
		t.Fatal("covariance is not positive definite")
	}
	var l mat.TriDense
	chol.LTo(&l)
	const draws = 20000
	n := geometry.CameraParams + 6
	rng := rand.New(rand.NewPCG(31, 32))
	mean := append(r.Cameras[0].Params(), r.Poses[0][:]...)
	var s, s2 [2]float64
	z, x := mat.NewVecDense(n, nil), mat.NewVecDense(n, nil)
	var base, v [2]float64
	e.evaluate(r.Cameras, r.Poses, r.Print, base[:])
	for range draws {
		for i := range n {
			z.SetVec(i, rng.NormFloat64())
		}
		x.MulVec(&l, z)
		var q [geometry.CameraParams + 6]float64
		for i := range q {
			q[i] = mean[i] + x.AtVec(i)
		}
		pose := geometry.Pose(q[geometry.CameraParams:])
		e.evaluate([]geometry.Camera{geometry.CameraFrom(q[:geometry.CameraParams])}, []geometry.Pose{pose}, r.Print, v[:])
		for k := range v {
			d := v[k] - base[k]
			s[k] += d / draws
			s2[k] += d * d / draws
		}
	}
	for k, name := range []string{"offset", "width"} {
		got := s2[k] - s[k]*s[k]
		if math.Abs(variance[k]/got-1) > 0.04 {
			t.Errorf("%s: variance %.5g by derivatives, %.5g by Monte Carlo", name, variance[k], got)
		}
	}
}

// What is more is never worse: cards, photos, edges.
func TestMoreIsNeverWorse(t *testing.T) {
	sd := func(photos int, edges bool, places ...Place) float64 {
		w := newWorld(40, photos, places...)
		w.noise = 0.05
		p := w.problem(edges)
		for i := range p.Photos {
			for k := range p.Photos[i].Corners {
				p.Photos[i].Corners[k].Sigma = 0.08 // no factor above 1
			}
		}
		r, err := p.Solve()
		if err != nil {
			t.Fatal(err)
		}
		u, _ := r.Propagate(2, w.end().evaluate, 0)
		return math.Sqrt(u[0])
	}
	one, two, edges, three := sd(1, false, twoCards[0]), sd(1, false, twoCards...), sd(1, true, twoCards...), sd(3, true, twoCards...)
	t.Logf("one card %.3f mm, two %.3f, with edges %.3f, three photos %.3f", one, two, edges, three)
	if !(one > 1.5*two && two >= edges && edges > three) {
		t.Errorf("one card %.3f mm, two %.3f, with edges %.3f, three photos %.3f", one, two, edges, three)
	}
}

func TestDropOutliers(t *testing.T) {
	w := newWorld(50, 2, twoCards...)
	p := w.problem(false)
	solve := func() *Result {
		t.Helper()
		r, err := p.Solve()
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	if n := p.DropOutliers(solve(), 0.3); n != 0 {
		t.Errorf("%d of sound corners were taken out", n)
	}
	bad := []int{3, 11, 30, 41}
	gone := map[geometry.Vec2]bool{}
	for i, k := range bad {
		c := &p.Photos[0].Corners[k]
		c.UV = c.UV.Add(geometry.Vec2{X: []float64{1, 2.5, -1.2, 0}[i], Y: []float64{0.5, -2, 0, 3}[i]})
		gone[c.UV] = true
	}
	all := len(p.Photos[0].Corners)
	if n := p.DropOutliers(solve(), 0.3); n != len(bad) || len(p.Photos[0].Corners) != all-n {
		t.Errorf("%d corners were taken out of %d that are off", n, len(bad))
	}
	for _, c := range p.Photos[0].Corners {
		if gone[c.UV] {
			t.Errorf("the corner at %v is off and was kept", c.UV)
		}
	}
	if n := p.DropOutliers(solve(), 0.3); n != 0 {
		t.Errorf("%d more were taken out after that", n)
	}
}

// A card half of which is off is bent, not dirty: nothing is hidden.
// Curled cards: how they are bent comes back, and the belt is measured as well as
// with flat ones. Taken for flat they put it a good way off, and the F test tells
// them from flat ones.
func TestBentCards(t *testing.T) {
	bends := []Bend{{1.2, -0.4, 0.3}, {0, 0, 0}}
	bent, taken := 0.0, 0.0
	for seed := range uint64(12) {
		w := newWorld(300+seed, 1, twoCards...)
		w.bends, w.noise = bends, 0.02
		e := w.end()
		off := func(sd ...float64) (*Problem, *Result, float64) {
			w.rng = rand.New(rand.NewPCG(seed, 1)) // the same noise each time
			p := w.problem(true)
			p.BendSD = sd
			r, err := p.Solve()
			if err != nil {
				t.Fatal(err)
			}
			out := make([]float64, 2)
			e.evaluate(r.Cameras, r.Poses, r.Print, out)
			return p, r, out[0] - trueOffset
		}
		_, flat, d := off()
		taken += d * d
		p, free, d := off(2, 2)
		bent += d * d
		for k, b := range bends {
			for i := range b {
				if math.Abs(free.Bends[k][i]-b[i]) > 0.25 {
					t.Errorf("seed %d: card %d is bent by %.2f mm, found %.2f", seed, k, b, free.Bends[k])
				}
			}
		}
		if f := p.BendTest(flat, free); f[0] < 30 || f[1] > f[0]/2 {
			t.Errorf("seed %d: F is %.1f; the first card is bent, the second is not", seed, f)
		}
		w.bends = nil
		_, flat, _ = off()
		if p, free, _ := off(2, 2); slices.Max(p.BendTest(flat, free)) > 8 {
			t.Errorf("seed %d: F is %.1f of flat cards", seed, p.BendTest(flat, free))
		}
	}
	if !(bent < taken/4) {
		t.Errorf("RMS error %.3f mm with bends, %.3f mm without", math.Sqrt(bent/12), math.Sqrt(taken/12))
	}
}

func TestDropOutliersLeavesABentCard(t *testing.T) {
	w := newWorld(51, 1, twoCards...)
	p := w.problem(false)
	r, err := p.Solve()
	if err != nil {
		t.Fatal(err)
	}
	for k := 24; k < 34; k++ { // ten of the second card's 24
		c := &p.Photos[0].Corners[k]
		c.UV = c.UV.Add(geometry.Vec2{X: 2, Y: -1.5})
	}
	if n := p.DropOutliers(r, 0.3); n != 0 {
		t.Errorf("%d corners of a bent card were taken out", n)
	}
}

func TestSolveSaysWhatCannotBeSolved(t *testing.T) {
	w := newWorld(60, 1, twoCards...)
	p := w.problem(false)
	p.Photos[0].Corners = nil
	var rank *adjust.RankError
	if _, err := p.Solve(); !errors.As(err, &rank) {
		t.Errorf("no corners: %v", err)
	}
	p = w.problem(false)
	p.Photos[0].Corners[5].UV.X = math.NaN()
	if r, err := p.Solve(); err == nil {
		t.Errorf("a corner that is no number gave %v", r.Poses)
	}
	p = w.problem(false)
	p.Photos[0].Start[5] = -1250 // behind the camera
	if _, err := p.Solve(); err == nil {
		t.Error("a start behind the camera gave an answer")
	}
}
