package vision

import (
	"fmt"
	"math"
	"sort"

	"beltend/geometry"
	"beltend/vision/simd"
)

// Drawn is a line that a person drew across the belt: chalk, pen or scribed.
// Its trace is its middle, from the left edge to the right, T in mm from the
// left edge.
type Drawn struct {
	Trace
	WidthMM     float64       // of the stroke
	Left, Right geometry.Vec2 // plane: where the line meets the edges
}

// Searching says how a drawn line is looked for.
type Searching struct {
	// Asked looks harder and says why nothing is found. Otherwise only what
	// is beyond doubt is taken, quickly.
	Asked bool
	// Near are places near the line, set by hand, in the working picture.
	Near []geometry.Vec2
}

// What a drawn line is.
const (
	drawnLean    = 0.19 // steepest, rise over width: some 10 degrees and a little
	drawnClear   = 4.0  // mm of belt between it and the cut at least
	drawnWide    = 7.0  // mm, widest stroke
	drawnSpan    = 0.60 // of the width that it must cross, cards bridged
	drawnReach   = 700  // mm up from the cut that are searched unasked
	drawnApart   = 8.0  // mm between two lines that are not the same
	drawnRivalry = 0.6  // strength of a second line that makes the first doubtful
)

// strokes are the widths of line that are looked for, mm.
var strokes = [3]float64{0.8, 2, 4.5}

// FindDrawn finds the line drawn across the belt between its edges and behind
// its cut. A line is a ridge, bright or dark, with the same belt on both sides:
// a step is none. Without one it returns nil, or a refusal when it was asked for.
func FindDrawn(p *Picture, view *geometry.View, e *End, sheets Sheets, blur float64, how Searching) (*Drawn, error) {
	m, ok := newRidgeMap(p, view, e, sheets, blur, how)
	if !ok {
		return nil, noLine(how)
	}
	for _, uv := range how.Near {
		q, ok := view.Unproject(uv)
		if !ok {
			return nil, noLine(how)
		}
		m.near = append(m.near, q)
	}
	lines := m.candidates(p, view, how)
	if len(lines) == 0 {
		return nil, noLine(how)
	}
	best := lines[0]
	for _, l := range lines[1:] {
		if l.strength() > drawnRivalry*best.strength() {
			if !how.Asked {
				return nil, nil
			}
			r := refuse("line_unclear", "two_lines")
			r.Best = [][2]geometry.Vec2{{m.place(best, 0), m.place(best, 1)}}
			r.Rival = [][2]geometry.Vec2{{m.place(l, 0), m.place(l, 1)}}
			return nil, r
		}
	}
	d := m.trace(p, view, best, blur)
	least := drawnSpan
	if !how.Asked {
		least = 0.7
	}
	if d == nil || d.Support < least {
		return nil, noLine(how)
	}
	d.Margin = math.Inf(1)
	if len(lines) > 1 {
		d.Margin = 1 - lines[1].strength()/best.strength()
	}
	d.ByHand = len(how.Near) > 0
	return d, nil
}

func noLine(how Searching) error {
	switch {
	case len(how.Near) > 0:
		return refuse("line_unclear", "hand_far")
	case how.Asked:
		return refuse("line_unclear", "none")
	}
	return nil
}

// CutIsDrawn reports whether what was found as the cut is a line drawn across
// the belt, which goes on beyond it: a ridge, not a step, with the belt's edges
// running on.
func CutIsDrawn(p *Picture, view *geometry.View, e *End, sheets Sheets, blur float64) (*Drawn, bool) {
	const around = 24.0 // mm either way
	m, _, ok := frameOf(e, sheets)
	if !ok || e.Cut.ByHand {
		return nil, false
	}
	_, yr := m.frame(e.RightCorner)
	m.lo = make([]float64, m.cols)
	for i := range m.lo {
		m.lo[i] = yr*m.f(i) - around
	}
	if !m.fill(p, view, math.Max(0, yr)+around, blur, false) {
		return nil, false
	}
	for _, sign := range []float32{1, -1} {
		r := &ridge{c: [3]float64{yr / 2, yr / 2, 0}, sign: sign}
		if !m.bend(r) {
			continue
		}
		if m.weigh(r); m.drawn(r, Searching{Asked: true}) && m.oneHue(p, view, r) && m.goesOn(p, view, r) {
			if d := m.trace(p, view, r, blur); d != nil && d.Support > drawnSpan {
				return d, true
			}
		}
	}
	return nil, false
}

