package vision

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"

	"beltend/geometry"
	"beltend/vision/aruco"
	"beltend/vision/photo"
)

// Corner is an observed corner of a card.
type Corner struct {
	Board geometry.Vec2 // board frame, mm as printed by the definition
	UV    geometry.Vec2 // working picture
	Sigma float64       // px
}

// Card is a reference seen in a photo.
type Card struct {
	Name    string // "card 3", "marker 17"; the same name in two photos is the same card
	Corners []Corner
	Size    geometry.Vec2 // of the board, mm
	Margin  float64       // of the sheet around the board that belongs to it, mm
	Blur    float64       // median edge spread sigma, px
	Ring    Ring
	Markers int
	Plain   bool // a plain sheet: its size is as paper is cut, not as it was printed
}

// References says which references to look for. The zero value means the
// project's own cards.
type References struct {
	Board   *geometry.Board // one board of this kind
	Markers *geometry.Loose // loose markers
	// Sheet is a plain sheet that serves where no card is seen.
	Sheet *geometry.PlainSheet
}

// FindCards finds the reference cards and their corners to sub-pixel. It
// returns a *photo.Error with code no_card, card_repeated, blurred or not_flat.
func FindCards(p *Picture, refs References) ([]Card, error) {
	dict := geometry.CardDict
	switch {
	case refs.Board != nil:
		dict = refs.Board.Dict
	case refs.Markers != nil:
		dict = refs.Markers.Dict
	}
	// A narrow window of the threshold finds nearly everything; a wide one, for
	// half as much time again, what is blurred.
	cards, err := findCards(p, refs, dict, narrowWindow)
	var none *photo.Error
	if errors.As(err, &none) && none.Code == "no_card" {
		cards, err = findCards(p, refs, dict, wideWindow)
	}
	if refs.Sheet != nil && errors.As(err, &none) && none.Code == "no_card" {
		sheet, err := findSheet(p, *refs.Sheet)
		if err != nil {
			return nil, err
		}
		return []Card{sheet}, nil
	}
	return cards, err
}

// Windows of the adaptive threshold, px of the picture that is searched.
const (
	narrowWindow = 7
	wideWindow   = 27
)

// wholeSearch is the number of pixels below which markers are searched at full
// size: at half size those of a card across a wide belt would be too small.
const wholeSearch = 6e6

// findMarkers finds the markers of a dictionary, in full pixels.
func findMarkers(p *Picture, dict string, window int) ([]aruco.Marker, error) {
	o := aruco.Options{WindowMin: window, WindowMax: window, MinPerimeterRate: 0.015}
	if p.W*p.H < wholeSearch {
		return aruco.Detect(p.Grey, p.W, p.H, dict, o)
	}
	half := p.half()
	defer half.Close()
	pixels, err := half.DataPtrUint8()
	if err != nil {
		return nil, err
	}
	markers, err := aruco.Detect(pixels, half.Cols(), half.Rows(), dict, o)
	for i := range markers {
		for k := range markers[i].Corners {
			c := &markers[i].Corners[k]
			c.X, c.Y = 2*c.X+0.5, 2*c.Y+0.5
		}
	}
	return markers, err
}

func findCards(p *Picture, refs References, dict string, window int) ([]Card, error) {
	markers, err := findMarkers(p, dict, window)
	if err != nil {
		return nil, fmt.Errorf("finding markers: %w", err)
	}
	if refs.Markers != nil {
		return looseMarkers(p, *refs.Markers, markers)
	}
	groups := map[int][]aruco.Marker{}
	for _, m := range markers {
		n := geometry.CardNumber(m.ID)
		if refs.Board != nil {
			n = 0
			if m.ID < refs.Board.FirstID || m.ID >= refs.Board.FirstID+refs.Board.MarkerCount() {
				continue
			}
		} else if n == 0 {
			continue
		}
		groups[n] = append(groups[n], m)
	}
	var numbers []int
	for n := range groups {
		numbers = append(numbers, n)
	}
	sort.Ints(numbers)
	var cards []Card
	partly := 0
	for _, n := range numbers {
		var board geometry.Board
		var name string
		var margin float64
		if refs.Board != nil {
			board, name, margin = *refs.Board, "board", 0.3*refs.Board.Square
		} else {
			board, err = geometry.Card(n)
			if err != nil {
				return nil, err
			}
			name, margin = fmt.Sprintf("card %d", n), 26
		}
		card, ok, repeated := fitCard(p, board, groups[n])
		if repeated {
			return nil, &photo.Error{Code: "card_repeated", Message: fmt.Sprintf("Reference %s is in the photo twice.", name), Advice: "Use each card number only once: take one of the two away, or print another number."}
		}
		if !ok {
			partly++
			continue
		}
		card.Name, card.Margin = name, margin
		cards = append(cards, card)
	}
	if len(cards) == 0 {
		msg := "No reference card was found in the photo."
		if partly > 0 || len(markers) > 0 {
			msg = "A reference card is in the photo, but too little of it is seen sharply."
		}
		return nil, &photo.Error{Code: "no_card", Message: msg, Advice: "Lay a printed card flat on the belt near the cut, whole in the picture, without glare, and take the photo again."}
	}
	return cards, nil
}

