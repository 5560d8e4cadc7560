package jpeg

import (
	"bytes"
	"errors"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"os"
	"testing"
)

// scene is a picture of soft waves in all three colours.
func scene(w, h int) *image.RGBA {
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			wave := func(a, b, c float64) uint8 {
				return uint8(128 + 90*math.Sin(a*float64(x)+b*float64(y)+c))
			}
			m.SetRGBA(x, y, color.RGBA{R: wave(0.06, 0.02, 0), G: wave(0.03, -0.05, 1), B: wave(-0.02, 0.04, 2), A: 255})
		}
	}
	return m
}

func room(n int) ([]byte, error) { return make([]byte, n), nil }

func encoded(t *testing.T, m image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 95}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func decoded(t *testing.T, data []byte, s Size) (grey, small []byte) {
	t.Helper()
	grey, small = make([]byte, s.W*s.H), make([]byte, 3*s.Small().W*s.Small().H)
	if _, err := Decode(data, s, grey, small, room); err != nil {
		t.Fatal(err)
	}
	return grey, small
}

var sizes = []Size{{1, 1}, {7, 9}, {8, 8}, {16, 16}, {17, 33}, {64, 48}, {100, 75}, {240, 31}}

// The light is the luma of Rec. BT.601, the colour the mean of what was drawn:
// known before the picture was coded.
func TestDecodeGivesWhatWasDrawn(t *testing.T) {
	for _, s := range sizes {
		m := scene(s.W, s.H)
		grey, small := decoded(t, encoded(t, m), s)
		var worst, worstColour float64
		var sum [4]float64
		for y := range s.H {
			for x := range s.W {
				c := m.RGBAAt(x, y)
				luma := 0.299*float64(c.R) + 0.587*float64(c.G) + 0.114*float64(c.B)
				worst = max(worst, math.Abs(float64(grey[y*s.W+x])-luma))
			}
		}
		for j := 0; j < s.H/Shrink; j++ { // blocks that are whole
			for i := 0; i < s.W/Shrink; i++ {
				sum = [4]float64{}
				for y := range Shrink {
					for x := range Shrink {
						c := m.RGBAAt(Shrink*i+x, Shrink*j+y)
						sum[0], sum[1], sum[2] = sum[0]+float64(c.B), sum[1]+float64(c.G), sum[2]+float64(c.R)
					}
				}
				for k := range 3 {
					worstColour = max(worstColour, math.Abs(float64(small[3*(j*s.Small().W+i)+k])-sum[k]/Shrink/Shrink))
				}
			}
		}
		if worst > 8 || worstColour > 6 {
			t.Errorf("%v: luma off by %.1f, colour by %.1f grey levels", s, worst, worstColour)
		}
	}
}

func TestGreyPhotosAreDecoded(t *testing.T) {
	for _, s := range sizes {
		m := image.NewGray(image.Rect(0, 0, s.W, s.H))
		for k := range m.Pix {
			m.Pix[k] = uint8(40 + 2*(k%s.W)/3)
		}
		grey, small := decoded(t, encoded(t, m), s)
		for k, g := range grey {
			if math.Abs(float64(g)-float64(m.Pix[k])) > 4 {
				t.Fatalf("%v: pixel %d is %d, want %d", s, k, g, m.Pix[k])
			}
		}
		for k := 0; k < len(small); k += 3 {
			if small[k] != small[k+1] || small[k] != small[k+2] {
				t.Fatalf("%v: grey has the colour %v", s, small[k:k+3])
			}
		}
	}
}

// projected is the picture seen by weights of blue, green and red.
func projected(t *testing.T, data []byte, s Size, weights [3]float64) []byte {
	t.Helper()
	grey, small := make([]byte, s.W*s.H), make([]byte, 3*s.Small().W*s.Small().H)
	c, err := Decode(data, s, grey, small, room)
	if err != nil {
		t.Fatal(err)
	}
	out := make([]byte, len(grey))
	if err := Project(grey, s, c, weights, out); err != nil {
		t.Fatal(err)
	}
	return out
}

// weigh compares a picture with the weighted colours of what was drawn: on average,
// and by how much it is lighter.
func weigh(m image.Image, weights [3]float64, got []byte) (off, lighter float64) {
	s := m.Bounds().Size()
	for y := range s.Y {
		for x := range s.X {
			r, g, b, _ := m.At(x, y).RGBA()
			want := 128.0
			for c, v := range []uint32{b, g, r} {
				want += weights[c] * (float64(v>>8) - 127.5)
			}
			d := float64(got[y*s.X+x]) - math.Max(0, math.Min(255, want))
			off, lighter = off+math.Abs(d)/float64(len(got)), lighter+d/float64(len(got))
		}
	}
	return off, lighter
}

func TestProjectWeighsTheColours(t *testing.T) {
	for _, s := range sizes {
		m := scene(s.W, s.H)
		data := encoded(t, m)
		if flat := projected(t, data, s, [3]float64{}); !bytes.Equal(flat, bytes.Repeat([]byte{128}, len(flat))) {
			t.Errorf("%v: without weights not all is a middle grey", s)
		}
		w := [3]float64{0.6, -0.1, -0.3}
		if off, _ := weigh(m, w, projected(t, data, s, w)); off > 4 {
			t.Errorf("%v: off by %.1f grey levels on average", s, off)
		}
	}
}

