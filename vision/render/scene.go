package render

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"reflect"
	"regexp"
	"slices"
	"strings"

	"beltend/geometry"
)

// Scene is everything that a photo shows. The zero value of a field is its
// ordinary case; Default gives a scene to start from.
type Scene struct {
	Name   string `json:"name,omitempty"`
	Class  string `json:"class,omitempty"` // group in a scoreboard
	What   string `json:"what,omitempty"`  // a sentence for people
	Group  string `json:"group,omitempty"` // scenes of one belt end share it
	Seed   int64  `json:"seed"`
	Expect string `json:"expected"` // Measure or RefuseOrWide
	// Codes are the refusals that would be right for a RefuseOrWide scene.
	Codes []string `json:"codes,omitempty"`

	Belt    Belt      `json:"belt"`
	Cut     Cut       `json:"cut"`
	Line    *Line     `json:"line,omitempty"`
	Hinge   *Hinge    `json:"hinge,omitempty"` // the end is laced, to another one where that is given
	Ground  Ground    `json:"ground"`
	Light   Light     `json:"light"`
	Cards   []Card    `json:"cards,omitempty"`
	Sheets  []Sheet   `json:"sheets,omitempty"`
	Clutter []Clutter `json:"clutter,omitempty"`
	Camera  Camera    `json:"camera"`
	Finish  Finish    `json:"finish"`

	// Workers is how many goroutines draw; 0 means one.
	Workers int `json:"-"`
	// Progress is told the share of the picture that is drawn; nil: nobody. It is
	// called by the goroutines that draw.
	Progress func(done float64) `json:"-"`
}

// What a scene expects of a measurement.
const (
	Measure      = "measure"
	RefuseOrWide = "refuse-or-wide"
)

// Belt is the belt without its cut.
type Belt struct {
	Width     float64 `json:"width_mm"`
	Thickness float64 `json:"thickness_mm"`
	Length    float64 `json:"length_mm"` // up from the cut
	Look      string  `json:"look"`      // one of Looks
	Dust      float64 `json:"dust"`      // 0 clean .. 1 thick
	Scratches int     `json:"scratches"`
	Specks    int     `json:"specks"` // crumbs lying on and before the belt

	Camber       float64 `json:"camber_mm"` // sagitta of the centreline over CamberLength, to the right
	CamberLength float64 `json:"camber_length_mm,omitempty"`
	Taper        float64 `json:"taper_mm_per_m"` // growth of the width up the belt

	Left  Edge `json:"left"`
	Right Edge `json:"right"`

	CurlRadius float64 `json:"curl_radius_mm,omitempty"` // the end rises on this radius
	CurlFrom   float64 `json:"curl_from_mm,omitempty"`   // below this y
	Buckle     float64 `json:"buckle_mm,omitempty"`      // height of waves in the belt
	BuckleWave float64 `json:"buckle_wave_mm,omitempty"` // their length up the belt
}

// Edge is how a belt edge departs from its straight or cambered course.
type Edge struct {
	Wave       float64 `json:"wave_mm"`        // standard deviation of slow wear
	WaveLength float64 `json:"wave_length_mm"` // its correlation length
	Fray       float64 `json:"fray_mm"`        // standard deviation of fine raggedness
	Nicks      []Nick  `json:"nicks,omitempty"`
	Lip        float64 `json:"lip_mm"` // worn, lighter strip along the edge
}

// Nick is a piece missing from an edge.
type Nick struct {
	Y      float64 `json:"y_mm"`
	Length float64 `json:"length_mm"`
	Depth  float64 `json:"depth_mm"`
}

// Cut is the shape of the cut's top edge; with u = x / width from -1/2 to 1/2
//
//	y = Offset u + Bow (1 - 4 u^2) + V (1 - 2 |u|) + Step sign(u - StepAt) / 2 + wander + ragged
type Cut struct {
	Offset     float64 `json:"offset_mm"` // right minus left: positive, the left side sticks out
	Bow        float64 `json:"bow_mm"`
	V          float64 `json:"v_mm"`
	Step       float64 `json:"step_mm"`
	StepAt     float64 `json:"step_at"` // fraction of the width from the middle
	Wander     float64 `json:"wander_mm"`
	WanderWave float64 `json:"wander_wave_mm"`
	Ragged     float64 `json:"ragged_mm"`
	RaggedWave float64 `json:"ragged_wave_mm"`
	BevelLeft  float64 `json:"bevel_left_deg"` // lower edge sticking out, knife not upright
	BevelRight float64 `json:"bevel_right_deg"`
	Fringe     int     `json:"fringe"` // loose threads
}

