package render

import (
	"fmt"
	"math"
	"slices"
)

// Hinge is a laced joint: the scene's belt is its upper end, the other end lies
// beyond the cut. The hinge line runs Gap below the cut and parallel to it;
// places along it count from the middle of the upper end, to the right.
type Hinge struct {
	Pitch float64 `json:"pitch_mm"` // of the strips; every hook has its own place
	Wire  float64 `json:"wire_mm"`  // diameter
	Leg   float64 `json:"leg_mm"`   // from the hinge line to the points
	Gap   float64 `json:"gap_mm"`   // from the hinge line to either cut
	Look  string  `json:"look"`     // one of HookLooks
	Pin   float64 `json:"pin_mm"`   // diameter, 0: none
	Grime float64 `json:"grime"`    // 0 clean hooks .. 1 hidden under dust in patches

	Upper []Hook `json:"upper"`
	Lower []Hook `json:"lower,omitempty"` // none: the upper end alone

	LowerWidth float64 `json:"lower_width_mm"` // of the other end, 0: there is none
	LowerShift float64 `json:"lower_shift_mm"` // of its middle, to the right
}

// Hook is one hook, its leg on the belt's top.
type Hook struct {
	At   float64 `json:"at_mm"`              // along the hinge line
	Turn float64 `json:"turn_deg,omitempty"` // of its leg, counterclockwise
	Flaw string  `json:"flaw,omitempty"`     // doubled or crooked: for the truth
}

// HookLooks are what hooks can be made of.
var HookLooks = []string{"steel", "bronze", "dark"}

var hookColours = map[string]struct {
	body  rgb
	shine float32
}{
	"steel":  {rgb{0.46, 0.46, 0.47}, 0.45},
	"bronze": {rgb{0.38, 0.22, 0.09}, 0.30},
	"dark":   {rgb{0.05, 0.048, 0.045}, 0.10},
}

// axis is the hinge line: its middle, and unit vectors along it to the right
// and up the belt.
func (s *Scene) axis() (mid, along, up vec2) {
	a := math.Atan(s.Cut.Offset / s.Belt.Width)
	along = vec2{X: 1}.Rotate(a)
	up = along.Perp()
	return up.Mul(-s.Hinge.Gap), along, up
}

// hookEnds are the loop's end beyond the hinge line and the point of a leg;
// side is +1 for the upper end.
func (s *Scene) hookEnds(h Hook, side float64) (loop, point vec2) {
	mid, along, up := s.axis()
	root := mid.Add(along.Mul(h.At))
	d := up.Mul(side).Rotate(h.Turn * math.Pi / 180)
	return root.Sub(d.Mul(s.Hinge.Pin/2 + s.Hinge.Wire)), root.Add(d.Mul(s.Hinge.Leg))
}

// sunk is the height of a wire's axis above the belt in diameters: two fifths
// of the wire are in the belt.
const sunk = 0.1

