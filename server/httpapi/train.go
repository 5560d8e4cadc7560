package httpapi

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"maps"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"beltend/geometry"
	"beltend/server/drawing"
	"beltend/server/pages"
	"beltend/server/plot"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/server/training"
	"beltend/vision/render"
)

// trainer serves the trainer's pages: errors to see, rounds of questions, real
// cuts over time.
type trainer struct {
	*service
	draw *drawer
	cuts func(*gin.Context) training.Cuts
}

// routesTrain adds the trainer's pages.
func (s *service) routesTrain(r *gin.Engine) {
	t := &trainer{service: s, draw: newDrawer(s.Measurer), cuts: s.archivedCuts}
	t.routes(r)
}

func (t *trainer) routes(r *gin.Engine) {
	r.GET("/train", t.start)
	r.GET("/train/show", t.show)
	r.GET("/train/answer", t.answer)
	r.GET("/train/photo.jpg", t.photo)
	r.GET("/train/truth.jpg", t.truth)
	r.GET("/train/measured", t.measured)
	r.GET("/train/measured.jpg", t.measuredPhoto)
	r.GET("/train/joint.svg", t.joint)
	r.GET("/train/cut.svg", t.profile)
	r.POST("/train/large", t.beginLarge)
	r.GET("/train/large", t.large)
	r.GET("/train/large.json", t.largeState)
	r.GET("/train/large.jpg", t.largePhoto)

	r.POST("/train/rounds", t.beginRound)
	r.GET("/train/rounds/:id", t.round)
	r.GET("/train/rounds/:id/:n", t.question)
	r.POST("/train/rounds/:id/:n", t.answered)
	r.GET("/train/rounds/:id/:n/photo.jpg", t.questionPhoto)
	r.GET("/train/rounds/:id/:n/answer", t.questionAnswer)
	r.GET("/train/scores.csv", t.scores)

	r.GET("/train/cuts", t.cutsPage)
	r.GET("/train/cuts.svg", t.cutsPlot)
}

// fail answers with the trainer's own problems, then with everybody's.
func (t *trainer) fail(c *gin.Context, err error) {
	var wrong *geometry.WrongValue
	switch {
	case errors.As(err, &wrong):
		p := problemOf(wrong)
		p.Advice = "Go back and choose again."
		err = p
	case errors.Is(err, training.ErrNoRound):
		err = problem{Status: http.StatusNotFound, Code: "no_round", Detail: "There is no such round.", Advice: "Begin a new one with the same seed: it has the same questions."}
	case errors.Is(err, training.ErrOrder):
		err = problem{Status: http.StatusConflict, Code: "not_next", Detail: "This question is answered already, or it is not the next one.", Advice: "Go on with the round."}
	}
	t.service.fail(c, err)
}

// query writes an exercise for an address.
func query(e training.Exercise) url.Values {
	return url.Values{
		"error": {e.Error}, "size": {strconv.FormatFloat(e.Size, 'f', -1, 64)}, "width": {strconv.FormatFloat(e.Width, 'f', -1, 64)},
		"belt": {e.Look}, "light": {e.Light}, "camera": {e.Camera}, "seed": {strconv.FormatInt(e.Seed, 10)},
	}
}

// exercise reads an exercise; what is not given is ordinary. A size that does
// not fit another error becomes that one's usual size.
func exercise(get func(string) string) (training.Exercise, error) {
	e := training.Default()
	for name, to := range map[string]*string{"error": &e.Error, "belt": &e.Look, "light": &e.Light, "camera": &e.Camera} {
		if v := get(name); v != "" {
			*to = v
		}
	}
	var err error
	number := func(name string, to *float64) {
		v := strings.ReplaceAll(strings.TrimSpace(get(name)), ",", ".")
		if v == "" || err != nil {
			return
		}
		var failed error
		if *to, failed = strconv.ParseFloat(v, 64); failed != nil {
			err = geometry.Wrong(name, "%q is no number", v).Coded("no_number", geometry.Values{"given": v})
		}
	}
	number("size", &e.Size)
	number("width", &e.Width)
	seed := float64(e.Seed)
	number("seed", &seed)
	if err != nil {
		return e, err
	}
	if seed != math.Trunc(seed) || !(math.Abs(seed) <= training.MostSeed) {
		return e, geometry.Wrong("seed", "%q is no whole number up to %d", get("seed"), training.MostSeed).Coded("seed", geometry.Values{"given": get("seed"), "most": training.MostSeed})
	}
	e.Seed = int64(seed)
	spoilt, ok := render.ErrorOf(e.Error)
	switch {
	case e.Error == training.None:
		e.Size = 0
	case ok && get("was") != "" && get("was") != e.Error, ok && get("size") == "":
		e.Size = spoilt.Usual
	case ok && !spoilt.Signed:
		e.Size = math.Abs(e.Size)
	}
	if ok && e.Size != 0 { // the slider's ends are those of all errors together
		e.Size = math.Copysign(math.Max(spoilt.Least, math.Min(spoilt.Most, math.Abs(e.Size))), e.Size)
	} else if ok {
		e.Size = spoilt.Least
	}
	return e, e.Check()
}

