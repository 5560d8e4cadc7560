package render

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
)

// The scenes of the scoreboard. The same seed always gives the same scene.

// maker collects a scene's chances.
type maker struct {
	*rand.Rand
	s *Scene
}

func newMaker(seed int64, stream uint64) *maker {
	s := Default()
	s.Seed = seed*8 + int64(stream)
	s.Cards = nil
	return &maker{rand.New(rand.NewPCG(uint64(seed), stream)), &s}
}

// apart draws from a stream of its own, so that what it adds changes nothing else.
func (m *maker) apart(stream uint64) *rand.Rand {
	return rand.New(rand.NewPCG(uint64(m.s.Seed), 1000+stream))
}

func (m *maker) in(lo, hi float64) float64 { return lo + (hi-lo)*m.Float64() }

func (m *maker) either(lo, hi float64) float64 { // of either sign
	v := m.in(lo, hi)
	if m.IntN(2) == 0 {
		return -v
	}
	return v
}

func pick[T any](m *maker, v ...T) T { return v[m.IntN(len(v))] }

// phone draws a phone and how it was set down; the place comes from stand.
func (m *maker) phone() {
	s := m.s
	c := &s.Camera
	c.Width, c.Height, c.Orientation = 3000, 4000, 6
	if m.IntN(2) == 0 {
		c.Width, c.Height = 3024, 4032
	}
	switch m.IntN(4) {
	case 0: // held across
		c.Width, c.Height, c.Orientation = c.Height, c.Width, 1
	case 1:
		c.Orientation = pick(m, 1, 8, 3, 6)
	}
	c.F35 = pick(m, 24, 25, 26, 27, 28)
	diag := math.Hypot(float64(c.Width), float64(c.Height))
	c.F = float64(c.F35) / fullFrame * diag * (1 + 0.015*m.NormFloat64())
	clip := func(v, n float64) float64 { return math.Max(-n, math.Min(n, v)) }
	// what is left of the lens after the phone's own correction, and a sensor that is
	// centred within half a per cent of its long side
	c.K1, c.K2 = 0.03*clip(m.NormFloat64(), 2.5), 0.015*clip(m.NormFloat64(), 2.5)
	fine := m.apart(1)
	c.K3 = 0.005 * clip(fine.NormFloat64(), 2.5)
	c.P1, c.P2 = 0.0005*clip(fine.NormFloat64(), 2.5), 0.0005*clip(fine.NormFloat64(), 2.5)
	long := float64(max(c.Width, c.Height))
	c.CX = float64(c.Width-1)/2 + long*m.in(-0.005, 0.005)
	c.CY = float64(c.Height-1)/2 + long*m.in(-0.005, 0.005)
	f := &s.Finish
	*f = Finish{Blur: m.in(0.6, 1.0), Noise: m.in(0.8, 2), Blotch: m.in(0.3, 1.2), Sharpen: pick(m, 0, 0.3, 0.6), Exposure: m.in(-0.25, 0.25), Vignette: m.in(0.1, 0.35), Quality: 85 + m.IntN(9)}
}

// stand puts the camera where it just sees the belt from below its cut up to
// y = length, with some floor on both sides.
func (m *maker) stand(tilt, azimuth, roll, length float64) {
	s := m.s
	c := &s.Camera
	c.Tilt, c.Azimuth, c.Roll = tilt, azimuth, roll
	if c.Width > c.Height {
		// the belt runs along the long side
		c.Roll += pick(m, 90.0, -90.0)
	}
	b := s.Belt.Width/2 + math.Max(18, 0.035*s.Belt.Width)
	low := -math.Max(40, 0.06*s.Belt.Width) - math.Abs(s.Cut.Offset)/2
	pts := []vec2{{X: -b, Y: low}, {X: b, Y: low}, {X: -b, Y: length}, {X: b, Y: length}}
	fits := func(d float64) bool {
		c.Distance = d
		v := s.View()
		for _, p := range pts {
			uv, ok := v.Project(p)
			if !ok || uv.X < 0 || uv.Y < 0 || uv.X > float64(c.Width-1) || uv.Y > float64(c.Height-1) {
				return false
			}
		}
		return true
	}
	// the target is moved until the nearest fitting distance is least: a hand
	// does as much
	best := math.Inf(1)
	bestY := 0.0
	for _, k := range []float64{0.30, 0.35, 0.40, 0.45, 0.5, 0.55} {
		c.TargetX, c.TargetY = 0, low+k*(length-low)
		lo, hi := 100.0, 20000.0
		if !fits(hi) {
			continue
		}
		for range 40 {
			if d := (lo + hi) / 2; fits(d) {
				hi = d
			} else {
				lo = d
			}
		}
		if hi < best*1.02 { // of like ones the one that shows most belt
			best, bestY = hi, c.TargetY
		}
	}
	c.TargetY = bestY
	c.Distance = best * m.in(1.01, 1.07)
	if math.IsInf(best, 1) {
		c.Distance = 2500
	}
}

