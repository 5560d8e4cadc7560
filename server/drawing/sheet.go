// Package drawing draws a joint on paper: the two ends meshed to scale with
// every number on it, the joint as it would run, and the bench list. A drawing
// is laid out once, in millimetres on the sheet with y down, and written as SVG
// or as a page of a PDF.
package drawing

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/color"
	_ "image/jpeg" // the pictures placed
	_ "image/png"
	"math"
	"strings"
	"unicode/utf8"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"

	"beltend/geometry"
	"beltend/server/pages/words"
	"beltend/server/report"
)

// A4, mm.
const (
	long  = 297.0
	short = 210.0
	edge  = 12.0 // free all round
)

// Colours keep their meaning without hue: leading hooks are filled dark,
// trailing hooks are outlined.
var (
	ink     = color.RGBA{0x1c, 0x24, 0x2b, 0xff}
	pale    = color.RGBA{0x6b, 0x75, 0x7d, 0xff}
	belt    = color.RGBA{0xe4, 0xe8, 0xec, 0xff}
	beltToo = color.RGBA{0xf1, 0xf3, 0xf5, 0xff}
	lead    = color.RGBA{0x1f, 0x5f, 0xa8, 0xff}
	trail   = color.RGBA{0xb3, 0x3a, 0x1a, 0xff}
	steel   = color.RGBA{0x8a, 0x93, 0x9b, 0xff}
	white   = color.RGBA{0xff, 0xff, 0xff, 0xff}
	none    = color.RGBA{}
)

// shape is a run of points, filled where fill has a colour.
type shape struct {
	pts    []geometry.Vec2
	closed bool
	line   color.RGBA
	width  float64
	dash   float64
	fill   color.RGBA
}

// wording is a line of text; x, y is the start, middle or end of its baseline.
type wording struct {
	at    geometry.Vec2
	size  float64
	text  string
	align int // -1 starts, 0 is centred, 1 ends at the point
	bold  bool
	ink   color.RGBA
	up    bool // reads upwards
}

// figure is a JPEG or PNG, for a PDF alone; x, y is its upper left corner.
type figure struct {
	at            geometry.Vec2
	width, height float64
	data          []byte
	kind          string // jpeg or png
}

// picture places a picture as large as fits into the room below y, in its middle,
// and returns the y below it.
func (s *sheet) picture(x, y, width, tallest float64, data []byte) (float64, error) {
	size, kind, err := image.DecodeConfig(bytes.NewReader(data))
	if err != nil {
		return y, fmt.Errorf("read the picture: %w", err)
	}
	scale := math.Min(width/float64(size.Width), tallest/float64(size.Height))
	w, h := scale*float64(size.Width), scale*float64(size.Height)
	s.items = append(s.items, figure{at: pt(x+(width-w)/2, y), width: w, height: h, data: data, kind: kind})
	return y + h, nil
}

type sheet struct {
	*words.Words
	width, height float64
	title         string
	page          bool  // for a PDF alone
	items         []any // shape, wording or figure, in the order drawn
}

func newSheet(width, height float64, o report.Options) *sheet {
	return &sheet{Words: words.In(o.Lang), width: width, height: height}
}

func pt(x, y float64) geometry.Vec2 { return geometry.Vec2{X: x, Y: y} }

func (s *sheet) line(c color.RGBA, width float64, pts ...geometry.Vec2) {
	s.items = append(s.items, shape{pts: pts, line: c, width: width})
}

func (s *sheet) dashed(c color.RGBA, width, dash float64, pts ...geometry.Vec2) {
	s.items = append(s.items, shape{pts: pts, line: c, width: width, dash: dash})
}

func (s *sheet) area(fill, line color.RGBA, width float64, pts ...geometry.Vec2) {
	s.items = append(s.items, shape{pts: pts, closed: true, fill: fill, line: line, width: width})
}

func (s *sheet) say(x, y, size float64, align int, c color.RGBA, format string, a ...any) {
	s.items = append(s.items, wording{at: pt(x, y), size: size, text: fmt.Sprintf(format, a...), align: align, ink: c})
}

func (s *sheet) head(x, y, size float64, align int, text string) {
	s.items = append(s.items, wording{at: pt(x, y), size: size, text: text, align: align, bold: true, ink: ink})
}

// arrow draws a line with a filled head at its end.
func (s *sheet) arrow(c color.RGBA, width float64, from, to geometry.Vec2) {
	d := to.Sub(from).Unit()
	n := pt(-d.Y, d.X)
	h := 4 * width
	s.line(c, width, from, to.Sub(d.Mul(h)))
	s.area(c, none, 0, to, to.Sub(d.Mul(1.6*h)).Add(n.Mul(0.6*h)), to.Sub(d.Mul(1.6*h)).Sub(n.Mul(0.6*h)))
}

