package render

import (
	"fmt"
	"math"
	"sort"

	"beltend/geometry"
	"beltend/vision/pattern"
)

// layer is one thing in the picture; nearer things come first.
type layer struct {
	segs   []segment
	whole  bool    // covers the picture
	shade  float32 // above 0: not a thing but a shadow on all that lies below
	alpha  float32 // how opaque, 0 means 1
	joined bool    // its outline lies against the layers above it: no gap, no double count
	gloss  float32
	paint  paint

	top, bottom float64 // rows it may touch
}

// builder collects layers, nearest first.
type builder struct {
	s      *Scene
	p      projector
	layers []layer
	sign   float64 // area sign of a surface seen from above
	err    error
}

func (b *builder) add(l layer, polys ...[]vec3) {
	if l.paint == nil && l.shade <= 0 { // a shadow as light as the rest
		return
	}
	for _, q := range polys {
		l.segs = b.p.polygon(l.segs, q)
	}
	if !l.whole {
		if len(l.segs) == 0 {
			return
		}
		l.top, l.bottom = math.Inf(1), math.Inf(-1)
		for _, g := range l.segs {
			l.top = math.Min(l.top, math.Min(g.y0, g.y1))
			l.bottom = math.Max(l.bottom, math.Max(g.y0, g.y1))
		}
	}
	if l.alpha == 0 {
		l.alpha = 1
	}
	b.layers = append(b.layers, l)
}

// lay puts a flat outline on the belt, z above it, in pieces fine enough to
// follow a belt that is not flat.
func (b *builder) lay(pts []vec2, z float64) []vec3 {
	out := make([]vec3, 0, len(pts))
	flat := b.s.flat()
	for i, p := range pts {
		out = append(out, b.s.place(p, z))
		if !flat {
			q := pts[(i+1)%len(pts)]
			n := int(q.Sub(p).Norm() / 10)
			for k := 1; k < n; k++ {
				out = append(out, b.s.place(p.Add(q.Sub(p).Mul(float64(k)/float64(n))), z))
			}
		}
	}
	return out
}

func level(pts []vec2, z float64) []vec3 {
	out := make([]vec3, len(pts))
	for i, p := range pts {
		out[i] = vec3{X: p.X, Y: p.Y, Z: z}
	}
	return out
}

func rectangle(x, y, turn, w, h float64) []vec2 {
	pts := []vec2{{X: -w / 2, Y: -h / 2}, {X: w / 2, Y: -h / 2}, {X: w / 2, Y: h / 2}, {X: -w / 2, Y: h / 2}}
	return moved(pts, x, y, turn)
}

func moved(pts []vec2, x, y, turn float64) []vec2 {
	out := make([]vec2, len(pts))
	for i, p := range pts {
		out[i] = p.Rotate(turn * math.Pi / 180).Add(vec2{X: x, Y: y})
	}
	return out
}

func ellipse(x, y, rx, ry, turn float64, n int) []vec2 {
	pts := make([]vec2, n)
	for i := range pts {
		s, c := math.Sincos(2 * math.Pi * float64(i) / float64(n))
		pts[i] = vec2{X: rx * c, Y: ry * s}
	}
	return moved(pts, x, y, turn)
}

// build makes all layers of the scene.
func (s *Scene) build(v *geometry.View) ([]layer, error) {
	b := &builder{s: s, p: newProjector(v, s.Camera.Width, s.Camera.Height), sign: -1}
	for i := range s.Clutter {
		b.thing(&s.Clutter[i], i)
	}
	for i := range s.Cards {
		b.card(&s.Cards[i], i)
	}
	for i := range s.Sheets {
		h := &s.Sheets[i]
		sheet := h.card()
		b.sheet(&sheet, i+100, h.Width, h.Height)
	}
	o := s.outline()
	b.hooks()
	b.line()
	b.onBelt(o)
	b.belt(o)
	b.lower()
	b.beneath(o)
	return b.layers, b.err
}

