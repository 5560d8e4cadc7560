package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"beltend/server/archive"
	"beltend/server/training"
)

// BeginRound keeps the beginning of a trainer's round.
func (s *Store) BeginRound(ctx context.Context, by archive.Actor, r training.Round) (training.Round, error) {
	if err := r.Check(); err != nil {
		return r, err
	}
	kept, err := s.Archive.AddRound(ctx, by, archive.Round{ID: r.ID, Site: r.Site, Person: r.Person, Seed: r.Seed, Questions: r.Questions, Started: r.Started})
	r.ID, r.Started = kept.ID, kept.Started
	return r, err
}

// AnswerRound keeps the answer to question i (from 0), which must be the next one.
func (s *Store) AnswerRound(ctx context.Context, by archive.Actor, round string, i int, a training.Answered) error {
	body, err := json.Marshal(a)
	if err != nil {
		return fmt.Errorf("write an answer: %w", err)
	}
	_, err = s.Archive.AddRoundAnswer(ctx, by, archive.RoundAnswer{Round: round, Number: i + 1, Time: a.Time, Answer: body})
	if errors.Is(err, archive.Conflict) {
		return training.ErrOrder
	}
	return err
}

// Rounds lists a trainer's rounds with their answers, the newest first.
func (s *Store) Rounds(ctx context.Context, q archive.RoundQuery) ([]training.Round, error) {
	rounds, answers, err := s.Archive.Rounds(ctx, q)
	if err != nil {
		return nil, err
	}
	var out []training.Round
	for _, r := range rounds {
		one := training.Round{ID: r.ID, Site: r.Site, Person: r.Person, Seed: r.Seed, Questions: r.Questions, Started: r.Started}
		for _, a := range answers[r.ID] {
			var said training.Answered
			if err := json.Unmarshal(a.Answer, &said); err != nil {
				return nil, fmt.Errorf("read an answer of round %s: %w", r.ID, err)
			}
			one.Answers = append(one.Answers, said)
		}
		out = append(out, one)
	}
	return out, nil
}

// Round finds one; training.ErrNoRound where it is not at these sites.
func (s *Store) Round(ctx context.Context, sites archive.Sites, id string) (training.Round, error) {
	rounds, err := s.Rounds(ctx, archive.RoundQuery{Sites: sites, ID: id})
	if err != nil || len(rounds) == 0 {
		return training.Round{}, errors.Join(err, noRound(err))
	}
	return rounds[0], nil
}

func noRound(err error) error {
	if err == nil {
		return training.ErrNoRound
	}
	return nil
}

// TakeOverRounds keeps the rounds of an earlier file; those that are here already are
// left as they are, so it may be called again. Each goes to the first of its sites.
func (s *Store) TakeOverRounds(ctx context.Context, by archive.Actor, file io.Reader) (int, error) {
	rounds, err := training.ReadEarlier(file)
	if err != nil {
		return 0, err
	}
	for _, r := range rounds {
		r.ID = archive.RoundID(r.ID)
		for _, site := range r.Sites {
			if _, err := s.Archive.Site(ctx, archive.AllSites(), site); err == nil {
				r.Site = site
				break
			}
		}
		if _, err := s.BeginRound(ctx, by, *r); err != nil && !errors.Is(err, archive.Conflict) {
			return 0, fmt.Errorf("take over a round of %s: %w", r.Person, err)
		}
		for i, a := range r.Answers {
			if err := s.AnswerRound(ctx, by, r.ID, i, a); err != nil && !errors.Is(err, training.ErrOrder) {
				return 0, fmt.Errorf("take over a round of %s: %w", r.Person, err)
			}
		}
	}
	return len(rounds), nil
}
