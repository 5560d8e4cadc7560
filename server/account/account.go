package account

import (
	"context"
	"errors"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"beltend/geometry"
	"beltend/server/archive"
)

// Scope is something that a person or a program may do.
type Scope string

// The scopes.
const (
	Read    Scope = "read"    // look at measurements
	Measure Scope = "measure" // keep new ones
	Review  Scope = "review"  // sign off, register card sets
	Admin   Scope = "admin"   // accounts, metrics
)

// Scopes are all there are.
var Scopes = []Scope{Read, Measure, Review, Admin}

// Role is what a person is here.
type Role string

// The roles.
const (
	Technician    Role = "technician"
	Trainer       Role = "trainer"
	Reviewer      Role = "reviewer"
	Administrator Role = "administrator"
)

// Roles are all there are, with what each may do.
var Roles = map[Role][]Scope{
	Technician:    {Read, Measure},
	Trainer:       {Read, Measure},
	Reviewer:      {Read, Review},
	Administrator: Scopes,
}

// Account is a person who may sign in.
type Account struct {
	ID       string    `json:"id"`
	Name     string    `json:"name"`
	Roles    []Role    `json:"roles"`
	AllSites bool      `json:"all_sites"`
	Sites    []string  `json:"sites"` // IDs
	Disabled bool      `json:"disabled"`
	Added    time.Time `json:"added"`

	password string
}

// Scopes are what the account's roles allow.
func (a Account) Scopes() []Scope {
	var all []Scope
	for _, s := range Scopes {
		for _, r := range a.Roles {
			if slices.Contains(Roles[r], s) && !slices.Contains(all, s) {
				all = append(all, s)
			}
		}
	}
	return all
}

// User is who acts, with what is allowed: a person, or a program with a
// person's token.
type User struct {
	archive.Actor
	Sites  archive.Sites
	Scopes []Scope
}

// May says whether a user may do something.
func (u User) May(s Scope) bool { return slices.Contains(u.Scopes, s) }

// Where is the set of the account's sites.
func (a Account) Where() archive.Sites {
	if a.AllSites {
		return archive.AllSites()
	}
	return archive.SomeSites(a.Sites...)
}

func (a Account) user() User {
	return User{Actor: archive.Actor{ID: a.ID, Name: a.Name}, Sites: a.Where(), Scopes: a.Scopes()}
}

// Manages says whether an administrator may change an account: one that belongs
// to no other sites than the administrator does.
func (u User) Manages(a Account) bool {
	if !u.May(Admin) || a.AllSites {
		return u.May(Admin) && u.Sites.All()
	}
	return !slices.ContainsFunc(a.Sites, func(site string) bool { return !u.Sites.Has(site) })
}

// Sees says whether an administrator may know of an account: one that belongs to
// a site of theirs.
func (u User) Sees(a Account) bool {
	return u.Manages(a) || u.May(Admin) && (a.AllSites || slices.ContainsFunc(a.Sites, u.Sites.Has))
}

// Accounts are those of an archive. All methods may be called by many
// goroutines and processes.
type Accounts struct {
	archive *archive.Archive
	hashing chan struct{} // a password takes 64 MB while it is hashed
	now     func() time.Time
}

// New gives the accounts of an archive.
func New(a *archive.Archive) *Accounts {
	return &Accounts{archive: a, hashing: make(chan struct{}, 2), now: time.Now}
}

// Any says whether there is an account that can sign in.
func (s *Accounts) Any(ctx context.Context) (bool, error) {
	var n int
	err := s.archive.Read(ctx, func(tx *archive.Tx) error {
		return tx.Row(ctx, []any{&n}, "SELECT COUNT(*) FROM account WHERE disabled = ?", false)
	})
	return n > 0, err
}

// Add makes an account. Its ID is made here.
func (s *Accounts) Add(ctx context.Context, by archive.Actor, a Account, password string) (Account, error) {
	a.Name = strings.TrimSpace(a.Name)
	if a.Name == "" || utf8.RuneCountInString(a.Name) > 100 || strings.ContainsFunc(a.Name, func(r rune) bool { return r < ' ' }) {
		return a, archive.Wrong("name", "account_name", nil, "1 to 100 letters are needed.")
	}
	if err := a.checkAccess(); err != nil {
		return a, err
	}
	hash, err := s.hash(ctx, a.Name, password)
	if err != nil {
		return a, err
	}
	a.ID, a.Added, a.password = archive.NewID(), s.now().UTC().Truncate(time.Microsecond), hash
	err = s.archive.Write(ctx, func(tx *archive.Tx) error {
		_, err := tx.Exec(ctx, "INSERT INTO account (id, name, sign_in, roles, all_sites, password, disabled, added) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
			a.ID, a.Name, signIn(a.Name), join(a.Roles), a.AllSites, a.password, false, a.Added.UnixMicro())
		if errors.Is(err, archive.Conflict) {
			return archive.Clash("account_taken", "There is an account with this name already.", err)
		}
		if err != nil {
			return err
		}
		if err := putSites(ctx, tx, a); err != nil {
			return err
		}
		_, err = tx.Event(ctx, by, "account.added", "", "account/"+a.ID, "", a)
		return err
	})
	return a, err
}

