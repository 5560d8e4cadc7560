package conformance

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"beltend/server/archive"
	"beltend/server/result"
)

// SignOff keeps a sign-off by this person.
func SignOff(t testing.TB, a *archive.Archive, m archive.Measurement, outcome, person string) {
	t.Helper()
	_, err := a.AddReview(t.Context(), By, archive.Review{Measurement: m.ID, Outcome: outcome, Person: person, PersonID: person, Reason: "r", ConcessionBy: "plant manager"})
	if err != nil {
		t.Fatal(err)
	}
}

func testRetention(t *testing.T, a *archive.Archive) {
	ctx, all := t.Context(), archive.AllSites()
	p, q := NewPlant(t, a, "Kestrel Hollow"), NewPlant(t, a, "Kestrel Hollow Grain")
	q.Site.TwoSign = true
	var err error
	if q.Site, err = a.PutSite(ctx, By, q.Site, ""); err != nil {
		t.Fatal(err)
	}
	what := map[string]string{} // name of each photo, by its hash
	photo := func(p Plant, name string) []archive.File {
		ph := AddPhoto(t, a, p, name)
		what[ph.SHA256] = name
		return []archive.File{{SHA256: ph.SHA256, Role: archive.RolePhoto}}
	}
	joints := 0
	joint := func(p Plant) Plant {
		joints++
		if p.Joint, err = a.PutJoint(ctx, By, archive.Joint{Belt: p.Belt.ID, Number: fmt.Sprint("K", joints)}, ""); err != nil {
			t.Fatal(err)
		}
		return p
	}
	measured := func(p Plant, name string, change func(*archive.Measurement)) archive.Measurement {
		return Measured(t, a, p, func(m *archive.Measurement) {
			if change != nil {
				change(m)
			}
			if m.Files == nil {
				m.Files = photo(p, name)
			}
		})
	}
	trailing := func(m *archive.Measurement) { m.End = archive.Trailing }
	off := func(m *archive.Measurement) { m.Result = Offset(9, 0.5, 2) }
	refusal := func(m *archive.Measurement) { m.Result = Refused("no_card") }

	j := joint(p)
	accepted := measured(j, "accepted", nil)
	SignOff(t, a, accepted, archive.Accepted, "Rev A")
	measured(j, "", func(m *archive.Measurement) { m.Files, m.Beside = accepted.Files, accepted.ID })
	SignOff(t, a, measured(j, "conceded", func(m *archive.Measurement) { trailing(m); off(m) }), archive.Concession, "Rev A")
	measured(j, "refused beside accepted", refusal)

	measured(joint(p), "unsigned", nil)

	j = joint(p)
	half := measured(j, "accepted beside unsigned", nil)
	SignOff(t, a, half, archive.Accepted, "Rev A")
	measured(j, "unsigned beside accepted", trailing)

	j = joint(p)
	SignOff(t, a, measured(j, "sent back, then cut again", off), archive.SentBack, "Rev A")
	SignOff(t, a, measured(j, "cut again", nil), archive.Accepted, "Rev A")

	j = joint(p)
	SignOff(t, a, measured(j, "accepted at one end", nil), archive.Accepted, "Rev A")
	SignOff(t, a, measured(j, "sent back at the other", func(m *archive.Measurement) { trailing(m); off(m) }), archive.SentBack, "Rev A")

	j = joint(q)
	SignOff(t, a, measured(j, "one of two signatures", nil), archive.Accepted, "Rev A")
	j = joint(q)
	two := measured(j, "two signatures", nil)
	SignOff(t, a, two, archive.Accepted, "Rev A")
	SignOff(t, a, two, archive.Accepted, "Rev B")

	j = joint(p)
	first := measured(j, "made again", nil)
	SignOff(t, a, measured(j, "", func(m *archive.Measurement) { m.Files, m.Supersedes = first.Files, first.ID }), archive.Accepted, "Rev A")

	j = joint(p)
	shared := measured(j, "of a signed and an unsigned joint", nil)
	SignOff(t, a, shared, archive.Accepted, "Rev A")
	measured(joint(p), "", func(m *archive.Measurement) { m.Files = shared.Files })

	measured(joint(p), "refused, and nothing else", refusal)
	j = joint(p)
	SignOff(t, a, measured(j, "accepted after a refusal", nil), archive.Accepted, "Rev A")
	lone := measured(j, "refused", refusal)
	j = joint(p)
	measured(j, "refused beside unsigned", refusal)
	measured(j, "unsigned beside refused", nil)
	j = joint(q)
	SignOff(t, a, measured(j, "one of two signatures beside refused", nil), archive.Accepted, "Rev A")
	measured(j, "refused beside one of two signatures", refusal)
	photo(p, "never measured")

	// The same bytes at two sites: signed off at one, open at the other.
	j = joint(p)
	both := photo(p, "at two sites")
	SignOff(t, a, measured(j, "", func(m *archive.Measurement) { m.Files = both }), archive.Accepted, "Rev A")
	photo(q, "at two sites")
	open := measured(joint(q), "", func(m *archive.Measurement) { m.Files = both })

	// Finished joints: the photos that were counted and the close-ups go with the joint.
	look := func(p Plant, files []archive.File) archive.Finished {
		t.Helper()
		f, err := a.PutFinished(ctx, By, archive.Finished{Joint: p.Joint.ID, Person: "Mara Quill", Files: files, Result: Counted()}, "")
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	j = joint(p)
	SignOff(t, a, measured(j, "accepted, later finished", nil), archive.Accepted, "Rev A")
	looked := look(j, photo(p, "counted"))
	looked.Clinch = []archive.ClinchMark{{Code: "loop_round", Face: "carrying", Judgement: result.Good, By: "Mara Quill", Photo: photo(p, "close-up")[0].SHA256}}
	if looked, err = a.PutFinished(ctx, By, looked, ""); err != nil {
		t.Fatal(err)
	}
	look(joint(p), photo(p, "counted, nothing signed"))
	j = joint(p)
	SignOff(t, a, measured(j, "", func(m *archive.Measurement) { m.Files = photo(p, "accepted here, counted at an unsigned joint") }), archive.Accepted, "Rev A")
	look(joint(p), photo(p, "accepted here, counted at an unsigned joint"))

	retain := func(rules archive.Rules, dry bool) ([]string, archive.Retained) {
		t.Helper()
		var got []string
		rules.Sites = all
		sum, err := a.Retain(ctx, By, rules, dry, func(d archive.Due) { got = append(got, d.Rule+" "+what[d.SHA256]) })
		if err != nil {
			t.Fatal(err)
		}
		slices.Sort(got)
		if int(sum.Photos) != len(got) {
			t.Errorf("%d photos are told of, %d counted", len(got), sum.Photos)
		}
		return got, sum
	}
	want := func(name string, got []string, want ...string) {
		t.Helper()
		if !slices.Equal(got, want) {
			t.Errorf("%s:\n got %q\nwant %q", name, got, want)
		}
	}
	later := func(years, days int) time.Time { return time.Now().AddDate(years, 0, days) }
	five, quarter := archive.Age{Years: 5}, archive.Age{Days: 90}
	signed := []string{"signed_off accepted", "signed_off accepted after a refusal", "signed_off accepted, later finished", "signed_off at two sites", "signed_off close-up", "signed_off conceded", "signed_off counted", "signed_off cut again", "signed_off made again",
		"signed_off refused", "signed_off refused beside accepted", "signed_off sent back, then cut again", "signed_off two signatures"}

	got, _ := retain(archive.Rules{SignedOff: five, At: later(5, -1)}, false)
	want("younger than the rule", got)
	got, _ = retain(archive.Rules{Refused: quarter, At: later(0, 89)}, false)
	want("refusals younger than the rule", got)
	before, err := a.Head(ctx)
	if err != nil {
		t.Fatal(err)
	}
	got, sum := retain(archive.Rules{SignedOff: five, At: later(5, 1)}, true)
	want("signed off, only looked at", got, signed...)
	if sum.Waiting != 10 {
		t.Errorf("%d joints wait for a sign-off, want 10", sum.Waiting)
	}
	if head, err := a.Head(ctx); err != nil || head != before {
		t.Errorf("looking wrote events: %v, %v", head, err)
	}
	got, _ = retain(archive.Rules{Refused: quarter, At: later(0, 91)}, false)
	want("refusals", got, "refused refused", "refused refused beside accepted")
	got, _ = retain(archive.Rules{SignedOff: five, Refused: quarter, At: later(5, 1)}, false)
	signed = slices.DeleteFunc(signed, func(s string) bool { return strings.HasPrefix(s, "signed_off refused") })
	want("signed off", got, signed...)
	got, _ = retain(archive.Rules{SignedOff: five, Refused: quarter, At: later(50, 0)}, false)
	want("once more", got)
	_, err = a.Retain(ctx, By, archive.Rules{Sites: all}, false, nil)
	Is(t, "no rule", err, archive.Invalid)

	// What was measured stays; the bytes are gone, and that is known.
	_, _, err = a.ReadPhoto(ctx, all, two.Files[0].SHA256)
	Is(t, "a photo that was removed", err, archive.Removed)
	if f, err := a.Measurement(ctx, all, two.ID); err != nil || f.PhotosRemoved != 1 || f.Review != archive.Accepted {
		t.Errorf("the measurement of a removed photo: %+v, %v", f, err)
	}
	if f, err := a.Measurement(ctx, all, half.ID); err != nil || f.PhotosRemoved != 0 {
		t.Errorf("a measurement that is kept: %+v, %v", f, err)
	}
	for name, sites := range map[string]archive.Sites{"the site that keeps it": archive.SomeSites(q.Site.ID), "both sites": all} {
		if _, _, err := a.ReadPhoto(ctx, sites, open.Files[0].SHA256); err != nil {
			t.Errorf("a photo of two sites, seen from %s: %v", name, err)
		}
	}
	_, _, err = a.ReadPhoto(ctx, archive.SomeSites(p.Site.ID), open.Files[0].SHA256)
	Is(t, "a photo of two sites, seen from that which let it go", err, archive.Removed)
	if all, err := a.FinishedOf(ctx, all, looked.Joint); err != nil || len(all) != 1 || all[0].PhotosRemoved != 2 {
		t.Errorf("the look whose photos are removed: %+v, %v", all, err)
	}
	looked.Clinch = append(looked.Clinch, archive.ClinchMark{Code: "wire_sunk", Face: "carrying", Judgement: result.NotSeen, By: "Rev A"})
	if _, err := a.PutFinished(ctx, By, looked, ""); err != nil {
		t.Errorf("a judgement on a look whose photos are removed: %v", err)
	}
	looked.ID, looked.Version = "", 0
	_, err = a.PutFinished(ctx, By, looked, "")
	Is(t, "a look at photos that are gone", err, archive.Invalid)
	again := archive.Measurement{Joint: two.Joint, End: archive.Leading, Step: archive.StepCut, Person: "Mara Quill", Files: two.Files, Result: Offset(1, 0.4, 2)}
	_, err = a.AddMeasurement(ctx, By, again, "")
	Is(t, "a measurement of a photo that is gone", err, archive.Invalid)
	report, err := a.Verify(ctx, archive.VerifyOptions{})
	if err != nil || len(report.Problems) != 0 || report.Removed != 12 || report.Leftover != 0 {
		t.Errorf("verify: %+v, %v", report, err)
	}
	events, err := a.Events(ctx, archive.EventQuery{Sites: all, What: "photo.removed", Limit: 100})
	if err != nil || len(events) != 13 || events[0].Name != By.Name || events[0].Payload == nil {
		t.Errorf("%d events tell of 13 removals, %v", len(events), err)
	}

	// The same photo may come in again.
	AddPhoto(t, a, q, "two signatures")
	if data, _, err := a.ReadPhoto(ctx, all, two.Files[0].SHA256); err != nil || string(data) != "two signatures" {
		t.Errorf("a photo that came back: %q, %v", data, err)
	}
	if _, err := a.AddMeasurement(ctx, By, again, ""); err != nil {
		t.Errorf("a measurement of a photo that came back: %v", err)
	}
	if f, err := a.Measurement(ctx, all, lone.ID); err != nil || f.PhotosRemoved != 1 {
		t.Errorf("another photo came back too: %+v, %v", f, err)
	}
	got, _ = retain(archive.Rules{SignedOff: five, At: later(50, 0)}, false)
	want("after it came back, with a measurement that is not signed off", got)
}
