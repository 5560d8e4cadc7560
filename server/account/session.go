package account

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"slices"
	"strings"
	"time"

	"beltend/geometry"
	"beltend/server/archive"
)

// SessionTime is how long somebody stays signed in: a shift.
const SessionTime = 12 * time.Hour

// Failed sign-ins that are let pass in a window of time.
const (
	window          = 15 * time.Minute
	failsByAccount  = 10
	failsByAddress  = 40 // a site's phones may share one
	tokenPrefix     = "beltend_"
	longestTokenAge = 2 * 366 * 24 * time.Hour
)

// ErrSignIn is given for a wrong name, a wrong password and a disabled account
// alike; ErrNoSession for a session or token that is unknown or has expired.
var (
	ErrSignIn    = errors.New("name or password is wrong")
	ErrNoSession = errors.New("not signed in")
)

// TooMany is given when too many sign-ins failed.
type TooMany struct{ RetryAfter time.Duration }

func (*TooMany) Error() string { return "too many failed sign-ins" }

// SignIn starts a session and gives what the client keeps.
func (s *Accounts) SignIn(ctx context.Context, name, password, address string) (string, User, error) {
	byName, byAddress := "account:"+signIn(name), "address:"+address
	if len(byName) > 300 {
		byName = byName[:300]
	}
	// Counted before the password is looked at, so that many at once gain nothing.
	if err := s.count(ctx, byName, byAddress); err != nil {
		return "", User{}, err
	}
	a, err := s.Find(ctx, name)
	if err != nil && !errors.Is(err, archive.NotFound) {
		return "", User{}, err
	}
	ok, err := s.matches(ctx, a.password, password)
	if err != nil {
		return "", User{}, err
	}
	if !ok || a.Disabled || a.ID == "" {
		return "", User{}, ErrSignIn
	}
	secret := newSecret()
	now := s.now()
	user := a.user()
	err = s.archive.Write(ctx, func(tx *archive.Tx) error {
		// The account may have been closed or its password changed since it was read.
		var still int
		if err := tx.Row(ctx, []any{&still}, "SELECT COUNT(*) FROM account WHERE id = ? AND password = ? AND disabled = ?", a.ID, a.password, false); err != nil {
			return err
		}
		if still == 0 {
			return ErrSignIn
		}
		for _, q := range []struct {
			text string
			arg  any
		}{
			{"DELETE FROM account_session WHERE expires < ?", now.UnixMicro()},
			{"DELETE FROM account_attempt WHERE since < ?", now.Add(-window).UnixMicro()},
			{"DELETE FROM account_attempt WHERE whose = ?", byName},
			// This sign-in was no failure of the address.
			{"UPDATE account_attempt SET failed = failed - 1 WHERE failed > 0 AND whose = ?", byAddress},
		} {
			if _, err := tx.Exec(ctx, q.text, q.arg); err != nil {
				return err
			}
		}
		if _, err := tx.Exec(ctx, "INSERT INTO account_session (hash, account, expires) VALUES (?, ?, ?)", hashed(secret), a.ID, now.Add(SessionTime).UnixMicro()); err != nil {
			return err
		}
		_, err := tx.Event(ctx, user.Actor, "session.started", "", "account/"+a.ID, "", nil)
		return err
	})
	return secret, user, err
}

// count adds an attempt to each and refuses beyond the limits.
func (s *Accounts) count(ctx context.Context, byName, byAddress string) error {
	now := s.now()
	var wait time.Duration
	err := s.archive.Write(ctx, func(tx *archive.Tx) error {
		wait = 0
		for _, one := range []struct {
			whose string
			most  int
		}{{byName, failsByAccount}, {byAddress, failsByAddress}} {
			var failed int
			var since int64
			err := tx.Row(ctx, []any{&failed, &since}, "SELECT failed, since FROM account_attempt WHERE whose = ?", one.whose)
			if err != nil && !errors.Is(err, archive.NotFound) {
				return err
			}
			ends := time.UnixMicro(since).Add(window)
			if err != nil || !now.Before(ends) {
				failed, since, ends = 0, now.UnixMicro(), now.Add(window)
			}
			failed++
			if failed > one.most {
				wait = max(wait, ends.Sub(now))
			}
			if failed == one.most+1 { // told once
				if _, err := tx.Event(ctx, archive.Actor{ID: "service"}, "session.too_many", "", "sign-in", "", nil); err != nil {
					return err
				}
			}
			if _, err := tx.Exec(ctx, "INSERT INTO account_attempt (whose, failed, since) VALUES (?, ?, ?) ON CONFLICT (whose) DO UPDATE SET failed = excluded.failed, since = excluded.since",
				one.whose, failed, since); err != nil {
				return err
			}
		}
		return nil
	})
	if err == nil && wait > 0 {
		err = &TooMany{RetryAfter: wait}
	}
	return err
}

// Session says who holds a session.
func (s *Accounts) Session(ctx context.Context, secret string) (User, error) {
	if secret == "" {
		return User{}, ErrNoSession
	}
	a, err := one(s.find(ctx, "disabled = ? AND id = (SELECT account FROM account_session WHERE hash = ? AND expires > ?)", false, hashed(secret), s.now().UnixMicro()))
	if errors.Is(err, archive.NotFound) {
		err = ErrNoSession
	}
	return a.user(), err
}

