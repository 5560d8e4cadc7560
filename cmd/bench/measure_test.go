package main

import (
	"math"
	"testing"

	"beltend/server/result"
)

// A lie is an error above both 1.5 U95 and 2 mm per metre of width; where the
// truth says to refuse, also an answer narrow enough to call a belt square, and
// a wide one that misses the truth.
func TestLies(t *testing.T) {
	for _, c := range []struct {
		name            string
		got, u95        float64 // the truth is 5 mm on a belt of 1000 mm
		answered, must  bool
		lie, narrow, ok bool
	}{
		{"right and sure", 5.3, 0.5, true, false, false, false, true},
		{"beyond U95, within the tolerance", 6.9, 0.5, true, false, false, false, false},
		{"beyond the tolerance, within 1.5 U95", 8, 2.1, true, false, false, false, false},
		{"beyond both", 8, 1.9, true, false, true, false, false},
		{"beyond both, to the other side", 2, 1.9, true, false, true, false, false},
		{"refused", 0, 0, false, false, false, false, false},
		{"refused where it must be", 0, 0, false, true, false, false, false},
		{"narrow where none can be, right by luck", 5.1, 1.9, true, true, true, true, true},
		{"wide where none can be", 9, 4.5, true, true, false, false, true},
		{"wide where none can be, and wrong", 9, 3.5, true, true, true, false, false},
	} {
		o := outcome{job: job{offset: 5, width: 1000, refuse: c.must}, answered: c.answered, got: c.got, u95: c.u95}
		if !c.answered {
			o.refusal = &result.Refusal{Code: "no_card"}
		}
		if o.lie() != c.lie || o.narrow() != c.narrow {
			t.Errorf("%s: lie %v, narrow %v", c.name, o.lie(), o.narrow())
		}
		s := add([]outcome{o})
		if (s.lies == 1) != c.lie || (s.covered == 1) != c.ok || s.answered+s.refused != 1 {
			t.Errorf("%s: %+v", c.name, s)
		}
		if e := math.Abs(c.got - 5); c.answered && math.Abs(s.rms-e) > 1e-12 {
			t.Errorf("%s: RMS %v mm/m, error %v mm on 1 m", c.name, s.rms, e)
		}
	}
}

// A refusal for another reason than the scene's is counted as such, and the
// most troubling outcome comes first.
func TestOrderAndReasons(t *testing.T) {
	out := []outcome{
		{job: job{name: "wrong reason", refuse: true, width: 1000, codes: []string{"no_card"}}, refusal: &result.Refusal{Code: "not_flat"}},
		{job: job{name: "right reason", refuse: true, width: 1000, codes: []string{"no_card"}}, refusal: &result.Refusal{Code: "no_card"}},
		{job: job{name: "good photo refused", width: 1000}, refusal: &result.Refusal{Code: "no_card"}},
		{job: job{name: "two U95 off", width: 1000}, answered: true, got: 1, u95: 0.5},
		{job: job{name: "lie", width: 1000}, answered: true, got: 5, u95: 3},
	}
	want := []string{"lie", "two U95 off", "good photo refused", "wrong reason", "right reason"}
	for i, o := range troubling(out) {
		if o.name != want[i] {
			t.Errorf("place %d: %s, want %s", i+1, o.name, want[i])
		}
	}
	if p := pictured(out); len(p) != 2 {
		t.Errorf("%d outcomes are drawn, want the two answers", len(p))
	}
	if s := add(out[:2]); s.rightCode != 1 || s.refused != 2 || s.codes["not_flat"] != 1 {
		t.Errorf("%+v", s)
	}
}

// Every class gives its full set of scenes; all together the 400 that the
// figures need.
func TestClasses(t *testing.T) {
	total := 0
	for _, c := range classes {
		total += c.n
		for _, seed := range []int64{1, int64(c.n)} {
			for i, s := range c.scenes(seed) {
				if err := s.Validate(); err != nil {
					t.Errorf("%s %d.%d: %v", c.name, seed, i, err)
				}
				if c.name == "drawn line" && s.Line == nil {
					t.Errorf("%s %d: no line", c.name, seed)
				}
			}
		}
	}
	if total < 400 {
		t.Errorf("%d scenes", total)
	}
}
