package httpapi

import (
	"net/http"
	"time"

	"github.com/gin-gonic/gin"

	"beltend/server/archive"
	"beltend/server/measure"
	"beltend/server/pages"
	"beltend/server/plan"
	"beltend/server/result"
)

// finishedLook is a look at a finished joint as programs see it.
type finishedLook struct {
	ID            string        `json:"id"`
	Joint         string        `json:"joint"`
	Time          time.Time     `json:"time"`
	Person        string        `json:"person"`
	PhotosRemoved int64         `json:"photos_removed"` // by rules of retention
	Counted       *result.Hooks `json:"counted"`        // with the checklist as judged so far
	Links         lookLinks     `json:"links"`
}

type lookLinks struct {
	Picture string `json:"picture"`
	Report  string `json:"report"`
}

func lookOf(f *archive.Finished) (finishedLook, error) {
	r, err := f.Decode()
	at := "/api/v1/joints/" + f.Joint + "/finished/" + f.ID
	return finishedLook{ID: f.ID, Joint: f.Joint, Time: f.Time, Person: f.Person, PhotosRemoved: f.PhotosRemoved, Counted: r,
		Links: lookLinks{Picture: at + "/counted.jpg", Report: at + "/report.pdf"}}, err
}

// routesFinished adds joints on paper and the looks at finished ones for programs.
func (s *service) routesFinished(api *gin.RouterGroup) {
	api.GET("/joints/:id/record.pdf", s.jointPaper)
	api.GET("/joints/:id/plan", s.jointPlans)
	api.POST("/joints/:id/plan", s.jointPlanMade)
	api.POST("/joints/:id/end/:end/:step/tape", s.tapedFor)
	api.GET("/joints/:id/finished", s.finishedLooks)
	api.POST("/joints/:id/finished", s.finishedLookMade)
	api.GET("/joints/:id/finished/:look/counted.jpg", s.counted)
	api.GET("/joints/:id/finished/:look/report.pdf", s.lookReport)
}

// jointPlanKept is a joint's plan as it was kept at one time, as programs see it.
type jointPlanKept struct {
	Version int64             `json:"version"`
	Time    time.Time         `json:"time"`
	Person  string            `json:"person"`
	Reason  string            `json:"reason"` // why it took the place of the one before
	Plan    *result.JointPlan `json:"plan"`
}

// jointPlans lists the plans kept with a joint, newest first.
func (s *service) jointPlans(c *gin.Context) {
	h, err := s.head(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	all, err := s.Store.Archive.JointPlans(c.Request.Context(), s.who(c).Sites, h.ID)
	out := make([]jointPlanKept, len(all))
	for i := range all {
		if err == nil {
			out[i] = jointPlanKept{Version: all[i].Version, Time: all[i].Time, Person: all[i].Person, Reason: all[i].Reason}
			out[i].Plan, err = all[i].Decode()
		}
	}
	if err != nil {
		s.fail(c, err)
		return
	}
	c.JSON(http.StatusOK, struct {
		Plans []jointPlanKept `json:"plans"`
	}{out})
}

// jointPlanMade works a plan out and keeps it. What is left out is as the page fills it
// in for a first plan.
func (s *service) jointPlanMade(c *gin.Context) {
	h, err := s.openHead(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	d := &pages.JointPlanData{Fields: formFields(c, jointPlanFields...), Chart: c.PostForm("chart")}
	ends, err := s.jointEnds(c.Request.Context(), s.who(c).Sites, &h)
	if err != nil {
		s.fail(c, err)
		return
	}
	filled := fillPlan(&h, ends, nil)
	filled["name"], filled["version"] = s.who(c).Name, "0"
	for name, value := range filled {
		if _, given := c.GetPostForm(name); !given {
			d.Fields[name] = value
		}
	}
	r, err := s.workOut(c, &h, ends, d)
	if err == nil && d.Tried == nil {
		err = &measure.UsageError{Setting: plan.Fastener, Message: d.Advice, Code: "fastener_open"}
	}
	var kept archive.JointPlan
	if err == nil {
		kept, err = s.keepPlan(c, &h, d.Fields, r)
	}
	if err == nil {
		r, err = kept.Decode()
	}
	if err != nil {
		s.fail(c, err)
		return
	}
	c.Header("Location", "/api/v1/joints/"+h.ID+"/plan")
	c.JSON(http.StatusCreated, jointPlanKept{Version: kept.Version, Time: kept.Time, Person: kept.Person, Reason: d.Fields["reason"], Plan: r})
}

// finishedLooks lists the looks at a joint, newest first.
func (s *service) finishedLooks(c *gin.Context) {
	h, err := s.head(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	all, err := s.Store.Archive.FinishedOf(c.Request.Context(), s.who(c).Sites, h.ID)
	out := make([]finishedLook, len(all))
	for i := range all {
		if err == nil {
			out[i], err = lookOf(&all[i])
		}
	}
	if err != nil {
		s.fail(c, err)
		return
	}
	c.JSON(http.StatusOK, struct {
		Looks []finishedLook `json:"looks"`
	}{out})
}

// finishedLookMade counts the hooks in the photos sent.
func (s *service) finishedLookMade(c *gin.Context) {
	h, err := s.head(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	f, err := s.countForm(c, &h, map[string]string{})
	if err != nil {
		s.fail(c, err)
		return
	}
	made, err := lookOf(&f)
	if err != nil {
		s.fail(c, err)
		return
	}
	c.Header("Location", "/api/v1/joints/"+h.ID+"/finished")
	c.JSON(http.StatusCreated, made)
}
