package vision

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/blas/blas64"
)

// A narrow cut face is blurred together with both its edges: the place where
// the picture changes most lies between them, and moves from one to the other
// as the face widens or the light changes, without a leap that would show it.
// So the profile across the cut is held against two steps of the lens' own
// blur, and all along the cut one face whose width changes steadily must
// explain it. That tells how far the line that was followed is turned against
// the top edge, and how well that is known.

const (
	faceOut    = 6.0  // px of profile outside the line followed
	faceIn     = 9.0  // the same inside: a lower edge may have been followed
	faceSample = 0.5  // px
	faceGrid   = 0.25 // px, of places and widths that are tried
	topOut     = 4.0  // px outside the line followed that the top edge may lie
	topIn      = 7.0  // the same inside
	mostFace   = 7.0  // px; a wider one shows its edges apart
	mostTwist  = 6.0  // px by which the face grows along the cut
	faceTrials = 0.25
	usualTwist = 0.25 // of the width and half a pixel, half of all cuts
	// faceMisfit is how well two steps describe a profile at best, as a share of
	// its range: sharpening and the print of the light on the ground.
	faceMisfit = 0.003
	// strayPx is how far off the line of the rest a piece may lie and count by half.
	strayPx = 3.0
	// faceOutlier is the most by which a piece counts against a face.
	faceOutlier = 6.0
)

// faceBlurs are tried on the cards' own: slices are stacked to half a pixel, and
// a belt's edge may lie deeper than the cards.
var faceBlurs = []float64{0.9, 1, 1.1, 1.2}

// pixelSpread is the standard deviation of a pixel's own width, px: no step is sharper.
const pixelSpread = 0.29

// profileLength is the number of samples of a profile.
const profileLength = int((faceOut+faceIn)/faceSample) + 1

// profileVector is what a profile, or a part of it, looks like.
type profileVector [profileLength]float64

func (a *profileVector) dot(b *profileVector) float64 {
	return blas64.Dot(blas64.Vector{N: profileLength, Inc: 1, Data: a[:]}, blas64.Vector{N: profileLength, Inc: 1, Data: b[:]})
}

// leastRest is the share of a vector below which nothing is said to be left of it.
const leastRest = 0.01

// without takes from a what of it lies along the unit vectors, and makes it one
// itself; where nearly nothing is left, it is zero.
func (a profileVector) without(units ...*profileVector) profileVector {
	v := blas64.Vector{N: profileLength, Inc: 1, Data: a[:]}
	before := blas64.Nrm2(v)
	for _, u := range units {
		blas64.Axpy(-a.dot(u), blas64.Vector{N: profileLength, Inc: 1, Data: u[:]}, v)
	}
	if after := blas64.Nrm2(v); after > leastRest*before {
		blas64.Scal(1/after, v)
		return a
	}
	return profileVector{}
}

// stepModel is what the profile can look like: level belt, face, level ground
// that darkens towards the belt. Three of its vectors are orthonormal, for every
// place of the face's lower edge: what is level, the ground's ramp and the step.
// The step of the top edge is left as it is, with how it leans on those.
type stepModel struct {
	tops, widths []float64 // px
	level        profileVector
	lower        [][2]profileVector // by place, in steps of the grid from the outermost on
	top          []profileVector    // by place, without what is level
	lean         [][]lean           // by width and place of the top edge
}

// lean is what a top edge's step has of its face's lower edge, and one over the
// norm of the rest, or 0 where nearly nothing is left.
type lean struct {
	lower [2]float64
	scale float64
}

// low is the index of the lower edge below a top edge.
func (m *stepModel) low(width, top int) int { return top - width + len(m.widths) - 1 }

