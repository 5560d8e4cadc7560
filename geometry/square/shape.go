package square

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"beltend/geometry"
)

// Defect is a cutting or belt fault, named and sized.
type Defect struct {
	Code string
	Size float64 // millimetres, signs below
	SD   float64 // standard uncertainty of Size, from the scatter of the points
	X    float64 // belt frame: across for the cut's faults, up the belt for an edge's
	Side string  // "left" or "right" for an edge's fault
}

// The codes of [Shapes], and what their sizes mean.
const (
	Skew     = "skew"      // the offset, sign as the offset's
	Bow      = "bow"       // the parabola's rise over its chord across the width, positive when the middle lies deeper in the belt
	Step     = "step"      // the jump at X, positive when the part right of it lies deeper
	Vee      = "vee"       // the break at X off the chord of the ends, positive when it lies deeper
	Wander   = "wander"    // highest minus lowest of the slow deviations that no simple shape explains
	Ragged   = "ragged"    // standard deviation of the cut from point to point beyond the measuring noise
	WornEdge = "worn_edge" // deepest place where an edge lies inside its own line
	Camber   = "camber"    // as Values.Camber
	Bevel    = "bevel"     // by how much the cut's visible face grows from left to right; [Shapes] sees the top edge alone and leaves it to its caller
)

// Sizes below these are what a good cut on a sound belt shows anyway, so they
// are not named however certain they are (own choice; a careful knife cut is
// straight within about half a millimetre).
const (
	leastShape  = 0.5 // skew, bow, step, vee
	leastWander = 1.0
	leastRagged = 0.3
	leastWorn   = 2.0
	leastCamber = 1.5
	bins        = 48  // pieces of the cut
	clearlyIn   = 10. // Bayesian information criterion: very strong evidence (Raftery, Sociol. Methodol. 25 (1995) 139)
)

// Shapes names the faults in the cut and the edges from which v was computed.
// noise is the standard uncertainty of one cut point from measuring alone.
//
// The cut's simple shape is the model with the lowest Bayesian information
// criterion among a line, a parabola, a line with a jump and two lines that
// meet; it must beat the line by 10. A shape is named when it is larger than
// three of its own standard deviations and than what good cuts show anyway.
func Shapes(e Edges, v *Values, noise float64) []Defect {
	var out []Defect
	name := func(d Defect, least float64) {
		if math.Abs(d.Size) >= least && math.Abs(d.Size) > 3*d.SD {
			out = append(out, d)
		}
	}
	noise = math.Max(noise, 0)
	c := v.toBelt(e.Cut, nil)
	x, y, own := bin(c, noise)
	if len(x) < 12 {
		return nil // too little of the cut to tell shapes apart
	}
	half := v.WidthAtCut / 2
	floor := own * own

	line := leastSquares(x, y, floor, lineOf)
	name(Defect{Code: Skew, Size: v.Offset, SD: line.sd(1) * v.WidthAtCut}, leastShape)

	best, kind := line, ""
	least := line.bic - clearlyIn
	where := 0.0
	try := func(m model, k string, at float64) {
		if m.bic < least {
			best, kind, where, least = m, k, at, m.bic
		}
	}
	try(leastSquares(x, y, floor, func(x float64) []float64 { return []float64{1, x, x * x} }), Bow, 0)
	for k := 4; k < len(x)-4; k++ {
		// a jump lies between two pieces, a break at one
		at := (x[k-1] + x[k]) / 2
		m := leastSquares(x, y, floor, func(x float64) []float64 {
			if x > at {
				return []float64{1, x, 1}
			}
			return []float64{1, x, 0}
		})
		m.bic += m.penalty // the place is a parameter too
		try(m, Step, at)
		at = x[k]
		m = leastSquares(x, y, floor, func(x float64) []float64 { return []float64{1, x, math.Max(0, x-at)} })
		m.bic += m.penalty
		try(m, Vee, at)
	}
	switch kind {
	case Bow:
		f := -half * half
		name(Defect{Code: Bow, Size: f * best.beta[2], SD: best.sd(2) * half * half}, leastShape)
	case Step:
		name(Defect{Code: Step, Size: best.beta[2], SD: best.sd(2), X: where}, leastShape)
	case Vee:
		// off the chord from -half to half
		f := -(half - where) * (half + where) / (2 * half)
		name(Defect{Code: Vee, Size: f * best.beta[2], SD: math.Abs(f) * best.sd(2), X: where}, leastShape)
	}

	// slow deviations left over, and where they are largest
	slow := make([]float64, len(x))
	hi, lo := 0, 0
	for k := range x {
		var s, w float64
		for j := max(0, k-1); j <= min(len(x)-1, k+1); j++ {
			if kind == Step && (x[j] > where) != (x[k] > where) {
				continue
			}
			s += best.res[j]
			w++
		}
		slow[k] = s / w
		if slow[k] > slow[hi] {
			hi = k
		}
		if slow[k] < slow[lo] {
			lo = k
		}
	}
	at := hi
	if -slow[lo] > slow[hi] {
		at = lo
	}
	name(Defect{Code: Wander, Size: slow[hi] - slow[lo], SD: own, X: x[at]}, leastWander)

	// from point to point: second differences hold no slow shape. Points
	// closer than 2 mm share their pixels, so thin them.
	if d := rough(c); len(d) >= 20 {
		var s float64
		for _, q := range d {
			s += q * q
		}
		n := float64(len(d))
		var2 := s / n
		size := math.Sqrt(math.Max(0, var2-noise*noise))
		sd := math.Inf(1)
		if size > 0 {
			// of a variance from second differences, which share points:
			// var = 2 (1 + 2 (4/6)^2 + 2 (1/6)^2) var2^2 / n
			sd = var2 * math.Sqrt(3.9/n) / (2 * size)
		}
		name(Defect{Code: Ragged, Size: size, SD: sd}, leastRagged)
	}

	left, right := v.toBelt(e.Left, nil), v.toBelt(e.Right, nil)
	if d, ok := worn(left, noise, 1); ok {
		d.Side = "left"
		name(d, leastWorn)
	}
	if d, ok := worn(right, noise, -1); ok {
		d.Side = "right"
		name(d, leastWorn)
	}

	if t, m := middles(left, right); len(t) >= 12 {
		straight := leastSquares(t, m, floor, lineOf)
		bent := leastSquares(t, m, floor, func(t float64) []float64 { return []float64{1, t, t * t} })
		if bent.bic < straight.bic-clearlyIn {
			name(Defect{Code: Camber, Size: v.Camber, SD: bent.sd(2) * v.Length * v.Length / 4, X: (t[0] + t[len(t)-1]) / 2}, leastCamber)
		}
	}
	return out
}

