package lacing

import (
	"math"

	"beltend/geometry"
)

// Figures of common practice.
const (
	DefaultMargin = 6.0  // mm unlaced at each edge
	SkiveBack     = 25.0 // mm back from the cut that an impression or thick cover is taken off
)

// Wish is what a joint is planned from. The zero value of a field below the
// widths means none or no.
type Wish struct {
	LeadWidth, LeadU95   float64 // of the leading end at its cut, square to the belt; U95 0: typed, not known
	TrailWidth, TrailU95 float64
	Bias                 float64 // angle of the cut from square
	Margin               float64 // asked for at each edge
	Thickness            float64 // of the belt
	JointThickness       float64 // after skiving; 0: not skived
	Machine              float64 // longest row of hooks the lacing machine takes in one go; 0: any
	Notch                float64 // along the edge; 0: size not given
	Reversible           bool    // runs both ways
	MoreOnTrailing       bool    // the trailing side gets the one hook more
}

// Plan is the hook plan of a joint.
type Plan struct {
	Fastener   Fastener `json:"fastener"`
	BiasDeg    float64  `json:"bias_deg"`
	Margin     float64  `json:"margin_asked_mm"`
	Lead       Side     `json:"leading"`
	Trail      Side     `json:"trailing"`
	Mesh       float64  `json:"mesh_gap_mm"`    // free space between a hook and the other side's next one
	Strips     int      `json:"strips"`         // to take out of the box
	LeftOver   int      `json:"hooks_left"`     // of those strips
	Pin        Pin      `json:"pin"`            // hinge pin
	Width      Step     `json:"width"`          // of the two ends against each other
	Skive      *Skive   `json:"skive"`          // nil: the covers stay
	Machine    float64  `json:"machine_mm"`     // 0: one go
	Reversible bool     `json:"reversible"`     // notched on both sides
	Notes      []Note   `json:"-"`              // what to know before starting; an answer has them as warnings
	NotchBack  float64  `json:"notch_along_mm"` // 0: size not given
}

// Side is one end of the belt with its hooks. Places are along the cut from
// the left corner.
type Side struct {
	Hooks       int       `json:"hooks"`
	Width       float64   `json:"width_mm"`
	WidthU95    float64   `json:"width_u95_mm"`
	Cut         float64   `json:"cut_length_mm"`
	Span        float64   `json:"span_mm"` // outer side of the first hook to outer side of the last
	MarginLeft  float64   `json:"margin_left_mm"`
	MarginRight float64   `json:"margin_right_mm"`
	MarginU95   float64   `json:"margin_u95_mm"` // half that of the cut's length; 0: width typed without one
	First       float64   `json:"first_hook_mm"` // centre of the first hook
	FullStrips  int       `json:"full_strips"`
	CutStrips   []int     `json:"cut_strips"` // hooks of each piece to cut
	Sections    []Section `json:"sections"`
	Notch       *Notch    `json:"notch"`
}

// Centre is where hook k (from 0) stands, along the cut from the left corner.
func (s Side) Centre(k int, pitch float64) float64 { return s.First + float64(k)*pitch }

// Section is what is laced in one go.
type Section struct {
	FirstHook int     `json:"first_hook"` // counted from 1 at the left
	LastHook  int     `json:"last_hook"`
	Start     float64 `json:"start_mm"` // centre of its first hook from the left corner along the cut
	End       float64 `json:"end_mm"`   // centre of its last hook
}

// Notch is the corner to be cut off, both left and right: from the outer side
// of the outer hook, on the cut, to a point up the edge.
type Notch struct {
	Across float64 `json:"across_mm"` // along the cut from the corner
	Along  float64 `json:"along_mm"`  // up the edge; 0: by maker or site
}

// Pin is the hinge pin.
type Pin struct {
	Length float64 `json:"length_mm"`
	Wanted float64 `json:"wanted_mm"` // laced span and allowance, before the cap
	Capped bool    `json:"capped"`    // at the narrower end's cut
}

// Skive is the cover to be taken off both ends.
type Skive struct {
	Back float64 `json:"back_mm"`
	From float64 `json:"from_mm"` // thickness before
	To   float64 `json:"to_mm"`   // thickness left, measured again
}

