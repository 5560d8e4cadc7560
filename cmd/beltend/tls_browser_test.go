package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/pem"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// At another machine's address, over the certificate the service made itself, a phone that
// trusts its authority opens a page that it has seen when the service is out of reach; one
// that does not trust it is kept out.
func TestPagesOpenWithoutNetworkOverOwnTLS(t *testing.T) {
	if testing.Short() {
		t.Skip("a browser takes long: not in a short run, nor a second time under the race detector")
	}
	program, err := exec.LookPath("chromium")
	if err != nil {
		t.Skip("there is no chromium here")
	}
	data, name := t.TempDir(), ownName(t)
	for _, args := range [][]string{{"site", "Kestrel Hollow Quarry"}, {"add", "Bo Tern", "--role", "technician", "--site", "Kestrel Hollow Quarry"}} {
		if code, out, err := withInput(t, password, append(append([]string{"account"}, args...), "--data", data)...); code != 0 {
			t.Fatal(out, err)
		}
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	_, port, _ := net.SplitHostPort(l.Addr().String())
	l.Close()
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	var out, stderr lockedBuffer
	ended := make(chan int, 1)
	go func() {
		ended <- run(ctx, []string{"serve", "--tls", "--listen", "0.0.0.0:" + port, "--workers", "1", "--data", data}, streams{out: &out, err: &stderr})
	}()
	for deadline := time.Now().Add(2 * time.Minute); !strings.Contains(out.String(), "serves at") && time.Now().Before(deadline); time.Sleep(50 * time.Millisecond) {
	}
	at := "https://" + net.JoinHostPort(name, port)

	if err := chromedp.Run(phone(t, program, name), chromedp.Navigate(at+"/sign-in")); err == nil || !strings.Contains(err.Error(), "CERT") {
		t.Errorf("a phone that does not trust the authority: %v", err)
	}

	b := phone(t, program, name, chromedp.Flag("ignore-certificate-errors-spki-list", authorityPin(t, filepath.Join(data, "tls.pem"))))
	do := func(what string, actions ...chromedp.Action) {
		t.Helper()
		if err := chromedp.Run(b, actions...); err != nil {
			t.Fatalf("%s: %v\n%s", what, err, stderr.String())
		}
	}
	is := func(js string) (ok bool) {
		do(js, chromedp.Evaluate(js, &ok, func(p *runtime.EvaluateParams) *runtime.EvaluateParams { return p.WithAwaitPromise(true) }))
		return ok
	}
	until := func(what, js string) {
		t.Helper()
		for end := time.Now().Add(time.Minute); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
			var ok bool // an error means that the page is just changing
			if err := chromedp.Run(b, chromedp.Evaluate(js, &ok, func(p *runtime.EvaluateParams) *runtime.EvaluateParams { return p.WithAwaitPromise(true) })); err == nil && ok {
				return
			}
		}
		t.Fatalf("never: %s", what)
	}
	do("open", chromedp.Navigate(at+"/sign-in"), chromedp.WaitReady("footer"),
		chromedp.SetValue("[name=name]", "Bo Tern", chromedp.ByQuery), chromedp.SetValue("main [name=password]", strings.TrimSpace(password), chromedp.ByQuery))
	do("sign in", chromedp.Evaluate(`document.querySelector("main form button").click()`, nil))
	until("signed in", `location.pathname === "/" && document.readyState === "complete"`)
	if !is(`isSecureContext`) {
		t.Error("the connection does not count as secure")
	}
	until("the service worker", `navigator.serviceWorker.ready.then(() => navigator.serviceWorker.controller !== null)`)
	do("a page", chromedp.Navigate(at+"/joints/new"), chromedp.WaitReady("footer"))
	until("the page is kept", `caches.open("beltend-pages").then(c => c.match(location.href)).then(Boolean)`)

	stop()
	if code := <-ended; code != 0 {
		t.Errorf("the service ended with %d: %s", code, stderr.String())
	}
	do("the page without the service", chromedp.Navigate(at+"/joints/new"), chromedp.WaitReady("footer"))
	if !is(`document.querySelector("form[action='/joints'] [name=number]") !== null && getComputedStyle(document.querySelector("main button")).minHeight === "56px"`) {
		t.Error("the page opens without its form or its style sheet")
	}
}

// phone is a browser that finds the service by its name, as others do by multicast.
func phone(t *testing.T, program, name string, more ...chromedp.ExecAllocatorOption) context.Context {
	t.Helper()
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(program), chromedp.NoSandbox, chromedp.WSURLReadTimeout(3*time.Minute), chromedp.Flag("host-resolver-rules", "MAP "+name+" 127.0.0.1"))
	allocated, stop := chromedp.NewExecAllocator(t.Context(), append(options, more...)...)
	t.Cleanup(stop)
	ctx, closeTab := chromedp.NewContext(allocated, chromedp.WithBrowserOption(chromedp.WithDialTimeout(time.Minute)), chromedp.WithErrorf(func(string, ...any) {}))
	t.Cleanup(closeTab)
	ctx, cancel := context.WithTimeout(ctx, 5*time.Minute)
	t.Cleanup(cancel)
	return ctx
}

func ownName(t *testing.T) string {
	t.Helper()
	name, err := os.Hostname()
	if err != nil {
		t.Fatal(err)
	}
	short, _, _ := strings.Cut(strings.ToLower(name), ".")
	return short + ".local"
}

// authorityPin is what makes a browser trust the authority's key.
func authorityPin(t *testing.T, file string) string {
	t.Helper()
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	block, _ := pem.Decode(bytes.TrimSpace(b))
	cert, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(cert.RawSubjectPublicKeyInfo)
	return base64.StdEncoding.EncodeToString(sum[:])
}
