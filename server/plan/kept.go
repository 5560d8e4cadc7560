package plan

import (
	"math"
	"strconv"
	"strings"

	"beltend/geometry"
	"beltend/geometry/joint"
	"beltend/geometry/lacing"
	"beltend/server/result"
)

// Settings of the belt that a joint loses, beside those of a pair.
const (
	LeadRecut  = "lead-recut"
	LeadTrim   = "lead-trim"
	TrailRecut = "trail-recut"
	TrailTrim  = "trail-trim"
)

// JointEnd is one end as a joint's record has it.
type JointEnd struct {
	ID       string              // of its newest cut; empty: none measured
	Cut      *result.Measurement // that cut
	Recut    float64             // belt lost at the centreline by re-cuts made and to be made, mm
	RecutU95 float64
	Trim     float64 // asked for besides at those re-cuts
}

// Answer is a measured cut of one end.
type Answer struct {
	ID     string
	Recut  bool // measured after a re-cut
	Result *result.Measurement
}

// JointEnds sums up the belt that both ends lose, from their measured cuts, oldest
// first. A re-cut counts as made when a cut measured after one follows. To be made
// is what the pair of the newest cuts asks for, see [Joint]; where one end is
// measured alone, its own re-cut.
func JointEnds(lead, trail []Answer, face string) [2]JointEnd {
	var ends [2]JointEnd
	for i, cuts := range [2][]Answer{lead, trail} {
		for k, c := range cuts {
			ends[i].ID, ends[i].Cut = c.ID, c.Result
			if r := c.Result.Recut; r != nil && k+1 < len(cuts) && cuts[k+1].Recut {
				ends[i].own(r)
			}
		}
	}
	if ends[0].Cut != nil && ends[1].Cut != nil {
		pair, err := Joint(func(name string) string {
			if strings.HasSuffix(name, "-"+Face) {
				return face
			}
			return ""
		}, ends[0].Cut, ends[1].Cut)
		if err == nil { // else they make no pair, which planning them says
			pending(&ends, recutToCount(pair.Pair))
			return ends
		}
	}
	for i := range ends {
		if c := ends[i].Cut; c != nil && c.Recut != nil && c.Verdict != result.Square {
			ends[i].own(c.Recut)
		}
	}
	return ends
}

// pending counts the re-cut that a pair asks for; nil: none.
func pending(ends *[2]JointEnd, way *joint.Recut) {
	if way == nil {
		return
	}
	for _, l := range way.Lines {
		e := &ends[0]
		if l.End == lacing.Trailing {
			e = &ends[1]
		}
		trim := 0.0
		if e.Cut.Recut != nil {
			trim = e.Cut.Recut.TrimMM
		}
		e.lose(l.Centre, l.U95/2, trim) // half of what the line turns by is lost at the centre
	}
}

// own counts the re-cut that an end's own measurement asks for.
func (e *JointEnd) own(r *result.RecutLine) {
	e.lose(r.CentreMM-r.TrimMM, math.Hypot(r.LeftU95MM, r.RightU95MM)/2, r.TrimMM)
}

func (e *JointEnd) lose(recut, u95, trim float64) {
	e.Recut, e.RecutU95, e.Trim = e.Recut+math.Max(recut, 0), math.Hypot(e.RecutU95, u95), e.Trim+trim
}

// Filled is how a value from the record stands in a form. What still stands there
// when the form comes back is the record's value with its uncertainty.
func Filled(mm float64) string { return strconv.FormatFloat(mm, 'f', 1, 64) }

// ForJoint plans the lacing and the belt length of a joint from its ends and from
// what was typed. Without a plan in its lacing there is a fastener to choose yet.
func ForJoint(chart []lacing.Fastener, text Text, ends [2]JointEnd) (*result.JointPlan, error) {
	r := &result.JointPlan{Schema: result.JointPlanSchema}
	kept := [2]*result.PlannedEnd{&r.Leading, &r.Trailing}
	var cuts [2]*result.Measurement
	for i, name := range []string{LeadWidth, TrailWidth} {
		if e := &ends[i]; e.Cut != nil && (!text.given(name) || strings.TrimSpace(text(name)) == Filled(e.Cut.Width.AtCutMM)) {
			cuts[i], kept[i].Measurement, kept[i].Source = e.Cut, e.ID, e.Cut.Source
		}
	}
	var err error
	r.Lacing, err = Lacing(chart, func(name string) string {
		if name == LeadWidth && cuts[0] != nil || name == TrailWidth && cuts[1] != nil {
			return ""
		}
		return text(name)
	}, cuts[0], cuts[1])
	if err != nil {
		return r, err
	}
	r.ThicknessMM = r.Lacing.ThicknessMM
	if p := r.Lacing.Plan; p != nil && p.Skive != nil {
		r.ThicknessMM = p.Skive.From
	}
	if err := lost(r, text, ends); err != nil {
		return r, err
	}
	return r, nil
}

// lost sums up what is cut off, and holds it against the travel left.
func lost(r *result.JointPlan, text Text, ends [2]JointEnd) error {
	const most = 100000
	for i, e := range []struct {
		to          *result.PlannedEnd
		recut, trim string
	}{{&r.Leading, LeadRecut, LeadTrim}, {&r.Trailing, TrailRecut, TrailTrim}} {
		if err := text.lengths(map[string]*float64{e.recut: &e.to.RecutMM, e.trim: &e.to.TrimMM}); err != nil {
			return err
		}
		if from := &ends[i]; strings.TrimSpace(text(e.recut)) == Filled(from.Recut) {
			e.to.RecutMM, e.to.RecutU95MM = from.Recut, from.RecutU95
		}
		if err := geometry.InRange(
			geometry.Range{Name: e.recut, V: e.to.RecutMM, Hi: most, Unit: "mm", Want: "the belt lost by re-cutting this end"},
			geometry.Range{Name: e.trim, V: e.to.TrimMM, Hi: most, Unit: "mm", Want: "the belt to cut off this end besides"},
		); err != nil {
			return err
		}
	}
	c := joint.Cutting{Recuts: r.Leading.RecutMM + r.Trailing.RecutMM, RecutsU95: math.Hypot(r.Leading.RecutU95MM, r.Trailing.RecutU95MM),
		LeadTrim: r.Leading.TrimMM, TrailTrim: r.Trailing.TrimMM}
	r.LostMM, r.LostU95MM = c.Recuts+c.LeadTrim+c.TrailTrim, c.RecutsU95
	if !text.given(Travel) {
		if text.given(Reserve) {
			return geometry.Wrong(Travel, "not given: how far can the take-up still give belt back, in mm?").Coded("travel_missing", nil)
		}
		return nil
	}
	err := text.lengths(map[string]*float64{Travel: &c.Travel, Reserve: &c.Reserve})
	if err == nil {
		r.Takeup, err = c.Takeup()
	}
	return err
}
