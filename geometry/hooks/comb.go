package hooks

import (
	"math"
	"math/cmplx"
	"sort"
)

// Pitches that hooks come in, mm.
const (
	LeastPitch = 3.0
	MostPitch  = 20.0
)

// Pitch finds the period of a profile sampled every step mm, by its
// autocorrelation; share is how much of the profile repeats, 0 to 1. NaN is not
// seen.
func Pitch(profile []float64, step float64) (pitch, share float64) {
	h := flatten(profile, int(MostPitch/step)|1)
	corr := func(lag int) float64 {
		var ab, aa, bb float64
		for i := 0; i+lag < len(h); i++ {
			a, b := h[i], h[i+lag]
			if a == 0 || b == 0 {
				continue
			}
			ab, aa, bb = ab+a*b, aa+a*a, bb+b*b
		}
		if aa == 0 || bb == 0 {
			return 0
		}
		return ab / math.Sqrt(aa*bb)
	}
	lo, hi := int(LeastPitch/step), int(1.05*MostPitch/step)
	if hi+1 >= len(h)/2 {
		hi = len(h)/2 - 2
	}
	if lo < 2 || hi <= lo {
		return 0, 0
	}
	c := make([]float64, hi+2)
	for lag := lo - 1; lag <= hi+1; lag++ {
		c[lag] = corr(lag)
	}
	best := 0.0
	for lag := lo; lag <= hi; lag++ {
		best = math.Max(best, peakOf(c, lag))
	}
	for lag := lo; lag <= hi; lag++ { // multiples of the pitch fit as well
		if v := peakOf(c, lag); v > 0 && v > 0.8*best {
			a, b, e := c[lag-1], c[lag], c[lag+1]
			off := 0.0
			if d := a - 2*b + e; d < 0 {
				off = 0.5 * (a - e) / d
			}
			return refine(h, step, (float64(lag)+off)*step), v
		}
	}
	return 0, 0
}

// peakOf is the value of a local maximum, 0 elsewhere.
func peakOf(c []float64, i int) float64 {
	if c[i] > c[i-1] && c[i] >= c[i+1] && c[i] > 0 {
		return c[i]
	}
	return 0
}

// refine sharpens a pitch by the profile's spectrum over its whole length.
func refine(h []float64, step, pitch float64) float64 {
	// the spectral peak is as wide as pitch/length: search two of them
	length := step * float64(len(h))
	span := math.Min(0.04, 2*pitch/length)
	best, at := -1.0, pitch
	for k := -40; k <= 40; k++ {
		p := pitch * (1 + span*float64(k)/40)
		if a := cmplx.Abs(wave(h, step, p)); a > best {
			best, at = a, p
		}
	}
	return at
}

// wave is a profile's complex amplitude at a period.
func wave(h []float64, step, pitch float64) complex128 {
	var s complex128
	turn := cmplx.Exp(complex(0, -2*math.Pi*step/pitch))
	e := complex(1, 0)
	for _, v := range h {
		s += complex(v, 0) * e
		e *= turn
	}
	return s
}

// Wave is the complex amplitude of h at a period, per sample: its argument is
// the phase at the first sample.
func Wave(profile []float64, step, pitch float64) complex128 {
	h := flatten(profile, int(1.5*pitch/step)|1)
	n := 0
	for _, v := range h {
		if v != 0 {
			n++
		}
	}
	if n == 0 {
		return 0
	}
	return wave(h, step, pitch) / complex(float64(n), 0)
}

// flatten takes the mean over a window (samples, odd) off a profile; what is
// not seen becomes 0.
func flatten(p []float64, window int) []float64 {
	n := len(p)
	sum, cnt := make([]float64, n+1), make([]float64, n+1)
	for i, v := range p {
		sum[i+1], cnt[i+1] = sum[i], cnt[i]
		if !math.IsNaN(v) {
			sum[i+1] += v
			cnt[i+1]++
		}
	}
	out := make([]float64, n)
	for i, v := range p {
		lo, hi := max(0, i-window/2), min(n, i+window/2+1)
		if c := cnt[hi] - cnt[lo]; c > 0 && !math.IsNaN(v) {
			out[i] = v - (sum[hi]-sum[lo])/c
		}
	}
	return out
}

// level takes the median over a window (samples) off a profile: the belt
// between the hooks becomes 0. What is not seen becomes NaN.
func level(p []float64, window int) []float64 {
	n := len(p)
	stride := max(1, window/12)
	var base []float64
	for i := 0; i < n+stride; i += stride {
		var all []float64
		for k := max(0, i-window/2); k < min(n, i+window/2+1); k++ {
			if !math.IsNaN(p[k]) {
				all = append(all, p[k])
			}
		}
		base = append(base, median(all))
	}
	out := make([]float64, n)
	for i, v := range p {
		k, f := i/stride, float64(i%stride)/float64(stride)
		out[i] = v - base[k]*(1-f) - base[k+1]*f
	}
	return out
}

// median reorders v; NaN where v is empty.
func median(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	sort.Float64s(v)
	return v[len(v)/2]
}

// Even tells how evenly a profile repeats over its whole width: the pitch, and
// the mean over pieces of 80 mm of how much of each repeats at it.
func Even(profile []float64, step, width float64) (pitch, share float64) {
	pitch, all := Pitch(profile, step)
	if pitch == 0 || all < 0.1 {
		return pitch, 0
	}
	h := flatten(profile, int(1.5*pitch/step)|1)
	lag := pitch / step
	n := max(1, int(width/math.Max(80, 6*pitch)))
	var shares []float64
	for k := range n {
		lo, hi := k*len(h)/n, (k+1)*len(h)/n
		best := 0.0
		for d := -0.03; d <= 0.031; d += 0.01 {
			m := int(math.Round(lag * (1 + d)))
			var ab, aa, bb float64
			for i := lo; i+m < hi; i++ {
				a, b := h[i], h[i+m]
				if a != 0 && b != 0 {
					ab, aa, bb = ab+a*b, aa+a*a, bb+b*b
				}
			}
			if aa > 0 && bb > 0 {
				best = math.Max(best, ab/math.Sqrt(aa*bb))
			}
		}
		shares = append(shares, best)
	}
	for _, s := range shares {
		share += s / float64(n)
	}
	return pitch, share
}
