package main

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"os"
	"path/filepath"
	"strings"

	"beltend/server/pictures"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/vision/overlay"
	"beltend/vision/photo"
	"beltend/vision/render"
)

// worstCount is how many of the most troubling outcomes are drawn.
const worstCount = 10

// truthColour is no colour of the overlay's lines.
var truthColour = color.RGBA{0xff, 0x20, 0xd0, 0xff}

// pictured are the outcomes to look at: the worst ten answers and every lie.
func pictured(all []outcome) []outcome {
	var out []outcome
	for _, o := range troubling(all) {
		if o.answered && (len(out) < worstCount || o.lie()) {
			out = append(out, o)
		}
	}
	return out
}

// drawWorst writes the photos of the worst outcomes with what was found as lines and
// the truth as dots, and those of good photos that were refused.
func drawWorst(dir string, all []outcome) error {
	if dir == "" {
		return nil
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	// those of the last run
	for _, pattern := range []string{"[0-9][0-9]-*.jpg", "refused-*.jpg"} {
		old, err := filepath.Glob(filepath.Join(dir, pattern))
		if err != nil {
			return err
		}
		for _, f := range old {
			if err := os.Remove(f); err != nil {
				return err
			}
		}
	}
	write := func(o outcome, place string) error {
		for i := range o.photos {
			pic, err := picture(&o, i)
			if err != nil {
				return fmt.Errorf("drawing %s: %w", o.name, err)
			}
			name := fmt.Sprintf("%s-%s-%s-%d.jpg", place, fileName(o.class), fileName(strings.TrimPrefix(o.name, o.class+" ")+" "+o.what), i+1)
			if err := os.WriteFile(filepath.Join(dir, name), pic, 0o644); err != nil {
				return err
			}
		}
		return nil
	}
	for i, o := range pictured(all) {
		place := fmt.Sprintf("%02d", i+1)
		if o.lie() {
			place += "-LIE"
		}
		if err := write(o, place); err != nil {
			return err
		}
	}
	for _, o := range all {
		if !o.answered && !o.refuse {
			if err := write(o, "refused-"+fileName(o.refusal.Code)); err != nil {
				return err
			}
		}
	}
	return nil
}

// picture is the overlay of photo i with the truth in dots.
func picture(o *outcome, i int) ([]byte, error) {
	data, err := os.ReadFile(o.photos[i])
	if err != nil {
		return nil, err
	}
	info, err := photo.Inspect(data, photo.DefaultLimits())
	if err != nil {
		return nil, err
	}
	w, h := photo.UprightSize(info.Width, info.Height, info.Orientation)
	m := o.found
	if m == nil { // the bare photo with a strip that says why
		m = &result.Measurement{Refused: o.refusal, Image: make([]result.Image, len(o.photos))}
		for k := range m.Image {
			m.Image[k] = result.Image{WidthPx: w, HeightPx: h}
		}
	}
	b, err := pictures.Overlay(data, m, i, "jpg", report.Options{})
	if err != nil {
		return nil, err
	}
	img, err := jpeg.Decode(bytes.NewReader(b))
	if err != nil {
		return nil, err
	}
	out := image.NewRGBA(img.Bounds())
	truthDots(out, img, o.lines[i], min(1, float64(overlay.LongSide)/float64(max(w, h))))
	var buf bytes.Buffer
	err = jpeg.Encode(&buf, out, &jpeg.Options{Quality: 88})
	return buf.Bytes(), err
}

// truthDots copies the picture and sets a dot at every true place.
func truthDots(out *image.RGBA, img image.Image, lines [][]render.Pt, scale float64) {
	draw.Draw(out, out.Bounds(), img, img.Bounds().Min, draw.Src)
	for _, l := range lines {
		for _, p := range l {
			x, y := int((p[0]+0.5)*scale), int((p[1]+0.5)*scale)
			draw.Draw(out, image.Rect(x-1, y-1, x+2, y+2), image.NewUniform(truthColour), image.Point{}, draw.Src)
		}
	}
}
