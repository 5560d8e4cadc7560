package measure

import (
	"math"
	"testing"

	"beltend/geometry"
	"beltend/vision"
)

// A cut 800 mm wide, square to the belt, whose trace drifted from the top edge
// by 2 mm to its right end.
func TestTurnToTop(t *testing.T) {
	const width, drift = 800.0, 2.0
	cam := geometry.Camera{F: 3000, CX: 2000, CY: 1500}
	view := geometry.NewView(cam, geometry.PoseFrom(geometry.Mat3{1, 0, 0, 0, 1, 0, 0, 0, 1}, geometry.Vec3{X: -400, Z: 1200}))
	drifted := func(face vision.Face, soft bool) seen {
		end := &vision.End{Up: geometry.Vec2{Y: 1}, RightCorner: geometry.Vec2{X: width}}
		end.Cut = vision.Trace{Face: face, PxMM: 0.3, Soft: soft}
		for x := 2.0; x < width; x += 4 {
			q := vision.EdgePoint{Plane: geometry.Vec2{X: x, Y: drift * x / width}, T: x}
			q.UV, _ = view.Project(q.Plane)
			end.Cut.Points = append(end.Cut.Points, q)
		}
		return seen{end: end}
	}
	for _, c := range []struct {
		name   string
		face   vision.Face
		soft   bool
		told   bool
		lo, hi float64 // drift that is left, mm
	}{
		{"a profile that is sure", vision.Face{Told: true, Turn: drift / width, TurnSD: 1e-5}, false, true, -0.2, 0.2},
		{"one that is not", vision.Face{Told: true, Turn: drift / width, TurnSD: 5e-3}, false, true, 1.9, 2},
		{"one that bears the trace out", vision.Face{Told: true, TurnSD: 1e-5}, false, true, 2, 2},
		{"none", vision.Face{Turn: drift / width, TurnSD: 1e-5}, false, false, 2, 2},
		{"a soft edge", vision.Face{Told: true, Turn: drift / width, TurnSD: 1e-5}, true, false, 2, 2},
	} {
		e := drifted(c.face, c.soft)
		e.turnToTop(&view)
		p := e.end.Cut.Points
		first, last := p[0], p[len(p)-1]
		left := (last.Plane.Y - first.Plane.Y) / (last.T - first.T) * width
		if left < c.lo-1e-9 || left > c.hi+1e-9 {
			t.Errorf("%s: %.2f mm of drift are left, not %.1f to %.1f", c.name, left, c.lo, c.hi)
		}
		for _, q := range []vision.EdgePoint{first, last} {
			if uv, ok := view.Project(q.Plane); !ok || uv.Sub(q.UV).Norm() > 1e-9 {
				t.Errorf("%s: the photo and the plane show different places", c.name)
			}
		}
		u, told := lineOfCut([]seen{e})
		if told != c.told {
			t.Errorf("%s: told is %v", c.name, told)
		}
		// what was corrected stays in doubt, by more than a half of it
		if told && u*width < (drift-left)/2 {
			t.Errorf("%s: u is %.2f mm", c.name, u*width)
		}
		two, _ := lineOfCut([]seen{e, e})
		if told && math.Abs(two-u/math.Sqrt2) > 1e-12 {
			t.Errorf("%s: two photos have u %.3g, one %.3g", c.name, two, u)
		}
	}
	if _, told := lineOfCut([]seen{drifted(vision.Face{}, false), {end: &vision.End{}}}); told {
		t.Error("a photo that does not tell is taken to")
	}
}
