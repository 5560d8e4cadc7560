package joint

import "beltend/geometry"

// Cutting is the belt that a joint takes away and what the take-up has left.
// Lengths at the centreline.
type Cutting struct {
	Recuts    float64 // of both ends, as planned
	RecutsU95 float64
	LeadTrim  float64 // cut off besides: an old joint, damaged belt
	TrailTrim float64
	Travel    float64 // by which the take-up can still give belt back
	Reserve   float64 // of that travel, to be kept
}

// Outcomes of [Cutting.Takeup].
const (
	Enough    = "enough"
	Insert    = "insert" // an insert piece, with two joints
	TooNear   = "undecided"
	strandsAt = 2 // strands of belt at the take-up pulley of a single loop
)

// Takeup is what the lost belt does to the take-up of a single loop.
type Takeup struct {
	Lost    float64 `json:"belt_lost_mm"`
	LostU95 float64 `json:"belt_lost_u95_mm"`
	Moves   float64 `json:"takeup_moves_mm"` // half of it: two strands
	Travel  float64 `json:"travel_mm"`
	Reserve float64 `json:"reserve_mm"`
	Left    float64 `json:"margin_mm"` // travel less reserve and move; below 0: missing
	LeftU95 float64 `json:"margin_u95_mm"`
	Outcome string  `json:"outcome"`
	Piece   float64 `json:"insert_at_least_mm"` // net belt that an insert piece has to give back; 0: none needed
}

// Moves is how far the take-up of a single loop moves for belt lost.
func Moves(lost float64) float64 { return lost / strandsAt }

// Takeup adds up both ends: the pulley moves by half the belt lost, and what
// the travel does not cover an insert piece has to.
func (c Cutting) Takeup() (*Takeup, error) {
	const most = 100000
	err := geometry.InRange(
		geometry.Range{Name: "recuts", V: c.Recuts, Hi: most, Unit: "mm", Want: "the belt lost by re-cutting"},
		geometry.Range{Name: "recuts", V: c.RecutsU95, Hi: most, Unit: "mm", Want: "the uncertainty of the belt lost by re-cutting"},
		geometry.Range{Name: "lead-trim", V: c.LeadTrim, Hi: most, Unit: "mm", Want: "the belt to cut off the leading end besides"},
		geometry.Range{Name: "trail-trim", V: c.TrailTrim, Hi: most, Unit: "mm", Want: "the belt to cut off the trailing end besides"},
		geometry.Range{Name: "travel", V: c.Travel, Hi: most, Unit: "mm", Want: "how far the take-up can still give belt back"},
		geometry.Range{Name: "reserve", V: c.Reserve, Hi: most, Unit: "mm", Want: "the travel to keep"},
	)
	if err != nil {
		return nil, err
	}
	t := &Takeup{Lost: c.Recuts + c.LeadTrim + c.TrailTrim, LostU95: c.RecutsU95, Travel: c.Travel, Reserve: c.Reserve}
	t.Moves = Moves(t.Lost)
	t.Left = c.Travel - c.Reserve - t.Moves
	t.LeftU95 = t.LostU95 / strandsAt
	switch {
	case t.Left >= t.LeftU95:
		t.Outcome = Enough
	case t.Left < -t.LeftU95:
		t.Outcome = Insert
	default:
		t.Outcome = TooNear
	}
	if t.Left < 0 {
		t.Piece = -t.Left * strandsAt
	}
	return t, nil
}