// belt draws the belt's top and the faces of its sides.
func (b *builder) belt(o outline) {
	s := b.s
	l := looks[s.Belt.Look]
	top := make([]vec2, 0, len(o.cut)+len(o.left)+len(o.right))
	top = append(top, o.cut...)
	top = append(top, o.right[1:]...)
	for i := len(o.left) - 1; i > 0; i-- {
		top = append(top, o.left[i])
	}
	b.add(layer{paint: s.beltPaint(), gloss: l.gloss}, b.lay(top, 0))

	// The sides, in plies: cover, carcass, cover. A bevel moves the lower
	// points of the cut outwards.
	t := s.Belt.Thickness
	if t <= 0 {
		return
	}
	w := s.Belt.Width
	lower := func(p vec2, cut bool, z float64) vec3 {
		if cut {
			f := p.X/w + 0.5
			a := (s.Cut.BevelLeft + (s.Cut.BevelRight-s.Cut.BevelLeft)*f) * math.Pi / 180
			p.Y -= z * math.Tan(a)
		}
		return s.place(p, -z)
	}
	plies := []struct {
		from, to float64
		colour   rgb
	}{{0, 0.3, l.cover}, {0.3, 0.72, l.carcass}, {0.72, 1, l.cover}}
	sun := s.Light.Azimuth * math.Pi / 180
	for _, face := range []struct {
		pts    []vec2
		cut    bool
		normal float64 // direction, radians
	}{{o.cut, true, -math.Pi / 2}, {o.right, false, 0}, {reversed(o.left), false, math.Pi}} {
		// lit by the lamp from its side, by the room from everywhere
		lit := float32(0.42 + 0.4*math.Max(0, math.Cos(sun-face.normal)))
		for _, ply := range plies {
			var segs []segment
			for i := 1; i < len(face.pts); i++ {
				p, q := face.pts[i-1], face.pts[i]
				quad := []vec3{lower(p, face.cut, t*ply.from), lower(p, face.cut, t*ply.to), lower(q, face.cut, t*ply.to), lower(q, face.cut, t*ply.from)}
				n := len(segs)
				segs = b.p.polygon(segs, quad)
				if area(segs[n:])*b.sign <= 0 {
					segs = segs[:n] // seen from behind
				}
			}
			if len(segs) > 0 {
				b.add(layer{segs: segs, joined: true, paint: s.sidePaint(ply.colour.times(lit))})
			}
		}
	}
}

func reversed(p []vec2) []vec2 {
	out := make([]vec2, len(p))
	for i := range p {
		out[len(p)-1-i] = p[i]
	}
	return out
}

func (s *Scene) sidePaint(c rgb) paint {
	g, t := grain(), cloud()
	return func(r *rows, i int) rgb {
		return c.times(max(0.3, 1+0.15*g.at(r.x[i]*1.3, r.y[i]*1.3)+0.12*t.at(r.x[i]*2, r.y[i]*2)))
	}
}

