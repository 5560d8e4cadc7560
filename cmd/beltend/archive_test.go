package main

import (
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"beltend/server/archive"
	"beltend/server/archive/conformance"
	"beltend/server/result"
)

// The commands of an archive, as an administrator types them in a bad week.
func TestArchiveCommands(t *testing.T) {
	dir := t.TempDir()
	data, backup, again := filepath.Join(dir, "data"), filepath.Join(dir, "backup"), filepath.Join(dir, "again")
	zip := filepath.Join(dir, "export.zip")
	a, err := archive.Open(t.Context(), archive.Address{Folder: data})
	if err != nil {
		t.Fatal(err)
	}
	p := conformance.NewPlant(t, a, "Kestrel Hollow")
	m := conformance.Measured(t, a, p, nil)
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	says := func(want int, text string, args ...string) string {
		t.Helper()
		code, out, errs := beltend(t, append([]string{"archive"}, args...)...)
		if code != want || !strings.Contains(out+errs, text) {
			t.Errorf("beltend archive %s: exit %d, want %d with %q\n%s%s", strings.Join(args, " "), code, want, text, out, errs)
		}
		return out
	}
	says(0, "as it was kept", "verify", "--data", data)
	head := strings.TrimSpace(says(0, "7-", "head", "--data", data))
	says(0, "as it was kept", "verify", "--data", data, "--head", head)
	says(1, "vouches for", "verify", "--data", data, "--head", "9"+head[1:])
	var signed archive.SignedHead
	if err := json.Unmarshal([]byte(says(0, "signature", "head", "--data", data, "--json")), &signed); err != nil || signed.Verify() != nil {
		t.Errorf("signed head: %v, %v", err, signed.Verify())
	}

	says(0, "Wrote", "export", "--data", data, "--out", zip, "--site", "Kestrel Hollow", "--from", "2020-01-01")
	says(0, signed.Fingerprint(), "check", zip)
	says(0, "signed by that key", "check", zip, "--fingerprint", signed.Fingerprint())
	says(1, "another key", "check", zip, "--fingerprint", "0000")

	for name, begins := range map[string]string{"list.csv": "id,time,", "list.jsonl": `{"id":"` + m.ID} {
		says(0, "Wrote", "export", "--data", data, "--out", filepath.Join(dir, name))
		if b, err := os.ReadFile(filepath.Join(dir, name)); err != nil || !strings.HasPrefix(string(b), begins) || !strings.Contains(string(b), m.ID) {
			t.Errorf("%s: %v, %.200s", name, err, b)
		}
	}
	says(0, "Wrote", "export", "--data", data, "--out", filepath.Join(dir, "joints.csv"), "--joints")

	says(0, "Copied 12 events and 1 photos", "backup", "--data", data, backup, "--by", "Ada Finch") // 7, 4 of the exports, and its own
	says(0, "Copied 1 events and 0 photos", "backup", "--data", data, backup)
	says(0, "no event tells", "export", "--data", backup, "--out", filepath.Join(dir, "from-backup.csv"))
	says(0, "Copied 1 events and 0 photos", "backup", "--data", data, backup) // so the backup can go on
	told := map[string]string{}
	events, err := reopened(t, data).Events(t.Context(), archive.EventQuery{Sites: archive.AllSites(), Limit: 100})
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range events {
		told[e.What] += e.Name + " " + string(e.Payload) + "\n"
	}
	if got := told["archive.exported"]; strings.Count(got, "\n") != 4 || !strings.Contains(got, `"kind":"export.zip","sites":["`+p.Site.ID+`"]`) || !strings.Contains(got, `{"all_sites":true,"kind":"joints.csv"}`) {
		t.Errorf("events of the exports:\n%s", got)
	}
	if got := told["archive.backed_up"]; strings.Count(got, "\n") != 3 || !strings.Contains(got, `Ada Finch {"bytes":`) {
		t.Errorf("events of the backups:\n%s", got)
	}
	if err := os.Remove(filepath.Join(data, "photos", m.Files[0].SHA256[:2], m.Files[0].SHA256)); err != nil {
		t.Fatal(err)
	}
	says(1, "missing: photo/"+p.Site.ID+"/"+m.Files[0].SHA256, "verify", "--data", data)
	says(1, "no such photo", "copy", data, filepath.Join(dir, "copy"))
	says(0, "Copied 14 events and 1 photos", "restore", backup, "--data", again)
	says(0, "as it was kept", "verify", "--data", again, "--head", head)
	says(0, "Copied 14 events and 1 photos", "copy", again, filepath.Join(dir, "copy"))

	for _, c := range []struct {
		says string
		args []string
	}{
		{"--data", []string{"verify"}},
		{"no archive", []string{"verify", "--data", dir}},
		{"photo store", []string{"verify", "--database", "postgres://nowhere/x"}},
		{"not in both", []string{"verify", "--data", data, "--database", "postgres://nowhere/x"}},
		{"head", []string{"verify", "--data", data, "--head", "x"}},
		{"from", []string{"export", "--data", data, "--out", zip, "--from", "yesterday"}},
		{"site", []string{"export", "--data", data, "--out", zip, "--site", "Nowhere"}},
		{"out", []string{"export", "--data", data, "--out", filepath.Join(dir, "no", "x.zip")}},
		{"out", []string{"export", "--data", data, "--out", filepath.Join(dir, "x.xls")}},
		{"joints", []string{"export", "--data", data, "--out", zip, "--joints"}},
		{"there is no file", []string{"check", filepath.Join(dir, "no.zip")}},
		{"not empty", []string{"restore", backup, "--data", dir}},
		{"there is no joint nowhere", []string{"export", "--data", data, "--out", zip, "--joint", "nowhere"}},
		{"there is no belt nowhere", []string{"export", "--data", data, "--out", zip, "--belt", "nowhere"}},
		{"there is no conveyor nowhere", []string{"export", "--data", data, "--out", zip, "--conveyor", "nowhere"}},
	} {
		says(2, c.says, c.args...)
	}
	says(0, "Wrote", "export", "--data", again, "--out", zip, "--joint", p.Joint.ID, "--belt", p.Belt.ID, "--conveyor", p.Conveyor.ID)
	// Nothing is copied onto itself, which would make a backup of the archive worked in.
	if err := os.Symlink(again, again+"-too"); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{"backup", "--data", again, again}, {"backup", "--data", again, again + "-too"}, {"copy", again, again + "/."}, {"restore", backup, "--data", backup}} {
		says(1, "the archive itself", args...)
	}
	if archive.IsBackup(again) {
		t.Error("an archive that was to be backed up into itself is marked as a backup")
	}
}

