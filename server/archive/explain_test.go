package archive_test

import (
	"math/rand/v2"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"beltend/server/archive"
	"beltend/server/archive/conformance"
)

// No search of any kind reads all measurements, or sorts what an index has in order:
// among a million that would take seconds.
func TestSearchesGoByTheirIndexes(t *testing.T) {
	a := embedded(t, t.TempDir())
	goByIndex(t, a, fillSome(t, a), func(e archive.Explained) string {
		sorts := strings.Contains(e.Plan, "TEMP B-TREE FOR ORDER BY")
		for _, line := range strings.Split(e.Plan, "\n") {
			whole, scanned := strings.CutPrefix(strings.TrimSpace(line), "SCAN ")
			if !scanned || !regexp.MustCompile(`^([mrxbf]|measurement\w*|review\w*)( |$)`).MatchString(whole) {
				continue
			}
			if sorts || !strings.Contains(e.Statement, "LIMIT") { // else it is read as it lies, the newest first, until the page is full
				return "reads all of " + whole
			}
		}
		if sorts && strings.Contains(e.Statement, "INDEXED BY measurement_") && !strings.Contains(e.Statement, "INDEXED BY measurement_offset") {
			return "sorts"
		}
		return ""
	})
}

func TestSearchesGoByTheirIndexesOnPostgres(t *testing.T) {
	a, _ := conformance.StartPostgres(t).Open(t, t.TempDir())
	f := fillSome(t, a)
	if err := a.Repeat(t.Context(), 40); err != nil {
		t.Fatal(err)
	}
	all := regexp.MustCompile(`Seq Scan on (measurement|review)\w*`)
	sorted, gathered := regexp.MustCompile(`Sort Key: [mr]\.n`), regexp.MustCompile(`Bitmap Index Scan on .* rows=(\d+)`)
	goByIndex(t, a, f, func(e archive.Explained) string {
		// How far back 8,000 open reviews lie asks for more than there are: so few rows are
		// joined by reading all. Of a million each is looked up.
		if found := all.FindString(e.Plan); found != "" && !(strings.Contains(e.Plan, "Hash Join") && strings.Contains(e.Statement, "OFFSET")) {
			return found
		}
		if !strings.HasPrefix(e.Statement, "SELECT * FROM (SELECT m.n") || !sorted.MatchString(e.Plan) {
			return ""
		}
		for _, m := range gathered.FindAllStringSubmatch(e.Plan, -1) { // a few are sorted sooner than read in order
			if rows, err := strconv.Atoi(m[1]); err != nil || rows > 1000 {
				return "sorts " + m[1] + " rows"
			}
		}
		return ""
	})
}

func fillSome(t *testing.T, a *archive.Archive) archive.Filled {
	t.Helper()
	f, err := a.Fill(t.Context(), 2000, nil)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// goByIndex looks at the plans of every kind of search, of the answers alone too, and at
// those of the next page; wrong says what is wrong with one.
func goByIndex(t *testing.T, a *archive.Archive, f archive.Filled, wrong func(archive.Explained) string) {
	t.Helper()
	for _, k := range searchKinds(f, rand.New(rand.NewPCG(7, 7))) {
		for what, change := range map[string]func(q *archive.Query){"": func(*archive.Query) {}, ", the answers": func(q *archive.Query) { q.Newest, q.Answered = true, true }} {
			q := k.make()
			change(&q)
			q.Limit = 50
			page, err := a.Search(t.Context(), q)
			if err != nil {
				t.Fatalf("%s%s: %v", k.name, what, err)
			}
			for _, after := range []string{"", page.Next} {
				q.After = after
				_, plans, err := a.Explain(t.Context(), q)
				if err != nil || len(plans) == 0 {
					t.Fatalf("%s%s: %d plans, %v", k.name, what, len(plans), err)
				}
				for _, e := range plans {
					if why := wrong(e); why != "" {
						t.Errorf("%s%s %s:\n%s\n%s", k.name, what, why, e.Statement, e.Plan)
					}
				}
				if page.Next == "" {
					break
				}
			}
		}
	}
}
