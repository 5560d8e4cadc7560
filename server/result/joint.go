package result

import (
	"beltend/geometry/joint"
	"beltend/geometry/lacing"
)

// Schemas of the answers about a joint.
const (
	LacingSchema = "beltend.lacing/1"
	JointSchema  = "beltend.joint/1"
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

// Joint is the answer about the two ends as a pair.
type Joint struct {
	Schema   string        `json:"schema"`
	Pair     *joint.Pair   `json:"pair"`
	Takeup   *joint.Takeup `json:"takeup,omitempty"` // missing where the travel left was not given
	Advice   string        `json:"advice,omitempty"`
	Warnings []Warning     `json:"warnings"`
	Program  string        `json:"program,omitempty"`
}
