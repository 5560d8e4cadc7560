package drawing

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os/exec"
	"strings"
	"testing"

	"beltend/geometry"
	"beltend/geometry/joint"
	"beltend/geometry/lacing"
	"beltend/server/report"
	"beltend/server/result"
)

func planned(t *testing.T, f lacing.Fastener, w lacing.Wish) *result.Lacing {
	t.Helper()
	p, err := lacing.Make(f, w)
	if err != nil {
		t.Fatal(err)
	}
	fits, err := lacing.Fitting([]lacing.Fastener{f}, w.AtJoint(), 1000)
	if err != nil {
		t.Fatal(err)
	}
	return &result.Lacing{Schema: result.LacingSchema, ThicknessMM: w.AtJoint(), PulleyMM: 1000, Fits: fits, Plan: p}
}

var hook = lacing.Fastener{Name: "KH 40", Pitch: 13, Wire: 2.4, ThicknessFrom: 6, ThicknessTo: 9, Pulley: 200, Strip: 312, HooksPerStrip: 24, PinAllowance: 20}

func texts(s *sheet) string {
	var all []string
	for _, i := range s.items {
		if w, ok := i.(wording); ok {
			all = append(all, w.text)
		}
	}
	return strings.Join(all, "\n")
}

// Every number of the plan stands on the drawing.
func TestEveryNumberIsOnTheDrawing(t *testing.T) {
	r := planned(t, hook, lacing.Wish{LeadWidth: 1000, LeadU95: 0.8, TrailWidth: 998, TrailU95: 0.6, Margin: 6, Thickness: 8, JointThickness: 7, Notch: 40, Machine: 600})
	all := texts(meshed(r.Plan, report.Options{}))
	for _, want := range []string{"76 hooks", "75 hooks", "1000.0 mm ± 0.8 mm", "998.0 mm ± 0.6 mm", "11.3 mm free", "16.8 mm free", "12.5 mm to the first centre", "18.0 mm to the first centre",
		"pitch 13.0 mm", "wire 2.4 mm", "4.1 mm", "977.4 mm", "964.4 mm", "pin 997.4 mm", "7 to take", "17 hooks left over", "1.0 mm on each side",
		"notch 16.8 mm × 40.0 mm", "skive 25.0 mm back", "1: 12.5 mm", "2: 324.5 mm", "3: 636.5 mm", "4: 948.5 mm", "1: 18.0 mm", "scale 1 : 1"} {
		if !strings.Contains(all, want) {
			t.Errorf("%q is not on the drawing:\n%s", want, all)
		}
	}
	// twice: at the left corners and at the right ones
	for _, want := range []string{"11.3 mm free", "16.8 mm free", "12.5 mm to the first centre", "18.0 mm to the first centre", "pitch 13.0 mm"} {
		if n := strings.Count(all, want); n != 2 {
			t.Errorf("%q stands %d times on the drawing", want, n)
		}
	}
}

// The drawing is to scale: hooks, corners and pin, read off the sheet and
// divided by the scale it states, are the plan's.
func TestToScale(t *testing.T) {
	r := rand.New(rand.NewPCG(45, 1))
	for range 300 {
		w := lacing.Wish{LeadWidth: 300 + 2500*r.Float64(), Margin: 6, Thickness: 8, Notch: 30 * r.Float64(), Bias: 0.3 * (r.Float64() - 0.5), Reversible: r.IntN(2) == 0}
		w.TrailWidth = w.LeadWidth + 10*(r.Float64()-0.5)
		p := planned(t, hook, w).Plan
		s := newSheet(long, short, report.Options{})
		overall(s, p, report.Options{})
		var by float64
		for _, i := range s.items {
			if x, ok := i.(wording); ok && strings.HasPrefix(x.text, "Both ends meshed") {
				if _, err := fmt.Sscanf(x.text[strings.Index(x.text, "Scale"):], "Scale 1 : %g,", &by); err != nil {
					t.Fatal(x.text, err)
				}
			}
		}
		// a hook is the only closed shape of four points as wide as the wire
		var centres [2][]geometry.Vec2 // leading, trailing
		for _, i := range s.items {
			q, ok := i.(shape)
			if !ok || len(q.pts) != 4 || !q.closed || math.Abs(q.pts[1].Sub(q.pts[0]).Norm()*by-hook.Wire) > 1e-6 {
				continue
			}
			k := 0
			if q.fill == white {
				k = 1
			}
			centres[k] = append(centres[k], q.pts[0].Add(q.pts[1]).Mul(0.5))
		}
		for k, side := range []*lacing.Side{&p.Lead, &p.Trail} {
			if len(centres[k]) != side.Hooks {
				t.Fatalf("%d hooks drawn of %d", len(centres[k]), side.Hooks)
			}
			for i := 1; i < len(centres[k]); i++ {
				if d := centres[k][i].Sub(centres[k][i-1]).Norm() * by; math.Abs(d-hook.Pitch) > 1e-6 {
					t.Fatalf("pitch %g on the drawing", d)
				}
			}
			// the belt's corners at the far side are a width apart
			var belts []shape
			for _, i := range s.items {
				if q, ok := i.(shape); ok && q.closed && (q.fill == belt || q.fill == beltToo) {
					belts = append(belts, q)
				}
			}
			pts := belts[k].pts
			if d := (pts[len(pts)-1].X - pts[0].X) * by; math.Abs(d-side.Width) > 1e-6 {
				t.Fatalf("width %g of %g on the drawing", d, side.Width)
			}
			// margin along the cut: from the edge to the first hook's outer side
			edgeX := pts[0].X
			if d := (centres[k][0].X-edgeX)/math.Cos(w.Bias)*by - hook.Wire/2; math.Abs(d-side.MarginLeft) > math.Abs(math.Tan(w.Bias))*hook.Pitch {
				t.Fatalf("margin %g of %g on the drawing", d, side.MarginLeft)
			}
		}
		if mid := centres[1][0].X - (centres[0][0].X+centres[0][1].X)/2; math.Abs(mid)*by > math.Abs(math.Sin(w.Bias))*hook.Pitch {
			t.Fatalf("the first trailing hook is %g mm off the middle of its gap", mid*by)
		}
	}
}