// Line is a line drawn across the belt.
type Line struct {
	Kind       string  `json:"kind"`             // chalk, pen, scribe
	Colour     string  `json:"colour,omitempty"` // of a pen: one of PenColours; empty takes one that shows
	Y          float64 `json:"y_mm"`             // at the middle of the belt
	Offset     float64 `json:"offset_mm"`
	Bow        float64 `json:"bow_mm"`
	Width      float64 `json:"width_mm"`
	Wander     float64 `json:"wander_mm"`
	WanderWave float64 `json:"wander_wave_mm"`
	Inset      float64 `json:"inset_mm"` // how far it stays from the edges
	Gaps       int     `json:"gaps"`
	Faint      float64 `json:"faint"`          // 0 clear .. 1 hardly there
	Dust       float64 `json:"dust,omitempty"` // lies over it in patches, 0 none .. 1 thick
}

// Ground is what the belt lies on; its plane is the belt's underside.
type Ground struct {
	Kind  string  `json:"kind"`     // one of Grounds
	Turn  float64 `json:"turn_deg"` // of its pattern against the belt
	Shift float64 `json:"shift_mm"` // of its pattern
	Pitch float64 `json:"pitch_mm"` // of planks, tiles, rollers; 0 is an ordinary one
	Tone  float64 `json:"tone"`     // brighter or darker: factor, 0 means 1
}

// Light is the lighting.
type Light struct {
	Azimuth   float64  `json:"azimuth_deg"`   // where the lamp stands, from +X to +Y
	Elevation float64  `json:"elevation_deg"` // 0 means 60
	Soft      float64  `json:"soft_mm"`       // half width of the belt's own shadow edge; 0 is hard
	Fill      float64  `json:"fill"`          // light inside shadows, 0 means 0.55
	Gradient  float64  `json:"gradient"`      // fall-off over a metre, along the azimuth
	Patches   float64  `json:"patches"`       // uneven light, standard deviation
	Warm      float64  `json:"warm"`          // -1 blue .. 1 yellow
	Shadows   []Shadow `json:"shadows,omitempty"`
	Glares    []Glare  `json:"glares,omitempty"`
}

// Shadow falls across the belt plane.
type Shadow struct {
	Kind  string  `json:"kind"` // person, bar, half
	X     float64 `json:"x_mm"`
	Y     float64 `json:"y_mm"`
	Turn  float64 `json:"turn_deg"`
	Width float64 `json:"width_mm"`
	Soft  float64 `json:"soft_mm"`
	Depth float64 `json:"depth"` // 0..1
}

// Glare is a shining patch.
type Glare struct {
	X        float64 `json:"x_mm"`
	Y        float64 `json:"y_mm"`
	Turn     float64 `json:"turn_deg"`
	Length   float64 `json:"length_mm"`
	Width    float64 `json:"width_mm"`
	Strength float64 `json:"strength"` // added light; 1 is paper white
}

// Card is a reference on its sheet of paper: one of the project's cards by its
// number, another board, or a loose marker.
type Card struct {
	Number int     `json:"number,omitempty"`
	Board  string  `json:"board,omitempty"`   // as geometry.ParseBoard reads it
	Marker string  `json:"marker,omitempty"`  // as geometry.ParseMarkers reads it
	ID     int     `json:"id,omitempty"`      // of a loose marker
	X      float64 `json:"x_mm"`              // centre of the board
	Y      float64 `json:"y_mm"`              //
	Turn   float64 `json:"turn_deg"`          // counterclockwise seen from above
	Lift   float64 `json:"lift_mm,omitempty"` // above the belt
	Lean   float64 `json:"lean_deg,omitempty"`
	Curl   float64 `json:"curl_mm,omitempty"` // how far its ends rise (below 0: its middle)
	// Bend is how far it rises a decimetre off its middle, along it, across it and by
	// its twist, mm. Its lines stay straight between the corners of its squares.
	Bend   [3]float64 `json:"bend_mm,omitzero"`
	ScaleX float64    `json:"scale_x,omitempty"` // printed size over the right one; 0 means 1
	ScaleY float64    `json:"scale_y,omitempty"`
	Paper  string     `json:"paper,omitempty"` // A4 (default) or Letter
	Dirt   float64    `json:"dirt,omitempty"`  // 0..1
	Gloss  float64    `json:"gloss,omitempty"` // 0 matt .. 1 laminated
	Cover  float64    `json:"cover,omitempty"` // fraction hidden by a rag
	Block  bool       `json:"block,omitempty"` // stands on a block of height Lift
}

