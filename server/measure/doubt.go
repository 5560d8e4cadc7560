package measure

import (
	"errors"

	"beltend/geometry"
	"beltend/server/result"
	"beltend/vision"
)

// doubtful is asRefusal for a photo whose cards are found: their scale goes with it,
// and where two things could be meant both are shown.
func doubtful(err error, shots []*shot, i int, view *geometry.View) error {
	sh := shots[i]
	refused := asRefusal(err, sh.name)
	var r *result.Refusal
	if !errors.As(refused, &r) {
		return refused
	}
	d := &result.Doubt{Refusal: r, Image: blankImages(shots)}
	var v *vision.Refused
	if !errors.As(err, &v) || len(v.Rival) == 0 {
		return d
	}
	im := &d.Image[i]
	shown := func(points ...geometry.Vec2) (px [][2]float64) {
		const parts = 12 // a side: the lens bends lines
		for k, b := range points[1:] {
			for i := range parts + 1 {
				uv, ok := view.Project(points[k].Add(b.Sub(points[k]).Mul(float64(i) / parts)))
				if ok && (i > 0 || k == 0) {
					uv = sh.pic.UprightOf(uv)
					px = append(px, [2]float64{round(uv.X, 2), round(uv.Y, 2)})
				}
			}
		}
		return px
	}
	if len(v.Best) == 1 { // drawn lines
		im.Drawn = shown(v.Best[0][:]...)
		im.Rival = shown(v.Rival[0][:]...)
	} else {
		im.LeftEdge, im.RightEdge, im.Cut = shown(v.Best[0][:]...), shown(v.Best[1][:]...), shown(v.Best[2][:]...)
		im.Rival = shown(aroundEnd(v.Rival)...)
	}
	return d
}

// withFound shows beside a refusal what was found and makes no belt end, so that a
// person can see which of it is wrong.
func withFound(err error, shots []*shot, ends []seen, line *drawnLine) error {
	var r *result.Refusal
	var doubt *result.Doubt
	if !errors.As(err, &r) || errors.As(err, &doubt) {
		return err
	}
	found := &result.Doubt{Refusal: r, Image: blankImages(shots)}
	for _, e := range ends {
		sh, im := shots[e.photo], &found.Image[e.photo]
		im.LeftEdge, im.RightEdge, im.Cut = traced(sh, e.end.Left.Points), traced(sh, e.end.Right.Points), traced(sh, e.end.Cut.Points)
		if line != nil {
			for _, l := range line.ends {
				if l.photo == e.photo {
					im.Drawn = traced(sh, l.end.Cut.Points)
				}
			}
		}
	}
	return found
}

func blankImages(shots []*shot) []result.Image {
	var out []result.Image
	for _, sh := range shots {
		im := blankImage(sh)
		im.MMPerPx = round(sh.cardScale(), 4)
		out = append(out, im)
	}
	return out
}

// cardScale is how many mm a pixel is at the cards, from the longest way across each.
func (sh *shot) cardScale() float64 {
	var mm, px float64
	for _, c := range sh.cards {
		if n := len(c.Corners); n > 1 {
			mm += c.Corners[n-1].Board.Sub(c.Corners[0].Board).Norm()
			px += c.Corners[n-1].UV.Sub(c.Corners[0].UV).Norm()
		}
	}
	if px == 0 {
		return 0
	}
	return mm / px
}

// aroundEnd joins left edge, right edge and cut to the way round the belt end:
// down the left edge, along the cut, up the right edge.
func aroundEnd(lines [][2]geometry.Vec2) []geometry.Vec2 {
	left, right, cut := lines[0], lines[1], lines[2]
	toCut := func(q geometry.Vec2) float64 { return min(q.Sub(cut[0]).Norm(), q.Sub(cut[1]).Norm()) }
	if toCut(left[0]) < toCut(left[1]) {
		left[0], left[1] = left[1], left[0]
	}
	if toCut(right[1]) < toCut(right[0]) {
		right[0], right[1] = right[1], right[0]
	}
	if cut[0].Sub(left[1]).Norm() > cut[1].Sub(left[1]).Norm() {
		cut[0], cut[1] = cut[1], cut[0]
	}
	return []geometry.Vec2{left[0], left[1], cut[0], cut[1], right[0], right[1]}
}
