package httpapi

import (
	"os"
	"testing"

	"beltend/server/account"
	"beltend/server/archive"
)

// An administrator at a phone: signs in, adds somebody, makes a token. Each page
// as axe-core wants it, in both languages, and as a picture where one is asked for
// (make screenshots).
func TestAccountScreenshotsAndPages(t *testing.T) {
	b, g := openBrowser(t), guard(t)
	b.url = g.server.URL
	if _, err := g.accounts.Add(t.Context(), local.Actor, account.Account{Name: "Ada Finch", Roles: []account.Role{account.Administrator}, AllSites: true}, password); err != nil {
		t.Fatal(err)
	}
	if _, err := g.store.Archive.PutSite(t.Context(), local.Actor, archive.Site{Name: "Kestrel Hollow Grain Terminal, north loading pier", TwoSign: true}, ""); err != nil {
		t.Fatal(err)
	}
	look := func(name string) {
		t.Helper()
		b.accessible(name)
		if to := os.Getenv("BELTEND_SCREENSHOTS"); to != "" {
			for _, size := range [][2]int64{{360, 740}, {1440, 900}} {
				b.size(size[0], size[1])
				b.shoot(to, "account-"+name, size)
			}
			b.size(360, 740)
		}
	}
	press := func(form string) string {
		return `(() => { const f = document.querySelector("form[action='` + form + `']"); f.querySelector("[type=submit]").click(); })()`
	}
	b.open("/account/people")
	look("sign-in")
	b.script(`document.querySelector("[name=name]").value = "Ada Finch"; document.querySelector("[name=password]").value = "`+password+`"; `+press("/sign-in"), nil)
	b.until("the accounts", `location.pathname === "/account/people" && document.querySelector("h1")`)
	look("people")
	b.script(`(() => { const f = document.querySelector("form[action='/account/people']"); f.elements.name.value = "Bo Tern"; f.elements.password.value = "short"; f.querySelector("[value=technician]").click(); f.elements.site[0].click(); })(); `+press("/account/people"), nil)
	b.until("what is wrong", `document.querySelector("[role=alert]")`)
	look("people-wrong")
	b.script(`document.querySelector("form[action='/account/people']").elements.password.value = "`+password+`"; `+press("/account/people"), nil)
	b.until("the new account", `document.querySelector("h1")?.textContent.startsWith("Bo Tern")`)
	look("person")
	b.script(`(() => { const f = [...document.forms].find(f => f.action.endsWith("/tokens")); f.closest("details").open = true; f.elements.label.value = "Press shop"; f.elements.scope[0].click(); f.querySelector("[type=submit]").click(); })()`, nil)
	b.until("the secret", `document.querySelector(".secret")?.textContent.includes("beltend_")`)
	look("token")
	b.open("/account?lang=de&theme=dark")
	look("own-german")
	b.open("/account/people")
	look("people-german")
	b.open("/review?review=&lang=en&theme=light")
	look("review")
}