// drawnCut reports whether the cut of an outline is a line drawn across the belt.
func (m *sceneMap) drawnCut(p *Picture, view *geometry.View, o *outline, sheets Sheets, sharp Sharp) bool {
	c := o.Cut
	for _, reach := range []float64{14, 6} {
		pts, _ := traceBest(p, view, c, search{cut: true, course: straight, reach: reach, sharp: sharp, share: innerShare[2]}, sheets.cover)
		if len(pts) < 10 {
			return false
		}
		fitBoundary(&c, pts)
	}
	e := &End{Up: o.Up}
	for k, b := range []boundary{o.Left, o.Right} {
		corner, ok := b.Line.meet(c.Line)
		if !ok {
			return false
		}
		t := []*Trace{&e.Left, &e.Right}[k]
		*[]*geometry.Vec2{&e.LeftCorner, &e.RightCorner}[k] = corner
		for i := range 12 {
			t.Points = append(t.Points, EdgePoint{Plane: corner.Add(b.To.Sub(corner).Mul(float64(i) / 11))})
		}
	}
	_, is := CutIsDrawn(p, view, e, sheets, sharp.Blur)
	return is
}

// goesOn reports whether both edges of the belt run on below a line: over some
// stretch the step across them is more than half of what it is above.
func (m *ridgeMap) goesOn(p *Picture, view *geometry.View, r *ridge) bool {
	// light and hue from the belt outwards
	step := func(side, y float64) (v [3]float64, ok bool) {
		x := m.x((1+side)/2, y)
		for _, d := range []float64{4, 6, 8} {
			in, ok1 := view.Project(m.plane(x-side*d, y))
			out, ok2 := view.Project(m.plane(x+side*d, y))
			if !ok1 || !ok2 || m.sheets.cover(m.plane(x-side*d, y)) {
				return v, false
			}
			a, ok1 := p.sample(in)
			b, ok2 := p.sample(out)
			if !ok1 || !ok2 {
				return v, false
			}
			v[0] += (b - a) / 3
		}
		in, ok1 := m.hue(p, view, m.plane(x-side*12, y))
		out, ok2 := m.hue(p, view, m.plane(x+side*12, y))
		v[1], v[2] = out.X-in.X, out.Y-in.Y
		return v, ok1 && ok2
	}
	mean := func(side, from, to float64) (v [3]float64, ok bool) {
		n := 0.0
		for d := from; d <= to; d++ {
			if s, ok := step(side, r.y(side)+d); ok {
				for k := range v {
					v[k] += s[k]
				}
				n++
			}
		}
		for k := range v {
			v[k] /= math.Max(n, 1)
		}
		return v, n > 6
	}
	var above [2][3]float64
	for k, side := range []float64{-1, 1} {
		var ok bool
		if above[k], ok = mean(side, 4, 90); !ok {
			return false
		}
	}
	for _, w := range [][2]float64{{-14, -4}, {-28, -8}, {-50, -15}} {
		both := true
		for k, side := range []float64{-1, 1} {
			a := above[k]
			b, ok := mean(side, w[0], w[1])
			size := a[0]*a[0] + a[1]*a[1] + a[2]*a[2]
			both = both && ok && size > 25 && a[0]*b[0]+a[1]*b[1]+a[2]*b[2] > 0.5*size
		}
		if both {
			return true
		}
	}
	return false
}

// ridgeMap holds profiles up the belt at places across it: column i at the
// fraction f(i) of the width, row j at y0 + j*dy up from the left corner.
type ridgeMap struct {
	origin, up, right geometry.Vec2
	left, rightEdge   [2]float64 // edges in that frame: x = a + b y
	cols, rows        int
	y0, dy            float64
	lo                []float64 // of a column: least y that is clear of the cut
	grey              []int16   // cols x rows, three times the grey level
	known             []bool
	resp              []float32 // ridge against its noise, bright positive
	sheets            Sheets
	near              []geometry.Vec2 // places set by hand, plane
}

func (m *ridgeMap) f(i int) float64 { return (float64(i) + 0.5) / float64(m.cols) }

func (m *ridgeMap) x(f, y float64) float64 {
	l, r := m.left[0]+m.left[1]*y, m.rightEdge[0]+m.rightEdge[1]*y
	return l + (r-l)*f
}

func (m *ridgeMap) plane(x, y float64) geometry.Vec2 {
	return m.origin.Add(m.right.Mul(x)).Add(m.up.Mul(y))
}

func (m *ridgeMap) frame(q geometry.Vec2) (x, y float64) {
	q = q.Sub(m.origin)
	return m.right.Dot(q), m.up.Dot(q)
}

func (m *ridgeMap) width() float64 { return m.x(1, 0) - m.x(0, 0) }

