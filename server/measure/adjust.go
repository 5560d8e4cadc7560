package measure

import (
	"math"
	"strings"

	"beltend/geometry"
	"beltend/geometry/bundle"
	"beltend/server/report"
	"beltend/server/result"
)

// Prior standard deviations where nothing better is known.
const (
	ppSD     = 0.003  // principal point, of the long side: phones centre the sensor within half a per cent
	ppSDCrop = 0.1    // the same when the picture was cut after it was taken
	k1SD     = 0.03   // lens terms of a phone after its own correction
	k2SD     = 0.015  //
	k3SD     = 0.005  //
	tangSD   = 0.0005 // decentring
	cornerSD = 0.015  // px: print, flatness and model on top of a corner's own noise
	leastSD  = 0.008  // px: the least for a corner whose card's residuals are known, for what they do not show
	scaleSD  = 0.0015 // print scale not measured
	anisoSD  = 0.0003 // half difference of x and y, not measured
	scaleSDm = 0.0004 // bars measured with a steel rule: 0.1 mm in 200, and the paper
	anisoSDm = 0.0002 //
	bendSD   = 0.02   // mm that a card that seems flat rises or sinks a decimetre off its middle
	bentSD   = 1.0    // the same of one that seems bent
)

// network is the photos' common geometry.
type network struct {
	problem bundle.Problem
	names   []string // of the cards, by place
	res     *bundle.Result

	stretched bool // the cards are not printed as is known of them: see stretch
}

// build sets up the adjustment of all photos: cards of the same name are the
// same card, and photos must hang together by them.
func build(shots []*shot, s *result.Settings) (*network, error) {
	n := &network{}
	index := map[string]int{}
	type key struct {
		model string
		w, h  int
		f     float64
	}
	cams := map[key]int{}
	for _, sh := range shots {
		k := key{sh.info.Make + "/" + sh.info.Model, sh.info.Width, sh.info.Height, sh.info.Focal.Pixels}
		c, ok := cams[k]
		if !ok {
			c = len(cams)
			cams[k] = c
			n.problem.Cameras = append(n.problem.Cameras, cameraPrior(sh, s))
		}
		sh.camera = c
	}
	pr := bundle.PrintPrior{X: 1, Y: 1, ScaleSD: scaleSD, AnisoSD: anisoSD}
	if s.PrintScaleX != 0 {
		pr = bundle.PrintPrior{X: s.PrintScaleX, Y: s.PrintScaleY, ScaleSD: scaleSDm, AnisoSD: anisoSDm}
	}
	if shots[0].plain() {
		p, err := geometry.ParseSheet(s.Sheet)
		if err != nil {
			return nil, err
		}
		pr.ScaleSD, pr.AnisoSD = p.ScaleSD(), p.ScaleSD()
	}
	n.problem.Print = pr
	size := func(p geometry.Vec2) geometry.Vec2 { return geometry.Vec2{X: p.X * pr.X, Y: p.Y * pr.Y} }

	done := make([]bool, len(shots))
	n.problem.Photos = make([]bundle.Photo, len(shots))
	for left := len(shots); left > 0; {
		progress := false
		for i, sh := range shots {
			if done[i] {
				continue
			}
			start, ok := startPose(n, sh, index, size)
			if !ok && len(index) > 0 {
				continue
			}
			if !ok {
				return nil, report.Refuse("no_card", "no_pose", sh.name, nil)
			}
			view := geometry.NewView(n.problem.Cameras[sh.camera].Mean, start)
			ph := bundle.Photo{Camera: sh.camera, Start: start}
			for _, c := range sh.cards {
				at, known := index[c.Name]
				if !known {
					at = len(n.names)
					place, ok := startPlace(&view, c.Corners[0].UV, c.Corners[len(c.Corners)-1].UV, size(c.Corners[0].Board), size(c.Corners[len(c.Corners)-1].Board))
					if at == 0 {
						place, ok = bundle.Place{}, true
					}
					if !ok {
						continue
					}
					index[c.Name] = at
					n.names = append(n.names, c.Name)
					n.problem.Places = append(n.problem.Places, place)
				}
				for _, k := range c.Corners {
					ph.Corners = append(ph.Corners, bundle.Corner{Card: at, Board: k.Board, UV: k.UV, Sigma: math.Hypot(k.Sigma, cornerSD)})
				}
			}
			n.problem.Photos[i] = ph
			done[i], progress = true, true
			left--
		}
		if !progress {
			var out []string
			for i, sh := range shots {
				if !done[i] {
					out = append(out, sh.name)
				}
			}
			return nil, report.Refuse("photos_not_connected", "", "", result.Values{"photos": strings.Join(out, ", ")})
		}
	}
	return n, nil
}

