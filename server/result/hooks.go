package result

import "beltend/geometry/lacing"

// HooksSchema names the version of the answer about a finished joint.
const HooksSchema = "beltend.hooks/1"

// Hooks is the answer about a finished joint, or one laced end, from photos; or
// a refusal. Ends are called A and B: A is the one further up in the upright
// photo. Left and right are those of someone who stands on B and looks to A, on
// the side that is up.
type Hooks struct {
	Schema    string        `json:"schema"`
	Refused   *Refusal      `json:"refused,omitempty"`
	FaceUp    string        `json:"face_up,omitempty"` // carrying or pulley, the side in the photos; empty: not said
	Sides     []HookSide    `json:"sides,omitempty"`
	Straight  float64       `json:"row_straightness_mm,omitempty"` // of the hinge line
	Findings  []HookFinding `json:"findings"`
	Plan      []PlanCheck   `json:"plan,omitempty"`      // where a plan was given
	HookPlan  *lacing.Plan  `json:"hook_plan,omitempty"` // the plan itself
	Checklist []ClinchItem  `json:"checklist,omitempty"`
	Image     *HookImage    `json:"image,omitempty"`
	Photos    []Photo       `json:"photos,omitempty"`
	Warnings  []Warning     `json:"warnings"`
	Settings  *Settings     `json:"settings,omitempty"`
	Program   string        `json:"program,omitempty"`
	Method    string        `json:"method,omitempty"`
}

// HookSide is one end with its hooks.
type HookSide struct {
	Side           string    `json:"side"`              // A or B
	Planned        string    `json:"planned,omitempty"` // leading or trailing, by the plan
	Hooks          int       `json:"hooks"`             // seen for certain, every wire of a doubled one
	Unclear        int       `json:"unclear"`           // places where a hook may be or not
	PitchMM        float64   `json:"pitch_mm"`
	PitchU95MM     float64   `json:"pitch_u95_mm"`
	SpreadMM       float64   `json:"pitch_spread_mm"` // standard deviation of neighbours' distances
	ClosestMM      float64   `json:"closest_mm"`
	WidestMM       float64   `json:"widest_mm"` // of neighbours, empty places left out
	WireMM         float64   `json:"wire_mm"`   // as seen, or by the plan
	MarginLeftMM   float64   `json:"margin_left_mm"`
	MarginRightMM  float64   `json:"margin_right_mm"`
	MarginU95MM    float64   `json:"margin_u95_mm"`
	WidthMM        float64   `json:"width_mm"` // of the belt at the hooks
	WidthU95MM     float64   `json:"width_u95_mm"`
	OffsetMM       float64   `json:"offset_mm"` // of the row against this end's centreline, sign as a cut's
	OffsetU95MM    float64   `json:"offset_u95_mm"`
	ToleranceMM    float64   `json:"tolerance_mm"`
	Verdict        Verdict   `json:"verdict"` // on the row's squareness; recut: lace anew
	CentrelineMM   float64   `json:"centreline_mm"`
	Places         []HookPos `json:"places"`
	MarginsCertain bool      `json:"margins_certain"` // no unclear place beside the outer hooks
}

// HookPos is one hook.
type HookPos struct {
	Number  int        `json:"number"` // from the left, doubled ones counted
	AtMM    float64    `json:"at_mm"`  // centre from the belt's left edge
	TurnDeg float64    `json:"turn_deg"`
	Flaw    string     `json:"flaw,omitempty"` // doubled, crooked
	Px      [2]float64 `json:"px"`
}

// HookFinding is something to look at, marked in the photo.
type HookFinding struct {
	Code    string      `json:"code"` // missing, doubled, crooked, unclear, uneven, skew, count_differs, pitch_differs, margin_differs
	Side    string      `json:"side,omitempty"`
	AtMM    float64     `json:"at_mm,omitempty"` // from the belt's left edge
	SizeMM  float64     `json:"size_mm,omitempty"`
	U95MM   float64     `json:"u95_mm,omitempty"`
	Message string      `json:"message"`
	Values  Values      `json:"values,omitempty"`
	Px      *[2]float64 `json:"px,omitempty"`
}

// PlanCheck is one figure of the plan beside what is seen.
type PlanCheck struct {
	What    string  `json:"what"` // hooks, pitch, margin_left, margin_right
	Side    string  `json:"side"`
	Planned float64 `json:"planned"`
	Seen    float64 `json:"seen"`
	U95     float64 `json:"u95"`
	Verdict string  `json:"verdict"` // as_planned, differs, undecided
}

// HookImage gives places in the upright photo.
type HookImage struct {
	Photo     int             `json:"photo"` // index into the photos
	WidthPx   int             `json:"width_px"`
	HeightPx  int             `json:"height_px"`
	Line      [][2]float64    `json:"hinge_px"`
	LeftEdge  [][][2]float64  `json:"left_edge_px"` // one a side
	RightEdge [][][2]float64  `json:"right_edge_px"`
	Sides     map[string]Spot `json:"sides_px"` // where to write A and B
}

// Faces of a belt.
const (
	Carrying   = "carrying"
	PulleySide = "pulley"
)

// Spot is a place in a photo.
type Spot [2]float64

// Judgements that a person gives on an item of the checklist.
const (
	Open    = ""
	Good    = "good"
	Rework  = "rework"
	NotSeen = "not_seen"
)

// ClinchItem is a question about the clinched hooks that a person answers,
// looking at the joint, with a photo of it. Nothing answers it by itself.
type ClinchItem struct {
	Code      string `json:"code"`
	Face      string `json:"face"` // carrying or pulley
	Ask       string `json:"ask"`
	Photo     string `json:"photo"`     // SHA-256 of the close-up, empty: not taken yet
	Judgement string `json:"judgement"` // one of Good, Rework, NotSeen; empty: open
	By        string `json:"by"`
	Note      string `json:"note"`
}

// Clinch is the checklist of a finished joint, everything open: common practice
// of the trade, on both faces.
func Clinch() []ClinchItem {
	var out []ClinchItem
	for _, face := range []string{Carrying, PulleySide} {
		for _, q := range [][2]string{
			{"wire_sunk", "Is the wire sunk into the cover by a third to half of its diameter?"},
			{"legs_parallel", "Are both legs of every hook parallel?"},
			{"points_through", "Do the points come just through, and no further?"},
			{"loop_round", "Are the loops round, not pinched to a keyhole?"},
		} {
			out = append(out, ClinchItem{Code: q[0], Face: face, Ask: q[1]})
		}
	}
	return out
}
