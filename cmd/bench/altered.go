package main

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"

	"gocv.io/x/gocv"

	"beltend/vision/render"
)

// altered is the class of the photos made elsewhere as other phones, apps and light would
// have made them: an answer must not hang on how a phone sharpens or stores a photo.
const altered = rayTraced + ", altered"

// alteration changes a photo's pixels; scale is what it makes of its size.
type alteration struct {
	name    string
	scale   float64
	quality int
	noExif  bool
	change  func(m *gocv.Mat)
}

var alterations = []alteration{
	{name: "sharpened hard", change: func(m *gocv.Mat) {
		soft := gocv.NewMat()
		defer soft.Close()
		gocv.GaussianBlur(*m, &soft, image.Point{}, 1.2, 1.2, gocv.BorderDefault)
		gocv.AddWeighted(*m, 1.8, soft, -0.8, 0, m)
	}},
	{name: "made smaller", scale: 0.75},
	{name: "made larger", scale: 1.3},
	{name: "blurred", change: func(m *gocv.Mat) { gocv.GaussianBlur(*m, m, image.Point{}, 1, 1, gocv.BorderDefault) }},
	{name: "noisy", change: func(m *gocv.Mat) {
		px, err := m.DataPtrUint8()
		if err != nil {
			return
		}
		r := rand.New(rand.NewPCG(1, 2))
		for i, v := range px {
			px[i] = uint8(math.Round(math.Max(0, math.Min(255, float64(v)+6*r.NormFloat64()))))
		}
	}},
	{name: "underexposed", change: func(m *gocv.Mat) { m.ConvertToWithParams(m, gocv.MatTypeCV8UC3, 0.4, 0) }},
	{name: "overexposed", change: func(m *gocv.Mat) { m.ConvertToWithParams(m, gocv.MatTypeCV8UC3, 1.35, 0) }},
	{name: "squeezed to quality 50", quality: 50},
	{name: "without EXIF", noExif: true},
}

// alteredFrom writes the photos of jobs, altered, to a folder and returns the jobs
// for them.
func alteredFrom(jobs []job, dir string) ([]job, error) {
	var out []job
	for _, j := range jobs {
		if len(j.photos) != 1 {
			continue
		}
		data, err := os.ReadFile(j.photos[0])
		if err != nil {
			return nil, err
		}
		for i := range alterations {
			a := &alterations[i]
			path := filepath.Join(dir, fmt.Sprintf("%s %s.jpg", j.name, a.name))
			photo, err := a.of(data)
			if err != nil {
				return nil, fmt.Errorf("%s, %s: %w", j.name, a.name, err)
			}
			if err := os.WriteFile(path, photo, 0o600); err != nil {
				return nil, err
			}
			k := j
			k.class, k.what, k.name, k.photos = altered, a.name, j.name+" "+a.name, []string{path}
			k.lines = scaled(j.lines, a.scale)
			out = append(out, k)
		}
	}
	return out, nil
}

// of alters a JPEG photo and keeps its EXIF.
func (a *alteration) of(photo []byte) ([]byte, error) {
	const ignoreOrientation = 128 // OpenCV's IMREAD_IGNORE_ORIENTATION
	m, err := gocv.IMDecode(photo, gocv.IMReadColor|ignoreOrientation)
	if err != nil {
		return nil, err
	}
	defer m.Close()
	if a.change != nil {
		a.change(&m)
	}
	if a.scale != 0 {
		how := gocv.InterpolationArea
		if a.scale > 1 {
			how = gocv.InterpolationCubic
		}
		gocv.Resize(m, &m, image.Point{}, a.scale, a.scale, how)
	}
	quality := 92
	if a.quality != 0 {
		quality = a.quality
	}
	buf, err := gocv.IMEncodeWithParams(gocv.JPEGFileExt, m, []int{gocv.IMWriteJpegQuality, quality})
	if err != nil {
		return nil, err
	}
	defer buf.Close()
	out := bytes.Clone(buf.GetBytes())
	if a.noExif {
		return out, nil
	}
	return append(append(out[:2:2], exifOf(photo)...), out[2:]...), nil
}

// exifOf are the APP1 segments of a JPEG (ITU-T T.81, B.1.1.4).
func exifOf(photo []byte) (out []byte) {
	const app1, startOfScan = 0xE1, 0xDA
	for at := 2; at+4 <= len(photo) && photo[at] == 0xFF && photo[at+1] != startOfScan; {
		end := at + 2 + int(binary.BigEndian.Uint16(photo[at+2:]))
		if end > len(photo) {
			break
		}
		if photo[at+1] == app1 {
			out = append(out, photo[at:end]...)
		}
		at = end
	}
	return out
}

// scaled are lines of photos made larger or smaller; pixel centres are at integers.
func scaled(lines [][][]render.Pt, scale float64) [][][]render.Pt {
	if scale == 0 {
		return lines
	}
	out := make([][][]render.Pt, len(lines))
	for i := range lines {
		out[i] = make([][]render.Pt, len(lines[i]))
		for k, line := range lines[i] {
			for _, q := range line {
				out[i][k] = append(out[i][k], render.Pt{(q[0]+0.5)*scale - 0.5, (q[1]+0.5)*scale - 0.5})
			}
		}
	}
	return out
}
