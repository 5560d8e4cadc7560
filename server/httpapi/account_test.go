package httpapi

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/gin-gonic/gin"

	"beltend/server/account"
	"beltend/server/archive"
	"beltend/server/archive/conformance"
	"beltend/server/measure"
	"beltend/server/pages"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/server/store"
	"beltend/server/training"
	"beltend/server/worker"
)

const password = "a belt laid flat and slack"

// echo is a measurer whose pictures show what its photos hold.
type echo struct{ *fake }

func (e echo) Run(ctx context.Context, job worker.Job, p measure.Progress) (worker.Answer, error) {
	a, err := e.fake.Run(ctx, job, p)
	if job.Hooks != nil {
		a.Hooks = countOf(job)
	}
	a.Pictures = nil
	for _, name := range []string{"overlay-1.jpg", "topdown.png", "topdown.jpg", "profile.svg"} {
		a.Pictures = append(a.Pictures, worker.File{Name: name, Data: []byte(saying(commentOf(job.Photos[0].Data)))})
	}
	return a, err
}

// plant is a site with one record of every kind; mark is part of every name there.
type plant struct {
	mark  string
	sites archive.Sites
	ids   map[string]string // tried in every place of an address
	alone map[string]string // that stand in one kind of place: look, round, token
}

// id is that of the plant's record of a kind.
func (p plant) id(kind string) string { return cmp.Or(p.ids[kind], p.alone[kind]) }

func newPlant(t *testing.T, s *store.Store, mark string) plant {
	t.Helper()
	ctx, a := t.Context(), s.Archive
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	site, err := a.PutSite(ctx, local.Actor, archive.Site{Name: mark + " quarry"}, "")
	must(err)
	conveyor, err := a.PutConveyor(ctx, local.Actor, archive.Conveyor{Site: site.ID, Name: mark + " conveyor"}, "")
	must(err)
	belt, err := a.PutBelt(ctx, local.Actor, archive.Belt{Conveyor: conveyor.ID, Name: mark + " belt"}, "")
	must(err)
	joint, err := a.PutJoint(ctx, local.Actor, archive.Joint{Belt: belt.ID, Number: mark + " joint", FaceUp: "carrying", Note: mark + " note",
		Cautions: &archive.Cautions{Name: mark + " person", Text: "1"}}, "")
	must(err)
	set, err := a.PutCardSet(ctx, local.Actor, archive.CardSet{Site: site.ID, Number: mark + " cards"}, "")
	must(err)
	by := local
	by.Name = mark + " person"
	f := full()
	f.Links, f.Cut.Profile = nil, [][2]float64{{-400, 0.2}, {0, -0.3}, {400, 0.1}} // which a report draws
	r := put(t, s, by, archive.Measurement{Joint: joint.ID, CardSet: set.ID, End: archive.Leading}, store.File{Name: mark + ".jpg", Data: []byte(mark + " photo")}, f)
	_, err = a.PutJointPlan(ctx, local.Actor, archive.JointPlan{ID: joint.ID, Person: mark + " planner", Result: conformance.Planned(76)}, "")
	must(err)
	photo, item := r.Kept.Files[0].SHA256, result.Clinch()[0]
	counted := countOf(worker.Job{Hooks: &worker.Hooks{Face: result.Carrying}})
	counted.Findings = []result.HookFinding{}
	count, err := json.Marshal(counted)
	must(err)
	look, err := a.PutFinished(ctx, local.Actor, archive.Finished{Joint: joint.ID, Person: mark + " person", Files: r.Kept.Files, Result: count,
		Clinch: []archive.ClinchMark{{Code: item.Code, Face: item.Face, Judgement: result.Good, Photo: photo, By: mark + " person", Note: mark + " clinch"}}}, "")
	must(err)
	round, err := s.BeginRound(ctx, local.Actor, training.Round{Person: mark + " trainee", Site: site.ID, Seed: 1, Questions: 2})
	must(err)
	must(s.AnswerRound(ctx, local.Actor, round.ID, 0, training.Answered{Exercise: training.Default(), Answer: training.Answer{Verdict: training.Recut}, Right: training.Recut}))
	return plant{mark: mark, sites: archive.SomeSites(site.ID), ids: map[string]string{"site": site.ID, "conveyor": conveyor.ID, "belt": belt.ID, "joint": joint.ID,
		"card-set": set.ID, "measurement": r.ID, "photo": photo}, alone: map[string]string{"look": look.ID, "round": round.ID}}
}

