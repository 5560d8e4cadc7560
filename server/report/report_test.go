package report

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"

	"beltend/geometry/joint"
	"beltend/server/result"
)

func TestSixteenths(t *testing.T) {
	for n, want := range map[int]string{0: "0 in", 1: "1/16 in", 2: "1/8 in", 8: "1/2 in", 15: "15/16 in", 16: "1 in", 17: "1 1/16 in", 24: "1 1/2 in", 160: "10 in", -4: "-1/4 in"} {
		if got := sixteenths(n); got != want {
			t.Errorf("%d sixteenths are %q, want %q", n, got, want)
		}
	}
}

// What is read off the tape lies within its stated uncertainty of the value,
// and the statement covers the rounding in every case.
func TestTapeHoldsItsRounding(t *testing.T) {
	for _, inches := range []bool{false, true} {
		u := units{inches: inches}
		for _, u95 := range []float64{0, 0.2, 0.9, 1, 1.1, 5} {
			for mm := -3.0; mm < 60; mm += 0.137 {
				text, stated := u.tape(mm, u95)
				shown, s := parse(t, text), parse(t, stated)
				if d := math.Abs(shown - mm); d > u.step(u95)/2+1e-9 {
					t.Fatalf("%.3f mm ± %.1f is shown as %s", mm, u95, text)
				}
				if s < u95-1e-9 || s < 1.96*u.step(u95)/math.Sqrt(12)-1e-9 {
					t.Fatalf("%.3f mm ± %.1f claims %s", mm, u95, stated)
				}
			}
		}
	}
}

// parse reads back "12.5 mm", "0.031 in" or "1 7/16 in", in mm.
func parse(t *testing.T, text string) float64 {
	t.Helper()
	f := strings.Fields(text)
	v, sign := 0.0, 1.0
	for _, p := range f[:len(f)-1] {
		if rest, ok := strings.CutPrefix(p, "-"); ok {
			p, sign = rest, -1
		}
		num, den, fraction := strings.Cut(p, "/")
		a, err := strconv.ParseFloat(num, 64)
		if err != nil {
			t.Fatalf("%q: %v", text, err)
		}
		if fraction {
			b, err := strconv.ParseFloat(den, 64)
			if err != nil {
				t.Fatalf("%q: %v", text, err)
			}
			a /= b
		}
		v += a
	}
	if f[len(f)-1] == "in" {
		v *= 25.4
	}
	return sign * v
}

func TestUncertaintyNeverShrinksOnPaper(t *testing.T) {
	for _, inches := range []bool{false, true} {
		for mm := 0.0; mm < 3; mm += 0.0137 {
			if got := parse(t, units{inches: inches}.expanded(mm)); got < mm-1e-6 {
				t.Fatalf("%.4f mm is stated as %.4f mm", mm, got)
			}
		}
	}
}

func TestLongSide(t *testing.T) {
	for _, c := range []struct {
		offset, u, target float64
		says              string
	}{
		{3, 1, 0, "left side is long"}, {-3, 1, 0, "right side is long"}, {0.5, 1, 0, "too small"}, {-1, 1, 0, "too small"},
		{3, 1, 10, "left longer than the target"}, {-3, 1, 10, "right longer than the target"},
	} {
		m := &result.Measurement{Squareness: &result.Squareness{OffsetMM: c.offset, OffsetU95MM: c.u, TargetDeg: c.target}}
		if got := LongSide(m, Options{}); !strings.Contains(got, c.says) {
			t.Errorf("%+v: %q", c, got)
		}
	}
}

func TestVerdictInWords(t *testing.T) {
	for _, v := range []result.Verdict{result.Square, result.Recut, result.Undecided} {
		for _, line := range []string{"cut", "drawn"} {
			got := Verdict(&result.Measurement{Verdict: v, Line: line}, Options{})
			first := map[result.Verdict]string{result.Square: "Square", result.Recut: "Re-cut", result.Undecided: "Undecided"}[v]
			if v == result.Recut && line == "drawn" {
				first = "Draw again"
			}
			if !strings.HasPrefix(got, first+":") || strings.Contains(strings.ToLower(got), "safe") {
				t.Errorf("%s of the %s: %q", v, line, got)
			}
		}
	}
}

// The table's sum is made from the rows, whatever sums the rows carry.
func TestBudgetAddsUp(t *testing.T) {
	m := &result.Measurement{Squareness: &result.Squareness{OffsetU95MM: 1}, Budget: []result.BudgetRow{
		{Source: "cards", Type: "A", UMM: 0.3}, {Source: "lens", Type: "B", UMM: 0.4}, {Source: "combined", UMM: 9}}}
	table := BudgetTable(m, Options{})
	if len(table) != 4 || math.Abs(table[2].UMM-0.5) > 1e-12 || table[3].UMM != 1 || !strings.Contains(table[3].Comment, "2.00") {
		t.Errorf("%+v", table)
	}
	if BudgetTable(&result.Measurement{}, Options{}) != nil {
		t.Error("a budget of nothing")
	}
}

