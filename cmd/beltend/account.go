package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"golang.org/x/term"

	"beltend/server/account"
	"beltend/server/archive"
	"beltend/server/measure"
)

type accountCmd struct {
	Add      accountAddCmd      `cmd:"" help:"Add an account. The password is asked for, or read from standard input."`
	List     accountListCmd     `cmd:"" help:"List the accounts with their roles and sites."`
	Disable  accountDisableCmd  `cmd:"" help:"Close an account: its sessions end, its tokens no longer serve."`
	Enable   accountEnableCmd   `cmd:"" help:"Open a closed account again."`
	Password accountPasswordCmd `cmd:"" help:"Give an account a new password; its sessions end."`
	Token    accountTokenCmd    `cmd:"" help:"Make a token for a program, list them, revoke one."`
	Site     accountSiteCmd     `cmd:"" help:"Add a site, or say whether its joints are accepted by two persons."`
}

// accountFlags say where the archive is, and who acts.
type accountFlags struct {
	archiveFlags
	By string `placeholder:"NAME" setting:"name" help:"Who does this, as the records name you (default: the name you are signed in with)."`
}

func (f *accountFlags) with(ctx context.Context, do func(a *archive.Archive, by archive.Actor) error) error {
	at, err := f.own()
	if err != nil {
		return err
	}
	a, err := archive.Open(ctx, at)
	if err != nil {
		return err
	}
	err = do(a, localPerson(f.By).Actor)
	if errors.Is(err, archive.Invalid) { // a wrong flag, not a fault
		setting, message, _ := strings.Cut(archive.Message(err), ": ")
		err = &measure.UsageError{Setting: setting, Message: message}
	}
	return errors.Join(err, a.Close())
}

// siteIDs finds sites by their names.
func siteIDs(ctx context.Context, a *archive.Archive, names []string) ([]string, error) {
	all, err := a.Sites(ctx, archive.AllSites())
	if err != nil {
		return nil, err
	}
	var ids []string
	for _, name := range names {
		i := slices.IndexFunc(all, func(s archive.Site) bool { return s.Name == name })
		if i < 0 {
			return nil, &measure.UsageError{Setting: "site", Message: fmt.Sprintf("there is no site %q; beltend account site adds one", name)}
		}
		ids = append(ids, all[i].ID)
	}
	return ids, nil
}

type accountAddCmd struct {
	Name     string         `arg:"" help:"Name to sign in with, and to stand on the records."`
	Role     []account.Role `required:"" placeholder:"ROLE" help:"technician, trainer, reviewer or administrator; again for more."`
	Site     []string       `placeholder:"NAME" sep:"none" help:"A site that the account belongs to; again for more."`
	AllSites bool           `help:"Belongs to all sites, also to later ones."`
	accountFlags
}

// Run adds the account.
func (c *accountAddCmd) Run(ctx context.Context, std streams) error {
	return c.with(ctx, func(a *archive.Archive, by archive.Actor) error {
		sites, err := siteIDs(ctx, a, c.Site)
		if err != nil {
			return err
		}
		password, err := readPassword(std)
		if err != nil {
			return err
		}
		made, err := account.New(a).Add(ctx, by, account.Account{Name: c.Name, Roles: c.Role, Sites: sites, AllSites: c.AllSites}, password)
		if err == nil {
			fmt.Fprintf(std.out, "%s may sign in.\n", made.Name)
		}
		return err
	})
}

// readPassword asks twice at a terminal, and reads one line otherwise.
func readPassword(std streams) (string, error) {
	in, ok := std.in.(*os.File)
	if !ok || !term.IsTerminal(int(in.Fd())) { //nolint:gosec // a file descriptor fits
		line, err := bufio.NewReader(std.in).ReadString('\n')
		if err != nil && !(errors.Is(err, io.EOF) && line != "") {
			return "", &measure.UsageError{Setting: "password", Message: "none came on standard input"}
		}
		return strings.TrimRight(line, "\r\n"), nil
	}
	ask := func(prompt string) (string, error) {
		fmt.Fprint(std.err, prompt)
		b, err := term.ReadPassword(int(in.Fd())) //nolint:gosec // a file descriptor fits
		fmt.Fprintln(std.err)
		return string(b), err
	}
	first, err := ask("Password: ")
	if err != nil {
		return "", err
	}
	again, err := ask("Again: ")
	if err == nil && first != again {
		err = &measure.UsageError{Setting: "password", Message: "the two differ"}
	}
	return first, err
}

type accountListCmd struct{ accountFlags }

// Run lists.
func (c *accountListCmd) Run(ctx context.Context, std streams) error {
	return c.with(ctx, func(a *archive.Archive, _ archive.Actor) error {
		all, err := account.New(a).List(ctx)
		if err != nil {
			return err
		}
		sites, err := a.Sites(ctx, archive.AllSites())
		if err != nil {
			return err
		}
		names := map[string]string{}
		for _, s := range sites {
			names[s.ID] = s.Name
		}
		w := tabwriter.NewWriter(std.out, 0, 4, 2, ' ', 0)
		fmt.Fprintln(w, "NAME\tROLES\tSITES\tSTATE")
		for _, one := range all {
			var roles, where []string
			for _, r := range one.Roles {
				roles = append(roles, string(r))
			}
			for _, s := range one.Sites {
				where = append(where, names[s])
			}
			if one.AllSites {
				where = []string{"all"}
			}
			state := "open"
			if one.Disabled {
				state = "disabled"
			}
			fmt.Fprintf(w, "%s\t%s\t%s\t%s\n", one.Name, strings.Join(roles, ", "), strings.Join(where, ", "), state)
		}
		return w.Flush()
	})
}

