package vision

import (
	"math"
	"slices"

	"beltend/geometry"
)

// Trace is one edge of the belt as found.
type Trace struct {
	Points  []EdgePoint
	Support float64 // share of the visible edge that was seen, 0..1
	Length  float64 // mm of edge inside the photo
	PxMM    float64 // mm a pixel across the edge
	Margin  float64 // how much better than the next candidate, in score
	// Soft is set where no sharp step was found, only a border between two
	// regions: good to a millimetre, not to a fraction of a pixel.
	Soft bool
	// NearCut is Support over the 80 mm next to the cut; 1 where cards hide it.
	NearCut float64
	// Foreign is the share of a side edge beside which something other than the
	// ground lies.
	Foreign float64
	// Turned is the angle by which the last look at the edge turned the line of the
	// look before, rad, counterclockwise in the plane frame.
	Turned float64
	ByHand bool
	Face   Face // of the cut
}

// Face is the cut's face below its top edge, as the photo shows it.
type Face struct {
	Twist float64 // mm by which it grows from the left end to the right: the bevel changes
	SD    float64 // of Twist
	Seen  bool    // its lower edge is seen along most of the cut
	// Doubt is by how much the distance between the line followed and the end of
	// the belt's own look grows from one end of the cut to the other, mm.
	Doubt float64
	// Turn is the angle by which the line followed is turned against the top edge,
	// as the profile across the cut tells, rad, positive where its right end lies
	// further inside; TurnSD its standard deviation, TurnSpread the part of that
	// from what the line strays. Told is false where the profile was not seen enough.
	Turn, TurnSD, TurnSpread float64
	Told                     bool
}

// EdgePoint is a place on an edge.
type EdgePoint struct {
	UV    geometry.Vec2 // working picture, px
	Plane geometry.Vec2 // plane frame by the view given, mm
	T     float64       // mm along the edge from the corner (cut: from the left)
	Step  float64       // contrast, grey levels a pixel
	Faint bool          // in a stretch where noise alone could be it
}

// End is a belt end seen in one photo: left and right as seen from beyond the
// cut, looking up the belt.
type End struct {
	Left, Right, Cut        Trace
	LeftCorner, RightCorner geometry.Vec2 // plane
	Up                      geometry.Vec2 // plane, unit
	// CutLine is the cut where it is rather a line drawn across the belt, which
	// goes on beyond it.
	CutLine *Drawn
	RunsOn  bool // the belt is not cut yet: there is no cut

	outline outline // as traced
}

// Refused is a belt end that cannot be measured: the code, which of its
// reasons, and the values that a sentence about it needs. The words for people
// are not made here. Where the reason is that two things could be meant, Best and
// Rival are both, as lines in the plane: left edge, right edge and cut of an
// outline, or one drawn line each.
type Refused struct {
	Code, Reason string
	Values       map[string]any
	Best, Rival  [][2]geometry.Vec2
}

func (r *Refused) Error() string { return r.Code + ": " + r.Reason }

func refuse(code, reason string) *Refused { return &Refused{Code: code, Reason: reason} }

// of names the edge that a refusal is about.
func (r *Refused) of(k int) *Refused {
	r.Values = map[string]any{"edge": roles[k]}
	return r
}

// Sheets gives the cards' outlines in the plane, grown by what lies around
// the board and a little more.
type Sheets [][4]geometry.Vec2

// cover reports whether a place of the plane lies under a card.
func (s Sheets) cover(q geometry.Vec2) bool {
	for _, quad := range s {
		if insideQuad(quad, q) {
			return true
		}
	}
	return false
}

// FindEnd finds the belt's edges and the top edge of its cut in a photo whose
// view of the plane is known. boards are the cards' boards, sheets the cards'
// whole outlines, both in the plane; sharp is how the cards' edges look.
// Hints are places near edges in the working picture ("left", "right", "cut").
func FindEnd(p *Picture, view *geometry.View, boards, sheets Sheets, sharp Sharp, hints map[string][]geometry.Vec2) (*End, error) {
	m := newSceneMap(p, view, sheets)
	var inner []geometry.Vec2
	for _, b := range boards {
		inner = append(inner, b[:]...)
	}
	lines := m.candidateLines(90)
	hand, err := hintLines(view, hints)
	if err != nil {
		return nil, err
	}
	outs := m.findOutlines(lines, inner, hand)
	e, err := m.chooseEnd(p, view, lines, outs, inner, sheets, sharp, hand)
	if err != nil || e.Cut.ByHand {
		return e, err
	}
	// A line drawn across the belt can stand out more than its cut: look for
	// another. Without one the caller sees that it is a line.
	d, is := CutIsDrawn(p, view, e, sheets, sharp.Blur)
	if e.CutLine = d; is {
		var others []outline
		for _, o := range outs {
			if a, b := o.Cut.Line.N.Dot(e.LeftCorner)-o.Cut.Line.D, o.Cut.Line.N.Dot(e.RightCorner)-o.Cut.Line.D; math.Abs(a) <= 15 && math.Abs(b) <= 15 {
				continue
			}
			// a line drawn on a belt has belt on both sides, and is none itself
			if belt, n := m.beltIn(&o, &e.outline, farMM); n >= fewPlaces && belt < mostlyBelt {
				continue
			}
			others = append(others, o)
		}
		if len(others) > 0 {
			if other, err := m.chooseEnd(p, view, lines, others, inner, sheets, sharp, hand); err == nil {
				if _, is := CutIsDrawn(p, view, other, sheets, sharp.Blur); !is {
					return other, nil
				}
			}
		}
	}
	return e, nil
}

