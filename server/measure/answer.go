package measure

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/stat"

	"beltend/geometry"
	"beltend/geometry/square"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/vision"
	"beltend/vision/photo"
)

// Method is the version of the measuring method: results keep it.
const Method = "7"

// coverage is the factor of the expanded uncertainty for 95 %: the degrees of
// freedom are some hundreds, so the normal value, rounded up (JCGM 100 G.6.6).
const coverage = 2.0

// Squareness cannot be judged from an angle worse than this.
const hopelessPerMetre = 60.0

// judgement is a line across the belt, the cut or the drawn one, judged against
// the centreline.
type judgement struct {
	v        *square.Values
	variance []float64
	budget   []result.BudgetRow
	faults   []square.Defect
	own      []float64 // offset by each photo alone, NaN where it shows too little
}

// u is the expanded uncertainty of a quantity.
func (j *judgement) u(q int) float64 { return coverage * math.Sqrt(j.variance[q]) }

func (j *judgement) verdict(tol float64) result.Verdict {
	return result.Verdict(square.Decide(j.v.Offset, j.u(qOffset), tol))
}

// recut is the line to cut, or to draw instead of a drawn one: how far up the
// belt it lies from both ends of the judged line.
func (j *judgement) recut(trim float64) *result.RecutLine {
	r := &j.v.Recut
	return &result.RecutLine{LeftMM: r.Left, RightMM: r.Right, LeftU95MM: j.u(qLeft), RightU95MM: j.u(qRight),
		CentreMM: r.Centre, LengthLostMM: r.LengthLost, DiagonalMM: r.Diagonal, DiagonalUpMM: r.DiagonalUp, TrimMM: trim}
}

// judge measures the line that the ends hold as their cut.
func judge(shots []*shot, n *network, ends []seen, line string, s *result.Settings) (*judgement, error) {
	set := *s
	if set.Line = line; line == drawn {
		set.TrimMM = 0 // what is to come off is already drawn
	}
	name := shots[ends[0].photo].name
	j, err := evaluate(shots, n, ends, &set)
	if err != nil {
		return nil, report.Refuse("edge_unclear", "no_end", name, result.Values{"line": line})
	}
	if err := checkEnd(j, shots, n, ends, line, name); err != nil {
		return nil, err
	}
	j.faults = shapes(shots, n, ends, j.v)
	_, told := lineOfCut(ends)
	j.doubtShapes(wavy(ends), told)
	j.own = reversal(shots, n, ends, j.v, &set)
	j.doubtPhotos(line)
	for q, x := range j.variance {
		if math.IsNaN(x) || math.IsInf(x, 0) || x < 0 {
			return nil, fmt.Errorf("uncertainty of quantity %d is no number", q)
		}
	}
	if j.u(qOffset) > hopelessPerMetre/1000*j.v.WidthAtCut {
		return nil, report.Refuse("too_uncertain", "", "", result.Values{"u95_mm": j.u(qOffset)})
	}
	return j, nil
}

