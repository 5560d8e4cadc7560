package httpapi

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"math"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"beltend/server/archive"
	"beltend/server/archive/queue"
	"beltend/server/measure"
	"beltend/server/order"
	"beltend/server/result"
	"beltend/server/setting"
	"beltend/server/store"
	"beltend/server/worker"
)

// fake answers as the photo's content says.
type fake struct {
	job    worker.Job // the last one
	answer *result.Measurement
	ready  error
}

func (f *fake) Ready(context.Context) error { return f.ready }

func (f *fake) Run(_ context.Context, job worker.Job, _ measure.Progress) (worker.Answer, error) {
	f.job = job
	switch what := commentOf(job.Photos[0].Data); {
	case job.Draw != nil:
	case what == "fault":
		return worker.Answer{}, errors.New("a path of the machine: /var/secret")
	case what == "panic":
		panic("as asked")
	case what == "usage":
		return worker.Answer{}, &measure.UsageError{Setting: "trim", Message: "is wrong"}
	case strings.HasPrefix(what, "refuse "):
		return worker.Answer{}, &result.Refusal{Code: what[7:], Message: "It cannot be told.", Advice: "Do it again.", Photo: job.Photos[0].Name}
	}
	m := *f.answer
	return worker.Answer{Measurement: &m, Pictures: []worker.File{
		{Name: "overlay-1.jpg", Data: []byte("jpeg")}, {Name: "topdown.png", Data: []byte("png")}, {Name: "profile.svg", Data: []byte("<svg/>")}}}, nil
}

func newFake() *fake { return &fake{answer: full()} }

// saying is a small photo that passes intake and says something in a comment.
func saying(what string) string {
	blanked.Do(func() {
		var b bytes.Buffer
		if err := jpeg.Encode(&b, image.NewGray(image.Rect(0, 0, 640, 480)), nil); err != nil {
			panic(err) // a picture in memory
		}
		blank = b.String()
	})
	return blank[:2] + "\xff\xfe" + string(binary.BigEndian.AppendUint16(nil, uint16(len(what)+2))) + what + blank[2:] //nolint:gosec // short
}

var (
	blanked sync.Once
	blank   string
)

// commentOf is what such a photo says; anything else is itself.
func commentOf(photo []byte) string {
	if len(photo) < 6 || photo[0] != 0xff || photo[3] != 0xfe {
		return string(photo)
	}
	return string(photo[6 : 4+int(binary.BigEndian.Uint16(photo[4:]))])
}

// full is a measurement in which every field of the contract holds something:
// built by reflection, so that a new field is not forgotten.
func full() *result.Measurement {
	m := &result.Measurement{}
	fill(reflect.ValueOf(m).Elem())
	m.Schema, m.Refused, m.Verdict, m.Line = result.Schema, nil, result.Recut, "cut"
	m.Drawn.Verdict = result.Square
	m.Squareness.ConformanceP, m.Source = 0.3, ""
	m.Budget[0].Type = "A"
	m.Settings.Line, m.Settings.Sheet = "cut", "a4"
	m.Settings.Camera, m.Settings.CameraSD, m.Settings.CameraSize = make([]float64, 8), make([]float64, 8), []int{4000, 3000}
	// Seen from straight above, so that the view from above can be drawn.
	m.Image[0].Camera = []float64{1000, 500, 500, 0, 0, 0, 0, 0}
	m.Image[0].CamFromBelt = []float64{math.Pi, 0, 0, 0, 0, 1000}
	m.Photos[0].LeftOut = ""
	m.Image[0].SetByHand = []string{"left"}
	m.Settings.Hints = []result.Hint{{Photo: 0, Edge: "left", Px: [][2]float64{{1, 2}, {3, 4}}}}
	return m
}

func fill(v reflect.Value) {
	switch v.Kind() {
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fill(v.Elem())
	case reflect.Struct:
		for i := range v.NumField() {
			fill(v.Field(i))
		}
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 1, 1))
		fill(v.Index(0))
	case reflect.Array:
		for i := range v.Len() {
			fill(v.Index(i))
		}
	case reflect.String:
		v.SetString("a<b")
	case reflect.Float64:
		v.SetFloat(1.25)
	case reflect.Int:
		v.SetInt(1)
	}
}

// answer is what tests look at of a response; its body is read and closed.
type answer struct {
	StatusCode int
	Status     string
	Header     http.Header
}

