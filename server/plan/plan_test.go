package plan

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"beltend/geometry"
	"beltend/geometry/joint"
	"beltend/geometry/lacing"
	"beltend/geometry/square"
	"beltend/server/chart"
	"beltend/server/report"
	"beltend/server/result"
)

// said holds a wrong entry against the catalogue: in every language there is a sentence
// with all its values, in English with the figures that were said.
func said(t *testing.T, err error) {
	t.Helper()
	var wrong *geometry.WrongValue
	if !errors.As(err, &wrong) || wrong.Range != nil { // ranges have a sentence of their own
		return
	}
	en := report.WrongText(wrong.Code, wrong.Values, "", report.Options{})
	de := report.WrongText(wrong.Code, wrong.Values, "", report.Options{Lang: "de"})
	if en == "" || de == "" || en == de {
		t.Errorf("%v (%s): %q, %q", err, wrong.Code, en, de)
	}
	for name, v := range wrong.Values {
		if text, ok := v.(string); ok && name == "given" && !(strings.Contains(wrong.Message, text) && strings.Contains(de, text)) {
			t.Errorf("%v: %q does not say %q", err, de, text)
		}
	}
	if strings.Contains(wrong.Message, " for example ") || strings.Contains(wrong.Message, wrong.Code) {
		return // examples have a comma or a point
	}
	if a, b := figures.FindAllString(wrong.Message, -1), figures.FindAllString(en, -1); !slices.Equal(a, b) {
		t.Errorf("%v: the catalogue says %q", err, en)
	}
}

var figures = regexp.MustCompile(`[0-9.]*[0-9]`)

func texts(m map[string]string) Text { return func(name string) string { return m[name] } }

// with is m and more.
func with(m map[string]string, more ...string) Text {
	n := map[string]string{}
	for k, v := range m {
		n[k] = v
	}
	for i := 0; i < len(more); i += 2 {
		n[more[i]] = more[i+1]
	}
	return texts(n)
}

