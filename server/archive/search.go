package archive

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"beltend/server/result"
)

// How a search stays fast among a million measurements: rows are read newest
// first along one index that serves the chosen filter, and the other filters are
// applied to them. Where the first lookback rows do not fill the page, what is
// asked for is rare, and the index of the rarer thing (a word, an offset range, an
// open review) is read instead.
const (
	lookback   = 4000
	siteChunk  = 50   // sites read in one statement, each along its own index range
	manySites  = 1000 // beyond, one index over all sites is read
	seriesMost = 10000
)

// condition is a part of a WHERE clause.
type condition struct {
	sql  string
	args []any
}

func (c *condition) and(sql string, args ...any) {
	c.sql += " AND " + sql
	c.args = append(c.args, args...)
}

// plan is how a query is read.
type plan struct {
	along   condition // served by one index in the order of time
	bySite  bool      // along wants one site at a time
	rest    condition // applied to the rows
	rare    string    // a table expression m for what is rare, when there is something
	rareArg []any
}

func (d *database) plan(q Query) (plan, error) {
	p := plan{along: condition{sql: "1 = 1"}, rest: condition{sql: "1 = 1"}}
	// The first of these that is asked for is read along; blanked columns keep
	// the databases from choosing another index.
	led := false
	equal := func(column, value string, site bool) {
		switch {
		case value == "":
		case led:
			p.rest.and(column+" || '' = ?", value)
		default:
			p.along.and(column+" = ?", value)
			led, p.bySite = true, site
		}
	}
	equal("joint", q.Joint, false)
	equal("belt", q.Belt, false)
	equal("conveyor", q.Conveyor, false)
	equal("card_set", q.CardSet, false)
	equal("person", q.Person, true)
	equal("verdict", q.Verdict, true)
	if !led { // the newest of all sites are read along one index, those of some site by site
		p.bySite = !q.Sites.all
	}
	if err := check(oneOf("end", q.End, "", Leading, Trailing), oneOf("step", q.Step, "", StepDrawn, StepCut, StepRecut, StepFinished),
		oneOf("verdict", q.Verdict, "", string(result.Square), string(result.Recut), string(result.Undecided), refused),
		oneOf("review", q.Review, "", "open", Accepted, SentBack, Concession),
		text("joint", q.Joint, 200), text("belt", q.Belt, 200), text("conveyor", q.Conveyor, 200), text("card set", q.CardSet, 200),
		text("person", q.Person, 200), text("text", q.Text, 500)); err != nil {
		return p, err
	}
	equalRest := func(column, value string) {
		if value != "" {
			p.rest.and(column+" = ?", value)
		}
	}
	equalRest("side", q.End)
	equalRest("step", q.Step)
	if !q.From.IsZero() {
		p.along.and("time >= ?", micros(q.From))
	}
	if !q.To.IsZero() {
		p.along.and("time < ?", micros(q.To))
	}
	if q.After != "" {
		at, id, err := readCursor(q.After)
		if err != nil {
			return p, err
		}
		p.along.and("(time, id) < (?, ?)", at, id)
	}
	if q.Newest {
		p.rest.and("NOT EXISTS (SELECT 1 FROM measurement x WHERE x.supersedes = m.id)")
	}
	if q.OffsetMin != nil || q.OffsetMax != nil {
		lo, hi := -1e300, 1e300
		if q.OffsetMin != nil {
			lo = *q.OffsetMin
		}
		if q.OffsetMax != nil {
			hi = *q.OffsetMax
		}
		p.rest.and("+offset_mm >= ? AND +offset_mm <= ?", lo, hi)
		where, args := q.Sites.where("site")
		p.rare, p.rareArg = "SELECT * FROM measurement WHERE "+where+" AND offset_mm >= ? AND offset_mm <= ?", append(args, lo, hi)
	}
	switch q.Review {
	case "":
	case "open":
		p.rest.and("EXISTS (SELECT 1 FROM open_review o WHERE o.measurement = m.id)")
		where, args := q.Sites.where("o.site")
		p.rare, p.rareArg = "SELECT x.* FROM open_review o CROSS JOIN measurement x WHERE x.id = o.measurement AND "+where, args
	default:
		p.rest.and("(SELECT outcome FROM review r WHERE r.measurement = m.id ORDER BY sign DESC LIMIT 1) = ?", q.Review)
	}
	if words := wordsOf(q.Text); len(words) > 0 {
		for _, w := range words {
			if utf8.RuneCountInString(w) == 1 { // whole: too many words begin with it
				p.rest.and("words || ' ' LIKE ?", "% "+w+" %")
			} else {
				p.rest.and("words LIKE ?", "% "+w+"%")
			}
		}
		p.rare, p.rareArg = d.matching(words)
	} else if strings.TrimSpace(q.Text) != "" {
		return p, fail(Invalid, "text: there is no letter or digit in it.", nil)
	}
	return p, nil
}

