package archive

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
)

// Progress is told how far a long run has come.
type Progress func(step string, done, total int64)

func (p Progress) tell(step string, done, total int64) {
	if p != nil {
		p(step, done, total)
	}
}

// VerifyOptions of Verify.
type VerifyOptions struct {
	// Head that was printed or signed before: the archive must still contain it.
	// Archive may be empty.
	Head *Head
	Tell Progress
}

// Problem is one thing that is not as it was kept.
type Problem struct {
	Kind    string // damaged, missing, altered, or unrecorded (there without an event)
	Subject string // "photo/SITE/SHA256", "event/17", "joint/ID"
	Detail  string
}

func (p Problem) String() string { return p.Kind + ": " + p.Subject + ": " + p.Detail }

// Kinds of problems.
const (
	ProblemDamaged    = "damaged"
	ProblemMissing    = "missing"
	ProblemAltered    = "altered"
	ProblemUnrecorded = "unrecorded"
)

// Report is what Verify looked at and found.
type Report struct {
	Head     Head
	Events   int64
	Records  int64
	Photos   int64 // files hashed again
	Removed  int64 // photos whose files a rule of retention took away, as recorded
	Bytes    int64 // of these
	Leftover int64 // files that no record names: harmless, of uploads cut short
	Problems []Problem
}

func (r *Report) add(kind, subject, format string, args ...any) {
	r.Problems = append(r.Problems, Problem{kind, subject, fmt.Sprintf(format, args...)})
}

const verifyBatch = 500

// Verify follows the chain of events from its beginning, compares every record
// with its latest event and every column with its record, and hashes every
// photo again. The error is of the looking; what is wrong stands in the report.
func (a *Archive) Verify(ctx context.Context, o VerifyOptions) (*Report, error) {
	r := &Report{}
	err := a.Read(ctx, func(tx *Tx) error {
		if !a.db.postgres {
			o.Tell.tell("database file", 0, 0)
			if err := tx.quickCheck(ctx, r); err != nil {
				return err
			}
		}
		return tx.verifyRecords(ctx, r, o)
	})
	if err != nil {
		return r, err
	}
	return r, a.verifyPhotos(ctx, r, o.Tell)
}

// quickCheck lets SQLite look at its own file.
func (t *Tx) quickCheck(ctx context.Context, r *Report) error {
	return t.Rows(ctx, func(scan func(...any) error) error {
		var line string
		if err := scan(&line); err != nil {
			return err
		}
		if line != "ok" {
			r.add(ProblemDamaged, "database file", "%s", line)
		}
		return nil
	}, "PRAGMA quick_check")
}

// chain follows events one by one. It serves a whole archive and an export.
type chain struct {
	archive string
	last    Head
	report  *Report
	vouched map[int64]string // hashes that the chain must have at these numbers
}

// next checks one event's place in the chain and, unless it is withheld, that it
// says what was hashed.
func (c *chain) next(e *Event, withheld bool) {
	subject := fmt.Sprintf("event/%d", e.Seq)
	if e.Seq != c.last.Seq+1 {
		switch gap := e.Seq - c.last.Seq - 1; {
		case gap == 1:
			c.report.add(ProblemMissing, fmt.Sprintf("event/%d", e.Seq-1), "the event is gone")
		case gap > 1:
			c.report.add(ProblemMissing, fmt.Sprintf("event/%d", c.last.Seq+1), "events %d to %d are gone", c.last.Seq+1, e.Seq-1)
		default:
			c.report.add(ProblemAltered, subject, "it comes after event %d", c.last.Seq)
		}
	} else if e.Prev != c.last.Hash {
		c.report.add(ProblemAltered, subject, "it does not follow event %d as that is now", c.last.Seq)
	}
	if chainHash(e.Seq, e.Prev, e.Body) != e.Hash {
		c.report.add(ProblemAltered, subject, "its hash is not that of its place and body")
	}
	if !withheld {
		if body, err := e.bodyHash(c.archive); err != nil || body != e.Body {
			c.report.add(ProblemAltered, subject, "what it says (%s, %s) is not what was hashed", e.What, e.Subject)
		}
		if e.Payload != nil && hashOf(e.Payload) != e.PayloadSHA256 {
			c.report.add(ProblemAltered, subject, "the record kept with it is not the one that was hashed")
		}
	}
	if want, ok := c.vouched[e.Seq]; ok && want != e.Hash {
		c.report.add(ProblemAltered, subject, "its hash is not the one that was printed or signed: events up to here were altered")
	}
	c.last.Seq, c.last.Hash = e.Seq, e.Hash
	c.report.Events++
}