func cameraPrior(sh *shot, s *result.Settings) bundle.CameraPrior {
	w, h := float64(sh.info.Width), float64(sh.info.Height)
	if s.Camera != nil {
		// the profile's picture may have been larger by a whole factor
		f := w / float64(s.CameraSize[0])
		if math.Abs(h/float64(s.CameraSize[1])/f-1) < 0.005 {
			m, sd := geometry.CameraFrom(s.Camera), geometry.CameraFrom(s.CameraSD)
			// pixel centres at integers: -0.5 is the border
			m.F, m.CX, m.CY = m.F*f, (m.CX+0.5)*f-0.5, (m.CY+0.5)*f-0.5
			// focus moves the lens from photo to photo
			sd.F, sd.CX, sd.CY = math.Max(sd.F*f, 0.004*m.F), math.Max(sd.CX*f, 0.001*w), math.Max(sd.CY*f, 0.001*w)
			floor := func(v *float64, lo float64) { *v = math.Max(*v, lo) }
			floor(&sd.K1, 0.003)
			floor(&sd.K2, 0.003)
			floor(&sd.K3, 0.001)
			floor(&sd.P1, 0.0001)
			floor(&sd.P2, 0.0001)
			return bundle.CameraPrior{Mean: m, SD: sd}
		}
	}
	long := math.Max(w, h)
	pp := ppSD * long
	if sh.info.Cropped {
		pp = ppSDCrop * long
	}
	f := sh.info.Focal
	return bundle.CameraPrior{
		Mean: geometry.Camera{F: f.Pixels, CX: (w - 1) / 2, CY: (h - 1) / 2},
		SD:   geometry.Camera{F: f.Pixels * f.RelSD, CX: pp, CY: pp, K1: k1SD, K2: k2SD, K3: k3SD, P1: tangSD, P2: tangSD},
	}
}

// startPose comes from the homography of the cards whose places are known, or
// of the first card.
func startPose(n *network, sh *shot, index map[string]int, size func(geometry.Vec2) geometry.Vec2) (geometry.Pose, bool) {
	best, bestCorners := -1, 0
	for i, c := range sh.cards {
		if _, ok := index[c.Name]; (ok || len(index) == 0) && len(c.Corners) > bestCorners {
			best, bestCorners = i, len(c.Corners)
		}
	}
	if best < 0 {
		return geometry.Pose{}, false
	}
	if len(index) == 0 { // the datum is the card with the most corners
		sh.cards[0], sh.cards[best] = sh.cards[best], sh.cards[0]
		best = 0
	}
	c := sh.cards[best]
	place := bundle.Place{}
	if at, ok := index[c.Name]; ok {
		place = n.problem.Places[at]
	}
	var src, dst []geometry.Vec2
	for _, k := range c.Corners {
		src, dst = append(src, place.Apply(size(k.Board))), append(dst, k.UV)
	}
	h, err := geometry.Homography(src, dst)
	if err != nil {
		return geometry.Pose{}, false
	}
	pose, err := geometry.PoseFromHomography(h, n.problem.Cameras[sh.camera].Mean)
	return pose, err == nil
}

