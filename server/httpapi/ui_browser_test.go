package httpapi

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/dom"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"beltend/server/measure"
	"beltend/server/pictures"
	"beltend/server/report"
	"beltend/server/worker"
)

// inProcess measures here instead of in processes of its own, the same order once: most
// tests send the same photo.
type inProcess struct{}

func (inProcess) Ready(context.Context) error { return nil }

// orders are those worked off, by what was asked.
var orders sync.Map

type worked struct {
	steps  []string
	answer []byte // JSON: nobody changes what another test gets
	err    error
}

func (p inProcess) Run(ctx context.Context, job worker.Job, progress measure.Progress) (worker.Answer, error) {
	if progress == nil {
		progress = func(string, float64) {}
	}
	asked := sha256.New()
	for _, photo := range job.Photos {
		fmt.Fprintln(asked, photo.Name, len(photo.Data))
		asked.Write(photo.Data)
	}
	rest := job
	rest.Photos = nil
	if err := json.NewEncoder(asked).Encode(rest); err != nil {
		return worker.Answer{}, err
	}
	key := string(asked.Sum(nil))
	found, ok := orders.Load(key)
	if !ok {
		w := worked{}
		var a worker.Answer
		a, w.err = p.run(ctx, job, func(step string, done float64) {
			w.steps = append(w.steps, step)
			progress(step, done)
		})
		if ctx.Err() != nil {
			return a, w.err
		}
		b, err := json.Marshal(a)
		if err != nil {
			return a, err
		}
		w.answer = b
		orders.Store(key, w)
		return a, w.err
	}
	w := found.(worked)
	for i, step := range w.steps {
		progress(step, float64(i)/float64(len(w.steps)))
	}
	var a worker.Answer
	if err := json.Unmarshal(w.answer, &a); err != nil {
		return a, err
	}
	return a, w.err
}

func (inProcess) run(ctx context.Context, job worker.Job, progress measure.Progress) (worker.Answer, error) {
	m, o := job.Draw, report.Options{Inches: job.Inches, Lang: job.Lang}
	if h := job.Hooks; h != nil && h.CloseUps {
		var a worker.Answer
		for _, p := range job.Photos {
			b, err := pictures.Small(p.Data)
			if err != nil {
				return a, err
			}
			a.Pictures = append(a.Pictures, worker.File{Name: p.Name, Data: b})
		}
		return a, nil
	}
	if h := job.Hooks; h != nil {
		r := h.Draw
		if r == nil {
			var err error
			if r, err = measure.Hooks(ctx, job.Photos, job.Settings, h.Plan, h.Face, progress); err != nil {
				return worker.Answer{}, err
			}
		}
		b, err := pictures.Hooks(job.Photos[r.Image.Photo].Data, r, "jpg", o)
		return worker.Answer{Hooks: r, Pictures: []worker.File{{Name: "counted.jpg", Data: b}}}, err
	}
	if m == nil {
		var err error
		if m, err = measure.Run(ctx, job.Photos, job.Settings, progress); err != nil {
			return worker.Answer{}, err
		}
	}
	a := worker.Answer{Measurement: m}
	files, err := pictures.Asked(job.Photos, m, job.Window, o)
	for _, f := range files {
		a.Pictures = append(a.Pictures, worker.File{Name: f.Name, Data: f.Data})
	}
	return a, err
}

const samplePhoto = "../../testdata/sample/belt-end.jpg"

// browser drives a real browser on the pages.
type browser struct {
	t   *testing.T
	ctx context.Context
	url string

	server *httptest.Server
	cfg    Config
}

// chromium is started once for all tests.
var (
	startBrowser sync.Once
	startErr     error
	chromium     context.Context
	stopBrowser  = func() {}
)

