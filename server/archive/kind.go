package archive

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
)

// kind is a table of records. A row holds the record as canonical JSON in its
// column body and repeats some of it in columns of its own, to search by. The
// hash of body is in the record's latest event.
type kind struct {
	name    string   // of the table, and of the record in events: name/key
	key     []string // columns that identify a row, the first of columns
	columns []string // all but body
	// values reads a body and gives the columns' values.
	values func(body []byte) ([]any, error)
	// changes says that records may change. Their states are kept with the events.
	changes bool
	// keeps says that the events keep the body too.
	keeps bool
}

func newKind[T any](name, columns string, changes, keeps bool, values func(*T) []any) *kind {
	k := &kind{name: name, columns: strings.Fields(columns), changes: changes, keeps: keeps}
	k.key = k.columns[:1]
	k.values = func(body []byte) ([]any, error) {
		var rec T
		if err := json.Unmarshal(body, &rec); err != nil {
			return nil, fail(Damaged, "A record of the kind "+name+" cannot be read", err)
		}
		return values(&rec), nil
	}
	return k
}

// The kinds of records, in an order in which each only names earlier ones.
var (
	siteKind = newKind("site", "id name", true, true, func(s *Site) []any { return []any{s.ID, s.Name} })

	conveyorKind = newKind("conveyor", "id site name", true, true, func(c *Conveyor) []any { return []any{c.ID, c.Site, c.Name} })

	beltKind = newKind("belt", "id site conveyor name", true, true, func(b *Belt) []any { return []any{b.ID, b.Site, b.Conveyor, b.Name} })

	jointKind = newKind("joint", "id site belt number opened closed", true, true, func(j *Joint) []any {
		return []any{j.ID, j.Site, j.Belt, j.Number, micros(j.Opened), j.Closed}
	})

	cardSetKind = newKind("card_set", "id site number", true, true, func(c *CardSet) []any { return []any{c.ID, c.Site, c.Number} })

	cardCheckKind = newKind("card_check", "id site card_set time good", false, true, func(c *CardCheck) []any {
		return []any{c.ID, c.Site, c.CardSet, micros(c.Time), c.Good}
	})

	photoKind = func() *kind {
		k := newKind("photo", "site sha256 added", false, false, func(p *Photo) []any { return []any{p.Site, p.SHA256, micros(p.Added)} })
		k.key = k.columns[:2]
		return k
	}()

	measurementKind = newKind("measurement",
		"id site conveyor belt joint side step time person card_set verdict refusal offset_mm u95_mm width_mm tolerance_mm bow_mm roughness_mm program method card_scale camera supersedes beside words",
		false, false, func(m *Measurement) []any {
			verdict := m.Verdict
			if m.Refusal != "" {
				verdict = refused
			}
			return []any{m.ID, m.Site, m.Conveyor, m.Belt, m.Joint, m.End, m.Step, micros(m.Time), m.Person, m.CardSet, verdict, m.Refusal,
				number(m.OffsetMM), number(m.U95MM), number(m.WidthMM), number(m.ToleranceMM), number(m.BowMM), number(m.RoughnessMM),
				m.ProgramVersion, m.MethodVersion, m.CardScale, m.CameraProfile, m.Supersedes, m.Beside, m.Words}
		})

	reviewKind = newKind("review", "id site joint measurement sign outcome time", false, true, func(r *Review) []any {
		return []any{r.ID, r.Site, r.Joint, r.Measurement, int64(r.Sign), r.Outcome, micros(r.Time)}
	})

	removalKind = func() *kind {
		k := newKind("photo_removal", "site sha256 removed", true, true, func(r *Removal) []any { return []any{r.Site, r.SHA256, r.Removed} })
		k.key = k.columns[:2]
		return k
	}()

	roundKind = newKind("round", "id site seed person started", false, true, func(r *Round) []any {
		return []any{r.ID, r.Site, r.Seed, r.Person, micros(r.Started)}
	})

	roundAnswerKind = newKind("round_answer", "id site round number", false, true, func(r *RoundAnswer) []any {
		return []any{r.ID, r.Site, r.Round, int64(r.Number)}
	})

	finishedKind = newKind("finished", "id site joint time", true, true, func(f *Finished) []any { return []any{f.ID, f.Site, f.Joint, micros(f.Time)} })

	jointPlanKind = newKind("joint_plan", "id site time", true, true, func(p *JointPlan) []any { return []any{p.ID, p.Site, micros(p.Time)} })

	kinds = []*kind{siteKind, conveyorKind, beltKind, jointKind, cardSetKind, cardCheckKind, photoKind, measurementKind, reviewKind, removalKind, roundKind, roundAnswerKind, finishedKind, jointPlanKind}
)

// refused stands among the verdicts for measurements without an answer.
const refused = "refused"

// number makes a nil pointer the database's NULL.
func number(f *float64) any {
	if f == nil {
		return nil
	}
	return *f
}

// kindByName finds the kind of an event's subject, nil when it is of no record.
func kindByName(name string) *kind {
	for _, k := range kinds {
		if k.name == name {
			return k
		}
	}
	return nil
}