func startPlace(view *geometry.View, uv0, uv1, b0, b1 geometry.Vec2) (bundle.Place, bool) {
	a, ok1 := view.Unproject(uv0)
	b, ok2 := view.Unproject(uv1)
	if !ok1 || !ok2 {
		return bundle.Place{}, false
	}
	d0, d := b1.Sub(b0), b.Sub(a)
	turn := math.Atan2(d0.Cross(d), d0.Dot(d))
	o := a.Sub(b0.Rotate(turn))
	return bundle.Place{o.X, o.Y, turn}, true
}

// Residuals beyond these are no noise of a flat card on a flat belt.
const (
	maxCardPx    = 0.40 // RMS of one card, px
	maxBendMM    = 2.5  // of one card, a decimetre off its middle, mm
	maxFocalPull = 3.5  // focal length from its prior, standard deviations
)

// checkNetwork refuses cards that do not lie flat in one plane.
func checkNetwork(n *network, shots []*shot) error {
	r := n.res
	for i, sh := range shots {
		for c, rms := range r.CardRMS[i] {
			limit := maxCardPx * math.Max(1, sh.cards[0].Blur)
			if sh.plain() { // paper is not cut to a pixel
				limit = math.Max(limit, 2.5*sh.cards[0].Corners[0].Sigma)
			}
			if rms > limit {
				if len(n.names) == 1 {
					return report.Refuse("not_flat", "card", sh.name, result.Values{"card": n.names[c], "off_px": rms})
				}
				code := "card_not_on_belt"
				if len(shots) > 1 {
					code = "photos_differ"
				}
				return report.Refuse(code, "card", sh.name, result.Values{"card": n.names[worst(r.CardRMS[i])], "off_px": rms})
			}
		}
	}
	for c, b := range r.Bends {
		if most := max(math.Abs(b[0]), math.Abs(b[1]), math.Abs(b[2])); most > maxBendMM {
			return report.Refuse("not_flat", "bent", shots[0].name, result.Values{"card": n.names[c], "bent_mm": most})
		}
	}
	for c, cam := range r.Cameras {
		pr := n.problem.Cameras[c]
		if pull := math.Abs(cam.F-pr.Mean.F) / pr.SD.F; pull > maxFocalPull {
			return report.Refuse("card_not_on_belt", "focal", shots[0].name, result.Values{"off_percent": 100 * math.Abs(cam.F/pr.Mean.F-1)})
		}
	}
	return nil
}

func worst(v []float64) int {
	k := 0
	for i := range v {
		if v[i] > v[k] || math.IsNaN(v[k]) {
			k = i
		}
	}
	return k
}

// bendTest is the F ratio above which a card is taken to be bent.
const bendTest = 12

// bend adjusts again with cards that may be bent, as paper on a belt is, where
// their corners say so.
func (n *network) bend() error {
	sd := make([]float64, len(n.names))
	for k := range sd {
		sd[k] = bentSD
	}
	n.problem.BendSD = sd
	bent, err := n.problem.Solve()
	if err != nil {
		return err
	}
	for k, f := range n.problem.BendTest(n.res, bent) {
		if f < bendTest {
			sd[k] = bendSD
		}
	}
	n.res, err = n.problem.Solve()
	return err
}

// A print's x against its y that lies so many standard deviations from what is known of
// it is no chance: a printer that stretches one way, or bars read wrongly. Cards that
// lie turned differently show it; it is then free.
const (
	mostStretch = 4.0
	stretchedSD = 0.02
	fittedSD    = 0.03 // of its size then, where nobody measured it: fitted to the page
)

// stretch adjusts again with x against y free where the cards say that what is known of
// their print does not hold.
func (n *network) stretch(s *result.Settings) (err error) {
	if math.Abs(n.res.Print[1]) < mostStretch*n.problem.Print.AnisoSD {
		return nil
	}
	n.stretched = true
	n.problem.Print.AnisoSD, n.problem.BendSD = stretchedSD, nil
	if s.PrintScaleX == 0 {
		n.problem.Print.ScaleSD = fittedSD
	}
	if n.res, err = n.problem.Solve(); err != nil {
		return err
	}
	return n.bend()
}
