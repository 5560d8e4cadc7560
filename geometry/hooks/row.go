package hooks

import (
	"cmp"
	"maps"
	"math"
	"math/cmplx"
	"slices"
	"sort"
)

// Strip is what the legs of one side's hooks show.
type Strip struct {
	From, Step  float64     // place of the first sample and the distance of samples, mm
	Bands       [][]float64 // ln of light across the belt, one a distance from the hinge line; NaN: not seen
	Out         []float64   // that distance, mm
	Beyond      []float64   // the same past the points of the legs; nil: not seen
	Root        []float64   // the same between the bands and the loops
	Left, Right float64     // where the belt's edges are
	Pixel       float64     // mm
	Wire        float64     // diameter, where it is known; 0: not
	Blur        float64     // standard deviation of the picture's blur, mm; 0: not known, or not the same all round
	Hue         bool        // the light is that of the wire's hue: neither shade nor shadow shows in it
	Dark        bool        // the belt is black
}

// Flaws of a hook.
const (
	Doubled = "doubled"
	Crooked = "crooked"
)

// Hook is one hook as seen.
type Hook struct {
	At    float64 // centre, where its leg was looked at
	Root  float64 // the same where its leg meets the hinge line
	Turn  float64 // of its leg against square to the hinge line, radians, counterclockwise
	Clear float64 // how clearly it is seen, 1 as most
	Place int     // in the comb, from 0; a doubled hook shares it
	Flaw  string  // Doubled, Crooked or none
}

// Row is one side's hooks.
type Row struct {
	Hooks   []Hook
	Missing []float64 // places left empty between the outer hooks
	Unclear []float64 // places where a hook may be or not
	Pitch   float64   // mean
	PitchSD float64   // standard uncertainty of the mean, from the hooks' own scatter
	Spacing [2]float64
	Spread  float64 // standard deviation of the distances of neighbours
	Wire    float64 // diameter: as known, or as it looks
	WireU   float64 // standard uncertainty of that
	CentreU float64 // standard uncertainty of a hook's centre from its light and shade
	RootU   float64 // the same of one hook's Root against the others', from what its leg's places scatter
	Bright  bool    // brighter than the belt
	Faint   bool    // so little brighter or darker than the belt that only a wire's gleam or shadow may be seen
	Share   float64 // of the profile that repeats
	Deep    float64 // ln of light against the belt's, where a usual hook differs most
}

// Margins are what is free between the outer wires and the belt's edges, which meet the
// hinge line at left and right.
func (r *Row) Margins(left, right float64) (atLeft, atRight float64) {
	first, last := math.Inf(1), math.Inf(-1)
	for _, h := range r.Hooks {
		first, last = math.Min(first, h.Root), math.Max(last, h.Root)
	}
	return first - r.Wire/2 - left, right - last - r.Wire/2
}

// Limits, found on rendered joints: shares of a usual hook's strength.
const (
	sureHook   = 0.52 // and more is a hook
	noHook     = 0.27 // and less is none; between is unclear
	mostNoise  = 0.16 // noise of the strength beyond which nothing is told
	leastShare = 0.30 // of the profile that must repeat
	faintHook  = 0.9  // ln of light against the belt's, where it differs most; steel has 2 on rubber, the gleam of dark wire 0.7
	dimHook    = 1.4  // the same: below it a bright wire's shaded side may be as dark as the belt
	faintHue   = 0.6  // the same by hue: below it a photo's file keeps little of what is fine in it
	huePx      = 2.0  // pixels, in squares, by which a wire looks wider by strong hue
	hueHidden  = 0.09 // and so much less of it is seen: together right to 4 %, standard deviation, on 96 rows
	darkPx     = 4.0  // pixels, in squares, by which a wire looks wider by faint hue on black: 2.9 to 5.1 on 32 rows
	smearPx    = 1.8  // pixels, standard deviation of the smear by faint hue else, by the finest wire of 20 rows
	mostHidden = 0.5  // of the wire as seen: as much more of it, or nothing, is not seen then
	leastPx    = 3.0  // pixels a pitch
	leastWire  = 1.0  // pixels a wire
	crookedRad = 5 * math.Pi / 180
	bins       = 48 // of a pitch
)

// Unclear says by a code why hooks cannot be told apart: no_even_row, too_small,
// alike, wire_thin, few, two_lines, several_unclear or many_empty.
type Unclear struct{ Why string }

func (u *Unclear) Error() string { return "hooks unclear: " + u.Why }

