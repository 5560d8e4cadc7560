package render

import (
	"fmt"
	"math"
	"math/rand/v2"
)

// Error is a way to spoil a belt end, by a size in millimetres.
type Error struct {
	Code string
	Name string
	Size string // what the size is
	// Least, Usual and Most are sizes without their sign, mm.
	Least, Usual, Most float64
	// Signed: a size below 0 is the same error to the other side.
	Signed bool

	apply func(s *Scene, size float64)
}

// Errors are the errors that Apply knows. Codes of shapes that beltend finds in
// a cut are those of its findings.
var Errors = []Error{
	{"skew", "skewed cut", "how much further up the belt the cut ends at the right edge than at the left one: the left side is long", 1, 8, 30, true,
		func(s *Scene, size float64) { s.Cut.Offset = size }},
	{"bow", "bowed cut", "how far the middle lies up the belt from the line between the corners", 1, 6, 25, true,
		func(s *Scene, size float64) { s.Cut.Bow = size }},
	{"wander", "wandering knife", "root mean square of the cut from its straight line", 0.5, 1.5, 5, false,
		func(s *Scene, size float64) {
			s.Cut.WanderWave = 130
			s.Cut.Wander = size / s.rms(Cut{Wander: 1, WanderWave: 130})
		}},
	{"step", "step from two passes", "how much further up the belt the right part of the cut lies", 1, 4, 15, true,
		func(s *Scene, size float64) { s.Cut.Step, s.Cut.StepAt = size, 0.5*chance(s.Seed, 701)-0.25 }},
	{"vee", "V from both sides", "how far the meeting point lies up the belt from the line between the corners", 1, 6, 20, true,
		func(s *Scene, size float64) { s.Cut.V = size }},
	{"bad_edge", "squared to a bad edge", "offset that comes of squaring the cut to the worn edge; above 0 the left one is worn", 1, 8, 20, true, badEdge},
	{"bevel", "bevelled cut", "how far the lower edge of the cut stands out beyond the upper one", 0.5, 4, 10, false,
		func(s *Scene, size float64) {
			s.Belt.Thickness = math.Max(s.Belt.Thickness, 1.2*size)
			a := math.Atan(size/s.Belt.Thickness) * 180 / math.Pi
			s.Cut.BevelLeft, s.Cut.BevelRight = a, a
		}},
	{"ragged", "ragged, frayed cut", "root mean square of the cut from its straight line", 0.3, 0.8, 3, false,
		func(s *Scene, size float64) {
			s.Cut.RaggedWave = 6
			s.Cut.Ragged = size / s.rms(Cut{Ragged: 1, RaggedWave: 6})
			s.Cut.Fringe = int(math.Min(600, 250*size))
		}},
	{"wrong_side", "cut on the wrong side of the mark", "how far up the belt the middle of the drawn line lies from the cut", 6, 10, 40, false,
		func(s *Scene, size float64) {
			s.Line = s.drawnLine()
			s.Line.Y, s.Line.Offset = size, s.Cut.Offset
		}},
	{"mirror", "mark or mirror mix-up", "offset of the cut; the drawn line has the same one the other way", 2, 8, 25, true,
		func(s *Scene, size float64) {
			s.Cut.Offset = size
			s.Line = s.drawnLine()
			s.Line.Y, s.Line.Offset = math.Abs(size)+25, -size
		}},
	{"small_card", "measured with one small card", "length of the card's printed board", 90, 120, 150, false,
		func(s *Scene, size float64) {
			y := s.Belt.Width * 0.35
			if len(s.Cards) > 0 {
				y = s.Cards[0].Y
			}
			s.Cards = []Card{{Board: SmallBoard(size), X: (chance(s.Seed, 702) - 0.5) * 0.3 * s.Belt.Width, Y: y, Turn: 30 * (chance(s.Seed, 703) - 0.5), Lift: 0.1}}
		}},
	{"not_flat", "belt not flat", "height of the waves in the belt", 10, 40, 80, false,
		func(s *Scene, size float64) { s.Belt.Buckle, s.Belt.BuckleWave = size, 550 }},
}

// ErrorOf finds an error by its code.
func ErrorOf(code string) (Error, bool) {
	for _, e := range Errors {
		if e.Code == code {
			return e, true
		}
	}
	return Error{}, false
}

// Apply spoils the scene's belt end. Cards and camera stand already: the error
// small_card changes the cards.
func (e Error) Apply(s *Scene, size float64) error {
	v := size
	if e.Signed {
		v = math.Abs(size)
	}
	if !(v >= e.Least && v <= e.Most) {
		return fmt.Errorf("size of the error %s is %g mm, must be %g to %g", e.Code, size, e.Least, e.Most)
	}
	e.apply(s, size)
	return nil
}

// SmallBoard is the reference of the error small_card as ParseBoard reads it.
func SmallBoard(length float64) string {
	square := math.Round(length/4*10) / 10
	return fmt.Sprintf("4x3:%.4g/%.4g:4X4_50", square, math.Round(square*7.5)/10)
}

// badEdge lets one edge lose width towards the end and squares the cut to it.
// The frame is that of the centreline: both edges lean from it alike, the worn
// one runs (taper / 2) inwards for each mm down the belt, and square to it is a
// slope of taper / 2 across.
func badEdge(s *Scene, size float64) {
	s.Belt.Taper = 2000 * math.Abs(size) / s.Belt.Width
	s.Cut.Offset = size
	worn := &s.Belt.Right
	if size > 0 {
		worn = &s.Belt.Left
	}
	worn.Wave, worn.WaveLength, worn.Fray, worn.Lip = 0.4, 200, 0.3, 7
	for i := range 3 {
		worn.Nicks = append(worn.Nicks, Nick{Y: 90 + 600*chance(s.Seed, 704, i), Length: 15 + 40*chance(s.Seed, 705, i), Depth: 3 + 5*chance(s.Seed, 706, i)})
	}
}

// drawnLine is a line that shows on the scene's belt.
func (s *Scene) drawnLine() *Line {
	l := &Line{Kind: "chalk", Width: 3, Wander: 0.2, WanderWave: 200, Inset: 2}
	if looks[s.Belt.Look].top[1] > 0.15 {
		l.Kind, l.Colour, l.Width = "pen", "black", 2
	}
	return l
}

// rms is how far a cut lies from its straight line, across the scene's belt.
func (s *Scene) rms(c Cut) float64 {
	alone := Scene{Seed: s.Seed, Belt: Belt{Width: s.Belt.Width, Length: 100}, Cut: c}
	pts := alone.outline().cut
	a, b := fitLine(pts)
	sum := 0.0
	for _, p := range pts {
		d := (p.Y - a - b*p.X) / math.Hypot(1, b)
		sum += d * d
	}
	return math.Sqrt(sum / float64(len(pts)))
}

// Stand puts the camera where it just sees the belt from below its cut up to a
// length, and lays the project's cards on the belt, near both edges where there
// are two. Angles as in Camera, degrees. The scene's seed chooses the places.
func (s *Scene) Stand(tilt, azimuth, roll, length float64, cards int) {
	m := &maker{rand.New(rand.NewPCG(uint64(s.Seed), 700)), s}
	m.stand(tilt, azimuth, roll, length)
	m.cards(cards, length*0.97)
}