// end compares the last event with the head that is claimed.
func (c *chain) end(head Head) {
	for seq := range c.vouched {
		if seq > c.last.Seq {
			c.report.add(ProblemMissing, fmt.Sprintf("event/%d", c.last.Seq+1), "events %d to %d, which the printed or signed head vouches for, are gone", c.last.Seq+1, seq)
		}
	}
	switch {
	case head.Seq > c.last.Seq:
		c.report.add(ProblemMissing, fmt.Sprintf("event/%d", c.last.Seq+1), "events %d to %d are gone", c.last.Seq+1, head.Seq)
	case head.Seq < c.last.Seq, head.Hash != c.last.Hash:
		c.report.add(ProblemAltered, "chain", "it ends with event %d and another hash than its head says (%d)", c.last.Seq, head.Seq)
	}
}

// row is a stored record as columns and body.
type row struct {
	columns []any
	body    string
	result  string // of a measurement
}

func (t *Tx) verifyRecords(ctx context.Context, r *Report, o VerifyOptions) error {
	head, err := t.Head(ctx)
	if err != nil {
		return err
	}
	r.Head = head
	c := &chain{archive: head.Archive, last: Head{Hash: noHash}, report: r, vouched: map[int64]string{}}
	if o.Head != nil {
		if o.Head.Archive != "" && o.Head.Archive != head.Archive {
			r.add(ProblemAltered, "chain", "the head given is of another archive (%s, not %s)", o.Head.Archive, head.Archive)
		}
		c.vouched[o.Head.Seq] = o.Head.Hash
	}
	latest := map[string]string{} // hash of each record that may change, by subject
	for after := int64(-1 << 62); ; {
		var batch []Event
		err := t.Rows(ctx, func(scan func(...any) error) error {
			e, err := scanEvent(scan)
			batch = append(batch, e)
			return err
		}, "SELECT "+eventColumns+" FROM event WHERE seq > ? ORDER BY seq LIMIT ?", after, verifyBatch)
		if err != nil {
			return err
		}
		if len(batch) == 0 {
			break
		}
		fixed := map[*kind][]*Event{}
		for i := range batch {
			e := &batch[i]
			c.next(e, false)
			name, _, _ := strings.Cut(e.Subject, "/")
			if k := kindByName(name); k != nil && k.changes {
				latest[e.Subject] = e.PayloadSHA256
			} else if k != nil {
				fixed[k] = append(fixed[k], e)
			}
		}
		for k, events := range fixed {
			if err := t.verifyFixed(ctx, r, k, events); err != nil {
				return err
			}
		}
		after = batch[len(batch)-1].Seq
		o.Tell.tell("events and records", c.last.Seq, head.Seq)
	}
	c.end(head)
	for _, k := range kinds {
		if k.changes {
			err = t.verifyChanging(ctx, r, k, latest)
		} else {
			err = t.verifyRecorded(ctx, r, k)
		}
		if err != nil {
			return err
		}
	}
	if err := t.verifyFinishedFiles(ctx, r); err != nil {
		return err
	}
	for subject := range latest {
		r.add(ProblemMissing, subject, "the record is gone; its last state is with its latest event")
	}
	return nil
}

// selectRows is the query for whole rows.
func (k *kind) selectRows() string {
	if k == measurementKind {
		return "SELECT m." + strings.Join(k.columns, ", m.") + ", COALESCE(b.body, ''), COALESCE(b.result, '') FROM measurement m LEFT JOIN measurement_body b ON b.id = m.id"
	}
	return "SELECT " + strings.Join(k.columns, ", ") + ", body, '' FROM " + k.name + " m"
}

