package archive_test

import (
	"archive/zip"
	"bytes"
	"database/sql"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"beltend/server/archive"
	"beltend/server/archive/conformance"
)

// filled is an archive with two plants, some measurements and a review.
type filled struct {
	folder       string
	mine, theirs conformance.Plant
	m            archive.Measurement // at mine, reviewed
	other        archive.Measurement // at theirs
}

func fill(t testing.TB, a *archive.Archive, folder string) filled {
	t.Helper()
	f := filled{folder: folder, mine: conformance.NewPlant(t, a, "Kestrel Hollow"), theirs: conformance.NewPlant(t, a, "Kestrel Hollow Grain")}
	f.m = conformance.Measured(t, a, f.mine, nil)
	f.other = conformance.Measured(t, a, f.theirs, nil)
	if _, err := a.AddReview(t.Context(), conformance.By, archive.Review{Measurement: f.m.ID, Outcome: archive.Accepted, Person: "Rev A"}); err != nil {
		t.Fatal(err)
	}
	conformance.Measured(t, a, f.mine, func(m *archive.Measurement) { m.Supersedes, m.Files = f.m.ID, f.m.Files })
	if _, err := a.AddCardCheck(t.Context(), conformance.By, archive.CardCheck{CardSet: f.mine.Cards.ID, AcrossMM: 200, UpMM: 150, Rule: "steel rule 3", Good: true}); err != nil {
		t.Fatal(err)
	}
	j := f.mine.Joint
	j.Closed = true
	if _, err := a.PutJoint(t.Context(), conformance.By, j, "laced"); err != nil {
		t.Fatal(err)
	}
	return f
}

// planned keeps a plan of the joint, and another over it.
func planned(t testing.TB, a *archive.Archive, p conformance.Plant) archive.JointPlan {
	t.Helper()
	plan := archive.JointPlan{ID: p.Joint.ID, Person: "Mara Quill", Result: conformance.Planned(76)}
	plan, err := a.PutJointPlan(t.Context(), conformance.By, plan, "")
	if err != nil {
		t.Fatal(err)
	}
	plan.Result = conformance.Planned(75)
	if plan, err = a.PutJointPlan(t.Context(), conformance.By, plan, "cut again"); err != nil {
		t.Fatal(err)
	}
	return plan
}

func (f filled) photoFile(sha256 string) string {
	return filepath.Join(f.folder, "photos", sha256[:2], sha256)
}