// onBelt draws what is part of the belt's surface: worn lips, scratches,
// crumbs, loose threads.
func (b *builder) onBelt(o outline) {
	s := b.s
	l := looks[s.Belt.Look]
	lip := func(pts []vec2, width float64, inward func(i int) vec2) {
		if width <= 0 {
			return
		}
		for k, f := range []float64{0.35, 0.7, 1} { // fades inwards
			poly := append([]vec2(nil), pts...)
			for i := len(pts) - 1; i >= 0; i-- {
				poly = append(poly, pts[i].Add(inward(i).Mul(width*f*(0.8+0.2*wander(s.Seed+51, float64(i)/20)))))
			}
			b.add(layer{paint: plain(l.dust.mix(l.carcass, 0.4)), alpha: 0.30 - 0.05*float32(k)}, b.lay(poly, 0))
		}
	}
	lip(o.left, s.Belt.Left.Lip, func(int) vec2 { return vec2{X: 1} })
	lip(o.right, s.Belt.Right.Lip, func(int) vec2 { return vec2{X: -1} })

	seed := func(k ...int) float64 { return chance(s.Seed+400, k...) }
	var threads [][]vec3
	for i := range s.Cut.Fringe {
		p := o.cut[int(seed(1, i)*float64(len(o.cut)-1))]
		a := -math.Pi/2 + 1.6*(seed(2, i)-0.5)
		n := 2 + 5*seed(3, i)
		poly := stroke([]vec2{p.Add(vec2{Y: 1}), p.Add(vec2{X: n / 2}.Rotate(a)), p.Add(vec2{X: n}.Rotate(a + 0.5*(seed(4, i)-0.5)))}, 0.35)
		threads = append(threads, level(poly, -0.2))
	}
	b.add(layer{paint: plain(l.carcass.mix(rgb{0.5, 0.48, 0.42}, 0.5)), alpha: 0.8}, threads...)

	var scratches [][]vec3
	for i := range s.Belt.Scratches {
		x, y := (seed(5, i)-0.5)*s.Belt.Width*0.95, -5+seed(6, i)*1500
		a := math.Pi/2 + 0.5*wander(s.Seed+52, float64(i)*3.3)
		n := 30 + 250*seed(7, i)*seed(8, i)
		bend := 0.2 * (seed(9, i) - 0.5)
		pts := make([]vec2, 9)
		for k := range pts {
			t := float64(k) / 8
			pts[k] = vec2{X: x, Y: y}.Add(vec2{X: n * t}.Rotate(a + bend*t))
			pts[k].X = math.Max(s.edge(-1, pts[k].Y)+3, math.Min(s.edge(1, pts[k].Y)-3, pts[k].X))
			pts[k].Y = math.Max(pts[k].Y, s.cutY(pts[k].X)+2)
		}
		scratches = append(scratches, b.lay(stroke(pts, 0.25+0.5*seed(10, i)), 0))
	}
	b.add(layer{paint: plain(l.top.mix(l.dust, 0.8)), alpha: 0.5}, scratches...)
}

// stroke is a thin polygon along points, pointed at its ends.
func stroke(pts []vec2, width float64) []vec2 {
	n := len(pts)
	out := make([]vec2, 2*n)
	for i, p := range pts {
		a, c := pts[max(0, i-1)], pts[min(n-1, i+1)]
		t := c.Sub(a).Unit().Perp().Mul(width / 2)
		if i == 0 || i == n-1 {
			t = t.Mul(0.3)
		}
		out[i], out[2*n-1-i] = p.Sub(t), p.Add(t)
	}
	return out
}

// line draws the chalk, pen or scribed line.
func (b *builder) line() {
	s := b.s
	if s.Line == nil {
		return
	}
	l := s.Line
	pts := s.linePoints()
	if len(pts) < 2 {
		return
	}
	colour, alpha := rgb{0.66, 0.66, 0.62}, float32(0.8)
	switch l.Kind {
	case "pen":
		colour, alpha = rgb{0.55, 0.5, 0.02}, 0.85 // paint marker
		if t := looks[s.Belt.Look].top; t[1] > 0.15 {
			colour = rgb{0.015, 0.015, 0.03}
		}
		if c, ok := penColours[l.Colour]; ok {
			colour = c
		}
	case "scribe":
		colour, alpha = looks[s.Belt.Look].top.mix(rgb{0.3, 0.3, 0.3}, 0.45), 0.8
	}
	alpha *= 1 - float32(l.Faint)
	var polys [][]vec3
	gap := func(x float64) bool {
		for g := range l.Gaps {
			c := pts[0].X + (pts[len(pts)-1].X-pts[0].X)*(0.08+0.84*chance(s.Seed+61, g))
			if math.Abs(x-c) < 4+14*chance(s.Seed+62, g) {
				return true
			}
		}
		return false
	}
	for i := 0; i < len(pts); {
		if gap(pts[i].X) {
			i++
			continue
		}
		j := i
		for j < len(pts) && !gap(pts[j].X) {
			j++
		}
		if run := pts[i:j]; len(run) > 1 {
			// width varies as the hand does, alike on both sides
			poly := make([]vec2, 2*len(run))
			for k, p := range run {
				h := l.Width / 2
				if l.Kind == "chalk" {
					h *= 1 + 0.15*wander(s.Seed+63, p.X/9) + 0.1*wander(s.Seed+64, p.X/2.5)
				}
				poly[k] = vec2{X: p.X, Y: p.Y - h}
				poly[2*len(run)-1-k] = vec2{X: p.X, Y: p.Y + h}
			}
			polys = append(polys, b.lay(poly, 0))
		}
		i = j
	}
	body := plain(colour)
	if l.Kind == "chalk" { // sits on the high spots of the rubber
		g := grain()
		under := s.beltPaint()
		body = func(r *rows, i int) rgb {
			return colour.mix(under(r, i), clamp01(0.35+0.3*g.at(r.x[i]*2.1, r.y[i]*2.1)))
		}
	}
	if l.Dust > 0 { // the belt's own, as thick over the line as beside it
		over, under, c := body, s.beltPaint(), cloud()
		body = func(r *rows, i int) rgb {
			return over(r, i).mix(under(r, i), clamp01(0.5+0.35*c.at(r.x[i]*3.1, r.y[i]*3.1))*float32(l.Dust))
		}
	}
	b.add(layer{paint: body, alpha: alpha}, polys...)
}