// newRidgeMap samples the belt between its edges from the cut up.
func newRidgeMap(p *Picture, view *geometry.View, e *End, sheets Sheets, blur float64, how Searching) (*ridgeMap, bool) {
	m, top, ok := frameOf(e, sheets)
	if !ok {
		return nil, false
	}
	if how.Asked {
		m.cols = 144
	}
	m.cut(e)
	if !how.Asked {
		top = math.Min(top, m.y0+drawnReach)
	}
	return m, m.fill(p, view, top, blur, how.Asked)
}

// frameOf lays columns between the edges; top is how far up both are seen.
func frameOf(e *End, sheets Sheets) (m *ridgeMap, top float64, ok bool) {
	if len(e.Left.Points) < 8 || len(e.Right.Points) < 8 {
		return nil, 0, false
	}
	m = &ridgeMap{origin: e.LeftCorner, up: e.Up, right: geometry.Vec2{X: e.Up.Y, Y: -e.Up.X}, cols: 40, sheets: sheets}
	var far float64
	m.left, top = m.edge(&e.Left)
	m.rightEdge, far = m.edge(&e.Right)
	return m, math.Min(top, far), m.width() > 50
}

// fill samples the columns up to top and finds their ridges, at steps of a pixel
// or, where it is asked for, finer.
func (m *ridgeMap) fill(p *Picture, view *geometry.View, top, blur float64, fine bool) bool {
	m.y0 = math.Inf(1)
	for _, y := range m.lo {
		m.y0 = math.Min(m.y0, y)
	}
	px := pixelAcross(view, m.plane(m.width()/2, m.y0+20), m.up)
	m.dy = math.Max(0.4, px)
	if fine {
		m.dy = math.Max(0.25, 0.75*px)
	}
	m.rows = int((top - m.y0) / m.dy)
	if float64(m.rows)*m.dy < 40 || m.rows > 20000 {
		return false
	}
	m.sample(p, view)
	m.ridges(math.Max(1, blur*px/m.dy))
	return true
}

// edge fits x = a + b y to an edge and says how far up it is seen.
func (m *ridgeMap) edge(t *Trace) (line [2]float64, far float64) {
	pts := make([]geometry.Vec2, len(t.Points))
	for i, q := range t.Points {
		x, y := m.frame(q.Plane)
		pts[i] = geometry.Vec2{X: x, Y: y}
		far = math.Max(far, y)
	}
	c, d := fitLine2(pts)
	b := d.X / d.Y
	return [2]float64{c.X - b*c.Y, b}, far
}

// cut sets where in each column the cut is left behind.
func (m *ridgeMap) cut(e *End) {
	m.lo = make([]float64, m.cols)
	xr, yr := m.frame(e.RightCorner)
	w := m.width()
	var xs, ys []float64
	for _, q := range e.Cut.Points {
		x, y := m.frame(q.Plane)
		xs, ys = append(xs, x), append(ys, y)
	}
	k := 0
	for i := range m.lo {
		x := m.f(i) * w
		y := yr * x / math.Max(xr, 1)
		for k < len(xs) && xs[k] < x-8 {
			k++
		}
		for j := k; j < len(xs) && xs[j] <= x+8; j++ {
			y = math.Max(y, ys[j])
		}
		m.lo[i] = y + drawnClear
	}
}

// sample fills the profiles: the mean of three neighbouring places, each the
// nearest pixel.
func (m *ridgeMap) sample(p *Picture, view *geometry.View) {
	m.grey, m.known = make([]int16, m.cols*m.rows), make([]bool, m.cols*m.rows)
	const piece = 96 // rows between exact projections
	for j0 := 0; j0 < m.rows; j0 += piece {
		n := min(piece, m.rows-j0)
		for i := range m.cols { // they lie side by side in the same rows of the picture
			f := m.f(i)
			at := func(j int) (geometry.Vec2, geometry.Vec2, bool) {
				y := m.y0 + float64(j)*m.dy
				q := m.plane(m.x(f, y), y)
				uv, ok := view.Project(q)
				return q, uv, ok
			}
			_, a, ok0 := at(j0)
			q, b, ok1 := at(j0 + n/2)
			_, c, ok2 := at(j0 + n)
			side, ok3 := view.Project(q.Add(m.right.Mul(1.3)))
			if !ok0 || !ok1 || !ok2 || !ok3 {
				continue
			}
			side = side.Sub(b)
			// through three places: b + lin t + quad t^2, t from -1 to 1
			lin, quad := c.Sub(a).Mul(0.5), c.Add(a).Mul(0.5).Sub(b)
			for j := range n {
				t := 2*float64(j)/float64(n) - 1
				u, v := b.X+(lin.X+quad.X*t)*t+0.5, b.Y+(lin.Y+quad.Y*t)*t+0.5
				if !(u > 4 && v > 4 && u < float64(p.W-5) && v < float64(p.H-5)) {
					continue
				}
				x0, z0 := int(v)*p.W+int(u), int(v+side.Y)*p.W+int(u+side.X)
				w0 := int(v-side.Y)*p.W + int(u-side.X)
				if min(z0, w0) < 0 || max(z0, w0) >= len(p.Grey) {
					continue
				}
				k := i*m.rows + j0 + j
				m.grey[k] = int16(p.Grey[x0]) + int16(p.Grey[z0]) + int16(p.Grey[w0])
				m.known[k] = true
			}
		}
	}
	for i := range m.cols {
		// the cut and what lies beyond it
		for j := 0; j < m.rows && m.y0+float64(j)*m.dy < m.lo[i]; j++ {
			m.known[i*m.rows+j] = false
		}
		// cards
		step := max(1, int(4/m.dy))
		for j := 0; j < m.rows; j += step {
			y := m.y0 + float64(j)*m.dy
			if q := m.plane(m.x(m.f(i), y), y); m.sheets.cover(q) {
				for k := max(0, j-step/2); k < min(m.rows, j+step/2+1); k++ {
					m.known[i*m.rows+k] = false
				}
			}
		}
	}
}