// Clutter is a thing that lies in the picture.
type Clutter struct {
	Kind   string  `json:"kind"` // one of Things
	X      float64 `json:"x_mm"`
	Y      float64 `json:"y_mm"`
	Turn   float64 `json:"turn_deg"`
	Length float64 `json:"length_mm,omitempty"` // 0 is an ordinary one
	Width  float64 `json:"width_mm,omitempty"`
	Height float64 `json:"height_mm,omitempty"`
}

// Camera is a phone's camera over the upright picture, and where it stands.
type Camera struct {
	Width       int     `json:"width_px"`
	Height      int     `json:"height_px"`
	F           float64 `json:"f_px"`
	CX          float64 `json:"cx_px"` // 0 and CY 0: the middle
	CY          float64 `json:"cy_px"`
	K1          float64 `json:"k1"`
	K2          float64 `json:"k2"`
	K3          float64 `json:"k3"`
	P1          float64 `json:"p1,omitempty"`
	P2          float64 `json:"p2,omitempty"`
	Orientation int     `json:"exif_orientation"` // 0 means 1
	F35         int     `json:"exif_f35_mm"`      // 0 writes none

	// The stand: what the axis hits, how far it is, how the axis leans.
	TargetX  float64 `json:"target_x_mm"`
	TargetY  float64 `json:"target_y_mm"`
	Distance float64 `json:"distance_mm"`
	Tilt     float64 `json:"tilt_deg"`    // of the axis against the belt's normal
	Azimuth  float64 `json:"azimuth_deg"` // 0: beyond the cut, looking up the belt; counterclockwise
	Roll     float64 `json:"roll_deg"`    // clockwise turn of the camera about its axis
	// Pose, when given, replaces the stand (camera from belt: rotation vector
	// in radians, translation in mm).
	Pose *geometry.Pose `json:"pose,omitempty"`
}

// Finish is what the phone makes of the light.
type Finish struct {
	Blur        float64 `json:"blur_px"`       // Gaussian sigma
	Motion      float64 `json:"motion_px"`     // length of a shake
	MotionAngle float64 `json:"motion_deg"`    // in the picture
	Noise       float64 `json:"noise"`         // sd in grey levels at mid grey
	Blotch      float64 `json:"blotch"`        // sd in grey levels of noise that phones smear over some pixels
	Sharpen     float64 `json:"sharpen"`       // share of the detail added again
	Exposure    float64 `json:"exposure_stop"` //
	Vignette    float64 `json:"vignette"`      // darkening in the corners
	Quality     int     `json:"jpeg_quality"`  // 0 means 90
	Linear      bool    `json:"linear"`        // no tone curve: grey levels proportional to light
}

// Looks are the belts that can be drawn.
var Looks = []string{"black_rubber", "white_food", "green_pu", "blue_food", "grey_fabric", "rough_top", "brown_pvc"}

// PenColours are the pens that a line can be drawn with.
var PenColours = []string{"silver", "white", "yellow", "black"}

// Grounds are what can lie beneath.
var Grounds = []string{"concrete", "planks", "tiles", "mat", "steel", "rollers", "bench", "grating"}

// Things are what can lie about.
var Things = []string{"glove", "bar", "tape", "knife", "rag", "rule", "box"}

// Default is a plain scene: a clean 800 mm belt, square, one card, seen from
// straight above the cut by a 12 MP phone.
func Default() Scene {
	return Scene{
		Expect: Measure,
		Belt:   Belt{Width: 800, Thickness: 8, Length: 4000, Look: "black_rubber", Dust: 0.3},
		Ground: Ground{Kind: "concrete"},
		Light:  Light{Azimuth: 60, Soft: 3, Gradient: 0.1, Patches: 0.02},
		Cards:  []Card{{Number: 1, X: -150, Y: 330, Turn: 12}},
		Camera: Camera{Width: 3000, Height: 4000, F: 3000, Orientation: 6, F35: 26, TargetY: 380, Distance: 1250, Tilt: 10},
		Finish: Finish{Blur: 0.8, Noise: 1.5, Vignette: 0.2, Quality: 90},
	}
}

