package httpapi

import (
	"errors"
	"net/http"
	"strconv"
	"strings"

	"github.com/gin-gonic/gin"

	"beltend/geometry"
	"beltend/server/chart"
	"beltend/server/pages"
	"beltend/server/plan"
	"beltend/server/report"
	"beltend/server/result"
)

// formFields reads the texts of a form, one for each name.
func formFields(c *gin.Context, names ...string) map[string]string {
	c.Request.Body = http.MaxBytesReader(c.Writer, c.Request.Body, maxField)
	fields := map[string]string{}
	for _, name := range names {
		fields[name] = strings.TrimSpace(c.PostForm(name))
	}
	return fields
}

// lengthsAsRead writes lengths that a form is filled in with, in mm, with the language's
// decimal sign; for who reads inches, to 0.001 in, 0.03 mm.
func lengthsAsRead(w *pages.Words, inches bool, fields map[string]string, names []string) {
	for _, name := range names {
		if !inches {
			fields[name] = w.Decimal(fields[name])
			continue
		}
		if mm, err := strconv.ParseFloat(fields[name], 64); err == nil {
			fields[name] = w.Decimal(strings.TrimSuffix(strings.TrimRight(strconv.FormatFloat(mm/25.4, 'f', 3, 64), "0"), ".") + " in")
		}
	}
}

// asFilled reads a length back from a form: where still stands what it was filled in
// with, whichever language's, that is the record's own value, in inches not rounded.
func asFilled(typed, mm string, inches bool) string {
	was := map[string]string{"": mm}
	if lengthsAsRead(pages.In("en"), inches, was, []string{""}); mm != "" && strings.Replace(typed, ",", ".", 1) == was[""] {
		return mm
	}
	return typed
}

// planned answers with what came of a plan, or with what is wrong in its form.
func (s *service) planned(c *gin.Context, template, title string, d *pages.PlanData, err error, fill func(report.Options) error) {
	status := http.StatusOK
	if err == nil {
		err = fill(s.view(c).Options())
	}
	var wrong *geometry.WrongValue
	if errors.As(err, &wrong) {
		d.Wrong = wrong.Name
	}
	if err != nil {
		p := problemOf(err)
		if status = p.Status; status == http.StatusInternalServerError {
			s.Log.Error("plan failed", "route", c.FullPath(), "error", err)
		}
		d.Done, d.Problem = false, s.problemData(c, p)
	}
	s.render(c, status, template, pages.Page{Title: title, Data: d})
}

var lacingFields = []string{plan.LeadWidth, plan.TrailWidth, plan.Thickness, plan.JointThickness, plan.Pulley, plan.Margin, plan.Fastener,
	plan.Bias, plan.Notch, plan.Machine, plan.Reversible, plan.MoreOnTrailing}

func (s *service) lacing(c *gin.Context) {
	w := s.words(c)
	if c.Request.Method == http.MethodGet {
		s.render(c, http.StatusOK, "lacing.html", pages.Page{Title: w.Text("lacing.title"), Data: &pages.PlanData{Fields: map[string]string{}, Chart: pages.DemoChart}})
		return
	}
	fields := formFields(c, lacingFields...)
	d := pages.PlanData{Fields: fields, Chart: c.PostForm("chart")}
	fasteners, err := chart.Read(strings.NewReader(d.Chart))
	var r *result.Lacing
	if err == nil {
		r, err = plan.Lacing(fasteners, func(name string) string { return fields[name] }, nil, nil)
	}
	if err == nil && r.Refused != nil {
		err = r.Refused
	}
	s.planned(c, "lacing.html", w.Text("lacing.title"), &d, err, func(o report.Options) error { return d.Lacing(r, o) })
}
