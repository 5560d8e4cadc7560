package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math"

	"beltend/server/measure"
	"beltend/server/result"
	"beltend/server/setting"
)

type calibrateCmd struct {
	Photos  []string `arg:"" name:"photo" help:"Photos of cards that lie still, from several sides, all with one camera at one zoom."`
	Out     string   `required:"" placeholder:"FILE" help:"Profile to write (.json)."`
	Board   string   `placeholder:"SPEC" help:"Another ChArUco board: COLSxROWS:SQUARE/MARKER:DICT[:FIRSTID][:legacy]."`
	Markers string   `placeholder:"SPEC" help:"Loose markers: DICT:SIDE."`
}

// Run makes the profile, writes it and says what it holds.
func (c *calibrateCmd) Run(ctx context.Context, std streams) error {
	photos, err := readPhotos(c.Photos)
	if err != nil {
		return err
	}
	line := newProgress(std.err)
	cal, err := measure.Calibrate(ctx, photos, result.Settings{Board: c.Board, Markers: c.Markers}, line.step)
	line.end()
	if err != nil {
		return err
	}
	names := []string{"f", "cx", "cy", "k1", "k2", "k3", "p1", "p2"}
	profile, err := json.MarshalIndent(setting.Camera{
		Schema: setting.CameraSchema, Camera: cal.Camera, Size: []int{cal.Width, cal.Height},
		Names: names, Values: cal.Values, SD: cal.SD, Photos: cal.Photos, RMSPx: cal.RMSPx,
	}, "", "  ")
	if err != nil {
		return err
	}
	if err := writeFile("out", c.Out, append(profile, '\n')); err != nil {
		return err
	}
	fmt.Fprintf(std.out, "Camera profile from %d photos of %d x %d pixels, corners within %.2f px\n", cal.Photos, cal.Width, cal.Height, cal.RMSPx)
	for i, name := range names {
		digits, unit := 5, ""
		if i < 3 {
			digits, unit = 1, " px"
		}
		value := cal.Values[i]
		if math.Abs(value) < 0.5*math.Pow10(-digits) {
			value = 0 // not -0.00000
		}
		fmt.Fprintf(std.out, "  %-2s  %10.*f ± %.*f%s\n", name, digits, value, digits, 2*cal.SD[i], unit)
	}
	fmt.Fprintln(std.out, "± is 95 %. f: focal length, cx cy: principal point, k: radial and p: tangential lens terms.")
	if cal.Reach < 0.7 {
		fmt.Fprintf(std.err, "The cards reach only %.0f %% of the way to the picture's corners; lens terms are guessed beyond. Add photos with cards near the corners.\n", 100*cal.Reach)
	}
	fmt.Fprintln(std.err, "Wrote", c.Out)
	return nil
}
