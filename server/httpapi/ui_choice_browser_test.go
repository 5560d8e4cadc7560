package httpapi

import (
	"fmt"
	"net/http"
	"testing"
)

// Whoever changes language or units keeps what stands in a form, typed or sent; a plan that
// was asked for stands there in the new language.
func TestChoicesKeepWhatIsTyped(t *testing.T) {
	b := openBrowserOn(t, newFake(), func(h http.Handler) http.Handler { return h })
	choose := func(choice string) { // a plan is asked for again at once: the address may be there too briefly to be seen
		t.Helper()
		b.click(`.choices a[href*="` + choice + `"]`)
		shows := map[string]string{"lang=de": `lang === "de"`, "lang=en": `lang === "en"`, "units=in": `dataset.units === "in"`, "units=mm": `dataset.units === undefined`}[choice]
		b.until("the page with "+choice, `document.documentElement.`+shows+` && document.readyState === "complete"`)
	}
	holds := func(pairs ...string) {
		t.Helper()
		for i := 0; i < len(pairs); i += 2 {
			b.until(pairs[i]+" is kept", fmt.Sprintf(`document.querySelector("[name=%s]").value === %q`, pairs[i], pairs[i+1]))
		}
	}

	b.open("/tape")
	b.fill("diagonal-left", "1603.9", "diagonal-right", "1597.7", "up", "1250", "width", "1000", "line-u95", "1")
	b.click(`[name=set-out][value=line]`)
	choose("lang=de")
	holds("diagonal-left", "1603.9", "diagonal-right", "1597.7", "up", "1250", "width", "1000")
	b.until("the choice is kept", `document.querySelector("[name=set-out]:checked").value === "line"`)
	b.script(`document.querySelector("form[data-plan]").requestSubmit()`, nil)
	b.until("the plan", `document.querySelector("main").dataset.posted === "" && document.querySelector(".answer") !== null && document.readyState === "complete"`)
	choose("lang=en")
	b.until("the plan in English", `document.querySelector(".answer") !== null && document.documentElement.lang === "en" && document.readyState === "complete"`)
	holds("up", "1250")
	choose("units=in")
	b.until("the plan in inches", `document.querySelector(".answer") !== null && document.documentElement.dataset.units === "in" && document.readyState === "complete"`)
	holds("up", "1250") // a number without a unit is millimetres wherever it is read
	choose("units=mm")
	b.until("the plan in mm", `document.querySelector(".answer") !== null && document.documentElement.dataset.units === undefined && document.readyState === "complete"`)

	// a form that was sent and refused stands at an address of its own
	b.open("/joints/new")
	b.fill("site", "Kestrel Hollow quarry", "conveyor", "Conveyor 3", "belt", "Belt 3-A", "number", "J-30", "travel", "towards the crusher", "tolerance", "wide")
	b.script(`document.querySelector("main form").noValidate = true; document.querySelector("main form").requestSubmit()`, nil)
	b.until("what is wrong", `location.pathname === "/joints" && document.querySelector(".problem") !== null && document.readyState === "complete"`)
	choose("lang=de")
	holds("number", "J-30", "tolerance", "wide", "travel", "towards the crusher")
	b.until("the form in German", `document.documentElement.lang === "de" && document.querySelector("form[action='/joints']") !== null`)

	// what was typed does not follow to another page, nor to the same page opened afresh
	b.open("/tape")
	b.until("an empty form", `document.querySelector("[name=up]").value === ""`)
	b.open("/joints/new")
	b.until("an empty form", `document.querySelector("[name=number]").value === ""`)
}
