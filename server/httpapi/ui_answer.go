package httpapi

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strconv"

	"github.com/gin-gonic/gin"

	"beltend/server/archive"
	"beltend/server/measure"
	"beltend/server/order"
	"beltend/server/pages"
	"beltend/server/pictures"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/server/store"
	"beltend/vision/photo"
)

// page is the answer about one end.
func (s *service) page(c *gin.Context) {
	r, err := s.record(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	v := s.view(c)
	r.Inches, r.Lang = v.Inches, v.Lang
	r.Measurement.Links = links(&r)
	p := pages.Result(v, r)
	d := p.Data.(*pages.ResultData)
	if r.Kept.JointNumber != store.Loose {
		j, err := s.Store.Archive.Joint(c.Request.Context(), s.who(c).Sites, r.Kept.Joint)
		if err != nil {
			s.fail(c, err)
			return
		}
		h, err := s.headOf(c.Request.Context(), s.who(c).Sites, j)
		if err != nil {
			s.fail(c, err)
			return
		}
		h.End, h.Step = r.Kept.End, r.Kept.Step
		d.Joint = &h
		if d.TapeBefore, err = s.tapedBefore(c.Request.Context(), s.who(c).Sites, r); err != nil {
			s.fail(c, err)
			return
		}
	}
	if win, err := pictures.Window(r.Measurement); err == nil && r.Measurement.Width != nil && r.Measurement.Width.AtCutMM > 0 {
		d.Rule = &pages.Rule{Picture: "/m/" + r.ID + "/above.jpg?" + v.Drawn().Encode(), PxPerMM: win.PxPerMM,
			ScaleU95: r.Measurement.Width.AtCutU95MM / r.Measurement.Width.AtCutMM, PointU95: 2 / win.PxPerMM}
	}
	s.render(c, http.StatusOK, "result.html", p)
}

// tapedBefore says whether an answer from photos alone took the place of one that a tape
// was part of.
func (s *service) tapedBefore(ctx context.Context, sites archive.Sites, r store.Record) (bool, error) {
	for before := r; r.Kept.Source == "" && before.Kept.Supersedes != ""; {
		var err error
		if before, err = s.Store.Get(ctx, sites, before.Kept.Supersedes); err != nil {
			return false, err
		}
		if before.Kept.Source != "" {
			return true, nil
		}
	}
	return false, nil
}

// above is the view from above whose scale the measuring rule knows.
func (s *service) above(c *gin.Context) {
	r, err := s.record(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	win, err := pictures.Window(r.Measurement)
	if err != nil {
		s.fail(c, problemNotFound)
		return
	}
	b, err := s.Store.Picture(c.Request.Context(), s.who(c).Sites, r.ID, "topdown.jpg", s.view(c).Options(), &win)
	if err != nil {
		s.fail(c, err)
		return
	}
	picture(c, "image/jpeg", b)
}

// original serves a photo as it is kept; with ?shown, one that few browsers show as
// a JPEG of screen size.
func (s *service) original(c *gin.Context) {
	r, err := s.record(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	n, err := strconv.Atoi(c.Param("photo"))
	hashes := photoHashes(r.Kept)
	if err != nil || n < 1 || n > len(hashes) {
		s.fail(c, problemNotFound)
		return
	}
	data, p, err := s.Store.Archive.ReadPhoto(c.Request.Context(), archive.SomeSites(r.Kept.Site), hashes[n-1])
	if err != nil {
		s.fail(c, err)
		return
	}
	kind := p.Type
	if c.Request.URL.Query().Has("shown") && kind == "image/"+string(photo.HEIC) {
		if data, err = s.Store.Picture(c.Request.Context(), s.who(c).Sites, r.ID, fmt.Sprintf("photo-%d.jpg", n), report.Options{}, nil); err != nil {
			s.fail(c, err)
			return
		}
		kind = "image/jpeg"
	}
	c.Header("Cache-Control", "private, max-age=3600, immutable")
	c.Header("Content-Security-Policy", "default-src 'none'; sandbox")
	c.Data(http.StatusOK, kind, data)
}

// againRequest asks for the same photos once more: photos and card set are those of the
// measurement.
type againRequest struct {
	Joint bool          `json:"joint"` // with what the joint asks by now
	Hints []result.Hint `json:"hints"`
}

// again measures the photos of a measurement once more, with edges set near the
// right place by hand. The new measurement stands beside the first.
func (s *service) again(c *gin.Context) {
	r, err := s.record(c)
	var o againRequest
	if err == nil {
		err = readJSON(c, &o)
	}
	if err != nil {
		s.fail(c, err)
		return
	}
	by, reads := s.who(c), s.view(c).Options()
	s.stream(c, func(ctx context.Context, progress measure.Progress) (streamed, error) {
		return recorded(s.measureAgain(ctx, by, r, o, reads, progress))
	})
}

// measureAgain measures the photos of a measurement once more.
func (s *service) measureAgain(ctx context.Context, by store.Person, r store.Record, o againRequest, reads report.Options, progress measure.Progress) (store.Record, error) {
	if o.Joint && r.Measurement.Source != "" {
		return s.tapeAgain(ctx, by, r)
	}
	k := r.Kept
	photos, err := s.keptPhotos(ctx, k.Site, photoHashes(k))
	if err != nil {
		return store.Record{}, err
	}
	var set result.Settings
	if r.Measurement.Settings != nil {
		set = *r.Measurement.Settings
	}
	set.Hints = newest(set.Hints, o.Hints)
	if o.Joint {
		j, err := s.Store.Archive.Joint(ctx, by.Sites, k.Joint)
		if err != nil {
			return store.Record{}, err
		}
		h, err := s.headOf(ctx, by.Sites, j)
		if err != nil {
			return store.Record{}, err
		}
		set = jointAsks(set, &h)
	}
	return s.ask(ctx, order.Order{By: by.Actor, Joint: k.Joint, End: k.End, Step: k.Step, Person: k.Person, CardSet: k.CardSet, Note: k.Note, Supersedes: r.ID,
		Photos: photos, Settings: set, Inches: reads.Inches, Lang: reads.Lang}, progress)
}

// newest adds hints to those before: the newest of an edge holds.
func newest(before, hints []result.Hint) []result.Hint {
	out := slices.DeleteFunc(slices.Clone(before), func(old result.Hint) bool {
		return slices.ContainsFunc(hints, func(h result.Hint) bool { return old.Photo == h.Photo && old.Edge == h.Edge })
	})
	return append(out, hints...)
}
