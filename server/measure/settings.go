package measure

import (
	"errors"
	"fmt"
	"math"

	"beltend/geometry"
	"beltend/server/result"
	"beltend/vision"
)

// CheckSettings names the first setting that makes no sense for so many photos, as
// *UsageError. What only the photos can show, Run finds.
func CheckSettings(s result.Settings, photos int) error {
	_, err := checkSettings(&s, photos)
	return err
}

// checkSettings names the first setting that makes no sense.
func checkSettings(s *result.Settings, photos int) (vision.References, error) {
	var refs vision.References
	bad := func(setting, code string, v geometry.Values, format string, a ...any) (vision.References, error) {
		return refs, &UsageError{Setting: setting, Message: fmt.Sprintf(format, a...), Code: code, Values: v}
	}
	var wrong *geometry.WrongValue
	if errors.As(geometry.InRange(
		geometry.Range{Name: "tolerance", V: s.ToleranceMM, Hi: 1000, Unit: "mm", Want: "the largest offset allowed (0 takes 2 mm per metre of width)"},
		geometry.Range{Name: "width", V: s.NominalMM, Hi: 10000, Unit: "mm", Want: "the belt's nominal width"},
		geometry.Range{Name: "target", V: s.TargetDeg, Lo: -60, Hi: 60, Unit: "degrees", Want: "the angle from square"},
		geometry.Range{Name: "trim", V: s.TrimMM, Hi: 5000, Unit: "mm", Want: "the length to cut off beyond the deepest point"},
		geometry.Range{Name: "thickness", V: s.ThicknessMM, Hi: 100, Unit: "mm", Want: "the belt's thickness"},
	), &wrong) {
		r := wrong.Range
		if r.Unit == "mm" {
			return bad(wrong.Name, "outside_mm", geometry.Values{"given_mm": r.V, "lo_mm": r.Lo, "hi_mm": r.Hi}, "%s", wrong.Message)
		}
		return bad(wrong.Name, "outside", geometry.Values{"given": r.V, "lo": r.Lo, "hi": r.Hi}, "%s", wrong.Message)
	}
	if s.NominalMM != 0 && s.NominalMM < 50 {
		return bad("width", "nominal_too_narrow", geometry.Values{"width_mm": s.NominalMM}, "%v mm is too narrow for a belt: give the nominal width in mm", s.NominalMM)
	}
	if (s.PrintScaleX == 0) != (s.PrintScaleY == 0) {
		return bad("print scale", "print_scale_both", nil, "give both directions, across and up the sheet")
	}
	for _, v := range []float64{s.PrintScaleX, s.PrintScaleY} {
		if v != 0 && !(v > 0.8 && v < 1.25) {
			return bad("print scale", "print_scale_near", geometry.Values{"given": v}, "%v is not near 1: give measured over nominal length, or the two bar lengths in mm", v)
		}
	}
	if s.Line != "" && s.Line != "cut" && s.Line != "drawn" {
		return bad("line", "line_unknown", geometry.Values{"given": s.Line}, "%q is unknown: cut or drawn", s.Line)
	}
	if s.Board != "" && s.Markers != "" {
		return bad("board", "board_and_markers", nil, "give a board or loose markers, not both")
	}
	if s.Board != "" {
		b, err := geometry.ParseBoard(s.Board)
		if err != nil {
			return bad("board", "board_unread", geometry.Values{"given": s.Board}, "%v", err)
		}
		refs.Board = &b
	}
	if s.Markers != "" {
		l, err := geometry.ParseMarkers(s.Markers)
		if err != nil {
			return bad("markers", "markers_unread", geometry.Values{"given": s.Markers}, "%v", err)
		}
		refs.Markers = &l
	}
	if s.Sheet != "" {
		p, err := geometry.ParseSheet(s.Sheet)
		switch {
		case err != nil:
			return bad("sheet", "sheet_unread", geometry.Values{"given": s.Sheet}, "%v", err)
		case s.Board != "" || s.Markers != "":
			return bad("sheet", "one_reference", nil, "give a board, loose markers or a plain sheet, only one of them")
		case s.PrintScaleX != 0:
			return bad("sheet", "print_scale_sheet", nil, "the print scale is a printed card's: leave it out with a plain sheet")
		}
		refs.Sheet = &p
	}
	if s.Camera != nil {
		if len(s.Camera) != geometry.CameraParams || len(s.CameraSD) != geometry.CameraParams || len(s.CameraSize) != 2 {
			return bad("camera", "profile_values", geometry.Values{"values": geometry.CameraParams}, "the profile needs %d values, as many standard deviations and the picture size", geometry.CameraParams)
		}
		for i, v := range s.Camera {
			if math.IsNaN(v) || math.IsInf(v, 0) || !(s.CameraSD[i] >= 0) || math.IsInf(s.CameraSD[i], 0) {
				return bad("camera", "profile_value", geometry.Values{"value": i + 1}, "value %d of the profile is no number", i+1)
			}
		}
		if s.Camera[0] <= 0 || s.CameraSize[0] <= 0 || s.CameraSize[1] <= 0 {
			return bad("camera", "profile_zero", nil, "focal length and picture size must be above 0")
		}
	}
	for _, h := range s.Hints {
		if h.Edge != "left" && h.Edge != "right" && h.Edge != "cut" && h.Edge != drawnHint {
			return bad("hint", "hint_edge", geometry.Values{"given": h.Edge}, "edge %q is unknown: left, right, cut or line", h.Edge)
		}
		if h.Photo < 0 || h.Photo >= photos {
			return bad("hint", "hint_photo", geometry.Values{"photo": h.Photo + 1, "photos": photos}, "photo %d is not among the %d given", h.Photo+1, photos)
		}
		if len(h.Px) < 2 {
			return bad("hint", "hint_two_points", nil, "the %s needs two points or more", h.Edge)
		}
		for _, q := range h.Px {
			if math.IsNaN(q[0]) || math.IsNaN(q[1]) || math.Abs(q[0]) > 1e6 || math.Abs(q[1]) > 1e6 {
				return bad("hint", "hint_no_place", nil, "a point of the %s is no place in a photo", h.Edge)
			}
		}
		if reach(h.Px) < hintReach {
			return bad("hint", "hint_one_place", nil, "the points of the %s lie in one place: set them apart along it, near its two ends", nameOfHint(h.Edge))
		}
	}
	return refs, nil
}

// hintReach is how far apart the points of a hint must lie, px: closer ones give
// no direction, two equal ones least of all.
const hintReach = 10

// reach is the longest way from the first point to another.
func reach(px [][2]float64) float64 {
	var far float64
	for _, q := range px[1:] {
		far = math.Max(far, math.Hypot(q[0]-px[0][0], q[1]-px[0][1]))
	}
	return far
}

func nameOfHint(edge string) string {
	switch edge {
	case drawnHint:
		return "drawn line"
	case "left", "right":
		return edge + " edge"
	}
	return edge
}
