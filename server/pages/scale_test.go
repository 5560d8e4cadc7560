package pages

import (
	"math"
	"strconv"
	"testing"
)

// The drawing is 340 wide with the target in its middle, at 170.
func TestScaleShowsWhereAValueLies(t *testing.T) {
	for _, c := range []struct {
		name    string
		r       Ruled
		side    float64 // of the mark: negative left of the middle
		outside string
		value   string
		target  string
	}{
		{"left long lies on the left", EndOffset(5.9, 0.6, 1.6), -1, "outside", "+5.9 mm", ""},
		{"right long lies on the right", EndOffset(-0.4, 0.5, 1.6), 1, "inside", "-0.4 mm", ""},
		{"over the limit", EndOffset(1.3, 0.7, 1.6), -1, "across", "+1.3 mm", ""},
		{"all else runs as on a rule", Ruled{What: "Kink", MM: 2.1, U95MM: 0.7, Allowed: 3.2}, 1, "inside", "+2.1 mm", ""},
		{"less than planned", Ruled{What: "Margin", MM: 2.4, U95MM: 0.4, Target: 6, Allowed: 3}, -1, "outside", "2.4 mm", "6.0"},
		{"a pitch", Ruled{What: "Pitch", MM: 9.17, U95MM: 0.02, Target: 9, Allowed: 0.18, Fine: true}, 1, "across", "9.17 mm", "9.00"},
	} {
		for _, inches := range []bool{false, true} {
			s := NewScale(c.r, inches)
			if s == nil {
				t.Fatalf("%s: nothing is drawn", c.name)
			}
			if (s.X-170)*c.side <= 0 || s.Outside() != c.outside {
				t.Errorf("%s: the mark lies at %.1f, %s", c.name, s.X, s.Outside())
			}
			if d := s.BandX + s.BandW/2 - 170; math.Abs(d) > 1e-9 || s.BandW <= 0 || s.Lo >= s.Hi || s.Lo < 0 || s.Hi > 340 {
				t.Errorf("%s: band %.1f + %.1f, whisker %.1f to %.1f", c.name, s.BandX, s.BandW, s.Lo, s.Hi)
			}
			// half a band stands for what is allowed: so much is the value away, at the drawing's own scale
			if got, want := math.Abs(s.X-170)/(s.BandW/2), math.Abs(c.r.MM-c.r.Target)/c.r.Allowed; math.Abs(got-want) > 1e-9 {
				t.Errorf("%s: %.3f of what is allowed, want %.3f", c.name, got, want)
			}
			if got, want := (s.Hi-s.Lo)/s.BandW, c.r.U95MM/c.r.Allowed; math.Abs(got-want) > 1e-9 {
				t.Errorf("%s: the whisker is %.3f of the band, want %.3f", c.name, got, want)
			}
			labels := 0
			for _, tick := range s.Ticks {
				if tick.Label != "" {
					labels++
				}
				if tick.X < 0 || tick.X > 340 {
					t.Errorf("%s: a graduation at %.1f", c.name, tick.X)
				}
			}
			if labels < 2 || labels > 5 {
				t.Errorf("%s: %d labels", c.name, labels)
			}
			if !inches && (s.Value != c.value || s.Target != c.target) {
				t.Errorf("%s: %s, target %q", c.name, s.Value, s.Target)
			}
		}
	}
	// with nothing to hold it against: value in the middle, and at the rule's own scale as wide
	// a whisker as stated
	for _, r := range []Ruled{{What: "Margin", MM: 7.9, U95MM: 0.9, Bare: true}, {What: "Margin", U95MM: 0.2, Bare: true}, {What: "Pitch", MM: 9.172, U95MM: 0.02, Fine: true, Bare: true}} {
		for unit, inches := range map[float64]bool{1: false, 25.4: true} {
			s := NewScale(r, inches)
			if s == nil || s.X != 170 || s.BandW != 0 || s.Tolerance != "" || s.Target != "" || !s.Bare {
				t.Fatalf("%+v: %+v", r, s)
			}
			var labels [][2]float64 // place, value
			for _, tick := range s.Ticks {
				if v, err := strconv.ParseFloat(tick.Label, 64); err == nil {
					labels = append(labels, [2]float64{tick.X, v * unit})
				}
			}
			if len(labels) < 2 {
				t.Fatalf("%+v: %d labels", r, len(labels))
			}
			first, last := labels[0], labels[len(labels)-1]
			perMM := (last[0] - first[0]) / (last[1] - first[1])
			if got := (s.Hi - s.Lo) / 2 / perMM; math.Abs(got-r.U95MM) > 0.002 {
				t.Errorf("%+v: the whisker reaches %.4f mm", r, got)
			}
			if got := first[1] + (s.X-first[0])/perMM; math.Abs(got-r.MM) > 0.002 {
				t.Errorf("%+v: the mark is at %.4f mm", r, got)
			}
		}
	}
	for _, r := range []Ruled{{}, {MM: math.NaN(), Allowed: 1}, {MM: math.Inf(1), Allowed: 1}} {
		if s := NewScale(r, false); s != nil {
			t.Errorf("%+v is drawn", r)
		}
	}
}
