package render

import (
	"image"
	"math"
	"testing"
)

// readColumns finds, column by column, where white turns to black between two
// heights of the belt plane, and maps the places onto the plane z above it.
func readColumns(s *Scene, img *image.YCbCr, from, to, z float64) []vec2 {
	v := s.View()
	c := v.Centre()
	var pts []vec2
	for x := -s.Belt.Width/2 + 6; x < s.Belt.Width/2-6; x += 1.3 {
		a, _ := v.Project(vec2{X: x, Y: to})
		b, _ := v.Project(vec2{X: x, Y: from})
		col := int(math.Round(a.X))
		at, ok := crossing(func(i int) float64 { return float64(img.Y[i*img.YStride+col]) }, int(a.Y), int(b.Y))
		if !ok {
			continue
		}
		p, ok := v.Unproject(vec2{X: float64(col), Y: at})
		if !ok {
			continue
		}
		k := (c.Z - z) / c.Z // along the ray from the camera
		pts = append(pts, vec2{X: c.X + (p.X-c.X)*k, Y: c.Y + (p.Y-c.Y)*k})
	}
	return pts
}

// readRows finds both edges row by row: left and right x at each y.
func readRows(s *Scene, img *image.YCbCr, from, to float64) (left, right []vec2) {
	v := s.View()
	for y := from; y < to; y += 1.3 {
		mid, _ := v.Project(vec2{Y: y})
		l, _ := v.Project(vec2{X: -s.Belt.Width/2 - 40, Y: y})
		r, _ := v.Project(vec2{X: s.Belt.Width/2 + 40, Y: y})
		row := int(math.Round(mid.Y))
		at := func(i int) float64 { return float64(img.Y[row*img.YStride+i]) }
		a, ok := crossing(at, int(l.X), int(mid.X))
		b, ok2 := crossing(at, int(mid.X), int(r.X))
		if !ok || !ok2 {
			continue
		}
		p, _ := v.Unproject(vec2{X: a, Y: float64(row)})
		q, _ := v.Unproject(vec2{X: b, Y: float64(row)})
		left, right = append(left, p), append(right, q)
	}
	return left, right
}

// amount fits how much of a shape is in points beside a straight line.
func amount(pts []vec2, width float64, shape func(u float64) float64) float64 {
	with := make([]vec2, len(pts))
	for i, p := range pts {
		with[i] = vec2{X: p.X, Y: shape(p.X / width)}
	}
	// take the line out of both, then regress
	flat := func(p []vec2) []float64 {
		a, b := fitLine(p)
		out := make([]float64, len(p))
		for i, q := range p {
			out[i] = q.Y - a - b*q.X
		}
		return out
	}
	y, f := flat(pts), flat(with)
	var yf, ff float64
	for i := range y {
		yf += y[i] * f[i]
		ff += f[i] * f[i]
	}
	return yf / ff
}

func scatter(pts []vec2) float64 {
	a, b := fitLine(pts)
	sum := 0.0
	for _, p := range pts {
		d := p.Y - a - b*p.X
		sum += d * d
	}
	return math.Sqrt(sum / float64(len(pts)))
}

func slope(pts []vec2) float64 {
	_, b := fitLine(pts)
	return b
}

