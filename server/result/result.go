// Package result holds the measurement contract beltend.measurement/1: the
// one value that the command line, the service and the archive pass on.
// Lengths in millimetres, angles in degrees, U95 expanded uncertainties (95 %).
package result

// Schema names the contract's version.
const Schema = "beltend.measurement/1"

// Verdict is the decision on squareness.
type Verdict string

// The verdicts: |offset| + U <= tolerance is square, |offset| - U > tolerance
// is recut, anything between is undecided.
const (
	Square    Verdict = "square"
	Recut     Verdict = "recut"
	Undecided Verdict = "undecided"
)

// Measurement is the answer about one belt end, or a refusal.
type Measurement struct {
	Schema     string      `json:"schema"`
	Refused    *Refusal    `json:"refused,omitempty"`
	Verdict    Verdict     `json:"verdict,omitempty"`
	Line       string      `json:"line,omitempty"`   // "cut" or "drawn": what was judged
	Source     string      `json:"source,omitempty"` // "tape" or "tape and photos"; none: photos
	Squareness *Squareness `json:"squareness,omitempty"`
	Width      *Width      `json:"width,omitempty"`
	Centreline *Centreline `json:"centreline,omitempty"`
	Cut        *Cut        `json:"cut,omitempty"`
	Recut      *RecutLine  `json:"recut,omitempty"`
	Drawn      *Drawn      `json:"drawn,omitempty"` // the drawn line, when one is seen beside the cut
	Findings   []Finding   `json:"findings,omitempty"`
	Image      []Image     `json:"image,omitempty"`
	Photos     []Photo     `json:"photos,omitempty"`
	Budget     []BudgetRow `json:"budget,omitempty"`
	Advice     string      `json:"advice,omitempty"` // what would settle an undecided verdict
	AdviceCode string      `json:"advice_code,omitempty"`
	Warnings   []Warning   `json:"warnings"`
	Settings   *Settings   `json:"settings,omitempty"`
	Tape       *Tape       `json:"tape,omitempty"`     // as typed
	Combined   *Combined   `json:"combined,omitempty"` // of tape and photos
	Program    string      `json:"program,omitempty"`  // version that measured
	Method     string      `json:"method,omitempty"`   // version of the method
	Links      *Links      `json:"links,omitempty"`    // set by the service
}

// Refusal says why there is no answer and what to do.
type Refusal struct {
	Code    string `json:"code"`
	Message string `json:"message"`
	Advice  string `json:"advice"`
	Photo   string `json:"photo,omitempty"`
	Reason  string `json:"reason,omitempty"` // which of the code's sentences
	Values  Values `json:"values,omitempty"`
}

// Values are what a sentence is made with: message and advice say it in
// English, the same code, reason and values say it in every language and unit.
// Names end in their unit: _mm, _deg, _percent, _px.
type Values map[string]any

// Error makes a refusal usable as an error.
func (r *Refusal) Error() string { return r.Code + ": " + r.Message }

// Doubt is a refusal of a photo in which cards were found: an image a photo shows what else
// was, and both where two things could be meant (Rival).
type Doubt struct {
	Refusal *Refusal
	Image   []Image
}

func (d *Doubt) Error() string { return d.Refusal.Error() }

// Unwrap gives the refusal.
func (d *Doubt) Unwrap() error { return d.Refusal }

// Squareness of the judged line against the centreline and the target angle.
type Squareness struct {
	OffsetMM     float64 `json:"offset_mm"`
	OffsetU95MM  float64 `json:"offset_u95_mm"`
	AngleDeg     float64 `json:"angle_deg"`
	AngleU95Deg  float64 `json:"angle_u95_deg"`
	ToleranceMM  float64 `json:"tolerance_mm"`
	TargetDeg    float64 `json:"target_deg"`
	PerMetre     float64 `json:"mm_per_m"`
	ConformanceP float64 `json:"conformance_probability"` // JCGM 106: probability that |offset| <= tolerance
}

// Width of the belt.
type Width struct {
	AtCutMM    float64   `json:"at_cut_mm"`
	AtCutU95MM float64   `json:"at_cut_u95_mm"`
	MeanMM     float64   `json:"mean_mm"`
	MeanU95MM  float64   `json:"mean_u95_mm"`
	NominalMM  float64   `json:"nominal_mm,omitempty"`
	Stations   []Station `json:"stations"`
}