// fitCard takes markers of one board to sub-pixel saddle points.
func fitCard(p *Picture, b geometry.Board, markers []aruco.Marker) (card Card, ok, repeated bool) {
	seen := map[int]int{}
	for _, m := range markers {
		seen[m.ID]++
	}
	twice := 0
	for _, n := range seen {
		if n > 1 {
			twice++
		}
	}
	if twice >= 2 {
		return card, false, true
	}
	var src, dst []geometry.Vec2
	for _, m := range markers {
		if seen[m.ID] > 1 {
			continue
		}
		k := b.MarkerCorners(m.ID - b.FirstID)
		for i := range k {
			src, dst = append(src, k[i]), append(dst, m.Corners[i])
		}
	}
	if len(src) < 8 {
		return card, false, false
	}
	h, err := robustHomography(src, dst, 4)
	if err != nil {
		return card, false, false
	}
	radius := 0.8 * (b.Square - b.Marker) / 2
	pts := b.Saddles()
	marked, seenAt := slices.Clone(src), slices.Clone(dst)
	// The first round places the saddles by the markers' rough corners, the next
	// ones by the saddles found, so that every window sits right; they go on while
	// more are found, out from the few markers that a small picture shows.
	for round, found := 0, 0; round < 2 || (round < 6 && len(card.Corners) > found); round++ {
		found = len(card.Corners)
		src, dst = src[:0], dst[:0]
		card.Corners = card.Corners[:0]
		var blurs []float64
		bent := offPlane(h, marked, seenAt) > mostOffPlane
		for _, q := range pts {
			at, okh := h.ApplyH(q)
			dx, ok1 := h.ApplyH(q.Add(geometry.Vec2{X: 1}))
			dy, ok2 := h.ApplyH(q.Add(geometry.Vec2{Y: 1}))
			if !okh || !ok1 || !ok2 {
				continue
			}
			if bent { // where the markers around it are
				at = at.Add(aside(h, marked, seenAt, q))
			}
			s, fits := fitSaddle(p.Grey, p.W, p.H, at, dx.Sub(at), dy.Sub(at), radius)
			if !fits {
				continue
			}
			src, dst = append(src, q), append(dst, s.uv)
			card.Corners = append(card.Corners, Corner{Board: q, UV: s.uv, Sigma: s.sigma})
			blurs = append(blurs, s.blur)
		}
		if len(src) < 6 {
			return card, false, false
		}
		hh, err := robustHomography(src, dst, 2.5)
		if err != nil {
			return card, false, false
		}
		h = hh
		card.Blur = median(blurs)
	}
	// A few corners off the card's plane are dirty or covered; many mean that the
	// card is bent, which the adjustment must see.
	var kept []Corner
	for _, c := range card.Corners {
		if at, ok := h.ApplyH(c.Board); ok && at.Sub(c.UV).Norm() < 2.5 {
			kept = append(kept, c)
		}
	}
	if 4*len(kept) < 3*len(card.Corners) {
		kept = card.Corners
	}
	card.Corners = kept
	card.Size = geometry.Vec2{X: b.Width(), Y: b.Height()}
	card.Markers = len(markers)
	card.Ring = ringOf(p, kept, b.Square, (b.Square-b.Marker)/2, card.Blur)
	return card, len(kept) >= 6, false
}

// A card is bent where more than this share of its markers' corners lie further off
// its plane, as its saddles give it, than rough corners do, px: saddles are then looked
// for where the markers around them are, so that the adjustment sees the bend instead
// of the part that happens to be flat.
const (
	mostOffPlane = 0.25
	roughCorner  = 3.0
)

// offPlane is the share of corners further than that from where h puts them.
func offPlane(h geometry.Mat3, board, at []geometry.Vec2) float64 {
	off := 0.0
	for i, q := range board {
		if p, ok := h.ApplyH(q); !ok || p.Sub(at[i]).Norm() > roughCorner {
			off++
		}
	}
	return off / float64(len(board))
}