// lay puts a card on the belt between y0 and y1, at the left (-1), the right
// (1) or anywhere (0), clear of the others; false when there is no room.
func (m *maker) lay(k Card, side int, y0, y1 float64) bool {
	s := m.s
	for range 400 {
		k.Turn = m.in(-180, 180)
		if s.Belt.Width < 380 {
			k.Turn = pick(m, 90.0, -90.0) + m.in(-4, 4)
		}
		pts := rectangle(0, 0, k.Turn, 297, 210)
		rx, ry := 0.0, 0.0
		for _, p := range pts {
			rx, ry = math.Max(rx, math.Abs(p.X)), math.Max(ry, math.Abs(p.Y))
		}
		room := s.Belt.Width/2 - rx - 8
		if room < 0 || y1-y0 < 2*ry {
			continue
		}
		switch side {
		case 0:
			k.X = m.in(-room, room)
		default:
			k.X = float64(side) * (room - m.in(0, math.Min(room, 40)))
		}
		k.Y = m.in(y0+ry, y1-ry)
		k.X += s.middle(k.Y)
		clear := true
		for _, o := range s.Cards {
			if touching(rectangle(k.X, k.Y, k.Turn, 305, 218), rectangle(o.X, o.Y, o.Turn, 305, 218)) {
				clear = false
			}
		}
		if clear {
			s.Cards = append(s.Cards, k)
			return true
		}
	}
	return false
}

// touching tells whether two rectangles overlap (separating axes).
func touching(a, b []vec2) bool {
	apart := func(a, b []vec2) bool {
		for i := range 2 {
			n := a[i+1].Sub(a[i])
			lo, hi := n.Dot(a[i]), n.Dot(a[i+1])
			l, h := math.Inf(1), math.Inf(-1)
			for _, p := range b {
				l, h = math.Min(l, n.Dot(p)), math.Max(h, n.Dot(p))
			}
			if h < lo || l > hi {
				return true
			}
		}
		return false
	}
	return !apart(a, b) && !apart(b, a)
}

// belt draws a belt, its cut, the floor and the light of an ordinary place.
func (m *maker) belt() (length float64) {
	s := m.s
	b := &s.Belt
	*b = Belt{
		Width: math.Round(m.in(300, 1200)), Thickness: m.in(3, 12), Length: 6000,
		Look: pick(m, "black_rubber", "black_rubber", "black_rubber", "green_pu", "white_food", "blue_food", "grey_fabric", "brown_pvc"),
		Dust: m.in(0, 0.6), Scratches: m.IntN(25), Specks: m.IntN(50),
		Left:  Edge{Wave: m.in(0, 0.15), WaveLength: m.in(150, 400)},
		Right: Edge{Wave: m.in(0, 0.15), WaveLength: m.in(150, 400)},
	}
	s.Cut = Cut{Offset: m.in(-20, 20), Wander: m.in(0.03, 0.3), WanderWave: m.in(80, 250), Ragged: m.in(0.02, 0.08), RaggedWave: m.in(2, 6)}
	s.Ground = Ground{Kind: m.ground(), Turn: m.in(-80, 80), Shift: m.in(0, 300), Tone: m.in(0.8, 1.15)}
	s.Light = Light{Azimuth: m.in(0, 360), Elevation: m.in(50, 80), Soft: m.in(2, 10), Fill: m.in(0.5, 0.75), Gradient: m.in(0, 0.25), Patches: m.in(0, 0.04), Warm: m.in(-0.4, 0.6)}
	return math.Max(460, b.Width*m.in(1.0, 1.5))
}

// ground is a floor that the belt stands out from.
func (m *maker) ground() string {
	switch m.s.Belt.Look {
	case "white_food":
		return pick(m, "mat", "planks", "concrete")
	case "grey_fabric":
		return pick(m, "mat", "planks", "grating")
	case "brown_pvc":
		return pick(m, "concrete", "tiles", "bench")
	case "black_rubber", "rough_top":
		return pick(m, "concrete", "concrete", "tiles", "bench")
	}
	return pick(m, "concrete", "planks", "mat", "bench", "tiles")
}

// cards lays one card anywhere or two and more near both edges.
func (m *maker) cards(n int, length float64) {
	first := 1 + m.IntN(10)
	y0 := math.Abs(m.s.Cut.Offset)/2 + 12
	for try := range 40 { // a first card in the middle can leave no room
		m.s.Cards = nil
		side := 0
		for i := range n {
			if n > 1 && try < 30 {
				side = []int{-1, 1, 0}[i%3]
			}
			if !m.lay(Card{Number: first + i, Lift: 0.1}, side, y0, length-15) {
				break
			}
		}
		if len(m.s.Cards) == n {
			return
		}
	}
}

