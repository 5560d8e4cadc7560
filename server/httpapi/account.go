package httpapi

import (
	"errors"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strings"

	"github.com/gin-gonic/gin"

	"beltend/server/account"
	"beltend/server/pages"
	"beltend/server/store"
)

const sessionCookie = "beltend_session"

var (
	problemSignIn  = problem{Status: http.StatusUnauthorized, Code: "not_signed_in", Detail: "This needs an account.", Advice: "Sign in, or send a token as Authorization: Bearer."}
	problemAllowed = problem{Status: http.StatusForbidden, Code: "not_allowed", Detail: "Your account does not allow this.", Advice: "Ask an administrator for the role that does."}
	problemForeign = problem{Status: http.StatusForbidden, Code: "foreign_form", Detail: "The form was sent by a page of another site.", Advice: "Open this service's own page and send the photos there."}
)

// open are the addresses that need no account: what operators ask, and what
// the page to sign in is made of.
var open = map[string]bool{
	"/healthz": true, "/readyz": true, "/sign-in": true, "/static/:file": true, "/sw.js": true, "/offline": true, "/trust": true, "/trust.crt": true, "/api/v1/openapi.json": true,
}

// needs are the scopes of routes that ask for more than the method says:
// looking needs read, everything else measure.
var needs = map[string]account.Scope{
	"GET /metrics":                        account.Admin,
	"POST /api/v1/measurements/:id/stand": account.Review,
	"POST /sign-out":                      account.Read,
	"POST /account/password":              account.Read,
	"POST /account/tokens":                account.Read,
	"POST /account/tokens/:token/revoke":  account.Read,
}

func scopeOf(method, route string) account.Scope {
	scope, ok := needs[method+" "+route]
	switch {
	case ok:
		return scope
	case strings.HasPrefix(route, "/account/people"), strings.HasPrefix(route, "/account/sites"):
		return account.Admin
	case method == http.MethodGet || method == http.MethodHead:
		return account.Read
	case strings.HasPrefix(route, "/review"):
		return account.Review
	}
	return account.Measure
}

// identify finds out who asks, and turns away whoever may not. Without accounts
// everything is done by the person at this machine.
func (s *service) identify(c *gin.Context) {
	if s.Accounts == nil {
		c.Set("user", account.User{Actor: s.Local.Actor, Sites: s.Local.Sites, Scopes: account.Scopes})
		return
	}
	u, err := s.asking(c)
	if err != nil && !errors.Is(err, account.ErrNoSession) {
		s.fail(c, err)
		return
	}
	c.Set("user", u)
	route := c.FullPath()
	if route == "" || open[route] || route == "/metrics" && ownMachine(c) { // what is not there needs nobody
		return
	}
	switch {
	case u.ID == "" && wantsPage(c):
		to := "/sign-in"
		if c.Request.Method == http.MethodGet && c.Request.URL.Path != "/" {
			to += "?next=" + url.QueryEscape(c.Request.URL.RequestURI())
		}
		c.Redirect(http.StatusSeeOther, to)
		c.Abort()
	case u.ID == "":
		c.Header("WWW-Authenticate", `Bearer realm="beltend"`)
		s.fail(c, problemSignIn)
	case !u.May(scopeOf(c.Request.Method, route)):
		s.fail(c, problemAllowed)
	}
}

// asking is whose session or token came with the request.
func (s *service) asking(c *gin.Context) (account.User, error) {
	if header := c.GetHeader("Authorization"); header != "" {
		kind, token, _ := strings.Cut(header, " ")
		if !strings.EqualFold(kind, "Bearer") {
			return account.User{}, account.ErrNoSession
		}
		return s.Accounts.Token(c.Request.Context(), strings.TrimSpace(token))
	}
	cookie, err := c.Request.Cookie(sessionCookie)
	if err != nil {
		return account.User{}, account.ErrNoSession
	}
	return s.Accounts.Session(c.Request.Context(), cookie.Value)
}

