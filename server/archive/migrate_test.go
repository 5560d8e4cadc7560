package archive

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// Versions is how many versions of the tables there ever were.
func Versions(t *testing.T) int64 { return int64(len(versions(t))) }

// versions are their files, from both dialects, which must agree.
func versions(t *testing.T) []string {
	t.Helper()
	names := map[string][]string{}
	for _, dialect := range []string{"sqlite", "postgres"} {
		files, err := migrations.ReadDir("migrations/" + dialect)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			names[dialect] = append(names[dialect], f.Name())
		}
	}
	if len(names["sqlite"]) == 0 || !slices.Equal(names["sqlite"], names["postgres"]) {
		t.Fatalf("the dialects differ: %v", names)
	}
	return names["sqlite"]
}

// Both dialects have the same tables with the same columns.
func TestDialectsHaveTheSameTables(t *testing.T) {
	tables := regexp.MustCompile(`(?s)CREATE TABLE (\w+) \((.*?)\n\);`)
	column := regexp.MustCompile(`(?m)^ +([a-z_0-9]+) +[A-Z]`)
	for _, file := range versions(t) {
		seen := map[string]map[string][]string{}
		for _, dialect := range []string{"sqlite", "postgres"} {
			text, err := migrations.ReadFile("migrations/" + dialect + "/" + file)
			if err != nil {
				t.Fatal(err)
			}
			seen[dialect] = map[string][]string{}
			for _, m := range tables.FindAllStringSubmatch(string(text), -1) {
				for _, c := range column.FindAllStringSubmatch(m[2], -1) {
					seen[dialect][m[1]] = append(seen[dialect][m[1]], c[1])
				}
			}
		}
		for table, columns := range seen["sqlite"] {
			if !slices.Equal(columns, seen["postgres"][table]) {
				t.Errorf("%s: table %s differs: %v, %v", file, table, columns, seen["postgres"][table])
			}
		}
		if len(seen["sqlite"]) != len(seen["postgres"]) {
			t.Errorf("%s: %d and %d tables", file, len(seen["sqlite"]), len(seen["postgres"]))
		}
	}
}

// testdata/tables-N.sql holds the rows of a small archive as version N kept them,
// testdata/photos its one photo. Each is filled into tables of that version,
// brought up to date, and must verify and be found. Write the file of a new
// version with BELTEND_WRITE_TABLES=1, once, and keep it for ever.
func TestEveryEarlierVersionIsUpgraded(t *testing.T) {
	for i, file := range versions(t) {
		t.Run(file, func(t *testing.T) { Upgrade(t, int64(i+1), Address{Folder: t.TempDir()}) })
	}
}

func TestPhotosOfEarlierLooksAreListed(t *testing.T) {
	UpgradeLooks(t, Address{Folder: t.TempDir()})
}

// UpgradeLooks puts looks at finished joints into tables of version 5, which did
// not list their photos, and brings them up to date.
func UpgradeLooks(t *testing.T, at Address) {
	ctx := t.Context()
	db := openAt(t, at)
	defer func() { _ = db.close() }()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(db.migrate(ctx, 5))
	rows, err := os.ReadFile(tablesFile(5))
	must(err)
	_, err = db.w.ExecContext(ctx, string(rows))
	must(err)
	for id, body := range map[string]string{
		"a": `{"files":[{"sha256":"p1"},{"sha256":"p2"}],"clinch":[{"photo":"c1"},{"photo":""},{"photo":"p1"}]}`,
		"b": `{"files":[{"sha256":"p2"}],"clinch":null}`,
	} {
		_, err = db.w.ExecContext(ctx, "INSERT INTO finished (id, site, joint, time, body) SELECT '"+id+"', site, id, 1, '"+body+"' FROM joint")
		must(err)
	}
	must(db.migrate(ctx, 0))
	found, err := db.w.QueryContext(ctx, "SELECT finished, sha256 FROM finished_file ORDER BY finished, sha256")
	must(err)
	defer found.Close()
	var got []string
	for found.Next() {
		var look, photo string
		must(found.Scan(&look, &photo))
		got = append(got, look+" "+photo)
	}
	must(found.Err())
	if want := []string{"a c1", "a p1", "a p2", "b p2"}; !slices.Equal(got, want) {
		t.Errorf("listed %q, want %q", got, want)
	}
}

func openAt(t *testing.T, at Address) *database {
	t.Helper()
	open := func() (*database, error) { return openPostgres(t.Context(), at.Database) }
	if at.Folder != "" {
		open = func() (*database, error) { return openSQLite(t.Context(), filepath.Join(at.Folder, recordsFile)) }
	}
	db, err := open()
	if err != nil {
		t.Fatal(err)
	}
	return db
}