// penColours is the light that paint markers return.
var penColours = map[string]rgb{
	"silver": {0.42, 0.43, 0.44}, "white": {0.72, 0.72, 0.70}, "yellow": {0.55, 0.5, 0.02}, "black": {0.015, 0.015, 0.03},
}

// printed is what a card's sheet carries, in the board frame with its origin
// in the middle of the board.
type printed struct {
	black         []pattern.Rect
	width, height float64 // of the board
	firstID, ids  int
}

func (k *Card) print() (printed, error) {
	var p printed
	var err error
	switch {
	case k.Marker != "":
		l, perr := geometry.ParseMarkers(k.Marker)
		if perr != nil {
			return p, perr
		}
		p.black, err = pattern.Loose(l, k.ID)
		p.width, p.height, p.firstID, p.ids = l.Side, l.Side, k.ID, 1
	default:
		var board geometry.Board
		if k.Board != "" {
			board, err = geometry.ParseBoard(k.Board)
		} else {
			board, err = geometry.Card(k.Number)
		}
		if err != nil {
			return p, err
		}
		p.black, err = pattern.Board(board)
		p.width, p.height, p.firstID, p.ids = board.Width(), board.Height(), board.FirstID, board.MarkerCount()
	}
	if err != nil {
		return p, err
	}
	for i := range p.black {
		q := &p.black[i]
		q.X0, q.X1, q.Y0, q.Y1 = q.X0-p.width/2, q.X1-p.width/2, q.Y0-p.height/2, q.Y1-p.height/2
	}
	return p, nil
}

// digits as seven bars: top, top left, top right, middle, bottom left, bottom
// right, bottom.
var digits = [10]uint8{0b1110111, 0b0100100, 0b1011101, 0b1101101, 0b0101110, 0b1101011, 0b1111011, 0b0100101, 0b1111111, 0b1101111}

// extras are the number and the check bars outside a card's board.
func extras(number int) []pattern.Rect {
	out := []pattern.Rect{{X0: -100, Y0: -93.6, X1: 100, Y1: -93.35}, {X0: -129.1, Y0: -75, X1: -128.85, Y1: 75}}
	for _, x := range []float64{-100, 100} {
		out = append(out, pattern.Rect{X0: x - 0.12, Y0: -95, X1: x + 0.12, Y1: -93.6})
	}
	x := -118.0
	for _, d := range fmt.Sprint(number) {
		for i, r := range []pattern.Rect{{X0: 0, Y0: 6.5, X1: 4, Y1: 7.5}, {X0: 0, Y0: 3.75, X1: 1, Y1: 6.5}, {X0: 3, Y0: 3.75, X1: 4, Y1: 6.5}, {X0: 1, Y0: 3.25, X1: 3, Y1: 4.25}, {X0: 0, Y0: 1, X1: 1, Y1: 3.75}, {X0: 3, Y0: 1, X1: 4, Y1: 3.75}, {X0: 0, Y0: 0, X1: 4, Y1: 1}} {
			if digits[d-'0']>>i&1 == 1 {
				out = append(out, pattern.Rect{X0: r.X0 + x, X1: r.X1 + x, Y0: r.Y0 + 94, Y1: r.Y1 + 94})
			}
		}
		x += 6
	}
	return out
}

