package render

import (
	"bytes"
	"fmt"
	"image"
	"image/jpeg"
	"math"
	"testing"

	"beltend/geometry"
	"beltend/vision/photo"
)

// flatScene is plain surfaces in even light, grey levels proportional to
// light, so that an edge lies exactly where half of the step is.
func flatScene() Scene {
	s := Default()
	s.Belt = Belt{Width: 500, Thickness: 0, Length: 4000, Look: "black_rubber"}
	s.Cards = nil
	s.Light = Light{Fill: 1}
	s.Camera = Camera{Width: 720, Height: 960, F: 720, TargetY: 300, Distance: 900}
	s.Finish = Finish{Linear: true, Blur: 0.8}
	return s
}

// drawPlain draws the scene with a white belt on a black floor.
func drawPlain(t *testing.T, s *Scene) *image.YCbCr {
	t.Helper()
	if err := s.Validate(); err != nil {
		t.Fatal(err)
	}
	d, err := s.drawing()
	if err != nil {
		t.Fatal(err)
	}
	kept := d.layers[:0]
	for _, l := range d.layers {
		if l.shade > 0 {
			continue
		}
		if l.whole || l.alpha < 1 { // the floor and its cracks
			l.paint = plain(rgb{0.2, 0.2, 0.2}) // whole grey levels, so that no rounding leans
		} else {
			l.paint = plain(rgb{0.8, 0.8, 0.8})
		}
		kept = append(kept, l)
	}
	d.layers = kept
	d.run(1)
	return d.out
}

// crossing finds where a line of pixels steps from one level to the other, by
// the area under it: exact for any symmetric blur.
func crossing(at func(i int) float64, from, to int) (float64, bool) {
	lo, hi := at(from), at(to)
	if math.Abs(hi-lo) < 100 {
		return 0, false
	}
	sum := 0.0
	for i := from; i <= to; i++ {
		sum += (at(i) - lo) / (hi - lo)
	}
	return float64(to) + 0.5 - sum, true
}

// A card that bends by z = a x^2 + b y^2 + c x y (x and y in decimetres off its middle)
// shows its corners where that puts them.
func TestABentCardLiesWhereTheFormulaSays(t *testing.T) {
	s := Default()
	flat := s.Cards[0]
	flat.X, flat.Y, flat.Turn, flat.Lift = 40, 300, 30, 0.1
	bent := flat
	bent.Bend = [3]float64{0.3, -0.2, 0.1}
	for _, q := range []vec2{{}, {X: 122.5}, {Y: -87.5}, {X: -122.5, Y: 87.5}, {X: 35, Y: 70}} {
		p := flat.point(&s, q.X, q.Y, 148.5)
		x, y := q.X/100, q.Y/100
		want := vec3{X: p.X, Y: p.Y, Z: p.Z + 0.3*x*x - 0.2*y*y + 0.1*x*y}
		if got := bent.point(&s, q.X, q.Y, 148.5); math.Abs(got.X-want.X)+math.Abs(got.Y-want.Y)+math.Abs(got.Z-want.Z) > 1e-9 {
			t.Errorf("%v: %v, want %v", q, got, want)
		}
	}
}

// What a scene's phone and printer leave is drawn from streams of their own: the
// scene is the same as without them but for those.
func TestLensAndPrintAreLikePhonesAndPrinters(t *testing.T) {
	var k3, p1, bend, n float64
	for seed := range int64(400) {
		s := Clean(seed, 2)
		k3, p1, n = k3+s.Camera.K3*s.Camera.K3, p1+s.Camera.P1*s.Camera.P1, n+1
		for _, k := range s.Cards {
			for _, b := range k.Bend {
				bend += b * b / 6
			}
		}
	}
	for _, c := range []struct {
		name      string
		got, want float64
	}{{"k3", math.Sqrt(k3 / n), 0.005}, {"p1", math.Sqrt(p1 / n), 0.0005}, {"bend", math.Sqrt(bend / n), 0.02}} {
		if c.got < 0.9*c.want || c.got > 1.1*c.want {
			t.Errorf("%s: standard deviation %.5f, want %.5f", c.name, c.got, c.want)
		}
	}
}

