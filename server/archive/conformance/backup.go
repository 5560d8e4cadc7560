package conformance

import (
	"context"
	"fmt"
	"sync"
	"testing"

	"beltend/server/archive"
)

// testBackup backs up while photos come in, are measured and signed off, and sites and
// accounts are made: each backup is whole, can be restored, and has all that was
// acknowledged before it began.
func testBackup(t *testing.T, a *archive.Archive) {
	ctx, all, folder := context.WithoutCancel(t.Context()), archive.AllSites(), t.TempDir()
	p := NewPlant(t, a, "Kestrel Hollow")
	var mu sync.Mutex
	var signed []archive.Measurement // acknowledged
	stop := make(chan struct{})
	var writers sync.WaitGroup
	ended := sync.OnceFunc(func() { close(stop); writers.Wait() })
	t.Cleanup(ended)
	write := func(one func(i int) error) {
		writers.Add(1)
		go func() {
			defer writers.Done()
			for i := 0; ; i++ {
				select {
				case <-stop:
					return
				default:
				}
				if err := one(i); err != nil {
					t.Errorf("a writer: %v", err)
					return
				}
			}
		}()
	}
	for w := range 3 {
		write(func(i int) error {
			photo, err := a.AddPhoto(ctx, By, archive.Photo{Site: p.Site.ID, Type: "image/jpeg", Name: "end.jpg"}, fmt.Appendf(nil, "photo %d of writer %d", i, w))
			if err != nil {
				return err
			}
			m, err := a.AddMeasurement(ctx, By, archive.Measurement{Joint: p.Joint.ID, End: archive.Leading, Step: archive.StepCut, Person: "Mara Quill",
				Files: []archive.File{{SHA256: photo.SHA256, Role: archive.RolePhoto}}, Result: Offset(0.5, 0.2, 2)}, "")
			if err != nil {
				return err
			}
			if _, err := a.AddReview(ctx, By, archive.Review{Measurement: m.ID, Outcome: archive.Accepted, Person: "Rev A"}); err != nil {
				return err
			}
			mu.Lock()
			signed = append(signed, m)
			mu.Unlock()
			return nil
		})
	}
	write(func(i int) error { return newPeople(ctx, a, i) })

	acknowledged := func() []archive.Measurement {
		mu.Lock()
		defer mu.Unlock()
		return signed[:len(signed):len(signed)]
	}
	var photos int64
	backup := func(what string) archive.Copied {
		t.Helper()
		before := acknowledged()
		c, report, err := a.Backup(ctx, By, folder, nil)
		if err != nil || len(report.Problems) != 0 || report.Leftover != 0 {
			t.Fatalf("%s: %+v, %+v, %v", what, c, report, err)
		}
		photos += c.Photos
		again := t.TempDir()
		if _, report, err := archive.Restore(ctx, folder, archive.Address{Folder: again}, nil); err != nil || len(report.Problems) != 0 {
			t.Fatalf("%s, restored: %+v, %v", what, report, err)
		}
		b, err := archive.Open(ctx, archive.Address{Folder: again})
		if err != nil {
			t.Fatal(err)
		}
		defer b.Close() //nolint:errcheck // it was only read
		for _, m := range before {
			f, err := b.Measurement(ctx, all, m.ID)
			if err != nil || f.Review != archive.Accepted || f.ResultSHA256 != m.ResultSHA256 {
				t.Errorf("%s: measurement %s, signed before it began: %+v, %v", what, m.ID, f, err)
			}
			if _, _, err := b.ReadPhoto(ctx, all, m.Files[0].SHA256); err != nil {
				t.Errorf("%s: its photo: %v", what, err)
			}
		}
		if head, err := b.Head(ctx); err != nil || head != c.Head {
			t.Errorf("%s: it ends at %v, want %v; %v", what, head, c.Head, err)
		}
		return c
	}
	for i := range 3 {
		backup(fmt.Sprintf("backup %d while others write", i+1))
	}
	ended()
	backup("afterwards")
	if c := backup("with nothing new"); c.Events != 1 || c.Photos != 0 {
		t.Errorf("with nothing new %d events, its own, and no photo are copied; got %d and %d", 1, c.Events, c.Photos)
	}
	if n := int64(len(acknowledged())); n < 10 || photos != n {
		t.Errorf("%d photos copied in all, want each of %d once, and 10 at least", photos, n)
	}
}

// newPeople makes a site with an account that belongs to it, which stands in a table
// that each copy takes over whole.
func newPeople(ctx context.Context, a *archive.Archive, i int) error {
	site, err := a.PutSite(ctx, By, archive.Site{Name: fmt.Sprintf("Kestrel Hollow %d", i)}, "")
	if err != nil {
		return err
	}
	return a.Write(ctx, func(tx *archive.Tx) error {
		id := archive.NewID()
		if _, err := tx.Exec(ctx, "INSERT INTO account (id, name, sign_in, roles, all_sites, password, disabled, added) VALUES (?, ?, ?, 'technician', ?, '', ?, 1)", id, id, id, false, false); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, "INSERT INTO account_site (account, site) VALUES (?, ?)", id, site.ID); err != nil {
			return err
		}
		_, err := tx.Event(ctx, By, "account.added", site.ID, "account/"+id, "", nil)
		return err
	})
}