// answer fills the contract's object. line is nil when no drawn line is seen.
func answer(shots []*shot, n *network, ends []seen, line *drawnLine, leftOut []string, s *result.Settings) (*result.Measurement, error) {
	m := &result.Measurement{Schema: result.Schema, Line: cut, Method: Method, Warnings: []result.Warning{}, Settings: s}
	judged := ends
	if s.Line == drawn {
		m.Line, judged = drawn, line.ends
	}
	j, err := judge(shots, n, judged, m.Line, s)
	if err != nil {
		return nil, err
	}
	v, u := j.v, j.u
	tol := s.ToleranceMM
	if tol == 0 {
		tol = square.DefaultTolerance(v.WidthAtCut)
	}
	deg := 180 / math.Pi
	m.Squareness = &result.Squareness{
		OffsetMM: v.Offset, OffsetU95MM: u(qOffset), AngleDeg: v.Angle * deg, AngleU95Deg: u(qAngle) * deg,
		ToleranceMM: tol, TargetDeg: s.TargetDeg, PerMetre: 1000 * v.Offset / v.WidthAtCut,
		ConformanceP: square.OffsetConformance(v.Offset, math.Sqrt(j.variance[qOffset]), tol),
	}
	m.Verdict = j.verdict(tol)
	m.Width = &result.Width{AtCutMM: v.WidthAtCut, AtCutU95MM: u(qWidthCut), MeanMM: v.WidthMean, MeanU95MM: u(qWidthMean), NominalMM: s.NominalMM}
	for _, st := range v.Stations {
		m.Width.Stations = append(m.Width.Stations, result.Station{UpMM: st.Up, WidthMM: st.Width, MiddleMM: st.Middle})
	}
	m.Centreline = &result.Centreline{LengthMM: v.Length, CamberMM: v.Camber, CamberU95MM: u(qCamber)}
	m.Cut = &result.Cut{StraightnessMM: v.CutStraightness, StraightnessU95MM: u(qStraight), RMSMM: v.CutRMS,
		Deepest: result.Point{X: v.Deepest.X, Y: v.Deepest.Y}, Profile: profile(v)}
	m.Recut = j.recut(s.TrimMM)
	if m.Line == drawn {
		m.Recut.TrimMM = 0
		m.Drawn = j.record(tol)
	} else if line != nil {
		if d, err := judge(shots, n, line.ends, drawn, s); err == nil {
			m.Drawn = d.record(tol)
		} else {
			line = nil // none was asked for
		}
	}
	m.Budget = append(j.budget, result.BudgetRow{Source: "combined", UMM: math.Sqrt(j.variance[qOffset]), Comment: fmt.Sprintf("U95 = %.1f u", coverage)})
	m.AdviceCode = advise(m, shots, n)
	m.Advice = report.Advise(m.AdviceCode)
	m.Findings = findings(j.faults, j.variance, m.Line)
	for i, sh := range shots {
		m.Photos = append(m.Photos, photoRecord(sh, n, i, v, leftOut[i]))
		m.Image = append(m.Image, imageRecord(sh, n, i, v, ends, line, leftOut[i] == ""))
		for _, w := range sh.info.Warnings {
			m.Warnings = append(m.Warnings, ofPhoto(sh, w))
		}
	}
	if len(ends) > 1 {
		for i, o := range j.own {
			if !math.IsNaN(o) {
				o = round(o, 3)
				m.Photos[i].OffsetMM = &o
			}
		}
		warnReversal(m, j.own)
	}
	warn(m, shots, n, s, v, u(qWidthMean))
	warnBeside(m, shots, ends)
	if m.Line == drawn && line.widthMM > thickMM {
		m.Warnings = append(m.Warnings, report.Warn("thick_line", "", result.Values{"width_mm": line.widthMM}))
	}
	return m, nil
}

// thickMM is a drawn line's width above which it matters where on it the knife
// runs.
const thickMM = 3.0

// checkEnd refuses what cannot be a belt end rightly found.
func checkEnd(j *judgement, shots []*shot, n *network, ends []seen, line, name string) error {
	v := j.v
	if px := beltPx(shots, n, ends); px < leastBeltPx {
		return report.Refuse("too_small", "belt", name, result.Values{"belt_px": px})
	}
	if taper := math.Abs(v.EdgeAngleLeft - v.EdgeAngleRight); taper > mostTaper {
		return report.Refuse("edge_unclear", "taper", name, result.Values{"taper_deg": taper * 180 / math.Pi})
	}
	if s := cutSeen(ends, v.WidthAtCut, longGapMM, true); line == cut && s < 0.8 {
		return report.Refuse("cut_unclear", "short", name, result.Values{"seen_percent": 100 * s})
	}
	if side := along(ends); side != "" {
		return report.Refuse("edge_unclear", "along", name, result.Values{"side": side})
	}
	if turned := math.Abs(secondLook(ends)); turned > mostChanged {
		return report.Refuse("cut_unclear", "changed", name, result.Values{"changed_mm": turned * v.WidthAtCut})
	}
	if beyondEdges(ends) {
		return report.Refuse("cut_unclear", "beyond", name, nil)
	}
	if flares(shots, n, ends) {
		return report.Refuse("not_flat", "curls", name, nil)
	}
	if line == drawn {
		return checkDrawn(j, ends, name)
	}
	if v.CutStraightness > 0.05*v.WidthAtCut+5 || wavy(ends) > mostWavy {
		return report.Refuse("cut_unclear", "uneven", name, result.Values{"uneven_mm": v.CutStraightness})
	}
	return nil
}

// leastBeltPx is the width below which a belt is too small in the picture: its cut is
// then followed with too few pixels to tell its lines apart.
const leastBeltPx = 450

// beltPx is the belt's width at the cut in the photo that shows it largest, px.
func beltPx(shots []*shot, n *network, ends []seen) float64 {
	most := 0.0
	for _, e := range ends {
		view := n.res.View(shots[e.photo].camera, e.photo)
		l, ok1 := view.Project(e.end.LeftCorner)
		r, ok2 := view.Project(e.end.RightCorner)
		if ok1 && ok2 {
			most = math.Max(most, r.Sub(l).Norm())
		}
	}
	return most
}