// hooks draws both rows and the pin; below them the other end of the belt.
func (b *builder) hooks() {
	s := b.s
	g := s.Hinge
	if g == nil {
		return
	}
	c := hookColours[g.Look]
	const stripes = 7
	sa, ca := math.Sincos(s.Light.Azimuth * math.Pi / 180)
	e := s.Light.Elevation
	if e == 0 {
		e = 60
	}
	se, ce := math.Sincos(e * math.Pi / 180)
	grime := s.beltPaint()
	dust := cloud()
	var polys [stripes][2][][]vec3
	var shades [2][][]vec3
	lamp := s.toLamp()
	for row, hooks := range [][]Hook{g.Upper, g.Lower} {
		side := 1 - 2*float64(row)
		for _, h := range hooks {
			loop, point := s.hookEnds(h, side)
			d := point.Sub(loop).Unit()
			n := d.Perp()
			at := func(q0, q1 float64) []vec2 {
				round := func(q float64) float64 { return g.Wire / 2 * (1 - math.Sqrt(math.Max(0, 1-q*q))) }
				a0, a1 := n.Mul(q0*g.Wire/2), n.Mul(q1*g.Wire/2)
				return []vec2{
					loop.Add(d.Mul(round(q0))).Add(a0), point.Sub(d.Mul(round(q0))).Add(a0),
					point.Sub(d.Mul(round(q1))).Add(a1), loop.Add(d.Mul(round(q1))).Add(a1),
				}
			}
			for k := range stripes {
				q0, q1 := 2*float64(k)/stripes-1, 2*float64(k+1)/stripes-1
				polys[k][row] = append(polys[k][row], level(at(q0, q1), sunk*g.Wire))
			}
			for k, grow := range []float64{1.15, 0.8} {
				o := lamp.Mul((0.5 + sunk) * g.Wire * (0.8 + 0.35*float64(k)))
				p := at(-grow, grow)
				for i := range p {
					p[i] = p[i].Add(o)
				}
				shades[k] = append(shades[k], level(p, 0))
			}
		}
	}
	// one layer a stripe: its light is that of a round wire
	_, along, _ := s.axis()
	for row := range 2 {
		side := 1 - 2*float64(row)
		for k := range stripes {
			q := (2*float64(k)+1)/stripes - 1
			z := math.Sqrt(1 - q*q)
			across := along.Mul(-side) // n of the hook
			lit := math.Max(0, q*(across.X*ca+across.Y*sa)*ce+z*se)
			hx := q - (across.X*ca+across.Y*sa)*ce*0.6
			colour := c.body.times(float32(0.35 + 0.65*lit))
			shine := c.shine * float32(math.Exp(-hx*hx/0.05))
			colour = rgb{colour[0] + shine, colour[1] + shine, colour[2] + shine}
			body := s.sidePaint(colour)
			paint := body
			if g.Grime > 0 {
				paint = func(r *rows, i int) rgb {
					return body(r, i).mix(grime(r, i), clamp01(0.9*dust.at(r.x[i]*1.3, r.y[i]*1.3)+2.6*float32(g.Grime)-1.4))
				}
			}
			b.add(layer{paint: paint, joined: k > 0, gloss: 0.5}, polys[k][row]...)
		}
	}
	b.add(layer{shade: float32(0.55 * (1 - s.fill()))}, shades[0]...)
	b.add(layer{shade: float32(0.6 * (1 - s.fill()))}, shades[1]...)
	if g.Pin > 0 {
		mid, along, up := s.axis()
		half := s.Belt.Width/2 - 3
		for _, k := range []struct{ w, l float64 }{{0.35, 1.5}, {1, 0.8}} {
			p := []vec2{}
			for _, q := range [][2]float64{{-1, -1}, {1, -1}, {1, 1}, {-1, 1}} {
				p = append(p, mid.Add(along.Mul(q[0]*half)).Add(up.Mul(q[1]*k.w*g.Pin/2)))
			}
			b.add(layer{paint: s.sidePaint(rgb{0.22, 0.22, 0.23}.times(float32(k.l)))}, level(p, -g.Wire))
		}
	}
}

// lower draws the other end of the belt.
func (b *builder) lower() {
	s := b.s
	if s.Hinge == nil || s.Hinge.LowerWidth == 0 {
		return
	}
	_, along, up := s.axis()
	l := looks[s.Belt.Look]
	g := s.Hinge
	x0, x1 := g.LowerShift-g.LowerWidth/2, g.LowerShift+g.LowerWidth/2
	cut := up.Mul(-2 * g.Gap)
	corner := func(x float64) vec2 { return vec2{X: x, Y: cut.Y + (x-cut.X)*along.Y/along.X} }
	pts := []vec2{{X: x0, Y: -s.Belt.Length}, {X: x1, Y: -s.Belt.Length}, corner(x1), corner(x0)}
	b.add(layer{paint: s.beltPaint(), gloss: l.gloss}, level(pts, 0))
	b.walls(pts, -s.Belt.Thickness, 0, l.carcass.mix(l.cover, 0.6))
	b.castShadow(pts, s.Belt.Thickness, -s.Belt.Thickness)
}

