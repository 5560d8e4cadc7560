package simd

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

func chance() *rand.Rand { return rand.New(rand.NewPCG(1, 2)) }

func picture(rng *rand.Rand, w, h int) []byte {
	grey := make([]byte, w*h)
	for k := range grey {
		grey[k] = byte(rng.IntN(256))
	}
	return grey
}

func near(a, b float32, rel float64) bool {
	return math.Abs(float64(a-b)) <= rel*math.Max(1, math.Max(math.Abs(float64(a)), math.Abs(float64(b))))
}

// The pairs are those two pixels apart along and down from every other pixel of the
// second and sixth row of a block.
func TestTexture(t *testing.T) {
	rng := chance()
	for _, size := range [][2]int{{8, 8}, {9, 8}, {17, 24}, {40, 31}, {1601, 16}, {4000, 9}} {
		w, h := size[0], size[1]
		grey := picture(rng, w, h)
		blocks := (w + 7) / 8
		got := make([]uint16, blocks*((h+7)/8))
		Texture(grey, w, h, blocks, got)
		want := make([]uint16, len(got))
		for j := 0; 8*j+7 < h; j++ {
			for i := 0; 8*i+8 < w; i++ {
				for _, y := range []int{1, 5} {
					for x := 0; x < 8; x += 2 {
						k := (8*j+y)*w + 8*i + x
						for _, o := range []int{k + 2, k + 2*w} {
							want[j*blocks+i] += uint16(math.Abs(float64(grey[k]) - float64(grey[o])))
						}
					}
				}
			}
		}
		if !slices.Equal(got, want) {
			t.Errorf("%d x %d: sums are %v, want %v", w, h, got, want)
		}
	}
}

func TestAddCurvesInterpolates(t *testing.T) {
	const w, h = 60, 50
	rng := chance()
	grey := picture(rng, w, h)
	row, squares := make([]float32, 21), make([]float32, 21)
	wantRow, wantSquares := make([]float64, 21), make([]float64, 21)
	var curves []Curve
	for range 4 {
		x, y, dx, dy, bend := 5+10*rng.Float64(), 5+10*rng.Float64(), 1.5*rng.Float64(), rng.Float64(), 0.02*rng.Float64()
		fixed := func(v float64) int64 { return int64(math.Round(v * (1 << 32))) }
		curves = append(curves, Curve{X: fixed(x), Y: fixed(y), DX: fixed(dx), DY: fixed(dy), DDX: fixed(bend), DDY: fixed(-bend)})
		for j := range row {
			n := float64(j)
			u, v := x+n*dx+bend*n*(n-1)/2, y+n*dy-bend*n*(n-1)/2
			i0, j0 := int(u), int(v)
			fx, fy := u-float64(i0), v-float64(j0)
			at := func(i, j int) float64 { return float64(grey[j*w+i]) }
			g := (1-fy)*((1-fx)*at(i0, j0)+fx*at(i0+1, j0)) + fy*((1-fx)*at(i0, j0+1)+fx*at(i0+1, j0+1))
			wantRow[j] += g
			wantSquares[j] += g * g
		}
	}
	AddCurves(grey, w, curves, row, squares)
	alone := make([]float32, len(row))
	AddCurves(grey, w, curves, alone, nil)
	for j := range row {
		// 11 bits between pixels: an eighth of a grey level
		if !near(row[j], float32(wantRow[j]), 0.5/wantRow[j]) || !near(squares[j], float32(wantSquares[j]), 0.002) || alone[j] != row[j] {
			t.Errorf("place %d: %g and %g, want %g and %g; without squares %g", j, row[j], squares[j], wantRow[j], wantSquares[j], alone[j])
		}
	}
}