// Station is a place along the belt where both edges are measured.
type Station struct {
	UpMM     float64 `json:"up_mm"`
	WidthMM  float64 `json:"width_mm"`
	MiddleMM float64 `json:"middle_mm"` // of the midpoint from the centreline, right positive
}

// Centreline is the baseline squareness is judged against.
type Centreline struct {
	LengthMM    float64 `json:"length_mm"`
	CamberMM    float64 `json:"camber_mm"` // bow of the midpoints over that length, right positive
	CamberU95MM float64 `json:"camber_u95_mm"`
}

// Cut describes the judged line's shape in the centreline's frame.
type Cut struct {
	StraightnessMM    float64      `json:"straightness_mm"` // highest minus lowest deviation from its line
	StraightnessU95MM float64      `json:"straightness_u95_mm"`
	RMSMM             float64      `json:"rms_mm"`
	Deepest           Point        `json:"deepest"`
	Profile           [][2]float64 `json:"profile"` // x from the centreline, deviation up the belt
}

// Point in the belt frame, origin where the fitted cut crosses the centreline.
type Point struct {
	X float64 `json:"x_mm"`
	Y float64 `json:"y_mm"`
}

// RecutLine is the re-cut in tape-measure terms.
type RecutLine struct {
	LeftMM       float64 `json:"left_mm"`  // along the left edge from the present corner
	RightMM      float64 `json:"right_mm"` // along the right edge from the present corner
	LeftU95MM    float64 `json:"left_u95_mm"`
	RightU95MM   float64 `json:"right_u95_mm"`
	CentreMM     float64 `json:"centre_mm"` // along the centreline from the present cut
	LengthLostMM float64 `json:"length_lost_mm"`
	DiagonalMM   float64 `json:"diagonal_mm"`    // both diagonals, when the re-cut is square
	DiagonalUpMM float64 `json:"diagonal_up_mm"` // set-back along both edges from the re-cut line
	TrimMM       float64 `json:"trim_mm"`
}

// AsksRecut says whether a re-cut is drawn into pictures: a square end needs none,
// unless there is a trim to come off.
func (m *Measurement) AsksRecut() bool {
	return m.Recut != nil && (m.Verdict != Square || m.Recut.TrimMM > 0)
}

// Drawn is the line drawn across the belt, judged as the cut is: the middle of
// the stroke. Recut is where a right line would be, up the belt from the line's
// ends along the edges; no trim is added, what is to come off is already drawn.
type Drawn struct {
	OffsetMM       float64    `json:"offset_mm"`
	OffsetU95MM    float64    `json:"offset_u95_mm"`
	AngleDeg       float64    `json:"angle_deg"`
	Verdict        Verdict    `json:"verdict"`
	StraightnessMM float64    `json:"straightness_mm"`
	Recut          *RecutLine `json:"recut,omitempty"`
}

// Finding is a defect named and sized.
type Finding struct {
	Code    string  `json:"code"` // skew, bow, wander, step, vee, ragged, bevel, worn_edge, camber
	SizeMM  float64 `json:"size_mm"`
	U95MM   float64 `json:"u95_mm"`
	Where   string  `json:"where,omitempty"`
	Message string  `json:"message"`
	Reason  string  `json:"reason,omitempty"` // which of the code's sentences
	Values  Values  `json:"values,omitempty"`
}

// Image gives places in one upright photo, pixels, centres at integers.
type Image struct {
	File        string       `json:"file"`
	WidthPx     int          `json:"width_px"`
	HeightPx    int          `json:"height_px"`
	LeftCorner  *[2]float64  `json:"left_corner_px,omitempty"`
	RightCorner *[2]float64  `json:"right_corner_px,omitempty"`
	LeftEdge    [][2]float64 `json:"left_edge_px,omitempty"`
	RightEdge   [][2]float64 `json:"right_edge_px,omitempty"`
	Cut         [][2]float64 `json:"cut_px,omitempty"`
	Drawn       [][2]float64 `json:"drawn_px,omitempty"`
	Centreline  [][2]float64 `json:"centreline_px,omitempty"`
	RecutLine   [][2]float64 `json:"recut_px,omitempty"`
	Rival       [][2]float64 `json:"rival_px,omitempty"`      // the next best candidate where an edge is unclear
	MMPerPx     float64      `json:"mm_per_px,omitempty"`     // at the cards; of a refused photo, which has no record among the photos
	Camera      []float64    `json:"camera,omitempty"`        // f cx cy k1 k2 k3 p1 p2 as adjusted
	CamFromBelt []float64    `json:"cam_from_belt,omitempty"` // rotation vector, translation (mm)
	Orientation int          `json:"exif_orientation"`
	SetByHand   []string     `json:"set_by_hand,omitempty"` // of left, right, cut, line
	Edges       []EdgeSeen   `json:"edges,omitempty"`
}