func demo(t *testing.T) []lacing.Fastener {
	t.Helper()
	data, err := os.ReadFile("../../testdata/charts/kestrel-hollow.csv")
	if err != nil {
		t.Fatal(err)
	}
	rows, err := chart.Read(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

func near(t *testing.T, what string, got, want, by float64) {
	t.Helper()
	if !(math.Abs(got-want) <= by) {
		t.Errorf("%s: %.6f, should be %.6f", what, got, want)
	}
}

func photo(offset, u95, width float64) *result.Measurement {
	return &result.Measurement{Schema: result.Schema, Line: "cut", Method: "1", Verdict: result.Undecided,
		Squareness: &result.Squareness{OffsetMM: offset, OffsetU95MM: u95, ToleranceMM: 2 * width / 1000},
		Width:      &result.Width{AtCutMM: width, AtCutU95MM: 0.8, MeanMM: width, MeanU95MM: 0.8},
		Cut:        &result.Cut{Profile: [][2]float64{{-width / 2, 0}, {0, 0.5}, {width / 2, 0}}},
		Recut:      &result.RecutLine{}, Warnings: []result.Warning{}}
}

var belt = map[string]string{LeadWidth: "1000", TrailWidth: "998", Thickness: "8", Pulley: "240"}

// The joint worked by hand in package lacing, from texts; and the same belt
// typed in inches.
func TestLacing(t *testing.T) {
	r, err := Lacing(demo(t), with(belt, Fastener, "kh 40", JointThickness, "7"), nil, nil)
	if err != nil || r.Plan == nil {
		t.Fatal(r, err)
	}
	if r.Schema != result.LacingSchema || r.Plan.Lead.Hooks != 76 || r.Plan.Trail.Hooks != 75 || r.ThicknessMM != 7 || len(r.Fits) != 6 {
		t.Errorf("%+v", r)
	}
	inches := with(belt, LeadWidth, "39.37007874 in", TrailWidth, "39.29133858in", Thickness, "0.31496063 in", Pulley, "0.24 m", Fastener, "KH 40", JointThickness, "7 mm")
	q, err := Lacing(demo(t), inches, nil, nil)
	if err != nil || q.Plan.Lead.Hooks != 76 || math.Abs(q.Plan.Lead.MarginLeft-r.Plan.Lead.MarginLeft) > 1e-5 {
		t.Errorf("in inches: %+v, %v", q, err)
	}
	// from measurements: widths, their uncertainties and the target come along
	lead, trail := photo(0, 0.5, 1000), photo(0, 0.5, 998)
	lead.Settings = &result.Settings{ThicknessMM: 8}
	m, err := Lacing(demo(t), texts(map[string]string{Pulley: "240", Fastener: "KH 40"}), lead, trail)
	if err != nil || m.Plan.Lead.Hooks != 76 || m.Plan.Lead.MarginU95 != 0.4 {
		t.Errorf("from measurements: %+v, %v", m, err)
	}
}

func TestLacingChooses(t *testing.T) {
	// 8 mm and 240 mm fit KH 40 and the inch row: a choice, no plan
	r, err := Lacing(demo(t), texts(belt), nil, nil)
	if err != nil || r.Plan != nil || !strings.Contains(r.Advice, "KH 40, KH 40 inch") {
		t.Errorf("%+v, %v", r, err)
	}
	// 13 mm fits one only
	r, err = Lacing(demo(t), with(belt, Thickness, "13", Pulley, "500"), nil, nil)
	if err != nil || r.Plan == nil || r.Plan.Fastener.Name != "KH 60" {
		t.Errorf("%+v, %v", r, err)
	}
	var refused *result.Refusal
	r, err = Lacing(demo(t), with(belt, Thickness, "20"), nil, nil)
	if !errors.As(err, &refused) || refused.Code != "no_fastener_fits" || r.Refused != refused || len(r.Fits) != 6 {
		t.Errorf("%+v, %v", r, err)
	}
	r, err = Lacing(demo(t), with(belt, Fastener, "KH 60"), nil, nil)
	if !errors.As(err, &refused) || refused.Code != "fastener_does_not_fit" || !strings.Contains(refused.Advice, "KH 40") || r.Plan != nil {
		t.Errorf("%+v, %v", r, err)
	}
	// near the limits: warned of
	r, err = Lacing(demo(t), with(belt, Thickness, "8.9", Pulley, "205", Fastener, "KH 40"), nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, code := range []string{lacing.NearThickest, lacing.NearestPulley, lacing.NoteNotchSize} {
		if !slices.ContainsFunc(r.Warnings, func(w result.Warning) bool { return w.Code == code && strings.Contains(w.Message, " ") }) {
			t.Errorf("no warning %s in %+v", code, r.Warnings)
		}
	}
}

func TestWrongLacingNamesTheSetting(t *testing.T) {
	for _, c := range []struct {
		setting, text string
	}{
		{LeadWidth, ""}, {LeadWidth, "wide"}, {LeadWidth, "100 m"}, {LeadWidth, "NaN"}, {LeadWidth, "-5"}, {TrailWidth, "0"},
		{Thickness, "0"}, {Thickness, "x"}, {Thickness, ""}, {Pulley, ""}, {Pulley, "0"}, {Pulley, "inf"}, {Margin, "-1"}, {Margin, "500"},
		{Bias, "steep"}, {Bias, "80"}, {Bias, "10 mm"}, {Machine, "0"}, {Machine, "5"}, {Notch, "0"}, {Notch, "-3"}, {JointThickness, "9"}, {JointThickness, "0"}, {Fastener, "KH 99"},
	} {
		_, err := Lacing(demo(t), with(belt, Fastener, "KH 40", c.setting, c.text), nil, nil)
		var wrong *geometry.WrongValue
		if !errors.As(err, &wrong) || wrong.Name != c.setting {
			t.Errorf("%s %q: %v", c.setting, c.text, err)
		}
		said(t, err)
	}
	_, err := Lacing(demo(t), texts(belt), photo(0, 1, 1000), nil)
	var wrong *geometry.WrongValue
	if !errors.As(err, &wrong) || wrong.Name != LeadWidth {
		t.Errorf("width twice: %v", err)
	}
	other := photo(0, 1, 1000)
	other.Squareness.TargetDeg = 10
	if _, err := Lacing(demo(t), texts(map[string]string{Thickness: "8", Pulley: "240"}), photo(0, 1, 1000), other); !errors.As(err, &wrong) || wrong.Name != Bias {
		t.Errorf("two angles: %v", err)
	}
	said(t, wrong)
}

var pair = map[string]string{"lead-offset": "5", "lead-u95": "0.6", "lead-width": "1000", "trail-offset": "-1", "trail-u95": "0.8", "trail-width": "1000"}

// The pair worked by hand in package joint, from texts, and with the take-up:
// 2.5 mm re-cut, 150 and 180 trimmed, 332.5 lost, 166.25 moved, of 400 with 200
// kept 33.75 left; U of 2.5 is 0.6/2, so of the margin 0.15.
func TestJoint(t *testing.T) {
	r, err := Joint(with(pair, "lead-trim", "150", "trail-trim", "180", Travel, "400", Reserve, "200"), nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "kink", r.Pair.Kink.MM, 6, 1e-9)
	near(t, "lost", r.Takeup.Lost, 332.5, 1e-9)
	near(t, "left", r.Takeup.Left, 33.75, 1e-9)
	near(t, "U", r.Takeup.LeftU95, 0.15, 1e-9)
	if r.Schema != result.JointSchema || r.Pair.Verdict != square.MustRecut || r.Takeup.Outcome != joint.Enough {
		t.Errorf("%+v", r)
	}
	// undecided: counted as if both ends lost half their offset, (3 + 1)/2
	u, err := Joint(with(pair, "lead-offset", "3", "lead-u95", "2", Travel, "100"), nil, nil)
	if err != nil || u.Pair.Verdict != square.Undecided || math.Abs(u.Takeup.Lost-2) > 1e-9 || u.Warnings[len(u.Warnings)-1].Code != "takeup_with_recut" {
		t.Errorf("%+v, %v", u, err)
	}
	// both ends measured from the pulley side: everything mirrored
	q, err := Joint(with(pair, "lead-face", "pulley", "trail-face", "pulley"), nil, nil)
	if err != nil || math.Abs(q.Pair.Kink.MM+6) > 1e-9 || q.Pair.Tendency.Side != "right" || q.Takeup != nil {
		t.Errorf("%+v, %v", q, err)
	}
	// one end typed, one measured; the site's tolerance for both. Ends that fit are not cut
	// again: the measurement's trim is not lost
	lead := photo(5, 0.6, 1000)
	lead.Recut.TrimMM = 12
	one := map[string]string{"trail-offset": "-1", "trail-u95": "0.8", "trail-width": "1000", Tolerance: "5", Travel: "100"}
	if q, err = Joint(texts(one), lead, nil); err != nil || math.Abs(q.Pair.Kink.Tolerance-10) > 1e-9 || q.Pair.Verdict != square.Square || q.Takeup.Lost != 0 {
		t.Errorf("%+v, %v", q, err)
	}
	// the measured end is cut again: 2.5 mm less the 0.5 mm by which its
	// middle lies back already, and its trim of 12; the other end's trim stays
	// on, unless somebody types one
	trail := photo(-1, 0.8, 1000)
	trail.Recut.TrimMM = 30
	if q, err = Joint(texts(map[string]string{Tolerance: "2", Travel: "100"}), lead, trail); err != nil || math.Abs(q.Takeup.Lost-14) > 1e-9 {
		t.Errorf("%+v, %v", q.Takeup, err)
	}
	if q, err = Joint(texts(map[string]string{Tolerance: "2", Travel: "100", "lead-trim": "0", "trail-trim": "7"}), lead, trail); err != nil || math.Abs(q.Takeup.Lost-9) > 1e-9 {
		t.Errorf("%+v, %v", q.Takeup, err)
	}
	lead.Line = "drawn"
	if q, err = Joint(texts(one), lead, nil); err != nil || len(q.Warnings) == 0 || q.Warnings[0].Code != "drawn_line" {
		t.Errorf("%+v, %v", q, err)
	}
}

// What a pair warns of, and nothing twice: each end says how it was measured, then the
// figures: widths of 1000 and 1010 mm are 10 mm apart, above the 3 mm that are told.
// What an undecided pair is advised goes by how the end with the larger uncertainty was
// measured: a photo settles nothing where nobody can take one.
func TestAdviceGoesByHowAnEndWasMeasured(t *testing.T) {
	for _, c := range []struct {
		lead, trail       string
		leadU95, trailU95 float64
		want, never       string
	}{
		{"", "", 1, 3, "another photo", "marks"},
		{result.FromTape, result.FromTape, 3, 1, "set the marks out anew", "another photo"},
		{"", result.FromTape, 1, 3, "set the marks out anew", "another photo"},
		{"", result.FromTape, 3, 1, "another photo", "marks"},
		{result.FromBoth, "", 3, 1, "a photo with a second card, and the diagonals", "another photo"},
	} {
		lead, trail := photo(3.5, c.leadU95, 1000), photo(0, c.trailU95, 1000)
		lead.Source, trail.Source = c.lead, c.trail
		r, err := Joint(texts(nil), lead, trail)
		if err != nil || r.Pair.Verdict != square.Undecided {
			t.Fatal(r, err)
		}
		if !strings.Contains(r.Advice, c.want) || strings.Contains(r.Advice, c.never) {
			t.Errorf("%q ± %g and %q ± %g: %s", c.lead, c.leadU95, c.trail, c.trailU95, r.Advice)
		}
		if de := report.JointAdvice(r, report.Options{Lang: "de"}); de == "" || de == r.Advice {
			t.Errorf("in German: %q", de)
		}
	}
}

func TestJointWarnsOfEachThingOnce(t *testing.T) {
	for _, c := range []struct {
		line, source string
		width        float64
		want         []string
	}{
		{"cut", "", 1000, nil},
		{"drawn", "", 1000, []string{"drawn_line"}},
		{"cut", result.FromTape, 1000, []string{"taped"}},
		{"cut", result.FromBoth, 1000, []string{"taped_too"}},
		{"cut", result.FromBoth, 1010, []string{"taped_too", lacing.NoteWidths}},
		{"cut", "", 1010, []string{lacing.NoteWidths}},
	} {
		lead, trail := photo(0, 0.5, c.width), photo(0, 0.5, 1000)
		lead.Line, lead.Source = c.line, c.source
		r, err := Joint(texts(nil), lead, trail)
		if err != nil {
			t.Fatal(err)
		}
		var codes, shown []string
		for _, w := range r.Warnings {
			codes = append(codes, w.Code)
			if w.Message == "" {
				t.Errorf("%+v: %s says nothing", c, w.Code)
			}
		}
		if !slices.Equal(codes, c.want) {
			t.Errorf("%+v: warns of %q", c, codes)
		}
		// a code that nobody foresaw is shown as it was said, and takes no other's place
		r.Warnings = append(r.Warnings, result.Warning{Code: "from_elsewhere", Message: "Something else."})
		for _, lang := range []string{"en", "de"} {
			shown = nil
			for _, n := range report.JointNotes(r, report.Options{Lang: lang}) {
				shown = append(shown, n.Label)
				if n.Text == "" {
					t.Errorf("%+v, %s: %s says nothing", c, lang, n.Label)
				}
			}
			slices.Sort(shown)
			if want := slices.Sorted(slices.Values(append(slices.Clone(c.want), "from_elsewhere"))); !slices.Equal(shown, want) {
				t.Errorf("%+v, %s: shows %q", c, lang, shown)
			}
		}
	}
}

func TestWrongJointNamesTheSetting(t *testing.T) {
	for _, c := range []struct{ setting, text string }{
		{"lead-offset", ""}, {"lead-offset", "x"}, {"lead-u95", "0"}, {"lead-u95", "NaN"}, {"trail-width", "100 m"}, {"trail-width", ""}, {"trail-u95", ""},
		{"lead-face", "top"}, {Tolerance, "0"}, {Tolerance, "-1"}, {"lead-trim", "-5"}, {"trail-trim", "y"}, {Travel, "-1"}, {Reserve, "x"},
	} {
		_, err := Joint(with(pair, Travel, "100", c.setting, c.text), nil, nil)
		var wrong *geometry.WrongValue
		if !errors.As(err, &wrong) || wrong.Name != c.setting {
			t.Errorf("%s %q: %v", c.setting, c.text, err)
		}
		said(t, err)
	}
	var wrong *geometry.WrongValue
	if _, err := Joint(with(pair, Reserve, "100"), nil, nil); !errors.As(err, &wrong) || wrong.Name != Travel {
		t.Error(err)
	}
	if _, err := Joint(texts(pair), photo(1, 1, 1000), nil); !errors.As(err, &wrong) || wrong.Name != "lead-offset" {
		t.Error(err)
	}
}

var taped = map[string]string{Diagonals: "1603.9,1597.7", Up: "1250", SetOut: "corners", Width: "1000"}

// The tape readings worked by hand in package square: offset 3.970, u 0.9928;
// against 2 mm undecided. The re-cut: left 3.97 back, right 0, 1.98 at the
// centre; with a hollow of 1.5 and a trim of 10 everything 11.5 more. Equal
// diagonals 1300 up: sqrt(1000^2 + 1300^2) = 1640.1.
func TestTape(t *testing.T) {
	m, err := Tape(texts(taped))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "offset", m.Squareness.OffsetMM, 3.96998, 1e-5)
	near(t, "U", m.Squareness.OffsetU95MM, 2*0.992778, 1e-4)
	near(t, "left", m.Recut.LeftMM, 3.96998, 1e-5)
	near(t, "right", m.Recut.RightMM, 0, 1e-9)
	near(t, "centre", m.Recut.CentreMM, 3.96998/2, 1e-5)
	near(t, "diagonal", m.Recut.DiagonalMM, math.Hypot(1000, 1300), 1e-9)
	if m.Schema != result.Schema || m.Source != result.FromTape || m.Verdict != result.Undecided || m.Advice == "" || len(m.Budget) != 4 || m.Tape.Class != "II" {
		t.Errorf("%+v", m)
	}
	sum := 0.0
	for _, b := range m.Budget {
		sum += b.UMM * b.UMM
	}
	near(t, "budget", 2*math.Sqrt(sum), m.Squareness.OffsetU95MM, 1e-9)
	h, err := Tape(with(taped, Hollow, "1.5", Trim, "10"))
	if err != nil || h.Cut == nil {
		t.Fatal(err)
	}
	near(t, "left with hollow and trim", h.Recut.LeftMM, 3.96998+11.5, 1e-5)
	near(t, "right with hollow and trim", h.Recut.RightMM, 11.5, 1e-9)
	near(t, "lost with hollow and trim", h.Recut.LengthLostMM, 3.96998+11.5, 1e-5)
	// the same end in inches, written to a sixty-fourth of a thousandth
	in, err := Tape(texts(map[string]string{Diagonals: "63.14566929 in;62.90157480 in", Up: "49.21259843 in", SetOut: "corners", Width: "39.37007874 in", Reading: "0.03937007874 in", Edge: "0.01968503937 in"}))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "offset in inches", in.Squareness.OffsetMM, m.Squareness.OffsetMM, 1e-5)
	near(t, "U in inches", in.Squareness.OffsetU95MM, m.Squareness.OffsetU95MM, 1e-6)
	// the result goes into JSON and back, and into a pair
	data, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	back, err := ReadMeasurement("lead", data)
	if err != nil {
		t.Fatal(err)
	}
	if r, err := Joint(texts(map[string]string{"trail-offset": "-1", "trail-u95": "0.8", "trail-width": "1000"}), back, nil); err != nil || math.Abs(r.Pair.Kink.MM-4.96998) > 1e-5 {
		t.Errorf("%+v, %v", r, err)
	}
}

// 25 mm over 10 m, bowing to the right: 0.25 %, 500 m; over the set-back of
// 1250 mm 0.39 mm; against the direction at the cut 1000*1250/(2*500012.5) =
// 1.25 mm more.
// A page's field left empty leaves no semicolon in the sentence about the rest.
func TestHalfFilledListsAreQuotedAsTyped(t *testing.T) {
	for _, c := range [][3]string{{Camber, "10;;", `"10" `}, {Camber, ";25;left", `"25;left" `}, {Diagonals, "1603.9;", `"1603.9" `}, {Diagonals, ";1597.7", `"1597.7" `}} {
		_, err := Tape(with(taped, c[0], c[1]))
		if err == nil || !strings.Contains(err.Error(), c[2]) {
			t.Errorf("%s %s: %v, want %s in it", c[0], c[1], err, c[2])
		}
	}
}

func TestTapeCamber(t *testing.T) {
	m, err := Tape(with(taped, Camber, "10000,25,right"))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "camber", m.Centreline.CamberMM, 0.390615, 1e-5)
	near(t, "radius", m.Tape.Camber.RadiusMM, 500012.5, 1e-6)
	if len(m.Findings) != 1 || m.Findings[0].Code != "camber" || !slices.ContainsFunc(m.Warnings, func(w result.Warning) bool {
		return w.Code == "camber_baseline" && strings.Contains(w.Message, "+5.2 mm")
	}) {
		t.Errorf("%+v %+v", m.Findings, m.Warnings)
	}
	left, err := Tape(with(taped, Camber, "10 m; 25; left"))
	if err != nil || left.Centreline.CamberMM != -m.Centreline.CamberMM || left.Squareness.OffsetMM != m.Squareness.OffsetMM {
		t.Errorf("%+v, %v", left.Centreline, err)
	}
}

