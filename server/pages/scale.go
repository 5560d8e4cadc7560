package pages

import (
	"math"
	"strconv"

	"beltend/server/report"
)

// Scale is a value on the ruled edge of a steel rule: the tolerance as a band,
// the expanded uncertainty as a whisker, the value as a mark. "Left long" lies on
// the left, so positive offsets run leftwards. Places are in units of the drawing,
// which the part "scale" draws.
type Scale struct {
	Ticks     []Tick
	BandX     float64 // left end of the band
	BandW     float64
	X, Lo, Hi float64 // value and ends of the whisker, Lo < Hi
	Value, U  string
	Tolerance string
	Unit      string
}

// Tick is one graduation.
type Tick struct {
	X, Len float64
	Label  string
}

const (
	scaleWidth = 340.0
	scaleEdge  = 24.0 // free on both sides, for the labels of the last ticks
)

// NewScale draws a signed offset with its expanded uncertainty and the
// tolerance, all in mm. Nil where there is nothing to draw.
func NewScale(offsetMM, u95MM, toleranceMM float64, inches bool) *Scale {
	unit, name := 1.0, "mm"
	if inches {
		unit, name = 25.4, "in"
	}
	offset, u, tol := offsetMM/unit, u95MM/unit, toleranceMM/unit
	reach := 1.12 * math.Max(math.Abs(offset)+u, 1.6*tol)
	if !(reach > 0) || math.IsInf(reach, 0) {
		return nil
	}
	step := niceStep(reach / 5)
	reach = math.Ceil(reach/step) * step
	at := func(v float64) float64 { return scaleWidth/2 - v/reach*(scaleWidth/2-scaleEdge) }
	o := report.Options{Inches: inches}
	sc := &Scale{
		BandX: at(tol), BandW: at(-tol) - at(tol), X: at(offset), Lo: at(offset + u), Hi: at(offset - u),
		Value: report.Signed(offsetMM, o), U: report.Expanded(u95MM, o), Tolerance: report.Length(toleranceMM, o), Unit: name,
	}
	const parts = 5 // graduations a step
	n := int(math.Round(reach / step))
	every := (n + 1) / 2 // labels that do not touch
	for i := -n * parts; i <= n*parts; i++ {
		t := Tick{X: at(float64(i) * step / parts), Len: 6}
		if i%parts == 0 {
			t.Len = 11
			if k := i / parts; k%every == 0 {
				t.Len = 15
				t.Label = strconv.FormatFloat(math.Abs(float64(k)*step), 'g', 4, 64)
			}
		}
		sc.Ticks = append(sc.Ticks, t)
	}
	return sc
}

// Outside says whether value and whisker lie outside the band, inside, or
// neither: what the drawing shows, in one word.
func (s *Scale) Outside() string {
	switch {
	case s.Lo >= s.BandX && s.Hi <= s.BandX+s.BandW:
		return "inside"
	case s.Hi < s.BandX || s.Lo > s.BandX+s.BandW:
		return "outside"
	}
	return "across"
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
