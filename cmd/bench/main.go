// Command bench is the scoreboard: it renders a fixed set of belt ends whose
// truth is known, measures them as the program does and prints one line a
// class. Nothing here is a test; `make bench` runs it.
package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"sort"
	"strings"
	"sync"
	"time"

	"beltend/server/measure"
	"beltend/server/result"
	"beltend/vision/render"
)

// class is one row of the scoreboard.
type class struct {
	name  string
	n     int
	scene func(seed int64) []render.Scene
}

func one(f func(int64) render.Scene) func(int64) []render.Scene {
	return func(seed int64) []render.Scene { return []render.Scene{f(seed)} }
}

var classes = []class{
	{"clean, 1 card", 150, one(func(s int64) render.Scene { return render.Clean(s, 1) })},
	{"clean, 2 cards", 150, one(func(s int64) render.Scene { return render.Clean(s, 2) })},
	{"hard but measurable", 120, one(render.Hard)},
	{"must refuse", 60, one(render.MustRefuse)},
	{"several photos", 20, render.Several},
}

// outcome is one measured scene.
type outcome struct {
	class, name, what, expected string
	truth, width                float64
	offset, u95                 float64
	answered                    bool
	code, message               string
	seconds                     float64
}

func (o outcome) perMetre() float64 { return 1000 * (o.offset - o.truth) / o.width }

// lie: answered with an error above 1.5 U95 and above 2 mm/m, or answered
// narrowly where the truth says to refuse.
func (o outcome) lie() bool {
	e := math.Abs(o.offset - o.truth)
	return o.answered && e > 1.5*o.u95 && e > 0.002*o.width
}

func main() {
	cache := flag.String("cache", "", "folder that keeps rendered photos between runs")
	only := flag.String("class", "", "run only classes whose name begins so")
	n := flag.Int("n", 0, "scenes a class (default: the full set)")
	first := flag.Int64("seed", 1, "first seed")
	workers := flag.Int("j", 2, "scenes at a time")
	keep := flag.String("keep", "", "folder for the photos and truths of the scenes measured")
	verbose := flag.Bool("v", false, "print every scene")
	flag.Parse()
	if *only == "" || *only == "cost" {
		if err := cost("testdata/sample/belt-end.jpg"); err != nil {
			fmt.Fprintln(os.Stderr, "bench:", err)
			os.Exit(1)
		}
	}
	if err := run(*cache, *only, *n, *first, *workers, *verbose, *keep); err != nil {
		fmt.Fprintln(os.Stderr, "bench:", err)
		os.Exit(1)
	}
}

func run(cache, only string, n int, first int64, workers int, verbose bool, keep string) error {
	fmt.Printf("%-22s %5s %9s %8s %8s %8s %8s %6s %7s\n", "class", "n", "answered", "RMS", "worst", "U95 med", "coverage", "lies", "s/photo")
	for _, c := range classes {
		if len(only) > len(c.name) || c.name[:len(only)] != only {
			continue
		}
		count := c.n
		if n > 0 {
			count = n
		}
		out := make([]outcome, count)
		errs := make([]error, count)
		var wg sync.WaitGroup
		slots := make(chan struct{}, workers)
		for i := range out {
			wg.Add(1)
			slots <- struct{}{}
			go func() {
				defer wg.Done()
				defer func() { <-slots }()
				out[i], errs[i] = measureScene(c, first+int64(i), cache, keep)
			}()
		}
		wg.Wait()
		if err := errors.Join(errs...); err != nil {
			return err
		}
		report(c.name, out, verbose)
	}
	return nil
}