// mostChanged is what a second look may change, mm per mm of width: beyond it chance
// has led both.
const mostChanged = 0.005

// Waviness of a side edge, RMS in mm: a sound edge stays below 0.15, a worn one
// below 0.8 on the scoreboard's scenes.
const (
	foreignWaves = 0.12 // more is doubted where something strange lies beside all of it
	mostWaves    = 1.2  // more is no edge of a belt
)

// edgeNames are the traces' names, in their order.
var edgeNames = [3]string{"left", "right", "cut"}

// mostBeside is the share of a side edge along which something other than the ground
// may lie unsaid.
const mostBeside = 0.5

// warnBeside tells of a thing along a side edge: one with a straight border of its own
// may cover the belt's edge, and its border be what was found.
func warnBeside(m *result.Measurement, shots []*shot, ends []seen) {
	for _, e := range ends {
		for k, t := range []*vision.Trace{&e.end.Left, &e.end.Right} {
			if !t.ByHand && t.Foreign > mostBeside {
				m.Warnings = append(m.Warnings, report.Warn("thing_beside", "", result.Values{"photo": shots[e.photo].name, "side": edgeNames[k]}))
			}
		}
	}
}

// along names the side edge that something lies along, "" when none.
func along(ends []seen) string {
	for _, e := range ends {
		for k, t := range []*vision.Trace{&e.end.Left, &e.end.Right} {
			if w := waviness(t.Points); !t.ByHand && ((w > mostWaves && !t.Soft) || (t.Foreign > 0.2 && w*t.Foreign > foreignWaves)) {
				return edgeNames[k]
			}
		}
	}
	return ""
}

// beyondEdges reports whether both side edges are lost well before the cut: what
// lies there is something else.
func beyondEdges(ends []seen) bool {
	for _, e := range ends {
		l, r := &e.end.Left, &e.end.Right
		if !e.end.Cut.ByHand && l.Points[0].T > farFromCut && r.Points[0].T > farFromCut && l.NearCut < 0.6 && r.NearCut < 0.6 {
			return true
		}
	}
	return false
}

// farFromCut is that distance, mm: more than a worn corner.
const farFromCut = 25.0

// flares reports whether both side edges are lost or bend outwards over the
// last stretch before the cut, as those of an end that curls towards the camera
// do. One side alone may be a worn corner.
func flares(shots []*shot, n *network, ends []seen) bool {
	for _, e := range ends {
		view := n.res.View(shots[e.photo].camera, e.photo)
		sides := 0
		for k, t := range []*vision.Trace{&e.end.Left, &e.end.Right} {
			near, far := []vision.EdgePoint{}, []vision.EdgePoint{}
			for _, q := range t.Points {
				var ok bool
				if q.Plane, ok = view.Unproject(q.UV); !ok { // by the lens as adjusted: it bends edges too
					continue
				}
				switch {
				case q.T < 80:
					near = append(near, q)
				case q.T > 160 && q.T < 700:
					far = append(far, q)
				}
			}
			if len(far) < 20 {
				continue
			}
			x, y := make([]float64, len(far)), make([]float64, len(far))
			out := geometry.Vec2{X: -e.end.Up.Y, Y: e.end.Up.X} // left of up
			if k == 1 {
				out = out.Mul(-1)
			}
			for i, q := range far {
				x[i], y[i] = q.T, out.Dot(q.Plane)
			}
			a, b := stat.LinearRegression(x, y, nil, false)
			bent := 0.0
			for _, q := range near {
				bent += (out.Dot(q.Plane) - a - b*q.T) / float64(len(near))
			}
			if t.NearCut < 0.35 || (len(near) > 3 && bent > 1.5) {
				sides++
			}
		}
		if sides == 2 {
			return true
		}
	}
	return false
}

// mostWavy is how far a cut may swing about a parabola, RMS in mm, before it
// is rather the border of something that lies on it.
const mostWavy = 2.5

// wavy is the worst photo's waviness of the cut, mm.
func wavy(ends []seen) float64 {
	worst := 0.0
	for _, e := range ends {
		worst = math.Max(worst, waviness(e.end.Cut.Points))
	}
	return worst
}

// profile thins the deviation of the cut to at most 200 points.
func profile(v *square.Values) [][2]float64 {
	step := max(1, (len(v.Profile)+199)/200)
	var out [][2]float64
	for i := 0; i < len(v.Profile); i += step {
		out = append(out, [2]float64{round(v.Profile[i].X, 2), round(v.Profile[i].Y, 3)})
	}
	return out
}

