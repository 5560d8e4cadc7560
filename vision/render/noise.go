package render

import (
	"math"
	"sync"
)

// hash mixes a number well enough to serve as chance (splitmix64).
func hash(x uint64) uint64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

// chance is a repeatable number in [0, 1) for a place in a seeded sequence.
func chance(seed int64, k ...int) float64 {
	h := hash(uint64(seed))
	for _, v := range k {
		h = hash(h ^ uint64(v))
	}
	return float64(h>>11) / (1 << 53)
}

// wander is smooth noise along a line: mean about 0, standard deviation 1,
// correlation length about 1.
func wander(seed int64, t float64) float64 {
	i := math.Floor(t)
	f := t - i
	at := func(k float64) float64 { return 2*chance(seed, int(k)) - 1 }
	a, b, c, d := at(i-1), at(i), at(i+1), at(i+2)
	// uniform cubic B-spline through random values; 1.36 makes the sd 1
	f2, f3 := f*f, f*f*f
	v := a*(1-3*f+3*f2-f3) + b*(4-6*f2+3*f3) + c*(1+3*f+3*f2-3*f3) + d*f3
	return v / 6 * math.Sqrt(3) * 1.36
}

const texSize = 512 // a power of two

// texture is a square of noise that repeats, mean 0, standard deviation 1.
type texture [texSize * texSize]float32

// at reads it between its points; u and v in points.
func (t *texture) at(u, v float32) float32 {
	iu, iv := int32(u), int32(v)
	fu, fv := u-float32(iu), v-float32(iv)
	if fu < 0 {
		iu--
		fu++
	}
	if fv < 0 {
		iv--
		fv++
	}
	const m = texSize - 1
	x0, x1 := iu&m, (iu+1)&m
	r0, r1 := (iv&m)*texSize, ((iv+1)&m)*texSize
	a, b := t[r0+x0], t[r0+x1]
	c, d := t[r1+x0], t[r1+x1]
	a += (b - a) * fu
	c += (d - c) * fu
	return a + (c-a)*fv
}

// cloud has detail of every size, grain only the finest. Both are the same for
// every scene; scenes take different places of them.
var cloud = sync.OnceValue(func() *texture {
	var t texture
	for oct, amp := 4, 1.0; oct <= texSize; oct, amp = oct*2, amp*0.62 {
		step := float64(oct) / texSize
		row := make([]float64, oct*oct)
		for i := range row {
			row[i] = chance(int64(oct), i) - 0.5
		}
		smooth := func(f float64) float64 { return f * f * (3 - 2*f) }
		for y := range texSize {
			fy := float64(y) * step
			y0 := int(fy)
			wy := smooth(fy - float64(y0))
			r0, r1 := y0%oct*oct, (y0+1)%oct*oct
			for x := range texSize {
				fx := float64(x) * step
				x0 := int(fx)
				wx := smooth(fx - float64(x0))
				c0, c1 := x0%oct, (x0+1)%oct
				a := row[r0+c0] + (row[r0+c1]-row[r0+c0])*wx
				b := row[r1+c0] + (row[r1+c1]-row[r1+c0])*wx
				t[y*texSize+x] += float32(amp * (a + (b-a)*wy))
			}
		}
	}
	normalise(&t)
	return &t
})

var grain = sync.OnceValue(func() *texture {
	var t texture
	for i := range t {
		t[i] = float32(chance(7, i) + chance(8, i) + chance(9, i))
	}
	normalise(&t)
	return &t
})

// smear is noise with a correlation length of two or three points.
var smear = sync.OnceValue(func() *texture {
	t := *grain()
	for range 2 { // binomial, once along each side: sigma 1 a round
		for _, step := range []int{1, texSize} {
			src := t
			at := func(i int) float32 { return src[i&(len(src)-1)] }
			for i := range t {
				t[i] = (at(i-2*step) + at(i+2*step) + 4*(at(i-step)+at(i+step)) + 6*at(i)) / 16
			}
		}
	}
	normalise(&t)
	return &t
})

func normalise(t *texture) {
	var s, q float64
	for _, v := range t {
		s += float64(v)
	}
	s /= float64(len(t))
	for _, v := range t {
		q += (float64(v) - s) * (float64(v) - s)
	}
	k := float32(1 / math.Sqrt(q/float64(len(t))))
	for i := range t {
		t[i] = (t[i] - float32(s)) * k
	}
}

// gauss is a table of normal deviates by equal probability, shuffled by
// whoever draws from it with an even random index.
var gauss = sync.OnceValue(func() *[4096]float32 {
	var g [4096]float32
	for i := range g {
		p := (float64(i) + 0.5) / float64(len(g))
		g[i] = float32(math.Sqrt2 * math.Erfinv(2*p-1))
	}
	return &g
})
