package geometry

import (
	"math"
	"math/rand/v2"
	"testing"
)

// lens has every term that the model knows, of a size that phones have.
var lens = Camera{F: 2950, CX: 1493.5, CY: 2011.25, K1: 0.08, K2: -0.12, K3: 0.05, P1: 0.0007, P2: -0.0004}

// overBelt looks down on the plane from 1.25 m, leaning.
var overBelt = Pose{2.9, 0.25, -0.31, -120, 260, 1250}

func near(a, b, tol float64) bool { return math.Abs(a-b) <= tol }

// cv2.projectPoints and cv2.Rodrigues of OpenCV 4.6.0 with fx = fy = 2950, cx =
// 1493.5, cy = 2011.25, distCoeffs (0.08, -0.12, 0.0007, -0.0004, 0.05), rvec
// (2.9, 0.25, -0.31), tvec (-120, 260, 1250).
func TestProjectAgreesWithOpenCV(t *testing.T) {
	v := NewView(lens, overBelt)
	for _, c := range []struct{ at, uv Vec2 }{
		{Vec2{0, 0}, Vec2{1209.0364195118, 2627.5619550578}},
		{Vec2{245, 0}, Vec2{1781.4550087687, 2744.8462370649}},
		{Vec2{245, 175}, Vec2{1852.5934877282, 2316.8722312042}},
		{Vec2{-310, 420}, Vec2{775.8129512558, 1610.8228223054}},
		{Vec2{77.7, -33.3}, Vec2{1368.9838150848, 2744.7789813726}},
	} {
		uv, ok := v.Project(c.at)
		if !ok || uv.Sub(c.uv).Norm() > 1e-8 {
			t.Errorf("%v is seen at %.9f, OpenCV says %.9f", c.at, uv, c.uv)
		}
		if uv3, ok := v.Project3(Vec3{c.at.X, c.at.Y, 0}); !ok || uv3 != uv {
			t.Errorf("%v: Project3 says %v, Project %v", c.at, uv3, uv)
		}
	}
	want := Mat3{
		0.9634048087753883, 0.18981515143232347, -0.18926537642998048,
		0.1447562689692365, -0.9626882476397991, -0.22864155451343232,
		-0.22560318486795383, 0.1928770233670587, -0.9549354202429078,
	}
	r := overBelt.Rotation()
	for i := range want {
		if !near(r[i], want[i], 1e-14) {
			t.Errorf("rotation element %d is %.17g, OpenCV says %.17g", i, r[i], want[i])
		}
	}
}

func TestProjectRefusesWhatLiesBehind(t *testing.T) {
	for _, z := range []float64{0, -1, -1250, math.NaN()} {
		if uv, ok := lens.Project(Vec3{10, 20, z}); ok {
			t.Errorf("z = %v is seen at %v", z, uv)
		}
	}
	v := NewView(lens, Pose{math.Pi / 2, 0, 0, 0, 0, 500}) // looks along the plane
	if _, ok := v.Project(Vec2{0, 1e4}); ok == (v.CamFromPlane.Apply(Vec3{Y: 1e4}).Z <= 0) {
		t.Error("a point is seen though it lies behind the camera, or the other way round")
	}
	// the sky is nowhere on the belt
	steep := NewView(Camera{F: 1000, CX: 500, CY: 500}, Pose{1.7, 0, 0, 0, 200, 1000})
	if p, ok := steep.Unproject(Vec2{500, -3000}); ok {
		t.Errorf("a place above the horizon is put at %v", p)
	}
}

// views are cameras all around a belt: near and far, upright and steep, turned
// by every angle.
func views(n int) []View {
	rng := rand.New(rand.NewPCG(1, 2))
	in := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	out := []View{NewView(lens, overBelt), NewView(Camera{F: 3000, CX: 1500, CY: 2000}, Pose{math.Pi, 0, 0, 0, 0, 1000})}
	for range n {
		c := Camera{
			F: in(2000, 4000), CX: in(1400, 1600), CY: in(1900, 2100), K1: in(-0.1, 0.1), K2: in(-0.1, 0.1), K3: in(-0.03, 0.03),
			P1: in(-0.001, 0.001), P2: in(-0.001, 0.001),
		}
		down := Rodrigues(Vec3{math.Pi, 0, 0})
		turn := Rodrigues(Vec3{0, 0, in(-math.Pi, math.Pi)})
		lean := Rodrigues(Vec3{in(-0.5, 0.5), in(-0.5, 0.5), 0})
		out = append(out, NewView(c, PoseFrom(lean.Mul(turn).Mul(down), Vec3{in(-200, 200), in(-200, 200), in(700, 2500)})))
	}
	return out
}

