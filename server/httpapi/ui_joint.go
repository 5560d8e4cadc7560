package httpapi

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"beltend/server/archive"
	"beltend/server/measure"
	"beltend/server/pages"
	"beltend/server/plan"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/server/store"
)

// jointLines are the joints under way that a person may see. Loose measurements
// are no joint.
func (s *service) jointLines(ctx context.Context, w *pages.Words, sites archive.Sites) ([]pages.JointLine, error) {
	joints, err := s.Store.Archive.Joints(ctx, sites, "", true)
	if err != nil {
		return nil, err
	}
	names, err := s.names(ctx, sites)
	if err != nil {
		return nil, err
	}
	var out []pages.JointLine
	for _, j := range joints {
		if j.Number == store.Loose {
			continue
		}
		out = append(out, pages.JointLine{ID: j.ID, Number: j.Number, Conveyor: names[j.Conveyor], Belt: names[j.Belt], Site: names[j.Site], Opened: w.Stamp(j.Opened)})
	}
	return out, nil
}

// names are those of sites, conveyors and belts by ID.
func (s *service) names(ctx context.Context, sites archive.Sites) (map[string]string, error) {
	names := map[string]string{}
	all, err := s.Store.Archive.Sites(ctx, sites)
	if err != nil {
		return nil, err
	}
	for _, one := range all {
		names[one.ID] = one.Name
	}
	conveyors, err := s.Store.Archive.Conveyors(ctx, sites)
	if err != nil {
		return nil, err
	}
	for _, one := range conveyors {
		names[one.ID] = one.Name
		belts, err := s.Store.Archive.Belts(ctx, sites, one.ID)
		if err != nil {
			return nil, err
		}
		for _, b := range belts {
			names[b.ID] = b.Name
		}
	}
	return names, nil
}

// head says where a joint belongs.
func (s *service) head(c *gin.Context) (pages.JointHead, error) {
	var h pages.JointHead
	ctx, sites := c.Request.Context(), s.who(c).Sites
	j, err := s.Store.Archive.Joint(ctx, sites, c.Param("id"))
	if err != nil {
		return h, err
	}
	return s.headOf(ctx, sites, j)
}

func (s *service) headOf(ctx context.Context, sites archive.Sites, j archive.Joint) (pages.JointHead, error) {
	h := pages.JointHead{Joint: j}
	site, err := s.Store.Archive.Site(ctx, sites, j.Site)
	if err != nil {
		return h, err
	}
	conveyor, err := s.Store.Archive.Conveyor(ctx, sites, j.Conveyor)
	if err != nil {
		return h, err
	}
	belt, err := s.Store.Archive.Belt(ctx, sites, j.Belt)
	h.KeepLocation = site.KeepLocation
	h.SiteName, h.ConveyorName, h.BeltName, h.NominalMM, h.Covers = site.Name, conveyor.Name, belt.Name, belt.NominalMM, belt.Covers
	return h, err
}

// newJoint is the form that begins a joint; ?like=ID fills in what an earlier joint of the
// same belt was begun with.
func (s *service) newJoint(c *gin.Context) {
	fields := map[string]string{"face": plan.Carrying}
	if like := c.Query("like"); like != "" {
		j, err := s.Store.Archive.Joint(c.Request.Context(), s.who(c).Sites, like)
		if err != nil {
			s.fail(c, err)
			return
		}
		h, err := s.headOf(c.Request.Context(), s.who(c).Sites, j)
		if err != nil {
			s.fail(c, err)
			return
		}
		fields = begunWith(&h)
		fields["site"], fields["conveyor"], fields["belt"] = h.SiteName, h.ConveyorName, h.BeltName
		fields["number"], fields["note"] = "", "" // which are the other joint's own
		lengthsAsRead(s.words(c), s.view(c).Inches, fields, jointLengths)
	}
	s.jointForm(c, http.StatusOK, fields, nil)
}

func (s *service) jointForm(c *gin.Context, status int, fields map[string]string, err error) {
	ctx, sites := c.Request.Context(), s.who(c).Sites
	w := s.words(c)
	form := pages.JointForm{Fields: fields}
	form.Problem, form.Wrong = s.formProblem(c, err)
	names := func(list []string) []string {
		list = slices.DeleteFunc(list, func(name string) bool { return name == store.Loose })
		slices.Sort(list)
		return slices.Compact(list)
	}
	all, failed := s.Store.Archive.Sites(ctx, sites)
	conveyors, failedToo := s.Store.Archive.Conveyors(ctx, sites)
	if err := errors.Join(failed, failedToo); err != nil {
		s.fail(c, err)
		return
	}
	for _, one := range all {
		form.Sites = append(form.Sites, one.Name)
	}
	for _, one := range conveyors {
		form.Conveyors = append(form.Conveyors, one.Name)
		belts, err := s.Store.Archive.Belts(ctx, sites, one.ID)
		if err != nil {
			s.fail(c, err)
			return
		}
		for _, b := range belts {
			form.Belts = append(form.Belts, b.Name)
		}
	}
	form.Sites, form.Conveyors, form.Belts = names(form.Sites), names(form.Conveyors), names(form.Belts)
	if len(form.Sites) == 1 && fields["site"] == "" {
		fields["site"] = form.Sites[0]
	}
	s.render(c, status, "joint_new.html", pages.Page{Title: w.Text("joint.new"), Data: form})
}