// aside is by how much the four corners nearest to a place of the board lie off where
// h puts them, px, in the mean.
func aside(h geometry.Mat3, board, at []geometry.Vec2, q geometry.Vec2) geometry.Vec2 {
	const nearest = 4
	order := make([]int, len(board))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(i, j int) int {
		return cmp.Compare(board[i].Sub(q).Norm(), board[j].Sub(q).Norm())
	})
	var sum geometry.Vec2
	n := 0.0
	for _, i := range order[:min(nearest, len(order))] {
		if p, ok := h.ApplyH(board[i]); ok {
			sum = sum.Add(at[i].Sub(p))
			n++
		}
	}
	return sum.Mul(1 / math.Max(1, n))
}

// looseMarkers takes single markers: their four corners, refined as corners of
// a black square on white by the two edges that meet there.
func looseMarkers(p *Picture, l geometry.Loose, markers []aruco.Marker) ([]Card, error) {
	seen := map[int]bool{}
	var cards []Card
	for _, m := range markers {
		name := fmt.Sprintf("marker %d", m.ID)
		if seen[m.ID] {
			return nil, &photo.Error{Code: "card_repeated", Message: fmt.Sprintf("Reference %s is in the photo twice.", name), Advice: "Use each marker number only once."}
		}
		seen[m.ID] = true
		c, ok := refineSquare(p, m.Corners)
		if !ok {
			continue
		}
		k := l.MarkerCorners()
		card := Card{Name: name, Size: geometry.Vec2{X: l.Side, Y: l.Side}, Margin: 0.25 * l.Side, Markers: 1, Blur: 1}
		for i := range k {
			card.Corners = append(card.Corners, Corner{Board: k[i], UV: c[i], Sigma: 0.15})
		}
		cards = append(cards, card)
	}
	if len(cards) == 0 {
		return nil, &photo.Error{Code: "no_card", Message: "No reference marker was found in the photo.", Advice: "Lay the markers flat on the belt near the cut, whole and sharp in the picture; check the dictionary named in the settings."}
	}
	return cards, nil
}

// refineSquare fits a line to each side of a dark square, searching along its
// normals, and returns the corners where the lines meet.
func refineSquare(p *Picture, c [4]geometry.Vec2) (out [4]geometry.Vec2, ok bool) {
	type line struct{ p, d geometry.Vec2 }
	var lines [4]line
	centre := c[0].Add(c[1]).Add(c[2]).Add(c[3]).Mul(0.25)
	for i := range c {
		a, b := c[i], c[(i+1)%4]
		d := b.Sub(a)
		n := d.Perp().Unit()
		if n.Dot(a.Add(b).Mul(0.5).Sub(centre)) < 0 {
			n = n.Mul(-1)
		}
		reach := math.Max(2.5, 0.06*d.Norm())
		var pts []geometry.Vec2
		for k := 0; k < 40; k++ {
			q := a.Add(d.Mul(0.12 + 0.76*float64(k)/39))
			if t, _, found := stepAlong(p, q, n, reach, 1); found {
				pts = append(pts, q.Add(n.Mul(t)))
			}
		}
		if len(pts) < 12 {
			return out, false
		}
		lp, ld := fitLine2(pts)
		lines[i] = line{lp, ld}
	}
	for i := range c {
		a, b := lines[(i+3)%4], lines[i]
		x := a.d.Cross(b.d)
		if math.Abs(x) < 1e-6 {
			return out, false
		}
		out[i] = a.p.Add(a.d.Mul(b.p.Sub(a.p).Cross(b.d) / x))
		if out[i].Sub(c[i]).Norm() > 6 {
			return out, false
		}
	}
	return out, true
}

// stepAlong finds the strongest step along n within +-reach of q, brightening
// with n when sign is 1: the place of the gradient's parabola peak, px. It looks
// at light, not at grey levels: the tone curve of a picture makes dark squares
// smaller, by half a pixel at each side of a marker on white paper.
func stepAlong(p *Picture, q, n geometry.Vec2, reach, sign float64) (t, strength float64, ok bool) {
	const dt = 0.5
	m := int(reach / dt)
	best, bi := 0.0, 0
	g := make([]float64, 2*m+1)
	for i := range g {
		at := float64(i-m) * dt
		a, ok1 := p.light(q.Add(n.Mul(at + 1)))
		b, ok2 := p.light(q.Add(n.Mul(at - 1)))
		if !ok1 || !ok2 {
			return 0, 0, false
		}
		g[i] = sign * (a - b)
		if g[i] > best {
			best, bi = g[i], i
		}
	}
	if best < 3 || bi == 0 || bi == len(g)-1 {
		return 0, 0, false
	}
	den := g[bi-1] - 2*g[bi] + g[bi+1]
	d := 0.0
	if den < 0 {
		d = 0.5 * (g[bi-1] - g[bi+1]) / den
	}
	return (float64(bi-m) + d) * dt, best, true
}

