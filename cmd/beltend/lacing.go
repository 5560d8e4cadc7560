package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"

	"beltend/server/chart"
	"beltend/server/drawing"
	"beltend/server/measure"
	"beltend/server/plan"
	"beltend/server/report"
	"beltend/server/result"
)

type lacingCmd struct {
	Chart string `arg:"" help:"Chart of fasteners, CSV; the columns are in README."`

	Lead           string `placeholder:"FILE" help:"Measurement of the leading end (beltend measure --json)."`
	Trail          string `placeholder:"FILE" help:"Measurement of the trailing end."`
	LeadWidth      string `placeholder:"MM" help:"Width of the leading end at its cut, where typed."`
	LeadWidthU95   string `name:"lead-width-u95" placeholder:"MM" help:"Its uncertainty (95 %)."`
	TrailWidth     string `placeholder:"MM" help:"Width of the trailing end at its cut, where typed."`
	TrailWidthU95  string `name:"trail-width-u95" placeholder:"MM" help:"Its uncertainty (95 %)."`
	Thickness      string `placeholder:"MM" help:"Belt thickness by gauge."`
	JointThickness string `placeholder:"MM" help:"Thickness left at the joint after skiving an impression or thick cover."`
	Pulley         string `placeholder:"MM" help:"Smallest pulley that the belt wraps by 90 degrees or more, diameter."`
	Fastener       string `placeholder:"NAME" help:"Row of the chart to plan with, where several fit."`
	Margin         string `placeholder:"MM" help:"Belt left unlaced at each edge (default 6)."`
	Bias           string `placeholder:"DEG" help:"Angle of the cut from square (default that of the measurements, or 0)."`
	Machine        string `placeholder:"MM" help:"Longest row of hooks the lacing machine takes."`
	Notch          string `placeholder:"MM" help:"Length of the corner notches along the edge, by maker or site."`
	Reversible     bool   `help:"The belt runs both ways: notch both ends."`
	MoreOnTrailing bool   `help:"Give the trailing side the one hook more."`
	Drawing        string `placeholder:"FILE" help:"Write the two ends meshed, to scale (.svg), or with the bench list (.pdf)."`
	JSON           bool   `name:"json" help:"Print one JSON object (beltend.lacing/1)."`
	Units          string `enum:"mm,in" default:"mm" help:"Units of the text: mm or in."`
}

func (c *lacingCmd) text() plan.Text {
	text := map[string]string{
		plan.LeadWidth: c.LeadWidth, plan.LeadWidthU95: c.LeadWidthU95, plan.TrailWidth: c.TrailWidth, plan.TrailWidthU95: c.TrailWidthU95,
		plan.Thickness: c.Thickness, plan.JointThickness: c.JointThickness, plan.Pulley: c.Pulley, plan.Fastener: c.Fastener,
		plan.Margin: c.Margin, plan.Bias: c.Bias, plan.Machine: c.Machine, plan.Notch: c.Notch,
		plan.Reversible: tick(c.Reversible), plan.MoreOnTrailing: tick(c.MoreOnTrailing),
	}
	return func(name string) string { return text[name] }
}

func tick(on bool) string {
	if on {
		return "on"
	}
	return ""
}

// Run plans and prints.
func (c *lacingCmd) Run(std streams) error {
	if err := drawable(c.Drawing); err != nil {
		return err
	}
	f, err := os.Open(c.Chart)
	if err != nil {
		return unreadable("chart", c.Chart, err)
	}
	defer f.Close()
	rows, err := chart.Read(f)
	var faults chart.Faults
	if errors.As(err, &faults) {
		return &measure.UsageError{Setting: "chart", Message: fmt.Sprintf("%s cannot be used:\n%v", c.Chart, faults)}
	} else if err != nil {
		return fmt.Errorf("read %s: %w", c.Chart, err)
	}
	lead, err := readMeasurement("lead", c.Lead)
	if err != nil {
		return err
	}
	trail, err := readMeasurement("trail", c.Trail)
	if err != nil {
		return err
	}
	r, err := plan.Lacing(rows, c.text(), lead, trail)
	if r == nil {
		return err
	}
	r.Program = version()
	var printed error
	if c.JSON {
		printed = printJSON(std, r)
	} else {
		printed = report.Lacing(std.out, r, c.options())
	}
	if err = errors.Join(printed, err); err != nil {
		return err
	}
	return c.draw(r)
}

func (c *lacingCmd) options() report.Options { return report.Options{Inches: c.Units == "in"} }

func (c *lacingCmd) draw(r *result.Lacing) error {
	if c.Drawing == "" {
		return nil
	}
	if r.Plan == nil {
		return &measure.UsageError{Setting: "fastener", Message: "several fasteners fit, and a drawing shows one: name it"}
	}
	b, err := drawing.Lacing(r, format(c.Drawing), c.options())
	if err != nil {
		return fmt.Errorf("draw the plan: %w", err)
	}
	return writeFile("drawing", c.Drawing, b)
}

// drawable checks a drawing's name before any work is done.
func drawable(name string) error {
	if f := format(name); name != "" && f != "svg" && f != "pdf" {
		return &measure.UsageError{Setting: "drawing", Message: fmt.Sprintf("%q ends neither in .svg nor .pdf", name)}
	}
	return nil
}

const maxMeasurement = 16 << 20 // a measurement with its outlines has some hundred kilobytes

// readMeasurement reads a measurement's file; none for no name.
func readMeasurement(setting, name string) (*result.Measurement, error) {
	if name == "" {
		return nil, nil
	}
	info, err := os.Stat(name)
	switch {
	case err != nil:
		return nil, unreadable(setting, name, err)
	case !info.Mode().IsRegular() && info.Mode()&fs.ModeNamedPipe == 0:
		return nil, &measure.UsageError{Setting: setting, Message: name + " is no file"}
	case info.Size() > maxMeasurement:
		return nil, &measure.UsageError{Setting: setting, Message: name + " is too large for a measurement"}
	}
	data, err := os.ReadFile(name)
	if err != nil {
		return nil, unreadable(setting, name, err)
	}
	return plan.ReadMeasurement(setting, data)
}
