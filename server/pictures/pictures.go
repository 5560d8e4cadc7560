// Package pictures draws a measurement for people: the photo with the
// findings, the view from straight above, the profile of the cut. It turns the
// contract's values into what package overlay and package plot take.
package pictures

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"

	"beltend/geometry"
	"beltend/server/measure"
	"beltend/server/pages/words"
	"beltend/server/plot"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/vision"
	"beltend/vision/overlay"
	"beltend/vision/photo"
)

const (
	quality  = 88 // of a JPEG
	longSide = overlay.LongSide
)

// ErrNone is returned when a measurement holds too little for a picture.
var ErrNone = errors.New("the measurement holds too little to draw this picture")

// File is a picture with its name.
type File struct {
	Name string
	Data []byte
}

// Asked draws what the service asks for: in a window the view from above,
// topdown.jpg; without one, all.
func Asked(photos []measure.Input, m *result.Measurement, win *overlay.Window, o report.Options) ([]File, error) {
	if win == nil {
		return All(photos, m, o)
	}
	b, err := TopDownIn(photos, m, *win, "jpg", o)
	return []File{{"topdown.jpg", b}}, err
}

// All draws every picture that the service shows: overlay-1.jpg and so on,
// topdown.png, profile.svg. One that the measurement cannot give is left out. A
// photo that few browsers show is there as photo-1.jpg too, upright.
func All(photos []measure.Input, m *result.Measurement, o report.Options) ([]File, error) {
	var files []File
	add := func(name string, b []byte, err error) error {
		if errors.Is(err, ErrNone) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		files = append(files, File{name, b})
		return nil
	}
	from := best(m)
	for i := range photos {
		img, err := screen(photos[i].Data)
		if err != nil {
			return nil, err
		}
		if kind, err := photo.Sniff(photos[i].Data); err == nil && kind == photo.HEIC {
			b, err := encoded(img, nil)("jpg")
			if err := add(fmt.Sprintf("photo-%d.jpg", i+1), b, err); err != nil {
				return nil, err
			}
		}
		b, err := encoded(drawOverlay(img, m, i, o))("jpg")
		if err := add(fmt.Sprintf("overlay-%d.jpg", i+1), b, err); err != nil {
			return nil, err
		}
		if i == from {
			b, err := encoded(drawTopDown(img, m, i, o))("png")
			if err := add("topdown.png", b, err); err != nil {
				return nil, err
			}
		}
	}
	b, err := Profile(m, "svg", o)
	return files, add("profile.svg", b, err)
}

// Overlay draws the findings into photo i of the measurement, as "jpg" or
// "png".
func Overlay(data []byte, m *result.Measurement, i int, format string, o report.Options) ([]byte, error) {
	img, err := screen(data)
	if err != nil {
		return nil, err
	}
	return encoded(drawOverlay(img, m, i, o))(format)
}

// TopDown draws the belt end as seen from straight above with a millimetre
// grid, from the photo that was taken most upright, as "jpg" or "png".
func TopDown(photos []measure.Input, m *result.Measurement, format string, o report.Options) ([]byte, error) {
	i := best(m)
	if i < 0 || i >= len(photos) {
		return nil, ErrNone
	}
	img, err := screen(photos[i].Data)
	if err != nil {
		return nil, err
	}
	return encoded(drawTopDown(img, m, i, o))(format)
}

// Window is the common part of the belts' planes that shows each of these
// measurements from above, centreline on centreline and cut on cut.
func Window(ms ...*result.Measurement) (overlay.Window, error) {
	var all []overlay.Window
	for _, m := range ms {
		i := best(m)
		if i < 0 {
			return overlay.Window{}, ErrNone
		}
		view, err := viewOf(m, i)
		if err != nil {
			return overlay.Window{}, err
		}
		w, err := overlay.Extent(view, input(m, i, report.Options{}))
		if err != nil {
			return w, fmt.Errorf("%w: %w", ErrNone, err)
		}
		all = append(all, w)
	}
	return overlay.Around(all...)
}