// A diagonal misread by 10 mm does not close: no answer. One by 3.5 mm is
// doubted, and U grows.
func TestTapeMisread(t *testing.T) {
	m, err := Tape(with(taped, Diagonals, "1613.9,1597.7"))
	var refused *result.Refusal
	if !errors.As(err, &refused) || refused.Code != "tape_disagrees" || m.Refused != refused || m.Verdict != "" || m.Squareness != nil {
		t.Errorf("%+v, %v", m, err)
	}
	sound, err := Tape(texts(taped))
	if err != nil {
		t.Fatal(err)
	}
	m, err = Tape(with(taped, Diagonals, "1607.9,1597.7"))
	if err != nil || !slices.ContainsFunc(m.Warnings, func(w result.Warning) bool { return w.Code == "tape_doubtful" }) ||
		!(m.Squareness.OffsetU95MM > 2*sound.Squareness.OffsetU95MM) || math.Abs(m.Squareness.OffsetMM-sound.Squareness.OffsetMM) > m.Squareness.OffsetU95MM {
		t.Errorf("%+v %+v, %v", m.Squareness, m.Warnings, err)
	}
}

// By hand: tape 3.970 with u 0.9928, photo 3.0 with u 0.4: weights 1.01460 and
// 6.25, mean (4.02794 + 18.75)/7.26460 = 3.13547, u 0.37102.
func TestTapeWithPhoto(t *testing.T) {
	p := photo(3, 0.8, 1000.4)
	m, err := Tape(texts(taped), p)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "offset", m.Squareness.OffsetMM, 3.13547, 1e-4)
	near(t, "U", m.Squareness.OffsetU95MM, 2*0.37102, 1e-4)
	if m.Source != result.FromBoth || !m.Combined.Agree || m.Verdict != result.Recut || m.Tape == nil || len(m.Combined.Parts) != 2 || len(m.Cut.Profile) != 3 {
		t.Errorf("%+v", m)
	}
	sum := 0.0
	for _, b := range m.Budget {
		sum += b.UMM * b.UMM
	}
	near(t, "budget", 2*math.Sqrt(sum), m.Squareness.OffsetU95MM, 1e-9)
	// the re-cut keeps the shape the photo saw and takes the combined offset
	near(t, "re-cut", m.Recut.LeftMM-m.Recut.RightMM, m.Squareness.OffsetMM, 1e-9)
	if p.Squareness.OffsetMM != 3 || p.Source != "" || p.Tape != nil {
		t.Errorf("the photo's own result was changed: %+v", p)
	}
	// They differ by 5 mm: never the small U.
	p = photo(-1, 0.8, 1000.4)
	m, err = Tape(texts(taped), p)
	if err != nil || m.Combined.Agree || m.Verdict != result.Undecided {
		t.Fatalf("%+v, %v", m, err)
	}
	s := m.Squareness
	if s.OffsetMM-s.OffsetU95MM > -1.8+1e-9 || s.OffsetMM+s.OffsetU95MM < 3.96998+1.98-1e-2 {
		t.Errorf("%.2f +- %.2f does not span both", s.OffsetMM, s.OffsetU95MM)
	}
	if !slices.ContainsFunc(m.Warnings, func(w result.Warning) bool { return w.Code == "tape_and_photos_differ" }) {
		t.Errorf("%+v", m.Warnings)
	}
	// a width apart is told too
	if m, err = Tape(texts(taped), photo(3, 0.8, 1010)); err != nil || !slices.ContainsFunc(m.Warnings, func(w result.Warning) bool { return w.Code == "widths_differ" }) {
		t.Errorf("%+v, %v", m.Warnings, err)
	}
	var wrong *geometry.WrongValue
	drawn := photo(3, 0.8, 1000)
	drawn.Line = "drawn"
	line := map[string]string{Line: "drawn"}
	for k, v := range taped {
		line[k] = v
	}
	if m, err := Tape(texts(line)); err != nil || m.Line != "drawn" || m.Source != result.FromTape || AsTaped(m)[Line] != "drawn" {
		t.Errorf("a line by tape: %+v, %v", m, err)
	}
	if m, err := Tape(texts(line), drawn); err != nil || m.Line != "drawn" || m.Source != result.FromBoth {
		t.Errorf("a line by tape and photo: %+v, %v", m, err)
	}
	if _, err := Tape(texts(line), photo(3, 0.8, 1000)); !errors.As(err, &wrong) || wrong.Code != "with_cut" {
		t.Error(err)
	}
	line[Line] = "chalk"
	if _, err := Tape(texts(line)); !errors.As(err, &wrong) || wrong.Name != Line {
		t.Error(err)
	}
	if _, err := Tape(texts(taped), drawn); !errors.As(err, &wrong) || wrong.Name != With {
		t.Error(err)
	}
	if _, err := Tape(texts(taped), photo(3, 0, 1000)); !errors.As(err, &wrong) || wrong.Name != With {
		t.Error(err)
	}
}

