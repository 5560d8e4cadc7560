package measure

import (
	"math"

	"beltend/geometry"
	"beltend/geometry/square"
	"beltend/server/report"
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
		f.Where, f.Values = describe(d, line)
		out = append(out, report.Find(f))
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
	bentMM     = 1.5  // size above which a V in the cut is doubted, mm
	soundWaves = 0.15 // waviness that a steady hand's cut has, RMS in mm
	waveMM     = 80.0 // over which the waves of a cut hang together, mm
	faceMM     = 3.5  // as far apart as two lines of a cut's face are taken for one another, mm
)

// doubtShapes widens the offset's uncertainty by what faults in the shape may
// mean. A step or a V may be so, or for part of the width another line was
// followed: a lower edge of the cut's face, a joint, a shadow. And on a belt
// that curves the direction of the centreline hangs on the length seen.
// waves is the waviness of the cut, RMS in mm; told says whether its profile tells
// its lines apart.
func (j *judgement) doubtShapes(waves float64, told bool) {
	v := j.v
	add := func(source, comment string, u float64) { j.doubt(source, "B", u, comment) }
	left := leftOfDoubt(told)
	explained := false // the waves are those of a shape that is doubted itself
	for _, d := range j.faults {
		size := math.Abs(d.Size)
		switch {
		case d.Code == square.Vee && size > bentMM:
			explained = true
			add("bent cut", "a true V, or another line followed for part of the width", size/3)
		case d.Code == square.Step:
			explained = explained || size > bentMM
			// A jump of h at the share f of the width turns a least-squares line
			// by 6 f (1-f) h over the width; it may be wholly false: rectangular.
			f := min(max(d.X/v.WidthAtCut+0.5, 0), 1)
			add("stepped cut", "a true step, or another line followed from there", math.Max(size/3, 6*f*(1-f)*math.Min(size, faceMM)/math.Sqrt(3)))
		case d.Code == square.Bevel:
			// rectangular between following the top edge and the lower one
			add("bevelled cut", "the top edge may be taken for the lower one where the face is narrow", left*size/math.Sqrt(12))
		case d.Code == square.Camber:
			// A line through an arc of rise c over L turns by 4 c/L for each L
			// that the arc is longer; the length seen is no more than chance to
			// some twentieth.
			add("curved belt", "square depends on the length of belt looked at", 0.2*size/v.Length*v.WidthAtCut)
		}
	}
	// A cut that waves was cut so, or was followed now on one line, now on
	// another; its direction is no better known than waves of that length leave it.
	if more := waves*waves - soundWaves*soundWaves; more > 0 && !explained {
		add("uneven cut", "a true wander, or other lines followed here and there", left*math.Sqrt(12*more/math.Max(2, v.WidthAtCut/waveMM)))
	}
}

// describe says where a fault of the cut or the drawn line is, and gives the
// values that a sentence about it needs.
func describe(d square.Defect, line string) (where string, v result.Values) {
	side := "left"
	if d.X > 0 || (d.Code == square.Bevel && d.Size > 0) {
		side = "right"
	}
	v = result.Values{"line": line, "size_mm": math.Abs(d.Size), "side": side}
	switch d.Code {
	case square.Skew:
		if v["side"] = "left"; d.Size < 0 {
			v["side"] = "right"
		}
	case square.Step, square.Vee:
		v["at_mm"] = math.Abs(d.X)
		return report.Say("found.at", v, report.Options{}), v
	case square.WornEdge:
		v["side"] = d.Side
		return d.Side, v
	case square.Bevel:
		return side, v
	}
	return "", v
}
