package drawing

import (
	"math"

	"beltend/server/report"
	"beltend/server/result"
)

// Look is what stands around a count of hooks on paper.
type Look struct {
	Where   string // site, conveyor, belt and joint
	Made    string // when and by whom
	Picture []byte // JPEG with what was counted; nil: there is none any more

	CloseUps []CloseUp
}

// CloseUp is a photo of the clinch that a judgement rests on.
type CloseUp struct {
	Item    int    // of the checklist, from 0
	Picture []byte // JPEG, small; empty: removed by a rule of retention, or not to be read
}

// Finished lays a finished joint out as a PDF: the photo with what was counted,
// the figures, what to look at, the plan beside it, and the clinch as persons
// judged it.
func Finished(r *result.Hooks, look Look, o report.Options) ([]byte, error) {
	f := newFlow(o, func(f *flow) {
		s := f.s
		s.title = s.Text("drawing.finished")
		s.head(edge, 20, 6, -1, s.title)
		s.say(edge, 27, 3.4, -1, pale, "%s", look.Where)
		f.y = 36
	})
	f.y = f.s.para(edge, f.y, short-2*edge, 4.2, ink, report.HooksHeadline(r, o)) + 1
	f.y = f.s.para(edge, f.y, short-2*edge, flowSize, pale, look.Made) + 2
	if err := f.look(look.Picture, look.CloseUps, r); err != nil {
		return nil, err
	}
	f.y += 2
	for _, c := range report.HooksCautions(o) {
		f.block(c, "", false, false)
	}
	for i, s := range f.sheets {
		s.say(short-edge, long-7, 3, 1, pale, "%s", s.Text("drawing.page", i+1, len(f.sheets)))
	}
	return pdf(f.sheets...)
}

// look lays out the picture and all that is told of a look.
func (f *flow) look(picture []byte, closeUps []CloseUp, r *result.Hooks) error {
	o := f.o
	if picture == nil {
		f.y = f.s.para(edge, f.y, short-2*edge, flowSize, pale, f.s.Text("drawing.removed")) + 2
	} else {
		const tallest = 120.0
		y, err := f.s.picture(edge, f.y, short-2*edge, tallest, picture)
		if err != nil {
			return err
		}
		f.y = y + 4
	}
	list := func(title string, rows []report.Row) {
		if len(rows) == 0 {
			return
		}
		f.group(f.s.Text("drawing." + title))
		for _, row := range rows {
			f.block(row.Text, row.Label, false, true)
		}
	}
	list("counted", report.HookRows(r, o))
	var found []report.Row
	for _, one := range r.Findings {
		found = append(found, report.Row{Text: report.HookFindingText(one, o)})
	}
	for _, w := range r.Warnings {
		found = append(found, report.Row{Text: report.WarningText(w, o)})
	}
	list("found", found)
	list("plan", report.PlanRows(r, o))
	list("clinch", clinch(r, f.s))
	return f.closeUps(closeUps, r)
}

// closeUps lays the photos of the clinch out three beside each other, each under what it
// was taken for.
func (f *flow) closeUps(all []CloseUp, r *result.Hooks) error {
	const across, gap, tallest, size = 3, 5.0, 46.0, 2.9
	width := (short - 2*edge - gap*(across-1)) / across
	for i, c := range all {
		if c.Item >= len(r.Checklist) {
			continue
		}
		if i%across == 0 {
			if i > 0 {
				f.y += tallest + 18
			}
			if f.y+tallest+14 > long-edge {
				f.page()
			}
		}
		x := edge + float64(i%across)*(width+gap)
		item := r.Checklist[c.Item]
		judged := f.s.Text("drawing.unjudged")
		if item.Judgement != result.Open {
			judged = f.s.Text("clinch." + item.Judgement)
		}
		y := f.s.para(x, f.y, width, size, ink, f.s.Text("clinch.face_"+item.Face)+": "+f.s.Or("clinch.ask_"+item.Code, item.Ask)+" "+judged)
		y = math.Max(y, f.y+3*1.35*size) - 2 // most captions have two lines or three
		if len(c.Picture) == 0 {
			f.s.para(x, y+3, width, size, pale, f.s.Text("drawing.removed"))
			continue
		}
		if _, err := f.s.picture(x, y, width, tallest, c.Picture); err != nil {
			return err
		}
	}
	if len(all) > 0 {
		f.y += tallest + 18
	}
	return nil
}

// clinch are the questions with the judgements, and who gave them.
func clinch(r *result.Hooks, s *sheet) []report.Row {
	var rows []report.Row
	last := ""
	for _, c := range r.Checklist {
		row := report.Row{Text: s.Or("clinch.ask_"+c.Code, c.Ask) + " "}
		if c.Face != last {
			last, row.Label = c.Face, s.Text("clinch.face_"+c.Face)
		}
		if c.Judgement == result.Open {
			row.Text += s.Text("drawing.unjudged")
		} else {
			row.Text += s.Text("clinch."+c.Judgement) + ", " + c.By
		}
		if c.Note != "" {
			row.Text += ": " + c.Note
		}
		rows = append(rows, row)
	}
	return rows
}
