package httpapi

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"beltend/server/archive"
	"beltend/server/drawing"
	"beltend/server/pages"
	"beltend/server/pictures"
	"beltend/server/plan"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/server/store"
)

// jointPaper is a joint's whole record on paper.
func (s *service) jointPaper(c *gin.Context) {
	h, err := s.head(c)
	var b []byte
	if err == nil && h.Number == store.Loose { // no joint
		err = problemNotFound
	}
	if err == nil {
		b, err = s.paperOf(c, &h)
	}
	if err != nil {
		s.fail(c, err)
		return
	}
	c.Header("Content-Disposition", `inline; filename="joint.pdf"`)
	c.Header("Cache-Control", "no-store") // more is measured and signed
	c.Data(http.StatusOK, "application/pdf", b)
}

// gathering puts a joint's record together from what the archive keeps.
type gathering struct {
	*service
	ctx   context.Context
	sites archive.Sites
	w     *pages.Words
	o     report.Options
	h     *pages.JointHead
	made  []archive.Found // everything, oldest first
	looks []archive.Finished
	r     drawing.Record
}

func (s *service) paperOf(c *gin.Context, h *pages.JointHead) ([]byte, error) {
	o := s.reads(c)
	g := &gathering{service: s, ctx: c.Request.Context(), sites: s.who(c).Sites, w: pages.In(o.Lang), o: o, h: h}
	if err := g.gather(); err != nil {
		return nil, err
	}
	if err := g.chain(s.who(c).Actor); err != nil {
		return nil, err
	}
	g.r.By, g.r.Issued = s.who(c).Name, time.Now()
	return drawing.Paper(&g.r, o)
}

func (g *gathering) gather() error {
	a := g.Store.Archive
	var err error
	for after := ""; ; {
		found, err := a.Search(g.ctx, archive.Query{Sites: g.sites, Joint: g.h.ID, Limit: 500, After: after})
		if err != nil {
			return err
		}
		g.made = append(g.made, found.Items...)
		if after = found.Next; after == "" {
			break
		}
	}
	slices.Reverse(g.made)
	if g.looks, err = a.FinishedOf(g.ctx, g.sites, g.h.ID); err != nil {
		return err
	}
	site, err := a.Site(g.ctx, g.sites, g.h.Site)
	if err != nil {
		return err
	}
	g.r.TwoSign = site.TwoSign
	g.head()
	for i := range g.made {
		g.history(&g.made[i])
	}
	for _, step := range []func() error{g.signs, g.ends, g.pair, g.plan, g.look, g.photos} {
		if err := step(); err != nil {
			return err
		}
	}
	return nil
}

// chain ends with the report's own event, written last: all that the record shows lies
// before it, and the record's number is the event's.
func (g *gathering) chain(by archive.Actor) error {
	a := g.Store.Archive
	head, err := a.Reported(g.ctx, by, "joint.pdf", g.sites, g.h.ID, "")
	if err != nil {
		return err
	}
	g.r.Number = fmt.Sprintf("%s-%d", g.h.ID, head.Seq)
	g.r.Chain = drawing.ChainEnd{Head: head.String(), Archive: head.Archive}
	if a.Signs() {
		signed, err := a.SignedHead(g.ctx)
		if err != nil {
			return err
		}
		g.r.Chain.Fingerprint = signed.Fingerprint()
	}
	return nil
}

// head is what the joint is, as it was begun.
func (g *gathering) head() {
	w, h := g.w, g.h
	where := func(key, text string) {
		g.r.Where = append(g.r.Where, report.Row{Label: w.Text("joint." + key), Text: text})
	}
	where("site", h.SiteName)
	where("conveyor", h.ConveyorName)
	where("belt", h.BeltName)
	where("number", h.Number)
	item := func(key, text string) {
		if text != "" {
			g.r.Item = append(g.r.Item, report.Row{Label: w.Text("joint." + key), Text: text})
		}
	}
	mm := func(v float64) string {
		if v == 0 {
			return ""
		}
		return report.Length(v, g.o)
	}
	item("width", mm(h.NominalMM))
	item("thickness", mm(h.ThicknessMM))
	if h.Covers != "" {
		item("covers", report.Covers(h.Covers, g.o))
	}
	item("pulley", mm(h.SmallestPulleyMM))
	item("travel", h.Travel)
	if h.FaceUp != "" {
		item("face", w.Text("face."+h.FaceUp))
	}
	item("note", h.Note)
	state := w.When(h.Opened)
	if h.Closed {
		state += "; " + w.Text("joint.closed")
	}
	g.r.Item = append(g.r.Item, report.Row{Label: w.Text("record.opened"), Text: state})
	if c := h.Cautions; c != nil {
		g.r.Item = append(g.r.Item, report.Row{Label: w.Text("cautions.title"), Text: w.Text("joint.acknowledged", c.Name, w.When(c.Time), c.Text)})
	}
	if h.ToleranceMM > 0 {
		g.r.Limit = "± " + report.Length(h.ToleranceMM, g.o) + ", " + h.ToleranceOrigin
	}
}