// insert adds a row; change replaces the row with the same key.
func (k *kind) insert(ctx context.Context, tx *Tx, body []byte) error {
	return k.store(ctx, tx, body, "")
}

func (k *kind) change(ctx context.Context, tx *Tx, body []byte) error {
	sets := []string{"body = excluded.body"}
	for _, c := range k.columns[len(k.key):] {
		sets = append(sets, c+" = excluded."+c)
	}
	return k.store(ctx, tx, body, " ON CONFLICT ("+strings.Join(k.key, ", ")+") DO UPDATE SET "+strings.Join(sets, ", "))
}

func (k *kind) store(ctx context.Context, tx *Tx, body []byte, conflict string) error {
	values, err := k.values(body)
	if err != nil {
		return err
	}
	columns := strings.Join(k.columns, ", ")
	if k == measurementKind {
		return tx.insertMeasurementRow(ctx, columns, values)
	}
	_, err = tx.Exec(ctx, fmt.Sprintf("INSERT INTO %s (%s, body) VALUES (%s)%s", k.name, columns, marks(len(values)+1), conflict), append(values, string(body))...)
	if err == nil && k == finishedKind {
		err = tx.insertFinishedFiles(ctx, body)
	}
	return err
}

// subject is what events call a record by its key.
func (k *kind) subject(key ...string) string { return k.name + "/" + strings.Join(key, "/") }

// body reads a record's canonical JSON by its key.
func (k *kind) body(ctx context.Context, tx *Tx, key ...string) ([]byte, error) {
	table := k.name
	if k == measurementKind {
		table = "measurement_body"
	}
	var where []string
	var args []any
	for i, c := range k.key {
		where, args = append(where, c+" = ?"), append(args, key[i])
	}
	var body string
	err := tx.Row(ctx, []any{&body}, "SELECT body FROM "+table+" WHERE "+strings.Join(where, " AND "), args...)
	return []byte(body), err
}

// one reads the record that a query's body holds.
func one[T any](ctx context.Context, tx *Tx, q string, args ...any) (T, error) {
	var rec T
	var body string
	if err := tx.Row(ctx, []any{&body}, q, args...); err != nil {
		return rec, err
	}
	return decode[T](body)
}

// decode reads a stored record.
func decode[T any](body string) (T, error) {
	var rec T
	if err := json.Unmarshal([]byte(body), &rec); err != nil {
		return rec, fail(Damaged, "A stored record cannot be read", err)
	}
	return rec, nil
}

// many reads a list of them.
func many[T any](ctx context.Context, tx *Tx, q string, args ...any) ([]T, error) {
	var out []T
	err := tx.Rows(ctx, func(scan func(...any) error) error {
		var body string
		if err := scan(&body); err != nil {
			return err
		}
		rec, err := decode[T](body)
		out = append(out, rec)
		return err
	}, q, args...)
	return out, err
}

// add keeps a record that will not change, with its event.
func (t *Tx) add(ctx context.Context, by Actor, k *kind, rec any, site, reason string, key ...string) error {
	body, err := canonical(rec)
	if err != nil {
		return fail(Invalid, "The record cannot be written as JSON", err)
	}
	if err := k.insert(ctx, t, body); err != nil {
		return err
	}
	_, err = t.event(ctx, by, Event{What: k.name + ".added", Site: site, Subject: k.subject(key...), Reason: reason}, body, k.keeps)
	return err
}

// put keeps a record that may change. old is nil where it is new; keep takes over
// from it what cannot change and checks the rest.
func put[T any](ctx context.Context, a *Archive, by Actor, k *kind, rec T, reason string, id func(*T) (id *string, version *int64, site *string), keep func(tx *Tx, rec, old *T) error) (T, error) {
	given := rec
	err := a.Write(ctx, func(tx *Tx) error {
		rec = given
		recID, version, site := id(&rec)
		var old *T
		if *recID == "" {
			*recID = NewID()
		} else if err := identifier(k.name+" id", *recID); err != nil {
			return err
		} else if found, err := one[T](ctx, tx, "SELECT body FROM "+k.name+" WHERE id = ?", *recID); err == nil {
			old = &found
		} else if kindOf(err) != NotFound {
			return err
		}
		have := int64(0)
		if old != nil {
			_, v, _ := id(old)
			have = *v
		}
		if *version != have {
			if old == nil {
				return fail(NotFound, "There is no such record to change.", nil)
			}
			return Clash("changed_meanwhile", "Somebody else changed this meanwhile. Load it again, then make your change.", nil)
		}
		*version = have + 1
		if err := keep(tx, &rec, old); err != nil {
			return err
		}
		body, err := canonical(rec)
		if err != nil {
			return fail(Invalid, "The record cannot be written as JSON", err)
		}
		what := k.name + ".added"
		if old == nil {
			err = k.insert(ctx, tx, body)
		} else {
			what = k.name + ".changed"
			err = k.change(ctx, tx, body)
		}
		if kindOf(err) == Conflict {
			return Clash("name_taken", "There is another with that name or number already.", err)
		}
		if err != nil {
			return err
		}
		_, err = tx.event(ctx, by, Event{What: what, Site: *site, Subject: k.subject(*recID), Reason: reason}, body, k.keeps)
		return err
	})
	return rec, err
}