// Read finds every hook of a row.
func Read(s Strip) (*Row, error) {
	mean := meanOf(s.Bands)
	r := &Row{}
	r.Pitch, r.Share = Pitch(mean, s.Step)
	switch {
	case r.Pitch == 0 || r.Share < leastShare:
		return r, &Unclear{"no_even_row"}
	case r.Pitch < leastPx*s.Pixel:
		return r, &Unclear{"too_small"}
	}
	p0 := r.Pitch
	window := int(p0/s.Step) | 1
	h := level(mean, window)
	bands := make([][]float64, len(s.Bands))
	for b := range bands {
		bands[b] = level(s.Bands[b], window)
	}
	u := phases(h, s.Step, p0)
	t := fold(h, u)
	k, ok := shapeOf(t, p0, s.Step)
	if !ok {
		return r, &Unclear{"alike"}
	}
	r.Wire, r.Bright = k.width, k.sign > 0
	if r.Wire < leastWire*s.Pixel {
		return r, &Unclear{"wire_thin"}
	}
	resp := make([][]float64, len(bands))
	for b := range bands {
		resp[b] = k.response(bands[b])
	}
	all := meanOf(resp)
	var beyond []float64
	if s.Beyond != nil {
		beyond = k.response(level(s.Beyond, window))
	}
	base := make([]float64, len(h))
	for i := range base {
		base[i] = mean[i] - h[i]
	}
	f := &finder{s: s, r: r, k: k, p: p0, resp: resp, base: base, light: h, all: all, u: u}
	if s.Root != nil {
		f.root = k.response(level(s.Root, window))
	}
	f.candidates()
	f.strengths()
	f.unecho()
	f.choose(beyond)
	f.lookAgain()
	contrast := 0.0
	for _, v := range t {
		contrast = math.Max(contrast, k.sign*v)
	}
	r.Deep = contrast
	r.Faint = !s.Hue && contrast < faintHook
	unblurred := r.Bright && !s.Hue && s.Blur > 0
	if unblurred {
		t = unblur(t, s.Blur/p0*bins)
	}
	shift, centreU, wire, wireU := k.sides(t, p0, s.Wire, s.Hue, unblurred)
	if r.Bright && !s.Hue && contrast < dimHook && s.Wire == 0 {
		centreU = math.Hypot(centreU, mostHidden/math.Sqrt(12)*wire/2)
		wireU = math.Hypot(wireU, mostHidden/math.Sqrt(12)*wire)
		wire *= 1 + mostHidden/2
	}
	f.partWires(wire)
	if s.Hue && s.Wire == 0 {
		wire, wireU = ofHue(wire, wireU, s.Pixel, contrast, s.Dark)
	}
	if err := f.number(); err != nil {
		return r, err
	}
	r.CentreU, r.Wire, r.WireU = centreU, wire, wireU
	usual, share, rootU := f.leans()
	r.RootU = rootU
	for i := range r.Hooks {
		h := &r.Hooks[i]
		h.At += shift
		turn := h.Turn
		if h.Flaw != Crooked {
			turn = usual + share*(h.Turn-usual)
		}
		h.Root = h.At + average(s.Out)*math.Tan(turn)
	}
	for _, at := range [][]float64{r.Missing, r.Unclear} {
		for i := range at {
			at[i] += shift
		}
	}
	return r, nil
}

// meanOf averages rows where at least half of them are seen.
func meanOf(rows [][]float64) []float64 {
	out := make([]float64, len(rows[0]))
	for i := range out {
		n := 0.0
		for _, b := range rows {
			if !math.IsNaN(b[i]) {
				out[i] += b[i]
				n++
			}
		}
		if out[i] /= n; 2*n < float64(len(rows)) || n == 0 {
			out[i] = math.NaN()
		}
	}
	return out
}

// phases gives every sample its place in the comb, in pitches: the local phase
// of the profile's wave of one pitch, over some six of them, followed along.
func phases(h []float64, step, pitch float64) []float64 {
	n := len(h)
	stride := max(1, int(pitch/4/step))
	reach := int(5 * pitch / step)
	sigma := 2 * pitch / step
	w := make([]complex128, n)
	for i, v := range h {
		if !math.IsNaN(v) {
			w[i] = complex(v, 0) * cmplx.Exp(complex(0, -2*math.Pi*float64(i)*step/pitch))
		}
	}
	g := make([]float64, reach+1)
	for d := range g {
		g[d] = math.Exp(-0.5 * math.Pow(float64(d)/sigma, 2))
	}
	var nodes []float64
	last := 0.0
	for i := 0; i < n+stride; i += stride {
		var c complex128
		for d := -reach; d <= reach; d += 2 {
			if j := i + d; j >= 0 && j < n {
				c += w[j] * complex(g[max(d, -d)], 0)
			}
		}
		a := cmplx.Phase(c) / (2 * math.Pi)
		if c == 0 {
			a = last
		}
		a += math.Round(last - a)
		last = a
		nodes = append(nodes, a)
	}
	u := make([]float64, n)
	for i := range u {
		k, f := i/stride, float64(i%stride)/float64(stride)
		u[i] = float64(i)*step/pitch + nodes[k]*(1-f) + nodes[k+1]*f
	}
	return u
}

// fold is the median look of a pitch of the comb.
func fold(h, u []float64) (t [bins]float64) {
	var all [bins][]float64
	for i, v := range h {
		if !math.IsNaN(v) && v != 0 {
			b := int(math.Floor((u[i]-math.Floor(u[i]))*bins)) % bins
			all[b] = append(all[b], v)
		}
	}
	for b := range t {
		if t[b] = median(all[b]); math.IsNaN(t[b]) {
			t[b] = 0
		}
	}
	return t
}

// shape is the look of a usual hook across its leg.
type shape struct {
	kernel []float64 // by samples, its middle is the hook's centre; sums to 0
	sign   float64
	width  float64 // mm
	centre float64 // in the comb's phase, 0 to 1
}

