package httpapi

import (
	"errors"
	"net/http"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"beltend/server/archive"
	"beltend/server/measure"
	"beltend/server/pages"
	"beltend/server/report"
)

// cardSets lists the sets of reference cards with the date of their next check.
func (s *service) cardSets(c *gin.Context) { s.cardSetsWith(c, http.StatusOK, nil) }

func (s *service) cardSetsWith(c *gin.Context, status int, p *pages.ProblemData) {
	ctx, u, w := c.Request.Context(), s.user(c), s.words(c)
	d := pages.ReviewCards{Problem: p, May: u.May("review"), Fields: posted(c)}
	var err error
	if d.Sites, err = s.Store.Archive.Sites(ctx, u.Sites); err != nil {
		s.fail(c, err)
		return
	}
	sets, err := s.Store.Archive.CardSets(ctx, u.Sites)
	if err != nil {
		s.fail(c, err)
		return
	}
	for _, set := range sets {
		checks, err := s.Store.Archive.CardChecks(ctx, u.Sites, set.ID)
		if err != nil {
			s.fail(c, err)
			return
		}
		d.Sets = append(d.Sets, pages.CheckSet(set, checks, d.Sites, time.Now()))
	}
	s.render(c, status, "review_cards.html", pages.Page{Title: w.Text("cards.title"), Data: d})
}

// posted are the fields of a form that could not be kept.
func posted(c *gin.Context) map[string]string {
	fields := map[string]string{}
	for name := range c.Request.PostForm {
		fields[name] = c.PostForm(name)
	}
	return fields
}

func (s *service) addCardSet(c *gin.Context) {
	c.Request.Body = http.MaxBytesReader(c.Writer, c.Request.Body, maxField)
	ctx, u := c.Request.Context(), s.user(c)
	set := archive.CardSet{Site: c.PostForm("site"), Number: strings.TrimSpace(c.PostForm("number")), Cards: strings.TrimSpace(c.PostForm("cards")), Note: strings.TrimSpace(c.PostForm("note"))}
	var err error
	set.Printed, err = dayOf(c, "printed")
	if err == nil {
		_, err = s.Store.Archive.Site(ctx, u.Sites, set.Site)
		if errors.Is(err, archive.NotFound) {
			err = &measure.UsageError{Setting: "site", Message: "choose one of yours", Code: "choose_own_site"}
		}
	}
	if err == nil {
		set, err = s.Store.Archive.PutCardSet(ctx, u.Actor, set, "")
	}
	if err != nil {
		p := problemOf(err)
		s.cardSetsWith(c, p.Status, s.problemData(c, p))
		return
	}
	c.Redirect(http.StatusSeeOther, "/review/cards/"+set.ID)
}

func dayOf(c *gin.Context, name string) (time.Time, error) {
	v := strings.TrimSpace(c.PostForm(name))
	if v == "" {
		return time.Time{}, nil
	}
	t, err := time.Parse(time.DateOnly, v)
	if err != nil {
		err = &measure.UsageError{Setting: name, Message: "is no day like 2026-03-31", Code: "no_day"}
	}
	return t, err
}

// cardSet shows a set, its checks, and all that was measured with it since its
// last good one.
func (s *service) cardSet(c *gin.Context) { s.cardSetWith(c, http.StatusOK, nil) }

func (s *service) cardSetWith(c *gin.Context, status int, p *pages.ProblemData) {
	ctx, u, w := c.Request.Context(), s.user(c), s.words(c)
	set, err := s.Store.Archive.CardSet(ctx, u.Sites, c.Param("id"))
	if err != nil {
		s.fail(c, err)
		return
	}
	checks, err := s.Store.Archive.CardChecks(ctx, u.Sites, set.ID)
	if err != nil {
		s.fail(c, err)
		return
	}
	sites, err := s.Store.Archive.Sites(ctx, u.Sites)
	if err != nil {
		s.fail(c, err)
		return
	}
	since, err := s.Store.Archive.SinceLastGoodCheck(ctx, u.Sites, set.ID, c.Query("after"), reviewPage)
	if err != nil {
		s.fail(c, err)
		return
	}
	d := pages.ReviewCardSet{Problem: p, May: u.May("review"), Fields: posted(c), Reviewer: u.Name, Set: pages.CheckSet(set, checks, sites, time.Now()), Checks: checks,
		Rows: pages.ReviewRows(w, since.Items, s.view(c).Inches), Next: next(c, since.Next)}
	s.render(c, status, "review_card_set.html", pages.Page{Title: w.Text("cards.set", set.Number), Data: d})
}

func (s *service) addCardCheck(c *gin.Context) {
	c.Request.Body = http.MaxBytesReader(c.Writer, c.Request.Body, maxField)
	ctx, u := c.Request.Context(), s.user(c)
	set, err := s.Store.Archive.CardSet(ctx, u.Sites, c.Param("id"))
	if err != nil {
		s.fail(c, err)
		return
	}
	check := archive.CardCheck{CardSet: set.ID, Rule: strings.TrimSpace(c.PostForm("rule")), Good: c.PostForm("good") == "yes", Person: u.Name, Note: strings.TrimSpace(c.PostForm("note"))}
	for _, l := range []struct {
		name string
		to   *float64
	}{{"across", &check.AcrossMM}, {"up", &check.UpMM}} {
		if err == nil {
			if *l.to, err = report.ReadLength(c.PostForm(l.name)); err != nil || *l.to <= 0 {
				err = &measure.UsageError{Setting: l.name, Message: "is no length in mm", Code: "no_length_mm"}
			}
		}
	}
	if v := c.PostForm("good"); err == nil && v != "yes" && v != "no" {
		err = &measure.UsageError{Setting: "good", Message: "say whether the cards are good", Code: "cards_good"}
	}
	if err == nil {
		check.RuleDue, err = dayOf(c, "rule-due")
	}
	if err == nil {
		check.Due, err = dayOf(c, "due")
	}
	if err == nil {
		_, err = s.Store.Archive.AddCardCheck(ctx, u.Actor, check)
	}
	if err != nil {
		p := problemOf(err)
		s.cardSetWith(c, p.Status, s.problemData(c, p))
		return
	}
	c.Redirect(http.StatusSeeOther, "/review/cards/"+set.ID)
}
