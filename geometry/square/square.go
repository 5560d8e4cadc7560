package square

import (
	"errors"
	"fmt"
	"math"

	"beltend/geometry"
)

// Edges are points on the belt's two edges and along the top edge of the cut,
// in one plane frame seen from above (any place, any turn), millimetres.
// Left and Right run from the cut up the belt, Cut from left to right, as seen
// from beyond the cut looking up the belt. Covered parts are simply missing:
// a space of more than three mean spacings counts as a gap and has no weight.
type Edges struct {
	Left, Right, Cut []geometry.Vec2
}

// Spec is what the cut is judged against. The zero value asks for a square cut
// and no trim.
type Spec struct {
	TargetAngle float64 // radians from square, sign as the offset's
	Trim        float64 // millimetres beyond the deepest point
	Stations    int     // 0: at least five, not more than 300 mm apart
}

// Station is a place along the belt where both edges are seen.
type Station struct {
	Up     float64 // from the fitted cut line along the centreline
	Width  float64
	Middle float64 // of the midpoint from the centreline, right positive
}

// Recut is the line at the target angle that just clears the deepest point of
// the cut, plus the trim.
type Recut struct {
	Left, Right           float64       // along each edge from the present corner
	Centre                float64       // along the centreline from the present cut
	LengthLost            float64       // along the belt from the cut's farthest protruding point
	Diagonal              float64       // both diagonals when the re-cut is square; 0 for another target
	DiagonalUp            float64       // set-back along both edges from the re-cut line
	LeftPoint, RightPoint geometry.Vec2 // plane frame
	LeftBelt, RightBelt   geometry.Vec2 // belt frame
	Intercept             float64       // belt frame: the line is y = Intercept + x tan(target)
}

// Values are what [Compute] finds. The belt frame has its origin where the
// fitted cut line crosses the centreline, y up the centreline, x to the right.
type Values struct {
	Origin    geometry.Vec2 // plane frame
	Direction geometry.Vec2 // plane frame, unit, up the belt

	// Offset is WidthAtCut * (tan(cut angle) - tan(target)): the distance
	// along the belt that the left side sticks out against the target line.
	// Angle is the cut's angle from square minus the target.
	Offset, Angle float64

	WidthAtCut float64 // between the edges where the fitted cut line meets them
	WidthMean  float64 // over Length
	Stations   []Station

	Length float64 // of centreline with both edges, first to last

	// Camber is the bow of the midpoints over Length, right positive: minus
	// the quadratic coefficient of their least-squares parabola times
	// Length^2/4, the parabola's rise over its chord.
	Camber float64

	// Angles of each edge's own least-squares line against the centreline,
	// counterclockwise seen from above. The cut's angle as a square laid on
	// one edge alone shows it is Angle minus that edge's angle.
	EdgeAngleLeft, EdgeAngleRight float64

	// The cut against its own least-squares line, measured up the belt. All
	// but the RMS are taken after a triangular average over 6 mm either way,
	// since the extremes of raw points grow with their number.
	CutStraightness float64         // highest minus lowest
	CutRMS          float64         // per mm of width
	Deepest         geometry.Vec2   // belt frame: the point that the re-cut just clears
	Profile         []geometry.Vec2 // x, deviation

	LeftCorner, RightCorner geometry.Vec2 // plane frame: where the cut's own top edge meets each edge

	Recut Recut

	left, right, cut []geometry.Vec2 // points in the belt frame
	mid              []node
}

// Belt takes a point of the plane frame to the belt frame.
func (v *Values) Belt(p geometry.Vec2) geometry.Vec2 {
	q := p.Sub(v.Origin)
	return geometry.Vec2{X: q.Cross(v.Direction), Y: q.Dot(v.Direction)}
}

// Plane takes a point of the belt frame to the plane frame.
func (v *Values) Plane(p geometry.Vec2) geometry.Vec2 {
	d := v.Direction
	return geometry.Vec2{X: v.Origin.X + d.Y*p.X + d.X*p.Y, Y: v.Origin.Y - d.X*p.X + d.Y*p.Y}
}