// put keeps a measurement of one photo.
func put(t testing.TB, s *store.Store, by store.Person, m archive.Measurement, photo store.File, r *result.Measurement) store.Record {
	t.Helper()
	j, err := s.Archive.Joint(t.Context(), by.Sites, m.Joint)
	if err != nil {
		t.Fatal(err)
	}
	p, err := s.Archive.AddPhoto(t.Context(), by.Actor, archive.Photo{Site: j.Site, Type: "image/jpeg", Name: photo.Name}, photo.Data)
	if err != nil {
		t.Fatal(err)
	}
	m.Files = []archive.File{{SHA256: p.SHA256, Role: archive.RolePhoto, Name: photo.Name}}
	m.Person = by.Name
	if m.End == "" {
		m.End = archive.Leading
	}
	if m.Step == "" {
		m.Step = archive.StepCut
	}
	kept, err := s.Put(t.Context(), by.Actor, m, "", r, report.Options{}, nil)
	if err != nil {
		t.Fatal(err)
	}
	return kept
}

// guarded is a service with accounts: each has a token to act by.
type guarded struct {
	engine   *gin.Engine
	server   *httptest.Server
	store    *store.Store
	accounts *account.Accounts
	ours     plant
	theirs   plant
	tokens   map[string]string
}

func guard(t *testing.T) *guarded {
	t.Helper()
	f := echo{newFake()}
	g := &guarded{store: newStore(t, f), tokens: map[string]string{}}
	g.accounts = account.New(g.store.Archive)
	g.ours, g.theirs = newPlant(t, g.store, "Alpha"), newPlant(t, g.store, "Zulu")
	for _, a := range []account.Account{
		{Name: "everything here", Roles: []account.Role{account.Technician, account.Trainer, account.Reviewer, account.Administrator}, Sites: []string{g.ours.ids["site"]}},
		{Name: "everything there", Roles: []account.Role{account.Administrator}, Sites: []string{g.theirs.ids["site"]}},
		{Name: "technician", Roles: []account.Role{account.Technician}, Sites: []string{g.ours.ids["site"]}},
		{Name: "trainer", Roles: []account.Role{account.Trainer}, Sites: []string{g.ours.ids["site"]}},
		{Name: "reviewer", Roles: []account.Role{account.Reviewer}, Sites: []string{g.ours.ids["site"]}},
	} {
		made, err := g.accounts.Add(t.Context(), local.Actor, a, password)
		if err != nil {
			t.Fatal(err)
		}
		secret, token, err := g.accounts.AddToken(t.Context(), local.Actor, a.Name, "test", made.Scopes(), time.Now().Add(time.Hour))
		if err != nil {
			t.Fatal(err)
		}
		g.tokens[a.Name] = secret
		for _, p := range []plant{g.ours, g.theirs} {
			if p.ids["site"] == a.Sites[0] {
				p.ids["account"], p.alone["token"] = made.ID, token.ID // of each site's last: the reviewer here, the administrator there
			}
		}
	}
	m := NewMetrics()
	g.engine = New(Config{Measurer: f, Store: g.store, Orders: newDesk(t, g.store, m.Count(f)), Metrics: m, Local: local, Accounts: g.accounts}).(*gin.Engine)
	g.server = httptest.NewServer(g.engine)
	t.Cleanup(g.server.Close)
	return g
}