// print draws the printer of the cards: off in size by 0.15 % and between x and
// y by 0.06 % (standard deviations), which is what a sheet printed at 100 % may
// be off; and how flat each card lies, to 0.02 mm a decimetre (common practice, no
// source).
func (m *maker) print() {
	size, half := 0.0015*m.NormFloat64(), 0.0003*m.NormFloat64()
	fine := m.apart(2)
	for i := range m.s.Cards {
		k := &m.s.Cards[i]
		if k.ScaleX == 0 {
			k.ScaleX, k.ScaleY = 1, 1
		}
		k.ScaleX, k.ScaleY = k.ScaleX*(1+size+half), k.ScaleY*(1+size-half)
		for b := range k.Bend {
			k.Bend[b] = 0.02 * fine.NormFloat64()
		}
	}
}

// Clean is an ordinary photo with so many cards.
func Clean(seed int64, cards int) Scene {
	m := newMaker(seed, uint64(cards))
	s := m.s
	s.Class = fmt.Sprintf("clean, %d card", cards)
	if cards > 1 {
		s.Class += "s"
	}
	s.Name = fmt.Sprintf("clean%d-%d", cards, seed)
	length := m.belt()
	if cards > 1 && s.Belt.Width < 640 { // two cards want room above each other
		length = math.Max(length, 720)
	}
	m.phone()
	m.stand(m.in(0, 30), m.in(-25, 25), m.in(-8, 8), length)
	m.cards(cards, length)
	m.print()
	return *s
}