func TestUnprojectUndoesProject(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	n := 0
	for i, v := range views(60) {
		for range 20 {
			p := Vec2{600*rng.Float64() - 300, 600*rng.Float64() - 300}
			uv, ok := v.Project(p)
			if !ok {
				t.Fatalf("view %d does not see %v", i, p)
			}
			back, ok := v.Unproject(uv)
			if !ok || back.Sub(p).Norm() > 1e-8 {
				t.Errorf("view %d: %v came back as %v (%v)", i, p, back, ok)
			}
			z := 40 * (rng.Float64() - 0.5)
			uv, _ = v.Project3(Vec3{p.X, p.Y, z})
			if back, ok = v.UnprojectAt(uv, z); !ok || back.Sub(p).Norm() > 1e-8 {
				t.Errorf("view %d: %v at height %.1f came back as %v (%v)", i, p, z, back, ok)
			}
			n++
		}
	}
	if n < 1000 {
		t.Errorf("only %d points were tried", n)
	}
}

// Derivatives against central differences, whose own error is below 1e-6 of
// the largest of a row.
func TestProjectJ(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for i, v := range views(30) {
		p := Vec3{500*rng.Float64() - 250, 500*rng.Float64() - 250, 20*rng.Float64() - 10}
		var j ProjectionJacobian
		uv, ok := v.ProjectJ(p, &j)
		if plain, _ := v.Project3(p); !ok || plain.Sub(uv).Norm() > 1e-9 {
			t.Fatalf("view %d: ProjectJ %v, Project3 %v", i, uv, plain)
		}
		check := func(what string, k int, h float64, got Vec2, at func(h float64) Vec2) {
			want := at(h).Sub(at(-h)).Mul(1 / (2 * h))
			if got.Sub(want).Norm() > 1e-6*math.Max(1, want.Norm()) {
				t.Errorf("view %d: derivative by %s %d is %v, differences say %v", i, what, k, got, want)
			}
		}
		for k := range CameraParams {
			h := 1e-5
			if k < 3 {
				h = 1e-2
			}
			check("camera", k, h, Vec2{j.Camera[0][k], j.Camera[1][k]}, func(h float64) Vec2 {
				c := v.Camera.Params()
				c[k] += h
				w := NewView(CameraFrom(c), v.CamFromPlane)
				q, _ := w.Project3(p)
				return q
			})
		}
		for k := range 6 {
			h := 1e-5
			if k > 2 {
				h = 1e-2
			}
			check("pose", k, h, Vec2{j.Pose[0][k], j.Pose[1][k]}, func(h float64) Vec2 {
				pose := v.CamFromPlane
				pose[k] += h
				w := NewView(v.Camera, pose)
				q, _ := w.Project3(p)
				return q
			})
		}
		for k := range 3 {
			check("point", k, 1e-2, Vec2{j.Point[0][k], j.Point[1][k]}, func(h float64) Vec2 {
				q, _ := v.Project3(p.Add([3]Vec3{{X: h}, {Y: h}, {Z: h}}[k]))
				return q
			})
		}
	}
}

func TestUnprojectJ(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	for i, v := range views(30) {
		uv, _ := v.Project(Vec2{500*rng.Float64() - 250, 500*rng.Float64() - 250})
		var cam [2][CameraParams]float64
		var pose [2][6]float64
		var img [2][2]float64
		p, ok := v.UnprojectJ(uv, &cam, &pose, &img)
		if plain, _ := v.Unproject(uv); !ok || plain != p {
			t.Fatalf("view %d: UnprojectJ %v, Unproject %v", i, p, plain)
		}
		check := func(what string, k int, h float64, got Vec2, at func(h float64) Vec2) {
			want := at(h).Sub(at(-h)).Mul(1 / (2 * h))
			if got.Sub(want).Norm() > 2e-6*math.Max(1, want.Norm()) {
				t.Errorf("view %d: derivative by %s %d is %v, differences say %v", i, what, k, got, want)
			}
		}
		for k := range CameraParams {
			h := 1e-5
			if k < 3 {
				h = 1e-2
			}
			check("camera", k, h, Vec2{cam[0][k], cam[1][k]}, func(h float64) Vec2 {
				c := v.Camera.Params()
				c[k] += h
				w := NewView(CameraFrom(c), v.CamFromPlane)
				q, _ := w.Unproject(uv)
				return q
			})
		}
		for k := range 6 {
			h := 1e-5
			if k > 2 {
				h = 1e-2
			}
			check("pose", k, h, Vec2{pose[0][k], pose[1][k]}, func(h float64) Vec2 {
				w := v.CamFromPlane
				w[k] += h
				u := NewView(v.Camera, w)
				q, _ := u.Unproject(uv)
				return q
			})
		}
		for k := range 2 {
			check("image", k, 1e-2, Vec2{img[0][k], img[1][k]}, func(h float64) Vec2 {
				q := uv
				if k == 0 {
					q.X += h
				} else {
					q.Y += h
				}
				q, _ = v.Unproject(q)
				return q
			})
		}
	}
}