type part struct{ name, file, data string }

var local = store.Person{Actor: archive.Actor{ID: "local", Name: "Ada Finch"}, Sites: archive.AllSites()}

func newStore(t testing.TB, f Measurer) *store.Store {
	t.Helper()
	return newStoreAt(t, f, archive.Address{Folder: t.TempDir()})
}

func newStoreAt(t testing.TB, f Measurer, at archive.Address) *store.Store {
	t.Helper()
	a, err := archive.Open(t.Context(), at)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Close() })
	return store.New(a, Draw(f), 1<<20)
}

// newDesk is a desk whose queue is worked off until the test ends.
func newDesk(t testing.TB, s *store.Store, f Measurer) *order.Desk {
	t.Helper()
	q, err := queue.Open(t.Context(), queue.Config{At: archive.Address{Folder: t.TempDir()}, Timeout: time.Minute, Attempts: 1})
	if err != nil {
		t.Fatal(err)
	}
	d := order.New(order.Config{Store: s, Queue: q, Measurer: f, Program: "test", Workers: 2, Limit: 100})
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- d.Work(ctx, time.Second) }()
	t.Cleanup(func() {
		stop()
		if err := errors.Join(<-done, q.Close()); err != nil {
			t.Error(err)
		}
	})
	return d
}

func serve(t *testing.T, f Measurer, change func(*Config)) *httptest.Server {
	t.Helper()
	cfg := Config{Measurer: f, Store: newStore(t, f), Local: local}
	cfg.Orders = newDesk(t, cfg.Store, f)
	if change != nil {
		change(&cfg)
	}
	s := httptest.NewServer(New(cfg))
	t.Cleanup(s.Close)
	return s
}

func post(t *testing.T, url string, header map[string]string, parts ...part) (answer, []byte) {
	t.Helper()
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	for _, p := range parts {
		var to io.Writer
		var err error
		if p.file == "" {
			to, err = w.CreateFormField(p.name)
		} else {
			to, err = w.CreateFormFile(p.name, p.file)
		}
		if err != nil {
			t.Fatal(err)
		}
		data := p.data
		if strings.HasPrefix(p.name, "photo") && data != "" && len(data) < 1000 {
			data = saying(data)
		}
		if _, err := io.WriteString(to, data); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	req, err := http.NewRequest(http.MethodPost, url, &b)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", w.FormDataContentType())
	return send(t, req, header)
}

func get(t *testing.T, url string, header map[string]string) (answer, []byte) {
	t.Helper()
	req, err := http.NewRequest(http.MethodGet, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	return send(t, req, header)
}

func send(t *testing.T, req *http.Request, header map[string]string) (answer, []byte) {
	t.Helper()
	for k, v := range header {
		if k == "Host" {
			req.Host = v
		}
		req.Header.Set(k, v)
	}
	client := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := client.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return answer{resp.StatusCode, resp.Status, resp.Header}, b
}

// description holds answers against openapi.json.
type description struct {
	compiler *jsonschema.Compiler
	paths    map[string]map[string]struct {
		Responses map[string]struct {
			Content map[string]any `json:"content"`
		} `json:"responses"`
	}
}

func describe(t *testing.T) *description {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(openAPI))
	if err != nil {
		t.Fatal(err)
	}
	d := &description{compiler: jsonschema.NewCompiler()}
	d.compiler.DefaultDraft(jsonschema.Draft2020) // the dialect of OpenAPI 3.1
	if err := d.compiler.AddResource("https://beltend.invalid/openapi.json", doc); err != nil {
		t.Fatal(err)
	}
	var head struct {
		OpenAPI string `json:"openapi"`
		Paths   json.RawMessage
	}
	if err := json.Unmarshal(openAPI, &head); err != nil || !strings.HasPrefix(head.OpenAPI, "3.1") {
		t.Fatalf("OpenAPI %q, %v", head.OpenAPI, err)
	}
	if err := json.Unmarshal(head.Paths, &d.paths); err != nil {
		t.Fatal(err)
	}
	return d
}

func (d *description) check(t *testing.T, method, path string, resp answer, body []byte) {
	t.Helper()
	status := resp.Status[:3]
	kind, _, _ := strings.Cut(resp.Header.Get("Content-Type"), ";")
	if _, ok := d.paths[path][method].Responses[status].Content[kind]; !ok {
		t.Errorf("%s %s: %s with %s is not described", method, path, status, kind)
		return
	}
	if !strings.HasSuffix(kind, "json") || strings.HasSuffix(path, "openapi.json") {
		return
	}
	escape := strings.NewReplacer("~", "~0", "/", "~1")
	schema, err := d.compiler.Compile("https://beltend.invalid/openapi.json#/paths/" + strings.NewReplacer("{", "%7B", "}", "%7D").Replace(escape.Replace(path)) + "/" + method + "/responses/" + status + "/content/" + escape.Replace(kind) + "/schema")
	if err != nil {
		t.Fatal(err)
	}
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(body))
	if err != nil {
		t.Fatalf("%s %s: %v in %s", method, path, err, body)
	}
	if err := schema.Validate(v); err != nil {
		t.Errorf("%s %s: %v", method, path, err)
	}
}

