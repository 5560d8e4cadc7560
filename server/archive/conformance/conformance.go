// Package conformance is the suite that every kind of archive must pass.
package conformance

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"beltend/server/archive"
	"beltend/server/result"
)

// Run holds an archive to what the package archive promises. Open gives an
// empty one each time; several are open at once.
func Run(t *testing.T, open func(t *testing.T) *archive.Archive) {
	for _, c := range []struct {
		name string
		test func(t *testing.T, a *archive.Archive)
	}{
		{"records come back as they were kept", testRecords},
		{"a change of an older version is refused", testVersions},
		{"photos come back byte for byte, once", testPhotos},
		{"parts of photos come together, whoever sends them", testParts},
		{"measurements come back whole and are never replaced", testMeasurements},
		{"nobody sees another site", testSites},
		{"search finds what matches and nothing else", testSearch},
		{"search pages through everything once", testPages},
		{"reviews follow their rules", testReviews},
		{"card checks name what to judge again", testCardChecks},
		{"bad records are refused by field", testInvalid},
		{"retention takes what its rules name and nothing else", testRetention},
		{"a joint's plan is kept over the one before with a reason", testJointPlans},
		{"rounds keep to their sites and their order", testRounds},
		{"the chain continues under many writers", testWriters},
		{"a backup is whole while others write", testBackup},
		{"a failed transaction leaves nothing", testRollback},
		{"other packages keep tables beside it", testOwnTables},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			a := open(t)
			c.test(t, a)
			report, err := a.Verify(t.Context(), archive.VerifyOptions{})
			if err != nil {
				t.Fatalf("verify: %v", err)
			}
			for _, p := range report.Problems {
				t.Errorf("verify found: %s", p)
			}
		})
	}
}

// By is who acts in tests.
var By = archive.Actor{ID: "u1", Name: "Mara Quill"}

// Plant is a site with everything a measurement needs.
type Plant struct {
	Site     archive.Site
	Conveyor archive.Conveyor
	Belt     archive.Belt
	Joint    archive.Joint
	Cards    archive.CardSet
}

// NewPlant keeps one.
func NewPlant(t testing.TB, a *archive.Archive, site string) Plant {
	t.Helper()
	ctx := t.Context()
	var p Plant
	var err error
	must := func(e error) {
		t.Helper()
		if e != nil {
			t.Fatal(e)
		}
	}
	p.Site, err = a.PutSite(ctx, By, archive.Site{Name: site}, "opened")
	must(err)
	p.Conveyor, err = a.PutConveyor(ctx, By, archive.Conveyor{Site: p.Site.ID, Name: "Crusher feed " + site}, "")
	must(err)
	p.Belt, err = a.PutBelt(ctx, By, archive.Belt{Conveyor: p.Conveyor.ID, Name: "KH-0417", NominalMM: 1000, ThicknessMM: 12.5, Covers: "4+2"}, "")
	must(err)
	p.Joint, err = a.PutJoint(ctx, By, archive.Joint{Belt: p.Belt.ID, Number: "J12", ThicknessMM: 12, Travel: "to the crusher", FaceUp: "carrying", SmallestPulleyMM: 400,
		ToleranceMM: 2, ToleranceOrigin: "site rule 7", Cautions: &archive.Cautions{Name: "Mara Quill", Text: "2026-1"}}, "")
	must(err)
	p.Cards, err = a.PutCardSet(ctx, By, archive.CardSet{Site: p.Site.ID, Number: "C7", Cards: "1-4"}, "")
	must(err)
	return p
}

// Taped is a result from that source, with what was taped.
func Taped(source string, readings *result.Tape) json.RawMessage {
	data, err := json.Marshal(result.Measurement{Schema: result.Schema, Verdict: result.Undecided, Line: "cut", Source: source, Tape: readings,
		Squareness: &result.Squareness{OffsetMM: 1, OffsetU95MM: 2, ToleranceMM: 2}, Width: &result.Width{AtCutMM: 1000}, Warnings: []result.Warning{}, Method: "tape/1"})
	if err != nil {
		panic(err) // texts and numbers
	}
	return data
}

// Offset makes a result of schema beltend.measurement/1.
func Offset(mm, u95, tolerance float64) json.RawMessage {
	verdict := result.Undecided
	size := max(mm, -mm)
	if size+u95 <= tolerance {
		verdict = result.Square
	} else if size-u95 > tolerance {
		verdict = result.Recut
	}
	data, err := json.Marshal(result.Measurement{Schema: result.Schema, Verdict: verdict, Line: "cut",
		Squareness: &result.Squareness{OffsetMM: mm, OffsetU95MM: u95, ToleranceMM: tolerance},
		Width:      &result.Width{AtCutMM: 1001.2}, Cut: &result.Cut{RMSMM: 0.21, StraightnessMM: 0.9},
		Findings: []result.Finding{{Code: "bow", SizeMM: 0.8}}, Warnings: []result.Warning{},
		Settings: &result.Settings{PrintScaleX: 0.997, PrintScaleY: 1.001}, Program: "v1.2.3", Method: "4"})
	if err != nil {
		panic(err)
	}
	return data
}

// Counted is an answer about a finished joint.
func Counted() json.RawMessage {
	return json.RawMessage(`{"schema":"beltend.hooks/1","sides":[{"side":"A","hooks":76}],"findings":[],"warnings":[]}`)
}

// Planned is a joint's plan with so many hooks on the leading side.
func Planned(hooks int) json.RawMessage {
	return json.RawMessage(fmt.Sprintf(`{"schema":"beltend.joint-plan/1","belt_lost_mm":14.5,"lacing":{"schema":"beltend.lacing/1","fits":[],
		"plan":{"fastener":{"name":"KH 40","pitch_mm":13},"leading":{"hooks":%d},"trailing":{"hooks":%d}},
		"warnings":[{"code":"pin_capped","message":"m","values":{"value":1000.5,"limit":998}},{"code":"near_thinnest","message":"m"}]}}`, hooks, hooks-1))
}

// Refused makes a refusal.
func Refused(code string) json.RawMessage {
	return json.RawMessage(`{"schema":"` + result.Schema + `","refused":{"code":"` + code + `","message":"m","advice":"a"},"warnings":[]}`)
}

