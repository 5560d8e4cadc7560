package vision

import (
	"fmt"
	"image"

	"gocv.io/x/gocv"

	"beltend/geometry"
	"beltend/vision/photo"
)

// Screen decodes a photo for people: upright, in colour, shrunk as far as its
// longer side stays at least long pixels (or not at all, when it is shorter).
func Screen(data []byte, info photo.Info, long int) (*image.RGBA, error) {
	m, err := colourMat(data, info, long)
	if err != nil {
		return nil, err
	}
	defer m.Close()
	px, err := m.DataPtrUint8()
	if err != nil {
		return nil, fmt.Errorf("decoded picture: %w", err)
	}
	w, h := m.Cols(), m.Rows()
	if len(px) != 3*w*h {
		return nil, unreadable(fmt.Errorf("%d bytes for %dx%d pixels", len(px), w, h))
	}
	uw, uh := photo.UprightSize(w, h, info.Orientation)
	out := image.NewRGBA(image.Rect(0, 0, uw, uh))
	// the turn is the same step for every pixel along a row
	at := func(x, y int) int {
		p := photo.UprightFromStored(geometry.Vec2{X: float64(x), Y: float64(y)}, w, h, info.Orientation)
		return int(p.Y)*out.Stride + 4*int(p.X)
	}
	for y := range h {
		to, step := at(0, y), 0
		if w > 1 {
			step = at(1, y) - to
		}
		for x := range w {
			from := px[3*(y*w+x):]
			pix := out.Pix[to : to+4 : to+4]
			pix[0], pix[1], pix[2], pix[3] = from[2], from[1], from[0], 255
			to += step
		}
	}
	return out, nil
}

// colourMat decodes in stored order: blue, green, red.
func colourMat(data []byte, info photo.Info, long int) (gocv.Mat, error) {
	const ignoreOrientation = gocv.IMReadFlag(128)
	var m gocv.Mat
	var err error
	side := max(info.Width, info.Height)
	switch {
	case info.Kind == photo.HEIC:
		var img image.Image
		if img, err = photo.DecodeHEIC(data, photo.DefaultLimits()); err != nil {
			return m, err
		}
		m, err = gocv.ImageToMatRGB(img)
	case info.Kind == photo.JPEG: // libjpeg shrinks as it decodes
		flag := gocv.IMReadColor
		switch {
		case side/8 >= long:
			flag = gocv.IMReadReducedColor8
		case side/4 >= long:
			flag = gocv.IMReadReducedColor4
		case side/2 >= long:
			flag = gocv.IMReadReducedColor2
		}
		m, err = gocv.IMDecode(data, flag|ignoreOrientation)
	default:
		m, err = gocv.IMDecode(data, gocv.IMReadColor|ignoreOrientation)
	}
	if err != nil || m.Empty() {
		return m, unreadable(err)
	}
	if k := max(m.Cols(), m.Rows()) / long; k >= 2 {
		gocv.Resize(m, &m, image.Pt(m.Cols()/k, m.Rows()/k), 0, 0, gocv.InterpolationArea)
	}
	return m, nil
}