func round(x float64, digits int) float64 {
	p := math.Pow10(digits)
	return math.Round(x*p) / p
}

// ofPhoto is a warning about a photo's file.
func ofPhoto(sh *shot, w photo.Warning) result.Warning {
	return result.Warning{Code: w.Code, Message: sh.name + ": " + w.Message, Values: result.Values{"photo": sh.name}}
}

// advise says by a code what would settle an undecided verdict.
func advise(m *result.Measurement, shots []*shot, n *network) string {
	if m.Verdict != result.Undecided {
		return ""
	}
	switch {
	case shots[0].plain():
		return "print_cards"
	case len(n.names) == 1:
		return "second_card"
	case len(shots) == 1:
		return "second_photo"
	}
	return "diagonals"
}

func photoRecord(sh *shot, n *network, i int, v *square.Values, leftOut string) result.Photo {
	view := n.res.View(sh.camera, i)
	p := result.Photo{File: sh.name, SHA256: sh.info.SHA256, TiltDeg: round(view.Tilt()*180/math.Pi, 1), ResidualPx: round(n.res.PhotoRMS[i], 3), LeftOut: leftOut, Cards: []string{}}
	if mm, ok := view.Scale(v.Origin); ok {
		p.MMPerPx = round(mm, 4)
	}
	for _, c := range sh.cards {
		p.Cards = append(p.Cards, c.Name)
		p.BlurPx = math.Max(p.BlurPx, round(c.Blur, 2))
	}
	return p
}

// blankImage is a photo's size as people see it, with nothing found yet.
func blankImage(sh *shot) result.Image {
	im := result.Image{File: sh.name, WidthPx: sh.pic.W, HeightPx: sh.pic.H, Orientation: sh.info.Orientation}
	if im.Orientation >= 5 {
		im.WidthPx, im.HeightPx = im.HeightPx, im.WidthPx
	}
	return im
}

// traced are every other point of a trace, and its last.
func traced(sh *shot, t []vision.EdgePoint) (out [][2]float64) {
	for j, q := range t {
		if j%2 == 0 || j == len(t)-1 {
			u := sh.pic.UprightOf(q.UV)
			out = append(out, [2]float64{round(u.X, 2), round(u.Y, 2)})
		}
	}
	return out
}

// imageRecord gives the places to draw, in the upright photo.
func imageRecord(sh *shot, n *network, i int, v *square.Values, ends []seen, line *drawnLine, used bool) result.Image {
	view := n.res.View(sh.camera, i)
	im := blankImage(sh)
	up := func(q geometry.Vec2) ([2]float64, bool) {
		uv, ok := view.Project(q)
		if !ok || uv.X < -float64(sh.pic.W) || uv.Y < -float64(sh.pic.H) || uv.X > 2*float64(sh.pic.W) || uv.Y > 2*float64(sh.pic.H) {
			return [2]float64{}, false
		}
		uv = sh.pic.UprightOf(uv)
		return [2]float64{round(uv.X, 2), round(uv.Y, 2)}, true
	}
	straight := func(a, b geometry.Vec2) (out [][2]float64) {
		const k = 24
		for j := 0; j <= k; j++ {
			if q, ok := up(a.Add(b.Sub(a).Mul(float64(j) / k))); ok {
				out = append(out, q)
			}
		}
		return out
	}
	if q, ok := up(v.LeftCorner); ok {
		im.LeftCorner = &q
	}
	if q, ok := up(v.RightCorner); ok {
		im.RightCorner = &q
	}
	im.Centreline = straight(v.Origin, v.Origin.Add(v.Direction.Mul(v.Length)))
	im.RecutLine = straight(v.Recut.LeftPoint, v.Recut.RightPoint)
	if line != nil {
		for _, e := range line.ends {
			if e.photo == i {
				im.Drawn = traced(sh, e.end.Cut.Points)
				if e.end.Cut.ByHand {
					im.SetByHand = append(im.SetByHand, drawnHint)
				}
			}
		}
	}
	if used {
		for _, e := range ends {
			if e.photo != i {
				continue
			}
			im.LeftEdge, im.RightEdge, im.Cut = traced(sh, e.end.Left.Points), traced(sh, e.end.Right.Points), traced(sh, e.end.Cut.Points)
			for k, t := range []*vision.Trace{&e.end.Left, &e.end.Right, &e.end.Cut} {
				if len(t.Points) == 0 {
					continue
				}
				edge := result.EdgeSeen{Edge: edgeNames[k], Support: round(t.Support, 2)}
				if better := round(t.Margin, 2); !math.IsInf(better, 0) {
					edge.BetterBy = &better
				}
				im.Edges = append(im.Edges, edge)
			}
			for name, t := range map[string]bool{"left": e.end.Left.ByHand, "right": e.end.Right.ByHand, "cut": e.end.Cut.ByHand} {
				if t {
					im.SetByHand = append(im.SetByHand, name)
				}
			}
		}
	}
	cam, pose := uprightView(sh, &view, v)
	im.Camera, im.CamFromBelt = cam.Params(), pose[:]
	return im
}

