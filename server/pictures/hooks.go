package pictures

import (
	"image"
	"strings"

	"beltend/geometry"
	"beltend/server/pages/words"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/vision"
	"beltend/vision/overlay"
	"beltend/vision/photo"
)

// Small is a photo as a JPEG of 640 to 1279 pixels, upright: enough for 60 mm of paper.
func Small(data []byte) ([]byte, error) {
	info, err := photo.Inspect(data, photo.DefaultLimits())
	if err != nil {
		return nil, err
	}
	img, err := vision.Screen(data, info, 640)
	if err != nil {
		return nil, err
	}
	return encoded(img, nil)("jpg")
}

// Hooks draws the findings on a finished joint into the photo they were made
// in, as "jpg" or "png".
func Hooks(data []byte, r *result.Hooks, format string, o report.Options) ([]byte, error) {
	if r.Image == nil {
		return nil, ErrNone
	}
	img, err := screen(data)
	if err != nil {
		return nil, err
	}
	w := words.In(o.Lang)
	in := overlay.HooksInput{
		Size: image.Pt(r.Image.WidthPx, r.Image.HeightPx), Hinge: points(r.Image.Line), Sides: map[string]geometry.Vec2{},
		Headline: report.HooksHeadline(r, o), Refused: r.Refused != nil, Note: w.Text("drawn_key.hooks_note"),
	}
	for _, e := range append(append([][][2]float64{}, r.Image.LeftEdge...), r.Image.RightEdge...) {
		in.Edges = append(in.Edges, points(e))
	}
	var details []string
	for _, s := range r.Sides {
		for _, h := range s.Places {
			in.Hooks = append(in.Hooks, geometry.Vec2{X: h.Px[0], Y: h.Px[1]})
		}
		details = append(details, w.Text("drawn_key.hooks_detail", s.Side, report.Fine(s.PitchMM, o), report.Length(s.MarginLeftMM, o), report.Length(s.MarginRightMM, o)))
	}
	in.Detail = strings.Join(details, "; ")
	for _, f := range r.Findings {
		if f.Px != nil {
			in.Marks = append(in.Marks, overlay.HookMark{At: geometry.Vec2{X: f.Px[0], Y: f.Px[1]}, Text: w.Or("hook_mark."+f.Code, f.Code)})
		}
	}
	for name, p := range r.Image.Sides {
		in.Sides[name] = geometry.Vec2{X: p[0], Y: p[1]}
	}
	return encoded(overlay.Hooks(img, in), nil)(format)
}
