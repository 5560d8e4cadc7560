package httpapi

import (
	"context"
	"encoding/base64"
	"fmt"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"beltend/server/account"
	"beltend/server/archive"
	"beltend/server/pages"
	"beltend/server/plan"
	"beltend/vision/render"
)

// shown is a page as it is looked at: with a script that brings it there, where
// its address alone does not.
type shown struct{ name, path, script string }

// everyPage signs an administrator in, measures both ends of a joint and one of them again, plays
// a question of a round, and gives every page there is.
func (b *browser) everyPage() []shown {
	b.t.Helper()
	cfg := b.cfg
	cfg.Accounts = account.New(cfg.Store.Archive)
	site, err := cfg.Store.Archive.PutSite(b.t.Context(), local.Actor, archive.Site{Name: "Kestrel Hollow quarry"}, "")
	if err != nil {
		b.t.Fatal(err)
	}
	made, err := cfg.Accounts.Add(b.t.Context(), local.Actor, account.Account{Name: "Ada Finch", Sites: []string{site.ID},
		Roles: []account.Role{account.Technician, account.Trainer, account.Reviewer, account.Administrator}}, password)
	if err != nil {
		b.t.Fatal(err)
	}
	server := httptest.NewServer(New(cfg))
	b.t.Cleanup(server.Close)
	b.url = server.URL
	b.open("/sign-in")
	b.script(fmt.Sprintf(`document.querySelector("[name=name]").value = "Ada Finch"; document.querySelector("[name=password]").value = %q; document.querySelector("main form button").click()`, password), nil)
	b.until("signed in", `!location.pathname.startsWith("/sign-in") && document.readyState === "complete"`)
	joint := b.beginJoint("J-17")
	measure := func(step string) string {
		b.open(joint + step)
		b.do(chromedp.SetUploadFiles("#files", []string{sample(b.t)}, chromedp.ByQuery))
		b.until("the answer", `location.pathname.startsWith("/m/") && document.querySelector(".stage svg")`)
		return b.path()
	}
	cut := measure("/end/leading/cut")
	again := measure("/end/leading/recut")
	measure("/end/trailing/cut")
	refused := render.MustRefuse(9)
	bad, err := refused.JPEG()
	if err != nil {
		b.t.Fatal(err)
	}
	file := filepath.Join(b.t.TempDir(), "card-on-a-block.jpg")
	if err := os.WriteFile(file, bad, 0o600); err != nil {
		b.t.Fatal(err)
	}
	b.open(joint + "/end/trailing/recut")
	b.do(chromedp.SetUploadFiles("#files", []string{file}, chromedp.ByQuery))
	b.until("refused", `!document.querySelector("#refused").hidden`)
	b.open(joint + "/plan")
	b.fill("thickness", "5", "pulley", "300", "chart", pages.DemoChart, "fastener", "KH 30", "lead-trim", "46", "travel", "400", "reserve", "200", "notch", "40")
	b.click(`[name=do][value=keep]`)
	b.until("the plan is kept", `document.querySelector("#kept") !== null && document.readyState === "complete"`)
	b.accessible("the plan kept")
	b.open(joint + "/plan")
	b.fill("travel", "190", "reason", "the take-up was read again")
	b.click(`[name=do][value=keep]`)
	b.until("the plan is kept again", `document.querySelector("#kept")?.innerText.includes("read again") && document.readyState === "complete"`)
	finished := b.beginJoint("J-18") + "/finished"
	laced := render.Joint(3)
	if bad, err = laced.JPEG(); err != nil {
		b.t.Fatal(err)
	}
	if err := os.WriteFile(file, bad, 0o600); err != nil {
		b.t.Fatal(err)
	}
	b.open(finished)
	b.do(chromedp.SetUploadFiles("[name=photos]", []string{file}, chromedp.ByQuery))
	b.fill("pitch", strconv.FormatFloat(laced.Hinge.Pitch, 'f', -1, 64), "wire", strconv.FormatFloat(laced.Hinge.Wire, 'f', -1, 64))
	b.click(`form[action$="/finished"] button`)
	b.until("the hooks are counted", `document.querySelector("#clinch") !== null && document.readyState === "complete"`)
	b.open("/train")
	b.script(`document.querySelector("[name=person]").value = "Ines"; document.querySelector("form[method=post] [name=seed]").value = "4711"; document.querySelector("[name=questions]").value = "2"; document.querySelector("form[method=post] button").click()`, nil)
	b.until("the question", `document.querySelector("[data-tap] img")?.naturalWidth === 1080`)
	question := b.path()
	b.script(`document.querySelector("[name=verdict][value=recut]").click(); document.querySelector("[data-question] button").click()`, nil)
	b.until("what was measured", `location.pathname.endsWith("/answer") && document.querySelector("#measured .badge") !== null`)
	played := b.path()
	set, err := cfg.Store.Archive.PutCardSet(b.t.Context(), local.Actor, archive.CardSet{Site: site.ID, Number: "Set 3"}, "")
	if err != nil {
		b.t.Fatal(err)
	}
	record := func(answer string) string { return strings.TrimPrefix(answer, "/m/") }
	post := func(path, fields string) string {
		return fmt.Sprintf(`fetch(%q, {method: "POST", body: new URLSearchParams(%s)}).then(r => r.text()).then(t => { document.documentElement.innerHTML = t; })`, path, fields)
	}
	click := func(what string) string { // when the page's script has made it
		return fmt.Sprintf(`(async () => { const find = () => document.querySelector(%q); for (let i = 0; i < 100 && !find(); i++) await new Promise(r => setTimeout(r, 50)); find().click(); await new Promise(r => setTimeout(r, 800)); })()`, what)
	}
	return []shown{
		{"start", "/", ""}, {"joint-new", "/joints/new", ""}, {"joint", joint, ""}, {"photo-first", joint + "/end/leading/drawn_line", ""}, {"photo", joint + "/end/leading/cut", ""},
		{"photo-refused", joint + "/end/trailing/recut", `new Promise(r => setTimeout(r, 1000))`}, {"joint-change", joint + "/change", ""}, {"offline", "/offline", ""},
		{"answer", cut, ""}, {"answer-hand", cut, click(".tools button[aria-expanded]")},
		{"answer-rule", cut, click(".above .tools button")},
		{"pair", joint + "/pair?travel=300", ""}, {"finished-first", joint + "/finished", ""}, {"finished", finished, ""},
		{"joint-plan", joint + "/plan", ""}, {"joint-plan-earlier", joint + "/plan?version=1", ""}, {"joint-plan-first", strings.TrimSuffix(finished, "/finished") + "/plan", ""},
		{"joint-plan-wrong", joint + "/plan", post(joint+"/plan", `{"lead-width": "800", "trail-width": "800", thickness: "5", pulley: "300", fastener: "KH 30", chart: document.querySelector("textarea").value, travel: "-4", version: "2"}`)},
		{"lacing", "/lacing", ""}, {"lacing-plan", "/lacing", post("/lacing", `{"lead-width": "1000", "trail-width": "994", thickness: "5", pulley: "200", fastener: "KH 30", chart: document.querySelector("textarea").value}`)},
		{"tape", "/tape", ""}, {"tape-answer", "/tape", post("/tape", fmt.Sprintf(`{%q: "1603.9,1597.7", up: "1250", "set-out": "corners", width: "1000"}`, plan.Diagonals))},
		{"tape-more", "/tape", `for (const d of document.querySelectorAll("main details")) d.open = true`}, {"tape-step", joint + "/end/leading/cut/tape", ""},
		{"train", "/train", ""}, {"train-show", "/train/show?error=bow&was=bow", ""}, {"train-answer", "/train/answer?error=skew", `new Promise(r => setTimeout(r, 2500))`},
		{"train-question", strings.TrimSuffix(question, "/1") + "/2", ""}, {"train-played", played, ""}, {"train-round", strings.TrimSuffix(question, "/1"), ""}, {"train-cuts", "/train/cuts?person=Ada+Finch", ""},
		{"review", "/review", ""}, {"review-record", "/review/m/" + record(cut), ""}, {"review-compare", "/review/compare/" + record(cut) + "/" + record(again), ""},
		{"review-chart", "/review/chart", ""}, {"review-cards", "/review/cards", ""}, {"review-card-set", "/review/cards/" + set.ID, ""},
		{"account", "/account", ""}, {"people", "/account/people", ""}, {"person", "/account/people/" + made.ID, ""}, {"sign-in", "/sign-in", ""},
		{"components", "/components", ""}, {"problem", "/nothing", ""},
	}
}