// dimension draws a level dimension line with its text above the middle, or
// where it does not fit, beside it: on the right for beside above 0.
func (s *sheet) dimension(x0, x1, y float64, c color.RGBA, beside float64, text string) {
	if x1 < x0 {
		x0, x1 = x1, x0
	}
	const size = 3.0
	for _, x := range []float64{x0, x1} {
		s.line(c, 0.15, pt(x, y-1.2), pt(x, y+1.2))
	}
	s.line(c, 0.2, pt(x0, y), pt(x1, y))
	if textWidth(text, size) < x1-x0-1 {
		s.say((x0+x1)/2, y-0.9, size, 0, c, "%s", text)
		return
	}
	if beside < 0 {
		s.say(x0-1.2, y+1, size, 1, c, "%s", text)
		return
	}
	s.say(x1+1.2, y+1, size, -1, c, "%s", text)
}

// textWidth is an upper estimate that also holds for the fonts an SVG viewer
// may put in the place of ours.
func textWidth(text string, size float64) float64 {
	return 0.55 * size * float64(utf8.RuneCountInString(text))
}

// pageFont is the font of pages of a PDF, to measure lines with.
var pageFont = func() *sfnt.Font {
	f, err := sfnt.Parse(goregular.TTF)
	if err != nil { // it comes with the module
		panic(err)
	}
	return f
}()

// pageWidth is how wide a text is on a page of a PDF.
func pageWidth(text string, size float64) float64 {
	const em = 1000
	var b sfnt.Buffer
	sum := 0.0
	for _, r := range text {
		i, err := pageFont.GlyphIndex(&b, r)
		if err != nil {
			return textWidth(text, size)
		}
		a, err := pageFont.GlyphAdvance(&b, i, fixed.I(em), font.HintingNone)
		if err != nil {
			return textWidth(text, size)
		}
		sum += float64(a) / 64
	}
	return sum / em * size
}

// para writes wrapped text and returns the y after it.
func (s *sheet) para(x, y, width, size float64, c color.RGBA, text string) float64 {
	for _, l := range wrap(text, width, size, s.measure()) {
		s.say(x, y, size, -1, c, "%s", l)
		y += 1.35 * size
	}
	return y
}

// measure is how the widths of lines are told: exactly where the sheet is for a PDF
// alone.
func (s *sheet) measure() func(string, float64) float64 {
	if s.page {
		return pageWidth
	}
	return textWidth
}

func wrap(text string, width, size float64, measure func(string, float64) float64) []string {
	const joined = "\u00a0"
	var lines []string
	l := ""
	for _, w := range strings.Split(words.Together(text), " ") {
		w = strings.ReplaceAll(w, joined, " ")
		for measure(w, size) > width && !strings.Contains(w, " ") { // a file's name may be of any length
			n := fitting(w, width, size, measure)
			if n == len(w) {
				break
			}
			if l != "" {
				lines, l = append(lines, l), ""
			}
			lines, w = append(lines, w[:n]), w[n:]
		}
		switch {
		case l == "":
			l = w
		case measure(l+" "+w, size) <= width:
			l += " " + w
		default:
			lines, l = append(lines, l), w
		}
	}
	if l == "" {
		return lines
	}
	return append(lines, l)
}

// fitting is how many bytes of a word fit into the width, in whole letters; all of them where
// not even one does.
func fitting(word string, width, size float64, measure func(string, float64) float64) int {
	last := len(word)
	for i := range word {
		if i > 0 && measure(word[:i], size) > width {
			break
		}
		if i > 0 {
			last = i
		}
	}
	return last
}

func hex(c color.RGBA) string {
	if c.A == 0 {
		return "none"
	}
	return fmt.Sprintf("#%02x%02x%02x", c.R, c.G, c.B)
}

var escape = strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&quot;")

// svg writes a sheet as SVG in millimetres.
func (s *sheet) svg() []byte {
	b := new(bytes.Buffer)
	fmt.Fprintf(b, `<?xml version="1.0" encoding="UTF-8"?>
<svg xmlns="http://www.w3.org/2000/svg" lang="%s" width="%gmm" height="%gmm" viewBox="0 0 %g %g" font-family="Go, 'DejaVu Sans', Verdana, Arial, sans-serif">
<title>%s</title>
<rect width="%g" height="%g" fill="#fff"/>
`, s.Lang, s.width, s.height, s.width, s.height, escape.Replace(s.title), s.width, s.height)
	for _, item := range s.items {
		switch i := item.(type) {
		case shape:
			b.WriteString(`<path d="`)
			for k, p := range i.pts {
				op := "L"
				if k == 0 {
					op = "M"
				}
				fmt.Fprintf(b, "%s%s %s", op, number(p.X), number(p.Y))
			}
			if i.closed {
				b.WriteString("z")
			}
			fmt.Fprintf(b, `" fill="%s" stroke="%s"`, hex(i.fill), hex(i.line))
			if i.width > 0 {
				fmt.Fprintf(b, ` stroke-width="%s" stroke-linecap="round" stroke-linejoin="round"`, number(i.width))
			}
			if i.dash > 0 {
				fmt.Fprintf(b, ` stroke-dasharray="%s"`, number(i.dash))
			}
			b.WriteString("/>\n")
		case wording:
			anchor := [...]string{"start", "middle", "end"}[i.align+1]
			fmt.Fprintf(b, `<text x="%s" y="%s" font-size="%s" text-anchor="%s" fill="%s"`, number(i.at.X), number(i.at.Y), number(i.size), anchor, hex(i.ink))
			if i.bold {
				b.WriteString(` font-weight="bold"`)
			}
			if i.up {
				fmt.Fprintf(b, ` transform="rotate(-90 %s %s)"`, number(i.at.X), number(i.at.Y))
			}
			fmt.Fprintf(b, ">%s</text>\n", escape.Replace(i.text))
		}
	}
	b.WriteString("</svg>\n")
	return b.Bytes()
}