// behind changes the database as somebody would who has the file and removes the
// triggers first.
func behind(t *testing.T, folder string, statements ...string) {
	t.Helper()
	db, err := sql.Open("sqlite", filepath.Join(folder, "records.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	rows, err := db.Query("SELECT name FROM sqlite_master WHERE type = 'trigger'")
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	var drop []string
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			t.Fatal(err)
		}
		drop = append(drop, "DROP TRIGGER "+name)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	for _, s := range append(drop, statements...) {
		res, err := db.Exec(s)
		if err != nil {
			t.Fatalf("%s: %v", s, err)
		}
		if n, _ := res.RowsAffected(); n == 0 && !strings.HasPrefix(s, "DROP") {
			t.Fatalf("%s changed nothing", s)
		}
	}
}

func TestVerifyNamesWhatWasTamperedWith(t *testing.T) {
	for what, c := range map[string]struct {
		tamper func(t *testing.T, f filled)
		kind   string
		names  func(f filled) string
	}{
		"a byte of a photo": {func(t *testing.T, f filled) {
			file := f.photoFile(f.m.Files[0].SHA256)
			data, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			data[len(data)/2] ^= 1
			if err := os.Chmod(file, 0o600); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(file, data, 0o600); err != nil {
				t.Fatal(err)
			}
		}, archive.ProblemDamaged, func(f filled) string { return "photo/" + f.mine.Site.ID + "/" + f.m.Files[0].SHA256 }},
		"a photo deleted": {func(t *testing.T, f filled) {
			if err := os.Remove(f.photoFile(f.m.Files[0].SHA256)); err != nil {
				t.Fatal(err)
			}
		}, archive.ProblemMissing, func(f filled) string { return "photo/" + f.mine.Site.ID + "/" + f.m.Files[0].SHA256 }},
		"an event's reason": {func(t *testing.T, f filled) {
			behind(t, f.folder, "UPDATE event SET reason = 'another' WHERE what = 'joint.changed'")
		}, archive.ProblemAltered, func(filled) string { return "event/18" }},
		"an event's person": {func(t *testing.T, f filled) { behind(t, f.folder, "UPDATE event SET name = 'Nobody' WHERE seq = 3") }, archive.ProblemAltered, func(filled) string { return "event/3" }},
		"a record kept with an event": {func(t *testing.T, f filled) {
			behind(t, f.folder, "UPDATE event SET payload = replace(payload, '12.5', '12.6') WHERE what = 'belt.added' AND seq = 3")
		}, archive.ProblemAltered, func(filled) string { return "event/3" }},
		"an event in the middle deleted": {func(t *testing.T, f filled) { behind(t, f.folder, "DELETE FROM event WHERE seq = 7") }, archive.ProblemMissing, func(filled) string { return "event/7" }},
		"the last events deleted":        {func(t *testing.T, f filled) { behind(t, f.folder, "DELETE FROM event WHERE seq > 16") }, archive.ProblemMissing, func(filled) string { return "event/17" }},
		"a measurement's offset": {func(t *testing.T, f filled) {
			behind(t, f.folder, "UPDATE measurement SET offset_mm = 0.1 WHERE id = '"+f.m.ID+"'")
		}, archive.ProblemAltered, func(f filled) string { return "measurement/" + f.m.ID }},
		"a measurement's record": {func(t *testing.T, f filled) {
			behind(t, f.folder, "UPDATE measurement_body SET body = replace(body, '1.25', '0.25') WHERE id = '"+f.m.ID+"'")
		}, archive.ProblemAltered, func(f filled) string { return "measurement/" + f.m.ID }},
		"a measurement's result": {func(t *testing.T, f filled) {
			behind(t, f.folder, "UPDATE measurement_body SET result = replace(result, '1.25', '0.25') WHERE id = '"+f.m.ID+"'")
		}, archive.ProblemAltered, func(f filled) string { return "measurement/" + f.m.ID }},
		"a measurement's photos": {func(t *testing.T, f filled) {
			behind(t, f.folder, "UPDATE measurement_file SET sha256 = '"+f.other.Files[0].SHA256+"' WHERE measurement = '"+f.m.ID+"'")
		}, archive.ProblemAltered, func(f filled) string { return "measurement/" + f.m.ID }},
		"a measurement deleted": {func(t *testing.T, f filled) {
			behind(t, f.folder, "DELETE FROM measurement WHERE id = '"+f.other.ID+"'", "DELETE FROM measurement_body WHERE id = '"+f.other.ID+"'", "DELETE FROM measurement_file WHERE measurement = '"+f.other.ID+"'")
		}, archive.ProblemMissing, func(f filled) string { return "measurement/" + f.other.ID }},
		"a joint's tolerance": {func(t *testing.T, f filled) {
			behind(t, f.folder, "UPDATE joint SET body = replace(body, '\"tolerance_mm\":2', '\"tolerance_mm\":9') WHERE id = '"+f.mine.Joint.ID+"'")
		}, archive.ProblemAltered, func(f filled) string { return "joint/" + f.mine.Joint.ID }},
		"a review's outcome": {func(t *testing.T, f filled) {
			behind(t, f.folder, "UPDATE review SET outcome = 'sent_back'")
		}, archive.ProblemAltered, func(filled) string { return "review/" }},
		"a review slipped in": {func(t *testing.T, f filled) {
			behind(t, f.folder, "INSERT INTO review SELECT 'slipped', site, joint, '"+f.other.ID+"', 1, outcome, time, body FROM review")
		}, archive.ProblemUnrecorded, func(filled) string { return "review/slipped" }},
		"a site slipped in": {func(t *testing.T, f filled) {
			behind(t, f.folder, "INSERT INTO site SELECT 'slipped', 'x', body FROM site LIMIT 1")
		}, archive.ProblemUnrecorded, func(filled) string { return "site/slipped" }},
	} {
		t.Run(what, func(t *testing.T) {
			t.Parallel()
			folder := t.TempDir()
			a := embedded(t, folder)
			f := fill(t, a, folder)
			if r, err := a.Verify(t.Context(), archive.VerifyOptions{}); err != nil || len(r.Problems) != 0 || r.Events != 18 || r.Photos != 2 {
				t.Fatalf("before: %+v, %v", r, err)
			}
			c.tamper(t, f)
			r, err := a.Verify(t.Context(), archive.VerifyOptions{})
			if err != nil {
				t.Fatal(err)
			}
			found := false
			for _, p := range r.Problems {
				t.Log(p)
				found = found || (p.Kind == c.kind && strings.HasPrefix(p.Subject, c.names(f)))
			}
			if !found {
				t.Errorf("verify does not say that %s is %s", c.names(f), c.kind)
			}
			if len(r.Problems) > 3 {
				t.Errorf("%d problems for one change", len(r.Problems))
			}
		})
	}
}

// Somebody who has the whole database can take away the last events and mend the
// head; only a head that left the house before tells.
func TestAPrintedHeadTellsOfEventsTakenAway(t *testing.T) {
	folder := t.TempDir()
	a := embedded(t, folder)
	f := fill(t, a, folder)
	signed, err := a.SignedHead(t.Context())
	if err != nil || signed.Verify() != nil {
		t.Fatalf("%v, %v", err, signed.Verify())
	}
	printed, err := archive.ParseHead(signed.String())
	if err != nil || printed.Seq != signed.Seq || printed.Hash != signed.Hash {
		t.Fatalf("%v, %v", printed, err)
	}
	// The last event closed the joint: put back the joint as it was before.
	behind(t, folder,
		"UPDATE joint SET closed = 0, body = (SELECT payload FROM event WHERE what = 'joint.added' AND subject = 'joint/"+f.mine.Joint.ID+"') WHERE id = '"+f.mine.Joint.ID+"'",
		"DELETE FROM event WHERE seq = 18",
		"UPDATE chain SET seq = 17, hash = (SELECT hash FROM event WHERE seq = 17)")
	r, err := a.Verify(t.Context(), archive.VerifyOptions{})
	if err != nil || len(r.Problems) != 0 {
		t.Fatalf("without the printed head nothing is to be seen: %v, %v", r.Problems, err)
	}
	r, err = a.Verify(t.Context(), archive.VerifyOptions{Head: &printed})
	if err != nil || len(r.Problems) != 1 || r.Problems[0].Kind != archive.ProblemMissing || r.Problems[0].Subject != "event/18" {
		t.Errorf("with it: %v, %v", r.Problems, err)
	}
	forged := signed
	forged.Seq = 17
	conformance.Is(t, "a forged head", forged.Verify(), archive.Damaged)
}

func export(t *testing.T, a *archive.Archive, q archive.Query) []byte {
	t.Helper()
	var out bytes.Buffer
	if err := a.Export(t.Context(), q, &out, nil); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func check(t *testing.T, data []byte) *archive.Checked {
	t.Helper()
	c, err := archive.Check(t.Context(), bytes.NewReader(data), int64(len(data)), nil)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// rezip writes a ZIP again; change may give other bytes, or nil to leave the entry out.
func rezip(t *testing.T, data []byte, change func(name string, data []byte) []byte) []byte {
	t.Helper()
	r, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	w := zip.NewWriter(&out)
	for _, f := range r.File {
		in, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		content, err := io.ReadAll(in)
		if err != nil {
			t.Fatal(err)
		}
		if content = change(f.Name, content); content == nil {
			continue
		}
		to, err := w.Create(f.Name)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := to.Write(content); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func TestExportIsCheckedByItself(t *testing.T) {
	folder := t.TempDir()
	a := embedded(t, folder)
	f := fill(t, a, folder)
	planned(t, a, f.mine)
	planned(t, a, f.theirs)
	data := export(t, a, archive.Query{Sites: archive.SomeSites(f.mine.Site.ID)})
	c := check(t, data)
	if len(c.Problems) != 0 || c.Measurements != 2 || c.Photos != 1 || c.Records != 11 || c.Events != 22 || c.Withheld != 9 {
		t.Errorf("%+v", c)
	}
	plans := 0
	rezip(t, data, func(name string, data []byte) []byte {
		if name == "records/joint_plan.jsonl" && bytes.Contains(data, []byte(`"hooks":75`)) {
			plans++
		}
		if bytes.Contains(data, []byte(`"hooks":76`)) && bytes.Contains(data, []byte("cut again")) { // the earlier one, with the events
			plans++
		}
		return data
	})
	if plans != 2 {
		t.Errorf("of the joint's two plans the export holds %d", plans)
	}
	if c.Fingerprint != c.Signed.Fingerprint() || len(c.Fingerprint) != 39 {
		t.Errorf("fingerprint %q", c.Fingerprint)
	}
	// Nothing of the other site is in it.
	rezip(t, data, func(name string, data []byte) []byte {
		for _, secret := range []string{"Grain", f.theirs.Site.ID, f.other.ID} {
			if bytes.Contains(data, []byte(secret)) {
				t.Errorf("%s holds %q of another site", name, secret)
			}
		}
		return data
	})
	all := check(t, export(t, a, archive.Query{Sites: archive.AllSites()}))
	if len(all.Problems) != 0 || all.Measurements != 3 || all.Withheld != 0 {
		t.Errorf("the whole archive: %+v", all)
	}

	// One byte changed, or one entry left out, anywhere: it is noticed and named.
	var names []string
	rezip(t, data, func(name string, data []byte) []byte { names = append(names, name); return data })
	if len(names) < 14 {
		t.Fatalf("only %d entries", len(names))
	}
	for _, name := range names {
		for _, leaveOut := range []bool{false, true} {
			changed := rezip(t, data, func(n string, data []byte) []byte {
				if n != name {
					return data
				}
				if leaveOut {
					return nil
				}
				data = bytes.Clone(data)
				data[len(data)/2] ^= 4
				return data
			})
			c, err := archive.Check(t.Context(), bytes.NewReader(changed), int64(len(changed)), nil)
			if err == nil && len(c.Problems) == 0 {
				t.Errorf("%s changed (left out: %v): not noticed", name, leaveOut)
			}
		}
	}
	added := rezip(t, data, func(name string, data []byte) []byte { return data })
	if c := check(t, added); len(c.Problems) != 0 {
		t.Errorf("packed again unchanged: %v", c.Problems)
	}
	for _, junk := range [][]byte{nil, []byte("PK"), data[:len(data)/2]} {
		if _, err := archive.Check(t.Context(), bytes.NewReader(junk), int64(len(junk)), nil); err == nil {
			t.Errorf("%d bytes of no ZIP pass", len(junk))
		}
	}
}

// Somebody with a key of their own can sign whatever they like; the fingerprint
// tells that it is not the site's.
func TestAnExportSignedByAnotherKeyHasAnotherFingerprint(t *testing.T) {
	var fingerprints []string
	for range 2 {
		folder := t.TempDir()
		a := embedded(t, folder)
		f := fill(t, a, folder)
		fingerprints = append(fingerprints, check(t, export(t, a, archive.Query{Sites: archive.SomeSites(f.mine.Site.ID)})).Fingerprint)
		info, err := os.Stat(filepath.Join(folder, "site.key"))
		if err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("site.key: %v, %v", info.Mode(), err)
		}
	}
	if fingerprints[0] == fingerprints[1] {
		t.Error("two archives have the same key")
	}
}

func TestDamageIsSaidOnReading(t *testing.T) {
	folder := t.TempDir()
	a := embedded(t, folder)
	f := fill(t, a, folder)
	behind(t, folder, fmt.Sprintf("UPDATE measurement_body SET result = replace(result, '1.25', '0.25') WHERE id = '%s'", f.m.ID))
	_, err := a.Measurement(t.Context(), archive.AllSites(), f.m.ID)
	conformance.Is(t, "an altered result", err, archive.Damaged)
	file := f.photoFile(f.m.Files[0].SHA256)
	if err := os.Truncate(file, 3); err != nil {
		t.Fatal(err)
	}
	_, _, err = a.ReadPhoto(t.Context(), archive.AllSites(), f.m.Files[0].SHA256)
	conformance.Is(t, "a cut photo", err, archive.Damaged)
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	_, _, err = a.ReadPhoto(t.Context(), archive.AllSites(), f.m.Files[0].SHA256)
	conformance.Is(t, "a lost photo", err, archive.Damaged)
}
