package square

import "math"

// No published standard was found that limits the squareness of a mechanically
// joined belt end; these presets are common practice, and a site's own limit
// is better. Millimetres per metre of width.
const (
	FineTolerance   = 1.0 // light and food belts on small pulleys; shop habit, unsure
	NormalTolerance = 2.0 // about what "diagonals within 3 mm" asks of a belt 1 m wide
	CoarseTolerance = 5.0 // about 0.3 degrees, where mistracking is expected
)

// DefaultTolerance is the offset allowed on a belt of this width unless a
// person sets another: 2 mm per metre. Millimetres.
func DefaultTolerance(width float64) float64 { return NormalTolerance * width / 1000 }

// NominalWidths are the usual metric belt widths, millimetres (the series of
// ISO 251, quoted from memory; light belts come in any width).
func NominalWidths() []float64 {
	return []float64{300, 400, 500, 600, 650, 800, 1000, 1200, 1400, 1600, 1800, 2000, 2200, 2400, 2600, 2800, 3000, 3200}
}

// WidthBand is the width tolerance of ISO 251 for belts with a textile
// carcass, quoted from memory: +-5 mm up to 500 mm nominal, +-1 % above.
func WidthBand(nominal float64) float64 {
	if nominal <= 500 {
		return 5
	}
	return nominal / 100
}

// NearestNominal returns the usual width nearest to a measured one, in terms
// of its band; ok says whether the measured width lies within that band.
func NearestNominal(width float64) (nominal float64, ok bool) {
	best := math.Inf(1)
	for _, n := range NominalWidths() {
		if d := math.Abs(width-n) / WidthBand(n); d < best {
			best, nominal = d, n
		}
	}
	return nominal, best <= 1
}

// ScaleSuspect is the deviation from the nominal width, relative, beyond which
// the card's size, its printing or its place is the likelier cause than the
// belt (trade.md: the nominal band proves the scale to 1 % at best).
const ScaleSuspect = 0.015

// WidthCheck compares a measured width with the nominal one.
type WidthCheck struct {
	Deviation float64 // measured minus nominal
	Band      float64 // allowed either way, ISO 251
	Relative  float64 // deviation over nominal
	InBand    bool
	Suspect   bool // beyond ScaleSuspect even by the near end of the uncertainty
}

// CheckWidth compares a measured width and its expanded uncertainty with the
// nominal width. The band is widened by the uncertainty: only a width that is
// outside for certain is called outside.
func CheckWidth(width, u95, nominal float64) WidthCheck {
	d := width - nominal
	c := WidthCheck{Deviation: d, Band: WidthBand(nominal), Relative: d / nominal}
	c.InBand = math.Abs(d)-u95 <= c.Band
	c.Suspect = math.Abs(d)-u95 > ScaleSuspect*nominal
	return c
}
