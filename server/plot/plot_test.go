package plot

import (
	"bytes"
	"encoding/xml"
	"errors"
	"image/png"
	"io"
	"math"
	"os"
	"regexp"
	"strings"
	"testing"

	"beltend/geometry"
)

func bowed() Input {
	in := Input{Title: "Kestrel Hollow, transfer belt 3, head end", Width: 820, Offset: -7.8, U95: 0.9, Tolerance: 1.6, HasRecut: true, RecutL: "0.0 mm", RecutR: "7.9 mm"}
	for k := 0; k <= 160; k++ {
		x := -410 + 820*float64(k)/160
		in.Profile = append(in.Profile, geometry.Vec2{X: x, Y: -4.5*(1-x*x/410/410) + 3 + 0.1*math.Sin(x/9) + 0.2*math.Sin(x/40)})
	}
	in.Recut = 6.9
	return in
}

func TestProfileSVG(t *testing.T) {
	var b bytes.Buffer
	if err := Profile(&b, "svg", bowed()); err != nil {
		t.Fatal(err)
	}
	d := xml.NewDecoder(bytes.NewReader(b.Bytes()))
	for {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal("not well-formed:", err)
		}
	}
	for _, s := range []string{">L<", ">R<", "heights drawn", "-7.8 mm out", "0.9 mm", "1.6 mm", "0.0 mm back on the left, 7.9 mm on the right"} {
		if !strings.Contains(b.String(), s) {
			t.Errorf("does not say %q", s)
		}
	}
}

func TestProfilePNG(t *testing.T) {
	var b bytes.Buffer
	if err := Profile(&b, "png", bowed()); err != nil {
		t.Fatal(err)
	}
	if name := os.Getenv("PROFILE_PNG"); name != "" {
		if err := os.WriteFile(name, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	p, err := png.Decode(&b)
	if err != nil {
		t.Fatal(err)
	}
	if p.Bounds().Dx() < 1400 {
		t.Errorf("%v is small for a projector", p.Bounds())
	}
}

// The factor written on the drawing is the drawing's own.
func TestExaggerationIsTrue(t *testing.T) {
	for _, in := range []Input{bowed(), {Width: 300, Profile: []geometry.Vec2{{X: -150}, {X: 150}}, Offset: 0.2, U95: 0.3},
		{Width: 2000, Profile: []geometry.Vec2{{X: -1000}, {X: 1000}}, Offset: 600}} {
		var b bytes.Buffer
		if err := Profile(&b, "svg", in); err != nil {
			t.Fatal(err)
		}
		p, err := build(in)
		if err != nil {
			t.Fatal(err)
		}
		d := p.DataCanvas(pageForTest())
		sx := float64(d.Max.X-d.Min.X) / (p.X.Max - p.X.Min)
		sy := float64(d.Max.Y-d.Min.Y) / (p.Y.Max - p.Y.Min)
		want := stated(p.X.Label.Text)
		if !(math.Abs(sy/sx/want-1) < 0.02) {
			t.Errorf("heights are %.3f times larger, %g stated", sy/sx, want)
		}
	}
}

// In German and inches no English word and no mm stand on the drawing.
func TestProfileInAnotherLanguageAndUnit(t *testing.T) {
	in := bowed()
	in.Title, in.Lang, in.Inches, in.RecutL, in.RecutR = "", "de", true, "0 in", "5/16 in"
	var b bytes.Buffer
	if err := Profile(&b, "svg", in); err != nil {
		t.Fatal(err)
	}
	got := regexp.MustCompile(`<[^>]*>`).ReplaceAllString(b.String(), " ")
	for _, wrong := range []string{"belt", "the ", "mm", "out"} {
		if strings.Contains(got, wrong) {
			t.Errorf("%q stands on it: %s", wrong, got)
		}
	}
	for _, want := range []string{"Mittellinie", " in", "erlaubt"} {
		if !strings.Contains(got, want) {
			t.Errorf("%q is missing: %s", want, got)
		}
	}
}

func TestProfileRefuses(t *testing.T) {
	if err := Profile(io.Discard, "bmp", bowed()); !errors.Is(err, ErrFormat) {
		t.Error(err)
	}
	for _, f := range []func(*Input){
		func(in *Input) { in.Width = 0 }, func(in *Input) { in.Width = math.NaN() }, func(in *Input) { in.Profile = nil },
		func(in *Input) { in.Offset = math.Inf(1) }, func(in *Input) { in.Profile[3].Y = math.NaN() },
	} {
		in := bowed()
		f(&in)
		if err := Profile(io.Discard, "svg", in); !errors.Is(err, ErrInput) {
			t.Error(err)
		}
	}
}