// TruthHinge is what a perfect count of the hooks finds.
type TruthHinge struct {
	Offset float64   `json:"offset_mm"` // of the hinge line over the upper end's width, right minus left
	Upper  TruthRow  `json:"upper"`
	Lower  *TruthRow `json:"lower,omitempty"`
	Line   []Pt      `json:"line_px"`
	Wire   float64   `json:"wire_mm"`
}

// TruthRow is one side's hooks. Margins are along the hinge line, from the
// belt's edge to the outer side of the first and of the last hook.
type TruthRow struct {
	Count       int         `json:"count"`
	Pitch       float64     `json:"pitch_mm"` // mean, places left empty counted
	MarginLeft  float64     `json:"margin_left_mm"`
	MarginRight float64     `json:"margin_right_mm"`
	Missing     []float64   `json:"missing_mm"` // along the hinge line
	Doubled     []float64   `json:"doubled_mm"`
	Crooked     []float64   `json:"crooked_mm"`
	Hooks       []TruthHook `json:"hooks"`
}

// TruthHook is a hook's place: along the hinge line, and the middle of its leg
// in the photo.
type TruthHook struct {
	At float64 `json:"at_mm"`
	Px Pt      `json:"px"`
}

// RowAt is the row whose first or last hook is nearest to a place in the photo;
// turned: its last one is.
func (h *TruthHinge) RowAt(px Pt) (row *TruthRow, turned bool) {
	best := math.Inf(1)
	for _, w := range []*TruthRow{&h.Upper, h.Lower} {
		if w == nil {
			continue
		}
		for k, q := range []TruthHook{w.Hooks[0], w.Hooks[len(w.Hooks)-1]} {
			if d := math.Hypot(q.Px[0]-px[0], q.Px[1]-px[1]); d < best {
				best, row, turned = d, w, k == 1
			}
		}
	}
	return row, turned
}

// truthHinge computes the truth of the joint.
func (s *Scene) truthHinge() *TruthHinge {
	g := s.Hinge
	if g == nil {
		return nil
	}
	v := s.View()
	t := &TruthHinge{Offset: s.Cut.Offset, Wire: g.Wire}
	mid, along, up := s.axis()
	for f := -0.5; f <= 0.5; f += 0.125 {
		p := mid.Add(along.Mul(f * s.Belt.Width))
		t.Line = append(t.Line, imagePt(&v, vec3{X: p.X, Y: p.Y}))
	}
	row := func(hooks []Hook, side float64, left, right func(y float64) float64) TruthRow {
		r := TruthRow{Count: len(hooks), Missing: []float64{}, Doubled: []float64{}, Crooked: []float64{}}
		y := func(at float64) vec2 { return mid.Add(along.Mul(at)).Add(up.Mul(side * (g.Gap + 1))) }
		edge := func(x func(y float64) float64, at float64) float64 {
			for range 20 { // along the cut's direction to the edge
				p := y(at)
				at += (x(p.Y) - p.X) / along.X
			}
			return at
		}
		first, last := hooks[0], hooks[len(hooks)-1]
		r.MarginLeft = first.At - g.Wire/2 - edge(left, first.At)
		r.MarginRight = edge(right, last.At) - last.At - g.Wire/2
		places := 1
		for i, h := range hooks {
			_, point := s.hookEnds(h, side)
			q := mid.Add(along.Mul(h.At)).Add(point).Mul(0.5)
			r.Hooks = append(r.Hooks, TruthHook{h.At, imagePt(&v, vec3{X: q.X, Y: q.Y})})
			switch h.Flaw {
			case "doubled":
				r.Doubled = append(r.Doubled, h.At)
			case "crooked":
				r.Crooked = append(r.Crooked, h.At)
			}
			if i > 0 {
				n := int(math.Round((h.At - hooks[i-1].At) / g.Pitch))
				if h.Flaw == "doubled" && n < 1 {
					continue
				}
				for k := 1; k < n; k++ {
					r.Missing = append(r.Missing, hooks[i-1].At+float64(k)*g.Pitch)
				}
				places += max(1, n)
			}
		}
		r.Pitch = (last.At - first.At) / float64(places-1)
		return r
	}
	t.Upper = row(g.Upper, 1, func(y float64) float64 { return s.edge(-1, y) }, func(y float64) float64 { return s.edge(1, y) })
	if len(g.Lower) > 0 {
		l := row(g.Lower, -1, func(float64) float64 { return g.LowerShift - g.LowerWidth/2 }, func(float64) float64 { return g.LowerShift + g.LowerWidth/2 })
		t.Lower = &l
	}
	return t
}