func TestEdgesLieWhereTheFormulaSays(t *testing.T) {
	for _, c := range []struct{ tilt, azimuth, roll, k1, k2, blur float64 }{
		{0, 0, 0, 0, 0, 0}, {0, 0, 0, 0, 0, 0.8}, {0, 0, 0.7, 0, 0, 2}, {15, 10, 5, 0.05, -0.01, 0.8},
		{30, -20, 12, -0.06, 0.02, 1.2}, {25, 0, 45, 0.03, 0.01, 0.5}, {40, 25, 90, -0.03, 0, 0.8}, {10, 0, 178, 0.08, -0.03, 3},
	} {
		t.Run(fmt.Sprint(c), func(t *testing.T) {
			s := flatScene()
			s.Camera.Tilt, s.Camera.Azimuth, s.Camera.Roll = c.tilt, c.azimuth, c.roll
			s.Camera.K1, s.Camera.K2 = c.k1, c.k2
			s.Camera.K3, s.Camera.P1, s.Camera.P2 = c.k1/5, c.k2/20, c.k1/50
			s.Finish.Blur = c.blur
			s.Cut.Offset = 37
			img := drawPlain(t, &s)
			v := s.View()
			// the three straight lines by their formulas, not by our outlines
			lines := map[string]func(u float64) vec2{
				"left":  func(u float64) vec2 { return vec2{X: -250, Y: 70 + 900*u} },
				"right": func(u float64) vec2 { return vec2{X: 250, Y: 70 + 900*u} },
				"cut":   func(u float64) vec2 { x := -210 + 420*u; return vec2{X: x, Y: 37 * x / 500} },
			}
			for name, line := range lines {
				var sum, sq, n float64
				worst := 0.0
				for k := range 2000 {
					u := float64(k) / 2000
					p, ok := v.Project(line(u))
					q, ok2 := v.Project(line(u + 1e-4))
					if !ok || !ok2 {
						continue
					}
					d := q.Sub(p)
					const reach = 14
					if p.X < reach+2 || p.Y < reach+2 || p.X > float64(s.Camera.Width)-reach-3 || p.Y > float64(s.Camera.Height)-reach-3 {
						continue
					}
					// the pixel row (or column) that the point is nearest to,
					// and where the line crosses its middle
					var got, want float64
					if math.Abs(d.X) < math.Abs(d.Y) {
						y := math.Round(p.Y)
						want = p.X + (y-p.Y)*d.X/d.Y
						x0 := int(math.Round(want))
						got, ok = crossing(func(i int) float64 { return float64(img.Y[int(y)*img.YStride+i]) }, x0-reach, x0+reach)
					} else {
						x := math.Round(p.X)
						want = p.Y + (x-p.X)*d.Y/d.X
						y0 := int(math.Round(want))
						got, ok = crossing(func(i int) float64 { return float64(img.Y[i*img.YStride+int(x)]) }, y0-reach, y0+reach)
					}
					if !ok { // a corner is near
						continue
					}
					e := got - want
					sum, sq, n = sum+e, sq+e*e, n+1
					worst = math.Max(worst, math.Abs(e))
				}
				if n < 50 {
					continue // out of frame in this view
				}
				// levels are whole numbers: a crossing over up to 28 pixels
				// carries their rounding, a fit over many does not
				mean, rms := sum/n, math.Sqrt(sq/n)
				if math.Abs(mean) > 0.005 || rms > 0.02 {
					t.Errorf("%s edge: mean error %.4f px, rms %.4f, worst %.4f over %.0f crossings", name, mean, rms, worst, n)
				}
			}
		})
	}
}