// Errors of [Compute], wrapped with figures.
var (
	ErrFewPoints = errors.New("too few points")
	ErrNotFinite = errors.New("a point is not a finite number")
	ErrNoLength  = errors.New("both edges together are not seen over any length")
	ErrSides     = errors.New("the edges are not left and right of the belt above the cut")
	ErrSpec      = errors.New("target angle or trim out of range")
)

const (
	gapFactor = 3.0  // a space of so many mean spacings is a gap,
	leastGap  = 30.0 // mm: but no shorter one, however close the points of several photos lie
	edgeReach = 60.0 // mm of edge, either way, that say where the edge is at one place
	cutReach  = 40.0 // mm of cut, likewise
	smooth    = 6.0  // mm: triangular half-width that takes the noise of close points out of the cut's extremes
)

// MaxTarget is the largest target angle from square, radians: beyond 60
// degrees a cut runs along the belt rather than across it.
const MaxTarget = math.Pi / 3

// Compute fills v from the points of e. Slices in v are used again when they
// are long enough, so that one Values serves many calls.
//
// The centreline is the least-squares line through the midpoints of the width
// over the length seen with both edges, the cut line that through the cut's
// top edge, each with equal weight for every millimetre however the points lie.
// Midpoints are taken square to the centreline; the frame is turned until it
// agrees with its own midpoints.
func Compute(e Edges, s Spec, v *Values) error {
	if err := check(e, s); err != nil {
		return err
	}
	if err := v.centreline(e); err != nil {
		return err
	}
	if err := v.cutLine(e, s); err != nil {
		return err
	}
	v.stations(s)
	v.recut(s)
	return nil
}

func check(e Edges, s Spec) error {
	if !(math.Abs(s.TargetAngle) <= MaxTarget) || !(s.Trim >= 0) || math.IsInf(s.Trim, 0) || s.Stations < 0 {
		return fmt.Errorf("square: %w: angle %g rad, trim %g mm, %d stations", ErrSpec, s.TargetAngle, s.Trim, s.Stations)
	}
	for _, c := range [...]struct {
		name string
		p    []geometry.Vec2
	}{{"left edge", e.Left}, {"right edge", e.Right}, {"cut", e.Cut}} {
		if len(c.p) < 3 {
			return fmt.Errorf("square: %w: %d on the %s, 3 needed", ErrFewPoints, len(c.p), c.name)
		}
		for _, p := range c.p {
			if !p.IsFinite() {
				return fmt.Errorf("square: %w: %s", ErrNotFinite, c.name)
			}
		}
	}
	return nil
}

// node is a place along the belt where both edges are known.
type node struct{ y, mid, width, w float64 }

