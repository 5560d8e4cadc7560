package vision

import (
	"errors"
	"math"
	"math/cmplx"
	"sort"

	"beltend/geometry"
	"beltend/geometry/hooks"
)

// Laced is a joint, or one laced end, seen in a photo. A place s along the hinge
// line and t up from it lies at Mid + s Along + t Up in the plane.
type Laced struct {
	Mid, Along, Up geometry.Vec2
	// Line are the points of the hinge line that were found, left to right.
	Line []EdgePoint
	// Sides are the end up from the hinge line and the one down from it; nil
	// where there is none.
	Sides [2]*LacedSide
	// Light is the belt's own light beside the cards, as 100 times the logarithm of
	// its share of white.
	Light float64
}

// At is a place of the joint in the plane.
func (l *Laced) At(s, t float64) geometry.Vec2 {
	return l.Mid.Add(l.Along.Mul(s)).Add(l.Up.Mul(t))
}

// LacedSide is one end with its hooks. Left and right are the same for both.
type LacedSide struct {
	Left, Right    Trace
	Row            hooks.Row
	EdgeL, EdgeR   float64 // where the belt's edges pass the hooks' legs, along the hinge line
	EndL, EndR     float64 // where they meet the hinge line
	EdgeSD         float64 // of those, mm
	LegFrom, LegTo float64 // what was looked at of the legs, from the hinge line
	PxMM           float64
	Why            string // why its hooks cannot be told apart
}

func unclearHooks(why string) *Refused {
	return refuse("hooks_unclear", why)
}

// FindHooks finds the belt's edges and both rows of hooks of a laced joint, or
// of one laced end, in a photo whose view of the plane is known; boards, sheets,
// sharp and hints (left, right) as for FindEnd; wire is the hooks' diameter, 0 where
// it is not known.
func FindHooks(p *Picture, view *geometry.View, boards, sheets Sheets, sharp Sharp, wire float64, hints map[string][]geometry.Vec2) (*Laced, error) {
	m := newSceneMap(p, view, sheets)
	var inner []geometry.Vec2
	for _, b := range boards {
		inner = append(inner, b[:]...)
	}
	hand, err := hintLines(view, hints)
	if err != nil {
		return nil, err
	}
	f := &laceFinder{p: p, look: p, view: view, m: m, sharp: sharp, wire: wire, blocked: sheets.cover}
	pairs := f.pairs(inner, hand)
	if len(pairs) == 0 {
		return nil, refuse("edge_unclear", "hooks_none")
	}
	var best *band
	for i := range pairs[:min(len(pairs), 6)] {
		b := f.findBand(pairs[i])
		if b != nil && (best == nil || b.score*pairs[i].score > best.score*best.pair.score) {
			best = b
		}
	}
	if best == nil || best.score < 0.1 {
		return nil, unclearHooks("no_row")
	}
	// hooks that differ from the belt in hue more than in light are seen whole
	// only in their hue
	tinted, err := f.inHue(best)
	if err != nil {
		return nil, err
	}
	var hue *Laced
	if tinted {
		if b := f.findBand(best.pair); b != nil && b.score >= 0.25 {
			hue, _ = f.read(b) // where it fails their light may still do
		}
		f.look = p
	}
	var light *Laced
	if err = unclearHooks("no_row"); best.score >= 0.25 {
		light, err = f.read(best)
	}
	switch {
	case hue != nil && light != nil && light.settles(hue):
		return light, nil
	case hue != nil && (light == nil || hue.share() >= light.share() || hue.settles(light)):
		return hue, nil
	case light != nil:
		return light, nil
	}
	return nil, err
}

// settles tells whether a reading leaves no place unclear where another of the same photo
// does, with as many hooks as that allows.
func (l *Laced) settles(o *Laced) bool {
	unclear := 0
	for k, s := range l.Sides {
		r := o.Sides[k]
		if (s == nil) != (r == nil) {
			return false
		}
		if s == nil {
			continue
		}
		n, least := len(s.Row.Hooks), len(r.Row.Hooks)
		if len(s.Row.Unclear) > 0 || n < least || n > least+len(r.Row.Unclear) {
			return false
		}
		unclear += len(r.Row.Unclear)
	}
	return unclear > 0
}

// share is how much of the rows' profiles repeats, of the side that shows less.
func (l *Laced) share() float64 {
	least := 1.0
	for _, s := range l.Sides {
		if s != nil {
			least = math.Min(least, s.Row.Share)
		}
	}
	return least
}

