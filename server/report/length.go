package report

import (
	"fmt"
	"math"

	"beltend/server/pages/words"
)

const inch = 25.4 // mm, exact by definition (1959)

// units writes lengths the way a person reads them, and texts in their
// language.
type units struct {
	inches bool
	*words.Words
}

func (o Options) units() units { return units{o.Inches, words.In(o.Lang)} }

// number writes numbers with the language's decimal sign.
func (u units) number(format string, v ...any) string {
	return u.Decimal(fmt.Sprintf(format, v...))
}

// decimals writes a length with that many decimals in mm; in inches with two
// more, and to a thousandth at most.
func (u units) decimals(mm float64, n int) string {
	if u.inches {
		return u.number("%.*f in", min(n+2, 3), mm/inch)
	}
	return u.number("%.*f mm", n, mm)
}

// length writes a measured length with one decimal in mm, three in inches.
func (u units) length(mm float64) string {
	if u.inches {
		return u.number("%.3f in", mm/inch)
	}
	return u.number("%.1f mm", mm)
}

// signed is length with its sign always shown.
func (u units) signed(mm float64) string {
	if u.inches {
		return u.number("%+.3f in", zero(mm/inch, 0.0005))
	}
	return u.number("%+.1f mm", zero(mm, 0.05))
}

// zero keeps a value that rounds to nothing from showing a minus sign.
func zero(v, half float64) float64 {
	if math.Abs(v) < half {
		return 0
	}
	return v
}

// expanded writes an uncertainty, rounded up: it must not shrink on paper.
func (u units) expanded(mm float64) string {
	if u.inches {
		return u.number("%.3f in", ceil(mm/inch, 1000))
	}
	return u.number("%.1f mm", ceil(mm, 10))
}

func ceil(v, per float64) float64 { return math.Ceil(v*per-1e-9) / per }

// step is the division of the tape a length is rounded to: a sixteenth of an
// inch, or a millimetre; half a millimetre (between two marks) where the
// length is known to a millimetre.
func (u units) step(u95 float64) float64 {
	switch {
	case u.inches:
		return inch / 16
	case u95 <= 1 && u95 > 0:
		return 0.5
	}
	return 1
}

// tape writes a length as it is set out with a tape, with the uncertainty that
// includes the rounding: a rectangular distribution as wide as the step.
func (u units) tape(mm, u95 float64) (length, uncertainty string) {
	step := u.step(u95)
	return u.marks(mm, step), u.expanded(math.Hypot(u95, 1.96*step/math.Sqrt(12)))
}

func (u units) marks(mm, step float64) string {
	n := math.Round(mm / step)
	switch {
	case u.inches:
		return sixteenths(int(n))
	case step < 1:
		return u.number("%.1f mm", n*step)
	}
	return fmt.Sprintf("%.0f mm", n*step)
}

// sixteenths writes n sixteenths of an inch as a reduced fraction.
func sixteenths(n int) string {
	if n == 0 {
		return "0 in"
	}
	sign := ""
	if n < 0 {
		sign, n = "-", -n
	}
	whole, part, of := n/16, n%16, 16
	for part != 0 && part%2 == 0 {
		part, of = part/2, of/2
	}
	switch {
	case part == 0:
		return fmt.Sprintf("%s%d in", sign, whole)
	case whole == 0:
		return fmt.Sprintf("%s%d/%d in", sign, part, of)
	}
	return fmt.Sprintf("%s%d %d/%d in", sign, whole, part, of)
}
