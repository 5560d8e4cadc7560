package archive

import (
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// headSchema names the way a head is signed.
const headSchema = "beltend.head/1"

// SignedHead is a head with the signature of the site's key.
type SignedHead struct {
	Schema string `json:"schema"` // beltend.head/1
	Head
	Time      string `json:"time"`       // of signing, RFC 3339, UTC
	PublicKey string `json:"public_key"` // Ed25519, base64
	Signature string `json:"signature"`  // Ed25519 over the canonical JSON (RFC 8785) of all other members, base64
}

// String is the head in print: the number and hash of the last event.
func (h Head) String() string { return fmt.Sprintf("%d-%s", h.Seq, h.Hash) }

// ParseHead reads what Head.String printed; the archive's ID is not in it.
func ParseHead(s string) (Head, error) {
	var h Head
	if n, err := fmt.Sscanf(s, "%d-%64s", &h.Seq, &h.Hash); n != 2 || err != nil || !isSHA256(h.Hash) || h.String() != s {
		return Head{}, fail(Invalid, "A chain head is a number, a hyphen and 64 hexadecimal digits.", nil)
	}
	return h, nil
}

// SignedHead gives the end of the chain signed with the site's key.
func (a *Archive) SignedHead(ctx context.Context) (SignedHead, error) {
	h, err := a.Head(ctx)
	if err != nil {
		return SignedHead{}, err
	}
	return a.sign(h)
}

// Signs says whether there is a key to sign heads and exports with.
func (a *Archive) Signs() bool { return a.key != nil }

func (a *Archive) sign(h Head) (SignedHead, error) {
	if a.key == nil {
		return SignedHead{}, fail(Invalid, "This archive was opened without the site's key, so its head cannot be signed. Name the key file.", nil)
	}
	public, _ := a.key.Public().(ed25519.PublicKey)
	s := SignedHead{Schema: headSchema, Head: h, Time: time.Now().UTC().Format(time.RFC3339), PublicKey: base64.StdEncoding.EncodeToString(public)}
	message, err := s.message()
	if err != nil {
		return s, err
	}
	s.Signature = base64.StdEncoding.EncodeToString(ed25519.Sign(a.key, message))
	return s, nil
}

func (s SignedHead) message() ([]byte, error) {
	return canonical(map[string]any{"schema": s.Schema, "archive": s.Archive, "seq": s.Seq, "hash": s.Hash, "time": s.Time, "public_key": s.PublicKey})
}

// Verify checks the signature with the public key that is in the head. Whose key
// it is, its Fingerprint tells those who were given it on another way.
func (s SignedHead) Verify() error {
	public, err := base64.StdEncoding.DecodeString(s.PublicKey)
	if err != nil || len(public) != ed25519.PublicKeySize || s.Schema != headSchema {
		return fail(Damaged, "The signed head is not of schema "+headSchema+", or its public key cannot be read.", err)
	}
	signature, err := base64.StdEncoding.DecodeString(s.Signature)
	if err != nil {
		return fail(Damaged, "The head's signature cannot be read", err)
	}
	message, err := s.message()
	if err != nil {
		return err
	}
	if !ed25519.Verify(public, message, signature) {
		return fail(Damaged, "The head's signature is not that of its public key: the head was altered.", nil)
	}
	return nil
}

// Fingerprint is the public key in short: the first 32 hexadecimal digits of
// its SHA-256, in groups of four. Print it where people can compare it.
func (s SignedHead) Fingerprint() string {
	public, err := base64.StdEncoding.DecodeString(s.PublicKey)
	if err != nil {
		return ""
	}
	return fingerprint(public)
}

func fingerprint(public []byte) string {
	sum := sha256.Sum256(public)
	digits := hex.EncodeToString(sum[:16])
	out := digits[:4]
	for i := 4; i < len(digits); i += 4 {
		out += "-" + digits[i:i+4]
	}
	return out
}

// siteKey reads the site's key, or makes it at the first start.
func siteKey(file string) (ed25519.PrivateKey, error) {
	data, err := os.ReadFile(file) //nolint:gosec // named by the person who runs the program
	if errors.Is(err, fs.ErrNotExist) {
		return newSiteKey(file)
	}
	if err != nil {
		return nil, fmt.Errorf("read the site's key: %w", err)
	}
	if info, err := os.Stat(file); err == nil && info.Mode().Perm()&0o077 != 0 {
		return nil, fail(Invalid, "The site's key may be read by others. Make it yours alone: chmod 600 "+file, nil)
	}
	block, _ := pem.Decode(data)
	if block == nil {
		return nil, fail(Damaged, "The site's key is no PEM file.", nil)
	}
	any, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return nil, fail(Damaged, "The site's key cannot be read", err)
	}
	key, ok := any.(ed25519.PrivateKey)
	if !ok {
		return nil, fail(Invalid, "The site's key is no Ed25519 key.", nil)
	}
	return key, nil
}

func newSiteKey(file string) (ed25519.PrivateKey, error) {
	_, key, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return nil, err
	}
	if err := writeKey(file, key); err != nil {
		return nil, err
	}
	return siteKey(file) // that of the first, where two processes start at once
}

// copyKey puts the key where there is none yet.
func copyKey(key ed25519.PrivateKey, file string) error {
	if err := writeKey(file, key); err != nil {
		return err
	}
	there, err := siteKey(file)
	if err == nil && !there.Equal(key) {
		return fail(Conflict, "There is another site's key in that folder.", nil)
	}
	return err
}

// writeKey links the key into place: a key that is there stays.
func writeKey(file string, key ed25519.PrivateKey) error {
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return err
	}
	mine := file + "." + NewID()
	if err := writeDurably(mine, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}), 0o600); err != nil {
		return fileErr("keep the site's key", err)
	}
	if err := os.Link(mine, file); err != nil && !errors.Is(err, fs.ErrExist) {
		return fileErr("keep the site's key", errors.Join(err, os.Remove(mine)))
	}
	if err := os.Remove(mine); err != nil {
		return fileErr("keep the site's key", err)
	}
	return syncFolder(filepath.Dir(file))
}