// centreline sets Origin and Direction to the centreline, with the origin
// still at the middle of its length, and the values that hang on it alone.
func (v *Values) centreline(e Edges) error {
	last := func(p []geometry.Vec2) geometry.Vec2 { return p[len(p)-1] }
	v.Origin = e.Left[0].Add(e.Right[0]).Add(last(e.Left)).Add(last(e.Right)).Mul(0.25)
	v.Direction = last(e.Left).Sub(e.Left[0]).Unit().Add(last(e.Right).Sub(e.Right[0]).Unit()).Unit()
	var f fit
	// The midpoints hang on the direction only through the edges' difference
	// in slope, so each turn gains several digits.
	for turn := 0; turn < 6; turn++ {
		v.left = v.toBelt(e.Left, v.left)
		v.right = v.toBelt(e.Right, v.right)
		if err := v.midpoints(); err != nil {
			return err
		}
		f = fit{}
		for _, n := range v.mid {
			f.add(n.y, n.mid, n.w)
		}
		a, b, ok := f.line()
		if !ok {
			return fmt.Errorf("square: %w", ErrNoLength)
		}
		right := geometry.Vec2{X: v.Direction.Y, Y: -v.Direction.X}
		v.Origin = v.Origin.Add(right.Mul(a))
		v.Direction = v.Direction.Add(right.Mul(b)).Unit()
		if math.Abs(b) < 1e-13 && math.Abs(a) < 1e-9 {
			break
		}
	}
	var width, sum float64
	for _, n := range v.mid {
		width += n.w * n.width
		sum += n.w
	}
	v.WidthMean = width / sum
	v.Length = v.mid[len(v.mid)-1].y - v.mid[0].y
	// a parabola about the middle of the length, by the two-step fit: x^2 made
	// orthogonal to 1 and x, then the slope on what is left
	y0 := (v.mid[0].y + v.mid[len(v.mid)-1].y) / 2
	var q fit
	for _, n := range v.mid {
		q.add(n.y-y0, (n.y-y0)*(n.y-y0), n.w)
	}
	qa, qb, _ := q.line()
	var num, den float64
	for _, n := range v.mid {
		t := n.y - y0
		r := t*t - qa - qb*t
		num += n.w * r * n.mid
		den += n.w * r * r
	}
	v.Camber = 0
	if den > 0 {
		v.Camber = -num / den * v.Length * v.Length / 4
	}
	return nil
}

func (v *Values) toBelt(p, dst []geometry.Vec2) []geometry.Vec2 {
	dst = dst[:0]
	o, d := v.Origin, v.Direction
	for _, q := range p {
		x, y := q.X-o.X, q.Y-o.Y
		dst = append(dst, geometry.Vec2{X: x*d.Y - y*d.X, Y: x*d.X + y*d.Y})
	}
	return dst
}

// midpoints walks up both edges at once and puts a node at each point of
// either, the other interpolated, with the trapezoidal rule's weights. Nothing
// jumps when two points change their order.
func (v *Values) midpoints() error {
	l, r := v.left, v.right
	y0, y1 := math.Max(l[0].Y, r[0].Y), math.Min(l[len(l)-1].Y, r[len(r)-1].Y)
	gapL, gapR := gapOf(l), gapOf(r)
	if !(y1 > y0) || !(gapL > 0) || !(gapR > 0) {
		return fmt.Errorf("square: %w: left from %.0f to %.0f mm, right from %.0f to %.0f mm", ErrNoLength,
			l[0].Y, l[len(l)-1].Y, r[0].Y, r[len(r)-1].Y)
	}
	v.mid = v.mid[:0]
	i, j := 1, 1 // segments i-1..i and j-1..j
	for y := y0; ; {
		for i < len(l)-1 && l[i].Y < y {
			i++
		}
		for j < len(r)-1 && r[j].Y < y {
			j++
		}
		xl, okl := across(l[i-1], l[i], y, gapL)
		xr, okr := across(r[j-1], r[j], y, gapR)
		if okl && okr {
			v.mid = append(v.mid, node{y: y, mid: (xl + xr) / 2, width: xr - xl})
		}
		if y >= y1 {
			break
		}
		next := y1
		for k := i; k < len(l); k++ {
			if l[k].Y > y {
				next = math.Min(next, l[k].Y)
				break
			}
		}
		for k := j; k < len(r); k++ {
			if r[k].Y > y {
				next = math.Min(next, r[k].Y)
				break
			}
		}
		y = next
	}
	most := math.Min(gapL, gapR)
	var width float64
	for k := 1; k < len(v.mid); k++ {
		a, b := &v.mid[k-1], &v.mid[k]
		if h := b.y - a.y; h <= most {
			a.w += h / 2
			b.w += h / 2
		}
		width += b.width
	}
	if len(v.mid) < 3 {
		return fmt.Errorf("square: %w: the edges are never seen side by side", ErrNoLength)
	}
	if !(width > 0) {
		return fmt.Errorf("square: %w", ErrSides)
	}
	return nil
}

