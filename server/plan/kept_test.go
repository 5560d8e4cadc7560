package plan

import (
	"encoding/json"
	"errors"
	"math"
	"strings"
	"testing"

	"beltend/geometry"
	"beltend/geometry/joint"
	"beltend/server/report"
	"beltend/server/result"
)

// cutAs is a measured cut that asks for a re-cut, at the centre and with its trim.
func cutAs(offset float64, verdict result.Verdict, centre, trim float64) *result.Measurement {
	m := photo(offset, 0.5, 1000)
	m.Verdict, m.Recut = verdict, &result.RecutLine{CentreMM: centre + trim, TrimMM: trim, LeftU95MM: 0.6, RightU95MM: 0.8}
	m.Cut = nil
	return m
}

// By hand: the leading end was 8 mm out, so its re-cut took 4 mm at the centre and the
// 50 mm of an old joint; that was made. The trailing end still is 8 mm out: squaring it
// takes 4 mm, and a trim of 10 mm was asked for.
func TestJointEnds(t *testing.T) {
	lead := []Answer{{ID: "a", Result: cutAs(8, result.Recut, 4, 50)}, {ID: "b", Recut: true, Result: cutAs(0.2, result.Square, 0.1, 50)}}
	trail := []Answer{{ID: "c", Result: cutAs(8, result.Recut, 4, 10)}}
	ends := JointEnds(lead, trail, Carrying)
	for i, want := range []JointEnd{{ID: "b", Recut: 4, RecutU95: 0.5, Trim: 50}, {ID: "c", Recut: 4, RecutU95: 0.25, Trim: 10}} {
		e := ends[i]
		if e.ID != want.ID || math.Abs(e.Recut-want.Recut) > 0.2 || math.Abs(e.RecutU95-want.RecutU95) > 1e-9 || e.Trim != want.Trim {
			t.Errorf("end %d: %+v, want %+v", i, e, want)
		}
	}
	// measured twice without a re-cut between: nothing was cut off twice
	twice := JointEnds([]Answer{{ID: "a", Result: cutAs(8, result.Recut, 4, 50)}, {ID: "b", Result: cutAs(8, result.Recut, 4, 50)}}, nil, "")
	if twice[0].Recut != 4 || twice[0].Trim != 50 || twice[1].Cut != nil {
		t.Errorf("measured twice: %+v", twice)
	}
	// two ends that are good lose nothing, whatever trim stands in their settings
	none := JointEnds([]Answer{{ID: "a", Result: cutAs(0.1, result.Square, 0.05, 50)}}, []Answer{{ID: "b", Result: cutAs(0.1, result.Square, 0.05, 50)}}, "")
	if none[0].Recut != 0 || none[0].Trim != 0 || none[1].Trim != 0 {
		t.Errorf("good ends: %+v", none)
	}
	// ends cut for different angles make no pair: each loses what its own re-cut takes
	biased := cutAs(8, result.Recut, 4, 0)
	biased.Squareness.TargetDeg = 10
	apart := JointEnds([]Answer{{ID: "a", Result: biased}}, []Answer{{ID: "b", Result: cutAs(8, result.Recut, 3, 0)}}, "")
	if apart[0].Recut != 4 || apart[1].Recut != 3 {
		t.Errorf("no pair: %+v", apart)
	}
}

var planned = map[string]string{LeadWidth: "1000.0", TrailWidth: "998", Thickness: "8", JointThickness: "7", Pulley: "240", Fastener: "KH 40", Notch: "40",
	LeadRecut: "4.0", LeadTrim: "50", TrailRecut: "6", TrailTrim: "0", Travel: "100", Reserve: "20"}

// By hand: 4 + 50 + 6 = 60 mm of belt lost, the take-up moves by 30 mm, and of 100 mm
// with 20 to be kept 50 are left. The hooks are those of README's example.
func TestForJoint(t *testing.T) {
	ends := [2]JointEnd{{ID: "a", Cut: photo(0, 0.5, 1000), Recut: 4.02, RecutU95: 0.5}, {ID: "b", Cut: photo(0, 0.5, 998.3), Recut: 1}}
	r, err := ForJoint(demo(t), texts(planned), ends)
	if err != nil {
		t.Fatal(err)
	}
	p := r.Lacing.Plan
	if p.Lead.Hooks != 76 || p.Trail.Hooks != 75 || p.NotchBack != 40 || p.Skive == nil || r.ThicknessMM != 8 || r.Lacing.ThicknessMM != 7 {
		t.Errorf("%+v %+v", r, p)
	}
	// the leading end's values still stand as measured, the trailing end's were typed
	if r.Leading.Measurement != "a" || p.Lead.WidthU95 != 0.8 || r.Leading.RecutMM != 4.02 || r.Leading.RecutU95MM != 0.5 || r.Leading.TrimMM != 50 {
		t.Errorf("leading: %+v %+v", r.Leading, p.Lead)
	}
	if r.Trailing.Measurement != "" || p.Trail.WidthU95 != 0 || p.Trail.Width != 998 || r.Trailing.RecutMM != 6 || r.Trailing.RecutU95MM != 0 {
		t.Errorf("trailing: %+v %+v", r.Trailing, p.Trail)
	}
	k := r.Takeup
	if k == nil || math.Abs(r.LostMM-60.02) > 1e-9 || r.LostU95MM != 0.5 || math.Abs(k.Moves-30.01) > 1e-9 || math.Abs(k.Left-49.99) > 1e-9 || k.LeftU95 != 0.25 || k.Outcome != joint.Enough {
		t.Errorf("take-up: %+v", k)
	}
	for travel, outcome := range map[string]string{"45": joint.Insert, "50": joint.TooNear} {
		r, err := ForJoint(demo(t), with(planned, Travel, travel), ends)
		if err != nil || r.Takeup.Outcome != outcome {
			t.Errorf("travel %s: %+v, %v", travel, r.Takeup, err)
		}
	}
	open, err := ForJoint(demo(t), with(planned, Travel, "", Reserve, "", LeadRecut, ""), ends)
	if err != nil || open.Takeup != nil || open.LostMM != 56 {
		t.Errorf("without travel: %+v, %v", open, err)
	}
	// what was kept reads back as it was, notes too
	data, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	var back result.JointPlan
	if err := json.Unmarshal(data, &back); err != nil {
		t.Fatal(err)
	}
	if a, b := report.LacingNotes(r.Lacing, report.Options{}), report.LacingNotes(back.Lacing, report.Options{}); len(a) == 0 || len(a) != len(b) || a[len(a)-1] != b[len(b)-1] {
		t.Errorf("notes %v read back as %v", a, b)
	}
}

func TestWrongForJointNamesTheSetting(t *testing.T) {
	for _, c := range [][2]string{{LeadRecut, "-1"}, {TrailRecut, "much"}, {LeadTrim, "NaN"}, {TrailTrim, "1000 m"}, {Travel, "-5"}, {Reserve, "x"}, {LeadWidth, "3"}, {Travel, ""}} {
		_, err := ForJoint(demo(t), with(planned, c[0], c[1]), [2]JointEnd{})
		var wrong *geometry.WrongValue
		if !errors.As(err, &wrong) || wrong.Name != c[0] || !strings.Contains(wrong.Message, " ") {
			t.Errorf("%s %q: %v", c[0], c[1], err)
		}
	}
}
