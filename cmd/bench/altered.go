package main

import (
	"fmt"
	"os"
	"path/filepath"

	"beltend/vision"
	"beltend/vision/render"
)

// altered is the class of the photos made elsewhere as other phones, apps and light would
// have made them: an answer must not hang on how a phone sharpens or stores a photo.
const altered = rayTraced + ", altered"

// alteredFrom writes the photos of jobs, altered, to a folder and returns the jobs
// for them.
func alteredFrom(jobs []job, dir string) ([]job, error) {
	var out []job
	for _, j := range jobs {
		if len(j.photos) != 1 {
			continue
		}
		data, err := os.ReadFile(j.photos[0])
		if err != nil {
			return nil, err
		}
		for i := range vision.Alterations {
			a := &vision.Alterations[i]
			path := filepath.Join(dir, fmt.Sprintf("%s %s.jpg", j.name, a.Name))
			photo, err := a.Of(data)
			if err != nil {
				return nil, fmt.Errorf("%s, %s: %w", j.name, a.Name, err)
			}
			if err := os.WriteFile(path, photo, 0o600); err != nil {
				return nil, err
			}
			k := j
			k.class, k.what, k.name, k.photos = altered, a.Name, j.name+" "+a.Name, []string{path}
			k.lines = scaled(j.lines, a.Scale)
			out = append(out, k)
		}
	}
	return out, nil
}

// scaled are lines of photos made larger or smaller; pixel centres are at integers.
func scaled(lines [][][]render.Pt, scale float64) [][][]render.Pt {
	if scale == 0 {
		return lines
	}
	out := make([][][]render.Pt, len(lines))
	for i := range lines {
		out[i] = make([][]render.Pt, len(lines[i]))
		for k, line := range lines[i] {
			for _, q := range line {
				out[i][k] = append(out[i][k], render.Pt{(q[0]+0.5)*scale - 0.5, (q[1]+0.5)*scale - 0.5})
			}
		}
	}
	return out
}
