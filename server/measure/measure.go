// Package measure runs the measurement chain: photo bytes, cards, edges,
// adjustment, squareness. The command line and the service call the same Run.
//
// One step, one file: settings, intake (photo bytes to card corners), adjust
// (cards to camera geometry), edges (belt edges and cut), drawn (the line drawn
// before cutting), squareness (values and uncertainty), answer (the contract's
// object).
package measure

import (
	"context"
	"errors"
	"fmt"
	"math"

	"beltend/geometry"
	"beltend/geometry/adjust"
	"beltend/server/report"
	"beltend/server/result"
)

// Input is one photo as received.
type Input struct {
	Name string
	Data []byte
}

// Progress is told the name of each step as it begins and how far the chain
// has come (0 to 1). It may be nil.
type Progress func(step string, done float64)

// UsageError is a setting that makes no sense; Setting names it, Code and Values say what
// is wrong to whoever says it in another language.
type UsageError struct {
	Setting, Message string

	Code   string          `json:",omitempty"`
	Values geometry.Values `json:",omitempty"`
}

func (e *UsageError) Error() string { return e.Setting + ": " + e.Message }

// MaxPhotos is the most photos of one belt end.
const MaxPhotos = 20

// Run measures one belt end from one or several photos. A refusal is returned
// as *result.Refusal, inside a *result.Doubt where cards were found;
// any other error is wrong usage (see UsageError) or a fault of the machine.
func Run(ctx context.Context, photos []Input, s result.Settings, p Progress) (*result.Measurement, error) {
	if p == nil {
		p = func(string, float64) {}
	}
	shots, n, err := survey(ctx, photos, &s, "belt end", p)
	if err != nil {
		return nil, err
	}
	defer closeAll(shots)
	ends, leftOut, err := findEnds(shots, n, &s, func(i int) { p("edges", 0.55+0.3*float64(i)/float64(len(shots))) })
	if err != nil {
		return nil, err
	}
	line, err := findDrawn(shots, n, ends, &s)
	if err != nil {
		return nil, err
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	p("adjustment", 0.85)
	if err := stiffen(n, ends); err != nil {
		return nil, asNotFlat(err, shots)
	}
	if err := checkNetwork(n, shots); err != nil {
		return nil, err
	}
	p("squareness", 0.9)
	m, err := answer(shots, n, ends, line, leftOut, &s)
	return m, withFound(err, shots, ends, line)
}

// survey takes in photos of one thing and finds how their cards and cameras
// stand. It fills in the settings' defaults. The shots are the caller's to close;
// after an error none is open.
func survey(ctx context.Context, photos []Input, s *result.Settings, thing string, p Progress) ([]*shot, *network, error) {
	if len(photos) == 0 || len(photos) > MaxPhotos {
		return nil, nil, &UsageError{Setting: "photos", Message: fmt.Sprintf("give 1 to %d photos of one %s", MaxPhotos, thing), Code: "photos_of_one", Values: geometry.Values{"most": MaxPhotos}}
	}
	refs, err := checkSettings(s, len(photos))
	if err != nil {
		return nil, nil, err
	}
	shots, err := intakeAll(ctx, photos, refs, func(done float64) { p("cards", 0.1+0.4*done) })
	if err != nil {
		return nil, nil, err
	}
	p("geometry", 0.5)
	n, err := stand(shots, s)
	if err != nil {
		closeAll(shots)
		return nil, nil, err
	}
	return shots, n, nil
}

// stand adjusts cards and cameras from the cards' corners alone.
func stand(shots []*shot, s *result.Settings) (*network, error) {
	for _, sh := range shots {
		if s.Camera != nil && math.Abs(float64(sh.info.Width)*float64(s.CameraSize[1])/(float64(sh.info.Height)*float64(s.CameraSize[0]))-1) > 0.005 {
			return nil, &UsageError{Setting: "camera", Message: fmt.Sprintf("the profile is for pictures of %d x %d, %s has %d x %d: calibrate with pictures of the same shape", s.CameraSize[0], s.CameraSize[1], sh.name, sh.info.Width, sh.info.Height), Code: "profile_shape", Values: geometry.Values{"width": s.CameraSize[0], "height": s.CameraSize[1], "photo": sh.name, "photo_width": sh.info.Width, "photo_height": sh.info.Height}}
		}
	}
	n, err := build(shots, s)
	if err != nil {
		return nil, err
	}
	if n.res, err = n.problem.Solve(); err != nil {
		return nil, asNotFlat(err, shots)
	}
	if n.problem.DropOutliers(n.res, 0.3) > 0 {
		if n.res, err = n.problem.Solve(); err != nil {
			return nil, asNotFlat(err, shots)
		}
	}
	if err := n.bend(); err != nil {
		return nil, asNotFlat(err, shots)
	}
	if err := checkNetwork(n, shots); err != nil {
		return n, err
	}
	if err := n.stretch(s); err != nil {
		return nil, asNotFlat(err, shots)
	}
	n.problem.Reweigh(n.res, leastSD) // takes effect when more is adjusted with them
	return n, checkNetwork(n, shots)
}

// asNotFlat turns an adjustment that finds no answer into a refusal.
func asNotFlat(err error, shots []*shot) error {
	var rank *adjust.RankError
	var stop *adjust.StopError
	var eval *adjust.EvalError
	if errors.As(err, &rank) || errors.As(err, &stop) || errors.As(err, &eval) {
		if len(shots) > 1 {
			return report.Refuse("photos_differ", "", "", nil)
		}
		return report.Refuse("not_flat", "no_pose", shots[0].name, nil)
	}
	return err
}