const measurements = "/api/v1/measurements"

func TestAnswersAreAsDescribed(t *testing.T) {
	d := describe(t)
	s := serve(t, newFake(), nil)
	resp, body := post(t, s.URL+measurements, nil, part{"photos", "a.jpg", "ok"})
	if resp.StatusCode != http.StatusCreated {
		t.Fatalf("%s: %s", resp.Status, body)
	}
	d.check(t, "post", measurements, resp, body)
	var m result.Measurement
	if err := json.Unmarshal(body, &m); err != nil {
		t.Fatal(err)
	}
	if resp.Header.Get("Location") != m.Links.Self || len(m.Links.Overlay) != 1 || m.Program != "test" {
		t.Errorf("Location %q, links %+v, program %q", resp.Header.Get("Location"), m.Links, m.Program)
	}
	resp, again := get(t, s.URL+m.Links.Self, nil)
	d.check(t, "get", measurements+"/{id}", resp, again)
	if !bytes.Equal(body, again) {
		t.Errorf("the measurement reads differently the second time:\n%s\n%s", body, again)
	}
	for _, p := range []struct{ path, described, want string }{
		{m.Links.Overlay[0], measurements + "/{id}/overlay/{photo}.jpg", "jpeg"},
		{m.Links.TopDown, measurements + "/{id}/topdown.png", "png"},
		{m.Links.Profile, measurements + "/{id}/profile.svg", "<svg/>"},
		{"/healthz", "/healthz", `{"status":"alive"}`},
		{"/readyz", "/readyz", `{"status":"ready"}`},
		{"/api/v1/openapi.json", "/api/v1/openapi.json", string(openAPI)},
	} {
		resp, body := get(t, s.URL+p.path, nil)
		d.check(t, "get", p.described, resp, body)
		if string(body) != p.want {
			t.Errorf("%s is %.60q", p.path, body)
		}
	}
	for _, path := range []string{measurements + "/nothing", measurements + "/nothing/topdown.png", m.Links.Self + "/overlay/2.jpg", m.Links.Self + "/overlay/x.jpg", m.Links.Self + "/overlay/..%2f1.jpg"} {
		if resp, body := get(t, s.URL+path, nil); resp.StatusCode != http.StatusNotFound || resp.Header.Get("Content-Type") != "application/problem+json" {
			t.Errorf("%s: %s %s", path, resp.Status, body)
		}
	}
}

// The description would be of no use if it let anything pass.
func TestDescriptionIsStrict(t *testing.T) {
	d := describe(t)
	schema, err := d.compiler.Compile("https://beltend.invalid/openapi.json#/components/schemas/Measurement")
	if err != nil {
		t.Fatal(err)
	}
	good, err := json.Marshal(full())
	if err != nil {
		t.Fatal(err)
	}
	for name, change := range map[string]func(map[string]any){
		"unknown field":   func(m map[string]any) { m["new"] = 1.0 },
		"unknown verdict": func(m map[string]any) { m["verdict"] = "fine" },
		"missing width":   func(m map[string]any) { delete(m, "width") },
		"unknown inside":  func(m map[string]any) { m["squareness"].(map[string]any)["new"] = 1.0 },
	} {
		var m map[string]any
		if err := json.Unmarshal(good, &m); err != nil {
			t.Fatal(err)
		}
		if err := schema.Validate(m); err != nil {
			t.Fatal(err)
		}
		change(m)
		if schema.Validate(m) == nil {
			t.Errorf("%s passes", name)
		}
	}
}