// An end by tape has no photo, and an export of it is whole all the same.
func TestArchiveCheckTakesTapedEnds(t *testing.T) {
	dir := t.TempDir()
	data, zip := filepath.Join(dir, "data"), filepath.Join(dir, "export.zip")
	a, err := archive.Open(t.Context(), archive.Address{Folder: data})
	if err != nil {
		t.Fatal(err)
	}
	p := conformance.NewPlant(t, a, "Kestrel Hollow")
	taped, err := a.AddMeasurement(t.Context(), conformance.By, archive.Measurement{Joint: p.Joint.ID, End: archive.Trailing, Step: archive.StepCut, Person: "Mara Quill",
		Result: conformance.Taped(result.FromTape, &result.Tape{LeftMM: 1603.9})}, "")
	if err = errors.Join(err, a.Close()); err != nil || len(taped.Files) != 0 {
		t.Fatal(taped, err)
	}
	for _, args := range [][]string{{"verify", "--data", data}, {"export", "--data", data, "--out", zip}, {"check", zip}} {
		code, out, errs := beltend(t, append([]string{"archive"}, args...)...)
		if code != 0 || args[0] == "check" && !strings.Contains(out, "1 of the measurements were taped by hand") {
			t.Errorf("beltend archive %s: exit %d\n%s%s", args[0], code, out, errs)
		}
	}
}