// asked is the exercise that an address asks for; false after failing.
func (t *trainer) asked(c *gin.Context) (training.Exercise, bool) {
	e, err := exercise(c.Query)
	if err != nil {
		t.fail(c, err)
		return e, false
	}
	return e, true
}

// picture answers with a drawing that stays the same for who reads in the same language
// and units; its address on pages says both.
func picture(c *gin.Context, kind string, b []byte) {
	c.Header("Cache-Control", "private, max-age=3600")
	c.Header("Vary", "Cookie, Accept-Language") // of an address that does not
	c.Data(http.StatusOK, kind, b)
}

// choice is an option of a form.
type choice struct {
	Value, Name string
	Chosen      bool
}

func choicesOf(w *pages.Words, prefix string, values []string, chosen string) []choice {
	var out []choice
	for _, v := range values {
		out = append(out, choice{v, w.Text("train." + prefix + "_" + v), v == chosen})
	}
	return out
}

func verdicts(w *pages.Words) []choice {
	return choicesOf(w, "verdict", []string{training.Good, training.Recut, training.Cannot}, "")
}

func sides(w *pages.Words) []choice {
	return choicesOf(w, "long", []string{training.Left, training.Neither, training.Right}, "")
}

// asking is what the page of a question shows.
type asking struct {
	Photo, Action string
	Post          bool
	Hidden        map[string]string
	Width         string
	Allowed       string
	Inches        bool
	Full          [2]int // pixels of the picture

	Verdicts, Sides []choice

	Number, Of, Points int // of a round
	Settings           *settingsForm
}

// settingsForm is the form that makes an exercise.
type settingsForm struct {
	Errors, Belts, Lights, Cameras []choice
	Was                            string
	Size, Least, Most              string // mm
	SizeText                       string
	Widths                         []choice
	Signed                         bool
	SizeIs                         string
	Seed, Next                     int64
	Query                          string
	E                              training.Exercise
	Open                           bool // while it is being made; closed, a class does not see what it is
}

func newSettings(w *pages.Words, e training.Exercise, o report.Options) *settingsForm {
	f := &settingsForm{
		Errors: choicesOf(w, "error", training.Codes, e.Error), Belts: choicesOf(w, "belt", training.Looks, e.Look),
		Lights: choicesOf(w, "light", training.Lights, e.Light), Cameras: choicesOf(w, "camera", training.Cameras, e.Camera),
		Was: e.Error, Seed: e.Seed, Next: (e.Seed + 1) % training.MostSeed, Widths: widths(o.Inches, e.Width, o), Query: query(e).Encode(), E: e,
	}
	if spoilt, ok := render.ErrorOf(e.Error); ok {
		f.SizeText = report.Length(e.Size, o)
		f.Size, f.Most, f.Signed, f.SizeIs = fmt.Sprintf("%g", e.Size), fmt.Sprintf("%g", spoilt.Most), spoilt.Signed, w.Text("train.size_"+e.Error)
		f.Least = fmt.Sprintf("%g", spoilt.Least)
		if spoilt.Signed {
			f.Least = "-" + f.Most
		}
	}
	return f
}

func sizeOf() [2]int { return [2]int{training.ScreenSize * 3 / 4, training.ScreenSize} }