func start(program string) error {
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(program), chromedp.NoSandbox, chromedp.WSURLReadTimeout(3*time.Minute), chromedp.Flag("lang", "en"))
	allocated, stop := chromedp.NewExecAllocator(context.Background(), options...)
	ctx, closeAll := chromedp.NewContext(allocated, chromedp.WithBrowserOption(chromedp.WithDialTimeout(time.Minute)), chromedp.WithErrorf(func(string, ...any) {})) // it does not know every event of a newer browser
	chromium, stopBrowser = ctx, func() { closeAll(); stop() }
	return chromedp.Run(ctx)
}

func TestMain(m *testing.M) {
	code := m.Run()
	stopBrowser()
	os.Exit(code)
}

func openBrowser(t *testing.T) *browser {
	t.Helper()
	return openBrowserOn(t, inProcess{}, func(h http.Handler) http.Handler { return h })
}

// openBrowserOn opens a browser on a service that measures with m, behind what
// stands between both.
func openBrowserOn(t *testing.T, m Measurer, between func(http.Handler) http.Handler) *browser {
	t.Helper()
	if testing.Short() || underRace {
		t.Skip("a browser takes long: not in a short run, nor a second time under the race detector")
	}
	program := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(name); err == nil {
			program = p
			break
		}
	}
	if program == "" {
		t.Skip("there is no chromium here")
	}
	cfg := Config{Measurer: m, Store: newStore(t, m), Local: local}
	cfg.Orders = newDesk(t, cfg.Store, m)
	server := httptest.NewServer(between(New(cfg)))
	t.Cleanup(server.Close)

	startBrowser.Do(func() { startErr = start(program) })
	if startErr != nil {
		t.Fatal(startErr)
	}
	ctx, closeTab := chromedp.NewContext(chromium, chromedp.WithNewBrowserContext()) // which shares nothing with the others
	t.Cleanup(closeTab)
	limit := 10 * time.Minute
	if os.Getenv("BELTEND_SCREENSHOTS") != "" {
		limit = 30 * time.Minute
	}
	ctx, cancel := context.WithTimeout(ctx, limit)
	t.Cleanup(cancel)
	b := &browser{t: t, ctx: ctx, url: server.URL, server: server, cfg: cfg}
	chromedp.ListenTarget(ctx, func(e any) {
		switch e := e.(type) {
		case *runtime.EventExceptionThrown:
			t.Errorf("a script failed: %s", e.ExceptionDetails.Error())
		case *runtime.EventConsoleAPICalled:
			for _, a := range e.Args {
				t.Logf("console: %s", a.Value)
			}
		}
	})
	b.size(360, 740)
	return b
}

func (b *browser) do(actions ...chromedp.Action) {
	b.t.Helper()
	if err := chromedp.Run(b.ctx, actions...); err != nil {
		var where, text string
		_ = chromedp.Run(b.ctx, chromedp.Location(&where), chromedp.Text("main", &text))
		b.t.Fatalf("%v at %s: %.300s", err, where, text)
	}
}

func (b *browser) size(w, h int64) {
	b.t.Helper()
	b.do(chromedp.EmulateViewport(w, h))
}

func (b *browser) open(path string) {
	b.t.Helper()
	b.do(chromedp.Navigate(b.url+path), chromedp.WaitReady("footer"))
}

func (b *browser) script(js string, to any) {
	b.t.Helper()
	b.do(chromedp.Evaluate(js, to, func(p *runtime.EvaluateParams) *runtime.EvaluateParams { return p.WithAwaitPromise(true) }))
}

func (b *browser) path() string {
	b.t.Helper()
	var at string
	b.do(chromedp.Location(&at))
	return strings.TrimPrefix(at, b.url)
}

// until waits for a condition in JavaScript.
func (b *browser) until(what, js string) {
	b.t.Helper()
	for end := time.Now().Add(2 * time.Minute); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		var ok bool // an error means that the page is just changing
		if err := chromedp.Run(b.ctx, chromedp.Evaluate("Promise.resolve("+js+").then(Boolean)", &ok, func(p *runtime.EvaluateParams) *runtime.EvaluateParams { return p.WithAwaitPromise(true) })); err == nil && ok {
			return
		}
	}
	var text string
	_ = chromedp.Run(b.ctx, chromedp.Text("main", &text))
	b.t.Fatalf("never: %s, at %s: %.400s", what, b.path(), text)
}