// lightOf is the light, 0 to 255, that a grey level stands for (the curve of
// IEC 61966-2-1, which phones' own curves follow roughly).
var lightOf = func() (t [256]float64) {
	for i := range t {
		v := float64(i) / 255
		if t[i] = 255 * v / 12.92; v > 0.04045 {
			t[i] = 255 * math.Pow((v+0.055)/1.055, 2.4)
		}
	}
	return t
}()

// light interpolates the picture's light bilinearly.
func (p *Picture) light(uv geometry.Vec2) (float64, bool) {
	if !(uv.X >= 0 && uv.Y >= 0 && uv.X < float64(p.W-1) && uv.Y < float64(p.H-1)) {
		return 0, false
	}
	x, y := int(uv.X), int(uv.Y)
	fx, fy := uv.X-float64(x), uv.Y-float64(y)
	i := y*p.W + x
	a := lightOf[p.Grey[i]]*(1-fx) + lightOf[p.Grey[i+1]]*fx
	b := lightOf[p.Grey[i+p.W]]*(1-fx) + lightOf[p.Grey[i+p.W+1]]*fx
	return a*(1-fy) + b*fy, true
}

// sample interpolates the grey picture bilinearly.
func (p *Picture) sample(uv geometry.Vec2) (float64, bool) {
	if !(uv.X >= 0 && uv.Y >= 0 && uv.X < float64(p.W-1) && uv.Y < float64(p.H-1)) {
		return 0, false
	}
	x, y := int(uv.X), int(uv.Y)
	fx, fy := uv.X-float64(x), uv.Y-float64(y)
	i := y*p.W + x
	a := float64(p.Grey[i])*(1-fx) + float64(p.Grey[i+1])*fx
	b := float64(p.Grey[i+p.W])*(1-fx) + float64(p.Grey[i+p.W+1])*fx
	return a*(1-fy) + b*fy, true
}

// fitLine2 returns a point and the direction of the orthogonal least-squares
// line.
func fitLine2(pts []geometry.Vec2) (p, d geometry.Vec2) {
	for _, q := range pts {
		p = p.Add(q)
	}
	p = p.Mul(1 / float64(len(pts)))
	var sxx, sxy, syy float64
	for _, q := range pts {
		e := q.Sub(p)
		sxx, sxy, syy = sxx+e.X*e.X, sxy+e.X*e.Y, syy+e.Y*e.Y
	}
	a := 0.5 * math.Atan2(2*sxy, sxx-syy)
	return p, geometry.Vec2{X: math.Cos(a), Y: math.Sin(a)}
}

// robustHomography fits a homography and drops pairs off by more than limit
// pixels (and more than three times the median) twice.
func robustHomography(src, dst []geometry.Vec2, limit float64) (geometry.Mat3, error) {
	h, err := geometry.Homography(src, dst)
	for round := 0; err == nil && round < 2; round++ {
		res := make([]float64, len(src))
		for i := range src {
			q, ok := h.ApplyH(src[i])
			res[i] = math.Inf(1)
			if ok {
				res[i] = q.Sub(dst[i]).Norm()
			}
		}
		cut := math.Max(limit, 3*median(append([]float64(nil), res...)))
		var s, d []geometry.Vec2
		for i, r := range res {
			if r <= cut {
				s, d = append(s, src[i]), append(d, dst[i])
			}
		}
		h, err = geometry.Homography(s, d)
	}
	return h, err
}

// median returns the middle value of v, whose order it changes; 0 when empty.
func median[T float32 | float64](v []T) T {
	if len(v) == 0 {
		return 0
	}
	return nth(v, len(v)/2)
}

// nth returns the value that sorting would put at place k, and changes the
// order of v: Hoare's selection, which needs no full sort.
func nth[T float32 | float64](v []T, k int) T {
	for lo, hi := 0, len(v)-1; lo < hi; {
		i, j, mid := lo, hi, v[lo+(hi-lo)/2]
		for i <= j {
			for v[i] < mid {
				i++
			}
			for v[j] > mid {
				j--
			}
			if i <= j {
				v[i], v[j] = v[j], v[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			hi = j
		case k >= i:
			lo = i
		default:
			return v[k]
		}
	}
	return v[k]
}
