package render

import (
	"bytes"
	"fmt"
	"image"
	"image/jpeg"
	"math"

	"beltend/vision/photo"
)

// fullFrame is the diagonal of 36 mm x 24 mm film, to which equivalent focal
// lengths refer (CIPA DCG-001).
var fullFrame = math.Hypot(36, 24)

// F35True is the camera's true focal length as a 35 mm equivalent.
func (c *Camera) F35True() float64 {
	return c.F * fullFrame / math.Hypot(float64(c.Width), float64(c.Height))
}

// JPEG draws the scene and writes it as a phone does: turned as its EXIF
// orientation says, with the focal length.
func (s *Scene) JPEG() ([]byte, error) {
	img, err := s.Render()
	if err != nil {
		return nil, err
	}
	c := &s.Camera
	o := max(1, c.Orientation)
	stored := turned(img, o)
	q := s.Finish.Quality
	if q == 0 {
		q = 90
	}
	var buf bytes.Buffer
	if err := jpeg.Encode(&buf, stored, &jpeg.Options{Quality: q}); err != nil {
		return nil, fmt.Errorf("scene: compressing the photo: %w", err)
	}
	tags := photo.Tags{Orientation: o, PixelX: stored.Rect.Dx(), PixelY: stored.Rect.Dy()}
	if c.F35 > 0 {
		tags.FocalLength35 = c.F35
		tags.FocalLength = math.Round(float64(c.F35)*0.2115*100) / 100 // a sensor of 9.2 mm diagonal
	}
	return photo.WriteExif(buf.Bytes(), tags)
}

// turned is the stored picture whose EXIF orientation o shows img upright.
func turned(img *image.YCbCr, o int) *image.YCbCr {
	if o == 1 {
		return img
	}
	w, h := img.Rect.Dx(), img.Rect.Dy()
	sw, sh := photo.UprightSize(w, h, o) // swapping is its own inverse
	out := image.NewYCbCr(image.Rect(0, 0, sw, sh), img.SubsampleRatio)
	plane := func(dst, src []uint8, dstStride, srcStride, dw, dh int) {
		at := func(x, y int) int {
			p := photo.UprightFromStored(vec2{X: float64(x), Y: float64(y)}, dw, dh, o)
			return int(p.Y)*srcStride + int(p.X)
		}
		base := at(0, 0)
		dx, dy := 0, 0
		if dw > 1 {
			dx = at(1, 0) - base
		}
		if dh > 1 {
			dy = at(0, 1) - base
		}
		for y := range dh {
			k := base + y*dy
			row := dst[y*dstStride : y*dstStride+dw]
			for x := range row {
				row[x] = src[k]
				k += dx
			}
		}
	}
	plane(out.Y, img.Y, out.YStride, img.YStride, sw, sh)
	plane(out.Cb, img.Cb, out.CStride, img.CStride, (sw+1)/2, (sh+1)/2)
	plane(out.Cr, img.Cr, out.CStride, img.CStride, (sw+1)/2, (sh+1)/2)
	return out
}