// shapeOf finds the hook in the folded comb: the lobe that stands out most,
// between its half heights.
func shapeOf(t [bins]float64, pitch, step float64) (shape, bool) {
	var k shape
	cube, most := 0.0, 0.0
	for _, v := range t {
		cube += v * v * v
		most = math.Max(most, math.Abs(v))
	}
	if k.sign = math.Copysign(1, cube); most < 0.05 {
		return k, false
	}
	top := 0
	for b, v := range t {
		if k.sign*v > k.sign*t[top] {
			top = b
		}
	}
	at := func(b int) float64 { return k.sign * t[((b%bins)+bins)%bins] }
	peak := at(top)
	if peak < 0.05 {
		return k, false
	}
	side := func(d int, share float64) float64 {
		for n := 1; n < bins/2; n++ {
			if v := at(top + d*n); v < share*peak {
				w := at(top + d*(n-1))
				return float64(n-1) + (w-share*peak)/(w-v)
			}
		}
		return bins / 2
	}
	l, r := side(-1, 0.5), side(1, 0.5)
	k.width = (l + r) / bins * pitch
	// light from one side makes the lobe lean: near its foot, the wire's own
	// sides, it does so least
	l2, r2 := side(-1, 0.25), side(1, 0.25)
	k.centre = (float64(top) + 0.5 + (r2-l2)/2) / bins
	if k.width > 0.62*pitch {
		return k, false
	}
	half := math.Min(0.5*pitch, math.Max(k.width, 0.5*math.Min(l2+r2, bins)/bins*pitch+0.25*k.width))
	n := int(math.Ceil(half / step))
	k.kernel = make([]float64, 2*n+1)
	sum := 0.0
	for i := range k.kernel {
		x := (k.centre + float64(i-n)*step/pitch) * bins
		b := int(math.Floor(x - 0.5))
		f := x - 0.5 - float64(b)
		v := math.Max(0, at(b)*(1-f)+at(b+1)*f) // only the hook itself, not its shadow
		k.kernel[i] = v
		sum += v
	}
	norm := 0.0
	for i := range k.kernel {
		v := k.kernel[i]
		k.kernel[i] -= sum / float64(len(k.kernel))
		norm += v * k.kernel[i]
	}
	for i := range k.kernel {
		k.kernel[i] *= k.sign / norm
	}
	return k, true
}

// Levels, in shares of a hook's peak, that its sides lie between.
const (
	surelyLit   = 0.50 // and more is wire, where wires are brighter than the belt
	maybeLit    = 0.25 // and less is belt
	surelySharp = 0.40 // the same where the blur is taken off
	maybeSharp  = 0.20
	surelyDark  = 0.40 // the same where they are darker; their shadow is less deep
	maybeDark   = 0.30
	otherSign   = 0.18 // beyond it light against the rule may be wire, its dark or lit side
)

// sides finds where a wire's sides are: each between where it is surely seen
// and where nothing is seen any more; shade of the wire and shadow beside it look
// alike. known is its diameter, 0: not known; sharp tells that the blur is taken off.
// The centre is given as its distance from the kernel's.
func (k *shape) sides(t [bins]float64, pitch, known float64, hue, sharp bool) (off, centreU, wire, wireU float64) {
	mm := pitch / bins
	at := func(x float64) float64 { // by bins from the centre
		x += k.centre*bins - 0.5
		b := int(math.Floor(x))
		f := x - float64(b)
		v := func(b int) float64 { return k.sign * t[((b%bins)+bins)%bins] }
		return v(b)*(1-f) + v(b+1)*f
	}
	const fine, reach = 0.1, 0.375 * bins
	top := 0.0
	for x := -0.5 * k.width / mm; x <= 0.5*k.width/mm; x += fine {
		if at(x) > at(top) {
			top = x
		}
	}
	peak := at(top)
	sure, maybe := surelyLit, maybeLit
	if sharp {
		sure, maybe = surelySharp, maybeSharp
	}
	if k.sign < 0 {
		sure, maybe = surelyDark, maybeDark
	}
	if hue { // a blurred edge lies where half is seen
		sure, maybe = 0.55, 0.45
	}
	var in, out [2]float64
	for i, d := range []float64{-1, 1} {
		x := top
		for math.Abs(x) < reach && at(x) > sure*peak {
			x += d * fine
		}
		in[i] = x
		gap := 0.0
		for out[i] = x; math.Abs(x) < reach && gap < 0.5*k.width/mm; x += d * fine {
			if v := at(x); v > maybe*peak || !hue && v < -otherSign*peak {
				out[i], gap = x, 0
			} else {
				gap += fine
			}
		}
	}
	l, r := (in[0]+out[0])/2*mm, (in[1]+out[1])/2*mm
	ul, ur := (in[0]-out[0])*mm/math.Sqrt(12), (out[1]-in[1])*mm/math.Sqrt(12)
	off, centreU, wire, wireU = (l+r)/2, math.Hypot(ul, ur)/2, r-l, math.Hypot(ul, ur)
	if known > 0 {
		// of a wire of this diameter both sides must lie within their bounds
		lo := math.Max(out[0]*mm, in[1]*mm-known) + known/2
		hi := math.Min(in[0]*mm, out[1]*mm-known) + known/2
		off, centreU = (lo+hi)/2, math.Abs(hi-lo)/math.Sqrt(12)
		wire, wireU = known, 0.02*known
	}
	return off, math.Max(centreU, 0.06*k.width), wire, math.Max(wireU, 0.02*wire)
}