// accessible holds the page against axe-core's rules for WCAG 2.2 AA, and
// that nothing is cut off to the side.
func (b *browser) accessible(name string) {
	b.t.Helper()
	axe, err := os.ReadFile("../pages/testdata/axe.min.js")
	if err != nil {
		b.t.Fatal(err)
	}
	var found string
	b.script(string(axe)+`; axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}).then(r =>
		JSON.stringify(r.violations.map(v => v.id + ": " + v.help + " " + v.nodes.slice(0, 3).map(n => n.html.slice(0, 160) + " | " + (n.any[0]?.message ?? "")).join("; "))))`, &found)
	var list []string
	if err := json.Unmarshal([]byte(found), &list); err != nil {
		b.t.Fatal(err)
	}
	for _, v := range list {
		b.t.Errorf("%s: %s", name, v)
	}
	var wide float64
	b.script(`document.documentElement.scrollWidth - innerWidth`, &wide)
	if wide > 1 {
		var who string
		b.script(`[...document.querySelectorAll("main *")].filter(e => e.getBoundingClientRect().right > innerWidth + 1).slice(0, 3).map(e => e.tagName + "." + e.className).join(" ")`, &who)
		b.t.Errorf("%s: the page is %.0f px wider than the screen: %s", name, wide, who)
	}
}

// beginJoint fills in the form and acknowledges the cautions; gives the joint's path.
func (b *browser) beginJoint(number string) string {
	b.t.Helper()
	at := b.fillJoint(number)
	b.acknowledge()
	return at
}

// fillJoint leaves the cautions open.
func (b *browser) fillJoint(number string) string {
	b.t.Helper()
	b.open("/joints/new")
	b.fill("site", "Kestrel Hollow quarry", "conveyor", "Conveyor 3", "belt", "Belt 3-A", "number", number, "width", "800",
		"thickness", "9", "covers", "4+2", "travel", "towards the crusher", "pulley", "400", "tolerance", "1.6", "origin", "site rule 14")
	b.script(`document.querySelector("main button[type=submit]").click()`, nil)
	b.until("the joint's page", `document.querySelector("[name=done]") !== null && document.readyState === "complete"`)
	return b.path()
}

func (b *browser) acknowledge() {
	b.t.Helper()
	b.fill("name", "Ada Finch")
	b.script(`document.querySelector("[name=done]").click(); document.querySelector("form[action$=cautions] button").click()`, nil)
	b.until("cautions acknowledged", `!document.querySelector("[name=done]") && document.body.innerText.includes("Ada Finch") && document.readyState === "complete"`)
}

func sample(t *testing.T) string {
	t.Helper()
	path, err := filepath.Abs(samplePhoto)
	if err != nil {
		t.Fatal(err)
	}
	return path
}