// chooseEnd takes the best of the outlines, if no other is nearly as good, and
// traces its edges.
func (m *sceneMap) chooseEnd(p *Picture, view *geometry.View, lines []planeLine, outs []outline, inner []geometry.Vec2, sheets Sheets, sharp Sharp, hand map[string]planeLine) (*End, error) {
	if len(outs) == 0 {
		if len(hand) > 0 {
			return nil, refuse("edge_unclear", "by_hand")
		}
		return nil, m.whyNone(lines, inner)
	}
	// The best outline whose edges are really seen; when none is, the reason is
	// that of the best.
	var best outline
	var why error
	for i := range outs[:min(len(outs), 60)] {
		if outs[i].Score < outs[0].Score-0.6 {
			break
		}
		best = outs[i]
		m.settle(&best, hand)
		err := m.clear(&best, inner, hand)
		if err == nil {
			why = nil
			break
		}
		if why == nil {
			why = err
		}
	}
	if why != nil {
		return nil, why
	}
	blocked := sheets.cover
	margin := math.Inf(1)
	// beside a rag over an edge both its borders are wrong
	alone := m.foreignBeside(&best, &best.Left, &best.Right) < strangeBeside && m.foreignBeside(&best, &best.Right, &best.Left) < strangeBeside
	for _, o := range outs[1:min(len(outs), 400)] {
		if len(hand) > 0 {
			break // a person has decided
		}
		if o.Score < outs[0].Score-0.5 {
			break
		}
		if !rivals(&o, &best, 32, 0.3) {
			continue
		}
		m.settle(&o, hand)
		if !rivals(&o, &best, 25, 0.06) || o.Left.Support < 0.6 || o.Right.Support < 0.6 || o.Cut.Support < 0.6 || (alone && m.claimsGround(&o, &best)) {
			continue
		}
		if best.Score-o.Score < 0.1 && m.drawnCut(p, view, &o, sheets, sharp) {
			continue
		}
		if margin = math.Min(margin, best.Score-o.Score); margin < 0.1 {
			return nil, twoOutlines(&best, &o)
		}
	}
	if _, byHand := hand["cut"]; !byHand {
		if o := m.endsBefore(&best, outs); o != nil {
			return nil, twoOutlines(&best, o)
		}
	}
	e := &End{Up: best.Up}
	traces := []*Trace{&e.Left, &e.Right, &e.Cut}
	bounds := best.boundaries()
	if _, byHand := hand["cut"]; !byHand && m.coveredCut(&best) {
		return nil, unclear(2, "covered")
	}
	var pics [3]*Picture
	looked := [3]Sharp{sharp, sharp, sharp}
	var weights [][3]float64
	look := [3]int{-1, -1, -1} // by edge, of weights
	for k, b := range bounds {
		pics[k] = p
		if w, ok := colourWeights(p, view, b, alikeLight, blocked); ok {
			if look[k] = slices.IndexFunc(weights, func(o [3]float64) bool { return alikeWeights(o, w) }); look[k] < 0 {
				look[k], weights = len(weights), append(weights, w)
			}
		}
	}
	looks, err := p.projected(weights...)
	if err != nil {
		return nil, err
	}
	for k, i := range look {
		if i >= 0 {
			pics[k], looked[k] = looks[i], sharp.inHue()
		}
	}
	var pts [3][]tracePoint
	for round := 0; round < 2; round++ {
		for k, b := range bounds {
			how := search{cut: k == 2, course: straight, reach: 10, sharp: looked[k], share: innerShare[k], last: round == 1}
			if round == 1 {
				how.course, how.reach = courseOf(pts[k], *b)
			}
			if how.cut {
				how.face = &traces[k].Face
			}
			pts[k], traces[k].Soft = traceBest(pics[k], view, *b, how, blocked)
			if len(pts[k]) < 10 {
				if _, byHand := hand[roles[k]]; byHand {
					return nil, unclear(k, "hand_far")
				}
				return nil, unclear(k, "faint")
			}
			before := b.Line.N
			fitBoundary(b, pts[k])
			traces[k].Turned = math.Atan2(before.Cross(b.Line.N), before.Dot(b.Line.N))
		}
		// a cut without a sharp step between sharp side edges, near enough to show it: something lies over it
		if _, byHand := hand["cut"]; !byHand && e.Cut.Soft && !e.Left.Soft && !e.Right.Soft &&
			pixelAcross(view, best.Cut.From.Add(best.Cut.To).Mul(0.5), best.Cut.Line.N) < nearPxMM {
			return nil, unclear(2, "faint")
		}
		if !m.corners(&best) {
			return nil, unclear(2, "no_corners")
		}
	}
	p.release(looks)
	if _, byHand := hand["cut"]; !byHand && look[2] < 0 {
		again, err := e.Cut.inHue(p, view, &best.Cut, pts[2], sharp, blocked)
		if err != nil {
			return nil, err
		}
		if again != nil {
			if pts[2] = again; !m.corners(&best) {
				return nil, unclear(2, "no_corners")
			}
		}
	}
	for k, b := range bounds {
		t := traces[k]
		_, t.ByHand = hand[roles[k]]
		t.Margin = margin
		t.fill(view, b, pts[k], blocked)
		if t.Support < 0.45 {
			r := unclear(k, "partly")
			r.Values["seen_percent"] = 100 * t.Support
			return nil, r
		}
		if k < 2 && !t.ByHand && groundInside(p, view, b, blocked) > mostGroundInside {
			return nil, refuse("edge_unclear", "inside").of(k)
		}
	}
	e.LeftCorner, e.RightCorner, e.outline = best.Cut.From, best.Cut.To, best
	e.Left.Foreign, e.Right.Foreign = m.foreignBeside(&best, &best.Left, &best.Right), m.foreignBeside(&best, &best.Right, &best.Left)
	return e, nil
}