// Measured is a measurement on the plant's joint; change may be nil.
func Measured(t testing.TB, a *archive.Archive, p Plant, change func(*archive.Measurement)) archive.Measurement {
	t.Helper()
	m := archive.Measurement{Joint: p.Joint.ID, End: archive.Leading, Step: archive.StepCut, Person: "Mara Quill", PersonID: "u1",
		CardSet: p.Cards.ID, Note: "wet belt", Result: Offset(1.25, 0.4, 2)}
	if change != nil {
		change(&m)
	}
	if m.Files == nil {
		photo := AddPhoto(t, a, p, "belt end "+archive.NewID())
		m.Files = []archive.File{{SHA256: photo.SHA256, Role: archive.RolePhoto, Name: photo.Name}}
	}
	m, err := a.AddMeasurement(t.Context(), By, m, "")
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// AddPhoto keeps some bytes.
func AddPhoto(t testing.TB, a *archive.Archive, p Plant, text string) archive.Photo {
	t.Helper()
	photo, err := a.AddPhoto(t.Context(), By, archive.Photo{Site: p.Site.ID, Type: "image/jpeg", Name: "IMG_1.jpg"}, []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return photo
}

func same(t *testing.T, what string, got, want any) {
	t.Helper()
	g, _ := json.Marshal(got)
	w, _ := json.Marshal(want)
	if !bytes.Equal(g, w) {
		t.Errorf("%s:\n got %s\nwant %s", what, g, w)
	}
}

// Is fails the test unless the error is of the kind.
func Is(t testing.TB, what string, err error, kind archive.Kind) {
	t.Helper()
	if !errors.Is(err, kind) {
		t.Errorf("%s: error %v, want %q", what, err, kind)
	}
}

func testRecords(t *testing.T, a *archive.Archive) {
	ctx, all := t.Context(), archive.AllSites()
	p := NewPlant(t, a, "Kestrel Hollow")
	site, err := a.Site(ctx, all, p.Site.ID)
	same(t, "site", site, p.Site)
	conveyor, err1 := a.Conveyor(ctx, all, p.Conveyor.ID)
	same(t, "conveyor", conveyor, p.Conveyor)
	belt, err2 := a.Belt(ctx, all, p.Belt.ID)
	same(t, "belt", belt, p.Belt)
	joint, err3 := a.Joint(ctx, all, p.Joint.ID)
	same(t, "joint", joint, p.Joint)
	cards, err4 := a.CardSet(ctx, all, p.Cards.ID)
	same(t, "card set", cards, p.Cards)
	if err := errors.Join(err, err1, err2, err3, err4); err != nil {
		t.Error(err)
	}
	if joint.Site != p.Site.ID || joint.Conveyor != p.Conveyor.ID || joint.Opened.IsZero() || joint.Cautions.Time.IsZero() {
		t.Errorf("a joint takes place and times by itself: %+v", joint)
	}
	joints, err := a.Joints(ctx, all, p.Belt.ID, true)
	if err != nil || len(joints) != 1 {
		t.Errorf("open joints: %v, %v", joints, err)
	}
	joint.Closed = true
	joint.Cautions = nil // once acknowledged they stay
	closed, err := a.PutJoint(ctx, By, joint, "laced")
	if err != nil || closed.Cautions == nil || closed.Version != 2 {
		t.Errorf("closed joint: %+v, %v", closed, err)
	}
	if joints, err = a.Joints(ctx, all, "", true); err != nil || len(joints) != 0 {
		t.Errorf("a closed joint is listed as open: %v, %v", joints, err)
	}
	if joints, err = a.Joints(ctx, all, "", false); err != nil || len(joints) != 1 {
		t.Errorf("joints: %v, %v", joints, err)
	}
	for what, n := range map[string]func() (int, error){
		"sites":     func() (int, error) { l, err := a.Sites(ctx, all); return len(l), err },
		"conveyors": func() (int, error) { l, err := a.Conveyors(ctx, all); return len(l), err },
		"belts":     func() (int, error) { l, err := a.Belts(ctx, all, p.Conveyor.ID); return len(l), err },
		"all belts": func() (int, error) { l, err := a.Belts(ctx, all, ""); return len(l), err },
		"card sets": func() (int, error) { l, err := a.CardSets(ctx, all); return len(l), err },
	} {
		if n, err := n(); n != 1 || err != nil {
			t.Errorf("%s: %d, %v; want 1", what, n, err)
		}
	}
	_, err = a.Joint(ctx, all, archive.NewID())
	Is(t, "an unknown joint", err, archive.NotFound)

	// Every state a record had is in its events, with the reason.
	events, err := a.Events(ctx, archive.EventQuery{Sites: all, Subject: "joint/" + joint.ID})
	if err != nil || len(events) != 2 {
		t.Fatalf("events of the joint: %v, %v", events, err)
	}
	if e := events[0]; e.What != "joint.changed" || e.Reason != "laced" || e.Who != By.ID || e.Name != By.Name || e.Site != p.Site.ID {
		t.Errorf("newest event: %+v", e)
	}
	var before archive.Joint
	if err := json.Unmarshal(events[1].Payload, &before); err != nil {
		t.Fatal(err)
	}
	same(t, "the joint as it was", before, p.Joint)
}

func testVersions(t *testing.T, a *archive.Archive) {
	ctx := t.Context()
	p := NewPlant(t, a, "Kestrel Hollow")
	first, second := p.Belt, p.Belt
	first.ThicknessMM = 14
	first, err := a.PutBelt(ctx, By, first, "measured again")
	if err != nil || first.Version != 2 {
		t.Fatalf("%+v, %v", first, err)
	}
	second.Covers = "6+3"
	_, err = a.PutBelt(ctx, By, second, "")
	Is(t, "a change of the older version", err, archive.Conflict)
	kept, err := a.Belt(ctx, archive.AllSites(), p.Belt.ID)
	if err != nil || kept.Covers != "4+2" || kept.ThicknessMM != 14 {
		t.Errorf("kept: %+v, %v", kept, err)
	}
	_, err = a.PutSite(ctx, By, archive.Site{Name: p.Site.Name}, "")
	Is(t, "another site of that name", err, archive.Conflict)
	_, err = a.PutSite(ctx, By, archive.Site{ID: archive.NewID(), Version: 3, Name: "Elsewhere"}, "")
	Is(t, "a change of a site that is not there", err, archive.NotFound)
	_, err = a.PutJoint(ctx, By, archive.Joint{Belt: p.Belt.ID, Number: p.Joint.Number}, "")
	Is(t, "another joint of that number", err, archive.Conflict)
}

func testPhotos(t *testing.T, a *archive.Archive) {
	ctx, all := t.Context(), archive.AllSites()
	p, q := NewPlant(t, a, "Kestrel Hollow"), NewPlant(t, a, "Kestrel Hollow Grain")
	data := bytes.Repeat([]byte{0, 1, 2, 0xff, '\n'}, 100_000)
	photo, err := a.AddPhoto(ctx, By, archive.Photo{Site: p.Site.ID, Type: "image/jpeg", Name: "../../etc/passwd", LocationRemoved: true, Person: "Mara Quill"}, data)
	if err != nil {
		t.Fatal(err)
	}
	if photo.Bytes != int64(len(data)) || photo.Added.IsZero() || len(photo.SHA256) != 64 {
		t.Errorf("record: %+v", photo)
	}
	back, record, err := a.ReadPhoto(ctx, all, photo.SHA256)
	if err != nil || !bytes.Equal(back, data) {
		t.Errorf("read: %d bytes, %v", len(back), err)
	}
	same(t, "photo", record, photo)
	head, _ := a.Head(ctx)
	again, err := a.AddPhoto(ctx, By, archive.Photo{Site: p.Site.ID, Type: "image/jpeg", Name: "IMG_2.jpg"}, data)
	if err != nil {
		t.Fatal(err)
	}
	same(t, "the same photo again", again, photo)
	if now, _ := a.Head(ctx); now != head {
		t.Error("keeping the same photo again wrote an event")
	}
	_, err = a.Photo(ctx, archive.SomeSites(q.Site.ID), photo.SHA256)
	Is(t, "the photo at another site", err, archive.NotFound)
	if _, err := a.AddPhoto(ctx, By, archive.Photo{Site: q.Site.ID, Type: "image/jpeg", Name: "IMG_2.jpg"}, data); err != nil {
		t.Fatal(err)
	}
	if other, err := a.Photo(ctx, archive.SomeSites(q.Site.ID), photo.SHA256); err != nil || other.Name != "IMG_2.jpg" {
		t.Errorf("the photo at both sites: %+v, %v", other, err)
	}
	_, err = a.AddPhoto(ctx, By, archive.Photo{Site: p.Site.ID, Type: "image/jpeg"}, nil)
	Is(t, "an empty photo", err, archive.Invalid)
	_, err = a.AddPhoto(ctx, By, archive.Photo{Site: archive.NewID(), Type: "image/jpeg"}, data)
	Is(t, "a photo of no site", err, archive.Invalid)
	for _, name := range []string{"", "../../etc/passwd", "x", photo.SHA256[:63] + "0"} {
		_, _, err := a.ReadPhoto(ctx, all, name)
		Is(t, fmt.Sprintf("photo %q", name), err, archive.NotFound)
	}
}

func testParts(t *testing.T, a *archive.Archive) {
	ctx := t.Context()
	data := []byte("the bytes of a photo that comes in parts")
	of := int64(len(data))
	key, other := archive.Part("u1", "s1", "aa"), archive.Part("u2", "s1", "aa")
	if key == other || archive.Part("a", "b/c", "d") == archive.Part("a/b", "c", "d") {
		t.Error("two senders share a key")
	}
	have := func(what string, key string, want archive.Arrived) {
		t.Helper()
		if got, err := a.Arrived(ctx, key); err != nil || got != want {
			t.Errorf("%s: %+v, %v, want %+v", what, got, err, want)
		}
	}
	joined := func(what string, want []byte) {
		t.Helper()
		if got, err := a.Joined(ctx, key, of); err != nil || !bytes.Equal(got, want) {
			t.Errorf("%s: %q, %v", what, got, err)
		}
	}
	put := func(from, to int64) {
		t.Helper()
		if err := a.PutPart(ctx, key, from, data[from:to]); err != nil {
			t.Fatal(err)
		}
	}
	have("before anything", key, archive.Arrived{})
	joined("before anything", []byte{})
	put(10, 20)
	have("the second part alone", key, archive.Arrived{})
	put(0, 10)
	put(0, 4)  // broken off, and heard of later
	put(5, 15) // across two others
	put(5, 15) // and again
	put(20, 20)
	have("two parts", key, archive.Arrived{Have: 20})
	joined("two parts", data[:20])
	put(25, of)
	have("a gap", key, archive.Arrived{Have: 20})
	put(18, 25)
	have("all", key, archive.Arrived{Have: of})
	joined("all", data)
	have("another's", other, archive.Arrived{})
	if n, err := a.SweepParts(ctx, time.Hour); err != nil || n != 0 {
		t.Errorf("swept while it comes: %d, %v", n, err)
	}

	photo := AddPhoto(t, a, NewPlant(t, a, "Kestrel Hollow"), string(data))
	if err := a.EndParts(ctx, key, photo.SHA256); err != nil {
		t.Fatal(err)
	}
	have("kept", key, archive.Arrived{Kept: photo.SHA256})
	joined("kept", []byte{})
	if err := a.PutPart(ctx, other, 0, data[:5]); err != nil {
		t.Fatal(err)
	}
	if err := a.EndParts(ctx, other, ""); err != nil {
		t.Fatal(err)
	}
	have("given up", other, archive.Arrived{})
	if err := a.PutPart(ctx, other, 0, data[:5]); err != nil {
		t.Fatal(err)
	}
	if n, err := a.SweepParts(ctx, -time.Minute); err != nil || n != 2 { // the part, and as what the first was kept
		t.Errorf("swept: %d, %v", n, err)
	}
	have("swept", key, archive.Arrived{})
	have("swept", other, archive.Arrived{})
	if _, _, err := a.ReadPhoto(ctx, archive.AllSites(), photo.SHA256); err != nil {
		t.Errorf("the photo itself: %v", err)
	}
}

func testMeasurements(t *testing.T, a *archive.Archive) {
	ctx, all := t.Context(), archive.AllSites()
	p := NewPlant(t, a, "Kestrel Hollow")
	m := Measured(t, a, p, func(m *archive.Measurement) { m.CameraProfile = "phone.json 12ab" })
	found, err := a.Measurement(ctx, all, m.ID)
	if err != nil {
		t.Fatal(err)
	}
	same(t, "measurement", found.Measurement, m)
	if want := Offset(1.25, 0.4, 2); !bytes.Equal(found.Result, want) {
		t.Errorf("result:\n got %s\nwant %s", found.Result, want)
	}
	if m.Verdict != "square" || *m.OffsetMM != 1.25 || *m.U95MM != 0.4 || *m.ToleranceMM != 2 || *m.WidthMM != 1001.2 || *m.BowMM != 0.8 || *m.RoughnessMM != 0.21 ||
		m.ProgramVersion != "v1.2.3" || m.MethodVersion != "4" || m.CardScale != "0.997,1.001" || m.Site != p.Site.ID || m.Belt != p.Belt.ID || m.Conveyor != p.Conveyor.ID {
		t.Errorf("taken from the result: %+v", m)
	}
	if found.SiteName != p.Site.Name || found.BeltName != "KH-0417" || found.JointNumber != "J12" || found.CardSetNo != "C7" || found.ConveyorName != p.Conveyor.Name {
		t.Errorf("names: %+v", found)
	}
	decoded, err := found.Decode()
	if err != nil || decoded.Squareness.OffsetMM != 1.25 {
		t.Errorf("decoded: %+v, %v", decoded, err)
	}
	_, err = a.AddMeasurement(ctx, By, m, "")
	Is(t, "the same measurement again", err, archive.Conflict)

	again := Measured(t, a, p, func(n *archive.Measurement) { n.Supersedes, n.Files, n.Result = m.ID, m.Files, Offset(1.3, 0.3, 2) })
	old, err := a.Measurement(ctx, all, m.ID)
	if err != nil || old.SupersededBy != again.ID || *old.OffsetMM != 1.25 {
		t.Errorf("the measurement made again: %+v, %v", old, err)
	}
	page, err := a.Search(ctx, archive.Query{Sites: all, Newest: true})
	if err != nil || len(page.Items) != 1 || page.Items[0].ID != again.ID {
		t.Errorf("the newest only: %+v, %v", page, err)
	}
	testPromoted(t, a, p, again, testBeside(t, a, p, again))
	refusal := Measured(t, a, p, func(n *archive.Measurement) { n.Result = Refused("no_card") })
	if refusal.Refusal != "no_card" || refusal.Verdict != "" || refusal.OffsetMM != nil {
		t.Errorf("refusal: %+v", refusal)
	}
	taped, err := a.AddMeasurement(ctx, By, archive.Measurement{Joint: p.Joint.ID, End: archive.Trailing, Step: archive.StepCut, Person: "Mara Quill", Result: Taped(result.FromTape, &result.Tape{LeftMM: 1603.9})}, "")
	if err != nil || taped.Source != result.FromTape || len(taped.Files) != 0 {
		t.Errorf("taped by hand, without a photo: %+v, %v", taped, err)
	}
	if page, err := a.Search(ctx, archive.Query{Sites: all, Text: "tape"}); err != nil || len(page.Items) != 1 || page.Items[0].ID != taped.ID || page.Items[0].Source != result.FromTape {
		t.Errorf("found by its source: %+v, %v", page, err)
	}
	other := NewPlant(t, a, "Kestrel Hollow Grain")
	for what, change := range map[string]func(*archive.Measurement){
		"a photo never kept": func(n *archive.Measurement) {
			n.Files = []archive.File{{SHA256: fmt.Sprintf("%064x", 7), Role: archive.RolePhoto}}
		},
		"a photo of another site":              func(n *archive.Measurement) { n.Joint, n.CardSet = other.Joint.ID, "" },
		"a card set of another site":           func(n *archive.Measurement) { n.CardSet = other.Cards.ID },
		"no photo":                             func(n *archive.Measurement) { n.Files = nil },
		"photos beside a tape alone":           func(n *archive.Measurement) { n.Result = Taped(result.FromTape, &result.Tape{}) },
		"no photo beside tape and photos":      func(n *archive.Measurement) { n.Files, n.Result = nil, Taped(result.FromBoth, &result.Tape{}) },
		"a tape without its readings":          func(n *archive.Measurement) { n.Files, n.Result = nil, Taped(result.FromTape, nil) },
		"a source that is none":                func(n *archive.Measurement) { n.Result = Taped("guess", &result.Tape{}) },
		"no joint":                             func(n *archive.Measurement) { n.Joint = archive.NewID() },
		"repeating one that is not there":      func(n *archive.Measurement) { n.Supersedes = archive.NewID() },
		"beside one that is not there":         func(n *archive.Measurement) { n.Beside = archive.NewID() },
		"beside one of another end":            func(n *archive.Measurement) { n.Beside, n.End = m.ID, archive.Trailing },
		"beside one of other photos":           func(n *archive.Measurement) { n.Beside, n.Files = m.ID, append(n.Files, refusal.Files...) },
		"beside one and in another's place":    func(n *archive.Measurement) { n.Beside, n.Supersedes = m.ID, m.ID },
		"a result that is no JSON":             func(n *archive.Measurement) { n.Result = []byte("{") },
		"a result of another schema":           func(n *archive.Measurement) { n.Result = []byte(`{"schema":"x"}`) },
		"a result with neither answer nor not": func(n *archive.Measurement) { n.Result = []byte(`{"schema":"beltend.measurement/1"}`) },
		"no person":                            func(n *archive.Measurement) { n.Person = "" },
		"an end that is none":                  func(n *archive.Measurement) { n.End = "left" },
	} {
		n := archive.Measurement{Joint: p.Joint.ID, End: archive.Leading, Step: archive.StepCut, Person: "Mara Quill", Files: m.Files, Result: Offset(1, 1, 1)}
		change(&n)
		_, err := a.AddMeasurement(ctx, By, n, "")
		Is(t, what, err, archive.Invalid)
		// what the photos or the result have no part in is told before either is there
		early := a.Fits(ctx, n)
		late := slices.Contains([]string{"a photo never kept", "a photo of another site", "no photo", "photos beside a tape alone", "no photo beside tape and photos", "a tape without its readings",
			"a source that is none", "a result that is no JSON", "a result of another schema", "a result with neither answer nor not"}, what)
		switch {
		case late && early != nil:
			t.Errorf("%s, early: %v", what, early)
		case !late && archive.Message(early) != archive.Message(err):
			t.Errorf("%s: early %v, later %v", what, early, err)
		}
	}
	// Whoever names a measurement of another site learns no more than of one that is nowhere.
	theirs := Measured(t, a, other, nil)
	for what, change := range map[string]func(*archive.Measurement, string){
		"repeating": func(n *archive.Measurement, id string) { n.Supersedes = id },
		"beside":    func(n *archive.Measurement, id string) { n.Beside = id },
	} {
		said := map[string]bool{}
		for _, id := range []string{theirs.ID, archive.NewID()} {
			n := archive.Measurement{Joint: p.Joint.ID, End: archive.Leading, Step: archive.StepCut, Person: "Mara Quill", Files: m.Files, Result: Offset(1, 1, 1)}
			change(&n, id)
			_, err := a.AddMeasurement(ctx, By, n, "")
			Is(t, what+" one of another site", err, archive.Invalid)
			said[archive.Message(err)] = true
		}
		if len(said) != 1 {
			t.Errorf("%s one of another site, and one that is nowhere: %v", what, said)
		}
	}
	// A result that names its lens profile is kept under that; values without a
	// name are told apart by their hash.
	camera := func(profile string, values ...float64) string {
		var r result.Measurement
		if err := json.Unmarshal(Offset(1, 0.4, 2), &r); err != nil {
			t.Fatal(err)
		}
		r.Settings.Camera, r.Settings.CameraSD, r.Settings.CameraProfile = values, values, profile
		data, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		return Measured(t, a, p, func(m *archive.Measurement) { m.Result = data }).CameraProfile
	}
	one, two := camera("", 3000, 2000), camera("", 3000, 2001)
	if named := camera("phone.json 34cd", 3000, 2000); named != "phone.json 34cd" || one == "" || one == two || one != camera("", 3000, 2000) || camera("") != "" {
		t.Errorf("camera profiles %q, %q, %q", named, one, two)
	}
}

func testSites(t *testing.T, a *archive.Archive) {
	ctx := t.Context()
	mine, other := NewPlant(t, a, "Kestrel Hollow"), NewPlant(t, a, "Kestrel Hollow Grain")
	m, theirs := Measured(t, a, mine, nil), Measured(t, a, other, nil)
	for _, sites := range []archive.Sites{archive.SomeSites(mine.Site.ID), {}} {
		check := func(what string, _ any, err error) {
			t.Helper()
			Is(t, what, err, archive.NotFound)
		}
		got := func(v any, err error) (any, error) { return v, err }
		v, err := got(a.Site(ctx, sites, other.Site.ID))
		check("site", v, err)
		v, err = got(a.Conveyor(ctx, sites, other.Conveyor.ID))
		check("conveyor", v, err)
		v, err = got(a.Belt(ctx, sites, other.Belt.ID))
		check("belt", v, err)
		v, err = got(a.Joint(ctx, sites, other.Joint.ID))
		check("joint", v, err)
		v, err = got(a.CardSet(ctx, sites, other.Cards.ID))
		check("card set", v, err)
		v, err = got(a.Measurement(ctx, sites, theirs.ID))
		check("measurement", v, err)
		v, err = got(a.Photo(ctx, sites, theirs.Files[0].SHA256))
		check("photo", v, err)
		_, _, err = a.ReadPhoto(ctx, sites, theirs.Files[0].SHA256)
		check("photo's bytes", nil, err)
		for what, q := range map[string]archive.Query{
			"all": {}, "belt": {Belt: other.Belt.ID}, "joint": {Joint: other.Joint.ID}, "conveyor": {Conveyor: other.Conveyor.ID}, "card set": {CardSet: other.Cards.ID},
			"person": {Person: "Mara Quill"}, "text": {Text: "grain"}, "verdict": {Verdict: "square"}, "open": {Review: "open"}, "offset": {OffsetMin: new(float64)},
		} {
			q.Sites = sites
			page, err := a.Search(ctx, q)
			if err != nil {
				t.Errorf("search by %s: %v", what, err)
			}
			points, err := a.Series(ctx, q, 100)
			if err != nil {
				t.Errorf("series by %s: %v", what, err)
			}
			for _, f := range page.Items {
				if f.Site != mine.Site.ID || !sites.Has(f.Site) {
					t.Errorf("search by %s shows another site's", what)
				}
			}
			for _, f := range points {
				if !sites.Has(f.Site) {
					t.Errorf("series by %s shows another site's", what)
				}
			}
		}
		events, err := a.Events(ctx, archive.EventQuery{Sites: sites})
		if err != nil {
			t.Error(err)
		}
		for _, e := range events {
			if !sites.Has(e.Site) {
				t.Errorf("event %d of another site is shown", e.Seq)
			}
		}
		belts, err1 := a.Belts(ctx, sites, other.Conveyor.ID)
		joints, err2 := a.Joints(ctx, sites, other.Belt.ID, false)
		checks, err3 := a.CardChecks(ctx, sites, other.Cards.ID)
		reviews, err4 := a.Reviews(ctx, sites, other.Joint.ID)
		if err := errors.Join(err1, err2, err3, err4); err != nil || len(belts)+len(joints)+len(checks)+len(reviews) > 0 {
			t.Errorf("lists of another site: %v %v %v %v, %v", belts, joints, checks, reviews, err)
		}
	}
	if f, err := a.Measurement(ctx, archive.SomeSites(mine.Site.ID), m.ID); err != nil || f.ID != m.ID {
		t.Errorf("the own site: %v", err)
	}
}

func testSearch(t *testing.T, a *archive.Archive) {
	ctx := t.Context()
	p, q := NewPlant(t, a, "Kestrel Hollow"), NewPlant(t, a, "Körnerwerk")
	start := time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)
	type truth struct {
		id string
		archive.Measurement
		open bool
	}
	var all []truth
	people := []string{"Mara Quill", "Tobias Fenn", "Ida Märten"}
	for i := range 60 {
		plant := p
		if i%4 == 3 {
			plant = q
		}
		m := Measured(t, a, plant, func(m *archive.Measurement) {
			m.Time = start.Add(time.Duration(i/2) * time.Hour) // two at the same instant
			m.Person = people[i%3]
			m.End = []string{archive.Leading, archive.Trailing}[i%2]
			m.Step = []string{archive.StepDrawn, archive.StepCut, archive.StepRecut, archive.StepFinished}[i%4]
			m.Note = ""
			if i%5 == 0 {
				m.CardSet = ""
			}
			if i == 17 {
				m.Note = "Übergabe 4711"
			}
			m.Result = Offset(float64(i-30)/4, 0.5, 2)
			if i%7 == 0 {
				m.Result = Refused("blurred")
			}
		})
		all = append(all, truth{id: m.ID, Measurement: m, open: m.Refusal == ""})
	}
	for i := range all {
		if i%6 == 1 && all[i].Refusal == "" {
			if _, err := a.AddReview(ctx, By, archive.Review{Measurement: all[i].ID, Outcome: archive.SentBack, Reason: "edge in the shade", Person: "Rev A"}); err != nil {
				t.Fatal(err)
			}
			all[i].open = false
		}
	}
	f := func(v float64) *float64 { return &v }
	some, both := archive.SomeSites(p.Site.ID), archive.SomeSites(p.Site.ID, q.Site.ID)
	for what, c := range map[string]struct {
		query archive.Query
		want  func(m truth) bool
	}{
		"everything":          {archive.Query{Sites: archive.AllSites()}, func(truth) bool { return true }},
		"two sites":           {archive.Query{Sites: both}, func(truth) bool { return true }},
		"one site":            {archive.Query{Sites: some}, func(m truth) bool { return m.Site == p.Site.ID }},
		"conveyor":            {archive.Query{Sites: both, Conveyor: q.Conveyor.ID}, func(m truth) bool { return m.Conveyor == q.Conveyor.ID }},
		"belt":                {archive.Query{Sites: both, Belt: p.Belt.ID}, func(m truth) bool { return m.Belt == p.Belt.ID }},
		"joint and end":       {archive.Query{Sites: both, Joint: p.Joint.ID, End: archive.Trailing}, func(m truth) bool { return m.Joint == p.Joint.ID && m.End == archive.Trailing }},
		"step":                {archive.Query{Sites: both, Step: archive.StepRecut}, func(m truth) bool { return m.Step == archive.StepRecut }},
		"person":              {archive.Query{Sites: both, Person: "Tobias Fenn"}, func(m truth) bool { return m.Person == "Tobias Fenn" }},
		"person and belt":     {archive.Query{Sites: both, Person: "Tobias Fenn", Belt: p.Belt.ID}, func(m truth) bool { return m.Person == "Tobias Fenn" && m.Belt == p.Belt.ID }},
		"verdict":             {archive.Query{Sites: both, Verdict: "recut"}, func(m truth) bool { return m.Verdict == "recut" }},
		"answered":            {archive.Query{Sites: both, Answered: true}, func(m truth) bool { return m.Refusal == "" }},
		"refused":             {archive.Query{Sites: both, Verdict: "refused"}, func(m truth) bool { return m.Refusal != "" }},
		"card set":            {archive.Query{Sites: both, CardSet: p.Cards.ID}, func(m truth) bool { return m.CardSet == p.Cards.ID }},
		"from":                {archive.Query{Sites: both, From: start.Add(5 * time.Hour)}, func(m truth) bool { return !m.Time.Before(start.Add(5 * time.Hour)) }},
		"to":                  {archive.Query{Sites: both, To: start.Add(5 * time.Hour)}, func(m truth) bool { return m.Time.Before(start.Add(5 * time.Hour)) }},
		"offset from":         {archive.Query{Sites: both, OffsetMin: f(2)}, func(m truth) bool { return m.OffsetMM != nil && *m.OffsetMM >= 2 }},
		"offset range":        {archive.Query{Sites: both, OffsetMin: f(-1.25), OffsetMax: f(0)}, func(m truth) bool { return m.OffsetMM != nil && *m.OffsetMM >= -1.25 && *m.OffsetMM <= 0 }},
		"word":                {archive.Query{Sites: both, Text: "KÖRNER"}, func(m truth) bool { return m.Site == q.Site.ID }},
		"word without accent": {archive.Query{Sites: both, Text: "korner"}, func(m truth) bool { return m.Site == q.Site.ID }},
		"words": {archive.Query{Sites: both, Text: "fenn recut"}, func(m truth) bool {
			return m.Person == "Tobias Fenn" && (m.Verdict == "recut" || m.Step == archive.StepRecut)
		}},
		"number in a note": {archive.Query{Sites: both, Text: "4711"}, func(m truth) bool { return m.Note != "" }},
		"code":             {archive.Query{Sites: both, Text: "blurred"}, func(m truth) bool { return m.Refusal != "" }},
		"joint number":     {archive.Query{Sites: both, Text: "j12"}, func(truth) bool { return true }},
		"a letter alone":   {archive.Query{Sites: both, Text: "j"}, func(truth) bool { return false }},
		"quotes and signs": {archive.Query{Sites: both, Text: `mara' "quill" % _ * OR`}, func(truth) bool { return false }},
		"inside of a word": {archive.Query{Sites: both, Text: "uill"}, func(truth) bool { return false }},
		"open":             {archive.Query{Sites: both, Review: "open"}, func(m truth) bool { return m.open }},
		"open at one site": {archive.Query{Sites: some, Review: "open"}, func(m truth) bool { return m.open && m.Site == p.Site.ID }},
		"sent back":        {archive.Query{Sites: both, Review: archive.SentBack}, func(m truth) bool { return !m.open && m.Refusal == "" }},
		"all at once": {archive.Query{Sites: some, Belt: p.Belt.ID, End: archive.Trailing, Person: "Tobias Fenn", From: start, OffsetMin: f(-4), Text: "fenn", Review: "open"},
			func(m truth) bool {
				return m.Site == p.Site.ID && m.End == archive.Trailing && m.Person == "Tobias Fenn" && m.OffsetMM != nil && *m.OffsetMM >= -4 && m.open
			}},
		"no site": {archive.Query{}, func(truth) bool { return false }},
	} {
		var want, got []string
		points := 0
		for _, m := range all {
			if c.want(m) {
				want = append(want, m.id)
				if m.OffsetMM != nil {
					points++
				}
			}
		}
		slices.SortFunc(all, func(a, b truth) int { return b.Time.Compare(a.Time) })
		c.query.Limit = 100
		page, err := a.Search(ctx, c.query)
		if err != nil {
			t.Errorf("%s: %v", what, err)
			continue
		}
		for i, m := range page.Items {
			got = append(got, m.ID)
			if i > 0 && m.Time.After(page.Items[i-1].Time) {
				t.Errorf("%s: not the newest first", what)
			}
		}
		slices.Sort(want)
		slices.Sort(got)
		if !slices.Equal(want, got) || page.Next != "" {
			t.Errorf("%s: found %d, want %d", what, len(got), len(want))
		}
		series, err := a.Series(ctx, c.query, 1000)
		if err != nil || len(series) != points {
			t.Errorf("%s: series of %d points, want %d; %v", what, len(series), points, err)
		}
		for i, pt := range series {
			if i > 0 && pt.Time.Before(series[i-1].Time) {
				t.Errorf("%s: series not the oldest first", what)
			}
		}
	}
	for what, q := range map[string]archive.Query{"limit": {Limit: 501}, "after": {After: "x"}, "verdict": {Verdict: "fine"}, "text": {Text: "%"}, "review": {Review: "x"}} {
		q.Sites = both
		_, err := a.Search(ctx, q)
		Is(t, "a wrong "+what, err, archive.Invalid)
	}
}

func testPages(t *testing.T, a *archive.Archive) {
	ctx := t.Context()
	p, q := NewPlant(t, a, "Kestrel Hollow"), NewPlant(t, a, "Kestrel Hollow Grain")
	at := time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)
	const n = 23
	for i := range n {
		plant := p
		if i%3 == 0 {
			plant = q
		}
		Measured(t, a, plant, func(m *archive.Measurement) { m.Time = at.Add(time.Duration(i/5) * time.Minute) })
	}
	for what, query := range map[string]archive.Query{"all": {}, "text": {Text: "kestrel"}, "verdict": {Verdict: "square"}, "open": {Review: "open"}, "end": {End: archive.Leading}} {
		query.Sites, query.Limit = archive.AllSites(), 4
		seen := map[string]bool{}
		var last archive.Found
		for pages := 0; ; pages++ {
			page, err := a.Search(ctx, query)
			if err != nil || pages > n {
				t.Fatalf("%s: %v", what, err)
			}
			for _, m := range page.Items {
				if seen[m.ID] {
					t.Errorf("%s: %s comes twice", what, m.ID)
				}
				if last.ID != "" && (m.Time.After(last.Time) || (m.Time.Equal(last.Time) && m.ID > last.ID)) {
					t.Errorf("%s: out of order", what)
				}
				seen[m.ID], last = true, m
			}
			if query.After = page.Next; page.Next == "" {
				break
			}
			if pages == 1 { // what comes meanwhile does not disturb
				Measured(t, a, p, func(m *archive.Measurement) { m.Time = at.Add(time.Hour) })
			}
		}
		want := n
		page, err := a.Search(ctx, archive.Query{Sites: archive.AllSites(), From: at.Add(time.Hour), Limit: 100})
		if err != nil {
			t.Fatal(err)
		}
		want += len(page.Items) - 1 // the one added during this walk lies before its beginning
		if len(seen) != want {
			t.Errorf("%s: %d seen, want %d", what, len(seen), want)
		}
	}
}

