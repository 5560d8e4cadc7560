package httpapi

import (
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"beltend/server/training"
)

// A trainee's round: one question by tapping, one by keyboard alone, the
// answers with what beltend really measures, the points.
func TestTraineeInTheBrowser(t *testing.T) {
	b := openBrowser(t)
	b.open("/train")
	b.accessible("training")
	b.script(`document.querySelector("[name=person]").value = "Ines"; document.querySelector("form[method=post] [name=seed]").value = "4711"; document.querySelector("[name=questions]").value = "2"; document.querySelector("form[method=post] button").click()`, nil)
	b.until("the photo", `document.querySelector("[data-tap] img")?.naturalWidth === 1080 && document.querySelector("[data-wait]").hidden`)
	b.accessible("question")

	// a tap sets the mark where it was tapped
	var at struct{ X, Y, Left, Top, W, H float64 }
	b.script(`(() => { scrollTo(0, 0); const r = document.querySelector("[data-tap] img").getBoundingClientRect(); return {Left: r.left, Top: r.top, W: r.width, H: r.height} })()`, &at)
	b.do(chromedp.MouseClickXY(at.Left+0.25*at.W, at.Top+0.6*at.H))
	b.until("the mark", `!document.querySelector(".cross").hidden && document.querySelector("[name=cut]").checked`)
	b.script(`({X: Number(document.querySelector("[name=tap_x]").value), Y: 1 - Number(document.querySelector("[name=tap_up]").value)})`, &at)
	if d := max(abs(at.X-0.25), abs(at.Y-0.6)); d > 0.006 { // 2 px on a phone
		t.Errorf("tapped at 0.25, 0.6, taken as %.4f, %.4f", at.X, at.Y)
	}
	b.script(`document.querySelector("[name=verdict][value=recut]").click(); document.querySelector("[data-question] button").click()`, nil)
	b.until("what was measured", `location.pathname.endsWith("/1/answer") && document.querySelector("#measured .badge") !== null && !document.querySelector("#measured").hasAttribute("aria-busy")`)
	b.accessible("answer")
	b.open("/train?theme=dark&lang=de")
	b.accessible("training, dark and German")

	// the second question without a mouse, dark and German
	b.script(`document.querySelector("tbody a").click()`, nil)
	b.until("the round", `location.pathname.startsWith("/train/rounds/") && document.querySelector(".answer a.button")`)
	b.accessible("round")
	b.do(chromedp.Focus(`.answer a.button`, chromedp.ByQuery), chromedp.KeyEvent(kb.Enter))
	b.until("the second question", `location.pathname.endsWith("/2") && document.querySelector("[data-tap] img")?.complete`)
	b.accessible("question, dark and German")
	b.do(chromedp.Focus(`[name=verdict]`, chromedp.ByQuery), chromedp.KeyEvent(kb.ArrowRight),
		chromedp.KeyEvent(kb.Tab), chromedp.KeyEvent(kb.ArrowRight), chromedp.KeyEvent(kb.Tab), chromedp.KeyEvent("3,5"),
		chromedp.KeyEvent(kb.Tab), chromedp.KeyEvent(kb.Tab), chromedp.KeyEvent(kb.ArrowRight))
	b.until("the mark by keyboard", `!document.querySelector(".cross").hidden && document.querySelector("[name=tap_up]").value === "0.301"`)
	b.do(chromedp.KeyEvent(kb.Tab), chromedp.KeyEvent(kb.Enter))
	b.until("the second answer", `location.pathname.endsWith("/2/answer") && document.querySelector(".marks").innerText.includes("3,5")`)
	b.size(1440, 900)
	b.accessible("answer, wide")
}

// The trainer's part: choose an error and its size, see the answer of each
// kind, draw a large photo.
func TestTrainerInTheBrowser(t *testing.T) {
	b := openBrowser(t)
	b.size(1440, 900)
	b.open("/train/show?error=skew&was=skew")
	b.until("the scripts", `document.readyState === "complete"`)
	b.script(`(() => { const s = document.querySelector("[data-settings] [name=size]"); s.value = "-12"; s.dispatchEvent(new Event("input")) })()`, nil)
	b.until("the slider's figure", `document.querySelector("output").textContent === "-12.0 mm"`)
	b.accessible("exercise")
	b.script(`(() => { const e = document.querySelector("select[name=error]"); e.value = "bow"; e.dispatchEvent(new Event("change")) })()`, nil)
	b.until("the other error's slider", `location.search.includes("error=bow") && document.querySelector("[data-settings] [name=size]")?.value === "6"`)
	for _, code := range []string{training.None, "bow", "small_card"} {
		b.open("/train/answer?error=" + code)
		b.until("what was measured", `document.querySelector("#measured .badge") !== null`)
		b.accessible("answer of " + code)
	}
	b.size(820, 1180)
	b.open("/train/cuts?person=nobody")
	b.accessible("cuts")
}
