package main

import (
	"fmt"
	"path/filepath"
	"strings"

	"beltend/server/measure"
	"beltend/vision/cardsheet"
)

type cardCmd struct {
	File  string  `arg:"" help:"File to write: .pdf with a page for each card, .svg or .png with a file for each."`
	Cards string  `default:"1-2" placeholder:"LIST" help:"Cards to draw, 1 to 14, for example 1-4 or 1,3 (default 1-2)."`
	Paper string  `default:"a4" enum:"a4,letter" help:"Paper: a4 or letter."`
	DPI   float64 `name:"dpi" default:"300" help:"Dots per inch of a .png."`
}

// Run writes the cards.
func (c *cardCmd) Run(std streams) error {
	cards, err := cardsheet.ParseCards(c.Cards)
	if err != nil {
		return &measure.UsageError{Setting: "cards", Message: err.Error()}
	}
	paper, err := cardsheet.ParsePaper(c.Paper)
	if err != nil {
		return &measure.UsageError{Setting: "paper", Message: err.Error()}
	}
	switch strings.ToLower(filepath.Ext(c.File)) {
	case ".pdf", ".svg", ".png":
	default:
		return &measure.UsageError{Setting: "file", Message: fmt.Sprintf("%q ends neither in .pdf, .svg nor .png", c.File)}
	}
	if !(c.DPI >= cardsheet.MinDPI && c.DPI <= 1200) {
		return &measure.UsageError{Setting: "dpi", Message: fmt.Sprintf("%v is out of range %v to 1200", c.DPI, cardsheet.MinDPI)}
	}
	names, err := cardsheet.WriteFiles(c.File, cards, paper, c.DPI)
	if err != nil {
		return unwritable("file", err)
	}
	fmt.Fprintf(std.err, "Wrote %s.\nPrint at 100 %%, without fitting to the page, then measure the check bars: %g mm across, %g mm up.\nPass what you read: --print-scale ACROSS,UP\n",
		strings.Join(names, ", "), cardsheet.BarAcross, cardsheet.BarUp)
	return nil
}