func (k *kind) scanRow(scan func(...any) error) (row, error) {
	w := row{columns: make([]any, len(k.columns))}
	dest := make([]any, 0, len(k.columns)+2)
	for i := range w.columns {
		dest = append(dest, &w.columns[i])
	}
	err := scan(append(dest, &w.body, &w.result)...)
	return w, err
}

func (k *kind) subjectOf(w row) string {
	key := make([]string, len(k.key))
	for i := range key {
		key[i] = fmt.Sprint(w.columns[i])
	}
	return k.subject(key...)
}

// verifyFixed compares records that never change with the events that added them.
func (t *Tx) verifyFixed(ctx context.Context, r *Report, k *kind, events []*Event) error {
	var args []any
	groups := make([]string, len(events))
	for i, e := range events {
		parts := strings.Split(e.Subject, "/")[1:]
		if len(parts) != len(k.key) {
			r.add(ProblemAltered, fmt.Sprintf("event/%d", e.Seq), "its subject %q names no record", e.Subject)
			parts = make([]string, len(k.key))
		}
		for _, p := range parts {
			args = append(args, p)
		}
		groups[i] = "(" + marks(len(k.key)) + ")"
	}
	rows := map[string]row{}
	err := t.Rows(ctx, func(scan func(...any) error) error {
		w, err := k.scanRow(scan)
		rows[k.subjectOf(w)] = w
		return err
	}, k.selectRows()+" WHERE (m."+strings.Join(k.key, ", m.")+") IN (VALUES "+strings.Join(groups, ", ")+")", args...)
	if err != nil {
		return err
	}
	for _, e := range events {
		w, ok := rows[e.Subject]
		if !ok {
			r.add(ProblemMissing, e.Subject, "the record that event %d added is gone", e.Seq)
			continue
		}
		k.compare(r, e.Subject, e.PayloadSHA256, w)
	}
	if k == measurementKind {
		return t.verifyFiles(ctx, r, rows)
	}
	return nil
}

// verifyFiles compares the list of each measurement's files with its record.
func (t *Tx) verifyFiles(ctx context.Context, r *Report, rows map[string]row) error {
	ids := make([]any, 0, len(rows))
	for _, w := range rows {
		ids = append(ids, w.columns[0])
	}
	if len(ids) == 0 {
		return nil
	}
	files := map[string][]string{}
	err := t.Rows(ctx, func(scan func(...any) error) error {
		var id, sha256 string
		err := scan(&id, &sha256)
		files[id] = append(files[id], sha256)
		return err
	}, "SELECT measurement, sha256 FROM measurement_file WHERE measurement IN ("+marks(len(ids))+") ORDER BY measurement, place", ids...)
	if err != nil {
		return err
	}
	for subject, w := range rows {
		var m Measurement
		if json.Unmarshal([]byte(w.body), &m) != nil {
			continue // said already
		}
		var want []string
		for _, f := range m.Files {
			want = append(want, f.SHA256)
		}
		if !slices.Equal(want, files[m.ID]) {
			r.add(ProblemAltered, subject, "its list of files is not that of its record")
		}
	}
	return nil
}

// verifyChanging compares records that may change with their latest events, and
// takes them from latest.
func (t *Tx) verifyChanging(ctx context.Context, r *Report, k *kind, latest map[string]string) error {
	return t.Rows(ctx, func(scan func(...any) error) error {
		w, err := k.scanRow(scan)
		if err != nil {
			return err
		}
		subject := k.subjectOf(w)
		want, ok := latest[subject]
		if !ok {
			r.add(ProblemUnrecorded, subject, "no event tells of this record")
			return nil
		}
		delete(latest, subject)
		k.compare(r, subject, want, w)
		return nil
	}, k.selectRows())
}

// verifyRecorded finds records that no event tells of.
func (t *Tx) verifyRecorded(ctx context.Context, r *Report, k *kind) error {
	return t.Rows(ctx, func(scan func(...any) error) error {
		var subject string
		err := scan(&subject)
		r.add(ProblemUnrecorded, subject, "no event tells of this record")
		return err
	}, "SELECT s.subject FROM (SELECT '"+k.name+"/' || "+strings.Join(k.key, " || '/' || ")+" AS subject FROM "+k.name+") s WHERE NOT EXISTS (SELECT 1 FROM event e WHERE e.subject = s.subject)")
}

