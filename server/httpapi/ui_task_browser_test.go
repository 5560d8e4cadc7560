package httpapi

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/png"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"

	"beltend/server/archive"
	"beltend/server/measure"
	"beltend/server/result"
	"beltend/server/worker"
	"beltend/vision/render"
)

// send gives photos to the page that is open.
func (b *browser) send(files ...string) {
	b.t.Helper()
	b.do(chromedp.SetUploadFiles("#files", files, chromedp.ByQuery))
}

func (b *browser) answered() {
	b.t.Helper()
	b.until("the answer", `location.pathname.startsWith("/m/") && document.querySelector(".stage svg") && document.readyState === "complete"`)
}

func (b *browser) click(selector string) {
	b.t.Helper()
	b.script(fmt.Sprintf(`document.querySelector(%q).click()`, selector), nil)
}

// fill types into fields by their names.
func (b *browser) fill(pairs ...string) {
	b.t.Helper()
	for i := 0; i < len(pairs); i += 2 {
		b.script(fmt.Sprintf(`document.querySelector("[name=%s]").value = %q`, pairs[i], pairs[i+1]), nil)
	}
}

func (b *browser) says(text string) string {
	return fmt.Sprintf(`document.querySelector("main").innerText.replaceAll("\u00a0", " ").includes(%q)`, text)
}

// What a joint was begun with is changed with a reason: the answer that rests on it is
// decided again before the person's eyes, and the record tells both.
func TestJointIsChangedInTheBrowser(t *testing.T) {
	b := openBrowser(t)
	joint := b.beginJoint("J-4")
	b.open(joint + "/end/leading/cut")
	b.send(sample(t))
	b.answered()
	b.open(joint)
	b.until("re-cut by 1.6 mm", `document.querySelector(".steps .badge.recut") !== null`)
	b.click(`a[href$="/change"]`)
	b.until("the form", `document.querySelector("[name=reason]") !== null`)
	b.accessible("changing a joint")
	b.fill("tolerance", "9")
	b.script(`document.querySelector("main form").noValidate = true`, nil)
	b.click(`main form button`)
	b.until("no reason, no change", `document.querySelector(".problem") !== null && document.querySelector("[name=tolerance]").value === "9"`)
	b.fill("reason", "read the wrong line of the site rule")
	b.click(`main form button`)
	b.until("decided again", `document.querySelector(".steps .badge.square") !== null && !document.querySelector("#outdated") && document.readyState === "complete"`)
	b.accessible("changed joint")
	for _, text := range []string{"before: Re-cut, by ± 1.6 mm", "Tolerance: 1.6 mm, now 9.0 mm", "read the wrong line of the site rule"} {
		var ok bool
		if b.script(b.says(text), &ok); !ok {
			t.Errorf("the joint's page does not say %q", text)
		}
	}
	id := strings.TrimPrefix(joint, "/joints/")
	events, err := b.cfg.Store.Archive.Events(t.Context(), archive.EventQuery{Sites: archive.AllSites(), Subject: "joint/" + id, What: "joint.changed", Limit: 1})
	if err != nil || len(events) != 1 || events[0].Reason != "read the wrong line of the site rule" {
		t.Errorf("the record's events: %+v, %v", events, err)
	}
	page, err := b.cfg.Store.Archive.Search(t.Context(), archive.Query{Sites: archive.AllSites(), Joint: id})
	if err != nil || len(page.Items) != 2 || page.Items[0].Verdict != "square" || page.Items[1].Verdict != "recut" || page.Items[0].Supersedes != page.Items[1].ID {
		t.Errorf("the measurements: %d, %v", len(page.Items), err)
	}
}

// doubting refuses photos without a person's hint, as where a plank lies along an
// edge: it shows what it found and what else could be meant.
type doubting struct{ inProcess }

const doubtScale = 0.4 // mm per px, as of cards