func testReviews(t *testing.T, a *archive.Archive) {
	ctx, all := t.Context(), archive.AllSites()
	p := NewPlant(t, a, "Kestrel Hollow")
	m := Measured(t, a, p, nil)
	add := func(m archive.Measurement, r archive.Review) error {
		r.Measurement = m.ID
		_, err := a.AddReview(ctx, By, r)
		return err
	}
	ok := archive.Review{Outcome: archive.Accepted, Person: "Rev A", PersonID: "a"}
	if err := add(m, ok); err != nil {
		t.Fatal(err)
	}
	Is(t, "a second sign-off of the same account", add(m, archive.Review{Outcome: archive.Accepted, Person: "Other Name", PersonID: "a"}), archive.Conflict)
	Is(t, "a second sign-off of the same name", add(m, archive.Review{Outcome: archive.Accepted, Person: "rev a"}), archive.Conflict)
	Is(t, "a second sign-off that differs", add(m, archive.Review{Outcome: archive.Concession, Reason: "r", ConcessionBy: "c", Person: "Rev B", PersonID: "b"}), archive.Conflict)
	if err := add(m, archive.Review{Outcome: archive.Accepted, Person: "Rev A", PersonID: "b"}); err != nil {
		t.Errorf("two persons of the same name: %v", err)
	}
	Is(t, "a third sign-off", add(m, archive.Review{Outcome: archive.Accepted, Person: "Rev C", PersonID: "c"}), archive.Conflict)
	found, err := a.Measurement(ctx, all, m.ID)
	if err != nil || found.Signs != 2 || found.Review != archive.Accepted {
		t.Errorf("found %d sign-offs, %q, %v", found.Signs, found.Review, err)
	}
	bad := Measured(t, a, p, func(m *archive.Measurement) { m.Result = Offset(9, 0.5, 2) })
	Is(t, "accepting a recut", add(bad, ok), archive.Conflict)
	Is(t, "a concession without reason", add(bad, archive.Review{Outcome: archive.Concession, ConcessionBy: "c", Person: "Rev A"}), archive.Invalid)
	Is(t, "a concession by nobody", add(bad, archive.Review{Outcome: archive.Concession, Reason: "r", Person: "Rev A"}), archive.Invalid)
	if err := add(bad, archive.Review{Outcome: archive.Concession, Reason: "spare belt comes Friday", ConcessionBy: "plant manager", Person: "Rev A"}); err != nil {
		t.Error(err)
	}
	if err := add(bad, archive.Review{Outcome: archive.SentBack, Reason: "no", Person: "Rev B"}); err != nil {
		t.Errorf("the second may send back: %v", err)
	}
	back := Measured(t, a, p, nil)
	none := Measured(t, a, p, func(m *archive.Measurement) { m.Result = Refused("no_card") })
	Is(t, "a sign-off of a refusal", add(none, archive.Review{Outcome: archive.Concession, Reason: "r", ConcessionBy: "c", Person: "Rev A"}), archive.Conflict)
	if err := add(back, archive.Review{Outcome: archive.SentBack, Reason: "edge in the shade", Person: "Rev A"}); err != nil {
		t.Error(err)
	}
	Is(t, "a sign-off after sending back", add(back, archive.Review{Outcome: archive.Accepted, Person: "Rev B"}), archive.Conflict)
	Is(t, "a sign-off of nothing", add(archive.Measurement{ID: archive.NewID()}, ok), archive.Invalid)
	reviews, err := a.Reviews(ctx, all, p.Joint.ID)
	if err != nil || len(reviews) != 5 || reviews[0].Sign != 1 || reviews[1].Sign != 2 || reviews[0].Site != p.Site.ID {
		t.Errorf("reviews: %+v, %v", reviews, err)
	}
}

