package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"beltend/server/result"
)

const demoChart = "../../testdata/charts/kestrel-hollow.csv"

var (
	tapeArgs  = []string{"tape", "--diagonals", "1603.9,1597.7", "--up", "1250", "--set-out", "corners", "--width", "1000"}
	jointArgs = []string{"joint", "--lead-offset", "5", "--lead-u95", "0.6", "--lead-width", "1000", "--trail-offset", "-1", "--trail-u95", "0.8", "--trail-width", "1000"}
	laceArgs  = []string{"lacing", demoChart, "--lead-width", "1000", "--trail-width", "998", "--thickness", "8", "--pulley", "240"}
)

func more(args []string, extra ...string) []string {
	return append(append([]string{}, args...), extra...)
}

func TestJointUsageErrorsNameWhatIsWrong(t *testing.T) {
	dir := t.TempDir()
	bad := filepath.Join(dir, "bad.csv")
	if err := os.WriteFile(bad, []byte("name,pitch,wire,thickness_from,thickness_to,smallest_pulley,strip,hooks_per_strip,pin_allowance\nKH 1,0,2,6,9,200,312,24,20\nKH 2,13,7,6,9,200,312,24,20\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{"lacing"}, "chart"},
		{[]string{"lacing", "nowhere.csv"}, "nowhere.csv"},
		{[]string{"lacing", bad}, "line 2, column pitch"},
		{[]string{"lacing", bad}, "line 3, column wire"},
		{[]string{"lacing", demoChart}, "lead-width"},
		{[]string{"lacing", sample}, "UTF-8"},
		{more(laceArgs, "--lead-width", "100 m"), "lead-width"},
		{more(laceArgs, "--margin", "-1"), "margin"},
		{more(laceArgs, "--thickness", "0"), "thickness"},
		{more(laceArgs, "--pulley", "NaN"), "pulley"},
		{more(laceArgs, "--fastener", "KH 99"), "fastener"},
		{more(laceArgs, "--drawing", "d.png"), "drawing"},
		{more(laceArgs, "--drawing", filepath.Join(dir, "d.svg")), "fastener"}, // several fit: which one?
		{more(laceArgs, "--fastener", "KH 40", "--drawing", filepath.Join(dir, "none", "d.svg")), "drawing"},
		{more(laceArgs, "--lead", demoChart), "lead"},
		{more(laceArgs, "--units", "furlong"), "units"},
		{[]string{"joint"}, "lead-offset"},
		{[]string{"joint", "--lead", "nowhere.json"}, "nowhere.json"},
		{[]string{"joint", "--lead", dir}, "lead"},
		{more(jointArgs, "--lead-u95", "0"), "lead-u95"},
		{more(jointArgs, "--trail-width", "3"), "trail-width"},
		{more(jointArgs, "--tolerance", "-1"), "tolerance"},
		{more(jointArgs, "--travel", "-1"), "travel"},
		{more(jointArgs, "--drawing", "j"), "drawing"},
		{[]string{"tape"}, "diagonals"},
		{more(tapeArgs, "--set-out", "eye"), "set-out"},
		{more(tapeArgs, "--tape-class", "IX"), "tape-class"},
		{more(tapeArgs, "--with", "nowhere.json"), "nowhere.json"},
		{more(tapeArgs, "--with", sample), "with"},
	} {
		code, out, err := beltend(t, c.args...)
		if code != exitUsage || !strings.Contains(err, c.says) {
			t.Errorf("beltend %s: exit %d, message %q; want 2 and a message about %q", strings.Join(c.args, " "), code, err, c.says)
		}
		if out != "" && !strings.Contains(strings.Join(c.args, " "), "--drawing") {
			t.Errorf("beltend %s: %q on standard output", strings.Join(c.args, " "), out)
		}
	}
}

// The way through: tape readings of both ends, the pair from their files, the
// hook plan from the same files, the drawings.
func TestJointFromTapeToPlan(t *testing.T) {
	dir := t.TempDir()
	file := func(name string) string { return filepath.Join(dir, name) }
	for name, extra := range map[string][]string{"lead.json": {}, "trail.json": {"--diagonals", "1600,1601.5"}} {
		code, out, err := beltend(t, more(tapeArgs, append(extra, "--json")...)...)
		var m result.Measurement
		if code != 0 || json.Unmarshal([]byte(out), &m) != nil || m.Schema != result.Schema || m.Source != result.FromTape || m.Program == "" {
			t.Fatalf("exit %d, %q, %q", code, out, err)
		}
		if err := os.WriteFile(file(name), []byte(out), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	code, out, err := beltend(t, "joint", "--lead", file("lead.json"), "--trail", file("trail.json"), "--travel", "300", "--json", "--drawing", file("joint.pdf"))
	var j result.Joint
	if code != 0 || json.Unmarshal([]byte(out), &j) != nil || j.Schema != result.JointSchema || j.Pair == nil || j.Takeup == nil || j.Program == "" {
		t.Fatalf("exit %d, %q, %q", code, out, err)
	}
	// e = (1600^2 - 1601.5^2)/5000 = -0.96045 at the trailing end
	if d := j.Pair.Kink.MM - (3.96998 + 0.96045); d > 1e-4 || d < -1e-4 {
		t.Errorf("kink %g", j.Pair.Kink.MM)
	}
	code, out, err = beltend(t, "lacing", demoChart, "--lead", file("lead.json"), "--trail", file("trail.json"), "--thickness", "8", "--pulley", "240", "--fastener", "KH 40", "--json", "--drawing", file("plan.svg"))
	var l result.Lacing
	if code != 0 || json.Unmarshal([]byte(out), &l) != nil || l.Schema != result.LacingSchema || l.Plan == nil || l.Plan.Lead.Hooks != 76 || l.Program == "" {
		t.Fatalf("exit %d, %q, %q", code, out, err)
	}
	for _, name := range []string{"joint.pdf", "plan.svg"} {
		if info, err := os.Stat(file(name)); err != nil || info.Size() < 2000 {
			t.Errorf("%s: %v", name, err)
		}
	}
	if code, _, err = beltend(t, more(tapeArgs, "--with", file("trail.json"))...); code != exitUsage || !strings.Contains(err, "photos alone") {
		t.Errorf("tape combined with tape: exit %d, %q", code, err)
	}
	// as if photos had given what the tape gave at the other end
	data, e := os.ReadFile(file("trail.json"))
	if e != nil {
		t.Fatal(e)
	}
	if e := os.WriteFile(file("photo.json"), []byte(strings.Replace(string(data), `"source": "tape"`, `"source": ""`, 1)), 0o600); e != nil {
		t.Fatal(e)
	}
	code, out, err = beltend(t, more(tapeArgs, "--with", file("photo.json"))...)
	if code != 0 || !strings.Contains(strings.Join(strings.Fields(out), " "), "do NOT agree") || !strings.Contains(out, "Undecided") {
		t.Errorf("two ends combined as if they were one: exit %d, %q, %q", code, out, err)
	}
}

func TestJointTexts(t *testing.T) {
	for _, c := range []struct {
		args []string
		says []string
	}{
		{tapeArgs, []string{"Undecided: the tape readings", "+4.0 mm ± 2.0 mm", "class II", "locked out"}},
		{more(tapeArgs, "--units", "in", "--budget"), []string{"0.156 in", "diagonals as taped"}},
		{jointArgs, []string{"Re-cut: the two ends", "+6.0 mm ± 1.0 mm", "tends to the left", "not a promise", "the leading end, square", "locked out"}},
		{more(laceArgs, "--fastener", "KH 40", "--notch", "40"), []string{"76 hooks on the leading side, 75 on the trailing", "11.3 mm free", "17 hooks left over", "997.4 mm", "KH 60 does not fit", "never hammer"}},
		{laceArgs, []string{"Several fasteners fit"}},
		{more(laceArgs, "--fastener", "KH 40", "--units", "in"), []string{"7/16 in free", "39 1/4 in"}},
	} {
		code, out, err := beltend(t, c.args...)
		if code != 0 {
			t.Errorf("beltend %s: exit %d, %q", strings.Join(c.args, " "), code, err)
		}
		flat := strings.Join(strings.Fields(out), " ")
		for _, s := range c.says {
			if !strings.Contains(flat, s) {
				t.Errorf("beltend %s does not say %q:\n%s", strings.Join(c.args, " "), s, out)
			}
		}
	}
}

func TestJointRefusals(t *testing.T) {
	code, out, err := beltend(t, more(laceArgs, "--thickness", "30")...)
	if code != exitRefused || !strings.Contains(err, "no_fastener_fits") || !strings.Contains(out, "too thick") {
		t.Errorf("exit %d, %q, %q", code, out, err)
	}
	var l result.Lacing
	code, out, _ = beltend(t, more(laceArgs, "--thickness", "30", "--json")...)
	if code != exitRefused || json.Unmarshal([]byte(out), &l) != nil || l.Refused == nil || len(l.Fits) != 6 {
		t.Errorf("exit %d, %q", code, out)
	}
	code, out, err = beltend(t, more(tapeArgs, "--diagonals", "1650,1597.7")...)
	if code != exitRefused || out != "" || !strings.Contains(err, "tape_disagrees") {
		t.Errorf("exit %d, %q, %q", code, out, err)
	}
	var m result.Measurement
	code, out, _ = beltend(t, more(tapeArgs, "--diagonals", "1650,1597.7", "--json")...)
	if code != exitRefused || json.Unmarshal([]byte(out), &m) != nil || m.Refused == nil || m.Refused.Code != "tape_disagrees" {
		t.Errorf("exit %d, %q", code, out)
	}
}
