package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"

	"beltend/server/result"
	"beltend/vision/render"
)

// job is one belt end to measure, with its truth.
type job struct {
	class, name string
	what        string // kind of scene
	refuse      bool   // it carries no answer, or only a wide one
	codes       []string
	offset      float64 // true, mm
	width       float64 // true, at the cut, mm
	photos      []string
	lines       [][][]render.Pt // true left edge, right edge and cut in each upright photo
	settings    result.Settings
}

// class is one row of the scoreboard.
type class struct {
	name   string
	n      int
	goal   goal
	scenes func(seed int64) []render.Scene
	refine func(j *job, t *render.Truth, seed int64) // may be nil
}

// goal is what a class has to reach; 0 stands for no goal.
type goal struct {
	answered float64 // %
	rms      float64 // mm per metre of width
	u95      float64 // median, mm per metre of width
}

var classes = []class{
	{"clean, 1 card", 120, goal{98, 0.5, 1}, one(func(s int64) render.Scene { return render.Clean(s, 1) }), barsOrNot},
	{"clean, 2 cards", 120, goal{98, 0.25, 0.5}, one(func(s int64) render.Scene { return render.Clean(s, 2) }), barsOrNot},
	{"hard but measurable", 4 * render.HardClasses, goal{90, 0.5, 0}, one(render.Hard), bars},
	{"hard, set by hand", render.HardClasses, goal{90, 0.5, 0}, one(render.Hard), byHand},
	{"must refuse", 4 * render.RefuseClasses, goal{}, one(render.MustRefuse), nil},
	{"several photos", 24, goal{100, 0.2, 0}, render.Several, bars},
	{"other references", 24, goal{}, one(render.OtherReference), nil},
	{"plain sheet", 16, goal{}, one(render.PlainSheet), nil},
	{"drawn line", 16, goal{90, 0.5, 0}, one(drawnLine), judgeDrawn},
	{"line, belt runs on", 16, goal{90, 0.5, 0}, one(runningLine), judgeDrawn},
}

func one(f func(int64) render.Scene) func(int64) []render.Scene {
	return func(seed int64) []render.Scene { return []render.Scene{f(seed)} }
}

// drawnLine is the hard scene with a line before the cut; every seed another.
func drawnLine(seed int64) render.Scene {
	n := int64(render.HardClasses)
	for k := range n {
		if s := render.Hard(seed*n + k); s.Line != nil {
			return s
		}
	}
	return render.Hard(seed)
}

// runningLine is a line across a belt that is not cut: the end is far below the picture.
func runningLine(seed int64) render.Scene {
	const on = 1500.0 // mm
	s := render.DrawnLine(seed)
	s.Belt.Length += on
	s.Line.Y += on
	for i := range s.Cards {
		s.Cards[i].Y += on
	}
	s.Camera.TargetY += on
	return s
}

// judgeDrawn asks for the drawn line instead of the cut.
func judgeDrawn(j *job, t *render.Truth, seed int64) {
	bars(j, t, seed)
	j.settings.Line = "drawn"
	if l := t.MarkedLine; l != nil {
		j.what, j.offset, j.width = l.Kind, l.Offset, l.At
	}
}

// bars measures the card's check bars with a rule.
func bars(j *job, _ *render.Truth, seed int64) {
	if j.settings.PrintScaleX == 0 {
		return // no card, or none whose print is off
	}
	const rule = 0.06 // mm, standard deviation of a bar's reading
	r := rand.New(rand.NewPCG(uint64(seed), 501))
	j.settings.PrintScaleX += rule * r.NormFloat64() / 200
	j.settings.PrintScaleY += rule * r.NormFloat64() / 150
}

// barsOrNot does so in every other scene and leaves the print scale unknown in the
// others.
func barsOrNot(j *job, t *render.Truth, seed int64) {
	if seed%2 == 0 {
		j.settings.PrintScaleX, j.settings.PrintScaleY = 0, 0
		return
	}
	bars(j, t, seed)
}

// byHand sets both edges and the cut as a person does who taps two places of
// each, some pixels off.
func byHand(j *job, t *render.Truth, seed int64) {
	bars(j, t, seed)
	const tap = 6.0 // px, standard deviation
	r := rand.New(rand.NewPCG(uint64(seed), 500))
	p := &t.ImagePoints
	for _, e := range []struct {
		edge string
		pts  []render.Pt
	}{{"left", p.EdgeLeft}, {"right", p.EdgeRight}, {"cut", p.Cut}} {
		if len(e.pts) < 2 {
			continue
		}
		h := result.Hint{Edge: e.edge}
		for _, at := range []float64{0.15, 0.85} {
			q := e.pts[int(at*float64(len(e.pts)-1)+0.5)]
			h.Px = append(h.Px, [2]float64{q[0] + tap*r.NormFloat64(), q[1] + tap*r.NormFloat64()})
		}
		j.settings.Hints = append(j.settings.Hints, h)
	}
}

