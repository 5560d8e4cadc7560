package archive_test

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"beltend/server/archive"
	"beltend/server/archive/conformance"
)

func TestAFullDiskKeepsNothingHalf(t *testing.T) {
	folder := t.TempDir()
	if err := syscall.Mount("tmpfs", folder, "tmpfs", 0, "size=3m"); err != nil {
		t.Skipf("only root may mount the small disk that this test fills: %v", err)
	}
	t.Cleanup(func() { // after the archive is closed
		if err := syscall.Unmount(folder, 0); err != nil {
			t.Error(err)
		}
	})
	a, err := archive.Open(t.Context(), archive.Address{Folder: folder})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := a.Close(); err != nil {
			t.Error(err)
		}
	}()
	p := conformance.NewPlant(t, a, "Kestrel Hollow")
	fill := func(size int) (kept int) {
		t.Helper()
		for i := range 10_000 {
			data := make([]byte, size)
			copy(data, fmt.Sprint(size, i))
			photo, err := a.AddPhoto(t.Context(), conformance.By, archive.Photo{Site: p.Site.ID, Type: "image/jpeg"}, data)
			if err == nil {
				_, err = a.AddMeasurement(t.Context(), conformance.By, archive.Measurement{Joint: p.Joint.ID, End: archive.Leading, Step: archive.StepCut, Person: "Mara Quill",
					Files: []archive.File{{SHA256: photo.SHA256, Role: archive.RolePhoto}}, Result: conformance.Offset(0.5, 0.2, 2)}, "")
				kept++
			}
			if err != nil {
				if !errors.Is(err, archive.Full) {
					t.Errorf("on the full disk: %v, want %q", err, archive.Full)
				}
				return kept
			}
		}
		t.Fatal("the disk never was full")
		return 0
	}
	ballast := filepath.Join(folder, "ballast")
	if err := os.WriteFile(ballast, make([]byte, 1<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	large, small := fill(100_000), fill(100) // the photo finds no room, then the database finds none
	err = filepath.WalkDir(folder, func(_ string, d fs.DirEntry, err error) error {
		if err == nil && strings.HasPrefix(d.Name(), ".new-") {
			t.Errorf("a part of a photo stayed: %s", d.Name())
		}
		return err
	})
	if err != nil {
		t.Error(err)
	}
	report, err := a.Verify(t.Context(), archive.VerifyOptions{})
	if err != nil || len(report.Problems) != 0 {
		t.Errorf("on the full disk: %v, %v", report.Problems, err)
	}
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	conformance.Measured(t, a, p, nil) // with room it goes on
	if report, err = a.Verify(t.Context(), archive.VerifyOptions{}); err != nil || len(report.Problems) != 0 {
		t.Errorf("afterwards: %v, %v", report.Problems, err)
	}
	t.Logf("%d large and %d small photos until the disk was full; %d events, %d files left over", large, small, report.Events, report.Leftover)
}
