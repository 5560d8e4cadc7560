package httpapi

import (
	"fmt"
	"path/filepath"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"beltend/server/archive"
)

// tabTo goes on with Tab until a condition in JavaScript holds.
func (b *browser) tabTo(what, js string) {
	b.t.Helper()
	for range 120 {
		var there bool
		b.do(chromedp.KeyEvent(kb.Tab))
		if b.script(js, &there); there {
			return
		}
	}
	b.t.Fatalf("no way by Tab to %s, at %s", what, b.path())
}

// The reviewer's whole task: find what waits, look at it with its events, send the cut back,
// compare it with the re-cut, accept that one by keyboard alone, take everything away.
func TestReviewerInTheBrowser(t *testing.T) {
	b := openBrowser(t)
	b.size(1440, 900)
	joint := b.beginJoint("J-9")
	b.open(joint + "/end/leading/cut")
	b.send(sample(t))
	b.answered()
	square, err := filepath.Abs("../../testdata/sample/belt-end.heic")
	if err != nil {
		t.Fatal(err)
	}
	b.open(joint + "/end/leading/recut")
	b.send(square)
	b.answered()

	b.open("/review")
	b.accessible("list")
	b.fill("text", "J-9")
	b.script(`document.querySelector("[name=verdict]").value = "recut"; document.querySelector("form[role=search] button").click()`, nil)
	b.until("the cut alone", `location.search.includes("verdict=recut") && document.querySelectorAll(".records tbody tr").length === 1 && document.readyState === "complete"`)
	b.click(`.records tbody a`)
	b.until("its record", `location.pathname.startsWith("/review/m/") && document.querySelector("form [name=outcome]") && document.readyState === "complete"`)
	b.accessible("record")
	cut := b.path()
	b.open(cut + "?lang=de")
	b.until("pictures in the page's language", `(all => all.length > 2 && all.every(i => new URL(i.src).searchParams.get("lang") === "de"))([...document.querySelectorAll("img[src^='/api/v1/measurements/']")])`)
	b.open(cut + "?lang=en")
	var accept bool
	if b.script(`document.querySelector("[name=outcome][value=accepted]") !== null`, &accept); accept {
		t.Error("what is to be cut again can be accepted")
	}
	b.script(`document.querySelector("[value=sent_back]").click(); document.querySelector("form[action^='/review/m'] button").click()`, nil)
	b.until("a reason is asked for", `document.querySelector(".problem") !== null`)
	b.accessible("record with a problem")
	b.script(`document.querySelector("[value=sent_back]").click(); document.querySelector("[name=reason]").value = "left side 6 mm long"; document.querySelector("form[action^='/review/m'] button").click()`, nil)
	b.until("sent back, with its event", `document.querySelector(".signs") && `+b.says("left side 6 mm long"))

	// before and after in one frame; the slider goes by keys
	b.click(`a[href^="/review/compare/"]`)
	b.until("both pictures", `location.pathname.startsWith("/review/compare/") && [...document.querySelectorAll(".slide img")].length === 2 && [...document.querySelectorAll(".slide img")].every(i => i.naturalWidth > 100)`)
	b.until("the slider", `!document.querySelector(".slider").hidden`)
	b.accessible("before and after")
	b.do(chromedp.Focus(`#slider`, chromedp.ByQuery), chromedp.KeyEvent(kb.ArrowRight), chromedp.KeyEvent(kb.ArrowRight))
	b.until("moved", `Number(document.querySelector("#slider").value) > 50`)

	// the re-cut is found among what waits and accepted without a mouse
	b.open("/review?review=open")
	b.tabTo("the re-cut", `document.activeElement.matches(".records tbody a")`)
	b.do(chromedp.KeyEvent(kb.Enter))
	b.until("the re-cut's record", `location.pathname.startsWith("/review/m/") && location.pathname !== "`+cut+`" && document.querySelector("[value=accepted]") && document.readyState === "complete"`)
	b.tabTo("the outcome", `document.activeElement.name === "outcome"`)
	b.do(chromedp.KeyEvent(" "))
	b.tabTo("the signature", `document.activeElement.closest("form[action^='/review/m']") !== null && document.activeElement.type === "submit"`)
	b.do(chromedp.KeyEvent(kb.Enter))
	b.until("accepted", `document.querySelector(".signs") && `+b.says("accepted, Ada Finch"))

	// what is taken away is there, whole
	var status float64
	for _, link := range []string{`a[href^="/review/measurements.csv"]`, `a[href^="/api/v1/export.zip"]`} {
		b.script(fmt.Sprintf(`fetch(document.querySelector(%q).href).then(async r => r.ok && (await r.arrayBuffer()).byteLength > 300 ? 200 : r.status)`, link), &status)
		if status != 200 {
			t.Errorf("%s: %.0f", link, status)
		}
	}
	report, err := b.cfg.Store.Archive.Verify(t.Context(), archive.VerifyOptions{})
	if err != nil || len(report.Problems) != 0 {
		t.Errorf("the record: %+v, %v", report, err)
	}

	// a card set, checked with a rule
	b.open("/review/cards")
	b.accessible("card sets")
	b.fill("number", "KH-2", "cards", "1-4")
	b.click(`main form[method=post] button`)
	b.until("its page", `document.querySelector("[name=across]") !== null && document.readyState === "complete"`)
	b.fill("across", "199.6", "up", "149.7", "rule", "steel rule 3")
	b.script(`document.querySelector("[name=good][value=yes]").click(); document.querySelector("main form[method=post] button").click()`, nil)
	b.until("checked", b.says("steel rule 3"))
	b.accessible("card set")

	b.open("/review/chart")
	b.until("a chart", `document.querySelector("svg.control") !== null`)
	b.accessible("chart")
	b.open("/review?theme=dark&lang=de")
	b.accessible("list, dark and German")
	b.size(360, 740)
	b.open(cut)
	b.accessible("record, dark, German, on a phone")
}
