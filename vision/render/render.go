package render

import (
	"image"
	"math"
	"sync"
	"sync/atomic"

	"beltend/geometry"
)

const (
	strip    = 8  // rows drawn at a time
	bandRows = 96 // rows finished at a time; even, since chroma comes in pairs
	gridStep = 16 // px between exact values of the inverse map
	gridEdge = 3  // grid cells around the picture
	maxHalo  = (gridEdge - 1) * gridStep
)

// Render draws the scene as the upright picture.
func (s *Scene) Render() (*image.YCbCr, error) {
	if err := s.Validate(); err != nil {
		return nil, err
	}
	d, err := s.drawing()
	if err != nil {
		return nil, err
	}
	d.run(s.Workers)
	return d.out, nil
}

func (s *Scene) drawing() (*drawing, error) {
	v := s.View()
	layers, err := s.build(&v)
	if err != nil {
		return nil, err
	}
	w, h := s.Camera.Width, s.Camera.Height
	d := &drawing{
		s: s, w: w, h: h, layers: layers, lights: s.lightMap(&v),
		out: image.NewYCbCr(image.Rect(0, 0, w, h), image.YCbCrSubsampleRatio420),
	}
	d.inverse(&v)
	d.prepare()
	return d, nil
}

func (d *drawing) run(workers int) {
	bands := make(chan int)
	var group sync.WaitGroup
	var drawn atomic.Int64
	for range max(1, workers) {
		group.Add(1)
		go func() {
			defer group.Done()
			b := d.newWorker()
			for y := range bands {
				to := min(y+bandRows, d.h)
				b.finish(y, to)
				if rows := drawn.Add(int64(to - y)); d.s.Progress != nil {
					d.s.Progress(float64(rows) / float64(d.h))
				}
			}
		}()
	}
	for y := 0; y < d.h; y += bandRows {
		bands <- y
	}
	close(bands)
	group.Wait()
}

// drawing is what all bands share; nothing of it changes while they work.
type drawing struct {
	s      *Scene
	w, h   int
	layers []layer
	lights *lightMap
	out    *image.YCbCr

	cols  int // of the inverse map
	nodes []node

	gain   rgb
	kernel []float32 // blur, from its middle outwards
	shake  []tap
	halo   int
	tone   []float32
}

// node is a point of the inverse map.
type node struct{ x, y, gx, gy, foot float32 }

// tap is a weighted shift of the motion blur.
type tap struct {
	dx, dy int
	k      float32
}

// inverse tabulates where pixels lie on the belt plane and on the ground.
// Between the nodes it is read linearly: enough for colours, and no outline
// goes this way.
func (d *drawing) inverse(v *geometry.View) {
	d.cols = d.w/gridStep + 2 + 2*gridEdge
	lines := d.h/gridStep + 2 + 2*gridEdge
	d.nodes = make([]node, d.cols*lines)
	t := d.s.Belt.Thickness
	c := v.Centre()
	rt := v.CamFromPlane.Rotation().Transpose()
	far := 30 * math.Max(c.Z, 100)
	for j := range lines {
		for i := range d.cols {
			uv := vec2{X: float64((i - gridEdge) * gridStep), Y: float64((j - gridEdge) * gridStep)}
			xy, ok := v.Camera.Undistort(uv)
			if !ok {
				xy = vec2{X: (uv.X - v.Camera.CX) / v.Camera.F, Y: (uv.Y - v.Camera.CY) / v.Camera.F}
			}
			dir := rt.Apply(vec3{X: xy.X, Y: xy.Y, Z: 1})
			down := math.Max(-dir.Z, 1e-9)
			a := math.Min(c.Z/down, far)
			b := math.Min((c.Z+t)/down, far)
			foot := a / v.Camera.F * math.Sqrt(1/math.Max(0.02, math.Min(1, down)))
			d.nodes[j*d.cols+i] = node{
				float32(c.X + a*dir.X), float32(c.Y + a*dir.Y),
				float32(c.X + b*dir.X), float32(c.Y + b*dir.Y), float32(foot),
			}
		}
	}
}