// inHue makes the hooks be looked for in the mixture of colours that parts them
// best from the belt: by the difference between the belt with hooks and without.
func (f *laceFinder) inHue(b *band) (bool, error) {
	e := b.pair
	across := e.up.Perp().Mul(-1)
	var on, off, diff [3]float64
	var n, m float64
	for s := -0.45 * e.width; s <= 0.45*e.width; s += 3 {
		for _, t := range []float64{-14, -11, -8, 8, 11, 14, -60, -50, -40, 40, 50, 60} {
			q := e.origin.Add(e.up.Mul(b.y + t)).Add(across.Mul(s))
			uv, ok := f.view.Project(q)
			x, y := int(math.Round((uv.X-3.5)/colourShrink)), int(math.Round((uv.Y-3.5)/colourShrink))
			if !ok || f.blocked(q) || x < 0 || y < 0 || x >= f.p.CW || y >= f.p.CH {
				continue
			}
			for k := range on {
				v := float64(f.p.Colour[3*(y*f.p.CW+x)+k])
				if math.Abs(t) < 20 {
					on[k] += v
				} else {
					off[k] += v
				}
			}
			if math.Abs(t) < 20 {
				n++
			} else {
				m++
			}
		}
	}
	if n < 50 || m < 50 {
		return false, nil
	}
	// Shade and shadow scale the belt's colour: across that direction they are
	// not seen, and a wire shows whole, its lit side and its dark one.
	var along, own float64
	for k := range diff {
		on[k], off[k] = on[k]/n, off[k]/m
		diff[k] = on[k] - off[k]
		along, own = along+diff[k]*off[k], own+off[k]*off[k]
	}
	size := 0.0
	for k := range diff {
		diff[k] -= along / math.Max(1, own) * off[k]
		size += math.Abs(diff[k])
	}
	if size < leastHue {
		return false, nil
	}
	for k := range diff {
		diff[k] /= size
	}
	looks, err := f.p.projected(diff)
	if err != nil {
		return false, err
	}
	f.look = looks[0]
	return true, nil
}

// leastHue is how far hooks, which cover a quarter of the belt where they are,
// must move its mean colour off its own hue to be looked for by theirs: grey
// levels of blue, green and red, summed.
const leastHue = 8.0

type laceFinder struct {
	p       *Picture
	look    *Picture // in which hooks are looked for
	view    *geometry.View
	m       *sceneMap
	sharp   Sharp
	wire    float64 // diameter, 0: not known
	blocked func(geometry.Vec2) bool
}

// edgePair are the belt's edges, coarsely: normals inwards, left and right as
// seen looking along up.
type edgePair struct {
	left, right planeLine
	up          geometry.Vec2
	origin      geometry.Vec2 // between them, beside the cards
	width       float64
	score       float64
	byHand      [2]bool
}

// pairs lists pairs of lines that may be the belt's edges, best first.
func (f *laceFinder) pairs(inner []geometry.Vec2, hand map[string]planeLine) []edgePair {
	m := f.m
	lines := m.candidateLines(90)
	names := make([]string, len(lines))
	for _, name := range roles[:2] {
		if l, ok := hand[name]; ok {
			lines, names = append(lines, l), append(names, name)
		}
	}
	var centre geometry.Vec2
	for _, q := range inner {
		centre = centre.Add(q.Mul(1 / float64(len(inner))))
	}
	type side struct {
		l    planeLine
		e    evidence
		name string
	}
	var sides []side
	for k, l := range lines {
		l, ok := l.facing(inner)
		if !ok {
			continue
		}
		sides = append(sides, side{l, m.gatherEvidence(l), names[k]})
	}
	// one end alone ends somewhere: the better direction counts
	strength := func(s *side, from, up geometry.Vec2) float64 {
		best, sum := 0.0, 0.0
		for _, d := range []geometry.Vec2{up, up.Mul(-1)} {
			b := m.along(&s.e, from, d, 0)
			v := b.Score * b.Support * math.Min(1, b.Length/200)
			best = math.Max(best, v)
			sum += v
		}
		return best + 0.5*(sum-best)
	}
	var out []edgePair
	for i := range sides {
		for j := range sides[:i] {
			a, b := &sides[i], &sides[j]
			if a.l.N.Dot(b.l.N) > -0.999 {
				continue
			}
			up := a.l.N.Perp().Sub(b.l.N.Perp()).Unit()
			if !f.upright(up, centre) {
				a, b, up = b, a, up.Mul(-1)
			}
			if (a.name != "" && a.name != "left") || (b.name != "" && b.name != "right") {
				continue
			}
			_, needL := hand["left"]
			_, needR := hand["right"]
			if needL && a.name == "" || needR && b.name == "" {
				continue
			}
			e := edgePair{left: a.l, right: b.l, up: up, byHand: [2]bool{a.name != "", b.name != ""}}
			da, db := a.l.N.Dot(centre)-a.l.D, b.l.N.Dot(centre)-b.l.D
			if e.width = da + db; e.width < 80 || e.width > 4000 {
				continue
			}
			e.origin = centre.Add(a.l.N.Mul((db - da) / 2))
			e.score = math.Min(strength(a, centre.Sub(a.l.N.Mul(da)), up), strength(b, centre.Sub(b.l.N.Mul(db)), up))
			if e.score > 0.15 || a.name != "" || b.name != "" {
				out = append(out, e)
			}
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].score > out[j].score })
	return out
}

// upright reports whether a direction of the plane at q points up in the
// upright photo, or left where it runs level.
func (f *laceFinder) upright(up, q geometry.Vec2) bool {
	a, ok1 := f.view.Project(q)
	b, ok2 := f.view.Project(q.Add(up))
	if !ok1 || !ok2 {
		return true
	}
	d := f.p.UprightOf(b).Sub(f.p.UprightOf(a))
	if math.Abs(d.Y) > 0.4*math.Abs(d.X) {
		return d.Y < 0
	}
	return d.X < 0
}

