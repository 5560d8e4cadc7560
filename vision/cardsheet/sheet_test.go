package cardsheet

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"beltend/geometry"
	"beltend/vision/pattern"
)

// bounds returns the box of a label's ink.
func bounds(l label) rect {
	b := rect{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)}
	for _, s := range l.outline() {
		for _, p := range s.pts[:s.args()] {
			b = rect{min(b.x0, p[0]), min(b.y0, p[1]), max(b.x1, p[0]), max(b.y1, p[1])}
		}
	}
	return b
}

func TestNothingIsCutOffOrTouches(t *testing.T) {
	for _, paper := range []Paper{A4, Letter} {
		for n := 1; n <= geometry.CardCount; n++ {
			s, err := layout(n, paper)
			if err != nil {
				t.Fatal(err)
			}
			// What printers print, and the board with the white around it.
			const eps = 1e-9
			inside := rect{5 - eps, 5 - eps, paper.Width - 5 + eps, paper.Height - 5 + eps}
			board := rect{
				paper.Width/2 - 122.5 - gap + eps, paper.Height/2 - 87.5 - gap + eps,
				paper.Width/2 + 122.5 + gap - eps, paper.Height/2 + 87.5 + gap - eps,
			}
			var boxes []rect
			onBoard := 0
			for _, r := range s.black {
				if r.x0 >= paper.Width/2-122.5-eps && r.x1 <= paper.Width/2+122.5+eps &&
					r.y0 >= paper.Height/2-87.5-eps && r.y1 <= paper.Height/2+87.5+eps {
					onBoard++
					continue
				}
				boxes = append(boxes, r)
			}
			if len(boxes) != 6 {
				t.Errorf("%d rectangles beside the board, want two bars of three", len(boxes))
			}
			for _, l := range s.text {
				b := bounds(l)
				for _, other := range boxes {
					if b.x0 < other.x1 && other.x0 < b.x1 && b.y0 < other.y1 && other.y0 < b.y1 {
						t.Errorf("card %d on %s: %q lies on something else", n, paper.Name, l.text)
					}
				}
				boxes = append(boxes, b)
			}
			for i, b := range boxes {
				if b.x0 < inside.x0 || b.y0 < inside.y0 || b.x1 > inside.x1 || b.y1 > inside.y1 {
					t.Errorf("card %d on %s: item %d at %v is too near the paper's edge", n, paper.Name, i, b)
				}
				if b.x0 < board.x1 && board.x0 < b.x1 && b.y0 < board.y1 && board.y0 < b.y1 {
					t.Errorf("card %d on %s: item %d at %v is too near the board", n, paper.Name, i, b)
				}
			}
			if want, err := pattern.Board(mustCard(t, n)); err != nil || onBoard != len(want) {
				t.Errorf("card %d: %d rectangles on the board, want %d", n, onBoard, len(want))
			}
		}
	}
}

func mustCard(t *testing.T, n int) geometry.Board {
	t.Helper()
	card, err := geometry.Card(n)
	if err != nil {
		t.Fatal(err)
	}
	return card
}

func TestSheetSaysWhatAPersonNeeds(t *testing.T) {
	s, err := layout(12, Letter)
	if err != nil {
		t.Fatal(err)
	}
	var all strings.Builder
	for _, l := range s.text {
		fmt.Fprintln(&all, l.text)
		if l.text == "Card 12" {
			if b := bounds(l); b.y1-b.y0 < 7.5 {
				t.Errorf("the number is %.2f mm high", b.y1-b.y0)
			}
		}
	}
	for _, want := range []string{"Card 12\n", "100 %", "fit to page", "steel rule", "--print-scale", "200 mm\n", "150 mm\n", "Matt paper", "flat",
		"isolated and locked out", "tension released", "Site rules", "ids 187 to 203", "Letter"} {
		if !strings.Contains(all.String(), want) {
			t.Errorf("the sheet does not say %q", want)
		}
	}
}

