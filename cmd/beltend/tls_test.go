package main

import (
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"testing"
)

// A client that trusts the authority gets through, one that does not is kept
// out; the second start keeps the authority; nothing outside local networks can
// be signed for.
func TestOwnTLS(t *testing.T) {
	folder := t.TempDir()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	cfg, trust, err := ownTLS(folder, listener.Addr())
	if err != nil {
		t.Fatal(err)
	}
	server := &http.Server{Handler: http.NotFoundHandler()}
	t.Cleanup(func() { server.Close() })
	go func() { _ = server.Serve(tls.NewListener(listener, cfg)) }()

	authority, err := x509.ParseCertificate(trust.Authority)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AddCert(authority)
	client := http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}}}
	resp, err := client.Get("https://" + listener.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if resp, err := http.Get("https://" + listener.Addr().String()); err == nil {
		resp.Body.Close()
		t.Error("a client that knows nothing of the authority gets through")
	}

	_, again, err := ownTLS(folder, listener.Addr())
	if err != nil {
		t.Fatal(err)
	}
	if string(again.Authority) != string(trust.Authority) {
		t.Error("the second start made another authority")
	}
	info, err := os.Stat(filepath.Join(folder, "tls.pem"))
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the key's file: %v, %v", info.Mode(), err)
	}

	_, key, err := ownAuthority(filepath.Join(folder, "tls.pem"), "kestrel")
	if err != nil {
		t.Fatal(err)
	}
	foreign := certificate("foreign", leafTime)
	foreign.DNSNames, foreign.ExtKeyUsage = []string{"bank.example"}, []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}
	der, err := x509.CreateCertificate(rand.Reader, foreign, authority, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := cert.Verify(x509.VerifyOptions{DNSName: "bank.example", Roots: pool}); err == nil {
		t.Error("the authority can sign for a name outside")
	}
}

func TestBrokenAuthorityIsNamed(t *testing.T) {
	folder := t.TempDir()
	if err := os.WriteFile(filepath.Join(folder, "tls.pem"), []byte("junk"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, _, err := ownTLS(folder, &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 1}); err == nil {
		t.Error("junk is taken")
	}
}
