package measure

import (
	"math"
	"testing"

	"beltend/geometry"
)

// pointsBeside are a photo's points every step mm from a place on, beside a line of slope 0.02
// by off mm, with waves all photos share.
func pointsBeside(photo int, from, to, step, off float64) (pts []observed, plane []geometry.Vec2) {
	for x := from; x < to; x += step {
		pts = append(pts, observed{photo: photo})
		plane = append(plane, geometry.Vec2{X: x, Y: 0.02*x + 0.2*math.Sin(x/70) + off})
	}
	return pts, plane
}

// Truth: three photos of one edge, drawn 0.25 mm beside it to one side and the other. The
// shifts are their distances from the mean of the three, but for what shiftMM holds back.
func TestShiftsAreThoseDrawn(t *testing.T) {
	offs := []float64{0.25, -0.2, 0.04}
	var pts []observed
	var plane []geometry.Vec2
	for k, off := range offs {
		a, b := pointsBeside(k, float64(k)*1.3, 900, 4+0.07*float64(k), off)
		pts, plane = append(pts, a...), append(plane, b...)
	}
	got := shifts(pts, plane, geometry.Vec2{Y: 1}, 3)
	for k, off := range offs {
		if math.Abs(got[k]-(off-0.03)) > 0.004 {
			t.Errorf("photo %d lies %.3f mm beside the others, want %.3f", k+1, got[k], off-0.03)
		}
	}
}

// Truth: a photo further up shares 160 mm with the first and lies 0.2 mm beside it; a
// third one shares nothing with them: nobody knows where it should lie.
func TestShiftsWhereFewPointsAreShared(t *testing.T) {
	a, pa := pointsBeside(0, 0, 480, 4, 0)
	b, pb := pointsBeside(1, 320, 900, 4, 0.2)
	c, pc := pointsBeside(2, 912, 1200, 4, -0.3)
	got := shifts(append(append(a, b...), c...), append(append(pa, pb...), pc...), geometry.Vec2{Y: 1}, 3)
	if d := got[1] - got[0]; math.Abs(d-0.2) > 0.01 {
		t.Errorf("the second photo lies %.3f mm beside the first, want 0.200", d)
	}
	if got[2] != 0 {
		t.Errorf("a photo that shares nothing is moved by %.3f mm", got[2])
	}
}

// Turning everything turns nothing about the shifts.
func TestShiftsTurnWithTheBelt(t *testing.T) {
	a, pa := pointsBeside(0, 0, 700, 4, 0)
	b, pb := pointsBeside(1, 1, 700, 4.1, 0.15)
	pts, plane := append(a, b...), append(pa, pb...)
	want := shifts(pts, plane, geometry.Vec2{Y: 1}, 2)
	for i := range plane {
		plane[i] = plane[i].Rotate(2)
	}
	for k, got := range shifts(pts, plane, geometry.Vec2{Y: 1}.Rotate(2), 2) {
		if math.Abs(got-want[k]) > 0.001 {
			t.Errorf("photo %d: %.4f mm turned, %.4f mm as it lies", k+1, got, want[k])
		}
	}
}
