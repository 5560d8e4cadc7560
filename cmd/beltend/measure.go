package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"beltend/server/measure"
	"beltend/server/pictures"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/server/setting"
	"beltend/vision/photo"
)

// settingFlags are the settings of a measurement. They stay texts until
// package setting reads them, as it does for the page's form.
type settingFlags struct {
	Tolerance  string `placeholder:"MM" help:"Largest offset allowed (default 2 mm per metre of width)."`
	Width      string `placeholder:"MM" help:"Nominal belt width, compared with the measured one."`
	Target     string `placeholder:"DEG" help:"Angle asked for, for a joint at a bias (default 0, square)."`
	Trim       string `placeholder:"MM" help:"Belt to take off beyond what the re-cut needs."`
	Thickness  string `placeholder:"MM" help:"Belt thickness, if known."`
	PrintScale string `placeholder:"X,Y" help:"The card's check bars as measured in mm (200,150 when true), or two factors near 1."`
	Line       string `placeholder:"cut|drawn" help:"Judge the cut (default) or the line drawn before cutting."`
	Board      string `placeholder:"SPEC" help:"Another ChArUco board: COLSxROWS:SQUARE/MARKER:DICT[:FIRSTID][:legacy]."`
	Markers    string `placeholder:"SPEC" help:"Loose markers: DICT:SIDE, for example 4X4_50:16."`
	Sheet      string `placeholder:"a4|letter" help:"A plain sheet as emergency reference."`
	Left       string `placeholder:"POINTS" help:"Left edge by hand: \"x,y x,y\" near it, pixels of the upright photo."`
	Right      string `placeholder:"POINTS" help:"Right edge by hand."`
	Cut        string `placeholder:"POINTS" help:"Cut by hand."`
	Drawn      string `placeholder:"POINTS" help:"Drawn line by hand."`
	HintPhoto  string `placeholder:"N" help:"Photo the points belong to (default 1)."`
	Camera     string `placeholder:"FILE" help:"Camera profile made by beltend calibrate."`
}

func (f *settingFlags) settings() (result.Settings, error) {
	text := map[string]string{
		setting.Tolerance: f.Tolerance, setting.Width: f.Width, setting.Target: f.Target, setting.Trim: f.Trim,
		setting.Thickness: f.Thickness, setting.PrintScale: f.PrintScale, setting.Line: f.Line, setting.Board: f.Board,
		setting.Markers: f.Markers, setting.Sheet: f.Sheet, setting.Left: f.Left, setting.Right: f.Right,
		setting.Cut: f.Cut, setting.Drawn: f.Drawn, setting.HintPhoto: f.HintPhoto,
	}
	s, err := setting.Parse(func(name string) string { return text[name] })
	if err != nil || f.Camera == "" {
		return s, err
	}
	profile, err := os.ReadFile(f.Camera)
	if err != nil {
		return s, unreadable("camera", f.Camera, err)
	}
	return s, setting.UseCamera(&s, filepath.Base(f.Camera), profile)
}

type measureCmd struct {
	Photos  []string `arg:"" name:"photo" help:"Photos of one belt end."`
	JSON    bool     `name:"json" help:"Print one JSON object (beltend.measurement/1)."`
	Units   string   `enum:"mm,in" default:"mm" help:"Units of the text: mm or in."`
	Budget  bool     `help:"Print where the uncertainty comes from."`
	Overlay string   `placeholder:"FILE" help:"Write the photo with the findings drawn in (.jpg or .png); with several photos -1, -2 are added."`
	Topdown string   `placeholder:"FILE" help:"Write the belt end as seen from straight above (.png or .jpg)."`
	Profile string   `placeholder:"FILE" help:"Write the cut's deviation across the width (.svg or .png)."`
	settingFlags
}

// Run measures and prints.
func (c *measureCmd) Run(ctx context.Context, std streams) error {
	s, err := c.settings()
	if err != nil {
		return err
	}
	for _, p := range []struct{ setting, file, formats string }{{"overlay", c.Overlay, "jpg jpeg png"}, {"topdown", c.Topdown, "png jpg jpeg"}, {"profile", c.Profile, "svg png"}} {
		if p.file != "" && !slices.Contains(strings.Fields(p.formats), format(p.file)) {
			return &measure.UsageError{Setting: p.setting, Message: fmt.Sprintf("%q ends in none of %s", p.file, p.formats)}
		}
	}
	photos, err := readPhotos(c.Photos)
	if err != nil {
		return err
	}
	line := newProgress(std.err)
	m, err := measure.Run(ctx, photos, s, line.step)
	line.end()
	if err == nil && m.Refused != nil {
		err = m.Refused
	}
	if err != nil {
		var refused *result.Refusal
		if !errors.As(err, &refused) {
			return err
		}
		m = &result.Measurement{Schema: result.Schema, Refused: refused, Warnings: []result.Warning{}}
		var doubt *result.Doubt
		if errors.As(err, &doubt) {
			m.Image = doubt.Image
		}
		if c.JSON {
			if err := printJSON(std, m); err != nil {
				return err
			}
		}
		if failed := c.drawFound(photos, m); failed != nil {
			return failed
		}
		return err
	}
	m.Program = version()
	if c.JSON {
		err = printJSON(std, m)
	} else {
		err = report.Text(std.out, m, c.options())
	}
	if err != nil {
		return err
	}
	if c.JSON && c.Budget {
		if err := report.Budget(std.err, m, c.options()); err != nil {
			return err
		}
	}
	return c.draw(photos, m)
}

