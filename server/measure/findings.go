package measure

import (
	"fmt"
	"math"

	"beltend/geometry"
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
	faults := square.Shapes(e.toPlane(n.res.Cameras, n.res.Poses), v, noise)
	if b, ok := bevel(shots, n, ends); ok {
		faults = append(faults, b)
	}
	return faults
}

// bevel is a cut whose lower edge is not parallel to its upper one, in the
// photo that shows it most surely. Its face is seen only from beyond the cut.
func bevel(shots []*shot, n *network, ends []seen) (square.Defect, bool) {
	var worst square.Defect
	for _, e := range ends {
		f := e.end.Cut.Face
		view := n.res.View(shots[e.photo].camera, e.photo)
		at := view.Centre()
		beyond := e.end.Up.Dot(geometry.Vec2{X: at.X, Y: at.Y}.Sub(e.end.LeftCorner)) < 0
		if f.Seen && beyond && math.Abs(f.Twist) > math.Max(leastBevel, 3*f.SD) && math.Abs(f.Twist) > math.Abs(worst.Size) {
			worst = square.Defect{Code: square.Bevel, Size: f.Twist, SD: f.SD}
		}
	}
	return worst, worst.Code != ""
}

// leastBevel is the growth of the cut's face that is named, mm: a knife a few
// degrees off upright at one end of a belt some 10 mm thick.
const leastBevel = 0.8

const (
	bentMM = 1.5 // size above which a V in the cut is doubted, mm
	faceMM = 3.5 // as far apart as two lines of a cut's face are taken for one another, mm
)

// doubtShapes widens the offset's uncertainty by what faults in the shape may
// mean. A step or a V may be so, or for part of the width another line was
// followed: a lower edge of the cut's face, a joint, a shadow. And on a belt
// that curves the direction of the centreline hangs on the length seen.
func doubtShapes(faults []square.Defect, v *square.Values, variance []float64) []result.BudgetRow {
	var out []result.BudgetRow
	add := func(source, comment string, u float64) {
		variance[qOffset] += u * u
		variance[qAngle] += u * u / (v.WidthAtCut * v.WidthAtCut)
		out = append(out, result.BudgetRow{Source: source, Type: "B", UMM: u, Comment: comment})
	}
	for _, d := range faults {
		size := math.Abs(d.Size)
		switch {
		case d.Code == square.Vee && size > bentMM:
			add("bent cut", "a true V, or another line followed for part of the width", size/3)
		case d.Code == square.Step:
			// A jump of h at the share f of the width turns a least-squares line
			// by 6 f (1-f) h over the width; it may be wholly false: rectangular.
			f := min(max(d.X/v.WidthAtCut+0.5, 0), 1)
			add("stepped cut", "a true step, or another line followed from there", math.Max(size/3, 6*f*(1-f)*math.Min(size, faceMM)/math.Sqrt(3)))
		case d.Code == square.Bevel:
			// rectangular between following the top edge and the lower one
			add("bevelled cut", "the top edge may be taken for the lower one where the face is narrow", size/math.Sqrt(12))
		case d.Code == square.Camber:
			// A line through an arc of rise c over L turns by 4 c/L for each L
			// that the arc is longer; the length seen is no more than chance to
			// some twentieth.
			add("curved belt", "square depends on the length of belt looked at", 0.2*size/v.Length*v.WidthAtCut)
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
	if d.X > 0 || (d.Code == square.Bevel && d.Size > 0) {
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
	case "bevel":
		return side, fmt.Sprintf("The %s is bevelled unevenly: its face is %.1f mm wider on the %s, where the knife leaned more. Check the other side of the belt.", what, size, side)
	case "camber":
		return "", fmt.Sprintf("The belt curves by %.1f mm over the length seen: 'square' then depends on the baseline.", size)
	}
	return d.Side, fmt.Sprintf("%s of %.1f mm.", d.Code, size)
}