// A camera straight above by 1000 mm with f = 2000 sees 0.5 mm a pixel.
func TestTiltScaleAndCentre(t *testing.T) {
	v := NewView(Camera{F: 2000, CX: 999.5, CY: 1499.5}, Pose{math.Pi, 0, 0, 0, 0, 1000})
	if !near(v.Tilt(), 0, 1e-9) {
		t.Errorf("tilt %v", v.Tilt())
	}
	if s, ok := v.Scale(Vec2{}); !ok || !near(s, 0.5, 1e-12) {
		t.Errorf("scale %v", s)
	}
	if c := v.Centre(); c.Sub(Vec3{0, 0, 1000}).Norm() > 1e-9 {
		t.Errorf("centre %v", c)
	}
	lean := NewView(Camera{F: 2000}, Pose{math.Pi - 0.3, 0, 0, 0, 0, 1000})
	if !near(lean.Tilt(), 0.3, 1e-12) {
		t.Errorf("tilt %v, want 0.3", lean.Tilt())
	}
	// area on the plane: h^2 / (f^2 cos^3 of the tilt) with h the height; on the
	// axis the distance is h / cos
	if s, _ := lean.Scale(Vec2{}); !near(s, 0.5/math.Sqrt(math.Cos(0.3)), 1e-9) {
		t.Errorf("scale %v on the axis of a leaning camera", s)
	}
}

// Angles from nothing to half a turn, where both formulas are delicate.
func TestRotationVectorUndoesRodrigues(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	for _, angle := range []float64{0, 1e-14, 1e-9, 1e-8, 1e-6, 1e-3, 0.5, 1.5, 2.5, 3, math.Pi - 1e-3, math.Pi - 1e-6, math.Pi - 1e-8} {
		for range 50 {
			w := Vec3{rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()}.Unit().Mul(angle)
			r := Rodrigues(w)
			if back := RotationVector(r); back.Sub(w).Norm() > 4e-15+1e-14*angle {
				t.Fatalf("angle %g: %v came back as %v (off by %.1e)", angle, w, back, back.Sub(w).Norm())
			}
			rt := r.Mul(r.Transpose())
			for i := range rt {
				want := 0.0
				if i%4 == 0 {
					want = 1
				}
				if !near(rt[i], want, 1e-14) {
					t.Fatalf("angle %g: not orthonormal: %v", angle, rt)
				}
			}
		}
	}
	// at half a turn both signs of the axis are the same rotation
	for _, axis := range []Vec3{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}, Vec3{1, -2, 0.5}.Unit(), Vec3{-1, 1e-9, 0}.Unit()} {
		w := axis.Mul(math.Pi)
		back := RotationVector(Rodrigues(w))
		if math.Min(back.Sub(w).Norm(), back.Add(w).Norm()) > 1e-9 || !near(back.Norm(), math.Pi, 1e-9) {
			t.Errorf("half a turn about %v came back as %v", axis, back)
		}
	}
}

// exactHomography is image from plane of a camera without lens terms.
func exactHomography(v *View) Mat3 {
	r, t, c := v.CamFromPlane.Rotation(), v.CamFromPlane.Translation(), v.Camera
	k := Mat3{c.F, 0, c.CX, 0, c.F, c.CY, 0, 0, 1}
	return k.Mul(Mat3{r[0], r[1], t.X, r[3], r[4], t.Y, r[6], r[7], t.Z})
}

