package archive

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"beltend/server/result"
)

// How a search stays fast among a million measurements: rows are read newest
// first along one index that serves the chosen filter, and the other filters are
// applied to them until the page is full. Where that takes more than lookback rows,
// what is asked for is rare, and the index of the rarer thing (a word, an offset
// range) is read instead: at once, where PostgreSQL's statistics say so, or where a
// look at that index in SQLite soon comes to its end.
const (
	lookback = 8000

	siteChunk  = 50   // sites read in one statement of PostgreSQL, each along its own index range
	manySites  = 1000 // beyond, one index over all sites is read
	seriesMost = 10_000
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

// plan is how a query is read. Its columns are those of the table m.
type plan struct {
	table  string    // that the index is of: m, or r, review_state
	index  string    // that is read along: measurement_index; "": the table itself
	along  condition // served by that index, in the order of time
	bySite bool      // the index wants one site at a time
	rest   condition // applied to the rows
	rare   *rare     // nil where nothing is rare
	lo, hi int64     // n of what is asked for: from lo, below hi
}

// rare selects by the index of what is rare.
type rare struct {
	from  string
	where condition
	order string // the column of from that is m.n

	listed condition // SQLite: selects n alone, by the index alone
	newest bool      // and the newest first
}

const everything = "1 = 1"

func (d *database) plan(q Query) (plan, error) {
	p := plan{table: "m", along: condition{sql: everything}, rest: condition{sql: everything}, lo: math.MinInt64, hi: math.MaxInt64}
	// The first of these that is asked for is read along.
	led := false
	equal := func(column, value string, site bool) {
		switch {
		case value == "":
		case led:
			p.rest.and("m."+column+" = ?", value)
		default:
			p.along.and("m."+column+" = ?", value)
			led, p.index, p.bySite = true, column, site
		}
	}
	equal("joint", q.Joint, false)
	equal("belt", q.Belt, false)
	equal("conveyor", q.Conveyor, false)
	equal("card_set", q.CardSet, false)
	equal("person", q.Person, true)
	equal("verdict", q.Verdict, true)
	if !led && q.Review != "" && q.Text == "" {
		p.table, p.bySite = "r", true
		p.along.and("m.n = r.n AND r.state = ?", q.Review)
	} else if !led && !q.Sites.all { // the newest of all sites are read as they lie, those of some site by site
		p.index, p.bySite = "site", true
	}
	if err := check(oneOf("end", q.End, "", Leading, Trailing), oneOf("step", q.Step, "", StepDrawn, StepCut, StepRecut, StepFinished),
		oneOf("verdict", q.Verdict, "", string(result.Square), string(result.Recut), string(result.Undecided), refused),
		oneOf("review", q.Review, "", reviewOpen, Accepted, SentBack, Concession),
		text("joint", q.Joint, 200), text("belt", q.Belt, 200), text("conveyor", q.Conveyor, 200), text("card set", q.CardSet, 200),
		text("person", q.Person, 200), text("text", q.Text, 500)); err != nil {
		return p, err
	}
	if q.End != "" {
		p.rest.and("m.side = ?", q.End)
	}
	if q.Step != "" {
		p.rest.and("m.step = ?", q.Step)
	}
	p.times(q)
	if q.After != "" {
		n, err := strconv.ParseInt(q.After, 10, 64)
		if err != nil {
			return p, fail(Invalid, "after: this is no place in a list.", nil)
		}
		p.along.and(p.table+".n < ?", n)
		p.hi = min(p.hi, n)
	}
	if q.Newest || q.Answered {
		p.rest.and("NOT m.beside > ''") // a column added later, of which PostgreSQL has no statistics yet: by = it takes such rows for rare, and sorts
	}
	if q.Newest {
		p.rest.and("NOT EXISTS (SELECT 1 FROM measurement x WHERE x.supersedes = m.id AND x.supersedes <> '')")
	}
	if q.Answered {
		p.rest.and("m.verdict <> ?", refused)
	}
	if q.OffsetMin != nil || q.OffsetMax != nil {
		d.offsets(&p, q)
	}
	if q.Review != "" && p.table != "r" {
		p.rest.and("EXISTS (SELECT 1 FROM review_state s WHERE s.n = m.n AND s.state = ?)", q.Review)
	}
	words := wordsOf(q.Text)
	if len(words) == 0 {
		if strings.TrimSpace(q.Text) != "" {
			return p, Wrong("text", "no_letter", nil, "there is no letter or digit in it.")
		}
		return p, nil
	}
	for _, w := range words {
		if utf8.RuneCountInString(w) == 1 { // whole: too many words begin with it
			p.rest.and(d.holds("m.words || ' '"), " "+w+" ")
		} else {
			p.rest.and(d.holds("m.words"), " "+w)
		}
	}
	p.rare = d.matching(&p, words)
	return p, nil
}

// holds says whether a text has another in it. PostgreSQL takes a LIKE for so rare that it
// would rather sort all rows than read the newest first.
func (d *database) holds(column string) string {
	if d.postgres {
		return "strpos(" + column + ", ?) > 0"
	}
	return "instr(" + column + ", ?) > 0"
}

// latest is how much later than its time a measurement's n may be, in microseconds:
// as many would have to be of one moment.
const latest = 1_000_000

// times adds the range of times; n leads to them.
func (p *plan) times(q Query) {
	if !q.From.IsZero() {
		p.along.and(p.table+".n >= ? AND m.time >= ?", micros(q.From), micros(q.From))
		p.lo = micros(q.From)
	}
	if !q.To.IsZero() {
		p.along.and(p.table+".n < ? AND m.time < ?", micros(q.To)+latest, micros(q.To))
		p.hi = min(p.hi, micros(q.To)+latest)
	}
}

// offsets adds the range of offsets.
func (d *database) offsets(p *plan, q Query) {
	lo, hi := -1e300, 1e300
	if q.OffsetMin != nil {
		lo = *q.OffsetMin
	}
	if q.OffsetMax != nil {
		hi = *q.OffsetMax
	}
	p.rest.and("m.offset_mm >= ? AND m.offset_mm <= ?", lo, hi)
	where, args := q.Sites.where("m.site")
	from := "measurement m"
	if !d.postgres { // which has no statistics to choose by
		from += " INDEXED BY measurement_offset"
		if q.Sites.all {
			from += "_all"
		}
	}
	where += " AND m.offset_mm >= ? AND m.offset_mm <= ?"
	args = append(args, lo, hi)
	p.rare = &rare{from: from, where: condition{where, args}, order: "m.n", listed: condition{"SELECT m.n FROM " + from + " WHERE " + where, args}}
}

// noToken are the letters at which SQLite's tokenizer unicode61 ends a word, since older
// versions of Unicode had them as marks.
var noToken = &unicode.RangeTable{R16: []unicode.Range16{{Lo: 0x19b0, Hi: 0x19c0, Stride: 1}, {Lo: 0x19c8, Hi: 0x19c9, Stride: 1}, {Lo: 0x1cf2, Hi: 0x1cf3, Stride: 1}}}

// matching selects the measurements that have all these words, by the
// database's own index of words.
func (d *database) matching(p *plan, words []string) *rare {
	var quoted []string
	for _, w := range words { // what is cut here, the condition on m.words looks at whole
		q := beginning(w) // of letters and digits alone, so quotes end where they should
		switch n := utf8.RuneCountInString(w); {
		case d.postgres:
			quoted = append(quoted, "'"+q+"'")
		case strings.ContainsFunc(w, func(r rune) bool { return unicode.Is(noToken, r) }):
		case n > 1 && n < beginningLetters:
			quoted = append(quoted, `"`+q+`"*`)
		default:
			quoted = append(quoted, `"`+q+`"`)
		}
	}
	if len(quoted) == 0 {
		return nil
	}
	if d.postgres {
		return &rare{from: "measurement m", where: condition{"beltend_beginnings(m.words) @@ CAST(CAST(? AS text) AS tsquery)", []any{strings.Join(quoted, " & ")}}, order: "m.n"}
	}
	match := strings.Join(quoted, " ")
	return &rare{from: "measurement_words w CROSS JOIN measurement m", where: condition{"m.n = w.rowid AND measurement_words MATCH ?", []any{match}}, order: "w.rowid", newest: true,
		listed: condition{"SELECT w.rowid AS n FROM measurement_words w WHERE measurement_words MATCH ? AND w.rowid >= ? AND w.rowid < ? ORDER BY w.rowid DESC", []any{match, p.lo, p.hi}}}
}

// rarely selects places through what is rare: SQLite joins in the order written,
// PostgreSQL is told to take what is rare first.
func (d *database) rarely(p plan, conditions condition, limit int) condition {
	r, state := p.rare, ""
	if p.table == "r" { // which the conditions name
		state = " CROSS JOIN review_state r"
	}
	args := append(append(append([]any(nil), r.where.args...), conditions.args...), limit)
	if d.postgres {
		return condition{"WITH m AS MATERIALIZED (SELECT m.* FROM " + r.from + " WHERE " + r.where.sql + ") SELECT m.n, m.id FROM m" + state + " WHERE " + conditions.sql + newest, args}
	}
	return condition{"SELECT m.n, m.id FROM " + r.from + state + " WHERE " + r.where.sql + " AND " + conditions.sql + " ORDER BY " + r.order + " DESC LIMIT ?", args}
}

// place is where a measurement stands in the order of lists.
type place struct {
	n  int64
	id string
}

func (p place) cursor() string { return strconv.FormatInt(p.n, 10) }

// Search lists measurements, newest first.
func (a *Archive) Search(ctx context.Context, q Query) (Page, error) {
	limit, err := limitOf(q.Limit)
	if err != nil {
		return Page{}, err
	}
	var page Page
	err = a.Read(ctx, func(tx *Tx) error {
		places, err := tx.places(ctx, q, limit+1, lookback)
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
		page.Items, err = tx.found(ctx, "m.id IN ("+marks(len(ids))+")", ids, " ORDER BY m.n DESC")
		return err
	})
	return page, err
}

// places finds the newest measurements that match.
func (t *Tx) places(ctx context.Context, q Query, limit, back int) ([]place, error) {
	p, err := t.db.plan(q)
	if err != nil {
		return nil, err
	}
	groups, err := t.siteGroups(ctx, q.Sites, p)
	if err != nil {
		return nil, err
	}
	if p.rest.sql == everything {
		return t.read(ctx, p, groups, limit)
	}
	where, args := q.Sites.where("m.site")
	all := condition{where, args}
	all.and(p.along.sql, p.along.args...)
	all.and(p.rest.sql, p.rest.args...)
	if p.rare != nil {
		out, few, err := t.few(ctx, p, all, limit, back)
		if err != nil || few {
			return out, err
		}
	}
	whole, floor, err := t.reach(ctx, p, groups, limit, back)
	if err != nil {
		return nil, err
	}
	if whole {
		return t.read(ctx, p, groups, limit)
	}
	near := p
	near.along = condition{p.along.sql, slices.Clip(p.along.args)}
	near.along.and(p.table+".n >= ?", floor)
	out, err := t.read(ctx, near, groups, limit)
	if err != nil || len(out) == limit {
		return out, err
	}
	if p.rare == nil { // what is left lies before these rows
		p.along = condition{p.along.sql, slices.Clip(p.along.args)}
		p.along.and(p.table+".n < ?", floor)
		more, err := t.read(ctx, p, groups, limit-len(out))
		return append(out, more...), err
	}
	all.and(p.rare.order+" < ?", floor)
	all = t.db.rarely(p, all, limit-len(out))
	return t.scanPlaces(ctx, out, all.sql, all.args)
}

// few reads at once what is rare, where that is so little that looking at the newest
// rows first would cost more: a quarter of them, since it lies scattered.
func (t *Tx) few(ctx context.Context, p plan, all condition, limit, back int) ([]place, bool, error) {
	if !t.db.postgres {
		return t.fewListed(ctx, p, all, limit, back)
	}
	few, err := t.expected(ctx, p.rare, back/4)
	if err != nil || !few {
		return nil, false, err
	}
	all = t.db.rarely(p, all, limit)
	out, err := t.scanPlaces(ctx, nil, all.sql, all.args)
	return out, true, err
}

// fewListed lists what is rare by SQLite's index alone, in which the times asked for
// can be told. Where the list is long, it gives up, or tries the newest of it, if it is
// in the order of time.
func (t *Tx) fewListed(ctx context.Context, p plan, all condition, limit, back int) ([]place, bool, error) {
	const asked = "FILTER (WHERE n >= ? AND n < ?)"
	most := back/4 + 1
	if !p.rare.newest && (p.lo != math.MinInt64 || p.hi != math.MaxInt64) {
		most = back + 1 // of which the times asked for may leave little
	}
	var listed, within int
	var list string
	args := append(append([]any{p.lo, p.hi, p.lo, p.hi}, p.rare.listed.args...), most)
	err := t.Row(ctx, []any{&listed, &within, &list}, "SELECT COUNT(*), COUNT(*) "+asked+", COALESCE(json_group_array(n) "+asked+", '[]') FROM ("+p.rare.listed.sql+" LIMIT ?)", args...)
	whole := listed < most && within <= back/4
	if err != nil || !whole && !p.rare.newest {
		return nil, false, err
	}
	from := "(SELECT value FROM json_each(?) ORDER BY value DESC LIMIT ?) j CROSS JOIN measurement m"
	if p.table == "r" {
		from += " CROSS JOIN review_state r"
	}
	for tried := 4 * limit; ; tried = within { // the newest of them may fill the page
		args = append(append([]any{list, tried}, all.args...), limit)
		out, err := t.scanPlaces(ctx, nil, "SELECT m.n, m.id FROM "+from+" WHERE m.n = j.value AND "+all.sql+newest, args)
		if full := len(out) == limit; err != nil || full || !whole || tried >= within {
			return out, whole || full, err
		}
	}
}

// expected says whether PostgreSQL's statistics expect at most so many rows of what is
// rare.
func (t *Tx) expected(ctx context.Context, r *rare, most int) (bool, error) {
	var text []byte
	if err := t.Row(ctx, []any{&text}, "EXPLAIN (FORMAT JSON) SELECT 1 FROM "+r.from+" WHERE "+r.where.sql, r.where.args...); err != nil {
		return false, err
	}
	var plans []struct {
		Plan struct {
			Rows float64 `json:"Plan Rows"`
		}
	}
	if err := json.Unmarshal(text, &plans); err != nil || len(plans) != 1 {
		return false, fmt.Errorf("what PostgreSQL expects of a search cannot be read: %w", err)
	}
	return plans[0].Plan.Rows <= float64(most), nil
}

// siteGroups are the conditions on the site, each to be read along an index by
// itself; grouped by statement.
func (t *Tx) siteGroups(ctx context.Context, sites Sites, p plan) ([][]condition, error) {
	if p.bySite && sites.all {
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
	if !p.bySite || sites.all || len(sites.ids) > manySites || len(sites.ids) == 0 {
		where, args := sites.where("m.site")
		return [][]condition{{{where, args}}}, nil
	}
	var out [][]condition
	together := siteChunk
	if !t.db.postgres { // no way to go, and a short statement is prepared sooner
		together = 1
	}
	for chunk := range slices.Chunk(sites.ids, together) {
		var group []condition
		for _, id := range chunk {
			group = append(group, condition{p.table + ".site = ?", []any{id}})
		}
		out = append(out, group)
	}
	return out, nil
}

const newest = " ORDER BY m.n DESC LIMIT ?"

// from is the table as it is read along the plan's index. PostgreSQL chooses the
// index by its statistics.
func (t *Tx) from(p plan, site condition) string {
	each := !p.bySite || strings.HasPrefix(site.sql, p.table+".site = ")
	switch {
	case p.table == "r" && (t.db.postgres || !each):
		return "review_state r CROSS JOIN measurement m"
	case p.table == "r":
		return "review_state r INDEXED BY review_state_site CROSS JOIN measurement m"
	case t.db.postgres || !each:
		return "measurement m"
	case p.index == "":
		return "measurement m NOT INDEXED"
	}
	return "measurement m INDEXED BY measurement_" + p.index
}

// newest orders what is read along the plan's index.
func (p *plan) newest() string { return " ORDER BY " + p.table + ".n DESC LIMIT ?" }

// read reads along the index until there are enough.
func (t *Tx) read(ctx context.Context, p plan, groups [][]condition, limit int) ([]place, error) {
	// Of many sites most give little of the newest: a share of each is read, and more of
	// those that may have more.
	share := limit
	if !t.db.postgres && len(groups) > 1 { // a site a group
		share = min(limit, 2*limit/len(groups)+4)
	}
	var out []place
	const all = math.MinInt64
	last := make([]int64, len(groups)) // n read last, of each group
	for i, group := range groups {
		had := len(out)
		var err error
		if out, err = t.readGroup(ctx, out, p, group, share); err != nil {
			return nil, err
		}
		if last[i] = all; share < limit && len(out)-had == share {
			last[i] = out[len(out)-1].n
		}
	}
	slices.SortFunc(out, newestFirst)
	for i, n := range last {
		if n == all || len(out) >= limit && out[limit-1].n > n {
			continue
		}
		more := p
		more.along = condition{p.along.sql, slices.Clip(p.along.args)}
		more.along.and(p.table+".n < ?", n)
		var err error
		if out, err = t.readGroup(ctx, out, more, groups[i], limit); err != nil {
			return nil, err
		}
		slices.SortFunc(out, newestFirst)
	}
	return out[:min(limit, len(out))], nil
}

func newestFirst(a, b place) int { return cmp.Compare(b.n, a.n) }

// readGroup adds what one statement reads, up to limit of each site.
func (t *Tx) readGroup(ctx context.Context, out []place, p plan, group []condition, limit int) ([]place, error) {
	var parts []string
	var args []any
	for _, site := range group {
		args = append(append(append(append(args, site.args...), p.along.args...), p.rest.args...), limit)
		parts = append(parts, "SELECT * FROM (SELECT m.n, m.id FROM "+t.from(p, site)+" WHERE "+site.sql+" AND "+p.along.sql+" AND "+p.rest.sql+p.newest()+") AS s")
	}
	all := strings.Join(parts, " UNION ALL ")
	if len(parts) > 1 { // PostgreSQL then reads no more of each site than it needs
		all, args = "SELECT n, id FROM ("+all+") AS u ORDER BY n DESC LIMIT ?", append(args, limit)
	}
	return t.scanPlaces(ctx, out, all, args)
}

// reach says where the newest rows end that are looked at first, about back of them:
// at n = floor, or, whole, at the last row there is.
func (t *Tx) reach(ctx context.Context, p plan, groups [][]condition, limit, back int) (whole bool, floor int64, err error) {
	whole = true
	sites := 0
	for _, group := range groups {
		sites += len(group)
	}
	for _, group := range groups {
		var parts []string
		var args []any
		for _, site := range group {
			parts = append(parts, "SELECT * FROM (SELECT m.n, '' AS id FROM "+t.from(p, site)+" WHERE "+site.sql+" AND "+p.along.sql+p.newest()+" OFFSET ?) AS s")
			args = append(append(append(args, site.args...), p.along.args...), 1, max(limit, back/sites)-1)
		}
		ends, err := t.scanPlaces(ctx, nil, strings.Join(parts, " UNION ALL "), args)
		if err != nil {
			return false, 0, err
		}
		for _, e := range ends {
			if whole || e.n > floor {
				floor = e.n
			}
			whole = false
		}
	}
	return whole, floor, nil
}

func (t *Tx) scanPlaces(ctx context.Context, out []place, q string, args []any) ([]place, error) {
	err := t.Rows(ctx, func(scan func(...any) error) error {
		var p place
		err := scan(&p.n, &p.id)
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
		COALESCE((SELECT MAX(x.id) FROM measurement x WHERE x.supersedes = m.id AND x.supersedes <> ''), ''),
		COALESCE((SELECT outcome FROM review r WHERE r.measurement = m.id ORDER BY sign DESC LIMIT 1), ''),
		(SELECT COUNT(*) FROM review r WHERE r.measurement = m.id),
		COALESCE((SELECT NOT good FROM card_check h WHERE h.card_set = m.card_set AND h.time >= COALESCE((SELECT f.time FROM measurement f WHERE f.id = m.beside), m.time) ORDER BY h.time LIMIT 1), 1 = 0)
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
		p.rest.and("m.offset_mm IS NOT NULL")
		where, args := q.Sites.where("m.site")
		from := "measurement m"
		if p.table == "r" {
			from = "review_state r CROSS JOIN measurement m"
		}
		if p.rare != nil && len(wordsOf(q.Text)) > 0 {
			from, where, args = p.rare.from, p.rare.where.sql+" AND "+where, append(p.rare.where.args, args...)
		}
		args = append(append(append(args, p.along.args...), p.rest.args...), most)
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
		}, "SELECT m.id, m.time, m.site, m.person, m.side, m.step, m.verdict, m.offset_mm, m.u95_mm, m.tolerance_mm, m.bow_mm, m.roughness_mm FROM "+from+
			" WHERE "+where+" AND "+p.along.sql+" AND "+p.rest.sql+newest, args...)
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