// Notes of a plan.
const (
	NoteBias         = "biased_hinge"       // degrees
	NoteCountUnsure  = "hook_count_unsure"  // hooks if the belt is narrower by its uncertainty, hooks planned
	NoteWidths       = "widths_differ"      // difference, 3 mm
	NoteWidthsUnsure = "widths_may_differ"  // the same, within the uncertainty
	NotePinCapped    = "pin_capped"         // length wanted, length
	NoteNotchSize    = "notch_size_open"    // the notch's size is still to be found out
	NoteSkive        = "thickness_after"    // measure again after skiving
	NoteSections     = "machine_too_narrow" // row of hooks, machine
	NoteCutStrips    = "strips_shorter"     // hooks the machine takes, hooks per strip
)

// Check names the first wish that cannot be.
func (w Wish) Check() error {
	err := geometry.InRange(
		geometry.Range{Name: "lead-width", V: w.LeadWidth, Lo: 50, Hi: 10000, Unit: "mm", Want: "the width of the leading end"},
		geometry.Range{Name: "trail-width", V: w.TrailWidth, Lo: 50, Hi: 10000, Unit: "mm", Want: "the width of the trailing end"},
		geometry.Range{Name: "lead-width-u95", V: w.LeadU95, Hi: 1000, Unit: "mm", Want: "the width's uncertainty"},
		geometry.Range{Name: "trail-width-u95", V: w.TrailU95, Hi: 1000, Unit: "mm", Want: "the width's uncertainty"},
		geometry.Range{Name: "margin", V: w.Margin, Hi: 500, Unit: "mm", Want: "the belt to leave unlaced at each edge"},
		geometry.Range{Name: "thickness", V: w.Thickness, Hi: 100, Unit: "mm", Want: "the belt's thickness"},
		geometry.Range{Name: "joint-thickness", V: w.JointThickness, Hi: 100, Unit: "mm", Want: "the thickness left after skiving"},
		geometry.Range{Name: "machine", V: w.Machine, Hi: 10000, Unit: "mm", Want: "the longest row of hooks the machine takes"},
		geometry.Range{Name: "notch", V: w.Notch, Hi: 1000, Unit: "mm", Want: "the notch's length along the edge"},
		geometry.Range{Name: "bias", V: w.Bias * 180 / math.Pi, Lo: -60, Hi: 60, Unit: "degrees", Want: "the angle of the cut from square"},
	)
	if err != nil {
		return err
	}
	if !(w.Thickness > 0) {
		return geometry.Wrong("thickness", "0 mm is no belt thickness: give what a gauge reads in mm").Coded("thickness_zero", nil)
	}
	if w.JointThickness > w.Thickness {
		return geometry.Wrong("joint-thickness", "%g mm after skiving is more than the belt's %g mm before", w.JointThickness, w.Thickness).Coded("skived_thicker", geometry.Values{"after_mm": w.JointThickness, "before_mm": w.Thickness})
	}
	return nil
}

// AtJoint is the thickness that the fastener has to fit.
func (w Wish) AtJoint() float64 {
	if w.JointThickness > 0 {
		return w.JointThickness
	}
	return w.Thickness
}

// Hooks is how many hooks a cut takes: floor((cut - 2 margin - wire)/pitch) + 1,
// so that the outer hooks' outer sides keep the margin. Below 1 where not even
// one fits.
func Hooks(cut, margin, pitch, wire float64) int {
	room := cut - 2*margin - wire
	if room < -slack {
		return 0
	}
	return int(math.Floor(room/pitch+slack)) + 1
}