func testCardChecks(t *testing.T, a *archive.Archive) {
	ctx, all := t.Context(), archive.AllSites()
	p := NewPlant(t, a, "Kestrel Hollow")
	day := func(n int) time.Time { return time.Date(2026, 4, n, 12, 0, 0, 0, time.UTC) }
	check := func(n int, good bool) {
		t.Helper()
		if _, err := a.AddCardCheck(ctx, By, archive.CardCheck{CardSet: p.Cards.ID, Time: day(n), AcrossMM: 199.4, UpMM: 150.1, Rule: "steel rule 3", RuleDue: day(28), Good: good, Person: "Mara Quill"}); err != nil {
			t.Fatal(err)
		}
	}
	at := map[int]archive.Measurement{}
	for _, n := range []int{2, 6, 12, 22} {
		at[n] = Measured(t, a, p, func(m *archive.Measurement) { m.Time = day(n) })
	}
	check(4, true)
	check(8, true)
	check(20, false)
	page, err := a.SinceLastGoodCheck(ctx, all, p.Cards.ID, "", 0)
	if err != nil || len(page.Items) != 2 || page.Items[0].ID != at[22].ID || page.Items[1].ID != at[12].ID {
		t.Errorf("since the last good check: %+v, %v", page.Items, err)
	}
	// Found bad on the 20th, good on the 8th: what was measured between is in doubt.
	for n, want := range map[int]bool{2: false, 6: false, 12: true, 22: false} {
		f, err := a.Measurement(ctx, all, at[n].ID)
		if err != nil || f.CardDoubt != want {
			t.Errorf("measured on day %d: in doubt %v, want %v; %v", n, f.CardDoubt, want, err)
		}
	}
	checks, err := a.CardChecks(ctx, all, p.Cards.ID)
	if err != nil || len(checks) != 3 || checks[0].Good || checks[0].Rule != "steel rule 3" {
		t.Errorf("checks: %+v, %v", checks, err)
	}
}

