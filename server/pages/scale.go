package pages

import (
	"fmt"
	"math"
	"strconv"

	"beltend/server/result"
)

// scale is the ruled scale of the offset: the tolerance band, the offset and
// the whisker of its expanded uncertainty. "Left long" lies on the left, so
// positive offsets run leftwards. Places are in units of the drawing.
type scale struct {
	Ticks        []tick
	BandX, BandW float64
	X, Lo, Hi    float64 // offset and ends of the whisker, Lo < Hi
	Tolerance    string
	Described    string // for those who do not see it
}

type tick struct {
	X     float64
	Label string
	Long  bool
}

const (
	scaleWidth = 340.0
	scaleEdge  = 22.0 // free on both sides, for the labels of the last ticks
)

func newScale(s *result.Squareness, inches bool, tolerance string) *scale {
	unit, name := 1.0, "mm"
	if inches {
		unit, name = 25.4, "in"
	}
	offset, u, tol := s.OffsetMM/unit, s.OffsetU95MM/unit, s.ToleranceMM/unit
	reach := 1.15 * math.Max(math.Abs(offset)+u, 1.6*tol)
	if !(reach > 0) || math.IsInf(reach, 0) {
		return nil
	}
	step := niceStep(reach / 4)
	reach = math.Ceil(reach/step) * step
	at := func(v float64) float64 { return scaleWidth/2 - v/reach*(scaleWidth/2-scaleEdge) }
	sc := &scale{
		BandX: at(tol), BandW: at(-tol) - at(tol),
		X: at(offset), Lo: at(offset + u), Hi: at(offset - u),
		Tolerance: tolerance,
		Described: fmt.Sprintf("Scale of the offset in %s, tolerance %s to either side, offset %+.3g with an uncertainty of %.2g", name, tolerance, offset, u),
	}
	n := int(math.Round(reach / step))
	for i := -n; i <= n; i++ {
		t := tick{X: at(float64(i) * step), Long: i == 0}
		if n <= 4 || i%2 == 0 {
			t.Label = strconv.FormatFloat(math.Abs(float64(i)*step), 'g', 4, 64)
		}
		sc.Ticks = append(sc.Ticks, t)
	}
	return sc
}

// niceStep is the smallest of 1, 2, 5 times a power of ten that is not below v.
func niceStep(v float64) float64 {
	p := math.Pow(10, math.Floor(math.Log10(v)))
	for _, f := range []float64{1, 2, 5} {
		if f*p >= v*(1-1e-9) {
			return f * p
		}
	}
	return 10 * p
}
