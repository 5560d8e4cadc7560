// Package bundle adjusts the photos of one belt end: each photo's pose, each
// camera's focal length, principal point and lens terms, each card's place in
// the belt's plane and the print's scale, from the cards' corners and from
// points along the belt's straight edges, in one least-squares problem.
//
// The datum is the first card: its place is held at (0, 0, 0), so the plane
// frame is its board frame. Everything is in millimetres, radians and pixels.
package bundle

import (
	"fmt"
	"math"
	"sort"
	"strings"

	"beltend/geometry"
	"beltend/geometry/adjust"
)

// Corner is an observed card corner.
type Corner struct {
	Card  int
	Board geometry.Vec2 // mm, by the board's definition
	UV    geometry.Vec2 // px
	Sigma float64       // px, each coordinate
}

// EdgePoint is a place on a belt edge that is straight but for its roughness.
type EdgePoint struct {
	Edge    int           // which edge
	UV      geometry.Vec2 // px
	SigmaMM float64       // roughness and localisation across the edge
}

// Photo is what one photo observes.
type Photo struct {
	Camera  int // which camera took it
	Start   geometry.Pose
	Corners []Corner
	Edges   []EdgePoint
}

// CameraPrior is what is known of a camera before.
type CameraPrior struct {
	Mean geometry.Camera
	SD   geometry.Camera // standard deviations, 0: unknown
}

// PrintPrior is what is known of the print's scale: true length over nominal
// in x and y, and the standard deviations of their mean and of their half
// difference.
type PrintPrior struct {
	X, Y             float64
	ScaleSD, AnisoSD float64
}

// Place is a card's place in the plane: x, y (mm) of its board origin and its
// turn (radians).
type Place [3]float64

// Apply takes a point of the board (true mm) to the plane.
func (c Place) Apply(p geometry.Vec2) geometry.Vec2 {
	return p.Rotate(c[2]).Add(geometry.Vec2{X: c[0], Y: c[1]})
}

// Line is an edge x cos(a) + y sin(a) = d, or on a belt that curves the tangent
// of the edge beside Middle.
type Line [2]float64

// Camber is the prior of the curvature that a belt's edges share: of 1/R, in
// 1/mm, about zero. Middle is the place beside which the edges' lines touch
// them, about the middle of their length. The zero value is a straight belt.
type Camber struct {
	SD     float64
	Middle geometry.Vec2
}

// Problem is the set-up.
type Problem struct {
	Photos  []Photo
	Cameras []CameraPrior
	Print   PrintPrior
	Places  []Place // starts; the first is the datum and ignored
	Lines   []Line  // starts of the edges
	Camber  Camber
	BendSD  []float64 // how far each card rises or sinks bendMM off its middle, mm; 0 or none: it is flat
}

// Bend is how a card that is not quite flat rises above the plane: along and
// across its board, at bendMM from the middle, and by its twist, mm.
type Bend [3]float64

// bendMM is about the half of a card's shorter side.
const bendMM = 100.0

// bendShape gives what a card rises at d from its middle for each of its bends,
// and in all.
func bendShape(d geometry.Vec2, b []float64) (shape Bend, rise float64) {
	x, y := d.X/bendMM, d.Y/bendMM
	shape = Bend{x * x, y * y, x * y}
	rise = b[0]*shape[0] + b[1]*shape[1] + b[2]*shape[2]
	return shape, rise
}

// Result of an adjustment.
type Result struct {
	Cameras []geometry.Camera
	Poses   []geometry.Pose
	Places  []Place
	Bends   []Bend
	Lines   []Line
	Print   [2]float64 // scale and half anisotropy, relative to 1

	// Factor is the variance factor of the corner observations: 1 when the
	// stated sigmas hold.
	Factor float64
	// CardRMS is each card's RMS residual in px, CardFactor its mean squared
	// whitened residual, by photo and card; NaN when not seen.
	CardRMS, CardFactor [][]float64
	PhotoRMS            []float64

	sol     *adjust.Solution
	cameras []adjust.BlockID
	poses   []adjust.BlockID
	places  []adjust.BlockID
	bends   []adjust.BlockID
	middles []geometry.Vec2 // of the boards' corners, by card
	print   adjust.BlockID
	lines   []adjust.BlockID
}