// ridges compares every place with both its sides: a ridge is what is brighter
// or darker than either, by the lesser difference, in units of the noise of
// that difference. gap is the blur in rows.
func (m *ridgeMap) ridges(gap float64) {
	m.resp = make([]float32, len(m.grey))
	one := make([]float32, len(m.grey))
	sums := make([]int32, m.rows+1)
	for _, w := range strokes {
		h := int(math.Round((w/m.dy - 1) / 2))
		g := int(math.Ceil(gap))
		side := max(3, 2*h+1)
		if 2*(h+g+side)+1 > m.rows {
			continue
		}
		clear(one)
		var noise []float32
		for i := range m.cols {
			a, b := i*m.rows, (i+1)*m.rows
			const every = 307
			noise = simd.Ridges(m.grey[a:b], m.known[a:b], h, g, side, (every-37*i%every)%every, every, sums, one[a:b], noise)
		}
		// grey levels below 0.7 are rounding; each place holds three pixels
		const pixels = 3
		k := 1 / math.Max(float64(median(noise))/0.6745, 0.7*pixels)
		simd.KeepLarger(m.resp, one, float32(k))
	}
}

// vote is what a ridge counts, -1 to 1.
func vote(v float32) float32 {
	switch {
	case v > 1:
		return min((v-1)/3, 1)
	case v < -1:
		return max((v+1)/3, -1)
	}
	return 0
}

// ridge is a candidate line: y = c[0] + c[1] t + c[2] t^2 with t from -1 at the
// left edge to 1 at the right.
type ridge struct {
	c       [3]float64
	sign    float32
	mean    float64 // vote along it
	support float64 // share of the columns that show it, of those that can
	span    float64 // share of the width between the first and the last of these
	seen    float64 // share of all columns that show it
	z       float64 // mean ridge along it against the places beside it
	alike   float64 // difference of its sides against its height
}

func (r *ridge) y(t float64) float64  { return r.c[0] + (r.c[1]+r.c[2]*t)*t }
func (r *ridge) strength() float64    { return r.mean * r.support }
func (m *ridgeMap) t(i int) float64   { return 2*m.f(i) - 1 }
func (m *ridgeMap) row(y float64) int { return int(math.Round((y - m.y0) / m.dy)) }

// place is where a candidate is at a fraction of the width, in the plane.
func (m *ridgeMap) place(r *ridge, f float64) geometry.Vec2 {
	y := r.y(2*f - 1)
	return m.plane(m.x(f, y), y)
}