// Every page meets the rules for everybody, at phone size, in both languages and the themes.
func TestEveryPageIsAccessible(t *testing.T) {
	b := openBrowser(t)
	all := b.everyPage()
	for _, look := range []string{"lang=en&theme=light", "lang=de&theme=dark", "lang=de&theme=contrast"} {
		for _, choice := range strings.Split(look, "&") {
			b.open("/?" + choice)
		}
		for _, p := range all {
			b.open(p.path)
			if p.script != "" && !strings.HasPrefix(p.script, "fetch") {
				b.script(p.script, nil)
			}
			b.accessible(p.name + " " + look)
		}
	}
	b.size(320, 480) // WCAG 1.4.10: 1280 px at 400 %
	for _, p := range all {
		b.open(p.path)
		b.accessible(p.name + ", narrow")
	}
}

// make screenshots: every page at three sizes, in both languages and the themes, at twice the
// size, and as it is printed; to be looked at. BELTEND_SCREENSHOTS_ONLY names some.
func TestScreenshots(t *testing.T) {
	to, only := os.Getenv("BELTEND_SCREENSHOTS"), os.Getenv("BELTEND_SCREENSHOTS_ONLY")
	if to == "" {
		t.Skip("BELTEND_SCREENSHOTS names no folder")
	}
	if err := os.MkdirAll(to, 0o755); err != nil {
		t.Fatal(err)
	}
	b := openBrowser(t)
	all := b.everyPage()
	phone, tablet, desk := [2]int64{360, 740}, [2]int64{820, 1180}, [2]int64{1440, 900}
	for _, look := range []struct {
		name, choices string
		sizes         [][2]int64
		zoom          float64
	}{
		{"light", "lang=en&theme=light&units=mm", [][2]int64{phone, tablet, desk}, 1},
		{"dark-german", "lang=de&theme=dark&units=mm", [][2]int64{phone, tablet, desk}, 1},
		{"contrast-german", "lang=de&theme=contrast&units=mm", [][2]int64{phone, tablet, desk}, 1},
		{"zoom-inches", "lang=en&theme=light&units=in", [][2]int64{{410, 590}, {720, 450}}, 2},
	} {
		for _, choice := range strings.Split(look.choices, "&") {
			b.open("/?" + choice)
		}
		wanted := func(name string) bool {
			return only == "" || strings.Contains(","+only+",", ","+name+",") || strings.Contains(","+only+",", ","+look.name+",")
		}
		if joint := all[slices.IndexFunc(all, func(p shown) bool { return p.name == "joint" })].path; wanted("record") {
			b.open(joint)
			b.download(joint+"/record.pdf", filepath.Join(to, "record-"+look.name+".pdf"))
		}
		for _, p := range all {
			name := p.name + "-" + look.name
			if !wanted(p.name) {
				continue
			}
			for _, size := range look.sizes {
				b.do(chromedp.EmulateViewport(size[0], size[1], chromedp.EmulateScale(look.zoom)))
				b.open(p.path)
				if p.script != "" {
					b.script(p.script, nil)
				}
				b.shoot(to, name, size)
			}
			if strings.HasPrefix(look.name, "zoom") {
				continue
			}
			b.do(chromedp.ActionFunc(func(ctx context.Context) error {
				data, _, err := page.PrintToPDF().WithPreferCSSPageSize(true).Do(ctx)
				if err != nil {
					return err
				}
				return os.WriteFile(filepath.Join(to, name+".pdf"), data, 0o644)
			}))
		}
	}
}