func (d *drawing) prepare() {
	f := &d.s.Finish
	// exposure: a phone lifts a dark scene and lowers a bright one by halves
	lum := func(c rgb) float64 { return float64(0.21*c[0] + 0.72*c[1] + 0.07*c[2]) }
	gain := 1.0
	if !f.Linear {
		ground := map[string]float64{"concrete": 0.36, "planks": 0.13, "tiles": 0.38, "mat": 0.045, "steel": 0.25, "rollers": 0.12, "bench": 0.62, "grating": 0.05}[d.s.Ground.Kind]
		mean := 0.45*lum(looks[d.s.Belt.Look].top) + 0.45*ground + 0.08
		gain = math.Max(0.8, math.Min(1.5, math.Pow(0.21/mean, 0.6)))
	}
	gain *= math.Exp2(f.Exposure)
	warm := d.s.Light.Warm
	d.gain = rgb{float32(gain * (1 + 0.12*warm)), float32(gain), float32(gain * (1 - 0.15*warm))}

	n := int(math.Ceil(3.2 * f.Blur))
	d.kernel = make([]float32, n+1)
	sum := 0.0
	k := make([]float64, n+1)
	for i := range k {
		k[i] = 1
		if f.Blur > 0 { // the mean of the Gaussian over the pixel
			a := f.Blur * math.Sqrt2
			k[i] = math.Erf((float64(i)+0.5)/a) - math.Erf((float64(i)-0.5)/a)
		}
		sum += k[i]
		if i > 0 {
			sum += k[i]
		}
	}
	for i := range k {
		d.kernel[i] = float32(k[i] / sum)
	}
	d.halo = n
	if f.Motion > 0 {
		sn, cs := math.Sincos(f.MotionAngle * math.Pi / 180)
		taps := map[[2]int]float64{}
		m := int(math.Ceil(f.Motion * 2))
		for i := range m {
			t := ((float64(i)+0.5)/float64(m) - 0.5) * f.Motion
			x, y := t*cs, t*sn
			x0, y0 := math.Floor(x), math.Floor(y)
			fx, fy := x-x0, y-y0
			taps[[2]int{int(x0), int(y0)}] += (1 - fx) * (1 - fy) / float64(m)
			taps[[2]int{int(x0) + 1, int(y0)}] += fx * (1 - fy) / float64(m)
			taps[[2]int{int(x0), int(y0) + 1}] += (1 - fx) * fy / float64(m)
			taps[[2]int{int(x0) + 1, int(y0) + 1}] += fx * fy / float64(m)
		}
		reach := 0
		for p := range taps {
			reach = max(reach, p[1], -p[1], p[0], -p[0])
		}
		for dy := -reach; dy <= reach; dy++ { // in a fixed order: sums must repeat
			for dx := -reach; dx <= reach; dx++ {
				if k := taps[[2]int{dx, dy}]; k > 1e-6 {
					d.shake = append(d.shake, tap{dx, dy, float32(k)})
				}
			}
		}
		d.halo += reach
	}

	d.tone = make([]float32, toneSize+2)
	for i := range d.tone {
		l := float64(i) / toneScale
		switch {
		case f.Linear:
			d.tone[i] = float32(255 * math.Min(l, 1))
			continue
		case l > 0.75: // highlights roll off
			l = 0.75 + 0.25*(1-math.Exp(-(l-0.75)/0.25))
		}
		t := 12.92 * l // IEC 61966-2-1
		if l > 0.0031308 {
			t = 1.055*math.Pow(l, 1/2.4) - 0.055
		}
		t += 0.12 * (t - 0.4) * t * (1 - t) // a little contrast
		d.tone[i] = float32(255 * t)
	}
}

const (
	toneSize  = 8192
	toneScale = toneSize / 2.0 // entries for light 1
)

// worker makes bands of rows, one at a time.
type worker struct {
	d      *drawing
	cov    *coverage
	rows   rows
	left   []float32 // what is still to be seen of each pixel of a strip
	shade  []float32 // shadow on whatever comes
	colour [3][]float32
	lin    [3][]float32 // a band with its halo, linear
	tmp    [3][]float32
	luma   []float32 // a band with 2 rows of halo
	cb, cr []float32
	line   []float32
}

