package chart

import (
	"errors"
	"math"
	"os"
	"strings"
	"testing"

	"beltend/geometry/lacing"
	"beltend/server/report"
)

const head = "name,pitch,wire,thickness_from,thickness_to,smallest_pulley,strip,hooks_per_strip,pin_allowance\n"

func TestDemoChart(t *testing.T) {
	f, err := os.Open("../../testdata/charts/kestrel-hollow.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := Read(f)
	if err != nil || len(rows) != 6 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	if want := (lacing.Fastener{Name: "KH 40", Pitch: 13, Wire: 2.4, ThicknessFrom: 6, ThicknessTo: 9, Pulley: 200, Strip: 312, HooksPerStrip: 24, PinAllowance: 20}); rows[2] != want {
		t.Errorf("%+v, the file says %+v", rows[2], want)
	}
	if in := rows[5]; math.Abs(in.Pitch-12.7) > 1e-9 || math.Abs(in.Wire-2.38125) > 1e-9 || math.Abs(in.Strip-304.8) > 1e-9 {
		t.Errorf("inches: %+v", in)
	}
}

// The same chart in every dress: columns in another order, semicolons and
// decimal commas, tabs, a byte order mark, Windows line ends, remarks, quotes.
func TestSameChartInEveryDress(t *testing.T) {
	want := lacing.Fastener{Name: "KH 40", Pitch: 12.5, Wire: 2.4, ThicknessFrom: 6, ThicknessTo: 9, Pulley: 200, Strip: 300, HooksPerStrip: 24, PinAllowance: 20}
	for what, text := range map[string]string{
		"plain":      head + "KH 40,12.5,2.4,6,9,200,300,24,20\n",
		"no end":     head + "KH 40,12.5,2.4,6,9,200,300,24,20",
		"order":      "hooks_per_strip, NAME ,pin_allowance,pitch,wire,thickness_from,thickness_to,smallest_pulley,strip\n24,KH 40,20,12.5,2.4,6,9,200,300\n",
		"semicolons": strings.ReplaceAll(head, ",", ";") + "KH 40;12,5;2,4;6;9;200;300;24;20\n",
		"tabs":       strings.ReplaceAll(head, ",", "\t") + "KH 40\t12,5\t2.4\t6\t9\t200\t300\t24\t20\n",
		"windows":    "\ufeff" + strings.ReplaceAll(head+"KH 40,12.5,2.4,6,9,200,300,24,20\n", "\n", "\r\n"),
		"remarks":    "# ours; not theirs\n\n" + head + "# row\nKH 40,12.5,2.4,6,9,200,300,24,20\n\n",
		"quotes":     head + `"KH 40","12,5","2.4 mm",6,9,0.2 m,300,24,20` + "\n",
	} {
		rows, err := Read(strings.NewReader(text))
		if err != nil || len(rows) != 1 || rows[0] != want {
			t.Errorf("%s: %+v, %v", what, rows, err)
		}
	}
}

func TestEveryFaultNamesLineAndColumn(t *testing.T) {
	good := "KH 40,13,2.4,6,9,200,312,24,20\n"
	for _, c := range []struct {
		text string
		want []string // beginnings, all of them in this order
	}{
		{"", []string{"line 1: the chart is empty"}},
		{"# only a remark\n", []string{"line 1: the chart is empty"}},
		{head, []string{"line 1: the chart names columns but no fastener"}},
		{"name,pitch\nx,1\n", []string{"line 1, column wire", "line 1, column thickness_from", "line 1, column thickness_to", "line 1, column smallest_pulley", "line 1, column strip", "line 1, column hooks_per_strip", "line 1, column pin_allowance"}},
		{good + "KH 30,9,2,4,6,150,288,32,20\n", []string{"line 1: the first line must name the columns: name, pitch, wire,"}},
		{"Name,a\nx,1\n", []string{"line 1, column 2: \"a\" is no column of a chart", "line 1, column pitch", "line 1, column wire", "line 1, column thickness_from", "line 1, column thickness_to", "line 1, column smallest_pulley", "line 1, column strip", "line 1, column hooks_per_strip", "line 1, column pin_allowance"}},
		{strings.Replace(head, "wire", "wier", 1) + good, []string{"line 1, column 3: \"wier\"", "line 1, column wire: the column is missing"}},
		{strings.Replace(head, "wire", "pitch", 1) + good, []string{"line 1, column pitch: the column is there twice", "line 1, column wire"}},
		{head + good + "\nKH 40,x,,6,9,200,312,24,20\n", []string{"line 4, column pitch: \"x\"", "line 4, column wire: nothing", "line 4, column name: \"KH 40\" is on line 2"}},
		{head + "a,13,2.4,9,6,200,312,24,20\nb,13,7,6,9,0,312,24.5,20\n,13,2.4,6,9,200,400,24,-1\n", []string{
			"line 2, column thickness_to", "line 3, column hooks_per_strip", "line 3, column smallest_pulley", "line 3, column wire",
			"line 4, column name", "line 4, column strip", "line 4, column pin_allowance"}},
		{head + "a,13,2.4,6,9,200,312,24\n", []string{"line 2: there are 8 columns"}},
		{head + "a,13,2,4,6,9,200,312,24,20\n", []string{"line 2: there are 10 columns, the first line names 9; with commas"}},
		{head + good + "\"b,13\n", []string{"line 3: a quotation mark"}},
		{head + good + "b\xff,13,2.4,6,9,200,312,24,20\n", []string{"line 3: this is no text"}},
		{head + "a,NaN,2.4,6,9,200,312,24,20\n", []string{"line 2, column pitch"}},
		{head + "a,13,2.4,0,9,200,312,24,20\n", []string{"line 2, column thickness_from"}},
		{head + "a,13,2.4,6,9,200,312,99999999999999999999,20\n", []string{"line 2, column hooks_per_strip"}},
	} {
		rows, err := Read(strings.NewReader(c.text))
		var faults Faults
		if !errors.As(err, &faults) || rows != nil {
			t.Errorf("%q: %v, %v", c.text, rows, err)
			continue
		}
		for i, f := range faults {
			en, de := report.WrongText(f.Code, f.Values, "", report.Options{}), report.WrongText(f.Code, f.Values, "", report.Options{Lang: "de"})
			if !strings.HasPrefix(f.Message, en) || en == "" || de == "" || de == en {
				t.Errorf("%q is in the catalogue (%s) %q, %q", f.Message, f.Code, en, de)
			}
			if i >= len(c.want) || !strings.HasPrefix(f.String(), c.want[i]) {
				t.Errorf("%q: fault %d is %q", c.text, i, f)
			}
		}
		if n := strings.Count(err.Error(), "thickness_from, thickness_to"); n > 1 {
			t.Errorf("%q: lists the columns %d times", c.text, n)
		}
		if len(faults) < len(c.want) {
			t.Errorf("%q: only %v", c.text, faults)
		}
	}
	if _, err := Read(strings.NewReader(head + strings.Repeat("x,,,,,,,,\n", 1000))); err == nil || strings.Count(err.Error(), "\n") > 300 {
		t.Error("faults without end")
	}
	if _, err := Read(strings.NewReader(strings.Repeat(good, 40000))); err == nil {
		t.Error("a chart of a megabyte")
	}
}

// Whatever the file, the answer is a chart of which every row can be used, or
// faults that name their place.
func FuzzRead(f *testing.F) {
	f.Add(head + "KH 40,13,2.4,6,9,200,312,24,20\n")
	f.Add("\ufeff" + strings.ReplaceAll(head, ",", ";") + "\"a;1/2 in\n")
	f.Fuzz(func(t *testing.T, text string) {
		rows, err := Read(strings.NewReader(text))
		if err == nil && len(rows) == 0 {
			t.Fatal("nothing, and no fault")
		}
		var faults Faults
		if err != nil && (!errors.As(err, &faults) || len(faults) == 0) {
			t.Fatal(err)
		}
		for _, x := range faults {
			if x.Line < 1 || x.Message == "" {
				t.Fatalf("%+v", x)
			}
		}
		for _, r := range rows {
			if wrong := r.Check(); len(wrong) > 0 {
				t.Fatalf("%+v: %v", r, wrong)
			}
		}
	})
}
