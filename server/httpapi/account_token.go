package httpapi

import (
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"beltend/server/account"
	"beltend/server/archive"
	"beltend/server/measure"
)

// tokens are those of an account, and the form for one more with at most these
// scopes.
func (s *service) tokens(c *gin.Context, a account.Account, most []account.Scope, to, secret string) (tokenPart, error) {
	d := tokenPart{Secret: secret, To: to, Fields: posted(c)}
	for _, scope := range a.Scopes() {
		if slices.Contains(most, scope) {
			d.Scopes = append(d.Scopes, scope)
		}
	}
	if secret != "" { // shown this once
		c.Header("Cache-Control", "no-store")
		d.Fields = map[string]string{}
	}
	var err error
	d.Tokens, err = s.Accounts.Tokens(c.Request.Context(), a.Name)
	return d, err
}

// newToken makes a token for an account from the form sent, with at most these
// scopes.
func (s *service) newToken(c *gin.Context, a account.Account, most []account.Scope) (string, error) {
	c.Request.Body = http.MaxBytesReader(c.Writer, c.Request.Body, maxField)
	var scopes []account.Scope
	for _, v := range c.PostFormArray("scope") {
		if scopes = append(scopes, account.Scope(v)); !slices.Contains(most, account.Scope(v)) {
			return "", &measure.UsageError{Setting: "scope", Message: "a token may do no more than whoever makes it", Code: "token_scope"}
		}
	}
	days, err := strconv.Atoi(strings.TrimSpace(c.PostForm("days")))
	if err != nil || days < 1 {
		return "", &measure.UsageError{Setting: "days", Message: "give a whole number of days, 1 to 730", Code: "token_days"}
	}
	secret, _, err := s.Accounts.AddToken(c.Request.Context(), s.user(c).Actor, a.Name, strings.TrimSpace(c.PostForm("label")), scopes, time.Now().AddDate(0, 0, min(days, 10000)))
	return secret, err
}

// revoke ends a token of an account.
func (s *service) revoke(c *gin.Context, a account.Account) error {
	ctx := c.Request.Context()
	list, err := s.Accounts.Tokens(ctx, a.Name)
	if err != nil {
		return err
	}
	if !slices.ContainsFunc(list, func(t account.Token) bool { return t.ID == c.Param("token") }) {
		return archive.NotFound
	}
	return s.Accounts.RevokeToken(ctx, s.user(c).Actor, c.Param("token"))
}

// ownToken makes a token for whoever is signed in.
func (s *service) ownToken(c *gin.Context) {
	u := s.user(c)
	a, err := s.Accounts.Get(c.Request.Context(), u.ID)
	secret := ""
	if err == nil {
		secret, err = s.newToken(c, a, u.Scopes)
	}
	if err != nil {
		p := problemOf(err)
		s.accountPage(c, p.Status, s.problemData(c, p), "")
		return
	}
	s.accountPage(c, http.StatusOK, nil, secret)
}

func (s *service) ownRevoke(c *gin.Context) {
	a, err := s.Accounts.Get(c.Request.Context(), s.user(c).ID)
	if err == nil {
		err = s.revoke(c, a)
	}
	if err != nil {
		s.fail(c, err)
		return
	}
	c.Redirect(http.StatusSeeOther, "/account")
}
