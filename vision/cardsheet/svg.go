package cardsheet

import (
	"bytes"
	"fmt"
	"io"
	"strconv"

	"golang.org/x/image/font/sfnt"
)

// WriteSVG writes one card as a drawing in millimetres, texts as outlines.
func WriteSVG(w io.Writer, card int, paper Paper) error {
	s, err := layout(card, paper)
	if err != nil {
		return err
	}
	b := new(bytes.Buffer)
	width, height := svgNumber(paper.Width), svgNumber(paper.Height)
	fmt.Fprintf(b, `<?xml version="1.0" encoding="UTF-8"?>
<svg xmlns="http://www.w3.org/2000/svg" width="%smm" height="%smm" viewBox="0 0 %s %s">
<title>%s</title>
<rect width="%s" height="%s" fill="#fff"/>
<path d="`, width, height, width, height, s.title, width, height)
	for _, r := range s.black {
		fmt.Fprintf(b, "M%s %sH%sV%sH%sz", svgNumber(r.x0), svgNumber(r.y0), svgNumber(r.x1), svgNumber(r.y1), svgNumber(r.x0))
	}
	fmt.Fprint(b, "\"/>\n")
	for _, l := range s.text {
		fmt.Fprint(b, `<path d="`)
		for _, seg := range l.outline() {
			fmt.Fprint(b, map[sfnt.SegmentOp]string{
				sfnt.SegmentOpMoveTo: "M", sfnt.SegmentOpLineTo: "L", sfnt.SegmentOpQuadTo: "Q", sfnt.SegmentOpCubeTo: "C",
			}[seg.op])
			for i, p := range seg.pts[:seg.args()] {
				if i > 0 {
					fmt.Fprint(b, " ")
				}
				fmt.Fprintf(b, "%s %s", svgNumber(p[0]), svgNumber(p[1]))
			}
		}
		fmt.Fprintf(b, "\"><title>%s</title></path>\n", l.text)
	}
	fmt.Fprint(b, "</svg>\n")
	if _, err := w.Write(b.Bytes()); err != nil {
		return fmt.Errorf("write card %d as SVG: %w", card, err)
	}
	return nil
}

// svgNumber writes a length in mm to a tenth of a micrometre.
func svgNumber(mm float64) string {
	s := strconv.FormatFloat(mm, 'f', 4, 64)
	for s[len(s)-1] == '0' {
		s = s[:len(s)-1]
	}
	if s[len(s)-1] == '.' {
		s = s[:len(s)-1]
	}
	return s
}