// fill takes over the points found along a boundary and tells how much of it
// they show.
func (t *Trace) fill(view *geometry.View, b *boundary, pts []tracePoint, blocked func(geometry.Vec2) bool) {
	t.Length = b.To.Sub(b.From).Norm()
	t.PxMM = pixelAcross(view, b.From.Add(b.To).Mul(0.5), b.Line.N)
	for _, q := range pts {
		t.Points = append(t.Points, EdgePoint(q))
	}
	slice := sliceOf(pts)
	free, freeNear, near := 0.0, 0.0, 0.0
	for x := 2.0; x < t.Length; x += 4 {
		if !blocked(b.From.Add(b.To.Sub(b.From).Mul(x / t.Length))) {
			free += 4
			if x < 80 {
				freeNear += 4
			}
		}
	}
	for _, q := range pts {
		if q.T < 80 {
			near += slice
		}
	}
	if t.NearCut = 1; freeNear > 30 {
		t.NearCut = math.Min(1, near/freeNear)
	}
	t.Support = math.Min(1, slice*float64(len(t.Points))/math.Max(free, 1))
}

// Places across a side edge where its sides are compared, mm from it: just inside (beyond
// what wear lightens), where the belt is beyond doubt, and on the ground.
const (
	justInside = 10.0
	wellInside = 45.0
	onGround   = 25.0
)

// mostGroundInside is the share of a side edge above which what lies just inside it is
// not the belt: a line beside it was found, the joint of planks that lie along it.
const mostGroundInside = 0.2

// groundInside is the share of a side edge just inside which the picture is much more
// like the ground outside than like the belt, where those can be told apart.
func groundInside(p *Picture, view *geometry.View, b *boundary, blocked func(geometry.Vec2) bool) float64 {
	const (
		apart = 15.0 // grey levels
		light = 0.3  // what light counts beside hue: dust and shadows change it
	)
	apartFrom := func(a, b [3]float64) float64 {
		d := [3]float64{a[0] - b[0], a[1] - b[1], a[2] - b[2]}
		grey := (d[0] + d[1] + d[2]) / 3
		return math.Sqrt(sq(d[0]-grey) + sq(d[1]-grey) + sq(d[2]-grey) + 3*sq(light*grey))
	}
	like, n := 0.0, 0.0
	for t, length := 20.0, b.To.Sub(b.From).Norm(); t < length; t += 12 {
		q := b.From.Add(b.To.Sub(b.From).Mul(t / length))
		at := [3]geometry.Vec2{q.Add(b.Line.N.Mul(justInside)), q.Add(b.Line.N.Mul(wellInside)), q.Sub(b.Line.N.Mul(onGround))}
		if blocked(at[0]) || blocked(at[1]) || blocked(at[2]) {
			continue
		}
		near, ok1 := p.colourAt(view, at[0])
		belt, ok2 := p.colourAt(view, at[1])
		ground, ok3 := p.colourAt(view, at[2])
		if !ok1 || !ok2 || !ok3 || apartFrom(belt, ground) < apart {
			continue
		}
		n++
		if apartFrom(near, ground) < 0.5*apartFrom(near, belt) {
			like++
		}
	}
	if n < 8 {
		return 0
	}
	return like / n
}

func sq(x float64) float64 { return x * x }

// colourAt is the blue, green and red at a place of the plane.
func (p *Picture) colourAt(view *geometry.View, q geometry.Vec2) (c [3]float64, ok bool) {
	uv, ok := view.Project(q)
	x, y := int(math.Round((uv.X-3.5)/colourShrink)), int(math.Round((uv.Y-3.5)/colourShrink))
	if !ok || x < 0 || y < 0 || x >= p.CW || y >= p.CH {
		return c, false
	}
	for k := range c {
		c[k] = float64(p.Colour[3*(y*p.CW+x)+k])
	}
	return c, true
}

// colourStep is the mean difference of blue, green and red between a boundary's
// inside and its outside; ok is false where too little of it is seen.
func colourStep(p *Picture, view *geometry.View, b *boundary, blocked func(geometry.Vec2) bool) (step [3]float64, ok bool) {
	n := 0.0
	length := b.To.Sub(b.From).Norm()
	for t := 6.0; t < length; t += 12 {
		q := b.From.Add(b.To.Sub(b.From).Mul(t / length))
		if blocked(q) {
			continue
		}
		in, ok1 := p.colourAt(view, q.Add(b.Line.N.Mul(12)))
		out, ok2 := p.colourAt(view, q.Sub(b.Line.N.Mul(12)))
		if !ok1 || !ok2 {
			continue
		}
		for k := range step {
			step[k] += in[k] - out[k]
		}
		n++
	}
	for k := range step {
		step[k] /= n
	}
	return step, n >= 5
}

// lightOfStep is the part of a difference of blue, green and red that a grey
// picture shows (ITU-R BT.601).
func lightOfStep(d [3]float64) float64 { return 0.114*d[0] + 0.587*d[1] + 0.299*d[2] }