// The technician's whole task at phone size: a joint, a wrong photo, a photo
// without network, the answer, an edge put right, the other end, the pair.
func TestTechnicianInTheBrowser(t *testing.T) {
	b := openBrowser(t)
	b.open("/")
	b.accessible("start")
	b.open("/joints/new")
	b.accessible("new joint")
	joint := b.beginJoint("J-1")
	b.accessible("joint")

	// something that is no photo
	wrong := filepath.Join(t.TempDir(), "notes.jpg")
	if err := os.WriteFile(wrong, []byte("no photo at all"), 0o600); err != nil {
		t.Fatal(err)
	}
	cut := joint + "/end/leading/cut"
	b.open(cut)
	b.accessible("photo page")
	b.do(chromedp.SetUploadFiles("#files", []string{wrong}, chromedp.ByQuery))
	b.until("a refusal with advice", `!document.querySelector("#refused").hidden && document.querySelector("#refused .do span").textContent.length > 10`)
	b.accessible("photo page with a refusal")
	b.do(chromedp.Click(`#queue li button:last-child`, chromedp.ByQuery))
	b.until("the queue is empty", `document.querySelector("#queue").hidden`)

	// no network: the photo waits, the page opens again, then it goes up by itself
	b.until("the service worker has the page", `navigator.serviceWorker.controller !== null`)
	b.open(cut)
	b.offline(true)
	b.do(chromedp.SetUploadFiles("#files", []string{sample(t)}, chromedp.ByQuery))
	b.until("the photo waits", `document.querySelector("#queue li")?.dataset.state === "waiting"`)
	b.do(chromedp.SetUploadFiles("#files", []string{sample(t)}, chromedp.ByQuery))
	b.until("the same photo is there once", `document.querySelectorAll("#queue li").length === 1 && document.querySelector("#stage").textContent.includes("already")`)
	b.offline(false)
	b.until("the answer", `location.pathname.startsWith("/m/") && document.querySelector(".stage svg")`)
	first := b.path()
	b.until("verdict in words", `document.querySelector(".answer").innerText.includes("Re-cut")`)
	b.accessible("answer")

	// the cut put right by hand: 12 px off, the fine search snaps back
	b.do(chromedp.Click(`.tools button[aria-expanded]`, chromedp.ByQuery))
	b.until("handles", `document.querySelectorAll(".handle").length === 2`)
	b.accessible("answer, by hand")
	b.drag(`.handle:last-child`, 0, 3, func() {
		var lens bool
		b.script(`document.querySelector(".lens-frame") !== null`, &lens)
		if !lens {
			t.Error("no magnifier while a handle is dragged")
		}
	})
	b.do(chromedp.Click(`.hand .actions button:last-child`, chromedp.ByQuery))
	b.until("measured again", `location.pathname.startsWith("/m/") && location.pathname !== "`+first+`" && document.querySelector(".stage svg")`)
	b.until("set by hand is said", `document.body.innerText.includes("Set by hand")`)
	b.sameOffset(first, b.path(), 0.3)

	// measuring rule
	b.do(chromedp.Click(`.above .tools button`, chromedp.ByQuery))
	b.until("the rule reads", `/^\d+\.\d ± \d+\.\d mm$/.test(document.querySelector(".reading")?.textContent)`)
	b.accessible("answer with the rule")
	b.ruled()

	// another photo adds up with the first
	data, err := os.ReadFile(samplePhoto)
	if err != nil {
		t.Fatal(err)
	}
	second := filepath.Join(t.TempDir(), "second.jpg")
	comment := []byte{0xff, 0xfe, 0, 4, 'n', 'o'} // other bytes, the same view
	if err := os.WriteFile(second, slices.Concat(data[:2], comment, data[2:]), 0o600); err != nil {
		t.Fatal(err)
	}
	b.open(cut)
	b.do(chromedp.SetUploadFiles("#files", []string{second}, chromedp.ByQuery))
	b.until("the answer of both", `location.pathname.startsWith("/m/") && document.querySelectorAll("figure.photo .stage").length === 2`)
	b.open(cut)
	var together []string
	b.script(`[...document.querySelectorAll(".chain tbody th")].map(e => e.textContent.trim())`, &together)
	if strings.Join(together, " ") != "1 1 2" {
		t.Errorf("photos together at each measurement: %v", together)
	}

	// the other end, then the pair
	b.open(joint + "/end/trailing/cut")
	b.do(chromedp.SetUploadFiles("#files", []string{sample(t)}, chromedp.ByQuery))
	b.until("the other answer", `location.pathname.startsWith("/m/") && document.querySelector(".stage svg")`)
	b.open(cut)
	b.accessible("photo page with an answer")
	b.open(joint + "/pair")
	b.until("the pair", `document.querySelector(".drawing svg") !== null`)
	b.accessible("pair")
	b.open("/")
	b.accessible("start with a joint")

	// the service out of reach: the page that was seen opens all the same
	b.open(cut)
	b.until("the page is kept", `caches.open("beltend-pages").then(c => c.match(location.href))`)
	b.server.CloseClientConnections()
	b.server.Listener.Close()
	b.open(cut)
	b.until("the page without network", `document.querySelector("#camera") !== null && document.querySelector(".camera").hidden === false`)
}