// download keeps what is at an address, as the person signed in gets it.
func (b *browser) download(path, file string) {
	b.t.Helper()
	var text string
	b.script(fmt.Sprintf(`fetch(%q).then(r => r.ok ? r.blob() : Promise.reject(r.status)).then(blob => new Promise(done => { const f = new FileReader(); f.onload = () => done(f.result.split(",")[1]); f.readAsDataURL(blob); }))`, path), &text)
	data, err := base64.StdEncoding.DecodeString(text)
	if err == nil {
		err = os.WriteFile(file, data, 0o600)
	}
	if err != nil {
		b.t.Fatal(err)
	}
}

// shoot keeps a picture of the whole page.
func (b *browser) shoot(to, name string, size [2]int64) {
	b.t.Helper()
	var shot []byte
	b.do(chromedp.Sleep(400*time.Millisecond), chromedp.ActionFunc(func(ctx context.Context) (err error) {
		_, _, _, _, _, content, err := page.GetLayoutMetrics().Do(ctx)
		if err != nil {
			return err
		}
		shot, err = page.CaptureScreenshot().WithCaptureBeyondViewport(true).WithFormat(page.CaptureScreenshotFormatPng).
			WithClip(&page.Viewport{Width: float64(size[0]), Height: min(content.Height, 6000), Scale: 1}).Do(ctx)
		return err
	}))
	err := os.MkdirAll(to, 0o755)
	if err == nil {
		err = os.WriteFile(filepath.Join(to, fmt.Sprintf("%s-%dx%d.png", name, size[0], size[1])), shot, 0o644)
	}
	if err != nil {
		b.t.Fatal(err)
	}
}