// grid samples ln of light at places of the plane: n places from q every step
// along d; NaN outside the photo and on cards.
func (f *laceFinder) row(q, d geometry.Vec2, step float64, out []float64) {
	const every = 24 // samples between exact projections
	n := len(out)
	var a geometry.Vec2
	var okA bool
	for i := 0; i < n; i += every {
		if i == 0 {
			a, okA = f.view.Project(q)
		}
		b, okB := f.view.Project(q.Add(d.Mul(step * float64(i+every))))
		for k := i; k < min(n, i+every); k++ {
			out[k] = math.NaN()
			if !okA || !okB {
				continue
			}
			t := float64(k-i) / every
			if v, in := f.look.sample(a.Add(b.Sub(a).Mul(t))); in {
				out[k] = lnLight(v)
			}
		}
		a, okA = b, okB
	}
	for i := 0; i < n; i += 8 {
		if f.blocked(q.Add(d.Mul(step * float64(i)))) {
			for k := max(0, i-8); k < min(n, i+8); k++ {
				out[k] = math.NaN()
			}
		}
	}
}

// lnLight is the logarithm of a grey level's light, but for the darkest, where
// noise would rule.
func lnLight(g float64) float64 {
	i := min(int(g), 254)
	t := g - float64(i)
	return math.Log(lightOf[i]*(1-t) + lightOf[i+1]*t + 0.02*lightOf[255])
}

// band is where a row of hooks lies: about y up from the pair's origin.
type band struct {
	pair         edgePair
	y            float64
	pitch, score float64
}

// findBand looks up and down the belt for the row of hooks: the place where the
// light repeats across the belt over its whole width.
func (f *laceFinder) findBand(e edgePair) *band {
	across := e.up.Perp().Mul(-1)
	top, bottom := f.m.lastInside(e.origin, e.up), f.m.lastInside(e.origin, e.up.Mul(-1))
	y0, y1 := -e.origin.Sub(bottom).Norm(), top.Sub(e.origin).Norm()
	y0, y1 = math.Max(y0, -f.reach(e, e.up.Mul(-1))), math.Min(y1, f.reach(e, e.up))
	const step, deep = 0.4, 4.0
	n := int(e.width / step)
	if n < 100 || n > 20000 {
		return nil
	}
	type line struct{ y, score, pitch float64 }
	var all []line
	sum, cnt, row := make([]float64, n), make([]float64, n), make([]float64, n)
	for y := y0; y < y1; y += deep {
		clear(sum)
		clear(cnt)
		seen := 0
		for k := 0.0; k < 4; k++ {
			f.row(e.origin.Add(e.up.Mul(y+k*deep/4)).Sub(across.Mul(e.width/2)), across, step, row)
			for i, v := range row {
				if !math.IsNaN(v) {
					sum[i] += v
					cnt[i]++
					seen++
				}
			}
		}
		prof := make([]float64, n)
		for i := range prof {
			if prof[i] = sum[i] / cnt[i]; cnt[i] < 3 {
				prof[i] = math.NaN()
			}
		}
		l := line{y: y + deep*3/8}
		if seen > 3*n { // clear of cards over most of the width
			l.pitch, l.score = hooks.Even(prof, step, e.width)
		}
		all = append(all, l)
	}
	best, at := 0.0, -1
	for i := 2; i+2 < len(all); i++ {
		s := 0.0
		for k := i - 2; k <= i+2; k++ {
			s += all[k].score / 5
		}
		if s > best {
			best, at = s, i
		}
	}
	if at < 0 {
		return nil
	}
	// the middle of the run that is as good
	var num, den float64
	for i := max(0, at-15); i < min(len(all), at+16); i++ {
		if w := all[i].score - 0.4*all[at].score; w > 0 {
			num, den = num+w*all[i].y, den+w
		}
	}
	b := &band{pair: e, y: all[at].y, pitch: all[at].pitch, score: best}
	if den > 0 {
		b.y = num / den
	}
	return b
}

// reach is how far from the pair's origin the belt goes on along d: to where
// neither edge is seen any more, but for short gaps as beside a tile's joint, and as
// much as loops stand out beyond a cut.
func (f *laceFinder) reach(e edgePair, d geometry.Vec2) float64 {
	const window, loops, gap = 100.0, 40.0, 100.0
	far := 0.0
	for _, line := range []planeLine{e.left, e.right} {
		ev := f.m.gatherEvidence(line)
		from := e.origin.Sub(line.N.Mul(line.N.Dot(e.origin) - line.D))
		seen := 0.0 // so far
		for t := 0.0; t < 20000 && t <= seen+gap; t += 20 {
			b := f.m.along(&ev, from.Add(d.Mul(t)), d, window)
			if b.Length < window/2 { // the photo ends
				seen = math.Inf(1)
				break
			}
			if b.Support >= 0.3 {
				seen = t + 20
			}
		}
		far = math.Max(far, seen+loops)
	}
	return far
}

// legSpan is how far from the hinge line hooks are looked for, mm.
const legSpan = 45.0

