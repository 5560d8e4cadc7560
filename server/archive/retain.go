package archive

import (
	"context"
	"fmt"
	"regexp"
	"strconv"
	"time"
)

// Rules of retention.
const (
	RuleSignedOff = "signed_off" // photos of joints that are signed off
	RuleRefused   = "refused"    // photos that gave no answer
)

// Age is how long something is kept; zero: for ever.
type Age struct{ Years, Days int }

// ParseAge reads 5y or 90d.
func ParseAge(text string) (Age, error) {
	m := regexp.MustCompile(`^([1-9][0-9]{0,4})([yd])$`).FindStringSubmatch(text)
	if m == nil {
		return Age{}, fail(Invalid, fmt.Sprintf("%q is no age: write 5y or 90d, one day at least.", text), nil)
	}
	n, _ := strconv.Atoi(m[1]) // digits
	if m[2] == "y" {
		return Age{Years: n}, nil
	}
	return Age{Days: n}, nil
}

func (a Age) String() string {
	if a.Years > 0 {
		return strconv.Itoa(a.Years) + "y"
	}
	return strconv.Itoa(a.Days) + "d"
}

// passed says whether so much time has gone by.
func (a Age) passed(since, at time.Time) bool {
	return a != Age{} && !since.IsZero() && since.AddDate(a.Years, 0, a.Days).Before(at)
}

// Rules say how long photos are kept. What no rule names is kept for ever.
type Rules struct {
	SignedOff Age // joints, counted from the last sign-off, measurement, look, judgement or photo
	Refused   Age // measurements that were refused, of joints that are signed off
	Sites     Sites
	At        time.Time // the moment they are applied at; zero: now
}

// Due is a photo that a rule lets go.
type Due struct {
	Site, SHA256 string
	Name         string
	Bytes        int64
	Joint        string // ID
	JointNumber  string
	SiteName     string
	Rule         string
}

// Retained is what Retain found.
type Retained struct {
	Photos, Bytes int64
	// Waiting are joints whose last measurement is older than the rule, and which
	// are kept because they are not signed off.
	Waiting int64
}

// Retain takes away the files of photos that the rules let go, with an event for
// each; with dry it only lists them. each may be nil.
//
// A photo goes when everything measured from it may go, and nothing goes of a joint
// that is not signed off. Of one that is, refused measurements may go after
// Rules.Refused; all measurements, and the looks at it when it was finished, after
// Rules.SignedOff. A joint is signed off when every one of its measurements is accepted
// or conceded (by two persons where the site asks for that), or sent back and followed by
// such a one at the same end, or made again by such a one, or refused, or beside another;
// and one at least is accepted or conceded. Photos that no measurement and no look names stay.
func (a *Archive) Retain(ctx context.Context, by Actor, rules Rules, dry bool, each func(Due)) (Retained, error) {
	var sum Retained
	if (rules.SignedOff == Age{} && rules.Refused == Age{}) {
		return sum, fail(Invalid, "rules: without one everything is kept for ever.", nil)
	}
	if rules.At.IsZero() {
		rules.At = time.Now()
	}
	if !dry { // what an earlier run left
		if err := a.settleFiles(ctx); err != nil {
			return sum, err
		}
	}
	for after := ""; ; {
		var joints []string
		var due []Due
		var waiting int64
		look := func(tx *Tx) (err error) {
			if joints, err = tx.jointsAfter(ctx, rules.Sites, after); err != nil {
				return err
			}
			due, waiting, err = tx.due(ctx, joints, rules)
			return err
		}
		if err := a.Read(ctx, look); err != nil {
			return sum, err
		}
		if len(joints) == 0 {
			return sum, nil
		}
		if !dry && len(due) > 0 {
			// Looked at once more, now that nobody else writes.
			err := a.Write(ctx, func(tx *Tx) error {
				if err := look(tx); err != nil {
					return err
				}
				for _, d := range due {
					r := Removal{Site: d.Site, SHA256: d.SHA256, Removed: true, Rule: d.Rule, Age: rules.age(d.Rule).String()}
					if err := tx.putRemoval(ctx, by, r, ""); err != nil {
						return err
					}
				}
				return nil
			})
			if err != nil {
				return sum, err
			}
			if err := a.settleFiles(ctx); err != nil {
				return sum, err
			}
		}
		for _, d := range due {
			sum.Photos++
			sum.Bytes += d.Bytes
			if each != nil {
				each(d)
			}
		}
		sum.Waiting += waiting
		after = joints[len(joints)-1]
	}
}

