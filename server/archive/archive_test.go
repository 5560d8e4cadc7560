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

func TestScaledOutConforms(t *testing.T) {
	pg, s3 := conformance.StartPostgres(t), conformance.StartS3(t)
	conformance.Run(t, func(t *testing.T) *archive.Archive {
		a, _ := pg.Open(t, s3.Bucket(t))
		return a
	})
}

func TestPostgresWithASharedFolderConforms(t *testing.T) {
	pg := conformance.StartPostgres(t)
	conformance.Run(t, func(t *testing.T) *archive.Archive {
		a, _ := pg.Open(t, t.TempDir())
		return a
	})
}

func TestEveryEarlierVersionIsUpgradedOnPostgres(t *testing.T) {
	pg := conformance.StartPostgres(t)
	for v := range archive.Versions(t) {
		archive.Upgrade(t, v+1, archive.Address{Database: pg.Database(t), Photos: t.TempDir()})
	}
	archive.UpgradeLooks(t, archive.Address{Database: pg.Database(t), Photos: t.TempDir()})
}

func TestSearchFindsTheSameByEveryWayOnPostgres(t *testing.T) {
	archive.SearchEveryWay(t, archive.Address{Database: conformance.StartPostgres(t).Database(t), Photos: t.TempDir()})
}