// candidates lists what may be drawn lines, the strongest first: peaks of a
// Hough transform over lines that lean no more than drawnLean, each bent
// to the ridges it runs along and tested.
func (m *ridgeMap) candidates(p *Picture, view *geometry.View, how Searching) []*ridge {
	bin := 4.0
	if how.Asked {
		bin = 2
	}
	per := max(1, int(math.Round(bin/m.dy)))
	bin = float64(per) * m.dy
	nb := m.rows/per + 1
	pooled := make([]float32, m.cols*nb)
	own := make([]float32, nb)
	larger := func(a, b float32) float32 {
		if a*a >= b*b {
			return a
		}
		return b
	}
	for i := range m.cols {
		for b := range own {
			var v float32
			for j := b * per; j < min(m.rows, (b+1)*per); j++ {
				v = larger(v, m.resp[i*m.rows+j])
			}
			own[b] = vote(v)
		}
		for b := range own {
			v := own[b]
			if b > 0 {
				v = larger(v, 0.8*own[b-1])
			}
			if b+1 < nb {
				v = larger(v, 0.8*own[b+1])
			}
			pooled[i*nb+b] = v
		}
	}
	rise := drawnLean * m.width()
	slopes := 2*int(rise/(1.5*bin)) + 1
	type peak struct {
		y, rise float64
		v       float32
	}
	var peaks []peak
	acc := make([]float32, nb)
	for s := range slopes {
		dy := (float64(s) - float64(slopes/2)) * 1.5 * bin // from the left edge to the right
		for b := range acc {
			acc[b] = 0
		}
		for i := range m.cols {
			shift := int(math.Round(dy / 2 * m.t(i) / bin))
			src := pooled[i*nb : (i+1)*nb]
			lo, hi := max(0, -shift), min(nb, nb-shift)
			if hi <= lo {
				continue
			}
			from, to := src[lo+shift:hi+shift], acc[lo:hi]
			for b, v := range from {
				to[b] += v
			}
		}
		for b := 1; b+1 < nb; b++ {
			v := acc[b]
			if v*v < float32(m.cols*m.cols)*0.02 || v*v < acc[b-1]*acc[b-1] || v*v <= acc[b+1]*acc[b+1] {
				continue
			}
			peaks = append(peaks, peak{m.y0 + (float64(b)+0.5)*bin, dy, v})
		}
	}
	sort.Slice(peaks, func(i, j int) bool { return math.Abs(float64(peaks[i].v)) > math.Abs(float64(peaks[j].v)) })
	var out []*ridge
	var tried []*ridge
	for _, k := range peaks {
		if len(tried) >= 10 {
			break
		}
		r := &ridge{c: [3]float64{k.y, k.rise / 2, 0}, sign: 1}
		if k.v < 0 {
			r.sign = -1
		}
		if same(r, tried) || !m.passes(r, 14) {
			continue
		}
		tried = append(tried, &ridge{c: r.c})
		if !m.bend(r) || same(r, out) || !m.passes(r, 12) {
			continue
		}
		m.weigh(r)
		if m.drawn(r, how) && m.oneHue(p, view, r) {
			out = append(out, r)
			m.erase(r)
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].strength() > out[j].strength() })
	return out
}

// erase takes a line found out of the ridges, so that no other line is made of
// its parts.
func (m *ridgeMap) erase(r *ridge) {
	for i := range m.cols {
		y := r.y(m.t(i))
		for j := max(0, m.row(y-drawnApart)); j <= min(m.rows-1, m.row(y+drawnApart)); j++ {
			m.resp[i*m.rows+j] = 0
		}
	}
}

// same reports whether r runs along one of the others.
func same(r *ridge, others []*ridge) bool {
	for _, o := range others {
		a, b := math.Abs(r.y(-1)-o.y(-1)), math.Abs(r.y(1)-o.y(1))
		if math.Abs(r.y(0)-o.y(0)) < drawnApart && math.Max(a, b) < 2*drawnApart {
			return true
		}
	}
	return false
}

// passes reports whether a candidate passes the places set by hand.
func (m *ridgeMap) passes(r *ridge, limit float64) bool {
	for _, q := range m.near {
		x, y := m.frame(q)
		l, w := m.x(0, y), m.x(1, y)-m.x(0, y)
		if math.Abs(y-r.y(2*(x-l)/w-1)) > limit {
			return false
		}
	}
	return true
}

// bend fits a candidate to the strongest ridge near it in every column.
func (m *ridgeMap) bend(r *ridge) bool {
	t, y, w := make([]float64, 0, m.cols), make([]float64, 0, m.cols), make([]float64, 0, m.cols)
	for _, reach := range []float64{6, 4, 3, 2} {
		t, y, w = t[:0], y[:0], w[:0]
		for i := range m.cols {
			j, v := m.peakNear(i, r.y(m.t(i)), reach, r.sign)
			if v > 0 {
				t, y, w = append(t, m.t(i)), append(y, m.y0+float64(j)*m.dy), append(w, float64(v))
			}
		}
		if float64(len(t)) < 0.3*float64(m.cols) {
			return false
		}
		parabola := reach < 6 && t[len(t)-1]-t[0] > 1
		c, ok := fitParabola(t, y, w, parabola)
		if !ok {
			return false
		}
		r.c = c
	}
	return math.Abs(r.c[1]) < drawnLean/2*m.width() && math.Abs(r.c[2]) < 4+0.006*m.width()
}

// peakNear is the strongest ridge of a sign in column i within reach of y, and
// its vote.
func (m *ridgeMap) peakNear(i int, y, reach float64, sign float32) (row int, best float32) {
	j0, j1 := max(0, m.row(y-reach)), min(m.rows-1, m.row(y+reach))
	for j := j0; j <= j1; j++ {
		if v := sign * m.resp[i*m.rows+j]; v > best {
			best, row = v, j
		}
	}
	return row, vote(best)
}