// Found says whether any line was found in the photo.
func (im *Image) Found() bool {
	return len(im.LeftEdge)+len(im.RightEdge)+len(im.Cut)+len(im.Drawn)+len(im.Rival) > 0
}

// EdgeSeen tells how well an edge is seen in a photo.
type EdgeSeen struct {
	Edge    string  `json:"edge"`    // left, right, cut
	Support float64 `json:"support"` // share of its visible length that was seen, 0 to 1
	// BetterBy is how much better the belt end found fits than the next candidate,
	// in units of its score (about 1 to 2 for each edge); nil where there is none.
	BetterBy *float64 `json:"better_by,omitempty"`
}

// Photo is the record of one picture.
type Photo struct {
	File       string   `json:"file"`
	SHA256     string   `json:"sha256"`
	Cards      []string `json:"cards"`
	MMPerPx    float64  `json:"mm_per_px"`
	TiltDeg    float64  `json:"tilt_deg"`
	ResidualPx float64  `json:"residual_px"`
	BlurPx     float64  `json:"blur_px"`
	LeftOut    string   `json:"left_out,omitempty"` // why a photo was left out
	// OffsetMM is the offset by this photo's own edges, where several photos
	// show the end: what they differ by is a check on all.
	OffsetMM *float64 `json:"offset_mm,omitempty"`
}

// BudgetRow is one line of the uncertainty budget of the offset (JCGM 100).
type BudgetRow struct {
	Source  string  `json:"source"`
	Type    string  `json:"type"` // A or B
	UMM     float64 `json:"u_mm"` // contribution to the offset, standard uncertainty
	Comment string  `json:"comment"`
}

// Warning never stops a measurement.
type Warning struct {
	Code    string `json:"code"`
	Message string `json:"message"`
	Reason  string `json:"reason,omitempty"` // which of the code's sentences
	Values  Values `json:"values,omitempty"`
}

// Links are set by the service.
type Links struct {
	Self    string   `json:"self"`
	Overlay []string `json:"overlay"`
	TopDown string   `json:"topdown"`
	Profile string   `json:"profile"`
}

// Hint is a person's correction: points near an edge in one upright photo.
type Hint struct {
	Photo int          `json:"photo"` // index into the photos given
	Edge  string       `json:"edge"`  // left, right, cut, line (the drawn one)
	Px    [][2]float64 `json:"px"`    // two points or more
}

// Settings of a measurement. The zero value of a field means its default.
type Settings struct {
	ToleranceMM   float64   `json:"tolerance_mm,omitempty"` // 0: 2 mm per metre of measured width
	NominalMM     float64   `json:"nominal_width_mm,omitempty"`
	TargetDeg     float64   `json:"target_deg,omitempty"` // 0 is square; sign as the offset's
	TrimMM        float64   `json:"trim_mm,omitempty"`
	PrintScaleX   float64   `json:"print_scale_x,omitempty"` // measured bar length / 200; 0 means 1, not measured
	PrintScaleY   float64   `json:"print_scale_y,omitempty"` // measured bar length / 150
	ThicknessMM   float64   `json:"thickness_mm,omitempty"`  // belt thickness, if known
	Board         string    `json:"board,omitempty"`         // other reference, see ParseBoard
	Markers       string    `json:"markers,omitempty"`       // other reference, see ParseMarkers
	Line          string    `json:"line,omitempty"`          // "cut" (default) or "drawn"
	Camera        []float64 `json:"camera,omitempty"`        // profile f cx cy k1 k2 k3 p1 p2 in pixels of the upright landscape sensor
	CameraSD      []float64 `json:"camera_sd,omitempty"`
	CameraSize    []int     `json:"camera_size,omitempty"`    // width, height as stored
	CameraProfile string    `json:"camera_profile,omitempty"` // name of the profile's file and its SHA-256
	Hints         []Hint    `json:"hints,omitempty"`
	Sheet         string    `json:"sheet,omitempty"` // "a4" or "letter": plain sheet as emergency reference
}