func TestSlopes(t *testing.T) {
	rng := chance()
	for _, n := range []int{1, 10, 11, 64, 75, 333} {
		v, out, kernel := make([]float32, n), make([]float32, n), []float32{0.1, 0.2, 0.15, 0.05, 0.01}
		for k := range v {
			v[k] = 255 * rng.Float32()
		}
		Slopes(out, v, kernel)
		for j := range v {
			want := float32(0)
			if j >= len(kernel) && j < n-len(kernel) {
				for k, w := range kernel {
					want += w * (v[j+1+k] - v[j-1-k])
				}
			}
			if !near(out[j], want, 1e-4) {
				t.Errorf("%d samples, %d: %g, want %g", n, j, out[j], want)
			}
		}
	}
}

// halves is a map of two looks either side of a line through a place, and a ramp of
// two places to both sides between them.
func halves(w, h int, x, y, turn float64) Map {
	m := Map{Width: w, Height: h, Looks: make([][4]float32, w*h), Strange: make([]float32, w*h), Known: make([]bool, w*h)}
	for k := range m.Looks {
		m.Known[k] = true
		d := (float64(k%w)-x)*math.Cos(turn) + (float64(k/w)-y)*math.Sin(turn)
		part := float32(math.Max(0, math.Min(1, d/4+0.5)))
		m.Looks[k], m.Strange[k] = [4]float32{40 * part, 5 * part, 0, 20 * part}, 6*part
	}
	return m
}

func TestVotesFindTheLine(t *testing.T) {
	const bins, reach = 180, 2
	sine, cosine := make([]float64, bins), make([]float64, bins)
	for k := range sine {
		sine[k], cosine[k] = math.Sincos(float64(k) * math.Pi / bins)
	}
	for _, turn := range []int{0, 30, 77, 90, 135, 179} {
		m := halves(120, 90, 55, 48, float64(turn)*math.Pi/bins)
		diagonal := int(math.Hypot(120, 90)) + 2
		var inside []int32
		for k := range m.Looks {
			if i, j := k%m.Width, k/m.Width; i >= reach && i < m.Width-reach && j >= reach && j < m.Height-reach {
				inside = append(inside, int32(k))
			}
		}
		votes := make([]float32, bins*2*diagonal)
		m.Votes(inside, reach, [4]float32{25, 1e9, 1e9, 1e9}, [4]float32{1, 1, 1, 1}, sine, cosine, diagonal, votes)
		at := slices.Index(votes, slices.Max(votes))
		b, d := at/(2*diagonal), at%(2*diagonal)-diagonal
		want := 55*cosine[turn] + 48*sine[turn]
		if b-turn > bins/2 || turn-b > bins/2 { // the same direction seen from the other side
			want = -want
		}
		if off := (b - turn + bins) % bins; off > 3 && off < bins-3 /* a vote is spread over 7 */ || math.Abs(float64(d)-want) > 2 {
			t.Errorf("turn %d, distance %.0f: found at %d, %d", turn, want, b, d)
		}
		clear(votes)
		for k := range m.Strange {
			m.Strange[k] = 6
		}
		strange := make([]float32, len(votes))
		m.Votes(inside, reach, [4]float32{25, 1e9, 1e9, 1e9}, [4]float32{1, 1, 1, 1}, sine, cosine, diagonal, strange)
		if most := slices.Max(strange); most <= 0 {
			t.Error("a step between strange places has no vote")
		}
	}
}

