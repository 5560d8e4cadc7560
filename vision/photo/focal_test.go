package photo

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

type focalCase struct {
	name     string
	tags     exifTags
	w, h     int
	expected float64
}

// readFocalCases reads testdata/exif_focal.csv.
func readFocalCases(t *testing.T) []focalCase {
	t.Helper()
	f, err := os.Open("testdata/exif_focal.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	number := func(s string) float64 {
		if s == "" {
			return 0
		}
		top, bottom, isFraction := strings.Cut(s, "/")
		v, err := strconv.ParseFloat(top, 64)
		d := 1.0
		if isFraction {
			var err2 error
			d, err2 = strconv.ParseFloat(bottom, 64)
			err = errors.Join(err, err2)
		}
		if err != nil {
			t.Fatalf("number %q: %v", s, err)
		}
		return v / d
	}
	var cases []focalCase
	for _, r := range rows[1:] {
		c := focalCase{name: r[0], w: int(number(r[5])), h: int(number(r[6])), expected: number(r[9])}
		c.tags = exifTags{focal: number(r[1]), focal35: number(r[2]), planeX: number(r[3]), planeUnit: int(number(r[4])), zoom: number(r[8])}
		cases = append(cases, c)
	}
	return cases
}

// TestFocalPrior_PublishedCases: the expected values are those of
// testdata/exif_focal.csv, printed to 0.01 pixel.
func TestFocalPrior_PublishedCases(t *testing.T) {
	cases := readFocalCases(t)
	if len(cases) != 7 {
		t.Fatalf("%d cases, want 7", len(cases))
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			c.tags.pixelX, c.tags.pixelY = c.w, c.h
			switch c.name {
			case "phone_a_resized": // the tags still tell the size taken
				c.tags.pixelX, c.tags.pixelY = 4032, 3024
			case "slr_focal_plane_stale_after_resize":
				c.tags.pixelX, c.tags.pixelY = 5616, 3744
			}
			f, cropped, warnings := focalPrior(c.tags, c.w, c.h)
			if math.Abs(f.Pixels-c.expected) > 0.006 {
				t.Errorf("f = %.3f px, want %.2f", f.Pixels, c.expected)
			}
			if cropped {
				t.Error("called cropped")
			}
			low, high := 0.02, 0.03 // a tag that makes sense
			if c.tags.zoom > 1 {
				low, high = 0.4, 0.5 // f or 1.951 f
				if !hasWarning(warnings, WarnZoom) {
					t.Errorf("no warning of the zoom: %v", warnings)
				}
			}
			if c.tags.pixelX != c.w {
				low, high = 0.03, 0.04
				if !hasWarning(warnings, WarnResized) {
					t.Errorf("no warning of the scaling: %v", warnings)
				}
			}
			if f.RelSD < low || f.RelSD > high {
				t.Errorf("relative sd %.4f, want %g..%g", f.RelSD, low, high)
			}
		})
	}
}

// The trap of the last published case: without the size first written nothing
// says that the sensor's tags are stale, and the naive rule is 6.5 times wrong.
func TestFocalPrior_StaleFocalPlaneIsNotTrusted(t *testing.T) {
	for _, c := range readFocalCases(t) {
		if c.name != "slr_focal_plane_stale_after_resize" {
			continue
		}
		for _, size := range [][2]int{{0, 0}, {c.w, c.h}} {
			c.tags.pixelX, c.tags.pixelY = size[0], size[1]
			f, _, warnings := focalPrior(c.tags, c.w, c.h)
			if f.Source != SourceAssumed || !hasWarning(warnings, WarnFocal) {
				t.Errorf("%+v %v", f, warnings)
			}
			if off := math.Abs(f.Pixels-c.expected) / f.Pixels / f.RelSD; off > 2 {
				t.Errorf("the truth lies %.1f sd away", off)
			}
		}
		return
	}
	t.Fatal("case not found")
}