// ofHue is a wire's diameter from what of it is seen by its hue. A photo's file keeps
// colour at half of its size, so that a wire looks wider, and its own sides show less of
// it. Where the hue is faint the file keeps little of what is fine in it, which smears a
// fine wire, and on a black belt every wire.
func ofHue(seen, seenU, pixel, contrast float64, dark bool) (wire, wireU float64) {
	less := func(smear float64) float64 { return math.Sqrt(math.Max(seen*seen/4, seen*seen-smear*smear)) }
	switch {
	case contrast >= faintHue:
		wire = (1 + hueHidden) * less(huePx*pixel)
		return wire, math.Hypot(seenU, hueHidden/2*wire)
	case dark:
		wire = less(darkPx * pixel)
	default:
		wire = (1 + hueHidden/2) * unsmear(seen, smearPx*pixel)
	}
	return wire, math.Hypot(seenU, math.Hypot((seen-wire)/2, hueHidden/2*seen))
}

// unsmear is how wide a bar is that looks as wide at half of its height after a blur of sd.
func unsmear(seen, sd float64) float64 {
	lo, hi := seen/2, seen
	for range 40 {
		w := (lo + hi) / 2
		at := func(x float64) float64 { return math.Erf((w/2+x)/(sd*math.Sqrt2)) + math.Erf((w/2-x)/(sd*math.Sqrt2)) }
		if at(seen/2) > at(0)/2 {
			hi = w
		} else {
			lo = w
		}
	}
	return (lo + hi) / 2
}

// unblur takes a blur of sd bins off the look of a pitch of the comb by Richardson's
// and Lucy's iteration, which keeps light above nothing. A bright wire's blurred side
// is as light as half of the logarithm's step well outside of the wire.
func unblur(t [bins]float64, sd float64) [bins]float64 {
	if sd < leastUnblur {
		return t
	}
	var blur [bins]float64
	sum := 0.0
	for d := range blur {
		x := float64(min(d, bins-d)) / sd
		blur[d] = math.Exp(-x * x / 2)
		sum += blur[d]
	}
	blurred := func(v *[bins]float64) (out [bins]float64) {
		for i := range out {
			for d, w := range blur {
				out[i] += w / sum * v[(i+d)%bins]
			}
		}
		return out
	}
	var light, sharp [bins]float64
	for i, v := range t {
		light[i] = math.Exp(v)
	}
	sharp = light
	for range unblurRounds {
		ratio := blurred(&sharp)
		for i := range ratio {
			ratio[i] = light[i] / ratio[i]
		}
		ratio = blurred(&ratio)
		for i := range sharp {
			sharp[i] *= ratio[i]
		}
	}
	for i := range sharp {
		t[i] = math.Log(math.Max(1e-6, sharp[i]))
	}
	return t
}

const (
	leastUnblur  = 0.3 // bins; less changes nothing
	unblurRounds = 30
)

// response is how much of a usual hook stands at each sample.
func (k *shape) response(h []float64) []float64 {
	out := make([]float64, len(h))
	n := len(k.kernel) / 2
	for i := range out {
		if i < n || i+n >= len(h) {
			out[i] = math.NaN()
			continue
		}
		s := 0.0
		for j, w := range k.kernel {
			s += w * h[i+j-n]
		}
		out[i] = s
	}
	return out
}

// candidate is a bar that may be a hook.
type candidate struct {
	at, turn float64
	size     float64 // strength, 1 a usual hook
	bands    int     // in how many it is seen
	seen     int     // of so many
	scale    float64 // strength of hooks around here
	noise    float64 // of that
	between  float64 // in pitches off the comb, -0.5..0.5
	off      float64 // variance of its places in the bands about a straight leg, mm^2; 0: not known
}

type finder struct {
	s     Strip
	r     *Row
	k     shape
	p     float64
	resp  [][]float64
	root  []float64
	base  []float64 // the belt's own light
	light []float64 // that beyond it
	all   []float64
	u     []float64
	found []candidate
}

func (f *finder) index(at float64) int { return int(math.Round((at - f.s.From) / f.s.Step)) }

// candidates looks at every peak of the response and follows it along the leg.
func (f *finder) candidates() {
	lo, hi := max(1, f.index(f.s.Left+0.5*f.r.Wire+2.5)), min(len(f.all)-2, f.index(f.s.Right-0.5*f.r.Wire-2.5))
	mid := average(f.s.Out)
	for i := lo; i <= hi; i++ {
		v := f.all[i]
		if !(v > 0.15 && v >= f.all[i-1] && v > f.all[i+1]) {
			continue
		}
		at := f.s.From + float64(i)*f.s.Step
		var ts, xs []float64
		seen := 0
		for b, t := range f.s.Out {
			reach := 0.25*f.r.Wire + math.Abs(t-mid)*math.Tan(20*math.Pi/180)
			w := min(int(math.Min(reach, 0.3*f.p)/f.s.Step), 400)
			best := -1 // the nearest bar that is as strong, not a twin's
			known := true
			for j := max(1, i-w); j <= min(len(f.all)-2, i+w); j++ {
				v, l, r := f.resp[b][j], f.resp[b][j-1], f.resp[b][j+1]
				if math.IsNaN(v) {
					known = false
					break
				}
				if v >= l && v > r && v > math.Max(0.3, 0.5*f.all[i]) && (best < 0 || max(j-i, i-j) < max(best-i, i-best)) {
					best = j
				}
			}
			if !known {
				continue
			}
			seen++
			if best >= 0 {
				ts, xs = append(ts, t-mid), append(xs, f.s.From+(float64(best)+vertex(f.resp[b], best))*f.s.Step)
			}
		}
		c := candidate{at: at + vertex(f.all, i)*f.s.Step, seen: seen}
		if len(ts) >= 2 {
			a, b := lineOf(ts, xs)
			if math.Abs(math.Atan(b)) < 22*math.Pi/180 && math.Abs(a-at) < 0.3*f.p {
				c.at, c.turn = a, -math.Atan(b)
				for k := range ts {
					c.off += math.Pow(xs[k]-a-b*ts[k], 2)
				}
				c.off /= math.Max(1, float64(len(ts)-2))
			}
		}
		n := 0.0
		for b, t := range f.s.Out {
			j := f.index(c.at - (t-mid)*math.Tan(c.turn))
			if j < 1 || j >= len(f.all)-1 || math.IsNaN(f.resp[b][j]) {
				continue
			}
			v := math.Max(f.resp[b][j], math.Max(f.resp[b][j-1], f.resp[b][j+1]))
			c.size += v
			n++
		}
		if n > 0 {
			c.size /= n
		}
		f.found = append(f.found, c)
	}
	// one hook has one peak
	sort.SliceStable(f.found, func(i, j int) bool { return f.found[i].size > f.found[j].size })
	var keep []candidate
	for _, c := range f.found {
		twin := false
		for _, o := range keep {
			twin = twin || math.Abs(o.at-c.at) < 0.75*f.r.Wire
		}
		if !twin {
			keep = append(keep, c)
		}
	}
	sort.Slice(keep, func(i, j int) bool { return keep[i].at < keep[j].at })
	f.found = keep
}