func TestErrorsAreProblems(t *testing.T) {
	d := describe(t)
	s := serve(t, newFake(), func(c *Config) { c.MaxUpload = 1 << 20 })
	photo := func(data string) []part { return []part{{"photos", "a.jpg", data}} }
	for _, c := range []struct {
		name    string
		parts   []part
		status  int
		code    string
		setting string
	}{
		{"no photo", nil, 400, "no_photo", ""},
		{"empty file field", []part{{"photos", "", ""}}, 400, "no_photo", ""},
		{"unknown field", append(photo("ok"), part{"colour", "", "red"}), 400, "wrong_setting", "colour"},
		{"tolerance below 0", append(photo("ok"), part{"tolerance", "", "-1"}), 400, "wrong_setting", "tolerance"},
		{"tolerance no number", append(photo("ok"), part{"tolerance", "", "NaN"}), 400, "wrong_setting", "tolerance"},
		{"print scale 0", append(photo("ok"), part{"print_scale", "", "0"}), 400, "wrong_setting", "print-scale"},
		{"settings not JSON", append(photo("ok"), part{"settings", "", "{"}), 400, "wrong_setting", "settings"},
		{"settings unknown", append(photo("ok"), part{"settings", "", `{"tolerance":1}`}), 400, "wrong_setting", "settings"},
		{"settings twice", append(photo("ok"), part{"settings", "", `{}{}`}), 400, "wrong_setting", "settings"},
		{"settings and field", append(photo("ok"), part{"settings", "", `{}`}, part{"trim", "", "1"}), 400, "wrong_setting", "trim"},
		{"long field", append(photo("ok"), part{"board", "", strings.Repeat("x", maxField+1)}), 400, "wrong_setting", "board"},
		{"too many photos", photosOf(measure.MaxPhotos + 1), 400, "too_many_photos", ""},
		{"too large", photo(strings.Repeat("x", 2<<20)), 413, "request_too_large", ""},
		{"wrong setting found later", photo("usage"), 400, "wrong_setting", "trim"},
		{"no card", photo("refuse no_card"), 422, "no_card", ""},
		{"not a photo", photo("refuse not_a_photo"), 415, "not_a_photo", ""},
		{"photo too large", photo("refuse photo_too_large"), 413, "photo_too_large", ""},
		{"fault", photo("fault"), 500, "fault", ""},
		{"panic", photo("panic"), 500, "fault", ""},
	} {
		resp, body := post(t, s.URL+measurements, nil, c.parts...)
		d.check(t, "post", measurements, resp, body)
		var p problem
		if err := json.Unmarshal(body, &p); err != nil {
			t.Fatalf("%s: %v in %s", c.name, err, body)
		}
		if resp.StatusCode != c.status || p.Status != c.status || p.Code != c.code || p.Setting != c.setting || p.Detail == "" || p.Advice == "" {
			t.Errorf("%s: %d %+v, want %d %s about %q", c.name, resp.StatusCode, p, c.status, c.code, c.setting)
		}
		if strings.Contains(string(body), "secret") {
			t.Errorf("%s: the answer shows the machine: %s", c.name, body)
		}
		if retry := resp.Header.Get("Retry-After"); (c.status == 503) != (retry != "") {
			t.Errorf("%s: Retry-After %q", c.name, retry)
		}
	}
	if resp, body := get(t, s.URL+measurements, nil); resp.StatusCode != http.StatusMethodNotAllowed || !bytes.Contains(body, []byte("method_not_allowed")) {
		t.Errorf("GET of the list: %s %s", resp.Status, body)
	}
	resp, err := http.Post(s.URL+measurements, "application/json", strings.NewReader("{}"))
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if resp.StatusCode != http.StatusUnsupportedMediaType {
		t.Errorf("JSON instead of a form: %s", resp.Status)
	}
}

func photosOf(n int) []part {
	var parts []part
	for range n {
		parts = append(parts, part{"photos", "a.jpg", "ok"})
	}
	return parts
}