// jobs renders the class's scenes, or takes them from the cache.
func (c *class) jobs(o options) ([]job, error) {
	n := c.n
	if o.n > 0 {
		n = o.n
	}
	var seeds []int64
	for i := range n {
		if o.kind == "" || strings.HasPrefix(c.scenes(o.first + int64(i))[0].What, o.kind) {
			seeds = append(seeds, o.first+int64(i))
		}
	}
	jobs, errs := make([]job, len(seeds)), make([]error, len(seeds))
	p := progress{what: c.name + ": rendered", of: len(seeds)}
	var wg sync.WaitGroup
	slots := make(chan struct{}, max(1, o.workers))
	for i, seed := range seeds {
		slots <- struct{}{}
		wg.Add(1)
		go func() {
			defer wg.Done()
			defer func() { <-slots }()
			jobs[i], errs[i] = c.job(seed, o)
			p.step()
		}()
	}
	wg.Wait()
	return jobs, errors.Join(errs...)
}

func (c *class) job(seed int64, o options) (job, error) {
	scenes := c.scenes(seed)
	j := job{class: c.name, name: fmt.Sprintf("%s %d", c.name, seed)}
	fail := func(err error) (job, error) { return j, fmt.Errorf("%s: %w", j.name, err) }
	for k := range scenes {
		s := &scenes[k]
		t, err := s.Truth()
		if err != nil {
			return fail(err)
		}
		path, err := rendered(s, o.cache)
		if err != nil {
			return fail(err)
		}
		if o.keep != "" {
			if err := keep(o.keep, fmt.Sprintf("%s %d", j.name, k+1), path, t); err != nil {
				return fail(err)
			}
		}
		j.photos = append(j.photos, path)
		j.lines = append(j.lines, [][]render.Pt{t.ImagePoints.EdgeLeft, t.ImagePoints.EdgeRight, t.ImagePoints.Cut})
		if k > 0 {
			continue
		}
		j.what, j.refuse, j.codes = t.What, t.Expected == render.RefuseOrWide, t.Codes
		j.offset, j.width = t.Squareness.Offset, t.Width.AtCut
		reference(s, &j.settings)
		if j.refuse {
			j.settings = result.Settings{} // nobody says what other card that is
		}
		if c.refine != nil {
			c.refine(&j, &t, seed)
		}
	}
	if len(scenes) > 1 {
		t, err := render.GroupTruth(scenes)
		if err != nil {
			return fail(err)
		}
		j.offset, j.width = t.Squareness.Offset, t.Width.AtCut
	}
	return j, nil
}

// reference tells the settings which reference the scene holds, and the print
// scale: the person has measured the bars on the sheet.
func reference(s *render.Scene, to *result.Settings) {
	if len(s.Cards) == 0 {
		if len(s.Sheets) > 0 {
			to.Sheet = s.Sheets[0].Paper
		}
		return
	}
	k := s.Cards[0]
	if k.ScaleX != 0 && (k.ScaleX != 1 || k.ScaleY != 1) {
		to.PrintScaleX, to.PrintScaleY = k.ScaleX, k.ScaleY
	}
	to.Board, to.Markers = k.Board, k.Marker
}

// rendered is the path of the scene's photo in the cache. Its name is drawn from
// the scene, so that a changed scene is rendered anew.
func rendered(s *render.Scene, cache string) (string, error) {
	key, err := json.Marshal(s)
	if err != nil {
		return "", err
	}
	h := fnv.New64a()
	h.Write(key)
	path := filepath.Join(cache, fmt.Sprintf("%016x.jpg", h.Sum64()))
	if _, err := os.Stat(path); err == nil {
		return path, nil
	}
	data, err := s.JPEG()
	if err != nil {
		return "", err
	}
	if err := os.MkdirAll(cache, 0o755); err != nil {
		return "", err
	}
	// two classes may render the same scene at once
	part, err := os.CreateTemp(cache, "*.part")
	if err != nil {
		return "", err
	}
	_, err = part.Write(data)
	if err = errors.Join(err, part.Close()); err != nil {
		return "", err
	}
	return path, os.Rename(part.Name(), path)
}

func keep(dir, name, photo string, t render.Truth) error {
	data, err := os.ReadFile(photo)
	if err != nil {
		return err
	}
	truth, err := json.MarshalIndent(t, "", " ")
	if err != nil {
		return err
	}
	base := filepath.Join(dir, fileName(name))
	return errors.Join(os.MkdirAll(dir, 0o755), os.WriteFile(base+".jpg", data, 0o644), os.WriteFile(base+".json", truth, 0o644))
}

// fileName makes a plain file name of words.
func fileName(words string) string {
	ok := func(r rune) bool {
		return r < 128 && (r >= '0' && r <= '9' || r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z')
	}
	return strings.Join(strings.FieldsFunc(words, func(r rune) bool { return !ok(r) }), "-")
}
