package vision

import (
	"fmt"
	"image"
	"math"

	"gocv.io/x/gocv"

	"beltend/geometry"
	"beltend/vision/photo"
)

// How a plain sheet is told from other light things, and how well it is cut.
const (
	sheetShape   = 0.04 // relative deviation of its proportions; A4 and Letter differ by 0.09
	sheetSkew    = 0.05 // of its corners from right angles, radians
	roughShape   = 0.15 // both, before its sides are found at full size
	sheetChroma  = 0.35 // most colour of white paper in warm or blue light: (max-min)/max
	sheetUneven  = 0.45 // most spread of its light, of its middle: shade and fall-off, not print
	sideSeen     = 0.6  // least share of a side that is seen
	sideNoisePx  = 0.1  // what all points of a side share: tone curve and sharpening
	notSquareMM  = 0.2  // standard deviation of a corner from a rectangle's: guillotined office paper, our estimate
	bentSidePx   = 1.0  // sagitta of a side beyond what a lens makes of it, px
	lensBend     = 0.15 // largest k1 that is a lens: three times the spread of phones
	leastSheetPx = 600  // area in the colour picture
)

// findSheet finds a plain sheet of paper by its outline: the one white
// quadrilateral of the sheet's proportions, seen with the photo's focal length.
// It returns a *photo.Error with code no_card or not_flat.
func findSheet(p *Picture, s geometry.PlainSheet) (Card, error) {
	none := func(format string, a ...any) (Card, error) {
		return Card{}, &photo.Error{Code: "no_card", Message: fmt.Sprintf(format, a...),
			Advice: "Lay one plain white " + s.Name + " sheet flat on the dark belt, all four corners in the picture, nothing on it and no other sheet beside it; or better print a reference card."}
	}
	quads, err := p.lightQuads()
	if err != nil {
		return Card{}, err
	}
	var found []Card
	bent, other := false, false
	for _, q := range quads {
		if r, k := p.shapeOf(q, s); r > roughShape || k > roughShape {
			continue
		}
		if !p.plainWhite(q) {
			continue
		}
		o, ok := p.sheetOutline(q)
		if !ok {
			continue
		}
		ratio, skew := p.shapeOf(o.corner, s)
		switch {
		case o.bent:
			bent = true
			continue
		case ratio > sheetShape || skew > sheetSkew:
			other = true
			continue
		}
		c := o.card(p, s)
		// the same outline is found at several levels; a rim around it is none
		again := false
		for _, f := range found {
			again = again || centreOf(f.Corners).Sub(centreOf(c.Corners)).Norm() < 0.1*o.corner[0].Sub(o.corner[2]).Norm()
		}
		if !again {
			found = append(found, c)
		}
	}
	switch {
	case len(found) == 1:
		return found[0], nil
	case len(found) > 1:
		return none("%d things in the photo look like a plain %s sheet.", len(found), s.Name)
	case bent:
		return Card{}, &photo.Error{Code: "not_flat", Message: "The sides of the plain sheet are not straight: it does not lie flat.",
			Advice: "Tape the sheet's corners down, flat on the belt, and take the photo again; or better print a reference card on stiff paper."}
	case other:
		return none("A light sheet is in the photo, but not of the proportions of %s.", s.Name)
	}
	return none("Neither a reference card nor a plain %s sheet was found in the photo.", s.Name)
}

func centreOf(c []Corner) (m geometry.Vec2) {
	for _, k := range c {
		m = m.Add(k.UV.Mul(1 / float64(len(c))))
	}
	return m
}

// lightQuads lists convex quadrilaterals that are light and of little colour,
// in the picture's pixels, clockwise as seen. The sheet may be darker than
// other things, so every level is tried.
func (p *Picture) lightQuads() ([][4]geometry.Vec2, error) {
	white := gocv.NewMatWithSizes([]int{p.CH, p.CW}, gocv.MatTypeCV8UC1)
	defer white.Close() //nolint:errcheck // memory only
	w, err := white.DataPtrUint8()
	if err != nil {
		return nil, fmt.Errorf("looking for a sheet: %w", err)
	}
	for i := range w { // light without colour
		w[i] = min(p.Colour[3*i], p.Colour[3*i+1], p.Colour[3*i+2])
	}
	var out [][4]geometry.Vec2
	over := gocv.NewMat()
	defer over.Close() //nolint:errcheck // memory only
	for level := 40; level < 250; level += 8 {
		gocv.Threshold(white, &over, float32(level), 255, gocv.ThresholdBinary)
		contours := gocv.FindContours(over, gocv.RetrievalList, gocv.ChainApproxNone)
		for i := range contours.Size() {
			if q, ok := p.asQuad(contours.At(i)); ok && !known(out, q) {
				out = append(out, q)
			}
		}
		contours.Close()
	}
	return out, nil
}