// number writes mm to a micrometre.
func number(mm float64) string {
	t := strings.TrimRight(strings.TrimRight(fmt.Sprintf("%.3f", mm), "0"), ".")
	if t == "-0" {
		return "0"
	}
	return t
}

// pdf writes sheets as the pages of one document.
func pdf(sheets ...*sheet) ([]byte, error) {
	doc := fpdf.NewCustom(&fpdf.InitType{OrientationStr: "P", UnitStr: "mm", Size: fpdf.SizeType{Wd: short, Ht: long}})
	doc.SetMargins(0, 0, 0)
	doc.SetAutoPageBreak(false, 0)
	doc.SetTitle(sheets[0].title, true)
	doc.SetCreator("beltend", true)
	doc.SetLang(sheets[0].Lang)
	doc.AddUTF8FontFromBytes("go", "", goregular.TTF)
	doc.AddUTF8FontFromBytes("go", "B", gobold.TTF)
	doc.SetLineCapStyle("round")
	doc.SetLineJoinStyle("round")
	for _, s := range sheets {
		turn := "P"
		if s.width > s.height {
			turn = "L"
		}
		doc.AddPageFormat(turn, fpdf.SizeType{Wd: math.Min(s.width, s.height), Ht: math.Max(s.width, s.height)})
		for _, item := range s.items {
			switch i := item.(type) {
			case shape:
				pdfShape(doc, i)
			case wording:
				pdfWords(doc, i)
			case figure:
				name, o := fmt.Sprintf("figure %p", i.data), fpdf.ImageOptions{ImageType: i.kind}
				doc.RegisterImageOptionsReader(name, o, bytes.NewReader(i.data))
				doc.ImageOptions(name, i.at.X, i.at.Y, i.width, i.height, false, o, 0, "")
			}
		}
	}
	b := new(bytes.Buffer)
	if err := doc.Output(b); err != nil {
		return nil, fmt.Errorf("write the PDF: %w", err)
	}
	return b.Bytes(), nil
}

func pdfShape(doc *fpdf.Fpdf, i shape) {
	doc.SetDrawColor(int(i.line.R), int(i.line.G), int(i.line.B))
	doc.SetFillColor(int(i.fill.R), int(i.fill.G), int(i.fill.B))
	doc.SetLineWidth(i.width)
	if i.dash > 0 {
		doc.SetDashPattern([]float64{i.dash, i.dash}, 0)
	}
	for k, p := range i.pts {
		if k == 0 {
			doc.MoveTo(p.X, p.Y)
		} else {
			doc.LineTo(p.X, p.Y)
		}
	}
	if i.closed {
		doc.ClosePath()
	}
	style := ""
	if i.fill.A > 0 {
		style += "F"
	}
	if i.line.A > 0 && i.width > 0 {
		style += "D"
	}
	if style == "" {
		style = "n"
	}
	doc.DrawPath(style)
	if i.dash > 0 {
		doc.SetDashPattern(nil, 0)
	}
}

func pdfWords(doc *fpdf.Fpdf, i wording) {
	style := ""
	if i.bold {
		style = "B"
	}
	doc.SetFont("go", style, 0)
	doc.SetFontUnitSize(i.size)
	doc.SetTextColor(int(i.ink.R), int(i.ink.G), int(i.ink.B))
	w := doc.GetStringWidth(i.text)
	x := i.at.X - w*float64(i.align+1)/2
	if i.up {
		doc.TransformBegin()
		doc.TransformRotate(90, i.at.X, i.at.Y)
		doc.Text(x, i.at.Y, i.text)
		doc.TransformEnd()
		return
	}
	doc.Text(x, i.at.Y, i.text)
}

// ErrFormat is returned for a format other than "svg" and "pdf".
var ErrFormat = errors.New(`the format must be "svg" or "pdf"`)

// scaleDown returns the largest usual drawing scale, as paper over true size,
// not above the one given: 2, 1, 1/2, 1/2.5, 1/5, 1/10, 1/20, 1/25, 1/50, ...
func scaleDown(most float64) (scale float64, text string) {
	for _, s := range []float64{10, 5, 4, 3, 2, 1} {
		if s <= most {
			return s, fmt.Sprintf("%g : 1", s)
		}
	}
	for by := 1.0; ; by *= 10 {
		for _, d := range []float64{1, 1.5, 2, 2.5, 3, 4, 5, 6, 8} {
			if 1/(d*by) <= most {
				return 1 / (d * by), fmt.Sprintf("1 : %g", d*by)
			}
		}
	}
}
