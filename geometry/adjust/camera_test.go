package adjust

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// A chessboard corner in one photo: place on the board in mm, in the image in pixels.
type corner struct{ x, y, u, v float64 }

// readCorners returns the corners by photo and the photos in order.
func readCorners(t testing.TB) (map[string][]corner, []string) {
	tab := readTable(t, "zhang_left_corners.csv")
	x, y, u, v := tab.numbers("X_mm"), tab.numbers("Y_mm"), tab.numbers("u_px"), tab.numbers("v_px")
	photos := map[string][]corner{}
	var names []string
	for i, row := range tab.rows {
		name := row["image"]
		if photos[name] == nil {
			names = append(names, name)
		}
		photos[name] = append(photos[name], corner{x[i], y[i], u[i], v[i]})
	}
	if len(names) != 13 || len(tab.rows) != 13*54 {
		t.Fatalf("%d photos, %d corners", len(names), len(tab.rows))
	}
	return photos, names
}

// The parameters of the full lens model, in the order fx fy cx cy k1 k2 p1 p2 k3. A reduced model maps its own
// parameters onto them.
const (
	fx = iota
	fy
	cx
	cy
	k1
	k2
	p1
	p2
	k3
	lensSize
)

// A lensModel says which of the full parameters each parameter of the block sets, and the values of the others.
type lensModel struct {
	name  string
	sets  [][]int
	names []string
	base  [lensSize]float64
}

var lensModels = []lensModel{
	{"full", [][]int{{fx}, {fy}, {cx}, {cy}, {k1}, {k2}, {p1}, {p2}, {k3}},
		[]string{"fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3"}, [lensSize]float64{}},
	{"f_pp_k1k2", [][]int{{fx, fy}, {cx}, {cy}, {k1}, {k2}}, []string{"f", "cx", "cy", "k1", "k2"}, [lensSize]float64{}},
	{"f_pp_k1", [][]int{{fx, fy}, {cx}, {cy}, {k1}}, []string{"f", "cx", "cy", "k1"}, [lensSize]float64{}},
	{"f_k1", [][]int{{fx, fy}, {k1}}, []string{"f", "k1"}, [lensSize]float64{cx: 319.5, cy: 239.5}},
}

func (m lensModel) start() []float64 {
	full := [lensSize]float64{fx: 500, fy: 500, cx: 319.5, cy: 239.5}
	out := make([]float64, len(m.sets))
	for i, set := range m.sets {
		out[i] = full[set[0]]
	}
	return out
}

// cornerResidual is (projection - observation)/sigma with blocks lens and pose (Rodrigues vector, translation in mm).
func cornerResidual(m lensModel, c corner, sigma float64) Func {
	return func(p [][]float64, r []float64, jac [][]float64) bool {
		full := m.base
		for i, set := range m.sets {
			for _, k := range set {
				full[k] = p[0][i]
			}
		}
		pose := p[1]
		turned, byTurn := rotate(pose[0], pose[1], pose[2], c.x, c.y)
		X, Y, Z := turned[0]+pose[3], turned[1]+pose[4], turned[2]+pose[5]
		if Z <= 1 { // mm
			return false
		}
		x, y := X/Z, Y/Z
		r2 := x*x + y*y
		g := 1 + r2*(full[k1]+r2*(full[k2]+r2*full[k3]))
		dg := full[k1] + r2*(2*full[k2]+3*r2*full[k3])
		xd := x*g + 2*full[p1]*x*y + full[p2]*(r2+2*x*x)
		yd := y*g + full[p1]*(r2+2*y*y) + 2*full[p2]*x*y
		r[0] = (full[fx]*xd + full[cx] - c.u) / sigma
		r[1] = (full[fy]*yd + full[cy] - c.v) / sigma
		if jac[0] != nil {
			var d [2][lensSize]float64
			d[0] = [lensSize]float64{fx: xd, cx: 1, k1: full[fx] * x * r2, k2: full[fx] * x * r2 * r2,
				k3: full[fx] * x * r2 * r2 * r2, p1: full[fx] * 2 * x * y, p2: full[fx] * (r2 + 2*x*x)}
			d[1] = [lensSize]float64{fy: yd, cy: 1, k1: full[fy] * y * r2, k2: full[fy] * y * r2 * r2,
				k3: full[fy] * y * r2 * r2 * r2, p1: full[fy] * (r2 + 2*y*y), p2: full[fy] * 2 * x * y}
			n := len(m.sets)
			for i, set := range m.sets {
				for _, k := range set {
					jac[0][i] += d[0][k] / sigma
					jac[0][n+i] += d[1][k] / sigma
				}
			}
		}
		if jac[1] != nil {
			xx := g + 2*x*x*dg + 2*full[p1]*y + 6*full[p2]*x
			xy := 2*x*y*dg + 2*full[p1]*x + 2*full[p2]*y
			yy := g + 2*y*y*dg + 6*full[p1]*y + 2*full[p2]*x
			for row, d := range [2][2]float64{{full[fx] * xx, full[fx] * xy}, {full[fy] * xy, full[fy] * yy}} {
				byPoint := [3]float64{d[0] / Z, d[1] / Z, -(d[0]*x + d[1]*y) / Z}
				for k := range 3 {
					var s float64
					for i := range 3 {
						s += byPoint[i] * byTurn[i][k]
					}
					jac[1][row*6+k] = s / sigma
					jac[1][row*6+3+k] = byPoint[k] / sigma
				}
			}
		}
		return true
	}
}