// read finds the hinge line and reads both rows.
func (f *laceFinder) read(b *band) (*Laced, error) {
	e := b.pair
	l := &Laced{Light: f.m.Belt[0], Up: e.up, Along: e.up.Perp().Mul(-1), Mid: e.origin.Add(e.up.Mul(b.y))}
	var alone [2]bool
	var legs [2]float64
	pitch := f.legPitch(l, e, b.pitch)
	only := f.onlySide(l, e)
	for round := 0; round < 3; round++ {
		var err error
		if legs, alone, err = f.hinge(l, e, pitch, only, round == 2); err != nil {
			return nil, err
		}
	}
	pxmm := pixelAcross(f.view, l.Mid, l.Along)
	for k := range alone {
		if alone[k] && f.goesOn(l, e, 2*float64(k)-1) {
			return nil, unclearHooks("one_side")
		}
	}
	for k := range l.Sides {
		if alone[1-k] {
			continue // only the other end is there
		}
		l.Sides[k] = &LacedSide{PxMM: pxmm, LegFrom: 0.42 * legs[k], LegTo: 0.92 * legs[k]}
		for i, line := range []planeLine{e.left, e.right} {
			t := l.Sides[k].edge(i)
			if err := f.trace(l, line, l.up(k), t, i, true); err != nil {
				return nil, err
			}
			t.ByHand = e.byHand[i]
		}
	}
	if err := f.meet(l, e); err != nil {
		return nil, err
	}
	for k, s := range l.Sides {
		if s == nil {
			continue
		}
		if err := f.side(l, s, 1-2*float64(k), legs[k]); err != nil {
			var u *hooks.Unclear
			if errors.As(err, &u) {
				return nil, unclearHooks(u.Why)
			}
			return nil, err
		}
	}
	for k, s := range l.Sides {
		if s == nil || alone[k] {
			continue
		}
		// meshed rows end within a pitch of each other
		o, p := l.Sides[1-k], s.Row.Pitch
		h, g := s.Row.Hooks, o.Row.Hooks
		if math.Abs(h[0].At-g[0].At) > 1.3*p || math.Abs(h[len(h)-1].At-g[len(g)-1].At) > 1.3*p {
			return nil, unclearHooks("ends_early")
		}
		break
	}
	if a, c := l.Sides[0], l.Sides[1]; a != nil && c != nil && math.Abs(a.Row.Pitch/c.Row.Pitch-1) > 0.03 {
		return nil, unclearHooks("pitches")
	}
	return l, nil
}

// legPitch is the pitch of the legs next to the middle of the band: in it, where
// the rows mesh, hooks of both sides follow each other at half of it.
func (f *laceFinder) legPitch(l *Laced, e edgePair, pitch float64) float64 {
	const step = 0.3
	best := 0.0
	row := make([]float64, int(e.width/step))
	for _, sign := range []float64{1, -1} {
		sum := make([]float64, len(row))
		n := 0.0
		for t := 8.0; t <= 16; t += 2 {
			f.row(l.At(-e.width/2, sign*t), l.Along, step, row)
			for i, v := range row {
				sum[i] += v // what is not seen in one is not seen
			}
			n++
		}
		for i := range sum {
			sum[i] /= n
		}
		if p, share := hooks.Even(sum, step, e.width); share > math.Max(best, 0.2) {
			best, pitch = share, p
		}
	}
	return pitch
}

// edgesBeyond is how well the belt's two edges are seen from 20 mm off the hinge
// line on, up or down from it: the worse and the better one's support. What is
// not in the photo counts as seen.
func (f *laceFinder) edgesBeyond(l *Laced, e edgePair, sign float64) (worse, better float64) {
	hinge := lineThrough(l.Mid, l.At(100, 0), l.Up)
	worse = 1
	for _, line := range []planeLine{e.left, e.right} {
		corner, ok := line.meet(hinge)
		if !ok {
			return 0, 0
		}
		d := l.Up.Mul(sign)
		ev := f.m.gatherEvidence(line)
		b := f.m.along(&ev, corner.Add(d.Mul(20)), d, 0)
		seen := 1.0
		if b.Length > 40 {
			if seen = b.Support; b.Score < leastScore {
				seen = math.Min(seen, 0.5)
			}
		}
		worse, better = math.Min(worse, seen), math.Max(better, seen)
	}
	return worse, better
}

// goesOn tells whether both edges of the belt go on beyond the hinge line.
func (f *laceFinder) goesOn(l *Laced, e edgePair, sign float64) bool {
	worse, _ := f.edgesBeyond(l, e, sign)
	return worse >= 0.6
}

// onlySide is the side of one laced end alone: 0 up from the hooks, 1 down, where
// both edges of the belt go on to there and neither does to the other side; or -1.
func (f *laceFinder) onlySide(l *Laced, e edgePair) int {
	for k, sign := range []float64{1, -1} {
		if _, better := f.edgesBeyond(l, e, -sign); better < 0.4 && f.goesOn(l, e, sign) {
			return k
		}
	}
	return -1
}