func average(v []float64) (m float64) {
	for _, x := range v {
		m += x / float64(len(v))
	}
	return m
}

// vertex is the place of a peak's parabola between its neighbours.
func vertex(v []float64, i int) float64 {
	if i < 1 || i+1 >= len(v) {
		return 0
	}
	if d := v[i-1] - 2*v[i] + v[i+1]; d < 0 {
		return math.Max(-0.6, math.Min(0.6, 0.5*(v[i-1]-v[i+1])/d))
	}
	return 0
}

func lineOf(x, y []float64) (a, b float64) {
	var sx, sy, sxx, sxy float64
	n := float64(len(x))
	for i := range x {
		sx, sy, sxx, sxy = sx+x[i], sy+y[i], sxx+x[i]*x[i], sxy+x[i]*y[i]
	}
	if d := n*sxx - sx*sx; d > 0 {
		b = (n*sxy - sx*sy) / d
	}
	return (sy - b*sx) / n, b
}

// nearby is how many pitches on either side of a candidate are looked at.
const nearby = 6

// strengths compares each candidate with those around it on the comb, and with
// the noise between them.
func (f *finder) strengths() {
	off := func(u float64) float64 { d := u - f.k.centre; return d - math.Round(d) }
	for i := range f.found {
		c := &f.found[i]
		if j := f.index(c.at); j >= 0 && j < len(f.u) {
			c.between = off(f.u[j])
		}
	}
	for i := range f.found {
		c := &f.found[i]
		most := map[int]float64{} // the strongest at each place of the comb
		for _, o := range f.found {
			if j := f.index(o.at); math.Abs(o.at-c.at) < nearby*f.p && math.Abs(o.between) < 0.2 && j >= 0 && j < len(f.u) {
				place := int(math.Round(f.u[j] - f.k.centre))
				most[place] = math.Max(most[place], o.size)
			}
		}
		if c.scale = median(slices.Collect(maps.Values(most))); math.IsNaN(c.scale) {
			c.scale = 1
		}
		c.noise = f.noise(c, off)
	}
}

// noise is that of the response around a candidate: how far it is off nothing between
// the hooks. Colour is coarser than light, so that fine wires smear into each other and
// leave a trough between them, as deep as they are strong: there it is what the bands
// differ by, each by itself.
func (f *finder) noise(c *candidate, off func(u float64) float64) float64 {
	var all, size, apart []float64
	lo, hi := max(0, f.index(c.at-nearby*f.p)), min(len(f.all)-1, f.index(c.at+nearby*f.p))
	for j := lo; j <= hi; j++ {
		if math.Abs(off(f.u[j])) <= 0.42 || math.IsNaN(f.all[j]) {
			continue
		}
		all, size = append(all, f.all[j]), append(size, math.Abs(f.all[j]))
		for _, band := range f.resp {
			if !math.IsNaN(band[j]) {
				apart = append(apart, math.Abs(band[j]-f.all[j]))
			}
		}
	}
	if f.s.Hue && median(all) < -mostNoise*c.scale {
		size = apart
	}
	if n := median(size) / 0.6745; !math.IsNaN(n) {
		return n
	}
	return 0
}

// unecho takes off a bar's strength what stands beside a usual hook at the same
// distance: a wire's other side, or its shadow.
func (f *finder) unecho() {
	strongest := map[int]candidate{} // at each place of the comb
	for _, c := range f.found {
		j := f.index(c.at)
		if c.size < sureHook*c.scale || math.Abs(c.between) > 0.25 || j < 0 || j >= len(f.u) {
			continue
		}
		if place := int(math.Round(f.u[j] - f.k.centre)); c.size > strongest[place].size {
			strongest[place] = c
		}
	}
	sure := slices.SortedFunc(maps.Values(strongest), func(a, b candidate) int { return cmp.Compare(a.at, b.at) })
	if len(sure) < 8 { // too few to tell what is usual
		return
	}
	reach := int(0.5 * f.p / f.s.Step)
	echo := make([]float64, 2*reach+1)
	for d := range echo {
		var all []float64
		for _, c := range sure {
			if j := f.index(c.at) + d - reach; j >= 0 && j < len(f.all) && !math.IsNaN(f.all[j]) {
				all = append(all, f.all[j]/c.scale)
			}
		}
		echo[d] = math.Max(0, median(all))
	}
	for i := range f.found {
		c := &f.found[i]
		near := slices.MinFunc(sure, func(a, b candidate) int {
			return cmp.Compare(math.Abs(a.at-c.at), math.Abs(b.at-c.at))
		})
		if d := f.index(c.at) - f.index(near.at); near.at != c.at && max(d, -d) <= reach {
			c.size -= echo[d+reach] * near.scale
		}
	}
}

