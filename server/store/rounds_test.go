package store

import (
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"time"

	"beltend/server/archive"
	"beltend/server/training"
)

func said(verdict string) training.Answered {
	return training.Answered{Exercise: training.Default(), Answer: training.Answer{Verdict: verdict}, Marks: training.Marks{Verdict: 4}, Right: training.Recut, Offset: 8,
		Time: time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)}
}

func TestAnswersOfARoundComeInOrderAndOnce(t *testing.T) {
	drawn := 0
	s := open(t, t.TempDir(), &drawn)
	site, err := s.Archive.PutSite(t.Context(), local.Actor, archive.Site{Name: "quarry"}, "")
	if err != nil {
		t.Fatal(err)
	}
	r, err := s.BeginRound(t.Context(), local.Actor, training.Round{Person: "Ole", Site: site.ID, Seed: 1, Questions: 2})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		i    int
		want error
	}{{1, training.ErrOrder}, {0, nil}, {0, training.ErrOrder}, {1, nil}, {2, training.ErrOrder}} {
		if err := s.AnswerRound(t.Context(), local.Actor, r.ID, c.i, said(training.Recut)); !errors.Is(err, c.want) {
			t.Errorf("answer %d: %v, want %v", c.i, err, c.want)
		}
	}
	got, err := s.Round(t.Context(), archive.SomeSites(site.ID), r.ID)
	if err != nil || !got.Done() || got.Answers[1].Offset != 8 || !got.Answers[1].Time.Equal(said("").Time) {
		t.Errorf("%+v, %v", got, err)
	}
	if _, err := s.Round(t.Context(), archive.SomeSites("other"), r.ID); !errors.Is(err, training.ErrNoRound) {
		t.Errorf("another site's: %v", err)
	}
	for _, bad := range []training.Round{{Person: " ", Questions: 1}, {Person: "Ole", Questions: 0}, {Person: "Ole", Questions: 1, Site: archive.NewID()}} {
		if _, err := s.BeginRound(t.Context(), local.Actor, bad); err == nil {
			t.Errorf("begun: %+v", bad)
		}
	}
}

// Rounds of an earlier file come into the record once, however often it is read.
func TestEarlierRoundsAreTakenOver(t *testing.T) {
	drawn := 0
	s := open(t, t.TempDir(), &drawn)
	site, err := s.Archive.PutSite(t.Context(), local.Actor, archive.Site{Name: "quarry"}, "")
	if err != nil {
		t.Fatal(err)
	}
	var file strings.Builder
	for _, l := range []any{map[string]any{"begin": training.Round{ID: "abc", Person: "Ines", Seed: 7, Questions: 3, Sites: []string{"gone", site.ID}, Started: time.Date(2026, 3, 4, 5, 6, 0, 0, time.UTC)}},
		map[string]any{"round": "abc", "answer": said(training.Recut)}, map[string]any{"round": "abc", "answer": said(training.Good)}} {
		if err := json.NewEncoder(&file).Encode(l); err != nil {
			t.Fatal(err)
		}
	}
	for range 2 {
		if n, err := s.TakeOverRounds(t.Context(), local.Actor, strings.NewReader(file.String())); err != nil || n != 1 {
			t.Fatalf("%d rounds, %v", n, err)
		}
	}
	got, err := s.Rounds(t.Context(), archive.RoundQuery{Sites: archive.SomeSites(site.ID)})
	if err != nil || len(got) != 1 || len(got[0].Answers) != 2 || got[0].Answers[1].Answer.Verdict != training.Good || got[0].Started.Year() != 2026 {
		t.Errorf("%+v, %v", got, err)
	}
}
