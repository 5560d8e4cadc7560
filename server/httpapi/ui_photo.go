package httpapi

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"beltend/server/archive"
	"beltend/server/measure"
	"beltend/server/order"
	"beltend/server/pages"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/server/setting"
	"beltend/server/store"
	"beltend/vision/cardsheet"
	"beltend/vision/photo"
)

// place reads end and step from the address.
func (s *service) headOfStep(c *gin.Context) (pages.JointHead, error) {
	h, err := s.head(c)
	h.End, h.Step = c.Param("end"), c.Param("step")
	if err == nil && (!slices.Contains(pages.Ends, h.End) || !slices.Contains(pages.Steps, h.Step)) {
		err = problemNotFound
	}
	return h, err
}

// chain is what was answered at a step of an end, newest first. Measurements
// made again by hand stay in it: each is one more answer.
func (s *service) chain(ctx context.Context, sites archive.Sites, h *pages.JointHead) ([]archive.Found, error) {
	page, err := s.Store.Archive.Search(ctx, archive.Query{Sites: sites, Joint: h.ID, End: h.End, Step: h.Step, Answered: true, Limit: 50})
	return page.Items, err
}

// photos is the page that takes photos of one step of one end.
func (s *service) photos(c *gin.Context) {
	if c.Param("step") == archive.StepFinished { // which was a step of each end once
		c.Redirect(http.StatusMovedPermanently, "/joints/"+url.PathEscape(c.Param("id"))+"/finished")
		return
	}
	s.photosWith(c, http.StatusOK, nil, nil)
}