// Honest on the whole: 10,000 random ends taped with random errors as the class
// and the reading allow; U holds the truth in at least 95 of 100 answered, and
// not far too often for its width.
func TestTapeCoverage(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(44, 1))
	flat := func(half float64) float64 { return half * (2*r.Float64() - 1) }
	answered, inside := 0, 0
	const n = 10000
	for range n {
		w, e, up := 400+1600*r.Float64(), 20*(r.Float64()-0.5), 800+1500*r.Float64()
		read := func(mm float64) string {
			b, err := json.Marshal(math.Round(mm + flat(square.TapeMPE(square.TapeII, mm, false))))
			if err != nil {
				t.Fatal(err)
			}
			return string(b)
		}
		n := func() float64 { return 0.5 * r.NormFloat64() }
		// corners where the cut's line meets the edges, each found to 0.5 mm
		l, rr := geometry.Vec2{X: -w/2 + n(), Y: -e/2 + n()}, geometry.Vec2{X: w/2 + n(), Y: e/2 + n()}
		upText := read(up)
		var u float64
		if err := json.Unmarshal([]byte(upText), &u); err != nil {
			t.Fatal(err)
		}
		ml, mr := geometry.Vec2{X: -w/2 + n(), Y: l.Y + u + flat(0.7)}, geometry.Vec2{X: w/2 + n(), Y: rr.Y + u + flat(0.7)}
		m, err := Tape(texts(map[string]string{Diagonals: read(mr.Sub(l).Norm()) + "," + read(ml.Sub(rr).Norm()), Up: upText, SetOut: "corners", Width: read(rr.X - l.X)}))
		var refused *result.Refusal
		if errors.As(err, &refused) {
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		answered++
		if math.Abs(m.Squareness.OffsetMM-e) <= m.Squareness.OffsetU95MM {
			inside++
		}
	}
	if share := float64(answered) / n; share < 0.99 {
		t.Errorf("only %.3f answered", share)
	}
	if share := float64(inside) / float64(answered); share < 0.945 || share > 0.98 {
		t.Errorf("truth inside U in %.3f", share)
	}
}