func TestSettingsArrive(t *testing.T) {
	f := newFake()
	s := serve(t, f, nil)
	across, up := 199.6, 149.7 // variables: constants would be divided exactly
	want := result.Settings{ToleranceMM: 1.5, NominalMM: 800, TargetDeg: -10, TrimMM: 20, PrintScaleX: across / 200, PrintScaleY: up / 150,
		Hints: []result.Hint{{Photo: 1, Edge: "left", Px: [][2]float64{{10, 20.5}, {30, 40}}}}}
	asJSON, err := json.Marshal(want)
	if err != nil {
		t.Fatal(err)
	}
	photos := []part{{"photos", `C:\dir\one.jpg`, "ok"}, {"photo", "../two.jpg", "ok"}}
	for name, parts := range map[string][]part{
		"fields": {{"tolerance", "", "1.5"}, {"width", "", " 800 "}, {"target", "", "-10"}, {"trim", "", "20"}, {"print-scale", "", "199.6,149.7"}, {"left", "", "10,20.5 30,40"}, {"hint_photo", "", "2"}},
		"JSON":   {{"settings", "", string(asJSON)}},
	} {
		if resp, body := post(t, s.URL+measurements, nil, append(parts, photos...)...); resp.StatusCode != http.StatusCreated {
			t.Fatalf("%s: %s %s", name, resp.Status, body)
		}
		if !reflect.DeepEqual(f.job.Settings, want) {
			t.Errorf("%s: settings %+v, want %+v", name, f.job.Settings, want)
		}
		if len(f.job.Photos) != 2 || f.job.Photos[0].Name != "one.jpg" || f.job.Photos[1].Name != "two.jpg" {
			t.Errorf("%s: photos %+v", name, f.job.Photos)
		}
	}
}

func TestACameraProfileArrivesByItsName(t *testing.T) {
	f := newFake()
	s := serve(t, f, nil)
	profile, err := json.Marshal(setting.Camera{Schema: setting.CameraSchema, Size: []int{4000, 3000}, Values: []float64{3000, 2000, 1500, 0, 0, 0, 0, 0}, SD: make([]float64, 8)})
	if err != nil {
		t.Fatal(err)
	}
	if resp, body := post(t, s.URL+measurements, nil, part{"camera", `C:\dir\phone.json`, string(profile)}, part{"photos", "a.jpg", "ok"}); resp.StatusCode != http.StatusCreated {
		t.Fatalf("%s %s", resp.Status, body)
	}
	if got := f.job.Settings; got.CameraProfile != fmt.Sprintf("phone.json %x", sha256.Sum256(profile)) || got.Camera[0] != 3000 || got.CameraSize[0] != 4000 {
		t.Errorf("%+v", got)
	}
	for name, parts := range map[string][]part{
		"no profile":  {{"camera", "x.json", "{}"}},
		"given twice": {{"camera", "phone.json", string(profile)}, {"settings", "", `{"camera":[1,2,3,4,5,6,7,8],"camera_sd":[1,1,1,1,1,1,1,1],"camera_size":[4,3]}`}},
		"too long":    {{"camera", "x.json", strings.Repeat(" ", maxField+1)}},
	} {
		if resp, body := post(t, s.URL+measurements, nil, append(parts, part{"photos", "a.jpg", "ok"})...); resp.StatusCode != http.StatusBadRequest || !strings.Contains(string(body), `"setting":"camera"`) {
			t.Errorf("%s: %s %s", name, resp.Status, body)
		}
	}
}