// choose tells hooks from marks; what can be either is unclear.
func (f *finder) choose(beyond []float64) {
	var unclear []float64 // places on the comb
	for i := range f.found {
		c := &f.found[i]
		scale := math.Max(c.scale, 0.4)
		mid := average(f.s.Out)
		for b, t := range f.s.Out {
			j := f.index(c.at - (t-mid)*math.Tan(c.turn))
			if j >= 1 && j+1 < len(f.all) && math.Max(f.resp[b][j], math.Max(f.resp[b][j-1], f.resp[b][j+1])) > 0.35*scale {
				c.bands++
			}
		}
		size := c.size / scale
		if size < sureHook && size > noHook && f.twin(i) {
			size = sureHook
		}
		on := math.Abs(c.between) < 0.25
		murky := c.noise > mostNoise*scale || c.scale < 0.4 || c.seen < len(f.s.Out)-1
		switch {
		case size >= sureHook && c.bands >= len(f.s.Out)-1 && !murky:
			if !on && f.mark(c, beyond) {
				continue
			}
			f.r.Hooks = append(f.r.Hooks, Hook{At: c.at, Turn: c.turn, Clear: math.Min(1, size)})
		case on && (size > noHook || murky), size >= sureHook:
			f.r.Unclear = append(f.r.Unclear, c.at)
			unclear = append(unclear, c.at)
		}
	}
	// beside an unclear place what is off the comb may be the other one of two
	for _, c := range f.found {
		if size := c.size / math.Max(c.scale, 0.4); math.Abs(c.between) < 0.25 || size < noHook || size >= sureHook {
			continue
		}
		if slices.ContainsFunc(unclear, func(u float64) bool { return math.Abs(u-c.at) < 0.5*f.p }) {
			f.r.Unclear = append(f.r.Unclear, c.at)
		}
	}
}

// twin tells whether a bar is as high as usual hooks with another as high beside
// it and the belt between them: two hooks in one place dim each other's response.
func (f *finder) twin(i int) bool {
	// above the belt's light a place and a half away: two wires cover most of theirs
	off := int(1.5 * f.p / f.s.Step)
	height := func(at float64) float64 {
		j := f.index(at)
		if j < off || j+off >= len(f.light) || math.IsNaN(f.light[j]) {
			return 0
		}
		return f.k.sign * (f.light[j] + f.base[j] - (f.base[j-off]+f.base[j+off])/2)
	}
	c := &f.found[i]
	var around []float64
	for _, o := range f.found {
		if math.Abs(o.at-c.at) < 6*f.p && math.Abs(o.between) < 0.2 && o.size >= sureHook*o.scale {
			around = append(around, height(o.at))
		}
	}
	usual := median(around)
	for _, k := range []int{i - 1, i + 1} {
		if k < 0 || k >= len(f.found) || !(usual > 0) {
			continue
		}
		o := &f.found[k]
		d := math.Abs(o.at - c.at)
		if d > f.r.Wire && d < 0.62*f.p && o.size > 0.4*o.scale && height(c.at) > 0.75*usual && height(o.at) > 0.75*usual && height((c.at+o.at)/2) < 0.6*usual {
			return true
		}
	}
	return false
}

// mark tells whether a bar off the comb goes on beyond the legs' points: a
// scratch, not a hook.
func (f *finder) mark(c *candidate, beyond []float64) bool {
	if beyond == nil {
		return false
	}
	j := f.index(c.at)
	for k := max(0, j-int(0.5*f.r.Wire/f.s.Step)); k <= min(len(beyond)-1, j+int(0.5*f.r.Wire/f.s.Step)); k++ {
		if beyond[k] > 0.35*c.size {
			return true
		}
	}
	return false
}

// along looks for a hook of any turn near a place, by the mean response along
// its leg, in units of those around it.
func (f *finder) along(at float64) (ok bool, best candidate) {
	scale := 0.0
	var around []float64
	for _, c := range f.found {
		if math.Abs(c.at-at) < 6*f.p && math.Abs(c.between) < 0.2 {
			around = append(around, c.size)
		}
	}
	if scale = median(around); math.IsNaN(scale) || scale < 0.4 {
		scale = 0.4
	}
	mid := average(f.s.Out)
	for turn := -24.0; turn <= 24; turn += 1.5 {
		tan := math.Tan(turn * math.Pi / 180)
		for x := at - 0.35*f.p; x <= at+0.35*f.p; x += f.s.Step {
			c := candidate{at: x, turn: turn * math.Pi / 180, scale: scale}
			for b, t := range f.s.Out {
				j := f.index(x - (t-mid)*tan)
				if j < 0 || j >= len(f.all) || math.IsNaN(f.resp[b][j]) {
					continue
				}
				c.seen++
				if v := f.resp[b][j] / scale; v > 0 {
					c.size += v
					if v > 0.35 {
						c.bands++
					}
				}
			}
			if c.size /= math.Max(1, float64(c.seen)); c.size > best.size || best.seen == 0 {
				best = c
			}
		}
	}
	return best.size >= sureHook && best.bands >= len(f.s.Out)-1, best
}