func TestWrongTapeNamesTheSetting(t *testing.T) {
	for _, c := range []struct{ setting, text string }{
		{Diagonals, ""}, {Diagonals, "1600"}, {Diagonals, "a,b"}, {Diagonals, "0,1600"}, {Diagonals, "NaN,1600"}, {Up, ""}, {Up, "0"}, {Up, "100 m"},
		{SetOut, ""}, {SetOut, "eye"}, {SetOut, "line"}, {LineU95, "1"}, {Width, "0"}, {Width, "100 m"}, {Stations, "300"}, {Stations, "300:x"}, {Stations, "-1:1000"},
		{Hollow, "-1"}, {Hollow, "x"}, {Camber, "25"}, {Camber, "10000,25,up"}, {Camber, "0,25,left"}, {Camber, "10000,-1,left"}, {TapeClass, "IV"},
		{Reading, "0"}, {Edge, "0"}, {Edge, "-1"}, {Tolerance, "0"}, {Nominal, "0"}, {Trim, "-1"}, {Target, "x"}, {Target, "89"},
	} {
		_, err := Tape(with(taped, c.setting, c.text))
		var wrong *geometry.WrongValue
		want := c.setting
		if c.text == "line" {
			want = LineU95 // what is then missing
		}
		if !errors.As(err, &wrong) || wrong.Name != want {
			t.Errorf("%s %q: %v", c.setting, c.text, err)
		}
		said(t, err)
	}
}