// The sizes asked for are those in the photo, and those that Truth tells.
func TestErrorsHaveTheirSizeInThePhoto(t *testing.T) {
	const width = 500.0
	for _, e := range Errors {
		sizes := []float64{e.Usual, e.Least, e.Most}
		if e.Signed {
			sizes = append(sizes, -e.Usual, -e.Most)
		}
		for _, size := range sizes {
			s := flatScene()
			s.Seed = 5
			if e.Code == "bevel" {
				s.Belt.Thickness, s.Camera.TargetY = 12, 0 // straight above: nothing hides the lower edge
			}
			if err := e.Apply(&s, size); err != nil {
				t.Fatal(err)
			}
			truth, err := s.Truth()
			if err != nil {
				t.Fatalf("%s %g: %v", e.Code, size, err)
			}
			line, cards := s.Line, s.Cards
			s.Line, s.Cards, s.Cut.Fringe = nil, nil, 0
			img := drawPlain(t, &s)
			same := func(what string, got, want, by float64) {
				t.Helper()
				if !(math.Abs(got-want) <= by) {
					t.Errorf("%s of %g mm: %s is %.3f, should be %.3f", e.Code, size, what, got, want)
				}
			}
			cut := readColumns(&s, img, -90, 90, 0)
			if e.Code != "not_flat" && e.Code != "bevel" && len(cut) < 300 {
				t.Fatalf("%s: the cut is read at %d places only", e.Code, len(cut))
			}
			switch e.Code {
			case "skew":
				same("offset in the photo", width*slope(cut), size, 0.05)
				same("offset of the truth", truth.Squareness.Offset, size, 0.01)
			case "bow":
				same("bow in the photo", amount(cut, width, func(u float64) float64 { return 1 - 4*u*u }), size, 0.05)
				same("spread of the truth", truth.Squareness.Straightness, math.Abs(size), 0.01)
				same("offset", truth.Squareness.Offset, 0, 0.01)
			case "vee":
				same("V in the photo", amount(cut, width, func(u float64) float64 { return 1 - 2*math.Abs(u) }), size, 0.05)
				same("spread of the truth", truth.Squareness.Straightness, math.Abs(size), 0.01)
			case "step":
				at := s.Cut.StepAt
				same("step in the photo", amount(cut, width, func(u float64) float64 {
					if u < at {
						return 0
					}
					return 1
				}), size, 0.05*math.Abs(size)+0.05)
				// least squares through a step of height h at u0: the slope times the width is 6 h (1/4 - u0^2)
				same("offset of the truth", truth.Squareness.Offset, 6*size*(0.25-at*at), 0.02*math.Abs(size))
			case "wander", "ragged":
				same("rms of the truth", truth.Squareness.RMS, size, 0.005*size)
				if e.Code == "wander" {
					same("rms in the photo", scatter(cut), size, 0.03*size+0.02)
				} else if got := scatter(cut); got > size || got < 0.6*size { // each column averages over a pixel
					t.Errorf("ragged %g: rms in the photo is %.3f", size, got)
				}
			case "bad_edge":
				left, right := readRows(&s, img, 40, 600)
				mids, good, worn := make([]vec2, len(left)), make([]vec2, len(left)), make([]vec2, len(left))
				for i, l := range left {
					r := right[i]
					mids[i], good[i], worn[i] = vec2{X: l.Y, Y: (l.X + r.X) / 2}, vec2{X: l.Y, Y: r.X}, vec2{X: l.Y, Y: l.X}
				}
				if size < 0 {
					good, worn = worn, good
				}
				offset := width * (slope(cut) + slope(mids)) // the centreline leans by slope(mids) to the right
				same("offset in the photo", offset, size, 1)
				same("offset of the truth", truth.Squareness.Offset, size, 1)
				same("cut against the worn edge", width*(slope(cut)+slope(worn)), 0, 2)
				if bad := width * (slope(cut) + slope(good)); math.Abs(bad) < math.Abs(size) {
					t.Errorf("bad_edge of %g: the cut is square to the good edge within %.2f mm", size, bad)
				}
			case "bevel":
				// the face is as white as the top: its lower edge is what is seen
				low := readColumns(&s, img, -90, 60, -s.Belt.Thickness)
				if len(low) < 300 {
					t.Fatalf("the lower edge is read at %d places only", len(low))
				}
				a, _ := fitLine(low)
				same("lower edge", -a, size, 0.05)
				same("offset of the truth", truth.Squareness.Offset, 0, 0.01)
			case "wrong_side", "mirror":
				s.Line = line
				s.Cut.Wander, s.Line.Wander = 0, 0
				s.Line.Kind, s.Line.Inset = "pen", 0
				with := drawPlain(t, &s)
				a, b := fitLine(darkRow(&s, with, line.Y-40, line.Y+40, line.Width))
				if e.Code == "wrong_side" {
					same("line above the cut", a, size, 0.1)
					same("offset of the line", truth.MarkedLine.Offset-truth.Squareness.Offset, 0, 0.3)
				} else {
					same("offset of the line in the photo", b*width, -size, 0.2)
					same("offset of the cut in the photo", width*slope(cut), size, 0.05)
					same("offset of the truth", truth.Squareness.Offset, size, 0.01)
				}
			case "small_card":
				v := s.View()
				k := truth.Cards[0].Outline
				p, _ := v.Unproject(vec2{X: k[0][0], Y: k[0][1]})
				q, _ := v.Unproject(vec2{X: k[1][0], Y: k[1][1]})
				same("length of the card", q.Sub(p).Norm(), size, 0.3)
				if len(cards) != 1 {
					t.Errorf("%d cards lie there", len(cards))
				}
			case "not_flat":
				// a crest is nearer: seen from 900 above, what is X from the axis at
				// height z looks like X 900 / (900 - z); the waves run 1 in 4 askew
				z := func(x, y float64) float64 { return size / 2 * (1 + math.Sin(2*math.Pi*(y+0.25*x)/550)) }
				seen := func(x, y float64) float64 { return math.Abs(x) * 900 / (900 - z(x, y)) }
				want, got := [2]float64{math.Inf(1), 0}, [2]float64{math.Inf(1), 0}
				for y := 20.0; y < 700; y++ {
					w := seen(-width/2, y) + seen(width/2, y)
					want = [2]float64{math.Min(want[0], w), math.Max(want[1], w)}
				}
				left, right := readRows(&s, img, 20, 700)
				for i := range left {
					w := right[i].X - left[i].X
					got = [2]float64{math.Min(got[0], w), math.Max(got[1], w)}
				}
				same("width in the troughs", got[0], want[0], 0.5)
				same("width at the crests", got[1], want[1], 2) // the sides are seen obliquely
			default:
				t.Errorf("no test for the error %s", e.Code)
			}
		}
	}
}

