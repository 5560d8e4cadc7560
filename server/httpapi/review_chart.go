package httpapi

import (
	"net/http"

	"github.com/gin-gonic/gin"

	"beltend/server/archive"
	"beltend/server/pages"
)

const chartPoints = 2000

// controlChart draws the offsets over time, together or apart by site or person.
func (s *service) controlChart(c *gin.Context) {
	ctx, u, w := c.Request.Context(), s.user(c), s.words(c)
	filters, err := s.reviewFilters(ctx, c, u.Sites)
	if err != nil {
		s.fail(c, err)
		return
	}
	d := pages.ReviewChart{Filters: filters, By: c.Query("by")}
	status := http.StatusOK
	q, err := reviewQuery(c, u.Sites)
	q.After, q.Review, q.Newest = "", "", true
	var points []archive.Point
	if err == nil {
		points, err = s.Store.Archive.Series(ctx, q, chartPoints)
	}
	if err != nil {
		p := problemOf(err)
		if p.Status >= http.StatusInternalServerError {
			s.fail(c, err)
			return
		}
		status, d.Problem = p.Status, s.problemData(c, p)
	}
	d.All = len(points) < chartPoints
	d.Charts = pages.ControlCharts(w, points, d.By, filters.Sites, s.view(c).Inches)
	s.render(c, status, "review_chart.html", pages.Page{Title: w.Text("chart.title"), Data: d})
}