// rooted tells whether something stands at a place next to the loops: a hook so
// crooked that its leg lies over another's.
func (f *finder) rooted(at, scale float64) bool {
	w := int(0.2 * f.p / f.s.Step)
	for j := max(0, f.index(at)-w); j <= min(len(f.root)-1, f.index(at)+w); j++ {
		if f.root[j] > 0.5*scale {
			return true
		}
	}
	return false
}

// lookAgain looks for crooked hooks at places of the comb that seem empty.
func (f *finder) lookAgain() {
	r := f.r
	var more []Hook
	for i := 1; i < len(r.Hooks); i++ {
		a, b := r.Hooks[i-1].At, r.Hooks[i].At
		n := int(math.Round((b - a) / r.Pitch))
		for k := 1; k < n; k++ {
			ok, c := f.along(a + (b-a)*float64(k)/float64(n))
			if ok && c.at-a > 0.5*r.Pitch && b-c.at > 0.5*r.Pitch {
				more = append(more, Hook{At: c.at, Turn: c.turn, Clear: math.Min(1, c.size)})
			}
		}
	}
	if len(more) == 0 {
		return
	}
	r.Hooks = append(r.Hooks, more...)
	sort.Slice(r.Hooks, func(i, j int) bool { return r.Hooks[i].At < r.Hooks[j].At })
	var left []float64
	for _, u := range r.Unclear {
		found := false
		for _, h := range more {
			found = found || math.Abs(h.At-u) < 0.5*r.Pitch
		}
		if !found {
			left = append(left, u)
		}
	}
	r.Unclear = left
}

// ownSide is how near to a hook, in wires, what is seen less clearly is its own side
// and no other hook: the diameter is known that well.
const ownSide = 0.8

// partWires calls a place unclear where two bars stand less than a wire apart: two
// hooks cannot, the lit and the dark side of one may.
func (f *finder) partWires(wire float64) {
	r := f.r
	r.Unclear = slices.DeleteFunc(r.Unclear, func(u float64) bool {
		return slices.ContainsFunc(r.Hooks, func(h Hook) bool { return math.Abs(h.At-u) < ownSide*wire })
	})
	var keep []Hook
	for _, h := range r.Hooks {
		if n := len(keep); n > 0 && h.At-keep[n-1].At < wire {
			if h.Clear > keep[n-1].Clear {
				keep[n-1] = h
			}
			r.Unclear = append(r.Unclear, h.At)
			continue
		}
		keep = append(keep, h)
	}
	r.Hooks = keep
}

// usualTurn is the standard deviation of legs' turns in a row that was pressed in by a
// machine (common practice, no source), rad: a row that scatters more is seen badly.
const usualTurn = 1 * math.Pi / 180

// leans is the usual turn of a leg, and how much of what a leg's own differs from it
// is to be believed: its hinge line end is some way off what is seen of it, so that a
// turn seen badly would carry it far. rootU is the standard uncertainty left there.
func (f *finder) leans() (usual, share, rootU float64) {
	var turns, off []float64
	for _, h := range f.r.Hooks {
		if h.Flaw != Crooked {
			turns = append(turns, h.Turn)
		}
	}
	for _, c := range f.found {
		if c.size >= sureHook*c.scale && c.off > 0 {
			off = append(off, c.off)
		}
	}
	n, mid, sxx := float64(len(f.s.Out)), average(f.s.Out), 0.0
	for _, t := range f.s.Out {
		sxx += (t - mid) * (t - mid)
	}
	usual = median(turns)
	for i := range turns {
		turns[i] = math.Abs(turns[i] - usual)
	}
	seen := math.Pow(median(turns)/0.6745, 2)
	v := median(off) / math.Ln2 // the median of a variance of two degrees of freedom
	if !(seen > 0 && v > 0) {
		return usual, 1, 0
	}
	share = math.Max(0, 1-v/sxx/seen)
	if f.s.Hue { // it is sampled more coarsely than the bands: what they share, their scatter does not show
		share = math.Min(share, usualTurn*usualTurn/seen)
	}
	return usual, share, math.Sqrt(v/n + mid*mid*share*(1-share)*seen)
}