// gapOf returns the spacing above which points count as apart.
func gapOf(p []geometry.Vec2) float64 {
	return math.Max(leastGap, gapFactor*(p[len(p)-1].Y-p[0].Y)/float64(len(p)-1))
}

// across interpolates x at y between a and b; ok is false inside a gap.
func across(a, b geometry.Vec2, y, gap float64) (x float64, ok bool) {
	h := b.Y - a.Y
	switch {
	case y <= a.Y:
		return a.X, true
	case y >= b.Y:
		return b.X, true
	}
	return a.X + (b.X-a.X)*(y-a.Y)/h, h <= gap
}

// fit gathers a weighted straight line y = a + b x.
type fit struct{ w, x, y, xx, xy float64 }

func (f *fit) add(x, y, w float64) {
	f.w += w
	f.x += w * x
	f.y += w * y
	f.xx += w * x * x
	f.xy += w * x * y
}

func (f *fit) line() (a, b float64, ok bool) {
	if !(f.w > 0) {
		return 0, 0, false
	}
	mx, my := f.x/f.w, f.y/f.w
	sxx := f.xx - f.w*mx*mx
	if !(sxx > 1e-9*f.xx) && !(sxx > 0) {
		return 0, 0, false
	}
	b = (f.xy - f.w*mx*my) / sxx
	return my - b*mx, b, true
}

// spacing returns the length that point k of a row along t stands for, gaps
// left out.
func spacing(t func(geometry.Vec2) float64, p []geometry.Vec2, k int, gap float64) float64 {
	var w float64
	if k > 0 {
		if h := t(p[k]) - t(p[k-1]); h > 0 && h <= gap {
			w += h / 2
		}
	}
	if k < len(p)-1 {
		if h := t(p[k+1]) - t(p[k]); h > 0 && h <= gap {
			w += h / 2
		}
	}
	return w
}

func alongX(p geometry.Vec2) float64 { return p.X }
func alongY(p geometry.Vec2) float64 { return p.Y }

