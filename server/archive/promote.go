package archive

import (
	"context"
	"strings"
)

// Promote makes the result of a measurement beside another the joint's answer from now
// on, for a reason. What is kept for that is a measurement of its own: the newer result
// as it is, at the time and place of the answer that it supersedes and with no sign-off
// yet. Both earlier ones, and the sign-offs on the answer, stay as they are; a closed
// joint is open again. Conflict where the result cannot take that place: it was refused,
// is beside nothing, its answer was made again since, or photos are gone.
func (a *Archive) Promote(ctx context.Context, by Actor, sites Sites, id, reason string) (Measurement, error) {
	var m Measurement
	err := a.Write(ctx, func(tx *Tx) error {
		newer, err := tx.promotable(ctx, sites, id, reason)
		if err != nil {
			return err
		}
		first, err := one[Measurement](ctx, tx, "SELECT body FROM measurement_body WHERE id = ?", newer.Beside)
		if err != nil {
			return err
		}
		m = newer
		m.ID, m.Time, m.Beside, m.Supersedes, m.Promotes = NewID(), first.Time, "", first.ID, newer.ID
		codes, err := m.takeResult()
		if err != nil {
			return err
		}
		if m.ResultSHA256 != newer.ResultSHA256 {
			return fail(Damaged, "The result of this measurement is not what was kept. Run beltend archive verify.", nil)
		}
		if err := tx.addMeasurement(ctx, by, &m, codes, reason); err != nil {
			return err
		}
		return tx.reopen(ctx, by, m.Joint, reason)
	})
	return m, err
}

// promotable reads a measurement that may take the place of the one it stands beside.
func (t *Tx) promotable(ctx context.Context, sites Sites, id, reason string) (Measurement, error) {
	where, args := sites.where("m.site")
	m, err := one[Measurement](ctx, t, "SELECT b.body FROM measurement_body b JOIN measurement m ON m.id = b.id WHERE m.id = ? AND "+where, append([]any{id}, args...)...)
	if kindOf(err) == NotFound {
		err = fail(NotFound, "There is no such measurement.", nil)
	}
	if err != nil {
		return m, err
	}
	var result string
	var again, gone int
	if err := t.Row(ctx, []any{&result, &again, &gone}, `SELECT b.result, (SELECT COUNT(*) FROM measurement x WHERE x.supersedes = ? AND x.supersedes <> ''),
		(SELECT COUNT(*) FROM measurement_file f JOIN photo_removal d ON d.sha256 = f.sha256 WHERE f.measurement = b.id AND d.site = ? AND d.removed)
		FROM measurement_body b WHERE b.id = ?`, m.Beside, m.Site, id); err != nil {
		return m, err
	}
	m.Result = []byte(result)
	switch {
	case strings.TrimSpace(reason) == "":
		return m, Wrong("reason", "newer_reason", nil, "say why the newer result stands from now on.")
	case m.Beside == "":
		return m, Clash("promote_none", "This stands beside no other measurement, so it takes no other's place.", nil)
	case m.Refusal != "":
		return m, Clash("promote_refused", "The photos gave no answer this time, so there is none to stand. Send the present answer back instead.", nil)
	case again > 0:
		return m, Clash("promote_newer", "The answer that this stands beside was made again since. Judge the newest.", nil)
	case gone > 0:
		return m, Clash("promote_photos", "Photos of this measurement were taken away by a rule of retention, so nobody can judge it.", nil)
	}
	return m, nil
}

// reopen opens a joint that was closed: something is to be judged anew.
func (t *Tx) reopen(ctx context.Context, by Actor, id, reason string) error {
	j, err := one[Joint](ctx, t, "SELECT body FROM joint WHERE id = ?", id)
	if err != nil || !j.Closed {
		return err
	}
	j.Version++
	j.Closed = false
	body, err := canonical(j)
	if err != nil {
		return fail(Invalid, "The record cannot be written as JSON", err)
	}
	if err := jointKind.change(ctx, t, body); err != nil {
		return err
	}
	_, err = t.event(ctx, by, Event{What: jointKind.name + ".changed", Site: j.Site, Subject: jointKind.subject(j.ID), Reason: reason}, body, jointKind.keeps)
	return err
}