func TestSaddlesLieWhereTheFormulaSays(t *testing.T) {
	for _, c := range []struct{ tilt, roll, turn, k1, blur float64 }{
		{0, 0, 0, 0, 1}, {20, 3, 17, 0.05, 0.8}, {35, -8, -130, -0.06, 1.5},
	} {
		t.Run(fmt.Sprint(c), func(t *testing.T) {
			s := flatScene()
			s.Camera.Width, s.Camera.Height, s.Camera.F = 1200, 1600, 1500
			s.Camera.Tilt, s.Camera.Roll, s.Camera.K1 = c.tilt, c.roll, c.k1
			s.Finish.Blur = c.blur
			s.Cards = []Card{{Number: 4, X: 20, Y: 300, Turn: c.turn}}
			img, err := s.Render()
			if err != nil {
				t.Fatal(err)
			}
			// from the definition of the board: centred, turned, moved
			board, _ := geometry.Card(4)
			v := s.View()
			truth, err := s.Truth()
			if err != nil {
				t.Fatal(err)
			}
			rms := 0.0
			for i, q := range board.Saddles() {
				at := func(dx, dy float64) vec2 {
					p := q.Add(vec2{X: dx - board.Width()/2, Y: dy - board.Height()/2}).Rotate(c.turn * math.Pi / 180).Add(vec2{X: 20, Y: 300})
					uv, _ := v.Project(p)
					return uv
				}
				want := at(0, 0)
				got := saddle(img, want.Add(vec2{X: 0.2, Y: -0.1}), at(1, 0).Sub(want), at(0, 1).Sub(want), c.blur)
				e := got.Sub(want).Norm()
				rms += e * e / 24
				if e > 0.03 {
					t.Errorf("saddle %d at %v: found %.3f px away", i, want, e)
				}
				if d := math.Hypot(truth.Cards[0].Saddles[i][0]-want.X, truth.Cards[0].Saddles[i][1]-want.Y); d > 1e-3 {
					t.Errorf("saddle %d: truth is %.4f px off", i, d)
				}
			}
			if rms = math.Sqrt(rms); rms > 0.02 {
				t.Errorf("saddles are %.4f px off (rms)", rms)
			}
		})
	}
}

// saddle fits a blurred chessboard corner near p whose lines run along a and
// b: m + c erf(n.d) erf(k.d), by Gauss and Newton.
func saddle(img *image.YCbCr, p, a, b vec2, sigma float64) vec2 {
	n, k := a.Unit().Perp(), b.Unit().Perp()
	s := math.Sqrt2 * math.Sqrt(sigma*sigma+1.0/12) // the pixel's own width added
	cx, cy := int(math.Round(p.X)), int(math.Round(p.Y))
	for range 10 {
		// linear in m, c and c times the step of p
		var ata [4][5]float64
		for j := cy - 5; j <= cy+5; j++ {
			for i := cx - 5; i <= cx+5; i++ {
				d := vec2{X: float64(i), Y: float64(j)}.Sub(p)
				en, ek := math.Erf(n.Dot(d)/s), math.Erf(k.Dot(d)/s)
				gn, gk := 2/math.SqrtPi/s*math.Exp(-n.Dot(d)*n.Dot(d)/s/s), 2/math.SqrtPi/s*math.Exp(-k.Dot(d)*k.Dot(d)/s/s)
				row := [4]float64{1, en * ek, -(gn*ek*n.X + en*gk*k.X), -(gn*ek*n.Y + en*gk*k.Y)}
				y := float64(img.Y[j*img.YStride+i])
				for u := range 4 {
					for v := range 4 {
						ata[u][v] += row[u] * row[v]
					}
					ata[u][4] += row[u] * y
				}
			}
		}
		for u := range 4 { // Gauss and Jordan
			for v := range 4 {
				if v != u {
					f := ata[v][u] / ata[u][u]
					for w := u; w < 5; w++ {
						ata[v][w] -= f * ata[u][w]
					}
				}
			}
		}
		c := ata[1][4] / ata[1][1]
		p = p.Add(vec2{X: ata[2][4] / ata[2][2] / c, Y: ata[3][4] / ata[3][3] / c})
	}
	return p
}

// shaped is a scene with every regular departure from straight, none by chance.
func shaped() Scene {
	s := Default()
	s.Belt.Taper, s.Belt.Camber = 1.5, 4
	s.Cut = Cut{Offset: 13, Bow: 3, V: -2, Step: 1.5, StepAt: 0.2}
	s.Camera.Distance = 1700
	return s
}