// Nothing leaves the sheet, and no text runs into another, over random plans
// and pairs in both units.
func TestNothingOutsideNothingCramped(t *testing.T) {
	r := rand.New(rand.NewPCG(45, 2))
	for k := range 300 {
		o := report.Options{Inches: k%2 == 1, Lang: []string{"en", "de"}[k/2%2]}
		pitch := 4 + 20*r.Float64()
		f := lacing.Fastener{Name: "KH 40", Pitch: pitch, Wire: pitch * (0.1 + 0.2*r.Float64()), ThicknessFrom: 6, ThicknessTo: 9, Pulley: 200, Strip: 24 * pitch, HooksPerStrip: 24, PinAllowance: 20}
		w := lacing.Wish{LeadWidth: 300 + 2500*r.Float64(), Margin: 6, Thickness: 8, JointThickness: 7, Notch: 60 * r.Float64(), Reversible: r.IntN(2) == 0}
		w.TrailWidth = w.LeadWidth + 10*(r.Float64()-0.5)
		w.LeadU95, w.TrailU95 = 1, 1
		if k%5 == 0 {
			w.Machine = w.LeadWidth / (1.5 + 5*r.Float64())
		}
		if k%7 == 0 {
			w.Bias = 0.4 * (r.Float64() - 0.5)
		}
		if k%11 == 0 {
			w.Notch = 0
		}
		plan := planned(t, f, w)
		sheets := append([]*sheet{meshed(plan.Plan, o)}, benchSheets(plan, o)...)

		a := joint.End{Offset: 20 * (r.Float64() - 0.5), U95: 0.1 + 2*r.Float64(), Width: 1000, WidthU95: 1}
		b := joint.End{Offset: 20 * (r.Float64() - 0.5), U95: 0.1 + 2*r.Float64(), Width: 1000 + 20*(r.Float64()-0.5), WidthU95: 1}
		pair, err := joint.Match(a, b)
		if err != nil {
			t.Fatal(err)
		}
		takeup, err := joint.Cutting{LeadTrim: 150, TrailTrim: 150, Travel: 300 * r.Float64(), Reserve: 50}.Takeup()
		if err != nil {
			t.Fatal(err)
		}
		s := newSheet(long, short, report.Options{})
		running(s, pair, 112, 1)
		told(s, &result.Joint{Pair: pair, Takeup: takeup}, o)
		for n, s := range append(sheets, s) {
			checkSheet(t, s, fmt.Sprintf("drawing %d, sheet %d", k, n))
		}
		if t.Failed() {
			t.Fatalf("%+v\n%+v\n%+v\n%+v", f, w, a, b)
		}
	}
}

type box struct {
	x0, y0, x1, y1 float64
	text           string
}

func checkSheet(t *testing.T, s *sheet, name string) {
	t.Helper()
	const border = 5.0
	var boxes []box
	for _, item := range s.items {
		switch i := item.(type) {
		case shape:
			for _, p := range i.pts {
				if !(p.X >= border && p.X <= s.width-border && p.Y >= border && p.Y <= s.height-border) {
					t.Errorf("%s: a line reaches %v", name, p)
				}
			}
		case wording:
			// 0.5 em a character is the Go font's own mean
			w := textWidth(i.text, i.size) * 0.5 / 0.55
			if s.page { // on paper the font is known
				w = pageWidth(i.text, i.size)
			}
			x := i.at.X - w*float64(i.align+1)/2
			q := box{x, i.at.Y - 0.7*i.size, x + w, i.at.Y, i.text}
			if i.up {
				q = box{i.at.X - 0.7*i.size, i.at.Y - w, i.at.X, i.at.Y, i.text}
			}
			if !(q.x0 >= border && q.x1 <= s.width-border && q.y0 >= border && q.y1 <= s.height-border) {
				t.Errorf("%s: %q reaches out of the sheet: %+v", name, i.text, q)
			}
			boxes = append(boxes, q)
		}
	}
	for i, a := range boxes {
		for _, b := range boxes[:i] {
			if a.x0 < b.x1 && b.x0 < a.x1 && a.y0 < b.y1 && b.y0 < a.y1 {
				t.Errorf("%s: %q runs into %q", name, a.text, b.text)
			}
		}
	}
}

