package drawing

import (
	"bytes"
	"image"
	"image/jpeg"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"rsc.io/qr"

	"beltend/geometry/joint"
	"beltend/geometry/lacing"
	"beltend/server/report"
	"beltend/server/result"
)

func measuredAs(offset, u, tolerance float64, v result.Verdict) *result.Measurement {
	return &result.Measurement{Schema: result.Schema, Verdict: v, Line: "cut", Squareness: &result.Squareness{OffsetMM: offset, OffsetU95MM: u, ToleranceMM: tolerance},
		Width: &result.Width{AtCutMM: 894.1, AtCutU95MM: 2.8, Stations: make([]result.Station, 6)}, Cut: &result.Cut{StraightnessMM: 0.8, RMSMM: 0.2},
		Centreline: &result.Centreline{LengthMM: 1444.4}, Photos: []result.Photo{{Cards: []string{"card 4", "card 7"}, MMPerPx: 0.43, TiltDeg: 14}}, Settings: &result.Settings{},
		// by hand: the root of 0.3² + 0.4² is 0.5, and U = 1.0 is 2.00 times that
		Budget:   []result.BudgetRow{{Source: "cut", Type: "A", UMM: 0.3}, {Source: "focal length", Type: "B", UMM: 0.4}},
		Warnings: []result.Warning{{Code: "print_scale_not_measured", Message: "The print scale was not entered."}}, Program: "9.9", Method: "2"}
}

// aRecord is a joint with everything that a record can have.
func aRecord(t *testing.T) *Record {
	t.Helper()
	var photo, profile bytes.Buffer
	if err := jpeg.Encode(&photo, image.NewGray(image.Rect(0, 0, 300, 400)), nil); err != nil {
		t.Fatal(err)
	}
	if err := png.Encode(&profile, image.NewGray(image.Rect(0, 0, 400, 200))); err != nil {
		t.Fatal(err)
	}
	at := time.Date(2026, 3, 31, 9, 30, 0, 0, time.UTC)
	before, after := measuredAs(8, 0.8, 2, result.Recut), measuredAs(-0.5, 1, 2, result.Square)
	before.Recut = &result.RecutLine{LeftMM: 8, LeftU95MM: 0.8, RightU95MM: 0.5, CentreMM: 4, LengthLostMM: 8}
	pair, err := joint.Match(joint.End{Offset: -0.5, U95: 1, Width: 894.1}, joint.End{Offset: 0.1, U95: 0.9, Width: 894})
	if err != nil {
		t.Fatal(err)
	}
	plan, err := lacing.Make(hook, lacing.Wish{LeadWidth: 894.1, TrailWidth: 894, Margin: 6, Thickness: 8})
	if err != nil {
		t.Fatal(err)
	}
	// by hand: 4 + 46 mm of belt lost, half of it is 25 mm, and of 100 mm with 80 to be kept 5 are missing
	takeup, err := joint.Cutting{Recuts: 4, RecutsU95: 0.5, LeadTrim: 46, Travel: 100, Reserve: 80}.Takeup()
	if err != nil {
		t.Fatal(err)
	}
	kept := &result.JointPlan{Schema: result.JointPlanSchema, Lacing: &result.Lacing{ThicknessMM: 8, PulleyMM: 240, Plan: plan, Fits: []lacing.Fit{{Fastener: hook, Fits: true}}},
		Leading: result.PlannedEnd{RecutMM: 4, RecutU95MM: 0.5, TrimMM: 46}, LostMM: 50, LostU95MM: 0.5, Takeup: takeup}
	hooks := &result.Hooks{Schema: result.HooksSchema, Checklist: result.Clinch(), HookPlan: plan,
		Sides: []result.HookSide{{Side: "A", Hooks: 87, PitchMM: 9.02, MarginsCertain: true, Verdict: result.Square, ToleranceMM: 2}}}
	hooks.Checklist[3].Judgement, hooks.Checklist[3].By, hooks.Checklist[3].Note = result.Rework, "Bo Tern", "keyhole at 40 mm"
	show := func(m *result.Measurement, no int, step string) *Measured {
		return &Measured{Result: m, No: no, Step: step, Time: at, Person: "Bo Tern", State: "done", Cards: "set 3; read 199.4", Picture: photo.Bytes(), Profile: profile.Bytes()}
	}
	return &Record{Number: "J77-21", Issued: at, By: "Mara Quill", TwoSign: true,
		Where: []report.Row{{Label: "Site", Text: "Kestrel Hollow"}, {Label: "Belt", Text: "EP 400/3"}}, Item: []report.Row{{Label: "Travel", Text: "towards the crusher"}},
		Limit: "± 2.0 mm, site rule 7",
		Ends: [2]EndRecord{{End: "leading", Before: show(before, 1, "cut"), After: show(after, 2, "recut")},
			{End: "trailing", After: show(measuredAs(1.5, 0.9, 2, result.Undecided), 3, "cut")}},
		Pair: &result.Joint{Pair: pair},
		Plan: &Planned{Result: kept, Time: at, Person: "Mara Quill", Reason: "the take-up was read", Kept: 3},
		Look: &CountedLook{Result: hooks, Time: at, Person: "Bo Tern", Picture: photo.Bytes()},
		Made: []Made{{Time: at, End: "leading", Step: "cut", Person: "Bo Tern", Answer: "+8.0 mm", Verdict: "recut", Review: "sent_back"},
			{Time: at, End: "leading", Step: "recut", Person: "Bo Tern", Answer: "−0.5 mm", Verdict: "square", Review: "accepted"},
			{Time: at.Add(time.Hour), End: "trailing", Step: "cut", Person: "Bo Tern", Verdict: "undecided", Review: "open", Again: true, CardsDoubtful: true}},
		Signs: []Sign{{No: 1, Outcome: "sent_back", Person: "Ada Finch", Time: at, Reason: "too long on the left"},
			{No: 2, Outcome: "concession", Person: "Cy Wren", Time: at, Reason: "until the spare comes", ConcessionBy: "Dee Marsh"}},
		Photos: []KeptPhoto{{Of: "1", Name: "a.jpg", SHA256: strings.Repeat("ab12", 16), Location: "taken_out"}, {Of: "2", Name: "b.jpg", SHA256: strings.Repeat("cd34", 16), Location: "kept", Gone: true}},
		Chain:  ChainEnd{Head: "21-" + strings.Repeat("9f2c", 16), Archive: "A55", Fingerprint: "0a1b-2c3d"}}
}

