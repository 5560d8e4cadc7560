package training

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"time"

	"beltend/server/table"
)

// What is answered where a round cannot do what is asked.
var (
	ErrNoRound = errors.New("there is no such round")
	ErrOrder   = errors.New("this question is answered already, or is not the next one")
)

// EarlierFile is where rounds were kept in a data folder before the record had them:
// one JSON object a line.
const EarlierFile = "training.jsonl"

// ReadEarlier reads such a file. What follows its last line end was being written when
// the program was killed, and is left out.
func ReadEarlier(file io.Reader) ([]*Round, error) {
	type line struct {
		Begin  *Round    `json:"begin,omitempty"`
		Round  string    `json:"round,omitempty"`
		Answer *Answered `json:"answer,omitempty"`
	}
	var rounds []*Round
	byID := map[string]*Round{}
	r := bufio.NewReader(file)
	for n := 1; ; n++ {
		text, err := r.ReadBytes('\n')
		if errors.Is(err, io.EOF) {
			return rounds, nil
		}
		if err != nil {
			return nil, fmt.Errorf("read the rounds: %w", err)
		}
		var l line
		if err := json.Unmarshal(text, &l); err != nil {
			return nil, fmt.Errorf("read the rounds: line %d: %w", n, err)
		}
		switch {
		case l.Begin != nil:
			rounds, byID[l.Begin.ID] = append(rounds, l.Begin), l.Begin
		case l.Answer != nil && byID[l.Round] != nil:
			byID[l.Round].Answers = append(byID[l.Round].Answers, *l.Answer)
		default:
			return nil, fmt.Errorf("read the rounds: line %d: neither a round nor an answer of one", n)
		}
	}
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
