// Package setting reads the settings of a measurement as people type them, on
// the command line and in the page's form, and names the one that is wrong.
package setting

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"

	"beltend/geometry"
	"beltend/server/measure"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/vision/cardsheet"
)

// Names of the settings: flags of the command line and fields of the form.
const (
	Tolerance  = "tolerance"
	Width      = "width"
	Target     = "target"
	Trim       = "trim"
	Thickness  = "thickness"
	PrintScale = "print-scale"
	Line       = "line"
	Board      = "board"
	Markers    = "markers"
	Sheet      = "sheet"
	Left       = "left"
	Right      = "right"
	Cut        = "cut"
	Drawn      = "drawn"
	HintPhoto  = "hint-photo"
)

// Names lists all of them.
var Names = []string{Tolerance, Width, Target, Trim, Thickness, PrintScale, Line, Board, Markers, Sheet, Left, Right, Cut, Drawn, HintPhoto}

// Parse makes settings of texts; an empty text is a setting not given. An
// error is a *measure.UsageError. Ranges are checked by measure.Run, except for
// a zero, which there means "not given".
func Parse(text func(name string) string) (result.Settings, error) {
	var s result.Settings
	for _, n := range []struct {
		name     string
		to       *float64
		positive bool
		want     string
	}{
		{Tolerance, &s.ToleranceMM, true, "the largest offset allowed in mm, above 0; leave it out for 2 mm per metre of width"},
		{Width, &s.NominalMM, true, "the belt's nominal width in mm"},
		{Target, &s.TargetDeg, false, "the angle from square in degrees"},
		{Trim, &s.TrimMM, false, "the length to take off beyond the deepest point in mm"},
		{Thickness, &s.ThicknessMM, true, "the belt's thickness in mm"},
	} {
		read := length
		if n.name == Target {
			read = number
		}
		v, given, err := read(text(n.name))
		switch {
		case err != nil:
			return s, wrong(n.name, "setting_no_number", geometry.Values{"given": text(n.name)}, "%q is no number: give %s", text(n.name), n.want)
		case given && n.positive && v <= 0:
			return s, wrong(n.name, "setting_not_above", geometry.Values{"given": v}, "%v is not above 0: give %s", v, n.want)
		}
		*n.to = v
	}
	if t := strings.TrimSpace(text(PrintScale)); t != "" {
		var err error
		if s.PrintScaleX, s.PrintScaleY, err = printScale(t); err != nil {
			return s, err
		}
	}
	s.Line = strings.TrimSpace(text(Line))
	s.Board = strings.TrimSpace(text(Board))
	s.Markers = strings.TrimSpace(text(Markers))
	s.Sheet = strings.TrimSpace(text(Sheet))

	photo := 1
	if t := strings.TrimSpace(text(HintPhoto)); t != "" {
		var err error
		if photo, err = strconv.Atoi(t); err != nil || photo < 1 {
			return s, wrong(HintPhoto, "hint_photo_number", geometry.Values{"given": t}, "%q is no photo: give its place among the photos, 1 for the first", t)
		}
	}
	for _, hint := range []struct{ name, edge string }{{Left, Left}, {Right, Right}, {Cut, Cut}, {Drawn, "line"}} {
		if t := strings.TrimSpace(text(hint.name)); t != "" {
			px, err := points(t)
			if err != nil {
				return s, wrong(hint.name, "hint_points", nil, "%v: give two points or more as \"x,y x,y\", pixels of the upright photo", err)
			}
			s.Hints = append(s.Hints, result.Hint{Photo: photo - 1, Edge: hint.edge, Px: px})
		}
	}
	return s, nil
}

// length reads a length in mm, or with its unit. Not given is 0, false.
func length(t string) (float64, bool, error) {
	if strings.TrimSpace(t) == "" {
		return 0, false, nil
	}
	v, err := report.ReadLength(t)
	return v, true, err
}

// number reads a decimal number with a point or a comma. Not given is 0, false.
func number(t string) (float64, bool, error) {
	t = strings.TrimSpace(t)
	if t == "" {
		return 0, false, nil
	}
	if strings.Count(t, ",") == 1 && !strings.Contains(t, ".") {
		t = strings.Replace(t, ",", ".", 1)
	}
	v, err := strconv.ParseFloat(t, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, true, fmt.Errorf("%q is no number", t)
	}
	return v, true, nil
}

