package square

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"testing"

	"beltend/geometry"
)

// scene is the part of a ray-traced scene's truth that is compared here.
type scene struct {
	Name       string
	Squareness struct {
		Offset       float64 `json:"offset_mm"`
		Angle        float64 `json:"angle_deg"`
		Straightness float64 `json:"cut_straightness_mm"`
		RMS          float64 `json:"cut_rms_mm"`
	}
	Width struct {
		Mean  float64 `json:"mean_visible_mm"`
		AtCut float64 `json:"at_cut_mm"`
	}
	Recut struct {
		Left   float64 `json:"left_mm"`
		Right  float64 `json:"right_mm"`
		Lost   float64 `json:"length_lost_mm"`
		Centre float64 `json:"length_lost_centre_mm"`
	}
	Centreline struct {
		Length float64 `json:"visible_length_mm"`
	}
	Camera struct {
		K    [3][3]float64
		Dist [2]float64    `json:"dist_k1_k2"`
		R    [3][3]float64 `json:"R_world_to_cam"`
		T    [3]float64    `json:"t_world_to_cam"`
	}
	Points struct {
		Cut         [][2]float64
		Left        [][2]float64 `json:"edge_left"`
		Right       [][2]float64 `json:"edge_right"`
		CornerLeft  [2]float64   `json:"cut_corner_left"`
		CornerRight [2]float64   `json:"cut_corner_right"`
	} `json:"image_points"`
	Corners struct{ Left, Right [2]float64 } `json:"corners_mm"`
}

// view returns the scene's camera over the belt.
func (s *scene) view() geometry.View {
	k, r := s.Camera.K, s.Camera.R
	return geometry.NewView(
		geometry.Camera{F: k[0][0], CX: k[0][2], CY: k[1][2], K1: s.Camera.Dist[0], K2: s.Camera.Dist[1]},
		geometry.PoseFrom(geometry.Mat3{r[0][0], r[0][1], r[0][2], r[1][0], r[1][1], r[1][2], r[2][0], r[2][1], r[2][2]},
			geometry.Vec3{X: s.Camera.T[0], Y: s.Camera.T[1], Z: s.Camera.T[2]}))
}

// edges takes the scene's image points back to the belt's plane.
func (s *scene) edges(t *testing.T) Edges {
	v := s.view()
	back := func(px [][2]float64) []geometry.Vec2 {
		var out []geometry.Vec2
		for _, p := range px {
			q, ok := v.Unproject(geometry.Vec2{X: p[0], Y: p[1]})
			if !ok {
				t.Fatalf("%s: %v is above the horizon", s.Name, p)
			}
			out = append(out, q)
		}
		return out
	}
	return Edges{Left: back(s.Points.Left), Right: back(s.Points.Right), Cut: back(s.Points.Cut)}
}

func scenes(t *testing.T) []scene {
	t.Helper()
	files, err := filepath.Glob("testdata/P*.json")
	if err != nil || len(files) < 3 {
		t.Fatal(len(files), "scenes", err)
	}
	out := make([]scene, len(files))
	for k, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(b, &out[k]); err != nil {
			t.Fatal(f, err)
		}
	}
	return out
}

// The scenes' truth is computed from dense outlines (0.1 mm and finer); the
// image points thin them out to 25 and 81 points, which is what the
// allowances are for: roughness between the points. P09's edges carry a wave
// of 1 mm over 250 mm and two bites, so its allowances are wider.
func TestAgainstRayTracedScenes(t *testing.T) {
	var v Values
	for _, s := range scenes(t) {
		if err := Compute(s.edges(t), Spec{}, &v); err != nil {
			t.Fatal(s.Name, err)
		}
		edge, along, rough := 0.12, 0.15, 0.25
		if s.Name == "P09" {
			edge, along, rough = 1.0, 1.0, 0.5
		}
		for _, c := range []struct {
			what             string
			got, want, allow float64
		}{
			{"offset", v.Offset, s.Squareness.Offset, along},
			{"angle", v.Angle * 180 / math.Pi, s.Squareness.Angle, along / s.Width.Mean * 60},
			{"width at the cut", v.WidthAtCut, s.Width.AtCut, 2 * edge},
			{"mean width", v.WidthMean, s.Width.Mean, edge},
			{"straightness", v.CutStraightness, s.Squareness.Straightness, rough},
			{"rms", v.CutRMS, s.Squareness.RMS, 0.05},
			{"re-cut left", v.Recut.Left, s.Recut.Left, rough},
			{"re-cut right", v.Recut.Right, s.Recut.Right, rough},
			{"length lost", v.Recut.LengthLost, s.Recut.Lost, rough},
			{"centre", v.Recut.Centre, s.Recut.Centre, rough},
			{"length", v.Length, s.Centreline.Length, 30},
			{"left corner x", v.LeftCorner.X, s.Corners.Left[0], 2 * edge},
			{"left corner y", v.LeftCorner.Y, s.Corners.Left[1], rough},
			{"right corner x", v.RightCorner.X, s.Corners.Right[0], 2 * edge},
			{"right corner y", v.RightCorner.Y, s.Corners.Right[1], rough},
		} {
			if !(math.Abs(c.got-c.want) <= c.allow) {
				t.Errorf("%s: %s is %.3f, should be %.3f +- %.3f", s.Name, c.what, c.got, c.want, c.allow)
			}
		}
	}
}

// P09 is cut with a bow that stands 4.5 mm out of the belt in the middle; the
// others are straight but skewed.
func TestShapesOfRayTracedScenes(t *testing.T) {
	for _, s := range scenes(t) {
		e := s.edges(t)
		v := compute(t, e, Spec{})
		d := Shapes(e, v, 0.05)
		if skew := find(d, Skew); skew == nil || skew.Size != v.Offset {
			t.Errorf("%s: %+v", s.Name, d)
		}
		bow := find(d, Bow)
		switch {
		case s.Name != "P09":
			if len(d) != 1 {
				t.Errorf("%s: %+v", s.Name, d)
			}
		case bow == nil || !(math.Abs(bow.Size+4.5) < 0.15+2*bow.SD):
			t.Errorf("%s: %+v", s.Name, d)
		}
	}
}
