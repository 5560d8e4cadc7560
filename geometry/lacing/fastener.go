package lacing

import (
	"math"
	"strings"

	"beltend/geometry"
)

// Fastener is one row of a maker's chart, as the user brought it.
type Fastener struct {
	Name          string  `json:"name"`
	Pitch         float64 `json:"pitch_mm"`          // centre distance of neighbouring hooks of one side
	Wire          float64 `json:"wire_mm"`           // diameter
	ThicknessFrom float64 `json:"thickness_from_mm"` // of the belt at the joint, after skiving
	ThicknessTo   float64 `json:"thickness_to_mm"`
	Pulley        float64 `json:"smallest_pulley_mm"` // diameter, with 90 degrees of wrap or more
	Strip         float64 `json:"strip_mm"`           // length of a strip of hooks
	HooksPerStrip int     `json:"hooks_per_strip"`
	PinAllowance  float64 `json:"pin_allowance_mm"` // added to the laced span
}

// Fields of a fastener, as its faults name them and as the chart's columns are
// called.
const (
	FieldName          = "name"
	FieldPitch         = "pitch"
	FieldWire          = "wire"
	FieldThicknessFrom = "thickness_from"
	FieldThicknessTo   = "thickness_to"
	FieldPulley        = "smallest_pulley"
	FieldStrip         = "strip"
	FieldHooks         = "hooks_per_strip"
	FieldPinAllowance  = "pin_allowance"
)

// Check returns every fault of a row; none means that a hinge can be made of
// such hooks.
func (f Fastener) Check() []*geometry.WrongValue {
	var faults []*geometry.WrongValue
	wrong := func(name, code string, v geometry.Values, format string, a ...any) {
		faults = append(faults, geometry.Wrong(name, format, a...).Coded(code, v))
	}
	if strings.TrimSpace(f.Name) == "" {
		wrong(FieldName, "fastener_no_name", nil, "the fastener has no name")
	}
	ok := func(name string, v, most float64, what string) bool {
		if v > 0 && v <= most { // false for NaN
			return true
		}
		wrong(name, "size_of_column", geometry.Values{"column": name, "size_mm": v, "most": most}, "%g mm is no %s: give it in mm, above 0 and at most %g", v, what, most)
		return false
	}
	pitch := ok(FieldPitch, f.Pitch, 200, "pitch")
	wire := ok(FieldWire, f.Wire, 20, "wire diameter")
	from := ok(FieldThicknessFrom, f.ThicknessFrom, 100, "belt thickness")
	to := ok(FieldThicknessTo, f.ThicknessTo, 100, "belt thickness")
	ok(FieldPulley, f.Pulley, 5000, "pulley diameter")
	strip := ok(FieldStrip, f.Strip, 10000, "strip length")
	if pitch && wire && !(f.Pitch > 2*f.Wire) {
		// the other side's hook stands in every gap
		wrong(FieldWire, "fastener_no_room", geometry.Values{"wire_mm": f.Wire, "pitch_mm": f.Pitch}, "hooks of %g mm wire at a pitch of %g mm leave no room for the other side's hooks between them: the pitch must be above twice the wire", f.Wire, f.Pitch)
	}
	if from && to && !(f.ThicknessTo > f.ThicknessFrom) {
		wrong(FieldThicknessTo, "fastener_thickness_order", geometry.Values{"to_mm": f.ThicknessTo, "from_mm": f.ThicknessFrom}, "%g mm is not above the thickness it starts from, %g mm", f.ThicknessTo, f.ThicknessFrom)
	}
	if f.HooksPerStrip < 1 || f.HooksPerStrip > 10000 {
		wrong(FieldHooks, "fastener_hooks", geometry.Values{"hooks": f.HooksPerStrip}, "%d hooks make no strip: give a whole number from 1 to 10000", f.HooksPerStrip)
	} else if n := float64(f.HooksPerStrip); pitch && strip && math.Abs(f.Strip-n*f.Pitch) > f.Pitch*(1+1e-9) {
		wrong(FieldStrip, "fastener_strip", geometry.Values{"strip_mm": f.Strip, "hooks": f.HooksPerStrip, "pitch_mm": f.Pitch, "made_mm": n * f.Pitch}, "%g mm does not go with %d hooks at a pitch of %g mm, which make %g mm", f.Strip, f.HooksPerStrip, f.Pitch, n*f.Pitch)
	}
	if !(f.PinAllowance >= 0 && f.PinAllowance <= 500) {
		wrong(FieldPinAllowance, "fastener_pin", geometry.Values{"pin_mm": f.PinAllowance}, "%g mm is no pin allowance: give it in mm, from 0 to 500", f.PinAllowance)
	}
	return faults
}

