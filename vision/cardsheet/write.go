package cardsheet

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"beltend/geometry"
)

// ParseCards reads card numbers and ranges of them: "3", "1-14", "1,2,5-7".
func ParseCards(s string) ([]int, error) {
	var cards []int
	for part := range strings.SplitSeq(s, ",") {
		first, last, isRange := strings.Cut(part, "-")
		if !isRange {
			last = first
		}
		a, errA := strconv.Atoi(strings.TrimSpace(first))
		b, errB := strconv.Atoi(strings.TrimSpace(last))
		if errA != nil || errB != nil || a > b {
			return nil, fmt.Errorf("cards %q: write numbers and ranges such as 1,2,5-7", s)
		}
		for _, n := range []int{a, b} {
			if _, err := geometry.Card(n); err != nil {
				return nil, fmt.Errorf("cards %q: %w", s, err)
			}
		}
		for n := a; n <= b; n++ {
			if slices.Contains(cards, n) {
				return nil, fmt.Errorf("cards %q: card %d is named twice; no two cards on a belt may have the same number", s, n)
			}
			cards = append(cards, n)
		}
	}
	return cards, nil
}

// WriteFiles writes cards to path, whose ending says how: .pdf with a page for
// each card, .svg or .png (at dpi) with a file for each: with several cards
// their numbers go before the ending. It returns the names of the files written.
func WriteFiles(path string, cards []int, paper Paper, dpi float64) ([]string, error) {
	if len(cards) == 0 {
		return nil, errors.New("no card to print")
	}
	ext := filepath.Ext(path)
	var write func(io.Writer, int) error
	switch strings.ToLower(ext) {
	case ".pdf":
		err := writeFile(path, func(w io.Writer) error { return WritePDF(w, cards, paper) })
		if err != nil {
			return nil, err
		}
		return []string{path}, nil
	case ".svg":
		write = func(w io.Writer, n int) error { return WriteSVG(w, n, paper) }
	case ".png":
		write = func(w io.Writer, n int) error { return WritePNG(w, n, paper, dpi) }
	default:
		return nil, fmt.Errorf("%s: a card can be written as .pdf, .svg or .png, by the ending of the file's name", path)
	}
	var names []string
	for _, n := range cards {
		name := path
		if len(cards) > 1 {
			name = fmt.Sprintf("%s-%02d%s", strings.TrimSuffix(path, ext), n, ext)
		}
		if err := writeFile(name, func(w io.Writer) error { return write(w, n) }); err != nil {
			return names, err
		}
		names = append(names, name)
	}
	return names, nil
}

// writeFile leaves no half-written file behind.
func writeFile(name string, write func(io.Writer) error) (err error) {
	f, err := os.Create(name)
	if err != nil {
		return fmt.Errorf("write card: %w", err)
	}
	defer func() {
		if e := f.Close(); err == nil && e != nil {
			err = fmt.Errorf("write card: %w", e)
		}
		if err != nil {
			_ = os.Remove(name)
		}
	}()
	return write(f)
}
