package account

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"beltend/server/archive"
	"beltend/server/archive/conformance"
)

const good = "a belt laid flat and slack"

var admin = archive.Actor{ID: "local", Name: "Ada"}

type bench struct {
	*Accounts
	archive *archive.Archive
	site    archive.Site
	clock   time.Time
}

func newBench(t *testing.T, at archive.Address) *bench {
	t.Helper()
	a, err := archive.Open(t.Context(), at)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Close() })
	b := &bench{Accounts: New(a), archive: a, clock: time.Date(2026, 3, 31, 6, 0, 0, 0, time.UTC)}
	b.now = func() time.Time { return b.clock }
	if b.site, err = a.PutSite(t.Context(), admin, archive.Site{Name: "Kestrel Hollow Quarry"}, ""); err != nil {
		t.Fatal(err)
	}
	return b
}

func (b *bench) add(t *testing.T, name string, roles ...Role) Account {
	t.Helper()
	a, err := b.Add(t.Context(), admin, Account{Name: name, Roles: roles, Sites: []string{b.site.ID}}, good)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// onBoth runs a test on the embedded archive and, where there is one, on PostgreSQL.
func onBoth(t *testing.T, test func(t *testing.T, b *bench)) {
	t.Run("sqlite", func(t *testing.T) { test(t, newBench(t, archive.Address{Folder: t.TempDir()})) })
	t.Run("postgres", func(t *testing.T) {
		test(t, newBench(t, archive.Address{Database: conformance.StartPostgres(t).Database(t), Photos: t.TempDir()}))
	})
}

func TestASessionLastsUntilItsEnd(t *testing.T) {
	onBoth(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		if any, err := b.Any(ctx); any || err != nil {
			t.Errorf("an empty archive has accounts: %v, %v", any, err)
		}
		made := b.add(t, "Bo Tern", Technician, Reviewer)
		if any, err := b.Any(ctx); !any || err != nil {
			t.Errorf("no account is there: %v, %v", any, err)
		}
		secret, u, err := b.SignIn(ctx, " bo tern ", good, "192.0.2.1")
		if err != nil {
			t.Fatal(err)
		}
		if u.ID != made.ID || u.Name != "Bo Tern" || !u.Sites.Has(b.site.ID) || u.Sites.Has("another") {
			t.Errorf("signed in as %+v", u)
		}
		if !slices.Equal(u.Scopes, []Scope{Read, Measure, Review}) {
			t.Errorf("a technician and reviewer may %v", u.Scopes)
		}
		held := func(want bool) {
			t.Helper()
			got, err := b.Session(ctx, secret)
			if want && (err != nil || got.ID != made.ID) || !want && !errors.Is(err, ErrNoSession) {
				t.Errorf("session: %+v, %v; want held: %v", got, err, want)
			}
		}
		held(true)
		for _, wrong := range []string{"", "x", secret + "x", strings.ToUpper(secret)} {
			if _, err := b.Session(ctx, wrong); !errors.Is(err, ErrNoSession) {
				t.Errorf("session %q: %v", wrong, err)
			}
		}
		b.clock = b.clock.Add(SessionTime - time.Second)
		held(true)
		b.clock = b.clock.Add(2 * time.Second)
		held(false)

		again := func() {
			t.Helper()
			if secret, _, err = b.SignIn(ctx, "Bo Tern", good, "192.0.2.1"); err != nil {
				t.Fatal(err)
			}
			held(true)
		}
		again()
		if err := b.SignOut(ctx, secret); err != nil {
			t.Fatal(err)
		}
		held(false)
		again()
		if err := b.SetPassword(ctx, admin, "bo tern", good+"!"); err != nil {
			t.Fatal(err)
		}
		held(false)
		if _, _, err := b.SignIn(ctx, "Bo Tern", good, "192.0.2.1"); !errors.Is(err, ErrSignIn) {
			t.Errorf("the old password: %v", err)
		}
		if secret, _, err = b.SignIn(ctx, "Bo Tern", good+"!", "192.0.2.1"); err != nil {
			t.Fatal(err)
		}
		if _, err := b.SetDisabled(ctx, admin, "Bo Tern", true); err != nil {
			t.Fatal(err)
		}
		held(false)
		if _, _, err := b.SignIn(ctx, "Bo Tern", good+"!", "192.0.2.1"); !errors.Is(err, ErrSignIn) {
			t.Errorf("a disabled account: %v", err)
		}

		// Everything that was done is in the record, and no secret is.
		events, err := b.archive.Events(ctx, archive.EventQuery{Sites: archive.AllSites(), Limit: 100})
		if err != nil {
			t.Fatal(err)
		}
		seen := map[string]int{}
		for _, e := range events {
			seen[e.What]++
			if strings.Contains(string(e.Payload), "argon2id") || strings.Contains(string(e.Payload), secret) {
				t.Errorf("event %s holds a secret: %s", e.What, e.Payload)
			}
		}
		for what, n := range map[string]int{"account.added": 1, "session.started": 4, "session.ended": 1, "account.password": 1, "account.disabled": 1} {
			if seen[what] != n {
				t.Errorf("%d events %s, want %d", seen[what], what, n)
			}
		}
		if r, err := b.archive.Verify(ctx, archive.VerifyOptions{}); err != nil || len(r.Problems) > 0 {
			t.Errorf("verify: %+v, %v", r, err)
		}
	})
}