// weightsFor scales a difference of colours to weights whose sizes sum up to 1,
// and returns that sum.
func weightsFor(step [3]float64) (w [3]float64, size float64) {
	for _, d := range step {
		size += math.Abs(d)
	}
	for k, d := range step {
		w[k] = d / size
	}
	return w, size
}

// colourWeights compares the colours on both sides of a boundary. Where they
// differ in hue much more than in light, and in light by no more than mostLight grey
// levels, it returns the weights of blue, green and red that part them best: the
// direction of the difference.
func colourWeights(p *Picture, view *geometry.View, b *boundary, mostLight float64, blocked func(geometry.Vec2) bool) (w [3]float64, ok bool) {
	step, ok := colourStep(p, view, b, blocked)
	w, size := weightsFor(step)
	light := math.Abs(lightOfStep(step))
	// size is the contrast of a grey with weights of +-1/3 each
	return w, ok && size >= 36 && light <= 0.45*size/3 && light <= mostLight
}

// leastCutHue is by how much the blue, green and red of a belt and of the ground
// differ, in sum, without what they differ in grey, for the cut to be followed by
// that alone. Below, the points found are no better than those found in grey.
const leastCutHue = 50

// leastHueTurn, in pixels from end to end, is by how much the line followed by hue
// must be turned against that followed in grey to be taken for it. Where both are
// parallel grey is right, and hue may have found the lower edge of a coloured top
// cover on a face of another colour.
const leastHueTurn = 0.5

// inHue follows the cut of a coloured belt that is darker than the ground once more,
// by what grey does not show: in grey its face and the shade beneath look like the
// belt, and the line followed may be theirs. It fits the boundary to the points found
// and returns them, or nil for another belt, where hue shows less of the cut than
// grey did, and where it shows a parallel to it.
func (t *Trace) inHue(p *Picture, view *geometry.View, b *boundary, grey []tracePoint, sharp Sharp, blocked func(geometry.Vec2) bool) ([]tracePoint, error) {
	step, ok := colourStep(p, view, b, blocked)
	if !ok || lightOfStep(step) > 0 {
		return nil, nil
	}
	mean := (step[0] + step[1] + step[2]) / 3
	for k := range step {
		step[k] -= mean
	}
	w, size := weightsFor(step)
	if size < leastCutHue {
		return nil, nil
	}
	looks, err := p.projected(w)
	if err != nil {
		return nil, err
	}
	defer p.release(looks)
	var face Face
	how := search{cut: true, sharp: sharp.inHue(), share: innerShare[2], last: true, face: &face}
	how.course, how.reach = courseOf(grey, *b)
	pts := cleanTrace(traceEdge(looks[0], view, *b, how, 4, blocked))
	seen := func(p []tracePoint) float64 { return sliceOf(p) * float64(len(p)) }
	if len(pts) < 10 || seen(pts) < 0.85*seen(grey) {
		return nil, nil
	}
	found := *b
	fitBoundary(&found, pts)
	turn := math.Atan2(b.Line.N.Cross(found.Line.N), b.Line.N.Dot(found.Line.N))
	if math.Abs(turn)*b.To.Sub(b.From).Norm() < leastHueTurn*pixelAcross(view, b.From.Add(b.To).Mul(0.5), b.Line.N) {
		return nil, nil
	}
	*b, t.Turned, t.Face, t.Soft = found, turn, face, false
	return pts, nil
}

// alikeWeights reports whether two edges can be followed in one picture: each by the
// other's weights keeps 98 % of its contrast. A picture is as many bytes as pixels.
func alikeWeights(a, b [3]float64) bool {
	var ab, aa, bb float64
	for k := range a {
		ab, aa, bb = ab+a[k]*b[k], aa+a[k]*a[k], bb+b[k]*b[k]
	}
	return ab > 0.98*math.Sqrt(aa*bb)
}

// alikeLight is by how much two sides' light may differ, grey levels, and their edge
// still be followed by its hue, which is less sharp.
const alikeLight = 14.0

// hueBlur is the least spread of an edge seen by its hue, px: JPEG keeps hue at
// half the resolution.
const hueBlur = 1.6

func (s Sharp) inHue() Sharp {
	s.Blur = math.Max(s.Blur, hueBlur)
	return s
}

// lookAcross is the picture to follow a boundary in, and how its edges look there:
// that of the colours which part its sides where their light, different by no more
// than mostLight, does not.
func lookAcross(p *Picture, view *geometry.View, b *boundary, sharp Sharp, mostLight float64, blocked func(geometry.Vec2) bool) (*Picture, Sharp, error) {
	w, ok := colourWeights(p, view, b, mostLight, blocked)
	if !ok {
		return p, sharp, nil
	}
	looks, err := p.projected(w)
	if err != nil {
		return nil, sharp, err
	}
	return looks[0], sharp.inHue(), nil
}