func lineOf(x float64) []float64 { return []float64{1, x} }

// bin averages the cut over equal pieces of its span, empty pieces left out.
// own is what the noise of a point leaves in a piece.
func bin(c []geometry.Vec2, noise float64) (x, y []float64, own float64) {
	x0, x1 := c[0].X, c[len(c)-1].X
	n := min(bins, len(c)/2)
	if n == 0 || !(x1 > x0) {
		return nil, nil, 0
	}
	sx, sy, w := make([]float64, n), make([]float64, n), make([]float64, n)
	for _, p := range c {
		k := int(float64(n) * (p.X - x0) / (x1 - x0))
		k = min(max(k, 0), n-1)
		sx[k] += p.X
		sy[k] += p.Y
		w[k]++
	}
	for k := range w {
		if w[k] > 0 {
			x, y = append(x, sx[k]/w[k]), append(y, sy[k]/w[k])
		}
	}
	// 0.02 mm: no camera tells less apart, and a perfect drawing needs a scale
	return x, y, math.Max(0.02, noise/math.Sqrt(float64(len(c))/float64(len(x))))
}

type model struct {
	beta, res []float64
	cov       *mat.SymDense // of beta
	bic       float64
	penalty   float64 // of one parameter more
}

// sd returns the standard uncertainty of parameter i.
func (m *model) sd(i int) float64 { return math.Sqrt(m.cov.At(i, i)) }

// leastSquares fits y by the terms with equal weights. Residuals that hang
// together along the row widen the covariance by (1+r)/(1-r), r their
// correlation from one to the next; floor is the least variance of a value.
func leastSquares(x, y []float64, floor float64, terms func(float64) []float64) model {
	k := len(terms(0))
	n := len(x)
	a := mat.NewDense(n, k, nil)
	for i := range x {
		a.SetRow(i, terms(x[i]))
	}
	pow := make([]float64, k) // columns to unit size, for conditioning
	for j := range pow {
		m := 0.0
		for i := 0; i < n; i++ {
			m = math.Max(m, math.Abs(a.At(i, j)))
		}
		pow[j] = math.Max(m, 1e-9)
		for i := 0; i < n; i++ {
			a.Set(i, j, a.At(i, j)/pow[j])
		}
	}
	var ata mat.SymDense
	ata.SymOuterK(1, a.T())
	var atb, beta mat.VecDense
	atb.MulVec(a.T(), mat.NewVecDense(n, y))
	var chol mat.Cholesky
	m := model{bic: math.Inf(1), penalty: math.Log(float64(n)), cov: mat.NewSymDense(k, nil), beta: make([]float64, k), res: slices.Clone(y)}
	if !chol.Factorize(&ata) || chol.SolveVecTo(&beta, &atb) != nil || chol.InverseTo(m.cov) != nil {
		return m
	}
	var rss, lag float64
	for i := 0; i < n; i++ {
		for j := 0; j < k; j++ {
			m.res[i] -= a.At(i, j) * beta.AtVec(j)
		}
		rss += m.res[i] * m.res[i]
		if i > 0 {
			lag += m.res[i] * m.res[i-1]
		}
	}
	r := 0.0
	if rss > 0 {
		r = math.Min(math.Max(lag/rss, 0), 0.8)
	}
	v := math.Max(rss/float64(n-k), floor) * (1 + r) / (1 - r)
	for i := 0; i < k; i++ {
		m.beta[i] = beta.AtVec(i) / pow[i]
		for j := i; j < k; j++ {
			m.cov.SetSym(i, j, m.cov.At(i, j)*v/(pow[i]*pow[j]))
		}
	}
	m.bic = float64(n)*math.Log(rss/float64(n)+floor) + float64(k)*m.penalty
	return m
}