// hardClasses change a clean scene with two cards (some with one).
var hardClasses = []struct {
	name string
	make func(m *maker, length float64)
}{
	{"dark belt on a dark mat", func(m *maker, _ float64) {
		m.s.Belt.Look, m.s.Ground.Kind, m.s.Belt.Dust = "black_rubber", "mat", m.in(0.1, 0.8)
		m.s.Ground.Tone = pick(m, m.in(0.5, 0.75), m.in(1.6, 2.2))
	}},
	{"white belt on a white bench", func(m *maker, _ float64) {
		m.s.Belt.Look, m.s.Ground.Kind, m.s.Light.Soft = "white_food", "bench", m.in(0.5, 4)
		m.s.Ground.Tone = m.in(0.75, 1)
	}},
	{"planks along the edge or the cut", func(m *maker, _ float64) {
		m.s.Ground = Ground{Kind: "planks", Turn: pick(m, 0.0, 90.0) + m.in(-3, 3), Shift: m.in(0, 100), Pitch: m.in(60, 140), Tone: m.in(0.8, 1.4)}
	}},
	{"tiles along the cut", func(m *maker, _ float64) {
		m.s.Ground = Ground{Kind: "tiles", Turn: m.in(-3, 3), Shift: m.in(0, 300), Pitch: m.in(150, 330), Tone: m.in(0.7, 1.1)}
	}},
	{"roller bed", func(m *maker, _ float64) {
		m.s.Ground = Ground{Kind: "rollers", Turn: m.in(-1, 1), Shift: m.in(0, 130), Pitch: m.in(90, 160), Tone: m.in(0.7, 1.3)}
	}},
	{"grating", func(m *maker, _ float64) {
		m.s.Ground = Ground{Kind: "grating", Turn: pick(m, 0.0, 90.0) + m.in(-4, 4), Pitch: m.in(30, 45), Tone: m.in(0.7, 1.3)}
	}},
	{"steel plate with glare", func(m *maker, length float64) {
		m.s.Ground = Ground{Kind: "steel", Turn: m.in(-90, 90), Tone: m.in(0.7, 1.3)}
		m.s.Light.Glares = []Glare{{X: m.in(-300, 300), Y: m.in(-50, length), Turn: m.in(0, 180), Length: m.in(300, 900), Width: m.in(100, 350), Strength: m.in(0.05, 0.25)}}
	}},
	{"person's hard shadow", func(m *maker, _ float64) {
		m.s.Light.Shadows = []Shadow{{Kind: "person", X: m.in(-300, 300), Y: m.in(-1300, -700), Turn: m.in(-30, 30), Soft: m.in(2, 15), Depth: m.in(0.35, 0.65)}}
		m.s.Light.Soft = m.in(0.3, 2)
	}},
	{"bar shadow across the belt", func(m *maker, length float64) {
		m.s.Light.Shadows = []Shadow{{Kind: "bar", Y: m.in(20, length*0.7), Turn: m.in(-8, 8), Width: m.in(30, 200), Soft: m.in(1.5, 8), Depth: m.in(0.35, 0.65)}}
	}},
	{"shadow along an edge", func(m *maker, _ float64) {
		m.s.Light.Shadows = []Shadow{{Kind: "half", X: m.either(0.3, 0.53) * m.s.Belt.Width, Y: 300, Turn: 90 + m.in(-3, 3), Soft: m.in(1.5, 10), Depth: m.in(0.35, 0.6)}}
		m.s.Light.Elevation, m.s.Light.Soft, m.s.Light.Fill = m.in(30, 45), m.in(0.2, 1.5), m.in(0.4, 0.5)
	}},
	{"hand over an edge", func(m *maker, length float64) {
		x := m.either(1, 1) * m.s.Belt.Width / 2
		turn := 180.0
		if x < 0 {
			turn = 0
		}
		m.s.Clutter = []Clutter{{Kind: "glove", X: x * 1.02, Y: m.in(0.35, 0.8) * length, Turn: turn + m.in(-35, 35), Length: m.in(170, 210)}}
	}},
	{"clamp bar across the belt", func(m *maker, length float64) {
		m.s.Clutter = []Clutter{{Kind: "bar", Y: length * m.in(0.82, 0.95), Turn: m.in(-4, 4), Width: m.in(35, 70), Height: m.in(15, 40)}}
	}},
	{"tape measure along an edge", func(m *maker, length float64) {
		m.s.Clutter = []Clutter{{Kind: "tape", X: m.either(1, 1) * (m.s.Belt.Width/2 - m.in(14, 40)), Y: length * 0.5, Turn: 90 + m.in(-1.5, 1.5), Length: length * m.in(0.5, 0.8)}}
	}},
	{"rule and knife by the cut", func(m *maker, _ float64) {
		w := m.s.Belt.Width
		m.s.Clutter = []Clutter{
			{Kind: "knife", X: m.either(0.1, 0.3) * w, Y: m.in(-60, -35), Turn: m.in(-20, 20)},
			{Kind: "rule", X: m.in(-0.1, 0.1) * w, Y: math.Abs(m.s.Cut.Offset)/2 + m.in(20, 40), Turn: m.in(-2, 2), Length: math.Min(500, w*0.7), Width: 30},
		}
	}},
	{"worn edges", func(m *maker, length float64) {
		e := func() Edge {
			n := Edge{Wave: m.in(0.4, 1.2), WaveLength: m.in(150, 400), Fray: m.in(0.1, 0.5), Lip: m.in(0, 8)}
			for range m.IntN(4) {
				n.Nicks = append(n.Nicks, Nick{Y: m.in(60, length), Length: m.in(15, 70), Depth: m.in(3, 12)})
			}
			return n
		}
		m.s.Belt.Left, m.s.Belt.Right = e(), e()
	}},
	{"bowed or wandering cut", func(m *maker, _ float64) {
		m.s.Cut.Bow, m.s.Cut.Wander = m.either(1, 6), m.in(0.3, 1)
	}},
	{"stepped or V cut", func(m *maker, _ float64) {
		if m.IntN(2) == 0 {
			m.s.Cut.Step, m.s.Cut.StepAt = m.either(1.5, 6), m.in(-0.3, 0.3)
		} else {
			m.s.Cut.V = m.either(2, 8)
		}
	}},
	{"torn cut", func(m *maker, _ float64) {
		m.s.Cut.Ragged, m.s.Cut.RaggedWave, m.s.Cut.Fringe = m.in(0.3, 0.8), m.in(4, 10), 60+m.IntN(250)
	}},
	{"cambered belt", func(m *maker, _ float64) {
		m.s.Belt.Camber, m.s.Belt.CamberLength = m.either(2, 8), m.in(1500, 2500)
	}},
	{"thick belt, bevelled cut", func(m *maker, _ float64) {
		m.s.Belt.Thickness = m.in(12, 22)
		m.s.Cut.BevelLeft, m.s.Cut.BevelRight = m.in(-5, 14), m.in(-5, 14)
	}},
	{"dust, scratches and dirty cards", func(m *maker, _ float64) {
		m.s.Belt.Dust, m.s.Belt.Scratches, m.s.Belt.Specks = m.in(0.7, 1), 120, 150
	}},
	{"drawn line before the cut", func(m *maker, _ float64) {
		m.s.Line = &Line{
			Kind: pick(m, "chalk", "chalk", "pen", "scribe"), Y: math.Abs(m.s.Cut.Offset) + m.in(25, 80), Offset: m.in(-8, 8),
			Width: m.in(1, 5), Wander: m.in(0, 0.6), Inset: m.in(0, 12), Gaps: m.IntN(4), Faint: m.in(0, 0.4),
		}
		if m.s.Line.Kind == "scribe" {
			m.s.Line.Width = m.in(0.6, 1.2)
		}
	}},
	{"steep view", func(m *maker, length float64) {
		m.stand(m.in(32, 45), m.in(-30, 30), m.in(-10, 10), length)
	}},
	{"any roll", func(m *maker, length float64) {
		m.stand(m.in(5, 25), m.in(-40, 40), m.in(-180, 180), length)
	}},
	{"low light", func(m *maker, _ float64) {
		f := &m.s.Finish
		f.Noise, f.Blotch, f.Blur, f.Exposure, f.Quality = m.in(3, 6), m.in(1.5, 4), m.in(1.2, 1.8), m.in(-1.4, -0.6), 78
	}},
	{"bright light", func(m *maker, length float64) {
		m.s.Finish.Exposure = m.in(0.5, 0.9)
		m.s.Light.Glares = []Glare{{X: m.in(-200, 200), Y: m.in(50, length), Turn: m.in(0, 180), Length: m.in(200, 500), Width: m.in(80, 250), Strength: m.in(0.2, 0.6)}}
	}},
	{"rough top", func(m *maker, _ float64) {
		m.s.Belt.Look, m.s.Ground.Kind = "rough_top", pick(m, "concrete", "tiles", "bench")
		m.s.Cut.Ragged = m.in(0.15, 0.4)
	}},
	{"colourful clutter", func(m *maker, length float64) {
		w := m.s.Belt.Width
		m.s.Clutter = []Clutter{
			{Kind: "box", X: m.either(0.75, 0.95) * w, Y: m.in(0.3, 0.9) * length, Turn: m.in(0, 90)},
			{Kind: "rag", X: m.either(0.35, 0.6) * w, Y: m.in(0.6, 0.95) * length, Turn: m.in(0, 180), Length: 180, Width: 120},
		}
	}},
	{"cards curled a little", nil},
	{"card partly covered", nil},
	{"cards printed small", nil},
}