// Parse reads a scene over the defaults and checks it. Unknown fields are
// errors.
func Parse(data []byte) (Scene, error) {
	s := Default()
	s.Cards = nil
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(&s); err != nil {
		return s, fmt.Errorf("reading the scene: %w", err)
	}
	return s, s.Validate()
}

// Validate names the first setting that cannot be drawn.
func (s *Scene) Validate() error {
	bad := func(field string, v float64, want string) error {
		return fmt.Errorf("scene: %s is %g, must be %s", field, v, want)
	}
	in := func(v, lo, hi float64) bool { return v >= lo && v <= hi } // false for NaN
	b, c, f := &s.Belt, &s.Camera, &s.Finish
	switch {
	case !in(b.Width, 20, 5000):
		return bad("belt.width_mm", b.Width, "20 to 5000")
	case !in(b.Thickness, 0, 100):
		return bad("belt.thickness_mm", b.Thickness, "0 to 100")
	case !in(b.Length, 50, 50000):
		return bad("belt.length_mm", b.Length, "50 to 50000")
	case !slices.Contains(Looks, b.Look):
		return fmt.Errorf("scene: belt.look %q: choose one of %s", b.Look, strings.Join(Looks, ", "))
	case !slices.Contains(Grounds, s.Ground.Kind):
		return fmt.Errorf("scene: ground.kind %q: choose one of %s", s.Ground.Kind, strings.Join(Grounds, ", "))
	case c.Width < 16 || c.Width > 12000:
		return bad("camera.width_px", float64(c.Width), "16 to 12000")
	case c.Height < 16 || c.Height > 12000:
		return bad("camera.height_px", float64(c.Height), "16 to 12000")
	case !in(c.F, 10, 100000):
		return bad("camera.f_px", c.F, "10 to 100000")
	case c.Pose == nil && !in(c.Distance, 10, 100000):
		return bad("camera.distance_mm", c.Distance, "10 to 100000")
	case c.Pose == nil && !in(c.Tilt, 0, 70):
		return bad("camera.tilt_deg", c.Tilt, "0 to 70")
	case c.Orientation < 0 || c.Orientation > 8:
		return bad("camera.exif_orientation", float64(c.Orientation), "1 to 8")
	case !in(f.Blur, 0, 50):
		return bad("finish.blur_px", f.Blur, "0 to 50")
	case !in(f.Motion, 0, 200):
		return bad("finish.motion_px", f.Motion, "0 to 200")
	case !in(f.Noise, 0, 60):
		return bad("finish.noise", f.Noise, "0 to 60")
	case !in(f.Blotch, 0, 60):
		return bad("finish.blotch", f.Blotch, "0 to 60")
	case f.Quality < 0 || f.Quality > 100:
		return bad("finish.jpeg_quality", float64(f.Quality), "1 to 100")
	case s.Expect != Measure && s.Expect != RefuseOrWide:
		return fmt.Errorf("scene: expected %q, must be %s or %s", s.Expect, Measure, RefuseOrWide)
	}
	if err := bounded("", reflect.ValueOf(*s)); err != nil {
		return err
	}
	if math.Abs(c.K1) > 2 || math.Abs(c.K2) > 2 || math.Abs(c.K3) > 2 {
		return fmt.Errorf("scene: lens terms k1 %g, k2 %g, k3 %g must be between -2 and 2", c.K1, c.K2, c.K3)
	}
	if math.Abs(c.P1) > 0.1 || math.Abs(c.P2) > 0.1 {
		return fmt.Errorf("scene: lens terms p1 %g, p2 %g must be between -0.1 and 0.1", c.P1, c.P2)
	}
	for i, k := range s.Cards {
		if _, err := k.print(); err != nil {
			return fmt.Errorf("scene: cards[%d]: %w", i, err)
		}
	}
	if l := s.Line; l != nil {
		if !slices.Contains([]string{"chalk", "pen", "scribe"}, l.Kind) {
			return fmt.Errorf("scene: line.kind %q: choose chalk, pen or scribe", l.Kind)
		}
		if l.Colour != "" && !slices.Contains(PenColours, l.Colour) {
			return fmt.Errorf("scene: line.colour %q: choose one of %s", l.Colour, strings.Join(PenColours, ", "))
		}
	}
	if s.Hinge != nil {
		if err := s.Hinge.valid(); err != nil {
			return err
		}
	}
	for i, k := range s.Clutter {
		if !slices.Contains(Things, k.Kind) {
			return fmt.Errorf("scene: clutter[%d].kind %q: choose one of %s", i, k.Kind, strings.Join(Things, ", "))
		}
	}
	return nil
}

