package account

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"

	"beltend/geometry"
	"beltend/server/archive"
)

// RFC 9106 section 4, the second recommended option.
const (
	passes  = 3
	memory  = 64 << 10 // KiB
	lanes   = 4
	saltLen = 16
	keyLen  = 32
)

// Lengths of a password: long, with no rule about what is in it (after NIST
// SP 800-63B section 5.1.1.2), and short enough not to keep the machine busy.
const (
	minPassword = 12  // letters
	maxPassword = 256 // bytes
)

// CheckPassword says what is wrong with a new password, nil when it will do.
func CheckPassword(name, password string) error {
	switch {
	case !utf8.ValidString(password) || utf8.RuneCountInString(password) < minPassword:
		return archive.Wrong("password", "password_short", geometry.Values{"least": minPassword}, "at least %d letters are needed; a sentence is easy to remember.", minPassword)
	case len(password) > maxPassword:
		return archive.Wrong("password", "password_long", geometry.Values{"most": maxPassword}, "more than %d bytes are too long.", maxPassword)
	case strings.Count(password, password[:1]) == len(password) || strings.Contains(signIn(password), signIn(name)) && len(password) < len(name)+minPassword/2:
		return archive.Wrong("password", "password_guessed", nil, "this one is guessed at once; choose another.")
	}
	return nil
}

// hash checks a new password and gives what is kept of it.
func (s *Accounts) hash(ctx context.Context, name, password string) (string, error) {
	if err := CheckPassword(name, password); err != nil {
		return "", err
	}
	salt := make([]byte, saltLen)
	_, _ = rand.Read(salt) // never fails
	key, err := s.derive(ctx, password, salt)
	if err != nil {
		return "", err
	}
	b64 := base64.RawStdEncoding.EncodeToString
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, memory, passes, lanes, b64(salt), b64(key)), nil
}

// matches says whether a password is the one kept. Where none is kept it takes
// the same time and says no.
func (s *Accounts) matches(ctx context.Context, kept, password string) (bool, error) {
	var version, m, t, p int
	parts := strings.Split(kept, "$")
	salt, want := make([]byte, saltLen), make([]byte, keyLen)
	ok := len(parts) == 6 && parts[1] == "argon2id" && len(password) <= maxPassword
	if ok {
		_, errV := fmt.Sscanf(parts[2], "v=%d", &version)
		_, errP := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &m, &t, &p)
		s1, errS := base64.RawStdEncoding.DecodeString(parts[4])
		k1, errK := base64.RawStdEncoding.DecodeString(parts[5])
		ok = errV == nil && errP == nil && errS == nil && errK == nil && version == argon2.Version && m == memory && t == passes && p == lanes && len(k1) == keyLen
		if ok {
			salt, want = s1, k1
		}
	}
	if len(password) > maxPassword {
		password = password[:maxPassword]
	}
	key, err := s.derive(ctx, password, salt)
	if err != nil {
		return false, err
	}
	return subtle.ConstantTimeCompare(key, want) == 1 && ok, nil
}

func (s *Accounts) derive(ctx context.Context, password string, salt []byte) ([]byte, error) {
	select {
	case s.hashing <- struct{}{}:
		defer func() { <-s.hashing }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	return argon2.IDKey([]byte(password), salt, passes, memory, lanes, keyLen), nil
}