// hinge puts the joint's frame onto the hinge line and returns how long the legs
// are on both sides, and whether one end lies there alone. The comb's wave has
// one phase on the one side and another on the other: where it turns from one to
// the other is the hinge line. One end alone ends with its loops there: where
// only is not negative, it is the side on which the belt lies.
func (f *laceFinder) hinge(l *Laced, e edgePair, pitch float64, only int, last bool) (legs [2]float64, alone [2]bool, err error) {
	const step, fine = 0.3, 0.5
	n := int(e.width / step)
	rows := int(2*legSpan/fine) + 1
	prof := make([][]float64, rows)
	for r := range prof {
		prof[r] = make([]float64, n)
		t := (float64(r) - float64(rows/2)) * fine
		f.row(l.At(-e.width/2, t), l.Along, step, prof[r])
	}
	seg := int(math.Max(8*pitch, 70) / step)
	hop := seg / 4
	if seg > n/2 {
		seg, hop = n/2, n/8
	}
	type crossing struct{ s, t, w float64 }
	var found []crossing
	var size [2][]float64 // the waves of either side by distance from the middle
	mean := make([]float64, rows)
	for from := 0; from+seg <= n; from += max(1, hop) {
		c := make([]complex128, rows)
		for r := range c {
			c[r] = hooks.Wave(prof[r][from:from+seg], step, pitch)
		}
		if only >= 0 {
			for r := range c {
				mean[r] += cmplx.Abs(c[r])
			}
			if t, w, ok := loops(c, fine, 1-2*only); ok {
				found = append(found, crossing{s: (float64(from)+float64(seg)/2)*step - e.width/2, t: t, w: w})
			}
			continue
		}
		// both sides' waves, away from the middle
		var up, down complex128
		var wu, wd float64
		for r := range c {
			t := (float64(r) - float64(rows/2)) * fine
			switch a := cmplx.Abs(c[r]); {
			case t > 4 && t < 26:
				up += c[r]
				wu += a
			case t < -4 && t > -26:
				down += c[r]
				wd += a
			}
		}
		size[0], size[1] = append(size[0], cmplx.Abs(up)), append(size[1], cmplx.Abs(down))
		for r := range c {
			mean[r] += cmplx.Abs(c[r])
		}
		if wu == 0 || wd == 0 {
			continue
		}
		found = append(found, crossing{s: (float64(from)+float64(seg)/2)*step - e.width/2, w: cmplx.Abs(up) + cmplx.Abs(down)})
		k := &found[len(found)-1]
		eu, ed := unit(up), unit(down)
		single := math.Min(cmplx.Abs(up), cmplx.Abs(down)) < 0.35*math.Max(cmplx.Abs(up), cmplx.Abs(down))
		d := make([]float64, rows)
		for r := range c {
			if single {
				main := eu
				if cmplx.Abs(down) > cmplx.Abs(up) {
					main = ed
				}
				d[r] = real(c[r] * cmplx.Conj(main))
			} else {
				d[r] = real(c[r]*cmplx.Conj(eu)) - real(c[r]*cmplx.Conj(ed))
			}
		}
		best, ok := turning(smoothed(d, 1), fine, single, cmplx.Abs(down) > cmplx.Abs(up))
		if k.t = best; !ok {
			found = found[:len(found)-1]
		}
	}
	if len(found) < 4 {
		return legs, alone, unclearHooks("hinge_covered")
	}
	// a line through them, without those that stray
	a, sl := 0.0, 0.0
	keep := found
	for round := 0; round < 5; round++ {
		var sw, sx, sy, sxx, sxy float64
		for _, k := range keep {
			sw, sx, sy, sxx, sxy = sw+k.w, sx+k.w*k.s, sy+k.w*k.t, sxx+k.w*k.s*k.s, sxy+k.w*k.s*k.t
		}
		if den := sw*sxx - sx*sx; den > 0 {
			sl = (sw*sxy - sx*sy) / den
			a = (sy - sl*sx) / sw
		}
		var dev []float64
		for _, k := range found {
			dev = append(dev, math.Abs(k.t-a-sl*k.s))
		}
		limit := math.Max(1.5, 3.5*median(append([]float64(nil), dev...)))
		keep = nil
		for i, k := range found {
			if dev[i] < limit {
				keep = append(keep, k)
			}
		}
	}
	if float64(len(keep)) < 0.6*float64(len(found)) {
		return legs, alone, unclearHooks("hinge_bent")
	}
	if last {
		l.Line = l.Line[:0]
		for _, k := range keep {
			q := l.At(k.s, k.t)
			if uv, ok := f.view.Project(q); ok {
				l.Line = append(l.Line, EdgePoint{UV: uv, Plane: q, T: k.s + e.width/2, Step: 1})
			}
		}
	}
	mid, at := l.At(0, a), l.At(100, a+100*sl)
	l.Along = at.Sub(mid).Unit()
	l.Up = l.Along.Perp()
	l.Mid = mid
	if only >= 0 {
		alone[only] = true
	} else {
		mu, md := median(size[0]), median(size[1])
		alone[0], alone[1] = md < 0.3*mu, mu < 0.3*md
	}
	// legs end where the wave falls to half of what it is on the legs
	zero := rows/2 + int(math.Round(a/fine))
	for k := range legs {
		sign := 1 - 2*k
		var on []float64
		for r := 8; r < 24; r++ {
			if i := zero + sign*r; i >= 0 && i < rows {
				on = append(on, mean[i])
			}
		}
		level := median(on)
		for r := 16; ; r++ {
			i := zero + sign*r
			if i < 1 || i >= rows-1 || mean[i] < 0.5*level {
				legs[k] = float64(r) * fine
				break
			}
		}
	}
	return legs, alone, nil
}