// checkAccess says whether roles and sites make sense.
func (a Account) checkAccess() error {
	if len(a.Roles) == 0 {
		return archive.Wrong("role", "role_missing", nil, "give one at least: technician, trainer, reviewer, administrator.")
	}
	for _, r := range a.Roles {
		if Roles[r] == nil {
			return archive.Wrong("role", "kept_none_of", geometry.Values{"given": string(r), "allowed": "technician, trainer, reviewer, administrator"}, "%q is none of technician, trainer, reviewer, administrator.", r)
		}
	}
	if a.AllSites == (len(a.Sites) > 0) {
		return archive.Wrong("site", "account_sites", nil, "give the sites that the account belongs to, or all of them.")
	}
	return nil
}

func putSites(ctx context.Context, tx *archive.Tx, a Account) error {
	for _, site := range a.Sites {
		if _, err := tx.Exec(ctx, "INSERT INTO account_site (account, site) VALUES (?, ?)", a.ID, site); err != nil {
			return err
		}
	}
	return nil
}

// SetAccess changes what an account may do and where. It holds from the next
// request on; sessions and tokens go on with it.
func (s *Accounts) SetAccess(ctx context.Context, by archive.Actor, id string, roles []Role, allSites bool, sites []string) (Account, error) {
	a, err := s.Get(ctx, id)
	if err != nil {
		return a, err
	}
	a.Roles, a.AllSites, a.Sites = roles, allSites, sites
	if err := a.checkAccess(); err != nil {
		return a, err
	}
	return a, s.archive.Write(ctx, func(tx *archive.Tx) error {
		if _, err := tx.Exec(ctx, "UPDATE account SET roles = ?, all_sites = ? WHERE id = ?", join(a.Roles), a.AllSites, a.ID); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, "DELETE FROM account_site WHERE account = ?", a.ID); err != nil {
			return err
		}
		if err := putSites(ctx, tx, a); err != nil {
			return err
		}
		_, err := tx.Event(ctx, by, "account.changed", "", "account/"+a.ID, "", a)
		return err
	})
}

// List gives all accounts by name.
func (s *Accounts) List(ctx context.Context) ([]Account, error) {
	return s.find(ctx, "1 = 1")
}

// Find gives the account with a name.
func (s *Accounts) Find(ctx context.Context, name string) (Account, error) {
	return one(s.find(ctx, "sign_in = ?", signIn(name)))
}

// Get gives the account with an ID.
func (s *Accounts) Get(ctx context.Context, id string) (Account, error) {
	return one(s.find(ctx, "id = ?", id))
}

// SetDisabled closes or opens an account. Closing it ends its sessions at once;
// its tokens no longer serve.
func (s *Accounts) SetDisabled(ctx context.Context, by archive.Actor, name string, disabled bool) (Account, error) {
	a, err := s.Find(ctx, name)
	if err != nil {
		return a, err
	}
	a.Disabled = disabled
	what := map[bool]string{true: "account.disabled", false: "account.enabled"}[disabled]
	return a, s.change(ctx, by, what, a, "UPDATE account SET disabled = ? WHERE id = ?", disabled, a.ID)
}

// SetPassword changes the password and ends the account's sessions.
func (s *Accounts) SetPassword(ctx context.Context, by archive.Actor, name, password string) error {
	a, err := s.Find(ctx, name)
	if err != nil {
		return err
	}
	hash, err := s.hash(ctx, a.Name, password)
	if err != nil {
		return err
	}
	return s.change(ctx, by, "account.password", a, "UPDATE account SET password = ? WHERE id = ?", hash, a.ID)
}

func (s *Accounts) change(ctx context.Context, by archive.Actor, what string, a Account, q string, args ...any) error {
	return s.archive.Write(ctx, func(tx *archive.Tx) error {
		if _, err := tx.Exec(ctx, q, args...); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, "DELETE FROM account_session WHERE account = ?", a.ID); err != nil {
			return err
		}
		_, err := tx.Event(ctx, by, what, "", "account/"+a.ID, "", a)
		return err
	})
}

// find reads accounts with their sites.
func (s *Accounts) find(ctx context.Context, where string, args ...any) ([]Account, error) {
	var all []Account
	err := s.archive.Read(ctx, func(tx *archive.Tx) error {
		all = nil
		err := tx.Rows(ctx, func(scan func(...any) error) error {
			var a Account
			var roles string
			var added int64
			if err := scan(&a.ID, &a.Name, &roles, &a.AllSites, &a.password, &a.Disabled, &added); err != nil {
				return err
			}
			a.Roles, a.Added = split[Role](roles), time.UnixMicro(added).UTC()
			all = append(all, a)
			return nil
		}, "SELECT id, name, roles, all_sites, password, disabled, added FROM account WHERE "+where+" ORDER BY sign_in", args...)
		if err != nil {
			return err
		}
		for i := range all {
			err := tx.Rows(ctx, func(scan func(...any) error) error {
				var site string
				err := scan(&site)
				all[i].Sites = append(all[i].Sites, site)
				return err
			}, "SELECT site FROM account_site WHERE account = ? ORDER BY site", all[i].ID)
			if err != nil {
				return err
			}
		}
		return nil
	})
	return all, err
}

func one(found []Account, err error) (Account, error) {
	if err == nil && len(found) == 0 {
		err = &archive.Error{Kind: archive.NotFound, Message: "There is no such account."}
	}
	if err != nil {
		return Account{}, err
	}
	return found[0], nil
}

func signIn(name string) string { return strings.ToLower(strings.TrimSpace(name)) }

func join[T ~string](list []T) string {
	words := make([]string, len(list))
	for i, w := range list {
		words[i] = string(w)
	}
	return strings.Join(words, " ")
}

func split[T ~string](words string) []T {
	var list []T
	for _, w := range strings.Fields(words) {
		list = append(list, T(w))
	}
	return list
}