// Fields of the form that begins a joint.
var jointFields = []string{"site", "conveyor", "belt", "number", "width", "thickness", "covers", "travel", "face", "pulley", "tolerance", "origin", "note"}

// beginJoint finds or makes site, conveyor and belt by their names, and makes
// the joint.
func (s *service) beginJoint(c *gin.Context) {
	fields := map[string]string{}
	for _, name := range jointFields {
		fields[name] = strings.TrimSpace(c.PostForm(name))
	}
	j, err := s.makeJoint(c.Request.Context(), s.who(c), fields)
	if err != nil {
		s.jointForm(c, problemOf(err).Status, fields, err)
		return
	}
	c.Redirect(http.StatusSeeOther, "/joints/"+j.ID)
}

func (s *service) makeJoint(ctx context.Context, by store.Person, fields map[string]string) (archive.Joint, error) {
	var j archive.Joint
	width, err := readJoint(fields, &j, "site", "conveyor", "belt", "number", "travel")
	if err != nil {
		return j, err
	}
	a := s.Store.Archive
	sites, err := a.Sites(ctx, by.Sites)
	if err != nil {
		return j, err
	}
	site, ok := byName(sites, fields["site"], func(x archive.Site) string { return x.Name })
	if !ok {
		if !by.Sites.Has(archive.NewID()) { // of some sites only
			return j, &measure.UsageError{Setting: "site", Message: "there is no such site, or you do not belong to it", Code: "no_such_site"}
		}
		if site, err = a.PutSite(ctx, by.Actor, archive.Site{Name: fields["site"]}, ""); err != nil {
			return j, err
		}
	}
	here := archive.SomeSites(site.ID)
	conveyors, err := a.Conveyors(ctx, here)
	if err != nil {
		return j, err
	}
	conveyor, ok := byName(conveyors, fields["conveyor"], func(x archive.Conveyor) string { return x.Name })
	if !ok {
		if conveyor, err = a.PutConveyor(ctx, by.Actor, archive.Conveyor{Site: site.ID, Name: fields["conveyor"]}, ""); err != nil {
			return j, err
		}
	}
	belts, err := a.Belts(ctx, here, conveyor.ID)
	if err != nil {
		return j, err
	}
	belt, ok := byName(belts, fields["belt"], func(x archive.Belt) string { return x.Name })
	if !ok {
		belt = archive.Belt{Conveyor: conveyor.ID, Name: fields["belt"]}
	}
	if !ok || width > 0 && width != belt.NominalMM || fields["covers"] != "" && fields["covers"] != belt.Covers {
		if width > 0 {
			belt.NominalMM = width
		}
		if fields["covers"] != "" {
			belt.Covers = fields["covers"]
		}
		if belt, err = a.PutBelt(ctx, by.Actor, belt, "joint "+j.Number); err != nil {
			return j, err
		}
	}
	j.Belt = belt.ID
	return a.PutJoint(ctx, by.Actor, j, "")
}

// readJoint takes over what was typed about a joint and gives the belt's nominal
// width; the fields named in needed may not be empty.
func readJoint(fields map[string]string, j *archive.Joint, needed ...string) (widthMM float64, err error) {
	j.Number, j.Travel, j.FaceUp, j.ToleranceOrigin, j.Note = fields["number"], fields["travel"], fields["face"], fields["origin"], fields["note"]
	for _, n := range []struct {
		name string
		to   *float64
	}{{"width", &widthMM}, {"thickness", &j.ThicknessMM}, {"pulley", &j.SmallestPulleyMM}, {"tolerance", &j.ToleranceMM}} {
		*n.to = 0
		if fields[n.name] == "" {
			continue
		}
		mm, err := report.ReadLength(fields[n.name])
		if err != nil || !(mm > 0) {
			return 0, &measure.UsageError{Setting: n.name, Message: "give a length above 0 in mm, or with its unit", Code: "length_above_zero"}
		}
		*n.to = mm
	}
	for _, name := range needed {
		if fields[name] == "" {
			return 0, &measure.UsageError{Setting: name, Message: "is needed", Code: "needed"}
		}
	}
	if j.ToleranceMM > 0 && j.ToleranceOrigin == "" {
		return 0, &measure.UsageError{Setting: "origin", Message: "say where the tolerance comes from", Code: "tolerance_origin"}
	}
	return widthMM, nil
}

func byName[T any](list []T, name string, of func(T) string) (T, bool) {
	i := slices.IndexFunc(list, func(x T) bool { return strings.EqualFold(of(x), name) })
	if i < 0 {
		var none T
		return none, false
	}
	return list[i], true
}

// joint is the page of one joint.
func (s *service) joint(c *gin.Context) { s.jointWith(c, http.StatusOK, nil) }