// The drawing's numbers against the board's definition, read back from the file.
func TestSVGIsTheBoard(t *testing.T) {
	for _, paper := range []Paper{A4, Letter} {
		var buf bytes.Buffer
		if err := WriteSVG(&buf, 5, paper); err != nil {
			t.Fatal(err)
		}
		text := buf.String()
		for d := xml.NewDecoder(strings.NewReader(text)); ; {
			if _, err := d.Token(); errors.Is(err, io.EOF) {
				break
			} else if err != nil {
				t.Fatal(err)
			}
		}
		head := fmt.Sprintf(`width="%gmm" height="%gmm" viewBox="0 0 %g %g"`, paper.Width, paper.Height, paper.Width, paper.Height)
		if !strings.Contains(text, head) {
			t.Errorf("no %s", head)
		}
		var got []rect
		for _, m := range regexp.MustCompile(`M([\d.]+) ([\d.]+)H([\d.]+)V([\d.]+)H([\d.]+)z`).FindAllStringSubmatch(text, -1) {
			var v [5]float64
			for i := range v {
				var err error
				if v[i], err = strconv.ParseFloat(m[i+1], 64); err != nil {
					t.Fatal(err)
				}
			}
			if v[4] != v[0] {
				t.Errorf("%s is no rectangle", m[0])
			}
			got = append(got, rect{v[0], v[1], v[2], v[3]})
		}
		black, err := pattern.Board(mustCard(t, 5))
		if err != nil {
			t.Fatal(err)
		}
		if len(got) != len(black)+6 {
			t.Fatalf("%d rectangles, want %d and six of the bars", len(got), len(black))
		}
		for i, b := range black {
			want := [4]float64{paper.Width/2 - 122.5 + b.X0, paper.Height/2 + 87.5 - b.Y1, paper.Width/2 - 122.5 + b.X1, paper.Height/2 + 87.5 - b.Y0}
			for k, v := range [4]float64{got[i].x0, got[i].y0, got[i].x1, got[i].y1} {
				if math.Abs(v-want[k]) > 0.00006 {
					t.Errorf("rectangle %d is %v, want %v", i, got[i], want)
					break
				}
			}
		}
	}
}

func TestPNGKnowsItsSize(t *testing.T) {
	var buf bytes.Buffer
	if err := WritePNG(&buf, 2, A4, 254); err != nil {
		t.Fatal(err)
	}
	// Length 9, pHYs, 10000 px/m twice, unit metre.
	want := "\x00\x00\x00\x09pHYs\x00\x00\x27\x10\x00\x00\x27\x10\x01"
	if i := strings.Index(buf.String(), want); i != 33 {
		t.Errorf("print size stands at byte %d, want 33", i)
	}
	if img := decodeGray(t, buf.Bytes()); img.Rect.Dx() != 2970 || img.Rect.Dy() != 2100 { // decoding checks the CRC
		t.Errorf("size %v", img.Rect)
	}
}

func TestPDFPrintsAtFullSize(t *testing.T) {
	for _, paper := range []Paper{A4, Letter} {
		var buf bytes.Buffer
		if err := WritePDF(&buf, []int{3, 1}, paper); err != nil {
			t.Fatal(err)
		}
		text := buf.String()
		catalogue := regexp.MustCompile(`(?s)<<\s*/Type /Catalog.*?endobj`).FindString(text)
		if !strings.Contains(catalogue, "/Lang (en) /ViewerPreferences << /PrintScaling /None >> /Lang (en)") {
			t.Errorf("catalogue: %q", catalogue)
		}
		box := fmt.Sprintf("/MediaBox [0 0 %.2f %.2f]", paper.Width/25.4*72, paper.Height/25.4*72)
		if !strings.Contains(text, box) {
			t.Errorf("no %s", box)
		}
		if n := strings.Count(text, "/Type /Page\n"); n != 2 {
			t.Errorf("%d pages, want 2", n)
		}
	}
}