// cutLine fits the cut, moves the origin onto it and finds what hangs on it.
func (v *Values) cutLine(e Edges, s Spec) error {
	v.cut = v.toBelt(e.Cut, v.cut)
	c := v.cut
	n := len(c)
	span := c[n-1].X - c[0].X
	if !(span > 0.2*v.WidthMean) {
		return fmt.Errorf("square: %w: the cut spans %.0f of %.0f mm from left to right", ErrSides, span, v.WidthMean)
	}
	gap := math.Max(leastGap, gapFactor*span/float64(n-1))
	var f fit
	for k := range c {
		f.add(c[k].X, c[k].Y, spacing(alongX, c, k, gap))
	}
	a, b, ok := f.line()
	if !ok {
		return fmt.Errorf("square: %w: the cut's points are too far apart", ErrFewPoints)
	}
	v.left, v.right = v.toBelt(e.Left, v.left), v.toBelt(e.Right, v.right)
	if v.mid[0].y+v.mid[len(v.mid)-1].y < 2*a {
		return fmt.Errorf("square: %w: the cut lies above the middle of the edges", ErrSides)
	}
	v.Origin = v.Origin.Add(v.Direction.Mul(a))
	for _, p := range [...][]geometry.Vec2{v.left, v.right, c} {
		for k := range p {
			p[k].Y -= a
		}
	}
	for k := range v.mid {
		v.mid[k].y -= a
	}

	// where the fitted line meets each edge
	xl, xr := -v.WidthMean/2, v.WidthMean/2
	for turn := 0; turn < 3; turn++ {
		xl, _ = edgeAt(v.left, b*xl)
		xr, _ = edgeAt(v.right, b*xr)
	}
	v.WidthAtCut = xr - xl
	v.Offset = v.WidthAtCut * (b - math.Tan(s.TargetAngle))
	v.Angle = math.Atan(b) - s.TargetAngle

	var fl, fr fit
	gl, gr := gapOf(v.left), gapOf(v.right)
	for k, p := range v.left {
		fl.add(p.Y, p.X, spacing(alongY, v.left, k, gl))
	}
	for k, p := range v.right {
		fr.add(p.Y, p.X, spacing(alongY, v.right, k, gr))
	}
	_, bl, _ := fl.line()
	_, br, _ := fr.line()
	v.EdgeAngleLeft, v.EdgeAngleRight = -math.Atan(bl), -math.Atan(br)

	v.Profile = v.Profile[:0]
	var sum, w float64
	for k, p := range c {
		d := p.Y - b*p.X
		wk := spacing(alongX, c, k, gap)
		sum += wk * d * d
		w += wk
		v.Profile = append(v.Profile, geometry.Vec2{X: p.X, Y: smoothed(c, k, b)})
	}
	v.CutRMS = math.Sqrt(sum / w)

	// the corners, from the cut's and the edge's own run near them
	corner := func(edge []geometry.Vec2, x float64) geometry.Vec2 {
		var y float64
		for turn := 0; turn < 3; turn++ {
			y, _ = cutAt(c, x)
			x, _ = edgeAt(edge, y)
		}
		return geometry.Vec2{X: x, Y: y}
	}
	cl, cr := corner(v.left, xl), corner(v.right, xr)
	v.LeftCorner, v.RightCorner = v.Plane(cl), v.Plane(cr)

	lo, hi := math.Inf(1), math.Inf(-1)
	for _, p := range v.Profile {
		lo, hi = math.Min(lo, p.Y), math.Max(hi, p.Y)
	}
	for _, p := range [...]geometry.Vec2{cl, cr} {
		lo, hi = math.Min(lo, p.Y-b*p.X), math.Max(hi, p.Y-b*p.X)
	}
	v.CutStraightness = hi - lo

	// deepest and farthest out, against the target line
	tt := math.Tan(s.TargetAngle)
	deepest, out := math.Inf(-1), math.Inf(1)
	consider := func(x, y float64) {
		h := y - tt*x
		if h > deepest {
			deepest, v.Deepest = h, geometry.Vec2{X: x, Y: y}
		}
		out = math.Min(out, h)
	}
	for _, p := range v.Profile {
		consider(p.X, p.Y+b*p.X)
	}
	consider(cl.X, cl.Y)
	consider(cr.X, cr.Y)
	v.Recut = Recut{Intercept: deepest + s.Trim, LengthLost: deepest + s.Trim - out}
	return nil
}

// smoothed returns the deviation of the cut at its point k from a line of
// slope b through the origin, averaged over its near neighbours.
func smoothed(c []geometry.Vec2, k int, b float64) float64 {
	x := c[k].X
	sum, w := c[k].Y-b*x, 1.0
	for _, step := range [...]int{-1, 1} {
		for j := k + step; j >= 0 && j < len(c); j += step {
			h := 1 - math.Abs(c[j].X-x)/smooth
			if h <= 0 {
				break
			}
			sum += h * (c[j].Y - b*c[j].X)
			w += h
		}
	}
	return sum / w
}

