package training

import (
	"math"

	"beltend/geometry"
	"beltend/geometry/joint"
	"beltend/geometry/square"
	"beltend/server/result"
	"beltend/vision/overlay"
	"beltend/vision/render"
)

// Answers to the first question: lace this end as it is?
const (
	Good   = "good"   // square and straight
	Recut  = "recut"  // cut it again
	Cannot = "cannot" // this photo cannot tell
)

// Answers to the second question: which side is long?
const (
	Left    = "left"
	Right   = "right"
	Neither = "neither"
)

// Allowed is the one limit of the exercises, mm: for the offset, for the cut's
// straightness, for a bevel, and for the distance from the mark. The offset's
// is beltend's default; the others take it over so that there is one figure to
// keep in mind.
func Allowed(width float64) float64 { return square.DefaultTolerance(width) }

// Reasons why an end must be cut again, or why nobody can tell.
const (
	ReasonOffset   = "offset"
	ReasonStraight = "straight"
	ReasonBevel    = "bevel"
	ReasonMark     = "mark"
	ReasonCard     = "card"
	ReasonFlat     = "flat"
)

// Solution is what is right, from the truth of the rendered photo.
type Solution struct {
	Verdict string
	Reasons []string
	Long    string // the long side, Neither within the limit

	Offset, Straight, Bevel, Mark float64 // mm; Mark is how far the cut lies below the drawn line
	Allowed                       float64
	Left, Right                   float64 // of the right line, up each edge from the corners, mm
	Truth                         render.Truth

	view geometry.View
	ends [2]geometry.Vec2 // of the right line, on the belt plane
	high float64          // how high it lies in the centreline's frame
}

// Solve tells what is right about an exercise drawn as this scene.
func (e Exercise) Solve(s *render.Scene) (Solution, error) {
	t, err := s.Truth()
	if err != nil {
		return Solution{}, err
	}
	w := Solution{Verdict: Good, Long: Neither, Offset: t.Squareness.Offset, Straight: t.Squareness.Straightness, Allowed: Allowed(s.Belt.Width), Truth: t, view: s.View()}
	w.Bevel = s.Belt.Thickness * math.Tan(math.Max(math.Abs(s.Cut.BevelLeft), math.Abs(s.Cut.BevelRight))*math.Pi/180)
	if math.Abs(w.Offset) > w.Allowed {
		w.Reasons = append(w.Reasons, ReasonOffset)
		w.Long = longSide(w.Offset)
	}
	if w.Straight > w.Allowed {
		w.Reasons = append(w.Reasons, ReasonStraight)
	}
	if w.Bevel > w.Allowed {
		w.Reasons = append(w.Reasons, ReasonBevel)
	}
	corner := func(p render.Pt) geometry.Vec2 { return geometry.Vec2{X: p[0], Y: p[1]} }
	dir := corner(t.Centreline.Direction)
	w.Left, w.Right = t.Recut.Left, t.Recut.Right
	if e.Error == "wrong_side" { // the mark says where
		w.Mark = s.Line.Y
		w.Left, w.Right = w.Mark, w.Mark
		if w.Mark > w.Allowed {
			w.Reasons = append(w.Reasons, ReasonMark)
		}
	}
	w.ends = [2]geometry.Vec2{corner(t.CornersMM.Left).Add(dir.Mul(w.Left)), corner(t.CornersMM.Right).Add(dir.Mul(w.Right))}
	w.high = math.Max(w.up(w.ends[0]), w.up(w.ends[1]))
	if len(w.Reasons) > 0 {
		w.Verdict = Recut
	}
	switch e.Error {
	case "small_card":
		w.Verdict, w.Reasons = Cannot, []string{ReasonCard}
	case "not_flat":
		w.Verdict, w.Reasons = Cannot, []string{ReasonFlat}
	}
	return w, nil
}

func longSide(offset float64) string {
	if offset > 0 {
		return Left
	}
	return Right
}

// up is the height of a place on the belt plane along the centreline.
func (w *Solution) up(p geometry.Vec2) float64 {
	d := w.Truth.Centreline.Direction
	return p.X*d[0] + p.Y*d[1]
}

// Back is how far above the right line a square line through a place in the
// photo lies, mm: below 0 it leaves a part of the old cut. The place is given
// in fractions of the picture's width and height. False where the place is not
// on the belt's plane.
func (w *Solution) Back(place geometry.Vec2) (float64, bool) {
	size := w.Truth.Camera.Size
	p, ok := w.view.Unproject(geometry.Vec2{X: place.X*float64(size[0]) - 0.5, Y: place.Y*float64(size[1]) - 0.5})
	if !ok || !p.IsFinite() {
		return 0, false
	}
	return w.up(p) - w.high, true
}