// forPicture adds to a picture's address what the person reads in.
func forPicture(v pages.View, q url.Values) string {
	all := v.Drawn()
	maps.Copy(all, q)
	return all.Encode()
}

// widths are belts to choose, as each kind of trade has them; mm.
func widths(inches bool, chosen float64, o report.Options) []choice {
	list := []float64{450, 500, 600, 650, 800, 900, 1000, 1200, 1400}
	if inches {
		list = nil
		for _, in := range []float64{18, 20, 24, 30, 36, 42, 48, 54} {
			list = append(list, 25.4*in)
		}
	}
	if !slices.Contains(list, chosen) {
		list = append(list, chosen)
		slices.Sort(list)
	}
	var out []choice
	for _, mm := range list {
		name := fmt.Sprintf("%g mm", mm)
		if inches {
			name = report.Length(mm, o)
			if in := mm / 25.4; math.Abs(in-math.Round(in)) < 1e-6 {
				name = fmt.Sprintf("%.0f in", in)
			}
		}
		out = append(out, choice{fmt.Sprintf("%g", mm), name, mm == chosen})
	}
	return out
}

// show is the page with one exercise and its question.
func (t *trainer) show(c *gin.Context) {
	e, ok := t.asked(c)
	if !ok {
		return
	}
	v := t.view(c)
	w, o := pages.In(v.Lang), v.Options()
	q := query(e)
	form := newSettings(w, e, o)
	form.Open = c.Query("was") != ""
	hidden := map[string]string{}
	for k := range q {
		hidden[k] = q.Get(k)
	}
	t.render(c, http.StatusOK, "train_question.html", pages.Page{Title: w.Text("train.show"), Scripts: []string{"train.js"}, Data: asking{
		Photo: "/train/photo.jpg?" + q.Encode(), Action: "/train/answer", Hidden: hidden, Full: sizeOf(), Verdicts: verdicts(w), Sides: sides(w),
		Width: report.Marks(e.Width, o), Allowed: report.Length(training.Allowed(e.Width), o), Inches: o.Inches, Settings: form,
	}})
}

func (t *trainer) photo(c *gin.Context) {
	e, ok := t.asked(c)
	if !ok {
		return
	}
	b, err := t.draw.photo(c.Request.Context(), e)
	if err != nil {
		t.fail(c, err)
		return
	}
	picture(c, "image/jpeg", b)
}

// said reads an answer.
func said(get func(string) string) (training.Answer, error) {
	a := training.Answer{Verdict: get("verdict"), Long: get("long")}
	number := func(name string) (*float64, error) {
		v := strings.ReplaceAll(strings.TrimSpace(get(name)), ",", ".")
		if v == "" {
			return nil, nil
		}
		n, err := strconv.ParseFloat(v, 64)
		if err != nil {
			return nil, geometry.Wrong(name, "%q is no number", v).Coded("no_number", geometry.Values{"given": v})
		}
		return &n, nil
	}
	if text := strings.TrimSpace(get("amount")); text != "" {
		if _, err := report.ReadNumber(text); err == nil {
			text += " " + cmp.Or(get("amount_unit"), "mm")
		}
		mm, err := report.ReadLength(text)
		if err != nil {
			return a, geometry.Wrong("amount", "%v", err).Coded("amount_unread", geometry.Values{"given": text})
		}
		a.Amount = &mm
	}
	if get("cut") != "" {
		x, err := number("tap_x")
		if err != nil {
			return a, err
		}
		up, err := number("tap_up")
		if err != nil {
			return a, err
		}
		if up == nil {
			return a, geometry.Wrong("tap_up", "not given: tap the photo where you would cut").Coded("tap_missing", nil)
		}
		a.Tap = &geometry.Vec2{X: 0.5, Y: 1 - *up}
		if x != nil {
			a.Tap.X = *x
		}
	}
	return a, a.Check()
}

// told is what the page of an answer shows.
type told struct {
	E                                  training.Exercise
	Error                              string
	Right                              string // verdict
	See, So, Avoid                     string // what to look for, what it does, how to avoid it
	Reasons                            []string
	Facts                              []report.Row
	Truth, Joint, Cut, Measured, Query string
	Answered                           bool
	Said                               string
	Marks                              training.Marks
	Rows                               []markRow
	Total, Most                        int
	Scale                              *pages.Scale
	Full                               [2]int

	Number, Of, Points, PointsMost int // of a round
	Next                           string
	Back                           string
}