// View returns the geometry of a photo.
func (r *Result) View(camera, photo int) geometry.View {
	return geometry.NewView(r.Cameras[camera], r.Poses[photo])
}

// Solve adjusts. Errors are those of adjust, wrapped.
func (p *Problem) Solve() (*Result, error) {
	ap := adjust.NewProblem()
	r := &Result{}
	for i, c := range p.Cameras {
		b := ap.Block(fmt.Sprintf("camera %d", i+1), c.Mean.Params())
		r.cameras = append(r.cameras, b)
		mean, sd := c.Mean.Params(), c.SD.Params()
		// One prior a group, so that the budget can tell them apart.
		prior := func(name string, keep ...int) {
			s := make([]float64, len(sd))
			for _, k := range keep {
				s[k] = sd[k]
			}
			ap.Prior(name, b, mean, s)
		}
		prior("prior focal length", 0)
		prior("prior principal point", 1, 2)
		prior("prior lens terms", 3, 4, 5, 6, 7)
	}
	r.print = ap.Block("print scale", []float64{0, 0})
	ap.Prior("prior print scale", r.print, []float64{0, 0}, []float64{p.Print.ScaleSD, 0})
	ap.Prior("prior print x against y", r.print, []float64{0, 0}, []float64{0, p.Print.AnisoSD})
	for i, c := range p.Places {
		b := ap.Block(fmt.Sprintf("card place %d", i+1), c[:])
		if i == 0 {
			ap.Set(b, []float64{0, 0, 0})
			ap.Fix(b)
		}
		r.places = append(r.places, b)
		b = ap.Block(fmt.Sprintf("card bend %d", i+1), []float64{0, 0, 0})
		if i < len(p.BendSD) && p.BendSD[i] > 0 {
			ap.Prior("prior card bend", b, []float64{0, 0, 0}, []float64{p.BendSD[i], p.BendSD[i], p.BendSD[i]})
		} else {
			ap.Fix(b)
		}
		r.bends = append(r.bends, b)
	}
	r.middles = p.Middles()
	for i, l := range p.Lines {
		r.lines = append(r.lines, ap.Block(fmt.Sprintf("edge %d", i+1), l[:]))
	}
	camber := ap.Block("camber", []float64{0})
	if p.Camber.SD > 0 && len(p.Lines) > 0 {
		ap.Prior("straight edges' camber", camber, []float64{0}, []float64{p.Camber.SD})
	} else {
		ap.Fix(camber)
	}
	for i := range p.Photos {
		ph := &p.Photos[i]
		b := ap.Block(fmt.Sprintf("pose %d", i+1), ph.Start[:])
		r.poses = append(r.poses, b)
		for _, c := range ph.Corners {
			ap.Residual(fmt.Sprintf("corners photo %d card %d", i+1, c.Card+1), 2, cornerFunc(c, p.Print, r.middles[c.Card]), adjust.Huber(2.5),
				r.cameras[ph.Camera], b, r.places[c.Card], r.print, r.bends[c.Card])
		}
		for _, e := range ph.Edges {
			ap.Residual(fmt.Sprintf("straight edge %d", e.Edge+1), 1, edgeFunc(e, p.Camber.Middle), adjust.Huber(2), r.cameras[ph.Camera], b, r.lines[e.Edge], camber)
		}
	}
	o := adjust.DefaultOptions()
	o.MaxIterations = 200
	o.Tolerance = 1e-7
	sol, err := ap.Solve(o)
	if err != nil {
		return nil, fmt.Errorf("adjusting %d photos: %w", len(p.Photos), err)
	}
	r.sol = sol
	for _, b := range r.cameras {
		r.Cameras = append(r.Cameras, geometry.CameraFrom(sol.Value(b)))
	}
	for _, b := range r.poses {
		r.Poses = append(r.Poses, geometry.Pose(sol.Value(b)))
	}
	for _, b := range r.places {
		r.Places = append(r.Places, Place(sol.Value(b)))
	}
	for _, b := range r.bends {
		r.Bends = append(r.Bends, Bend(sol.Value(b)))
	}
	for _, b := range r.lines {
		r.Lines = append(r.Lines, Line(sol.Value(b)))
	}
	copy(r.Print[:], sol.Value(r.print))
	r.residuals(p)
	return r, nil
}

