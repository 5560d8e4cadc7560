package vision

import (
	"image"
	"math"
	"slices"

	"gocv.io/x/gocv"

	"beltend/geometry"
	"beltend/vision/aruco"
)

// Naive measures a belt end as a first program would: one card, the outer
// corners of its four corner markers, one homography without lens terms, Canny,
// Hough, the strongest nearly parallel lines on both sides of the card and the
// strongest line across them. It knows no uncertainty and hardly ever refuses.
//
// It is the yardstick that the scoreboard sets the real way against; nothing
// else uses it. Offset and width in mm, signs as everywhere.
func Naive(photo []byte) (offset, width float64, ok bool) {
	grey, err := gocv.IMDecode(photo, gocv.IMReadGrayScale) // upright, as EXIF says
	if err != nil {
		return 0, 0, false
	}
	defer grey.Close()
	if grey.Empty() {
		return 0, 0, false
	}
	board, toBoard, ok := naiveCard(grey)
	if !ok {
		return 0, 0, false
	}
	return naiveEnd(naiveLines(grey, toBoard), geometry.Vec2{X: board.Width() / 2, Y: board.Height() / 2})
}

// naiveCard takes the card that shows the most markers, and the homography from
// the upright photo to its board frame.
func naiveCard(grey gocv.Mat) (board geometry.Board, toBoard geometry.Mat3, ok bool) {
	px, err := grey.DataPtrUint8()
	if err != nil {
		return board, toBoard, false
	}
	markers, err := aruco.Detect(px, grey.Cols(), grey.Rows(), geometry.CardDict, aruco.Options{})
	if err != nil {
		return board, toBoard, false
	}
	var count [geometry.CardCount + 1]int
	number := 0
	for _, m := range markers {
		if n := geometry.CardNumber(m.ID); n > 0 {
			count[n]++
			if count[n] > count[number] {
				number = n
			}
		}
	}
	if number == 0 {
		return board, toBoard, false
	}
	if board, err = geometry.Card(number); err != nil {
		return board, toBoard, false
	}
	// the marker corner that lies nearest to each corner of the board
	var on, in []geometry.Vec2
	for _, corner := range []geometry.Vec2{{}, {X: board.Width()}, {X: board.Width(), Y: board.Height()}, {Y: board.Height()}} {
		var bestOn, bestIn geometry.Vec2
		best := math.Inf(1)
		for _, m := range markers {
			if geometry.CardNumber(m.ID) != number {
				continue
			}
			for k, q := range board.MarkerCorners(m.ID - board.FirstID) {
				if d := q.Sub(corner).Norm(); d < best {
					best, bestOn, bestIn = d, q, m.Corners[k]
				}
			}
		}
		if best > 1.6*board.Square {
			return board, toBoard, false // a corner of the card is not seen
		}
		on, in = append(on, bestOn), append(in, bestIn)
	}
	toBoard, err = geometry.Homography(in, on)
	return board, toBoard, err == nil
}

// naiveLines are the strongest straight lines of the photo in the board frame,
// strongest first.
func naiveLines(grey gocv.Mat, toBoard geometry.Mat3) (out []planeLine) {
	const long, most = 1600.0, 40
	shrink := math.Min(1, long/float64(max(grey.Cols(), grey.Rows())))
	small, edges, lines := gocv.NewMat(), gocv.NewMat(), gocv.NewMat()
	defer small.Close()
	defer edges.Close()
	defer lines.Close()
	gocv.Resize(grey, &small, image.Point{}, shrink, shrink, gocv.InterpolationArea)
	gocv.GaussianBlur(small, &small, image.Pt(5, 5), 0, 0, gocv.BorderDefault)
	gocv.Canny(small, &edges, 50, 150)
	gocv.HoughLines(edges, &lines, 1, math.Pi/1800, min(small.Cols(), small.Rows())/6)
	for i := 0; i < lines.Rows() && len(out) < most; i++ { // OpenCV sorts them by votes
		v := lines.GetVecfAt(i, 0)
		rho, sin, cos := float64(v[0]), math.Sin(float64(v[1])), math.Cos(float64(v[1]))
		at := func(t float64) (geometry.Vec2, bool) {
			u := geometry.Vec2{X: rho*cos - t*sin, Y: rho*sin + t*cos}
			return toBoard.ApplyH(geometry.Vec2{X: (u.X+0.5)/shrink - 0.5, Y: (u.Y+0.5)/shrink - 0.5})
		}
		// two of its points, where the line is nearest to the picture's middle
		mid := float64(small.Rows())/2*cos - float64(small.Cols())/2*sin
		a, okA := at(mid - 300)
		b, okB := at(mid + 300)
		if !okA || !okB || a.Sub(b).Norm() < 1 {
			continue
		}
		n := b.Sub(a).Unit().Perp()
		out = append(out, planeLine{N: n, D: n.Dot(a)})
	}
	return out
}

// naiveEnd takes the strongest pair of lines that encloses the card and is
// parallel to 2 degrees, and the strongest one within 6 degrees of square to it,
// of those that miss the card's sheet. card is the card's middle.
func naiveEnd(lines []planeLine, card geometry.Vec2) (offset, width float64, ok bool) {
	const parallel = 2 * math.Pi / 180
	from := func(l planeLine) float64 { return l.N.Dot(card) - l.D }
	lines = slices.DeleteFunc(lines, func(l planeLine) bool {
		// half an A4 sheet across the line, and 5 mm: its own edges are no belt's
		return math.Abs(from(l)) < 148.5*math.Abs(l.N.X)+105*math.Abs(l.N.Y)+5
	})
	for j := range lines {
		for i := range j {
			a, b := lines[i], lines[j]
			if a.N.Dot(b.N) < 0 {
				b.N, b.D = b.N.Mul(-1), -b.D
			}
			if math.Abs(a.N.Cross(b.N)) > parallel || from(a)*from(b) > 0 {
				continue
			}
			axis := a.dir().Add(b.dir()).Unit()
			for _, c := range lines {
				if math.Abs(c.dir().Dot(axis)) > 0.1 { // 6 degrees: no cut is worse
					continue
				}
				p, okP := c.meet(a)
				q, okQ := c.meet(b)
				if !okP || !okQ {
					continue
				}
				up := axis
				if up.Dot(card.Sub(p)) < 0 {
					up = up.Mul(-1)
				}
				across := q.Sub(p)
				if across.Cross(up) < 0 { // from the left edge to the right one
					across = across.Mul(-1)
				}
				return across.Dot(up), math.Abs(across.Cross(up)), true
			}
		}
	}
	return 0, 0, false
}
