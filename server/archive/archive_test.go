package archive_test

import (
	"testing"

	"beltend/server/archive"
	"beltend/server/archive/conformance"
)

// embedded opens a new archive in a folder.
func embedded(t testing.TB, folder string) *archive.Archive {
	t.Helper()
	a, err := archive.Open(t.Context(), archive.Address{Folder: folder})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := a.Close(); err != nil {
			t.Error(err)
		}
	})
	return a
}

func TestEmbeddedConforms(t *testing.T) {
	conformance.Run(t, func(t *testing.T) *archive.Archive { return embedded(t, t.TempDir()) })
}