// ask requests an address as somebody ("": nobody), with fields where they are given.
func (g *guarded) ask(t *testing.T, who, method, path string, form io.Reader, kind string) (answer, []byte) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, g.server.URL+path, form)
	if err != nil {
		t.Fatal(err)
	}
	header := map[string]string{"Accept": "text/html"}
	if kind != "" {
		header["Content-Type"] = kind
	}
	if who != "" {
		header["Authorization"] = "Bearer " + g.tokens[who]
	}
	return send(t, req, header)
}

// paths are a route's addresses: its parameters are one of a plant's IDs, or
// what such a parameter takes.
func paths(route string, p plant) []string {
	if !strings.ContainsAny(route, ":*") {
		return []string{route}
	}
	var all []string
	for _, id := range p.ids {
		for _, number := range []string{"1", "1.jpg", "before.jpg", "after.jpg"} {
			var parts []string
			for _, part := range strings.Split(route, "/") {
				switch {
				case part == ":end":
					part = "leading"
				case part == ":step":
					part = "cut"
				case part == ":photo" || part == ":number" || part == ":picture" || part == ":n":
					part = number
				case strings.HasPrefix(part, ":"), strings.HasPrefix(part, "*"):
					part = id
				}
				parts = append(parts, part)
			}
			all = append(all, strings.Join(parts, "/"))
		}
	}
	slices.Sort(all)
	return slices.Compact(all)
}

// fields name everything of a plant, in the ways that forms and searches do.
func fields(p plant) url.Values {
	v := url.Values{}
	for name, id := range p.ids {
		v.Set(name, id)
	}
	for name, text := range map[string]string{"outcome": "sent_back", "reason": "as a test", "person": "somebody", "name": "A name", "number": "N1", "end": "leading", "step": "cut",
		"rule": "R1", "across": "200", "up": "150", "good": "yes", "review": "", "supersedes": p.ids["measurement"], "photos": p.ids["photo"], "before": p.ids["measurement"], "version": "1",
		"lead-width": "1000", "trail-width": "1000", "thickness": "5", "pulley": "300", "fastener": "KH 30", "chart": pages.DemoChart, "do": "keep"} {
		v.Set(name, text)
	}
	return v
}

func multi(t *testing.T, v url.Values) (io.Reader, string) {
	t.Helper()
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	for name := range v {
		if name != "photos" {
			if err := w.WriteField(name, v.Get(name)); err != nil {
				t.Fatal(err)
			}
		}
	}
	f, err := w.CreateFormFile("photos", "x.jpg")
	if err == nil {
		_, err = io.WriteString(f, saying("ok"))
	}
	if err != nil || w.Close() != nil {
		t.Fatal(err)
	}
	return &b, w.FormDataContentType()
}

func (g *guarded) events(t *testing.T, p plant) int {
	t.Helper()
	e, err := g.store.Archive.Events(t.Context(), archive.EventQuery{Sites: p.sites, Limit: 500})
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, one := range e {
		if one.Name != "everything there" { // the site's own people may take their lists away
			n++
		}
	}
	return n
}