// An earlier program's answer, and the same photo measured by this one beside it.
func TestMeasureAgain(t *testing.T) {
	data := t.TempDir()
	a, err := archive.Open(t.Context(), archive.Address{Folder: data})
	if err != nil {
		t.Fatal(err)
	}
	p := conformance.NewPlant(t, a, "Kestrel Hollow")
	photo, err := os.ReadFile(sample)
	if err != nil {
		t.Fatal(err)
	}
	kept, err := a.AddPhoto(t.Context(), conformance.By, archive.Photo{Site: p.Site.ID, Type: "image/jpeg", Name: "end.jpg"}, photo)
	if err != nil {
		t.Fatal(err)
	}
	old := conformance.Measured(t, a, p, func(m *archive.Measurement) {
		m.Files = []archive.File{{SHA256: kept.SHA256, Role: archive.RolePhoto, Name: "end.jpg"}}
		m.Result = []byte(`{"schema":"beltend.measurement/1","program":"v0.1","method":"1","verdict":"square","squareness":{"offset_mm":0.5,"offset_u95_mm":0.3,"tolerance_mm":2},"width":{"at_cut_mm":1001},"warnings":[]}`)
	})
	command := func(args ...string) (int, string) {
		t.Helper()
		code, out, errs := beltend(t, append([]string{"archive", "measure", "--data", data, "--by", "Ada Finch"}, args...)...)
		return code, out + errs
	}
	if code, out := command(old.ID); code != exitUsage || !strings.Contains(out, "--reason") {
		t.Errorf("without a reason: exit %d, %s", code, out)
	}
	if code, out := command("--reason", "x", "nothing"); code != exitUsage || !strings.Contains(out, "there is no measurement nothing") {
		t.Errorf("of none: exit %d, %s", code, out)
	}
	code, out := command("--reason", "method 6 came out", old.ID)
	if code != 0 || !strings.Contains(out, "v0.1") || !strings.Contains(out, "recut") {
		t.Fatalf("exit %d: %s", code, out)
	}
	page, err := a.Search(t.Context(), archive.Query{Sites: archive.AllSites()})
	if err != nil || len(page.Items) != 2 || page.Items[0].Beside != old.ID || page.Items[0].Verdict != "recut" || page.Items[1].Verdict != "square" || page.Items[1].ResultSHA256 != old.ResultSHA256 {
		t.Fatalf("kept: %+v, %v", page.Items, err)
	}
	events, err := a.Events(t.Context(), archive.EventQuery{Sites: archive.AllSites(), Subject: "measurement/" + page.Items[0].ID})
	if err != nil || len(events) != 1 || events[0].Name != "Ada Finch" || events[0].Reason != "method 6 came out" {
		t.Errorf("its event: %+v, %v", events, err)
	}
	if code, again := command("--reason", "once more", old.ID); code != 0 || !strings.Contains(again, page.Items[0].ID) {
		t.Errorf("once more: exit %d, %s", code, again)
	}
	if page, err := a.Search(t.Context(), archive.Query{Sites: archive.AllSites()}); err != nil || len(page.Items) != 2 {
		t.Errorf("it was measured twice: %d, %v", len(page.Items), err)
	}
	stand := func(args ...string) (int, string) {
		t.Helper()
		code, out, errs := beltend(t, append([]string{"archive", "stand", "--data", data, "--by", "Rev Finch"}, args...)...)
		return code, out + errs
	}
	beside := page.Items[0].ID
	for says, args := range map[string][]string{"--reason": {beside}, "there is no measurement nothing": {"nothing", "--reason", "x"}, "beside no other": {old.ID, "--reason", "x"}, "say why": {beside, "--reason", " "}} {
		if code, out := stand(args...); code != exitUsage || !strings.Contains(out, says) {
			t.Errorf("stand %v: exit %d, %s", args, code, out)
		}
	}
	if code, out := stand(beside, "--reason", "seen on the photo"); code != 0 || !strings.Contains(out, "in place of "+old.ID) {
		t.Errorf("exit %d: %s", code, out)
	}
	page, err = a.Search(t.Context(), archive.Query{Sites: archive.AllSites(), Newest: true})
	if err != nil || len(page.Items) != 1 || page.Items[0].Promotes != beside || page.Items[0].Verdict != "recut" {
		t.Errorf("the answer: %+v, %v", page.Items, err)
	}
	events, err = a.Events(t.Context(), archive.EventQuery{Sites: archive.AllSites(), What: "measurement.promoted"})
	if err != nil || len(events) != 1 || events[0].Name != "Rev Finch" || events[0].Reason != "seen on the photo" {
		t.Errorf("the event: %+v, %v", events, err)
	}
	out = filepath.Join(t.TempDir(), "out")
	for _, c := range [][]string{{"verify", "--data", data}, {"export", "--data", data, "--out", out + ".zip"}, {"check", out + ".zip"}, {"backup", "--data", data, out}, {"restore", out, "--data", out + "-again"}, {"verify", "--data", out + "-again"}} {
		if code, out, errs := beltend(t, append([]string{"archive"}, c...)...); code != 0 {
			t.Errorf("%v afterwards: exit %d, %s%s", c, code, out, errs)
		}
	}
	if err := a.Close(); err != nil {
		t.Error(err)
	}
}

// reopened is an archive that commands have written to.
func reopened(t *testing.T, folder string) *archive.Archive {
	t.Helper()
	a, err := archive.Open(t.Context(), archive.Address{Folder: folder})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = a.Close() })
	return a
}

func TestRetentionListsBeforeItRemoves(t *testing.T) {
	data := t.TempDir()
	a, err := archive.Open(t.Context(), archive.Address{Folder: data})
	if err != nil {
		t.Fatal(err)
	}
	p := conformance.NewPlant(t, a, "Kestrel Hollow")
	conformance.SignOff(t, a, conformance.Measured(t, a, p, nil), archive.Accepted, "Rev A")
	before, err := a.Head(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		code int
		says string
		args []string
	}{
		{exitUsage, "--signed-off", nil},
		{exitUsage, `--signed-off: "five" is no age`, []string{"--signed-off", "five", "--refused", "90"}},
		{exitUsage, `--refused: "90" is no age`, []string{"--signed-off", "five", "--refused", "90"}},
		{exitUsage, "Nowhere", []string{"--refused", "90d", "--site", "Nowhere"}},
		{0, "0 photos (0 bytes) may go", []string{"--signed-off", "1d", "--refused", "1d"}},
		{0, "Took away 0 photos", []string{"--signed-off", "5y", "--site", "Kestrel Hollow", "--remove"}},
	} {
		code, out, errs := beltend(t, append([]string{"archive", "retain", "--data", data}, c.args...)...)
		if code != c.code || !strings.Contains(out+errs, c.says) {
			t.Errorf("retain %s: exit %d, want %d with %q\n%s%s", strings.Join(c.args, " "), code, c.code, c.says, out, errs)
		}
	}
	if head, err := a.Head(t.Context()); err != nil || head != before {
		t.Errorf("something was removed: %v, %v", head, err)
	}
	if err := a.Close(); err != nil {
		t.Error(err)
	}
}