// TopDownIn is TopDown in a given window.
func TopDownIn(photos []measure.Input, m *result.Measurement, win overlay.Window, format string, o report.Options) ([]byte, error) {
	i := best(m)
	if i < 0 || i >= len(photos) {
		return nil, ErrNone
	}
	view, err := viewOf(m, i)
	if err != nil {
		return nil, err
	}
	img, err := screen(photos[i].Data)
	if err != nil {
		return nil, err
	}
	return encoded(overlay.TopDownIn(img, view, input(m, i, o), win))(format)
}

// Names are those of the pictures that All can draw of a measurement.
func Names(m *result.Measurement) []string {
	var names []string
	for i := range m.Image {
		names = append(names, fmt.Sprintf("overlay-%d.jpg", i+1))
	}
	if _, err := Window(m); err == nil {
		names = append(names, "topdown.png")
	}
	if hasProfile(m) {
		names = append(names, "profile.svg")
	}
	return names
}

func hasProfile(m *result.Measurement) bool {
	return m.Cut != nil && m.Squareness != nil && m.Width != nil && len(m.Cut.Profile) > 0
}

func viewOf(m *result.Measurement, i int) (geometry.View, error) {
	im := m.Image[i]
	if len(im.Camera) != geometry.CameraParams || len(im.CamFromBelt) != len(geometry.Pose{}) {
		return geometry.View{}, ErrNone
	}
	return geometry.NewView(geometry.CameraFrom(im.Camera), geometry.Pose(im.CamFromBelt)), nil
}

// encoded passes a drawing or its error on to a file format.
func encoded(img image.Image, err error) func(format string) ([]byte, error) {
	return func(format string) ([]byte, error) {
		if err != nil {
			return nil, err
		}
		var b bytes.Buffer
		var failed error
		switch format {
		case "jpg", "jpeg":
			failed = jpeg.Encode(&b, img, &jpeg.Options{Quality: quality})
		case "png":
			failed = (&png.Encoder{CompressionLevel: png.BestSpeed}).Encode(&b, img)
		default:
			failed = fmt.Errorf("no picture is written as %q", format)
		}
		return b.Bytes(), failed
	}
}