type markRow struct {
	What, Said, Right string
	Points, Of        int
}

// tell puts an answer and what is right beside each other.
func (t *trainer) tell(v pages.View, e training.Exercise, a *training.Answer, pictures url.Values) (told, error) {
	s, err := solved(e)
	if err != nil {
		return told{}, err
	}
	w, o := pages.In(v.Lang), v.Options()
	q := query(e).Encode()
	shown := forPicture(v, query(e))
	d := told{E: e, Error: w.Text("train.error_" + e.Error), Right: w.Text("train.verdict_" + s.Verdict),
		See: w.Text("train.see_" + e.Error), So: w.Text("train.so_" + e.Error), Avoid: w.Or("train.avoid_"+e.Error, ""), Most: training.MostPoints, Query: q,
		Truth: "/train/truth.jpg?" + forPicture(v, pictures), Measured: "/train/measured?" + q, Full: sizeOf()}
	for _, r := range s.Reasons {
		d.Reasons = append(d.Reasons, w.Text("train.reason_"+r))
	}
	long := w.Text("train.long_" + s.Long)
	row := func(key, text string) {
		d.Facts = append(d.Facts, report.Row{Label: w.Text("train." + key), Text: text})
	}
	row("fact_offset", report.Signed(s.Offset, o)+", "+long)
	row("fact_straight", report.Length(s.Straight, o))
	if s.Bevel > 0.05 {
		row("fact_bevel", report.Length(s.Bevel, o))
	}
	if s.Mark != 0 {
		row("fact_mark", report.Length(s.Mark, o))
	}
	row("fact_allowed", report.Length(s.Allowed, o))
	if s.Verdict == training.Recut {
		row("fact_cut", w.Text("train.left")+" "+report.Marks(s.Left, o)+", "+w.Text("train.right")+" "+report.Marks(s.Right, o))
	}
	if s.Verdict != training.Cannot {
		d.Joint, d.Cut = "/train/joint.svg?"+shown, "/train/cut.svg?"+shown
		d.Scale = pages.NewScale(pages.EndOffset(s.Offset, 0, s.Allowed), o.Inches)
	}
	if a == nil {
		return d, nil
	}
	d.Answered, d.Marks = true, s.Score(*a)
	d.Total = d.Marks.Total()
	none := w.Text("train.nothing")
	amount, cut, side := none, none, none
	if a.Amount != nil {
		amount = report.Length(*a.Amount, o)
	}
	if a.Long != "" {
		side = w.Text("train.long_" + a.Long)
	}
	if d.Marks.Back != nil {
		cut = w.Text("train.cut_back", report.Marks(*d.Marks.Back, o))
		if *d.Marks.Back < 0 {
			cut = w.Text("train.cut_short", report.Marks(-*d.Marks.Back, o))
		}
	}
	rightCut := w.Text("train.cut_right")
	if s.Verdict != training.Recut {
		rightCut = w.Text("train.cut_none")
	}
	d.Rows = []markRow{
		{w.Text("train.row_verdict"), w.Text("train.verdict_" + a.Verdict), w.Text("train.verdict_" + s.Verdict), d.Marks.Verdict, training.VerdictPoints},
		{w.Text("train.row_long"), side, long, d.Marks.Long, training.LongPoints},
		{w.Text("train.row_amount"), amount, report.Length(math.Abs(s.Offset), o), d.Marks.Amount, training.AmountPoints},
		{w.Text("train.row_cut"), cut, rightCut, d.Marks.Cut, training.CutPoints},
	}
	return d, nil
}

// taps are the pictures' part of an address, with the line that was chosen.
func taps(q url.Values, a *training.Answer) url.Values {
	if a != nil && a.Tap != nil {
		q.Set("tap_x", strconv.FormatFloat(a.Tap.X, 'f', 4, 64))
		q.Set("tap_up", strconv.FormatFloat(1-a.Tap.Y, 'f', 4, 64))
		q.Set("cut", "on")
	}
	return q
}

