package geometry

import (
	"math"
	"testing"
)

// ISO 216: A4 is 210 mm x 297 mm, lengths of 150 mm to 600 mm within 2 mm;
// Letter is 8.5 in x 11 in.
func TestPlainSheets(t *testing.T) {
	for text, want := range map[string]PlainSheet{"a4": {"A4", 297, 210, 2}, " Letter": {"Letter", 11 * 25.4, 8.5 * 25.4, 2}} {
		s, err := ParseSheet(text)
		if err != nil || math.Abs(s.Long-want.Long) > 1e-9 || math.Abs(s.Short-want.Short) > 1e-9 || s.Name != want.Name || s.Tolerance != want.Tolerance {
			t.Errorf("%q: %+v, %v", text, s, err)
		}
		// Each side's standard deviation is that of the mean and of half the
		// difference together; a side may be off by the tolerance.
		side := math.Hypot(s.ScaleSD(), s.ScaleSD())
		if got := side * math.Sqrt(3) * s.Short; math.Abs(got-2) > 1e-9 {
			t.Errorf("%s: the short side is within %.3f mm", text, got)
		}
		if side*math.Sqrt(3)*s.Long < 2 {
			t.Errorf("%s: the long side is too well known", text)
		}
	}
	for _, text := range []string{"", "a3", "A4 sheet"} {
		if _, err := ParseSheet(text); err == nil {
			t.Errorf("%q is read", text)
		}
	}
}
