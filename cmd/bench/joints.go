package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strings"
	"sync"

	"beltend/server/measure"
	"beltend/server/measure/truth"
	"beltend/server/result"
	"beltend/vision/render"
)

// jointClass is one row of the finished joints' table.
type jointClass struct {
	name  string
	n     int
	goal  float64 // share of joints counted exactly, %
	scene func(seed int64) render.Scene
}

var jointClasses = []jointClass{
	{"finished joint", 100, 99, render.Joint},
	{"finished joint, hard", 4 * render.HardJointClasses, 0, render.HardJoint},
}

// Goals of finished joints, mm.
const (
	goalPitch  = 0.1
	goalMargin = 0.5
)

// counted is how one finished joint was read against its truth.
type counted struct {
	name, what, refused string
	truth.Hooks
}

// troubles tells whether a joint is to be looked at.
func (c *counted) troubles() bool {
	return c.refused != "" || c.Miscount || c.Flaws > 0 || c.Margin > goalMargin || !c.OffsetIn
}

// countJoints renders and counts the class's joints.
func (c *jointClass) countJoints(o options) ([]counted, error) {
	n := c.n
	if o.n > 0 {
		n = o.n
	}
	var scenes []render.Scene
	for i := range n {
		if s := c.scene(o.first + int64(i)); strings.HasPrefix(s.What, o.kind) {
			scenes = append(scenes, s)
		}
	}
	out, errs := make([]counted, len(scenes)), make([]error, len(scenes))
	p := progress{what: c.name + ": counted", of: len(scenes)}
	var wg sync.WaitGroup
	slots := make(chan struct{}, max(1, o.workers))
	for i := range scenes {
		slots <- struct{}{}
		wg.Add(1)
		go func() {
			defer wg.Done()
			defer func() { <-slots }()
			out[i], errs[i] = countJoint(&scenes[i], o.cache)
			p.step()
		}()
	}
	wg.Wait()
	return out, errors.Join(errs...)
}

// countJoint counts one joint without its plan: nothing but the photo tells.
func countJoint(s *render.Scene, cache string) (counted, error) {
	c := counted{name: s.Name, what: s.What}
	t, err := s.Truth()
	if err != nil {
		return c, fmt.Errorf("%s: %w", s.Name, err)
	}
	path, err := rendered(s, cache)
	if err != nil {
		return c, fmt.Errorf("%s: %w", s.Name, err)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return c, err
	}
	r, err := measure.Hooks(context.Background(), []measure.Input{{Name: s.Name, Data: data}}, result.Settings{PrintScaleX: 1, PrintScaleY: 1}, nil, "", nil)
	var refused *result.Refusal
	if errors.As(err, &refused) {
		c.refused = refused.Code + ": " + refused.Message
		return c, nil
	}
	if err != nil {
		return c, fmt.Errorf("%s: %w", s.Name, err)
	}
	c.Hooks = truth.OfHooks(r, t.Hinge)
	return c, nil
}

const jointColumns = "%-24s %4s %10s %13s %11s %6s %20s %24s %9s %18s %9s\n"

func jointHead(w io.Writer) {
	fmt.Fprintln(w, "\nFinished joints, counted without a plan. Each joint's worst side; RMS and worst in mm, goals in brackets; within: truth inside U95.")
	fmt.Fprintf(w, jointColumns, "class", "n", "answered", "exact", "miscounts", "flaws", "pitch RMS, worst", "margin RMS, worst", "within", "row RMS, worst", "within")
}

func jointRow(w io.Writer, c *jointClass, all []counted) {
	var answered, exact, miscounts, flaws, marginIn, offsetIn int
	var pitch, margin, offset spread
	for i := range all {
		k := &all[i]
		if k.refused != "" {
			continue
		}
		answered++
		flaws += k.Flaws
		for _, b := range []struct {
			is bool
			n  *int
		}{{k.Exact, &exact}, {k.Miscount, &miscounts}, {k.MarginIn, &marginIn}, {k.OffsetIn, &offsetIn}} {
			if b.is {
				*b.n++
			}
		}
		pitch.add(k.Pitch)
		margin.add(k.Margin)
		offset.add(k.Offset)
	}
	fmt.Fprintf(w, jointColumns, c.name, fmt.Sprint(len(all)), percent(answered, len(all)), beside(percent(exact, len(all)), c.goal), fmt.Sprintf("%d (0)", miscounts), fmt.Sprint(flaws),
		beside(pitch.text(3), goalPitch), beside(margin.text(2), goalMargin), percent(marginIn, answered), offset.text(2), percent(offsetIn, answered))
}

// spread sums errors.
type spread struct{ n, squares, worst float64 }

func (s *spread) add(v float64) {
	s.n, s.squares, s.worst = s.n+1, s.squares+v*v, math.Max(s.worst, v)
}

func (s *spread) text(digits int) string {
	if s.n == 0 {
		return "-"
	}
	return number(math.Sqrt(s.squares/s.n), digits) + ", " + number(s.worst, digits)
}

// listJoints prints the joints that trouble, or all.
func listJoints(w io.Writer, all []counted, every bool) {
	for i := range all {
		c := &all[i]
		switch {
		case c.refused != "" && (every || c.what == ""):
			fmt.Fprintf(w, "%-26s refused %s (%s)\n", c.name, c.refused, c.what)
		case c.refused == "" && (every || c.troubles()):
			fmt.Fprintf(w, "%-26s exact %v, miscount %v, %d flaws wrong; pitch %.3f, margin %.2f, row %.2f mm off  %s\n", c.name, c.Exact, c.Miscount, c.Flaws, c.Pitch, c.Margin, c.Offset, c.what)
		}
	}
}

// joints runs the classes of finished joints.
func joints(o options) error {
	var all []counted
	for i := range jointClasses {
		c := &jointClasses[i]
		if !strings.HasPrefix(c.name, o.only) {
			continue
		}
		out, err := c.countJoints(o)
		if err != nil {
			return err
		}
		if len(out) == 0 { // none of that kind
			continue
		}
		if len(all) == 0 {
			jointHead(os.Stdout)
		}
		jointRow(os.Stdout, c, out)
		all = append(all, out...)
	}
	listJoints(os.Stdout, all, o.verbose)
	return nil
}