// Every route, with every ID of another site, by somebody who may do everything
// at the own site: nothing of the other is shown, nothing there is changed.
func TestSitesAreApartOnEveryRoute(t *testing.T) {
	g := guard(t)
	before := g.events(t, g.theirs)
	tried, seen := 0, 0
	for _, route := range g.engine.Routes() {
		if route.Method != http.MethodGet && route.Method != http.MethodHead && route.Method != http.MethodPost && route.Method != http.MethodPut && route.Method != http.MethodDelete && route.Method != http.MethodPatch {
			t.Errorf("route %s %s is not tried here", route.Method, route.Path)
		}
		if route.Path == "/sign-out" || strings.HasPrefix(route.Path, "/account") && route.Method == http.MethodPost { // tried in account_people_test.go
			continue
		}
		for _, path := range paths(route.Path, g.theirs) {
			what := route.Method + " " + path
			tried++
			var bodies [][]byte
			if route.Method == http.MethodGet || route.Method == http.MethodHead {
				_, plain := g.ask(t, "everything here", route.Method, path, nil, "")
				_, asked := g.ask(t, "everything here", route.Method, path+"?"+fields(g.theirs).Encode(), nil, "")
				bodies = append(bodies, plain, asked)
				if _, body := g.ask(t, "everything there", route.Method, path, nil, ""); bytes.Contains(body, []byte("Zulu")) {
					seen++
				}
			} else {
				_, plain := g.ask(t, "everything here", route.Method, path, strings.NewReader(fields(g.theirs).Encode()), "application/x-www-form-urlencoded")
				form, kind := multi(t, fields(g.theirs))
				_, parts := g.ask(t, "everything here", route.Method, path, form, kind)
				bodies = append(bodies, plain, parts)
			}
			for _, body := range bodies {
				if bytes.Contains(body, []byte("Zulu")) {
					t.Errorf("%s shows another site's record", what)
				}
			}
			if now := g.events(t, g.theirs); now != before {
				t.Fatalf("%s changed another site's record", what)
			}
		}
	}
	// The test would be worth nothing if those it belongs to saw nothing either.
	if tried < 100 || seen < 10 {
		t.Errorf("%d addresses tried, %d show the site's own people its records", tried, seen)
	}
	t.Run("searches", func(t *testing.T) { searchesDoNotMix(t, g) })
	t.Run("forms", func(t *testing.T) { formsDoNotMix(t, g) })
	t.Run("addresses", func(t *testing.T) { addressesDoNotMix(t, g) })
}

// Every route turns away nobody in particular, but for those that must not.
func TestEveryRouteAsksWho(t *testing.T) {
	g := guard(t)
	free := map[string]bool{"/healthz": true, "/readyz": true, "/sign-in": true, "/static/:file": true, "/sw.js": true, "/offline": true, "/api/v1/openapi.json": true,
		"/trust": true, "/trust.crt": true, // how to trust the connection, before anybody can sign in
		"/metrics": true} // from this machine
	for _, route := range g.engine.Routes() {
		path := paths(route.Path, g.ours)[0]
		resp, body := g.ask(t, "", route.Method, path, nil, "")
		if turned := resp.Header.Get("WWW-Authenticate") != "" || resp.StatusCode == http.StatusSeeOther && strings.HasPrefix(resp.Header.Get("Location"), "/sign-in"); turned == free[route.Path] {
			t.Errorf("%s %s without an account: %s", route.Method, route.Path, resp.Status)
		}
		if bytes.Contains(body, []byte("Alpha")) {
			t.Errorf("%s %s shows a record to nobody", route.Method, route.Path)
		}
	}
	for _, bad := range []string{"Bearer x", "Bearer beltend_x", "Basic eDp5", "Bearer"} {
		req, err := http.NewRequest(http.MethodGet, g.server.URL+"/api/v1/measurements/"+g.ours.ids["measurement"], nil)
		if err != nil {
			t.Fatal(err)
		}
		if resp, _ := send(t, req, map[string]string{"Authorization": bad}); resp.StatusCode != http.StatusUnauthorized || resp.Header.Get("WWW-Authenticate") == "" {
			t.Errorf("%s: %s", bad, resp.Status)
		}
	}
}