func TestPDFTextCanBeRead(t *testing.T) {
	tool, err := exec.LookPath("pdftotext")
	if err != nil {
		t.Skip("pdftotext (poppler-utils) is not installed")
	}
	name := filepath.Join(t.TempDir(), "card.pdf")
	if _, err := WriteFiles(name, []int{7}, A4, DefaultDPI); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(tool, "-raw", name, "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	s, err := layout(7, A4)
	if err != nil {
		t.Fatal(err)
	}
	solid := func(s string) string { return strings.Join(strings.Fields(s), "") } // lines break where they turn
	for _, l := range s.text {
		if !strings.Contains(solid(string(out)), solid(l.text)) {
			t.Errorf("%q cannot be read in %q", l.text, out)
		}
	}
}

func TestParseCards(t *testing.T) {
	for s, want := range map[string][]int{
		"3": {3}, "1-14": {1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14}, "9, 2,5-7": {9, 2, 5, 6, 7}, "4-4": {4},
	} {
		if got, err := ParseCards(s); err != nil || !slices.Equal(got, want) {
			t.Errorf("%q: %v, %v, want %v", s, got, err, want)
		}
	}
	for s, say := range map[string]string{
		"": "numbers and ranges", "a": "numbers and ranges", "1-": "numbers and ranges", "-1": "numbers and ranges", "5-2": "numbers and ranges",
		"1,,2": "numbers and ranges", "0": "1 to 14", "15": "1 to 14", "1-999999999": "1 to 14", "2,1-3": "card 2 is named twice",
	} {
		if got, err := ParseCards(s); err == nil || !strings.Contains(err.Error(), say) {
			t.Errorf("%q: %v, error %v, want one with %q", s, got, err, say)
		}
	}
}

func TestParsePaper(t *testing.T) {
	for s, want := range map[string]Paper{"A4": A4, "a4": A4, "letter": Letter, "Letter ": Letter} {
		if got, err := ParsePaper(s); err != nil || got != want {
			t.Errorf("%q: %v, %v", s, got, err)
		}
	}
	if _, err := ParsePaper("A3"); err == nil || !strings.Contains(err.Error(), "A4 or Letter") {
		t.Errorf("error %v", err)
	}
}

func TestWriteFiles(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	for _, c := range []struct {
		name  string
		cards []int
		want  []string
		magic string
	}{
		{"one.PNG", []int{4}, []string{"one.PNG"}, "\x89PNG"},
		{"many.png", []int{4, 11}, []string{"many-04.png", "many-11.png"}, "\x89PNG"},
		{"many.svg", []int{1, 2}, []string{"many-01.svg", "many-02.svg"}, "<?xml"},
		{"many.pdf", []int{1, 2}, []string{"many.pdf"}, "%PDF-"},
	} {
		got, err := WriteFiles(at(c.name), c.cards, A4, MinDPI)
		if err != nil {
			t.Fatal(err)
		}
		if len(got) != len(c.want) {
			t.Fatalf("%s: wrote %v, want %v", c.name, got, c.want)
		}
		for i, name := range got {
			data, err := os.ReadFile(name)
			if err != nil || name != at(c.want[i]) || !bytes.HasPrefix(data, []byte(c.magic)) {
				t.Errorf("%s: wrote %s, %v", c.name, name, err)
			}
		}
	}
	for _, c := range []struct {
		name  string
		cards []int
		dpi   float64
		say   string
	}{
		{"card.jpg", []int{1}, 300, ".pdf, .svg or .png"},
		{"card", []int{1}, 300, ".pdf, .svg or .png"},
		{"card.pdf", nil, 300, "no card"},
		{"card.pdf", []int{15}, 300, "1 to 14"},
		{"card.png", []int{0}, 300, "1 to 14"},
		{"card.png", []int{1}, 20, "20 dpi"},
		{"none/card.svg", []int{1}, 300, "none/card.svg"},
	} {
		names, err := WriteFiles(at(c.name), c.cards, A4, c.dpi)
		if err == nil || !strings.Contains(err.Error(), c.say) {
			t.Errorf("%s %v: %v, error %v, want one with %q", c.name, c.cards, names, err, c.say)
		}
		if _, err := os.Stat(at(c.name)); err == nil {
			t.Errorf("%s %v: left a file behind", c.name, c.cards)
		}
	}
}