// printScale reads measured over nominal length of the check bars, or the
// lengths themselves in mm: "X,Y", or one factor for both directions.
func printScale(t string) (x, y float64, err error) {
	const want = `give the check bars as measured in mm, for example "199.6,149.8", or two factors near 1`
	parts := strings.FieldsFunc(t, func(r rune) bool { return r == ',' || r == ';' || r == ' ' })
	if len(parts) == 0 || len(parts) > 2 {
		return 0, 0, wrong(PrintScale, "print_scale_unread", geometry.Values{"given": t}, "%q is not understood: %s", t, want)
	}
	var v [2]float64
	for i, p := range parts {
		n, err := strconv.ParseFloat(p, 64)
		if err != nil || math.IsNaN(n) || math.IsInf(n, 0) {
			return 0, 0, wrong(PrintScale, "print_scale_no_number", geometry.Values{"given": p}, "%q is no number: %s", p, want)
		}
		v[i] = n
	}
	if len(parts) == 1 {
		if v[0] > 2 {
			return 0, 0, wrong(PrintScale, "print_scale_one", geometry.Values{"given": t}, "%q is one length of two: %s", t, want)
		}
		v[1] = v[0]
	}
	// a factor is near 1, a length near 200 or 150: nothing is both
	for i, bar := range [2]float64{cardsheet.BarAcross, cardsheet.BarUp} {
		if v[i] > 2 {
			v[i] /= bar
		}
		if !(v[i] > 0.8 && v[i] < 1.25) {
			return 0, 0, wrong(PrintScale, "print_scale_far", geometry.Values{"given": parts[min(i, len(parts)-1)]}, "%q is too far from true size: %s", parts[min(i, len(parts)-1)], want)
		}
	}
	return v[0], v[1], nil
}

func points(t string) ([][2]float64, error) {
	var px [][2]float64
	for _, p := range strings.Fields(t) {
		x, y, ok := strings.Cut(p, ",")
		u, err1 := strconv.ParseFloat(x, 64)
		v, err2 := strconv.ParseFloat(y, 64)
		if !ok || err1 != nil || err2 != nil || math.IsNaN(u+v) || math.IsInf(u+v, 0) {
			return nil, fmt.Errorf("%q is no point", p)
		}
		px = append(px, [2]float64{u, v})
	}
	if len(px) < 2 {
		return nil, fmt.Errorf("%q is one point", t)
	}
	return px, nil
}

// CameraSchema names the version of the camera profile's file.
const CameraSchema = "beltend.camera/1"

// Camera is the file that calibrate writes and measure reads: the values of
// geometry.Camera (f cx cy in pixels, k1 k2 k3 p1 p2) and their standard
// deviations, for a picture of the size given, as stored by the camera.
type Camera struct {
	Schema string    `json:"schema"`
	Camera string    `json:"camera,omitempty"` // make and model as EXIF names them
	Size   []int     `json:"size"`
	Names  []string  `json:"names,omitempty"`
	Values []float64 `json:"values"`
	SD     []float64 `json:"sd"`
	Photos int       `json:"photos,omitempty"`
	RMSPx  float64   `json:"rms_px,omitempty"`
}

// UseCamera puts a profile into the settings; name is that of its file.
func UseCamera(s *result.Settings, name string, profile []byte) error {
	var c Camera
	if err := json.Unmarshal(profile, &c); err != nil {
		return wrong("camera", "profile_no_json", nil, "the profile is not JSON as calibrate writes it: %v", err)
	}
	if c.Schema != CameraSchema {
		return wrong("camera", "profile_schema", geometry.Values{"given": c.Schema, "wanted": CameraSchema}, "the profile's schema is %q, not %q: make it with beltend calibrate", c.Schema, CameraSchema)
	}
	if len(c.Values) != geometry.CameraParams || len(c.SD) != geometry.CameraParams || len(c.Size) != 2 {
		return wrong("camera", "profile_incomplete", nil, "the profile is incomplete: make it again with beltend calibrate")
	}
	s.Camera, s.CameraSD, s.CameraSize = c.Values, c.SD, c.Size
	s.CameraProfile = fmt.Sprintf("%s %x", name, sha256.Sum256(profile))
	return nil
}

func wrong(setting, code string, v geometry.Values, format string, a ...any) error {
	return &measure.UsageError{Setting: setting, Message: fmt.Sprintf(format, a...), Code: code, Values: v}
}