func TestRolesAllowWhatTheyShould(t *testing.T) {
	g := guard(t)
	m := g.ours.ids["measurement"]
	sendBack := url.Values{"outcome": {"sent_back"}, "reason": {"frayed"}}.Encode()
	plan := "/api/v1/joints/" + g.ours.ids["joint"] + "/plan"
	for _, c := range []struct {
		who, method, path, form string
		want                    int
	}{
		{"technician", "GET", "/review/m/" + m, "", 200},
		{"technician", "POST", "/review/m/" + m, sendBack, 403},
		{"trainer", "POST", "/review/m/" + m, sendBack, 403},
		{"trainer", "POST", "/review/cards", "number=1", 403},
		{"reviewer", "POST", "/api/v1/measurements", "", 403},
		{"technician", "POST", "/api/v1/measurements", "", 415}, // allowed, and then not a form
		{"reviewer", "POST", plan, "", 403},
		{"technician", "POST", plan, "", 400}, // allowed, and then without a chart
		{"reviewer", "POST", "/review/m/" + m, sendBack, 303},
	} {
		var form io.Reader
		if c.method == "POST" {
			form = strings.NewReader(c.form)
		}
		if resp, body := g.ask(t, c.who, c.method, c.path, form, "application/x-www-form-urlencoded"); resp.StatusCode != c.want {
			t.Errorf("%s %s %s: %s, want %d: %.200s", c.who, c.method, c.path, resp.Status, c.want, body)
		}
	}
}

func TestMetricsAreForThisMachineAndAdministrators(t *testing.T) {
	g := guard(t)
	ask := func(remote, who string, header ...string) int {
		req := httptest.NewRequest(http.MethodGet, "/metrics", nil)
		req.RemoteAddr = remote
		if who != "" {
			req.Header.Set("Authorization", "Bearer "+g.tokens[who])
		}
		for _, h := range header {
			req.Header.Set(h, "for=192.0.2.1")
		}
		w := httptest.NewRecorder()
		g.engine.ServeHTTP(w, req)
		if w.Code == 200 && !strings.Contains(w.Body.String(), "beltend_http_request_seconds") {
			t.Errorf("these are no metrics: %.300s", w.Body.String())
		}
		for _, name := range []string{"Alpha", "everything", g.ours.ids["measurement"]} {
			if strings.Contains(w.Body.String(), name) {
				t.Errorf("the metrics name %q", name)
			}
		}
		return w.Code
	}
	g.ask(t, "technician", "GET", "/review/m/"+g.ours.ids["measurement"], nil, "")
	form, kind := multi(t, url.Values{})
	g.ask(t, "technician", "POST", "/api/v1/measurements", form, kind)
	_, text := g.ask(t, "everything here", "GET", "/metrics", nil, "")
	for _, want := range []string{`beltend_measurements_total{outcome="recut"} 1`, `beltend_measuring_seconds_count 1`, `route="/review/m/:id"`} {
		if !strings.Contains(string(text), want) {
			t.Errorf("the metrics lack %s", want)
		}
	}
	for what, c := range map[string]struct{ got, want int }{
		"this machine":            {ask("127.0.0.1:9", ""), 200},
		"passed on":               {ask("127.0.0.1:9", "", "Forwarded"), 401},
		"passed on, old header":   {ask("127.0.0.1:9", "", "X-Forwarded-For"), 401},
		"another machine":         {ask("192.0.2.1:9", ""), 401},
		"a technician elsewhere":  {ask("192.0.2.1:9", "technician"), 403},
		"an administrator":        {ask("192.0.2.1:9", "everything here"), 200},
		"an administrator, IPv6":  {ask("[2001:db8::1]:9", "everything here"), 200},
		"this machine, IPv6":      {ask("[::1]:9", ""), 200},
		"this machine, no answer": {ask("not an address", ""), 401},
	} {
		if c.got != c.want {
			t.Errorf("%s: %d, want %d", what, c.got, c.want)
		}
	}
}