// loops is where the loops of one end alone end: beyond its legs, away from the
// belt, the wave falls below half of what it is on them. sign is +1 where the
// belt lies up from there. w is how strong the wave is.
func loops(c []complex128, step float64, sign int) (t, w float64, ok bool) {
	zero := len(c) / 2
	reach := int(30 / step)
	var sum complex128
	for r := -reach; r <= reach; r++ {
		sum += c[zero+r]
	}
	main := unit(sum)
	d := make([]float64, len(c))
	most := 0.0
	for r := range d {
		d[r] = real(c[r] * cmplx.Conj(main))
		most = math.Max(most, d[r])
	}
	d = smoothed(d, 1)
	var on []float64
	for _, v := range d[zero-reach : zero+reach+1] {
		if v > 0.5*most {
			on = append(on, v)
		}
	}
	if len(on) < int(5/step) {
		return 0, 0, false
	}
	level := median(on)
	// the legs' middle, then outwards
	var num, den float64
	for r := -reach; r <= reach; r++ {
		if v := d[zero+r]; v > 0.5*level {
			num, den = num+v*float64(r), den+v
		}
	}
	for i := zero + int(math.Round(num/den)); i > 1 && i < len(d)-2; i -= sign {
		if o := d[i-sign]; o < level/2 && d[i] >= level/2 {
			return (float64(i-zero) - float64(sign)*(d[i]-level/2)/(d[i]-o)) * step, level * den, true
		}
	}
	return 0, 0, false
}

// turning is where the wave turns from the one side's to the other's: midway
// between the ends of both sides' loops, where it rises above half of what it is
// on the legs. One side alone ends with its loops. Rows are step apart with 0
// in their middle; the place is given from there.
func turning(d []float64, step float64, single, down bool) (t float64, ok bool) {
	n := len(d)
	zero := n / 2
	plateau := func(sign int) float64 {
		var all []float64
		for r := int(8 / step); r < int(18/step); r++ {
			all = append(all, d[zero+sign*r])
		}
		return median(all)
	}
	// first place, from the far side inwards, where the wave falls below half
	leave := func(sign int) (float64, bool) {
		half := plateau(sign) / 2
		for r := int(12 / step); r > -int(12/step); r-- {
			i := zero + sign*r
			if d[i]/half < 1 {
				o := d[i+sign]
				return float64(sign) * (float64(r) + (half-d[i])/(o-d[i])) * step, true
			}
		}
		return 0, false
	}
	if single {
		if down {
			return leave(-1)
		}
		return leave(1)
	}
	a, ok1 := leave(1)
	b, ok2 := leave(-1)
	return (a + b) / 2, ok1 && ok2
}

func unit(c complex128) complex128 {
	if a := cmplx.Abs(c); a > 0 {
		return c / complex(a, 0)
	}
	return 0
}

// smoothed is a running mean over 2n+1.
func smoothed(v []float64, n int) []float64 {
	out := make([]float64, len(v))
	for i := range v {
		k := 0.0
		for j := max(0, i-n); j <= min(len(v)-1, i+n); j++ {
			out[i] += v[j]
			k++
		}
		out[i] /= k
	}
	return out
}

// up is the direction up the belt of a side.
func (l *Laced) up(k int) geometry.Vec2 { return l.Up.Mul(1 - 2*float64(k)) }

// edge is a side's left or right edge.
func (s *LacedSide) edge(i int) *Trace {
	if i == 0 {
		return &s.Left
	}
	return &s.Right
}

// mostApart is how far the edges of two ends may be apart at the hinge line, mm:
// twice what is remarked on, and as much for what the traces are off.
const mostApart = 8.0

// meet compares the edges of both ends, which make almost one line. Where they
// do not meet at the hinge line, one of them was followed along something else:
// it is traced again beside the other's line.
func (f *laceFinder) meet(l *Laced, e edgePair) error {
	a, b := l.Sides[0], l.Sides[1]
	if a == nil || b == nil {
		for _, s := range l.Sides {
			if s != nil && math.Abs(l.crossing(&s.Right)-l.crossing(&s.Left)-e.width) > 0.02*e.width+6 {
				return unclearEdges()
			}
		}
		return nil
	}
	for i := range 2 {
		for k, s := range l.Sides { // a shadow's border instead of the edge?
			o := l.Sides[1-k].edge(i)
			t := Trace{ByHand: e.byHand[i]}
			if s.edge(i).Soft && !o.Soft && f.trace(l, lineOfTrace(o, []planeLine{e.left, e.right}[i].N), l.up(k), &t, i, false) == nil && !t.Soft && t.Support >= s.edge(i).Support {
				*s.edge(i) = t
			}
		}
		if math.Abs(l.crossing(a.edge(i))-l.crossing(b.edge(i))) < mostApart {
			continue
		}
		best := -1.0
		var again [2]Trace
		for k := range l.Sides { // which goes by the other's line?
			o := l.Sides[1-k]
			t := Trace{ByHand: e.byHand[i]}
			if f.trace(l, lineOfTrace(o.edge(i), []planeLine{e.left, e.right}[i].N), l.up(k), &t, i, false) != nil {
				continue
			}
			if math.Abs(l.crossing(&t)-l.crossing(o.edge(i))) < mostApart && math.Min(t.Support, o.edge(i).Support) > best {
				best = math.Min(t.Support, o.edge(i).Support)
				again[k], again[1-k] = t, *o.edge(i)
			}
		}
		if best < 0.5 {
			return unclearEdges()
		}
		*a.edge(i), *b.edge(i) = again[0], again[1]
	}
	return nil
}

