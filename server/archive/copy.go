package archive

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// wholeTables are tables of other packages that belong to a copy, such as
// accounts. They are small, and each copy takes them over whole. Tables that name
// others stand after them.
var wholeTables = []string{"account", "account_site", "account_token"}

// copyBatch is how many events are taken over in one transaction.
const copyBatch = 200

// Copied is what a copy took over.
type Copied struct {
	Head   Head
	Events int64 // new at the target
	Photos int64 // new at the target
	Bytes  int64 // of these
}

// Copy takes over into the archive at to what it lacks of a, event by event with
// the record and the photos that each event tells of. The target is a new archive
// or an earlier copy of the same one; it is a whole archive at every moment, so a
// copy that was stopped goes on where it was. Every byte is hashed on the way.
func (a *Archive) Copy(ctx context.Context, to Address, tell Progress) (Copied, error) {
	var c Copied
	if err := a.elsewhere(to); err != nil {
		return c, err
	}
	b, err := open(ctx, to, a.id)
	if err != nil {
		return c, fmt.Errorf("open the target: %w", err)
	}
	c, err = a.copyTo(ctx, b, tell)
	return c, errors.Join(err, b.Close())
}

// elsewhere refuses the archive itself as the place to copy it to: a backup's mark there
// would make a backup of it.
func (a *Archive) elsewhere(to Address) error {
	same := to.Database != "" && to.Database == a.at.Database
	if to.Folder != "" && a.at.Folder != "" {
		here, err1 := os.Stat(a.at.Folder)
		there, err2 := os.Stat(to.Folder)
		same = err1 == nil && err2 == nil && os.SameFile(here, there)
	}
	if same {
		return fail(Conflict, "That is the archive itself. Name another place.", nil)
	}
	return nil
}

func (a *Archive) copyTo(ctx context.Context, b *Archive, tell Progress) (Copied, error) {
	var c Copied
	// Read first: the sites that accounts belong to are then among the events copied.
	tables, err := a.readTables(ctx)
	if err != nil {
		return c, err
	}
	there, err := b.Head(ctx)
	if err != nil {
		return c, err
	}
	here, err := a.Head(ctx)
	if err != nil {
		return c, err
	}
	if err := a.contains(ctx, there); err != nil {
		return c, err
	}
	photos := map[string]bool{}
	for there.Seq < here.Seq {
		events, bodies, results, err := a.batch(ctx, there.Seq, here.Seq)
		if err != nil {
			return c, err
		}
		for i, e := range events {
			sha256, back := photoIn(e, bodies[i])
			if back {
				delete(photos, sha256)
			}
			if sha256 == "" || photos[sha256] {
				continue
			}
			photos[sha256] = true
			if err := a.copyPhoto(ctx, b, sha256, &c); err != nil {
				return c, err
			}
		}
		err = b.Write(ctx, func(tx *Tx) error {
			for i, e := range events {
				if err := tx.replay(ctx, e, bodies[i], results[i]); err != nil {
					return fmt.Errorf("event %d: %w", e.Seq, err)
				}
			}
			return nil
		})
		if err != nil {
			return c, err
		}
		if err := b.settleFiles(ctx); err != nil {
			return c, err
		}
		last := events[len(events)-1]
		there.Seq, there.Hash = last.Seq, last.Hash
		c.Events += int64(len(events))
		tell.tell("copy", there.Seq, here.Seq)
	}
	c.Head = there
	return c, b.writeTables(ctx, tables)
}

// contains says whether a head is part of this archive's chain.
func (a *Archive) contains(ctx context.Context, h Head) error {
	if h.Archive != a.id {
		return fail(Conflict, "The target holds another archive ("+h.Archive+", not "+a.id+"). Copy into an empty place.", nil)
	}
	if h.Seq == 0 {
		return nil
	}
	hash := ""
	err := a.Read(ctx, func(tx *Tx) error {
		return tx.Row(ctx, []any{&hash}, "SELECT hash FROM event WHERE seq = ?", h.Seq)
	})
	if err != nil && kindOf(err) != NotFound {
		return err
	}
	if hash != h.Hash {
		return fail(Conflict, fmt.Sprintf("The target goes its own way: its event %d is not the source's. Both were written to since they parted; neither continues the other.", h.Seq), nil)
	}
	return nil
}