// HardClasses is how many kinds of hard scenes there are; Hard goes round them.
var HardClasses = len(hardClasses)

// Hard is a photo that is hard but can be measured.
func Hard(seed int64) Scene {
	kind := hardClasses[int(seed)%len(hardClasses)]
	m := newMaker(seed, 100)
	s := m.s
	s.Class, s.What, s.Name = "hard", kind.name, fmt.Sprintf("hard-%d", seed)
	length := m.belt()
	s.Belt.Width = math.Round(450 + (s.Belt.Width-300)*750/900) // room for two cards
	length = math.Max(length, 760)
	m.phone()
	m.stand(m.in(2, 28), m.in(-25, 25), m.in(-8, 8), length)
	if kind.make != nil {
		kind.make(m, length)
	}
	m.cards(2, length*0.97)
	for i := range s.Cards {
		k := &s.Cards[i]
		switch kind.name {
		case "dust, scratches and dirty cards":
			k.Dirt, k.Gloss = m.in(0.3, 1), 0.6
		case "cards curled a little":
			k.Curl, k.Gloss = m.in(0.8, 2.5), m.in(0, 1)
		case "card partly covered":
			if i == 0 {
				k.Cover = m.in(0.2, 0.45)
			}
		case "cards printed small":
			k.ScaleX, k.ScaleY = 0.962, 0.968
		}
	}
	// clutter lies on the belt: cards go where it is not
	for i := range s.Clutter {
		c := &s.Clutter[i]
		for tries := 0; tries < 60 && m.overlaps(c); tries++ {
			s.Cards = nil
			m.cards(2, length*0.97)
		}
	}
	m.print()
	return *s
}

// overlaps tells whether clutter lies over a card.
func (m *maker) overlaps(c *Clutter) bool {
	var area []vec2
	switch c.Kind {
	case "glove":
		d := vec2{X: -200}.Rotate(c.Turn * math.Pi / 180)
		area = rectangle(c.X+d.X, c.Y+d.Y, c.Turn, 640, 180)
	case "bar":
		area = rectangle(c.X, c.Y, c.Turn, m.s.Belt.Width+240, math.Max(c.Width, 50)+60)
	case "tape", "rule":
		area = rectangle(c.X, c.Y, c.Turn, c.Length, 36)
	default:
		area = rectangle(c.X, c.Y, c.Turn, 210, 160)
	}
	for _, k := range m.s.Cards {
		if touching(area, rectangle(k.X, k.Y, k.Turn, 297, 210)) {
			return true
		}
	}
	return false
}

