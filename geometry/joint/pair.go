package joint

import (
	"math"

	"beltend/geometry"
	"beltend/geometry/lacing"
	"beltend/geometry/square"
)

// End is what is known of one end, carrying side up.
type End struct {
	Offset, U95     float64 // out of square, or of the target
	Width, WidthU95 float64 // at the cut; U95 0: typed, not known
	Tolerance       float64 // largest offset allowed; 0: 2 mm per metre of width
	Target          float64 // angle asked for from square
	Shape           []geometry.Vec2
	// Shape is the cut's deviation from its own straight line, x from the
	// centreline; none: a straight cut.
}

// Turned is the end seen from its other face: what was left is right.
func (e End) Turned() End {
	e.Offset, e.Target = -e.Offset, -e.Target
	shape := make([]geometry.Vec2, len(e.Shape))
	for i, p := range e.Shape {
		shape[len(shape)-1-i] = geometry.Vec2{X: -p.X, Y: p.Y}
	}
	e.Shape = shape
	return e
}

// slope of the cut against square: offset = width (tan(angle) - tan(target)).
func (e End) slope() float64 { return math.Tan(e.Target) + e.Offset/e.Width }

// Judged is a quantity of the pair with the decision on it.
type Judged struct {
	MM        float64        `json:"mm"` // over the mean width
	U95       float64        `json:"u95_mm"`
	PerMetre  float64        `json:"mm_per_m"`
	Deg       float64        `json:"angle_deg"`
	DegU95    float64        `json:"angle_u95_deg"`
	Tolerance float64        `json:"tolerance_mm"`
	Verdict   square.Verdict `json:"verdict"`
}

// EndView is an end as the pair sees it.
type EndView struct {
	Offset    float64        `json:"offset_mm"`
	U95       float64        `json:"offset_u95_mm"`
	Width     float64        `json:"width_mm"`
	WidthU95  float64        `json:"width_u95_mm"`
	Tolerance float64        `json:"tolerance_mm"`
	Verdict   square.Verdict `json:"verdict"`
}

// Tendency is where the joint would go as the belt runs.
type Tendency struct {
	Side string  `json:"side"` // "left", "right", or "" where the kink is smaller than its uncertainty
	Bow  float64 `json:"bow_mm"`
	U95  float64 `json:"bow_u95_mm"`
	Over float64 `json:"over_mm"` // length of belt between what holds it
}

// BowLength is the length of belt over which the bow is stated. A kink k in
// the middle of a straight run of length l stands off its chord by k l/4.
const BowLength = 10000.0

// Pair is the two ends as one joint.
type Pair struct {
	Lead     EndView        `json:"leading"`
	Trail    EndView        `json:"trailing"`
	Width    float64        `json:"mean_width_mm"`
	Target   float64        `json:"target_deg"`
	Kink     Judged         `json:"kink"`
	Skew     Judged         `json:"hinge_skew"`
	Verdict  square.Verdict `json:"verdict"`
	Step     lacing.Step    `json:"width_step"`
	Tendency Tendency       `json:"tendency"`
	Recuts   []Recut        `json:"recuts"` // every way considered, least belt first
	Advised  *Recut         `json:"advised"`
}

// Match puts two ends together:
//
//	kink       = angle_lead - angle_trail              about (e_lead - e_trail)/B
//	hinge skew = (angle_lead + angle_trail)/2 - target about (e_lead + e_trail)/2B
//
// The two ends count as measured independently: U of the difference is the
// root of the sum of squares. The pair may be as far out as two ends together
// that each just keep their own tolerance, so two square ends make a square
// pair.
func Match(lead, trail End) (*Pair, error) {
	for _, e := range []struct {
		name string
		end  *End
	}{{"lead", &lead}, {"trail", &trail}} {
		if err := check(e.name, e.end); err != nil {
			return nil, err
		}
	}
	if math.Abs(lead.Target-trail.Target) > 1e-6 {
		return nil, geometry.Wrong("target", "the leading end was cut for %.4g degrees from square and the trailing end for %.4g: both sides of a joint need the same angle and the same hand",
			lead.Target*180/math.Pi, trail.Target*180/math.Pi).Coded("targets_differ", geometry.Values{"lead_deg": lead.Target * 180 / math.Pi, "trail_deg": trail.Target * 180 / math.Pi})
	}
	p := &Pair{Lead: lead.view(), Trail: trail.view(), Width: (lead.Width + trail.Width) / 2, Target: lead.Target * 180 / math.Pi}
	mismatch(p, lead, trail)
	p.Verdict = worse(p.Kink.Verdict, p.Skew.Verdict)
	p.Step = lacing.Compare(lead.Width, lead.WidthU95, trail.Width, trail.WidthU95)

	p.Tendency = Tendency{Bow: math.Abs(p.Kink.Deg) * math.Pi / 180 * BowLength / 4, U95: p.Kink.DegU95 * math.Pi / 180 * BowLength / 4, Over: BowLength}
	if math.Abs(p.Kink.MM) > p.Kink.U95 {
		p.Tendency.Side = "left" // its long side stands out
		if p.Kink.MM < 0 {
			p.Tendency.Side = "right"
		}
	}
	p.recuts(lead, trail)
	return p, nil
}

