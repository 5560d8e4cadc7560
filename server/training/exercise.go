package training

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"beltend/geometry"
	"beltend/vision/render"
)

// None is the code of an end that is cut as it should be.
const None = "none"

// Choices of an exercise besides its error.
var (
	Looks   = []string{"black_rubber", "rough_top", "white_food", "green_pu", "blue_food", "grey_fabric", "brown_pvc"}
	Lights  = []string{"even", "side", "shadow", "glare", "dim"}
	Cameras = []string{"above", "slant", "oblique", "turned"}
)

// Codes are the errors to choose from, None first.
var Codes = func() []string {
	codes := []string{None}
	for _, e := range render.Errors {
		codes = append(codes, e.Code)
	}
	return codes
}()

// Exercise is one belt end to judge. The same exercise is the same photo.
type Exercise struct {
	Error  string  `json:"error"`
	Size   float64 `json:"size_mm"` // of the error, as render.Errors says; 0 for None
	Width  float64 `json:"width_mm"`
	Look   string  `json:"look"`
	Light  string  `json:"light"`
	Camera string  `json:"camera"`
	Seed   int64   `json:"seed"` // of everything by chance in the photo
}

// Default is an exercise to begin with.
func Default() Exercise {
	return Exercise{Error: "skew", Size: 8, Width: 800, Look: "black_rubber", Light: "even", Camera: "above", Seed: 1}
}

// Narrowest and widest belts of exercises, mm: two cards have to lie on them,
// and one photo has to show them.
const (
	LeastWidth = 450
	MostWidth  = 1400
)

// MostSeed is the largest seed of a round or an exercise.
const MostSeed = 1_000_000_000

// Check names the first value that cannot be drawn.
func (e Exercise) Check() error {
	for _, c := range []struct {
		name, v string
		of      []string
	}{{"error", e.Error, Codes}, {"belt", e.Look, Looks}, {"light", e.Light, Lights}, {"camera", e.Camera, Cameras}} {
		if !slices.Contains(c.of, c.v) {
			return geometry.Wrong(c.name, "%q is unknown: choose one of %s", c.v, strings.Join(c.of, ", ")).Coded("training_choice", geometry.Values{"given": c.v, "choices": strings.Join(c.of, ", ")})
		}
	}
	ranges := []geometry.Range{
		{Name: "width", V: e.Width, Lo: LeastWidth, Hi: MostWidth, Unit: "mm", Want: "the belt's width"},
		{Name: "seed", V: float64(e.Seed), Hi: MostSeed, Want: "a whole number"},
	}
	if spoilt, ok := render.ErrorOf(e.Error); ok {
		lo := spoilt.Least
		v := e.Size
		if spoilt.Signed {
			v = math.Abs(v)
		}
		ranges = append(ranges, geometry.Range{Name: "size", V: v, Lo: lo, Hi: spoilt.Most, Unit: "mm", Want: "the error's size"})
	}
	return geometry.InRange(ranges...)
}

// Key is the exercise as one word; the same exercise has the same key.
func (e Exercise) Key() string {
	return fmt.Sprintf("%s_%.2f_%.1f_%s_%s_%s_%d", e.Error, e.Size, e.Width, e.Look, e.Light, e.Camera, e.Seed)
}

// Sides of the pictures, px: what a screen shows, and what a phone takes.
const (
	ScreenSize = 1440
	FullSize   = 4000
)

// f35 is the focal length of an ordinary phone's main camera.
const f35 = 26

// Scene is the photo to draw, with so many pixels on its long side.
func (e Exercise) Scene(long int) (render.Scene, error) {
	if err := e.Check(); err != nil {
		return render.Scene{}, err
	}
	s := render.Default()
	s.Name, s.Seed, s.Cards = e.Error, e.Seed, nil
	s.Belt = render.Belt{
		Width: e.Width, Thickness: 9, Length: 6000, Look: e.Look, Dust: 0.3, Scratches: 10, Specks: 25,
		Left: render.Edge{Wave: 0.1, WaveLength: 250}, Right: render.Edge{Wave: 0.1, WaveLength: 250},
	}
	// what any good knife leaves
	s.Cut = render.Cut{Wander: 0.06, WanderWave: 180, Ragged: 0.03, RaggedWave: 4}
	s.Ground = render.Ground{Kind: grounds[e.Look], Turn: 20, Shift: 80}
	s.Camera.Height, s.Camera.Width = long, long*3/4
	s.Camera.F35, s.Camera.Orientation = f35, 1
	s.Camera.F = f35 / math.Hypot(36, 24) * math.Hypot(float64(s.Camera.Width), float64(s.Camera.Height))
	s.Finish = render.Finish{Blur: 0.8, Noise: 1.2, Blotch: 0.6, Vignette: 0.2, Quality: 90}
	e.light(&s)

	spoilt, bad := render.ErrorOf(e.Error)
	if e.Error == None { // well within what is allowed
		s.Cut.Offset = 0.35 * Allowed(e.Width) * math.Sin(float64(e.Seed))
	}
	if e.Error == "small_card" { // just about what is allowed: only a good measurement could tell
		s.Cut.Offset = math.Copysign(1.1*Allowed(e.Width), math.Sin(float64(e.Seed)))
	}
	if bad && spoilt.Code != "small_card" {
		if err := spoilt.Apply(&s, e.Size); err != nil {
			return s, err
		}
	}
	tilt, azimuth, roll := stands[e.Camera][0], stands[e.Camera][1], stands[e.Camera][2]
	up := math.Max(760, 1.2*e.Width)
	s.Stand(tilt, azimuth, roll, up, 2)
	if s.Belt.Buckle != 0 {
		s.Camera.Distance *= 1.08 // crests come nearer and must stay in the picture
	}
	if spoilt.Code == "small_card" {
		if err := spoilt.Apply(&s, e.Size); err != nil {
			return s, err
		}
	}
	return s, s.Validate()
}

// grounds are floors that the belts stand out from.
var grounds = map[string]string{
	"black_rubber": "concrete", "rough_top": "bench", "white_food": "planks", "green_pu": "concrete",
	"blue_food": "bench", "grey_fabric": "mat", "brown_pvc": "tiles",
}

// stands are tilt, azimuth and roll of the camera, degrees.
var stands = map[string][3]float64{"above": {5, 0, 0}, "slant": {18, 8, 2}, "oblique": {30, -22, -3}, "turned": {12, 25, 14}}

func (e Exercise) light(s *render.Scene) {
	s.Light = render.Light{Azimuth: 60, Elevation: 65, Soft: 5, Fill: 0.65, Gradient: 0.1, Patches: 0.02}
	switch e.Light {
	case "side": // a low lamp shows a bevel's lower edge and every crumb
		s.Light.Azimuth, s.Light.Elevation, s.Light.Soft, s.Light.Fill, s.Light.Gradient = 200, 28, 1, 0.5, 0.3
	case "shadow":
		s.Light.Shadows = []render.Shadow{{Kind: "person", X: 120, Y: -1000, Turn: 8, Soft: 8, Depth: 0.45}}
		s.Light.Soft = 2
	case "glare":
		s.Light.Glares = []render.Glare{{X: 0.2 * e.Width, Y: 0.45 * e.Width, Turn: 60, Length: 420, Width: 160, Strength: 0.35}}
		s.Finish.Exposure = 0.4
	case "dim":
		s.Finish.Noise, s.Finish.Blotch, s.Finish.Exposure, s.Light.Warm = 3.5, 1.5, -0.8, 0.5
	}
}