// residuals fills the statistics by photo and card.
func (r *Result) residuals(p *Problem) {
	var sum float64
	var n int
	for i := range p.Photos {
		ph := &p.Photos[i]
		view := r.View(ph.Camera, i)
		rms := make([]float64, len(p.Places))
		fac := make([]float64, len(p.Places))
		cnt := make([]float64, len(p.Places))
		var all float64
		for _, c := range ph.Corners {
			uv, _ := view.Project3(r.corner(p, c))
			d := uv.Sub(c.UV)
			rms[c.Card] += d.Dot(d)
			fac[c.Card] += d.Dot(d) / (c.Sigma * c.Sigma)
			cnt[c.Card]++
			all += d.Dot(d)
			sum += d.Dot(d) / (c.Sigma * c.Sigma)
			n += 2
		}
		for k := range rms {
			rms[k] = math.Sqrt(rms[k] / cnt[k])
			fac[k] /= 2 * cnt[k]
		}
		r.CardRMS, r.CardFactor = append(r.CardRMS, rms), append(r.CardFactor, fac)
		r.PhotoRMS = append(r.PhotoRMS, math.Sqrt(all/float64(len(ph.Corners))))
	}
	// Parameters that the corners alone have to pay for: poses and places; the
	// camera's are mostly paid for by their priors.
	dof := n - 6*len(p.Photos) - 3*(len(p.Places)-1) - 1
	r.Factor = sum / math.Max(1, float64(dof))
}

// Middles are those of the cards' corners seen, on their boards.
func (p *Problem) Middles() []geometry.Vec2 {
	inf := math.Inf(1)
	lo, hi := make([]geometry.Vec2, len(p.Places)), make([]geometry.Vec2, len(p.Places))
	for k := range lo {
		lo[k], hi[k] = geometry.Vec2{X: inf, Y: inf}, geometry.Vec2{X: -inf, Y: -inf}
	}
	for _, ph := range p.Photos {
		for _, c := range ph.Corners {
			l, h := &lo[c.Card], &hi[c.Card]
			l.X, l.Y, h.X, h.Y = math.Min(l.X, c.Board.X), math.Min(l.Y, c.Board.Y), math.Max(h.X, c.Board.X), math.Max(h.Y, c.Board.Y)
		}
	}
	for k := range lo {
		lo[k] = lo[k].Add(hi[k]).Mul(0.5)
	}
	return lo
}

// corner is where a card's corner lies by the adjustment.
func (r *Result) corner(p *Problem, c Corner) geometry.Vec3 {
	q := r.Places[c.Card].Apply(printed(c.Board, p.Print, r.Print[:]))
	_, rise := bendShape(c.Board.Sub(r.middles[c.Card]), r.Bends[c.Card][:])
	return geometry.Vec3{X: q.X, Y: q.Y, Z: rise}
}

// printed is a board point at its true size.
func printed(b geometry.Vec2, p PrintPrior, s []float64) geometry.Vec2 {
	return geometry.Vec2{X: b.X * p.X * (1 + s[0] + s[1]), Y: b.Y * p.Y * (1 + s[0] - s[1])}
}

// cornerFunc: projected corner minus observed one, over sigma.
func cornerFunc(c Corner, pr PrintPrior, middle geometry.Vec2) adjust.Func {
	return func(x [][]float64, r []float64, jac [][]float64) bool {
		view := geometry.NewView(geometry.CameraFrom(x[0]), geometry.Pose(x[1]))
		place := x[2]
		q := printed(c.Board, pr, x[3])
		sin, cos := math.Sincos(place[2])
		shape, rise := bendShape(c.Board.Sub(middle), x[4])
		pt := geometry.Vec3{X: cos*q.X - sin*q.Y + place[0], Y: sin*q.X + cos*q.Y + place[1], Z: rise}
		var j geometry.ProjectionJacobian
		uv, ok := view.ProjectJ(pt, &j)
		if !ok {
			return false
		}
		w := 1 / c.Sigma
		r[0], r[1] = (uv.X-c.UV.X)*w, (uv.Y-c.UV.Y)*w
		for i := 0; i < 2; i++ {
			if jac[0] != nil {
				for k, v := range j.Camera[i] {
					jac[0][i*geometry.CameraParams+k] = v * w
				}
			}
			if jac[1] != nil {
				for k, v := range j.Pose[i] {
					jac[1][i*6+k] = v * w
				}
			}
			a, b := j.Point[i][0]*w, j.Point[i][1]*w
			if jac[2] != nil {
				jac[2][i*3], jac[2][i*3+1] = a, b
				jac[2][i*3+2] = a*(-sin*q.X-cos*q.Y) + b*(cos*q.X-sin*q.Y)
			}
			if jac[3] != nil {
				gx, gy := c.Board.X*pr.X, c.Board.Y*pr.Y
				dx, dy := a*cos+b*sin, -a*sin+b*cos
				jac[3][i*2] = dx*gx + dy*gy
				jac[3][i*2+1] = dx*gx - dy*gy
			}
			if jac[4] != nil {
				for k, v := range shape {
					jac[4][i*3+k] = j.Point[i][2] * v * w
				}
			}
		}
		return true
	}
}

