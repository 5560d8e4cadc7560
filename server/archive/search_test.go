package archive

import (
	"slices"
	"strconv"
	"testing"
	"unicode"
)

// However far back a search looks before it takes the index of what is rare, it
// finds the same: reading every row is the truth.
func TestSearchFindsTheSameByEveryWay(t *testing.T) {
	SearchEveryWay(t, Address{Folder: t.TempDir()})
}

// SearchEveryWay is for the test on PostgreSQL too.
func SearchEveryWay(t *testing.T, at Address) {
	a, err := Open(t.Context(), at)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	f, err := a.Fill(t.Context(), 3000, nil)
	if err != nil {
		t.Fatal(err)
	}
	two, ten := 2.0, -10.0
	asked := map[bool]int{}
	for _, q := range []Query{
		{Text: "kestrel"}, {Text: "water"}, {Text: "ida marten"}, {Text: "blurred"}, {Text: "line 3"},
		{OffsetMin: &two}, {OffsetMax: &ten}, {Review: "open"}, {Review: SentBack}, {Review: SentBack, OffsetMin: &two}, {Review: "open", To: f.To.AddDate(0, -2, 0)}, {Review: Accepted, Text: "water"}, {Review: SentBack, Person: f.People[3]}, {End: Leading}, {Step: StepCut, Verdict: "recut"},
		{Person: f.People[7], End: Trailing}, {Belt: f.Belts[3], Step: StepDrawn}, {From: f.To.AddDate(-1, 0, 0), End: Leading},
		{Text: "water", From: f.To.AddDate(-1, 0, 0)}, {OffsetMin: &two, From: f.To.AddDate(-2, 0, 0), To: f.To.AddDate(-1, 0, 0)}, {Text: "ida", After: strconv.FormatInt(micros(f.To.AddDate(-3, 0, 0)), 10)},
		{Person: f.People[7]}, {Verdict: "square"}, {}, {Newest: true, Verdict: "refused"}, {OffsetMin: &two, Text: "recut", Review: SentBack, Step: StepCut},
	} {
		for _, sites := range []Sites{AllSites(), SomeSites(f.Sites...), SomeSites(f.Sites[0]), SomeSites(f.Sites[5:8]...), SomeSites(f.Sites[0], f.Sites[9])} {
			q.Sites = sites
			err := a.Read(t.Context(), func(tx *Tx) error {
				p, err := tx.db.plan(q)
				if err != nil {
					return err
				}
				from := "measurement m"
				if p.table == "r" {
					from += ", review_state r"
				}
				where, args := q.Sites.where("m.site")
				args = append(append(args, p.along.args...), p.rest.args...)
				truth, err := tx.scanPlaces(t.Context(), nil, "SELECT m.n, m.id FROM "+from+" WHERE "+where+" AND "+p.along.sql+" AND "+p.rest.sql+" ORDER BY m.n DESC", args)
				if err != nil {
					return err
				}
				asked[len(truth) > 0]++
				for _, limit := range []int{1, 7, 51} {
					for _, back := range []int{1, 60, 400, 5000} {
						got, err := tx.places(t.Context(), q, limit, back)
						if err != nil {
							return err
						}
						if want := truth[:min(limit, len(truth))]; !slices.Equal(got, want) {
							t.Errorf("%+v, limit %d, back %d: %d found, want %d, or in another order", q, limit, back, len(got), len(want))
						}
					}
				}
				return nil
			})
			if err != nil {
				t.Fatal(err)
			}
		}
	}
	if asked[true] < 80 {
		t.Errorf("only %d of %d searches find anything", asked[true], asked[true]+asked[false])
	}
}

// A word with any letter or digit there is can be searched for: the database's index of
// words takes it, or is not asked.
func TestEveryLetterCanBeSearchedFor(t *testing.T) {
	a, err := Open(t.Context(), Address{Folder: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	letters := 0
	err = a.Read(t.Context(), func(tx *Tx) error {
		for r := rune('a'); r < 0x1ffff; r++ {
			if !unicode.IsLetter(r) && !unicode.IsNumber(r) || r > 0xffff && r%16 != 0 || r > 0x3400 && r < 0xd7a3 && r%64 != 0 {
				continue // of Han and Hangul, and beyond, some
			}
			letters++
			if _, err := tx.places(t.Context(), Query{Sites: AllSites(), Text: "ab" + string(r) + "cd"}, 2, lookback); err != nil {
				t.Errorf("%U: %v", r, err)
			}
		}
		return nil
	})
	if err != nil || letters < 5000 {
		t.Errorf("%d letters, %v", letters, err)
	}
}
