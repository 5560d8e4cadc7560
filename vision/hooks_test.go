package vision

import (
	"math"
	"testing"

	"beltend/geometry"
	"beltend/geometry/hooks"
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

// A reading settles another of the same photo where it leaves nothing unclear that the other
// does, and has as many hooks as that allows.
func TestOneReadingSettlesAnother(t *testing.T) {
	of := func(hooksSeen, unclear int) *Laced {
		s := &LacedSide{}
		s.Row.Hooks, s.Row.Unclear = make([]hooks.Hook, hooksSeen), make([]float64, unclear)
		return &Laced{Sides: [2]*LacedSide{s, nil}}
	}
	two := of(74, 0)
	two.Sides[1] = two.Sides[0]
	for _, c := range []struct {
		what  string
		by, o *Laced
		want  bool
	}{
		{"the unclear one is a hook", of(74, 0), of(73, 1), true},
		{"the unclear one is none", of(73, 0), of(73, 1), true},
		{"one more than allowed", of(75, 0), of(73, 1), false},
		{"one fewer", of(72, 0), of(73, 1), false},
		{"unclear itself", of(73, 1), of(72, 2), false},
		{"nothing to settle", of(73, 0), of(73, 0), false},
		{"another side", two, of(73, 1), false},
	} {
		if got := c.by.settles(c.o); got != c.want {
			t.Errorf("%s: %v", c.what, got)
		}
	}
}