// point puts a place on a card into space; halves are those of the sheet.
func (k *Card) point(s *Scene, x, y, half float64) vec3 {
	sx, sy := k.ScaleX, k.ScaleY
	if sx == 0 {
		sx = 1
	}
	if sy == 0 {
		sy = 1
	}
	x, y = x*sx, y*sy
	z := k.Lift
	if k.Curl != 0 {
		t := x / half
		if k.Curl > 0 {
			z += k.Curl * t * t
		} else {
			z -= k.Curl * (1 - t*t)
		}
	}
	bx, by := x/100, y/100
	z += k.Bend[0]*bx*bx + k.Bend[1]*by*by + k.Bend[2]*bx*by
	if k.Lean != 0 {
		sl, cl := math.Sincos(k.Lean * math.Pi / 180)
		z += (y + 105) * sl
		y = (y+105)*cl - 105
	}
	p := vec2{X: x, Y: y}.Rotate(k.Turn * math.Pi / 180).Add(vec2{X: k.X, Y: k.Y})
	return s.place(p, z)
}

func (b *builder) card(k *Card, i int) {
	s := b.s
	p, err := k.print()
	if err != nil {
		b.err = err
		return
	}
	w, h := 297.0, 210.0
	switch {
	case k.Paper == "Letter":
		w, h = 279.4, 215.9
	case k.Marker != "" || k.Board != "":
		w, h = p.width*1.2+10, p.height*1.2+10
	}
	bent := k.Curl != 0 || !s.flat()
	step := math.Inf(1)
	if bent {
		step = 6
	}
	poly := func(x0, y0, x1, y1 float64) []vec3 {
		c := [5]vec2{{X: x0, Y: y0}, {X: x1, Y: y0}, {X: x1, Y: y1}, {X: x0, Y: y1}, {X: x0, Y: y0}}
		var out []vec3
		for j := range 4 {
			d := c[j+1].Sub(c[j])
			n := max(1, int(math.Ceil(d.Norm()/step)))
			for m := range n {
				q := c[j].Add(d.Mul(float64(m) / float64(n)))
				out = append(out, k.point(s, q.X, q.Y, w/2))
			}
		}
		return out
	}
	if k.Cover > 0 {
		// a rag over the lower part of the card
		c := vec2{Y: -h/2 + h*k.Cover/2 - 15}.Rotate(k.Turn * math.Pi / 180)
		b.thing(&Clutter{Kind: "rag", X: k.X + c.X, Y: k.Y + c.Y, Turn: k.Turn, Length: w * 0.9, Width: h*k.Cover + 30}, 900+i)
	}
	var ink [][]vec3
	black := p.black
	if k.Marker == "" && k.Board == "" {
		black = append(black, extras(k.Number)...)
	}
	for _, r := range black {
		ink = append(ink, poly(r.X0, r.Y0, r.X1, r.Y1))
	}
	dark := rgb{0.035, 0.035, 0.037}
	inkPaint := plain(dark)
	if k.Dirt > 0 {
		paper := s.paperPaint(k.Dirt, i)
		inkPaint = func(r *rows, j int) rgb { return dark.mix(rgb{0.2, 0.18, 0.15}, 1-paper(r, j)[1]/0.77) }
	}
	b.add(layer{paint: inkPaint, gloss: float32(k.Gloss)}, ink...)
	b.add(layer{paint: s.paperPaint(k.Dirt, i), gloss: float32(k.Gloss)}, poly(-w/2, -h/2, w/2, h/2))
	if k.Block {
		b.box(rectangle(k.X, k.Y, k.Turn, w*0.96, h*0.94), 0, k.Lift-0.2, rgb{0.24, 0.17, 0.10})
	}
	b.castShadow(rectangle(k.X, k.Y, k.Turn, w, h), math.Max(k.Lift, 0.4)+math.Abs(k.Curl)/2, 0)
}

