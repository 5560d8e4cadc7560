package httpapi

import (
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/gin-gonic/gin"

	"beltend/geometry"
	"beltend/server/archive"
	"beltend/server/pages"
	"beltend/server/report"
	"beltend/server/training"
)

const roundsShown = 50

// scoreLine is a round in a list.
type scoreLine struct {
	ID, Person, When    string
	Seed                int64
	Answered, Questions int
	Points, Most, Share int
	Done                bool
}

// start is the trainer's first page.
func (t *trainer) start(c *gin.Context) {
	v := t.view(c)
	w, o := pages.In(v.Lang), v.Options()
	rounds, err := t.rounds(c, roundsShown)
	var sites []archive.Site
	if err == nil {
		sites, err = t.Store.Archive.Sites(c.Request.Context(), t.user(c).Sites)
	}
	if err != nil {
		t.fail(c, err)
		return
	}
	var lines []scoreLine
	for _, r := range rounds {
		lines = append(lines, lineOf(w, &r))
	}
	t.render(c, http.StatusOK, "train_start.html", pages.Page{Title: w.Text("train.title"), Data: struct {
		Person string
		Seed   string
		Lines  []scoreLine
		Sites  []archive.Site
		Errors []choice
		Most   int
		Points []string // how an answer is judged
	}{v.Person, c.Query("seed"), lines, sites, choicesOf(w, "error", training.Codes, ""), training.MostQuestions, []string{
		w.Text("train.points_verdict"), w.Text("train.points_long"), w.Text("train.points_amount", report.Length(training.AmountNear, o), report.Length(training.AmountFair, o)),
		w.Text("train.points_cut", report.Marks(training.CutNear, o), report.Marks(training.CutFair, o)),
	}}})
}

func lineOf(w *pages.Words, r *training.Round) scoreLine {
	l := scoreLine{ID: r.ID, Person: r.Person, When: w.Stamp(r.Started), Seed: r.Seed, Answered: len(r.Answers), Questions: r.Questions, Done: r.Done()}
	l.Points, l.Most = r.Points()
	if l.Most > 0 {
		l.Share = 100 * l.Points / l.Most
	}
	return l
}

func whole(name, text string) (int64, error) {
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil {
		return 0, geometry.Wrong(name, "%q is no whole number", text).Coded("no_whole_number", geometry.Values{"given": text})
	}
	return n, nil
}

func (t *trainer) beginRound(c *gin.Context) {
	seed, err := whole("seed", c.PostForm("seed"))
	if c.PostForm("seed") == "" { // of the day: a class that gives none has one all the same
		y, m, d := now().Date()
		seed, err = int64(y)*10000+int64(m)*100+int64(d), nil
	}
	var n int64
	if err == nil {
		n, err = whole("questions", c.PostForm("questions"))
	}
	if err == nil {
		err = geometry.InRange(geometry.Range{Name: "questions", V: float64(n), Lo: 1, Hi: training.MostQuestions, Want: "how many questions the round has"})
	}
	var r training.Round
	if err == nil {
		r = training.Round{Person: strings.TrimSpace(c.PostForm("person")), Seed: seed, Questions: int(n), Started: now()}
		if r.Site, err = t.siteOf(c); err == nil {
			r, err = t.Store.BeginRound(c.Request.Context(), t.user(c).Actor, r)
		}
	}
	if err != nil {
		t.fail(c, err)
		return
	}
	c.Redirect(http.StatusSeeOther, "/train/rounds/"+r.ID+"/1")
}

// siteOf is the site that a new round belongs to: the one chosen, or the first of
// whoever asks; none where there is none yet.
func (t *trainer) siteOf(c *gin.Context) (string, error) {
	sites, err := t.Store.Archive.Sites(c.Request.Context(), t.user(c).Sites)
	if err != nil || len(sites) == 0 {
		return "", err
	}
	chosen := c.PostForm("site")
	if chosen == "" {
		return sites[0].ID, nil
	}
	if !slices.ContainsFunc(sites, func(s archive.Site) bool { return s.ID == chosen }) {
		return "", geometry.Wrong("site", "you do not belong to such a site").Coded("not_your_site", nil)
	}
	return chosen, nil
}

// rounds are those that whoever asks may see, the newest first; of one seed where
// the address names it.
func (t *trainer) rounds(c *gin.Context, limit int) ([]training.Round, error) {
	q := archive.RoundQuery{Sites: t.user(c).Sites, Limit: limit}
	if text := c.Query("seed"); text != "" {
		seed, err := whole("seed", text)
		if err != nil {
			return nil, err
		}
		q.Seed = &seed
	}
	return t.Store.Rounds(c.Request.Context(), q)
}

// begun is the round of an address, if whoever asks may see it.
func (t *trainer) begun(c *gin.Context) (training.Round, error) {
	return t.Store.Round(c.Request.Context(), t.user(c).Sites, c.Param("id"))
}