func TestPagesShowTheResult(t *testing.T) {
	f := newFake()
	s := serve(t, f, nil)
	html := map[string]string{"Accept": "text/html"}
	resp, body := get(t, s.URL+"/", html)
	if resp.StatusCode != 200 || !bytes.Contains(body, []byte("locked out")) || !bytes.Contains(body, []byte(`enctype="multipart/form-data"`)) {
		t.Fatalf("home: %s", resp.Status)
	}
	resp, _ = post(t, s.URL+"/", html, part{"photos", "<i>.jpg", "ok"}, part{"units", "", "in"}, part{"tolerance", "", ""})
	at := resp.Header.Get("Location")
	if resp.StatusCode != http.StatusSeeOther || !strings.HasPrefix(at, "/m/") {
		t.Fatalf("form: %s to %q", resp.Status, at)
	}
	if !f.job.Inches {
		t.Error("the form's units were lost")
	}
	resp, body = get(t, s.URL+at, html)
	for _, want := range []string{"The end is off by more", "0.049\u00a0in", `/overlay/1.jpg`, "topdown.png", "profile.svg", "locked out", "a&lt;b"} {
		if !bytes.Contains(body, []byte(want)) {
			t.Errorf("the result's page lacks %q", want)
		}
	}
	if bytes.Contains(body, []byte("a<b")) || bytes.Contains(body, []byte("<script>")) || bytes.Contains(body, []byte(" style=")) {
		t.Error("the page holds unescaped text, a script or a style")
	}
	listed, _, _ := strings.Cut(at, "?")
	if _, body = get(t, s.URL+"/", html); !bytes.Contains(body, []byte(listed)) {
		t.Error("home does not list the measurement")
	}

	resp, body = post(t, s.URL+"/", html, part{"photos", "a.jpg", "refuse no_card"}, part{"tolerance", "", "2.5"})
	if resp.StatusCode != 422 || !bytes.Contains(body, []byte("Do it again.")) || !bytes.Contains(body, []byte("no_card")) || !bytes.Contains(body, []byte(`value="2.5"`)) {
		t.Errorf("a refusal: %s, or its advice or the form's values are missing", resp.Status)
	}
	if resp, body = get(t, s.URL+"/m/nothing", html); resp.StatusCode != 404 || !bytes.Contains(body, []byte("<html")) {
		t.Errorf("a page that is not there: %s", resp.Status)
	}
	if resp, _ = get(t, s.URL+"/static/beltend.css", nil); resp.StatusCode != 200 || !strings.HasPrefix(resp.Header.Get("Content-Type"), "text/css") {
		t.Errorf("style sheet: %s", resp.Status)
	}
}

// Every kind of page, with nothing but what it must have.
func TestSparseMeasurementsHaveAPage(t *testing.T) {
	f := newFake()
	s := serve(t, f, nil)
	for _, v := range []result.Verdict{result.Square, result.Recut, result.Undecided} {
		f.answer = &result.Measurement{Schema: result.Schema, Verdict: v, Squareness: &result.Squareness{ToleranceMM: 1}, Width: &result.Width{}, Warnings: []result.Warning{}}
		resp, _ := post(t, s.URL+"/", nil, part{"photos", "a.jpg", "ok"})
		if resp, body := get(t, s.URL+resp.Header.Get("Location"), nil); resp.StatusCode != 200 || !bytes.Contains(body, []byte("</html>")) {
			t.Errorf("%s: %s", v, resp.Status)
		}
	}
}

func TestHeadersKeepThePageToItself(t *testing.T) {
	s := serve(t, newFake(), nil)
	resp, _ := get(t, s.URL+"/", nil)
	csp := resp.Header.Get("Content-Security-Policy")
	for _, want := range []string{"default-src 'none'", "frame-ancestors 'none'", "form-action 'self'"} {
		if !strings.Contains(csp, want) {
			t.Errorf("the policy %q lacks %q", csp, want)
		}
	}
	if strings.Contains(csp, "unsafe") || strings.Contains(csp, "http") {
		t.Errorf("the policy %q lets something in", csp)
	}
	if resp.Header.Get("X-Content-Type-Options") != "nosniff" {
		t.Error("nosniff is missing")
	}
}

func TestForeignRequestsAreTurnedAway(t *testing.T) {
	s := serve(t, newFake(), nil)
	if resp, _ := get(t, s.URL+"/", map[string]string{"Host": "kestrel.example"}); resp.StatusCode != http.StatusMisdirectedRequest {
		t.Errorf("a foreign name: %s", resp.Status)
	}
	for _, c := range []struct {
		header map[string]string
		status int
	}{
		{map[string]string{"Sec-Fetch-Site": "cross-site"}, 403},
		{map[string]string{"Sec-Fetch-Site": "same-site"}, 403},
		{map[string]string{"Origin": "http://kestrel.example"}, 403},
		{map[string]string{"Origin": "null"}, 403},
		{map[string]string{"Sec-Fetch-Site": "same-origin", "Origin": s.URL}, 303},
		{map[string]string{"Origin": s.URL}, 303},
		{nil, 303},
	} {
		if resp, _ := post(t, s.URL+"/", c.header, part{"photos", "a.jpg", "ok"}); resp.StatusCode != c.status {
			t.Errorf("form with %v: %s, want %d", c.header, resp.Status, c.status)
		}
		status := map[int]int{303: 201, 403: 403}[c.status]
		if resp, _ := post(t, s.URL+measurements, c.header, part{"photos", "a.jpg", "ok"}); resp.StatusCode != status {
			t.Errorf("measurement with %v: %s, want %d", c.header, resp.Status, status)
		}
	}
}