// Overlay is the truth as the overlay draws it: edges, cut, centreline, drawn
// line, and the line to cut along where there is one. Left and right are the
// texts at that line's ends; tap is the line that a person chose, in fractions
// of the picture, nil where none.
func (w *Solution) Overlay(left, right string, tap *geometry.Vec2) overlay.Input {
	t := &w.Truth
	in := overlay.Input{Left: places(t.ImagePoints.EdgeLeft), Right: places(t.ImagePoints.EdgeRight), Cut: places(t.ImagePoints.Cut)}
	in.Size.X, in.Size.Y = t.Camera.Size[0], t.Camera.Size[1]
	l, r := geometry.Vec2{X: t.ImagePoints.Left[0], Y: t.ImagePoints.Left[1]}, geometry.Vec2{X: t.ImagePoints.Right[0], Y: t.ImagePoints.Right[1]}
	in.LeftCorner, in.RightCorner = &l, &r
	if t.MarkedLine != nil {
		in.Drawn = places(t.MarkedLine.Points)
	}
	if w.Verdict == Cannot {
		return in
	}
	point, dir := geometry.Vec2{X: t.Centreline.Point[0], Y: t.Centreline.Point[1]}, geometry.Vec2{X: t.Centreline.Direction[0], Y: t.Centreline.Direction[1]}
	half := t.Centreline.Length / 2
	in.Centreline = w.project(point.Sub(dir.Mul(half)), point.Add(dir.Mul(half)))
	if w.Verdict == Recut {
		in.Recut = w.project(w.ends[:]...)
		in.LeftText, in.RightText = left, right
	}
	if tap == nil {
		return in
	}
	if back, ok := w.Back(*tap); ok && math.Abs(back) < t.Centreline.Length {
		in.Rival = w.project(w.ends[0].Add(dir.Mul(w.high+back-w.up(w.ends[0]))), w.ends[1].Add(dir.Mul(w.high+back-w.up(w.ends[1]))))
	}
	return in
}

func (w *Solution) project(pts ...geometry.Vec2) []geometry.Vec2 {
	var out []geometry.Vec2
	for _, p := range pts {
		if uv, ok := w.view.Project(p); ok {
			out = append(out, uv)
		}
	}
	return out
}

func places(pts []render.Pt) []geometry.Vec2 {
	out := make([]geometry.Vec2, len(pts))
	for i, p := range pts {
		out[i] = geometry.Vec2{X: p[0], Y: p[1]}
	}
	return out
}

// Profile is the cut across the belt: place from the middle, deviation from its
// own straight line. Empty where the belt is not flat.
func (w *Solution) Profile() []geometry.Vec2 {
	if w.Verdict == Cannot && w.Reasons[0] == ReasonFlat {
		return nil
	}
	var pts []geometry.Vec2
	var sx, sy float64
	for _, uv := range places(w.Truth.ImagePoints.Cut) {
		if p, ok := w.view.Unproject(uv); ok {
			pts = append(pts, p)
			sx, sy = sx+p.X, sy+p.Y
		}
	}
	n := float64(len(pts))
	slope := math.Tan(w.Truth.Squareness.Angle * math.Pi / 180)
	d := w.Truth.Centreline.Direction
	slope -= d[0] / d[1] // of the cut in the plane's own frame
	for i, p := range pts {
		pts[i].Y = p.Y - sy/n - slope*(p.X-sx/n)
	}
	return pts
}

// known is how well the truth is known where a joint asks for an uncertainty, mm.
const known = 0.1

// Joint is what the end does in a joint whose other end is square; after a
// mirror mix-up, with the end that it was to match.
func (w *Solution) Joint(e Exercise) (*result.Joint, error) {
	width := w.Truth.Width.AtCut
	lead := joint.End{Offset: w.Offset, U95: known, Width: width, WidthU95: known, Tolerance: w.Allowed, Shape: w.Profile()}
	trail := joint.End{U95: known, Width: width, WidthU95: known, Tolerance: w.Allowed}
	if e.Error == "mirror" {
		trail.Offset = -w.Offset
	}
	pair, err := joint.Match(lead, trail)
	if err != nil {
		return nil, err
	}
	return &result.Joint{Schema: result.JointSchema, Pair: pair, Warnings: []result.Warning{}}, nil
}