// batch reads the next events with the bodies of the records they tell of.
func (a *Archive) batch(ctx context.Context, after, until int64) (events []Event, bodies [][]byte, results []string, err error) {
	err = a.Read(ctx, func(tx *Tx) error {
		err := tx.Rows(ctx, func(scan func(...any) error) error {
			e, err := scanEvent(scan)
			events = append(events, e)
			return err
		}, "SELECT "+eventColumns+" FROM event WHERE seq > ? AND seq <= ? ORDER BY seq LIMIT ?", after, until, copyBatch)
		if err != nil {
			return err
		}
		if len(events) == 0 || events[0].Seq != after+1 {
			return fail(Damaged, fmt.Sprintf("Event %d is gone. Run beltend archive verify.", after+1), nil)
		}
		bodies, results = make([][]byte, len(events)), make([]string, len(events))
		for i, e := range events {
			name, key, _ := strings.Cut(e.Subject, "/")
			k := kindByName(name)
			switch {
			case k == nil:
			case k.keeps:
				bodies[i] = e.Payload
			default:
				if bodies[i], err = k.body(ctx, tx, strings.Split(key, "/")...); err != nil {
					return fmt.Errorf("event %d (%s): %w", e.Seq, e.Subject, err)
				}
			}
			if k == measurementKind {
				if err := tx.Row(ctx, []any{&results[i]}, "SELECT result FROM measurement_body WHERE id = ?", key); err != nil {
					return fmt.Errorf("event %d (%s): %w", e.Seq, e.Subject, err)
				}
			}
		}
		return nil
	})
	return events, bodies, results, err
}

// replay adds the next event as it is, and brings the record it tells of into the
// state it had then.
func (t *Tx) replay(ctx context.Context, e Event, body []byte, result string) error {
	c := chain{archive: t.head.Archive, last: t.head, report: &Report{}}
	c.next(&e, false)
	if body != nil && hashOf(body) != e.PayloadSHA256 {
		c.report.add(ProblemAltered, e.Subject, "the record is not the one that the event hashed")
	}
	if len(c.report.Problems) > 0 {
		return fail(Damaged, "The source is not as it was kept ("+c.report.Problems[0].String()+"). Run beltend archive verify.", nil)
	}
	if err := t.insertEvent(ctx, e); err != nil {
		return err
	}
	name, _, _ := strings.Cut(e.Subject, "/")
	switch k := kindByName(name); {
	case k == nil:
		return nil
	case k == measurementKind:
		var m Measurement
		if err := json.Unmarshal(body, &m); err != nil {
			return fail(Damaged, "A measurement cannot be read", err)
		}
		if hashOf([]byte(result)) != m.ResultSHA256 {
			return fail(Damaged, "The result of measurement "+m.ID+" is not what was kept.", nil)
		}
		m.Result = json.RawMessage(result)
		return t.insertMeasurement(ctx, &m, body)
	case k == removalKind:
		return t.storeRemoval(ctx, body)
	case k.changes:
		return k.change(ctx, t, body)
	case k == reviewKind:
		var r Review
		if err := json.Unmarshal(body, &r); err != nil {
			return fail(Damaged, "A review cannot be read", err)
		}
		if err := t.setReviewState(ctx, &r); err != nil {
			return err
		}
		return k.insert(ctx, t, body)
	default:
		return k.insert(ctx, t, body)
	}
}

// photoIn names the photo whose file an event brings, "" for none; back says that
// it had been removed before.
func photoIn(e Event, body []byte) (sha256 string, back bool) {
	switch kind, key, _ := strings.Cut(e.Subject, "/"); kind {
	case photoKind.name:
		_, sha256, _ = strings.Cut(key, "/")
	case removalKind.name:
		if r, err := decode[Removal](string(body)); err == nil && !r.Removed {
			return r.SHA256, true
		}
	}
	return sha256, false
}

// copyPhoto takes over a file, unless a rule of retention has taken it from the
// source since: the event that says so follows.
func (a *Archive) copyPhoto(ctx context.Context, b *Archive, sha256 string, c *Copied) error {
	if _, err := b.files.get(ctx, sha256); err == nil {
		return nil // from the run before
	}
	data, err := a.files.get(ctx, sha256)
	if kindOf(err) == NotFound {
		held := true
		rerr := a.Read(ctx, func(tx *Tx) (err error) { held, err = tx.held(ctx, sha256); return err })
		if rerr != nil || !held {
			return rerr
		}
	}
	if err != nil {
		return fmt.Errorf("photo %s: %w", sha256, err)
	}
	if err := b.files.put(ctx, sha256, data); err != nil {
		return err
	}
	c.Photos++
	c.Bytes += int64(len(data))
	return nil
}

// table is one of another package, whole.
type table struct {
	name    string
	columns []string
	rows    [][]any
}

// readTables reads the tables of other packages as they are at one moment.
func (a *Archive) readTables(ctx context.Context) ([]table, error) {
	var out []table
	err := a.Read(ctx, func(tx *Tx) error {
		for _, name := range wholeTables {
			columns, rows, err := tx.tableRows(ctx, name)
			if err != nil {
				return err
			}
			out = append(out, table{name, columns, rows})
		}
		return nil
	})
	return out, err
}

// writeTables puts them in place of those that are there.
func (a *Archive) writeTables(ctx context.Context, tables []table) error {
	return a.Write(ctx, func(tx *Tx) error {
		for _, t := range slices.Backward(tables) {
			if _, err := tx.Exec(ctx, "DELETE FROM "+t.name); err != nil {
				return err
			}
		}
		for _, t := range tables {
			for _, r := range t.rows {
				if _, err := tx.Exec(ctx, "INSERT INTO "+t.name+" ("+strings.Join(t.columns, ", ")+") VALUES ("+marks(len(r))+")", r...); err != nil {
					return fmt.Errorf("copy table %s: %w", t.name, err)
				}
			}
		}
		return nil
	})
}

