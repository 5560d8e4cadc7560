package archive_test

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"beltend/server/archive"
	"beltend/server/archive/queue"
)

// Nobody but the user that the service runs as reads the databases and their
// journals, whatever the umask was when an earlier program made them.
func TestDatabasesArePrivate(t *testing.T) {
	folder := t.TempDir()
	private := func(when string) {
		t.Helper()
		seen := 0
		for _, name := range []string{"records.db", "records.db-wal", "records.db-shm", "queue.db", "queue.db-wal", "queue.db-shm"} {
			info, err := os.Stat(filepath.Join(folder, name))
			if err != nil {
				continue
			}
			if seen++; info.Mode().Perm() != 0o600 {
				t.Errorf("%s: %s has mode %v", when, name, info.Mode())
			}
		}
		if seen < 4 {
			t.Errorf("%s: only %d files are there", when, seen)
		}
	}
	open := func(when string) {
		a, err := archive.Open(t.Context(), archive.Address{Folder: folder})
		if err != nil {
			t.Fatal(err)
		}
		q, err := queue.Open(t.Context(), queue.Config{At: archive.Address{Folder: folder}, Timeout: time.Minute})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := a.PutSite(t.Context(), archive.Actor{ID: "local"}, archive.Site{Name: when}, ""); err != nil {
			t.Fatal(err)
		}
		private(when)
		if err := q.Close(); err != nil {
			t.Error(err)
		}
		if err := a.Close(); err != nil {
			t.Error(err)
		}
	}
	open("made")
	for _, name := range []string{"records.db", "queue.db"} {
		if err := os.Chmod(filepath.Join(folder, name), 0o644); err != nil { //nolint:gosec // as an earlier program did
			t.Fatal(err)
		}
	}
	open("opened")
}