func testInvalid(t *testing.T, a *archive.Archive) {
	ctx := t.Context()
	p := NewPlant(t, a, "Kestrel Hollow")
	for what, err := range map[string]error{
		"site without name":        second(a.PutSite(ctx, By, archive.Site{}, "")),
		"site with NUL":            second(a.PutSite(ctx, By, archive.Site{Name: "a\x00b"}, "")),
		"site not UTF-8":           second(a.PutSite(ctx, By, archive.Site{Name: "\xff"}, "")),
		"site with another's ID":   second(a.PutSite(ctx, By, archive.Site{ID: "../x", Name: "x"}, "")),
		"conveyor of no site":      second(a.PutConveyor(ctx, By, archive.Conveyor{Site: archive.NewID(), Name: "x"}, "")),
		"belt of no conveyor":      second(a.PutBelt(ctx, By, archive.Belt{Conveyor: archive.NewID(), Name: "x"}, "")),
		"belt of negative width":   second(a.PutBelt(ctx, By, archive.Belt{Conveyor: p.Conveyor.ID, Name: "x", NominalMM: -1}, "")),
		"joint with a face unseen": second(a.PutJoint(ctx, By, archive.Joint{Belt: p.Belt.ID, Number: "1", FaceUp: "sky"}, "")),
		"check of no card set":     second(a.AddCardCheck(ctx, By, archive.CardCheck{CardSet: archive.NewID(), Rule: "r"})),
		"nobody acts":              second(a.PutSite(ctx, archive.Actor{}, archive.Site{Name: "x"}, "")),
	} {
		Is(t, what, err, archive.Invalid)
	}
}