func TestReadMeasurementRefuses(t *testing.T) {
	for _, text := range []string{"", "x", "[]", "{}", `{"schema":"beltend.joint/1"}`, `{"schema":"beltend.measurement/1"}`,
		`{"schema":"beltend.measurement/1","refused":{"code":"no_card"}}`, `{"schema":"beltend.measurement/1","squareness":{}}`} {
		var wrong *geometry.WrongValue
		if _, err := ReadMeasurement("lead", []byte(text)); !errors.As(err, &wrong) || wrong.Name != "lead" {
			t.Errorf("%q: %v", text, err)
		}
	}
}

// Whatever lies in a measurement's file, the pair is worked out or the fault is
// named.
func FuzzJointOfAnyFile(f *testing.F) {
	good, err := json.Marshal(photo(3, 1, 1000))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good)
	f.Add([]byte(`{"schema":"beltend.measurement/1","squareness":{"offset_mm":1e300,"offset_u95_mm":-1},"width":{"at_cut_mm":1e-300},"cut":{"profile":[[1,2],[1,3],[0,0]]}}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		m, err := ReadMeasurement("lead", data)
		if err != nil {
			return
		}
		r, err := Joint(texts(map[string]string{Travel: "10"}), m, photo(1, 1, 1000))
		var wrong *geometry.WrongValue
		if err != nil {
			if !errors.As(err, &wrong) {
				t.Fatal(err)
			}
			return
		}
		if _, err := json.Marshal(r); err != nil { // no NaN, no infinity
			t.Fatal(err)
		}
		var b bytes.Buffer
		if err := report.Joint(&b, r, report.Options{}); err != nil || b.Len() == 0 {
			t.Fatal(err)
		}
		if _, err := Tape(texts(taped), m); err != nil && !errors.As(err, &wrong) {
			t.Fatal(err)
		}
		if _, err := Lacing(nil, texts(map[string]string{Thickness: "8", Pulley: "240"}), m, m); err == nil {
			t.Fatal("a plan from no chart")
		}
	})
}

// What was typed comes back from the result it gave: worked out once more, the answer is
// the same to the last digit, and so for each detail by itself.
func TestAsTapedGivesTheSameAnswerAgain(t *testing.T) {
	for _, details := range [][]string{nil, {LineU95, "1.5", SetOut, "line"}, {Stations, "300:1000.5,600:1001"}, {Hollow, "1.5", Trim, "10"}, {Camber, "10000,25,right"},
		{TapeClass, "III", TapeHook, "yes", Reading, "0.5", Edge, "1"}, {Target, "0.2"}} {
		m, err := Tape(with(taped, details...))
		if err != nil {
			t.Fatalf("%v: %v", details, err)
		}
		again, err := Tape(texts(AsTaped(m)))
		if err != nil {
			t.Fatalf("%v: %v", details, err)
		}
		if !reflect.DeepEqual(m, again) {
			t.Errorf("%v:\n%+v\n%+v", details, m, again)
		}
	}
}

// A semicolon parts lengths that have a decimal comma.
func TestTapeReadsDecimalCommas(t *testing.T) {
	point, err := Tape(with(taped, Diagonals, "1603.9,1597.7", Stations, "300:1000.5,600:1001.5", Camber, "10000.5,25.5,right"))
	if err != nil {
		t.Fatal(err)
	}
	comma, err := Tape(with(taped, Diagonals, "1603,9;1597,7", Stations, "300:1000,5;600:1001,5", Camber, "10000,5;25,5;right"))
	if err != nil || !reflect.DeepEqual(point, comma) {
		t.Errorf("%v\n%+v\n%+v", err, point, comma)
	}
}

// 10,000 random ends. A tape put together with photos against the offset that the sum of
// squares (x - tape)^2/u^2 + (x - photos)^2/v^2 is least for, found by halving; where the two
// are more than the uncertainty of their difference apart, against the stretch that both
// intervals cover. By hand: 3.0 with u 0.4 and 3.95 with u 0.3 give 3.608 with u 0.24. And
// the same readings in inches give the same.
func TestTapeWithPhotosAgainstSearch(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(45, 1))
	agreed, apart := 0, 0
	for range 10000 {
		w, up := 400+1600*r.Float64(), 500+2000*r.Float64()
		e := 20 * (r.Float64() - 0.5)
		left, right := math.Hypot(w, up+e/2), math.Hypot(w, up-e/2) // left^2 - right^2 = 2 up e
		mm := map[string]string{Diagonals: fmt.Sprintf("%.6f;%.6f", left, right), Up: fmt.Sprintf("%.6f", up), SetOut: "corners", Width: fmt.Sprintf("%.6f", w)}
		p := photo(e+3*r.NormFloat64(), 0.2+2*r.Float64(), w)
		alone, err := Tape(texts(mm))
		var no *result.Refusal
		if errors.As(err, &no) { // a lot of skew does not close
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		both, err := Tape(texts(mm), p)
		if err != nil {
			t.Fatal(err)
		}
		a, u := alone.Squareness.OffsetMM, alone.Squareness.OffsetU95MM/2
		b, v := p.Squareness.OffsetMM, p.Squareness.OffsetU95MM/2
		x, ux := 0.0, 0.0
		// 3.8415 is chi-square's 95 % for one degree of freedom
		if math.Abs(a-b) > math.Sqrt(3.841459*(u*u+v*v)) {
			apart++
			lo, hi := math.Min(a-2*u, b-2*v), math.Max(a+2*u, b+2*v)
			x, ux = (lo+hi)/2, (hi-lo)/4
		} else {
			agreed++
			lo, hi := math.Min(a, b), math.Max(a, b)
			for range 80 {
				x = (lo + hi) / 2
				if (x-a)/(u*u)+(x-b)/(v*v) > 0 {
					hi = x
				} else {
					lo = x
				}
			}
			ux = math.Sqrt(1 / (1/(u*u) + 1/(v*v)))
		}
		if s := both.Squareness; math.Abs(s.OffsetMM-x) > 1e-9 || math.Abs(s.OffsetU95MM-2*ux) > 1e-9 {
			t.Fatalf("tape %g (%g), photos %g (%g): %g (%g), want %g (%g)", a, u, b, v, s.OffsetMM, s.OffsetU95MM/2, x, ux)
		}
		inch := map[string]string{Diagonals: fmt.Sprintf("%.9f in;%.9f in", left/25.4, right/25.4), Up: fmt.Sprintf("%.9f in", up/25.4), SetOut: "corners", Width: fmt.Sprintf("%.9f in", w/25.4)}
		same, err := Tape(texts(inch), p)
		if err != nil || math.Abs(same.Squareness.OffsetMM-both.Squareness.OffsetMM) > 1e-4 || math.Abs(same.Squareness.OffsetU95MM-both.Squareness.OffsetU95MM) > 1e-4 {
			t.Fatalf("in inches %+v, in mm %+v: %v", same.Squareness, both.Squareness, err)
		}
	}
	if agreed < 3400 || apart < 3000 {
		t.Errorf("%d agreed, %d apart: too few to tell", agreed, apart)
	}
}
