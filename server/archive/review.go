package archive

import (
	"context"
	"strings"

	"beltend/server/result"
)

// reviewOpen is the state of a measurement without a sign-off. One that was refused or
// stands beside another has no state: it needs none.
const reviewOpen = "open"

// setReviewState notes the latest sign-off, to search by.
func (t *Tx) setReviewState(ctx context.Context, r *Review) error {
	_, err := t.Exec(ctx, "UPDATE review_state SET state = ? WHERE n = (SELECT n FROM measurement WHERE id = ?)", r.Outcome, r.Measurement)
	return err
}

// AddReview keeps a sign-off. The archive numbers it: the second must come
// from another person (PersonID, or Person where there are no accounts), and send
// the measurement back or agree with the first; otherwise, and after two,
// Conflict. Accepted is for verdict square alone. A measurement sent back takes no further
// sign-off, one that was refused, made again or stands beside another none at all.
func (a *Archive) AddReview(ctx context.Context, by Actor, r Review) (Review, error) {
	if err := check(needed("measurement", r.Measurement), oneOf("outcome", r.Outcome, Accepted, SentBack, Concession), name("person", r.Person),
		text("person id", r.PersonID, 200), text("reason", r.Reason, 2000), text("concession by", r.ConcessionBy, 200)); err != nil {
		return r, err
	}
	if r.Outcome != Accepted && strings.TrimSpace(r.Reason) == "" {
		return r, Wrong("reason", "review_reason", nil, "sending back and conceding need one.")
	}
	if r.Outcome == Concession && strings.TrimSpace(r.ConcessionBy) == "" {
		return r, Wrong("concession by", "concession_by", nil, "say who conceded.")
	}
	r.Time = kept(r.Time)
	if r.Time.IsZero() {
		r.Time = now()
	}
	r.ID = NewID()
	given := r
	err := a.Write(ctx, func(tx *Tx) error {
		r = given
		var verdict, beside string
		if err := tx.Row(ctx, []any{&r.Site, &r.Joint, &verdict, &beside}, "SELECT site, joint, verdict, beside FROM measurement WHERE id = ?", r.Measurement); err != nil {
			return missing(err, "measurement")
		}
		if beside != "" {
			return Clash("judge_first", "This stands beside another measurement, to compare. Judge that one.", nil)
		}
		if verdict == refused {
			return Clash("nothing_to_sign", "These photos gave no answer, so there is nothing to sign off. Measure the end again.", nil)
		}
		if r.Outcome == Accepted && verdict != string(result.Square) {
			return Clash("only_square", "Only what was measured square can be accepted. Send it back, or record a concession and by whom it is given.", nil)
		}
		var again int
		if err := tx.Row(ctx, []any{&again}, "SELECT COUNT(*) FROM measurement WHERE supersedes = ? AND supersedes <> ''", r.Measurement); err != nil {
			return err
		}
		if again > 0 {
			return fail(Conflict, "This was made again since, and the newer result stands. Judge that one.", nil)
		}
		before, err := many[Review](ctx, tx, "SELECT body FROM review WHERE measurement = ? ORDER BY sign", r.Measurement)
		if err != nil {
			return err
		}
		r.Sign = len(before) + 1
		if err := follows(r, before); err != nil {
			return err
		}
		if err := tx.setReviewState(ctx, &r); err != nil {
			return err
		}
		return tx.add(ctx, by, reviewKind, r, r.Site, r.Reason, r.ID)
	})
	return r, err
}

// follows says whether a sign-off may come after those before it.
func follows(r Review, before []Review) error {
	if len(before) == 0 {
		return nil
	}
	first := before[0]
	switch {
	case len(before) > 1:
		return Clash("signed_twice", "This measurement has both sign-offs already.", nil)
	case first.Outcome == SentBack:
		return Clash("sent_back_already", "This measurement was sent back; judge the next one.", nil)
	case samePerson(r, first):
		return Clash("other_person", "The second sign-off must come from another person.", nil)
	case r.Outcome != SentBack && r.Outcome != first.Outcome:
		return Clash("must_agree", "The second sign-off must agree with the first, or send the measurement back.", nil)
	}
	return nil
}

func samePerson(a, b Review) bool {
	if a.PersonID != "" && b.PersonID != "" {
		return a.PersonID == b.PersonID
	}
	return strings.EqualFold(a.Person, b.Person)
}

// Reviews lists a joint's sign-offs, oldest first.
func (a *Archive) Reviews(ctx context.Context, sites Sites, joint string) ([]Review, error) {
	return list[Review](ctx, a, reviewKind, sites, "site", " AND joint = ? ORDER BY time, sign, id", joint)
}