func check(name string, e *End) error {
	err := geometry.InRange(
		geometry.Range{Name: name + "-width", V: e.Width, Lo: 50, Hi: 10000, Unit: "mm", Want: "the belt's width at the cut"},
		geometry.Range{Name: name + "-width-u95", V: e.WidthU95, Hi: 1000, Unit: "mm", Want: "the width's uncertainty"},
		geometry.Range{Name: name + "-offset", V: e.Offset, Lo: -e.Width, Hi: e.Width, Unit: "mm", Want: "the out-of-square offset"},
		geometry.Range{Name: name + "-u95", V: e.U95, Hi: e.Width, Unit: "mm", Want: "the offset's uncertainty (95 %)"},
		geometry.Range{Name: name + "-tolerance", V: e.Tolerance, Hi: 1000, Unit: "mm", Want: "the largest offset allowed"},
		geometry.Range{Name: name + "-target", V: e.Target * 180 / math.Pi, Lo: -60, Hi: 60, Unit: "degrees", Want: "the angle asked for from square"},
	)
	if err != nil {
		return err
	}
	if e.U95 == 0 {
		return geometry.Wrong(name+"-u95", "0 mm: no measurement is without uncertainty, give that of the offset (95 %%) in mm").Coded("u95_zero", nil)
	}
	for _, p := range e.Shape {
		if !p.IsFinite() {
			return geometry.Wrong(name, "a point of the cut's profile is no number").Coded("profile_no_number", nil)
		}
	}
	if e.Tolerance == 0 {
		e.Tolerance = square.DefaultTolerance(e.Width)
	}
	return nil
}

func (e End) view() EndView {
	return EndView{e.Offset, e.U95, e.Width, e.WidthU95, e.Tolerance, square.Decide(e.Offset, e.U95, e.Tolerance)}
}

// mismatch fills kink and skew. Fractions of the width take the place of
// offsets so that ends of different widths are treated alike.
func mismatch(p *Pair, a, b End) {
	w := p.Width
	sa, sb := a.Offset/a.Width, b.Offset/b.Width
	// u of the width itself changes the slope by offset/width times its share
	ua := math.Hypot(a.U95/a.Width, sa*a.WidthU95/a.Width)
	ub := math.Hypot(b.U95/b.Width, sb*b.WidthU95/b.Width)
	u := math.Hypot(ua, ub)
	t := a.Tolerance/a.Width + b.Tolerance/b.Width
	target := math.Tan(a.Target)
	pa, pb := math.Atan(target+sa), math.Atan(target+sb)
	perAngle := 1 / (1 + target*target) // of a slope
	deg := 180 / math.Pi
	p.Kink = Judged{MM: w * (sa - sb), U95: w * u, PerMetre: 1000 * (sa - sb), Deg: (pa - pb) * deg, DegU95: u * perAngle * deg, Tolerance: w * t}
	p.Skew = Judged{MM: w * (sa + sb) / 2, U95: w * u / 2, PerMetre: 500 * (sa + sb), Deg: ((pa+pb)/2 - a.Target) * deg, DegU95: u / 2 * perAngle * deg, Tolerance: w * t / 2}
	for _, j := range []*Judged{&p.Kink, &p.Skew} {
		j.Verdict = square.Decide(j.MM, j.U95, j.Tolerance)
	}
}

// worse of two verdicts: one recut is enough for the whole, and everything has
// to be square for the whole to be.
func worse(a, b square.Verdict) square.Verdict {
	switch {
	case a == square.MustRecut || b == square.MustRecut:
		return square.MustRecut
	case a == square.Square && b == square.Square:
		return square.Square
	}
	return square.Undecided
}