// user is who asks, with what is allowed.
func (s *service) user(c *gin.Context) account.User {
	u, _ := c.Value("user").(account.User)
	return u
}

// who is the person who asks, as the store and the record know them.
func (s *service) who(c *gin.Context) store.Person {
	u := s.user(c)
	return store.Person{Actor: u.Actor, Sites: u.Sites}
}

func wantsPage(c *gin.Context) bool {
	return !strings.HasPrefix(c.Request.URL.Path, "/api/") && strings.Contains(c.GetHeader("Accept"), "text/html")
}

// ownMachine says whether the request comes from this machine itself and was
// not passed on for another.
func ownMachine(c *gin.Context) bool {
	ip := net.ParseIP(c.RemoteIP())
	return ip != nil && ip.IsLoopback() && c.GetHeader("Forwarded") == "" && c.GetHeader("X-Forwarded-For") == ""
}

// changes turns away what pages of others send that would change something.
func (s *service) changes(c *gin.Context) {
	if m := c.Request.Method; m != http.MethodGet && m != http.MethodHead && m != http.MethodOptions {
		sameOrigin(s)(c)
	}
}

// routesAccount adds signing in and out, where there are accounts.
func (s *service) routesAccount(r *gin.Engine) {
	if s.Accounts == nil {
		return
	}
	r.GET("/sign-in", func(c *gin.Context) { s.signInPage(c, http.StatusOK, nil) })
	r.POST("/sign-in", s.signIn)
	r.POST("/sign-out", s.signOut)
	r.GET("/account", func(c *gin.Context) { s.accountPage(c, http.StatusOK, nil, "") })
	r.POST("/account/password", s.ownPassword)
	r.POST("/account/tokens", s.ownToken)
	r.POST("/account/tokens/:token/revoke", s.ownRevoke)
	s.routesPeople(r)
}

type signInData struct {
	Problem *pages.ProblemData
	Name    string
	Next    string
}

func (s *service) signInPage(c *gin.Context, status int, p *pages.ProblemData) {
	w := s.words(c)
	d := signInData{Problem: p, Name: c.PostForm("name"), Next: ownAddress(c.Query("next"))}
	if next := c.PostForm("next"); next != "" {
		d.Next = ownAddress(next)
	}
	s.render(c, status, "account_sign_in.html", pages.Page{Title: w.Text("sign.title"), Data: d})
}

// ownAddress lets nothing through but an address of this service.
func ownAddress(next string) string {
	u, err := url.Parse(next)
	if err != nil || u.Scheme != "" || u.Host != "" || u.User != nil || !strings.HasPrefix(next, "/") || strings.HasPrefix(next, "//") || strings.ContainsAny(next, "\\\r\n\t") {
		return "/"
	}
	return next
}

func (s *service) signIn(c *gin.Context) {
	c.Request.Body = http.MaxBytesReader(c.Writer, c.Request.Body, maxField)
	w := s.words(c)
	secret, _, err := s.Accounts.SignIn(c.Request.Context(), c.PostForm("name"), c.PostForm("password"), addressOf(c.RemoteIP()))
	var many *account.TooMany
	switch {
	case errors.As(err, &many):
		p := problemOf(err)
		c.Header("Retry-After", retryAfter(p))
		s.signInPage(c, p.Status, &pages.ProblemData{Title: w.Text("sign.many"), Detail: w.Text("sign.many_do"), Code: p.Code})
		return
	case errors.Is(err, account.ErrSignIn):
		s.signInPage(c, http.StatusUnauthorized, &pages.ProblemData{Title: w.Text("sign.wrong"), Detail: w.Text("sign.wrong_do"), Code: "wrong_sign_in"})
		return
	case err != nil:
		s.fail(c, err)
		return
	}
	http.SetCookie(c.Writer, &http.Cookie{Name: sessionCookie, Value: secret, Path: "/", MaxAge: int(account.SessionTime.Seconds()),
		HttpOnly: true, Secure: c.Request.TLS != nil, SameSite: http.SameSiteStrictMode})
	c.Redirect(http.StatusSeeOther, ownAddress(c.PostForm("next")))
}