func (t *Tx) tableRows(ctx context.Context, table string) (columns []string, out [][]any, err error) {
	rows, err := t.tx.QueryContext(ctx, "SELECT * FROM "+table)
	if err != nil {
		return nil, nil, explain(err)
	}
	defer rows.Close()
	types, err := rows.ColumnTypes()
	if err != nil {
		return nil, nil, explain(err)
	}
	for _, c := range types {
		columns = append(columns, c.Name())
	}
	for rows.Next() {
		values := make([]any, len(columns))
		dest := make([]any, len(columns))
		for i := range values {
			dest[i] = &values[i]
		}
		if err := rows.Scan(dest...); err != nil {
			return nil, nil, explain(err)
		}
		for i, v := range values { // SQLite keeps truth as a number
			if n, ok := v.(int64); ok && types[i].DatabaseTypeName() == "BOOLEAN" {
				values[i] = n != 0
			}
		}
		out = append(out, values)
	}
	return columns, out, explain(rows.Err())
}

// backupFile marks a folder as a backup: what works on archives writes no event there.
const backupFile = "BACKUP.txt"

const backupText = `This folder is a backup of a beltend archive. Do not work in it: what is added here makes the next backup fail.
  beltend archive restore FOLDER --data NEW
makes an archive of it in an empty place.
`

// IsBackup says whether a data folder is a backup.
func IsBackup(folder string) bool {
	_, err := os.Stat(filepath.Join(folder, backupFile))
	return err == nil
}

// Backup copies what is new since the last backup into the folder, together with
// the site's key, and then verifies what it wrote. The service may run meanwhile.
// A backup is itself a data folder. Events that the backup has and the archive
// has lost make it fail, so a damaged archive never takes the place of a good copy.
// An event tells who made it and when, and is in the backup too.
func (a *Archive) Backup(ctx context.Context, by Actor, folder string, tell Progress) (Copied, *Report, error) {
	return a.mirror(ctx, folder, tell, func(b *Archive, c *Copied) error {
		if err := os.WriteFile(filepath.Join(folder, backupFile), []byte(backupText), 0o600); err != nil {
			return fileErr("mark the backup", err)
		}
		if _, err := a.AddEvent(ctx, by, "archive.backed_up", "", "archive/"+a.id, "", map[string]int64{"events": c.Events, "photos": c.Photos, "bytes": c.Bytes}); err != nil {
			return fmt.Errorf("keep the backup's event: %w", err)
		}
		last, err := a.copyTo(ctx, b, tell)
		c.Head, c.Events, c.Photos, c.Bytes = last.Head, c.Events+last.Events, c.Photos+last.Photos, c.Bytes+last.Bytes
		return err
	})
}

// mirror copies what a folder lacks, with the site's key, calls done, and verifies
// everything there.
func (a *Archive) mirror(ctx context.Context, folder string, tell Progress, done func(b *Archive, c *Copied) error) (Copied, *Report, error) {
	if err := a.elsewhere(Address{Folder: folder}); err != nil {
		return Copied{}, nil, err
	}
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return Copied{}, nil, fileErr("make the backup's folder", err)
	}
	if a.key != nil {
		if err := copyKey(a.key, filepath.Join(folder, keyFile)); err != nil {
			return Copied{}, nil, err
		}
	}
	b, err := open(ctx, Address{Folder: folder}, a.id)
	if err != nil {
		return Copied{}, nil, fmt.Errorf("open the backup: %w", err)
	}
	c, err := a.copyTo(ctx, b, tell)
	if err == nil && done != nil {
		err = done(b, &c)
	}
	if err != nil {
		return c, nil, errors.Join(err, b.Close())
	}
	report, err := b.Verify(ctx, VerifyOptions{Head: &c.Head, Tell: tell})
	return c, report, errors.Join(err, b.Close())
}

// Restore makes an archive in an empty place from a backup's folder and verifies
// it. It may be run again after it was stopped.
func Restore(ctx context.Context, backup string, to Address, tell Progress) (Copied, *Report, error) {
	if _, err := os.Stat(filepath.Join(backup, recordsFile)); err != nil {
		return Copied{}, nil, fail(NotFound, "There is no backup in that folder.", nil)
	}
	a, err := Open(ctx, Address{Folder: backup})
	if err != nil {
		return Copied{}, nil, fmt.Errorf("open the backup: %w", err)
	}
	defer a.Close() //nolint:errcheck // it was only read
	if to.Folder != "" {
		return a.mirror(ctx, to.Folder, tell, nil)
	}
	b, err := open(ctx, to, a.id)
	if err != nil {
		return Copied{}, nil, fmt.Errorf("open the target: %w", err)
	}
	c, err := a.copyTo(ctx, b, tell)
	if err != nil {
		return c, nil, errors.Join(err, b.Close())
	}
	report, err := b.Verify(ctx, VerifyOptions{Head: &c.Head, Tell: tell})
	return c, report, errors.Join(err, b.Close())
}
