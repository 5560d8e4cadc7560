package archive_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"beltend/server/archive"
	"beltend/server/archive/conformance"
)

// retained lets go what is signed off, as if ten years had gone by.
func retained(t *testing.T, a *archive.Archive, want int64) {
	t.Helper()
	sum, err := a.Retain(t.Context(), conformance.By, archive.Rules{Sites: archive.AllSites(), SignedOff: archive.Age{Years: 5}, At: time.Now().AddDate(10, 0, 0)}, false, nil)
	if err != nil || sum.Photos != want {
		t.Fatalf("removed %+v, want %d; %v", sum, want, err)
	}
}

func verified(t *testing.T, what string, a *archive.Archive, photos, removed int64) {
	t.Helper()
	r, err := a.Verify(t.Context(), archive.VerifyOptions{})
	if err != nil || len(r.Problems) != 0 || r.Photos != photos || r.Removed != removed || r.Leftover != 0 {
		t.Errorf("%s: %+v, %v; want %d photos and %d removed", what, r, err, photos, removed)
	}
}

func TestBackupsFollowWhatWasRemoved(t *testing.T) {
	ctx := t.Context()
	folder, early, late := t.TempDir(), filepath.Join(t.TempDir(), "early"), filepath.Join(t.TempDir(), "late")
	a := embedded(t, folder)
	p := conformance.NewPlant(t, a, "Kestrel Hollow")
	goes := conformance.Measured(t, a, p, nil)
	conformance.SignOff(t, a, goes, archive.Accepted, "Rev A")
	if _, _, err := a.Backup(ctx, conformance.By, early, nil); err != nil {
		t.Fatal(err)
	}
	data, _, err := a.ReadPhoto(ctx, archive.AllSites(), goes.Files[0].SHA256)
	if err != nil {
		t.Fatal(err)
	}
	retained(t, a, 1)
	stays := conformance.Measured(t, a, p, nil)
	verified(t, "the archive", a, 1, 1)
	for _, backup := range []string{early, late} {
		if _, report, err := a.Backup(ctx, conformance.By, backup, nil); err != nil || len(report.Problems) != 0 || report.Removed != 1 {
			t.Fatalf("%s: %+v, %v", backup, report, err)
		}
		if _, err := os.Stat(filepath.Join(backup, "photos", goes.Files[0].SHA256[:2], goes.Files[0].SHA256)); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("%s still has the photo: %v", backup, err)
		}
		if _, err := os.Stat(filepath.Join(backup, "photos", stays.Files[0].SHA256[:2], stays.Files[0].SHA256)); err != nil {
			t.Errorf("%s: %v", backup, err)
		}
	}
	// It comes back, here and there.
	if _, err := a.AddPhoto(ctx, conformance.By, archive.Photo{Site: p.Site.ID, Type: "image/jpeg"}, data); err != nil {
		t.Fatal(err)
	}
	if _, report, err := a.Backup(ctx, conformance.By, early, nil); err != nil || len(report.Problems) != 0 || report.Photos != 2 {
		t.Errorf("backup of what came back: %+v, %v", report, err)
	}
}

func TestExportsTellWhatWasRemoved(t *testing.T) {
	ctx, folder := t.Context(), t.TempDir()
	a := embedded(t, folder)
	p := conformance.NewPlant(t, a, "Kestrel Hollow")
	m := conformance.Measured(t, a, p, nil)
	conformance.SignOff(t, a, m, archive.Accepted, "Rev A")
	retained(t, a, 1)
	export := func() *archive.Checked {
		t.Helper()
		var zip bytes.Buffer
		if err := a.Export(ctx, archive.Query{Sites: archive.AllSites()}, &zip, nil); err != nil {
			t.Fatal(err)
		}
		c, err := archive.Check(ctx, bytes.NewReader(zip.Bytes()), int64(zip.Len()), nil)
		if err != nil || len(c.Problems) != 0 {
			t.Fatalf("check: %+v, %v", c, err)
		}
		return c
	}
	if c := export(); c.Removed != 1 || c.Measurements != 1 {
		t.Errorf("%+v", c)
	}
	// An export without the photo, and without a rule that took it, is not whole.
	m2 := conformance.Measured(t, a, p, nil)
	if err := os.Remove(filepath.Join(folder, "photos", m2.Files[0].SHA256[:2], m2.Files[0].SHA256)); err != nil {
		t.Fatal(err)
	}
	if err := a.Export(ctx, archive.Query{Sites: archive.AllSites()}, &bytes.Buffer{}, nil); err == nil {
		t.Error("an export without a photo that is to be there was made")
	}
}

func TestARemovalMadeUpIsNoticed(t *testing.T) {
	folder := t.TempDir()
	a := embedded(t, folder)
	p := conformance.NewPlant(t, a, "Kestrel Hollow")
	m := conformance.Measured(t, a, p, nil)
	sha := m.Files[0].SHA256
	if err := os.Remove(filepath.Join(folder, "photos", sha[:2], sha)); err != nil {
		t.Fatal(err)
	}
	behind(t, folder, `INSERT INTO photo_removal (site, sha256, removed, body) VALUES ('`+p.Site.ID+`', '`+sha+`', 1, '{"age":"5y","removed":true,"rule":"signed_off","sha256":"`+sha+`","site":"`+p.Site.ID+`","version":1}')`)
	r, err := a.Verify(t.Context(), archive.VerifyOptions{})
	if err != nil || len(r.Problems) != 1 || r.Problems[0].Kind != archive.ProblemUnrecorded || r.Problems[0].Subject != "photo_removal/"+p.Site.ID+"/"+sha {
		t.Errorf("%+v, %v", r, err)
	}
}

// A run that was stopped between the record and the file is finished by the next.
func TestARemovalCutShortIsFinished(t *testing.T) {
	folder := t.TempDir()
	a := embedded(t, folder)
	p := conformance.NewPlant(t, a, "Kestrel Hollow")
	m := conformance.Measured(t, a, p, nil)
	conformance.SignOff(t, a, m, archive.Accepted, "Rev A")
	retained(t, a, 1)
	file := filepath.Join(folder, "photos", m.Files[0].SHA256[:2], m.Files[0].SHA256)
	if err := os.WriteFile(file, []byte("left over"), 0o600); err != nil {
		t.Fatal(err)
	}
	behind(t, folder, "UPDATE photo_removal SET pending = 1")
	retained(t, a, 0)
	if _, err := os.Stat(file); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the file is still there: %v", err)
	}
	verified(t, "afterwards", a, 0, 1)
}

func TestAges(t *testing.T) {
	for text, want := range map[string]archive.Age{"5y": {Years: 5}, "90d": {Days: 90}, "1d": {Days: 1}} {
		if a, err := archive.ParseAge(text); err != nil || a != want || a.String() != text {
			t.Errorf("%s: %v, %v", text, a, err)
		}
	}
	for _, text := range []string{"", "0d", "0y", "5", "y", "-1d", "1.5y", "5 y", "5Y", "100000y"} {
		if a, err := archive.ParseAge(text); !errors.Is(err, archive.Invalid) {
			t.Errorf("%q is read as %v, %v", text, a, err)
		}
	}
}