func TestTruthOfAStraightCutIsItsOffset(t *testing.T) {
	s := Default()
	s.Cut.Offset = 9.25
	got, err := s.Truth()
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(got.Squareness.Offset-9.25) > 1e-6 || math.Abs(got.Width.AtCut-800) > 1e-6 {
		t.Errorf("offset %.7f, width %.7f; want 9.25, 800", got.Squareness.Offset, got.Width.AtCut)
	}
	// positive: the left side sticks out, so it is cut back, the right stays
	if math.Abs(got.Recut.Left-9.25) > 1e-6 || math.Abs(got.Recut.Right) > 1e-6 || got.CornersMM.Left[1] >= got.CornersMM.Right[1] {
		t.Errorf("recut %+v, corners %+v", got.Recut, got.CornersMM)
	}
	if want := math.Atan(9.25/800) * 180 / math.Pi; math.Abs(got.Squareness.Angle-want) > 1e-9 {
		t.Errorf("angle %v, want %v", got.Squareness.Angle, want)
	}
	// symmetric departures do not tilt the line
	s.Cut.Bow, s.Cut.V = 5, -3
	again, err := s.Truth()
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(again.Squareness.Offset-9.25) > 1e-6 || again.Squareness.Straightness < 2 {
		t.Errorf("bowed: %+v", again.Squareness)
	}
}

// A cambered centreline turns the frame: slope of the least-squares line
// through x = c(1 - (2y/L-1)^2) between y0 and y1 is 4c/L (1 - (y0+y1)/L).
func TestTruthTurnsWithTheCentreline(t *testing.T) {
	s := Default()
	s.Belt.Camber, s.Belt.CamberLength = 6, 2500
	got, err := s.Truth()
	if err != nil {
		t.Fatal(err)
	}
	c := got.Centreline
	slope := 4 * 6.0 / 2500 * (1 - (c.From+c.To)/2500)
	if want := slope * 800; math.Abs(got.Squareness.Offset-want) > 0.005 {
		t.Errorf("offset %.4f, want %.4f", got.Squareness.Offset, want)
	}
	if !(c.Camber > 0.1) || !c.BothEdges {
		t.Errorf("centreline %+v", c)
	}
}

func TestMirroredSceneFlipsTheSign(t *testing.T) {
	s := shaped()
	a, err := s.Truth()
	if err != nil {
		t.Fatal(err)
	}
	m := s
	m.Belt.Camber = -s.Belt.Camber
	m.Cut.Offset, m.Cut.Step, m.Cut.StepAt = -s.Cut.Offset, -s.Cut.Step, -s.Cut.StepAt
	m.Camera.Roll, m.Camera.Azimuth, m.Camera.TargetX = -s.Camera.Roll, -s.Camera.Azimuth, -s.Camera.TargetX
	b, err := m.Truth()
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(a.Squareness.Offset+b.Squareness.Offset) > 1e-6 || math.Abs(a.Squareness.Offset) < 1 {
		t.Errorf("offsets %v and %v", a.Squareness.Offset, b.Squareness.Offset)
	}
	if math.Abs(a.Recut.Left-b.Recut.Right) > 1e-6 || math.Abs(a.Width.AtCut-b.Width.AtCut) > 1e-6 {
		t.Errorf("recut %+v and %+v", a.Recut, b.Recut)
	}
}

func TestScaledSceneScales(t *testing.T) {
	s := shaped()
	s.Cut.Step = 0 // the knife's own millimetre does not scale
	s.Belt.CamberLength = 2000
	a, err := s.Truth()
	if err != nil {
		t.Fatal(err)
	}
	const k = 1.5
	b := s
	b.Belt.Width *= k
	b.Belt.Length *= k
	b.Belt.Camber *= k
	b.Belt.CamberLength *= k
	b.Cut.Offset *= k
	b.Cut.Bow *= k
	b.Cut.V *= k
	b.Camera.TargetX *= k
	b.Camera.TargetY *= k
	b.Camera.Distance *= k
	c, err := b.Truth()
	if err != nil {
		t.Fatal(err)
	}
	// stations are whole millimetres: the visible length rounds
	if math.Abs(c.Squareness.Offset-k*a.Squareness.Offset) > 0.01 || math.Abs(c.Recut.Left-k*a.Recut.Left) > 0.02 || math.Abs(c.Squareness.Angle-a.Squareness.Angle) > 1e-3 {
		t.Errorf("%+v %+v against %+v %+v", c.Squareness, c.Recut, a.Squareness, a.Recut)
	}
	for i := range 2 { // the picture is the same
		if math.Abs(c.ImagePoints.Left[i]-a.ImagePoints.Left[i]) > 1e-3 {
			t.Errorf("corner at %v and %v", c.ImagePoints.Left, a.ImagePoints.Left)
		}
	}
}

