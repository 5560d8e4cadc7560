package pictures

import (
	"fmt"
	"image"
	"strings"

	"beltend/geometry"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/vision/overlay"
)

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
	in := overlay.HooksInput{
		Size: image.Pt(r.Image.WidthPx, r.Image.HeightPx), Hinge: points(r.Image.Line), Sides: map[string]geometry.Vec2{},
		Headline: report.HooksHeadline(r), Refused: r.Refused != nil,
		Note: "Isolate and lock out before work; site rules win. A count says nothing about strength: judge the clinch on both faces.",
	}
	for _, e := range append(append([][][2]float64{}, r.Image.LeftEdge...), r.Image.RightEdge...) {
		in.Edges = append(in.Edges, points(e))
	}
	var details []string
	for _, s := range r.Sides {
		for _, h := range s.Places {
			in.Hooks = append(in.Hooks, geometry.Vec2{X: h.Px[0], Y: h.Px[1]})
		}
		details = append(details, fmt.Sprintf("%s: pitch %.2f mm, margins %s and %s", s.Side, s.PitchMM, report.Length(s.MarginLeftMM, o), report.Length(s.MarginRightMM, o)))
	}
	in.Detail = strings.Join(details, "; ")
	for _, f := range r.Findings {
		if f.Px != nil {
			in.Marks = append(in.Marks, overlay.HookMark{At: geometry.Vec2{X: f.Px[0], Y: f.Px[1]}, Text: f.Code})
		}
	}
	for name, p := range r.Image.Sides {
		in.Sides[name] = geometry.Vec2{X: p[0], Y: p[1]}
	}
	return encoded(overlay.Hooks(img, in), nil)(format)
}
