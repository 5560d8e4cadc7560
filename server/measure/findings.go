package measure

import (
	"fmt"
	"math"

	"beltend/geometry/square"
	"beltend/server/result"
)

// findings names the faults of the end, or of the drawn line, and their sizes,
// in the words used at the belt.
func findings(faults []square.Defect, variance []float64, line string) []result.Finding {
	var out []result.Finding
	for _, d := range faults {
		if line == drawn && d.Code == square.Ragged {
			continue // chalk is
		}
		f := result.Finding{Code: d.Code, SizeMM: d.Size, U95MM: coverage * d.SD}
		if d.Code == "skew" {
			f.U95MM = coverage * math.Sqrt(variance[qOffset])
		}
		f.Where, f.Message = describe(d, line)
		out = append(out, f)
	}
	return out
}

// shapes are the faults that the edges' points show.
func shapes(shots []*shot, n *network, ends []seen, v *square.Values) []square.Defect {
	e := gather(shots, n, ends, false)
	var noise float64
	for _, k := range ends {
		noise = math.Max(noise, 0.15*k.end.Cut.PxMM)
	}
	return square.Shapes(e.toPlane(n.res.Cameras, n.res.Poses), v, noise)
}

// bentMM is the size above which a step or a bend in the cut is doubted, mm.
const bentMM = 1.5

// doubtBent widens the offset's uncertainty by a third of a step or a bend: the
// cut may be so, or a joint, a shadow or a roller was followed for part of it.
func doubtBent(faults []square.Defect, v *square.Values, variance []float64) []result.BudgetRow {
	var out []result.BudgetRow
	for _, d := range faults {
		if size := math.Abs(d.Size); (d.Code == square.Step || d.Code == square.Vee) && size > bentMM {
			c := size * size / 9
			variance[qOffset] += c
			variance[qAngle] += c / (v.WidthAtCut * v.WidthAtCut)
			out = append(out, result.BudgetRow{Source: "bent cut", Type: "B", UMM: math.Sqrt(c), Comment: "a true " + d.Code + ", or another line followed for part of the width"})
		}
	}
	return out
}

// describe puts a fault of the cut or the drawn line in words.
func describe(d square.Defect, line string) (where, message string) {
	what, hand := "cut", "knife"
	if line == drawn {
		what, hand = "drawn line", "hand"
	}
	size := math.Abs(d.Size)
	side := "left"
	if d.X > 0 {
		side = "right"
	}
	switch d.Code {
	case "skew":
		long := "left"
		if d.Size < 0 {
			long = "right"
		}
		return "", fmt.Sprintf("The %s is skew: the %s side is long by %.1f mm.", what, long, size)
	case "bow":
		return "", fmt.Sprintf("The %s is curved by %.1f mm in its middle.", what, size)
	case "wander":
		return "", fmt.Sprintf("The %s wandered: the %s swings by %.1f mm.", hand, what, size)
	case "step":
		at := fmt.Sprintf("%.0f mm %s of the centreline", math.Abs(d.X), side)
		return at, fmt.Sprintf("The %s has a step of %.1f mm, %s.", what, size, at)
	case "vee":
		at := fmt.Sprintf("%.0f mm %s of the centreline", math.Abs(d.X), side)
		return at, fmt.Sprintf("The %s is bent to a V of %.1f mm, %s.", what, size, at)
	case "ragged":
		return "", fmt.Sprintf("The cut is ragged by %.1f mm.", size)
	case "worn_edge":
		return d.Side, fmt.Sprintf("The %s edge is worn or damaged by up to %.1f mm.", d.Side, size)
	case "camber":
		return "", fmt.Sprintf("The belt curves by %.1f mm over the length seen: 'square' then depends on the baseline.", size)
	}
	return d.Side, fmt.Sprintf("%s of %.1f mm.", d.Code, size)
}