func newStepModel(blur float64) *stepModel {
	m := &stepModel{}
	for x := -topOut; x <= topIn; x += faceGrid {
		m.tops = append(m.tops, x)
	}
	for d := 0.0; d <= mostFace; d += faceGrid {
		m.widths = append(m.widths, d)
	}
	for k := range m.level {
		m.level[k] = 1 / math.Sqrt(float64(profileLength))
	}
	// an edge's step, and the ramp of the ground's light up to it, by place
	places := len(m.tops) + len(m.widths) - 1
	const skip = int(faceSample / faceGrid)
	u0 := -faceOut - (m.tops[0] - mostFace + float64(places-1)*faceGrid) // inwards from the innermost edge
	step, ramp := make([]float64, places+skip*(profileLength-1)), make([]float64, places+skip*(profileLength-1))
	for i := range step {
		u := u0 + float64(i)*faceGrid
		outside := 0.5 * math.Erfc(u/(blur*math.Sqrt2))
		step[i] = 1 - outside
		ramp[i] = u*outside - blur*math.Exp(-u*u/(2*blur*blur))/math.Sqrt(2*math.Pi)
	}
	before := make([]float64, places)
	for i := range places {
		var s, r profileVector
		for k := range s {
			j := skip*k + places - 1 - i
			s[k], r[k] = step[j], ramp[j]
		}
		r = r.without(&m.level)
		m.lower = append(m.lower, [2]profileVector{r, s.without(&m.level, &r)})
		before[i] = math.Sqrt(s.dot(&s))
		level := s.dot(&m.level)
		for k := range s {
			s[k] -= level * m.level[k]
		}
		m.top = append(m.top, s)
	}
	m.top, before = m.top[m.low(0, 0):], before[m.low(0, 0):]
	for w := range m.widths {
		row := make([]lean, len(m.tops))
		for t := range m.tops {
			s, l := &m.top[t], &m.lower[m.low(w, t)]
			a, b := s.dot(&l[0]), s.dot(&l[1])
			row[t].lower = [2]float64{a, b}
			if rest := math.Sqrt(max(0, s.dot(s)-a*a-b*b)); rest > leastRest*before[t] {
				row[t].scale = 1 / rest
			}
		}
		m.lean = append(m.lean, row)
	}
	return m
}

// facePiece is what one piece of the cut says about the face there.
type facePiece struct {
	at       float64       // mm along the cut
	followed float64       // the line followed, mm across the strip, without the piece's shape
	px       float64       // mm
	profile  profileVector // from 0 to 1

	misfit [][]float64 // residual sum of squares by blur and width
	top    [][]float64 // place of the top edge by blur and width, as followed
	least  float64     // of misfit
}

// facePieces are the profiles of the pieces about the offsets followed by slice
// (NaN where none is), mm.
func (s *strip) facePieces(ps []piece, followed []float64, pxAt func(along float64) float64) []facePiece {
	var out []facePiece
	for k := range ps {
		p := &ps[k]
		f := facePiece{at: (0.5*float64(p.from+p.to-1) + 0.5) * s.dt}
		bend := func(i int) float64 { return p.at(stackLine{}, float64(i)) + p.shape[i-p.from] }
		n := 0.0
		for i := p.from; i < p.to; i++ {
			if !math.IsNaN(followed[i]) {
				f.followed += followed[i] - bend(i)
				n++
			}
		}
		if n < 5 {
			continue
		}
		f.followed /= n
		f.px = pxAt(f.at)
		step := faceSample * f.px / s.ds
		first, last := -faceOut*f.px/s.ds, faceIn*f.px/s.ds
		n = 0
		for i := p.from; i < p.to; i++ {
			at := (f.followed+bend(i))/s.ds + float64(s.zero)
			if !s.known[i] || at+first < 0 || at+last > float64(s.n2-2) {
				continue
			}
			n++
			row := s.v[i*s.n2 : (i+1)*s.n2]
			for k := range f.profile {
				x := at + first + float64(k)*step
				j := int(x)
				b := x - float64(j)
				f.profile[k] += float64(row[j])*(1-b) + float64(row[j+1])*b
			}
		}
		if n < stackSlices/3 {
			continue
		}
		lo, hi := math.Inf(1), math.Inf(-1)
		for k, v := range f.profile {
			v = float64(toLight(float32(v / n)))
			f.profile[k], lo, hi = v, math.Min(lo, v), math.Max(hi, v)
		}
		if hi <= lo {
			continue
		}
		for k := range f.profile {
			f.profile[k] = (f.profile[k] - lo) / (hi - lo)
		}
		out = append(out, f)
	}
	return out
}