// fitParabola is the weighted least-squares c0 + c1 t + c2 t^2, or a line.
func fitParabola(t, y, w []float64, parabola bool) (c [3]float64, ok bool) {
	var s [5]float64
	var b [3]float64
	for k := range t {
		p := w[k]
		for i := range s {
			s[i] += p
			if i < 3 {
				b[i] += p * y[k]
			}
			p *= t[k]
		}
	}
	if det := s[0]*s[2] - s[1]*s[1]; !(det > 1e-6*s[0]*s[0]) {
		return c, false
	} else if !parabola {
		return [3]float64{(s[2]*b[0] - s[1]*b[1]) / det, (s[0]*b[1] - s[1]*b[0]) / det, 0}, true
	}
	det := func(a, d, e [3]float64) float64 {
		return a[0]*(d[1]*e[2]-d[2]*e[1]) - d[0]*(a[1]*e[2]-a[2]*e[1]) + e[0]*(a[1]*d[2]-a[2]*d[1])
	}
	k0, k1, k2 := [3]float64{s[0], s[1], s[2]}, [3]float64{s[1], s[2], s[3]}, [3]float64{s[2], s[3], s[4]}
	d := det(k0, k1, k2)
	if !(math.Abs(d) > 1e-9*s[0]*s[0]*s[0]) {
		return c, false
	}
	return [3]float64{det(b, k1, k2) / d, det(k0, b, k2) / d, det(k0, k1, b) / d}, true
}

// weigh measures what speaks for a candidate.
func (m *ridgeMap) weigh(r *ridge) {
	const around = 60.0 // mm either way that it is compared with
	n := int(around / m.dy)
	mean, grey := make([]float64, 2*n+1), make([]float64, 2*n+1)
	cnt, cntGrey := make([]float64, 2*n+1), make([]float64, 2*n+1)
	known, seen, first, last, votes := 0, 0, -1, 0, 0.0
	for i := range m.cols {
		j := m.row(r.y(m.t(i)))
		if j >= 0 && j < m.rows && m.known[i*m.rows+j] {
			known++
			if _, v := m.peakNear(i, r.y(m.t(i)), 1.5, r.sign); v > 0 {
				votes += float64(v)
				if v > 0.1 {
					seen++
					if first < 0 {
						first = i
					}
					last = i
				}
			}
		}
		for d := -n; d <= n; d++ {
			if k := j + d; k >= 0 && k < m.rows && m.known[i*m.rows+k] {
				mean[d+n] += float64(min(max(m.resp[i*m.rows+k]*r.sign, -4), 4))
				cnt[d+n]++
				grey[d+n] += float64(m.grey[i*m.rows+k]) / 3
				cntGrey[d+n]++
			}
		}
	}
	if known == 0 || seen == 0 {
		return
	}
	r.mean, r.support = votes/float64(known), float64(seen)/float64(known)
	r.seen, r.span = float64(seen)/float64(m.cols), float64(last-first+1)/float64(m.cols)
	// against other places
	at, top, peak, sign := 0.0, 0, math.Inf(-1), float64(r.sign)
	var rest []float64
	for d := -n; d <= n; d++ {
		if cnt[d+n] < 0.5*float64(known) {
			continue
		}
		v := mean[d+n] / cnt[d+n]
		switch a := math.Abs(float64(d)) * m.dy; {
		case a < 2:
			at = math.Max(at, v)
			if g := sign * grey[d+n] / cntGrey[d+n]; g > peak {
				peak, top = g, d
			}
		case a > drawnWide+3:
			rest = append(rest, v)
		}
	}
	var dev []float64
	mid := median(rest)
	for _, v := range rest {
		dev = append(dev, math.Abs(v-mid))
	}
	r.z = (at - mid) / math.Max(1.4826*median(dev), 0.02)
	// the belt on both sides: levels next to the line and further off
	level := func(from, to float64) (float64, bool) {
		s, c := 0.0, 0.0
		for d := int(math.Round(from / m.dy)); float64(d)*m.dy <= to; d++ {
			if k := d + n; k >= 0 && k <= 2*n && cntGrey[k] > 0.5*float64(known) {
				s, c = s+grey[k]/cntGrey[k], c+1
			}
		}
		return s / math.Max(c, 1), c > 0
	}
	y := float64(top) * m.dy
	r.c[0] += y
	core, _ := level(y-0.4, y+0.4)
	l, ok1 := level(y-9, y-4)
	u, ok2 := level(y+4, y+9)
	fu, ok3 := level(20, 45)
	fl, ok4 := level(-45, -20)
	height := math.Abs(core - (l+u)/2)
	if r.alike = math.Inf(1); height > 0 && ok2 {
		if !ok1 {
			l = u
		}
		d := math.Abs(l - u)
		if ok3 {
			d = math.Max(d, 0.8*math.Abs(u-fu))
		}
		if ok4 && ok1 {
			d = math.Max(d, 0.8*math.Abs(l-fl))
		}
		r.alike = d / height
	}
}