func TestRefusalAsText(t *testing.T) {
	var b strings.Builder
	if err := Text(&b, &result.Measurement{Refused: &result.Refusal{Code: "no_card", Message: "None.", Advice: "Lay one."}}, Options{}); err != nil {
		t.Fatal(err)
	}
	if got := b.String(); got != "No answer: None.\nLay one.\n" {
		t.Errorf("%q", got)
	}
}

// A measurement may lack parts; the text then lacks them too.
func TestSparseMeasurement(t *testing.T) {
	var b strings.Builder
	if err := Text(&b, &result.Measurement{Verdict: result.Undecided}, Options{Budget: true}); err != nil || !strings.HasPrefix(b.String(), "Undecided") {
		t.Errorf("%v, %q", err, b.String())
	}
}

func TestWrap(t *testing.T) {
	got := wrap("lengths are uncertain by 0.3 %. Cut 12 mm off", 26)
	want := []string{"lengths are uncertain by", "0.3 %. Cut 12 mm off"}
	if strings.Join(got, "|") != strings.Join(want, "|") {
		t.Errorf("%q", got)
	}
	got = wrap("average over 52 15/16 in ± 0.01 in of belt", 18)
	if want = []string{"average over", "52 15/16 in", "± 0.01 in of belt"}; strings.Join(got, "|") != strings.Join(want, "|") {
		t.Errorf("%q", got)
	}
}

// 6.2 mm lost, known to 0.3: 0.244 in, which 1/4 in ± 0.012 in would leave out. What has no
// uncertainty is read off a tape.
func TestTakeupInInches(t *testing.T) {
	c := joint.Cutting{Recuts: 6.2, RecutsU95: 0.3, Travel: 300}
	for known, want := range map[float64]string{0.3: "belt lost 0.244 in ± 0.012 in", 0: "belt lost 1/4 in;"} {
		c.RecutsU95 = known
		took, err := c.Takeup()
		if err != nil {
			t.Fatal(err)
		}
		if got := TakeupRows(took, Options{Inches: true})[0].Text; !strings.HasPrefix(got, want) {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// A pair that fits has nothing to be put right.
func TestOtherWays(t *testing.T) {
	for offset, want := range map[float64]bool{6: true, 0.1: false} {
		p, err := joint.Match(joint.End{Offset: offset, U95: 0.4, Width: 800, Tolerance: 1.6}, joint.End{Offset: 0.1, U95: 0.4, Width: 800, Tolerance: 1.6})
		if err != nil {
			t.Fatal(err)
		}
		if got := OtherWays(p, Options{}); len(got) > 0 != want {
			t.Errorf("offset %g: %v", offset, got)
		}
	}
}

// 2 mm per metre is 2/1000 of the width: 0.024 in of 12.
func TestUsualTolerance(t *testing.T) {
	for _, c := range []struct {
		o    Options
		want string
	}{
		{Options{}, "2 mm per metre of width"}, {Options{Inches: true}, "0.024 in per foot of width"},
		{Options{Lang: "de"}, "2 mm je Meter Breite"}, {Options{Lang: "de", Inches: true}, "0,024 in je Fuß Breite"},
	} {
		if got := strings.ReplaceAll(UsualTolerance(c.o), "\u00a0", " "); got != c.want {
			t.Errorf("%+v: %q, want %q", c.o, got, c.want)
		}
	}
}

// A label as wide as its column or wider stands on a line of its own: never against its text.
func TestLongLabels(t *testing.T) {
	var out strings.Builder
	rows(&out, []Row{{"Pin", "997.4 mm"}, {"Twelve chars", "good"}, {"Carrying side", "[ ] Are both legs of every hook parallel?"}, {"Größe der Öse", "rund"}})
	want := "Pin         997.4 mm\nTwelve chars\n            good\nCarrying side\n            [ ] Are both legs of every hook parallel?\nGröße der Öse\n            rund\n"
	if out.String() != want {
		t.Errorf("%q", out.String())
	}
}

// The width is said to lie where it was measured.
func TestWidthIsOfTheLineJudged(t *testing.T) {
	for line, want := range map[string]string{"": "at the cut", "cut": "at the cut", "drawn": "at the line"} {
		m := &result.Measurement{Line: line, Width: &result.Width{AtCutMM: 800, AtCutU95MM: 1}}
		if got := fmt.Sprint(Facts(m, Options{})); !strings.Contains(got, want) {
			t.Errorf("line %q: %s", line, got)
		}
	}
}
