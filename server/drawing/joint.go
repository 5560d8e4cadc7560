package drawing

import (
	"fmt"
	"math"

	"beltend/geometry"
	"beltend/geometry/joint"
	"beltend/geometry/lacing"
	"beltend/server/report"
	"beltend/server/result"
)

// Joint draws a pair as it would run, angles exaggerated, as "svg" or "pdf".
func Joint(r *result.Joint, format string, o report.Options) ([]byte, error) {
	s := runningSheet(r, o)
	switch format {
	case "svg":
		return s.svg(), nil
	case "pdf":
		return pdf(s)
	}
	return nil, fmt.Errorf("%w, not %q", ErrFormat, format)
}

// JointPicture is the drawing alone, as SVG: its numbers stand beside it on a page.
func JointPicture(r *result.Joint, o report.Options) []byte {
	s := newSheet(140, 212, o)
	s.title = s.Text("drawing.running")
	running(s, r.Pair, 94, 1.5)
	return s.svg()
}

// runningSheet is the pair as it would run, with its numbers.
func runningSheet(r *result.Joint, o report.Options) *sheet {
	s := newSheet(long, short, o)
	s.title = s.Text("drawing.running")
	s.head(edge, 19, 6, -1, s.title)
	running(s, r.Pair, 112, 1)
	told(s, r, o)
	return s
}

// roundDown returns the largest 1, 2 or 5 times a power of ten not above x.
func roundDown(x float64) float64 {
	e := math.Pow(10, math.Floor(math.Log10(x)+1e-9))
	for _, m := range []float64{5, 2} {
		if m*e <= x*(1+1e-9) {
			return m * e
		}
	}
	return e
}

// exaggeration is a round factor that makes something of the given size as
// large as wanted, but not smaller than it is, and not beyond a thousandfold.
func exaggeration(size, wanted float64) float64 {
	if !(size > 0) {
		return 1
	}
	return math.Min(1000, math.Max(1, roundDown(wanted/size)))
}

