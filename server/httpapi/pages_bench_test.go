package httpapi

import (
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"github.com/gin-gonic/gin"

	"beltend/server/archive"
	"beltend/server/pages"
	"beltend/server/result"
	"beltend/server/store"
)

// How long the service itself needs for a page, with two hundred measurements in the record:
// the goal is 100 ms. DEVELOPERS.md has the figures.
func BenchmarkPages(b *testing.B) {
	gin.SetMode(gin.ReleaseMode)
	f := newFake()
	s := newStore(b, f)
	site, err := s.Archive.PutSite(b.Context(), local.Actor, archive.Site{Name: "Kestrel Hollow quarry"}, "")
	if err != nil {
		b.Fatal(err)
	}
	conveyor, err := s.Archive.PutConveyor(b.Context(), local.Actor, archive.Conveyor{Site: site.ID, Name: "Conveyor 3"}, "")
	if err != nil {
		b.Fatal(err)
	}
	belt, err := s.Archive.PutBelt(b.Context(), local.Actor, archive.Belt{Conveyor: conveyor.ID, Name: "Belt 3-A"}, "")
	if err != nil {
		b.Fatal(err)
	}
	joint, err := s.Archive.PutJoint(b.Context(), local.Actor, archive.Joint{Belt: belt.ID, Number: "J-17", FaceUp: "carrying"}, "")
	if err != nil {
		b.Fatal(err)
	}
	var last store.Record
	for i := range 200 {
		m := full()
		m.Verdict, m.Width.AtCutMM, m.Cut.Profile, m.Squareness.TargetDeg = result.Recut, 800, [][2]float64{{-400, 0}, {400, 0}}, 0
		last = put(b, s, local, archive.Measurement{Joint: joint.ID, End: []string{archive.Leading, archive.Trailing}[i%2]}, store.File{Name: "end.jpg", Data: []byte("ok")}, m)
	}
	service := New(Config{Measurer: f, Store: s, Orders: newDesk(b, s, f), Local: local})
	for name, path := range map[string]string{
		"start": "/", "joint": "/joints/" + joint.ID, "photo": "/joints/" + joint.ID + "/end/leading/cut", "answer": "/m/" + last.ID, "pair": "/joints/" + joint.ID + "/pair",
		"review": "/review", "record": "/review/m/" + last.ID, "chart": "/review/chart", "train": "/train", "lacing": "POST /lacing",
	} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				r := httptest.NewRequest("GET", strings.TrimPrefix(path, "POST "), nil)
				if strings.HasPrefix(path, "POST ") {
					form := url.Values{"lead-width": {"1000"}, "trail-width": {"994"}, "thickness": {"5"}, "pulley": {"200"}, "fastener": {"KH 30"}, "chart": {pages.DemoChart}}
					r = httptest.NewRequest("POST", "/lacing", strings.NewReader(form.Encode()))
					r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
				}
				r.Host = "127.0.0.1"
				r.Header.Set("Accept", "text/html")
				w := httptest.NewRecorder()
				service.ServeHTTP(w, r)
				if w.Code != 200 {
					b.Fatalf("%s: %d %.200s", path, w.Code, w.Body)
				}
			}
		})
	}
}