func second[T any](_ T, err error) error { return err }

func testWriters(t *testing.T, a *archive.Archive) {
	ctx := t.Context()
	p := NewPlant(t, a, "Kestrel Hollow")
	before, err := a.Head(ctx)
	if err != nil {
		t.Fatal(err)
	}
	const writers, each = 8, 10
	var wg sync.WaitGroup
	errs := make(chan error, writers*each)
	for w := range writers {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for i := range each {
				_, err := a.AddPhoto(ctx, By, archive.Photo{Site: p.Site.ID, Type: "image/png"}, fmt.Appendf(nil, "%d %d", w, i))
				errs <- err
			}
		}()
	}
	wg.Wait()
	close(errs)
	for err := range errs {
		if err != nil {
			t.Error(err)
		}
	}
	after, err := a.Head(ctx)
	if err != nil || after.Seq != before.Seq+writers*each {
		t.Errorf("head %d, want %d; %v", after.Seq, before.Seq+writers*each, err)
	}
}

func testRollback(t *testing.T, a *archive.Archive) {
	ctx := t.Context()
	head, err := a.Head(ctx)
	if err != nil {
		t.Fatal(err)
	}
	stop := errors.New("stop")
	err = a.Write(ctx, func(tx *archive.Tx) error {
		if _, err := tx.Event(ctx, By, "test.done", "", "test/1", "", map[string]int{"n": 1}); err != nil {
			return err
		}
		return stop
	})
	if !errors.Is(err, stop) {
		t.Errorf("error %v", err)
	}
	if now, err := a.Head(ctx); err != nil || now != head {
		t.Errorf("head %v, want %v; %v", now, head, err)
	}
	gone, cancel := context.WithCancel(ctx)
	cancel()
	if _, err := a.PutSite(gone, By, archive.Site{Name: "x"}, ""); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	// The database itself refuses what must not be.
	for _, q := range []string{"UPDATE event SET reason = 'x'", "DELETE FROM event", "UPDATE measurement SET offset_mm = 0", "DELETE FROM measurement",
		"UPDATE measurement_body SET result = ''", "DELETE FROM photo", "UPDATE review SET body = ''", "DELETE FROM card_check", "DELETE FROM measurement_file", "UPDATE finished_file SET sha256 = 'x'", "DELETE FROM finished_file", "DELETE FROM joint_plan", "DELETE FROM joint", "DELETE FROM site"} {
		p := "p" + archive.NewID()
		plant := NewPlant(t, a, p)
		m := Measured(t, a, plant, nil)
		if _, err := a.AddReview(ctx, By, archive.Review{Measurement: m.ID, Outcome: archive.Accepted, Person: "Rev A"}); err != nil {
			t.Fatal(err)
		}
		if _, err := a.AddCardCheck(ctx, By, archive.CardCheck{CardSet: plant.Cards.ID, Rule: "r", Good: true}); err != nil {
			t.Fatal(err)
		}
		if _, err := a.PutFinished(ctx, By, archive.Finished{Joint: plant.Joint.ID, Person: "Mara Quill", Files: m.Files, Result: Counted()}, ""); err != nil {
			t.Fatal(err)
		}
		if _, err := a.PutJointPlan(ctx, By, archive.JointPlan{ID: plant.Joint.ID, Person: "Mara Quill", Result: Planned(76)}, ""); err != nil {
			t.Fatal(err)
		}
		err := a.Write(ctx, func(tx *archive.Tx) error { _, err := tx.Exec(ctx, q); return err })
		Is(t, q, err, archive.Conflict)
	}
}