// sheet draws a plain sheet of paper.
func (b *builder) sheet(k *Card, i int, w, h float64) {
	var poly []vec3
	c := rectangle(0, 0, 0, w, h)
	for j := range c {
		d := c[(j+1)%4].Sub(c[j])
		for m := range 40 {
			q := c[j].Add(d.Mul(float64(m) / 40))
			poly = append(poly, k.point(b.s, q.X, q.Y, w/2))
		}
	}
	b.add(layer{paint: b.s.paperPaint(0, i)}, poly)
	b.castShadow(rectangle(k.X, k.Y, k.Turn, w, h), 0.4+math.Abs(k.Curl)/2, 0)
}

// toLamp is how far a shadow falls for each mm of height.
func (s *Scene) toLamp() vec2 {
	e := s.Light.Elevation
	if e == 0 {
		e = 60
	}
	a := s.Light.Azimuth * math.Pi / 180
	return vec2{X: -math.Cos(a), Y: -math.Sin(a)}.Mul(1 / math.Tan(e*math.Pi/180))
}

func (s *Scene) fill() float64 {
	if s.Light.Fill == 0 {
		return 0.55
	}
	return s.Light.Fill
}

// castShadow darkens what lies below an outline of the given height over the
// plane z: the lamp's shadow in nested outlines for its soft edge, and the
// room's closer to the foot.
func (b *builder) castShadow(pts []vec2, height, z float64) {
	s := b.s
	d := s.toLamp().Mul(height)
	var c vec2
	for _, p := range pts {
		c = c.Add(p.Mul(1 / float64(len(pts))))
	}
	depth := 1 - s.fill()
	soft := s.Light.Soft
	n := 1
	if soft > 0.3 {
		n = 4
	}
	share := 1 - math.Pow(1-depth, 1/float64(n))
	for k := range n {
		grow := 0.0
		if n > 1 {
			grow = soft * (2*(float64(k)+0.5)/float64(n) - 1)
		}
		shadow := shifted(pts, c, d, grow)
		if convex(pts) { // an uneven outline has an uneven shadow, and is wider than that is off
			shadow = convexHull(append(shadow, shifted(pts, c, vec2{}, grow)...))
		}
		b.add(layer{shade: float32(share)}, level(shadow, z))
	}
	for i := range 5 { // little of the room's light gets in there
		grow := 0.08 + 0.15*float64(i)
		b.add(layer{shade: 0.09}, level(shifted(pts, c, vec2{}, grow*height+0.3), z))
	}
}

func shifted(pts []vec2, c, d vec2, grow float64) []vec2 {
	out := make([]vec2, len(pts))
	for i, p := range pts {
		out[i] = p.Add(d).Add(p.Sub(c).Unit().Mul(grow * 1.3))
	}
	return out
}

// convex reports whether an outline turns one way only.
func convex(pts []vec2) bool {
	left, right := false, false
	for i, p := range pts {
		q, r := pts[(i+1)%len(pts)], pts[(i+2)%len(pts)]
		turn := q.Sub(p).Cross(r.Sub(q))
		left, right = left || turn > 1e-9, right || turn < -1e-9
	}
	return !(left && right)
}

// convexHull goes round counterclockwise (Andrew's chain).
func convexHull(pts []vec2) []vec2 {
	sort.Slice(pts, func(i, j int) bool {
		return pts[i].X < pts[j].X || (pts[i].X == pts[j].X && pts[i].Y < pts[j].Y)
	})
	var h []vec2
	half := func(p vec2, base int) {
		for len(h) >= base+2 && h[len(h)-1].Sub(h[len(h)-2]).Cross(p.Sub(h[len(h)-2])) <= 0 {
			h = h[:len(h)-1]
		}
		h = append(h, p)
	}
	for _, p := range pts {
		half(p, 0)
	}
	base := len(h) - 1
	for i := len(pts) - 2; i >= 0; i-- {
		half(pts[i], base)
	}
	return h[:max(0, len(h)-1)]
}

