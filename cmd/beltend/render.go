package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"

	"beltend/server/measure"
	"beltend/vision/render"
)

type renderCmd struct {
	File  string `arg:"" help:"Photo to write (.jpg); its truth goes beside it (.json). Several photos are numbered."`
	Scene string `placeholder:"FILE" xor:"what" help:"Scene to draw, JSON; what it leaves out is ordinary."`
	Kind  string `placeholder:"KIND" xor:"what" help:"Draw up a scene instead: clean1, clean2, hard, refuse, several, reference, drawn, sheet, joint, hard-joint."`
	Seed  int64  `default:"1" help:"Number of the scene of that kind."`
}

// Run draws a scene and writes its truth.
func (c *renderCmd) Run(std streams) error {
	if e := strings.ToLower(filepath.Ext(c.File)); e != ".jpg" && e != ".jpeg" {
		return &measure.UsageError{Setting: "file", Message: fmt.Sprintf("%q does not end in .jpg", c.File)}
	}
	scenes, err := c.scenes()
	if err != nil {
		return err
	}
	for i := range scenes {
		name := c.File
		if len(scenes) > 1 {
			name = numbered(name, i)
		}
		scenes[i].Workers = runtime.NumCPU()
		if err := scenes[i].Save(name); err != nil {
			return unwritable("file", err)
		}
		fmt.Fprintln(std.err, "Wrote", name)
	}
	return nil
}

func (c *renderCmd) scenes() ([]render.Scene, error) {
	switch {
	case c.Scene != "":
		b, err := os.ReadFile(c.Scene)
		if errors.Is(err, fs.ErrNotExist) || errors.Is(err, fs.ErrPermission) {
			return nil, unreadable("scene", c.Scene, err)
		} else if err != nil {
			return nil, err
		}
		s, err := render.Parse(b)
		if err != nil {
			return nil, &measure.UsageError{Setting: "scene", Message: c.Scene + ": " + err.Error()}
		}
		return []render.Scene{s}, nil
	case c.Kind != "":
		if !slices.Contains(render.Kinds, c.Kind) {
			return nil, &measure.UsageError{Setting: "kind", Message: fmt.Sprintf("%q is unknown: one of %s", c.Kind, strings.Join(render.Kinds, ", "))}
		}
		return render.Make(c.Kind, c.Seed)
	}
	return []render.Scene{render.Default()}, nil
}

// numbered puts -1, -2 and so on before the ending.
func numbered(name string, i int) string {
	ext := filepath.Ext(name)
	return strings.TrimSuffix(name, ext) + "-" + strconv.Itoa(i+1) + ext
}