// shares is how much of a profile each part of a model has.
type shares struct {
	rest  float64 // sum of squares, but for what is level
	lower [][2]float64
	top   []float64
}

func (m *stepModel) shares(p *profileVector) shares {
	level := p.dot(&m.level)
	s := shares{rest: p.dot(p) - level*level, lower: make([][2]float64, len(m.lower)), top: make([]float64, len(m.tops))}
	for i := range m.lower {
		s.lower[i] = [2]float64{p.dot(&m.lower[i][0]), p.dot(&m.lower[i][1])}
	}
	for t := range m.tops {
		s.top[t] = p.dot(&m.top[t])
	}
	return s
}

// misfit is the residual sum of squares of a profile with the face of a width
// below a place of the top edge.
func (m *stepModel) misfit(s *shares, width, top int) float64 {
	l, on := &m.lean[width][top], &s.lower[m.low(width, top)]
	c := (s.top[top] - l.lower[0]*on[0] - l.lower[1]*on[1]) * l.scale
	return s.rest - on[0]*on[0] - on[1]*on[1] - c*c
}

// fit holds a piece's profile against the model of a blur.
func (f *facePiece) fit(m *stepModel) {
	s := m.shares(&f.profile)
	var misfit, top []float64
	row := make([]float64, len(m.tops))
	for w := range m.widths {
		best := 0
		for t := range m.tops {
			if row[t] = m.misfit(&s, w, t); row[t] < row[best] {
				best = t
			}
		}
		at, least := m.tops[best], row[best]
		if best > 0 && best+1 < len(row) {
			if den := row[best-1] - 2*row[best] + row[best+1]; den > 0 {
				o := clamp(0.5*(row[best-1]-row[best+1])/den, 0.5)
				at += faceGrid * o
				least -= 0.25 * (row[best-1] - row[best+1]) * o
			}
		}
		misfit, top = append(misfit, math.Max(0, least)), append(top, f.followed+at*f.px)
	}
	f.misfit, f.top = append(f.misfit, misfit), append(f.top, top)
	f.least = math.Min(f.least, slices.Min(misfit))
}

// between is the value of a list by width at a width between, px.
func between(list []float64, width float64) float64 {
	x := width / faceGrid
	j := min(max(int(x), 0), len(list)-2)
	return list[j] + (list[j+1]-list[j])*(x-float64(j))
}

func clampWidth(px float64) float64 { return math.Max(0, math.Min(mostFace, px)) }

// variance is of a piece's samples.
func (f *facePiece) variance() float64 { return f.least / float64(profileLength-6) }

// against is how much a residual sum of squares speaks against a face, as the
// logarithm of a likelihood, where a usual piece has such a variance. Neighbouring
// samples share half of what they show.
func (f *facePiece) against(misfit, usual float64) float64 {
	v := math.Max(usual, f.variance())/4 + faceMisfit*faceMisfit
	return (misfit - f.least) / (2 * v) / 2
}

