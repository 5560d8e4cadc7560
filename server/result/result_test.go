package result

import "testing"

// A square end needs no re-cut, unless a trim is to come off; where nothing is decided the
// line is still of use.
func TestAsksRecut(t *testing.T) {
	for _, c := range []struct {
		verdict Verdict
		recut   *RecutLine
		want    bool
	}{
		{Square, &RecutLine{LeftMM: 0.4}, false},
		{Square, &RecutLine{LeftMM: 150.4, TrimMM: 150}, true},
		{Recut, &RecutLine{LeftMM: 6}, true},
		{Undecided, &RecutLine{LeftMM: 2}, true},
		{Recut, nil, false},
	} {
		if got := (&Measurement{Verdict: c.verdict, Recut: c.recut}).AsksRecut(); got != c.want {
			t.Errorf("%s, %+v: %v", c.verdict, c.recut, got)
		}
	}
}