func TestSignInsAreLimited(t *testing.T) {
	b := newBench(t, archive.Address{Folder: t.TempDir()})
	ctx := t.Context()
	b.add(t, "Bo Tern", Technician)
	b.add(t, "Cy Wren", Technician)
	var many *TooMany
	for i := range failsByAccount {
		if _, _, err := b.SignIn(ctx, "Bo Tern", "wrong", "192.0.2.1"); !errors.Is(err, ErrSignIn) {
			t.Fatalf("attempt %d: %v", i+1, err)
		}
	}
	if _, _, err := b.SignIn(ctx, "Bo Tern", good, "192.0.2.9"); !errors.As(err, &many) || many.RetryAfter <= 0 || many.RetryAfter > window {
		t.Errorf("after %d failures the right password gives %v", failsByAccount, err)
	}
	if _, _, err := b.SignIn(ctx, "Cy Wren", good, "192.0.2.1"); err != nil {
		t.Errorf("another account suffers: %v", err)
	}
	b.clock = b.clock.Add(window)
	if _, _, err := b.SignIn(ctx, "Bo Tern", good, "192.0.2.9"); err != nil {
		t.Errorf("after the wait: %v", err)
	}
	for i := range failsByAddress {
		if err := b.count(ctx, "account:name "+string(rune('a'+i)), "address:192.0.2.7"); err != nil {
			t.Fatalf("attempt %d from an address: %v", i+1, err)
		}
	}
	if _, _, err := b.SignIn(ctx, "Cy Wren", good, "192.0.2.7"); !errors.As(err, &many) {
		t.Errorf("an address that failed %d times: %v", failsByAddress, err)
	}
	if _, _, err := b.SignIn(ctx, "Cy Wren", good, "192.0.2.8"); err != nil {
		t.Errorf("another address suffers: %v", err)
	}
}