// compare holds a row against the hash in its event and its columns against its body.
func (k *kind) compare(r *Report, subject, want string, w row) {
	r.Records++
	if hashOf([]byte(w.body)) != want {
		r.add(ProblemAltered, subject, "the record is not the one that its latest event hashed")
		return
	}
	values, err := k.values([]byte(w.body))
	if err != nil {
		r.add(ProblemDamaged, subject, "%v", err)
		return
	}
	for i, v := range values {
		if !equalColumn(v, w.columns[i]) {
			r.add(ProblemAltered, subject, "its column %s is %v, its record says %v", k.columns[i], w.columns[i], v)
		}
	}
	if k == measurementKind {
		var m Measurement
		if err := json.Unmarshal([]byte(w.body), &m); err == nil && hashOf([]byte(w.result)) != m.ResultSHA256 {
			r.add(ProblemAltered, subject, "its result is not the one that was kept")
		}
	}
}

func equalColumn(want, have any) bool {
	plain := func(v any) any {
		switch v := v.(type) {
		case bool:
			if v {
				return int64(1)
			}
			return int64(0)
		case []byte:
			return string(v)
		}
		return v
	}
	return plain(want) == plain(have)
}

// verifyPhotos hashes every photo on record again and counts files on no record.
func (a *Archive) verifyPhotos(ctx context.Context, r *Report, tell Progress) error {
	var total int64
	recorded := map[string]bool{}
	err := a.Read(ctx, func(tx *Tx) error {
		return tx.Row(ctx, []any{&total}, "SELECT COUNT(*) FROM photo")
	})
	if err != nil {
		return err
	}
	var done int64
	err = a.eachPhoto(ctx, func(p Photo) error {
		done++
		if recorded[p.SHA256] {
			return nil
		}
		subject := photoKind.subject(p.Site, p.SHA256)
		data, err := a.files.get(ctx, p.SHA256)
		if kindOf(err) == NotFound {
			var gone Removal
			rerr := a.Read(ctx, func(tx *Tx) (err error) { gone, err = tx.removal(ctx, p.Site, p.SHA256); return err })
			if rerr != nil {
				return rerr
			}
			if gone.Removed {
				r.Removed++
				return nil
			}
		}
		recorded[p.SHA256] = true
		switch kindOf(err) {
		case "":
			if err != nil {
				return err
			}
			if int64(len(data)) != p.Bytes {
				r.add(ProblemAltered, subject, "it has %d bytes, its record says %d", len(data), p.Bytes)
			}
		case NotFound:
			r.add(ProblemMissing, subject, "its file is gone")
		case Damaged:
			r.add(ProblemDamaged, subject, "its bytes no longer have the hash they were kept under")
		default:
			return err
		}
		r.Photos++
		r.Bytes += int64(len(data))
		tell.tell("photos", done, total)
		return nil
	})
	if err != nil {
		return err
	}
	return a.files.list(ctx, func(sha256 string, _ int64) error {
		if !recorded[sha256] {
			r.Leftover++
		}
		return nil
	})
}

// eachPhoto calls each for every photo on record, in order of site and hash.
func (a *Archive) eachPhoto(ctx context.Context, each func(Photo) error) error {
	site, sha256 := "", ""
	for {
		var batch []Photo
		err := a.Read(ctx, func(tx *Tx) (err error) {
			batch, err = many[Photo](ctx, tx, "SELECT body FROM photo WHERE (site, sha256) > (?, ?) ORDER BY site, sha256 LIMIT ?", site, sha256, verifyBatch)
			return err
		})
		if err != nil || len(batch) == 0 {
			return err
		}
		for _, p := range batch {
			if err := each(p); err != nil {
				return err
			}
		}
		site, sha256 = batch[len(batch)-1].Site, batch[len(batch)-1].SHA256
	}
}