func (r Rules) age(rule string) Age {
	if rule == RuleRefused {
		return r.Refused
	}
	return r.SignedOff
}

// retainBatch is how many joints are looked at together.
const retainBatch = 50

func (t *Tx) jointsAfter(ctx context.Context, sites Sites, after string) ([]string, error) {
	where, args := sites.where("site")
	var out []string
	err := t.Rows(ctx, func(scan func(...any) error) error {
		var id string
		err := scan(&id)
		out = append(out, id)
		return err
	}, "SELECT id FROM joint WHERE id > ? AND "+where+" ORDER BY id LIMIT ?", append(append([]any{after}, args...), retainBatch)...)
	return out, err
}

// worked is a measurement as the rules see it.
type worked struct {
	n            int64
	id, end      string
	time         time.Time
	refused      bool
	beside       bool // another, to compare
	supersededBy string
	outcome      string // of the latest sign-off
	signs        int
	twoSign      bool
	positive     bool // accepted or conceded, by as many as the site asks
}

// stand is a joint as the rules see it.
type stand struct {
	of      map[string]*worked
	signed  bool
	refusal bool      // a measurement at least was refused
	answer  bool      // a measurement at least was not refused, or hooks were counted
	since   time.Time // of what came last: measurement, sign-off, look or judgement
}

// due gives the photos of these joints that the rules let go, and how many joints
// are old and not signed off.
func (t *Tx) due(ctx context.Context, joints []string, rules Rules) (due []Due, waiting int64, err error) {
	stands := map[string]*stand{}
	for _, id := range joints {
		s, err := t.stand(ctx, stands, id)
		if err != nil {
			return nil, 0, err
		}
		if !s.signed {
			if s.answer && rules.SignedOff.passed(s.since, rules.At) || s.refusal && rules.Refused.passed(s.since, rules.At) {
				waiting++
			}
			continue
		}
		photos, err := t.heldPhotos(ctx, id)
		if err != nil {
			return nil, 0, err
		}
		for _, p := range photos {
			rule, err := t.ruleFor(ctx, stands, p, rules)
			if err != nil {
				return nil, 0, err
			}
			if rule != "" {
				p.Rule = rule
				due = append(due, p.Due)
			}
		}
	}
	return due, waiting, nil
}

// heldPhoto is a photo whose file is still kept.
type heldPhoto struct {
	Due
	added time.Time
}

// heldPhotos are those of a joint's measurements and of the looks at it whose files
// are still kept. One that other joints use too is listed with the first of them.
func (t *Tx) heldPhotos(ctx context.Context, joint string) ([]heldPhoto, error) {
	var out []heldPhoto
	err := t.Rows(ctx, func(scan func(...any) error) error {
		p := heldPhoto{Due: Due{Joint: joint}}
		var added int64
		var body string
		err := scan(&p.Site, &p.SHA256, &added, &body, &p.SiteName, &p.JointNumber)
		p.added = fromMicros(added)
		if err != nil {
			return err
		}
		rec, err := decode[Photo](body)
		p.Name, p.Bytes = rec.Name, rec.Bytes
		out = append(out, p)
		return err
	}, `SELECT p.site, p.sha256, p.added, p.body, s.name, j.number FROM photo p JOIN site s ON s.id = p.site JOIN joint j ON j.id = ?
		WHERE p.site = j.site AND `+isHeld+` AND p.sha256 IN (SELECT f.sha256 FROM measurement m JOIN measurement_file f ON f.measurement = m.id WHERE m.joint = ?
			UNION SELECT f.sha256 FROM finished l JOIN finished_file f ON f.finished = l.id WHERE l.joint = ?)
		AND NOT EXISTS (SELECT 1 FROM measurement_file f JOIN measurement m ON m.id = f.measurement WHERE f.sha256 = p.sha256 AND m.site = p.site AND m.joint < j.id)
		AND NOT EXISTS (SELECT 1 FROM finished_file f JOIN finished l ON l.id = f.finished WHERE f.sha256 = p.sha256 AND l.site = p.site AND l.joint < j.id)
		ORDER BY p.sha256`, joint, joint, joint)
	return out, err
}

