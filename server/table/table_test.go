package table

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"beltend/server/archive"
	"beltend/server/archive/conformance"
)

// Texts that table programs would run; as OWASP's page on CSV injection lists
// how they begin.
var formulas = []string{"=1+1", "+1", "-1", "@SUM(1)", "\t=1", "\r=1", "\n=1", "＝1", "＠x"}

func TestTextsAreNoFormulas(t *testing.T) {
	for _, f := range formulas {
		if got := Harmless(f); got != "'"+f {
			t.Errorf("%q becomes %q", f, got)
		}
	}
	for _, plain := range []string{"", "a=b", "Körner-Silo", "1.5", "'x"} {
		if got := Harmless(plain); got != plain {
			t.Errorf("%q becomes %q", plain, got)
		}
	}
}

type row struct {
	text string
	n    *float64
	at   time.Time
	yes  bool
	i    int
}

func TestBothFormatsSayTheSame(t *testing.T) {
	columns := []Column[row]{
		{"text", "", func(r *row) any { return r.text }},
		{"n", "", func(r *row) any { return r.n }},
		{"at", "", func(r *row) any { return r.at }},
		{"yes", "", func(r *row) any { return r.yes }},
		{"i", "", func(r *row) any { return r.i }},
	}
	n := -1.25
	at := time.Date(2026, 3, 31, 6, 0, 0, 500_000, time.FixedZone("x", 7200))
	rows := []row{{"=a, \"b\"\nc", &n, at, true, -3}, {}}
	write := func(f Format) string {
		var b bytes.Buffer
		w, err := NewWriter(&b, f, columns)
		if err != nil {
			t.Fatal(err)
		}
		for i := range rows {
			if err := w.Row(&rows[i]); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.Flush(); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	want := "text,n,at,yes,i\n\"'=a, \"\"b\"\"\nc\",-1.25,2026-03-31T04:00:00.0005Z,true,-3\n,,,false,0\n"
	if got := write(CSV); got != want {
		t.Errorf("CSV:\n%q\nwant\n%q", got, want)
	}
	if got := write(SheetCSV); got != "\ufeff"+want {
		t.Errorf("for table programs: %q", got)
	}
	want = `{"text":"=a, \"b\"\nc","n":-1.25,"at":"2026-03-31T04:00:00.0005Z","yes":true,"i":-3}` + "\n" + `{"text":"","n":null,"at":null,"yes":false,"i":0}` + "\n"
	if got := write(JSONL); got != want {
		t.Errorf("JSON lines:\n%s\nwant\n%s", got, want)
	}
}

func TestColumnsAreNamedOnceAndExplained(t *testing.T) {
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	check := func(list string, names, means []string) {
		if sorted := slices.Sorted(slices.Values(names)); len(slices.Compact(sorted)) != len(names) {
			t.Errorf("%s: a column stands twice", list)
		}
		for i, name := range names {
			if means[i] == "" || !strings.Contains(string(readme), "`"+name+"`") {
				t.Errorf("%s: column %s is not explained here (%q) and in README.md", list, name, means[i])
			}
		}
	}
	var names, means []string
	for _, c := range Measurements {
		names, means = append(names, c.Name), append(means, c.Means)
	}
	check("measurements", names, means)
	names, means = nil, nil
	for _, c := range Joints {
		names, means = append(names, c.Name), append(means, c.Means)
	}
	check("joints", names, means)
}

func records(t *testing.T, text string) []map[string]string {
	t.Helper()
	rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil || len(rows) == 0 {
		t.Fatalf("%v in %q", err, text)
	}
	var out []map[string]string
	for _, r := range rows[1:] {
		m := map[string]string{}
		for i, v := range r {
			m[rows[0][i]] = v
		}
		out = append(out, m)
	}
	return out
}

// The truth is what was put in; the lists must say just that, and only of the
// sites asked for.
func TestListsHoldWhatWasFound(t *testing.T) {
	ctx := t.Context()
	a, err := archive.Open(ctx, archive.Address{Folder: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Close() })
	p, other := conformance.NewPlant(t, a, "=Kestrel Hollow"), conformance.NewPlant(t, a, "Other")
	conformance.Measured(t, a, other, nil)
	const n = 3*perPage/2 + 7 // more than a page
	at := time.Date(2026, 3, 31, 6, 0, 0, 0, time.UTC)
	offsets := map[string]float64{}
	photo := conformance.AddPhoto(t, a, p, "one for all")
	for i := range n {
		mm := float64(i%11) - 5
		m := conformance.Measured(t, a, p, func(m *archive.Measurement) {
			m.Time, m.Result, m.Note = at.Add(time.Duration(i)*time.Minute), conformance.Offset(mm, 0.4, 2), formulas[i%len(formulas)]
			m.Files = []archive.File{{SHA256: photo.SHA256, Role: archive.RolePhoto}}
			if m.Note[0] == '\r' || m.Note[0] == '\n' { // which encoding/csv reads as one line end
				m.Note = "plain"
			}
			m.End = []string{archive.Leading, archive.Trailing}[i%2]
		})
		offsets[m.ID] = mm
	}
	refused := conformance.Measured(t, a, p, func(m *archive.Measurement) {
		m.Time, m.Result = at.AddDate(0, 0, 10), conformance.Refused("no_card")
	})
	q := archive.Query{Sites: archive.SomeSites(p.Site.ID)}
	var b, lines bytes.Buffer
	began := 0
	if err := WriteMeasurements(ctx, a, q, &b, CSV, func() { began++ }); err != nil || began != 1 {
		t.Fatalf("%v, begun %d times", err, began)
	}
	if err := WriteMeasurements(ctx, a, q, &lines, JSONL, func() {}); err != nil {
		t.Fatal(err)
	}
	rows := records(t, b.String())
	if len(rows) != n+1 {
		t.Fatalf("%d rows, want %d", len(rows), n+1)
	}
	if r := rows[0]; r["id"] != refused.ID || r["verdict"] != "refused" || r["refusal"] != "no_card" || r["offset_mm"] != "" || r["u95_mm"] != "" {
		t.Errorf("a refusal is %v", r)
	}
	for _, r := range rows[1:] {
		mm, err := strconv.ParseFloat(r["offset_mm"], 64)
		if want, ok := offsets[r["id"]]; err != nil || !ok || mm != want {
			t.Fatalf("offset %q of %s, want %g", r["offset_mm"], r["id"], want)
		}
		if r["site"] != "'=Kestrel Hollow" || r["joint"] != p.Joint.Number || r["joint_id"] != p.Joint.ID || r["card_set"] != "C7" || r["person"] != "Mara Quill" {
			t.Fatalf("%v", r)
		}
		for name, v := range r {
			if v != "" && strings.ContainsAny(v[:1], "=+@\t\r") || strings.HasPrefix(v, "-") && name != "offset_mm" {
				t.Fatalf("column %s begins like a formula: %q", name, v)
			}
		}
	}
	for i, line := range strings.Split(strings.TrimSpace(lines.String()), "\n") {
		var m map[string]any
		if err := json.Unmarshal([]byte(line), &m); err != nil || m["id"] != rows[i]["id"] || m["site"] != "=Kestrel Hollow" || len(m) != len(Measurements) {
			t.Fatalf("line %d: %v, %v", i+1, m, err)
		}
		if mm, ok := m["offset_mm"].(float64); i > 0 && (!ok || mm != offsets[rows[i]["id"]]) {
			t.Fatalf("line %d: offset %v", i+1, m["offset_mm"])
		}
	}

	b.Reset()
	if err := WriteJoints(ctx, a, q, &b, CSV, func() {}); err != nil {
		t.Fatal(err)
	}
	joints := records(t, b.String())
	if len(joints) != 1 {
		t.Fatalf("%d joints", len(joints))
	}
	want := func(i int) string { return fmt.Sprint(float64(i%11) - 5) }
	lead, trail := n-1, n-2
	if lead%2 == 1 {
		lead, trail = trail, lead
	}
	if j := joints[0]; j["number"] != "J12" || j["measurements"] != fmt.Sprint(n+1) || j["leading_offset_mm"] != want(lead) || j["trailing_offset_mm"] != want(trail) ||
		j["last_measured"] != "2026-04-10T06:00:00Z" || j["leading_verdict"] == "refused" || j["closed"] != "false" || j["thickness_mm"] != "12" {
		t.Errorf("joint %v, want offsets %s and %s", j, want(lead), want(trail))
	}

	// the plan kept with it, empty until then
	if j := joints[0]; j["fastener"] != "" || j["plan_time"] != "" || j["takeup_left_mm"] != "" {
		t.Errorf("a joint without a plan: %v", j)
	}
	planned, err := a.PutJointPlan(ctx, conformance.By, archive.JointPlan{ID: p.Joint.ID, Person: "Mara Quill", Result: json.RawMessage(`{"schema":"beltend.joint-plan/1","belt_lost_mm":50,"belt_lost_u95_mm":0.3,
		"takeup":{"travel_mm":100,"margin_mm":-5,"outcome":"insert"},"lacing":{"plan":{"fastener":{"name":"=KH 30","pitch_mm":9,"wire_mm":1.8},"pin":{"length_mm":799},
		"leading":{"hooks":88,"margin_left_mm":7.75},"trailing":{"hooks":87,"margin_left_mm":11.6}}}}`)}, "")
	if err != nil {
		t.Fatal(err)
	}
	b.Reset()
	lines.Reset()
	if err := errors.Join(WriteJoints(ctx, a, q, &b, CSV, func() {}), WriteJoints(ctx, a, q, &lines, JSONL, func() {})); err != nil {
		t.Fatal(err)
	}
	j := records(t, b.String())[0]
	for name, want := range map[string]string{"fastener": "'=KH 30", "fastener_pitch_mm": "9", "fastener_wire_mm": "1.8", "leading_hooks": "88", "trailing_hooks": "87", "leading_margin_mm": "7.75",
		"trailing_margin_mm": "11.6", "pin_mm": "799", "belt_lost_mm": "50", "belt_lost_u95_mm": "0.3", "takeup_travel_mm": "100", "takeup_left_mm": "-5", "takeup_outcome": "insert",
		"plan_person": "Mara Quill", "plan_time": planned.Time.Format(time.RFC3339Nano), "number": "J12"} {
		if j[name] != want {
			t.Errorf("%s: %q, want %q", name, j[name], want)
		}
	}
	if !strings.Contains(lines.String(), `"fastener":"=KH 30"`) || !strings.Contains(lines.String(), `"takeup_left_mm":-5`) {
		t.Errorf("JSON lines: %s", lines.String())
	}

	b.Reset()
	if err := WriteMeasurements(ctx, a, archive.Query{Sites: archive.SomeSites()}, &b, CSV, func() {}); err != nil || len(records(t, b.String())) != 0 {
		t.Errorf("nobody's list: %v, %q", err, b.String())
	}
	began = 0
	if err := WriteMeasurements(ctx, a, archive.Query{Sites: archive.AllSites(), Verdict: "fine"}, &b, CSV, func() { began++ }); !errors.Is(err, archive.Invalid) || began != 0 {
		t.Errorf("a wrong search: %v, begun %d times", err, began)
	}
}

func TestATableThatWasCutShortSaysSo(t *testing.T) {
	for _, f := range []Format{CSV, JSONL} {
		var b bytes.Buffer
		w, err := NewWriter(&b, f, []Column[row]{{"i", "", func(r *row) any { return r.i }}, {"yes", "", func(r *row) any { return r.yes }}})
		if err != nil {
			t.Fatal(err)
		}
		if err := ended(w, errors.New("the database is gone")); err == nil || !strings.Contains(b.String(), "INCOMPLETE") {
			t.Errorf("%s: %v, %q", f, err, b.String())
		}
	}
}
