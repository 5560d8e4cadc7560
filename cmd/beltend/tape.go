package main

import (
	"errors"

	"beltend/server/plan"
	"beltend/server/report"
	"beltend/server/result"
)

type tapeCmd struct {
	Diagonals string   `placeholder:"L,R" help:"From the left corner of the cut to the right mark, from the right corner to the left mark."`
	Up        string   `placeholder:"MM" help:"How far up both edges the marks are."`
	SetOut    string   `placeholder:"corners|line" help:"How the marks were set out: each from its own corner, or both on a line drawn square to the centreline."`
	LineU95   string   `name:"line-u95" placeholder:"MM" help:"With line: how far that line may be out of square over the width (95 %)."`
	Width     string   `placeholder:"MM" help:"Width at the cut."`
	Line      string   `placeholder:"cut|drawn" help:"What was taped: the cut (default) or the line drawn before cutting."`
	Stations  string   `placeholder:"UP:WIDTH,..." help:"Widths taped further up, for example 300:1000.5,600:1001."`
	Hollow    string   `placeholder:"MM" help:"Deepest gap between the cut and a straightedge laid over its corners."`
	Camber    string   `placeholder:"CHORD,GAP,SIDE" help:"String along an edge: its length, the largest gap, the side the belt bows to."`
	TapeClass string   `placeholder:"I|II|III" help:"Accuracy class printed on the tape (default II)."`
	TapeHook  bool     `help:"Lengths started at the end hook."`
	Reading   string   `placeholder:"MM" help:"What the tape was read to (default 1)."`
	Edge      string   `placeholder:"MM" help:"How surely an edge or corner is found, standard uncertainty (default 0.5; worn edges 1 and more)."`
	Tolerance string   `placeholder:"MM" help:"Largest offset allowed (default 2 mm per metre of width)."`
	Nominal   string   `placeholder:"MM" help:"Nominal belt width, compared with the one taped."`
	Target    string   `placeholder:"DEG" help:"Angle asked for, for a joint at a bias (default 0, square)."`
	Trim      string   `placeholder:"MM" help:"Belt to take off beyond what the re-cut needs."`
	With      []string `sep:"none" placeholder:"FILE" help:"Measurement of the same end by photo, to be combined; may be given several times."`
	JSON      bool     `name:"json" help:"Print one JSON object (beltend.measurement/1)."`
	Units     string   `enum:"mm,in" default:"mm" help:"Units of the text: mm or in. Lengths typed without a unit are mm; write 63 7/16 in for inches."`
	Budget    bool     `help:"Print where the uncertainty comes from."`
}

func (c *tapeCmd) text() plan.Text {
	text := map[string]string{
		plan.Diagonals: c.Diagonals, plan.Up: c.Up, plan.SetOut: c.SetOut, plan.LineU95: c.LineU95, plan.Width: c.Width, plan.Line: c.Line, plan.Stations: c.Stations,
		plan.Hollow: c.Hollow, plan.Camber: c.Camber, plan.TapeClass: c.TapeClass, plan.TapeHook: tick(c.TapeHook), plan.Reading: c.Reading,
		plan.Edge: c.Edge, plan.Tolerance: c.Tolerance, plan.Nominal: c.Nominal, plan.Target: c.Target, plan.Trim: c.Trim,
	}
	return func(name string) string { return text[name] }
}

// Run works the end out and prints.
func (c *tapeCmd) Run(std streams) error {
	var photos []*result.Measurement
	for _, name := range c.With {
		m, err := readMeasurement(plan.With, name)
		if err != nil {
			return err
		}
		if m != nil {
			photos = append(photos, m)
		}
	}
	m, err := plan.Tape(c.text(), photos...)
	var refused *result.Refusal
	if err != nil && !(errors.As(err, &refused) && c.JSON) {
		return err
	}
	m.Program = version()
	if c.JSON {
		if e := printJSON(std, m); e != nil || err != nil {
			return errors.Join(e, err)
		}
		if c.Budget {
			return report.Budget(std.err, m, report.Options{})
		}
		return nil
	}
	return report.Text(std.out, m, report.Options{Inches: c.Units == "in", Budget: c.Budget})
}