// coveredCut reports whether a strange thing lies along the cut: what lies right
// inside it is not of the belt's hue, or what lies right beyond it differs in
// hue from the ground beside the belt.
func (m *sceneMap) coveredCut(o *outline) bool {
	hue := func(a, b [channels]float64) float64 { return math.Hypot(a[1]-b[1], a[2]-b[2]) }
	var beside [][channels]float64
	for _, b := range []boundary{o.Left, o.Right} {
		for _, t := range []float64{0.1, 0.25, 0.4, 0.6} {
			var c [channels]float64
			if m.at(b.From.Add(b.To.Sub(b.From).Mul(t)).Sub(b.Line.N.Mul(30)), &c) {
				beside = append(beside, c)
			}
		}
	}
	var mean [channels]float64
	for _, c := range beside {
		for k := range mean {
			mean[k] += c[k] / float64(len(beside))
		}
	}
	spread := 0.0
	for _, c := range beside {
		spread = math.Max(spread, hue(c, mean))
	}
	alike, limit := len(beside) > 3 && spread < 10, 25.0
	if spread < 6 { // of 300 cuts that nothing lies along, none is further off than 8
		limit = 11
	}
	var strange [][channels]float64
	inside, n, ins := 0, 0, 0
	for t := 0.04; t < 1; t += 0.04 {
		q := o.Cut.From.Add(o.Cut.To.Sub(o.Cut.From).Mul(t))
		var near, far [channels]float64
		if m.at(q.Add(o.Cut.Line.N.Mul(24)), &near) {
			ins++
			if hue(near, m.Belt) > 35 {
				inside++
			}
		}
		if !m.at(q.Sub(o.Cut.Line.N.Mul(24)), &near) {
			continue
		}
		far = near
		found := false
		for _, d := range []float64{300, 240, 180} {
			if m.at(q.Sub(o.Cut.Line.N.Mul(d)), &far) {
				found = true
				break
			}
		}
		n++
		// Where the ground beside the belt is all alike, so it should be here.
		if alike && hue(near, mean) > limit {
			strange = append(strange, near)
			continue
		}
		if !found {
			continue
		}
		ground := false
		for _, c := range beside {
			ground = ground || hue(c, far) < 7
		}
		if ground && hue(near, far) > 14 {
			strange = append(strange, near)
		}
	}
	return (n >= 6 && float64(len(strange)) > 0.6*float64(n) && !m.goesUnder(o, strange)) || (ins >= 6 && float64(inside) > 0.6*float64(ins))
}

// goesUnder reports whether what lies beyond the cut, by its looks there, lies beside
// both corners too, up the belt: paper under the belt's end, which hides nothing. What
// lies over the cut ends where the cut was seen.
func (m *sceneMap) goesUnder(o *outline, looks [][channels]float64) bool {
	for _, b := range []boundary{o.Left, o.Right} {
		along, seen := b.To.Sub(b.From).Unit(), 0
		for _, up := range []float64{16, 24, 32} {
			var c [channels]float64
			if !m.at(b.From.Add(along.Mul(up)).Sub(b.Line.N.Mul(24)), &c) {
				continue
			}
			alike := 0
			for _, l := range looks {
				if math.Hypot(c[1]-l[1], c[2]-l[2]) < 8 && math.Abs(c[0]-l[0]) < 25 {
					alike++
				}
			}
			if 2*alike > len(looks) {
				seen++
			}
		}
		if seen < 2 {
			return false
		}
	}
	return true
}

// foreignBeside is the share of a side edge beside which something other than
// the ground lies: of another hue than most of the ground beyond the cut, beside
// the other edge and further out, or lighter. Darker may be a shadow.
func (m *sceneMap) foreignBeside(o *outline, edge, other *boundary) float64 {
	var ground [][channels]float64
	look := func(b *boundary, t, d float64) {
		var c [channels]float64
		if m.at(b.From.Add(b.To.Sub(b.From).Mul(t)).Sub(b.Line.N.Mul(d)), &c) {
			ground = append(ground, c)
		}
	}
	for _, t := range []float64{0.05, 0.2, 0.35, 0.5, 0.65, 0.8, 0.95} {
		for _, d := range []float64{24, 60} {
			look(other, t, d)
			if t > 0.2 && t < 0.8 {
				look(&o.Cut, t, d)
				look(&o.Cut, t, 2*d)
			}
		}
		for _, d := range []float64{180, 240, 300} {
			look(edge, t, d)
		}
	}
	foreign, n := 0.0, 0.0
	for t := 0.03; t < 1; t += 0.04 {
		var c [channels]float64
		if !m.at(edge.From.Add(edge.To.Sub(edge.From).Mul(t)).Sub(edge.Line.N.Mul(24)), &c) {
			continue
		}
		n++
		alike := 0
		for _, g := range ground {
			if math.Hypot(c[1]-g[1], c[2]-g[2]) < 14 && c[0]-g[0] < 25 {
				alike++
			}
		}
		if 7*alike < len(ground) {
			foreign++
		}
	}
	if n < 6 || len(ground) < 8 {
		return 0
	}
	return foreign / n
}

// innerShare is how strong a step inside an edge must be, against the edge's
// own, to be taken for the top edge: the cut's face is often as dark as the
// belt, and the belt's streaks run along its sides, not along the cut.
var innerShare = [3]float64{0.4, 0.4, 0.28}

// roles are the names of the boundaries in hints.
var roles = [3]string{"left", "right", "cut"}

// hintLines puts lines of the plane through a person's points.
func hintLines(view *geometry.View, hints map[string][]geometry.Vec2) (map[string]planeLine, error) {
	out := map[string]planeLine{}
	for name, px := range hints {
		var pts []geometry.Vec2
		for _, uv := range px {
			q, ok := view.Unproject(uv)
			if !ok {
				return nil, refuse("edge_unclear", "off_plane")
			}
			pts = append(pts, q)
		}
		c, d := fitLine2(pts)
		n := d.Perp()
		out[name] = planeLine{N: n, D: n.Dot(c)}
	}
	return out, nil
}

func unclear(k int, reason string) *Refused {
	code := "edge_unclear"
	if k == 2 {
		code = "cut_unclear"
	}
	return refuse(code, reason).of(k)
}

