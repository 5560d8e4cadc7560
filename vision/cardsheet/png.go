package cardsheet

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"image"
	"image/png"
	"io"
	"math"

	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/vector"
)

// Resolutions that a sheet is drawn at, dots per inch.
const (
	MinDPI     = 50
	DefaultDPI = 300
	MaxDPI     = 1200
)

const mmPerInch = 25.4

// Draw returns one card as a picture. A pixel's grey is the part of its area
// that stays white, so edges lie where they should to a few thousandths of a
// pixel. A point at x, y mm on the sheet lies at pixel x*dpi/25.4 - 0.5
// (pixel centres at integers).
func Draw(card int, paper Paper, dpi float64) (*image.Gray, error) {
	if !(dpi >= MinDPI && dpi <= MaxDPI) {
		return nil, fmt.Errorf("resolution of %g dpi: choose %d to %d", dpi, MinDPI, MaxDPI)
	}
	s, err := layout(card, paper)
	if err != nil {
		return nil, err
	}
	scale := dpi / mmPerInch // px per mm
	img := image.NewGray(image.Rect(0, 0, int(math.Round(paper.Width*scale)), int(math.Round(paper.Height*scale))))
	drawBlack(img, s.black, scale)
	for _, l := range s.text {
		drawText(img, l, scale)
	}
	return img, nil
}

// WritePNG writes one card as a picture that knows its size in print.
func WritePNG(w io.Writer, card int, paper Paper, dpi float64) error {
	img, err := Draw(card, paper, dpi)
	if err != nil {
		return err
	}
	var buf bytes.Buffer
	if err := png.Encode(&buf, img); err != nil {
		return fmt.Errorf("write card %d as PNG: %w", card, err)
	}
	if _, err := w.Write(withDensity(buf.Bytes(), dpi)); err != nil {
		return fmt.Errorf("write card %d as PNG: %w", card, err)
	}
	return nil
}

// drawBlack fills the image: white less the area that the rectangles cover in
// each pixel.
func drawBlack(img *image.Gray, black []rect, scale float64) {
	w, h := img.Rect.Dx(), img.Rect.Dy()
	covered := make([]float64, w)
	for y := range h {
		clear(covered)
		for _, r := range black {
			down := overlap(r.y0*scale, r.y1*scale, y)
			if down == 0 {
				continue
			}
			x0, x1 := r.x0*scale, r.x1*scale
			for x := max(0, int(x0)); x < min(w, int(math.Ceil(x1))); x++ {
				covered[x] += down * overlap(x0, x1, x)
			}
		}
		row := img.Pix[y*img.Stride:]
		for x, c := range covered {
			row[x] = uint8(math.Round(255 * (1 - min(c, 1))))
		}
	}
}

// overlap returns how much of the pixel from i to i+1 lies between a and b.
func overlap(a, b float64, i int) float64 {
	return max(0, min(b, float64(i+1))-max(a, float64(i)))
}

func drawText(img *image.Gray, l label, scale float64) {
	segs := l.outline()
	if len(segs) == 0 {
		return
	}
	lo := [2]float64{math.Inf(1), math.Inf(1)}
	hi := [2]float64{math.Inf(-1), math.Inf(-1)}
	for _, s := range segs {
		for _, p := range s.pts[:s.args()] {
			for k := range p {
				lo[k], hi[k] = min(lo[k], p[k]*scale), max(hi[k], p[k]*scale)
			}
		}
	}
	box := image.Rect(int(lo[0]), int(lo[1]), int(hi[0])+1, int(hi[1])+1)
	r := vector.NewRasterizer(box.Dx(), box.Dy())
	at := func(p [2]float64) (x, y float32) {
		return float32(p[0]*scale - float64(box.Min.X)), float32(p[1]*scale - float64(box.Min.Y))
	}
	for _, s := range segs {
		ax, ay := at(s.pts[0])
		bx, by := at(s.pts[1])
		cx, cy := at(s.pts[2])
		switch s.op {
		case sfnt.SegmentOpMoveTo:
			r.MoveTo(ax, ay)
		case sfnt.SegmentOpLineTo:
			r.LineTo(ax, ay)
		case sfnt.SegmentOpQuadTo:
			r.QuadTo(ax, ay, bx, by)
		case sfnt.SegmentOpCubeTo:
			r.CubeTo(ax, ay, bx, by, cx, cy)
		}
	}
	r.ClosePath()
	r.Draw(img, box, image.Black, image.Point{})
}

// withDensity adds the pHYs chunk (PNG, third edition, 11.3.4.3), so that a print is true to size:
// pixels per metre in both directions, right behind the header.
func withDensity(data []byte, dpi float64) []byte {
	const header = 8 + 4 + 4 + 13 + 4 // signature, then IHDR: length, name, data, check
	chunk := []byte("pHYs")
	perMetre := uint32(math.Round(dpi / mmPerInch * 1000))
	chunk = binary.BigEndian.AppendUint32(chunk, perMetre)
	chunk = binary.BigEndian.AppendUint32(chunk, perMetre)
	chunk = append(chunk, 1) // the unit is the metre

	out := append([]byte(nil), data[:header]...)
	out = binary.BigEndian.AppendUint32(out, uint32(len(chunk)-4))
	out = append(out, chunk...)
	out = binary.BigEndian.AppendUint32(out, crc32.ChecksumIEEE(chunk))
	return append(out, data[header:]...)
}