func (d *drawing) newWorker() *worker {
	n := d.w * strip
	f := func(n int) []float32 { return make([]float32, n) }
	b := &worker{d: d, cov: newCoverage(d.w, strip), left: f(n), shade: f(n)}
	b.rows = rows{w: d.w, x: f(n), y: f(n), gx: f(n), gy: f(n), foot: f(n), light: f(n), glare: f(n)}
	tall := bandRows + 4 + 2*d.halo + strip
	for c := range 3 {
		b.colour[c] = f(n)
		b.lin[c] = f(tall * d.w)
		b.tmp[c] = f(d.w)
	}
	b.luma = f((bandRows + 4) * d.w)
	b.cb, b.cr = f((bandRows+4)*d.w), f((bandRows+4)*d.w)
	b.line = f(d.w)
	return b
}

// finish draws the picture's rows from y0 to y1.
func (b *worker) finish(y0, y1 int) {
	d := b.d
	w := d.w
	first := y0 - 2 - d.halo
	last := y1 + 2 + d.halo
	for y := first; y < last; y += strip {
		n := min(strip, last-y)
		b.draw(y, n)
		for c := range 3 {
			copy(b.lin[c][(y-first)*w:(y-first+n)*w], b.colour[c][:n*w])
		}
	}
	count := last - first
	b.blurRows(count)
	g := gauss()
	for k := range y1 - y0 + 4 {
		y := y0 - 2 + k
		for c := range 3 {
			b.column(c, k+d.halo)
		}
		b.expose(y, k, g)
	}
	b.sharpen(y0, y1)
}

// draw fills the strip's colours, nearest layers first.
func (b *worker) draw(top, n int) {
	d, w := b.d, b.d.w
	b.locate(top, n)
	for i := range n * w {
		b.left[i], b.shade[i] = 1, 1
	}
	for c := range 3 {
		clear(b.colour[c][:n*w])
	}
	for li := range d.layers {
		l := &d.layers[li]
		if l.whole {
			for i := range n * w {
				if b.left[i] > 0 {
					b.put(l, i, b.left[i])
				}
			}
			break
		}
		if l.bottom <= float64(top) || l.top >= float64(top+n) || !b.cov.fill(l.segs, top, n) {
			continue
		}
		for row := range n {
			lo, hi := b.cov.min[row], b.cov.max[row]
			if hi < lo {
				continue
			}
			acc := b.cov.acc[row*(w+2) : (row+1)*(w+2)]
			sum := float32(0)
			for x := lo; x < w; x++ {
				if x <= hi {
					sum += acc[x]
				}
				a := sum
				if a < 0 {
					a = -a
				}
				if a < 1e-5 {
					if x > hi {
						break
					}
					continue
				}
				i := row*w + x
				t := b.left[i]
				if t == 0 {
					continue
				}
				if a > 0.99999 {
					a = 1
				}
				if l.shade > 0 {
					b.shade[i] *= 1 - l.shade*a
					continue
				}
				a *= l.alpha
				if l.joined {
					if a > t {
						a = t
					}
				} else {
					a *= t
				}
				b.put(l, i, a)
				b.left[i] = t - a
				if b.left[i] < 2e-5 {
					b.left[i] = 0
				}
			}
		}
	}
	gain := d.gain
	vig := float32(d.s.Finish.Vignette)
	cx, cy := float32(w)/2, float32(d.h)/2
	inv := 1 / (cx*cx + cy*cy)
	for row := range n {
		dy := float32(top+row) - cy
		for x := range w {
			i := row*w + x
			dx := float32(x) - cx
			k := 1 - vig*(dx*dx+dy*dy)*inv
			b.colour[0][i] *= k * gain[0]
			b.colour[1][i] *= k * gain[1]
			b.colour[2][i] *= k * gain[2]
		}
	}
}

func (b *worker) put(l *layer, i int, a float32) {
	c := l.paint(&b.rows, i)
	k := a * b.rows.light[i] * b.shade[i]
	g := a * b.rows.glare[i] * l.gloss
	b.colour[0][i] += c[0]*k + g
	b.colour[1][i] += c[1]*k + g
	b.colour[2][i] += c[2]*k + g
}