// hue is the colour at a place off the cards as 100 times the logarithms of red
// and blue over green.
func (m *ridgeMap) hue(p *Picture, view *geometry.View, q geometry.Vec2) (h geometry.Vec2, ok bool) {
	uv, ok := view.Project(q)
	x, y := int(math.Round((uv.X-3.5)/colourShrink)), int(math.Round((uv.Y-3.5)/colourShrink))
	if !ok || m.sheets.cover(q) || x < 0 || y < 0 || x >= p.CW || y >= p.CH {
		return h, false
	}
	c := p.Colour[3*(y*p.CW+x):]
	ln := func(v byte) float64 { return 100 * math.Log(float64(v)+8) }
	return geometry.Vec2{X: ln(c[2]) - ln(c[1]), Y: ln(c[0]) - ln(c[1])}, true
}

// mostHue is how far apart in hue both sides of a line may be, in the units
// of hue.
const mostHue = 9.0

// oneHue reports whether the belt's hue is the same on both sides: beside a bar
// or a tape that lies across the belt its shadow is a line too.
func (m *ridgeMap) oneHue(p *Picture, view *geometry.View, r *ridge) bool {
	var dx, dy []float64
	for f := 0.04; f < 1; f += 0.04 {
		q := m.place(r, f)
		for _, d := range []float64{10, 15, 20} {
			_, y := m.frame(q)
			a, ok1 := m.hue(p, view, q.Add(m.up.Mul(d)))
			b, ok2 := m.hue(p, view, q.Sub(m.up.Mul(d)))
			if i := min(m.cols-1, int(f*float64(m.cols))); ok1 && ok2 && y-d > m.lo[i] {
				dx, dy = append(dx, a.X-b.X), append(dy, a.Y-b.Y)
			}
		}
	}
	return len(dx) < 12 || math.Hypot(median(dx), median(dy)) < mostHue
}

// drawn reports whether a candidate is a drawn line.
func (m *ridgeMap) drawn(r *ridge, how Searching) bool {
	if how.Asked {
		return r.support > 0.55 && r.seen > 0.3 && r.span > drawnSpan && r.z > 6 && r.alike < 0.5 && r.mean > 0.2
	}
	return r.support > 0.75 && r.seen > 0.45 && r.span > 0.7 && r.z > 9 && r.alike < 0.35 && r.mean > 0.35
}

// trace finds the line's middle to sub-pixel in slices of 4 mm: the place that
// stands out most from both its sides, in light.
func (m *ridgeMap) trace(p *Picture, view *geometry.View, r *ridge, blur float64) *Drawn {
	const dt = 4.0
	from, to := m.place(r, 0), m.place(r, 1)
	dir := to.Sub(from).Unit()
	n := dir.Perp() // up the belt
	if n.Dot(m.up) < 0 {
		n = n.Mul(-1)
	}
	length := to.Sub(from).Norm()
	bent := math.Abs(r.c[2])
	s := sampleStrip(p, view, from, to, n, dt, 18+bent, m.sheets.cover, false)
	if s.slices < 12 {
		return nil
	}
	light := s.inLight()
	centre := make([]float64, s.slices)
	for i := range centre {
		t := 2*(float64(i)+0.5)*dt/length - 1
		centre[i] = float64(s.zero) + r.c[2]*(t*t-1)/s.ds
	}
	width := s.strokeWidth(light.v, centre, float64(r.sign), blur)
	if width > drawnWide {
		return nil
	}
	// the filter is as wide as the stroke appears, blur included
	h := max(1, int(math.Round(math.Max(width, 1.2*s.pxmm)/s.ds/2)))
	gap := max(1, int(math.Ceil(1.5*blur*s.pxmm/s.ds)))
	side := int(math.Ceil(2.5 / s.ds))
	g := s.ridge(light.v, h, gap, side)
	path := s.path(g, float64(r.sign), 0, centre, 3/s.ds, 0.25)
	var heights, rest []float64
	for i, j := range path {
		if !s.known[i] {
			continue
		}
		heights = append(heights, float64(r.sign)*float64(g[i*s.n2+j]))
		for k := h + gap + side; k < s.n2-h-gap-side; k += 7 {
			if a := k - j; a > 3*h+gap+side || -a > 3*h+gap+side { // clear of the line
				rest = append(rest, math.Abs(float64(g[i*s.n2+k])))
			}
		}
	}
	least := math.Max(0.3*median(heights), 2*median(rest)/0.6745)
	var pts []tracePoint
	for i, j := range path {
		t := (float64(i) + 0.5) * dt
		if !s.known[i] || t < 5 || t > length-5 || j < 1 || j > s.n2-2 {
			continue
		}
		off, height, ok := summit(g[i*s.n2:(i+1)*s.n2], j, h, float64(r.sign))
		if !ok || height < least {
			continue
		}
		q := s.from.Add(s.dir.Mul(t)).Add(s.n.Mul(s.offset(off)))
		if uv, ok := view.Project(q); ok {
			pts = append(pts, tracePoint{UV: uv, Plane: q, T: t, Step: height})
		}
	}
	pts = cleanTrace(pts)
	if len(pts) < 12 {
		return nil
	}
	d := &Drawn{WidthMM: width, Left: from, Right: to}
	d.Length, d.PxMM, d.NearCut = length, s.pxmm, 1
	free := 0.0
	for i := range path {
		if s.known[i] {
			free++
		}
	}
	for _, q := range pts {
		d.Points = append(d.Points, EdgePoint(q))
	}
	d.Support = math.Min(1, float64(len(pts))/math.Max(free, 1))
	if last := pts[len(pts)-1].T; last-pts[0].T < drawnSpan*length {
		return nil
	}
	return d
}

