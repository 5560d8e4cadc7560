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

// The network is cut while close-ups of a clinch go up: they wait with their judgements, go on
// where they were, and leave alone what somebody else judged meanwhile. One photo may show
// two items; judgements without a photo wait too.
func TestNetworkIsCutDuringUploadOfACloseUp(t *testing.T) {
	n := &tunnel{}
	m := &joined{counting{fake: newFake()}}
	b := openBrowserOn(t, m, func(h http.Handler) http.Handler { n.Handler = h; return n })
	joint := b.beginJoint("J-12")
	if resp, body := post(t, b.url+joint+"/finished", nil, part{"photos", "j.jpg", "hooks"}); resp.StatusCode != http.StatusSeeOther {
		t.Fatalf("%s: %s", resp.Status, body)
	}
	look := func() archive.Finished {
		t.Helper()
		looks, err := b.cfg.Store.Archive.FinishedOf(t.Context(), archive.AllSites(), path.Base(joint))
		if err != nil || len(looks) != 1 {
			t.Fatalf("%d looks, %v", len(looks), err)
		}
		return looks[0]
	}
	mark := func(key string) archive.ClinchMark {
		t.Helper()
		for _, one := range look().Clinch {
			if one.Face+"-"+one.Code == key {
				return one
			}
		}
		t.Errorf("%s is not judged", key)
		return archive.ClinchMark{}
	}
	items := func() (all int) {
		t.Helper()
		b.script(`document.querySelectorAll("#queue li").length`, &all)
		return all
	}
	closeUp := func(key string) {
		t.Helper()
		b.do(chromedp.SetUploadFiles(`[name=photo-`+key+`]`, []string{sample(t)}, chromedp.ByQuery))
	}
	b.open("/")
	b.until("the service worker", `navigator.serviceWorker.controller !== null`)
	b.open(joint)
	b.open(joint + "/finished")
	const keep = `#clinch button[type=submit]`
	b.script(`for (const d of document.querySelectorAll("#clinch details")) d.open = true`, nil)
	closeUp("pulley-loop_round")
	b.click(keep)
	if all := items(); all != 0 {
		t.Errorf("%d close-ups wait that nobody judged", all)
	}
	b.script(`document.querySelector("#clinch [name=name]").value = "Bo Tern"`, nil)
	b.click(`[name=judged-pulley-loop_round][value=rework]`)
	b.fill("note-pulley-loop_round", "keyhole at 40 mm")
	closeUp("pulley-legs_parallel")
	b.click(`[name=judged-pulley-legs_parallel][value=good]`)
	b.click(keep)
	b.until("broken off", `document.querySelectorAll("#queue li[data-state=waiting]").length === 2 && /\d+ %/.test(document.querySelector("#queue li .state").textContent)`)
	b.accessible("close-up broken off")
	if c := look().Clinch; len(c) != 0 {
		t.Errorf("judged before the network was there: %+v", c)
	}

	b.open(joint) // from the service worker
	b.waits("Clinch", "2 photos wait for the network")
	b.open("/")
	b.waits("Conveyor 3 · J-12 · Clinch", "2 photos wait for the network")
	b.open(joint + "/finished")
	b.until("the photos wait on the page opened without network", `document.querySelectorAll("#queue li").length === 2`)
	closeUp("pulley-loop_round") // chosen once more it is there once
	b.click(`[name=judged-pulley-loop_round][value=rework]`)
	b.click(keep)
	b.until("told that it is there", `document.querySelector("#stage").textContent.includes("there already")`)
	if all := items(); all != 2 {
		t.Errorf("%d photos wait, 2 were sent", all)
	}
	// meanwhile, elsewhere
	f := look()
	f.Clinch = []archive.ClinchMark{{Face: "carrying", Code: "wire_sunk", Judgement: "rework", By: "Ada Finch"}}
	if _, err := b.cfg.Store.Archive.PutFinished(t.Context(), archive.Actor{ID: "t"}, f, "clinch judged"); err != nil {
		t.Fatal(err)
	}
	n.torn.Store(false)
	b.script(`dispatchEvent(new Event("online"))`, nil)
	b.until("three are judged", b.says("3 of 8 judged")+` && document.readyState === "complete"`)
	b.until("nothing waits any more", `document.querySelector("#queue").hidden`)
	info, err := os.Stat(samplePhoto)
	if err != nil {
		t.Fatal(err)
	}
	if got := n.bytes.Load(); got < info.Size() || got > info.Size()+16<<10 {
		t.Errorf("%d bytes went up for a photo of %d that shows two items", got, info.Size())
	}
	round, legs := mark("pulley-loop_round"), mark("pulley-legs_parallel")
	if round.Judgement != "rework" || round.Note != "keyhole at 40 mm" || round.By != "Bo Tern" || legs.Judgement != "good" || legs.Photo == "" || legs.Photo != round.Photo {
		t.Errorf("kept: %+v %+v", round, legs)
	}
	if other := mark("carrying-wire_sunk"); other.Judgement != "rework" || other.By != "Ada Finch" {
		t.Errorf("what somebody else judged: %+v", other)
	}

	before := look().Version
	n.torn.Store(true)
	b.script(`document.querySelector("#clinch [name=name]").value = "Bo Tern"`, nil)
	b.click(`[name=judged-carrying-loop_round][value=not_seen]`)
	b.click(keep)
	b.click(keep)
	b.until("judgements wait without a photo", `document.querySelectorAll("#queue li[data-state=waiting]").length === 1`)
	b.accessible("judgements that wait")
	b.open(joint)
	b.waits("Clinch", "judgements wait for the network")
	b.open(joint + "/finished")
	b.until("judgements wait on the page opened without network", `document.querySelectorAll("#queue li[data-state=waiting]").length === 1`)
	n.torn.Store(false)
	b.script(`dispatchEvent(new Event("online"))`, nil)
	b.until("four are judged", b.says("4 of 8 judged")+` && document.readyState === "complete" && document.querySelector("#queue").hidden`)
	if one := mark("carrying-loop_round"); one.Judgement != "not_seen" || look().Version != before+1 {
		t.Errorf("kept: %+v, version %d after %d", one, look().Version, before)
	}
}
