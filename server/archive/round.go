package archive

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"time"
)

// Round is one person's way through a trainer's questions. It does not change; its
// answers are records of their own.
type Round struct {
	ID        string    `json:"id"`
	Site      string    `json:"site"` // empty: begun where there was no site yet
	Person    string    `json:"person"`
	Seed      int64     `json:"seed"` // the same one asks the same questions
	Questions int       `json:"questions"`
	Started   time.Time `json:"started"` // zero: now
}

// RoundAnswer is the answer to one question of a round.
type RoundAnswer struct {
	ID     string          `json:"id"`
	Site   string          `json:"site"` // from the round
	Round  string          `json:"round"`
	Number int             `json:"number"` // of the question, from 1
	Time   time.Time       `json:"time"`   // zero: now
	Answer json.RawMessage `json:"answer"` // what was asked, said and right, as package training writes it
}

const (
	MostRounds = 5000 // in one list
	mostAnswer = 8000 // bytes
)

// AddRound keeps the beginning of a round. Its ID may be given, with NewID; a second
// with the same is a Conflict.
func (a *Archive) AddRound(ctx context.Context, by Actor, r Round) (Round, error) {
	if err := check(name("person", r.Person)); err != nil {
		return r, err
	}
	if r.Questions < 1 {
		return r, fail(Invalid, "questions: a round has at least one.", nil)
	}
	if r.Started = kept(r.Started); r.Started.IsZero() {
		r.Started = now()
	}
	if r.ID == "" {
		r.ID = NewID()
	} else if err := identifier("round id", r.ID); err != nil {
		return r, err
	}
	err := a.Write(ctx, func(tx *Tx) error {
		if r.Site != "" {
			if _, err := one[Site](ctx, tx, "SELECT body FROM site WHERE id = ?", r.Site); err != nil {
				return missing(err, "site")
			}
		}
		return tx.add(ctx, by, roundKind, r, r.Site, "", r.ID)
	})
	return r, err
}

// AddRoundAnswer keeps the answer to the next question of a round; Conflict where it
// is not the next, or the round is done.
func (a *Archive) AddRoundAnswer(ctx context.Context, by Actor, r RoundAnswer) (RoundAnswer, error) {
	if err := check(needed("round", r.Round)); err != nil {
		return r, err
	}
	if len(r.Answer) > mostAnswer {
		return r, fail(Invalid, fmt.Sprintf("answer: has more than %d bytes.", mostAnswer), nil)
	}
	if r.Time = kept(r.Time); r.Time.IsZero() {
		r.Time = now()
	}
	r.ID = newID(r.Time)
	err := a.Write(ctx, func(tx *Tx) error {
		round, err := one[Round](ctx, tx, "SELECT body FROM round WHERE id = ?", r.Round)
		if err != nil {
			return missing(err, "round")
		}
		var answered int
		if err := tx.Row(ctx, []any{&answered}, "SELECT COUNT(*) FROM round_answer WHERE round = ?", r.Round); err != nil {
			return err
		}
		if r.Number != answered+1 || r.Number > round.Questions {
			return fail(Conflict, "This question is answered already, or it is not the next one.", nil)
		}
		r.Site = round.Site
		return tx.add(ctx, by, roundAnswerKind, r, r.Site, "", r.ID)
	})
	return r, err
}

// RoundQuery asks for rounds, the newest first. Rounds without a site are seen with
// AllSites alone.
type RoundQuery struct {
	Sites Sites
	ID    string // one round
	Seed  *int64
	Limit int // 1 to 5000; 0: 50
}

// Rounds lists rounds and their answers, by the round's ID in the order of the
// questions.
func (a *Archive) Rounds(ctx context.Context, q RoundQuery) ([]Round, map[string][]RoundAnswer, error) {
	if q.Limit == 0 {
		q.Limit = 50
	}
	if q.Limit < 1 || q.Limit > MostRounds {
		return nil, nil, fail(Invalid, fmt.Sprintf("limit: %d is not from 1 to %d.", q.Limit, MostRounds), nil)
	}
	where, args := q.Sites.where("site")
	if q.ID != "" {
		where, args = where+" AND id = ?", append(args, q.ID)
	}
	if q.Seed != nil {
		where, args = where+" AND seed = ?", append(args, *q.Seed)
	}
	these := " FROM round WHERE " + where + " ORDER BY started DESC, id DESC LIMIT ?"
	args = append(args, q.Limit)
	var rounds []Round
	answers := map[string][]RoundAnswer{}
	err := a.Read(ctx, func(tx *Tx) (err error) {
		if rounds, err = many[Round](ctx, tx, "SELECT body"+these, args...); err != nil {
			return err
		}
		all, err := many[RoundAnswer](ctx, tx, "SELECT body FROM round_answer WHERE round IN (SELECT id FROM (SELECT id"+these+") AS these) ORDER BY round, number", args...)
		for _, one := range all {
			answers[one.Round] = append(answers[one.Round], one)
		}
		return err
	})
	return rounds, answers, err
}

// RoundID is an ID for a round that was kept elsewhere under another, always the same.
func RoundID(elsewhere string) string {
	return strings.ToLower(hashOf([]byte("round " + elsewhere))[:32])
}
