package main

import (
	"bytes"
	"context"
	"net"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"
)

const password = "a belt laid flat and slack\n"

// withInput runs a command that reads standard input.
func withInput(t *testing.T, input string, args ...string) (code int, out, err string) {
	t.Helper()
	var o, e bytes.Buffer
	code = run(context.Background(), args, streams{in: strings.NewReader(input), out: &o, err: &e})
	return code, o.String(), e.String()
}

func TestAccountsAreKeptByTheCommandLine(t *testing.T) {
	data := t.TempDir()
	for _, c := range []struct {
		name, input string
		args        []string
		code        int
		says        string
	}{
		{"no site yet", password, []string{"add", "Bo Tern", "--role", "technician", "--site", "Kestrel Hollow Quarry"}, exitUsage, "beltend account site"},
		{"a site", "", []string{"site", "Kestrel Hollow Quarry", "--two-sign", "yes"}, 0, "two persons"},
		{"no role", password, []string{"add", "Bo Tern", "--site", "Kestrel Hollow Quarry"}, exitUsage, "role"},
		{"unknown role", password, []string{"add", "Bo Tern", "--role", "boss", "--site", "Kestrel Hollow Quarry"}, exitUsage, "role"},
		{"no site given", password, []string{"add", "Bo Tern", "--role", "technician"}, exitUsage, "site"},
		{"no password", "", []string{"add", "Bo Tern", "--role", "technician", "--site", "Kestrel Hollow Quarry"}, exitUsage, "password"},
		{"short password", "short\n", []string{"add", "Bo Tern", "--role", "technician", "--site", "Kestrel Hollow Quarry"}, exitUsage, "password"},
		{"a technician", password, []string{"add", "Bo Tern", "--role", "technician", "--site", "Kestrel Hollow Quarry"}, 0, "Bo Tern"},
		{"twice", password, []string{"add", "bo tern", "--role", "technician", "--site", "Kestrel Hollow Quarry"}, exitFault, "already"},
		{"an administrator", password, []string{"add", "Ada Finch", "--role", "administrator", "--all-sites"}, 0, "Ada Finch"},
		{"the list", "", []string{"list"}, 0, "technician     Kestrel Hollow Quarry  open"},
		{"too much for a technician", "", []string{"token", "Bo Tern", "--scope", "admin"}, exitUsage, "scope"},
		{"a token", "", []string{"token", "Bo Tern", "--scope", "measure", "--label", "press shop"}, 0, "beltend_"},
		{"tokens", "", []string{"token", "Bo Tern"}, 0, "press shop"},
		{"another password", "another " + password, []string{"password", "Bo Tern"}, 0, "changed"},
		{"nobody's password", password, []string{"password", "Nobody"}, exitFault, "no such account"},
		{"closed", "", []string{"disable", "Bo Tern"}, 0, "may not"},
		{"closed in the list", "", []string{"list"}, 0, "disabled"},
		{"open again", "", []string{"enable", "Bo Tern"}, 0, "again"},
	} {
		code, out, err := withInput(t, c.input, append(append([]string{"account"}, c.args...), "--data", data)...)
		if code != c.code || !strings.Contains(out+err, c.says) {
			t.Errorf("%s: exit %d, want %d; %q is not in:\n%s%s", c.name, code, c.code, c.says, out, err)
		}
	}
	if code, out, err := beltend(t, "archive", "verify", "--data", data); code != 0 {
		t.Errorf("verify: exit %d\n%s%s", code, out, err)
	}
}

// Where others can reach it the service starts only with accounts, and then
// lets nobody in without one.
func TestServeElsewhereNeedsAccounts(t *testing.T) {
	data := t.TempDir()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	_, port, _ := net.SplitHostPort(listener.Addr().String())
	listener.Close()
	serve := []string{"serve", "--listen", "0.0.0.0:" + port, "--workers", "1", "--data", data}
	if code, _, err := beltend(t, serve...); code != exitUsage || !strings.Contains(err, "account add") {
		t.Fatalf("without accounts: exit %d, %s", code, err)
	}
	if code, _, err := withInput(t, password, "account", "add", "Ada Finch", "--role", "administrator", "--all-sites", "--data", data); code != 0 {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	var out, stderr lockedBuffer
	ended := make(chan int, 1)
	go func() { ended <- run(ctx, serve, streams{out: &out, err: &stderr}) }()
	for deadline := time.Now().Add(time.Minute); !strings.Contains(out.String(), "serves at") && time.Now().Before(deadline); time.Sleep(50 * time.Millisecond) {
	}
	base := "http://127.0.0.1:" + port
	if resp, err := http.Get(base + "/api/v1/measurements/x"); err != nil || resp.StatusCode != http.StatusUnauthorized {
		t.Errorf("without an account: %v, %v; %s", resp, err, stderr.String())
	}
	client := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := client.PostForm(base+"/sign-in", url.Values{"name": {"Ada Finch"}, "password": {strings.TrimSpace(password)}})
	if err != nil || resp.StatusCode != http.StatusSeeOther || len(resp.Cookies()) == 0 {
		t.Errorf("signing in: %v, %v", resp, err)
	}
	stop()
	select {
	case code := <-ended:
		if code != 0 {
			t.Errorf("stopped with exit %d: %s", code, stderr.String())
		}
	case <-time.After(time.Minute):
		t.Fatal("the service does not stop")
	}
}