type accountDisableCmd struct {
	Name string `arg:"" help:"Whose account."`
	accountFlags
}

// Run closes the account.
func (c *accountDisableCmd) Run(ctx context.Context, std streams) error {
	return c.with(ctx, func(a *archive.Archive, by archive.Actor) error {
		one, err := account.New(a).SetDisabled(ctx, by, c.Name, true)
		if err == nil {
			fmt.Fprintf(std.out, "%s may not sign in any more.\n", one.Name)
		}
		return err
	})
}

type accountEnableCmd struct {
	Name string `arg:"" help:"Whose account."`
	accountFlags
}

// Run opens the account again.
func (c *accountEnableCmd) Run(ctx context.Context, std streams) error {
	return c.with(ctx, func(a *archive.Archive, by archive.Actor) error {
		one, err := account.New(a).SetDisabled(ctx, by, c.Name, false)
		if err == nil {
			fmt.Fprintf(std.out, "%s may sign in again.\n", one.Name)
		}
		return err
	})
}

type accountPasswordCmd struct {
	Name string `arg:"" help:"Whose account."`
	accountFlags
}

// Run changes the password.
func (c *accountPasswordCmd) Run(ctx context.Context, std streams) error {
	return c.with(ctx, func(a *archive.Archive, by archive.Actor) error {
		password, err := readPassword(std)
		if err != nil {
			return err
		}
		if err := account.New(a).SetPassword(ctx, by, c.Name, password); err != nil {
			return err
		}
		fmt.Fprintln(std.out, "The password is changed.")
		return nil
	})
}

type accountTokenCmd struct {
	Name   string          `arg:"" help:"Whose account the program acts for."`
	Scope  []account.Scope `placeholder:"SCOPE" help:"read, measure, review or admin; again for more. Without one the tokens are listed."`
	Label  string          `placeholder:"TEXT" help:"What it is for."`
	Days   int             `default:"90" help:"How long it serves."`
	Revoke string          `placeholder:"ID" help:"End this token."`
	accountFlags
}

// Run makes, lists or revokes.
func (c *accountTokenCmd) Run(ctx context.Context, std streams) error {
	return c.with(ctx, func(a *archive.Archive, by archive.Actor) error {
		accounts := account.New(a)
		switch {
		case c.Revoke != "":
			if err := accounts.RevokeToken(ctx, by, c.Revoke); err != nil {
				return err
			}
			fmt.Fprintln(std.out, "The token is revoked.")
			return nil
		case len(c.Scope) > 0:
			secret, t, err := accounts.AddToken(ctx, by, c.Name, c.Label, c.Scope, time.Now().AddDate(0, 0, c.Days))
			if err != nil {
				return err
			}
			fmt.Fprintf(std.err, "Token %s serves until %s. It is shown this once:\n", t.ID, t.Expires.Format("2006-01-02"))
			fmt.Fprintln(std.out, secret)
			return nil
		}
		tokens, err := accounts.Tokens(ctx, c.Name)
		if err != nil {
			return err
		}
		w := tabwriter.NewWriter(std.out, 0, 4, 2, ' ', 0)
		fmt.Fprintln(w, "ID\tSCOPES\tUNTIL\tLABEL")
		for _, t := range tokens {
			fmt.Fprintf(w, "%s\t%s\t%s\t%s\n", t.ID, t.Scopes, t.Expires.Format("2006-01-02"), t.Label)
		}
		return w.Flush()
	})
}

type accountSiteCmd struct {
	Name    string `arg:"" help:"The site's name."`
	TwoSign string `name:"two-sign" enum:",yes,no" default:"" help:"Whether a joint is accepted only by two persons: yes or no."`
	KeepLoc string `name:"keep-location" enum:",yes,no" default:"" help:"Whether photos keep the place where they were taken, yes or no; else it is taken out before they are kept."`
	accountFlags
}

// Run adds or changes the site.
func (c *accountSiteCmd) Run(ctx context.Context, std streams) error {
	return c.with(ctx, func(a *archive.Archive, by archive.Actor) error {
		all, err := a.Sites(ctx, archive.AllSites())
		if err != nil {
			return err
		}
		site := archive.Site{Name: c.Name}
		for _, s := range all {
			if s.Name == c.Name {
				site = s
			}
		}
		if c.TwoSign != "" {
			site.TwoSign = c.TwoSign == "yes"
		}
		if c.KeepLoc != "" {
			site.KeepLocation = c.KeepLoc == "yes"
		}
		if site, err = a.PutSite(ctx, by, site, ""); err != nil {
			return err
		}
		signs := "one person"
		if site.TwoSign {
			signs = "two persons"
		}
		location := "the location is taken out of photos"
		if site.KeepLocation {
			location = "photos keep their location"
		}
		fmt.Fprintf(std.out, "Site %s: joints are accepted by %s; %s.\n", site.Name, signs, location)
		return nil
	})
}