// rotate turns (x, y, 0) by the Rodrigues vector w and gives the derivative by w, -[R p]x times the left Jacobian of
// the rotation group.
func rotate(wx, wy, wz, x, y float64) (out [3]float64, d [3][3]float64) {
	t2 := wx*wx + wy*wy + wz*wz
	t := math.Sqrt(t2)
	a, b, c := 1-t2/6, 0.5-t2/24, 1.0/6-t2/120 // sin t/t, (1-cos t)/t^2, (t - sin t)/t^3
	if t > 1e-4 {
		sin, cos := math.Sincos(t)
		a, b, c = sin/t, (1-cos)/t2, (t-sin)/(t2*t)
	}
	k := [3][3]float64{{0, -wz, wy}, {wz, 0, -wx}, {-wy, wx, 0}}
	kk := times(k, k)
	for i := range 3 {
		p := [3]float64{x, y, 0}
		out[i] = p[i]
		for j := range 3 {
			out[i] += (a*k[i][j] + b*kk[i][j]) * p[j]
		}
	}
	var left [3][3]float64
	for i := range 3 {
		for j := range 3 {
			left[i][j] = b*k[i][j] + c*kk[i][j]
		}
		left[i][i]++
	}
	return out, times([3][3]float64{{0, out[2], -out[1]}, {-out[2], 0, out[0]}, {out[1], -out[0], 0}}, left)
}

func times(a, b [3][3]float64) (c [3][3]float64) {
	for i := range 3 {
		for j := range 3 {
			for k := range 3 {
				c[i][j] += a[i][k] * b[k][j]
			}
		}
	}
	return c
}

// startPose guesses a pose from the homography of the board, for a pinhole of 500 pixels about the middle.
func startPose(t testing.TB, corners []corner) []float64 {
	a := mat.NewDense(2*len(corners), 9, nil)
	for i, c := range corners {
		x, y, u, v := c.x/100, c.y/100, (c.u-319.5)/500, (c.v-239.5)/500
		a.SetRow(2*i, []float64{x, y, 1, 0, 0, 0, -u * x, -u * y, -u})
		a.SetRow(2*i+1, []float64{0, 0, 0, x, y, 1, -v * x, -v * y, -v})
	}
	var svd mat.SVD
	var v mat.Dense
	if !svd.Factorize(a, mat.SVDFull) {
		t.Fatal("homography")
	}
	svd.VTo(&v)
	h := mat.Col(nil, 8, &v)
	scale := 1 / math.Sqrt((h[0]*h[0]+h[3]*h[3]+h[6]*h[6]+h[1]*h[1]+h[4]*h[4]+h[7]*h[7])/2)
	if h[8] < 0 {
		scale = -scale // the board is in front
	}
	col := func(k int) []float64 { return []float64{h[k] * scale, h[3+k] * scale, h[6+k] * scale} }
	r1, r2, tr := col(0), col(1), col(2)
	r3 := []float64{r1[1]*r2[2] - r1[2]*r2[1], r1[2]*r2[0] - r1[0]*r2[2], r1[0]*r2[1] - r1[1]*r2[0]}
	m := mat.NewDense(3, 3, []float64{r1[0], r2[0], r3[0], r1[1], r2[1], r3[1], r1[2], r2[2], r3[2]})
	if !svd.Factorize(m, mat.SVDFull) {
		t.Fatal("rotation")
	}
	var u, w, rot mat.Dense
	svd.UTo(&u)
	svd.VTo(&w)
	rot.Mul(&u, w.T())
	angle := math.Acos(math.Max(-1, math.Min(1, (mat.Trace(&rot)-1)/2)))
	f := angle / (2 * math.Sin(angle))
	return []float64{
		f * (rot.At(2, 1) - rot.At(1, 2)), f * (rot.At(0, 2) - rot.At(2, 0)), f * (rot.At(1, 0) - rot.At(0, 1)),
		tr[0] * 100, tr[1] * 100, tr[2] * 100,
	}
}