func TestSameSeedSamePicture(t *testing.T) {
	s := Hard(4)
	shrink(&s, 8)
	draw := func(s Scene) *image.YCbCr {
		img, err := s.Render()
		if err != nil {
			t.Fatal(err)
		}
		return img
	}
	a := draw(s)
	s.Workers = 3
	b := draw(s)
	if !bytes.Equal(a.Y, b.Y) || !bytes.Equal(a.Cb, b.Cb) || !bytes.Equal(a.Cr, b.Cr) {
		t.Error("two drawings of one scene differ")
	}
	s.Seed++
	if c := draw(s); bytes.Equal(a.Y, c.Y) {
		t.Error("another seed draws the same picture")
	}
}

// shrink makes a scene's picture smaller, the view staying the same.
func shrink(s *Scene, k int) {
	c := &s.Camera
	c.Width, c.Height = c.Width/k, c.Height/k
	c.F, c.CX, c.CY = c.F/float64(k), c.CX/float64(k), c.CY/float64(k)
}

func TestStoredPhotoTurnsUpright(t *testing.T) {
	s := Default()
	s.Camera = Camera{Width: 360, Height: 480, F: 360, F35: 26, TargetY: 380, Distance: 1250, Tilt: 10}
	s.Finish.Quality = 98
	upright, err := s.Render()
	if err != nil {
		t.Fatal(err)
	}
	for o := 1; o <= 8; o++ {
		s.Camera.Orientation = o
		data, err := s.JPEG()
		if err != nil {
			t.Fatal(err)
		}
		info, err := photo.Inspect(data, photo.DefaultLimits())
		if err != nil {
			t.Fatal(err)
		}
		if info.Orientation != o || math.Abs(info.Focal.Pixels-26*600/43.2666) > 2 {
			t.Errorf("orientation %d, focal length %v; want %d and 26 mm of 600 px for 43.27 mm", info.Orientation, info.Focal, o)
		}
		img, err := jpeg.Decode(bytes.NewReader(data))
		if err != nil {
			t.Fatal(err)
		}
		stored := img.(*image.YCbCr)
		w, h := stored.Rect.Dx(), stored.Rect.Dy()
		if uw, uh := photo.UprightSize(w, h, o); uw != 360 || uh != 480 {
			t.Fatalf("orientation %d: stored %d x %d", o, w, h)
		}
		worst := 0
		for y := range h {
			for x := range w {
				p := photo.UprightFromStored(vec2{X: float64(x), Y: float64(y)}, w, h, o)
				d := int(stored.Y[y*stored.YStride+x]) - int(upright.Y[int(p.Y)*upright.YStride+int(p.X)])
				worst = max(worst, d, -d)
			}
		}
		if worst > 12 { // what compression does
			t.Errorf("orientation %d: pixels differ by %d levels", o, worst)
		}
	}
}

// Exact area: a polygon's coverage sums to its area, wherever it lies.
func TestCoverageIsArea(t *testing.T) {
	for i := range 200 {
		c := newCoverage(40, 30)
		r := 3 + 8*chance(1, i)
		n := 3 + i%7
		pts := ellipse(20+5*(chance(2, i)-0.5), 15+4*(chance(3, i)-0.5), r, r*chance(4, i), 360*chance(5, i), n)
		var segs []segment
		want := 0.0
		for k, p := range pts {
			q := pts[(k+1)%n]
			segs = append(segs, segment{p.X, p.Y, q.X, q.Y})
			want += p.Cross(q) / 2
		}
		c.fill(segs, 0, 30)
		got := 0.0
		for y := range 30 {
			sum := 0.0
			for x := c.min[y]; x <= min(c.max[y], 39); x++ {
				sum += float64(c.acc[y*42+x])
				got += math.Abs(sum)
			}
		}
		if math.Abs(got-want) > 1e-3*math.Max(1, want) {
			t.Fatalf("polygon %d: covered %.5f, area %.5f", i, got, want)
		}
	}
}