// known reports whether a quadrilateral is listed already, to within a pixel of
// the colour picture.
func known(list [][4]geometry.Vec2, q [4]geometry.Vec2) bool {
	for _, o := range list {
		for turn := range 4 {
			far := 0.0
			for i := range q {
				far = math.Max(far, q[i].Sub(o[(i+turn)%4]).Norm())
			}
			if far < 1.2*colourShrink {
				return true
			}
		}
	}
	return false
}

// asQuad takes a contour of the colour picture for a quadrilateral if it nearly
// is one and lies whole in the picture.
func (p *Picture) asQuad(contour gocv.PointVector) (q [4]geometry.Vec2, ok bool) {
	if contour.Size() < 80 {
		return q, false
	}
	area := gocv.ContourArea(contour)
	if area < leastSheetPx || area > 0.5*float64(p.CW*p.CH) {
		return q, false
	}
	around := gocv.ArcLength(contour, true)
	approx := gocv.ApproxPolyDP(contour, 0.025*around, true)
	pts := approx.ToPoints()
	approx.Close()
	if len(pts) != 4 {
		return q, false
	}
	var twice float64
	inner := image.Rect(1, 1, p.CW-1, p.CH-1)
	for i, a := range pts {
		if !a.In(inner) {
			return q, false
		}
		q[i] = geometry.Vec2{X: float64(a.X), Y: float64(a.Y)}
	}
	for i := range q {
		twice += q[i].Cross(q[(i+1)%4])
	}
	if twice < 0 { // clockwise as seen, y down
		q[1], q[3] = q[3], q[1]
	}
	for i := range q {
		if q[(i+1)%4].Sub(q[i]).Cross(q[(i+2)%4].Sub(q[(i+1)%4])) <= 0 {
			return q, false
		}
	}
	if math.Abs(math.Abs(twice)/2-area) > 0.08*area+0.5*around {
		return q, false
	}
	for i := range q {
		q[i] = q[i].Mul(colourShrink).Add(geometry.Vec2{X: 1, Y: 1}.Mul((colourShrink - 1) / 2.0))
	}
	return q, true
}

// shapeOf compares a quadrilateral with a sheet lying either way, by the photo's
// focal length: the relative deviation of its proportions and its angle's from
// a right one (radians).
func (p *Picture) shapeOf(q [4]geometry.Vec2, s geometry.PlainSheet) (ratio, skew float64) {
	ratio, skew, _ = p.lying(q, s)
	return ratio, skew
}

// lying is shapeOf with the corner that the long side starts from, 0 or 1.
func (p *Picture) lying(q [4]geometry.Vec2, s geometry.PlainSheet) (ratio, skew float64, turn int) {
	board := s.Corners()
	ratio, skew = math.Inf(1), math.Inf(1)
	for t := range 2 {
		h, err := geometry.Homography(board[:], []geometry.Vec2{q[t], q[t+1], q[(t+2)%4], q[(t+3)%4]})
		if err != nil {
			continue
		}
		// columns of K^-1 H: the images of a millimetre along both sides
		axis := func(k int) (v geometry.Vec3) {
			return geometry.Vec3{X: (h[k] - float64(p.W-1)/2*h[6+k]) / p.Info.Focal.Pixels, Y: (h[3+k] - float64(p.H-1)/2*h[6+k]) / p.Info.Focal.Pixels, Z: h[6+k]}
		}
		a, b := axis(0), axis(1)
		if r := math.Abs(math.Log(a.Norm() / b.Norm())); r < ratio {
			ratio, turn = r, t
			skew = math.Abs(math.Asin(a.X*b.X/a.Norm()/b.Norm() + a.Y*b.Y/a.Norm()/b.Norm() + a.Z*b.Z/a.Norm()/b.Norm()))
		}
	}
	return ratio, skew, turn
}