// cameraProblem has one lens block and a pose per photo.
func cameraProblem(t testing.TB, m lensModel, photos map[string][]corner, names []string, sigma float64) (p *Problem, lens BlockID, poses []BlockID) {
	p = NewProblem()
	lens = p.Block("lens", m.start())
	for _, name := range names {
		pose := p.Block("pose "+name, startPose(t, photos[name]))
		poses = append(poses, pose)
		for i, c := range photos[name] {
			p.Residual(fmt.Sprintf("%s corner %d", name, i), 2, cornerResidual(m, c, sigma), nil, lens, pose)
		}
	}
	return p, lens, poses
}

// printed allows the digits the file has, or the relative tolerance if that is wider.
func printed(t *testing.T, what string, got, want, rel, digit float64) {
	t.Helper()
	within(t, what, got, want, math.Max(rel*math.Abs(want), 0.51*digit))
}

var poseNames = []string{"rx", "ry", "rz", "tx", "ty", "tz"}

// All 13 photos as one problem, against OpenCV 4.6.0 and SciPy 1.10.
func TestSolve_CameraZhangLeft(t *testing.T) {
	photos, names := readCorners(t)
	expected := readTable(t, "zhang_left_expected.csv")
	for _, m := range lensModels {
		t.Run(m.name, func(t *testing.T) {
			p, lens, poses := cameraProblem(t, m, photos, names, 1)
			s, err := p.Solve(DefaultOptions())
			if err != nil {
				t.Fatal(err)
			}
			want := expected.where("model", m.name)
			one := func(q string) table { return want.where("quantity", q) }
			if n := one("parameters").number("value"); float64(p.Dim()) != n {
				t.Errorf("%d parameters, want %g", p.Dim(), n)
			}
			if got, n := s.DegreesOfFreedom+float64(p.Dim()), one("observations").number("value"); got != n {
				t.Errorf("%g observations, want %g", got, n)
			}
			sigma := math.Sqrt(s.VarianceFactor)
			printed(t, "sigma0", sigma, one("sigma0_px_per_coordinate").number("value"), 1e-5, 1e-6)
			printed(t, "rms per point", math.Sqrt(s.ChiSquare/702), one("rms_px_per_point").number("value"), 1e-5, 1e-6)
			compared := 0
			check := func(quantity string, value, sd float64) {
				row := one(quantity)
				printed(t, quantity, value, row.number("value"), 1e-4, 1e-6)
				printed(t, "sd of "+quantity, sd*sigma, row.number("standard_deviation"), 1e-3, 1e-6)
				compared++
			}
			for i, name := range m.names {
				check(name, s.Value(lens)[i], s.SD(lens)[i])
			}
			if m.name == "f_pp_k1" {
				for k, photo := range names {
					for i, name := range poseNames {
						check(photo+" "+name, s.Value(poses[k])[i], s.SD(poses[k])[i])
					}
				}
			}
			if all := compared + 4; all != len(want.rows) {
				t.Errorf("compared %d of %d expected rows", all, len(want.rows))
			}
			t.Logf("%d iterations, condition %.3g", s.Iterations, s.Condition)
		})
	}
}