// measureScene renders a scene, or takes it from the cache, and measures it.
func measureScene(c class, seed int64, cache, keep string) (outcome, error) {
	scenes := c.scene(seed)
	o := outcome{class: c.name, name: fmt.Sprintf("%s %d", c.name, seed)}
	var photos []measure.Input
	var settings result.Settings
	for k := range scenes {
		s := &scenes[k]
		t, err := s.Truth()
		if err != nil {
			return o, fmt.Errorf("%s: %w", o.name, err)
		}
		// the person has measured the bars on the sheet
		if len(t.Cards) > 0 && t.Cards[0].ScaleX != 0 && (t.Cards[0].ScaleX != 1 || t.Cards[0].ScaleY != 1) {
			settings.PrintScaleX, settings.PrintScaleY = t.Cards[0].ScaleX, t.Cards[0].ScaleY
		}
		o.truth, o.width, o.expected, o.what = t.Squareness.Offset, t.Width.AtCut, t.Expected, t.What
		data, err := photo(s, cache)
		if err != nil {
			return o, fmt.Errorf("%s: %w", o.name, err)
		}
		if keep != "" {
			base := filepath.Join(keep, fmt.Sprintf("%s-%d-%d", strings.ReplaceAll(strings.ReplaceAll(c.name, ",", ""), " ", "-"), seed, k+1))
			truth, err := json.MarshalIndent(t, "", " ")
			if err != nil {
				return o, err
			}
			if err := errors.Join(os.WriteFile(base+".jpg", data, 0o644), os.WriteFile(base+".json", truth, 0o644)); err != nil {
				return o, err
			}
		}
		photos = append(photos, measure.Input{Name: fmt.Sprintf("%d.jpg", k+1), Data: data})
	}
	if len(scenes) > 1 {
		t, err := render.GroupTruth(scenes)
		if err != nil {
			return o, fmt.Errorf("%s: %w", o.name, err)
		}
		o.truth, o.width = t.Squareness.Offset, t.Width.AtCut
	}
	start := time.Now()
	m, err := measure.Run(context.Background(), photos, settings, nil)
	o.seconds = time.Since(start).Seconds() / float64(len(photos))
	var r *result.Refusal
	switch {
	case errors.As(err, &r):
		o.code, o.message = r.Code, r.Message
	case err != nil:
		return o, fmt.Errorf("%s: %w", o.name, err)
	default:
		o.answered, o.offset, o.u95 = true, m.Squareness.OffsetMM, m.Squareness.OffsetU95MM
	}
	return o, nil
}

func photo(s *render.Scene, cache string) ([]byte, error) {
	if cache == "" {
		return s.JPEG()
	}
	key, err := json.Marshal(s)
	if err != nil {
		return nil, err
	}
	path := filepath.Join(cache, fmt.Sprintf("%016x.jpg", hash(key)))
	if data, err := os.ReadFile(path); err == nil {
		return data, nil
	}
	data, err := s.JPEG()
	if err != nil {
		return nil, err
	}
	return data, os.WriteFile(path, data, 0o644)
}

// hash is FNV-1a, 64 bit.
func hash(b []byte) uint64 {
	h := uint64(14695981039346656037)
	for _, c := range b {
		h = (h ^ uint64(c)) * 1099511628211
	}
	return h
}

func report(name string, out []outcome, verbose bool) {
	var ss, worst, secs float64
	var us []float64
	answered, covered, lies := 0, 0, 0
	for _, o := range out {
		secs += o.seconds
		if !o.answered {
			continue
		}
		answered++
		e := o.perMetre()
		ss += e * e
		worst = math.Max(worst, math.Abs(e))
		us = append(us, 1000*o.u95/o.width)
		if math.Abs(o.offset-o.truth) <= o.u95 {
			covered++
		}
		if o.lie() {
			lies++
		}
	}
	sort.Float64s(us)
	med := math.NaN()
	if len(us) > 0 {
		med = us[len(us)/2]
	}
	a := float64(answered)
	fmt.Printf("%-22s %5d %8.1f%% %8.3f %8.2f %8.2f %7.1f%% %6d %7.2f\n", name, len(out), 100*a/float64(len(out)), math.Sqrt(ss/a), worst, med, 100*float64(covered)/a, lies, secs/float64(len(out)))
	sort.SliceStable(out, func(i, j int) bool { return score(out[i]) > score(out[j]) })
	for i, o := range out {
		if !verbose && i >= 10 {
			break
		}
		if o.answered {
			mark := ""
			if o.lie() {
				mark = "  LIE"
			}
			fmt.Printf("    %-24s %-10s error %+6.2f mm, U95 %5.2f, width %5.0f  %s%s\n", o.name, o.expected, o.offset-o.truth, o.u95, o.width, o.what, mark)
		} else if verbose || o.expected == "measure" {
			fmt.Printf("    %-24s %-10s refused %s: %s (%s)\n", o.name, o.expected, o.code, o.message, o.what)
		}
	}
}

// score orders outcomes, the most troubling first.
func score(o outcome) float64 {
	if !o.answered {
		if o.expected == "measure" {
			return 1
		}
		return 0
	}
	return 2 + math.Abs(o.offset-o.truth)/o.u95
}