// number gives the hooks their places in the comb and finds what is missing,
// doubled, crooked and how even the row is.
func (f *finder) number() error {
	r := f.r
	h := r.Hooks
	if len(h) < 4 {
		return &Unclear{"few"}
	}
	var turns []float64
	for _, k := range h {
		turns = append(turns, k.Turn)
	}
	usual := median(turns)
	for i := range h {
		if math.Abs(h[i].Turn-usual) > crookedRad {
			h[i].Flaw = Crooked
		}
	}
	near := func(at float64) bool {
		for _, u := range r.Unclear {
			if math.Abs(u-at) < 0.5*r.Pitch {
				return true
			}
		}
		return false
	}
	between := func(at float64) float64 {
		j := max(0, min(len(f.u)-1, f.index(at)))
		d := f.u[j] - f.k.centre
		return d - math.Round(d)
	}
	prev := 0 // the last hook on the comb
	for i := 1; i < len(h); i++ {
		n := int(math.Round((h[i].At - h[prev].At) / r.Pitch))
		if n < 1 {
			h[i].Place = h[prev].Place
			if math.Abs(between(h[i].At)) >= math.Abs(between(h[prev].At)) {
				h[i].Flaw = Doubled
				continue
			}
			h[prev].Flaw = Doubled
			prev = i
			continue
		}
		h[i].Place = h[prev].Place + n
		for k := 1; k < n; k++ {
			at := h[prev].At + (h[i].At-h[prev].At)*float64(k)/float64(n)
			if near(at) {
				continue
			}
			if _, c := f.along(at); c.size < noHook && c.seen == len(f.s.Out) && !f.rooted(at, c.scale) && !f.covered(at, h[prev].At, h[i].At) {
				r.Missing = append(r.Missing, at)
			} else {
				r.Unclear = append(r.Unclear, at)
			}
		}
		prev = i
	}
	twice := 0
	for _, k := range h {
		if k.Flaw == Doubled {
			twice++
		}
	}
	if twice > 3 && 8*twice > len(h) {
		return &Unclear{"two_lines"}
	}
	f.ends()
	r.doubtEmpty()
	sort.Float64s(r.Unclear)
	if n := len(r.Unclear); n > 2 && float64(n) > 0.03*float64(len(h)) {
		return &Unclear{"several_unclear"}
	}
	if m := len(r.Missing); float64(m) > 0.3*float64(len(h)) {
		return &Unclear{"many_empty"}
	}
	f.even()
	return nil
}

// doubtEmpty calls empty places unclear where what hides hooks may hide them too: three
// and more side by side, and those beside an unclear place, from either side.
func (r *Row) doubtEmpty() {
	const close = 2.5 // pitches
	crowd := slices.Clone(r.Missing)
	for doubted := true; doubted; {
		doubted = false
		r.Missing = slices.DeleteFunc(r.Missing, func(m float64) bool {
			near := func(o float64) bool { return math.Abs(o-m) < close*r.Pitch }
			beside := 0
			for _, o := range crowd {
				if near(o) {
					beside++
				}
			}
			if beside < 3 && !slices.ContainsFunc(r.Unclear, near) {
				return false
			}
			r.Unclear = append(r.Unclear, m)
			doubted = true
			return true
		})
	}
}

// ends looks for hooks between the outer ones and the belt's edges.
func (f *finder) ends() {
	r := f.r
	for _, e := range []struct{ from, step, edge float64 }{{r.Hooks[0].At, -r.Pitch, f.s.Left}, {r.Hooks[len(r.Hooks)-1].At, r.Pitch, f.s.Right}} {
		empty := 0
		for at := e.from + e.step; math.Abs(e.edge-at) > 0.5*r.Wire+2.5 && (e.edge-at)*e.step > 0; at += e.step { // no hook stands nearer to an edge
			known := false
			for _, u := range r.Unclear {
				known = known || math.Abs(u-at) < 0.5*r.Pitch
			}
			empty++
			_, c := f.along(at)
			// two places and so much belt free at an edge is more than anybody leaves
			if !known && (c.size > 1.3*noHook || c.seen < len(f.s.Out) || empty > 1 && math.Abs(e.edge-e.from) > widestMargin || f.covered(at, e.from, e.from)) {
				r.Unclear = append(r.Unclear, at)
			}
		}
	}
}

// covered tells whether something else than the belt is seen at an empty place:
// its light is not between that beside the hooks around it.
func (f *finder) covered(at, left, right float64) bool {
	light := func(x float64) float64 { return f.base[max(0, min(len(f.base)-1, f.index(x)))] }
	a, b, v := light(left), light(right), light(at)
	return !(v > math.Min(a, b)-otherLight && v < math.Max(a, b)+otherLight)
}

// otherLight is how much light may change along a row from one hook to the next
// without a thing lying there, ln.
const otherLight = 0.35

// even fits the pitch through the hooks' places and measures their scatter.
func (f *finder) even() {
	r := f.r
	var x, y, gaps []float64
	last := -1
	for i, k := range r.Hooks {
		if k.Flaw != "" {
			continue
		}
		x, y = append(x, float64(k.Place)), append(y, k.At)
		if last >= 0 && k.Place == r.Hooks[last].Place+1 {
			gaps = append(gaps, k.At-r.Hooks[last].At)
		}
		last = i
	}
	if len(x) < 3 {
		return
	}
	a, b := lineOf(x, y)
	var sxx, res, mx float64
	for i := range x {
		mx += x[i] / float64(len(x))
		res += math.Pow(y[i]-a-b*x[i], 2)
	}
	for i := range x {
		sxx += (x[i] - mx) * (x[i] - mx)
	}
	r.Pitch = b
	r.PitchSD = math.Sqrt(res / float64(len(x)-2) / sxx)
	if len(gaps) > 1 {
		r.Spacing = [2]float64{math.Inf(1), math.Inf(-1)}
		v := 0.0
		for _, g := range gaps {
			r.Spacing[0], r.Spacing[1] = math.Min(r.Spacing[0], g), math.Max(r.Spacing[1], g)
			v += (g - b) * (g - b)
		}
		r.Spread = math.Sqrt(v / float64(len(gaps)))
	}
}

// widestMargin is what a row leaves free at an edge at most, mm: some 6 asked
// for, a pitch by rounding and the other side's half, and a row off the middle.
const widestMargin = 25.0