// DrawnLine is a photo of a line drawn across the belt behind an end that is
// clean, rough or torn, with a card (odd seeds) or two.
func DrawnLine(seed int64) Scene {
	m := newMaker(seed, 500)
	s := m.s
	s.Class, s.Name = "drawn line", fmt.Sprintf("drawn-%d", seed)
	length := m.belt()
	cards := 2 - int(seed)%2
	if cards > 1 {
		s.Belt.Width = math.Round(450 + (s.Belt.Width-300)*750/900) // room for two cards
	}
	length = math.Max(length, 760)
	switch m.IntN(3) {
	case 0:
		s.Cut.Ragged, s.Cut.RaggedWave, s.Cut.Fringe = m.in(0.3, 0.8), m.in(4, 10), 60+m.IntN(200)
	case 1:
		s.Cut.Wander, s.Cut.Bow = m.in(0.3, 1), m.either(0.5, 4)
	}
	m.phone()
	m.stand(m.in(2, 28), m.in(-25, 25), m.in(-8, 8), length)

	l := &Line{
		Kind: pick(m, "chalk", "chalk", "pen", "pen", "scribe"), Offset: m.in(-0.02, 0.02) * s.Belt.Width,
		Width: m.in(0.7, 5), Bow: m.in(-1, 1), Wander: m.in(0, 0.5), WanderWave: m.in(80, 300),
		Inset: m.in(0, 12), Gaps: m.IntN(5), Faint: m.in(0, 0.45), Dust: pick(m, 0, 0, m.in(0.1, 0.5)),
	}
	if m.IntN(8) == 0 {
		l.Offset = m.either(0.03, 0.12) * s.Belt.Width
	}
	bright := s.Belt.Look == "white_food" || s.Belt.Look == "grey_fabric"
	switch {
	case bright:
		l.Kind, l.Colour = "pen", "black"
	case l.Kind == "pen":
		l.Colour = pick(m, "silver", "white", "yellow")
	case l.Kind == "scribe":
		l.Width, l.Faint = m.in(0.6, 1.4), l.Faint/2
		l.Dust = 0
	}
	l.Y = math.Abs(s.Cut.Offset-l.Offset)/2 + math.Abs(s.Cut.Bow) + m.in(12, 90)
	if m.IntN(4) == 0 {
		l.Y += m.in(50, 250)
	}
	s.Line = l
	s.What = "a line of " + l.Kind
	if l.Colour != "" {
		s.What = "a line of " + l.Colour + " pen"
	}
	for range 60 { // most of the line shows between the cards
		m.cards(cards, length*0.97)
		if s.lineCovered() < 0.3 {
			break
		}
	}
	m.print()
	return *s
}

// lineCovered is the share of the drawn line that lies under sheets.
func (s *Scene) lineCovered() float64 {
	pts, hidden := s.linePoints(), 0
	for _, p := range pts {
		for _, k := range s.Cards {
			q := p.Sub(vec2{X: k.X, Y: k.Y}).Rotate(-k.Turn * math.Pi / 180)
			if math.Abs(q.X) < 297.0/2 && math.Abs(q.Y) < 105 {
				hidden++
				break
			}
		}
	}
	return float64(hidden) / float64(max(1, len(pts)))
}