// The exaggerated joint keeps what it shows: the belt bends by the stated
// factor times the kink, and the middle of the joint stands on the side named.
func TestRunningJointIsDrawnAsStated(t *testing.T) {
	r := rand.New(rand.NewPCG(45, 3))
	for range 300 {
		p, err := joint.Match(joint.End{Offset: 20 * (r.Float64() - 0.5), U95: 0.5, Width: 1000}, joint.End{Offset: 20 * (r.Float64() - 0.5), U95: 0.5, Width: 1005})
		if err != nil {
			t.Fatal(err)
		}
		s := newSheet(long, short, report.Options{})
		running(s, p, 112, 1)
		var axes []shape
		var straight shape
		times := 0.0
		for _, i := range s.items {
			switch q := i.(type) {
			case shape:
				if q.dash == 1.2 {
					axes = append(axes, q)
				} else if q.dash > 0 {
					straight = q
				}
			case wording:
				if strings.HasPrefix(q.text, "Angles drawn") {
					if _, err := fmt.Sscanf(q.text, "Angles drawn %g times", &times); err != nil {
						t.Fatal(err)
					}
				}
			}
		}
		up, down := axes[0].pts[1].Sub(axes[0].pts[0]), axes[1].pts[0].Sub(axes[1].pts[1])
		bend := math.Atan2(down.Cross(up), down.Dot(up)) // clockwise on paper (y down): to the right
		if math.Abs(bend-times*p.Kink.Deg*math.Pi/180) > 1e-9 {
			t.Fatalf("bends by %g, %g times the kink of %g", bend, times, p.Kink.Deg*math.Pi/180)
		}
		off := axes[0].pts[0].X - straight.pts[0].X
		if p.Tendency.Side == "left" && off >= 0 || p.Tendency.Side == "right" && off <= 0 {
			t.Fatalf("stands %g mm to the right on paper, stated %q", off, p.Tendency.Side)
		}
	}
}

func TestFiles(t *testing.T) {
	plan := planned(t, hook, lacing.Wish{LeadWidth: 1000, TrailWidth: 998, Margin: 6, Thickness: 8})
	plan.Plan.Fastener.Name = `K<H> & "40"`
	pair, err := joint.Match(joint.End{Offset: 3, U95: 1, Width: 1000}, joint.End{Offset: -4, U95: 1, Width: 1000})
	if err != nil {
		t.Fatal(err)
	}
	for name, draw := range map[string]func(format string) ([]byte, error){
		"lacing": func(format string) ([]byte, error) { return Lacing(plan, format, report.Options{}) },
		"joint":  func(format string) ([]byte, error) { return Joint(&result.Joint{Pair: pair}, format, report.Options{}) },
	} {
		svg, err := draw("svg")
		if err != nil {
			t.Fatal(name, err)
		}
		d := xml.NewDecoder(bytes.NewReader(svg))
		n := 0
		for {
			token, err := d.Token()
			if token == nil {
				break
			}
			if err != nil {
				t.Fatal(name, err)
			}
			n++
		}
		if n < 50 || bytes.Contains(svg, []byte("NaN")) {
			t.Errorf("%s: %d parts of SVG", name, n)
		}
		pdf, err := draw("pdf")
		if err != nil || !bytes.HasPrefix(pdf, []byte("%PDF-")) {
			t.Errorf("%s: %v", name, err)
		}
		if tool, err := exec.LookPath("pdftotext"); err == nil {
			c := exec.Command(tool, "-", "-")
			c.Stdin = bytes.NewReader(pdf)
			out, err := c.Output()
			want := []string{"locked out"}
			if name == "lacing" {
				want = append(want, "Bench list", "never hammer", "76 hooks", plan.Plan.Fastener.Name)
			}
			for _, w := range want {
				if err != nil || !strings.Contains(string(out), w) {
					t.Errorf("%s: the PDF does not say %q (%v)", name, w, err)
				}
			}
		} else {
			t.Log("pdftotext (poppler-utils) is not installed: the PDF's text was not read")
		}
		if _, err := draw("gif"); !errors.Is(err, ErrFormat) {
			t.Errorf("%s as gif: %v", name, err)
		}
	}
	if _, err := Lacing(&result.Lacing{}, "svg", report.Options{}); !errors.Is(err, ErrNoPlan) {
		t.Error(err)
	}
}

func TestScaleDown(t *testing.T) {
	for most, want := range map[float64]string{20: "10 : 1", 2.5: "2 : 1", 1: "1 : 1", 0.99: "1 : 1.5", 0.5: "1 : 2", 0.21: "1 : 5", 0.19: "1 : 6", 0.07: "1 : 15", 0.01: "1 : 100"} {
		if scale, text := scaleDown(most); text != want || scale > most {
			t.Errorf("at most %g: %g, %q, should be %q", most, scale, text, want)
		}
	}
}
