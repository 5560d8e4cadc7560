package report

import (
	"math"
	"testing"
)

func TestReadLength(t *testing.T) {
	for text, want := range map[string]float64{
		"12.5": 12.5, "12,5": 12.5, " 12.5 mm ": 12.5, "12mm": 12, "1.2 m": 1200, "-3": -3, "0": 0,
		"1 in": 25.4, "0.5in": 12.7, `2"`: 50.8, "7/16 in": 11.1125, "63 7/16 in": 1611.3125, "-1 1/2 in": -38.1, "-1/4 in": -6.35,
	} {
		if got, err := ReadLength(text); err != nil || math.Abs(got-want) > 1e-9 {
			t.Errorf("%q is read as %g mm, %v; want %g", text, got, err, want)
		}
	}
	for _, text := range []string{"", "mm", "in", "x", "NaN", "inf", "1e999", "1/2", "1/0 in", "1 / in", "1 1/2/3 in", "1.5 1/2 in", "1,000,000", "1,000.5", "--1 in", "12 ft"} {
		if got, err := ReadLength(text); err == nil {
			t.Errorf("%q is read as %g mm", text, got)
		}
	}
}

// What is written in sixteenths is read back as the same length, and in inches
// and mm to the digits written.
func TestReadLengthReadsWhatIsWritten(t *testing.T) {
	for n := -200; n < 4000; n += 7 {
		if got, err := ReadLength(sixteenths(n)); err != nil || math.Abs(got-float64(n)*25.4/16) > 1e-9 {
			t.Fatalf("%s is read as %g mm, %v", sixteenths(n), got, err)
		}
		mm := float64(n) * 1.37
		for _, u := range []units{{}, {inches: true}} {
			if got, err := ReadLength(u.length(mm)); err != nil || math.Abs(got-mm) > 0.0501 {
				t.Fatalf("%s is read as %g mm, %v", u.length(mm), got, err)
			}
		}
	}
}
