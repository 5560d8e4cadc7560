package measure

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"beltend/geometry"
	"beltend/geometry/adjust"
	"beltend/geometry/hooks"
	"beltend/geometry/lacing"
	"beltend/geometry/square"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/vision"
)

// Hooks measures a finished joint, or one laced end, from photos: it counts the
// hooks on each side and compares them with the plan, which may be nil. face is
// the side of the belt in the photos, result.Carrying, result.PulleySide or empty:
// not said. A refusal is returned as *result.Refusal.
func Hooks(ctx context.Context, photos []Input, s result.Settings, plan *lacing.Plan, face string, p Progress) (*result.Hooks, error) {
	if p == nil {
		p = func(string, float64) {}
	}
	if face != "" && face != result.Carrying && face != result.PulleySide {
		return nil, &UsageError{Setting: FaceUp, Message: fmt.Sprintf("%q is no face: carrying or pulley, whichever is up in the photos", face), Code: "face_up", Values: geometry.Values{"given": face}}
	}
	shots, n, err := survey(ctx, photos, &s, "joint", p)
	if err != nil {
		return nil, err
	}
	defer closeAll(shots)
	wire := 0.0
	if plan != nil {
		wire = plan.Fastener.Wire
	}
	at, laced, leftOut, err := findHooks(ctx, shots, n, &s, wire, p)
	if err != nil {
		return nil, err
	}
	p("rows", 0.9)
	r := &result.Hooks{Schema: result.HooksSchema, Method: Method, FaceUp: face, Findings: []result.HookFinding{}, Warnings: []result.Warning{}, Settings: &s, Checklist: result.Clinch()}
	for k, name := range []string{"A", "B"} {
		if laced.Sides[k] == nil {
			continue
		}
		side, err := lacedSide(shots, n, at, laced, k, &s)
		if err != nil {
			return nil, err
		}
		side.Side = name
		r.Sides = append(r.Sides, *side)
		r.Findings = append(r.Findings, hookFindings(shots[at], n, at, laced, k, side)...)
	}
	r.Straight = straightness(laced)
	comparePlan(r, plan)
	r.HookPlan = plan
	r.Image = hookImage(shots[at], at, laced)
	for i, sh := range shots {
		v := square.Values{Origin: laced.Mid}
		r.Photos = append(r.Photos, photoRecord(sh, n, i, &v, leftOut[i]))
		for _, w := range sh.info.Warnings {
			r.Warnings = append(r.Warnings, ofPhoto(sh, w))
		}
		if leftOut[i] != "" {
			r.Warnings = append(r.Warnings, leftOutOf(sh.name, leftOut[i]))
		}
	}
	if s.PrintScaleX == 0 {
		r.Warnings = append(r.Warnings, report.Warn("print_scale_not_measured", "", nil))
	}
	if n.stretched {
		r.Warnings = append(r.Warnings, warnStretched(n))
	}
	if r.Straight > unsureHinge {
		r.Warnings = append(r.Warnings, report.Warn("hinge_unclear", "", result.Values{"swing_mm": r.Straight}))
	}
	if len(r.Sides) == 1 {
		r.Warnings = append(r.Warnings, report.Warn("one_side", "", nil))
	}
	return r, nil
}

// FaceUp is the setting that says which side of the belt a finished joint shows.
const FaceUp = "face-up"