// settle aligns an outline's boundaries on the scene, but for those set by
// hand, and scores it again.
func (m *sceneMap) settle(o *outline, hand map[string]planeLine) {
	for _, reach := range []float64{20, 8} {
		for k, b := range o.boundaries() {
			if _, byHand := hand[roles[k]]; !byHand {
				*b = m.align(*b, reach)
			}
		}
		l, r, c := m.gatherEvidence(o.Left.Line), m.gatherEvidence(o.Right.Line), m.gatherEvidence(o.Cut.Line)
		if n, ok := m.judge(&l, &r, &c, o.Up); ok {
			*o = n
		}
	}
}

// rivals reports whether a is another reading of the scene than b: one of its
// boundaries is another line, more than limit mm off b's at one end and half as
// much at the other on the same side, or far off at one end, and no worse than
// b's by more than a little.
func rivals(a, b *outline, limit, worse float64) bool {
	other := false
	for _, k := range [][2]*boundary{{&a.Left, &b.Left}, {&a.Right, &b.Right}, {&a.Cut, &b.Cut}} {
		d0 := k[0].Line.N.Dot(k[1].From) - k[0].Line.D
		d1 := k[0].Line.N.Dot(k[1].To) - k[0].Line.D
		far, near := math.Max(math.Abs(d0), math.Abs(d1)), math.Min(math.Abs(d0), math.Abs(d1))
		// lines that cross at a small angle are two tries at the same edge
		if far > 2.5*limit || (d0*d1 > 0 && far > limit && near > limit/2) {
			if k[0].Score < k[1].Score-worse {
				return false
			}
			other = true
		}
	}
	return other
}

// strangeBeside is the share of a side edge beside which something other than the
// ground may lie before its look says nothing about what is ground: above the
// 0.2 at which a wavy edge is doubted, since this one holds whatever its course.
const strangeBeside = 0.3

// claimsGround reports whether what an outline has more than another is clearly
// not of the belt: the next bar of a grating is no rival of the cut, though it
// is as sharp.
func (m *sceneMap) claimsGround(o, other *outline) bool {
	belt, n := m.beltIn(o, other, math.Inf(-1))
	return n >= fewPlaces && belt < 0.3
}

// mostlyBelt is the share of a region from which on it may be the belt with things and
// dirt on it, fewPlaces how many of its places tell nothing yet.
const (
	mostlyBelt = 0.6
	fewPlaces  = 40
)

// beltIn is the share of what an outline has more than another that has the belt's look,
// and of how many places. Only those count that lie beyond mm or more beyond the other
// one's cut.
func (m *sceneMap) beltIn(o, other *outline, beyond float64) (share float64, n int) {
	within := func(o *outline, q geometry.Vec2) bool {
		for _, b := range o.boundaries() {
			if b.Line.N.Dot(q) < b.Line.D+farMM {
				return false
			}
		}
		return true
	}
	belt := 0
	for j := 0; j < m.H; j += 2 {
		for i := 0; i < m.W; i += 2 {
			k := j*m.W + i
			if !m.Known[k] {
				continue
			}
			q := geometry.Vec2{X: m.Min.X + float64(i)*m.Step, Y: m.Min.Y + float64(j)*m.Step}
			if within(o, q) && !within(other, q) && other.Cut.Line.D-other.Cut.Line.N.Dot(q) >= beyond {
				n++
				if m.Strange[k] < strangeLook {
					belt++
				}
			}
		}
	}
	return float64(belt) / math.Max(1, float64(n)), n
}

// twoOutlines refuses a choice between two.
func twoOutlines(best, other *outline) *Refused {
	r := refuse("edge_unclear", "two_outlines")
	for k := range 3 {
		b, o := best.boundaries()[k], other.boundaries()[k]
		r.Best, r.Rival = append(r.Best, [2]geometry.Vec2{b.From, b.To}), append(r.Rival, [2]geometry.Vec2{o.From, o.To})
	}
	return r
}

// endsBefore is an outline with the same sides whose cut lies well before this
// one's, is seen all across, and has the belt's look up to it and another one
// beyond, up to this one: the belt may end there and this be the next bar of a
// grating. Nil when there is none. A rule that lies across a belt is not as long as
// that, and has belt on both sides.
func (m *sceneMap) endsBefore(best *outline, outs []outline) *outline {
	const (
		least, most = 25.0, 400.0 // mm before this one's cut
		sameSide    = 12.0        // mm
		ownLook     = 60.0        // mm of belt that are looked at before it
	)
	seen := map[[2]int]bool{}
	for i := range outs[:min(len(outs), 400)] {
		o := &outs[i]
		before := func(q geometry.Vec2) float64 { return best.Cut.Line.N.Dot(q) - best.Cut.Line.D }
		a, b := before(o.Cut.From), before(o.Cut.To)
		if math.Min(a, b) < least || math.Max(a, b) > most || o.Cut.Support < 0.85 ||
			math.Abs(best.Left.Line.N.Dot(o.Cut.From)-best.Left.Line.D) > sameSide || math.Abs(best.Right.Line.N.Dot(o.Cut.To)-best.Right.Line.D) > sameSide {
			continue
		}
		where := [2]int{int(a / nearMM), int(b / nearMM)}
		if seen[where] {
			continue
		}
		seen[where] = true
		beyond, last, inside, n, ln, ins := 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
		for j := range m.H {
			for i := range m.W {
				k := j*m.W + i
				q := geometry.Vec2{X: m.Min.X + float64(i)*m.Step, Y: m.Min.Y + float64(j)*m.Step}
				if !m.Known[k] || best.Left.Line.N.Dot(q) < best.Left.Line.D+farMM || best.Right.Line.N.Dot(q) < best.Right.Line.D+farMM {
					continue
				}
				strange := 0.0
				if m.Strange[k] > strangeLook {
					strange = 1
				}
				switch d := o.Cut.Line.N.Dot(q) - o.Cut.Line.D; {
				case d < -nearMM && before(q) > nearMM:
					n, beyond = n+1, beyond+strange
					if before(q) < 2*least {
						ln, last = ln+1, last+strange
					}
				case d > farMM && d < ownLook:
					ins, inside = ins+1, inside+strange
				}
			}
		}
		if n >= 40 && ins >= 40 && beyond > 0.4*n && last > 0.3*ln && inside < 0.25*ins {
			return o
		}
	}
	return nil
}