func TestScenesAreWhatTheySay(t *testing.T) {
	check := func(s Scene) Truth {
		t.Helper()
		tr, err := s.Truth()
		if err != nil {
			t.Fatalf("%s: %v", s.Name, err)
		}
		return tr
	}
	for seed := range int64(60) {
		for _, n := range []int{1, 2} {
			s := Clean(seed, n)
			tr := check(s)
			if len(tr.Cards) != n || tr.CutInFrame < 1 || !tr.Centreline.BothEdges || tr.Centreline.Length < 0.8*s.Belt.Width {
				t.Errorf("%s: %d cards, %.2f of the cut, %.0f mm of a belt of %.0f", s.Name, len(tr.Cards), tr.CutInFrame, tr.Centreline.Length, s.Belt.Width)
			}
			for _, c := range tr.Cards {
				if !c.InFrame {
					t.Errorf("%s: card %d is not whole in the photo", s.Name, c.Number)
				}
			}
		}
		if tr := check(Hard(seed)); tr.CutInFrame < 1 || len(tr.Cards) == 0 || tr.Expected != Measure {
			t.Errorf("%s (%s): %.2f of the cut, %d cards", tr.Name, tr.What, tr.CutInFrame, len(tr.Cards))
		}
		tr := check(MustRefuse(seed))
		switch out := tr.CutInFrame < 0.99; tr.What {
		case "the cut out of the frame":
			if tr.CutInFrame > 0 {
				t.Errorf("%s: %.2f of the cut is in frame", tr.Name, tr.CutInFrame)
			}
		case "an edge out of the frame", "both edges out of the frame":
			if !out || tr.Centreline.BothEdges {
				t.Errorf("%s: %.2f of the cut is in frame, both edges: %v", tr.Name, tr.CutInFrame, tr.Centreline.BothEdges)
			}
		default:
			if out {
				t.Errorf("%s (%s): only %.2f of the cut is in frame", tr.Name, tr.What, tr.CutInFrame)
			}
		}
		if tr.Expected != RefuseOrWide || len(tr.Codes) == 0 {
			t.Errorf("%s: expected %q, codes %v", tr.Name, tr.Expected, tr.Codes)
		}
		if tr := check(OtherReference(seed)); tr.CutInFrame < 1 || len(tr.Cards)+len(tr.Scene.Sheets) == 0 {
			t.Errorf("%s (%s): %.2f of the cut, %d cards", tr.Name, tr.What, tr.CutInFrame, len(tr.Cards))
		}
		shots := Several(seed)
		g, err := GroupTruth(shots)
		if err != nil || len(shots) < 2 || g.CutInFrame < 1 {
			t.Errorf("%s: %d photos, %v", g.Name, len(shots), err)
		}
		for i := 1; i < len(shots); i++ { // each shares a whole card with one before it
			a, b := check(shots[i-1]), check(shots[i])
			shared := false
			for k := range a.Cards {
				shared = shared || a.Cards[k].InFrame && b.Cards[k].InFrame
			}
			if !shared {
				t.Errorf("%s and the one before share no card", shots[i].Name)
			}
		}
	}
}

func TestBadScenesAreNamed(t *testing.T) {
	for text, want := range map[string]string{
		`{"belt":{"width_mm":-1}}`:                    "belt.width_mm",
		`{"ground":{"kind":"sea"}}`:                   "ground.kind",
		`{"cards":[{"number":15}]}`:                   "cards[0]",
		`{"camera":{"tilt_deg":88}}`:                  "camera.tilt_deg",
		`{"finish":{"blur_px":-2}}`:                   "finish.blur_px",
		`{"clutter":[{"kind":"elephant"}]}`:           "clutter[0]",
		`{"cut":{"offset_mm":1e300}}`:                 "cut.offset_mm",
		`{"belt":{"left":{"nicks":[{"y_mm":-1e9}]}}}`: "belt.left.nicks[0].y_mm",
		`{"belt":{"specks":1000000}}`:                 "belt.specks",
		`{"camera":{"k1":9}}`:                         "k1",
		`{"colour":3}`:                                "colour",
	} {
		if _, err := Parse([]byte(text)); err == nil || !bytes.Contains([]byte(err.Error()), []byte(want)) {
			t.Errorf("%s: error %v, want it to name %s", text, err, want)
		}
	}
	if _, err := Parse([]byte(`{}`)); err != nil {
		t.Error(err)
	}
}

