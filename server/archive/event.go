package archive

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"github.com/gowebpki/jcs"
)

// eventSchema names the way an event is hashed.
const eventSchema = "beltend.event/1"

// noHash stands for the event before the first.
var noHash = strings.Repeat("0", 64)

// hashOf is the SHA-256 of data in hexadecimal.
func hashOf(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

// canonical is a value's JSON, canonicalised by RFC 8785.
func canonical(v any) ([]byte, error) {
	plain, err := json.Marshal(v)
	if err != nil {
		return nil, err
	}
	return jcs.Transform(plain)
}

// bodyHash is the hash of all that an event says; see the package's doc.
func (e *Event) bodyHash(archive string) (string, error) {
	data, err := canonical(map[string]string{
		"archive": archive, "name": e.Name, "nonce": e.Nonce, "payload_sha256": e.PayloadSHA256, "reason": e.Reason,
		"site": e.Site, "subject": e.Subject, "time": e.Time.UTC().Format(eventTime), "what": e.What, "who": e.Who,
	})
	return hashOf(data), err
}

const eventTime = "2006-01-02T15:04:05.000000Z"

// chainHash ties an event's body to its number and to the event before.
func chainHash(seq int64, prev, body string) string {
	// Canonical by its form: the members in order, and nothing in them to escape.
	return hashOf(fmt.Appendf(nil, `{"body":"%s","prev":"%s","schema":"%s","seq":%d}`, body, prev, eventSchema, seq))
}

// Event writes an event that goes with no record of this package, such as a
// sign-in or a change of a role. what and subject are words without blanks,
// "account.added" and "account/ID". payload may be nil; it is kept with the
// event, so it must hold no secret.
func (t *Tx) Event(ctx context.Context, by Actor, what, site, subject, reason string, payload any) (Event, error) {
	if payload == nil {
		return t.event(ctx, by, Event{What: what, Site: site, Subject: subject, Reason: reason}, []byte("null"), false)
	}
	data, err := canonical(payload)
	if err != nil {
		return Event{}, fail(Invalid, "The event's payload cannot be written as JSON", err)
	}
	return t.event(ctx, by, Event{What: what, Site: site, Subject: subject, Reason: reason}, data, true)
}

// event completes and writes one. keep says whether the payload is kept with it.
func (t *Tx) event(ctx context.Context, by Actor, e Event, payload []byte, keep bool) (Event, error) {
	if by.ID == "" {
		return Event{}, fail(Invalid, "An event needs to know who acts.", nil)
	}
	if err := check(text("name", by.Name, 200), text("who", by.ID, 200), text("what", e.What, 100), text("subject", e.Subject, 300), text("reason", e.Reason, 2000)); err != nil {
		return Event{}, err
	}
	var nonce [16]byte
	_, _ = rand.Read(nonce[:]) // never fails
	e.Time, e.Who, e.Name, e.Nonce = now(), by.ID, by.Name, hex.EncodeToString(nonce[:])
	e.PayloadSHA256 = hashOf(payload)
	if keep {
		e.Payload = payload
	}
	body, err := e.bodyHash(t.head.Archive)
	if err != nil {
		return Event{}, err
	}
	e.Seq, e.Body, e.Prev = t.head.Seq+1, body, t.head.Hash
	e.Hash = chainHash(e.Seq, e.Prev, e.Body)
	return e, t.insertEvent(ctx, e)
}

// insertEvent adds the next event of the chain.
func (t *Tx) insertEvent(ctx context.Context, e Event) error {
	if e.Seq != t.head.Seq+1 || e.Prev != t.head.Hash {
		return fail(Conflict, fmt.Sprintf("Event %d does not follow event %d of this archive.", e.Seq, t.head.Seq), nil)
	}
	payload := sql.NullString{String: string(e.Payload), Valid: e.Payload != nil}
	_, err := t.Exec(ctx, `INSERT INTO event (seq, time, who, name, what, site, subject, reason, nonce, payload, payload_sha256, body, prev, hash)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		e.Seq, micros(e.Time), e.Who, e.Name, e.What, e.Site, e.Subject, e.Reason, e.Nonce, payload, e.PayloadSHA256, e.Body, e.Prev, e.Hash)
	if err != nil {
		return err
	}
	t.head.Seq, t.head.Hash = e.Seq, e.Hash
	return nil
}

const eventColumns = "seq, time, who, name, what, site, subject, reason, nonce, payload, payload_sha256, body, prev, hash"

func scanEvent(scan func(...any) error) (Event, error) {
	var e Event
	var at int64
	var payload sql.NullString
	err := scan(&e.Seq, &at, &e.Who, &e.Name, &e.What, &e.Site, &e.Subject, &e.Reason, &e.Nonce, &payload, &e.PayloadSHA256, &e.Body, &e.Prev, &e.Hash)
	e.Time = fromMicros(at)
	if payload.Valid {
		e.Payload = json.RawMessage(payload.String)
	}
	return e, err
}

// AddEvent writes an event in a transaction of its own; see Tx.Event.
func (a *Archive) AddEvent(ctx context.Context, by Actor, what, site, subject, reason string, payload any) (Event, error) {
	var e Event
	err := a.Write(ctx, func(tx *Tx) (err error) {
		e, err = tx.Event(ctx, by, what, site, subject, reason, payload)
		return err
	})
	return e, err
}

// Events lists events, newest first.
func (a *Archive) Events(ctx context.Context, q EventQuery) ([]Event, error) {
	where, args := q.Sites.where("site")
	if q.Subject != "" {
		where, args = where+" AND subject = ?", append(args, q.Subject)
	}
	if q.What != "" {
		where, args = where+" AND what = ?", append(args, q.What)
	}
	if q.Before > 0 {
		where, args = where+" AND seq < ?", append(args, q.Before)
	}
	limit, err := limitOf(q.Limit)
	if err != nil {
		return nil, err
	}
	var out []Event
	err = a.Read(ctx, func(tx *Tx) error {
		return tx.Rows(ctx, func(scan func(...any) error) error {
			e, err := scanEvent(scan)
			out = append(out, e)
			return err
		}, "SELECT "+eventColumns+" FROM event WHERE "+where+" ORDER BY seq DESC LIMIT ?", append(args, limit)...)
	})
	return out, err
}

// Head gives the present end of the chain.
func (a *Archive) Head(ctx context.Context) (Head, error) {
	var h Head
	err := a.Read(ctx, func(tx *Tx) (err error) {
		h, err = tx.Head(ctx)
		return err
	})
	return h, err
}

// Head gives the end of the chain as this transaction sees it.
func (t *Tx) Head(ctx context.Context) (Head, error) {
	if t.head.Archive != "" {
		return t.head, nil
	}
	var h Head
	err := t.Row(ctx, []any{&h.Archive, &h.Seq, &h.Hash}, "SELECT archive, seq, hash FROM chain")
	return h, err
}

// now is the time as it is kept.
func now() time.Time { return time.Now().UTC().Truncate(time.Microsecond) }

// kept is a time as it is kept; zero stays zero.
func kept(t time.Time) time.Time {
	if t.IsZero() {
		return time.Time{}
	}
	return t.UTC().Truncate(time.Microsecond)
}

func micros(t time.Time) int64 {
	if t.IsZero() {
		return 0
	}
	return t.UnixMicro()
}

func fromMicros(us int64) time.Time {
	if us == 0 {
		return time.Time{}
	}
	return time.UnixMicro(us).UTC()
}
