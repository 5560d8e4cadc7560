package vision

import (
	"bytes"
	"encoding/binary"
	"image"
	"math"
	"math/rand/v2"

	"gocv.io/x/gocv"
)

// Alteration makes of a photo what another phone, app or light would have.
type Alteration struct {
	Name    string
	Scale   float64 // of its size; 0: kept
	quality int
	noExif  bool
	change  func(m *gocv.Mat)
}

// Alterations are those the scoreboard measures. No step of a measurement uses them.
var Alterations = []Alteration{
	{Name: "sharpened hard", change: func(m *gocv.Mat) {
		soft := gocv.NewMat()
		defer soft.Close()
		gocv.GaussianBlur(*m, &soft, image.Point{}, 1.2, 1.2, gocv.BorderDefault)
		gocv.AddWeighted(*m, 1.8, soft, -0.8, 0, m)
	}},
	{Name: "made smaller", Scale: 0.75},
	{Name: "made larger", Scale: 1.3},
	{Name: "blurred", change: func(m *gocv.Mat) { gocv.GaussianBlur(*m, m, image.Point{}, 1, 1, gocv.BorderDefault) }},
	{Name: "noisy", change: func(m *gocv.Mat) {
		px, err := m.DataPtrUint8()
		if err != nil {
			return
		}
		r := rand.New(rand.NewPCG(1, 2))
		for i, v := range px {
			px[i] = uint8(math.Round(math.Max(0, math.Min(255, float64(v)+6*r.NormFloat64()))))
		}
	}},
	{Name: "underexposed", change: func(m *gocv.Mat) { m.ConvertToWithParams(m, gocv.MatTypeCV8UC3, 0.4, 0) }},
	{Name: "overexposed", change: func(m *gocv.Mat) { m.ConvertToWithParams(m, gocv.MatTypeCV8UC3, 1.35, 0) }},
	{Name: "squeezed to quality 50", quality: 50},
	{Name: "without EXIF", noExif: true},
}

// Of alters a JPEG photo and keeps its EXIF.
func (a *Alteration) Of(photo []byte) ([]byte, error) {
	const ignoreOrientation = 128 // OpenCV's IMREAD_IGNORE_ORIENTATION
	m, err := gocv.IMDecode(photo, gocv.IMReadColor|ignoreOrientation)
	if err != nil {
		return nil, err
	}
	defer m.Close()
	if a.change != nil {
		a.change(&m)
	}
	if a.Scale != 0 {
		how := gocv.InterpolationArea
		if a.Scale > 1 {
			how = gocv.InterpolationCubic
		}
		gocv.Resize(m, &m, image.Point{}, a.Scale, a.Scale, how)
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