// valid names what cannot be drawn of a joint.
func (g *Hinge) valid() error {
	if _, ok := hookColours[g.Look]; !ok {
		return fmt.Errorf("scene: hinge.look %q: choose one of steel, bronze, dark", g.Look)
	}
	if !(g.Pitch > 0 && g.Wire > 0 && g.Leg > 0 && g.Gap > 0) {
		return fmt.Errorf("scene: hinge: pitch %g, wire %g, leg %g and gap %g mm must be above 0", g.Pitch, g.Wire, g.Leg, g.Gap)
	}
	if len(g.Upper) < 2 {
		return fmt.Errorf("scene: hinge.upper has %d hooks, at least 2 are needed", len(g.Upper))
	}
	return nil
}

// row fills a side with hooks at the pitch, centred on the given middle, from
// strips that butt with a little play.
func (m *maker) row(n int, pitch, middle float64) []Hook {
	hooks := make([]Hook, n)
	at := middle - float64(n-1)*pitch/2
	strip := 12 + m.IntN(20)
	for i := range hooks {
		hooks[i].At = at + 0.02*pitch*m.NormFloat64()*0.5
		hooks[i].Turn = 0.5 * math.Max(-2, math.Min(2, m.NormFloat64()))
		at += pitch
		if (i+1)%strip == 0 {
			at += m.in(-0.02, 0.02) * pitch
		}
	}
	return hooks
}

// flaws takes hooks out, doubles and bends some, none at the row's ends and
// none beside each other.
func (m *maker) flaws(hooks []Hook, missing, doubled, crooked int) []Hook {
	n := len(hooks)
	used := map[int]bool{}
	place := func() int {
		for range 200 {
			k := 2 + m.IntN(max(1, n-4))
			if k < n-2 && !used[k-1] && !used[k] && !used[k+1] {
				used[k] = true
				return k
			}
		}
		return -1
	}
	gone, twice := map[int]bool{}, map[int]bool{}
	for range missing {
		if k := place(); k >= 0 {
			gone[k] = true
		}
	}
	for range doubled {
		if k := place(); k >= 0 {
			twice[k] = true
		}
	}
	for range crooked {
		if k := place(); k >= 0 {
			// clear of its neighbours
			most := math.Atan(0.6*m.s.Hinge.Pitch/m.s.Hinge.Leg) * 180 / math.Pi
			hooks[k].Turn, hooks[k].Flaw = m.either(math.Min(8, 0.9*most), math.Min(16, most)), "crooked"
		}
	}
	var out []Hook
	w, p := m.s.Hinge.Wire, m.s.Hinge.Pitch
	for i, h := range hooks {
		if gone[i] {
			continue
		}
		out = append(out, h)
		if twice[i] {
			h.At += math.Min(w*m.in(1.2, 1.5), 0.45*p)
			h.Flaw = "doubled"
			out = append(out, h)
		}
	}
	return out
}

