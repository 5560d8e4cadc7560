package plot

import (
	"fmt"
	"strings"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
)

func pageForTest() draw.Canvas {
	return draw.New(vgimg.New(pageW-vg.Centimeter, pageH-0.9*vg.Centimeter))
}

// stated reads the factor out of the axis label.
func stated(label string) float64 {
	if strings.Contains(label, "same scale") {
		return 1
	}
	var f float64
	if _, err := fmt.Sscanf(label[strings.Index(label, "drawn "):], "drawn %g times", &f); err != nil {
		return 0
	}
	return f
}