// round is the page of a round's points.
func (t *trainer) round(c *gin.Context) {
	r, err := t.begun(c)
	if err != nil {
		t.fail(c, err)
		return
	}
	w := t.words(c)
	type row struct {
		Number            int
		Error, Said, Href string
		Right             string
		Points            int
		Dangerous         bool
	}
	var rows []row
	for i, a := range r.Answers {
		rows = append(rows, row{i + 1, w.Text("train.error_" + a.Exercise.Error), w.Text("train.verdict_" + a.Answer.Verdict),
			fmt.Sprintf("/train/rounds/%s/%d/answer", r.ID, i+1), w.Text("train.verdict_" + a.Right), a.Marks.Total(), a.Marks.Dangerous})
	}
	next := ""
	if !r.Done() {
		next = fmt.Sprintf("/train/rounds/%s/%d", r.ID, len(r.Answers)+1)
	}
	t.render(c, http.StatusOK, "train_round.html", pages.Page{Title: w.Text("train.round_of", r.Person), Data: struct {
		Line scoreLine
		Rows []row
		Next string
		Of   int
	}{lineOf(w, &r), rows, next, training.MostPoints}})
}

// at is the round and question of an address; false after failing.
func (t *trainer) at(c *gin.Context) (training.Round, int, training.Exercise, bool) {
	r, err := t.begun(c)
	n, bad := strconv.Atoi(c.Param("n"))
	if err == nil && (bad != nil || n < 1 || n > r.Questions) {
		err = problemNotFound
	}
	var e training.Exercise
	if err == nil {
		if n <= len(r.Answers) {
			e = r.Answers[n-1].Exercise // as it was asked
		} else {
			e, err = training.Question(r.Seed, n-1)
		}
	}
	if err != nil {
		t.fail(c, err)
		return r, 0, e, false
	}
	return r, n, e, true
}

// question asks the next question; one that is answered shows its answer.
func (t *trainer) question(c *gin.Context) {
	r, n, e, ok := t.at(c)
	if !ok {
		return
	}
	here := "/train/rounds/" + r.ID
	switch next := len(r.Answers) + 1; {
	case n < next:
		c.Redirect(http.StatusSeeOther, fmt.Sprintf("%s/%d/answer", here, n))
		return
	case n > next:
		c.Redirect(http.StatusSeeOther, fmt.Sprintf("%s/%d", here, next))
		return
	}
	v := t.view(c)
	w, o := pages.In(v.Lang), v.Options()
	points, _ := r.Points()
	t.render(c, http.StatusOK, "train_question.html", pages.Page{Title: w.Text("train.question_of", n, r.Questions), Scripts: []string{"train.js"}, Data: asking{
		Photo: fmt.Sprintf("%s/%d/photo.jpg", here, n), Action: fmt.Sprintf("%s/%d", here, n), Post: true, Full: sizeOf(), Verdicts: verdicts(w), Sides: sides(w),
		Width: report.Marks(e.Width, o), Allowed: report.Length(training.Allowed(e.Width), o), Inches: o.Inches, Number: n, Of: r.Questions, Points: points,
	}})
}

func (t *trainer) questionPhoto(c *gin.Context) {
	r, n, e, ok := t.at(c)
	if !ok {
		return
	}
	if n > len(r.Answers)+1 {
		t.fail(c, training.ErrOrder)
		return
	}
	b, err := t.draw.photo(c.Request.Context(), e)
	if err != nil {
		t.fail(c, err)
		return
	}
	picture(c, "image/jpeg", b)
}

// answered keeps an answer and shows what is right.
func (t *trainer) answered(c *gin.Context) {
	r, n, e, ok := t.at(c)
	if !ok {
		return
	}
	a, err := said(c.PostForm)
	var s training.Solution
	if err == nil {
		s, err = solved(e)
	}
	if err == nil {
		err = t.Store.AnswerRound(c.Request.Context(), t.user(c).Actor, r.ID, n-1, training.Answered{Exercise: e, Answer: a, Marks: s.Score(a), Right: s.Verdict, Offset: s.Offset, Time: now()})
	}
	if err != nil {
		t.fail(c, err)
		return
	}
	c.Redirect(http.StatusSeeOther, fmt.Sprintf("/train/rounds/%s/%d/answer", r.ID, n))
}

func (t *trainer) questionAnswer(c *gin.Context) {
	r, n, e, ok := t.at(c)
	if !ok {
		return
	}
	if n > len(r.Answers) { // first the question
		c.Redirect(http.StatusSeeOther, fmt.Sprintf("/train/rounds/%s/%d", r.ID, n))
		return
	}
	got := r.Answers[n-1]
	d, err := t.tell(t.view(c), e, &got.Answer, taps(query(e), &got.Answer))
	if err != nil {
		t.fail(c, err)
		return
	}
	d.Number, d.Of = n, r.Questions
	d.Points, d.PointsMost = r.Points()
	d.Next = "/train/rounds/" + r.ID
	if !r.Done() {
		d.Next = fmt.Sprintf("/train/rounds/%s/%d", r.ID, len(r.Answers)+1)
	}
	t.render(c, http.StatusOK, "train_answer.html", pages.Page{Title: d.Error, Scripts: []string{"train.js"}, Data: d})
}

// scores is every answer as a table for a table program, of one seed where it
// is given.
func (t *trainer) scores(c *gin.Context) {
	rounds, err := t.rounds(c, archive.MostRounds)
	if err != nil {
		t.fail(c, err)
		return
	}
	b, err := training.CSV(rounds)
	if err != nil {
		t.fail(c, err)
		return
	}
	c.Header("Content-Disposition", `attachment; filename="scores.csv"`)
	c.Data(http.StatusOK, "text/csv; charset=utf-8", b)
}