// refuseClasses spoil a clean scene.
var refuseClasses = []struct {
	name  string
	cards int
	codes []string
	make  func(m *maker, length float64)
}{
	{"no card", 0, []string{"no_card"}, func(*maker, float64) {}},
	{"card of another kind", 0, []string{"no_card"}, func(m *maker, length float64) {
		m.s.Cards = []Card{{Board: "7x5:35/26:6X6_250", X: 0, Y: length / 2, Turn: m.in(-180, 180)}}
	}},
	{"card beside the belt", 0, []string{"card_not_on_belt", "edge_unclear"}, func(m *maker, length float64) {
		s := m.s
		s.Belt.Width = m.in(350, 500)
		k := Card{Number: 3, X: m.either(1, 1) * (s.Belt.Width/2 + 200), Y: length * m.in(0.3, 0.6), Turn: m.in(-180, 180), Lift: -s.Belt.Thickness}
		w := s.Belt.Width
		s.Belt.Width = 2 * (math.Abs(k.X) + 200)
		m.stand(m.in(2, 25), m.in(-20, 20), m.in(-8, 8), math.Max(length, 1.2*s.Belt.Width))
		s.Belt.Width = w
		s.Cards = []Card{k}
	}},
	{"an edge out of the frame", 1, []string{"edge_out_of_frame"}, func(m *maker, _ float64) {
		m.s.Belt.Width = math.Max(m.s.Belt.Width, 700)
		m.aim(m.either(0.28, 0.40)*m.s.Belt.Width, 0.33*m.s.Belt.Width, 0.75)
	}},
	{"both edges out of the frame", 1, []string{"edge_out_of_frame"}, func(m *maker, _ float64) {
		m.s.Belt.Width = math.Max(m.s.Belt.Width, 1000)
		m.aim(0, 200, 0.52)
	}},
	{"the cut out of the frame", 2, []string{"cut_out_of_frame"}, func(m *maker, length float64) {
		// as from further up the belt
		s := m.s
		up := m.in(100, 250)
		for range 20 {
			s.Camera.TargetY += up
			for i := range s.Cards {
				s.Cards[i].Y += up
			}
			if t, err := s.Truth(); err != nil || t.CutInFrame == 0 {
				break
			}
			up = 60
		}
	}},
	{"the end curls up", 1, []string{"not_flat", "cut_unclear"}, func(m *maker, length float64) {
		m.s.Belt.CurlRadius, m.s.Belt.CurlFrom = m.in(150, 400), m.in(120, 260)
		for i := range m.s.Cards {
			m.s.Cards[i].Y = math.Max(m.s.Cards[i].Y, 300)
		}
	}},
	{"the belt buckles", 2, []string{"not_flat", "card_not_on_belt"}, func(m *maker, _ float64) {
		m.s.Belt.Buckle, m.s.Belt.BuckleWave = m.in(40, 80), m.in(400, 700)
		m.s.Camera.Distance *= 1.06
	}},
	{"a card stands on a block", 2, []string{"card_not_on_belt", "not_flat"}, func(m *maker, _ float64) {
		k := &m.s.Cards[len(m.s.Cards)-1]
		k.Lift, k.Block = m.in(40, 90), true
	}},
	{"a card leans", 1, []string{"card_not_on_belt", "not_flat", "edge_unclear"}, func(m *maker, _ float64) {
		m.s.Cards[0].Lean = m.in(14, 30)
	}},
	{"a card curls", 1, []string{"card_not_on_belt", "not_flat"}, func(m *maker, _ float64) {
		m.s.Cards[0].Curl = m.in(25, 60)
	}},
	{"shaken", 1, []string{"blurred", "no_card"}, func(m *maker, _ float64) {
		m.s.Finish.Motion, m.s.Finish.MotionAngle = m.in(16, 34), m.in(0, 180)
	}},
	{"out of focus", 1, []string{"blurred", "no_card"}, func(m *maker, _ float64) {
		m.s.Finish.Blur = m.in(6, 11)
	}},
	{"far away", 1, []string{"too_small", "no_card"}, func(m *maker, _ float64) {
		c := &m.s.Camera
		c.Distance *= m.in(5, 7)
	}},
	{"a hand over the cut", 1, []string{"cut_unclear"}, func(m *maker, length float64) {
		w := m.s.Belt.Width
		m.s.Clutter = []Clutter{
			{Kind: "rag", Y: 0, Turn: m.in(-4, 4), Length: w * 1.15, Width: 170},
			{Kind: "glove", X: m.in(-0.2, 0.2) * w, Y: -30, Turn: 90 + m.in(-20, 20)},
		}
		for i := range m.s.Cards {
			m.s.Cards[i].Y = math.Max(m.s.Cards[i].Y, 300)
		}
	}},
	{"things along a whole edge", 1, []string{"edge_unclear"}, func(m *maker, length float64) {
		side := m.either(1, 1)
		m.s.Clutter = []Clutter{{Kind: "rag", X: side * m.s.Belt.Width / 2, Y: length * 0.8, Turn: 90, Length: length * 2.6, Width: 130}}
		m.s.Cards = nil
		m.lay(Card{Number: 5, Lift: 0.1}, -int(side), 30, length)
	}},
}

// aim points the camera at a place and comes so much nearer.
func (m *maker) aim(x, y, nearer float64) {
	c := &m.s.Camera
	m.stand(m.in(2, 15), m.in(-8, 8), m.in(-5, 5), m.s.Belt.Width*1.1)
	c.TargetX, c.TargetY = x, y
	c.Distance *= nearer
	m.s.Cards = nil
	v := m.s.View()
	// a card that is whole in the picture
	for range 200 {
		m.s.Cards = nil
		if !m.lay(Card{Number: 7, Lift: 0.1}, 0, 30, y+m.s.Belt.Width*0.5) {
			continue
		}
		if t, err := m.s.truthCard(&m.s.Cards[0], &v); err == nil && t.InFrame {
			return
		}
	}
}

// RefuseClasses is how many kinds of such scenes there are; MustRefuse goes
// round them.
var RefuseClasses = len(refuseClasses)

// MustRefuse is a photo that cannot carry an answer, or only a wide one.
func MustRefuse(seed int64) Scene {
	kind := refuseClasses[int(seed)%len(refuseClasses)]
	m := newMaker(seed, 200)
	s := m.s
	s.Class, s.What, s.Name = "must refuse", kind.name, fmt.Sprintf("refuse-%d", seed)
	s.Expect, s.Codes = RefuseOrWide, kind.codes
	length := math.Max(m.belt(), 700)
	s.Belt.Width = math.Max(s.Belt.Width, 380)
	m.phone()
	m.stand(m.in(2, 25), m.in(-20, 20), m.in(-8, 8), length)
	m.cards(kind.cards, length*0.97)
	kind.make(m, length)
	return *s
}