// box draws an upright prism on the belt plane.
func (b *builder) box(pts []vec2, z0, z1 float64, c rgb) {
	b.add(layer{paint: b.s.sidePaint(c)}, level(pts, z1))
	b.walls(pts, z0, z1, c)
	b.castShadow(pts, z1-z0, z0)
}

// walls draws those sides of a prism that are seen; its outline runs
// counterclockwise.
func (b *builder) walls(pts []vec2, z0, z1 float64, c rgb) {
	sun := b.s.Light.Azimuth * math.Pi / 180
	for i, p := range pts {
		q := pts[(i+1)%len(pts)]
		quad := []vec3{{X: p.X, Y: p.Y, Z: z1}, {X: p.X, Y: p.Y, Z: z0}, {X: q.X, Y: q.Y, Z: z0}, {X: q.X, Y: q.Y, Z: z1}}
		segs := b.p.polygon(nil, quad)
		if area(segs)*b.sign <= 0 {
			continue
		}
		n := q.Sub(p)
		lit := 0.45 + 0.4*math.Max(0, math.Cos(math.Atan2(-n.X, n.Y)-sun))
		b.add(layer{segs: segs, joined: true, paint: b.s.sidePaint(c.times(float32(lit)))})
	}
}

// beneath draws the belt's own shadow, what lies around, and the ground.
func (b *builder) beneath(o outline) {
	s := b.s
	t := s.Belt.Thickness
	foot := make([]vec2, 0, len(o.left)+len(o.right)+64)
	every := func(p []vec2, n int) {
		k := max(1, len(p)/n)
		for i := 0; i < len(p); i += k {
			foot = append(foot, p[i])
		}
		foot = append(foot, p[len(p)-1])
	}
	every(o.cut, 200)
	every(o.right, 150)
	every(reversed(o.left), 150)
	seed := func(k ...int) float64 { return chance(s.Seed+500, k...) }

	// crumbs of rubber and stone before the cut and beside the belt
	var dark, light [][]vec3
	for i := range s.Belt.Specks {
		x, y := (seed(1, i)-0.5)*s.Belt.Width*1.2, -4-90*seed(2, i)*seed(3, i)
		r := 0.5 + 2*seed(4, i)*seed(5, i)*seed(5, i)
		e := level(ellipse(x, y+s.Cut.Offset*x/s.Belt.Width, r, r*(0.5+0.5*seed(6, i)), 180*seed(7, i), 9), -t)
		if i%3 == 0 {
			light = append(light, e)
		} else {
			dark = append(dark, e)
		}
	}
	b.add(layer{paint: plain(rgb{0.03, 0.03, 0.03})}, dark...)
	b.add(layer{paint: plain(rgb{0.45, 0.43, 0.38})}, light...)

	if s.flat() {
		b.beltShadow(foot, t)
	} else {
		b.castShadow([]vec2{o.left[len(o.left)-1], o.cut[0], o.cut[len(o.cut)-1], o.right[len(o.right)-1]}, t+10, -t)
	}
	g := &s.Ground
	gp := s.groundPaint()
	switch g.Kind {
	case "steel":
		b.mirror(o, t)
	case "rollers":
		b.rails(t)
	case "concrete":
		b.cracks(t)
	}
	gloss := map[string]float32{"steel": 1, "tiles": 0.5, "bench": 0.6, "rollers": 0.6, "planks": 0.1}[g.Kind]
	b.add(layer{whole: true, paint: gp, gloss: gloss})
}