// SignOut ends a session.
func (s *Accounts) SignOut(ctx context.Context, secret string) error {
	u, err := s.Session(ctx, secret)
	if errors.Is(err, ErrNoSession) {
		return nil
	}
	if err != nil {
		return err
	}
	return s.archive.Write(ctx, func(tx *archive.Tx) error {
		if _, err := tx.Exec(ctx, "DELETE FROM account_session WHERE hash = ?", hashed(secret)); err != nil {
			return err
		}
		_, err := tx.Event(ctx, u.Actor, "session.ended", "", "account/"+u.ID, "", nil)
		return err
	})
}

// Token lets a program act for an account.
type Token struct {
	ID      string    `json:"id"`
	Account string    `json:"account"` // ID
	Label   string    `json:"label"`
	Scopes  []Scope   `json:"scopes"`
	Added   time.Time `json:"added"`
	Expires time.Time `json:"expires"`
}

// AddToken makes a token for an account and gives its secret, which is not kept.
func (s *Accounts) AddToken(ctx context.Context, by archive.Actor, name, label string, scopes []Scope, expires time.Time) (string, Token, error) {
	var t Token
	a, err := s.Find(ctx, name)
	if err != nil {
		return "", t, err
	}
	if len(scopes) == 0 {
		return "", t, archive.Wrong("scope", "scope_missing", nil, "give one at least: read, measure, review, admin.")
	}
	for _, sc := range scopes {
		if !slices.Contains(Scopes, sc) {
			return "", t, archive.Wrong("scope", "kept_none_of", geometry.Values{"given": string(sc), "allowed": "read, measure, review, admin"}, "%q is none of read, measure, review, admin.", sc)
		}
		if !slices.Contains(a.Scopes(), sc) {
			return "", t, archive.Wrong("scope", "scope_beyond", geometry.Values{"given": string(sc)}, "the account's roles do not allow %q.", sc)
		}
	}
	now := s.now().UTC().Truncate(time.Microsecond)
	if d := expires.Sub(now); d <= 0 || d > longestTokenAge {
		return "", t, archive.Wrong("expires", "token_age", nil, "a token lasts up to two years.")
	}
	if len(label) > 200 {
		return "", t, archive.Wrong("label", "label_long", nil, "up to 200 letters.")
	}
	secret := tokenPrefix + newSecret()
	t = Token{ID: archive.NewID(), Account: a.ID, Label: label, Scopes: scopes, Added: now, Expires: expires.UTC().Truncate(time.Microsecond)}
	return secret, t, s.archive.Write(ctx, func(tx *archive.Tx) error {
		if _, err := tx.Exec(ctx, "INSERT INTO account_token (id, hash, account, label, scopes, added, expires) VALUES (?, ?, ?, ?, ?, ?, ?)",
			t.ID, hashed(secret), t.Account, t.Label, join(t.Scopes), t.Added.UnixMicro(), t.Expires.UnixMicro()); err != nil {
			return err
		}
		_, err := tx.Event(ctx, by, "token.added", "", "token/"+t.ID, "", t)
		return err
	})
}

// Tokens lists those of an account, the newest first.
func (s *Accounts) Tokens(ctx context.Context, name string) ([]Token, error) {
	a, err := s.Find(ctx, name)
	if err != nil {
		return nil, err
	}
	return s.tokens(ctx, "account = ?", a.ID)
}

// RevokeToken ends a token.
func (s *Accounts) RevokeToken(ctx context.Context, by archive.Actor, id string) error {
	return s.archive.Write(ctx, func(tx *archive.Tx) error {
		n, err := tx.Exec(ctx, "DELETE FROM account_token WHERE id = ?", id)
		if err != nil {
			return err
		}
		if n == 0 {
			return &archive.Error{Kind: archive.NotFound, Message: "There is no such token."}
		}
		_, err = tx.Event(ctx, by, "token.revoked", "", "token/"+id, "", nil)
		return err
	})
}

// Token says for whom a token's holder acts, and what it may do: what both the
// token and the account's roles allow.
func (s *Accounts) Token(ctx context.Context, secret string) (User, error) {
	if !strings.HasPrefix(secret, tokenPrefix) {
		return User{}, ErrNoSession
	}
	found, err := s.tokens(ctx, "hash = ? AND expires > ?", hashed(secret), s.now().UnixMicro())
	if err != nil {
		return User{}, err
	}
	if len(found) == 0 {
		return User{}, ErrNoSession
	}
	a, err := one(s.find(ctx, "disabled = ? AND id = ?", false, found[0].Account))
	if errors.Is(err, archive.NotFound) {
		err = ErrNoSession
	}
	u := a.user()
	u.Scopes = slices.DeleteFunc(u.Scopes, func(sc Scope) bool { return !slices.Contains(found[0].Scopes, sc) })
	return u, err
}

func (s *Accounts) tokens(ctx context.Context, where string, args ...any) ([]Token, error) {
	var all []Token
	err := s.archive.Read(ctx, func(tx *archive.Tx) error {
		all = nil
		return tx.Rows(ctx, func(scan func(...any) error) error {
			var t Token
			var scopes string
			var added, expires int64
			err := scan(&t.ID, &t.Account, &t.Label, &scopes, &added, &expires)
			t.Scopes, t.Added, t.Expires = split[Scope](scopes), time.UnixMicro(added).UTC(), time.UnixMicro(expires).UTC()
			all = append(all, t)
			return err
		}, "SELECT id, account, label, scopes, added, expires FROM account_token WHERE "+where+" ORDER BY added DESC, id", args...)
	})
	return all, err
}

// newSecret is 256 random bits.
func newSecret() string {
	var b [32]byte
	_, _ = rand.Read(b[:]) // never fails
	return base64.RawURLEncoding.EncodeToString(b[:])
}

func hashed(secret string) string {
	sum := sha256.Sum256([]byte(secret))
	return hex.EncodeToString(sum[:])
}
