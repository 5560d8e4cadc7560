package photo

import (
	"fmt"
	"math"
)

// Focal is what to expect of the focal length before measuring: a prior, never
// a measurement.
type Focal struct {
	Pixels float64 // in pixels of the stored picture
	RelSD  float64 // relative standard deviation
	Source string  // one of the Source constants
}

// Where a focal length comes from.
const (
	SourceFocalPlane = "focal plane"
	Source35mm       = "35 mm"
	SourceAssumed    = "assumed phone lens"
)

const (
	// diagonal35 is the diagonal of the 36 mm x 24 mm frame. CIPA DCG-001 ties
	// the equivalent focal length to the diagonals, not to the widths.
	diagonal35 = 43.2666 // mm

	// Main cameras of phones lie between 23 and 29 mm equivalent; a wide or a
	// long second camera is outside and must be found by the adjustment.
	assumed35    = 26.0 // mm
	assumedRelSD = 0.15
	// With tags that contradict each other even that is doubtful.
	contradictedRelSD = 0.30

	// relBase is what a sound tag leaves open besides rounding: focusing at
	// 0.5 to 1 m adds 0.4 to 0.9 % to the focal length, and makers' tags were
	// found off by 1 to 2 %.
	relBase = 0.02
	// A tag that fits badly is trusted to 10 %.
	relDoubt = 0.10
	// Added when the picture is not, or may not be, as it was taken.
	relUnsureSize = 0.03
	relMax        = 0.50
)

// focalPrior derives the prior from the tags for a picture of w x h stored
// pixels. cropped says that the picture was cut after it was taken, so that
// its middle need not be the lens's.
//
//	focal plane: f_px = FocalLength * pixels per mm on the sensor, scaled from the size first written
//	35 mm:       f_px = f35 / 43.2666 mm * diagonal in pixels
func focalPrior(t exifTags, w, h int) (f Focal, cropped bool, warnings []Warning) {
	warn := func(code, format string, args ...any) {
		warnings = append(warnings, Warning{code, fmt.Sprintf(format, args...)})
	}
	full := fullSize(t, w, h)
	switch full.change {
	case resized:
		warn(WarnResized, "The picture was scaled from %d x %d to %d x %d pixels after it was taken; the original measures better.",
			full.w, full.h, w, h)
	case cut:
		warn(WarnCropped, "The picture was cut from %d x %d to %d x %d pixels after it was taken; send the original.",
			full.w, full.h, w, h)
	}
	plane := planeFocal(t, full) // in pixels of the full size
	film := filmFocal(t, full)
	switch {
	case plane.Pixels > 0 && film.Pixels > 0:
		// Both: they must agree. The sensor's tags go stale when programs scale
		// pictures or cameras save a smaller size, the 35 mm tag does not.
		f = plane
		if gap := math.Abs(math.Log(plane.Pixels / film.Pixels)); gap > relDoubt {
			f = film
			f.RelSD = math.Hypot(relDoubt, min(relMax, gap/4))
			warn(WarnFocal, "The two focal lengths in the photo's EXIF tags differ (%.0f and %.0f pixels).", plane.Pixels, film.Pixels)
		}
	case plane.Pixels > 0 && !plausible35(equivalent(plane.Pixels, full.w, full.h)):
		warn(WarnFocal, "The focal length in the photo's EXIF tags does not fit the picture (%.0f pixels).", plane.Pixels)
		f = assumed(full.w, full.h, contradictedRelSD)
	case plane.Pixels > 0:
		f = plane
	case film.Pixels > 0:
		f = film
	default:
		warn(WarnNoFocal, "The photo carries no focal length; an ordinary phone lens is assumed. The original file from the phone measures better.")
		f = assumed(full.w, full.h, assumedRelSD)
	}

	// From the size first written to this one.
	scale, spread := full.scale(w, h)
	f.Pixels *= scale
	f.RelSD = math.Hypot(f.RelSD, spread)

	// Some phones include the digital zoom in the tag, others do not: the truth
	// is f or f * zoom, so a standard deviation of half the difference is added.
	if t.zoom > 1 {
		if t.zoom > 1.02 {
			warn(WarnZoom, "The photo was taken with %.2f times digital zoom; take it without zoom and step closer.", t.zoom)
		}
		f.RelSD = math.Hypot(f.RelSD, (min(t.zoom, 100)-1)/2)
	}
	f.RelSD = min(f.RelSD, relMax)
	return f, full.change == cut, warnings
}

type sizeChange int

const (
	asTaken sizeChange = iota
	sizeUnknown
	resized
	cut
)

// writtenSize is the picture's size when its tags were written.
type writtenSize struct {
	w, h   int
	change sizeChange
}