// beltShadow is what the belt's thickness throws on the ground.
func (b *builder) beltShadow(foot []vec2, t float64) {
	s := b.s
	d := s.toLamp().Mul(t)
	depth := 1 - s.fill()
	soft := s.Light.Soft
	n := 1
	if soft > 0.3 {
		n = 5
	}
	c := vec2{X: s.middle(600), Y: s.Belt.Length / 2}
	grown := func(d vec2, grow float64) []vec3 {
		out := make([]vec2, len(foot))
		for i, p := range foot {
			q := p.Add(d)
			if p.X < c.X {
				q.X -= grow
			} else {
				q.X += grow
			}
			if i <= len(foot)/2 && p.Y < 300 {
				q.Y -= grow
			}
			out[i] = q
		}
		return level(out, -t)
	}
	share := 1 - math.Pow(1-depth, 1/float64(n))
	for k := range n {
		grow := 0.0
		if n > 1 {
			grow = soft * (2*(float64(k)+0.5)/float64(n) - 1)
		}
		b.add(layer{shade: float32(share)}, grown(d, grow))
	}
	for i, grow := range []float64{0.08, 0.2, 0.35, 0.55, 0.85} { // the room's light fails close to the foot
		b.add(layer{shade: []float32{0.26, 0.17, 0.12, 0.09, 0.06}[i]}, grown(vec2{}, grow*t))
	}
}

// mirror is the cut face seen again in a shiny plate.
func (b *builder) mirror(o outline, t float64) {
	l := looks[b.s.Belt.Look]
	var segs []segment
	for _, face := range [][]vec2{o.cut, o.right, reversed(o.left)} {
		for i := 1; i < len(face); i++ {
			p, q := face[i-1], face[i]
			quad := []vec3{{X: p.X, Y: p.Y, Z: -t}, {X: p.X, Y: p.Y, Z: -2 * t}, {X: q.X, Y: q.Y, Z: -2 * t}, {X: q.X, Y: q.Y, Z: -t}}
			n := len(segs)
			segs = b.p.polygon(segs, quad)
			if area(segs[n:])*b.sign <= 0 {
				segs = segs[:n]
			}
		}
	}
	b.add(layer{segs: segs, paint: plain(l.carcass.mix(l.cover, 0.5).times(0.7)), alpha: 0.6})
}

// railX is where a roller bed's rails begin, to both sides.
func (s *Scene) railX() float64 { return s.Belt.Width/2 + 45 + 30*chance(s.Seed, 71) }

// rails are the frame of a roller bed.
func (b *builder) rails(t float64) {
	s := b.s
	x := s.railX()
	colour := []rgb{{0.03, 0.09, 0.25}, {0.3, 0.3, 0.3}, {0.35, 0.22, 0.02}}[int(3*chance(s.Seed, 72))]
	for _, side := range []float64{-1, 1} {
		pts := rectangle(side*(x+30), 1000, 0, 60, 5000)
		b.add(layer{paint: s.sidePaint(colour)}, level(pts, -t+12))
		b.walls(pts, -t-90, -t+12, colour)
	}
}

// cracks run through concrete.
func (b *builder) cracks(t float64) {
	s := b.s
	var polys [][]vec3
	n := int(4 + 6*chance(s.Seed, 81))
	for i := range n {
		p := vec2{X: (chance(s.Seed, 82, i) - 0.5) * 2600, Y: -700 + 2400*chance(s.Seed, 83, i)}
		a := 2 * math.Pi * chance(s.Seed, 84, i)
		pts := []vec2{p}
		for k := range 60 {
			a += 0.45 * (chance(s.Seed, 85, i, k) - 0.5) * 2
			p = p.Add(vec2{X: 6 + 14*chance(s.Seed, 86, i, k)}.Rotate(a))
			pts = append(pts, p)
		}
		polys = append(polys, level(stroke(pts, 0.5+1.6*chance(s.Seed, 87, i)), -t))
	}
	// crossing cracks must not cancel where their sides run opposite ways
	for i := range polys {
		b.add(layer{paint: plain(rgb{0.07, 0.068, 0.06}), alpha: 0.75}, polys[i])
	}
}
