package archive_test

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"beltend/server/archive"
	"beltend/server/archive/conformance"
)

// While the database or the photo store is away, everything fails soon and says so;
// when it is back, the same open archive works on, and nothing is half there.
func TestOutagesAreSaidAndOutlived(t *testing.T) {
	pg, s3 := conformance.StartPostgres(t), conformance.StartS3(t)
	a, _ := pg.Open(t, s3.Bucket(t))
	p := conformance.NewPlant(t, a, "Kestrel Hollow")
	m := conformance.Measured(t, a, p, nil)
	all := archive.AllSites()
	addPhoto := func(ctx context.Context) error {
		_, err := a.AddPhoto(ctx, conformance.By, archive.Photo{Site: p.Site.ID, Type: "image/jpeg"}, []byte(archive.NewID()))
		return err
	}
	away := func(what string, do func(ctx context.Context) error) {
		t.Helper()
		ctx, stop := context.WithTimeout(t.Context(), 30*time.Second)
		defer stop()
		began := time.Now()
		err := do(ctx)
		if !errors.Is(err, archive.Unavailable) {
			t.Errorf("%s: %v, want %q", what, err, archive.Unavailable)
		}
		t.Logf("%s: said after %v", what, time.Since(began).Round(time.Millisecond))
	}

	s3.Stop(t)
	away("keep a photo without the photo store", addPhoto)
	away("read a photo without the photo store", func(ctx context.Context) error {
		_, _, err := a.ReadPhoto(ctx, all, m.Files[0].SHA256)
		return err
	})
	away("readiness without the photo store", a.Ping)
	if _, err := a.Search(t.Context(), archive.Query{Sites: all}); err != nil {
		t.Errorf("records need no photo store: %v", err)
	}
	s3.Start(t)
	if err := addPhoto(t.Context()); err != nil {
		t.Errorf("the photo store is back: %v", err)
	}

	pg.Stop(t)
	away("keep a record without the database", func(ctx context.Context) error {
		_, err := a.PutSite(ctx, conformance.By, archive.Site{Name: "Kestrel Hollow Grain"}, "")
		return err
	})
	away("search without the database", func(ctx context.Context) error {
		_, err := a.Search(ctx, archive.Query{Sites: all})
		return err
	})
	away("keep a photo without the database", addPhoto)
	away("readiness without the database", a.Ping)
	pg.Start(t)
	if err := addPhoto(t.Context()); err != nil {
		t.Errorf("the database is back: %v", err)
	}
	if _, err := a.Search(t.Context(), archive.Query{Sites: all}); err != nil {
		t.Errorf("the database is back: %v", err)
	}

	r, err := a.Verify(t.Context(), archive.VerifyOptions{})
	if err != nil || len(r.Problems) != 0 || r.Photos != 3 {
		t.Errorf("afterwards: %+v, %v", r, err)
	}
}

// A proxy in front of the photo store answers "not found" while the store is down: that
// is an outage, not a lost photo.
func TestAProxysNotFoundIsNoLostPhoto(t *testing.T) {
	s3 := conformance.StartS3(t)
	address := s3.Bucket(t)
	_, endpoint, _ := strings.Cut(address, "endpoint=")
	endpoint, _, _ = strings.Cut(endpoint, "&")
	store, err := url.Parse(endpoint)
	if err != nil {
		t.Fatal(err)
	}
	var down atomic.Bool
	through := &httputil.ReverseProxy{Rewrite: func(r *httputil.ProxyRequest) {
		r.SetURL(store)
		r.Out.Host = r.In.Host // it is signed
	}}
	proxy := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if down.Load() {
			http.NotFound(w, r)
			return
		}
		through.ServeHTTP(w, r)
	}))
	defer proxy.Close()
	a, _ := conformance.StartPostgres(t).Open(t, strings.Replace(address, endpoint, proxy.URL, 1))
	p := conformance.NewPlant(t, a, "Kestrel Hollow")
	m := conformance.Measured(t, a, p, nil)
	read := func() error {
		_, _, err := a.ReadPhoto(t.Context(), archive.AllSites(), m.Files[0].SHA256)
		return err
	}
	if err := read(); err != nil {
		t.Fatalf("through the proxy: %v", err)
	}
	down.Store(true)
	if err := read(); !errors.Is(err, archive.Unavailable) {
		t.Errorf("the proxy says not found: %v, want %q", err, archive.Unavailable)
	}
	down.Store(false)
	if err := read(); err != nil {
		t.Errorf("the store is back: %v", err)
	}
}