func TestFocalPrior_Assumptions(t *testing.T) {
	phone := exifTags{focal: 4.25, focal35: 26, pixelX: 4032, pixelY: 3024}
	const truth = 3028.66 // of the first published case
	with := func(change func(*exifTags)) exifTags {
		c := phone
		change(&c)
		return c
	}
	for _, c := range []struct {
		name       string
		tags       exifTags
		w, h       int
		truth      []float64 // each must lie within 2.2 sd
		low, high  float64   // of the relative sd
		source     string
		warning    string
		notCropped bool
	}{
		{"no tags: 24 to 28 mm lenses", exifTags{}, 4032, 3024, []float64{24 / diagonal35 * 5040, 28 / diagonal35 * 5040}, 0.12, 0.16, SourceAssumed, WarnNoFocal, true},
		{"size unknown", with(func(t *exifTags) { t.pixelX = 0 }), 4032, 3024, []float64{truth}, 0.03, 0.045, Source35mm, "", true},
		{"turned by a program", phone, 3024, 4032, []float64{truth}, 0.02, 0.03, Source35mm, "", true},
		{"scaled and rounded", phone, 1000, 751, []float64{truth * 1000 / 4032}, 0.03, 0.04, Source35mm, WarnResized, true},
		{"16:9 cut of a 4:3 sensor, tag of either", exifTags{focal35: 26, pixelX: 4032, pixelY: 2268}, 4032, 2268, []float64{truth, 26 / diagonal35 * math.Hypot(4032, 2268)}, 0.04, 0.06, Source35mm, "", true},
		{"square, tag of either", exifTags{focal35: 26, pixelX: 3024, pixelY: 3024}, 3024, 3024, []float64{truth, 26 / diagonal35 * math.Hypot(3024, 3024)}, 0.06, 0.1, Source35mm, "", true},
		{"cut to the height", phone, 4032, 2268, []float64{truth}, 0.02, 0.03, Source35mm, WarnCropped, false},
		{"cut to a corner, or scaled and cut", phone, 2000, 1000, []float64{truth, truth * 2000 / 4032}, 0.1, 0.5, Source35mm, WarnCropped, false},
		{"zoom inside the tag or not", with(func(t *exifTags) { t.zoom = 1.5 }), 4032, 3024, []float64{truth, truth * 1.5}, 0.2, 0.3, Source35mm, WarnZoom, true},
		{"zoom absurd", with(func(t *exifTags) { t.zoom = 4e9 }), 4032, 3024, []float64{truth}, 0.5, 0.5, Source35mm, WarnZoom, true},
		{"zoom 1", with(func(t *exifTags) { t.zoom = 1 }), 4032, 3024, []float64{truth}, 0.02, 0.03, Source35mm, "", true},
		{"sensor and film agree", with(func(t *exifTags) { t.planeX = truth / 4.25 * 1.01 * 10; t.planeUnit = 3 }), 4032, 3024, []float64{truth}, 0.02, 0.03, SourceFocalPlane, "", true},
		{"sensor in mm", with(func(t *exifTags) { t.planeX = truth / 4.25; t.planeUnit = 4 }), 4032, 3024, []float64{truth}, 0.02, 0.03, SourceFocalPlane, "", true},
		{"sensor in um", with(func(t *exifTags) { t.planeX = truth / 4.25 / 1000; t.planeUnit = 5 }), 4032, 3024, []float64{truth}, 0.02, 0.03, SourceFocalPlane, "", true},
		{"sensor and film contradict", with(func(t *exifTags) { t.planeX = truth / 4.25 * 25.4 * 1.6; t.planeUnit = 2 }), 4032, 3024, []float64{truth}, 0.1, 0.3, Source35mm, WarnFocal, true},
		{"sensor without unit of length", with(func(t *exifTags) { t.planeX = 300; t.planeUnit = 1 }), 4032, 3024, []float64{truth}, 0.02, 0.03, Source35mm, "", true},
		{"film of a telescope", exifTags{focal35: 400, pixelX: 4032, pixelY: 3024}, 4032, 3024, []float64{400 / diagonal35 * 5040}, 0.1, 0.11, Source35mm, "", true},
		{"film absurd", exifTags{focal35: 65535, pixelX: 4032, pixelY: 3024}, 4032, 3024, []float64{truth}, 0.12, 0.16, SourceAssumed, WarnNoFocal, true},
		{"focal length alone", exifTags{focal: 4.25, pixelX: 4032, pixelY: 3024}, 4032, 3024, []float64{truth}, 0.12, 0.16, SourceAssumed, WarnNoFocal, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			f, cropped, warnings := focalPrior(c.tags, c.w, c.h)
			for _, truth := range c.truth {
				if off := math.Abs(f.Pixels-truth) / (f.Pixels * f.RelSD); off > 2.2 {
					t.Errorf("f = %.1f px, relative sd %.4f: %.1f lies %.1f sd away", f.Pixels, f.RelSD, truth, off)
				}
			}
			if f.RelSD < c.low || f.RelSD > c.high || f.Source != c.source || cropped == c.notCropped {
				t.Errorf("got %+v, cropped %v; want sd %g..%g from %q", f, cropped, c.low, c.high, c.source)
			}
			if c.warning == "" && len(warnings) > 0 || c.warning != "" && !hasWarning(warnings, c.warning) {
				t.Errorf("warnings %v, want %q", warnings, c.warning)
			}
		})
	}
}

// Rationals as they occur in the wild must not become a zoom or a focal length.
func TestRationalsOverZero(t *testing.T) {
	for _, r := range [][2]uint32{{0, 0}, {0, 100}, {5, 0}, {math.MaxUint32, 0}} {
		block := exifBlock(nil, []exifField{exifRationals(tagDigitalZoomRatio, r), exifRationals(tagFocalLength, r),
			exifRationals(tagFocalPlaneXRes, r), exifShort(tagFocalLength35, 26)}, nil)
		tags, err := readExif(block)
		if err != nil {
			t.Errorf("%v: %v", r, err)
		}
		if tags.zoom != 0 || tags.focal != 0 || tags.planeX != 0 || tags.focal35 != 26 {
			t.Errorf("%v: %+v", r, tags)
		}
	}
}

// Whatever the tags say, the prior is a positive number with an honest width.
func FuzzFocalPrior(f *testing.F) {
	f.Add(4.25, 26.0, 0.0, 2, 4032, 3024, 1.0, 4032, 3024)
	f.Add(34.0, 0.0, 3849.2, 2, 5616, 3744, 0.0, 864, 576)
	f.Fuzz(func(t *testing.T, focal, film, plane float64, unit, px, py int, zoom float64, w, h int) {
		for _, v := range []*float64{&focal, &film, &plane, &zoom} { // what exifNumber lets through
			if math.IsNaN(*v) || *v < 0 || *v > math.MaxUint32 {
				return
			}
		}
		if w < 1 || h < 1 || w > 1<<16 || h > 1<<16 || px > math.MaxUint32 || py > math.MaxUint32 {
			return
		}
		p, _, _ := focalPrior(exifTags{focal: focal, focal35: film, planeX: plane, planeUnit: unit, pixelX: px, pixelY: py, zoom: zoom}, w, h)
		if !(p.Pixels > 0) || math.IsInf(p.Pixels, 0) || !(p.RelSD >= 0.02) || p.RelSD > relMax || p.Source == "" {
			t.Errorf("%+v", p)
		}
	})
}