func unclearEdges() error {
	return refuse("edge_unclear", "hooks_faint")
}

// crossing is where a trace's straight line crosses the hinge line.
func (l *Laced) crossing(t *Trace) float64 {
	if p, ok := lineOfTrace(t, l.Along).meet(lineThrough(l.Mid, l.At(100, 0), l.Up)); ok {
		return p.Sub(l.Mid).Dot(l.Along)
	}
	return math.NaN()
}

// lineOfTrace is a straight line through a trace, its normal on the side of n.
func lineOfTrace(t *Trace, n geometry.Vec2) planeLine {
	q := make([]geometry.Vec2, len(t.Points))
	for i := range q {
		q[i] = t.Points[i].Plane
	}
	c, d := fitLine2(q)
	return lineThrough(c, c.Add(d.Mul(100)), n)
}

// side reads the hooks of one end; sign is +1 for the end up from the hinge line.
func (f *laceFinder) side(l *Laced, s *LacedSide, sign, leg float64) error {
	pxmm := s.PxMM
	mid := sign * (s.LegFrom + s.LegTo) / 2
	s.EdgeL, s.EdgeR = l.edge(&s.Left, mid), l.edge(&s.Right, mid)
	s.EndL, s.EndR = l.edge(&s.Left, 0), l.edge(&s.Right, 0)
	s.EdgeSD = math.Max(nearScatter(&s.Left), nearScatter(&s.Right))
	width := s.EdgeR - s.EdgeL
	const bands = 4
	strip := hooks.Strip{From: s.EdgeL - 8, Step: math.Max(0.1, 0.4*pxmm), Left: s.EdgeL, Right: s.EdgeR, Pixel: pxmm, Wire: f.wire, Hue: f.look != f.p, Dark: l.Light < blackBelt}
	if f.sharp.Blur < ShakenBlur {
		strip.Blur = f.sharp.Blur * pxmm
	}
	n := int((width + 16) / strip.Step)
	one := func(from, to float64) []float64 {
		sum, cnt, row := make([]float64, n), make([]float64, n), make([]float64, n)
		rows := max(3, int((to-from)/(0.5*pxmm)))
		for r := 0; r < rows; r++ {
			t := sign * (from + (to-from)*(float64(r)+0.5)/float64(rows))
			f.row(l.At(strip.From, t), l.Along, strip.Step, row)
			for i, v := range row {
				if !math.IsNaN(v) {
					sum[i] += v
					cnt[i]++
				}
			}
		}
		for i := range sum {
			if sum[i] /= cnt[i]; cnt[i] < 0.7*float64(rows) {
				sum[i] = math.NaN()
			}
		}
		within(sum, strip.From, strip.Step, s.EdgeL+math.Max(0.6, 1.5*pxmm), s.EdgeR-math.Max(0.6, 1.5*pxmm))
		return sum
	}
	for b := 0; b < bands; b++ {
		from := s.LegFrom + (s.LegTo-s.LegFrom)*float64(b)/bands
		to := s.LegFrom + (s.LegTo-s.LegFrom)*float64(b+1)/bands
		strip.Bands, strip.Out = append(strip.Bands, one(from, to)), append(strip.Out, (from+to)/2)
	}
	strip.Beyond = one(leg+3, leg+9)
	strip.Root = one(0.32*leg, 0.42*leg)
	row, err := hooks.Read(strip)
	if err != nil {
		return err
	}
	if sign < 0 {
		for i := range row.Hooks {
			row.Hooks[i].Turn = -row.Hooks[i].Turn
		}
	}
	for i := range row.Hooks {
		h := &row.Hooks[i]
		h.At += f.leans(l, h.At, mid, sunkAxis*row.Wire)
		h.Root += f.leans(l, h.Root, 0, sunkAxis*row.Wire)
	}
	s.Row = *row
	return nil
}

// blackBelt is the light of a belt (Laced.Light) that is black; grey ones have -80 to -30.
const blackBelt = -120

// ShakenBlur is a blur, px, beyond which a photo is shaken: that runs one way and cannot
// be taken off like a lens'.
const ShakenBlur = 1.5

// sunkAxis is how high a wire's axis lies above the belt, in diameters: a third to
// half of a finished joint's wire is in it.
const sunkAxis = 0.09