// turnOfCut is the angle by which the line followed is turned against the top
// edge of the cut, rad, positive where its right end lies further inside, and
// its standard deviation; spread is the part of that from what the line followed
// strays steadily.
func turnOfCut(fs []facePiece, blur float64) (turn, sd, spread float64, ok bool) {
	if len(fs) < 4 || blur <= 0 { // a plain sheet may not tell the blur
		return 0, 0, 0, false
	}
	fs = append([]facePiece(nil), fs...)
	for k := range fs {
		fs[k].misfit, fs[k].top, fs[k].least = nil, nil, math.Inf(1)
	}
	for _, b := range faceBlurs {
		m := newStepModel(math.Max(b*blur, pixelSpread))
		for k := range fs {
			fs[k].fit(m)
		}
	}
	var variances []float64
	for k := range fs {
		variances = append(variances, fs[k].variance())
	}
	usual := median(variances)
	length := fs[len(fs)-1].at - fs[0].at
	where := func(k int) float64 { return (fs[k].at-fs[0].at)/length - 0.5 }
	type face struct {
		blur                 int
		width, twist, likely float64
	}
	var faces []face
	likeliest := face{likely: math.Inf(-1)}
	for b := range faceBlurs {
		for width := 0.0; width <= mostFace; width += faceTrials {
			for twist := -mostTwist; twist <= mostTwist; twist += faceTrials {
				// most knives are held upright, some are not; a thick belt shows it more
				f := face{blur: b, width: width, twist: twist, likely: -math.Log1p(math.Pow(twist/(usualTwist*(0.5+width)), 2))}
				for k := range fs {
					// an undercut end shows no face
					w := clampWidth(width + twist*where(k))
					// neighbouring pieces share half of what they show
					f.likely -= math.Min(fs[k].against(between(fs[k].misfit[b], w), usual), faceOutlier) / 2
				}
				faces = append(faces, f)
				if f.likely > likeliest.likely {
					likeliest = f
				}
			}
		}
	}
	off := func(k int, f face) float64 {
		return fs[k].followed - between(fs[k].top[f.blur], clampWidth(f.width+f.twist*where(k)))
	}
	// pieces off the line of the rest, by the likeliest face, hardly count
	x, y := make([]float64, len(fs)), make([]float64, len(fs))
	for k := range fs {
		x[k], y[k] = fs[k].at, off(k, likeliest)
	}
	slope := medianSlope(x, y)
	for k := range y {
		y[k] -= slope * x[k]
	}
	middle := median(append([]float64(nil), y...))
	w := make([]float64, len(fs))
	var sw, sx, sxx, scatter, strays float64
	for k := range w {
		e := (y[k] - middle) / (strayPx * fs[k].px)
		w[k] = 1 / (1 + e*e)
		sw, sx = sw+w[k], sx+w[k]*x[k]
		scatter += w[k] * (y[k] - middle) * (y[k] - middle)
	}
	// What strays steadily: pieces two apart share no slices, so that chance alone
	// leaves their products at nothing, give or take 1/sqrt(n) of the squares.
	n := float64(len(y))
	for k := range len(y) - 2 {
		strays += w[k] * (y[k] - middle) * (y[k+2] - middle) * n / (n - 2)
	}
	strays -= scatter / math.Sqrt(n)
	for k := range w {
		sxx += w[k] * (x[k] - sx/sw) * (x[k] - sx/sw)
	}
	var p, mean, square float64
	for _, f := range faces {
		q := math.Exp(f.likely - likeliest.likely)
		if q < 1e-4 {
			continue
		}
		t := 0.0
		for k := range fs {
			t += w[k] * (x[k] - sx/sw) / sxx * off(k, f)
		}
		p, mean, square = p+q, mean+q*t, square+q*t*t
	}
	turn = mean / p
	return turn, math.Sqrt(math.Max(0, square/p-turn*turn) + 2*scatter/sw/sxx), math.Sqrt(2 * math.Max(0, strays) / sw / sxx), true
}

// medianSlope is Theil and Sen's: the median of the slopes between all pairs that
// lie a quarter of the length apart.
func medianSlope(x, y []float64) float64 {
	var all []float64
	for i := range x {
		for j := range i {
			if d := x[i] - x[j]; d > 0.25*(x[len(x)-1]-x[0]) {
				all = append(all, (y[i]-y[j])/d)
			}
		}
	}
	if len(all) == 0 {
		return 0
	}
	return median(all)
}