// ruleFor is the rule that lets a photo go: every measurement made from it, and
// every look, may go.
func (t *Tx) ruleFor(ctx context.Context, stands map[string]*stand, p heldPhoto, rules Rules) (string, error) {
	type use struct{ id, joint string } // id: of the measurement, empty for a look
	var uses []use
	err := t.Rows(ctx, func(scan func(...any) error) error {
		var u use
		err := scan(&u.id, &u.joint)
		uses = append(uses, u)
		return err
	}, `SELECT m.id, m.joint FROM measurement_file f JOIN measurement m ON m.id = f.measurement WHERE f.sha256 = ? AND m.site = ?
		UNION ALL SELECT '', l.joint FROM finished_file f JOIN finished l ON l.id = f.finished WHERE f.sha256 = ? AND l.site = ?`, p.SHA256, p.Site, p.SHA256, p.Site)
	if err != nil {
		return "", err
	}
	rule := ""
	for _, u := range uses {
		s, err := t.stand(ctx, stands, u.joint)
		if err != nil {
			return "", err
		}
		w := s.of[u.id]
		switch {
		case !s.signed:
			return "", nil
		case rules.SignedOff.passed(lastOf(s.since, p.added), rules.At):
			rule = RuleSignedOff
		case w != nil && w.refused && rules.Refused.passed(lastOf(w.time, p.added), rules.At):
			if rule == "" {
				rule = RuleRefused
			}
		default:
			return "", nil
		}
	}
	return rule, nil
}

func lastOf(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// stand reads how a joint stands, once.
func (t *Tx) stand(ctx context.Context, stands map[string]*stand, joint string) (*stand, error) {
	if s := stands[joint]; s != nil {
		return s, nil
	}
	s := &stand{of: map[string]*worked{}}
	err := t.Rows(ctx, func(scan func(...any) error) error {
		w := &worked{}
		var at int64
		var verdict, body string
		if err := scan(&w.n, &w.id, &w.end, &at, &verdict, &w.beside, &w.supersededBy, &body); err != nil {
			return err
		}
		site, err := decode[Site](body)
		w.time, w.refused, w.twoSign = fromMicros(at), verdict == refused, site.TwoSign
		s.of[w.id], s.since, s.answer = w, lastOf(s.since, w.time), s.answer || !w.refused && !w.beside
		s.refusal = s.refusal || w.refused
		return err
	}, `SELECT m.n, m.id, m.side, m.time, m.verdict, m.beside <> '', COALESCE((SELECT MAX(x.id) FROM measurement x WHERE x.supersedes = m.id AND x.supersedes <> ''), ''), s.body
		FROM measurement m JOIN site s ON s.id = m.site WHERE m.joint = ?`, joint)
	if err != nil {
		return nil, err
	}
	// A sign-off is as old as its event says, whatever day stands on it.
	err = t.Rows(ctx, func(scan func(...any) error) error {
		var of, outcome string
		var at int64
		if err := scan(&of, &outcome, &at); err != nil {
			return err
		}
		if w := s.of[of]; w != nil {
			w.outcome = outcome
			w.signs++
			s.since = lastOf(s.since, fromMicros(at))
		}
		return nil
	}, "SELECT r.measurement, r.outcome, e.time FROM review r JOIN event e ON e.subject = 'review/' || r.id WHERE r.joint = ? ORDER BY r.measurement, r.sign", joint)
	if err != nil {
		return nil, err
	}
	// The same for a look and the judgements on its clinch.
	err = t.Rows(ctx, func(scan func(...any) error) error {
		var at int64
		err := scan(&at)
		s.since, s.answer = lastOf(s.since, fromMicros(at)), true
		return err
	}, "SELECT e.time FROM finished l JOIN event e ON e.subject = 'finished/' || l.id WHERE l.joint = ?", joint)
	if err != nil {
		return nil, err
	}
	s.judge()
	stands[joint] = s
	return s, nil
}

// judge finds out whether the joint is signed off; see Retain.
func (s *stand) judge() {
	some := false
	for _, w := range s.of {
		need := 1
		if w.twoSign {
			need = 2
		}
		w.positive = (w.outcome == Accepted || w.outcome == Concession) && w.signs >= need
		some = some || w.positive
	}
	s.signed = some
	for _, w := range s.of {
		s.signed = s.signed && s.settled(w)
	}
}

// settled says whether nothing more is to be done about a measurement.
func (s *stand) settled(w *worked) bool {
	switch {
	case w.refused, w.beside, w.positive:
		return true
	case w.outcome == SentBack:
		for _, later := range s.of {
			if later.n > w.n && later.end == w.end && later.positive {
				return true
			}
		}
	}
	// Each names an earlier one, so this ends.
	again := s.of[w.supersededBy]
	return again != nil && !again.refused && s.settled(again)
}
