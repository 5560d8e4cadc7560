package measure

import (
	"context"
	"fmt"
	"math"

	"beltend/geometry"
	"beltend/server/report"
	"beltend/server/result"
)

// Calibration is a camera as several photos of cards show it: the values of
// geometry.Camera in pixels of the stored picture with their standard
// deviations.
type Calibration struct {
	Camera        string // make and model as EXIF names them, empty without
	Width, Height int    // of the stored picture
	Values, SD    []float64
	Photos        int
	RMSPx         float64 // of the card corners' residuals
	Reach         float64 // farthest card corner from the middle, of the half diagonal
}

// minCalibration is the fewest photos of a calibration: two views of a plane
// leave focal length and principal point loose.
const minCalibration = 3

// Prior standard deviations of a calibration: wide, so that the photos decide.
const (
	calFocal = 0.15 // of the focal length expected
	calPP    = 0.05 // of the long side
	calK1    = 0.3
	calK2    = 0.15
	calK3    = k3SD // photos hardly part it from k2, and a profile keeps no correlations
	calTang  = 0.005
)

// A profile must be better than what EXIF says, or it is of no use.
const calMaxFocalSD = 0.005

// Calibrate finds the camera from photos of cards that were not moved between
// them. Belt edges are not looked for.
func Calibrate(ctx context.Context, photos []Input, s result.Settings, p Progress) (*Calibration, error) {
	if p == nil {
		p = func(string, float64) {}
	}
	if len(photos) < minCalibration || len(photos) > MaxPhotos {
		return nil, &UsageError{Setting: "photos", Message: fmt.Sprintf("give %d to %d photos of cards, taken from several sides", minCalibration, MaxPhotos), Code: "photos_of_cards", Values: geometry.Values{"least": minCalibration, "most": MaxPhotos}}
	}
	refs, err := checkSettings(&s, len(photos))
	if err != nil {
		return nil, err
	}
	shots, err := intakeAll(ctx, photos, refs, func(done float64) { p("cards", 0.9*done) })
	if err != nil {
		return nil, err
	}
	defer closeAll(shots)
	p("camera", 0.9)
	n, err := build(shots, &s)
	if err != nil {
		return nil, err
	}
	if len(n.problem.Cameras) != 1 {
		return nil, report.Refuse("cameras_differ", "", "", nil)
	}
	info := shots[0].info
	long := float64(max(info.Width, info.Height))
	prior := &n.problem.Cameras[0]
	prior.SD = geometry.Camera{F: math.Max(calFocal, info.Focal.RelSD) * prior.Mean.F, CX: calPP * long, CY: calPP * long, K1: calK1, K2: calK2, K3: calK3, P1: calTang, P2: calTang}
	if n.res, err = n.problem.Solve(); err != nil {
		return nil, asNotFlat(err, shots[:1])
	}
	if err := checkNetwork(n, shots); err != nil {
		return nil, err
	}
	variance, _ := n.res.Propagate(geometry.CameraParams, func(cameras []geometry.Camera, _ []geometry.Pose, _ [2]float64, out []float64) {
		copy(out, cameras[0].Params())
	}, 0)
	c := &Calibration{Camera: joinWords(info.Make, info.Model), Width: info.Width, Height: info.Height, Values: n.res.Cameras[0].Params(), Photos: len(shots)}
	for i, v := range variance {
		if math.IsNaN(v) || math.IsInf(v, 0) || v < 0 {
			return nil, fmt.Errorf("uncertainty of camera value %d is no number", i)
		}
		c.SD = append(c.SD, math.Sqrt(v))
	}
	for i, sh := range shots {
		c.RMSPx += n.res.PhotoRMS[i] * n.res.PhotoRMS[i] / float64(len(shots))
		for _, card := range sh.cards {
			for _, k := range card.Corners {
				r := math.Hypot(k.UV.X-float64(sh.pic.W-1)/2, k.UV.Y-float64(sh.pic.H-1)/2)
				c.Reach = math.Max(c.Reach, 2*r/math.Hypot(float64(sh.pic.W), float64(sh.pic.H)))
			}
		}
	}
	c.RMSPx = math.Sqrt(c.RMSPx)
	if rel := c.SD[0] / c.Values[0]; rel > calMaxFocalSD {
		return nil, report.Refuse("poor_calibration", "", "", result.Values{"focal_percent": 200 * rel})
	}
	return c, nil
}

func joinWords(a, b string) string {
	switch {
	case a == "":
		return b
	case b == "":
		return a
	}
	return a + " " + b
}