func TestSigningIn(t *testing.T) {
	g := guard(t)
	post := func(path string, cookie *http.Cookie, v url.Values, header ...string) *http.Response {
		t.Helper()
		req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, g.server.URL+path, strings.NewReader(v.Encode()))
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		for i := 0; i+1 < len(header); i += 2 {
			req.Header.Set(header[i], header[i+1])
		}
		if cookie != nil {
			req.AddCookie(cookie)
		}
		resp, err := (&http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}).Do(req)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		return resp
	}
	page := func(cookie *http.Cookie) int {
		t.Helper()
		resp, _ := get(t, g.server.URL+"/review", map[string]string{"Accept": "text/html", "Cookie": cookie.Name + "=" + cookie.Value})
		return resp.StatusCode
	}
	right := url.Values{"name": {"technician"}, "password": {password}, "next": {"/review?text=a"}}
	resp := post("/sign-in", nil, right)
	if resp.StatusCode != http.StatusSeeOther || resp.Header.Get("Location") != "/review?text=a" || len(resp.Cookies()) != 1 {
		t.Fatalf("signed in: %s to %q with %v", resp.Status, resp.Header.Get("Location"), resp.Cookies())
	}
	session := resp.Cookies()[0]
	if !session.HttpOnly || session.SameSite != http.SameSiteStrictMode || session.Path != "/" || session.MaxAge <= 0 {
		t.Errorf("the cookie is %+v", session)
	}
	if page(session) != http.StatusOK {
		t.Error("the session is not known")
	}
	for _, next := range []string{"https://example.org/", "//example.org/", `/\example.org`, "example.org", "javascript:alert(1)"} {
		right.Set("next", next)
		if to := post("/sign-in", nil, right).Header.Get("Location"); to != "/" {
			t.Errorf("after %q it goes on to %q", next, to)
		}
	}
	if resp := post("/sign-in", nil, url.Values{"name": {"technician"}, "password": {"wrong"}}); resp.StatusCode != http.StatusUnauthorized || len(resp.Cookies()) != 0 {
		t.Errorf("a wrong password: %s, %v", resp.Status, resp.Cookies())
	}
	if resp := post("/sign-out", session, nil, "Sec-Fetch-Site", "cross-site"); resp.StatusCode != http.StatusForbidden || page(session) != http.StatusOK {
		t.Errorf("another site signs people out: %s", resp.Status)
	}
	if resp := post("/account/password", session, url.Values{"old": {"wrong"}, "new": {password + " indeed"}}); resp.StatusCode != http.StatusUnauthorized {
		t.Errorf("a new password without the old: %s", resp.Status)
	}
	if resp := post("/sign-out", session, nil); resp.StatusCode != http.StatusSeeOther || page(session) != http.StatusSeeOther {
		t.Errorf("signed out: %s", resp.Status)
	}
	many := 0
	for range 20 {
		if resp := post("/sign-in", nil, url.Values{"name": {"reviewer"}, "password": {"wrong"}}); resp.StatusCode == http.StatusTooManyRequests && resp.Header.Get("Retry-After") != "" {
			many++
		}
	}
	if many == 0 {
		t.Error("twenty wrong passwords in a row were all let pass")
	}
}

func TestAddressesAreCounted(t *testing.T) {
	for remote, want := range map[string]string{"192.0.2.7": "192.0.2.7", "::ffff:192.0.2.7": "192.0.2.7", "2001:db8:1:2:3::4": "2001:db8:1:2::/64", "fe80::1%eth0": "fe80::/64", "x": "unknown"} {
		if got := addressOf(remote); got != want {
			t.Errorf("%s: %s, want %s", remote, got, want)
		}
	}
}

func TestRequestsInTheLogNameNobody(t *testing.T) {
	var b bytes.Buffer
	s := serve(t, newFake(), func(c *Config) { c.Log = textLog(&b) })
	get(t, s.URL+"/m/a-secret-id?text=Bo+Tern", nil)
	if out := b.String(); !strings.Contains(out, "route=/m/:id") || strings.Contains(out, "secret") || strings.Contains(out, "Tern") || strings.Contains(out, "127.0.0.1") {
		t.Error(fmt.Sprint("the log says ", out))
	}
}

func textLog(w io.Writer) *slog.Logger { return slog.New(slog.NewTextHandler(w, nil)) }
