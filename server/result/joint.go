package result

import (
	"encoding/json"

	"beltend/geometry/joint"
	"beltend/geometry/lacing"
)

// Schemas of the answers about a joint.
const (
	LacingSchema    = "beltend.lacing/1"
	JointSchema     = "beltend.joint/1"
	JointPlanSchema = "beltend.joint-plan/1"
)

// Lacing is the answer about the fasteners of a chart and, where one is
// chosen, the hook plan; or a refusal.
type Lacing struct {
	Schema      string       `json:"schema"`
	Refused     *Refusal     `json:"refused,omitempty"`
	ThicknessMM float64      `json:"joint_thickness_mm"` // that the fasteners were compared with
	PulleyMM    float64      `json:"pulley_mm"`
	Fits        []lacing.Fit `json:"fits"`
	Plan        *lacing.Plan `json:"plan,omitempty"` // missing while several fasteners fit and none is named
	Advice      string       `json:"advice,omitempty"`
	Warnings    []Warning    `json:"warnings"`
	Program     string       `json:"program,omitempty"`
}

// UnmarshalJSON gives the plan its notes again, which stand among the warnings alone.
func (l *Lacing) UnmarshalJSON(data []byte) error {
	type plain Lacing
	var p plain
	if err := json.Unmarshal(data, &p); err != nil {
		return err
	}
	*l = Lacing(p)
	if l.Plan == nil {
		return nil
	}
	for _, w := range l.Warnings {
		value, ok := w.Values["value"].(float64)
		limit, too := w.Values["limit"].(float64)
		if ok && too {
			l.Plan.Notes = append(l.Plan.Notes, lacing.Note{Code: w.Code, Value: value, Limit: limit})
		}
	}
	return nil
}

// JointPlan is what is kept of a joint's lacing and belt length.
type JointPlan struct {
	Schema      string        `json:"schema"`
	Leading     PlannedEnd    `json:"leading"`
	Trailing    PlannedEnd    `json:"trailing"`
	NominalMM   float64       `json:"nominal_mm"`       // width of the belt; 0: not known
	ThicknessMM float64       `json:"thickness_mm"`     // of the belt, before skiving
	Covers      string        `json:"covers"`           // as the belt's papers write them
	Lacing      *Lacing       `json:"lacing"`           // of the chart, the row chosen alone
	LostMM      float64       `json:"belt_lost_mm"`     // re-cuts and trims of both ends
	LostU95MM   float64       `json:"belt_lost_u95_mm"` // of the re-cuts as measured
	Takeup      *joint.Takeup `json:"takeup,omitempty"` // missing where the travel left was not given
	Program     string        `json:"program,omitempty"`
}

// PlannedEnd is what the plan takes one end to be, and the belt it loses.
type PlannedEnd struct {
	Measurement string  `json:"measurement"`      // ID of the one that gave the width; empty: typed
	Source      string  `json:"source,omitempty"` // FromTape or FromBoth; empty: that was photos
	RecutMM     float64 `json:"recut_mm"`         // made and to be made, at the centreline
	RecutU95MM  float64 `json:"recut_u95_mm"`     // 0: typed
	TrimMM      float64 `json:"trim_mm"`          // cut off besides: an old joint, damaged belt
}

// Joint is the answer about the two ends as a pair.
type Joint struct {
	Schema   string        `json:"schema"`
	Pair     *joint.Pair   `json:"pair"`
	Takeup   *joint.Takeup `json:"takeup,omitempty"` // missing where the travel left was not given
	Advice   string        `json:"advice,omitempty"`
	Warnings []Warning     `json:"warnings"`
	Program  string        `json:"program,omitempty"`
}