// nearPxMM is the size of a pixel, mm, below which a cut that is not covered shows a
// sharp step where the side edges do.
const nearPxMM = 0.4

// strangeLook is the strangeness above which a place is none of the belt.
const strangeLook = 2.5

// leastScore is the evidence below which a boundary is no belt edge: joints of
// tiles and streaks of the belt itself reach about half, edges 0.8 to 1.8.
const leastScore = 0.6

// leastByHand is the same for an edge that a person points out: there must be
// something there.
const leastByHand = 0.4

// clear refuses an outline whose edges are not really seen, with the reason.
func (m *sceneMap) clear(o *outline, inner []geometry.Vec2, hand map[string]planeLine) error {
	for k, b := range []boundary{o.Left, o.Right} {
		if _, byHand := hand[roles[k]]; byHand {
			if b.Score < leastByHand {
				return unclear(k, "hand_off")
			}
			continue
		}
		if b.Support < 0.6 || b.Score < leastScore {
			side := b.Line.N.Mul(-1)
			if m.reachesBorder(inner, side) {
				return refuse("edge_out_of_frame", "one").of(k)
			}
			return unclear(k, "no_contrast")
		}
	}
	if _, byHand := hand["cut"]; byHand && o.Cut.Score < leastByHand {
		return unclear(2, "hand_off")
	} else if !byHand && (o.Cut.Support < 0.6 || o.Cut.Score < leastScore) {
		if m.reachesBorder(inner, o.Cut.Line.N.Mul(-1)) {
			return refuse("cut_out_of_frame", "all")
		}
		return unclear(2, "no_contrast")
	}
	for k, q := range []geometry.Vec2{o.Cut.From, o.Cut.To} {
		if !m.inPhoto(q) {
			return refuse("cut_out_of_frame", "corner").of(k)
		}
	}
	return nil
}

// reachesBorder reports whether what looks like the belt goes on from the
// cards along d to the border of the photo, without a step on most of the way.
func (m *sceneMap) reachesBorder(inner []geometry.Vec2, d geometry.Vec2) bool {
	reached, n := 0, 0
	for _, q := range inner {
		for _, shift := range []float64{-60, 0, 60} {
			s := q.Add(d.Perp().Mul(shift))
			n++
			for t := 10.0; ; t += 8 {
				x := s.Add(d.Mul(t))
				if !m.inPhoto(x) {
					reached++
					break
				}
				if ev, _, foreign, ok := m.contrast(x, d.Mul(-1)); ok && ev > 5 && foreign > 3 {
					break
				}
			}
		}
	}
	return n > 0 && float64(reached) > 0.5*float64(n)
}

// whyNone says why no outline was found at all.
func (m *sceneMap) whyNone(lines []planeLine, inner []geometry.Vec2) error {
	if m.twoSides(lines, inner) {
		return refuse("cut_out_of_frame", "none")
	}
	open := 0
	for a := 0; a < 8; a++ {
		if m.reachesBorder(inner, geometry.Vec2{X: 1}.Rotate(float64(a)*math.Pi/4)) {
			open++
		}
	}
	if open >= 4 {
		return refuse("edge_out_of_frame", "belt_fills")
	}
	return refuse("edge_unclear", "none")
}

// traceBest traces a boundary by its sharp step; where that is too faint, with
// longer slices; where there is none, as the border between two regions.
func traceBest(p *Picture, view *geometry.View, b boundary, how search, blocked func(geometry.Vec2) bool) (best []tracePoint, soft bool) {
	length := b.To.Sub(b.From).Norm()
	seen := 0.0
	for k, try := range []func() []tracePoint{
		func() []tracePoint { return traceEdge(p, view, b, how, 4, blocked) },
		func() []tracePoint { return traceEdge(p, view, b, how, 12, blocked) },
		func() []tracePoint { return traceRegion(p, view, b, how, blocked) },
	} {
		pts := cleanTrace(try())
		if s := sliceOf(pts) * float64(len(pts)) / length; len(pts) > 1 && s > seen+0.1 {
			best, seen, soft = pts, s, k == 2
		}
		if seen > 0.6 {
			break
		}
	}
	return best, soft
}

// twoSides reports whether two clear edges enclose the cards left and right.
func (m *sceneMap) twoSides(lines []planeLine, inner []geometry.Vec2) bool {
	var in []geometry.Vec2
	for _, l := range lines {
		l, ok := l.facing(inner)
		if !ok {
			continue
		}
		e := m.gatherEvidence(l)
		if s := e.sums[len(e.sums)-1]; s.n > 20 && float64(s.support) > 0.7*float64(s.n) && s.score > leastScore*float64(s.n) {
			in = append(in, l.N)
		}
	}
	for i := range in {
		for j := range in[:i] {
			if in[i].Dot(in[j]) < -0.99 {
				return true
			}
		}
	}
	return false
}