// onPaper is the text of a PDF, page by page.
func onPaper(t *testing.T, b []byte) []string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "record.pdf")
	if err := os.WriteFile(file, b, 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command("pdftotext", "-layout", file, "-").Output() //nolint:gosec // our own file
	if err != nil {
		t.Skip("pdftotext:", err)
	}
	pages := strings.Split(strings.TrimSuffix(string(out), "\f"), "\f")
	for i := range pages {
		pages[i] = strings.Join(strings.Fields(pages[i]), " ")
	}
	return pages
}

// Every field of ISO/IEC 17025:2017 7.8.2.1 and 7.8.6 that a joint has stands on its
// record, in both languages, and every page says which record and which page it is.
func TestRecordOnPaper(t *testing.T) {
	for lang, wants := range map[string][]string{
		"en": {"Record of a belt joint", "by Mara Quill", "Kestrel Hollow", "EP 400/3", "towards the crusher", "2026-03-31 09:30 UTC to 2026-03-31 10:30 UTC", "beltend 9.9, method 2",
			"−0.5 mm ± 1.0 mm", "k = 2.00", "Pass: within the limit by at least U", "Fail: beyond the limit by more than U", "Conditional pass: within the limit, but by less than U", "w = U", "± 2.0 mm, site rule 7",
			"894.1 mm ± 2.8 mm", "over 1444.4 mm of belt, 6 stations", "cards 4, 7;", "set 3; read 199.4", "The print scale was not entered.", "left edge 8.0 mm back from its corner", "Before, measurement 1: Cut", "After, measurement 2: Re-cut",
			"The joint as it would run", "KH 40", "Kept 2026-03-31 09:30 UTC, Mara Quill. Plans before it that stay in the record: 2. Reason: the take-up was read", "re-cuts 4.0 mm ± 0.5 mm; cut off besides 46.0 mm",
			"belt lost 50.0 mm ± 0.5 mm", "moves by half of it, 25.0 mm", "5.0 mm missing: needs an insert piece, two joints", "KH 40: pitch 13.0 mm, wire 2.4 mm, for belts", "secure both ends", "Both ends meshed", "Take-up: 5.0 mm missing", "87 hooks", "rework, Bo Tern: keyhole at 40 mm", "not judged", "too long on the left", "Conceded by Dee Marsh", "asks for the sign-off of two persons", "Reviewed, second person", "Signature",
			"made again since", "cards found bad", strings.Repeat("ab12", 16), "taken out", "file removed by rule", "21-" + strings.Repeat("9f2c", 16), "0a1b-2c3d",
			"The results concern only the ends and the joint named here", "no accredited report", "claims no accreditation", "It never declares anything safe"},
		"de": {"Protokoll einer Gurtverbindung", "von Mara Quill", "Bestanden: um mindestens U", "Bedingt bestanden:", "−0,5 mm ± 1,0 mm", "nacharbeiten, Bo Tern", "Frühere Pläne, die im Archiv bleiben: 2.", "Grund: the take-up was read", "Nachschnitte 4,0 mm ± 0,5 mm", "5,0 mm fehlen: Es braucht ein Einsatzstück", "Tabellenzeile", "Spannweg: 5,0 mm fehlen", "Sonderfreigabe durch Dee Marsh", "kein akkreditierter Bericht", "erklärt nie etwas für sicher", "Unterschrift"},
	} {
		b, err := Paper(aRecord(t), report.Options{Lang: lang})
		if err != nil {
			t.Fatal(err)
		}
		pages := onPaper(t, b)
		all := strings.ReplaceAll(strings.Join(pages, " "), "-0", "−0")
		for _, want := range wants {
			if !strings.Contains(all, strings.ReplaceAll(want, "-0", "−0")) {
				t.Errorf("%s: %q is not on the paper:\n%s", lang, want, all)
			}
		}
		if missing := regexp.MustCompile(`\[[a-z_]+\.[a-z_0-9]+\]|%!`).FindString(all); missing != "" {
			t.Errorf("%s: the paper says %q", lang, missing)
		}
		for i, p := range pages {
			page := map[string]string{"en": "page %d of %d", "de": "Seite %d von %d"}[lang]
			page = strings.Replace(strings.Replace(page, "%d", strconv.Itoa(i+1), 1), "%d", strconv.Itoa(len(pages)), 1)
			if !strings.Contains(p, page) || !strings.Contains(p, "J77-21") {
				t.Errorf("%s: page %d does not say %q and the record's number:\n%s", lang, i+1, page, p)
			}
		}
		if n := bytes.Count(b, []byte("/Subtype /Image")); n < 2 { // one photo several times, one profile
			t.Errorf("%s: %d pictures", lang, n)
		}
	}
}