// plainWhite reports whether a quadrilateral is white paper without print.
func (p *Picture) plainWhite(q [4]geometry.Vec2) bool {
	const n = 16
	var light []float64
	var blue, green, red float64
	for i := range n {
		for j := range n {
			u, v := 0.1+0.8*float64(i)/(n-1), 0.1+0.8*float64(j)/(n-1)
			at := q[0].Mul((1 - u) * (1 - v)).Add(q[1].Mul(u * (1 - v))).Add(q[2].Mul(u * v)).Add(q[3].Mul((1 - u) * v))
			k := min(max(int(at.Y)/colourShrink, 0), p.CH-1)*p.CW + min(max(int(at.X)/colourShrink, 0), p.CW-1)
			c := p.Colour[3*k : 3*k+3]
			light = append(light, lightOf[c[1]])
			blue, green, red = blue+float64(c[0]), green+float64(c[1]), red+float64(c[2])
		}
	}
	hi, lo := max(blue, green, red), min(blue, green, red)
	spread := nth(light, len(light)*95/100) - nth(light, len(light)*5/100)
	return (hi-lo) < sheetChroma*hi && spread < sheetUneven*median(light)
}

// sheetSide is one side of a sheet: from at along to, bowed inwards by
// fit[0] + fit[1] x + fit[2] x^2 with x from -1 to 1.
type sheetSide struct {
	mid, along, in geometry.Vec2
	half           float64 // length, px
	fit            [3]float64
	spread         float64 // of the points about the fit, px
	points         int
	blur           float64
}

func (s *sheetSide) at(x float64) geometry.Vec2 {
	return s.mid.Add(s.along.Mul(x * s.half)).Add(s.in.Mul(s.fit[0] + s.fit[1]*x + s.fit[2]*x*x))
}

// sheetOutline is a sheet's four sides and corners.
type sheetOutline struct {
	side   [4]sheetSide
	corner [4]geometry.Vec2 // corner i is where sides i-1 and i meet
	bent   bool
}

// sheetOutline finds the sides at full size, first near the colour picture's
// quadrilateral, then near what that gave.
func (p *Picture) sheetOutline(q [4]geometry.Vec2) (o sheetOutline, ok bool) {
	o.corner = q
	for round := range 3 {
		old := o.corner
		for i := range q {
			reach := 4.0
			if round == 0 {
				reach = 2*colourShrink + 0.01*old[(i+1)%4].Sub(old[i]).Norm()
			}
			bow := o.side[i].fit[2]
			if o.side[i], ok = p.sheetSide(old[i], old[(i+1)%4], bow, reach); !ok {
				return o, false
			}
		}
		for i := range q {
			if o.corner[i], ok = meet(&o.side[(i+3)%4], &o.side[i]); !ok || o.corner[i].Sub(old[i]).Norm() > 4*colourShrink {
				return o, false
			}
		}
	}
	middle := geometry.Vec2{X: float64(p.W-1) / 2, Y: float64(p.H-1) / 2}
	for i := range o.side {
		s := &o.side[i]
		// A side at distance h from the middle of the picture bends by the first
		// radial term by k1 h l^2 / f^2 over its half length l.
		off := math.Abs(s.in.Dot(s.mid.Sub(middle)))
		limit := bentSidePx + lensBend*off*s.half*s.half/(p.Info.Focal.Pixels*p.Info.Focal.Pixels)
		o.bent = o.bent || math.Abs(s.fit[2]) > limit
	}
	return o, true
}

// sheetSide finds the side from a to b of a sheet that lies clockwise of it,
// bowed by about bow px, within reach of that.
func (p *Picture) sheetSide(a, b geometry.Vec2, bow, reach float64) (s sheetSide, ok bool) {
	d := b.Sub(a)
	s.mid, s.along, s.half = a.Add(b).Mul(0.5), d.Unit(), d.Norm()/2
	s.in = s.along.Perp()
	// The corners' blur stays out, and rough corners' error at first.
	end := 1 - math.Max(6, reach)/s.half
	if end < 0.5 {
		return s, false
	}
	n := int(math.Min(250, s.half))
	var x, y, blur []float64
	for k := range n {
		u := end * (2*float64(k)/float64(n-1) - 1)
		at := bow * (u*u - 1)
		q := s.mid.Add(s.along.Mul(u * s.half)).Add(s.in.Mul(at))
		t, slope, found := stepAlong(p, q, s.in, reach, 1)
		if !found {
			continue
		}
		x, y = append(x, u), append(y, at+t)
		edge := q.Add(s.in.Mul(t))
		hi, ok1 := p.light(edge.Add(s.in.Mul(6)))
		lo, ok2 := p.light(edge.Sub(s.in.Mul(6)))
		// the step's rise over two pixels is this share of all of it
		if share := slope / (hi - lo); ok1 && ok2 && share > 0.05 && share < 1 {
			blur = append(blur, 1/(math.Sqrt2*math.Erfinv(share)))
		}
	}
	if float64(len(x)) < sideSeen*float64(n) || !s.fitSide(x, y) || float64(s.points) < sideSeen*float64(n) {
		return s, false
	}
	s.blur = median(blur)
	return s, true
}