// over puts the camera over the joint, so that from lo to hi of the belt and
// some floor on both sides are seen.
func (m *maker) over(tilt, azimuth, roll, lo, hi float64) {
	s := m.s
	c := &s.Camera
	c.Tilt, c.Azimuth = tilt, azimuth
	b := s.Belt.Width/2 + math.Max(14, 0.03*s.Belt.Width)
	best, turn := math.Inf(1), 0.0
	c.TargetX, c.TargetY = 0, (lo+hi)/2
	var away []float64
	for d := 200.0; d < 6000; d *= 1.01 {
		away = append(away, d)
	}
	for _, t := range []float64{0, 90} {
		c.Roll = roll + t
		for _, d := range slices.Backward(away) { // from far off: close up a lens may fold what it does not see into the photo
			c.Distance = d
			v := s.View()
			fits := true
			for _, p := range []vec2{{X: -b, Y: lo}, {X: b, Y: lo}, {X: -b, Y: hi}, {X: b, Y: hi}} {
				uv, ok := v.Project(p)
				fits = fits && ok && uv.X > 0 && uv.Y > 0 && uv.X < float64(c.Width-1) && uv.Y < float64(c.Height-1)
			}
			if !fits {
				break
			}
			if d < best {
				best, turn = d, t
			}
		}
	}
	c.Roll, c.Distance = roll+turn, best*m.in(1.01, 1.06)
}

// joint draws up a laced joint on a belt and a photo of it.
func (m *maker) joint(missing, doubled, crooked int) {
	s := m.s
	m.belt()
	b := &s.Belt
	b.Width = math.Round(m.in(300, 900))
	b.Dust *= 0.7
	s.Cut = Cut{Offset: m.either(0, 0.004*b.Width), Wander: m.in(0.03, 0.2), WanderWave: m.in(80, 250), Ragged: m.in(0.02, 0.08), RaggedWave: m.in(2, 6)}
	b.Specks = 0
	pitch := m.in(math.Max(4, b.Width/110), 14)
	s.Hinge = &Hinge{Pitch: pitch, Wire: math.Max(1, math.Min(3, pitch*m.in(0.17, 0.27)))}
	g := s.Hinge
	g.Leg = math.Min(m.in(14, 26), 5*pitch)
	g.Gap = m.in(2.5, 5)
	g.Pin = math.Min(m.in(2, 5), 1.4*g.Gap)
	switch b.Look {
	case "white_food", "grey_fabric":
		g.Look = pick(m, "dark", "bronze", "dark")
	default:
		g.Look = pick(m, "steel", "steel", "bronze")
	}
	count := int((b.Width-2*m.in(5, 12)-g.Wire)/pitch) + 1
	shift := m.either(0, 1.5)
	g.Upper = m.row(count, pitch, shift)
	g.Lower = m.row(count-1, pitch, shift)
	up := m.IntN(2) == 0
	for _, k := range []struct {
		what int
		f    func(h []Hook, n int) []Hook
	}{{missing, func(h []Hook, n int) []Hook { return m.flaws(h, n, 0, 0) }},
		{doubled, func(h []Hook, n int) []Hook { return m.flaws(h, 0, n, 0) }},
		{crooked, func(h []Hook, n int) []Hook { return m.flaws(h, 0, 0, n) }}} {
		if k.what == 0 {
			continue
		}
		if up {
			g.Upper = k.f(g.Upper, k.what)
		} else {
			g.Lower = k.f(g.Lower, k.what)
		}
		up = !up // one kind of flaw on a side: they cannot fall on each other
	}
	g.LowerWidth = b.Width + m.either(0, 2)
	g.LowerShift = m.either(0, 1)
	m.phone()
	hi := math.Max(g.Leg+360, 0.55*b.Width)
	lo := -math.Max(70, m.in(0.2, 0.6)*b.Width)
	m.over(m.in(0, 18), m.in(-25, 25)+pick(m, 0.0, 180.0), m.in(-6, 6), lo, hi)
	n, first := 1+m.IntN(2), 1+m.IntN(10)
	for len(s.Cards) < n { // beside the hooks, clear of them
		if !m.lay(Card{Number: first + len(s.Cards), Lift: 0.1}, []int{-1, 1}[len(s.Cards)%2]*(n-1), g.Leg+14, hi-8) {
			n--
		}
	}
}