// Several is photos of one end that belong together: of even seeds from
// several sides, of odd ones going up the belt, sharing cards.
func Several(seed int64) []Scene {
	m := newMaker(seed, 300)
	s := m.s
	s.Class, s.Group = "several photos", fmt.Sprintf("several-%d", seed)
	length := m.belt()
	s.Belt.Width = math.Round(450 + (s.Belt.Width-300)*750/900) // room for two cards
	length = math.Max(length, 760)
	m.phone()
	phone := s.Camera
	n := 2 + m.IntN(3)
	out := make([]Scene, 0, n)
	up := seed%2 != 0
	step := length * 0.53
	if up {
		s.What = "photos going up the belt"
		first := 1 + m.IntN(4)
		for i := range n + 2 { // a pair of cards to every step
			y := step * float64(i)
			for k, side := range []int{-1, 1} {
				m.lay(Card{Number: first + 2*i + k, Lift: 0.1}, side, math.Max(y, 20), y+step*1.1)
			}
			if first+2*i+2 > 13 {
				break
			}
		}
	} else {
		s.What = "the same end from several sides"
		m.cards(1+m.IntN(2), length)
	}
	m.print()
	for i := range n {
		s.Name = fmt.Sprintf("several-%d-%c", seed, 'a'+i)
		s.Camera = phone
		noise := *m // each photo its own stand
		noise.stand(m.in(3, 24), m.in(-35, 35), m.in(-8, 8), length)
		if up {
			s.Camera.Azimuth /= 4
			s.Camera.TargetY += step * float64(i)
		}
		shot := *s
		shot.Finish.Noise = m.in(0.8, 2.2)
		out = append(out, shot)
	}
	return out
}

// OtherReference is a clean scene with something else than the project's cards
// for a scale: by seed a printed board, loose markers or a plain A4 sheet.
func OtherReference(seed int64) Scene {
	m := newMaker(seed, 400)
	s := m.s
	s.Class, s.Name = "other references", fmt.Sprintf("reference-%d", seed)
	length := math.Max(m.belt(), 720)
	s.Belt.Width = math.Max(s.Belt.Width, 420)
	m.phone()
	m.stand(m.in(2, 25), m.in(-20, 20), m.in(-8, 8), length)
	m.cards(2, length)
	for i := range s.Cards {
		k := &s.Cards[i]
		switch k.Number = 0; seed % 4 {
		case 0:
			s.What, k.Board = "printed metal boards", fmt.Sprintf("7x5:25.7/12.9:6X6_250:%d", 17*i)
		case 1:
			s.What, k.Board = "one large board", "9x6:20/15:5X5_100"
		case 2:
			s.What, k.Marker, k.ID = "loose markers", "4X4_50:60", 3+4*i
		}
	}
	switch seed % 4 {
	case 1:
		s.Cards = s.Cards[:1]
	case 2: // two more, where there is room
		for i := range 4 {
			if m.lay(Card{Number: 1, Lift: 0.1}, []int{1, -1}[i%2], 20, length-15) {
				k := &s.Cards[len(s.Cards)-1]
				k.Number, k.Marker, k.ID = 0, "4X4_50:60", 20+i
			}
		}
	case 3:
		k := s.Cards[0]
		s.What, s.Cards = "a plain A4 sheet", nil
		s.Sheets = []Sheet{{X: k.X, Y: k.Y, Turn: k.Turn, Width: 297, Height: 210}}
	}
	return *s
}

// Kinds are the names that Make takes.
var Kinds = []string{"clean1", "clean2", "hard", "refuse", "several", "reference", "drawn", "sheet", "joint", "hard-joint"}

// Make draws up the scenes of a kind: one, except of several photos.
func Make(kind string, seed int64) ([]Scene, error) {
	if seed < 0 {
		return nil, fmt.Errorf("scene seed is %d, must not be below 0", seed)
	}
	switch kind {
	case "clean1":
		return []Scene{Clean(seed, 1)}, nil
	case "clean2":
		return []Scene{Clean(seed, 2)}, nil
	case "hard":
		return []Scene{Hard(seed)}, nil
	case "refuse":
		return []Scene{MustRefuse(seed)}, nil
	case "several":
		return Several(seed), nil
	case "reference":
		return []Scene{OtherReference(seed)}, nil
	case "drawn":
		return []Scene{DrawnLine(seed)}, nil
	case "sheet":
		return []Scene{PlainSheet(seed)}, nil
	case "joint":
		return []Scene{Joint(seed)}, nil
	case "hard-joint":
		return []Scene{HardJoint(seed)}, nil
	}
	return nil, fmt.Errorf("scene kind %q: choose one of %s", kind, strings.Join(Kinds, ", "))
}