// Make plans a joint with one fastener:
//
//	cut          = width/cos(bias), of the narrower end for the count
//	N1           = floor((cut - 2 margin - wire)/pitch) + 1 on the leading side
//	N2           = N1 - 1 on the trailing side, each in a gap of the first
//	true margin  = (own cut - (N-1) pitch - wire)/2
//	pin          = (N1-1) pitch + wire + allowance, at most the narrower cut
func Make(f Fastener, w Wish) (*Plan, error) {
	if faults := f.Check(); len(faults) > 0 {
		return nil, faults[0]
	}
	if err := w.Check(); err != nil {
		return nil, err
	}
	cos := math.Cos(w.Bias)
	cut := math.Min(w.LeadWidth, w.TrailWidth) / cos
	n := Hooks(cut, w.Margin, f.Pitch, f.Wire)
	if n < 2 {
		if 2*w.Margin >= cut {
			return nil, geometry.Wrong("margin", "%g mm at both edges leaves nothing of a cut %.0f mm long to lace", w.Margin, cut).Coded("margin_leaves_nothing", geometry.Values{"margin_mm": w.Margin, "cut_mm": cut})
		}
		return nil, geometry.Wrong(FieldPitch, "%g mm is too wide for a cut %.0f mm long with %g mm left free at each edge: not even two hooks fit", f.Pitch, cut, w.Margin).Coded("pitch_too_wide", geometry.Values{"pitch_mm": f.Pitch, "cut_mm": cut, "margin_mm": w.Margin})
	}
	if w.Machine > 0 && w.Machine < f.Wire+f.Pitch {
		return nil, geometry.Wrong("machine", "%g mm is too short for two hooks at a pitch of %g mm", w.Machine, f.Pitch).Coded("machine_too_short", geometry.Values{"machine_mm": w.Machine, "pitch_mm": f.Pitch})
	}

	p := &Plan{Fastener: f, BiasDeg: w.Bias * 180 / math.Pi, Margin: w.Margin, Mesh: f.Pitch/2 - f.Wire,
		Machine: w.Machine, Reversible: w.Reversible, NotchBack: w.Notch, Notes: []Note{}}
	more, fewer := n, n-1
	if w.MoreOnTrailing {
		more, fewer = fewer, more
	}
	p.Lead = side(f, w, more, w.LeadWidth, w.LeadU95)
	p.Trail = side(f, w, fewer, w.TrailWidth, w.TrailU95)
	// the side whose corners point forward; both where the belt runs both ways
	p.Trail.Notch = &Notch{Across: p.Trail.MarginLeft, Along: w.Notch}
	if w.Reversible {
		p.Lead.Notch = &Notch{Across: p.Lead.MarginLeft, Along: w.Notch}
	}

	span := float64(n-1)*f.Pitch + f.Wire
	p.Pin.Wanted = span + f.PinAllowance
	p.Pin.Length = math.Min(p.Pin.Wanted, cut)
	p.Pin.Capped = p.Pin.Wanted > cut+slack
	p.Strips, p.LeftOver = strips(f.HooksPerStrip, p.Lead, p.Trail)
	p.Width = Compare(w.LeadWidth, w.LeadU95, w.TrailWidth, w.TrailU95)
	if w.JointThickness > 0 && w.JointThickness < w.Thickness {
		p.Skive = &Skive{Back: SkiveBack, From: w.Thickness, To: w.JointThickness}
	}
	p.notes(w, n, cut, span)
	return p, nil
}

func side(f Fastener, w Wish, hooks int, width, u95 float64) Side {
	cos := math.Cos(w.Bias)
	s := Side{Hooks: hooks, Width: width, WidthU95: u95, Cut: width / cos, Span: float64(hooks-1)*f.Pitch + f.Wire}
	// centred on the centreline: the same on both sides
	s.MarginLeft = (s.Cut - s.Span) / 2
	s.MarginRight = s.MarginLeft
	s.MarginU95 = u95 / cos / 2
	s.First = s.MarginLeft + f.Wire/2
	s.sections(f, w.Machine)
	return s
}

func (p *Plan) notes(w Wish, n int, cut, span float64) {
	f := p.Fastener
	note := func(code string, value, limit float64) { p.Notes = append(p.Notes, Note{code, value, limit}) }
	if w.Bias != 0 {
		note(NoteBias, p.BiasDeg, 0)
	}
	u := w.LeadU95
	if w.TrailWidth < w.LeadWidth {
		u = w.TrailU95
	}
	if less := Hooks(cut-u/math.Cos(w.Bias), w.Margin, f.Pitch, f.Wire); less < n {
		note(NoteCountUnsure, float64(less), float64(n))
	}
	switch p.Width.Verdict {
	case StepLarge:
		note(NoteWidths, p.Width.Difference, WidthFlag)
	case StepUnsure:
		note(NoteWidthsUnsure, p.Width.Difference, WidthFlag)
	}
	if p.Pin.Capped {
		note(NotePinCapped, p.Pin.Wanted, p.Pin.Length)
	}
	if w.Notch == 0 {
		note(NoteNotchSize, 0, 0)
	}
	if p.Skive != nil {
		note(NoteSkive, p.Skive.To, 0)
	}
	if w.Machine > 0 && span > w.Machine+slack {
		note(NoteSections, span, w.Machine)
		if most := inMachine(f, w.Machine); most < f.HooksPerStrip {
			note(NoteCutStrips, float64(most), float64(f.HooksPerStrip))
		}
	}
}
