package main

import (
	"context"
	"errors"
	"fmt"
	"text/tabwriter"

	"beltend/server/archive"
	"beltend/server/measure"
)

type archiveRetainCmd struct {
	archiveFlags
	By        string   `placeholder:"NAME" setting:"name" help:"Who does this, as the records name you (default: the name you are signed in with)."`
	SignedOff string   `placeholder:"AGE" help:"Let photos of joints go that were signed off longer ago, as in 5y or 400d. A joint with anything in it that is not signed off is kept."`
	Refused   string   `placeholder:"AGE" help:"Let photos go that gave no answer and are older, as in 90d. Those of a joint that is not signed off are kept."`
	Site      []string `placeholder:"NAME" sep:"none" help:"Only at this site; again for more."`
	Remove    bool     `help:"Take them away. Without it they are only listed."`
}

// check reads the ages.
func (c *archiveRetainCmd) check() []*measure.UsageError {
	_, wrong := c.rules()
	if c.SignedOff == "" && c.Refused == "" {
		wrong = append(wrong, &measure.UsageError{Setting: "signed-off", Message: "without a rule everything is kept: give --signed-off AGE, --refused AGE or both"})
	}
	return wrong
}

func (c *archiveRetainCmd) rules() (archive.Rules, []*measure.UsageError) {
	rules := archive.Rules{Sites: archive.AllSites()}
	var wrong []*measure.UsageError
	for _, r := range []struct {
		setting, text string
		to            *archive.Age
	}{{"signed-off", c.SignedOff, &rules.SignedOff}, {"refused", c.Refused, &rules.Refused}} {
		if r.text == "" {
			continue
		}
		var err error
		if *r.to, err = archive.ParseAge(r.text); err != nil {
			wrong = append(wrong, &measure.UsageError{Setting: r.setting, Message: err.Error()})
		}
	}
	return rules, wrong
}

// Run lists or removes.
func (c *archiveRetainCmd) Run(ctx context.Context, std streams) error {
	rules, _ := c.rules() // checked
	return c.with(ctx, func(a *archive.Archive) error {
		if len(c.Site) > 0 {
			ids, err := siteIDs(ctx, a, c.Site)
			if err != nil {
				return err
			}
			rules.Sites = archive.SomeSites(ids...)
		}
		w := tabwriter.NewWriter(std.out, 0, 4, 2, ' ', 0)
		said := false
		sum, err := a.Retain(ctx, localPerson(c.By).Actor, rules, !c.Remove, func(d archive.Due) {
			if !said {
				fmt.Fprintln(w, "SITE\tJOINT\tRULE\tBYTES\tPHOTO\tNAME")
				said = true
			}
			fmt.Fprintf(w, "%s\t%s\t%s\t%d\t%s\t%s\n", d.SiteName, d.JointNumber, d.Rule, d.Bytes, d.SHA256, d.Name)
		})
		if err := errors.Join(err, w.Flush()); err != nil {
			return err
		}
		if c.Remove {
			fmt.Fprintf(std.out, "Took away %d photos (%d bytes). Records, results and events stay.\n", sum.Photos, sum.Bytes)
		} else {
			fmt.Fprintf(std.out, "%d photos (%d bytes) may go; --remove takes them away.\n", sum.Photos, sum.Bytes)
		}
		if sum.Waiting > 0 {
			fmt.Fprintf(std.out, "%d joints are older than the rule and kept: they are not signed off.\n", sum.Waiting)
		}
		return nil
	})
}