// findHooks reads the hooks in every photo and returns the sharpest reading;
// wire is their diameter, 0 where it is not known.
// Photos that show both rows must agree.
func findHooks(ctx context.Context, shots []*shot, n *network, s *result.Settings, wire float64, p Progress) (at int, best *vision.Laced, leftOut []string, err error) {
	leftOut = make([]string, len(shots))
	var first error
	all := map[int]*vision.Laced{}
	at = -1
	scale := math.Inf(1)
	for i, sh := range shots {
		if err := ctx.Err(); err != nil {
			return 0, nil, nil, err
		}
		p("hooks", 0.55+0.3*float64(i)/float64(len(shots)))
		view := n.res.View(sh.camera, i)
		boards, sheets := outlines(sh, n)
		hints := map[string][]geometry.Vec2{}
		for _, h := range s.Hints {
			if h.Photo == i && (h.Edge == "left" || h.Edge == "right") {
				for _, q := range h.Px {
					hints[h.Edge] = append(hints[h.Edge], sh.pic.FromUpright(geometry.Vec2{X: q[0], Y: q[1]}))
				}
			}
		}
		l, err := vision.FindHooks(sh.pic, &view, boards, sheets, sh.sharp(), wire, hints)
		if err != nil {
			err = asRefusal(err, sh.name)
			var r *result.Refusal
			if !errors.As(err, &r) {
				return 0, nil, nil, err
			}
			if first == nil {
				first = err
			}
			leftOut[i] = r.Code + ": " + r.Message
			continue
		}
		all[i] = l
		for _, side := range l.Sides {
			if side != nil && side.PxMM < scale {
				at, best, scale = i, l, side.PxMM
			}
		}
	}
	if best == nil {
		return 0, nil, nil, first
	}
	for i, l := range all {
		// in the plane the photos share, up from the hinge line is up or down
		for k := range l.Sides {
			o := k
			if l.Up.Dot(best.Up) < 0 {
				o = 1 - k
			}
			if a, b := l.Sides[k], best.Sides[o]; a != nil && b != nil && len(a.Row.Unclear)+len(b.Row.Unclear) == 0 && len(a.Row.Hooks) != len(b.Row.Hooks) {
				return 0, nil, nil, report.Refuse("hooks_unclear", "photos_differ", shots[i].name, result.Values{"hooks": len(a.Row.Hooks), "other": shots[at].name, "other_hooks": len(b.Row.Hooks)})
			}
		}
	}
	return at, best, leftOut, nil
}

// lacedEnd is one side as a belt end whose cut is the hinge line.
func lacedEnd(l *vision.Laced, k int) *vision.End {
	s := l.Sides[k]
	e := &vision.End{Left: s.Left, Right: s.Right, Up: l.Up}
	e.Cut.Points = slices.Clone(l.Line)
	if k == 1 { // looking up its belt, left and right change
		e.Left, e.Right, e.Up = s.Right, s.Left, l.Up.Mul(-1)
		slices.Reverse(e.Cut.Points)
	}
	for i := range e.Cut.Points {
		e.Cut.Points[i].T = e.Cut.Points[i].Plane.Sub(e.Cut.Points[0].Plane).Norm()
	}
	e.Cut.PxMM = s.PxMM
	return e
}

// unsureHinge is a swing of the hinge line that a straight pin does not have, mm.
const unsureHinge = 2.0

// hingeMM is how far the hinge line may be off the loops in the same way from
// one end of the row to the other, standard deviation.
const hingeMM = 0.15

// loopsMM is the same for one end alone, whose loops are seen against the floor.
const loopsMM = 0.4