func (d doubting) Run(ctx context.Context, job worker.Job, p measure.Progress) (worker.Answer, error) {
	a, err := d.inProcess.Run(ctx, job, p)
	if err != nil || job.Draw != nil || len(job.Settings.Hints) > 0 {
		return a, err
	}
	im := a.Measurement.Image[0]
	im.MMPerPx = doubtScale
	for _, p := range im.LeftEdge {
		im.Rival = append(im.Rival, [2]float64{p[0] - 150, p[1]})
	}
	return worker.Answer{}, &result.Doubt{Refusal: &result.Refusal{Code: "edge_unclear", Photo: im.File, Message: "Two outlines fit.", Advice: "Put the edges right by hand."}, Image: []result.Image{im}}
}

// A refused photo shows what could be meant; a finger settles it on the spot.
func TestRefusedPhotoIsSettledByHand(t *testing.T) {
	b := openBrowserOn(t, doubting{}, func(h http.Handler) http.Handler { return h })
	joint := b.beginJoint("J-5")
	b.open(joint + "/end/leading/cut")
	b.send(sample(t))
	b.until("both outlines", `document.querySelector("#refused .stage .line.left") && document.querySelector("#refused .stage .line.rival") && document.querySelectorAll("#refused .handle").length === 2`)
	b.accessible("refused photo with a rival")

	// the refusal's own page in the record shows the same, and so does this one opened again
	var kept string
	b.script(`document.querySelector("#refused a[href^='/m/']").getAttribute("href")`, &kept)
	b.open(kept)
	b.until("both outlines in the record", `document.querySelector("figure.photo .stage .line.left") && document.querySelector("figure.photo .stage .line.rival")`)
	b.accessible("kept refusal")
	b.click(`.tools button[aria-expanded]`)
	b.until("handles", `document.querySelectorAll("figure.photo .handle").length === 2`)
	b.open(joint + "/end/leading/cut")
	b.until("both outlines again", `document.querySelector("#refused .stage .line.rival") && document.querySelectorAll("#refused .handle").length === 2`)

	// both handles in one place are refused with a sentence
	b.script(`(async () => { const box = document.querySelector("#refused"); box.querySelector("[value=cut]").click(); })()`, nil)
	var at []float64
	b.script(`(() => { document.querySelector("#refused .stage").scrollIntoView({block: "center"}); return [...document.querySelectorAll("#refused .handle .ring")].flatMap(e => { const r = e.getBoundingClientRect(); return [r.left + r.width / 2, r.top + r.height / 2]; }); })()`, &at)
	b.finger(at[0], at[1], at[2], at[3], nil)
	b.click(`#refused .hand .actions button:last-child`)
	b.until("told that they lie in one place", `document.querySelector("#refused .hand [role=status]").textContent.includes("in one place")`)
	b.click(`#refused .hand .actions button:first-child`)

	// a finger's drag straight up moves the handle, not the page, under the magnifier
	scroll := 0.0
	b.script(`scrollY`, &scroll)
	b.finger(at[0], at[1], at[0], at[1]-25, func() {
		var lens []float64
		b.script(`(() => { const r = document.querySelector("#refused .lens-frame")?.getBoundingClientRect(); return r ? [r.left + r.width / 2, r.top + r.height / 2] : []; })()`, &lens)
		if len(lens) != 2 {
			t.Fatal("no magnifier under a finger")
		}
		if abs(lens[0]-at[0]) < 40 && abs(lens[1]-at[1]) < 40 {
			t.Error("the magnifier lies under the finger")
		}
	})
	var after float64
	if b.script(`scrollY`, &after); after != scroll {
		t.Errorf("the page scrolled by %.0f px under a finger that moves a handle", after-scroll)
	}
	b.until("undo is there", `!document.querySelector("#refused .hand .actions button:first-child").disabled`)
	b.click(`#refused .hand .actions button:first-child`)
	b.until("undone", `document.querySelector("#refused .hand .actions button:first-child").disabled`)

	// a touch on an arrow moves the chosen handle by half a millimetre at the scale of the
	// cards, and the fine search finds the cut again
	const handle = `document.querySelector("#refused .handle.chosen").transform.baseVal[0].matrix.f`
	var legend string
	var from, to float64
	b.script(`document.querySelector("#refused .nudge").closest("fieldset").querySelector("legend").textContent`, &legend)
	b.script(handle, &from)
	b.click(`#refused .nudge button[aria-label$=down]`)
	b.script(handle, &to)
	if px := 0.5 / doubtScale; legend != "Half a millimetre" || abs(to-from-px) > 0.01*px {
		t.Errorf("%q moves by %.2f px, half a millimetre is %.2f", legend, to-from, px)
	}
	b.click(`#refused .hand .actions button:last-child`)
	b.answered()
	b.until("set by hand is said", b.says("Set by hand: cut"))
	b.pinched()
}

