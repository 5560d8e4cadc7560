package vision

import (
	"math"
	"testing"

	"beltend/geometry"
)

// What lies above the plane is seen further out than it stands, the more the further
// from the middle; nothing that lies in it is moved.
func TestLeans(t *testing.T) {
	view := geometry.NewView(geometry.Camera{F: 3000, CX: 1500, CY: 2000}, geometry.Pose{math.Pi + 0.2, 0.1, 0, 20, -30, 900})
	l := &Laced{Mid: geometry.Vec2{X: 5, Y: 7}, Along: geometry.Vec2{X: 1}.Rotate(0.3), Up: geometry.Vec2{Y: 1}.Rotate(0.3)}
	f := &laceFinder{view: &view}
	for _, z := range []float64{0, 0.3, 2} {
		for _, s := range []float64{-300, 0, 250} {
			at := l.At(s, 12)
			uv, _ := view.Project3(geometry.Vec3{X: at.X, Y: at.Y, Z: z})
			q, ok := view.Unproject(uv)
			if !ok {
				t.Fatal("not seen")
			}
			d := q.Sub(l.Mid)
			if got := d.Dot(l.Along) + f.leans(l, d.Dot(l.Along), d.Dot(l.Up), z); math.Abs(got-s) > 1e-3*z+1e-6 {
				t.Errorf("at %g, %g mm up, seen at %.3f: put back to %.3f", s, z, d.Dot(l.Along), got)
			}
		}
	}
}