func TestPoseFromHomography(t *testing.T) {
	for i, v := range views(40) {
		v = NewView(Camera{F: v.Camera.F, CX: v.Camera.CX, CY: v.Camera.CY}, v.CamFromPlane)
		for _, scale := range []float64{1, -1, 1e-3, 250} { // a homography has no scale
			h := exactHomography(&v)
			for k := range h {
				h[k] *= scale
			}
			pose, err := PoseFromHomography(h, v.Camera)
			if err != nil {
				t.Fatal(err)
			}
			r, want := pose.Rotation(), v.CamFromPlane.Rotation()
			for k := range r {
				if !near(r[k], want[k], 1e-9) {
					t.Errorf("view %d, scale %g: rotation %v, want %v", i, scale, r, want)
					break
				}
			}
			if d := pose.Translation().Sub(v.CamFromPlane.Translation()).Norm(); d > 1e-6 {
				t.Errorf("view %d, scale %g: translation off by %g mm", i, scale, d)
			}
		}
	}
	for _, h := range []Mat3{{}, {1, 2, 3, 2, 4, 6, 0, 0, 1}, {math.NaN(), 0, 0, 0, 1, 0, 0, 0, 1}} {
		if p, err := PoseFromHomography(h, Camera{F: 1000}); err == nil {
			t.Errorf("%v gave the pose %v", h, p)
		}
	}
}

func TestHomography(t *testing.T) {
	board, _ := Card(1)
	src := board.Saddles()
	for i, v := range views(20) {
		v = NewView(Camera{F: v.Camera.F, CX: v.Camera.CX, CY: v.Camera.CY}, v.CamFromPlane)
		want := exactHomography(&v)
		for _, n := range []int{4, len(src)} {
			pts := src[:n]
			if n == 4 { // no three in a row
				pts = []Vec2{{0, 0}, {245, 0}, {230, 175}, {10, 160}}
			}
			var dst []Vec2
			for _, p := range pts {
				q, _ := v.Project(p)
				dst = append(dst, q)
			}
			h, err := Homography(pts, dst)
			if err != nil {
				t.Fatal(err)
			}
			for k := range h {
				if !near(h[k], want[k]/want[8], 1e-8*math.Max(1, math.Abs(want[k]/want[8]))) {
					t.Errorf("view %d, %d points: %v, want %v", i, n, h, want)
					break
				}
			}
		}
	}
}

// With noise of 0.1 px the places in the middle of 24 points are known to some
// 0.1/sqrt(24/8) px, and the error shrinks with the noise.
func TestHomographyWithNoise(t *testing.T) {
	board, _ := Card(1)
	src := board.Saddles()
	v := NewView(Camera{F: 3000, CX: 1500, CY: 2000}, overBelt)
	rms := func(sd float64) float64 {
		rng := rand.New(rand.NewPCG(11, 12))
		var s float64
		const trials = 200
		for range trials {
			var dst []Vec2
			for _, p := range src {
				q, _ := v.Project(p)
				dst = append(dst, q.Add(Vec2{sd * rng.NormFloat64(), sd * rng.NormFloat64()}))
			}
			h, err := Homography(src, dst)
			if err != nil {
				t.Fatal(err)
			}
			for _, p := range src {
				q, _ := v.Project(p)
				e, _ := h.ApplyH(p)
				s += e.Sub(q).Dot(e.Sub(q))
			}
		}
		return math.Sqrt(s / (2 * trials * float64(len(src))))
	}
	// fitted coordinates of a least-squares fit of 8 parameters to n have on
	// average the variance 8/n; the algebraic fit is nearly that
	want := math.Sqrt(8 / float64(2*len(src)))
	for _, sd := range []float64{0.1, 0.01} {
		if r := rms(sd) / sd; r < 0.93*want || r > 1.1*want {
			t.Errorf("noise %g px: fitted points are off by %.3f of it, least squares gives %.3f", sd, r, want)
		}
	}
}

func TestHomographyRefusesTooLittle(t *testing.T) {
	line := []Vec2{{0, 0}, {1, 1}, {2, 2}, {3, 3}, {4, 4}}
	square := []Vec2{{0, 0}, {1, 0}, {1, 1}, {0, 1}, {0.5, 0.2}}
	for name, c := range map[string][2][]Vec2{
		"three points":   {square[:3], square[:3]},
		"other number":   {square, square[:4]},
		"one place":      {make([]Vec2, 5), square},
		"in a row":       {line, square},
		"no number":      {{{0, 0}, {1, 0}, {1, 1}, {0, math.NaN()}}, square[:4]},
		"no points":      {nil, nil},
		"three in a row": {{{0, 0}, {1, 0}, {2, 0}, {0, 1}}, square[:4]},
		"image in a row": {square, line},
		"infinitely far": {{{0, 0}, {1, 0}, {1, 1}, {0, math.Inf(1)}}, square[:4]},
	} {
		if h, err := Homography(c[0], c[1]); err == nil {
			t.Errorf("%s: got %v", name, h)
		}
	}
}