// bounded reports the first number that nothing in a picture can be: lengths
// beyond 100 m, counts beyond 20000.
func bounded(name string, v reflect.Value) error {
	switch v.Kind() {
	case reflect.Float64:
		if !(math.Abs(v.Float()) <= 1e5) {
			return fmt.Errorf("scene: %s is %g, must be between -100000 and 100000", name, v.Float())
		}
	case reflect.Int:
		if v.Int() < -20000 || v.Int() > 20000 {
			return fmt.Errorf("scene: %s is %d, must be between -20000 and 20000", name, v.Int())
		}
	case reflect.Pointer:
		if !v.IsNil() {
			return bounded(name, v.Elem())
		}
	case reflect.Slice, reflect.Array:
		if v.Len() > 1000 {
			return fmt.Errorf("scene: %s has %d entries, at most 1000 can be drawn", name, v.Len())
		}
		for i := range v.Len() {
			if err := bounded(fmt.Sprintf("%s[%d]", name, i), v.Index(i)); err != nil {
				return err
			}
		}
	case reflect.Struct:
		for i := range v.NumField() {
			field, _, _ := strings.Cut(v.Type().Field(i).Tag.Get("json"), ",")
			if name != "" {
				field = name + "." + field
			}
			if err := bounded(field, v.Field(i)); err != nil {
				return err
			}
		}
	}
	return nil
}

// pairs are points spread over lines, which nobody can read.
var pairs = regexp.MustCompile(`\[\s+(-?[\d.e+-]+),\s+(-?[\d.e+-]+)\s+\]`)

// Save writes the photo and, beside it with the ending .json, its truth.
func (s *Scene) Save(path string) error {
	data, err := s.JPEG()
	if err != nil {
		return err
	}
	truth, err := s.Truth()
	if err != nil {
		return err
	}
	if i := strings.LastIndexByte(path, '/'); i >= 0 {
		truth.Photo = path[i+1:]
	} else {
		truth.Photo = path
	}
	text, err := json.MarshalIndent(truth, "", " ")
	if err != nil {
		return fmt.Errorf("writing the truth: %w", err)
	}
	text = pairs.ReplaceAll(text, []byte("[$1, $2]"))
	if err := os.WriteFile(path, data, 0o644); err != nil {
		return fmt.Errorf("writing the photo: %w", err)
	}
	name := strings.TrimSuffix(strings.TrimSuffix(path, ".jpg"), ".jpeg") + ".json"
	if err := os.WriteFile(name, append(text, '\n'), 0o644); err != nil {
		return fmt.Errorf("writing the truth: %w", err)
	}
	return nil
}

// View is the camera at its place.
func (s *Scene) View() geometry.View {
	c := &s.Camera
	cam := geometry.Camera{F: c.F, CX: c.CX, CY: c.CY, K1: c.K1, K2: c.K2, K3: c.K3, P1: c.P1, P2: c.P2}
	if c.CX == 0 && c.CY == 0 {
		cam.CX, cam.CY = float64(c.Width-1)/2, float64(c.Height-1)/2
	}
	if c.Pose != nil {
		return geometry.NewView(cam, *c.Pose)
	}
	const deg = math.Pi / 180
	st, ct := math.Sincos(c.Tilt * deg)
	sa, ca := math.Sincos(c.Azimuth * deg)
	sr, cr := math.Sincos(c.Roll * deg)
	axis := geometry.Vec3{X: -st * sa, Y: st * ca, Z: -ct} // where the camera looks
	right := geometry.Vec3{X: ca, Y: sa}
	down := axis.Cross(right)
	x := right.Mul(cr).Add(down.Mul(sr))
	y := down.Mul(cr).Sub(right.Mul(sr))
	r := geometry.Mat3{x.X, x.Y, x.Z, y.X, y.Y, y.Z, axis.X, axis.Y, axis.Z}
	centre := geometry.Vec3{X: c.TargetX, Y: c.TargetY}.Sub(axis.Mul(c.Distance))
	return geometry.NewView(cam, geometry.PoseFrom(r, r.Apply(centre).Mul(-1)))
}