func TestATokenDoesNoMoreThanBothAllow(t *testing.T) {
	onBoth(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		b.add(t, "Bo Tern", Technician)
		day := b.clock.Add(24 * time.Hour)
		if _, _, err := b.AddToken(ctx, admin, "Bo Tern", "", []Scope{Review}, day); !errors.Is(err, archive.Invalid) {
			t.Errorf("a technician's token may review: %v", err)
		}
		if _, _, err := b.AddToken(ctx, admin, "Bo Tern", "", []Scope{Read}, b.clock); !errors.Is(err, archive.Invalid) {
			t.Errorf("a token without time: %v", err)
		}
		secret, tok, err := b.AddToken(ctx, admin, "Bo Tern", "press shop", []Scope{Read}, day)
		if err != nil {
			t.Fatal(err)
		}
		u, err := b.Token(ctx, secret)
		if err != nil || !slices.Equal(u.Scopes, []Scope{Read}) || u.Name != "Bo Tern" || !u.Sites.Has(b.site.ID) {
			t.Errorf("%+v, %v", u, err)
		}
		if _, err := b.Session(ctx, secret); !errors.Is(err, ErrNoSession) {
			t.Errorf("a token serves as session: %v", err)
		}
		if list, err := b.Tokens(ctx, "Bo Tern"); err != nil || len(list) != 1 || list[0].Label != "press shop" || !list[0].Expires.Equal(day) {
			t.Errorf("%+v, %v", list, err)
		}
		b.clock = day
		if _, err := b.Token(ctx, secret); !errors.Is(err, ErrNoSession) {
			t.Errorf("an expired token: %v", err)
		}
		b.clock = day.Add(-time.Hour)
		if err := b.RevokeToken(ctx, admin, tok.ID); err != nil {
			t.Fatal(err)
		}
		if _, err := b.Token(ctx, secret); !errors.Is(err, ErrNoSession) {
			t.Errorf("a revoked token: %v", err)
		}
	})
}

func TestBadAccountsAreRefused(t *testing.T) {
	b := newBench(t, archive.Address{Folder: t.TempDir()})
	site := []string{b.site.ID}
	for name, c := range map[string]struct {
		a        Account
		password string
	}{
		"no name":        {Account{Roles: []Role{Trainer}, Sites: site}, good},
		"no role":        {Account{Name: "Di", Sites: site}, good},
		"unknown role":   {Account{Name: "Di", Roles: []Role{"boss"}, Sites: site}, good},
		"no site":        {Account{Name: "Di", Roles: []Role{Trainer}}, good},
		"unknown site":   {Account{Name: "Di", Roles: []Role{Trainer}, Sites: []string{"nowhere"}}, good},
		"short password": {Account{Name: "Di", Roles: []Role{Trainer}, Sites: site}, "beltconveyo"},
		"one letter":     {Account{Name: "Di", Roles: []Role{Trainer}, Sites: site}, strings.Repeat("a", 20)},
		"the name":       {Account{Name: "Di Siskin Lark", Roles: []Role{Trainer}, Sites: site}, "di siskin lark1"},
		"too long":       {Account{Name: "Di", Roles: []Role{Trainer}, Sites: site}, strings.Repeat("ab", 200)},
	} {
		if _, err := b.Add(t.Context(), admin, c.a, c.password); !errors.Is(err, archive.Invalid) {
			t.Errorf("%s: %v", name, err)
		}
	}
	b.add(t, "Di", Trainer)
	if _, err := b.Add(t.Context(), admin, Account{Name: "DI", Roles: []Role{Trainer}, Sites: site}, good); !errors.Is(err, archive.Conflict) {
		t.Errorf("the same name twice: %v", err)
	}
	if list, err := b.List(t.Context()); err != nil || len(list) != 1 {
		t.Errorf("%+v, %v", list, err)
	}
}

// A copy of the archive takes the accounts along, so that a backup can be used.
func TestACopyHasTheAccounts(t *testing.T) {
	b := newBench(t, archive.Address{Folder: t.TempDir()})
	b.add(t, "Bo Tern", Technician)
	to := t.TempDir()
	if _, err := b.archive.Copy(t.Context(), archive.Address{Folder: to}, nil); err != nil {
		t.Fatal(err)
	}
	c, err := archive.Open(t.Context(), archive.Address{Folder: to})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if _, u, err := New(c).SignIn(t.Context(), "Bo Tern", good, "192.0.2.1"); err != nil || !u.Sites.Has(b.site.ID) {
		t.Errorf("%+v, %v", u, err)
	}
}

