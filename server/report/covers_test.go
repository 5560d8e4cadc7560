package report

import "testing"

// 25.4 mm are one inch; what cannot be read stays as it is.
func TestCovers(t *testing.T) {
	for _, c := range []struct{ typed, mm, inches, german string }{
		{"4+2", "4+2 mm", "0.157 + 0.079 in (4+2 mm)", "0,157 + 0,079 in (4+2 mm)"},
		{"25,4 + 12.7", "25,4 + 12.7 mm", "1.000 + 0.500 in (25,4 + 12.7 mm)", "1,000 + 0,500 in (25,4 + 12.7 mm)"},
		{"6", "6 mm", "0.236 in (6 mm)", "0,236 in (6 mm)"},
		{"5/32 in + 3/32 in", "5/32 in + 3/32 in", "0.156 + 0.094 in (5/32 in + 3/32 in)", "0,156 + 0,094 in (5/32 in + 3/32 in)"},
		{"4 and 2", "4 and 2", "4 and 2", "4 and 2"},
		{"4+", "4+", "4+", "4+"},
		{"NaN+2", "NaN+2", "NaN+2", "NaN+2"},
	} {
		for want, o := range map[string]Options{c.mm: {}, c.inches: {Inches: true}, c.german: {Inches: true, Lang: "de"}} {
			if want == c.german && c.german == c.inches {
				continue
			}
			if got := Covers(c.typed, o); got != want {
				t.Errorf("%q in %+v: %q, want %q", c.typed, o, got, want)
			}
		}
	}
}