// running draws the pair on the left of a sheet, the middle of the joint at the height cy,
// its letters by that factor larger than on paper.
func running(s *sheet, p *joint.Pair, cy, letters float64) {
	const cx, length, width = 76.0, 78.0, 62.0 // middle of the joint, belt shown each way, mean width: mm on paper
	rad := math.Pi / 180
	kink, skew := p.Kink.Deg*rad, p.Skew.Deg*rad
	// what is within the tolerance shall not look bad
	times := exaggeration(math.Max(p.Kink.Tolerance/p.Width, math.Max(math.Abs(kink), math.Abs(skew))), 0.2)
	steps := exaggeration(math.Max(3*lacing.WidthFlag, p.Step.Difference)/p.Width, 0.15)
	k, hingeAngle := times*kink, times*skew+p.Target*rad

	// Both far ends stand on one straight line, as idlers far away would hold
	// them: the joint stands off it on the long side, by length sin(k/2).
	off := length * math.Sin(k/2)
	v := pt(cx-off, cy)                           // middle of the hinge; left on paper is left along travel
	across := func(angle float64) geometry.Vec2 { // of a direction turned counterclockwise from level, paper y down
		return pt(math.Cos(angle), -math.Sin(angle))
	}
	h := across(hingeAngle)
	ends := []struct {
		name  string
		turn  float64 // of the belt's axis, counterclockwise
		sign  float64 // +1 up the paper
		w     float64
		shade int
	}{{"leading", -k / 2, 1, 0, 0}, {"trailing", k / 2, -1, 0, 1}}
	diff := steps * p.Step.Difference / p.Width * width / 2
	wider := map[string]float64{p.Step.Wider: 1}
	for i := range ends {
		ends[i].w = width - diff + 2*diff*wider[ends[i].name]
	}
	narrow := width - math.Abs(diff)
	for _, e := range ends {
		axis := pt(-math.Sin(e.turn), -math.Cos(e.turn)).Mul(e.sign)
		x := across(e.turn)
		far := v.Add(axis.Mul(length))
		// the corners on the hinge: along h until w/2 off the axis
		reach := e.w / 2 / h.Dot(x)
		a, b := v.Sub(h.Mul(reach)), v.Add(h.Mul(reach))
		fill := belt
		if e.shade == 1 {
			fill = beltToo
		}
		s.area(fill, ink, 0.35, a, far.Sub(x.Mul(e.w/2)), far.Add(x.Mul(e.w/2)), b)
		s.dashed(ink, 0.25, 1.2, v, far)
		mid := v.Add(axis.Mul(0.62 * length))
		if letters == 1 {
			s.say(mid.X+5, mid.Y, 3.4, -1, ink, "%s", s.Text("drawing.end_"+e.name))
		} else {
			s.say(mid.X+3, mid.Y, 2.7*letters, -1, ink, "%s", s.Text("arrow."+e.name))
		}
	}
	s.line(steel, 1.1, v.Sub(h.Mul(narrow/2)), v.Add(h.Mul(narrow/2)))
	s.dashed(trail, 0.25, 2.5, pt(cx, cy-length-6), pt(cx, cy+length+6))

	s.head(cx-width/2-14, cy-length+6, 6, 1, "L")
	s.head(cx+width/2+14, cy-length+6, 6, -1, "R")
	along := cy
	if letters > 1 { // below where the joint would run to
		along += 55
	}
	s.arrow(ink, 0.5, pt(edge+4, along+30), pt(edge+4, along-30))
	s.items = append(s.items, wording{at: pt(edge+1.8, along), size: 3 * letters, text: s.Text("drawing.travel"), ink: ink, up: true})
	if t := p.Tendency; t.Side != "" {
		d := -1.0
		if t.Side == "right" {
			d = 1
		}
		from := pt(v.X+d*((width+math.Abs(diff))/2+4), cy) // clear of the wider end
		s.arrow(trail, 0.9, from, pt(from.X+d*13, cy))
		y := cy + 6
		align := -1
		x := from.X - 1
		if d < 0 {
			align, x = 1, from.X+1
		}
		for _, l := range []string{"1", "2", "3"} {
			s.say(x, y, 2.9*letters, align, trail, "%s", s.Text("drawing.tends_"+l))
			y += 3.9 * letters
		}
	}
	said := s.Text("drawing.angles", s.Decimal(fmt.Sprintf("%g", times)))
	if steps > 1 {
		said += s.Text("drawing.widths", s.Decimal(fmt.Sprintf("%g", steps)))
	}
	said = s.Text("drawing.seen", said)
	if letters == 1 {
		s.say(edge, cy+89, 2.9, -1, pale, "%s", said)
		return
	}
	s.para(edge, cy+91, s.width-edge, 2.9*letters, pale, said)
}

// told puts the numbers beside the drawing, in letters as large as there is room
// for.
func told(s *sheet, r *result.Joint, o report.Options) {
	before := len(s.items)
	for size := 3.2; size > 2.3; size -= 0.15 {
		s.items = s.items[:before]
		if tell(s, r, size, o) <= short-edge {
			return
		}
	}
}

// tell writes the numbers and returns the y below them.
func tell(s *sheet, r *result.Joint, size float64, o report.Options) float64 {
	const x, label = 152.0, 25.0
	width := long - edge - x
	y := s.para(x, 19, width, 3.8, ink, report.JointVerdict(r, o)) + 2.5
	rows := report.JointRows(r, o)
	if r.Pair.Advised != nil {
		rows = append(rows, report.RecutWay(r.Pair.Advised, o)...)
	}
	if r.Takeup != nil {
		rows = append(rows, report.TakeupRows(r.Takeup, o)...)
	}
	for _, n := range report.JointNotes(r, o) {
		rows = append(rows, report.Row{Label: s.Text("report.warning"), Text: n.Text})
	}
	if r.Advice != "" {
		rows = append(rows, report.Row{Label: s.Text("report.to_settle"), Text: report.JointAdvice(r, o)})
	}
	for _, row := range rows {
		if row.Label != "" {
			y += 1.2
			s.head(x, y, size, -1, row.Label)
		}
		y = s.para(x+label, y, width-label, size, ink, row.Text)
	}
	y += 2.5
	for _, c := range report.Cautions(o) {
		y = s.para(x, y, width, 0.875*size, pale, c)
	}
	return y
}
