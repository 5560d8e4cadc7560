package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"beltend/vision/render"
)

// rayTraced is the class of the photos made elsewhere, with other optics than
// our renderer's: what holds only on our own renderer does not hold.
const rayTraced = "ray-traced"

// truthFile is what is used of a photo's truth.
type truthFile struct {
	Name, Photo, What string
	Expected          string
	Squareness        struct {
		Offset float64 `json:"offset_mm"`
	}
	Width struct {
		AtCut float64 `json:"at_cut_mm"`
	}
	MarkedLine *struct {
		Offset float64 `json:"offset_mm"`
		At     float64 `json:"width_at_line_mm"`
	} `json:"marked_line"`
	ImagePoints render.TruthImagePoints `json:"image_points"`
}

// elsewhere are the belt ends of a folder of photos: each photo alone, each
// drawn line, and the photos that show the same end together.
func elsewhere(dir string) ([]job, error) {
	files, err := filepath.Glob(filepath.Join(dir, "truth", "*.json"))
	if err != nil {
		return nil, err
	}
	var jobs []job
	alone := map[string]job{}
	groups := filepath.Join(dir, "truth", "groups.json")
	for _, f := range files {
		if f == groups {
			continue
		}
		var t truthFile
		if err := readJSON(f, &t); err != nil {
			return nil, err
		}
		j := job{
			class: rayTraced, name: t.Name, what: t.What, refuse: t.Expected == render.RefuseOrWide,
			offset: t.Squareness.Offset, width: t.Width.AtCut, photos: []string{filepath.Join(dir, t.Photo)},
			lines: [][][]render.Pt{{t.ImagePoints.EdgeLeft, t.ImagePoints.EdgeRight, t.ImagePoints.Cut}},
		}
		jobs, alone[t.Photo] = append(jobs, j), j
		if l := t.MarkedLine; l != nil {
			j.name, j.offset, j.width, j.settings.Line = t.Name+" drawn line", l.Offset, l.At, "drawn"
			jobs = append(jobs, j)
		}
	}
	together := map[string]struct {
		truthFile
		Photos []string
	}{}
	if err := readJSON(groups, &together); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	for name, g := range together {
		j := job{class: rayTraced, name: name, what: g.What, offset: g.Squareness.Offset, width: g.Width.AtCut}
		for _, p := range g.Photos {
			j.photos, j.lines = append(j.photos, alone[p].photos...), append(j.lines, alone[p].lines...)
		}
		if len(j.photos) != len(g.Photos) {
			return nil, fmt.Errorf("%s: a photo of group %s has no truth", groups, name)
		}
		jobs = append(jobs, j)
	}
	slices.SortStableFunc(jobs, func(a, b job) int { return len(a.photos) - len(b.photos) })
	return jobs, nil
}

func readJSON(path string, to any) error {
	b, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	if err := json.Unmarshal(b, to); err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	return nil
}