// locate finds where the strip's pixels lie, and the light there.
func (b *worker) locate(top, n int) {
	d, w := b.d, b.d.w
	r := &b.rows
	for row := range n {
		y := max(-maxHalo, min(d.h+maxHalo, top+row)) + gridEdge*gridStep
		j := y / gridStep
		fy := float32(y%gridStep) / gridStep
		o := row * w
		for x0 := 0; x0 < w; x0 += gridStep {
			k := j*d.cols + x0/gridStep + gridEdge
			a, c := d.nodes[k].down(d.nodes[k+d.cols], fy), d.nodes[k+1].down(d.nodes[k+1+d.cols], fy)
			la, ga := d.lights.at(a.x, a.y)
			lc, gc := d.lights.at(c.x, c.y)
			fine := len(d.s.Light.Shadows) > 0
			const k16 = 1.0 / gridStep
			step := node{(c.x - a.x) * k16, (c.y - a.y) * k16, (c.gx - a.gx) * k16, (c.gy - a.gy) * k16, (c.foot - a.foot) * k16}
			dl, dg := (lc-la)*k16, (gc-ga)*k16
			for x := x0; x < min(w, x0+gridStep); x++ {
				f := float32(x - x0)
				i := o + x
				r.x[i], r.y[i] = a.x+step.x*f, a.y+step.y*f
				r.gx[i], r.gy[i] = a.gx+step.gx*f, a.gy+step.gy*f
				r.foot[i] = a.foot + step.foot*f
				if fine {
					r.light[i], r.glare[i] = d.lights.at(r.x[i], r.y[i])
				} else {
					r.light[i], r.glare[i] = la+dl*f, ga+dg*f
				}
			}
		}
	}
}

func (a node) down(c node, f float32) node {
	return node{a.x + (c.x-a.x)*f, a.y + (c.y-a.y)*f, a.gx + (c.gx-a.gx)*f, a.gy + (c.gy-a.gy)*f, a.foot + (c.foot-a.foot)*f}
}

// blurRows shakes the band and blurs its rows.
func (b *worker) blurRows(count int) {
	d, w := b.d, b.d.w
	if len(d.shake) > 0 {
		for c := range 3 {
			src := append([]float32(nil), b.lin[c][:count*w]...)
			for y := range count {
				dst := b.lin[c][y*w : (y+1)*w]
				clear(dst)
				for _, t := range d.shake {
					row := src[max(0, min(count-1, y+t.dy))*w:]
					for x := range dst {
						dst[x] += t.k * row[max(0, min(w-1, x+t.dx))]
					}
				}
			}
		}
	}
	n := len(d.kernel) - 1
	if n == 0 {
		return
	}
	pad := make([]float32, w+2*n)
	for c := range 3 {
		for y := range count {
			row := b.lin[c][y*w : (y+1)*w]
			copy(pad[n:], row)
			for i := range n {
				pad[i], pad[n+w+i] = row[0], row[w-1]
			}
			mid := pad[n : n+w]
			for x, v := range mid {
				row[x] = v * d.kernel[0]
			}
			for i := 1; i <= n; i++ {
				k := d.kernel[i]
				lo, hi := pad[n-i:n-i+w], pad[n+i:n+i+w]
				for x := range row {
					row[x] += k * (lo[x] + hi[x])
				}
			}
		}
	}
}

// column blurs downwards: row y of the band into tmp.
func (b *worker) column(c, y int) {
	d, w := b.d, b.d.w
	n := len(d.kernel) - 1
	src, dst := b.lin[c], b.tmp[c]
	mid := src[y*w : (y+1)*w]
	k := d.kernel[0]
	for x := range dst {
		dst[x] = k * mid[x]
	}
	for i := 1; i <= n; i++ {
		k := d.kernel[i]
		lo, hi := src[(y-i)*w:(y-i+1)*w], src[(y+i)*w:(y+i+1)*w]
		for x := range dst {
			dst[x] += k * (lo[x] + hi[x])
		}
	}
}

