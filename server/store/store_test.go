package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"testing"

	"beltend/server/archive"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/vision/overlay"
)

var local = Person{Actor: archive.Actor{ID: "local", Name: "Ada"}, Sites: archive.AllSites()}

func open(t *testing.T, folder string, drawn *int) *Store {
	t.Helper()
	a, err := archive.Open(t.Context(), archive.Address{Folder: folder})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Close() })
	return New(a, func(_ context.Context, photos []File, _ *result.Measurement, o report.Options, _ *overlay.Window) ([]File, error) {
		*drawn++
		return []File{{Name: "overlay-1.jpg", Data: fmt.Appendf(nil, "%s in inches %t", photos[0].Data, o.Inches)}}, nil
	}, 1<<20)
}

func measured() *result.Measurement {
	return &result.Measurement{Schema: result.Schema, Verdict: result.Square, Warnings: []result.Warning{}, Program: "test",
		Squareness: &result.Squareness{OffsetMM: 0.5, OffsetU95MM: 0.3, ToleranceMM: 2}, Width: &result.Width{AtCutMM: 800},
		Links: &result.Links{Self: "/here"}}
}

// keep keeps a photo and its measurement where it belongs.
func keep(t *testing.T, s *Store, by Person, at Place, photo string, drawn []File) (Record, error) {
	t.Helper()
	j, err := s.Joint(t.Context(), by, at)
	if err != nil {
		return Record{}, err
	}
	p, err := s.Archive.AddPhoto(t.Context(), by.Actor, archive.Photo{Site: j.Site, Type: "image/jpeg", Name: "end.jpg"}, []byte(photo))
	if err != nil {
		t.Fatal(err)
	}
	return s.Put(t.Context(), by.Actor, archive.Measurement{Joint: j.ID, End: archive.Leading, Step: archive.StepCut, Person: by.Name,
		Files: []archive.File{{SHA256: p.SHA256, Role: archive.RolePhoto, Name: p.Name}}}, "", measured(), report.Options{}, drawn)
}

func TestAMeasurementOutlivesTheService(t *testing.T) {
	ctx, folder, drawn := t.Context(), t.TempDir(), 0
	s := open(t, folder, &drawn)
	r, err := keep(t, s, local, Place{}, "\xff\xd8\xffphoto", []File{{"overlay-1.jpg", []byte("made while measuring")}})
	if err != nil {
		t.Fatal(err)
	}
	if b, err := s.Picture(ctx, local.Sites, r.ID, "overlay-1.jpg", report.Options{}, nil); err != nil || string(b) != "made while measuring" || drawn != 0 {
		t.Errorf("%q, %v, drawn %d times", b, err, drawn)
	}
	s = open(t, folder, &drawn) // as after a restart
	again, err := s.Get(ctx, local.Sites, r.ID)
	if err != nil {
		t.Fatal(err)
	}
	m := again.Measurement
	if m.Squareness.OffsetMM != 0.5 || m.Program != "test" || m.Links != nil || again.Kept.Person != "Ada" || again.Kept.Step != archive.StepCut || again.Kept.Files[0].Name != "end.jpg" {
		t.Errorf("kept as %+v, %+v", m, again.Kept)
	}
	for range 2 {
		b, err := s.Picture(ctx, local.Sites, r.ID, "overlay-1.jpg", report.Options{Inches: true}, nil)
		if err != nil || !bytes.Equal(b, []byte("\xff\xd8\xffphoto in inches true")) {
			t.Errorf("drawn again: %q, %v", b, err)
		}
	}
	if drawn != 1 {
		t.Errorf("drawn %d times, want once and kept in memory", drawn)
	}
	if _, err := s.Picture(ctx, local.Sites, r.ID, "topdown.png", report.Options{Inches: true}, nil); !errors.Is(err, archive.NotFound) {
		t.Errorf("a picture that cannot be drawn: %v", err)
	}
	recent, err := s.Recent(ctx, local.Sites, 10)
	if err != nil || len(recent) != 1 || recent[0].ID != r.ID {
		t.Errorf("recent: %+v, %v", recent, err)
	}
}

func TestLooseMeasurementsShareAPlaceAtTheirSite(t *testing.T) {
	ctx, drawn := t.Context(), 0
	s := open(t, t.TempDir(), &drawn)
	put := func(by Person, at Place, data string) (Record, error) { return keep(t, s, by, at, data, nil) }
	one, err := put(local, Place{}, "one")
	if err != nil {
		t.Fatal(err)
	}
	two, err := put(local, Place{}, "two")
	if err != nil || two.Kept.Joint != one.Kept.Joint {
		t.Errorf("%v; joints %s and %s", err, one.Kept.Joint, two.Kept.Joint)
	}
	quarry, err := s.Archive.PutSite(ctx, local.Actor, archive.Site{Name: "Quarry"}, "")
	if err != nil {
		t.Fatal(err)
	}
	miner := Person{Actor: archive.Actor{ID: "miner", Name: "Bo"}, Sites: archive.SomeSites(quarry.ID)}
	three, err := put(miner, Place{}, "three")
	if err != nil || three.Kept.Site != quarry.ID {
		t.Fatalf("%v; at site %s, want %s", err, three.Kept.Site, quarry.ID)
	}
	// What belongs to another site is not there.
	if _, err := s.Get(ctx, miner.Sites, one.ID); !errors.Is(err, archive.NotFound) {
		t.Errorf("another site's measurement: %v", err)
	}
	if _, err := s.Picture(ctx, miner.Sites, one.ID, "overlay-1.jpg", report.Options{}, nil); !errors.Is(err, archive.NotFound) {
		t.Errorf("another site's picture: %v", err)
	}
	for name, at := range map[string]Place{"joint": {Joint: one.Kept.Joint}, "site": {Site: one.Kept.Site}, "no joint": {Joint: "x"}} {
		if _, err := put(miner, at, "four"); !errors.Is(err, archive.Invalid) {
			t.Errorf("%s: %v, want it refused", name, err)
		}
	}
	nobody := Person{Actor: archive.Actor{ID: "nobody"}, Sites: archive.SomeSites()}
	if _, err := put(nobody, Place{}, "five"); !errors.Is(err, archive.Invalid) {
		t.Errorf("somebody without a site: %v", err)
	}
}

// Many that measure at once where there is no place yet all find one and the same.
func TestTheLoosePlaceIsMadeOnce(t *testing.T) {
	drawn := 0
	s := open(t, t.TempDir(), &drawn)
	const n = 16
	joints, errs := make(chan string, n), make(chan error, n)
	for range n {
		go func() {
			j, err := s.Joint(t.Context(), local, Place{})
			joints <- j.ID
			errs <- err
		}()
	}
	first := <-joints
	for range n - 1 {
		if j := <-joints; j != first {
			t.Errorf("places %s and %s", first, j)
		}
	}
	for range n {
		if err := <-errs; err != nil {
			t.Error(err)
		}
	}
}

func TestCacheKeepsWhatWasAskedForLast(t *testing.T) {
	c := newCache(30)
	for _, k := range []string{"a", "b", "c"} {
		c.put(k, make([]byte, 10))
	}
	c.get("a")
	c.put("d", make([]byte, 10))
	c.put("too large", make([]byte, 31))
	for k, want := range map[string]bool{"a": true, "b": false, "c": true, "d": true, "too large": false} {
		if (c.get(k) != nil) != want {
			t.Errorf("%s is kept: %v, want %v", k, !want, want)
		}
	}
	if c.bytes != 30 {
		t.Errorf("%d bytes are counted, 30 kept", c.bytes)
	}
}
