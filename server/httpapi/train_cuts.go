package httpapi

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"slices"

	"github.com/gin-gonic/gin"

	"beltend/server/archive"
	"beltend/server/pages"
	"beltend/server/report"
	"beltend/server/training"
)

// mostCuts is how many of a person's cuts are drawn, the newest.
const mostCuts = 200

// archiveCuts finds cuts in the archive.
type archiveCuts struct {
	archive *archive.Archive
	sites   archive.Sites
}

func (s *service) archivedCuts(c *gin.Context) training.Cuts {
	return archiveCuts{s.Store.Archive, s.who(c).Sites}
}

// Cuts implements training.Cuts: cuts and re-cuts that were measured, without
// those that were made again.
func (a archiveCuts) Cuts(ctx context.Context, person string) ([]training.Cut, error) {
	page, err := a.archive.Search(ctx, archive.Query{Sites: a.sites, Person: person, Newest: true, Limit: mostCuts})
	if err != nil {
		return nil, err
	}
	var cuts []training.Cut
	for _, f := range page.Items {
		if f.OffsetMM == nil || f.U95MM == nil || f.ToleranceMM == nil || f.Step != archive.StepCut && f.Step != archive.StepRecut {
			continue
		}
		c := training.Cut{Time: f.Time, Joint: f.JointNumber, Step: f.Step, Offset: *f.OffsetMM, U95: *f.U95MM, Tolerance: *f.ToleranceMM, Verdict: f.Verdict, MeasurementURL: "/m/" + f.ID}
		if f.BowMM != nil {
			c.Bow = abs(*f.BowMM)
		}
		if f.RoughnessMM != nil {
			c.Roughness = *f.RoughnessMM
		}
		cuts = append(cuts, c)
	}
	slices.Reverse(cuts)
	return cuts, nil
}

func abs(v float64) float64 { return max(v, -v) }

// cutsPage shows a person's real cuts over time.
func (t *trainer) cutsPage(c *gin.Context) {
	person := c.Query("person")
	v := t.view(c)
	w, o := pages.In(v.Lang), v.Options()
	type row struct {
		Number                                         int
		When, Joint, Step, Offset, Bow, Rough, Verdict string
		Href                                           string
	}
	d := struct {
		Person, Plot string
		Rows         []row
		Asked        bool
	}{Person: person, Asked: person != ""}
	if d.Asked {
		cuts, err := t.cuts(c).Cuts(c.Request.Context(), person)
		if err != nil {
			t.fail(c, err)
			return
		}
		for i, cut := range cuts {
			d.Rows = append(d.Rows, row{i + 1, w.Stamp(cut.Time), cut.Joint, w.Text("step." + cut.Step), pages.SignedU(cut.Offset, cut.U95, o.Inches),
				report.Length(cut.Bow, o), report.Length(cut.Roughness, o), cut.Verdict, cut.MeasurementURL})
		}
		if len(cuts) > 0 {
			d.Plot = "/train/cuts.svg?" + forPicture(v, url.Values{"person": {person}})
		}
	}
	t.render(c, http.StatusOK, "train_cuts.html", pages.Page{Title: w.Text("train.cuts"), Data: d})
}

func (t *trainer) cutsPlot(c *gin.Context) {
	v := t.view(c)
	w := pages.In(v.Lang)
	cuts, err := t.cuts(c).Cuts(c.Request.Context(), c.Query("person"))
	var b []byte
	if err == nil {
		b, err = training.PlotCuts(cuts, training.CutTitles{Offset: w.Text("train.plot_offset"), Bow: w.Text("train.plot_bow"),
			Roughness: w.Text("train.plot_rough"), Tolerance: w.Text("train.plot_tolerance"), Number: w.Text("train.plot_number"), Inches: v.Inches, Decimal: w.Decimal})
	}
	if errors.Is(err, training.ErrNoCuts) {
		err = problemNotFound
	}
	if err != nil {
		t.fail(c, err)
		return
	}
	c.Data(http.StatusOK, "image/svg+xml", b)
}