// A joint of which nothing is known yet, or whose photos were removed, has a record.
func TestRecordOfLittle(t *testing.T) {
	r := &Record{Number: "J1-3", Ends: [2]EndRecord{{End: "leading"}, {End: "trailing"}}, Chain: ChainEnd{Head: "3-" + strings.Repeat("0", 64)}}
	b, err := Paper(r, report.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if all := strings.Join(onPaper(t, b), " "); !strings.Contains(all, "not yet") || !strings.Contains(all, "Nobody has signed") || strings.Contains(all, "signed with the key") {
		t.Error(all)
	}
	r = aRecord(t)
	r.Ends[0].After.Picture, r.Look.Picture = nil, nil
	if b, err = Paper(r, report.Options{}); err != nil {
		t.Fatal(err)
	}
	if all := strings.Join(onPaper(t, b), " "); strings.Count(all, "removed by a rule of retention") != 2 {
		t.Error(all)
	}
	// the plan that the hooks were compared with is drawn again only where it is another
	drawn := func() int {
		t.Helper()
		b, err := Paper(r, report.Options{})
		if err != nil {
			t.Fatal(err)
		}
		return strings.Count(strings.Join(onPaper(t, b), " "), "Both ends meshed")
	}
	if n := drawn(); n != 1 {
		t.Errorf("the kept plan is drawn %d times", n)
	}
	other := *r.Look.Result.HookPlan
	other.Margin = 8
	if r.Look.Result.HookPlan = &other; drawn() != 2 {
		t.Error("the other plan is not drawn")
	}
	if r.Plan = nil; drawn() != 1 {
		t.Error("without a kept plan that of the count is not drawn")
	}
	r.Ends[0].Before.Picture = []byte("no picture")
	if _, err := Paper(r, report.Options{}); err == nil {
		t.Error("a broken picture is drawn")
	}
}

// The code's modules on the sheet are those of the chain's head, with four free
// modules around them (ISO/IEC 18004).
func TestCodeIsTheHead(t *testing.T) {
	head := "21-" + strings.Repeat("9f2c", 16)
	want, err := qr.Encode(head, qr.M)
	if err != nil {
		t.Fatal(err)
	}
	s := newSheet(short, long, report.Options{})
	const side = 41.0
	code(s, 10, 20, side, head)
	module := side / float64(want.Size+8)
	black := func(col, row int) bool {
		x, y := 10+module*(float64(col)+4.5), 20+module*(float64(row)+4.5)
		for _, i := range s.items {
			if a, ok := i.(shape); ok && a.pts[0].X < x && x < a.pts[2].X && a.pts[0].Y < y && y < a.pts[2].Y {
				return true
			}
		}
		return false
	}
	for row := -4; row < want.Size+4; row++ {
		for col := -4; col < want.Size+4; col++ {
			if black(col, row) != want.Black(col, row) {
				t.Fatalf("module %d, %d is not as it should be", col, row)
			}
		}
	}
}

// A line that is wrapped by the page's own font is no wider than it may be.
func TestPageWidth(t *testing.T) {
	const size = 10.0
	text := "WWWW iiii äöü ± 0.5 mm"
	sum := 0.0
	for _, r := range text {
		sum += pageWidth(string(r), size)
	}
	if w := pageWidth(text, size); w < sum-1e-9 || w > sum+1e-9 || w > textWidth(strings.Repeat("W", len(text)), size*2) {
		t.Errorf("%v, letters %v", w, sum)
	}
	if narrow, wide := pageWidth("iiii", size), pageWidth("WWWW", size); !(narrow < wide/2) {
		t.Errorf("iiii is %v wide, WWWW %v", narrow, wide)
	}
	for _, l := range wrap(strings.Repeat("WWW iii ", 40), 50, size, pageWidth) {
		if pageWidth(l, size) > 50 {
			t.Errorf("%q is %v wide", l, pageWidth(l, size))
		}
	}
}

// Who reads inches finds no millimetre in how an answer was made.
func TestRecordInInches(t *testing.T) {
	r := aRecord(t)
	b, err := Paper(r, report.Options{Inches: true})
	if err != nil {
		t.Fatal(err)
	}
	all := strings.Join(onPaper(t, b), " ")
	for _, want := range []string{"u, in", " in per px"} {
		if !strings.Contains(all, want) {
			t.Errorf("%q is not on the paper:\n%s", want, all)
		}
	}
	if strings.Contains(all, "mm per px") || strings.Contains(all, "u, mm") {
		t.Errorf("millimetres:\n%s", all)
	}
}

// A word longer than its column is broken where the column ends, and nothing of it is lost.
func TestLongNamesStayInTheirColumn(t *testing.T) {
	const name = "IMG_20260401_093012_HDR_äöü_leading-end.jpg"
	const width = 20.0
	lines := wrap("photo "+name+" kept", width, tableSize, pageWidth)
	for _, l := range lines {
		if w := pageWidth(l, tableSize); w > width {
			t.Errorf("%q is %.1f mm wide, the column %g", l, w, width)
		}
	}
	if all := strings.Join(lines, ""); !strings.Contains(strings.ReplaceAll(all, " ", ""), name) || lines[0] != "photo" {
		t.Errorf("broken into %q", lines)
	}
	if lines := wrap("im", 0.1, tableSize, pageWidth); len(lines) != 1 || lines[0] != "im" {
		t.Errorf("in no room at all: %q", lines)
	}
}

// The close-ups stand on the paper under what each was taken for and how it was judged;
// one that was removed says so.
func TestCloseUpsOnPaper(t *testing.T) {
	images := func(r *Record) int {
		t.Helper()
		b, err := Paper(r, report.Options{})
		if err != nil {
			t.Fatal(err)
		}
		return bytes.Count(b, []byte("/Subtype /Image"))
	}
	r := aRecord(t)
	without := images(r)
	var photo bytes.Buffer
	if err := jpeg.Encode(&photo, image.NewGray(image.Rect(0, 0, 300, 500)), nil); err != nil {
		t.Fatal(err)
	}
	r.Look.CloseUps = []CloseUp{{Item: 3, Picture: photo.Bytes()}, {Item: 4}}
	if n := images(r); n != without+1 {
		t.Errorf("%d pictures, without close-ups %d", n, without)
	}
	b, err := Finished(r.Look.Result, Look{CloseUps: r.Look.CloseUps}, report.Options{})
	if err != nil {
		t.Fatal(err)
	}
	all := strings.Join(onPaper(t, b), " ")
	for _, want := range []string{"keyhole? rework", "removed by a rule of retention"} {
		if !strings.Contains(all, want) {
			t.Errorf("%q is not on the paper:\n%s", want, all)
		}
	}
}
