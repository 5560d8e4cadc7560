package measure

import (
	"errors"
	"math"

	"beltend/geometry"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/vision"
)

// What is judged (Settings.Line).
const (
	cut   = "cut"
	drawn = "drawn"
)

// drawnHint is the edge that a hint for the drawn line names.
const drawnHint = "line"

// nameOf is what people call the judged line.
func nameOf(line string) string {
	if line == drawn {
		return "drawn line"
	}
	return cut
}

// drawnLine is the line drawn across the belt: the photos' ends with the line
// in the place of the cut, so that it is judged by the same functions.
type drawnLine struct {
	ends    []seen
	widthMM float64
}

// findDrawn looks for the line drawn behind the cut in every photo. Unless it is
// asked for, only what is clear is taken, and nothing is nil. Of two lines that
// could be meant the measurement shows both.
func findDrawn(shots []*shot, n *network, ends []seen, s *result.Settings) (*drawnLine, error) {
	line := &drawnLine{}
	var first error
	var further []seen // they show no end
	for _, e := range ends {
		if len(e.end.Cut.Points) == 0 && !e.end.RunsOn {
			further = append(further, e)
			continue
		}
		sh := shots[e.photo]
		view := n.res.View(sh.camera, e.photo)
		_, sheets := outlines(sh, n)
		how := vision.Searching{Asked: s.Line == drawn}
		for _, h := range s.Hints {
			if h.Photo == e.photo && h.Edge == drawnHint {
				how.Asked = true
				for _, q := range h.Px {
					how.Near = append(how.Near, sh.pic.FromUpright(geometry.Vec2{X: q[0], Y: q[1]}))
				}
			}
		}
		if d := e.end.CutLine; d != nil {
			if s.Line != drawn {
				return nil, report.Refuse("cut_unclear", "drawn_line", sh.name, nil)
			}
			if len(how.Near) == 0 {
				line.add(e, d)
				continue
			}
		}
		d, err := vision.FindDrawn(sh.pic, &view, e.end, sheets, sh.sharp().Blur, how)
		if err == nil && d != nil && e.end.RunsOn && n.below(d, e.end.Up) {
			e.end.Turn()
			d, err = vision.FindDrawn(sh.pic, &view, e.end, sheets, sh.sharp().Blur, how)
		}
		var r *vision.Refused
		switch {
		case errors.As(err, &r):
			if first == nil {
				first = doubtful(err, shots, e.photo, &view)
			}
			if len(how.Near) > 0 || len(r.Rival) > 0 {
				return nil, first
			}
		case err != nil:
			return nil, err
		case d != nil:
			line.add(e, d)
		}
	}
	if len(line.ends) > 0 {
		if err := line.agree(shots); err != nil {
			if s.Line != drawn {
				return nil, nil
			}
			return nil, err
		}
		line.ends = append(line.ends, further...)
		return line, nil
	}
	if s.Line == drawn && first != nil {
		return nil, first
	}
	return nil, nil
}

// below reports whether the middle of all cards lies below a line: on a belt that
// is not cut yet, up is where the cards lie.
func (n *network) below(d *vision.Drawn, up geometry.Vec2) bool {
	var middle geometry.Vec2
	for k, board := range n.problem.Middles() {
		middle = middle.Add(n.res.Places[k].Apply(board).Mul(1 / float64(len(n.res.Places))))
	}
	return up.Dot(middle.Sub(d.Left.Add(d.Right).Mul(0.5))) < 0
}

// add takes a line in the place of an end's cut.
func (l *drawnLine) add(e seen, d *vision.Drawn) {
	end := *e.end
	end.Cut, end.LeftCorner, end.RightCorner = d.Trace, d.Left, d.Right
	lower(&end)
	l.ends = append(l.ends, seen{photo: e.photo, end: &end})
	l.widthMM = math.Max(l.widthMM, d.WidthMM)
}

// lower leaves out edges below a line that lies above their middle, as far as
// it takes: what is judged lies at the lower end of the edges.
func lower(e *vision.End) {
	y := e.Up.Dot(e.LeftCorner.Add(e.RightCorner).Mul(0.5))
	top := math.Inf(1)
	for _, t := range []*vision.Trace{&e.Left, &e.Right} {
		top = math.Min(top, e.Up.Dot(t.Points[len(t.Points)-1].Plane))
	}
	from := y - 0.9*(top-y)
	for _, t := range []*vision.Trace{&e.Left, &e.Right} {
		k := 0
		for k < len(t.Points)-10 && e.Up.Dot(t.Points[k].Plane) < from {
			k++
		}
		t.Points = t.Points[k:]
	}
}

// agree refuses photos that show different lines.
func (l *drawnLine) agree(shots []*shot) error {
	a := l.ends[0]
	for _, b := range l.ends[1:] {
		up := a.end.Up
		if math.Abs(up.Dot(a.end.LeftCorner.Sub(b.end.LeftCorner))) > 8 || math.Abs(up.Dot(a.end.RightCorner.Sub(b.end.RightCorner))) > 8 {
			return report.Refuse("line_unclear", "photos_differ", shots[b.photo].name, result.Values{"other": shots[a.photo].name})
		}
	}
	return nil
}

// checkDrawn refuses what cannot be a drawn line rightly found.
func checkDrawn(j *judgement, ends []seen, name string) error {
	if s := cutSeen(ends, j.v.WidthAtCut, longGapMM, true); s < 0.6 {
		return report.Refuse("line_unclear", "short", name, result.Values{"seen_percent": 100 * s})
	}
	if j.v.CutStraightness > 0.02*j.v.WidthAtCut+5 || wavy(ends) > mostWavy {
		return report.Refuse("line_unclear", "uneven", name, result.Values{"uneven_mm": j.v.CutStraightness})
	}
	return nil
}

// record is the drawn line beside the cut in the contract.
func (j *judgement) record(tol float64) *result.Drawn {
	d := &result.Drawn{
		OffsetMM: j.v.Offset, OffsetU95MM: j.u(qOffset), AngleDeg: j.v.Angle * 180 / math.Pi,
		Verdict: j.verdict(tol), StraightnessMM: j.v.CutStraightness, Recut: j.recut(0),
	}
	return d
}
