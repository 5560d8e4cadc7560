package archive_test

import (
	"bytes"
	"context"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"testing"

	"beltend/server/archive"
	"beltend/server/archive/conformance"
)

func TestBackupAndRestore(t *testing.T) {
	ctx, all := t.Context(), archive.AllSites()
	folder, backup := t.TempDir(), filepath.Join(t.TempDir(), "backup")
	a := embedded(t, folder)
	f := fill(t, a, folder)
	c, report, err := a.Backup(ctx, conformance.By, backup, nil)
	if err != nil || len(report.Problems) != 0 || c.Events != 19 || c.Photos != 2 {
		t.Fatalf("first backup: %+v, %+v, %v", c, report, err)
	}
	conformance.Measured(t, a, f.mine, nil)
	round, err := a.AddRound(ctx, conformance.By, archive.Round{Site: f.mine.Site.ID, Person: "Ines", Seed: 7, Questions: 3})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := a.AddRoundAnswer(ctx, conformance.By, archive.RoundAnswer{Round: round.ID, Number: 1, Answer: []byte(`{"said":"recut"}`)}); err != nil {
		t.Fatal(err)
	}
	plan := planned(t, a, f.mine)
	c, report, err = a.Backup(ctx, conformance.By, backup, nil)
	if err != nil || len(report.Problems) != 0 || c.Events != 7 || c.Photos != 1 {
		t.Errorf("second backup takes only what is new: %+v, %+v, %v", c, report, err)
	}
	signed, err := a.SignedHead(ctx)
	if err != nil {
		t.Fatal(err)
	}

	// The data folder burns; the backup becomes a new one.
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.RemoveAll(folder); err != nil {
		t.Fatal(err)
	}
	again := filepath.Join(t.TempDir(), "again")
	if _, report, err := archive.Restore(ctx, backup, archive.Address{Folder: again}, nil); err != nil || len(report.Problems) != 0 {
		t.Fatalf("restore: %+v, %v", report, err)
	}
	b := embedded(t, again)
	r, err := b.Verify(ctx, archive.VerifyOptions{Head: &signed.Head})
	if err != nil || len(r.Problems) != 0 || r.Photos != 3 || r.Leftover != 0 {
		t.Errorf("restored: %+v, %v", r, err)
	}
	if now, err := b.SignedHead(ctx); err != nil || now.PublicKey != signed.PublicKey || now.Head != signed.Head {
		t.Errorf("the restored archive signs with another key, or ends elsewhere: %v", err)
	}
	page, err := b.Search(ctx, archive.Query{Sites: all})
	if err != nil || len(page.Items) != 4 {
		t.Errorf("restored measurements: %d, %v", len(page.Items), err)
	}
	rounds, answers, err := b.Rounds(ctx, archive.RoundQuery{Sites: all})
	if err != nil || len(rounds) != 1 || rounds[0] != round || len(answers[round.ID]) != 1 || string(answers[round.ID][0].Answer) != `{"said":"recut"}` {
		t.Errorf("restored rounds: %+v, %+v, %v", rounds, answers[round.ID], err)
	}
	if got, err := b.JointPlan(ctx, all, f.mine.Joint.ID); err != nil || !reflect.DeepEqual(got, plan) {
		t.Errorf("restored plan: %+v, %v; want %+v", got, err, plan)
	}
	if got, err := b.JointPlans(ctx, all, f.mine.Joint.ID); err != nil || len(got) != 2 {
		t.Errorf("restored plans: %+v, %v", got, err)
	}
	waiting, err := b.Search(ctx, archive.Query{Sites: all, Review: "open"})
	if err != nil || len(waiting.Items) != 3 {
		t.Errorf("restored open reviews: %d, %v", len(waiting.Items), err)
	}
	conformance.Measured(t, b, f.mine, nil) // it is written on

	// A backup is never overwritten by an archive that went another way.
	if _, _, err := b.Backup(ctx, conformance.By, backup, nil); err != nil {
		t.Errorf("the restored archive goes on in the same backup: %v", err)
	}
	stranger := embedded(t, t.TempDir())
	_, _, err = stranger.Backup(ctx, conformance.By, backup, nil)
	conformance.Is(t, "another archive's backup", err, archive.Conflict)
	_, _, err = archive.Restore(ctx, t.TempDir(), archive.Address{Folder: t.TempDir()}, nil)
	conformance.Is(t, "restoring nothing", err, archive.NotFound)
}