func (c *measureCmd) options() report.Options {
	return report.Options{Inches: c.Units == "in", Budget: c.Budget}
}

// drawFound draws what was found in refused photos into those that show any of it.
func (c *measureCmd) drawFound(photos []measure.Input, m *result.Measurement) error {
	if c.Overlay == "" {
		return nil
	}
	for i := range m.Image {
		if !m.Image[i].Found() {
			continue
		}
		b, err := pictures.Overlay(photos[i].Data, m, i, format(c.Overlay), c.options())
		if err != nil {
			return fmt.Errorf("draw the overlay: %w", err)
		}
		if err := writeFile("overlay", c.overlayOf(i, len(photos)), b); err != nil {
			return err
		}
	}
	return nil
}

func (c *measureCmd) overlayOf(photo, photos int) string {
	if photos > 1 {
		return numbered(c.Overlay, photo)
	}
	return c.Overlay
}

func (c *measureCmd) draw(photos []measure.Input, m *result.Measurement) error {
	if c.Overlay != "" {
		for i := range photos {
			b, err := pictures.Overlay(photos[i].Data, m, i, format(c.Overlay), c.options())
			if err != nil {
				return fmt.Errorf("draw the overlay: %w", err)
			}
			if err := writeFile("overlay", c.overlayOf(i, len(photos)), b); err != nil {
				return err
			}
		}
	}
	if c.Topdown != "" {
		b, err := pictures.TopDown(photos, m, format(c.Topdown), c.options())
		if err != nil {
			return fmt.Errorf("draw the top-down view: %w", err)
		}
		if err := writeFile("topdown", c.Topdown, b); err != nil {
			return err
		}
	}
	if c.Profile != "" {
		b, err := pictures.Profile(m, format(c.Profile), c.options())
		if err != nil {
			return fmt.Errorf("draw the profile: %w", err)
		}
		return writeFile("profile", c.Profile, b)
	}
	return nil
}

// format is a file name's ending.
func format(name string) string {
	return strings.ToLower(strings.TrimPrefix(filepath.Ext(name), "."))
}

func printJSON(std streams, v any) error {
	enc := json.NewEncoder(std.out)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	return enc.Encode(v)
}

// readPhotos reads whole files, but none larger than a photo may be.
func readPhotos(names []string) ([]measure.Input, error) {
	var photos []measure.Input
	for _, name := range names {
		info, err := os.Stat(name)
		if err != nil {
			return nil, unreadable("photo", name, err)
		}
		if info.IsDir() {
			return nil, &measure.UsageError{Setting: "photo", Message: name + " is a folder: name the photos in it"}
		}
		if limit := photo.DefaultLimits().MaxBytes; info.Size() > limit {
			return nil, &result.Refusal{Code: photo.CodeTooLarge, Photo: name,
				Message: fmt.Sprintf("%s has %d MB; %d MB is the most.", name, info.Size()>>20, limit>>20),
				Advice:  "Set the camera to its ordinary JPEG and take the photo again."}
		}
		data, err := os.ReadFile(name)
		if err != nil {
			return nil, unreadable("photo", name, err)
		}
		photos = append(photos, measure.Input{Name: filepath.Base(name), Data: data})
	}
	return photos, nil
}

// unreadable is wrong usage where the person can mend it by naming another file.
func unreadable(setting, name string, err error) error {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return &measure.UsageError{Setting: setting, Message: "there is no file " + name}
	case errors.Is(err, fs.ErrPermission):
		return &measure.UsageError{Setting: setting, Message: name + " may not be read by this user"}
	}
	return fmt.Errorf("read %s: %w", name, err)
}

func writeFile(setting, name string, b []byte) error {
	return unwritable(setting, os.WriteFile(name, b, 0o644))
}

// unwritable is wrong usage where another name would do.
func unwritable(setting string, err error) error {
	if errors.Is(err, fs.ErrNotExist) || errors.Is(err, fs.ErrPermission) {
		return &measure.UsageError{Setting: setting, Message: err.Error()}
	}
	return err
}
