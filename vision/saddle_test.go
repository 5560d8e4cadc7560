package vision

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"beltend/geometry"
)

const patch = 61 // px, side of the synthetic pictures

// drawCorner is a chessboard corner at c whose board axes run along dx and dy,
// seen by square pixels through a Gaussian of sigma blur px: the pattern is
// sampled ten times a pixel, blurred and averaged over each pixel. White minus
// black is a grey levels about 128. c should lie on tenths of a pixel: between
// them the samples would move edges that run along rows or columns.
func drawCorner(c, dx, dy geometry.Vec2, blur, a float64) []float64 {
	const over = 10
	const n = patch * over
	det := dx.Cross(dy)
	ix, iy := geometry.Vec2{X: dy.Y / det, Y: -dy.X / det}, geometry.Vec2{X: -dx.Y / det, Y: dx.X / det}
	fine := make([]float64, n*n)
	for j := range n {
		for i := range n {
			d := geometry.Vec2{X: (float64(i)+0.5)/over - 0.5, Y: (float64(j)+0.5)/over - 0.5}.Sub(c)
			fine[j*n+i] = 128 + a/2*math.Copysign(1, ix.Dot(d)*iy.Dot(d))
		}
	}
	reach := int(4 * blur * over)
	kernel := make([]float64, 2*reach+1)
	var sum float64
	for k := range kernel {
		x := float64(k-reach) / over / blur
		kernel[k] = math.Exp(-x * x / 2)
		sum += kernel[k]
	}
	// along rows at full density, then along columns, where the mean of ten
	// rows is needed only
	clampAt := func(i int) int { return min(max(i, 0), n-1) }
	rows := make([]float64, n*patch)
	for j := range n {
		for u := range patch {
			var v float64
			for i := u * over; i < (u+1)*over; i += 1 {
				for k, w := range kernel {
					v += w * fine[j*n+clampAt(i+k-reach)]
				}
			}
			rows[j*patch+u] = v / sum / over
		}
	}
	out := make([]float64, patch*patch)
	for w := range patch {
		for u := range patch {
			var v float64
			for j := w * over; j < (w+1)*over; j++ {
				for k, g := range kernel {
					v += g * rows[clampAt(j+k-reach)*patch+u]
				}
			}
			out[w*patch+u] = v / sum / over
		}
	}
	return out
}

// expose adds noise and rounds as a camera does.
func expose(img []float64, sd float64, rng *rand.Rand) []byte {
	out := make([]byte, len(img))
	for i, v := range img {
		if sd > 0 {
			v += sd * rng.NormFloat64()
		}
		out[i] = byte(math.Max(0, math.Min(255, math.Round(v))))
	}
	return out
}

// axes are the images of a millimetre along a board's axes: upright, turned,
// and leaning away so that squares become rhombs.
var axes = []struct {
	name   string
	dx, dy geometry.Vec2
}{
	{"upright", geometry.Vec2{X: 3}, geometry.Vec2{Y: -3}},
	{"turned by 30 degrees", geometry.Vec2{X: 2.598, Y: 1.5}, geometry.Vec2{X: 1.5, Y: -2.598}},
	{"upside down", geometry.Vec2{X: -3, Y: 0.1}, geometry.Vec2{X: 0.1, Y: 3}},
	{"sheared to 70 degrees", geometry.Vec2{X: 3}, geometry.Vec2{X: 1, Y: -2.75}},
	{"turned, sheared to 55 degrees and foreshortened", geometry.Vec2{X: 2.6, Y: 1.5}, geometry.Vec2{X: 1.9, Y: -0.8}},
}

// windowMM is the half window: 8 px at 3 px a mm.
const windowMM = 8.2 / 3

// Without noise the corner is where it was drawn, however it is turned,
// sheared and blurred, whichever squares are black, and from a start that is
// two pixels off: the second look centres the window, as FindCards does.
func TestSaddleLiesWhereItWasDrawn(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, ax := range axes {
		for _, blur := range []float64{0.6, 1, 1.8} {
			t.Run(fmt.Sprintf("%s, blur %.1f", ax.name, blur), func(t *testing.T) {
				var sum, worst float64
				n := 0
				for _, a := range []float64{150, -90} {
					c := geometry.Vec2{X: patch/2 + float64(rng.IntN(10))/10 - 0.5, Y: patch/2 + float64(rng.IntN(10))/10 - 0.5}
					grey := expose(drawCorner(c, ax.dx, ax.dy, blur, a), 0, nil)
					for range 3 {
						start := c.Add(geometry.Vec2{X: 1.4 * (2*rng.Float64() - 1), Y: 1.4 * (2*rng.Float64() - 1)})
						s, ok := fitSaddle(grey, patch, patch, start, ax.dx, ax.dy, windowMM)
						if ok {
							s, ok = fitSaddle(grey, patch, patch, s.uv, ax.dx, ax.dy, windowMM)
						}
						if !ok {
							t.Fatalf("not found from %v", start.Sub(c))
						}
						e := s.uv.Sub(c).Norm()
						sum, worst = sum+e, math.Max(worst, e)
						n++
						if math.Abs(s.contrast-math.Abs(a)) > 0.05*math.Abs(a) {
							t.Errorf("contrast %.1f, drawn %.1f", s.contrast, math.Abs(a))
						}
						// the pixel's own square adds 1/12 px^2
						if want := math.Sqrt(blur*blur + 1.0/12); math.Abs(s.blur-want) > 0.12*want {
							t.Errorf("blur %.3f, drawn %.3f", s.blur, want)
						}
					}
				}
				if sum/float64(n) > 0.01 || worst > 0.02 {
					t.Errorf("off by %.4f px on average, %.4f at worst", sum/float64(n), worst)
				}
			})
		}
	}
}