// matching selects the measurements that have all these words, by the
// database's own index of words.
func (d *database) matching(words []string) (string, []any) {
	quoted := make([]string, len(words))
	for i, w := range words {
		begins := utf8.RuneCountInString(w) > 1
		switch { // words hold letters and digits alone, so quotes end where they should
		case d.postgres && begins:
			quoted[i] = "'" + w + "':*"
		case d.postgres:
			quoted[i] = "'" + w + "'"
		case begins:
			quoted[i] = `"` + w + `"*`
		default:
			quoted[i] = `"` + w + `"`
		}
	}
	if d.postgres {
		return "SELECT * FROM measurement WHERE array_to_tsvector(string_to_array(btrim(words), ' ')) @@ CAST(CAST(? AS text) AS tsquery)",
			[]any{strings.Join(quoted, " & ")}
	}
	return "SELECT x.* FROM measurement_words w CROSS JOIN measurement x WHERE x.n = w.rowid AND measurement_words MATCH ?", []any{strings.Join(quoted, " ")}
}

// place is where a measurement stands in the order of lists.
type place struct {
	time int64
	id   string
}

func newestFirst(a, b place) int {
	return cmp.Or(cmp.Compare(b.time, a.time), strings.Compare(b.id, a.id))
}

func (p place) cursor() string { return strconv.FormatInt(p.time, 10) + "-" + p.id }

func readCursor(s string) (int64, string, error) {
	at, id, _ := strings.Cut(strings.TrimPrefix(s, "-"), "-")
	us, err := strconv.ParseInt(at, 10, 64)
	if err != nil || identifier("after", id) != nil {
		return 0, "", fail(Invalid, "after: this is no place in a list.", nil)
	}
	if strings.HasPrefix(s, "-") {
		us = -us
	}
	return us, id, nil
}

// Search lists measurements, newest first.
func (a *Archive) Search(ctx context.Context, q Query) (Page, error) {
	limit, err := limitOf(q.Limit)
	if err != nil {
		return Page{}, err
	}
	var page Page
	err = a.Read(ctx, func(tx *Tx) error {
		places, err := tx.places(ctx, q, limit+1)
		if err != nil || len(places) == 0 {
			return err
		}
		if len(places) > limit {
			places = places[:limit]
			page.Next = places[limit-1].cursor()
		}
		ids := make([]any, len(places))
		for i, p := range places {
			ids[i] = p.id
		}
		page.Items, err = tx.found(ctx, "m.id IN ("+marks(len(ids))+")", ids, " ORDER BY m.time DESC, m.id DESC")
		return err
	})
	return page, err
}