// expose adds noise and develops row y into row k of the band.
func (b *worker) expose(y, k int, g *[4096]float32) {
	d, w := b.d, b.d.w
	f := &d.s.Finish
	noisy := f.Noise > 0
	state := hash(uint64(d.s.Seed)*0x9e3779b9 ^ uint64(int64(y)+1<<20))
	// 305 grey levels a unit of light: the slope of the tone curve at mid grey
	sd := float32(f.Noise / 305)
	if f.Linear {
		sd = float32(f.Noise / 255)
	}
	blotch := float32(f.Blotch)
	var tile []float32
	if blotch > 0 {
		place := hash(uint64(d.s.Seed) + 99)
		j := (y + int(place&0xffff)) & (texSize - 1)
		tile = smear()[j*texSize : (j+1)*texSize]
	}
	R, G, B := b.tmp[0], b.tmp[1], b.tmp[2]
	luma, cb, cr := b.luma[k*w:(k+1)*w], b.cb[k*w:(k+1)*w], b.cr[k*w:(k+1)*w]
	develop := func(l float32) float32 {
		t := l * toneScale
		if !(t > 0) {
			return 0
		}
		if t >= toneSize {
			return d.tone[toneSize]
		}
		i := int(t)
		return d.tone[i] + (d.tone[i+1]-d.tone[i])*(t-float32(i))
	}
	for x := range w {
		r, gr, bl := R[x], G[x], B[x]
		if noisy {
			state ^= state << 13
			state ^= state >> 7
			state ^= state << 17
			q := sd
			if !f.Linear { // photons: the variance grows with the light
				q *= float32(math.Sqrt(float64(max(0, gr)+0.01) / 0.19))
			}
			r += q * g[state>>10&4095]
			gr += q * g[state>>24&4095]
			bl += q * g[state>>40&4095]
		}
		r, gr, bl = develop(r), develop(gr), develop(bl)
		// ITU-T T.871
		l := 0.299*r + 0.587*gr + 0.114*bl
		cb[x], cr[x] = (bl-l)*0.564, (r-l)*0.713
		if tile != nil {
			l += blotch * tile[x&(texSize-1)]
		}
		luma[x] = l
	}
}

// sharpen writes the band into the picture.
func (b *worker) sharpen(y0, y1 int) {
	d, w := b.d, b.d.w
	a := float32(d.s.Finish.Sharpen)
	byteOf := func(v float32) uint8 { return uint8(max(0, min(255, v+0.5))) }
	for y := y0; y < y1; y++ {
		k := y - y0 + 2
		row := b.luma[k*w : (k+1)*w]
		dst := d.out.Y[y*d.out.YStride : y*d.out.YStride+w]
		if a == 0 {
			for x, v := range row {
				dst[x] = byteOf(v)
			}
			continue
		}
		p, q := b.luma[(k-2)*w:], b.luma[(k-1)*w:]
		s, t := b.luma[(k+1)*w:], b.luma[(k+2)*w:]
		for x := range b.line { // binomial, sigma 1 px
			b.line[x] = (p[x] + t[x] + 4*(q[x]+s[x]) + 6*row[x]) / 16
		}
		for x, v := range row {
			x0, x1, x2, x3 := max(0, x-2), max(0, x-1), min(w-1, x+1), min(w-1, x+2)
			m := (b.line[x0] + b.line[x3] + 4*(b.line[x1]+b.line[x2]) + 6*b.line[x]) / 16
			dst[x] = byteOf(v + a*(v-m))
		}
	}
	for y := y0 / 2; y < (y1+1)/2; y++ {
		k := 2*y - y0 + 2
		k1 := k + 1
		if 2*y+1 >= d.h {
			k1 = k
		}
		for x := range (w + 1) / 2 {
			u, v := 2*x, min(2*x+1, w-1)
			o := y*d.out.CStride + x
			d.out.Cb[o] = byteOf(128 + (b.cb[k*w+u]+b.cb[k*w+v]+b.cb[k1*w+u]+b.cb[k1*w+v])/4)
			d.out.Cr[o] = byteOf(128 + (b.cr[k*w+u]+b.cr[k*w+v]+b.cr[k1*w+u]+b.cr[k1*w+v])/4)
		}
	}
}