// Joint is an ordinary photo of a laced joint with a card beside the hooks;
// every third one has a hook missing, doubled or crooked.
func Joint(seed int64) Scene {
	m := newMaker(seed, 40)
	s := m.s
	s.Class, s.Name = "finished joint", fmt.Sprintf("joint-%d", seed)
	var flaw [3]int
	if seed%3 == 0 {
		flaw[m.IntN(3)] = 1 + m.IntN(2)
	}
	m.joint(flaw[0], flaw[1], flaw[2])
	return *s
}

// HardJointClasses is how many kinds of hard joints there are.
var HardJointClasses = len(hardJoints)

// hardJoints are what makes hooks hard to tell apart.
var hardJoints = []struct {
	name string
	make func(m *maker)
}{
	{"dark hooks on black rubber", func(m *maker) { m.s.Belt.Look, m.s.Hinge.Look = "black_rubber", "dark" }},
	{"steel hooks on a white belt", func(m *maker) { m.s.Belt.Look, m.s.Hinge.Look = "white_food", "steel" }},
	{"hooks under dust", func(m *maker) { m.s.Hinge.Grime, m.s.Belt.Dust = m.in(0.2, 0.9), 0.9 }},
	{"glare along the hooks", func(m *maker) {
		m.s.Light.Glares = []Glare{{X: m.either(0, 0.3) * m.s.Belt.Width, Y: m.either(0, 20), Turn: m.either(0, 30), Length: m.in(80, 300), Width: m.in(30, 90), Strength: m.in(0.5, 2.5)}}
	}},
	{"shaken", func(m *maker) { m.s.Finish.Motion, m.s.Finish.MotionAngle = m.in(4, 14), m.in(0, 180) }},
	{"far away", func(m *maker) { m.s.Camera.Distance *= m.in(1.8, 4) }},
	{"shadow across", func(m *maker) {
		m.s.Light.Shadows = []Shadow{{Kind: "half", X: m.either(0, 0.4) * m.s.Belt.Width, Turn: m.in(0, 360), Soft: m.in(1, 20), Depth: m.in(0.4, 0.8)}}
	}},
	{"many flaws", func(m *maker) {}},
	{"one end alone", func(m *maker) { m.s.Hinge.Lower, m.s.Hinge.LowerWidth, m.s.Hinge.Pin = nil, 0, 0 }},
	{"rule beside the hooks", func(m *maker) {
		m.s.Clutter = []Clutter{{Kind: "rule", X: m.either(0, 60), Y: m.s.Hinge.Leg + 25, Turn: m.either(0, 2), Length: m.in(300, 900)}}
	}},
	{"a glove over the hooks", func(m *maker) {
		m.s.Clutter = []Clutter{{Kind: "glove", X: m.either(0.1, 0.5) * m.s.Belt.Width, Y: -40, Turn: m.in(40, 140)}}
	}},
}

// HardJoint is a photo of a laced joint that is hard to count, in turn of each
// kind.
func HardJoint(seed int64) Scene {
	m := newMaker(seed, 41)
	s := m.s
	k := int(((seed-1)%int64(len(hardJoints)) + int64(len(hardJoints))) % int64(len(hardJoints)))
	flaws := 0
	if hardJoints[k].name == "many flaws" {
		flaws = 3
	}
	m.joint(flaws, flaws, flaws)
	hardJoints[k].make(m)
	s.Class, s.What, s.Expect = "finished joint, hard", hardJoints[k].name, RefuseOrWide
	s.Name = fmt.Sprintf("hard-joint-%d", seed)
	return *s
}