// answer is the page with what is right about an exercise; without an answer,
// what is right alone.
func (t *trainer) answer(c *gin.Context) {
	e, ok := t.asked(c)
	if !ok {
		return
	}
	var a *training.Answer
	if c.Query("verdict") != "" {
		got, err := said(c.Query)
		if err != nil {
			t.fail(c, err)
			return
		}
		a = &got
	}
	d, err := t.tell(t.view(c), e, a, taps(query(e), a))
	if err != nil {
		t.fail(c, err)
		return
	}
	d.Back = "/train/show?" + d.Query
	t.render(c, http.StatusOK, "train_answer.html", pages.Page{Title: d.Error, Scripts: []string{"train.js"}, Data: d})
}

func (t *trainer) truth(c *gin.Context) {
	e, ok := t.asked(c)
	if !ok {
		return
	}
	a := training.Answer{}
	if c.Query("cut") != "" {
		var err error
		if a, err = said(func(name string) string {
			if name == "verdict" {
				return training.Recut // the tap alone is wanted
			}
			return c.Query(name)
		}); err != nil {
			t.fail(c, err)
			return
		}
	}
	b, err := t.draw.truth(c.Request.Context(), e, a.Tap, t.view(c).Options())
	if err != nil {
		t.fail(c, err)
		return
	}
	picture(c, "image/jpeg", b)
}

// gotten is what beltend measures on an exercise's photo, for people.
type gotten struct {
	Kind    string // of the badge
	Facts   []report.Row
	Scale   *pages.Scale
	Overlay string
	Refusal *pages.ProblemData
	Says    string // about the truth
}

func (t *trainer) got(c *gin.Context, e training.Exercise) (*gotten, error) {
	s, err := solved(e)
	if err != nil {
		return nil, err
	}
	v := t.view(c)
	w, o := pages.In(v.Lang), v.Options()
	m, err := t.draw.measure(c.Request.Context(), e, o)
	if err != nil {
		return nil, err
	}
	if m.m == nil { // refused
		return &gotten{Kind: "refused", Refusal: t.problemData(c, problemOf(m.refused)), Says: w.Text("train.says_refused")}, nil
	}
	g := &gotten{Kind: string(m.m.Verdict)}
	if len(m.overlay) > 0 {
		g.Overlay = "/train/measured.jpg?" + forPicture(v, query(e))
	}
	if q := m.m.Squareness; q != nil {
		g.Scale = pages.NewScale(pages.EndOffset(q.OffsetMM, q.OffsetU95MM, q.ToleranceMM), o.Inches)
		g.Facts = append(g.Facts, report.Row{Label: w.Text("train.fact_offset"), Text: pages.SignedU(q.OffsetMM, q.OffsetU95MM, o.Inches)})
		off := math.Abs(q.OffsetMM - s.Offset)
		g.Facts = append(g.Facts, report.Row{Label: w.Text("train.fact_from_truth"), Text: report.Length(off, o)})
		g.Says = w.Text("train.says_inside")
		if off > q.OffsetU95MM {
			g.Says = w.Text("train.says_outside")
		}
		if m.m.Verdict == result.Square && s.Verdict == training.Recut && math.Abs(s.Offset) <= s.Allowed {
			g.Says += " " + w.Text("train.says_shape")
		}
		if e.Error == "not_flat" {
			g.Says = w.Text("train.says_not_flat")
		}
	}
	if m.m.Cut != nil {
		g.Facts = append(g.Facts, report.Row{Label: w.Text("train.fact_straight"), Text: report.Length(m.m.Cut.StraightnessMM, o)})
	}
	for _, f := range m.m.Findings {
		g.Facts = append(g.Facts, report.Row{Label: w.Or("finding."+f.Code, f.Message), Text: report.Length(f.SizeMM, o) + " ± " + report.Expanded(f.U95MM, o)})
	}
	return g, nil
}

// measured is a part of a page: what beltend measures, fetched when the rest is
// there already.
func (t *trainer) measured(c *gin.Context) {
	e, ok := t.asked(c)
	if !ok {
		return
	}
	g, err := t.got(c, e)
	if err != nil {
		t.fail(c, err)
		return
	}
	t.render(c, http.StatusOK, "train_measured.html", pages.Page{Title: t.words(c).Text("train.measured"), Data: g})
}

