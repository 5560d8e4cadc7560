package measure

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"beltend/server/result"
	"beltend/vision/render"
)

var updateGolden = flag.Bool("update", false, "render the golden photos of our own renderer anew")

const goldenDir = "../../testdata/golden"

// golden is one photo of the golden set with what a measurement of it owes.
// Offset and width are the truth; U95 limits and codes are what is asked.
type golden struct {
	File        string   `json:"file"`
	What        string   `json:"what"`
	Made        string   `json:"made"` // kind and seed of vision/render, or "ray-traced"
	OffsetMM    float64  `json:"offset_mm"`
	OffsetLimit float64  `json:"offset_u95_limit_mm,omitempty"`
	WidthMM     float64  `json:"width_mm"`
	WidthLimit  float64  `json:"width_u95_limit_mm,omitempty"`
	Codes       []string `json:"refusal_codes,omitempty"` // then no answer is right, and one of these
}

func readGolden(t testing.TB) []golden {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(goldenDir, "golden.json"))
	if err != nil {
		t.Fatal(err)
	}
	var set []golden
	if err := json.Unmarshal(text, &set); err != nil {
		t.Fatal(err)
	}
	return set
}

func (g *golden) photo(t testing.TB) Input {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(goldenDir, g.File))
	if err != nil {
		t.Fatal(err)
	}
	return Input{Name: g.File, Data: data}
}

// Every golden photo is answered with the truth inside one and a half U95 and a
// U95 below its limit, or refused for a right reason.
func TestGoldenPhotos(t *testing.T) {
	if *updateGolden {
		renderGolden(t)
	}
	set := readGolden(t)
	if files, err := filepath.Glob(filepath.Join(goldenDir, "*.jpg")); err != nil || len(files) != len(set) || len(set) < 12 {
		t.Errorf("%d photos, %d in golden.json (%v)", len(files), len(set), err)
	}
	if underRace {
		set = set[:3]
	}
	for _, g := range set {
		t.Run(g.File, func(t *testing.T) {
			t.Parallel()
			m, err := Run(context.Background(), []Input{g.photo(t)}, result.Settings{}, nil)
			var r *result.Refusal
			if len(g.Codes) > 0 {
				if !errors.As(err, &r) || !slices.Contains(g.Codes, r.Code) {
					t.Fatalf("%s: want a refusal for %v, got %v", g.What, g.Codes, err)
				}
				return
			}
			if err != nil {
				t.Fatalf("%s: %v", g.What, err)
			}
			for _, c := range []struct {
				name                   string
				got, u95, truth, limit float64
			}{
				{"offset", m.Squareness.OffsetMM, m.Squareness.OffsetU95MM, g.OffsetMM, g.OffsetLimit},
				{"width at the cut", m.Width.AtCutMM, m.Width.AtCutU95MM, g.WidthMM, g.WidthLimit},
			} {
				t.Logf("%s %.2f ± %.2f, truth %.2f, U95 limit %.2f", c.name, c.got, c.u95, c.truth, c.limit)
				if !(c.u95 > 0) || !(math.Abs(c.got-c.truth) <= 1.5*c.u95) {
					t.Errorf("%s: %s is %.2f ± %.2f mm, truth %.2f", g.What, c.name, c.got, c.u95, c.truth)
				}
				if !(c.u95 <= c.limit) {
					t.Errorf("%s: %s is known only to %.2f mm, limit %.2f", g.What, c.name, c.u95, c.limit)
				}
			}
		})
	}
}

// goldenScenes are the scenes of our own renderer in the set.
var goldenScenes = []struct {
	file, kind string
	seed       int64
	what       string // of the scene; "" takes any
	change     func(*render.Scene)
}{
	{"clean-two-cards.jpg", "clean2", 10, "", nil},
	{"hand-over-cut.jpg", "refuse", 14, "a hand over the cut", nil},
	{"shadow.jpg", "hard", 7, "person's hard shadow", nil},
	{"clean-one-card.jpg", "clean1", 14, "", nil},
	{"tiles.jpg", "hard", 3, "tiles along the cut", nil},
	{"glare.jpg", "hard", 68, "steel plate with glare", nil},
	{"thick.jpg", "hard", 81, "thick belt, bevelled cut", nil},
	{"mirrored.jpg", "clean2", 17, "", func(s *render.Scene) { s.Camera.Orientation = 2 }},
	{"worn-edges.jpg", "hard", 14, "worn edges", nil},
	{"edge-out.jpg", "refuse", 3, "an edge out of the frame", nil},
}

// renderGolden draws our own scenes at 3 MP, compressed to 150 kB, and puts
// their truth into golden.json; limits and codes stay as they are written there.
func renderGolden(t *testing.T) {
	const most = 150 << 10
	set := readGolden(t)
	for _, c := range goldenScenes {
		scenes, err := render.Make(c.kind, c.seed)
		if err != nil {
			t.Fatal(err)
		}
		s := small(scenes[0])
		if c.what != "" && s.What != c.what {
			t.Fatalf("%s %d is %q, not %q", c.kind, c.seed, s.What, c.what)
		}
		if c.change != nil {
			c.change(&s)
		}
		s.Finish.Noise, s.Finish.Blotch, s.Finish.Sharpen = min(s.Finish.Noise, 0.7), 0, 0
		var photo Input
		for s.Finish.Quality = 80; ; s.Finish.Quality -= 5 {
			if photo = draw(t, s); len(photo.Data) <= most {
				break
			}
		}
		truth := truthOf(t, s)
		k := slices.IndexFunc(set, func(g golden) bool { return g.File == c.file })
		if k < 0 {
			k, set = len(set), append(set, golden{File: c.file, OffsetLimit: 2e-3 * truth.Width.AtCut, WidthLimit: 4e-3 * truth.Width.AtCut, Codes: truth.Codes})
		}
		g := &set[k]
		g.What, g.Made = s.What, fmt.Sprintf("%s %d", c.kind, c.seed)
		g.OffsetMM, g.WidthMM = math.Round(1e3*truth.Squareness.Offset)/1e3, math.Round(1e3*truth.Width.AtCut)/1e3
		t.Logf("%s: quality %d, %d kB", c.file, s.Finish.Quality, len(photo.Data)>>10)
		if err := os.WriteFile(filepath.Join(goldenDir, c.file), photo.Data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	text, err := json.MarshalIndent(set, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(goldenDir, "golden.json"), append(text, '\n'), 0o644); err != nil {
		t.Fatal(err)
	}
}