// The page shown without network speaks the language last chosen.
func TestOfflinePageIsInTheChosenLanguage(t *testing.T) {
	b := openBrowser(t)
	b.open("/")
	b.until("the service worker has the page", `navigator.serviceWorker.controller !== null`)
	for _, lang := range []string{"de", "en"} {
		b.open("/?lang=" + lang)
		b.until("the offline page in "+lang, `caches.match("/offline").then(r => r.text()).then(text => text.includes('<html lang="`+lang+`"'))`)
	}
	b.open("/?lang=de")
	b.server.CloseClientConnections()
	b.server.Listener.Close()
	b.open("/joints/never-opened")
	b.until("it is shown in German", `document.documentElement.lang === "de" && document.title !== ""`)
}

// Of two open pages of a step one sends; both show what came of it.
func TestTwoOpenPagesShowTheSame(t *testing.T) {
	b := openBrowser(t)
	cut := b.beginJoint("J-2") + "/end/leading/cut"
	other := *b
	var closeTab context.CancelFunc
	other.ctx, closeTab = chromedp.NewContext(b.ctx)
	defer closeTab()
	other.open(cut)
	b.open(cut)
	wrong := filepath.Join(t.TempDir(), "notes.jpg")
	if err := os.WriteFile(wrong, []byte("no photo at all"), 0o600); err != nil {
		t.Fatal(err)
	}
	b.do(chromedp.SetUploadFiles("#files", []string{wrong}, chromedp.ByQuery))
	for name, page := range map[string]*browser{"the page that sends": b, "the other one": &other} {
		page.until(name+": the refusal", `!document.querySelector("#refused").hidden && document.querySelector("#queue li")?.dataset.state === "refused"`)
	}
	b.do(chromedp.Click(`#queue li button:last-child`, chromedp.ByQuery))
	other.until("the photo is dropped there, too", `document.querySelector("#queue").hidden`)
	b.do(chromedp.SetUploadFiles("#files", []string{sample(t)}, chromedp.ByQuery))
	for name, page := range map[string]*browser{"the page that sends": b, "the other one": &other} {
		page.until(name+": the answer", `location.pathname.startsWith("/m/") && document.querySelector(".stage svg")`)
	}
	if b.path() != other.path() {
		t.Errorf("one page shows %s, the other %s", b.path(), other.path())
	}
}

func (b *browser) offline(off bool) {
	b.t.Helper()
	b.do(network.Enable(), network.EmulateNetworkConditions(off, 0, -1, -1))
}

// drag moves an element by a finger's or mouse's way; during is called midway.
func (b *browser) drag(selector string, dx, dy float64, during func()) {
	b.t.Helper()
	var at []float64
	b.script(`(() => { const e = document.querySelector("`+selector+`"); e.scrollIntoView({block: "center"}); const r = e.querySelector(".ring").getBoundingClientRect(); return [r.left + r.width / 2, r.top + r.height / 2]; })()`, &at)
	b.do(chromedp.MouseEvent("mousePressed", at[0], at[1], chromedp.ButtonLeft), chromedp.MouseEvent("mouseMoved", at[0]+dx/2, at[1]+dy/2, chromedp.ButtonLeft))
	during()
	b.do(chromedp.MouseEvent("mouseMoved", at[0]+dx, at[1]+dy, chromedp.ButtonLeft), chromedp.MouseEvent("mouseReleased", at[0]+dx, at[1]+dy, chromedp.ButtonLeft))
}

func (b *browser) sameOffset(one, two string, by float64) {
	b.t.Helper()
	var d float64
	b.script(fmt.Sprintf(`Promise.all([%q, %q].map(p => fetch("/api/v1/measurements/" + p.slice(3)).then(r => r.json()))).then(([a, c]) => Math.abs(a.squareness.offset_mm - c.squareness.offset_mm))`, one, two), &d)
	if d > by {
		b.t.Errorf("measured again the offset differs by %.2f mm", d)
	}
}