func TestStepsFindTheLine(t *testing.T) {
	const turn = 0.3
	m := halves(80, 60, 40.25, 30, turn)
	c, s := math.Cos(turn), math.Sin(turn)
	// along the line, which lies 3 places beside what is looked along
	const beside = 3.0
	l := Line{
		X: 40.25 - beside*c + 10*s - 12*c, Y: 30 - beside*s - 10*c - 12*s, AlongX: -s, AlongY: c, AcrossX: c / 2, AcrossY: s / 2,
		First: -10, Step: 0.5, Tries: 41, Apart: 8,
	}
	size, offset := make([]float32, 20), make([]float32, 20)
	m.Steps(l, [4]float32{10, 10, 10, 10}, 0.05, size, offset)
	// light 4, a chroma 0.5 and texture 2 units of noise; the belt's own look against 6
	want := float32(6.5 * 1.3)
	for i := range size {
		if math.Abs(float64(offset[i])-beside) > 1 || size[i] > want || size[i] < 0.8*want {
			t.Errorf("place %d: %g at %g, want %g at %g", i, size[i], offset[i], want, beside)
		}
	}
	for k := range m.Known {
		m.Known[k] = k%m.Width < 35
	}
	m.Steps(l, [4]float32{10, 10, 10, 10}, 0.05, size, offset)
	if slices.Max(size) != 0 {
		t.Errorf("where nothing is known of one side: %v", size)
	}
	l.X, l.Y = 1e6, -1e6
	m.Steps(l, [4]float32{10, 10, 10, 10}, 0.05, size, offset)
	if slices.Max(size) != 0 {
		t.Errorf("outside the map: %v", size)
	}
}

func TestRidges(t *testing.T) {
	const rows, half, gap, side = 80, 1, 2, 3
	rng := chance()
	grey, known := make([]int16, rows), make([]bool, rows)
	for k := range grey {
		grey[k], known[k] = int16(rng.IntN(60)), k != 50
	}
	grey[30], grey[31], grey[29] = 300, 300, 300
	out := make([]float32, rows)
	sums := make([]int32, rows+1)
	samples := Ridges(grey, known, half, gap, side, 1, 10, sums, out, []float32{7})
	mean := func(from, n int) (m float64) {
		for _, v := range grey[from:][:n] {
			m += float64(v) / float64(n)
		}
		return m
	}
	const reach = half + gap + side
	wantSamples := []float32{7}
	for j := range out {
		want := 0.0
		if j >= reach && j < rows-reach && known[j-reach] && known[j] && known[j+reach] {
			c := mean(j-half, 2*half+1)
			a, b := c-mean(j-reach, side), c-mean(j+half+gap+1, side)
			if a*b > 0 {
				want = math.Copysign(math.Min(math.Abs(a), math.Abs(b)), a)
			}
			if (j-reach)%10 == 1 {
				wantSamples = append(wantSamples, float32(math.Abs(a+b)/2))
			}
		}
		if !near(out[j], float32(want), 1e-4) {
			t.Errorf("place %d: %g, want %g", j, out[j], want)
		}
	}
	if at := slices.Index(out, slices.Max(out)); at != 30 {
		t.Errorf("the largest ridge is at %d", at)
	}
	if !slices.EqualFunc(samples, wantSamples, func(a, b float32) bool { return near(a, b, 1e-4) }) {
		t.Errorf("samples %v, want %v", samples, wantSamples)
	}
	if got := Ridges(grey[:10], known, half, gap, side, 0, 1, sums, out, nil); got != nil {
		t.Errorf("a column too short for the sides has the samples %v", got)
	}
}

func TestKeepLarger(t *testing.T) {
	v := []float32{1, -5, 0, 3, -1}
	KeepLarger(v, []float32{-1, 2, 0, 1, 4}, 2)
	if want := []float32{-2, -5, 0, 3, 8}; !slices.Equal(v, want) {
		t.Errorf("kept %v, want %v", v, want)
	}
}

func TestStrangeness(t *testing.T) {
	looks := [][4]float32{{1, 2, 3, 4}, {3, 2, 3, 4}, {1, 2, -97, 4}}
	out := make([]float32, len(looks))
	Strangeness(looks, [4]float32{1, 2, 3, 4}, [4]float32{2, 1, 1, 1}, [4]float32{0.25, 1, 1, 0.6}, 8, out)
	if want := []float32{0, 0.5, 8}; !slices.Equal(out, want) {
		t.Errorf("strangeness %v, want %v", out, want)
	}
}