// addressOf is what sign-ins are counted by: an IPv4 address, or the /64 that
// one customer has of IPv6.
func addressOf(remote string) string {
	ip, err := netip.ParseAddr(remote)
	if err != nil {
		return "unknown"
	}
	if ip = ip.Unmap().WithZone(""); ip.Is6() {
		if p, err := ip.Prefix(64); err == nil {
			return p.String()
		}
	}
	return ip.String()
}

func (s *service) signOut(c *gin.Context) {
	if cookie, err := c.Request.Cookie(sessionCookie); err == nil {
		if err := s.Accounts.SignOut(c.Request.Context(), cookie.Value); err != nil {
			s.fail(c, err)
			return
		}
	}
	http.SetCookie(c.Writer, &http.Cookie{Name: sessionCookie, Path: "/", MaxAge: -1, HttpOnly: true, Secure: c.Request.TLS != nil, SameSite: http.SameSiteStrictMode})
	c.Redirect(http.StatusSeeOther, "/sign-in")
}

type accountData struct {
	Problem  *pages.ProblemData
	Name     string
	Roles    []account.Role
	May      []account.Scope
	AllSites bool
	Sites    []string
	Admin    bool // may open the others' accounts
	tokenPart
}

// tokenPart lists tokens and has the form for one more.
type tokenPart struct {
	Tokens []account.Token
	Secret string // of the token just made: shown this once
	Scopes []account.Scope
	To     string // where the forms go
	Fields map[string]string
}

// accountPage shows who is signed in and what that allows. secret is of a token
// just made.
func (s *service) accountPage(c *gin.Context, status int, p *pages.ProblemData, secret string) {
	ctx, u, w := c.Request.Context(), s.user(c), s.words(c)
	a, err := s.Accounts.Get(ctx, u.ID)
	if err != nil {
		s.fail(c, err)
		return
	}
	sites, err := s.Store.Archive.Sites(ctx, u.Sites)
	if err != nil {
		s.fail(c, err)
		return
	}
	d := accountData{Problem: p, Name: a.Name, Roles: a.Roles, May: u.Scopes, AllSites: a.AllSites, Admin: u.May(account.Admin)}
	for _, site := range sites {
		d.Sites = append(d.Sites, site.Name)
	}
	if d.tokenPart, err = s.tokens(c, a, u.Scopes, "/account/tokens", secret); err != nil {
		s.fail(c, err)
		return
	}
	s.render(c, status, "account.html", pages.Page{Title: w.Text("account.title"), Data: d})
}

// ownPassword changes the password of whoever is signed in, who proves to know
// the old one. All their sessions end.
func (s *service) ownPassword(c *gin.Context) {
	c.Request.Body = http.MaxBytesReader(c.Writer, c.Request.Body, maxField)
	ctx, u, w := c.Request.Context(), s.user(c), s.words(c)
	secret, _, err := s.Accounts.SignIn(ctx, u.Name, c.PostForm("old"), addressOf(c.RemoteIP()))
	if err == nil {
		err = s.Accounts.SignOut(ctx, secret)
	}
	if err == nil {
		err = s.Accounts.SetPassword(ctx, u.Actor, u.Name, c.PostForm("new"))
	}
	switch {
	case errors.Is(err, account.ErrSignIn):
		s.accountPage(c, http.StatusUnauthorized, &pages.ProblemData{Title: w.Text("account.old_wrong"), Detail: w.Text("account.old_wrong_do"), Code: "wrong_sign_in"}, "")
	case err != nil:
		p := problemOf(err)
		s.accountPage(c, p.Status, s.problemData(c, p), "")
	default:
		c.Redirect(http.StatusSeeOther, "/sign-in?next=/account")
	}
}