// Every page in German, dark, at twice the size, and outdoors.
func TestPagesInGermanAndDark(t *testing.T) {
	b := openBrowser(t)
	joint := b.beginJoint("J-2")
	b.open(joint + "/end/leading/cut")
	b.do(chromedp.SetUploadFiles("#files", []string{sample(t)}, chromedp.ByQuery))
	b.until("the answer", `location.pathname.startsWith("/m/") && document.querySelector(".stage svg")`)
	answer := b.path()
	b.open("/?lang=de")
	for _, theme := range []string{"dark", "contrast"} {
		b.open("/?theme=" + theme)
		for name, path := range map[string]string{"Anfang": "/", "Verbindung": joint, "Foto": joint + "/end/leading/cut", "Antwort": answer, "Verbinder": "/lacing", "Maßband": "/tape", "Bausteine": "/components", "nichts": "/nothing"} {
			b.open(path)
			b.accessible(name + " " + theme)
			var lang, text string
			b.script(`document.documentElement.lang`, &lang)
			b.script(`document.querySelector("main").innerText`, &text)
			if lang != "de" || strings.Contains(text, "[") {
				t.Errorf("%s: language %q, or a text is missing: %.200s", name, lang, text)
			}
		}
	}
	b.open(answer)
	var text string
	var offset float64
	b.script(`document.querySelector(".answer").innerText`, &text)
	b.script(fmt.Sprintf(`fetch("/api/v1/measurements/" + %q.slice(3)).then(r => r.json()).then(m => m.squareness.offset_mm)`, answer), &offset)
	if want := strings.Replace(fmt.Sprintf("%+.1f\u00a0mm", offset), ".", ",", 1); !strings.Contains(text, "Nachschneiden") || !strings.Contains(text, want) || abs(offset-5.86) > 0.5 {
		t.Errorf("the answer in German, %s, true 5,86 mm: %s", want, text)
	}
	b.size(320, 480) // WCAG 1.4.10; 200 % on the smallest tablet leaves more
	for _, path := range []string{"/", joint, answer} {
		b.open(path)
		b.accessible(path + ", narrow")
	}
}

