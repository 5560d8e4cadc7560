package httpapi

import (
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"

	"beltend/server/account"
	"beltend/server/archive"
)

func (g *guarded) form(t *testing.T, who, path string, v url.Values) (answer, string) {
	t.Helper()
	resp, body := g.ask(t, who, http.MethodPost, path, strings.NewReader(v.Encode()), "application/x-www-form-urlencoded")
	return resp, string(body)
}

func (g *guarded) account(t *testing.T, name string) account.Account {
	t.Helper()
	a, err := g.accounts.Find(t.Context(), name)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// head is the end of the chain: where it stands still nothing was changed.
func (g *guarded) head(t *testing.T) archive.Head {
	t.Helper()
	h, err := g.store.Archive.Head(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return h
}

func TestAnAdministratorKeepsAccounts(t *testing.T) {
	g := guard(t)
	by, site := "everything here", g.ours.ids["site"]
	resp, _ := g.form(t, by, "/account/people", url.Values{"name": {"Cy Wren"}, "role": {"technician", "trainer"}, "site": {site}, "password": {password}})
	a := g.account(t, "Cy Wren")
	own := "/account/people/" + a.ID
	if resp.StatusCode != http.StatusSeeOther || resp.Header.Get("Location") != own || !slices.Equal(a.Roles, []account.Role{account.Technician, account.Trainer}) || !slices.Equal(a.Sites, []string{site}) {
		t.Fatalf("added: %s to %q, %+v", resp.Status, resp.Header.Get("Location"), a)
	}
	session, _, err := g.accounts.SignIn(t.Context(), "Cy Wren", password, "192.0.2.1")
	if err != nil {
		t.Fatalf("the first password: %v", err)
	}
	for _, c := range []struct {
		path string
		form url.Values
	}{
		{"/access", url.Values{"role": {"reviewer"}, "site": {site}}},
		{"/password", url.Values{"password": {"another " + password}}},
		{"/disabled", url.Values{"disabled": {"yes"}}},
		{"/disabled", url.Values{"disabled": {"no"}}},
	} {
		if resp, body := g.form(t, by, own+c.path, c.form); resp.StatusCode != http.StatusSeeOther {
			t.Errorf("%s: %s %.300s", c.path, resp.Status, body)
		}
	}
	if _, err := g.accounts.Session(t.Context(), session); err == nil {
		t.Error("a session outlives the password")
	}
	if a := g.account(t, "Cy Wren"); !slices.Equal(a.Roles, []account.Role{account.Reviewer}) || a.Disabled {
		t.Errorf("%+v", a)
	}
	if _, _, err := g.accounts.SignIn(t.Context(), "Cy Wren", "another "+password, "192.0.2.1"); err != nil {
		t.Errorf("the new password: %v", err)
	}
	resp, page := g.form(t, by, own+"/tokens", url.Values{"scope": {"read", "review"}, "label": {"office"}, "days": {"30"}})
	secret := regexp.MustCompile(`beltend_[A-Za-z0-9_-]+`).FindString(page)
	if u, err := g.accounts.Token(t.Context(), secret); err != nil || u.ID != a.ID || !slices.Equal(u.Scopes, []account.Scope{account.Read, account.Review}) {
		t.Errorf("the token %q: %+v, %v", secret, u, err)
	}
	if resp.Header.Get("Cache-Control") != "no-store" {
		t.Error("the page with the secret may be kept by the browser")
	}
	tokens, err := g.accounts.Tokens(t.Context(), "Cy Wren")
	if err != nil || len(tokens) != 1 || tokens[0].Label != "office" {
		t.Fatalf("%+v, %v", tokens, err)
	}
	_, shown := g.ask(t, by, "GET", own, nil, "")
	for _, want := range []string{"office", "Cy Wren", "Alpha quarry", "roles or sites changed", "account closed", "password changed", "signed in"} {
		if !strings.Contains(string(shown), want) {
			t.Errorf("the account's page lacks %q", want)
		}
	}
	if strings.Contains(string(shown), secret) {
		t.Error("the secret is shown again")
	}
	if resp, _ := g.form(t, by, own+"/tokens/"+tokens[0].ID+"/revoke", nil); resp.StatusCode != http.StatusSeeOther {
		t.Errorf("revoking: %s", resp.Status)
	}
	if _, err := g.accounts.Token(t.Context(), secret); err == nil {
		t.Error("a revoked token serves")
	}
	_, list := g.ask(t, by, "GET", "/account/people", nil, "")
	for _, want := range []string{"Cy Wren", "technician", "everything here", "Alpha quarry"} {
		if !strings.Contains(string(list), want) {
			t.Errorf("the list lacks %q", want)
		}
	}
	if strings.Contains(string(list), "everything there") {
		t.Error("the list shows an account of another site")
	}
	// Every act is an event by the administrator.
	events, err := g.store.Archive.Events(t.Context(), archive.EventQuery{Sites: archive.AllSites(), Subject: "account/" + a.ID, Limit: 100})
	if err != nil {
		t.Fatal(err)
	}
	acts := map[string]int{}
	for _, e := range events {
		if e.Name == by {
			acts[e.What]++
		}
		if strings.Contains(string(e.Payload), password) || strings.Contains(string(e.Payload), "argon2") {
			t.Errorf("event %s holds a secret", e.What)
		}
	}
	for _, what := range []string{"account.added", "account.changed", "account.password", "account.disabled", "account.enabled"} {
		if acts[what] != 1 {
			t.Errorf("%d events %s by the administrator", acts[what], what)
		}
	}
	// A site asks for two persons, and for one again.
	for _, want := range []bool{true, false} {
		resp, _ := g.form(t, by, "/account/sites/"+site, url.Values{"two-sign": {map[bool]string{true: "yes", false: "no"}[want]}})
		if s, err := g.store.Archive.Site(t.Context(), archive.AllSites(), site); err != nil || s.TwoSign != want || resp.StatusCode != http.StatusSeeOther {
			t.Errorf("two persons %v: %s, %+v, %v", want, resp.Status, s, err)
		}
	}
	// It keeps locations in its photos, and says so where photos are taken; the other setting stays.
	now, err := g.store.Archive.Site(t.Context(), archive.AllSites(), site)
	if err == nil {
		now.TwoSign = true
		_, err = g.store.Archive.PutSite(t.Context(), local.Actor, now, "")
	}
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []bool{true, false} {
		resp, _ := g.form(t, by, "/account/sites/"+site, url.Values{"keep-location": {map[bool]string{true: "yes", false: "no"}[want]}})
		if s, err := g.store.Archive.Site(t.Context(), archive.AllSites(), site); err != nil || s.KeepLocation != want || !s.TwoSign || resp.StatusCode != http.StatusSeeOther {
			t.Errorf("locations kept %v: %s, %+v, %v", want, resp.Status, s, err)
		}
		_, body := g.ask(t, by, "GET", "/joints/"+g.ours.ids["joint"]+"/end/leading/cut", nil, "")
		if said := strings.Contains(string(body), "This site keeps the place"); said != want || strings.Contains(string(body), "is removed from it before") == want {
			t.Errorf("locations kept %v: the page says %v", want, said)
		}
	}
}

// What an administrator of one site must not do, and what nobody else may.
func TestAnAdministratorStaysAtTheOwnSites(t *testing.T) {
	g := guard(t)
	ctx, by, site, theirs := t.Context(), "everything here", g.ours.ids["site"], g.theirs.ids["site"]
	both, err := g.accounts.Add(ctx, local.Actor, account.Account{Name: "at both", Roles: []account.Role{account.Reviewer}, Sites: []string{site, theirs}}, password)
	if err != nil {
		t.Fatal(err)
	}
	whole, err := g.accounts.Add(ctx, local.Actor, account.Account{Name: "of all sites", Roles: []account.Role{account.Administrator}, AllSites: true}, password)
	if err != nil {
		t.Fatal(err)
	}
	_, _, err = g.accounts.AddToken(ctx, local.Actor, "everything there", "Zulu token", []account.Scope{account.Read}, whole.Added.AddDate(0, 1, 0))
	if err != nil {
		t.Fatal(err)
	}
	zulu, err := g.accounts.Tokens(ctx, "everything there")
	if err != nil {
		t.Fatal(err)
	}
	self, tech, there := g.account(t, by), g.account(t, "technician"), g.account(t, "everything there")
	person := func(a account.Account) string { return "/account/people/" + a.ID }
	add := func(change url.Values) url.Values {
		v := url.Values{"name": {"New One"}, "role": {"technician"}, "site": {site}, "password": {password}}
		for k := range change {
			v[k] = change[k]
		}
		return v
	}
	before := g.head(t)
	for _, c := range []struct {
		what, who, path string
		form            url.Values
		want            int
	}{
		{"an account of another site", by, person(there) + "/disabled", url.Values{"disabled": {"yes"}}, 404},
		{"its password", by, person(there) + "/password", url.Values{"password": {password}}, 404},
		{"its roles", by, person(there) + "/access", url.Values{"role": {"trainer"}, "site": {site}}, 404},
		{"a token for it", by, person(there) + "/tokens", url.Values{"scope": {"read"}, "days": {"9"}}, 404},
		{"its token", by, person(there) + "/tokens/" + zulu[0].ID + "/revoke", nil, 404},
		{"its token by another's address", by, person(tech) + "/tokens/" + zulu[0].ID + "/revoke", nil, 404},
		{"its token as an own one", by, "/account/tokens/" + zulu[0].ID + "/revoke", nil, 404},
		{"one that belongs elsewhere too", by, person(both) + "/disabled", url.Values{"disabled": {"yes"}}, 403},
		{"its password", by, person(both) + "/password", url.Values{"password": {password}}, 403},
		{"one of all sites", by, person(whole) + "/password", url.Values{"password": {password}}, 403},
		{"a token for one of all sites", by, person(whole) + "/tokens", url.Values{"scope": {"admin"}, "days": {"9"}}, 403},
		{"another's site given", by, "/account/people", add(url.Values{"site": {theirs}}), 400},
		{"the own and another's", by, "/account/people", add(url.Values{"site": {site, theirs}}), 400},
		{"all sites given", by, "/account/people", add(url.Values{"all-sites": {"yes"}}), 400},
		{"another's site given later", by, person(tech) + "/access", url.Values{"role": {"technician"}, "site": {theirs}}, 400},
		{"all sites given later", by, person(tech) + "/access", url.Values{"role": {"technician"}, "all-sites": {"yes"}}, 400},
		{"no role", by, "/account/people", add(url.Values{"role": nil}), 400},
		{"an unknown role", by, person(tech) + "/access", url.Values{"role": {"boss"}, "site": {site}}, 400},
		{"no site", by, "/account/people", add(url.Values{"site": nil}), 400},
		{"a short password", by, "/account/people", add(url.Values{"password": {"short"}}), 400},
		{"a name that is taken", by, "/account/people", add(url.Values{"name": {"Technician"}}), 409},
		{"the own role", by, person(self) + "/access", url.Values{"role": {"technician"}, "site": {site}}, 400},
		{"the own account", by, person(self) + "/disabled", url.Values{"disabled": {"yes"}}, 400},
		{"the own password without the old", by, person(self) + "/password", url.Values{"password": {password + "!"}}, 400},
		{"a token beyond the roles", by, person(tech) + "/tokens", url.Values{"scope": {"review"}, "days": {"9"}}, 400},
		{"a token for ever", by, person(tech) + "/tokens", url.Values{"scope": {"read"}, "days": {"99999"}}, 400},
		{"a token for no time", by, person(tech) + "/tokens", url.Values{"scope": {"read"}, "days": {"0"}}, 400},
		{"a token that may nothing", by, person(tech) + "/tokens", url.Values{"days": {"9"}}, 400},
		{"a site", by, "/account/sites", url.Values{"site-name": {"New"}}, 403},
		{"another's site", by, "/account/sites/" + theirs, url.Values{"two-sign": {"yes"}}, 404},
		{"an account by a technician", "technician", "/account/people", add(nil), 403},
		{"a password by a reviewer", "reviewer", person(tech) + "/password", url.Values{"password": {password}}, 403},
		{"roles by a trainer", "trainer", person(tech) + "/access", url.Values{"role": {"administrator"}, "site": {site}}, 403},
		{"a site by a reviewer", "reviewer", "/account/sites/" + site, url.Values{"two-sign": {"yes"}}, 403},
		{"an own token beyond the roles", "technician", "/account/tokens", url.Values{"scope": {"admin"}, "days": {"9"}}, 400},
		{"by nobody", "", person(tech) + "/password", url.Values{"password": {password}}, 303}, // to sign in
	} {
		resp, body := g.form(t, c.who, c.path, c.form)
		if resp.StatusCode != c.want || strings.Contains(body, "Zulu") || strings.Contains(body, "beltend_") {
			t.Errorf("%s: %s, want %d\n%.300s", c.what, resp.Status, c.want, body)
		}
		if now := g.head(t); now != before {
			t.Fatalf("%s was done", c.what)
		}
	}
	for path, want := range map[string]int{person(there): 404, person(both): 200, person(whole): 200, person(tech): 200, "/account/people": 200, "/account/people/x": 404} {
		resp, body := g.ask(t, by, "GET", path, nil, "")
		if resp.StatusCode != want || strings.Contains(string(body), "Zulu") {
			t.Errorf("%s: %s, want %d; another's site is named: %v", path, resp.Status, want, strings.Contains(string(body), "Zulu"))
		}
	}
	if _, body := g.ask(t, by, "GET", person(both), nil, ""); !strings.Contains(string(body), "and sites beyond yours") || strings.Contains(string(body), "<form method=\"post\" action=\"/account/people") {
		t.Error("an account that belongs elsewhere too can be changed")
	}
	for _, who := range []string{"technician", "trainer", "reviewer"} {
		for _, path := range []string{"/account/people", person(tech)} {
			if resp, _ := g.ask(t, who, "GET", path, nil, ""); resp.StatusCode != 403 {
				t.Errorf("%s sees %s: %s", who, path, resp.Status)
			}
		}
		if _, body := g.ask(t, who, "GET", "/account", nil, ""); strings.Contains(string(body), "/account/people") {
			t.Errorf("%s is offered the others' accounts", who)
		}
	}
}

func TestAnAdministratorOfAllSitesBeginsOne(t *testing.T) {
	g := guard(t)
	if _, err := g.accounts.Add(t.Context(), local.Actor, account.Account{Name: "of all sites", Roles: []account.Role{account.Administrator}, AllSites: true}, password); err != nil {
		t.Fatal(err)
	}
	secret, _, err := g.accounts.AddToken(t.Context(), local.Actor, "of all sites", "", account.Scopes, g.account(t, "of all sites").Added.AddDate(0, 1, 0))
	if err != nil {
		t.Fatal(err)
	}
	g.tokens["of all sites"] = secret
	if resp, body := g.form(t, "of all sites", "/account/sites", url.Values{"site-name": {"Kestrel Hollow Grain"}, "two-sign": {"yes"}}); resp.StatusCode != http.StatusSeeOther {
		t.Fatalf("%s %.300s", resp.Status, body)
	}
	if resp, body := g.form(t, "of all sites", "/account/sites", url.Values{"site-name": {"Kestrel Hollow Grain"}}); resp.StatusCode != http.StatusConflict || !strings.Contains(body, `role="alert"`) {
		t.Errorf("twice: %s", resp.Status)
	}
	if resp, _ := g.form(t, "of all sites", "/account/people", url.Values{"name": {"Cy Wren"}, "role": {"trainer"}, "all-sites": {"yes"}, "password": {password}}); resp.StatusCode != http.StatusSeeOther || !g.account(t, "Cy Wren").AllSites {
		t.Errorf("all sites given: %s", resp.Status)
	}
	if _, body := g.ask(t, "of all sites", "GET", "/account/people/"+g.account(t, "Cy Wren").ID, nil, ""); !strings.Contains(string(body), `name="all-sites" value="yes" checked`) {
		t.Error("the page does not show that the account is of all sites")
	}
	if _, body := g.ask(t, "of all sites", "GET", "/account/people?lang=de", nil, ""); !strings.Contains(string(body), "Wer sich anmelden darf") || !strings.Contains(string(body), "everything there") {
		t.Error("the list in German, or an account, is missing")
	}
}

func TestOwnTokens(t *testing.T) {
	g := guard(t)
	resp, page := g.form(t, "technician", "/account/tokens", url.Values{"scope": {"measure"}, "label": {"press shop"}, "days": {"7"}})
	secret := regexp.MustCompile(`beltend_[A-Za-z0-9_-]+`).FindString(page)
	u, err := g.accounts.Token(t.Context(), secret)
	if resp.StatusCode != 200 || err != nil || u.Name != "technician" || !slices.Equal(u.Scopes, []account.Scope{account.Measure}) {
		t.Fatalf("%s: %+v, %v", resp.Status, u, err)
	}
	// A token makes no token that may more than itself.
	g.tokens["a program"] = secret
	if resp, _ := g.form(t, "a program", "/account/tokens", url.Values{"scope": {"read"}, "days": {"7"}}); resp.StatusCode != http.StatusForbidden {
		t.Errorf("a token that may only measure makes one that looks: %s", resp.Status)
	}
	tokens, err := g.accounts.Tokens(t.Context(), "technician")
	if err != nil || len(tokens) != 2 {
		t.Fatalf("%+v, %v", tokens, err)
	}
	i := slices.IndexFunc(tokens, func(one account.Token) bool { return one.Label == "press shop" })
	if resp, _ := g.form(t, "technician", "/account/tokens/"+tokens[i].ID+"/revoke", nil); resp.StatusCode != http.StatusSeeOther {
		t.Errorf("revoking: %s", resp.Status)
	}
	if _, err := g.accounts.Token(t.Context(), secret); err == nil {
		t.Error("a revoked token serves")
	}
}