// leans is by how much what lies z above the plane and is seen at a place of it stands
// to the right of that place.
func (f *laceFinder) leans(l *Laced, s, t, z float64) float64 {
	q := l.At(s, t)
	uv, ok := f.view.Project(q)
	if !ok {
		return 0
	}
	p, ok := f.view.UnprojectAt(uv, z)
	if !ok {
		return 0
	}
	return p.Sub(q).Dot(l.Along)
}

// within fills what lies beyond the belt's edges with the belt's own light.
func within(v []float64, from, step, left, right float64) {
	lo, hi := int((left-from)/step)+1, int((right-from)/step)
	if lo < 0 || hi >= len(v) || hi-lo < 20 {
		return
	}
	w := min(int(20/step), (hi-lo)/2)
	fill := func(a, b, c, d int) {
		var all []float64
		for _, x := range v[a:b] {
			if !math.IsNaN(x) {
				all = append(all, x)
			}
		}
		m := median(all)
		for i := c; i < d; i++ {
			v[i] = m
		}
	}
	fill(lo, lo+w, 0, lo)
	fill(hi-w, hi, hi, len(v))
}

// trace follows one edge of one end from the hinge line on. The line is coarse
// and looked for around it, or else close.
func (f *laceFinder) trace(l *Laced, line planeLine, up geometry.Vec2, t *Trace, k int, coarse bool) error {
	hinge := lineThrough(l.Mid, l.At(100, 0), l.Up)
	corner, ok := line.meet(hinge)
	if !ok {
		return refuse("edge_unclear", "hooks_no_belt").of(k)
	}
	b := boundary{Line: line, From: corner}
	d := line.dir()
	if d.Dot(up) < 0 {
		d = d.Mul(-1)
	}
	b.To = f.m.lastInside(corner.Add(d.Mul(6)), d)
	b.From = corner.Add(d.Mul(4))
	if b.To.Sub(b.From).Norm() < 40 {
		return refuse("edge_out_of_frame", "hooks").of(k)
	}
	pic, sharp, err := lookAcross(f.p, f.view, &b, f.sharp, besideHooks, f.blocked)
	if err != nil {
		return err
	}
	var pts []tracePoint
	reaches := [2]float64{6, 5}
	if coarse {
		reaches = [2]float64{10, 6}
		for _, reach := range []float64{16, 8} {
			b = f.m.align(b, reach)
		}
	}
	for round, reach := range reaches {
		how := search{course: straight, reach: reach, sharp: sharp, share: innerShare[k], last: round == 1}
		pts, t.Soft = traceBest(pic, f.view, b, how, f.blocked)
		if len(pts) < 8 {
			return refuse("edge_unclear", "hooks_faint").of(k)
		}
		fitBoundary(&b, pts)
		c, ok := b.Line.meet(hinge)
		if !ok {
			return refuse("edge_unclear", "hooks_no_belt").of(k)
		}
		dir := b.Line.dir()
		if dir.Dot(up) < 0 {
			dir = dir.Mul(-1)
		}
		b.From = c.Add(dir.Mul(4))
		b.To = f.m.lastInside(b.From, dir)
	}
	if t.fill(f.view, &b, pts, f.blocked); t.Support < 0.3 {
		return refuse("edge_unclear", "hooks_faint").of(k)
	}
	return nil
}

// besideHooks is alikeLight for the belt's edges here: beside a belt as light as the
// ground the shadow's edge is the sharper one, and a tenth of a millimetre is enough.
const besideHooks = 25.0

// nearEdge is the run of an edge next to the hooks that says where it is.
const nearEdge = 90.0

// edge is where a trace is at a distance t from the hinge line, along it.
func (l *Laced) edge(tr *Trace, t float64) float64 {
	var x, y []float64
	reach := nearEdge
	for len(x) < 8 && reach < 2000 {
		x, y = nil, nil
		for _, q := range tr.Points {
			d := q.Plane.Sub(l.Mid)
			if v := d.Dot(l.Up); math.Abs(v-t) < reach {
				x, y = append(x, v-t), append(y, d.Dot(l.Along))
			}
		}
		reach *= 1.5
	}
	if len(x) == 0 {
		return math.NaN()
	}
	med := median(append([]float64(nil), y...))
	var sx, sy, sxx, sxy, n float64
	for i := range x {
		if math.Abs(y[i]-med) > 6 {
			continue
		}
		n++
		sx, sy, sxx, sxy = sx+x[i], sy+y[i], sxx+x[i]*x[i], sxy+x[i]*y[i]
	}
	if d := n*sxx - sx*sx; d > 0 && n > 2 {
		b := (n*sxy - sx*sy) / d
		return (sy - b*sx) / n
	}
	return med
}

// nearScatter is the scatter of a trace's points next to the hooks about their
// run, mm.
func nearScatter(tr *Trace) float64 {
	var dev []float64
	for i := 2; i < len(tr.Points) && tr.Points[i].T < 1.5*nearEdge; i++ {
		a, b, c := tr.Points[i-2].Plane, tr.Points[i-1].Plane, tr.Points[i].Plane
		d := c.Sub(a).Unit()
		dev = append(dev, math.Abs(d.Cross(b.Sub(a))))
	}
	if len(dev) < 3 {
		return 0.5
	}
	return median(dev) / 0.6745 / math.Sqrt(1.5)
}
