package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"beltend/geometry/lacing"
	"beltend/server/drawing"
	"beltend/server/measure"
	"beltend/server/pictures"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/server/setting"
)

type hooksCmd struct {
	Photos     []string `arg:"" name:"photo" help:"Photos of one finished joint or laced end, a card beside the hooks."`
	Plan       string   `placeholder:"FILE" help:"Hook plan to compare with (beltend lacing --json)."`
	Overlay    string   `placeholder:"FILE" help:"Write the photo with hooks and findings drawn in (.jpg or .png)."`
	FaceUp     string   `placeholder:"FACE" help:"Side of the belt in the photos: carrying or pulley."`
	Report     string   `placeholder:"FILE" help:"Write the count on paper, with the photo and the clinch checklist (.pdf)."`
	Tolerance  string   `placeholder:"MM" help:"How far the row may be out of square (default 2 mm per metre of width)."`
	PrintScale string   `placeholder:"X,Y" help:"The card's check bars as measured, as for measure."`
	Board      string   `placeholder:"SPEC" help:"Another ChArUco board, as for measure."`
	Markers    string   `placeholder:"SPEC" help:"Loose markers, as for measure."`
	Left       string   `placeholder:"POINTS" help:"Left edge by hand: \"x,y x,y\" near it, pixels of the upright photo."`
	Right      string   `placeholder:"POINTS" help:"Right edge by hand."`
	HintPhoto  string   `placeholder:"N" help:"Photo the points belong to (default 1)."`
	JSON       bool     `name:"json" help:"Print one JSON object (beltend.hooks/1)."`
	Units      string   `enum:"mm,in" default:"mm" help:"Units of the text: mm or in."`
}

// Run counts and prints.
func (c *hooksCmd) Run(ctx context.Context, std streams) error {
	text := map[string]string{setting.Tolerance: c.Tolerance, setting.PrintScale: c.PrintScale, setting.Board: c.Board, setting.Markers: c.Markers,
		setting.Left: c.Left, setting.Right: c.Right, setting.HintPhoto: c.HintPhoto}
	s, err := setting.Parse(func(name string) string { return text[name] })
	if err != nil {
		return err
	}
	if c.Overlay != "" && !slices.Contains([]string{"jpg", "jpeg", "png"}, format(c.Overlay)) {
		return &measure.UsageError{Setting: "overlay", Message: fmt.Sprintf("%q ends in none of jpg jpeg png", c.Overlay)}
	}
	if c.Report != "" && format(c.Report) != "pdf" {
		return &measure.UsageError{Setting: "report", Message: fmt.Sprintf("%q does not end in .pdf", c.Report)}
	}
	plan, err := readPlan(c.Plan)
	if err != nil {
		return err
	}
	photos, err := readPhotos(c.Photos)
	if err != nil {
		return err
	}
	line := newProgress(std.err)
	r, err := measure.Hooks(ctx, photos, s, plan, strings.ToLower(strings.TrimSpace(c.FaceUp)), line.step)
	line.end()
	var refused *result.Refusal
	if errors.As(err, &refused) && c.JSON {
		if err := printJSON(std, &result.Hooks{Schema: result.HooksSchema, Refused: refused, Findings: []result.HookFinding{}, Warnings: []result.Warning{}, Program: version()}); err != nil {
			return err
		}
	}
	if err != nil {
		return err
	}
	r.Program = version()
	o := report.Options{Inches: c.Units == "in"}
	if c.JSON {
		err = printJSON(std, r)
	} else {
		err = report.Hooks(std.out, r, o)
	}
	if err != nil {
		return err
	}
	photo := photos[r.Image.Photo]
	if c.Overlay != "" {
		b, err := pictures.Hooks(photo.Data, r, format(c.Overlay), o)
		if err != nil {
			return fmt.Errorf("draw the overlay: %w", err)
		}
		if err := writeFile("overlay", c.Overlay, b); err != nil {
			return err
		}
	}
	if c.Report == "" {
		return nil
	}
	look := drawing.Look{Where: photo.Name, Made: time.Now().Format(time.DateOnly)}
	if look.Picture, err = pictures.Hooks(photo.Data, r, "jpg", o); err != nil {
		return fmt.Errorf("draw the report's picture: %w", err)
	}
	b, err := drawing.Finished(r, look, o)
	if err != nil {
		return err
	}
	return writeFile("report", c.Report, b)
}

// readPlan reads the hook plan from an answer of the lacing command; nil where
// none is named.
func readPlan(name string) (*lacing.Plan, error) {
	if name == "" {
		return nil, nil
	}
	b, err := os.ReadFile(name)
	if err != nil {
		return nil, unreadable("plan", name, err)
	}
	var l result.Lacing
	if err := json.Unmarshal(b, &l); err != nil || l.Schema != result.LacingSchema {
		return nil, &measure.UsageError{Setting: "plan", Message: name + " is not what beltend lacing --json writes"}
	}
	if l.Plan == nil || l.Plan.Fastener.Wire <= 0 || l.Plan.Fastener.Pitch <= 0 {
		return nil, &measure.UsageError{Setting: "plan", Message: name + " holds no plan: name a fastener that fits"}
	}
	return l.Plan, nil
}