// fullSize compares PixelX/YDimension with the size found. A file turned by a
// program has them exchanged.
func fullSize(t exifTags, w, h int) writtenSize {
	pw, ph := t.pixelX, t.pixelY
	if pw <= 0 || ph <= 0 {
		return writtenSize{w, h, sizeUnknown}
	}
	if pw != ph && w != h && (pw > ph) != (w > h) {
		pw, ph = ph, pw
	}
	switch sx, sy := float64(w)/float64(pw), float64(h)/float64(ph); {
	case pw == w && ph == h:
		return writtenSize{w, h, asTaken}
	// A scaled picture keeps its proportions to within a pixel's rounding.
	case math.Abs(float64(w)-sy*float64(pw)) <= 1 || math.Abs(float64(h)-sx*float64(ph)) <= 1:
		return writtenSize{pw, ph, resized}
	default:
		return writtenSize{pw, ph, cut}
	}
}

// scale takes a focal length from the written size to w x h, with the relative
// standard deviation it adds.
func (s writtenSize) scale(w, h int) (scale, spread float64) {
	sx, sy := float64(w)/float64(s.w), float64(h)/float64(s.h)
	switch s.change {
	case resized:
		return math.Sqrt(sx * sy), relUnsureSize // it may have been cut in proportion
	case cut:
		// Cut only: 1. Scaled as far as its size allows and cut little: the
		// larger ratio. One side kept whole means cut only.
		if w == s.w || h == s.h || max(sx, sy) >= 1 {
			return 1, 0
		}
		low := max(sx, sy)
		return math.Sqrt(low), max(relDoubt, -math.Log(low)/2)
	case sizeUnknown:
		return 1, relUnsureSize
	}
	return 1, 0
}

// planeFocal applies the focal-plane rule, at the written size; Pixels is 0
// when the tags are absent or make no sense.
func planeFocal(t exifTags, s writtenSize) Focal {
	perUnit := 0.0 // units per mm
	switch t.planeUnit {
	case 0, 2: // inch, which is also the default
		perUnit = 1 / 25.4
	case 3: // cm
		perUnit = 0.1
	case 4: // mm, seen in the wild
		perUnit = 1
	case 5: // um, seen in the wild
		perUnit = 1000
	}
	perMM := t.planeX * perUnit
	if t.focal <= 0 || perMM <= 0 || math.IsInf(perMM, 0) {
		return Focal{}
	}
	if t.planeY > 0 && math.Abs(t.planeY/t.planeX-1) > 0.02 {
		return Focal{}
	}
	// Sensors of cameras and phones: diagonals from about 3 mm to 70 mm.
	if d := math.Hypot(float64(s.w), float64(s.h)) / perMM; d < 2.5 || d > 70 {
		return Focal{}
	}
	return Focal{Pixels: t.focal * perMM, RelSD: relBase, Source: SourceFocalPlane}
}

// filmFocal applies the 35 mm rule, at the written size; Pixels is 0 when the
// tag is absent or absurd.
func filmFocal(t exifTags, s writtenSize) Focal {
	if t.focal35 < 5 || t.focal35 > 2000 {
		return Focal{}
	}
	f := from35(t.focal35, s.w, s.h)
	f.Source = Source35mm
	base := relBase
	if !plausible35(t.focal35) {
		base = relDoubt
	}
	// The tag has whole millimetres: +-0.5 mm, rectangular.
	f.RelSD = math.Hypot(f.RelSD, math.Hypot(base, 0.5/math.Sqrt(3)/t.focal35))
	return f
}

// plausible35: lenses a belt end is photographed with, from the widest to the
// longest of a phone, mm equivalent.
func plausible35(f35 float64) bool { return f35 >= 12 && f35 <= 135 }

func assumed(w, h int, relSD float64) Focal {
	f := from35(assumed35, w, h)
	return Focal{Pixels: f.Pixels, RelSD: math.Hypot(f.RelSD, relSD), Source: SourceAssumed}
}

// from35 turns an equivalent focal length into pixels, with the uncertainty
// that the picture's proportions bring: a 16:9 or square picture is usually
// cut from a 4:3 sensor, and some phones state the equivalent of the whole
// sensor, others that of the cut. The middle between both is taken, half the
// difference is the standard deviation.
func from35(f35 float64, w, h int) Focal {
	d := math.Hypot(float64(w), float64(h))
	long, short := float64(max(w, h)), float64(min(w, h))
	whole := d // the diagonal of the 4:3 sensor
	switch a := long / short; {
	case a > 4.0/3+0.02:
		whole = long * 5 / 4
	case a < 4.0/3-0.02:
		whole = short * 5 / 3
	}
	// Beyond 21:9 the picture is a strip cut by hand and tells nothing.
	ratio := min(whole/d, 1.25)
	middle := (1 + ratio) / 2
	return Focal{Pixels: equivalentPixels(f35, d) * middle, RelSD: (ratio - 1) / 2 / middle}
}

func equivalentPixels(f35, diagonal float64) float64 { return f35 / diagonal35 * diagonal }

func equivalent(pixels float64, w, h int) float64 {
	return pixels * diagonal35 / math.Hypot(float64(w), float64(h))
}