// places finds the newest measurements that match.
func (t *Tx) places(ctx context.Context, q Query, limit int) ([]place, error) {
	p, err := t.db.plan(q)
	if err != nil {
		return nil, err
	}
	groups, err := t.siteGroups(ctx, q.Sites, p.bySite)
	if err != nil {
		return nil, err
	}
	var out []place
	if p.rest.sql == "1 = 1" {
		return t.read(ctx, p, groups, limit, 0)
	}
	out, err = t.read(ctx, p, groups, limit, lookback)
	if err != nil || len(out) == limit {
		return out, err
	}
	if p.rare == "" {
		return t.read(ctx, p, groups, limit, 0)
	}
	where, args := q.Sites.where("m.site")
	all := append(append(append(append(append([]any(nil), p.rareArg...), args...), p.along.args...), p.rest.args...), limit)
	return t.scanPlaces(ctx, nil, "WITH m AS MATERIALIZED ("+p.rare+") SELECT time, id FROM m WHERE "+where+" AND "+p.along.sql+" AND "+p.rest.sql+
		" ORDER BY time DESC, id DESC LIMIT ?", all)
}

// siteGroups are the conditions on the site, each to be read along an index by
// itself; grouped by statement.
func (t *Tx) siteGroups(ctx context.Context, sites Sites, bySite bool) ([][]condition, error) {
	if bySite && sites.all {
		var ids []string
		err := t.Rows(ctx, func(scan func(...any) error) error {
			var id string
			err := scan(&id)
			ids = append(ids, id)
			return err
		}, "SELECT id FROM site LIMIT ?", manySites+1)
		if err != nil {
			return nil, err
		}
		if len(ids) <= manySites {
			sites = SomeSites(ids...)
		}
	}
	if !bySite || sites.all || len(sites.ids) > manySites || len(sites.ids) == 0 {
		where, args := sites.where("site || ''")
		return [][]condition{{{where, args}}}, nil
	}
	var out [][]condition
	for chunk := range slices.Chunk(sites.ids, siteChunk) {
		var group []condition
		for _, id := range chunk {
			group = append(group, condition{"site = ?", []any{id}})
		}
		out = append(out, group)
	}
	return out, nil
}

// read reads along the index, of each site's newest rows at most back; 0: all.
func (t *Tx) read(ctx context.Context, p plan, groups [][]condition, limit, back int) ([]place, error) {
	const newest = " ORDER BY time DESC, id DESC LIMIT ?"
	var out []place
	for _, group := range groups {
		var parts []string
		var args []any
		for _, site := range group {
			from := "SELECT * FROM measurement WHERE " + site.sql + " AND " + p.along.sql
			args = append(append(args, site.args...), p.along.args...)
			switch {
			case p.rest.sql == "1 = 1":
				from = strings.Replace(from, "*", "time, id", 1) + newest
				args = append(args, limit)
			case back == 0:
				from = "SELECT time, id FROM measurement m WHERE " + site.sql + " AND " + p.along.sql + " AND " + p.rest.sql + newest
				args = append(append(args, p.rest.args...), limit)
			default:
				from = "SELECT time, id FROM (" + from + newest + ") m WHERE " + p.rest.sql + newest
				args = append(append(append(args, max(limit, back/len(group))), p.rest.args...), limit)
			}
			parts = append(parts, "SELECT * FROM ("+from+") AS s")
		}
		var err error
		if out, err = t.scanPlaces(ctx, out, strings.Join(parts, " UNION ALL "), args); err != nil {
			return nil, err
		}
	}
	slices.SortFunc(out, newestFirst)
	return out[:min(limit, len(out))], nil
}

func (t *Tx) scanPlaces(ctx context.Context, out []place, q string, args []any) ([]place, error) {
	err := t.Rows(ctx, func(scan func(...any) error) error {
		var p place
		err := scan(&p.time, &p.id)
		out = append(out, p)
		return err
	}, q, args...)
	return out, err
}

