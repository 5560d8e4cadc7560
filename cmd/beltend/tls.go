package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"beltend/server/httpapi"
)

// The service's own authority is made at its first start and stays, so that a
// phone trusts it once; the certificate it signs is made at every start, for the
// addresses of the day. The authority may sign for names and addresses of local
// networks alone: whoever took its key could not pretend to be another site.
const (
	authorityTime = 10 * 365 * 24 * time.Hour
	leafTime      = 398 * 24 * time.Hour // phones refuse more
)

// localRanges are the private and link-local addresses of RFC 1918, 3927, 4193
// and 4291, and those of the machine itself.
var localRanges = []string{"10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "169.254.0.0/16", "127.0.0.0/8", "fc00::/7", "fe80::/10", "::1/128"}

// ownTLS makes the configuration and says how to trust it. folder keeps the
// authority.
func ownTLS(folder string, listen net.Addr) (*tls.Config, *httpapi.Trust, error) {
	name, err := os.Hostname()
	if err != nil {
		return nil, nil, fmt.Errorf("find the machine's name: %w", err)
	}
	name = strings.ToLower(strings.TrimSuffix(name, "."))
	authority, key, err := ownAuthority(filepath.Join(folder, "tls.pem"), name)
	if err != nil {
		return nil, nil, err
	}
	leafKey, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, nil, fmt.Errorf("make a key: %w", err)
	}
	short, _, _ := strings.Cut(name, ".")
	leaf := certificate("beltend on "+name, leafTime)
	leaf.DNSNames = []string{"localhost", name, short + ".local"}
	leaf.IPAddresses = localAddresses()
	leaf.KeyUsage = x509.KeyUsageDigitalSignature
	leaf.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}
	der, err := x509.CreateCertificate(rand.Reader, leaf, authority, &leafKey.PublicKey, key)
	if err != nil {
		return nil, nil, fmt.Errorf("make a certificate: %w", err)
	}
	_, port, err := net.SplitHostPort(listen.String())
	if err != nil {
		return nil, nil, fmt.Errorf("read the own address: %w", err)
	}
	trust := &httpapi.Trust{Authority: authority.Raw}
	if tcp, ok := listen.(*net.TCPAddr); ok && !tcp.IP.IsUnspecified() { // there alone
		trust.Addresses = []string{"https://" + listen.String()}
	} else {
		for _, ip := range leaf.IPAddresses {
			if !ip.IsLoopback() && !ip.IsLinkLocalUnicast() {
				trust.Addresses = append(trust.Addresses, "https://"+net.JoinHostPort(ip.String(), port))
			}
		}
		trust.Addresses = append(trust.Addresses, "https://"+net.JoinHostPort(short+".local", port))
	}
	return &tls.Config{MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{{Certificate: [][]byte{der, authority.Raw}, PrivateKey: leafKey}}}, trust, nil
}

func certificate(name string, lasts time.Duration) *x509.Certificate {
	serial, _ := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 126)) // never fails
	return &x509.Certificate{
		SerialNumber: serial, Subject: pkix.Name{CommonName: name},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(lasts), BasicConstraintsValid: true,
	}
}

// ownAuthority reads the authority, or makes it where there is none or where it
// soon ends.
func ownAuthority(file, name string) (*x509.Certificate, *ecdsa.PrivateKey, error) {
	b, err := os.ReadFile(file)
	if err == nil {
		cert, key, err := readAuthority(b)
		if err != nil {
			return nil, nil, fmt.Errorf("%s: %w: move it away, and a new one is made that every phone has to trust again", file, err)
		}
		if time.Until(cert.NotAfter) > leafTime {
			return cert, key, nil
		}
	} else if !errors.Is(err, fs.ErrNotExist) {
		return nil, nil, fmt.Errorf("read the own certificate: %w", err)
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, nil, fmt.Errorf("make a key: %w", err)
	}
	ca := certificate("beltend authority of "+name, authorityTime)
	ca.IsCA, ca.MaxPathLenZero, ca.KeyUsage = true, true, x509.KeyUsageCertSign
	ca.PermittedDNSDomainsCritical = true
	ca.PermittedDNSDomains = []string{"localhost", "local", name}
	for _, r := range localRanges {
		_, ipnet, err := net.ParseCIDR(r)
		if err != nil {
			return nil, nil, fmt.Errorf("local range: %w", err)
		}
		ca.PermittedIPRanges = append(ca.PermittedIPRanges, ipnet)
	}
	der, err := x509.CreateCertificate(rand.Reader, ca, ca, &key.PublicKey, key)
	if err != nil {
		return nil, nil, fmt.Errorf("make the own authority: %w", err)
	}
	secret, err := x509.MarshalECPrivateKey(key)
	if err != nil {
		return nil, nil, fmt.Errorf("write the own key: %w", err)
	}
	b = append(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "EC PRIVATE KEY", Bytes: secret})...)
	if err := os.MkdirAll(filepath.Dir(file), 0o700); err != nil {
		return nil, nil, fmt.Errorf("keep the own certificate: %w", err)
	}
	if err := os.WriteFile(file, b, 0o600); err != nil {
		return nil, nil, fmt.Errorf("keep the own certificate: %w", err)
	}
	return readAuthority(b)
}

func readAuthority(b []byte) (*x509.Certificate, *ecdsa.PrivateKey, error) {
	first, rest := pem.Decode(b)
	second, _ := pem.Decode(rest)
	if first == nil || second == nil {
		return nil, nil, errors.New("this is no certificate with its key")
	}
	cert, err := x509.ParseCertificate(first.Bytes)
	if err != nil {
		return nil, nil, fmt.Errorf("read the own certificate: %w", err)
	}
	key, err := x509.ParseECPrivateKey(second.Bytes)
	if err != nil {
		return nil, nil, fmt.Errorf("read the own key: %w", err)
	}
	return cert, key, nil
}

// localAddresses are this machine's, as far as the authority may sign for them.
func localAddresses() []net.IP {
	ips := []net.IP{net.IPv4(127, 0, 0, 1), net.IPv6loopback}
	all, err := net.InterfaceAddrs()
	if err != nil {
		return ips
	}
	for _, one := range all {
		ipnet, ok := one.(*net.IPNet)
		if !ok || ipnet.IP.IsLoopback() {
			continue
		}
		a, ok := netip.AddrFromSlice(ipnet.IP)
		if !ok {
			continue
		}
		for _, r := range localRanges {
			if netip.MustParsePrefix(r).Contains(a.Unmap()) {
				ips = append(ips, ipnet.IP)
			}
		}
	}
	// People read those of IPv4 more easily.
	slices.SortStableFunc(ips, func(a, b net.IP) int { return len(b.To4()) - len(a.To4()) })
	return ips
}