// Upgrade is for the tests on PostgreSQL too.
func Upgrade(t *testing.T, version int64, at Address) {
	ctx := t.Context()
	rows, err := os.ReadFile(tablesFile(version))
	if errors.Is(err, os.ErrNotExist) && os.Getenv("BELTEND_WRITE_TABLES") != "" {
		writeTables(t, version)
		rows, err = os.ReadFile(tablesFile(version))
	}
	if err != nil {
		t.Fatal(err)
	}
	db := openAt(t, at)
	if err := db.migrate(ctx, version); err != nil {
		t.Fatal(err)
	}
	if _, err := db.w.ExecContext(ctx, string(rows)); err != nil {
		t.Fatal(err)
	}
	if !db.postgres { // the file has the rows of tables alone, not SQLite's index of words
		var n int64
		var words string
		if err := db.w.QueryRowContext(ctx, "SELECT n, words FROM measurement").Scan(&n, &words); err != nil {
			t.Fatal(err)
		}
		if _, err := db.w.ExecContext(ctx, "INSERT INTO measurement_words (rowid, words) VALUES (?, ?)", n, beginnings(words)); err != nil {
			t.Fatal(err)
		}
	}
	if err := db.close(); err != nil {
		t.Fatal(err)
	}
	a, err := Open(ctx, at)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	photo, err := os.ReadFile(filepath.Join("testdata", "photos", "photo"))
	if err != nil {
		t.Fatal(err)
	}
	if err := a.files.put(ctx, hashOf(photo), photo); err != nil {
		t.Fatal(err)
	}
	r, err := a.Verify(ctx, VerifyOptions{})
	if err != nil || len(r.Problems) != 0 || r.Events < 8 {
		t.Errorf("after the upgrade: %+v, %v", r, err)
	}
	page, err := a.Search(ctx, Query{Sites: AllSites(), Text: "feed"})
	if err != nil || len(page.Items) != 1 || page.Items[0].Review != Accepted || page.Items[0].JointNumber != "J12" {
		t.Errorf("after the upgrade: %+v, %v", page, err)
	}
	if _, err := a.PutSite(ctx, Actor{ID: "u1"}, Site{Name: "Kestrel Hollow Grain"}, ""); err != nil {
		t.Errorf("it cannot be written to: %v", err)
	}
}

func tablesFile(version int64) string {
	return filepath.Join("testdata", "tables-"+string(rune('0'+version))+".sql")
}

// writeTables keeps the rows of a new small archive as they are in this version.
func writeTables(t *testing.T, version int64) {
	t.Helper()
	if version != int64(len(versions(t))) {
		t.Fatalf("only the newest version can be written; that of version %d is lost", version)
	}
	ctx := t.Context()
	a, err := Open(ctx, Address{Folder: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	by := Actor{ID: "u1", Name: "Mara Quill"}
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	site, err := a.PutSite(ctx, by, Site{Name: "Kestrel Hollow"}, "")
	must(err)
	conveyor, err := a.PutConveyor(ctx, by, Conveyor{Site: site.ID, Name: "Crusher feed"}, "")
	must(err)
	belt, err := a.PutBelt(ctx, by, Belt{Conveyor: conveyor.ID, Name: "KH-0417", NominalMM: 1000}, "")
	must(err)
	joint, err := a.PutJoint(ctx, by, Joint{Belt: belt.ID, Number: "J12"}, "")
	must(err)
	cards, err := a.PutCardSet(ctx, by, CardSet{Site: site.ID, Number: "C7"}, "")
	must(err)
	_, err = a.AddCardCheck(ctx, by, CardCheck{CardSet: cards.ID, AcrossMM: 200, UpMM: 150, Rule: "steel rule 3", Good: true, Person: "Mara Quill"})
	must(err)
	data, err := os.ReadFile(filepath.Join("testdata", "photos", "photo"))
	must(err)
	photo, err := a.AddPhoto(ctx, by, Photo{Site: site.ID, Type: "image/jpeg", Name: "IMG_1.jpg"}, data)
	must(err)
	m, err := a.AddMeasurement(ctx, by, Measurement{Joint: joint.ID, End: Leading, Step: StepCut, Person: "Mara Quill", CardSet: cards.ID, Files: []File{{SHA256: photo.SHA256, Role: RolePhoto}},
		Result: []byte(`{"schema":"beltend.measurement/1","verdict":"square","squareness":{"offset_mm":0.5,"offset_u95_mm":0.3,"tolerance_mm":2},"width":{"at_cut_mm":1001},"warnings":[]}`)}, "")
	must(err)
	_, err = a.AddReview(ctx, by, Review{Measurement: m.ID, Outcome: Accepted, Person: "Rev A"})
	must(err)
	_, err = a.PutFinished(ctx, by, Finished{Joint: joint.ID, Person: "Mara Quill", Files: []File{{SHA256: photo.SHA256, Role: RolePhoto}},
		Result: []byte(`{"schema":"beltend.hooks/1","sides":[{"side":"A","hooks":76}],"findings":[],"warnings":[]}`)}, "")
	must(err)
	_, err = a.PutJointPlan(ctx, by, JointPlan{ID: joint.ID, Person: "Mara Quill", Result: []byte(`{"schema":"beltend.joint-plan/1","lacing":{"schema":"beltend.lacing/1","plan":{"leading":{"hooks":76},"trailing":{"hooks":75}},"fits":[],"warnings":[]}}`)}, "")
	must(err)
	must(os.WriteFile(tablesFile(version), []byte(dump(t, ctx, a)), 0o600))
}

// dump writes the rows as INSERT statements that both databases read.
func dump(t *testing.T, ctx context.Context, a *Archive) string {
	t.Helper()
	var out strings.Builder
	for _, table := range []string{"chain", "event", "site", "conveyor", "belt", "joint", "card_set", "card_check", "photo", "measurement", "measurement_body", "measurement_file", "review", "review_state", "finished", "finished_file", "joint_plan"} {
		var columns []string
		var rows [][]any
		err := a.Read(ctx, func(tx *Tx) (err error) {
			columns, rows, err = tx.tableRows(ctx, table)
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range rows {
			var names, values []string
			for i, v := range r {
				names, values = append(names, columns[i]), append(values, literal(v))
			}
			out.WriteString("INSERT INTO " + table + " (" + strings.Join(names, ", ") + ") VALUES (" + strings.Join(values, ", ") + ");\n")
		}
	}
	return out.String()
}

func literal(v any) string {
	switch v := v.(type) {
	case nil:
		return "NULL"
	case bool:
		if v {
			return "TRUE"
		}
		return "FALSE"
	case string:
		return "'" + strings.ReplaceAll(v, "'", "''") + "'"
	default:
		return fmt.Sprint(v)
	}
}