// lacedSide turns one side's reading into the contract's values.
func lacedSide(shots []*shot, n *network, at int, l *vision.Laced, k int, set *result.Settings) (*result.HookSide, error) {
	s := l.Sides[k]
	row := &s.Row
	end := lacedEnd(l, k)
	sh := shots[at]
	ends := []seen{{photo: at, end: end}}
	full, coarse := gather(shots, n, ends, false), gather(shots, n, ends, true)
	var v, w square.Values
	if err := square.Compute(full.toPlane(n.res.Cameras, n.res.Poses), square.Spec{}, &v); err != nil {
		return nil, report.Refuse("edge_unclear", "hooks_no_belt", sh.name, nil)
	}
	variance, _ := n.res.Propagate(2, func(cams []geometry.Camera, poses []geometry.Pose, _ [2]float64, out []float64) {
		if err := square.Compute(coarse.toPlane(cams, poses), square.Spec{}, &w); err != nil {
			out[0], out[1] = math.NaN(), math.NaN()
			return
		}
		out[0], out[1] = w.Offset, w.WidthAtCut
	}, 0)
	width := v.WidthAtCut
	for _, t := range []*vision.Trace{&s.Left, &s.Right} {
		sd, length := roughness(t.Points)
		drift := driftPx * t.PxMM
		if t.Soft {
			drift = softMM
		}
		variance[0] += (12*sd*sd/(math.Max(4, float64(len(t.Points))/3)*length*length) + math.Pow(drift/length, 2)) / 4 * width * width
		variance[1] += math.Pow(math.Max(biasPx*t.PxMM, drift), 2) + sd*sd/8
	}
	if taper := math.Abs(v.EdgeAngleLeft - v.EdgeAngleRight); taper > freeTaper {
		variance[0] += math.Pow((taper-freeTaper)/(2*math.Sqrt(3))*width, 2)
	}
	// windows of the hinge line overlap fourfold, and where it is hard to see
	// their errors hang together over more of them
	line := residuals(l)
	var ss float64
	for _, q := range line {
		ss += q.Y * q.Y
	}
	span := math.Max(1, line[len(line)-1].X-line[0].X)
	sd := math.Sqrt(ss / math.Max(1, float64(len(line)-2)))
	drift := math.Max(hingeMM, sd)
	if l.Sides[1-k] == nil {
		drift = math.Max(loopsMM, sd)
	}
	if swing := straightness(l); swing > unsureHinge {
		drift = swing
	}
	variance[0] += (12*sd*sd/(math.Max(2, float64(len(line))/8)) + drift*drift) * math.Pow(width/span, 2)

	scale := scaleSD
	if set.PrintScaleX != 0 {
		scale = scaleSDm
	}
	h := row.Hooks
	left, right := row.Margins(s.EndL, s.EndR)
	out := &result.HookSide{
		Hooks: len(h), Unclear: len(row.Unclear),
		PitchMM: row.Pitch, PitchU95MM: coverage * math.Hypot(math.Max(row.PitchSD, 0.01*s.PxMM), 1.4*scale*row.Pitch),
		SpreadMM: row.Spread, ClosestMM: row.Spacing[0], WidestMM: row.Spacing[1], WireMM: row.Wire,
		MarginLeftMM: left, MarginRightMM: right,
		MarginU95MM: coverage * math.Sqrt(row.CentreU*row.CentreU+row.WireU*row.WireU/4+s.EdgeSD*s.EdgeSD/4+marginVariance(l, s, sh.sharp().Blur)),
		WidthMM:     width, WidthU95MM: coverage * math.Sqrt(variance[1]),
		OffsetMM: v.Offset, OffsetU95MM: coverage * math.Sqrt(variance[0]), CentrelineMM: v.Length,
		ToleranceMM: set.ToleranceMM, MarginsCertain: true,
	}
	if out.ToleranceMM == 0 {
		out.ToleranceMM = square.DefaultTolerance(width)
	}
	out.Verdict = result.Verdict(square.Decide(out.OffsetMM, out.OffsetU95MM, out.ToleranceMM))
	for _, u := range row.Unclear {
		if u < h[0].At || u > h[len(h)-1].At {
			out.MarginsCertain = false
		}
	}
	view := n.res.View(sh.camera, at)
	for i, q := range h {
		px, _ := uprightPx(sh, &view, l.At(q.At, legMiddle(l, k)))
		out.Places = append(out.Places, result.HookPos{Number: i + 1, AtMM: round(q.At-s.EdgeL, 2), TurnDeg: round(q.Turn*180/math.Pi, 1), Flaw: q.Flaw, Px: px})
	}
	return out, nil
}

// paleBelt is the light of a belt (Laced.Light) beyond which bright wire is not told
// from it: what is seen there is the wire's shadow, unless it is deeper than shadows
// are. The sky gives a sixth or more of the light of a clear day, ln 6 = 1.8; shadows
// and shade of steel on white belts had 0.4 to 0.8 in 10 scenes, dark wire 1.8 to 2.4 in 9.
const (
	paleBelt   = -45
	deepShadow = 1.9
)