// found reads measurements with the names around them.
func (t *Tx) found(ctx context.Context, where string, args []any, order string) ([]Found, error) {
	var out []Found
	err := t.Rows(ctx, func(scan func(...any) error) error {
		var f Found
		var body string
		if err := scan(&body, &f.SiteName, &f.ConveyorName, &f.BeltName, &f.JointNumber, &f.CardSetNo, &f.SupersededBy, &f.Review, &f.Signs, &f.CardDoubt); err != nil {
			return err
		}
		if err := json.Unmarshal([]byte(body), &f.Measurement); err != nil {
			return fail(Damaged, "A stored measurement cannot be read", err)
		}
		out = append(out, f)
		return nil
	}, `SELECT b.body, s.name, c.name, l.name, j.number, COALESCE(k.number, ''),
		COALESCE((SELECT MAX(x.id) FROM measurement x WHERE x.supersedes = m.id), ''),
		COALESCE((SELECT outcome FROM review r WHERE r.measurement = m.id ORDER BY sign DESC LIMIT 1), ''),
		(SELECT COUNT(*) FROM review r WHERE r.measurement = m.id),
		COALESCE((SELECT NOT good FROM card_check h WHERE h.card_set = m.card_set AND h.time >= m.time ORDER BY h.time LIMIT 1), 1 = 0)
		FROM measurement m JOIN measurement_body b ON b.id = m.id JOIN site s ON s.id = m.site JOIN conveyor c ON c.id = m.conveyor
		JOIN belt l ON l.id = m.belt JOIN joint j ON j.id = m.joint LEFT JOIN card_set k ON k.id = m.card_set WHERE `+where+order, args...)
	return out, err
}

// Series gives the measured offsets that match q as points of a chart, oldest
// first: the newest most of them, at most 10,000. q.After and q.Limit do not count.
func (a *Archive) Series(ctx context.Context, q Query, most int) ([]Point, error) {
	if most < 1 || most > seriesMost {
		return nil, fail(Invalid, fmt.Sprintf("a series has 1 to %d points.", seriesMost), nil)
	}
	q.After = ""
	var out []Point
	err := a.Read(ctx, func(tx *Tx) error {
		p, err := tx.db.plan(q)
		if err != nil {
			return err
		}
		p.rest.and("offset_mm IS NOT NULL")
		where, args := q.Sites.where("site")
		from := "measurement m"
		var first []any
		if p.rare != "" && strings.TrimSpace(q.Text) != "" {
			from, first = "("+p.rare+") m", p.rareArg
		}
		args = append(append(append(append(first, args...), p.along.args...), p.rest.args...), most)
		return tx.Rows(ctx, func(scan func(...any) error) error {
			var pt Point
			var at int64
			var roughness *float64
			err := scan(&pt.ID, &at, &pt.Site, &pt.Person, &pt.End, &pt.Step, &pt.Verdict, &pt.OffsetMM, &pt.U95MM, &pt.ToleranceMM, &pt.BowMM, &roughness)
			pt.Time = fromMicros(at)
			if roughness != nil {
				pt.RoughnessMM = *roughness
			}
			out = append(out, pt)
			return err
		}, "SELECT id, time, site, person, side, step, verdict, offset_mm, u95_mm, tolerance_mm, bow_mm, roughness_mm FROM "+from+" WHERE "+where+" AND "+
			p.along.sql+" AND "+p.rest.sql+" ORDER BY time DESC, id DESC LIMIT ?", args...)
	})
	slices.Reverse(out)
	return out, err
}

// SinceLastGoodCheck lists, newest first, all that was measured with a card
// set after its last good check: when it is found bad, what must be judged again.
func (a *Archive) SinceLastGoodCheck(ctx context.Context, sites Sites, cardSet, after string, limit int) (Page, error) {
	from, err := a.lastGoodCheck(ctx, sites, cardSet)
	if err != nil {
		return Page{}, err
	}
	return a.Search(ctx, Query{Sites: sites, CardSet: cardSet, From: from, After: after, Limit: limit})
}
