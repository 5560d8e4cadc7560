package training

import (
	"bufio"
	"bytes"
	"crypto/rand"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"beltend/server/table"
)

// MostRounds is how many rounds a book holds.
const MostRounds = 5000

// What a book answers where it cannot do what is asked.
var (
	ErrNoRound = errors.New("there is no such round")
	ErrFull    = fmt.Errorf("the book holds its %d rounds: export them and begin a new file", MostRounds)
	ErrOrder   = errors.New("this question is answered already, or is not the next one")
)

// Book keeps rounds: in memory, and in a file of its own where one is given,
// one JSON object a line, only ever added to. It is safe for many goroutines,
// not for several processes.
type Book struct {
	mu     sync.Mutex
	file   *os.File // nil: in memory alone
	size   int64    // of the file's whole lines
	rounds map[string]*Round
	order  []string // as begun
}

// line is one line of the file.
type line struct {
	Begin  *Round    `json:"begin,omitempty"`
	Round  string    `json:"round,omitempty"`
	Answer *Answered `json:"answer,omitempty"`
}

// FileName is the book's name in a data folder.
const FileName = "training.jsonl"

// OpenBook reads the book of a data folder, or begins one. No folder: the rounds
// are kept until the program ends.
func OpenBook(folder string) (*Book, error) {
	b := &Book{rounds: map[string]*Round{}}
	if folder == "" {
		return b, nil
	}
	f, err := os.OpenFile(filepath.Join(folder, FileName), os.O_RDWR|os.O_CREATE|os.O_APPEND, 0o600)
	if err != nil {
		return nil, fmt.Errorf("open the book of rounds: %w", err)
	}
	if err := b.read(f); err != nil {
		return nil, errors.Join(fmt.Errorf("read the book of rounds %s: %w", f.Name(), err), f.Close())
	}
	b.file = f
	return b, nil
}

// read replays a file. What follows its last line end was being written when
// the program was killed, and is cut off.
func (b *Book) read(f *os.File) error {
	r := bufio.NewReader(f)
	for n := 1; ; n++ {
		text, err := r.ReadBytes('\n')
		if errors.Is(err, io.EOF) {
			if len(text) == 0 {
				return nil
			}
			return f.Truncate(b.size)
		}
		if err != nil {
			return err
		}
		b.size += int64(len(text))
		var l line
		if err := json.Unmarshal(text, &l); err != nil {
			return fmt.Errorf("line %d: %w", n, err)
		}
		switch {
		case l.Begin != nil:
			b.keep(l.Begin)
		case l.Answer != nil && b.rounds[l.Round] != nil:
			r := b.rounds[l.Round]
			r.Answers = append(r.Answers, *l.Answer)
		default:
			return fmt.Errorf("line %d: neither a round nor an answer of one", n)
		}
	}
}

func (b *Book) keep(r *Round) {
	b.rounds[r.ID] = r
	b.order = append(b.order, r.ID)
}

// write adds a line to the file.
func (b *Book) write(l line) error {
	if b.file == nil {
		return nil
	}
	text, err := json.Marshal(l)
	if err != nil {
		return fmt.Errorf("write the book of rounds: %w", err)
	}
	n, err := b.file.Write(append(text, '\n'))
	if err == nil {
		err = b.file.Sync()
	}
	if err != nil { // half a line would spoil those after it
		return errors.Join(fmt.Errorf("write the book of rounds: %w", err), b.file.Truncate(b.size))
	}
	b.size += int64(n)
	return nil
}

// Kept says whether rounds outlive the program.
func (b *Book) Kept() bool { return b.file != nil }

// Close closes the file.
func (b *Book) Close() error {
	if b.file == nil {
		return nil
	}
	return b.file.Close()
}

// Begin begins a round that people of these sites see.
func (b *Book) Begin(person string, sites []string, seed int64, questions int, now time.Time) (Round, error) {
	r := Round{ID: strings.ToLower(rand.Text()), Person: strings.TrimSpace(person), Sites: slices.Clone(sites), Seed: seed, Questions: questions, Started: now.UTC()}
	if err := r.Check(); err != nil {
		return r, err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.order) >= MostRounds {
		return r, ErrFull
	}
	if err := b.write(line{Begin: &r}); err != nil {
		return r, err
	}
	kept := r
	b.keep(&kept)
	return r, nil
}

// Round finds a round.
func (b *Book) Round(id string) (Round, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	r := b.rounds[id]
	if r == nil {
		return Round{}, ErrNoRound
	}
	return r.copy(), nil
}

func (r *Round) copy() Round {
	c := *r
	c.Answers = slices.Clone(r.Answers)
	return c
}

// Answer keeps the answer to question i (from 0), which must be the next one.
func (b *Book) Answer(id string, i int, a Answered) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	r := b.rounds[id]
	switch {
	case r == nil:
		return ErrNoRound
	case i != len(r.Answers) || r.Done():
		return ErrOrder
	}
	a.Time = a.Time.UTC()
	if err := b.write(line{Round: id, Answer: &a}); err != nil {
		return err
	}
	r.Answers = append(r.Answers, a)
	return nil
}

// Rounds lists all rounds, the newest first.
func (b *Book) Rounds() []Round {
	b.mu.Lock()
	defer b.mu.Unlock()
	out := make([]Round, 0, len(b.order))
	for i := len(b.order) - 1; i >= 0; i-- {
		out = append(out, b.rounds[b.order[i]].copy())
	}
	return out
}

// CSV is every answer of some rounds, a line each, for a table program. Offsets
// in mm.
func CSV(rounds []Round) ([]byte, error) {
	var buf bytes.Buffer
	w := csv.NewWriter(&buf)
	rows := [][]string{{"person", "round", "seed", "question", "error", "size_mm", "right_answer", "answer", "true_offset_mm", "long_side", "amount_mm", "cut_back_mm",
		"points_verdict", "points_side", "points_amount", "points_cut", "points", "most", "dangerous", "time"}}
	number := func(v *float64) string {
		if v == nil {
			return ""
		}
		return strconv.FormatFloat(*v, 'f', 1, 64)
	}
	for _, r := range rounds {
		for i, a := range r.Answers {
			m := a.Marks
			rows = append(rows, []string{
				table.Harmless(r.Person), r.ID, strconv.FormatInt(r.Seed, 10), strconv.Itoa(i + 1), a.Exercise.Error, number(&a.Exercise.Size), a.Right, a.Answer.Verdict,
				number(&a.Offset), a.Answer.Long, number(a.Answer.Amount), number(m.Back),
				strconv.Itoa(m.Verdict), strconv.Itoa(m.Long), strconv.Itoa(m.Amount), strconv.Itoa(m.Cut), strconv.Itoa(m.Total()), strconv.Itoa(MostPoints),
				strconv.FormatBool(m.Dangerous), a.Time.Format(time.RFC3339),
			})
		}
	}
	if err := w.WriteAll(rows); err != nil {
		return nil, fmt.Errorf("write the scores: %w", err)
	}
	return buf.Bytes(), nil
}