func TestCopyGoesOnWhereItStopped(t *testing.T) {
	from, to := t.TempDir(), t.TempDir()
	a := embedded(t, from)
	f := fill(t, a, from)
	for range 150 {
		conformance.Measured(t, a, f.mine, nil)
	}
	head, err := a.Head(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	// Stopped after each batch of 200 events, in the middle of the next one's photos.
	runs := 0
	var photos int64
	for ; ; runs++ {
		ctx, stop := context.WithCancel(t.Context())
		c, err := a.Copy(ctx, archive.Address{Folder: to}, func(string, int64, int64) { stop() })
		stop()
		photos += c.Photos
		if err == nil {
			break
		}
		if runs > 10 {
			t.Fatalf("never done: %v", err)
		}
		b := embedded(t, to)
		if r, err := b.Verify(t.Context(), archive.VerifyOptions{}); err != nil || len(r.Problems) != 0 {
			t.Fatalf("half a copy is not whole: %v, %v", r.Problems, err)
		}
		if err := b.Close(); err != nil {
			t.Fatal(err)
		}
	}
	b := embedded(t, to)
	if now, err := b.Head(t.Context()); err != nil || now != head || runs < 1 || photos != 152 {
		t.Errorf("head %v, want %v; %d stops, %d photos copied, want 152; %v", now, head, runs, photos, err)
	}

	// Both are written to: neither continues the other.
	conformance.Measured(t, a, f.mine, nil)
	conformance.Measured(t, b, f.mine, nil)
	_, err = a.Copy(t.Context(), archive.Address{Folder: to}, nil)
	conformance.Is(t, "copy over an archive that went its own way", err, archive.Conflict)
}

func TestCopyRefusesDamage(t *testing.T) {
	for what, damage := range map[string]func(t *testing.T, f filled){
		"photo": func(t *testing.T, f filled) {
			if err := os.Truncate(f.photoFile(f.m.Files[0].SHA256), 1); err != nil {
				t.Fatal(err)
			}
		},
		"record": func(t *testing.T, f filled) {
			behind(t, f.folder, "UPDATE measurement_body SET body = replace(body, '1.25', '0.25') WHERE id = '"+f.m.ID+"'")
		},
		"result": func(t *testing.T, f filled) {
			behind(t, f.folder, "UPDATE measurement_body SET result = replace(result, '1.25', '0.25') WHERE id = '"+f.m.ID+"'")
		},
		"event":         func(t *testing.T, f filled) { behind(t, f.folder, "UPDATE event SET name = 'x' WHERE seq = 5") },
		"event deleted": func(t *testing.T, f filled) { behind(t, f.folder, "DELETE FROM event WHERE seq = 5") },
	} {
		t.Run(what, func(t *testing.T) {
			t.Parallel()
			folder := t.TempDir()
			a := embedded(t, folder)
			damage(t, fill(t, a, folder))
			_, err := a.Copy(t.Context(), archive.Address{Folder: t.TempDir()}, nil)
			conformance.Is(t, "copy", err, archive.Damaged)
		})
	}
}

func TestNothingIsWrittenOutsideTheFolder(t *testing.T) {
	parent := t.TempDir()
	a := embedded(t, filepath.Join(parent, "data"))
	p := conformance.NewPlant(t, a, "Kestrel Hollow")
	for _, name := range []string{"../../x.jpg", "/etc/passwd", "a/b", "..", "C:\\x", "\u202egpj.exe"} {
		if _, err := a.AddPhoto(t.Context(), conformance.By, archive.Photo{Site: p.Site.ID, Type: "image/jpeg", Name: name}, []byte(name)); err != nil {
			t.Error(err)
		}
	}
	err := filepath.WalkDir(parent, func(path string, d fs.DirEntry, err error) error {
		if err == nil && filepath.Dir(path) == parent && d.Name() != "data" {
			return fmt.Errorf("there is %s", path)
		}
		return err
	})
	if err != nil {
		t.Error(err)
	}
}

func TestCopyToScaledOutAndBack(t *testing.T) {
	ctx, all := t.Context(), archive.AllSites()
	pg, s3 := conformance.StartPostgres(t), conformance.StartS3(t)
	folder := t.TempDir()
	a := embedded(t, folder)
	f := fill(t, a, folder)
	big := archive.Address{Database: pg.Database(t), Photos: s3.Bucket(t)}
	plan := planned(t, a, f.mine)
	out, err := a.Copy(ctx, big, nil)
	if err != nil || out.Photos != 2 {
		t.Fatalf("%+v, %v", out, err)
	}
	scaled, err := archive.Open(ctx, big)
	if err != nil {
		t.Fatal(err)
	}
	defer scaled.Close()
	conformance.Measured(t, scaled, f.mine, nil) // it is worked on there
	back := t.TempDir()
	in, err := scaled.Copy(ctx, archive.Address{Folder: back}, nil)
	if err != nil || in.Photos != 3 || in.Events != out.Events+2 {
		t.Fatalf("%+v, %v", in, err)
	}
	b := embedded(t, back)
	for what, x := range map[string]*archive.Archive{"scaled out": scaled, "back": b} {
		r, err := x.Verify(ctx, archive.VerifyOptions{Head: &in.Head})
		if err != nil || len(r.Problems) != 0 || r.Photos != 3 {
			t.Errorf("%s: %+v, %v", what, r, err)
		}
		if got, err := x.JointPlan(ctx, all, f.mine.Joint.ID); err != nil || !reflect.DeepEqual(got, plan) {
			t.Errorf("%s: plan %+v, %v; want %+v", what, got, err, plan)
		}
		for text, n := range map[string]int{"kestrel": 4, "grain": 1, "wet": 4} {
			if page, err := x.Search(ctx, archive.Query{Sites: all, Text: text}); err != nil || len(page.Items) != n {
				t.Errorf("%s: %q finds %d, want %d; %v", what, text, len(page.Items), n, err)
			}
		}
	}
	// And on into the first: what was added out there comes home.
	if home, err := scaled.Copy(ctx, archive.Address{Folder: folder}, nil); err != nil || home.Events != 2 || home.Photos != 1 {
		t.Errorf("home: %+v, %v", home, err)
	}
	report, err := a.Verify(ctx, archive.VerifyOptions{Head: &in.Head})
	if err != nil || len(report.Problems) != 0 {
		t.Errorf("at home: %v, %v", report.Problems, err)
	}
}

// What was refused is kept and handed on like any other measurement.
func TestRefusalsAreHandedOn(t *testing.T) {
	folder := t.TempDir()
	a := embedded(t, folder)
	p := conformance.NewPlant(t, a, "Kestrel Hollow")
	m := conformance.Measured(t, a, p, func(m *archive.Measurement) { m.Result = conformance.Refused("no_card") })
	var zip bytes.Buffer
	if err := a.Export(t.Context(), archive.Query{Sites: archive.AllSites(), Verdict: "refused"}, &zip, nil); err != nil {
		t.Fatal(err)
	}
	c, err := archive.Check(t.Context(), bytes.NewReader(zip.Bytes()), int64(zip.Len()), nil)
	if err != nil || len(c.Problems) > 0 || c.Measurements != 1 || c.Photos != 1 {
		t.Errorf("export: %d measurements, %d photos, %v, %v", c.Measurements, c.Photos, c.Problems, err)
	}
	backup, restored, copied := t.TempDir(), t.TempDir(), t.TempDir()
	if _, report, err := a.Backup(t.Context(), conformance.By, backup, nil); err != nil || len(report.Problems) > 0 {
		t.Fatalf("backup: %v, %v", report, err)
	}
	if _, report, err := archive.Restore(t.Context(), backup, archive.Address{Folder: restored}, nil); err != nil || len(report.Problems) > 0 {
		t.Fatalf("restore: %v, %v", report, err)
	}
	if _, err := a.Copy(t.Context(), archive.Address{Folder: copied}, nil); err != nil {
		t.Fatal(err)
	}
	for _, at := range []string{restored, copied} {
		b := embedded(t, at)
		got, err := b.Measurement(t.Context(), archive.AllSites(), m.ID)
		if err != nil || got.Refusal != "no_card" || string(got.Result) != string(m.Result) {
			t.Errorf("%+v, %v", got, err)
		}
		for review, want := range map[string]int{"": 1, "open": 0} {
			page, err := b.Search(t.Context(), archive.Query{Sites: archive.AllSites(), Verdict: "refused", Review: review})
			if err != nil || len(page.Items) != want {
				t.Errorf("review %q: %d found, want %d, %v", review, len(page.Items), want, err)
			}
		}
		if _, _, err := b.ReadPhoto(t.Context(), archive.AllSites(), m.Files[0].SHA256); err != nil {
			t.Error(err)
		}
	}
}
