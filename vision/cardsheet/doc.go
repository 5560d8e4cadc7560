// Package cardsheet draws the printable reference cards at true size: PDF, SVG
// and PNG. Pure Go.
//
// Sheet coordinates are millimetres from the sheet's top left corner, x to the
// right, y down.
package cardsheet