// marginVariance is what the points' scatter does not show of where a row's outer
// wires and the belt's edges lie, mm^2; blur in px.
func marginVariance(l *vision.Laced, s *vision.LacedSide, blur float64) float64 {
	v := 0.05*0.05 + math.Pow(biasPx*s.PxMM, 2) + s.Row.RootU*s.Row.RootU
	wider := 0.4 // a blurred wire looks wider, of which most is taken off
	if blur > vision.ShakenBlur {
		wider = 1.2 // and so does the belt
	}
	v += math.Pow(wider*blur*s.PxMM, 2)
	if s.Left.Soft || s.Right.Soft {
		v += softMM * softMM
	}
	if s.Row.Faint || !s.Row.Bright && l.Light > paleBelt && s.Row.Deep < deepShadow {
		v += math.Pow(0.12*s.Row.Pitch, 2)
	}
	return v
}

// legMiddle is where on the legs of a side was looked, up from the hinge line.
func legMiddle(l *vision.Laced, k int) float64 {
	return (1 - 2*float64(k)) * (l.Sides[k].LegFrom + l.Sides[k].LegTo) / 2
}

func uprightPx(sh *shot, view *geometry.View, q geometry.Vec2) ([2]float64, bool) {
	uv, ok := view.Project(q)
	uv = sh.pic.UprightOf(uv)
	return [2]float64{round(uv.X, 1), round(uv.Y, 1)}, ok
}

// residuals are the hinge line's points along it and off its own straight line.
func residuals(l *vision.Laced) []geometry.Vec2 {
	out := make([]geometry.Vec2, len(l.Line))
	x, y := make([]float64, len(l.Line)), make([]float64, len(l.Line))
	for i, q := range l.Line {
		d := q.Plane.Sub(l.Mid)
		x[i], y[i] = l.Along.Dot(d), l.Up.Dot(d)
	}
	f, err := adjust.FitLine(x, y, nil)
	for i := range x {
		out[i] = geometry.Vec2{X: x[i], Y: y[i]}
		if err == nil {
			out[i].Y -= f.A + f.B*x[i]
		}
	}
	return out
}

// straightness is how far the hinge line swings about a straight one: highest
// minus lowest.
func straightness(l *vision.Laced) float64 {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, q := range residuals(l) {
		lo, hi = math.Min(lo, q.Y), math.Max(hi, q.Y)
	}
	return hi - lo
}

// hookFindings names what is to be looked at on one side.
func hookFindings(sh *shot, n *network, at int, l *vision.Laced, k int, side *result.HookSide) []result.HookFinding {
	var out []result.HookFinding
	s := l.Sides[k]
	view := n.res.View(sh.camera, at)
	add := func(code string, place, turn float64) {
		px, _ := uprightPx(sh, &view, l.At(place, legMiddle(l, k)))
		from := place - s.EdgeL
		out = append(out, report.FindHook(result.HookFinding{Code: code, Side: side.Side, AtMM: round(from, 1), Px: &px,
			Values: result.Values{"at_mm": from, "turn_deg": turn}}))
	}
	for _, p := range s.Row.Missing {
		add("missing", p, 0)
	}
	for _, h := range s.Row.Hooks {
		switch h.Flaw {
		case hooks.Doubled:
			add("doubled", h.At, 0)
		case hooks.Crooked:
			add("crooked", h.At, math.Abs(h.Turn)*180/math.Pi)
		}
	}
	for _, p := range s.Row.Unclear {
		add("unclear", p, 0)
	}
	if most := 0.2 * side.PitchMM; side.WidestMM-side.PitchMM > most || side.PitchMM-side.ClosestMM > most {
		out = append(out, report.FindHook(result.HookFinding{Code: "uneven", Side: side.Side, SizeMM: side.WidestMM - side.ClosestMM,
			Values: result.Values{"closest_mm": side.ClosestMM, "widest_mm": side.WidestMM}}))
	}
	if side.Verdict == result.Recut {
		out = append(out, report.FindHook(result.HookFinding{Code: "skew", Side: side.Side, SizeMM: side.OffsetMM, U95MM: side.OffsetU95MM,
			Values: result.Values{"size_mm": math.Abs(side.OffsetMM)}}))
	}
	return out
}

