package httpapi

import (
	"context"
	"errors"
	"net/http"
	"strings"

	"github.com/gin-gonic/gin"

	"beltend/server/account"
	"beltend/server/archive"
	"beltend/server/measure"
	"beltend/server/pages"
)

// routesPeople adds the administrator's pages. An administrator changes accounts
// that belong to no other sites than the own; of an account that also belongs
// elsewhere it shows the shared sites alone, and all others are not there.
func (s *service) routesPeople(r *gin.Engine) {
	r.GET("/account/people", func(c *gin.Context) { s.peoplePage(c, http.StatusOK, nil) })
	r.POST("/account/people", s.addPerson)
	r.GET("/account/people/:id", s.person)
	r.POST("/account/people/:id/access", s.change(s.setAccess))
	r.POST("/account/people/:id/disabled", s.change(s.setDisabled))
	r.POST("/account/people/:id/password", s.change(s.setPassword))
	r.POST("/account/people/:id/tokens", s.personToken)
	r.POST("/account/people/:id/tokens/:token/revoke", s.change(s.revoke))
	r.POST("/account/sites", s.addSite)
	r.POST("/account/sites/:id", s.changeSite)
}

// personRow is an account in the list.
type personRow struct {
	account.Account
	Names   []string // of the sites that the administrator shares
	Others  bool     // it belongs to sites beyond
	Manages bool
	Self    bool
}

type peopleData struct {
	Problem *pages.ProblemData
	People  []personRow
	Sites   []archive.Site
	All     bool // the administrator is of all sites
	Roles   []account.Role
	Fields  map[string]string
	Marked  map[string]bool // "role technician", "site ID": as the form was sent
}

var roleOrder = []account.Role{account.Technician, account.Trainer, account.Reviewer, account.Administrator}

func (s *service) rowOf(u account.User, a account.Account, sites []archive.Site) personRow {
	row := personRow{Account: a, Manages: u.Manages(a), Self: u.ID == a.ID}
	for _, site := range sites {
		if a.Where().Has(site.ID) {
			row.Names = append(row.Names, site.Name)
		}
	}
	row.Others = !a.AllSites && len(row.Names) < len(a.Sites)
	return row
}

func (s *service) peoplePage(c *gin.Context, status int, p *pages.ProblemData) {
	ctx, u, w := c.Request.Context(), s.user(c), s.words(c)
	d := peopleData{Problem: p, All: u.Sites.All(), Roles: roleOrder, Fields: posted(c), Marked: map[string]bool{"all": c.PostForm("all-sites") == "yes"}}
	for _, name := range []string{"role", "site"} {
		for _, v := range c.PostFormArray(name) {
			d.Marked[name+" "+v] = true
		}
	}
	var err error
	if d.Sites, err = s.Store.Archive.Sites(ctx, u.Sites); err != nil {
		s.fail(c, err)
		return
	}
	all, err := s.Accounts.List(ctx)
	if err != nil {
		s.fail(c, err)
		return
	}
	for _, a := range all {
		if u.Sees(a) {
			d.People = append(d.People, s.rowOf(u, a, d.Sites))
		}
	}
	s.render(c, status, "account_people.html", pages.Page{Title: w.Text("accounts.title"), Data: d})
}

// access reads roles and sites from a form, and refuses what the administrator
// cannot give.
func access(c *gin.Context, u account.User) (roles []account.Role, all bool, sites []string, err error) {
	for _, r := range c.PostFormArray("role") {
		roles = append(roles, account.Role(r))
	}
	all = c.PostForm("all-sites") == "yes"
	if !all {
		sites = c.PostFormArray("site")
	}
	if all && !u.Sites.All() {
		return roles, all, sites, &measure.UsageError{Setting: "all-sites", Message: "only an administrator of all sites gives all sites", Code: "all_sites"}
	}
	for _, site := range sites {
		if !u.Sites.Has(site) {
			return roles, all, sites, &measure.UsageError{Setting: "site", Message: "choose among yours", Code: "choose_site"}
		}
	}
	return roles, all, sites, nil
}

func (s *service) addPerson(c *gin.Context) {
	c.Request.Body = http.MaxBytesReader(c.Writer, c.Request.Body, maxField)
	u := s.user(c)
	a := account.Account{Name: c.PostForm("name")}
	var err error
	if a.Roles, a.AllSites, a.Sites, err = access(c, u); err == nil {
		a, err = s.Accounts.Add(c.Request.Context(), u.Actor, a, c.PostForm("password"))
	}
	if err != nil {
		p := problemOf(err)
		s.peoplePage(c, p.Status, s.problemData(c, p))
		return
	}
	c.Redirect(http.StatusSeeOther, "/account/people/"+a.ID)
}

type personData struct {
	Problem *pages.ProblemData
	personRow
	All    bool
	Choose []archive.Site // that may be given
	Roles  []account.Role
	Has    map[string]bool // "role technician", "site ID"
	Events []archive.Event
	tokenPart
}

// found gives the account in the address, if the administrator may know of it.
func (s *service) found(c *gin.Context) (account.Account, error) {
	a, err := s.Accounts.Get(c.Request.Context(), c.Param("id"))
	if err == nil && !s.user(c).Sees(a) {
		err = archive.NotFound
	}
	return a, err
}

func (s *service) person(c *gin.Context) { s.personPage(c, http.StatusOK, nil, "") }