func testJointPlans(t *testing.T, a *archive.Archive) {
	ctx, all := t.Context(), archive.AllSites()
	p, q := NewPlant(t, a, "Kestrel Hollow"), NewPlant(t, a, "Kestrel Hollow Grain")
	_, err := a.JointPlan(ctx, all, p.Joint.ID)
	Is(t, "before one is kept", err, archive.NotFound)
	plan := archive.JointPlan{ID: p.Joint.ID, Person: "Mara Quill", PersonID: "u1", Result: Planned(76)}
	for what, wrong := range map[string]func(*archive.JointPlan){
		"no joint":      func(p *archive.JointPlan) { p.ID = "" },
		"another joint": func(p *archive.JointPlan) { p.ID = archive.NewID() },
		"nobody":        func(p *archive.JointPlan) { p.Person = "" },
		"no plan":       func(p *archive.JointPlan) { p.Result = Counted() },
		"nothing chosen": func(p *archive.JointPlan) {
			p.Result = json.RawMessage(`{"schema":"beltend.joint-plan/1","lacing":{}}`)
		},
		"no JSON": func(p *archive.JointPlan) { p.Result = json.RawMessage("{") },
	} {
		bad := plan
		wrong(&bad)
		_, err := a.PutJointPlan(ctx, By, bad, "")
		Is(t, what, err, archive.Invalid)
	}
	first, err := a.PutJointPlan(ctx, By, plan, "")
	if err != nil || first.Version != 1 || first.Site != p.Site.ID || first.Time.IsZero() {
		t.Fatalf("first: %+v, %v", first, err)
	}
	plan.Result = Planned(75)
	_, err = a.PutJointPlan(ctx, By, plan, "the belt was cut again")
	Is(t, "over one that was not seen", err, archive.Conflict)
	plan.Version = first.Version
	_, err = a.PutJointPlan(ctx, By, plan, " ")
	Is(t, "again without a reason", err, archive.Invalid)
	second, err := a.PutJointPlan(ctx, archive.Actor{ID: "u2", Name: "Bo Tern"}, plan, "the belt was cut again")
	if err != nil || second.Version != 2 {
		t.Fatalf("second: %+v, %v", second, err)
	}
	newest, err := a.JointPlan(ctx, archive.SomeSites(p.Site.ID), p.Joint.ID)
	if err != nil {
		t.Fatal(err)
	}
	same(t, "the newest", newest, second)
	r, err := newest.Decode()
	if err != nil || r.Lacing.Plan.Lead.Hooks != 75 || r.LostMM != 14.5 || len(r.Lacing.Plan.Notes) != 1 || r.Lacing.Plan.Notes[0].Value != 1000.5 {
		t.Errorf("decoded: %+v, %v", r, err)
	}
	plans, err := a.JointPlans(ctx, archive.SomeSites(p.Site.ID), p.Joint.ID)
	if err != nil || len(plans) != 2 || plans[0].Reason != "the belt was cut again" || plans[1].Reason != "" {
		t.Fatalf("all of them: %+v, %v", plans, err)
	}
	same(t, "the newest of all", plans[0].JointPlan, second)
	same(t, "the one before", plans[1].JointPlan, first)
	events, err := a.Events(ctx, archive.EventQuery{Sites: all, Subject: "joint_plan/" + p.Joint.ID})
	if err != nil || len(events) != 2 || events[0].What != "joint_plan.changed" || events[0].Name != "Bo Tern" || events[1].What != "joint_plan.added" || events[1].Site != p.Site.ID {
		t.Errorf("events: %+v, %v", events, err)
	}
	for _, sites := range []archive.Sites{{}, archive.SomeSites(q.Site.ID)} {
		_, err := a.JointPlan(ctx, sites, p.Joint.ID)
		Is(t, "from another site", err, archive.NotFound)
		if plans, err := a.JointPlans(ctx, sites, p.Joint.ID); err != nil || len(plans) != 0 {
			t.Errorf("another site sees %+v, %v", plans, err)
		}
	}
}