// pinched holds that the photo stays under both fingers that enlarge it, that one finger then
// moves it, and that the page neither scrolls nor grows meanwhile.
func (b *browser) pinched() {
	b.t.Helper()
	const stage = `document.querySelector("figure.photo .stage svg")`
	var at, before, after []float64
	b.script(`(() => { `+stage+`.scrollIntoView({block: "center"}); const r = `+stage+`.getBoundingClientRect(); return [r.left + 0.4 * r.width, r.top + 0.5 * r.height]; })()`, &at)
	// what of the photo lies under the finger that rests, how wide it is seen, how the page stands
	state := fmt.Sprintf(`(() => { const s = %s, p = new DOMPoint(%f, %f).matrixTransform(s.getScreenCTM().inverse()); return [p.x, p.y, s.viewBox.baseVal.width, scrollY, visualViewport.scale, s.getBoundingClientRect().width]; })()`, stage, at[0], at[1])
	b.script(state, &before)
	b.pinch(at[0], at[1], 20, 80)
	b.script(state, &after)
	px := before[2] / before[5] // one on the screen
	if abs(after[2]/before[2]-0.25) > 0.02 {
		b.t.Errorf("fingers four times as far apart show %.3f of the photo's width", after[2]/before[2])
	}
	if abs(after[0]-before[0]) > 2*px || abs(after[1]-before[1]) > 2*px || after[3] != before[3] || after[4] != before[4] {
		b.t.Errorf("the photo slid under the finger, or the page moved: %v, %v", before, after)
	}
	b.finger(at[0], at[1], at[0]-30, at[1]-40, nil)
	before, after = after, nil
	b.script(state, &after)
	if dx, dy := (after[0]-before[0])/px*4, (after[1]-before[1])/px*4; abs(dx-30) > 4 || abs(dy-40) > 4 || after[3] != before[3] {
		b.t.Errorf("a finger moved by 30, 40 moves the photo by %.0f, %.0f: %v, %v", dx, dy, before, after)
	}
	b.pinch(at[0], at[1], 100, 20)
	b.until("the whole photo again", stage+`.viewBox.baseVal.x === 0 && `+stage+`.viewBox.baseVal.y === 0`)
}

// pinch holds one finger on a place while another one, below it, moves from one distance
// to another.
func (b *browser) pinch(x, y, from, to float64) {
	b.t.Helper()
	at := func(d float64) []*input.TouchPoint {
		return []*input.TouchPoint{{X: x, Y: y, ID: 1}, {X: x, Y: y + d, ID: 2}}
	}
	b.touch(input.TouchStart, at(from)[:1]...)
	b.touch(input.TouchStart, at(from)...)
	for i := 1; i <= 8; i++ {
		b.touch(input.TouchMove, at(from+(to-from)*float64(i)/8)...)
	}
	b.touch(input.TouchEnd)
}

func (b *browser) touch(kind input.TouchType, points ...*input.TouchPoint) {
	b.t.Helper()
	b.do(chromedp.ActionFunc(func(ctx context.Context) error { return input.DispatchTouchEvent(kind, points).Do(ctx) }))
}

// finger drags with one finger from a place to another; during is called midway.
func (b *browser) finger(x, y, toX, toY float64, during func()) {
	b.t.Helper()
	b.touch(input.TouchStart, &input.TouchPoint{X: x, Y: y})
	for i := 1; i <= 4; i++ {
		f := float64(i) / 4
		b.touch(input.TouchMove, &input.TouchPoint{X: x + f*(toX-x), Y: y + f*(toY-y)})
	}
	if during != nil {
		during()
	}
	b.touch(input.TouchEnd)
}