// Profile draws the cut's deviation across the width as "svg" or "png".
func Profile(m *result.Measurement, format string, o report.Options) ([]byte, error) {
	if !hasProfile(m) {
		return nil, ErrNone
	}
	in := plot.Input{
		Width: m.Width.AtCutMM, Profile: points(m.Cut.Profile),
		Offset: m.Squareness.OffsetMM, U95: m.Squareness.OffsetU95MM, Tolerance: m.Squareness.ToleranceMM,
		Drawn: m.Line == "drawn", Inches: o.Inches, Lang: o.Lang,
	}
	if r := m.Recut; m.AsksRecut() {
		in.HasRecut = true
		in.Recut = r.CentreMM + at(in.Profile, 0) // CentreMM counts from the cut itself
		t := report.TapeOf(r, o)
		in.RecutL, in.RecutR = t.Left, t.Right
	}
	var b bytes.Buffer
	if err := plot.Profile(&b, format, in); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// at interpolates a profile at x.
func at(p []geometry.Vec2, x float64) float64 {
	for i := 1; i < len(p); i++ {
		if a, b := p[i-1], p[i]; a.X <= x && x <= b.X && b.X > a.X {
			return a.Y + (b.Y-a.Y)*(x-a.X)/(b.X-a.X)
		}
	}
	if x < p[0].X {
		return p[0].Y
	}
	return p[len(p)-1].Y
}

// best is the photo to draw from above: the most upright one that was used.
func best(m *result.Measurement) int {
	k := -1
	for i, p := range m.Photos {
		if p.LeftOut == "" && i < len(m.Image) && (k < 0 || p.TiltDeg < m.Photos[k].TiltDeg) {
			k = i
		}
	}
	return k
}

func screen(data []byte) (image.Image, error) {
	info, err := photo.Inspect(data, photo.DefaultLimits())
	if err != nil {
		return nil, err
	}
	img, err := vision.Screen(data, info, longSide)
	if err != nil { // a nil *image.RGBA would not be a nil image.Image
		return nil, err
	}
	return img, nil
}

func drawOverlay(img image.Image, m *result.Measurement, i int, o report.Options) (image.Image, error) {
	if i >= len(m.Image) {
		return nil, ErrNone
	}
	return overlay.Photo(img, input(m, i, o)), nil
}

func drawTopDown(img image.Image, m *result.Measurement, i int, o report.Options) (image.Image, error) {
	view, err := viewOf(m, i)
	if err != nil {
		return nil, err
	}
	in := input(m, i, o)
	if m.Photos[i].LeftOut == "" && len(in.Cut) == 0 && len(in.Drawn) == 0 {
		return nil, ErrNone
	}
	top, err := overlay.TopDown(img, view, in)
	if errors.Is(err, overlay.ErrNoPlane) {
		return nil, fmt.Errorf("%w: %w", ErrNone, err)
	}
	return top, err
}

func input(m *result.Measurement, i int, o report.Options) overlay.Input {
	im, w := m.Image[i], words.In(o.Lang)
	in := overlay.Input{
		Size: image.Pt(im.WidthPx, im.HeightPx),
		Left: points(im.LeftEdge), Right: points(im.RightEdge), Cut: points(im.Cut), Drawn: points(im.Drawn),
		Centreline: points(im.Centreline), Recut: points(im.RecutLine), Rival: points(im.Rival),
		LeftCorner: point(im.LeftCorner), RightCorner: point(im.RightCorner),
		Names: names(w), Inches: o.Inches, Headline: report.Headline(m, o), Note: w.Text("drawn_key.note"),
	}
	switch m.Verdict {
	case result.Square:
		in.Verdict = overlay.Square
	case result.Recut:
		in.Verdict = overlay.Recut
	default:
		in.Verdict = overlay.Undecided
	}
	if m.Refused != nil {
		in.Verdict = overlay.Refused
	}
	if m.Squareness != nil {
		in.Detail = w.Text("drawn_key.detail", report.Offset(m, o), report.LongSide(m, o), report.Tolerance(m, o))
		in.Scale = overlay.Scale{Offset: m.Squareness.OffsetMM, U95: m.Squareness.OffsetU95MM, Tolerance: m.Squareness.ToleranceMM}
	}
	if !m.AsksRecut() {
		in.Recut = nil
	} else {
		t := report.TapeOf(m.Recut, o)
		in.LeftText, in.RightText = w.Text("drawn_key.back", t.Left), w.Text("drawn_key.back", t.Right)
		if in.Redraw = m.Line == "drawn"; in.Redraw {
			in.LeftText, in.RightText = w.Text("drawn_key.up_by", t.Left), w.Text("drawn_key.up_by", t.Right)
		}
	}
	return in
}

// names are the drawing's own texts.
func names(w *words.Words) overlay.Names {
	t := func(name string) string { return w.Text("drawn_key." + name) }
	return overlay.Names{Edges: t("edges"), Cut: t("cut"), Centre: t("centre"), Recut: t("recut"), Redraw: t("redraw"), Drawn: t("line"), Rival: t("rival"), Hinge: t("hinge"), Up: t("up")}
}

func points(px [][2]float64) []geometry.Vec2 {
	var out []geometry.Vec2
	for _, p := range px {
		out = append(out, geometry.Vec2{X: p[0], Y: p[1]})
	}
	return out
}

func point(p *[2]float64) *geometry.Vec2 {
	if p == nil {
		return nil
	}
	return &geometry.Vec2{X: p[0], Y: p[1]}
}
