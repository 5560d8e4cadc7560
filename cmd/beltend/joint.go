package main

import (
	"fmt"

	"beltend/server/drawing"
	"beltend/server/plan"
	"beltend/server/report"
)

type jointCmd struct {
	Lead  string `placeholder:"FILE" help:"Measurement of the leading end (beltend measure --json or tape --json)."`
	Trail string `placeholder:"FILE" help:"Measurement of the trailing end."`

	LeadOffset    string `placeholder:"MM" help:"Leading end typed: out-of-square offset, left long positive."`
	LeadU95       string `name:"lead-u95" placeholder:"MM" help:"Its uncertainty (95 %)."`
	LeadWidth     string `placeholder:"MM" help:"Its width at the cut."`
	LeadWidthU95  string `name:"lead-width-u95" placeholder:"MM" help:"The width's uncertainty (95 %)."`
	TrailOffset   string `placeholder:"MM" help:"Trailing end typed: the same four."`
	TrailU95      string `name:"trail-u95" placeholder:"MM"`
	TrailWidth    string `placeholder:"MM"`
	TrailWidthU95 string `name:"trail-width-u95" placeholder:"MM"`
	LeadFace      string `placeholder:"carrying|pulley" help:"Face that was up when the leading end was measured (default carrying)."`
	TrailFace     string `placeholder:"carrying|pulley" help:"The same for the trailing end."`
	Tolerance     string `placeholder:"MM" help:"Largest offset allowed at each end; the pair may use both (default that of the measurements, or 2 mm per metre)."`
	LeadTrim      string `placeholder:"MM" help:"Belt to cut off the leading end besides, for example an old joint."`
	TrailTrim     string `placeholder:"MM" help:"The same at the trailing end."`
	Travel        string `placeholder:"MM" help:"How far the take-up can still give belt back: what the lost belt does to it is then shown."`
	Reserve       string `placeholder:"MM" help:"Travel to keep of that (default none)."`
	Drawing       string `placeholder:"FILE" help:"Write the joint as it would run, exaggerated (.svg or .pdf)."`
	JSON          bool   `name:"json" help:"Print one JSON object (beltend.joint/1)."`
	Units         string `enum:"mm,in" default:"mm" help:"Units of the text: mm or in."`
}

func (c *jointCmd) text() plan.Text {
	text := map[string]string{
		"lead-" + plan.Offset: c.LeadOffset, "lead-" + plan.OffsetU95: c.LeadU95, "lead-" + plan.Width: c.LeadWidth, "lead-" + plan.WidthU95: c.LeadWidthU95,
		"trail-" + plan.Offset: c.TrailOffset, "trail-" + plan.OffsetU95: c.TrailU95, "trail-" + plan.Width: c.TrailWidth, "trail-" + plan.WidthU95: c.TrailWidthU95,
		"lead-" + plan.Face: c.LeadFace, "trail-" + plan.Face: c.TrailFace, "lead-" + plan.TrimEnd: c.LeadTrim, "trail-" + plan.TrimEnd: c.TrailTrim,
		plan.Tolerance: c.Tolerance, plan.Travel: c.Travel, plan.Reserve: c.Reserve,
	}
	return func(name string) string { return text[name] }
}

// Run compares the ends and prints.
func (c *jointCmd) Run(std streams) error {
	if err := drawable(c.Drawing); err != nil {
		return err
	}
	lead, err := readMeasurement("lead", c.Lead)
	if err != nil {
		return err
	}
	trail, err := readMeasurement("trail", c.Trail)
	if err != nil {
		return err
	}
	r, err := plan.Joint(c.text(), lead, trail)
	if err != nil {
		return err
	}
	r.Program = version()
	o := report.Options{Inches: c.Units == "in"}
	if c.JSON {
		err = printJSON(std, r)
	} else {
		err = report.Joint(std.out, r, o)
	}
	if err != nil || c.Drawing == "" {
		return err
	}
	b, err := drawing.Joint(r, format(c.Drawing), o)
	if err != nil {
		return fmt.Errorf("draw the joint: %w", err)
	}
	return writeFile("drawing", c.Drawing, b)
}
