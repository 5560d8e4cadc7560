package measure

import (
	"errors"
	"math"

	"beltend/geometry"
	"beltend/geometry/bundle"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/vision"
)

// seen is the belt end as one photo shows it.
type seen struct {
	photo int
	end   *vision.End

	told         bool    // the profile across the cut told its lines apart
	turnVariance float64 // of the cut's direction, for which of them was followed, rad^2
}

// findEnds finds the belt's edges in every photo. A photo taken further up the
// belt, without the cut, carries the edges of the others on; one in which nothing
// is found is left out when another one has them.
func findEnds(shots []*shot, n *network, s *result.Settings, tick func(i int)) ([]seen, []string, error) {
	var out []seen
	leftOut := make([]string, len(shots))
	var first error
	for i, sh := range shots {
		tick(i)
		view := n.res.View(sh.camera, i)
		boards, sheets := outlines(sh, n)
		hints := map[string][]geometry.Vec2{}
		for _, h := range s.Hints {
			if h.Photo == i && h.Edge != drawnHint {
				for _, q := range h.Px {
					hints[h.Edge] = append(hints[h.Edge], sh.pic.FromUpright(geometry.Vec2{X: q[0], Y: q[1]}))
				}
			}
		}
		end, err := vision.FindEnd(sh.pic, &view, boards, sheets, sh.sharp(), hints)
		if noCut(err) && s.Line == drawn {
			if belt, e := vision.FindBelt(sh.pic, &view, boards, sheets, sh.sharp()); e == nil {
				end, err = belt, nil
			}
		}
		if err != nil {
			err = doubtful(err, shots, i, &view)
			var r *result.Refusal
			if !errors.As(err, &r) {
				return nil, nil, err
			}
			if first == nil {
				first = err
			}
			leftOut[i] = r.Code + ": " + r.Message
			continue
		}
		e := seen{photo: i, end: end}
		e.turnToTop(&view)
		out = append(out, e)
	}
	if len(out) == 0 {
		return nil, nil, first
	}
	runsOn := false
	for _, o := range out {
		runsOn = runsOn || o.end.RunsOn
	}
	if runsOn { // every photo shows the line itself
		return out, leftOut, nil
	}
	for _, o := range out[1:] {
		if o.end.Up.Dot(out[0].end.Up) < math.Cos(3*math.Pi/180) {
			return nil, nil, report.Refuse("photos_differ", "ends", shots[o.photo].name, result.Values{"other": shots[out[0].photo].name})
		}
	}
	return carryOn(shots, n, out, leftOut)
}

// noCut reports whether it is for want of a cut alone that no end was found.
func noCut(err error) bool {
	var r *vision.Refused
	return errors.As(err, &r) && (r.Code == "cut_unclear" || r.Code == "cut_out_of_frame")
}

// sameCutMM is how far apart the cut's middle may lie in two photos of one end.
const sameCutMM = 25.0

// carryOn adds the photos that show the belt further up. A cut that one of them
// seems to have, above the one that others show, is none where the true one lies
// outside that photo.
func carryOn(shots []*shot, n *network, found []seen, leftOut []string) ([]seen, []string, error) {
	middle := func(e *vision.End) float64 {
		return found[0].end.Up.Dot(e.LeftCorner.Add(e.RightCorner).Mul(0.5))
	}
	lowest := found[0]
	for _, o := range found[1:] {
		if middle(o.end) < middle(lowest.end) {
			lowest = o
		}
	}
	var out []seen
	further := make([]bool, len(shots))
	for i := range further {
		further[i] = leftOut[i] != ""
	}
	for _, o := range found {
		if middle(o.end)-middle(lowest.end) < sameCutMM {
			out = append(out, o)
			continue
		}
		view := n.res.View(shots[o.photo].camera, o.photo)
		for _, q := range []geometry.Vec2{lowest.end.LeftCorner, lowest.end.RightCorner} {
			if uv, ok := view.Project(q); ok && uv.X > 0 && uv.Y > 0 && uv.X < float64(shots[o.photo].pic.W) && uv.Y < float64(shots[o.photo].pic.H) {
				return nil, nil, report.Refuse("photos_differ", "ends", shots[o.photo].name, result.Values{"other": shots[lowest.photo].name})
			}
		}
		further[o.photo] = true
	}
	for i, up := range further {
		if !up {
			continue
		}
		sh := shots[i]
		view := n.res.View(sh.camera, i)
		_, sheets := outlines(sh, n)
		end, ok, err := vision.FindSides(sh.pic, &view, lowest.end, sheets, sh.sharp())
		if err != nil {
			return nil, nil, err
		}
		switch {
		case ok:
			out, leftOut[i] = append(out, seen{photo: i, end: end}), ""
		case leftOut[i] == "":
			r := report.Refuse("photos_differ", "ends", sh.name, result.Values{"other": shots[lowest.photo].name})
			leftOut[i] = r.Code + ": " + r.Message
		}
	}
	return out, leftOut, nil
}