// Colour of every usual sampling lies where it was drawn: a shift by half a pixel
// costs a grey level and a half here. The files hold scene(101, 75) at quality 95.
func TestProjectKnowsTheSamplings(t *testing.T) {
	s := Size{101, 75}
	m := scene(s.W, s.H)
	for _, name := range []string{"444", "444-twice", "422", "440", "420", "420-progressive"} {
		data, err := os.ReadFile("testdata/" + name + ".jpg")
		if err != nil {
			t.Fatal(err)
		}
		for _, w := range [][3]float64{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}, {-0.5, 0, 0.5}, {0.3, -0.5, 0.2}} {
			if off, lighter := weigh(m, w, projected(t, data, s, w)); off > 1.2 || math.Abs(lighter) > 0.5 {
				t.Errorf("%s by %v: off by %.2f grey levels on average, lighter by %.2f", name, w, off, lighter)
			}
		}
	}
	for _, name := range []string{"411", "mixed"} {
		data, err := os.ReadFile("testdata/" + name + ".jpg")
		if err != nil {
			t.Fatal(err)
		}
		grey, small := make([]byte, s.W*s.H), make([]byte, 3*s.Small().W*s.Small().H)
		c, err := Decode(data, s, grey, small, room)
		if err != nil && !errors.Is(err, ErrOther) {
			t.Fatalf("%s: %v", name, err)
		}
		if c.Known() || Project(grey, s, c, [3]float64{1, 0, 0}, grey) == nil {
			t.Errorf("%s: its chroma is taken", name)
		}
	}
}

func TestDamagedPhotos(t *testing.T) {
	s := Size{320, 240}
	whole := encoded(t, scene(s.W, s.H))
	grey, small := make([]byte, s.W*s.H), make([]byte, 3*s.Small().W*s.Small().H)
	full, _ := decoded(t, whole, s)
	if _, err := Decode(whole[:len(whole)/2], s, grey, small, room); err != nil {
		t.Errorf("half a photo: %v", err)
	}
	if !bytes.Equal(grey[:16*s.W], full[:16*s.W]) {
		t.Error("half a photo: what is there is not decoded")
	}
	for _, v := range grey[(s.H-8)*s.W:] {
		if v != grey[len(grey)-1] {
			t.Fatal("half a photo: what is missing is not even")
		}
	}
	for name, data := range map[string][]byte{"nothing": nil, "no JPEG": []byte("belt"), "header only": whole[:100], "zeros": make([]byte, 500)} {
		if _, err := Decode(data, s, grey, small, room); err == nil || errors.Is(err, ErrOther) {
			t.Errorf("%s: %v", name, err)
		}
	}
	for _, wrong := range []Size{{0, 0}, {320, 241}, {240, 320}, {-1, 5}, {1 << 20, 1}} {
		n := max(0, wrong.W*wrong.H)
		if n > 1<<20 {
			n = 1
		}
		if _, err := Decode(whole, wrong, make([]byte, n), make([]byte, max(0, 3*wrong.Small().W*wrong.Small().H)), room); err == nil {
			t.Errorf("%v for a photo of %v: no error", wrong, s)
		}
	}
	_, err1 := Decode(whole, s, grey[1:], small, room)
	_, err2 := Decode(whole, s, grey, small[1:], room)
	c, err := Decode(whole, s, grey, small, room)
	_, err3 := Decode(whole, s, grey, small, func(n int) ([]byte, error) { return make([]byte, n-1), nil })
	_, err4 := Decode(whole, s, grey, small, func(int) ([]byte, error) { return nil, errors.New("full") })
	if err3 == nil || err4 == nil {
		t.Errorf("too little room for chroma: %v, %v", err3, err4)
	}
	if err1 == nil || err2 == nil || err != nil {
		t.Errorf("too little room: %v, %v; enough: %v", err1, err2, err)
	}
	out := make([]byte, len(grey))
	blue := [3]float64{1, 0, 0}
	for name, err := range map[string]error{
		"less luma":        Project(grey[1:], s, c, blue, out),
		"less room":        Project(grey, s, c, blue, out[1:]),
		"no chroma":        Project(grey, s, Chroma{}, blue, out),
		"a larger picture": Project(make([]byte, 640*480), Size{640, 480}, c, blue, make([]byte, 640*480)),
		"weights above 1":  Project(grey, s, c, [3]float64{1, -1, 0}, out),
	} {
		if err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	// Any byte wrong: an error or a picture, never the end of the process.
	for k := 0; k < len(whole); k += 7 {
		bad := bytes.Clone(whole)
		bad[k] ^= 0x5a
		if c, err := Decode(bad, s, grey, small, room); err == nil && c.Known() {
			_ = Project(grey, s, c, blue, out)
		}
	}
}