func TestLoopback(t *testing.T) {
	for host, want := range map[string]bool{"127.0.0.1": true, "127.0.0.1:80": true, "127.3.2.1": true, "localhost": true, "LOCALHOST:8080": true, "::1": true, "[::1]:80": true,
		"": false, "0.0.0.0": false, "::": false, "[::]:80": false, "192.168.0.1": false, "localhost.example": false, "127.0.0.1.example": false} {
		if Loopback(host) != want {
			t.Errorf("Loopback(%q) is %v", host, !want)
		}
	}
}

func TestNotReady(t *testing.T) {
	f := newFake()
	f.ready = errors.New("no worker starts")
	s := serve(t, f, nil)
	resp, body := get(t, s.URL+"/readyz", nil)
	describe(t).check(t, "get", "/readyz", resp, body)
	if resp.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("%s", resp.Status)
	}
}

// A refusal names its record, which tells all of it.
func TestARefusalNamesItsRecord(t *testing.T) {
	d := describe(t)
	s := serve(t, newFake(), nil)
	resp, body := post(t, s.URL+measurements, nil, part{"photos", "a.jpg", "refuse no_card"}, part{"tolerance", "", "1.5"})
	d.check(t, "post", measurements, resp, body)
	var p problem
	if err := json.Unmarshal(body, &p); err != nil || !strings.HasPrefix(p.Instance, measurements+"/") {
		t.Fatalf("%s: %v", body, err)
	}
	resp, body = get(t, s.URL+p.Instance, nil)
	d.check(t, "get", measurements+"/{id}", resp, body)
	var m result.Measurement
	if err := json.Unmarshal(body, &m); err != nil || resp.StatusCode != http.StatusOK {
		t.Fatalf("%s: %v", resp.Status, err)
	}
	if m.Refused == nil || m.Refused.Code != "no_card" || m.Refused.Advice != "Do it again." || m.Program != "test" || m.Settings.ToleranceMM != 1.5 || m.Links.Self != p.Instance {
		t.Errorf("kept: %s", body)
	}
}

// A full queue is told before the photos are read, and a stop to whoever waits.
func TestAFullQueueAndAStopAreTold(t *testing.T) {
	d := describe(t)
	f := &held{newFake(), make(chan struct{})}
	st := newStore(t, f)
	q, err := queue.Open(t.Context(), queue.Config{At: archive.Address{Folder: t.TempDir()}, Timeout: time.Minute, Attempts: 1})
	if err != nil {
		t.Fatal(err)
	}
	defer q.Close()
	desk := order.New(order.Config{Store: st, Queue: q, Measurer: f, Program: "test", Workers: 1, Limit: 1})
	ctx, stop := context.WithCancel(t.Context())
	worked := make(chan error, 1)
	go func() { worked <- desk.Work(ctx, 100*time.Millisecond) }()
	s := serve(t, f, func(c *Config) { c.Store, c.Orders = st, desk })
	first := make(chan answer, 1)
	go func() {
		resp, body := post(t, s.URL+measurements, nil, part{"photos", "a.jpg", "ok"})
		d.check(t, "post", measurements, resp, body)
		first <- resp
	}()
	<-f.began
	resp, body := post(t, s.URL+measurements, nil, part{"photos", "b.jpg", "other"})
	d.check(t, "post", measurements, resp, body)
	if resp.StatusCode != http.StatusServiceUnavailable || !bytes.Contains(body, []byte(`"code":"busy"`)) || resp.Header.Get("Retry-After") == "" {
		t.Errorf("a full queue: %s %s", resp.Status, body)
	}
	stop()
	if resp := <-first; resp.StatusCode != http.StatusServiceUnavailable || resp.Header.Get("Retry-After") == "" {
		t.Errorf("a stop: %s", resp.Status)
	}
	if err := <-worked; err != nil {
		t.Error(err)
	}
	if n, err := q.Length(t.Context()); err != nil || n != 1 {
		t.Errorf("%d measurements wait after the stop, %v", n, err)
	}
}

// held measures nothing until it is stopped.
type held struct {
	*fake
	began chan struct{}
}

func (h *held) Run(ctx context.Context, _ worker.Job, _ measure.Progress) (worker.Answer, error) {
	close(h.began)
	<-ctx.Done()
	return worker.Answer{}, ctx.Err()
}