// uprightView is the view as the upright picture has it, from the belt frame
// (origin where the fitted cut crosses the centreline, y along it): turning the
// picture by quarter turns turns the camera about its axis, its principal point
// and its decentring vector (p2, p1) with it.
func uprightView(sh *shot, view *geometry.View, v *square.Values) (geometry.Camera, geometry.Pose) {
	o := sh.pic.UprightOf(geometry.Vec2{})
	qx := sh.pic.UprightOf(geometry.Vec2{X: 1}).Sub(o)
	qy := sh.pic.UprightOf(geometry.Vec2{Y: 1}).Sub(o)
	cam := view.Camera
	pp := sh.pic.UprightOf(geometry.Vec2{X: cam.CX, Y: cam.CY})
	cam.CX, cam.CY = pp.X, pp.Y
	d := qx.Mul(cam.P2).Add(qy.Mul(cam.P1))
	cam.P2, cam.P1 = d.X, d.Y
	turn := geometry.Mat3{qx.X, qy.X, 0, qx.Y, qy.Y, 0, 0, 0, 1}
	right := geometry.Vec2{X: v.Direction.Y, Y: -v.Direction.X}
	planeFromBelt := geometry.Mat3{right.X, v.Direction.X, 0, right.Y, v.Direction.Y, 0, 0, 0, 1}
	t := view.CamFromPlane.Apply(geometry.Vec3{X: v.Origin.X, Y: v.Origin.Y})
	return cam, geometry.PoseFrom(turn.Mul(view.CamFromPlane.Rotation()).Mul(planeFromBelt), turn.Apply(t))
}

// warn adds what a person should know about this measurement.
func warn(m *result.Measurement, shots []*shot, n *network, s *result.Settings, v *square.Values, uWidth float64) {
	add := func(code, reason string, v result.Values) {
		m.Warnings = append(m.Warnings, report.Warn(code, reason, v))
	}
	if s.NominalMM > 0 {
		if d := v.WidthMean/s.NominalMM - 1; math.Abs(v.WidthMean-s.NominalMM) > 0.015*s.NominalMM+uWidth {
			add("width_differs", "", result.Values{"width_mm": v.WidthMean, "off_percent": 100 * d, "nominal_mm": s.NominalMM})
		}
	}
	if shots[0].plain() {
		add("plain_sheet", "", result.Values{"sheet": s.Sheet})
	} else if s.PrintScaleX == 0 {
		add("print_scale_not_measured", "", nil)
	}
	if n.stretched {
		m.Warnings = append(m.Warnings, warnStretched(n))
	}
	for c, cam := range n.res.Cameras {
		pr := n.problem.Cameras[c]
		if pull := math.Abs(cam.F-pr.Mean.F) / pr.SD.F; pull > 2.5 {
			add("focal_differs", "", result.Values{"off_percent": 100 * math.Abs(cam.F/pr.Mean.F-1)})
		}
	}
	if v.Length < v.WidthAtCut {
		add("short_baseline", "", result.Values{"length_mm": v.Length})
	}
	for _, p := range m.Photos {
		if p.LeftOut != "" {
			m.Warnings = append(m.Warnings, leftOutOf(p.File, p.LeftOut))
		}
		if p.TiltDeg > 45 {
			add("steep_view", "", result.Values{"photo": p.File, "tilt_deg": p.TiltDeg})
		}
	}
}

// warnStretched tells that the cards' print is not what is known of it.
func warnStretched(n *network) result.Warning {
	return report.Warn("print_stretched", "", result.Values{"stretched_percent": 200 * math.Abs(n.res.Print[1])})
}

// leftOutOf tells of a photo that was left out, why beginning with a refusal's
// code.
func leftOutOf(file, why string) result.Warning {
	code, _, _ := strings.Cut(why, ":")
	w := report.Warn("photo_left_out", "", result.Values{"photo": file, "code": code})
	w.Message = file + " was left out: " + why
	return w
}