// tunnel stands between browser and service: while it is torn, what goes up breaks
// off after some bytes, and nothing else answers.
type tunnel struct {
	http.Handler
	torn  atomic.Bool
	bytes atomic.Int64 // of photos that went through
}

func (n *tunnel) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if r.Method == http.MethodPut {
		r.Body = &gauged{r.Body, n}
	}
	if n.torn.Load() {
		panic(http.ErrAbortHandler) // hangs up
	}
	n.Handler.ServeHTTP(w, r)
	if n.torn.Load() && r.Method == http.MethodPut {
		panic(http.ErrAbortHandler) // the answer does not arrive either
	}
}

type gauged struct {
	io.ReadCloser
	n *tunnel
}

var errTorn = errors.New("torn")

// Read breaks the first photo off in its second part.
func (c *gauged) Read(p []byte) (int, error) {
	if c.n.torn.Load() {
		return 0, errTorn
	}
	k, err := c.ReadCloser.Read(p[:min(len(p), 16<<10)])
	if total := c.n.bytes.Add(int64(k)); total-int64(k) < 560<<10 && total >= 560<<10 {
		c.n.torn.Store(true)
		return k, errTorn
	}
	return k, err
}

// The network is cut while a photo goes up: the page says where it stands, opens again
// without network, and goes on where it was; the photo is kept once.
func TestNetworkIsCutDuringUpload(t *testing.T) {
	n := &tunnel{}
	b := openBrowserOn(t, inProcess{}, func(h http.Handler) http.Handler { n.Handler = h; return n })
	joint := b.beginJoint("J-6")
	cut := joint + "/end/leading/cut"
	b.until("the steps' pages are kept", `caches.open("beltend-pages").then(c => c.keys()).then(k => k.filter(r => r.url.includes("/end/")).length === 6 && k.some(r => r.url.endsWith("/finished")))`)
	b.open(cut)
	b.until("the service worker", `navigator.serviceWorker.controller !== null`)
	b.open(cut)
	b.until("the page is kept", `caches.open("beltend-pages").then(c => c.match(location.href))`)
	b.send(sample(t))
	b.until("broken off", `document.querySelector("#queue li")?.dataset.state === "waiting" && /\d+ %/.test(document.querySelector("#queue li .state").textContent)`)
	var share float64
	b.script(`Number(/(\d+) %/.exec(document.querySelector("#queue li .state").textContent)[1])`, &share)
	if share <= 0 || share >= 100 {
		t.Errorf("broken off at %.0f %%", share)
	}
	b.accessible("photo broken off")
	b.open(cut) // from the service worker
	b.until("the photo waits on the page opened without network", `document.querySelector("#queue li")?.dataset.state === "waiting"`)
	b.open("/tape")
	b.until("what a page never seen shows instead", b.says("has not opened this page before"))
	b.open(joint + "/end/trailing/recut") // of a joint that was opened: kept ahead
	b.until("the other end's page", `document.querySelector(".camera").hidden === false`)
	b.open(cut)
	n.torn.Store(false)
	b.script(`dispatchEvent(new Event("online"))`, nil)
	b.answered()

	info, err := os.Stat(samplePhoto)
	if err != nil {
		t.Fatal(err)
	}
	// what broke off in the middle of a part comes again from the last byte that arrived
	if got := n.bytes.Load(); got < info.Size() || got > info.Size()+16<<10 {
		t.Errorf("%d bytes went up for a photo of %d", got, info.Size())
	}
	page, err := b.cfg.Store.Archive.Search(t.Context(), archive.Query{Sites: archive.AllSites(), Joint: strings.TrimPrefix(joint, "/joints/")})
	if err != nil || len(page.Items) != 1 {
		t.Errorf("%d measurements, %v", len(page.Items), err)
	}
	b.open(cut)
	b.until("nothing waits any more", `document.querySelector("#queue").hidden`)
}