// edgeFunc: distance of the edge point, seen on the plane, from its line, less
// the camber's rise t^2/2R at t along the edge from middle.
func edgeFunc(e EdgePoint, middle geometry.Vec2) adjust.Func {
	return func(x [][]float64, r []float64, jac [][]float64) bool {
		view := geometry.NewView(geometry.CameraFrom(x[0]), geometry.Pose(x[1]))
		var cam [2][geometry.CameraParams]float64
		var pose [2][6]float64
		var img [2][2]float64
		p, ok := view.UnprojectJ(e.UV, &cam, &pose, &img)
		if !ok {
			return false
		}
		s, c := math.Sincos(x[2][0])
		w := 1 / e.SigmaMM
		q := p.Sub(middle)
		t := -q.X*s + q.Y*c
		bend := x[3][0]
		r[0] = (p.X*c + p.Y*s - x[2][1] - bend*t*t/2) * w
		nx, ny := c+bend*t*s, s-bend*t*c // of the residual by the point
		if jac[0] != nil {
			for k := range cam[0] {
				jac[0][k] = (cam[0][k]*nx + cam[1][k]*ny) * w
			}
		}
		if jac[1] != nil {
			for k := range pose[0] {
				jac[1][k] = (pose[0][k]*nx + pose[1][k]*ny) * w
			}
		}
		if jac[2] != nil {
			jac[2][0] = (-p.X*s + p.Y*c + bend*t*(q.X*c+q.Y*s)) * w
			jac[2][1] = -w
		}
		if jac[3] != nil {
			jac[3][0] = -t * t / 2 * w
		}
		return true
	}
}

// BendTest is the F ratio, by card, of what bending it gains: flat and bent are
// adjustments of the same observations without and with bends.
func (p *Problem) BendTest(flat, bent *Result) []float64 {
	out := make([]float64, len(p.Places))
	for c := range out {
		var f, b, n float64
		for i := range p.Photos {
			k := 0.0
			for _, o := range p.Photos[i].Corners {
				if o.Card == c {
					k += 2
				}
			}
			if k > 0 {
				f, b, n = f+k*flat.CardFactor[i][c], b+k*bent.CardFactor[i][c], n+k
			}
		}
		if free := n - paid - float64(len(Bend{})); free > 0 && b > 0 {
			out[c] = (f - b) / float64(len(Bend{})) / (b / free)
		}
	}
	return out
}

// paid is about what a card's corners pay for, of pose, place and lens.
const paid = 6

// DropOutliers takes out corners that are off by more than limit px and six
// times the median of their card, at most a quarter of a card's: covered or
// dirty corners, not a card that is bent. It returns how many.
func (p *Problem) DropOutliers(r *Result, limit float64) int {
	dropped := 0
	for i := range p.Photos {
		ph := &p.Photos[i]
		view := r.View(ph.Camera, i)
		dev := make([]float64, len(ph.Corners))
		by := make(map[int][]float64)
		for k, c := range ph.Corners {
			uv, _ := view.Project3(r.corner(p, c))
			dev[k] = uv.Sub(c.UV).Norm()
			by[c.Card] = append(by[c.Card], dev[k])
		}
		cut, bad := make(map[int]float64), make(map[int]int)
		for c, d := range by {
			sort.Float64s(d)
			cut[c] = math.Max(limit, 6*d[len(d)/2])
			for _, v := range d {
				if v > cut[c] {
					bad[c]++
				}
			}
		}
		var keep []Corner
		for k, c := range ph.Corners {
			if dev[k] > cut[c.Card] && 4*bad[c.Card] <= len(by[c.Card]) {
				dropped++
				continue
			}
			keep = append(keep, c)
		}
		ph.Corners = keep
	}
	return dropped
}