func (s *service) jointWith(c *gin.Context, status int, problem *pages.ProblemData) {
	h, err := s.head(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	who := s.who(c)
	found, err := s.Store.Archive.Search(c.Request.Context(), archive.Query{Sites: who.Sites, Joint: h.ID, Limit: 500})
	if err != nil {
		s.fail(c, err)
		return
	}
	v := s.view(c)
	w := pages.In(v.Lang)
	d := pages.JointData{JointHead: h, Ends: pages.Table(w, found.Items, v.Inches), History: pages.ReviewRows(w, found.Items, v.Inches), Problem: problem, Name: who.Name}
	_, lead := lastCut(found.Items, archive.Leading)
	_, trail := lastCut(found.Items, archive.Trailing)
	d.Pair = lead && trail
	if d.Plan, err = s.keptPlan(c.Request.Context(), who.Sites, h.ID, found.Items, v.Options()); err != nil {
		s.fail(c, err)
		return
	}
	looks, err := s.Store.Archive.FinishedOf(c.Request.Context(), who.Sites, h.ID)
	if err == nil && len(looks) > 0 {
		var last []pages.Look
		if last, err = pages.Looks(looks[:1], v.Options()); err == nil {
			d.Finished = &last[0]
		}
	}
	if err != nil {
		s.fail(c, err)
		return
	}
	if err := s.since(c.Request.Context(), who, w, v.Inches, &d); err != nil {
		s.fail(c, err)
		return
	}
	s.render(c, status, "joint.html", pages.Page{Title: w.Text("joint.title", h.Number), Scripts: []string{"joint.js", "waits.js"}, Data: d})
}

// lastCut is the newest answered measurement of an end's cut or re-cut.
func lastCut(found []archive.Found, end string) (archive.Found, bool) {
	i := slices.IndexFunc(found, func(f archive.Found) bool {
		return f.End == end && f.Stands() && (f.Step == archive.StepCut || f.Step == archive.StepRecut) && f.OffsetMM != nil
	})
	if i < 0 {
		return archive.Found{}, false
	}
	return found[i], true
}

// acknowledge keeps who read the cautions, when, and which text.
func (s *service) acknowledge(c *gin.Context) {
	w := s.words(c)
	h, err := s.head(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	name := strings.TrimSpace(c.PostForm("name"))
	if name == "" || c.PostForm("done") == "" {
		s.jointWith(c, http.StatusBadRequest, s.problemData(c, problemOf(&measure.UsageError{Setting: "name", Message: w.Text("photo.needs_cautions"), Code: "needs_cautions"})))
		return
	}
	j := h.Joint
	j.Cautions = &archive.Cautions{Name: name, Time: time.Now().UTC(), Text: pages.CautionsVersion(w)}
	if _, err := s.Store.Archive.PutJoint(c.Request.Context(), s.who(c).Actor, j, "cautions acknowledged"); err != nil {
		s.fail(c, err)
		return
	}
	c.Redirect(http.StatusSeeOther, "/joints/"+j.ID)
}

// closeJoint says that nothing more is to be done, or that there is.
func (s *service) closeJoint(c *gin.Context) {
	h, err := s.head(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	j := h.Joint
	j.Closed = c.PostForm("closed") == "yes"
	if _, err := s.Store.Archive.PutJoint(c.Request.Context(), s.who(c).Actor, j, ""); err != nil {
		s.fail(c, err)
		return
	}
	c.Redirect(http.StatusSeeOther, "/joints/"+j.ID)
}

// jointPair is the page of both ends together.
func (s *service) jointPair(c *gin.Context) {
	h, err := s.head(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	ctx, who, v := c.Request.Context(), s.who(c), s.view(c)
	w := pages.In(v.Lang)
	found, err := s.Store.Archive.Search(ctx, archive.Query{Sites: who.Sites, Joint: h.ID, Newest: true, Limit: 500})
	if err != nil {
		s.fail(c, err)
		return
	}
	var ends [2]*result.Measurement
	fields := map[string]string{}
	for _, name := range []string{plan.Travel, plan.Reserve} {
		fields[name] = c.Query(name)
	}
	for i, end := range pages.Ends {
		last, ok := lastCut(found.Items, end)
		if !ok {
			s.fail(c, problem{Status: http.StatusConflict, Code: "pair_incomplete", Detail: w.Text("problem.pair_incomplete"), Advice: w.Text("problem.pair_incomplete_do")})
			return
		}
		r, err := s.Store.Get(ctx, who.Sites, last.ID)
		if err != nil {
			s.fail(c, err)
			return
		}
		ends[i] = r.Measurement
		fields[[]string{"lead-", "trail-"}[i]+plan.Face] = h.FaceUp
	}
	d := pages.PlanData{Joint: &h, Fields: fields}
	r, err := plan.Joint(func(name string) string { return fields[name] }, ends[0], ends[1])
	s.planned(c, "pair.html", w.Text("pair.title"), &d, err, func(o report.Options) error { d.Pair(r, o); return nil })
}