// outlines places a photo's cards in the plane: the printed boards, and the
// sheets around them.
func outlines(sh *shot, n *network) (boards, sheets vision.Sheets) {
	for _, c := range sh.cards {
		at := -1
		for k, name := range n.names {
			if name == c.Name {
				at = k
			}
		}
		if at < 0 {
			continue
		}
		quad := func(g float64) (q [4]geometry.Vec2) {
			for k, p := range [4]geometry.Vec2{{X: -g, Y: -g}, {X: c.Size.X + g, Y: -g}, {X: c.Size.X + g, Y: c.Size.Y + g}, {X: -g, Y: c.Size.Y + g}} {
				q[k] = n.res.Places[at].Apply(p)
			}
			return q
		}
		boards, sheets = append(boards, quad(0)), append(sheets, quad(c.Margin+6))
	}
	return boards, sheets
}

// binMM is the length of edge averaged into one point: long against a pixel,
// short against a belt's waviness.
const binMM = 16

// bin averages neighbouring points of a trace.
func bin(points []vision.EdgePoint) []vision.EdgePoint {
	var out []vision.EdgePoint
	for i := 0; i < len(points); {
		j := i
		var s vision.EdgePoint
		for ; j < len(points) && points[j].T-points[i].T < binMM; j++ {
			s.UV, s.Plane, s.T = s.UV.Add(points[j].UV), s.Plane.Add(points[j].Plane), s.T+points[j].T
		}
		k := 1 / float64(j-i)
		s.UV, s.Plane, s.T = s.UV.Mul(k), s.Plane.Mul(k), s.T*k
		out = append(out, s)
		i = j
	}
	return out
}

// camberSD is the usual curvature 1/R of belts laid flat, 1/mm: R = 100 m, a
// rise of some 3 mm over 1.5 m, which is a bad belt.
const camberSD = 1e-5

// stiffen adds the belt's edges to the adjustment as lines that are straight
// but for their own waviness, so that they help to hold the lens terms, and
// solves again.
func stiffen(n *network, ends []seen) error {
	for k := 0; k < 2; k++ {
		var start *bundle.Line
		for _, e := range ends {
			t := [2]*vision.Trace{&e.end.Left, &e.end.Right}[k]
			pts := bin(t.Points)
			if len(pts) < 12 {
				continue
			}
			c, d := pts[0].Plane, pts[len(pts)-1].Plane.Sub(pts[0].Plane).Unit()
			// waves stay alike over some 100 mm, so that only every sixth bin is news
			sigma := math.Max(0.12, waviness(pts)) * math.Sqrt(100.0/binMM)
			if start == nil {
				nrm := d.Perp()
				ang := math.Atan2(nrm.Y, nrm.X)
				start = &bundle.Line{ang, nrm.Dot(c)}
				n.problem.Lines = append(n.problem.Lines, *start)
			}
			for _, q := range pts {
				ph := &n.problem.Photos[e.photo]
				ph.Edges = append(ph.Edges, bundle.EdgePoint{Edge: len(n.problem.Lines) - 1, UV: q.UV, SigmaMM: sigma})
			}
		}
	}
	left, right := ends[0].end.Left.Points, ends[0].end.Right.Points
	n.problem.Camber = bundle.Camber{SD: camberSD, Middle: left[0].Plane.Add(left[len(left)-1].Plane).Add(right[0].Plane).Add(right[len(right)-1].Plane).Mul(0.25)}
	// start from where the cards alone ended
	for i := range n.problem.Photos {
		n.problem.Photos[i].Start = n.res.Poses[i]
	}
	copy(n.problem.Places, n.res.Places)
	r, err := n.problem.Solve()
	if err != nil {
		return err
	}
	n.res = r
	return nil
}

// sharp is how a sharp step looks on the sharpest card.
func (sh *shot) sharp() vision.Sharp {
	s := vision.Sharp{Blur: math.Inf(1)}
	for _, c := range sh.cards {
		if c.Blur < s.Blur {
			s = vision.Sharp{Blur: c.Blur, Ring: c.Ring}
		}
	}
	return s
}