// fitSide fits the bowed side to points, leaving out those further than three
// times the spread: what lies over the side, or crumbs.
func (s *sheetSide) fitSide(x, y []float64) bool {
	limit := math.Inf(1)
	for range 8 {
		var m [3][4]float64 // normal equations
		s.points = 0
		for i := range x {
			if math.Abs(y[i]-s.fit[0]-s.fit[1]*x[i]-s.fit[2]*x[i]*x[i]) > limit {
				continue
			}
			s.points++
			row := [4]float64{1, x[i], x[i] * x[i], y[i]}
			for r := range m {
				for c := range row {
					m[r][c] += row[r] * row[c]
				}
			}
		}
		if s.points < 12 {
			return false
		}
		for r := range m { // positive definite: no pivots wanted
			for t := r + 1; t < 3; t++ {
				f := m[t][r] / m[r][r]
				for c := r; c < 4; c++ {
					m[t][c] -= f * m[r][c]
				}
			}
		}
		s.fit[2] = m[2][3] / m[2][2]
		s.fit[1] = (m[1][3] - m[1][2]*s.fit[2]) / m[1][1]
		s.fit[0] = (m[0][3] - m[0][1]*s.fit[1] - m[0][2]*s.fit[2]) / m[0][0]
		off := make([]float64, len(x))
		for i := range x {
			off[i] = math.Abs(y[i] - s.fit[0] - s.fit[1]*x[i] - s.fit[2]*x[i]*x[i])
		}
		s.spread = 1.4826 * median(off) // a normal distribution's, from its median
		limit = math.Max(0.3, 3*s.spread)
	}
	return s.spread < 1
}

// meet returns where side a ends and side b begins.
func meet(a, b *sheetSide) (geometry.Vec2, bool) {
	x, y := 1.0, -1.0
	for range 6 { // Newton's steps along both tangents
		da := a.along.Mul(a.half).Add(a.in.Mul(a.fit[1] + 2*a.fit[2]*x))
		db := b.along.Mul(b.half).Add(b.in.Mul(b.fit[1] + 2*b.fit[2]*y))
		gap := b.at(y).Sub(a.at(x))
		det := da.Cross(db)
		if math.Abs(det) < 0.2*da.Norm()*db.Norm() {
			return geometry.Vec2{}, false
		}
		x += gap.Cross(db) / det
		y += gap.Cross(da) / det
	}
	if math.Abs(x-1) > 0.3 || math.Abs(y+1) > 0.3 {
		return geometry.Vec2{}, false
	}
	return a.at(x), true
}

// card gives the outline as a reference. A corner's standard deviation is that
// of its two sides' ends, and of the paper's cut.
func (o *sheetOutline) card(p *Picture, s geometry.PlainSheet) Card {
	_, _, turn := p.lying(o.corner, s)
	c := Card{Name: "plain " + s.Name + " sheet", Plain: true, Size: geometry.Vec2{X: s.Long, Y: s.Short}}
	px := o.corner[0].Sub(o.corner[2]).Norm() + o.corner[1].Sub(o.corner[3]).Norm()
	perMM := px / (2 * math.Hypot(s.Long, s.Short))
	var blurs []float64
	for i, b := range s.Corners() {
		k := (i + turn) % 4
		before, after := &o.side[(k+3)%4], &o.side[k]
		// At its end a parabola's variance is nine times that of its points' mean;
		// neighbours share half of their noise.
		end := func(e *sheetSide) float64 { return 18*e.spread*e.spread/float64(e.points) + sideNoisePx*sideNoisePx }
		sin := before.along.Cross(after.along)
		noise := (end(before) + end(after)) / (2 * sin * sin)
		c.Corners = append(c.Corners, Corner{Board: b, UV: o.corner[k], Sigma: math.Sqrt(noise + notSquareMM*notSquareMM*perMM*perMM)})
		blurs = append(blurs, after.blur)
	}
	c.Blur = median(blurs)
	return c
}