// rough returns second differences of points at least 2 mm apart, scaled so
// that independent errors keep their standard deviation: var of
// y0 - 2 y1 + y2 is 6 times that of one.
func rough(c []geometry.Vec2) []float64 {
	var p []geometry.Vec2
	for _, q := range c {
		if len(p) == 0 || q.X-p[len(p)-1].X >= 2 {
			p = append(p, q)
		}
	}
	var d []float64
	for k := 1; k+1 < len(p); k++ {
		a, b := p[k].X-p[k-1].X, p[k+1].X-p[k].X
		if math.Max(a, b) > 15 {
			continue // not neighbours
		}
		// off the chord of its neighbours
		t := a / (a + b)
		off := p[k].Y - (1-t)*p[k-1].Y - t*p[k+1].Y
		d = append(d, off/math.Sqrt(1+t*t+(1-t)*(1-t)))
	}
	// a single step or torn thread is not raggedness: leave the largest out
	slices.SortFunc(d, func(a, b float64) int {
		switch a, b := math.Abs(a), math.Abs(b); {
		case a < b:
			return -1
		case a > b:
			return 1
		}
		return 0
	})
	return d[:len(d)-min(len(d), 3)]
}

// worn finds the deepest place where an edge lies inside its own line, the
// line taken through the bulk of the edge. inward is the sign of x into the
// belt.
func worn(p []geometry.Vec2, noise, inward float64) (Defect, bool) {
	if len(p) < 12 {
		return Defect{}, false
	}
	w := make([]float64, len(p))
	for k := range w {
		w[k] = 1
	}
	dev := make([]float64, len(p))
	abs := make([]float64, len(p))
	var scatter float64
	for turn := 0; turn < 8; turn++ { // Tukey's biweight, so that a bite does not tilt the line
		var f fit
		for k, q := range p {
			f.add(q.Y, q.X, w[k])
		}
		a, b, ok := f.line()
		if !ok {
			return Defect{}, false
		}
		for k, q := range p {
			dev[k] = inward * (q.X - a - b*q.Y)
			abs[k] = math.Abs(dev[k])
		}
		slices.Sort(abs)
		scatter = math.Max(1.4826*abs[len(abs)/2], math.Max(noise, 0.02))
		for k := range w {
			u := dev[k] / (4.685 * scatter)
			w[k] = 0
			if math.Abs(u) < 1 {
				w[k] = (1 - u*u) * (1 - u*u)
			}
		}
	}
	// the middle one of three, so that a single stray point is no bite
	best := Defect{Code: WornEdge, SD: scatter, Size: math.Inf(-1)}
	for k := 1; k+1 < len(p); k++ {
		m := median(dev[k-1], dev[k], dev[k+1])
		if m > best.Size {
			best.Size, best.X = m, p[k].Y
		}
	}
	return best, best.Size > 0
}

func median(a, b, c float64) float64 {
	return math.Max(math.Min(a, b), math.Min(math.Max(a, b), c))
}

// middles returns midpoints at even places with both edges.
func middles(left, right []geometry.Vec2) (y, mid []float64) {
	y0 := math.Max(left[0].Y, right[0].Y)
	y1 := math.Min(left[len(left)-1].Y, right[len(right)-1].Y)
	gl, gr := gapOf(left), gapOf(right)
	for k := 0; k < bins; k++ {
		t := y0 + (y1-y0)*(float64(k)+0.5)/bins
		xl, dl := local(alongY, alongX, left, t, (y1-y0)/bins)
		xr, dr := local(alongY, alongX, right, t, (y1-y0)/bins)
		if dl < gl/2 && dr < gr/2 {
			y, mid = append(y, t), append(mid, (xl+xr)/2)
		}
	}
	return y, mid
}