func testOwnTables(t *testing.T, a *archive.Archive) {
	ctx := t.Context()
	err := a.Write(ctx, func(tx *archive.Tx) error {
		if _, err := tx.Exec(ctx, "CREATE TABLE own (id TEXT PRIMARY KEY, n BIGINT NOT NULL)"); err != nil {
			return err
		}
		if n, err := tx.Exec(ctx, "INSERT INTO own (id, n) VALUES (?, ?), (?, ?)", "a", 1, "b", 2); err != nil || n != 2 {
			return fmt.Errorf("%d rows: %w", n, err)
		}
		_, err := tx.Event(ctx, By, "own.added", "", "own/a", "", nil)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	err = a.Read(ctx, func(tx *archive.Tx) error {
		var n int64
		if err := tx.Row(ctx, []any{&n}, "SELECT n FROM own WHERE id = ?", "b"); err != nil || n != 2 {
			return fmt.Errorf("n = %d: %w", n, err)
		}
		Is(t, "no row", tx.Row(ctx, []any{&n}, "SELECT n FROM own WHERE id = ?", "c"), archive.NotFound)
		return nil
	})
	if err != nil {
		t.Error(err)
	}
}

func testRounds(t *testing.T, a *archive.Archive) {
	ctx := t.Context()
	p := NewPlant(t, a, "Kestrel Hollow quarry")
	began := time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)
	here, err := a.AddRound(ctx, By, archive.Round{Site: p.Site.ID, Person: "Ines", Seed: 7, Questions: 2, Started: began})
	if err != nil {
		t.Fatal(err)
	}
	nowhere, err := a.AddRound(ctx, By, archive.Round{Person: "Ole", Seed: 8, Questions: 1, Started: began.Add(time.Hour)})
	if err != nil {
		t.Fatal(err)
	}
	Is(t, "the same round twice", second(a.AddRound(ctx, By, here)), archive.Conflict)
	Is(t, "a site that is not there", second(a.AddRound(ctx, By, archive.Round{Site: archive.NewID(), Person: "Ines", Questions: 1})), archive.Invalid)
	answer := func(round string, n int) error {
		return second(a.AddRoundAnswer(ctx, By, archive.RoundAnswer{Round: round, Number: n, Time: began, Answer: json.RawMessage(`{"n": 1.50}`)}))
	}
	Is(t, "not the next question", answer(here.ID, 2), archive.Conflict)
	for n := 1; n <= 2; n++ {
		if err := answer(here.ID, n); err != nil {
			t.Fatal(err)
		}
	}
	Is(t, "the same question twice", answer(here.ID, 2), archive.Conflict)
	Is(t, "beyond the last question", answer(here.ID, 3), archive.Conflict)
	Is(t, "no such round", answer(archive.NewID(), 1), archive.Invalid)
	seed := int64(7)
	for _, c := range []struct {
		what string
		q    archive.RoundQuery
		want []string
	}{
		{"all, the newest first", archive.RoundQuery{Sites: archive.AllSites()}, []string{nowhere.ID, here.ID}},
		{"of the site", archive.RoundQuery{Sites: archive.SomeSites(p.Site.ID)}, []string{here.ID}},
		{"of another site", archive.RoundQuery{Sites: archive.SomeSites(archive.NewID())}, nil},
		{"of no site", archive.RoundQuery{}, nil},
		{"one", archive.RoundQuery{Sites: archive.AllSites(), ID: here.ID}, []string{here.ID}},
		{"of a seed", archive.RoundQuery{Sites: archive.AllSites(), Seed: &seed}, []string{here.ID}},
		{"the newest one", archive.RoundQuery{Sites: archive.AllSites(), Limit: 1}, []string{nowhere.ID}},
	} {
		rounds, answers, err := a.Rounds(ctx, c.q)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, r := range rounds {
			got = append(got, r.ID)
			if want := map[string]int{here.ID: 2, nowhere.ID: 0}[r.ID]; len(answers[r.ID]) != want {
				t.Errorf("%s: %d answers, want %d", c.what, len(answers[r.ID]), want)
			}
		}
		same(t, c.what, got, c.want)
	}
	events, err := a.Events(ctx, archive.EventQuery{Sites: archive.SomeSites(p.Site.ID), What: "round_answer.added"})
	if err != nil || len(events) != 2 {
		t.Errorf("%d events of answers, %v", len(events), err)
	}
}