// Reweigh gives each card's corners the standard deviations that their own
// residuals show: sigma times the root of the card's variance factor, no less
// than floor (px), which stands for what all corners share and residuals do not
// show. A card with too few corners to tell keeps its own.
func (p *Problem) Reweigh(r *Result, floor float64) {
	for i := range p.Photos {
		count := map[int]float64{}
		for _, c := range p.Photos[i].Corners {
			count[c.Card] += 2
		}
		for j := range p.Photos[i].Corners {
			c := &p.Photos[i].Corners[j]
			if n := count[c.Card]; n >= 20 {
				k := math.Sqrt(r.CardFactor[i][c.Card] * n / (n - paid))
				c.Sigma = math.Max(floor, c.Sigma*k)
			}
		}
	}
}

// Term is one line of a budget: a group of observations or priors and its
// share of the variance.
type Term struct {
	Name     string
	Variance float64
}

// Functional evaluates quantities from the adjusted geometry.
type Functional func(cameras []geometry.Camera, poses []geometry.Pose, print [2]float64, out []float64)

// Propagate returns the covariance of n quantities of the geometry, by central
// differences of f through the adjustment's covariance, and the budget of the
// k-th of them. Corner observations are scaled by the variance factor when
// that is above 1.
func (r *Result) Propagate(n int, f Functional, k int) (variance []float64, budget []Term) {
	cams := append([]geometry.Camera(nil), r.Cameras...)
	poses := append([]geometry.Pose(nil), r.Poses...)
	pr := r.Print
	grads := make([][]adjust.Partial, n)
	hi, lo := make([]float64, n), make([]float64, n)
	run := func(b adjust.BlockID, dim int, set func(k int, delta float64), cov func(i int) float64) {
		d := make([][]float64, n)
		for q := range d {
			d[q] = make([]float64, dim)
		}
		for i := 0; i < dim; i++ {
			sd := math.Sqrt(cov(i))
			if !(sd > 0) {
				continue
			}
			h := 0.3 * sd
			set(i, h)
			f(cams, poses, pr, hi)
			set(i, -h)
			f(cams, poses, pr, lo)
			set(i, 0)
			for q := range d {
				d[q][i] = (hi[q] - lo[q]) / (2 * h)
			}
		}
		for q := range grads {
			grads[q] = append(grads[q], adjust.Partial{Block: b, D: d[q]})
		}
	}
	for c, b := range r.cameras {
		cov := r.sol.Covariance(b, b)
		base := r.Cameras[c].Params()
		run(b, geometry.CameraParams, func(i int, h float64) {
			p := append([]float64(nil), base...)
			p[i] += h
			cams[c] = geometry.CameraFrom(p)
		}, func(i int) float64 { return cov.At(i, i) })
	}
	for c, b := range r.poses {
		cov := r.sol.Covariance(b, b)
		base := r.Poses[c]
		run(b, 6, func(i int, h float64) {
			p := base
			p[i] += h
			poses[c] = p
		}, func(i int) float64 { return cov.At(i, i) })
	}
	cov := r.sol.Covariance(r.print, r.print)
	run(r.print, 2, func(i int, h float64) {
		pr = r.Print
		pr[i] += h
	}, func(i int) float64 { return cov.At(i, i) })

	variance = make([]float64, n)
	scale := math.Max(1, r.Factor)
	for q := range variance {
		for _, c := range r.sol.Budget(grads[q], group) {
			v := c.Variance
			if c.Name == cornersGroup {
				v *= scale
			}
			variance[q] += v
			if q == k {
				budget = append(budget, Term{c.Name, v})
			}
		}
	}
	return variance, budget
}

const cornersGroup = "card corners in the photo"

// group names the budget's lines.
func group(residual string) string {
	switch {
	case strings.HasPrefix(residual, "corners"):
		return cornersGroup
	case strings.HasPrefix(residual, "straight"):
		return "straightness of the edges"
	}
	return strings.TrimPrefix(residual, "prior ")
}