// history is one line of everything measured or refused.
func (g *gathering) history(f *archive.Found) {
	m := drawing.Made{Time: f.Time, End: f.End, Step: f.Step, Person: f.Person, Verdict: f.Verdict, Review: f.Review, Again: f.SupersededBy != "", Beside: f.Beside != "", Promoted: f.Promotes != "", CardsDoubtful: f.CardDoubt}
	switch {
	case f.Refusal != "":
		m.Verdict, m.Review, m.Answer = "refused", "none", g.w.Or("problem."+f.Refusal, f.Refusal)
	case m.Beside, m.Again && m.Review == "":
		m.Review = "none"
	case m.Review == "":
		m.Review = "open"
	}
	if f.OffsetMM != nil && f.U95MM != nil {
		m.Answer = report.Signed(*f.OffsetMM, g.o) + " ± " + report.Expanded(*f.U95MM, g.o)
	}
	g.r.Made = append(g.r.Made, m)
}

// number is a measurement's in the history, from 1.
func (g *gathering) number(id string) int {
	return slices.IndexFunc(g.made, func(f archive.Found) bool { return f.ID == id }) + 1
}

func (g *gathering) signs() error {
	reviews, err := g.Store.Archive.Reviews(g.ctx, g.sites, g.h.ID)
	for _, r := range reviews {
		g.r.Signs = append(g.r.Signs, drawing.Sign{No: g.number(r.Measurement), Outcome: r.Outcome, Person: r.Person, Time: r.Time, Reason: r.Reason, ConcessionBy: r.ConcessionBy})
	}
	return err
}

// ends are each end's first and newest answers.
func (g *gathering) ends() error {
	for i, end := range pages.Ends {
		e := &g.r.Ends[i]
		e.End = end
		var answers []*archive.Found
		for k := range g.made {
			if f := &g.made[k]; f.End == end && f.Stands() && f.OffsetMM != nil {
				answers = append(answers, f)
			}
		}
		if len(answers) == 0 {
			continue
		}
		first, last := answers[0], answers[len(answers)-1]
		for _, f := range slices.Backward(answers) { // a line drawn since is no newer end
			if f.Step != archive.StepDrawn {
				last = f
				break
			}
		}
		var err error
		if e.After, err = g.measured(last); err != nil {
			return err
		}
		if first != last && first.Time.Before(last.Time) {
			if e.Before, err = g.measured(first); err != nil {
				return err
			}
		}
	}
	return nil
}

// measured is an answer with its pictures.
func (g *gathering) measured(f *archive.Found) (*drawing.Measured, error) {
	r, err := g.Store.Get(g.ctx, g.sites, f.ID)
	if err != nil {
		return nil, err
	}
	m := &drawing.Measured{Result: r.Measurement, No: g.number(f.ID), Step: f.Step, Time: f.Time, Person: f.Person, Camera: f.CameraProfile,
		State: pages.SignState(f.Review, f.Signs, g.r.TwoSign)}
	if m.Cards, err = g.cards(f); err != nil {
		return nil, err
	}
	for i := range r.Measurement.Photos {
		if r.Measurement.Photos[i].LeftOut != "" {
			continue
		}
		m.Picture, err = g.Store.Picture(g.ctx, g.sites, f.ID, fmt.Sprintf("overlay-%d.jpg", i+1), g.o, nil)
		if err != nil && !errors.Is(err, archive.Removed) && !errors.Is(err, archive.NotFound) {
			return nil, err
		}
		break
	}
	m.Profile, err = pictures.Profile(r.Measurement, "png", g.o)
	if errors.Is(err, pictures.ErrNone) {
		err = nil
	}
	return m, err
}