// comparePlan puts each figure of the plan beside what is seen.
func comparePlan(r *result.Hooks, plan *lacing.Plan) {
	if plan == nil {
		return
	}
	sides := [2]*lacing.Side{&plan.Lead, &plan.Trail}
	names := [2]string{lacing.Leading, lacing.Trailing}
	second := 0
	if len(r.Sides) > 1 {
		second = r.Sides[1].Hooks
	} else if abs(r.Sides[0].Hooks-plan.Trail.Hooks) < abs(r.Sides[0].Hooks-plan.Lead.Hooks) {
		second = plan.Lead.Hooks
	} else {
		second = plan.Trail.Hooks
	}
	if hooks.Swapped(plan, r.Sides[0].Hooks, second) {
		sides[0], sides[1], names[0], names[1] = sides[1], sides[0], names[1], names[0]
	}
	for i := range r.Sides {
		s, p := &r.Sides[i], sides[i]
		s.Planned = names[i]
		add := func(what string, planned, seen, u95 float64, verdict, code string, v result.Values) {
			r.Plan = append(r.Plan, result.PlanCheck{What: what, Side: s.Side, Planned: planned, Seen: seen, U95: u95, Verdict: verdict})
			if verdict == hooks.Differs {
				r.Findings = append(r.Findings, report.FindHook(result.HookFinding{Code: code, Side: s.Side, SizeMM: seen - planned, U95MM: u95, Values: v}))
			}
		}
		add("hooks", float64(p.Hooks), float64(s.Hooks), float64(s.Unclear), hooks.JudgeCount(p.Hooks, s.Hooks, s.Unclear), "count_differs",
			result.Values{"seen": s.Hooks, "planned": p.Hooks, "end": names[i]})
		add("pitch", plan.Fastener.Pitch, s.PitchMM, s.PitchU95MM, hooks.Judge(plan.Fastener.Pitch, s.PitchMM, s.PitchU95MM, hooks.PitchFlag*plan.Fastener.Pitch), "pitch_differs",
			result.Values{"seen_mm": s.PitchMM, "planned_mm": plan.Fastener.Pitch})
		// left and right of the plan are those of someone looking up that end, on
		// its carrying side
		left, right := p.MarginLeft, p.MarginRight
		if (s.Side == "B") != (r.FaceUp == result.PulleySide) {
			left, right = right, left
		}
		for _, m := range []struct {
			what          string
			planned, seen float64
		}{{"margin_left", left, s.MarginLeftMM}, {"margin_right", right, s.MarginRightMM}} {
			verdict := hooks.Judge(m.planned, m.seen, s.MarginU95MM, hooks.MarginFlag)
			if !s.MarginsCertain {
				verdict = hooks.Undecided
			}
			add(m.what, m.planned, m.seen, s.MarginU95MM, verdict, "margin_differs",
				result.Values{"seen_mm": m.seen, "planned_mm": m.planned, "side": m.what[len("margin_"):]})
		}
	}
}

func abs(v int) int { return max(v, -v) }

// hookImage gives the places to draw, in the upright photo.
func hookImage(sh *shot, at int, l *vision.Laced) *result.HookImage {
	w, h := sh.pic.W, sh.pic.H
	if sh.info.Orientation >= 5 {
		w, h = h, w
	}
	im := &result.HookImage{Photo: at, WidthPx: w, HeightPx: h, Sides: map[string]result.Spot{}}
	px := func(uv geometry.Vec2) [2]float64 {
		u := sh.pic.UprightOf(uv)
		return [2]float64{round(u.X, 1), round(u.Y, 1)}
	}
	for _, q := range l.Line {
		im.Line = append(im.Line, px(q.UV))
	}
	trace := func(t *vision.Trace) (out [][2]float64) {
		for i, q := range t.Points {
			if i%2 == 0 || i == len(t.Points)-1 {
				out = append(out, px(q.UV))
			}
		}
		return out
	}
	for k, name := range []string{"A", "B"} {
		s := l.Sides[k]
		if s == nil {
			continue
		}
		im.LeftEdge, im.RightEdge = append(im.LeftEdge, trace(&s.Left)), append(im.RightEdge, trace(&s.Right))
		i := min(len(s.Left.Points)-1, 18)
		im.Sides[name] = result.Spot(px(s.Left.Points[i].UV))
	}
	return im
}