// A step's page that was kept before the cautions were acknowledged is kept anew after: without
// network it takes photos.
func TestKeptPagesFollowTheCautions(t *testing.T) {
	n := &tunnel{}
	b := openBrowserOn(t, inProcess{}, func(h http.Handler) http.Handler { n.Handler = h; return n })
	b.open("/")
	b.until("the service worker", `navigator.serviceWorker.controller !== null`)
	joint := b.fillJoint("J-9")
	cut := joint + "/end/leading/cut"
	b.open(cut)
	b.until("the page is kept as it is", `caches.open("beltend-pages").then(c => c.match(location.href)) && document.querySelector("#camera") === null`)
	b.open(joint)
	b.acknowledge()
	b.until("the steps' pages are kept", `caches.open("beltend-pages").then(c => c.keys()).then(k => k.filter(r => r.url.includes("/end/")).length === 6)`)
	n.torn.Store(true)
	b.open(cut)
	b.until("the camera without network", `document.querySelector(".camera")?.hidden === false`)
}

// The answer leads on: from a cut that is out of square to the photo of the re-cut, and from
// there to that of the next one, which is not put together with the photos of the cut before.
func TestAnswerLeadsOn(t *testing.T) {
	b := openBrowser(t)
	joint := b.beginJoint("J-10")
	b.open(joint + "/end/leading/cut")
	b.send(sample(t))
	b.answered()
	b.click(`.answer .next a`)
	b.until("the re-cut's page", `location.pathname.endsWith("/end/leading/recut") && document.readyState === "complete"`)
	b.send(sample(t))
	b.answered()
	b.click(`.answer .next a`)
	b.until("the next re-cut is chosen", `location.hash === "#fresh" && document.querySelector("#fresh")?.checked`)
	b.accessible("photo of another re-cut")
	b.send(quick(t, 1))
	b.answered()
	b.open(joint + "/end/leading/recut")
	var together string
	b.script(`document.querySelector(".chain tbody th").textContent.trim()`, &together)
	if together != "1" {
		t.Errorf("%s photos together after another re-cut", together)
	}
}

// quick is an ordinary photo of half the size, stored turned as EXIF tells.
func quick(t *testing.T, orientation int) string {
	t.Helper()
	s := render.Default()
	s.Seed, s.Camera.Orientation = 9, orientation
	s.Camera.Width, s.Camera.Height, s.Camera.F = s.Camera.Width/2, s.Camera.Height/2, s.Camera.F/2
	b, err := s.JPEG()
	if err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(t.TempDir(), fmt.Sprintf("turned-%d.jpg", orientation))
	if err := os.WriteFile(name, b, 0o600); err != nil {
		t.Fatal(err)
	}
	return name
}

// Photos stored turned or mirrored, as EXIF tells, and those that this browser cannot
// show at all, stand upright in the viewer with the lines on the edges.
func TestTurnedPhotosStandUpright(t *testing.T) {
	b := openBrowser(t)
	var upright image.Image
	shoot := func(name, file string) image.Image {
		t.Helper()
		joint := b.beginJoint(name)
		b.open(joint + "/end/leading/cut")
		b.send(file)
		b.answered()
		b.until("the photo is drawn", `new Promise(r => setTimeout(() => r(true), 400))`)
		b.script(`document.querySelector(".stage svg").querySelector("g g").style.display = "none"`, nil)
		var shot []byte
		b.do(chromedp.Screenshot(".stage", &shot, chromedp.ByQuery))
		img, err := png.Decode(bytes.NewReader(shot))
		if err != nil {
			t.Fatal(err)
		}
		return img
	}
	upright = shoot("upright", quick(t, 1))
	for _, o := range []int{3, 5, 6, 8} {
		if d := apart(upright, shoot(fmt.Sprint("EXIF ", o), quick(t, o))); d > 4 {
			t.Errorf("orientation %d: the picture differs from the upright one by %.1f grey levels", o, d)
		}
	}
}