// cards names the card set with its last check before the measurement, and the rule
// it was checked with.
func (g *gathering) cards(f *archive.Found) (string, error) {
	if f.CardSet == "" {
		return "", nil
	}
	text := f.CardSetNo
	checks, err := g.Store.Archive.CardChecks(g.ctx, g.sites, f.CardSet)
	if err != nil {
		return "", err
	}
	i := slices.IndexFunc(checks, func(c archive.CardCheck) bool { return !c.Time.After(f.Time) })
	if i < 0 {
		return text + "; " + g.w.Text("paper.cards_unchecked"), nil
	}
	c := checks[i]
	found := g.w.Text("cards.bad")
	if c.Good {
		found = g.w.Text("cards.good")
	}
	text += "; " + g.w.Text("paper.cards_checked", c.Time.Format(time.DateOnly), report.Length(c.AcrossMM, g.o), report.Length(c.UpMM, g.o), c.Rule, found)
	if !c.RuleDue.IsZero() {
		text += "; " + g.w.Text("paper.rule_due", c.RuleDue.Format(time.DateOnly))
	}
	if f.CardDoubt {
		text += "; " + g.w.Text("cards.doubt")
	}
	return text, nil
}

// pair is both ends together, where both have a measured cut.
func (g *gathering) pair() error {
	var ends [2]*result.Measurement
	for i := range g.r.Ends {
		m := g.r.Ends[i].After
		if m == nil || m.Step == archive.StepDrawn {
			return nil
		}
		ends[i] = m.Result
	}
	face := g.h.FaceUp
	r, err := plan.Joint(func(name string) string {
		if strings.HasSuffix(name, "-"+plan.Face) {
			return face
		}
		return ""
	}, ends[0], ends[1])
	g.r.Pair = r
	return err
}

// plan is the newest plan kept with the joint.
func (g *gathering) plan() error {
	plans, err := g.Store.Archive.JointPlans(g.ctx, g.sites, g.h.ID)
	if err != nil || len(plans) == 0 {
		return err
	}
	k := &plans[0]
	r, err := k.Decode()
	if err != nil {
		return err
	}
	newest := slices.Clone(g.made)
	slices.Reverse(newest)
	lead, _ := lastCut(newest, archive.Leading)
	trail, _ := lastCut(newest, archive.Trailing)
	g.r.Plan = &drawing.Planned{Result: r, Time: k.Time, Person: k.Person, Reason: k.Reason, Kept: len(plans), Anew: measuredSince(r, lead.ID, trail.ID)}
	return nil
}

// look is the newest count of the finished joint.
func (g *gathering) look() error {
	if len(g.looks) == 0 {
		return nil
	}
	f := &g.looks[0]
	r, err := f.Decode()
	if err != nil {
		return err
	}
	l := &drawing.CountedLook{Result: r, Time: f.Time, Person: f.Person}
	l.Picture, err = g.drawLook(g.ctx, f, g.o)
	if errors.Is(err, archive.Removed) {
		err = nil
	}
	if err == nil {
		l.CloseUps, err = g.smallCloseUps(g.ctx, f, r)
	}
	g.r.Look = l
	return err
}

// photos lists every photo once, with what was measured from it first.
func (g *gathering) photos() error {
	seen := map[string]bool{}
	add := func(of, hash, name string) error {
		if seen[hash] {
			return nil
		}
		seen[hash] = true
		p, gone, err := g.Store.Archive.PhotoState(g.ctx, archive.SomeSites(g.h.Site), hash)
		if err != nil {
			return err
		}
		state := "none_known"
		switch {
		case p.LocationRemoved:
			state = "taken_out"
		case p.LocationKept:
			state = "kept"
		}
		if name == "" {
			name = p.Name
		}
		g.r.Photos = append(g.r.Photos, drawing.KeptPhoto{Of: of, Name: name, SHA256: hash, Location: state, Gone: gone.Removed})
		return nil
	}
	for i := range g.made {
		for _, f := range g.made[i].Files {
			if f.Role != archive.RolePhoto {
				continue
			}
			if err := add(fmt.Sprint(i+1), f.SHA256, f.Name); err != nil {
				return err
			}
		}
	}
	for _, l := range slices.Backward(g.looks) {
		for _, f := range l.Files {
			if err := add(g.w.Text("paper.of_hooks"), f.SHA256, f.Name); err != nil {
				return err
			}
		}
		for _, m := range l.Clinch {
			if m.Photo != "" {
				if err := add(g.w.Text("paper.of_clinch"), m.Photo, ""); err != nil {
					return err
				}
			}
		}
	}
	return nil
}
