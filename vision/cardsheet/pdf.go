package cardsheet

import (
	"errors"
	"fmt"
	"io"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
)

// WritePDF writes a document with one page for each card, in true size. Its
// coordinates are rounded to 1/100 point (0.0018 mm at most).
func WritePDF(w io.Writer, cards []int, paper Paper) error {
	if len(cards) == 0 {
		return errors.New("no card to print")
	}
	size := fpdf.SizeType{Wd: paper.Width, Ht: paper.Height}
	pdf := fpdf.NewCustom(&fpdf.InitType{OrientationStr: "P", UnitStr: "mm", Size: size})
	pdf.SetMargins(0, 0, 0)
	pdf.SetAutoPageBreak(false, 0)
	pdf.SetTitle("beltend reference cards", true)
	pdf.SetCreator("beltend", true)
	pdf.AddUTF8FontFromBytes("go", "", goregular.TTF)
	pdf.AddUTF8FontFromBytes("go", "B", gobold.TTF)
	// The catalogue's entry that makes print dialogues start at 100 %
	// (ISO 32000-1, 12.2). fpdf has no call for it, but writes the language
	// as it comes, into the same dictionary.
	pdf.SetLang("en) /ViewerPreferences << /PrintScaling /None >> /Lang (en")

	for _, n := range cards {
		s, err := layout(n, paper)
		if err != nil {
			return err
		}
		pdf.AddPage()
		pdf.SetFillColor(0, 0, 0)
		pdf.SetTextColor(0, 0, 0)
		// One path, every corner in sheet coordinates: neighbours round alike
		// and leave no seam.
		for _, r := range s.black {
			pdf.MoveTo(r.x0, r.y0)
			pdf.LineTo(r.x1, r.y0)
			pdf.LineTo(r.x1, r.y1)
			pdf.LineTo(r.x0, r.y1)
			pdf.ClosePath()
		}
		pdf.DrawPath("F")
		for _, l := range s.text {
			style := ""
			if l.bold {
				style = "B"
			}
			pdf.SetFont("go", style, 0)
			pdf.SetFontUnitSize(l.size)
			if l.up {
				pdf.TransformBegin()
				pdf.TransformRotate(90, l.x, l.y)
			}
			pdf.Text(l.x, l.y, l.text)
			if l.up {
				pdf.TransformEnd()
			}
		}
	}
	if err := pdf.Output(w); err != nil {
		return fmt.Errorf("write the cards as PDF: %w", err)
	}
	return nil
}