func (s *service) photosWith(c *gin.Context, status int, problem *pages.ProblemData, checks []pages.Check) {
	h, err := s.headOfStep(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	ctx, sites, v := c.Request.Context(), s.who(c).Sites, s.view(c)
	w := pages.In(v.Lang)
	found, err := s.chain(ctx, sites, &h)
	if err != nil {
		s.fail(c, err)
		return
	}
	d := pages.PhotoData{JointHead: h, Problem: problem, Checks: checks, Chain: pages.Chain(w, found, v.Inches)}
	if len(found) > 0 {
		last := found[0]
		d.Last = &pages.Lines(w, found[:1], v.Inches)[0]
		if last.OffsetMM != nil && last.U95MM != nil && last.ToleranceMM != nil {
			d.Scale = pages.NewScale(pages.EndOffset(*last.OffsetMM, *last.U95MM, *last.ToleranceMM), v.Inches)
		}
		if before, ok := lastPhotographed(found); ok {
			d.Photos = photoHashes(before)
		}
		if r, err := s.Store.Get(ctx, sites, last.ID); err == nil && problem == nil {
			for i := range r.Measurement.Photos {
				if i == len(r.Measurement.Photos)-1 {
					d.Checks = pages.Checks(w, r.Measurement, i)
				}
			}
		}
	}
	sets, err := s.Store.Archive.CardSets(ctx, archive.SomeSites(h.Site))
	if err != nil {
		s.fail(c, err)
		return
	}
	for _, set := range sets {
		if !set.Retired {
			d.CardSets = append(d.CardSets, pages.CardSetChoice{ID: set.ID, Name: set.Number, Chosen: len(found) > 0 && found[0].CardSet == set.ID})
		}
	}
	s.render(c, status, "photo.html", pages.Page{Title: w.Text("step." + h.Step), Scripts: []string{"photo.js"}, Data: d})
}

func photoHashes(f archive.Found) []string {
	var out []string
	for _, file := range f.Files {
		if file.Role == archive.RolePhoto {
			out = append(out, file.SHA256)
		}
	}
	return out
}

// request asks for a measurement of one step of one end.
type request struct {
	Photos     []string      `json:"photos"` // SHA-256 as kept
	Fresh      bool          `json:"fresh"`  // without the photos measured here before
	CardSet    string        `json:"card_set"`
	PrintScale string        `json:"print_scale"`
	Trim       string        `json:"trim"`
	Hints      []result.Hint `json:"hints"` // of a step: their photos are counted among Photos
}

// jointSettings are what a joint asks of its measurements.
func (s *service) jointSettings(ctx context.Context, h *pages.JointHead, o request) (result.Settings, error) {
	set, err := setting.Parse(func(name string) string {
		return map[string]string{setting.PrintScale: o.PrintScale, setting.Trim: o.Trim}[name]
	})
	if err != nil {
		return set, err
	}
	set = jointAsks(set, h)
	set.Hints = o.Hints
	if h.Step == archive.StepDrawn {
		set.Line = "drawn"
	}
	if o.CardSet != "" && set.PrintScaleX == 0 {
		checks, err := s.Store.Archive.CardChecks(ctx, archive.SomeSites(h.Site), o.CardSet)
		if err != nil {
			return set, err
		}
		var last archive.CardCheck
		for _, one := range checks {
			if one.Good && one.Time.After(last.Time) {
				last = one
			}
		}
		if last.AcrossMM > 0 && last.UpMM > 0 {
			set.PrintScaleX, set.PrintScaleY = last.AcrossMM/cardsheet.BarAcross, last.UpMM/cardsheet.BarUp
		}
	}
	return set, nil
}

// measureStep measures the photos asked for together with those that gave the
// last answer here. What was measured of the same photos already is given back.
func (s *service) measureStep(ctx context.Context, by store.Person, h *pages.JointHead, o request, reads report.Options, progress measure.Progress) (store.Record, error) {
	if h.Cautions == nil {
		return store.Record{}, problemCautions
	}
	found, err := s.chain(ctx, by.Sites, h)
	if err != nil {
		return store.Record{}, err
	}
	var hashes []string
	supersedes := ""
	before, photographed := lastPhotographed(found)
	if photographed {
		last := photoHashes(before)
		known := len(o.Photos) > 0 && !slices.ContainsFunc(o.Photos, func(hash string) bool { return !slices.Contains(last, hash) })
		if known && len(o.Hints) == 0 && (!o.Fresh || len(last) == len(o.Photos)) {
			return s.Store.Get(ctx, by.Sites, before.ID)
		}
	}
	if len(found) > 0 && !o.Fresh {
		hashes, supersedes = photoHashes(before), found[0].ID
		if o.CardSet == "" {
			o.CardSet = before.CardSet
		}
	}
	for _, hash := range o.Photos {
		if !slices.Contains(hashes, hash) {
			hashes = append(hashes, hash)
		}
	}
	for i, h := range o.Hints {
		if h.Photo < 0 || h.Photo >= len(o.Photos) {
			return store.Record{}, &measure.UsageError{Setting: "hint", Message: fmt.Sprintf("photo %d is not among the %d sent", h.Photo+1, len(o.Photos)), Code: "hint_photo_sent", Values: result.Values{"photo": h.Photo + 1, "photos": len(o.Photos)}}
		}
		o.Hints[i].Photo = slices.Index(hashes, o.Photos[h.Photo])
	}
	set, err := s.jointSettings(ctx, h, o)
	if err != nil {
		return store.Record{}, err
	}
	if supersedes != "" && photographed { // what a person set by hand, or typed, before
		r, err := s.Store.Get(ctx, by.Sites, before.ID)
		if err != nil {
			return r, err
		}
		if before := r.Measurement.Settings; before != nil {
			set.Hints = newest(before.Hints, set.Hints)
			if set.PrintScaleX == 0 {
				set.PrintScaleX, set.PrintScaleY = before.PrintScaleX, before.PrintScaleY
			}
			if set.TrimMM == 0 && o.Trim == "" {
				set.TrimMM = before.TrimMM
			}
		}
	}
	photos, err := s.keptPhotos(ctx, h.Site, hashes)
	if err != nil {
		return store.Record{}, err
	}
	person := by.Name
	if by.ID == "local" {
		person = h.Cautions.Name
	}
	return s.ask(ctx, order.Order{By: by.Actor, Joint: h.ID, End: h.End, Step: h.Step, Person: person, CardSet: o.CardSet, Supersedes: supersedes,
		Photos: photos, Settings: set, Inches: reads.Inches, Lang: reads.Lang}, progress)
}

// ask asks for the measurement of photos that are kept.
func (s *service) ask(ctx context.Context, o order.Order, progress measure.Progress) (store.Record, error) {
	if err := measure.CheckSettings(o.Settings, len(o.Photos)); err != nil {
		return store.Record{}, err
	}
	release, err := s.Orders.Reserve(ctx)
	if err != nil {
		return store.Record{}, err
	}
	return s.Orders.Ask(ctx, o, release, progress)
}

func (s *service) keptPhotos(ctx context.Context, site string, hashes []string) ([]archive.File, error) {
	if len(hashes) == 0 {
		return nil, problem{Status: http.StatusBadRequest, Code: "no_photo", Detail: "There is no photo to measure.", Advice: "Take a photo of the belt end."}
	}
	if len(hashes) > measure.MaxPhotos {
		return nil, problem{Status: http.StatusBadRequest, Code: "too_many_photos", Detail: fmt.Sprintf("These are more than %d photos.", measure.MaxPhotos), Advice: "Measure this end afresh, with the sharpest photos only."}
	}
	var photos []archive.File
	for i, hash := range hashes {
		p, err := s.Store.Archive.Photo(ctx, archive.SomeSites(site), hash)
		if err != nil {
			return nil, err
		}
		photos = append(photos, archive.File{SHA256: p.SHA256, Role: archive.RolePhoto, Name: photoName(p.Name, i)})
	}
	return photos, nil
}

// sendPhotos takes the form of browsers without scripts.
func (s *service) sendPhotos(c *gin.Context) {
	h, err := s.headOfStep(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	by, w := s.who(c), s.words(c)
	r, err := s.measureForm(c, by, &h)
	if err == nil {
		c.Redirect(http.StatusSeeOther, "/m/"+r.ID)
		return
	}
	p := problemOf(err)
	if p.Status == http.StatusInternalServerError {
		s.Log.Error("form failed", "error", err)
	}
	if p.retryAfter > 0 {
		c.Header("Retry-After", retryAfter(p))
	}
	data := s.problemData(c, p)
	data.Kept = keptPage(r)
	s.photosWith(c, p.Status, data, pages.RefusedChecks(w, p.Code, data.Advice))
}

func (s *service) measureForm(c *gin.Context, by store.Person, h *pages.JointHead) (store.Record, error) {
	ctx := c.Request.Context()
	var o request
	err := func() error { // which lets go of the photos before the wait
		job, fields, leave, err := s.readJob(c, "fresh", "card-set")
		defer leave()
		o = request{Fresh: fields["fresh"] != "", CardSet: fields["card-set"], PrintScale: fields["print-scale"], Trim: fields["trim"]}
		for _, p := range job.Photos {
			if err != nil {
				return err
			}
			var kept archive.Photo
			kept, err = s.keepPhoto(ctx, by, h.Site, p)
			o.Photos = append(o.Photos, kept.SHA256)
		}
		return err
	}()
	if err != nil {
		return store.Record{}, err
	}
	return s.measureStep(ctx, by, h, o, s.view(c).Options(), nil)
}

// keepPhoto keeps a photo as the site wants it.
func (s *service) keepPhoto(ctx context.Context, by store.Person, site string, p measure.Input) (archive.Photo, error) {
	kept, err := s.Orders.Keep(ctx, by.Actor, site, by.Name, p)
	if err != nil {
		s.metrics.turnedAway(err)
	}
	return kept, err
}

// Photos come in parts, so that a connection that breaks costs one part only. The parts
// lie beside the photos: each may come to another process.
const (
	maxPart  = 1 << 20          // bytes
	partTime = 30 * time.Second // to keep what came before a connection broke
)

// arrived is how far a photo is.
type arrived struct {
	Have int64  `json:"have"`           // bytes
	Kept string `json:"kept,omitempty"` // SHA-256 as kept
}

// photoKey reads which photo the address means, and the site that keeps it: its
// joint's, or where no joint is named that of quick measurements.
func (s *service) photoKey(c *gin.Context) (key, hash, site string, err error) {
	hash = strings.ToLower(c.Param("hash"))
	if b, err := hex.DecodeString(hash); err != nil || len(b) != sha256.Size {
		return "", "", "", problemNotFound
	}
	ctx, by := c.Request.Context(), s.who(c)
	switch id := c.Param("id"); {
	case id != "":
		var j archive.Joint
		j, err = s.Store.Archive.Joint(ctx, by.Sites, id)
		site = j.Site
	case c.Request.Method == http.MethodGet: // which makes no place where there is none yet
		var sites []archive.Site
		if sites, err = s.Store.Archive.Sites(ctx, by.Sites); len(sites) > 0 {
			site = sites[0].ID
		}
	default:
		var j archive.Joint
		j, err = s.Store.Joint(ctx, by, store.Place{})
		site = j.Site
	}
	return archive.Part(by.ID, site, hash), hash, site, err
}

// photoState says what is there of a photo.
func (s *service) photoState(c *gin.Context) {
	key, hash, site, err := s.photoKey(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	var u archive.Arrived
	p, err := s.Store.Archive.Photo(c.Request.Context(), archive.SomeSites(site), hash)
	if u.Kept = p.SHA256; errors.Is(err, archive.NotFound) {
		u, err = s.Store.Archive.Arrived(c.Request.Context(), key)
	}
	if err != nil {
		s.fail(c, err)
		return
	}
	c.JSON(http.StatusOK, arrived(u))
}

// photoPart takes a part of a photo: ?at= its first byte, &of= all bytes,
// &name= what the device calls it. The last part keeps the photo.
func (s *service) photoPart(c *gin.Context) {
	key, hash, site, err := s.photoKey(c)
	if err != nil {
		s.fail(c, err)
		return
	}
	at, err1 := strconv.ParseInt(c.Query("at"), 10, 64)
	of, err2 := strconv.ParseInt(c.Query("of"), 10, 64)
	limit := photo.DefaultLimits().MaxBytes
	if err1 != nil || err2 != nil || at < 0 || of <= 0 || at > of {
		s.fail(c, problem{Status: http.StatusBadRequest, Code: "bad_part", Detail: "The part does not say where it belongs.", Advice: "Send at and of."})
		return
	}
	if of > limit {
		s.fail(c, &result.Refusal{Code: photo.CodeTooLarge, Message: fmt.Sprintf("The photo has more than %d MB.", limit>>20), Advice: "Set the camera to its ordinary JPEG and take the photo again."})
		return
	}
	u, err := s.takePart(c, key, at, of)
	if err == nil && u.Kept == "" && u.Have == of {
		u, err = s.joinParts(c, key, hash, of, site)
	}
	if err != nil {
		s.fail(c, err)
		return
	}
	c.JSON(http.StatusOK, arrived(u))
}

// takePart keeps what comes of a part.
func (s *service) takePart(c *gin.Context, key string, at, of int64) (archive.Arrived, error) {
	u, err := s.Store.Archive.Arrived(c.Request.Context(), key)
	if err != nil || at != u.Have || u.Kept != "" { // the sender looks again where to go on
		return u, err
	}
	size := min(maxPart, of-at)
	if n := c.Request.ContentLength; n >= 0 {
		size = min(size, n)
	}
	leave, err := s.admit(c.Request.Context(), size)
	if err != nil {
		return u, err
	}
	defer leave()
	data, broken := io.ReadAll(http.MaxBytesReader(c.Writer, c.Request.Body, size))
	// What came before it broke off counts, and the request is over then.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(c.Request.Context()), partTime)
	defer cancel()
	if err := s.Store.Archive.PutPart(ctx, key, at, data); err != nil {
		return u, err
	}
	u.Have += int64(len(data))
	if broken != nil {
		return u, badForm(broken)
	}
	return u, nil
}

// joinParts keeps a photo whose parts have all come. They stay where that fails by
// something that passes: the last part is then sent again, empty.
func (s *service) joinParts(c *gin.Context, key, hash string, of int64, site string) (u archive.Arrived, err error) {
	ctx := c.Request.Context()
	leave, err := s.admit(ctx, of)
	if err != nil {
		return u, err
	}
	defer leave()
	data, err := s.Store.Archive.Joined(ctx, key, of)
	if err != nil {
		return u, err
	}
	if int64(len(data)) < of { // another process was faster, or they were swept away
		return s.Store.Archive.Arrived(ctx, key)
	}
	if sum := sha256.Sum256(data); hex.EncodeToString(sum[:]) != hash {
		err = problem{Status: http.StatusUnprocessableEntity, Code: "damaged_on_the_way", Detail: "The photo did not arrive as it was sent.", Advice: "It is sent again."}
		return u, errors.Join(err, s.Store.Archive.EndParts(ctx, key, ""))
	}
	kept, err := s.keepPhoto(ctx, s.who(c), site, measure.Input{Name: photoName(c.Query("name"), 0), Data: data})
	var refused *result.Refusal
	if err == nil || errors.As(err, &refused) {
		err = errors.Join(err, s.Store.Archive.EndParts(ctx, key, kept.SHA256))
	}
	return archive.Arrived{Have: of, Kept: kept.SHA256}, err
}

// stepMeasure measures an order and tells each step on the way, as server-sent
// events: step, then done or refused. The measurement goes on when the
// connection breaks; the request sent again finds its answer.
func (s *service) stepMeasure(c *gin.Context) {
	h, err := s.headOfStep(c)
	var o request
	if err == nil {
		err = readJSON(c, &o)
	}
	if err != nil {
		s.fail(c, err)
		return
	}
	by, reads := s.who(c), s.view(c).Options()
	s.stream(c, func(ctx context.Context, progress measure.Progress) (streamed, error) {
		return recorded(s.measureStep(ctx, by, &h, o, reads, progress))
	})
}

func readJSON(c *gin.Context, to any) error {
	d := json.NewDecoder(http.MaxBytesReader(c.Writer, c.Request.Body, maxField))
	d.DisallowUnknownFields()
	if err := d.Decode(to); err != nil {
		return problem{Status: http.StatusBadRequest, Code: "bad_form", Detail: "The request is not the JSON expected: " + err.Error() + ".", Advice: "Load the page again and send it again."}
	}
	return nil
}

const streamPause = 15 * time.Second // the longest without an event

// streamed is what came of a run: its page, and what was found in its photos.
type streamed struct {
	ID, Address string // "" where nothing was kept
	Image       []result.Image
}

// recorded is a measurement, or a refusal that was kept.
func recorded(r store.Record, err error) (streamed, error) {
	out := streamed{ID: r.ID, Address: keptPage(r)}
	if r.ID != "" {
		out.Image = r.Measurement.Image
	}
	return out, err
}

// stream runs a measurement and tells what happens as server-sent events.
func (s *service) stream(c *gin.Context, run func(context.Context, measure.Progress) (streamed, error)) {
	type step struct {
		Step string  `json:"step"`
		Done float64 `json:"done"`
	}
	type end struct {
		r   streamed
		err error
	}
	steps, ended := make(chan step, 16), make(chan end, 1)
	go func() { // what is in the queue is measured, whether this goes on or not
		r, err := run(c.Request.Context(), func(name string, done float64) {
			select {
			case steps <- step{name, done}:
			default: // nobody reads any more
			}
		})
		ended <- end{r, err}
	}()
	c.Header("Content-Type", "text/event-stream")
	c.Header("X-Accel-Buffering", "no")
	send := func(event string, v any) {
		b, err := json.Marshal(v)
		if err != nil { // texts and numbers
			return
		}
		fmt.Fprintf(c.Writer, "event: %s\ndata: %s\n\n", event, b)
		c.Writer.Flush()
	}
	last := step{"start", 0}
	send("step", last)
	still := time.NewTicker(streamPause)
	defer still.Stop()
	for {
		select {
		case last = <-steps:
			send("step", last)
		case <-still.C: // or somebody between would take the connection for dead
			send("step", last)
		case <-c.Request.Context().Done():
			return
		case e := <-ended:
			if e.err == nil {
				send("done", gin.H{"id": e.r.ID, "address": e.r.Address})
				return
			}
			p := problemOf(e.err)
			if p.Status == http.StatusInternalServerError {
				s.Log.Error("measurement failed", "route", c.FullPath(), "error", e.err)
			}
			data := s.problemData(c, p)
			send("refused", gin.H{"image": e.r.Image, "code": p.Code, "title": data.Title, "detail": data.Detail, "advice": data.Advice, "photo": p.Photo,
				"address": e.r.Address, "again": p.Status == http.StatusServiceUnavailable, "after": p.retryAfter, "checks": pages.RefusedChecks(s.words(c), p.Code, data.Advice)})
			return
		}
	}
}