// One photo at a time: the priors must enter as observations do.
func TestSolve_CameraZhangLeftSinglePhotoPriors(t *testing.T) {
	photos, _ := readCorners(t)
	m := lensModels[2]
	for _, row := range readTable(t, "zhang_left_single_prior.csv").rows {
		name := row["image"]
		t.Run(name, func(t *testing.T) {
			want := readTable(t, "zhang_left_single_prior.csv").where("image", name)
			p, lens, poses := cameraProblem(t, m, photos, []string{name}, 0.15)
			p.Prior("prior lens", lens, []float64{532, 319.5, 239.5, 0}, []float64{10.64, 20, 20, 0.5})
			s, err := p.Solve(DefaultOptions())
			if err != nil {
				t.Fatal(err)
			}
			printed(t, "chi-square", s.ChiSquare, want.number("chi2"), 1e-6, 1e-4)
			for i, q := range m.names {
				printed(t, q, s.Value(lens)[i], want.number(q), 1e-6, 1e-5)
				printed(t, "sd of "+q, s.SD(lens)[i], want.number("sd_"+q), 1e-5, 1e-5)
			}
			for i, q := range poseNames {
				if i >= 3 {
					q += "_mm"
				}
				printed(t, q, s.Value(poses[0])[i], want.number(q), 1e-6, 1e-6)
			}
			if s.DegreesOfFreedom != 108+4-10 {
				t.Errorf("degrees of freedom %g", s.DegreesOfFreedom)
			}
			// what the prior of the focal length leaves to say, and the corners, make up the variance of f
			g := []Partial{{lens, []float64{1, 0, 0, 0}}}
			parts := s.Influence("prior lens", g) + s.Influence(name, g)
			near(t, "sum of the budget", parts, s.Variance(g), 1e-9)
			near(t, "variance of f", s.Variance(g), s.Covariance(lens, lens).At(0, 0), 1e-12)
		})
	}
}

func TestCheckJacobian_CameraZhangLeft(t *testing.T) {
	photos, names := readCorners(t)
	for _, m := range lensModels {
		lens := make([]float64, len(m.sets))
		full := [lensSize]float64{530, 540, 340, 230, -0.3, 0.1, 0.002, -0.001, 0.15}
		for i, set := range m.sets {
			lens[i] = full[set[0]]
		}
		for _, pose := range [][]float64{startPose(t, photos[names[0]]), startPose(t, photos[names[1]]), {0, 0, 0, -90, -60, 400}} {
			rel, compared, err := CheckJacobian(cornerResidual(m, photos[names[0]][53], 0.15), 2, [][]float64{lens, pose})
			if err != nil || rel > 1e-6 || compared < 12+len(lens) {
				t.Errorf("%s: off by %g relative, %d compared, %v", m.name, rel, compared, err)
			}
		}
	}
}

// The order in which photos and corners come, and the unit of a parameter, change nothing.
func TestSolve_CameraLaws(t *testing.T) {
	photos, names := readCorners(t)
	m := lensModels[2]
	solve := func(names []string) (*Solution, BlockID) {
		p, lens, _ := cameraProblem(t, m, photos, names, 0.15)
		s, err := p.Solve(DefaultOptions())
		if err != nil {
			t.Fatal(err)
		}
		return s, lens
	}
	a, lens := solve(names)
	again, _ := solve(names)
	var turned []string
	for i := range names {
		turned = append(turned, names[len(names)-1-i])
	}
	b, _ := solve(turned)
	for i := range m.names {
		if a.Value(lens)[i] != again.Value(lens)[i] || a.SD(lens)[i] != again.SD(lens)[i] {
			t.Errorf("a second run differs in %s", m.names[i])
		}
		within(t, m.names[i]+" in another order", b.Value(lens)[i], a.Value(lens)[i], 1e-6*a.SD(lens)[i])
	}
	if a.ChiSquare != again.ChiSquare || a.Iterations != again.Iterations {
		t.Error("a second run differs")
	}
	var redundancy float64
	for _, info := range a.Residuals("") {
		for _, r := range info.Redundancy {
			redundancy += r
		}
		if info.Weight != 1 || len(info.R) != 2 || !strings.HasPrefix(info.Name, "left") {
			t.Fatalf("unexpected residual %+v", info)
		}
	}
	near(t, "sum of the redundancies", redundancy, a.DegreesOfFreedom, 1e-9)
}