// Scenes that nobody would set up are drawn or refused, never more.
func TestOddScenesAreDrawnAllTheSame(t *testing.T) {
	for name, change := range map[string]func(s *Scene){
		"horizon":        func(s *Scene) { s.Camera.Tilt, s.Camera.F = 70, 80 },
		"from below":     func(s *Scene) { s.Camera.Pose = &geometry.Pose{0, 0, 0, 0, 0, 500} },
		"beside":         func(s *Scene) { s.Camera.TargetX = 90000 },
		"touching":       func(s *Scene) { s.Camera.Distance = 10 },
		"folded lens":    func(s *Scene) { s.Camera.K1, s.Camera.F = -1.5, 100 },
		"crossing edges": func(s *Scene) { s.Belt.Taper = -9000 },
		"no width left":  func(s *Scene) { s.Line = &Line{Kind: "pen", Inset: 5000} },
		"deep nicks": func(s *Scene) {
			s.Belt.Left.Nicks = []Nick{{Y: 100, Length: 0, Depth: 50}, {Y: 300, Length: 80, Depth: 5000}}
		},
		"long shake": func(s *Scene) { s.Finish.Motion, s.Finish.MotionAngle = 60, 30 },
		"odd size":   func(s *Scene) { s.Camera.Width, s.Camera.Height, s.Camera.Orientation = 131, 97, 7 },
		"tiny":       func(s *Scene) { s.Camera.Width, s.Camera.Height = 16, 16 },
		"every thing": func(s *Scene) {
			for i, k := range Things {
				s.Clutter = append(s.Clutter, Clutter{Kind: k, X: float64(60*i) - 200, Y: float64(40 * i), Turn: float64(50 * i)})
			}
			s.Belt.CurlRadius, s.Belt.CurlFrom, s.Belt.Buckle = 1, 300, 90
		},
	} {
		s := Default()
		shrink(&s, 20)
		change(&s)
		if _, err := s.JPEG(); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if _, err := s.Truth(); err != nil {
			t.Errorf("%s: truth: %v", name, err)
		}
	}
	for _, look := range Looks {
		for _, ground := range Grounds {
			s := Default()
			shrink(&s, 40)
			s.Belt.Look, s.Ground.Kind = look, ground
			img, err := s.Render()
			if err != nil {
				t.Fatal(err)
			}
			lo, hi := 255, 0
			for _, v := range img.Y {
				lo, hi = min(lo, int(v)), max(hi, int(v))
			}
			if hi-lo < 60 {
				t.Errorf("%s on %s: grey levels %d to %d", look, ground, lo, hi)
			}
		}
	}
}

func BenchmarkJPEG12MP(b *testing.B) {
	s := Clean(3, 2)
	for range b.N {
		if _, err := s.JPEG(); err != nil {
			b.Fatal(err)
		}
	}
}

// A joint's photo shows all of its hooks: the same photo by a lens that bends nothing shows
// both ends of the hinge line too, but for what lenses bend at most, a twentieth. 268's lens
// folds what is far outside of the photo back into it.
func TestJointsAreSeenWhole(t *testing.T) {
	for seed := int64(200); seed < 300; seed++ {
		s := Joint(seed)
		s.Camera.K1, s.Camera.K2, s.Camera.K3, s.Camera.P1, s.Camera.P2 = 0, 0, 0, 0, 0
		v := s.View()
		for _, x := range []float64{-s.Belt.Width / 2, s.Belt.Width / 2} {
			uv, ok := v.Project(vec2{X: x, Y: -s.Hinge.Gap})
			w, h := float64(s.Camera.Width), float64(s.Camera.Height)
			if !ok || math.Abs(uv.X-w/2) > 0.55*w || math.Abs(uv.Y-h/2) > 0.55*h {
				t.Errorf("%s: %g mm from the middle is seen at %.0f, %.0f of %.0f by %.0f", s.Name, x, uv.X, uv.Y, w, h)
			}
		}
	}
}