func (t *trainer) measuredPhoto(c *gin.Context) {
	e, ok := t.asked(c)
	if !ok {
		return
	}
	m, err := t.draw.measure(c.Request.Context(), e, t.view(c).Options())
	if err == nil && len(m.overlay) == 0 {
		err = problemNotFound
	}
	if err != nil {
		t.fail(c, err)
		return
	}
	picture(c, "image/jpeg", m.overlay)
}

// joint draws the end in a joint.
func (t *trainer) joint(c *gin.Context) {
	e, ok := t.asked(c)
	if !ok {
		return
	}
	s, err := solved(e)
	var j *result.Joint
	if err == nil {
		j, err = s.Joint(e)
	}
	var b []byte
	if err == nil {
		b = drawing.JointPicture(j, t.view(c).Options())
	}
	if err != nil {
		t.fail(c, err)
		return
	}
	picture(c, "image/svg+xml", b)
}

// profile draws the cut across the belt.
func (t *trainer) profile(c *gin.Context) {
	e, ok := t.asked(c)
	if !ok {
		return
	}
	s, err := solved(e)
	if err == nil && len(s.Profile()) < 2 {
		err = problemNotFound
	}
	var b bytes.Buffer
	if err == nil {
		v := t.view(c)
		err = plot.Profile(&b, "svg", plot.Input{Width: s.Truth.Width.AtCut, Profile: s.Profile(), Offset: s.Offset, Tolerance: s.Allowed, Inches: v.Inches, Lang: v.Lang})
	}
	if err != nil {
		t.fail(c, err)
		return
	}
	picture(c, "image/svg+xml", b.Bytes())
}

// beginLarge begins a photo of full size and goes to the page that shows how
// far it is.
func (t *trainer) beginLarge(c *gin.Context) {
	e, err := exercise(c.PostForm)
	if err == nil {
		_, err = t.draw.drawLarge(e)
	}
	if err != nil {
		t.fail(c, err)
		return
	}
	c.Redirect(http.StatusSeeOther, "/train/large?"+query(e).Encode())
}

// underWay is the photo of full size that an address asks for; nil after failing.
func (t *trainer) underWay(c *gin.Context) (*largePhoto, training.Exercise) {
	e, ok := t.asked(c)
	if !ok {
		return nil, e
	}
	l := t.draw.foundLarge(e)
	if l == nil {
		t.fail(c, problem{Status: http.StatusNotFound, Code: "not_drawn", Detail: "This photo is not being drawn.", Advice: "Go back to the exercise and begin it again."})
	}
	return l, e
}

func (t *trainer) large(c *gin.Context) {
	l, e := t.underWay(c)
	if l == nil {
		return
	}
	ended, err := l.ended()
	if err != nil {
		t.fail(c, err)
		return
	}
	q := query(e).Encode()
	if !ended {
		c.Header("Refresh", "2") // without scripts
	}
	w := t.words(c)
	t.render(c, http.StatusOK, "train_large.html", pages.Page{Title: w.Text("train.large"), Scripts: []string{"train.js"}, Data: struct {
		Done              bool
		Percent           int
		State, File, Back string
	}{ended, int(100 * l.progress()), "/train/large.json?" + q, "/train/large.jpg?" + q, "/train/show?" + q}})
}

func (t *trainer) largeState(c *gin.Context) {
	l, _ := t.underWay(c)
	if l == nil {
		return
	}
	ended, err := l.ended()
	if err != nil {
		t.fail(c, err)
		return
	}
	c.JSON(http.StatusOK, gin.H{"done": l.progress(), "ready": ended})
}

func (t *trainer) largePhoto(c *gin.Context) {
	l, e := t.underWay(c)
	if l == nil {
		return
	}
	ended, err := l.ended()
	if err == nil && !ended {
		err = problem{Status: http.StatusServiceUnavailable, Code: "not_ready", Detail: "The photo is still being drawn.", Advice: "Wait a moment.", retryAfter: 2}
	}
	if err != nil {
		t.fail(c, err)
		return
	}
	c.Header("Content-Disposition", fmt.Sprintf(`inline; filename="%s-%d.jpg"`, e.Error, e.Seed))
	picture(c, "image/jpeg", l.jpeg)
}

// now is when something is answered.
func now() time.Time { return time.Now().UTC().Truncate(time.Second) }