// A joint is begun, and an edge put right, with the keyboard alone.
func TestCorrectionByKeyboard(t *testing.T) {
	b := openBrowser(t)
	b.size(1440, 900)
	b.open("/")
	b.tabTo("a new joint", `document.activeElement.matches("a[href='/joints/new']")`)
	b.do(chromedp.KeyEvent(kb.Enter))
	b.until("the form", `location.pathname === "/joints/new" && document.readyState === "complete"`)
	for _, f := range [][2]string{{"site", "Kestrel Hollow quarry"}, {"conveyor", "Conveyor 3"}, {"belt", "Belt 3-A"}, {"number", "J-3"}, {"tolerance", "1.6"}, {"origin", "site rule 14"},
		{"width", "800"}, {"travel", "towards the crusher"}} {
		b.tabTo(f[0], `document.activeElement.name === "`+f[0]+`"`)
		b.do(chromedp.KeyEvent(f[1]))
	}
	b.tabTo("begin", `document.activeElement.matches("main button[type=submit]")`)
	b.do(chromedp.KeyEvent(kb.Enter))
	b.until("the joint's page", `document.querySelector("[name=done]") !== null && document.readyState === "complete"`)
	b.tabTo("the name", `document.activeElement.name === "name"`)
	b.do(chromedp.KeyEvent("Ada Finch"))
	b.tabTo("the cautions", `document.activeElement.name === "done"`)
	b.do(chromedp.KeyEvent(" "))
	b.tabTo("acknowledge", `document.activeElement.matches("form[action$=cautions] button")`)
	b.do(chromedp.KeyEvent(kb.Enter))
	b.until("cautions acknowledged", `!document.querySelector("[name=done]") && document.readyState === "complete"`)
	b.tabTo("the leading end's cut", `document.activeElement.matches("a[href$='/end/leading/cut']")`)
	b.do(chromedp.KeyEvent(kb.Enter))
	b.until("the photo page", `document.querySelector("#files") !== null && document.readyState === "complete"`)
	b.tabTo("the photos", `document.activeElement.matches("#files")`)
	window := make(chan cdp.BackendNodeID, 1)
	chromedp.ListenTarget(b.ctx, func(e any) {
		if e, ok := e.(*page.EventFileChooserOpened); ok {
			window <- e.BackendNodeID
		}
	})
	b.do(page.Enable(), page.SetInterceptFileChooserDialog(true), chromedp.KeyEvent(kb.Enter)) // the system's own window chooses
	select {
	case asked := <-window:
		b.do(chromedp.ActionFunc(func(ctx context.Context) error {
			return dom.SetFileInputFiles([]string{sample(t)}).WithBackendNodeID(asked).Do(ctx)
		}))
	case <-time.After(time.Minute):
		t.Fatal("no window for photos opens by a key")
	}
	b.answered()
	first := b.path()
	b.until("the verdict in words", `document.querySelector(".answer").innerText.includes("Re-cut")`)
	b.tabTo("the correction", `document.activeElement.hasAttribute("aria-expanded")`)
	b.do(chromedp.KeyEvent(kb.Enter))
	b.do(chromedp.KeyEvent(kb.Tab, chromedp.KeyModifiers(0)))
	for range 40 { // back: the handles stand before the button
		var there bool
		if b.script(`document.activeElement.classList.contains("handle")`, &there); there {
			break
		}
		b.do(chromedp.KeyEvent(kb.Tab, chromedp.KeyModifiers(8)))
	}
	b.do(chromedp.KeyEvent(kb.ArrowDown), chromedp.KeyEvent(kb.ArrowDown))
	b.tabTo("undo", `document.activeElement.textContent === "Undo"`)
	b.do(chromedp.KeyEvent(kb.Enter))
	b.tabTo("measuring again", `document.activeElement.textContent.startsWith("Snap")`)
	b.do(chromedp.KeyEvent(kb.Enter))
	b.until("measured again", `location.pathname.startsWith("/m/") && location.pathname !== "`+first+`"`)
	b.sameOffset(first, b.path(), 0.3)
}

// The first page, with all it loads.
func TestFirstPageIsSmall(t *testing.T) {
	s := serve(t, newFake(), nil)
	_, body := get(t, s.URL+"/", map[string]string{"Accept": "text/html"})
	total := len(body)
	// what the page names, and what its modules import
	named := regexp.MustCompile(`(?:src|href)="/static/([a-z.]+)\?|from '\./([a-z]+\.js)'|(?:href|src)="/static/([a-z.]+)"`)
	loaded := map[string]bool{}
	for left := [][]byte{body}; len(left) > 0; left = left[1:] {
		for _, m := range named.FindAllSubmatch(left[0], -1) {
			one := string(m[1]) + string(m[2]) + string(m[3])
			if loaded[one] {
				continue
			}
			loaded[one] = true
			resp, b := get(t, s.URL+"/static/"+one, nil)
			if resp.StatusCode != 200 {
				t.Errorf("%s: %s", one, resp.Status)
			}
			total += len(b)
			left = append(left, b)
		}
	}
	for _, one := range []string{"beltend.css", "beltend.js", "queue.js", "queued.js", "form.js", "waits.js", "texts.js", "stream.js", "icon.svg", "manifest.webmanifest"} {
		if !loaded[one] {
			t.Errorf("%s is not counted: %v", one, loaded)
		}
	}
	t.Logf("%d bytes", total)
	if total > 150_000 {
		t.Errorf("%d bytes", total)
	}
	if strings.Contains(string(body), "//") && strings.Contains(string(body), "http") {
		t.Errorf("the page names another address")
	}
}
