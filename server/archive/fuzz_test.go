package archive_test

import (
	"bytes"
	"testing"

	"beltend/server/archive"
)

// Whatever bytes somebody hands to check: an answer or an error, never a panic, and
// never a clean bill for what the site's key did not sign.
func FuzzCheck(f *testing.F) {
	folder := f.TempDir()
	a, err := archive.Open(f.Context(), archive.Address{Folder: folder})
	if err != nil {
		f.Fatal(err)
	}
	fill(f, a, folder)
	var good bytes.Buffer
	if err := a.Export(f.Context(), archive.Query{Sites: archive.AllSites()}, &good, nil); err != nil {
		f.Fatal(err)
	}
	if err := a.Close(); err != nil {
		f.Fatal(err)
	}
	f.Add(good.Bytes())
	f.Add(good.Bytes()[:good.Len()-1])
	f.Add([]byte("PK\x05\x06"))
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := archive.Check(t.Context(), bytes.NewReader(data), int64(len(data)), nil)
		if err == nil && len(c.Problems) == 0 && c.Measurements > 0 && c.Signed.Verify() != nil {
			t.Error("clean, but not signed")
		}
	})
}