func TestAccessChangesAtOnce(t *testing.T) {
	onBoth(t, func(t *testing.T, b *bench) {
		ctx := t.Context()
		a := b.add(t, "Bo Tern", Technician)
		other, err := b.archive.PutSite(ctx, admin, archive.Site{Name: "Kestrel Hollow Grain"}, "")
		if err != nil {
			t.Fatal(err)
		}
		session, _, err := b.SignIn(ctx, "Bo Tern", good, "192.0.2.1")
		if err != nil {
			t.Fatal(err)
		}
		if _, err := b.SetAccess(ctx, admin, a.ID, []Role{Reviewer}, false, []string{other.ID}); err != nil {
			t.Fatal(err)
		}
		u, err := b.Session(ctx, session)
		if err != nil || !slices.Equal(u.Scopes, []Scope{Read, Review}) || u.Sites.Has(b.site.ID) || !u.Sites.Has(other.ID) {
			t.Errorf("the session goes on as %+v, %v", u, err)
		}
		if _, err := b.SetAccess(ctx, admin, a.ID, []Role{Reviewer}, true, nil); err != nil {
			t.Fatal(err)
		}
		if u, err := b.Session(ctx, session); err != nil || !u.Sites.All() {
			t.Errorf("all sites: %+v, %v", u, err)
		}
		for what, err := range map[string]error{
			"no role":      second(b.SetAccess(ctx, admin, a.ID, nil, true, nil)),
			"unknown role": second(b.SetAccess(ctx, admin, a.ID, []Role{"boss"}, true, nil)),
			"no site":      second(b.SetAccess(ctx, admin, a.ID, []Role{Trainer}, false, nil)),
			"both":         second(b.SetAccess(ctx, admin, a.ID, []Role{Trainer}, true, []string{other.ID})),
			"nowhere":      second(b.SetAccess(ctx, admin, a.ID, []Role{Trainer}, false, []string{archive.NewID()})),
		} {
			if !errors.Is(err, archive.Invalid) {
				t.Errorf("%s: %v", what, err)
			}
		}
		if got, err := b.Get(ctx, a.ID); err != nil || !got.AllSites || !slices.Equal(got.Roles, []Role{Reviewer}) {
			t.Errorf("after what was refused: %+v, %v", got, err)
		}
		events, err := b.archive.Events(ctx, archive.EventQuery{Sites: archive.AllSites(), What: "account.changed"})
		if err != nil || len(events) != 2 || events[0].Who != admin.ID || events[0].Subject != "account/"+a.ID {
			t.Errorf("%d events, %v", len(events), err)
		}
	})
}

func second(_ Account, err error) error { return err }

func TestWhoManagesWhom(t *testing.T) {
	adminOf := func(sites ...string) User { return User{Sites: archive.SomeSites(sites...), Scopes: Scopes} }
	all := User{Sites: archive.AllSites(), Scopes: Scopes}
	reviewer := User{Sites: archive.AllSites(), Scopes: []Scope{Read, Review}}
	for _, c := range []struct {
		what         string
		by           User
		of           Account
		sees, manage bool
	}{
		{"the own site's", adminOf("a", "b"), Account{Sites: []string{"a"}}, true, true},
		{"of a shared site and another", adminOf("a"), Account{Sites: []string{"a", "z"}}, true, false},
		{"of another site", adminOf("a"), Account{Sites: []string{"z"}}, false, false},
		{"of all sites", adminOf("a"), Account{AllSites: true}, true, false},
		{"anybody by one of all sites", all, Account{AllSites: true}, true, true},
		{"anybody by one of all sites", all, Account{Sites: []string{"z"}}, true, true},
		{"by a reviewer", reviewer, Account{Sites: []string{"a"}}, false, false},
		{"of all sites by a reviewer", reviewer, Account{AllSites: true}, false, false},
	} {
		if sees, manages := c.by.Sees(c.of), c.by.Manages(c.of); sees != c.sees || manages != c.manage {
			t.Errorf("%s: sees %v, manages %v", c.what, sees, manages)
		}
	}
}