// recut finds where the re-cut line meets the edges and the tape checks.
func (v *Values) recut(s Spec) {
	tt := math.Tan(s.TargetAngle)
	r := &v.Recut
	meet := func(edge []geometry.Vec2, x float64) geometry.Vec2 {
		for turn := 0; turn < 3; turn++ {
			x, _ = edgeAt(edge, r.Intercept+tt*x)
		}
		return geometry.Vec2{X: x, Y: r.Intercept + tt*x}
	}
	cl, cr := v.Belt(v.LeftCorner), v.Belt(v.RightCorner)
	r.LeftBelt, r.RightBelt = meet(v.left, cl.X), meet(v.right, cr.X)
	r.LeftPoint, r.RightPoint = v.Plane(r.LeftBelt), v.Plane(r.RightBelt)
	// along the edge's own direction; a corner that is itself the deepest point
	// gives 0
	along := func(from, to geometry.Vec2, edge float64) float64 {
		return math.Max(0, to.Y-from.Y) / math.Cos(edge)
	}
	r.Left, r.Right = along(cl, r.LeftBelt, v.EdgeAngleLeft), along(cr, r.RightBelt, v.EdgeAngleRight)
	y, _ := cutAt(v.cut, 0)
	r.Centre = r.Intercept - y
	if s.TargetAngle == 0 {
		r.DiagonalUp = DiagonalSetBack(v.WidthAtCut)
		// over the edges' own straight lines, which do not fail beyond the photo
		wb := v.WidthMean + (r.Intercept-v.midY())*(math.Tan(v.EdgeAngleLeft)-math.Tan(v.EdgeAngleRight))
		wt := wb + r.DiagonalUp*(math.Tan(v.EdgeAngleLeft)-math.Tan(v.EdgeAngleRight))
		// isosceles trapezoid: diagonal^2 = leg^2 + product of the parallel sides
		r.Diagonal = math.Sqrt(r.DiagonalUp*r.DiagonalUp + wb*wt)
	}
}

func (v *Values) midY() float64 {
	var y, w float64
	for _, n := range v.mid {
		y += n.w * n.y
		w += n.w
	}
	return y / w
}

// DiagonalSetBack returns how far up both edges from the re-cut line the marks
// for equal diagonals go: about 1.25 widths, a round 100 mm, from 300 to
// 2000 mm (trade.md's common set-back is 1 to 2 widths).
func DiagonalSetBack(width float64) float64 {
	return math.Min(2000, math.Max(300, 100*math.Round(1.25*width/100)))
}

// stations measures the width at evenly spaced places with both edges.
func (v *Values) stations(s Spec) {
	y0, y1 := v.mid[0].y, v.mid[len(v.mid)-1].y
	n := s.Stations
	if n == 0 {
		n = int(math.Max(5, 1+math.Ceil(v.Length/300-1e-9)))
	}
	v.Stations = v.Stations[:0]
	gl, gr := gapOf(v.left), gapOf(v.right)
	for k := 0; k < n; k++ {
		y := (y0 + y1) / 2
		if n > 1 {
			y = y0 + (y1-y0)*float64(k)/float64(n-1)
		}
		xl, dl := edgeAt(v.left, y)
		xr, dr := edgeAt(v.right, y)
		if dl > gl/2 || dr > gr/2 {
			continue // covered there
		}
		v.Stations = append(v.Stations, Station{Up: y, Width: xr - xl, Middle: (xl + xr) / 2})
	}
}

// edgeAt returns where an edge is at y and how far the nearest point is.
func edgeAt(p []geometry.Vec2, y float64) (x, nearest float64) {
	return local(alongY, alongX, p, y, edgeReach)
}

// cutAt returns where the cut is at x and how far the nearest point is.
func cutAt(p []geometry.Vec2, x float64) (y, nearest float64) {
	return local(alongX, alongY, p, x, cutReach)
}

// local is a local straight-line fit with triangular weights over reach either
// way, over more where the points are far apart or begin far off: there the
// longer run of the edge says where it would be.
func local(t, of func(geometry.Vec2) float64, p []geometry.Vec2, at, reach float64) (value, nearest float64) {
	n := len(p)
	mean := (t(p[n-1]) - t(p[0])) / float64(n-1)
	nearest = math.Inf(1)
	for k := range p {
		if d := math.Abs(t(p[k]) - at); d < nearest {
			nearest = d
		}
	}
	reach = math.Max(math.Max(reach, 6*mean), 4*nearest)
	var f fit
	for k := range p {
		h := 1 - math.Abs(t(p[k])-at)/reach
		if h <= 0 {
			continue
		}
		f.add(t(p[k])-at, of(p[k]), h*(spacing(t, p, k, gapFactor*mean)+1e-9))
	}
	a, _, ok := f.line()
	if !ok {
		return f.y / f.w, nearest
	}
	return a, nearest
}