// A HEIC photo, which this browser cannot show, waits under its name; refused, it stands in
// the viewer all the same, and a correction by hand lands on its edges: the cut is square.
func TestHEICIsShownAndCorrected(t *testing.T) {
	b := openBrowserOn(t, doubting{}, func(h http.Handler) http.Handler { return h })
	joint := b.beginJoint("J-8")
	b.open(joint + "/end/trailing/cut")
	file, err := filepath.Abs("../../testdata/sample/belt-end.heic")
	if err != nil {
		t.Fatal(err)
	}
	b.offline(true)
	b.send(file)
	b.until("a place in the queue without a picture", `document.querySelector("#queue .nothumb")?.textContent === "HEIC" && document.querySelector("#queue li b").textContent === "belt-end.heic"`)
	b.accessible("HEIC photo waits")
	b.offline(false)
	b.until("refused, in the viewer", `document.querySelector("#refused .stage svg") && document.querySelectorAll("#refused .handle").length === 2`)
	var size []float64
	b.script(`new Promise((r, no) => { const i = new Image(); i.onload = () => r([i.naturalWidth, i.naturalHeight]); i.onerror = no; i.src = document.querySelector("#refused .stage image").getAttribute("href"); })`, &size)
	if len(size) != 2 || abs(size[0]/size[1]-1500.0/2000) > 1e-3 {
		t.Errorf("the picture in the viewer is %v, the photo 1500 x 2000", size)
	}
	b.script(`document.querySelector("#refused [value=cut]").click()`, nil)
	b.drag(`#refused .handle:last-child`, 0, 4, func() {})
	b.click(`#refused .hand .actions button:last-child`)
	b.answered()
	var offset []float64
	b.script(`fetch("/api/v1/measurements/" + location.pathname.slice(3)).then(r => r.json()).then(m => [m.squareness.offset_mm, m.squareness.offset_u95_mm])`, &offset)
	if len(offset) != 2 || abs(offset[0]) > offset[1] || offset[1] > 2 {
		t.Errorf("offset and U %v, the cut is square", offset)
	}
}

// apart is the mean difference of two pictures, grey levels; 255 for other sizes.
func apart(a, b image.Image) float64 {
	if a.Bounds() != b.Bounds() {
		return 255
	}
	sum, n := 0.0, 0.0
	for y := a.Bounds().Min.Y; y < a.Bounds().Max.Y; y += 2 {
		for x := a.Bounds().Min.X; x < a.Bounds().Max.X; x += 2 {
			_, g, _, _ := a.At(x, y).RGBA()
			_, h, _, _ := b.At(x, y).RGBA()
			sum, n = sum+abs(float64(g)-float64(h))/257, n+1
		}
	}
	return sum / n
}

// The page that brings a phone here, over its own certificate.
func TestTrustPage(t *testing.T) {
	m := newFake()
	authority := []byte("a certificate")
	cfg := Config{Measurer: m, Store: newStore(t, m), Local: local, Trust: &Trust{Authority: authority, Addresses: []string{"https://192.168.1.20:8080", "https://kestrel.local:8080"}}}
	cfg.Orders = newDesk(t, cfg.Store, m)
	server := httptest.NewServer(New(cfg))
	t.Cleanup(server.Close)
	_, body := get(t, server.URL+"/trust", map[string]string{"Accept": "text/html"})
	for _, part := range []string{Fingerprint(authority), "https://192.168.1.20:8080/trust", "https://kestrel.local:8080/trust", `class="qr"`, "/trust.crt"} {
		if !strings.Contains(string(body), part) {
			t.Errorf("the page lacks %s", part)
		}
	}
	if resp, crt := get(t, server.URL+"/trust.crt", nil); string(crt) != string(authority) || resp.Header.Get("Content-Type") != "application/x-x509-ca-cert" {
		t.Errorf("the certificate: %s, %q", resp.Header.Get("Content-Type"), crt)
	}
	cfg.Trust = nil
	plain := httptest.NewServer(New(cfg))
	t.Cleanup(plain.Close)
	if resp, _ := get(t, plain.URL+"/trust", nil); resp.StatusCode != http.StatusNotFound {
		t.Errorf("without a certificate of its own: %s", resp.Status)
	}
}