// darkRow finds a dark line between two heights at every column by what it
// darkens.
func darkRow(s *Scene, img *image.YCbCr, from, to, width float64) []vec2 {
	v := s.View()
	var pts []vec2
	for x := -s.Belt.Width/2 + 6; x < s.Belt.Width/2-6; x += 1.3 {
		y := s.lineY(x)
		a, _ := v.Project(vec2{X: x, Y: math.Min(to, y+width+3)})
		b, _ := v.Project(vec2{X: x, Y: math.Max(from, y-width-3)})
		if math.Max(from, y-width-3) < s.cutY(x)+1 { // floor would count as line
			b, _ = v.Project(vec2{X: x, Y: s.cutY(x) + 2.5})
		}
		col := int(math.Round(a.X))
		var sum, dark float64
		for i := int(a.Y); i <= int(b.Y); i++ {
			d := 204 - float64(img.Y[i*img.YStride+col])
			sum, dark = sum+d*float64(i), dark+d
		}
		if dark < 50 {
			continue
		}
		if p, ok := v.Unproject(vec2{X: float64(col), Y: sum / dark}); ok {
			pts = append(pts, p)
		}
	}
	return pts
}

func TestErrorsNameSizesThatCannotBe(t *testing.T) {
	for _, e := range Errors {
		for _, size := range []float64{math.NaN(), 0, e.Least / 2, e.Most * 1.5, math.Inf(1)} {
			s := Default()
			if err := e.Apply(&s, size); err == nil {
				t.Errorf("%s takes %g mm", e.Code, size)
			}
		}
		s := Default()
		if err := e.Apply(&s, -e.Usual); (err == nil) != e.Signed {
			t.Errorf("%s of %g mm: %v", e.Code, -e.Usual, err)
		}
		if got, ok := ErrorOf(e.Code); !ok || got.Name != e.Name {
			t.Errorf("%s is not found", e.Code)
		}
	}
	if _, ok := ErrorOf("none such"); ok {
		t.Error("an error that is not there is found")
	}
}

// A stand shows both edges, the whole cut and the cards, and repeats.
func TestStandShowsTheEnd(t *testing.T) {
	for _, c := range []struct{ width, tilt, azimuth float64 }{{400, 5, 0}, {800, 15, 20}, {1200, 30, -25}} {
		s := Default()
		s.Seed, s.Belt.Width = 9, c.width
		s.Stand(c.tilt, c.azimuth, 3, math.Max(760, c.width*1.2), 2)
		truth, err := s.Truth()
		if err != nil {
			t.Fatal(err)
		}
		if truth.CutInFrame < 1 || !truth.Centreline.BothEdges || len(truth.Cards) != 2 || !truth.Cards[0].InFrame || !truth.Cards[1].InFrame {
			t.Errorf("%v: cut %.2f in frame, both edges %v, %d cards", c, truth.CutInFrame, truth.Centreline.BothEdges, len(truth.Cards))
		}
	}
}

func TestProgressRunsToTheEnd(t *testing.T) {
	s := flatScene()
	var told []float64
	s.Progress = func(done float64) { told = append(told, done) }
	if _, err := s.Render(); err != nil {
		t.Fatal(err)
	}
	if len(told) != 10 || told[9] != 1 { // 960 rows in bands of 96
		t.Fatalf("told %v", told)
	}
	for i := 1; i < len(told); i++ {
		if told[i] <= told[i-1] {
			t.Errorf("goes back: %v", told)
		}
	}
}
