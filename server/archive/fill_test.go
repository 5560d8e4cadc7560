package archive

import (
	"context"
	"fmt"
	"math/rand/v2"
	"strings"
	"time"
)

// Filled is what Fill made, to ask for.
type Filled struct {
	Sites, Conveyors, Belts, Joints, People, CardSets []string
	From, To                                          time.Time
}

// fillResult stands for a result with a profile of 60 points, as results are stored.
var fillResult = func() []byte {
	profile := "[0,0]"
	for i := range 60 {
		profile += fmt.Sprintf(",[%d.5,0.%03d]", i*17-500, i*7)
	}
	return []byte(`{"schema":"beltend.measurement/1","verdict":"square","squareness":{"offset_mm":0,"offset_u95_mm":0.4,"tolerance_mm":2},"width":{"at_cut_mm":1001},"cut":{"rms_mm":0.2,"profile":[` + profile + `]},"warnings":[]}`)
}()

// Fill keeps n measurements with a photo's record each (and no photo's bytes), as a
// company with 40 sites makes them in five years: half of them at its largest
// site, most signed off. The records and events are those that the ordinary
// methods write, but many to a transaction.
func (a *Archive) Fill(ctx context.Context, n int, tell Progress) (Filled, error) {
	const seed = 4711
	r := rand.New(rand.NewPCG(seed, 1))
	by := Actor{ID: "u1", Name: "Mara Quill"}
	f := Filled{To: time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)}
	f.From = f.To.AddDate(-5, 0, 0)
	first := []string{"Mara", "Tobias", "Ida", "Nils", "Petra", "Olaf", "Suna", "Emil", "Vera", "Janko"}
	last := []string{"Quill", "Fenn", "Märten", "Holm", "Brakel", "Sund", "Oster", "Rahn", "Tolle", "Wirth"}
	for _, x := range first {
		for _, y := range last {
			f.People = append(f.People, x+" "+y)
		}
	}
	if done, err := a.filled(ctx, &f); done || err != nil {
		return f, err
	}
	bySite := map[string][]Joint{}
	cards := map[string]string{}
	for s := range 40 {
		site, err := a.PutSite(ctx, by, Site{Name: fmt.Sprintf("Kestrel Hollow %02d", s)}, "")
		if err != nil {
			return f, err
		}
		f.Sites = append(f.Sites, site.ID)
		set, err := a.PutCardSet(ctx, by, CardSet{Site: site.ID, Number: fmt.Sprintf("C%d", s)}, "")
		if err != nil {
			return f, err
		}
		f.CardSets, cards[site.ID] = append(f.CardSets, set.ID), set.ID
		conveyors := 5
		if s == 0 {
			conveyors = 40
		}
		for c := range conveyors {
			conveyor, err := a.PutConveyor(ctx, by, Conveyor{Site: site.ID, Name: fmt.Sprintf("Line %d transfer %d", c/10, c)}, "")
			if err != nil {
				return f, err
			}
			belt, err := a.PutBelt(ctx, by, Belt{Conveyor: conveyor.ID, Name: fmt.Sprintf("KH-%02d%02d", s, c)}, "")
			if err != nil {
				return f, err
			}
			f.Conveyors, f.Belts = append(f.Conveyors, conveyor.ID), append(f.Belts, belt.ID)
			err = a.Write(ctx, func(tx *Tx) error {
				for j := range 25 {
					joint := Joint{ID: NewID(), Version: 1, Site: site.ID, Conveyor: conveyor.ID, Belt: belt.ID, Number: fmt.Sprintf("J%d", j), Opened: f.From}
					if err := tx.add(ctx, by, jointKind, joint, site.ID, "", joint.ID); err != nil {
						return err
					}
					bySite[site.ID] = append(bySite[site.ID], joint)
					f.Joints = append(f.Joints, joint.ID)
				}
				return nil
			})
			if err != nil {
				return f, err
			}
		}
	}
	span := f.To.Sub(f.From)
	const batch = 5000
	for done := 0; done < n; done += batch {
		err := a.Write(ctx, func(tx *Tx) error {
			for i := done; i < min(n, done+batch); i++ {
				site := f.Sites[0]
				if r.IntN(2) == 1 {
					site = f.Sites[1+r.IntN(len(f.Sites)-1)]
				}
				if err := tx.fillOne(ctx, by, r, f, bySite[site][r.IntN(len(bySite[site]))], cards[site], f.From.Add(time.Duration(float64(span)*float64(i)/float64(n)))); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			return f, err
		}
		tell.tell("fill", int64(done+batch), int64(n))
	}
	if a.db.postgres {
		if _, err := a.db.w.ExecContext(ctx, "VACUUM ANALYZE"); err != nil {
			return f, err
		}
	}
	return f, nil
}

// filled finds what an earlier Fill made.
func (a *Archive) filled(ctx context.Context, f *Filled) (bool, error) {
	err := a.Read(ctx, func(tx *Tx) error {
		for table, to := range map[string]*[]string{"site": &f.Sites, "conveyor": &f.Conveyors, "belt": &f.Belts, "joint": &f.Joints, "card_set": &f.CardSets} {
			err := tx.Rows(ctx, func(scan func(...any) error) error {
				var id string
				err := scan(&id)
				*to = append(*to, id)
				return err
			}, "SELECT id FROM "+table+" ORDER BY id")
			if err != nil {
				return err
			}
		}
		return nil
	})
	return len(f.Sites) > 0, err
}

func (t *Tx) fillOne(ctx context.Context, by Actor, r *rand.Rand, f Filled, j Joint, cards string, at time.Time) error {
	m := Measurement{ID: newID(at), Time: at, Joint: j.ID, End: []string{Leading, Trailing}[r.IntN(2)], Step: []string{StepDrawn, StepCut, StepRecut, StepFinished}[r.IntN(4)],
		Person: f.People[r.IntN(len(f.People))], CardSet: cards, ProgramVersion: "v1.2.3", MethodVersion: "4", Result: fillResult, ResultSHA256: hashOf(fillResult)}
	switch r.IntN(1000) {
	case 0:
		m.Note = "water under the belt"
	case 1:
		m.Note = fmt.Sprintf("order %06d", r.IntN(1_000_000))
	}
	codes := []string{}
	if r.IntN(20) == 0 {
		m.Refusal = []string{"no_card", "blurred", "edge_unclear"}[r.IntN(3)]
		codes = append(codes, refused, m.Refusal)
	} else {
		offset, u, width, tolerance, bow, rough := 2*r.NormFloat64(), 0.3+0.2*r.Float64(), 1000+r.NormFloat64(), 2.0, r.Float64(), 0.2*r.Float64()
		m.OffsetMM, m.U95MM, m.WidthMM, m.ToleranceMM, m.BowMM, m.RoughnessMM = &offset, &u, &width, &tolerance, &bow, &rough
		m.Verdict = "undecided"
		if max(offset, -offset)+u <= tolerance {
			m.Verdict = "square"
		} else if max(offset, -offset)-u > tolerance {
			m.Verdict = "recut"
		}
		codes = append(codes, m.Verdict, "bow")
	}
	var sha [32]byte
	for i := range sha {
		sha[i] = byte(r.Uint32()) //nolint:gosec // any byte will do
	}
	photo := Photo{Site: j.Site, SHA256: fmt.Sprintf("%x", sha), Bytes: 3_000_000, Type: "image/jpeg", Name: "IMG_0001.jpg", Added: at, Person: m.Person}
	if err := t.add(ctx, by, photoKind, photo, j.Site, "", j.Site, photo.SHA256); err != nil {
		return err
	}
	m.Files = []File{{SHA256: photo.SHA256, Role: RolePhoto, Name: photo.Name}}
	if err := t.addMeasurement(ctx, by, &m, codes, ""); err != nil {
		return err
	}
	// The last two months wait for a reviewer, and a few older ones.
	if at.After(f.To.AddDate(0, -2, 0)) || r.IntN(5000) == 0 {
		return nil
	}
	review := Review{ID: newID(at), Site: j.Site, Joint: j.ID, Measurement: m.ID, Outcome: Accepted, Sign: 1, Person: f.People[r.IntN(10)], Time: at}
	if r.IntN(50) == 0 {
		review.Outcome, review.Reason = SentBack, "edge in the shade"
	}
	if err := t.setReviewState(ctx, &review); err != nil {
		return err
	}
	return t.add(ctx, by, reviewKind, review, j.Site, review.Reason, review.ID)
}

// Backends are PostgreSQL's processes that serve this archive's database; none
// where it is embedded.
func (a *Archive) Backends(t interface {
	Context() context.Context
	Fatal(...any)
}) []int {
	if !a.db.postgres {
		return nil
	}
	var pids []int
	err := a.Read(t.Context(), func(tx *Tx) error {
		return tx.Rows(t.Context(), func(scan func(...any) error) error {
			var pid int
			err := scan(&pid)
			pids = append(pids, pid)
			return err
		}, "SELECT pid FROM pg_stat_activity WHERE datname = current_database() ORDER BY pid")
	})
	if err != nil {
		t.Fatal(err)
	}
	return pids
}

// Repeat adds the rows that are searched n times more, each time as much earlier as all
// lie apart, and takes PostgreSQL's statistics; but of beside, which was added later: an
// archive that was brought up to date has none of it for long.
func (a *Archive) Repeat(ctx context.Context, n int) error {
	plain := strings.Join(measurementKind.columns[1:], ", ")
	plain = strings.Replace(strings.Replace(plain, " time,", " time - k.i * s.span,", 1), " words", " ''", 1) // whose index takes long
	for _, q := range []string{
		"INSERT INTO measurement (n, id, " + strings.Join(measurementKind.columns[1:], ", ") + ") SELECT m.n - k.i * s.span, id || '-' || k.i, " + plain +
			" FROM measurement m, generate_series(1, $1) k(i), (SELECT MAX(n) - MIN(n) + 1 AS span FROM measurement) s",
		"INSERT INTO review_state (n, site, state) SELECT r.n - k.i * s.span, site, state FROM review_state r, generate_series(1, $1) k(i), (SELECT (MAX(n) - MIN(n) + 1) / ($1 + 1) AS span FROM measurement) s",
	} {
		if _, err := a.db.w.ExecContext(ctx, q, n); err != nil {
			return err
		}
	}
	for _, q := range []string{"VACUUM ANALYZE", "DELETE FROM pg_statistic p USING pg_attribute c WHERE c.attrelid = p.starelid AND c.attnum = p.staattnum AND c.attrelid = CAST('measurement' AS regclass) AND c.attname = 'beside'"} {
		if _, err := a.db.w.ExecContext(ctx, q); err != nil {
			return err
		}
	}
	return nil
}

// Explained is a statement of a search and the plan by which the database answers it.
type Explained struct{ Statement, Plan string }

// Explain gives the statements of a search with their plans.
func (a *Archive) Explain(ctx context.Context, q Query) (found int, out []Explained, err error) {
	err = a.Read(ctx, func(tx *Tx) error {
		type asked struct {
			q    string
			args []any
		}
		var all []asked
		tx.asked = func(q string, args []any) { all = append(all, asked{q, args}) }
		places, err := tx.places(ctx, q, 51, lookback)
		if err != nil {
			return err
		}
		ids := []any{""}
		for _, p := range places {
			ids = append(ids, p.id)
		}
		if _, err := tx.found(ctx, "m.id IN ("+marks(len(ids))+")", ids, newest[:len(" ORDER BY m.n DESC")]); err != nil {
			return err
		}
		tx.asked, found = nil, len(places)
		for _, one := range all {
			if strings.HasPrefix(one.q, "EXPLAIN") {
				continue
			}
			how := "EXPLAIN QUERY PLAN "
			if a.db.postgres {
				how = "EXPLAIN "
			}
			e := Explained{Statement: one.q}
			err := tx.Rows(ctx, func(scan func(...any) error) error {
				var line string
				var none [3]int
				into := []any{&none[0], &none[1], &none[2], &line}
				if a.db.postgres {
					into = into[3:]
				}
				err := scan(into...)
				e.Plan += line + "\n"
				return err
			}, how+one.q, one.args...)
			if err != nil {
				return err
			}
			out = append(out, e)
		}
		return nil
	})
	return found, out, err
}