func (s *service) personPage(c *gin.Context, status int, p *pages.ProblemData, secret string) {
	ctx, u := c.Request.Context(), s.user(c)
	a, err := s.found(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	d := personData{Problem: p, All: u.Sites.All(), Roles: roleOrder, Has: map[string]bool{"all": a.AllSites}}
	if d.Choose, err = s.Store.Archive.Sites(ctx, u.Sites); err != nil {
		s.fail(c, err)
		return
	}
	d.personRow = s.rowOf(u, a, d.Choose)
	for _, r := range a.Roles {
		d.Has["role "+string(r)] = true
	}
	for _, site := range a.Sites {
		d.Has["site "+site] = true
	}
	if d.Manages {
		// Whoever manages the account may read what was done to it, which is of no site.
		if d.Events, err = s.Store.Archive.Events(ctx, archive.EventQuery{Sites: archive.AllSites(), Subject: "account/" + a.ID, Limit: eventsShown}); err != nil {
			s.fail(c, err)
			return
		}
		if d.tokenPart, err = s.tokens(c, a, account.Scopes, "/account/people/"+a.ID+"/tokens", secret); err != nil {
			s.fail(c, err)
			return
		}
	}
	s.render(c, status, "account_person.html", pages.Page{Title: a.Name, Data: d})
}

var problemManage = problem{Status: http.StatusForbidden, Code: "not_managed", Detail: "This account belongs to sites beyond yours.", Advice: "Ask an administrator of all its sites."}

// managed gives the account in the address, if the administrator may change it.
func (s *service) managed(c *gin.Context) (account.Account, error) {
	a, err := s.found(c)
	if err == nil && !s.user(c).Manages(a) {
		err = problemManage
	}
	return a, err
}

// change makes a change to an account and shows the account again.
func (s *service) change(do func(c *gin.Context, a account.Account) error) gin.HandlerFunc {
	return func(c *gin.Context) {
		c.Request.Body = http.MaxBytesReader(c.Writer, c.Request.Body, maxField)
		a, err := s.managed(c)
		if err != nil {
			s.fail(c, err)
			return
		}
		var usage *measure.UsageError
		err = do(c, a)
		if errors.Is(err, archive.Invalid) || errors.Is(err, archive.Conflict) || errors.As(err, &usage) {
			p := problemOf(err)
			s.personPage(c, p.Status, s.problemData(c, p), "")
			return
		}
		if err != nil {
			s.fail(c, err)
			return
		}
		c.Redirect(http.StatusSeeOther, "/account/people/"+a.ID)
	}
}

// setAccess changes roles and sites. Nobody takes the administrator's role from
// themselves: somebody has to be left who can give it back.
func (s *service) setAccess(c *gin.Context, a account.Account) error {
	u := s.user(c)
	roles, all, sites, err := access(c, u)
	if err != nil {
		return err
	}
	if a.ID == u.ID {
		return &measure.UsageError{Setting: "role", Message: "another administrator changes your own roles and sites", Code: "own_role"}
	}
	_, err = s.Accounts.SetAccess(c.Request.Context(), u.Actor, a.ID, roles, all, sites)
	return err
}

func (s *service) setDisabled(c *gin.Context, a account.Account) error {
	u, disabled := s.user(c), c.PostForm("disabled") == "yes"
	if a.ID == u.ID {
		return &measure.UsageError{Setting: "disabled", Message: "another administrator closes your own account", Code: "own_account"}
	}
	_, err := s.Accounts.SetDisabled(c.Request.Context(), u.Actor, a.Name, disabled)
	return err
}

// setPassword gives somebody else a new password; the own one asks for the old.
func (s *service) setPassword(c *gin.Context, a account.Account) error {
	u := s.user(c)
	if a.ID == u.ID {
		return &measure.UsageError{Setting: "password", Message: "change your own on the page of your account, with the present one", Code: "own_password"}
	}
	return s.Accounts.SetPassword(c.Request.Context(), u.Actor, a.Name, c.PostForm("password"))
}

func (s *service) personToken(c *gin.Context) {
	a, err := s.managed(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	secret, err := s.newToken(c, a, account.Scopes)
	if err != nil {
		p := problemOf(err)
		s.personPage(c, p.Status, s.problemData(c, p), "")
		return
	}
	s.personPage(c, http.StatusOK, nil, secret)
}

// addSite begins a site; only an administrator of all sites belongs to it then.
func (s *service) addSite(c *gin.Context) {
	s.putSite(c, func(ctx context.Context, u account.User) (archive.Site, error) {
		if !u.Sites.All() {
			return archive.Site{}, problemAllowed
		}
		return archive.Site{Name: strings.TrimSpace(c.PostForm("site-name"))}, nil
	})
}

// changeSite says whether joints of a site are accepted by two persons, and whether
// its photos keep their location; what the form leaves out stays.
func (s *service) changeSite(c *gin.Context) {
	s.putSite(c, func(ctx context.Context, u account.User) (archive.Site, error) {
		return s.Store.Archive.Site(ctx, u.Sites, c.Param("id"))
	})
}

func (s *service) putSite(c *gin.Context, which func(context.Context, account.User) (archive.Site, error)) {
	c.Request.Body = http.MaxBytesReader(c.Writer, c.Request.Body, maxField)
	ctx, u := c.Request.Context(), s.user(c)
	site, err := which(ctx, u)
	if err == nil {
		for name, to := range map[string]*bool{"two-sign": &site.TwoSign, "keep-location": &site.KeepLocation} {
			if v, asked := c.GetPostForm(name); asked {
				*to = v == "yes"
			}
		}
		_, err = s.Store.Archive.PutSite(ctx, u.Actor, site, "")
	}
	if errors.Is(err, archive.Invalid) || errors.Is(err, archive.Conflict) {
		p := problemOf(err)
		s.peoplePage(c, p.Status, s.problemData(c, p))
		return
	}
	if err != nil {
		s.fail(c, err)
		return
	}
	c.Redirect(http.StatusSeeOther, "/account/people")
}