// Noise moves the corner by as much as the Cramer-Rao bound of a corner in a
// window of 2w+1 px says, per axis:
//
//	(sigma_n/A) sqrt(2 sqrt(pi) sigma_b / (2w+1))
//
// which no estimate can beat (by more than the sampling error of 400 trials)
// and this one must come near. The stated standard deviation is the true one.
func TestSaddleComesNearTheCramerRaoBound(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for _, c := range []struct{ a, noise, blur, w float64 }{
		{150, 3, 1, 5}, {150, 3, 1, 8}, {100, 3, 1.5, 6}, {60, 4, 1, 8}, {150, 2, 0.7, 5},
	} {
		// a centre on a pixel, so that the window is 2w+1 px wide
		at := geometry.Vec2{X: patch / 2, Y: patch / 2}
		dx, dy := geometry.Vec2{X: 3}, geometry.Vec2{Y: -3}
		img := drawCorner(at, dx, dy, c.blur, c.a)
		bound := c.noise / c.a * math.Sqrt(2*math.Sqrt(math.Pi)*math.Hypot(c.blur, math.Sqrt(1.0/12))/(2*c.w+1))
		var sx, sy, sigma float64
		const trials = 400
		for range trials {
			s, ok := fitSaddle(expose(img, c.noise, rng), patch, patch, at, dx, dy, (c.w+0.01)/3)
			if !ok {
				t.Fatalf("%+v: not found", c)
			}
			d := s.uv.Sub(at)
			sx, sy, sigma = sx+d.X*d.X/trials, sy+d.Y*d.Y/trials, sigma+s.sigma/trials
		}
		for _, rms := range []float64{math.Sqrt(sx), math.Sqrt(sy)} {
			if rms > 1.5*bound || rms < 0.88*bound {
				t.Errorf("%+v: error %.4f px, bound %.4f", c, rms, bound)
			}
		}
		if rms := math.Sqrt((sx + sy) / 2); sigma < 0.85*rms || sigma > 1.2*rms {
			t.Errorf("%+v: stated %.4f px, true %.4f", c, sigma, rms)
		}
	}
}

// The stated standard deviation is not below the true one for sheared corners
// either; where they are so sheared that the model is only nearly right it is
// larger, since the residuals hold that as well.
func TestSaddleStatesItsNoise(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for _, ax := range axes[1:] {
		at := geometry.Vec2{X: patch/2 + 0.3, Y: patch/2 - 0.2}
		img := drawCorner(at, ax.dx, ax.dy, 1, 120)
		var z float64
		const trials = 300
		for range trials {
			s, ok := fitSaddle(expose(img, 3, rng), patch, patch, at, ax.dx, ax.dy, windowMM)
			if !ok {
				t.Fatalf("%s: not found", ax.name)
			}
			z += s.uv.Sub(at).Dot(s.uv.Sub(at)) / (2 * s.sigma * s.sigma) / trials
		}
		least := 0.75
		if angle := math.Abs(ax.dx.Unit().Dot(ax.dy.Unit())); angle > 0.5 {
			least = 0.25
		}
		if z < least || z > 1.3 {
			t.Errorf("%s: mean square of error over stated standard deviation is %.2f", ax.name, z)
		}
	}
}

// What is no chessboard corner is none.
func TestSaddleRefusesOtherThings(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	dx, dy := geometry.Vec2{X: 3}, geometry.Vec2{Y: -3}
	middle := geometry.Vec2{X: patch / 2, Y: patch / 2}
	draw := func(f func(u, v float64) float64) []byte {
		out := make([]float64, patch*patch)
		for k := range out {
			out[k] = f(float64(k%patch)-middle.X, float64(k/patch)-middle.Y)
		}
		return expose(out, 2, rng)
	}
	for name, grey := range map[string][]byte{
		"flat":          draw(func(_, _ float64) float64 { return 120 }),
		"an edge":       draw(func(u, _ float64) float64 { return 128 + 60*math.Tanh(u) }),
		"a spot":        draw(func(u, v float64) float64 { return 60 + 120*math.Exp(-(u*u+v*v)/20) }),
		"a quarter":     draw(func(u, v float64) float64 { return 60 + 120*math.Max(0, math.Tanh(u))*math.Max(0, math.Tanh(v)) }),
		"pure noise":    draw(func(_, _ float64) float64 { return 128 + 50*rng.NormFloat64() }),
		"a faint one":   draw(func(u, v float64) float64 { return 128 + 5*math.Tanh(u)*math.Tanh(v) }),
		"five px aside": draw(func(u, v float64) float64 { return 128 + 60*math.Tanh(u-5.5)*math.Tanh(v-5.5) }),
	} {
		if s, ok := fitSaddle(grey, patch, patch, middle, dx, dy, windowMM); ok {
			t.Errorf("%s was taken for a corner at %v", name, s.uv.Sub(middle))
		}
	}
	good := expose(drawCorner(middle, dx, dy, 1, 150), 0, nil)
	for name, at := range map[string]geometry.Vec2{
		"at the border": {X: 3, Y: 30}, "outside": {X: -50, Y: 30}, "far outside": {X: 1e9, Y: 1e9},
	} {
		if s, ok := fitSaddle(good, patch, patch, at, dx, dy, windowMM); ok {
			t.Errorf("%s: found at %v", name, s.uv)
		}
	}
	if s, ok := fitSaddle(good, patch, patch, middle, dx, dx, windowMM); ok {
		t.Errorf("axes that fall together gave %v", s.uv)
	}
}
