package training

import (
	"math"
	"math/rand/v2"
	"time"
	"unicode/utf8"

	"beltend/geometry"
	"beltend/vision/render"
)

// MostQuestions is the longest round.
const MostQuestions = 40

// Round is one person's way through the questions of a seed.
type Round struct {
	ID        string     `json:"id"`
	Person    string     `json:"person"`
	Seed      int64      `json:"seed"`
	Questions int        `json:"questions"`
	Started   time.Time  `json:"started"`
	Answers   []Answered `json:"answers"`         // in the order of the questions
	Site      string     `json:"site,omitempty"`  // others do not see it
	Sites     []string   `json:"sites,omitempty"` // of earlier files: those of whoever began it
}

// Answered is a question with what was said and what it was worth.
type Answered struct {
	Exercise Exercise  `json:"exercise"`
	Answer   Answer    `json:"answer"`
	Marks    Marks     `json:"marks"`
	Right    string    `json:"right"`          // verdict
	Offset   float64   `json:"true_offset_mm"` //
	Time     time.Time `json:"time"`
}

// Check names what cannot be a round.
func (r *Round) Check() error {
	if n := utf8.RuneCountInString(r.Person); n < 1 || n > 80 {
		return geometry.Wrong("person", "give a name of 1 to 80 letters").Coded("training_name", nil)
	}
	return geometry.InRange(
		geometry.Range{Name: "questions", V: float64(r.Questions), Lo: 1, Hi: MostQuestions, Want: "how many questions the round has"},
		geometry.Range{Name: "seed", V: float64(r.Seed), Hi: MostSeed, Want: "a whole number, the same for a whole class"},
	)
}

// Points are those so far, and the most that could have been had.
func (r *Round) Points() (points, most int) {
	for _, a := range r.Answers {
		points += a.Marks.Total()
	}
	return points, MostPoints * len(r.Answers)
}

// Done says whether all questions are answered.
func (r *Round) Done() bool { return len(r.Answers) >= r.Questions }

// goodShare is how many good ends stand among the errors of one turn: without
// them "cut again" would always be right.
const goodShare = 3

// Question is question i (from 0) of a seed: the same for everybody. All errors
// come once in a turn, together with some good ends, in an order of chance.
func Question(seed int64, i int) (Exercise, error) {
	turn := append([]string(nil), Codes...)
	for range goodShare - 1 {
		turn = append(turn, None)
	}
	n := len(turn)
	order := rand.New(rand.NewPCG(uint64(seed), uint64(i/n)))
	order.Shuffle(n, func(a, b int) { turn[a], turn[b] = turn[b], turn[a] })
	m := rand.New(rand.NewPCG(uint64(seed)^0x62656c74, uint64(i)))
	e := Exercise{
		Error: turn[i%n],
		Width: []float64{500, 600, 650, 800, 800, 1000, 1200}[m.IntN(7)],
		Look:  Looks[m.IntN(len(Looks))], Light: Lights[m.IntN(len(Lights))], Camera: Cameras[m.IntN(len(Cameras))],
		Seed: m.Int64N(MostSeed),
	}
	spoilt, ok := render.ErrorOf(e.Error)
	if !ok {
		return e, e.Check()
	}
	lo, hi := math.Max(spoilt.Least, spoilt.Usual/2), math.Min(spoilt.Most, spoilt.Usual*2)
	size := lo * math.Pow(hi/lo, m.Float64())
	sign := 1.0
	if spoilt.Signed && m.IntN(2) == 0 {
		sign = -1
	}
	// No question near the limit: it would be decided by luck.
	for {
		e.Size = sign * math.Round(10*size) / 10
		clear, err := e.clear()
		if err != nil || clear || size >= spoilt.Most {
			return e, err
		}
		size = math.Min(spoilt.Most, 1.3*size)
	}
}

// clear says whether the verdict is beyond doubt.
func (e Exercise) clear() (bool, error) {
	s, err := e.Scene(ScreenSize)
	if err != nil {
		return false, err
	}
	w, err := e.Solve(&s)
	if err != nil {
		return false, err
	}
	worst := math.Max(math.Max(math.Abs(w.Offset), w.Straight), math.Max(w.Bevel, w.Mark)) / w.Allowed
	return w.Verdict == Cannot || worst > 1.6 || worst < 0.6, nil
}
