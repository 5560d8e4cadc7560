package measure

import (
	"math"

	"beltend/geometry"
)

// turnToTop turns the cut, as a photo's trace has it, towards the direction that
// the profile across it gives the top edge: both are weighed by what they may be
// off, the trace by its drift, its leaps, where the belt's own look ends and what
// it strays from the profile's line.
// view is the one the points were found with.
func (e *seen) turnToTop(view *geometry.View) {
	cut := &e.end.Cut
	if !cut.Face.Told || cut.Soft || len(cut.Points) < 8 {
		return
	}
	first, last := cut.Points[0], cut.Points[len(cut.Points)-1]
	length := last.Plane.Sub(first.Plane).Norm()
	width := e.end.RightCorner.Sub(e.end.LeftCorner).Norm()
	if length == 0 || width == 0 {
		return
	}
	one := []seen{*e}
	trace := (sq(driftCutPx*cut.PxMM/length) + sq(hopping(one)/width) + sq(doubtOfCut(one)/width)/3) / 2
	trace += sq(cut.Face.TurnSpread / 2)
	profile := sq(cut.Face.TurnSD)
	turn := cut.Face.Turn * trace / (trace + profile)
	// Of two that differ, one is wrong: the more of it was turned, the more is in
	// doubt. The half is by 310 scenes, where error over uncertainty then has an RMS of 1.
	e.turnVariance, e.told = trace*profile/(trace+profile)+turn*cut.Face.Turn/2, true
	inside := last.Plane.Sub(first.Plane).Perp().Unit()
	if inside.Dot(e.end.Up) < 0 {
		inside = inside.Mul(-1)
	}
	middle := (first.T + last.T) / 2
	for k := range cut.Points {
		q := &cut.Points[k]
		moved := q.Plane.Sub(inside.Mul(turn * (q.T - middle)))
		if uv, ok := view.Project(moved); ok {
			q.Plane, q.UV = moved, uv
		}
	}
}

func sq(x float64) float64 { return x * x }

// lineOfCut is the standard uncertainty of the cut's direction, rad, for the line
// that was followed beside its top edge. told is false where a photo does not tell.
func lineOfCut(ends []seen) (u float64, told bool) {
	var variance, n float64
	for _, e := range ends {
		if len(e.end.Cut.Points) == 0 {
			continue
		}
		if !e.told {
			return 0, false
		}
		variance, n = variance+e.turnVariance, n+1
	}
	if n == 0 {
		return 0, false
	}
	return math.Sqrt(variance) / n, true
}

// leftOfDoubt is the share that is left of what leaps, bevels and waves of a cut
// say of other lines followed for a part, where its profile tells the lines apart.
// A step or a V keeps all of it.
func leftOfDoubt(told bool) float64 {
	if told {
		return 0.25
	}
	return 1
}
