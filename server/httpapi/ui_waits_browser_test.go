package httpapi

import (
	"context"
	"net/http"
	"os"
	"path"
	"slices"
	"strconv"
	"testing"

	"github.com/chromedp/chromedp"

	"beltend/server/archive"
	"beltend/server/measure"
	"beltend/server/worker"
)

// joined measures for real and counts as counting does.
type joined struct{ counting }

func (j *joined) Run(ctx context.Context, job worker.Job, p measure.Progress) (worker.Answer, error) {
	if job.Hooks == nil {
		return inProcess{}.Run(ctx, job, p)
	}
	return j.counting.Run(ctx, job, p)
}

// waits holds what the box of waiting photos says on the page that is open.
func (b *browser) waits(texts ...string) {
	b.t.Helper()
	b.until("the box of waiting photos", `!document.querySelector("#waits").hidden`)
	for _, text := range texts {
		var ok bool
		if b.script(`document.querySelector("#waits").innerText.replaceAll("\u00a0", " ").includes(`+strconv.Quote(text)+`)`, &ok); !ok {
			var all string
			b.script(`document.querySelector("#waits").innerText`, &all)
			b.t.Errorf("%q is not said of the waiting photos: %s", text, all)
		}
	}
}

// The network is cut while the photo of a finished joint goes up: it waits, the start and
// the joint say so in both languages, and it goes on where it was; the look is kept once.
func TestNetworkIsCutDuringUploadOfAFinishedJoint(t *testing.T) {
	n := &tunnel{}
	m := &joined{counting{fake: newFake()}}
	b := openBrowserOn(t, m, func(h http.Handler) http.Handler { n.Handler = h; return n })
	joint := b.beginJoint("J-11")
	b.until("the pages are kept", `caches.open("beltend-pages").then(c => c.keys()).then(k => k.some(r => r.url.endsWith("/finished")))`)
	b.open("/")
	b.open(joint)
	b.until("the service worker", `navigator.serviceWorker.controller !== null`)
	b.open(joint + "/finished")
	b.do(chromedp.SetUploadFiles(`form[data-step] [name=photos]`, []string{sample(t)}, chromedp.ByQuery))
	b.fill("pitch", "9", "wire", "2")
	b.click(`form[data-step] button[type=submit]`)
	b.until("broken off", `document.querySelector("#queue li")?.dataset.state === "waiting" && /\d+ %/.test(document.querySelector("#queue li .state").textContent)`)
	b.accessible("photo of a finished joint broken off")

	b.open(joint) // from the service worker
	b.waits("Finished joint", "1 photo waits for the network")
	b.accessible("joint with a waiting photo")
	b.open("/")
	b.waits("Conveyor 3 · J-11 · Finished joint", "1 photo waits for the network")
	b.accessible("start with a waiting photo")
	b.open(joint + "/finished")
	b.until("the photo waits on the page opened without network", `document.querySelector("#queue li")?.dataset.state === "waiting"`)
	// chosen once more it is there once
	b.do(chromedp.SetUploadFiles(`form[data-step] [name=photos]`, []string{sample(t)}, chromedp.ByQuery))
	b.click(`form[data-step] button[type=submit]`)
	b.until("told that it is there", `document.querySelector("#queue").innerText.includes("waits") && document.querySelector("form[data-step] [name=photos]").files.length === 0`)
	var items int
	if b.script(`document.querySelectorAll("#queue li").length`, &items); items != 1 {
		t.Errorf("the same photo waits %d times", items)
	}
	n.torn.Store(false)
	b.script(`dispatchEvent(new Event("online"))`, nil)
	b.until("the count", `document.querySelector("#clinch") !== null && document.readyState === "complete"`)
	b.until("nothing waits any more", `document.querySelector("#queue").hidden`)

	info, err := os.Stat(samplePhoto)
	if err != nil {
		t.Fatal(err)
	}
	if got := n.bytes.Load(); got < info.Size() || got > info.Size()+16<<10 {
		t.Errorf("%d bytes went up for a photo of %d", got, info.Size())
	}
	looks, err := b.cfg.Store.Archive.FinishedOf(t.Context(), archive.AllSites(), path.Base(joint))
	if err != nil || len(looks) != 1 || len(looks[0].Files) != 1 {
		t.Fatalf("%d looks, %v", len(looks), err)
	}
	// (800 - 2*6 - 2) / 9 = 87.3 by what was typed: 88 and 87 hooks
	counts := slices.DeleteFunc(slices.Clone(m.asked), func(j worker.Job) bool { return j.Hooks.Draw != nil })
	if p := counts[0].Hooks.Plan; len(counts) != 1 || p == nil || p.Lead.Hooks != 88 || p.Trail.Hooks != 87 {
		t.Errorf("counted %d times, by plan %+v", len(counts), p)
	}
}

// A quick measurement waits without network too, in German; what is refused is sent again
// with what is typed then, and the answer is the true one.
func TestQuickMeasurementWaitsForTheNetwork(t *testing.T) {
	b := openBrowser(t)
	b.open("/?lang=de")
	b.until("the service worker", `navigator.serviceWorker.controller !== null`)
	b.open("/")
	b.script(`document.querySelector("form[data-step]").closest("details").open = true`, nil)
	b.offline(true)
	b.do(chromedp.SetUploadFiles(`form[data-step] [name=photos]`, []string{sample(t)}, chromedp.ByQuery))
	b.fill("tolerance", "-1")
	b.click(`form[data-step] button[type=submit]`)
	b.waits("Ein Ende ohne Verbindung messen", "1 Foto wartet auf das Netz")
	b.accessible("Anfang mit wartendem Foto")
	b.offline(false)
	b.until("refused for its tolerance", `!document.querySelector("#refused").hidden && document.querySelector("#refused .detail").textContent.length > 10`)
	b.waits("1 Foto ohne Antwort")
	b.accessible("Anfang mit abgelehntem Foto")
	b.fill("tolerance", "1.6")
	b.click(`form[data-step] button[type=submit]`)
	b.answered()
	var offset []float64
	b.script(`fetch("/api/v1/measurements/" + location.pathname.slice(3)).then(r => r.json()).then(m => [m.squareness.offset_mm, m.squareness.offset_u95_mm, m.squareness.tolerance_mm])`, &offset)
	if len(offset) != 3 || abs(offset[0]-5.86) > offset[1] || offset[2] != 1.6 {
		t.Errorf("offset, U and tolerance %v, the true offset is 5.86", offset)
	}
	page, err := b.cfg.Store.Archive.Search(t.Context(), archive.Query{Sites: archive.AllSites()})
	if err != nil || len(page.Items) != 1 {
		t.Errorf("%d measurements, %v", len(page.Items), err)
	}
}
