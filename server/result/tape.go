package result

// Sources of a measurement; none means photos.
const (
	FromTape = "tape"
	FromBoth = "tape and photos"
)

// Tape is what was typed from a tape.
type Tape struct {
	LeftMM    float64       `json:"left_diagonal_mm"`  // from the left corner of the cut to the right mark
	RightMM   float64       `json:"right_diagonal_mm"` // from the right corner to the left mark
	UpMM      float64       `json:"up_mm"`             // set-back of the marks
	SetOut    string        `json:"set_out"`           // "corners" or "line"
	LineU95MM float64       `json:"line_u95_mm,omitempty"`
	WidthMM   float64       `json:"width_mm,omitempty"` // at the cut
	Stations  []TapeStation `json:"stations,omitempty"`
	HollowMM  *float64      `json:"hollow_mm,omitempty"` // deepest gap between the cut and a straightedge over its corners
	Camber    *TapeCamber   `json:"camber,omitempty"`
	Class     string        `json:"tape_class"` // I, II or III (OIML R 35)
	Hook      bool          `json:"from_hook"`
	ReadingMM float64       `json:"reading_mm"` // what was read to
	EdgeMM    float64       `json:"edge_mm"`    // how surely an edge is found, standard uncertainty
	ClosureMM float64       `json:"closure_mm"` // mean diagonal as taped less the one width and set-back make
	ClosureU  float64       `json:"closure_u95_mm"`
}

// TapeStation is a width taped across the belt.
type TapeStation struct {
	UpMM    float64 `json:"up_mm"`
	WidthMM float64 `json:"width_mm"`
}

// TapeCamber is an edge's camber by a string.
type TapeCamber struct {
	ChordMM  float64 `json:"chord_mm"`
	GapMM    float64 `json:"gap_mm"`
	GapU95MM float64 `json:"gap_u95_mm"`
	BowsTo   string  `json:"bows_to"` // "left" or "right"
	RadiusMM float64 `json:"radius_mm,omitempty"`
	Percent  float64 `json:"percent"` // of the chord
}

// Combined says how measurements of one end were made one.
type Combined struct {
	Parts []Part  `json:"parts"`
	Chi2  float64 `json:"chi_square"`
	Limit float64 `json:"chi_square_95"`
	Agree bool    `json:"agree"`
}

// Part is one of them.
type Part struct {
	Source      string  `json:"source"`
	OffsetMM    float64 `json:"offset_mm"`
	OffsetU95MM float64 `json:"offset_u95_mm"`
}