// fitBoundary puts the boundary's line through its traced points: orthogonal
// least squares with outliers beyond 4 mm or three times the median left out.
func fitBoundary(b *boundary, pts []tracePoint) {
	keep := pts
	for round := 0; round < 4; round++ {
		var q []geometry.Vec2
		for _, k := range keep {
			q = append(q, k.Plane)
		}
		c, d := fitLine2(q)
		b.Line = lineThrough(c, c.Add(d.Mul(100)), b.Line.N)
		var dev []float64
		for _, k := range pts {
			dev = append(dev, math.Abs(b.Line.N.Dot(k.Plane)-b.Line.D))
		}
		limit := math.Max(1.5, 4*median(append([]float64(nil), dev...)))
		keep = keep[:0:0]
		for i, k := range pts {
			if dev[i] < limit {
				keep = append(keep, k)
			}
		}
		if len(keep) < 8 {
			return
		}
	}
}

// corners moves the boundaries' ends to where the lines meet.
func (m *sceneMap) corners(o *outline) bool {
	lc, ok1 := o.Left.Line.meet(o.Cut.Line)
	rc, ok2 := o.Right.Line.meet(o.Cut.Line)
	if !ok1 || !ok2 {
		return false
	}
	up := o.Left.Line.dir()
	if up.Dot(o.Up) < 0 {
		up = up.Mul(-1)
	}
	vp := o.Right.Line.dir()
	if vp.Dot(o.Up) < 0 {
		vp = vp.Mul(-1)
	}
	o.Left.From, o.Right.From = lc, rc
	o.Left.To, o.Right.To = m.lastInside(lc, up), m.lastInside(rc, vp)
	o.Cut.From, o.Cut.To = lc, rc
	o.Up = up.Add(vp).Unit()
	return o.Left.To.Sub(lc).Norm() > 100 && o.Right.To.Sub(rc).Norm() > 100
}

// lastInside goes from q along d to the photo's border.
func (m *sceneMap) lastInside(q, d geometry.Vec2) geometry.Vec2 {
	last := q
	for t := 0.0; t < 8000; t += 4 {
		x := q.Add(d.Mul(t))
		if m.inPhoto(x) {
			last = x
		} else if last != q {
			break
		}
	}
	return last
}

// cleanTrace keeps the run of an edge: single points off the median of the 9
// around them go, and so do whole stretches between two jumps that lie off the
// line of the rest (a tool, a shadow, the lower edge followed for a while). Two
// long stretches are a step in the cut and stay.
func cleanTrace(pts []tracePoint) []tracePoint {
	if len(pts) < 9 {
		return pts
	}
	c, d := pts[0].Plane, pts[len(pts)-1].Plane.Sub(pts[0].Plane).Unit()
	offset := func(q tracePoint) float64 { return d.Cross(q.Plane.Sub(c)) }
	off := make([]float64, len(pts))
	for i, q := range pts {
		off[i] = offset(q)
	}
	dev := make([]float64, len(pts))
	for i := range pts {
		lo, hi := max(0, i-4), min(len(pts), i+5)
		dev[i] = math.Abs(off[i] - median(append([]float64(nil), off[lo:hi]...)))
	}
	limit := math.Max(1.2, 5*median(append([]float64(nil), dev...)))
	var run []tracePoint
	for i, q := range pts {
		if dev[i] < limit {
			run = append(run, q)
		}
	}
	// stretches between jumps
	var stretches [][]tracePoint
	start := 0
	for i := 1; i <= len(run); i++ {
		if i == len(run) || math.Abs(offset(run[i])-offset(run[i-1])) > 1.2+math.Min(0.1*(run[i].T-run[i-1].T), 1) {
			stretches = append(stretches, run[start:i])
			start = i
		}
	}
	if len(stretches) == 1 {
		return run
	}
	// a step: two long stretches, and what lies between them goes
	var long [][]tracePoint
	for _, s := range stretches {
		if len(s) > len(run)/8 {
			long = append(long, s)
		}
	}
	if len(long) == 2 {
		return slices.Concat(long...)
	}
	// the line on which most of the length lies
	best, bestLen := [2]float64{}, -1
	for i := range run {
		for j := i + 5; j < len(run); j += 5 {
			if run[j].T-run[i].T < 0.25*(run[len(run)-1].T-run[0].T) {
				continue
			}
			sl := (offset(run[j]) - offset(run[i])) / (run[j].T - run[i].T)
			a := offset(run[i]) - sl*run[i].T
			n := 0
			for k := 0; k < len(run); k += 2 {
				if math.Abs(offset(run[k])-a-sl*run[k].T) < 1.0 {
					n++
				}
			}
			if n > bestLen {
				best, bestLen = [2]float64{a, sl}, n
			}
		}
	}
	var out []tracePoint
	for _, s := range stretches {
		var e []float64
		for _, q := range s {
			e = append(e, math.Abs(offset(q)-best[0]-best[1]*q.T))
		}
		most := 2.0
		if len(s) < 5 {
			most = 1 // a few points alone prove little
		}
		if median(e) < most {
			out = append(out, s...)
		}
	}
	return out
}

// sliceOf is the distance between a trace's points, mm.
func sliceOf(p []tracePoint) float64 {
	d := math.Inf(1)
	for i := 1; i < len(p); i++ {
		d = math.Min(d, p[i].T-p[i-1].T)
	}
	return d
}