// Note is something to be told, with the figures it is about.
type Note struct {
	Code  string  `json:"code"`
	Value float64 `json:"value"` // mm, or a number of hooks
	Limit float64 `json:"limit"`
}

// Reasons why a fastener does not fit.
const (
	BeltTooThin    = "belt_too_thin"
	BeltTooThick   = "belt_too_thick"
	PulleyTooSmall = "pulley_too_small"
)

// Warnings of a fastener that fits.
const (
	NearThinnest  = "near_thinnest"
	NearThickest  = "near_thickest"
	NearestPulley = "near_smallest_pulley"
)

// Fit says whether a fastener fits a belt.
type Fit struct {
	Fastener Fastener `json:"fastener"`
	Fits     bool     `json:"fits"`
	Reasons  []Note   `json:"reasons"` // why it does not
	Near     []Note   `json:"near"`    // limits it is close to
}

// nearPulley is how far above a fastener's smallest pulley still counts as
// near: worn lagging and a chart's rounding are of that order.
const nearPulley = 0.10

// nearThickness is how close to a limit of a thickness range the belt may be
// without a warning: half of the spread that ISO 14890 allows within one belt
// (1 mm up to 10 mm thick, a tenth above; quoted from memory), but never more
// than a fifth of the range.
func nearThickness(f Fastener, thickness float64) float64 {
	return math.Min(math.Max(0.5, 0.05*thickness), 0.2*(f.ThicknessTo-f.ThicknessFrom))
}

// slack keeps the rounding of inches from turning "exactly at the limit" over.
const slack = 1e-9

// Fitting compares the rows of a chart with the belt's thickness at the joint
// (after skiving) and the smallest pulley it wraps by 90 degrees or more, both
// mm. Being exactly at a limit fits.
func Fitting(chart []Fastener, thickness, pulley float64) ([]Fit, error) {
	if !(thickness > 0 && thickness <= 100) {
		return nil, geometry.Wrong("thickness", "%g mm is no belt thickness: give what a gauge reads at the joint in mm, above 0 and at most 100", thickness).Coded("no_thickness", geometry.Values{"thickness_mm": thickness})
	}
	if !(pulley > 0 && pulley <= 5000) {
		return nil, geometry.Wrong("pulley", "%g mm is no pulley diameter: give the smallest pulley with 90 degrees of wrap or more in mm, above 0 and at most 5000", pulley).Coded("no_pulley", geometry.Values{"pulley_mm": pulley})
	}
	fits := make([]Fit, 0, len(chart))
	for _, f := range chart {
		fit := Fit{Fastener: f, Reasons: []Note{}, Near: []Note{}}
		near := nearThickness(f, thickness)
		switch {
		case thickness < f.ThicknessFrom-slack:
			fit.Reasons = append(fit.Reasons, Note{BeltTooThin, thickness, f.ThicknessFrom})
		case thickness > f.ThicknessTo+slack:
			fit.Reasons = append(fit.Reasons, Note{BeltTooThick, thickness, f.ThicknessTo})
		case thickness < f.ThicknessFrom+near:
			fit.Near = append(fit.Near, Note{NearThinnest, thickness, f.ThicknessFrom})
		case thickness > f.ThicknessTo-near:
			fit.Near = append(fit.Near, Note{NearThickest, thickness, f.ThicknessTo})
		}
		switch {
		case pulley < f.Pulley-slack:
			fit.Reasons = append(fit.Reasons, Note{PulleyTooSmall, pulley, f.Pulley})
		case pulley < f.Pulley*(1+nearPulley):
			fit.Near = append(fit.Near, Note{NearestPulley, pulley, f.Pulley})
		}
		fit.Fits = len(fit.Reasons) == 0
		fits = append(fits, fit)
	}
	return fits, nil
}