// strokeWidth is the full width at half its height of the mean profile along
// centre, without the lens' own.
func (s *strip) strokeWidth(v []float32, centre []float64, sign, blur float64) float64 {
	n := int(10 / s.ds)
	mean := make([]float64, 2*n+1)
	for i := range s.slices {
		c := int(math.Round(centre[i]))
		if !s.known[i] || c-n < 0 || c+n >= s.n2 {
			continue
		}
		for d := range mean {
			mean[d] += sign * float64(v[i*s.n2+c-n+d])
		}
	}
	base := median(append([]float64(nil), mean...))
	top := n
	for d := n - int(2/s.ds); d <= n+int(2/s.ds); d++ {
		if mean[d] > mean[top] {
			top = d
		}
	}
	half := (mean[top] + base) / 2
	a, b := top, top
	for a > 0 && mean[a-1] > half {
		a--
	}
	for b < 2*n && mean[b+1] > half {
		b++
	}
	w := float64(b-a+1) * s.ds
	lens := 2.355 * blur * s.pxmm
	return math.Sqrt(math.Max(w*w-lens*lens, 0.25*s.pxmm*s.pxmm))
}

// ridge filters each slice: the mean over 2h+1 samples less the mean of both
// sides.
func (s *strip) ridge(v []float32, h, gap, side int) []float32 {
	out := make([]float32, len(v))
	sum := make([]float64, s.n2+1)
	reach := h + gap + side
	for i := range s.slices {
		if !s.known[i] {
			continue
		}
		for j, g := range v[i*s.n2 : (i+1)*s.n2] {
			sum[j+1] = sum[j] + float64(g)
		}
		for j := reach; j < s.n2-reach; j++ {
			c := (sum[j+h+1] - sum[j-h]) / float64(2*h+1)
			l := (sum[j-h-gap] - sum[j-reach]) / float64(side)
			r := (sum[j+reach+1] - sum[j+h+gap+1]) / float64(side)
			out[i*s.n2+j] = float32(c - (l+r)/2)
		}
	}
	return out
}

// summit climbs to the top near j and returns where the parabola through the
// samples around it has its own.
func summit(row []float32, j, h int, sign float64) (at, height float64, ok bool) {
	v := func(k int) float64 { return sign * float64(row[k]) }
	for range 2 * h {
		switch {
		case j+1 < len(row) && v(j+1) > v(j):
			j++
		case j > 0 && v(j-1) > v(j):
			j--
		}
	}
	k := max(1, h/2)
	if j-k < 0 || j+k >= len(row) {
		return 0, 0, false
	}
	t, y, w := make([]float64, 0, 2*k+1), make([]float64, 0, 2*k+1), make([]float64, 0, 2*k+1)
	for d := -k; d <= k; d++ {
		t, y, w = append(t, float64(d)/float64(k)), append(y, v(j+d)), append(w, 1)
	}
	c, good := fitParabola(t, y, w, true)
	if !good || c[2] >= 0 {
		return 0, 0, false
	}
	return float64(j) + clamp(-c[1]/(2*c[2]), 1.5)*float64(k), v(j), true
}

// String helps tests and logs.
func (r *ridge) String() string {
	return fmt.Sprintf("y %.1f rise %.1f bow %.1f sign %.0f mean %.2f support %.2f seen %.2f span %.2f z %.1f alike %.2f", r.c[0], 2*r.c[1], -r.c[2], r.sign, r.mean, r.support, r.seen, r.span, r.z, r.alike)
}
