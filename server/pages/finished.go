package pages

import (
	"slices"
	"time"

	"beltend/geometry/hooks"
	"beltend/server/archive"
	"beltend/server/report"
	"beltend/server/result"
)

// FinishedData is the page of a finished joint.
type FinishedData struct {
	JointHead
	Problem *ProblemData
	Fields  map[string]string // of the form that counts, as typed
	Name    string            // of who is here
	Plan    *KeptPlan         // what is compared with where nothing is typed; nil: none is kept
	Last    *Look             // the newest
	Earlier []Look
}

// Look is what was counted at one time, and how the clinch was judged.
type Look struct {
	ID       string
	Joint    string
	Removed  bool // its photos, by rules of retention
	Time     time.Time
	Person   string
	Headline string
	Rows     []report.Row
	Findings []string
	Plan     []report.Row
	Scales   []*Scale
	Warnings []string
	Faces    []ClinchFace
	Judged   int // items of the checklist
	Items    int
	Rework   bool
}

// ClinchFace is the checklist of one face.
type ClinchFace struct {
	Face  string
	Items []ClinchRow
}

// ClinchRow is one item as judged so far.
type ClinchRow struct {
	Key, Code, Judgement, Photo, By, Note string
	Time                                  time.Time
}

// Fill lays out the looks, newest first.
func (d *FinishedData) Fill(looks []archive.Finished, o report.Options) error {
	all, err := Looks(looks, o)
	if len(all) > 0 {
		d.Last, d.Earlier = &all[0], all[1:]
	}
	return err
}

// Looks lays out looks at a joint.
func Looks(looks []archive.Finished, o report.Options) ([]Look, error) {
	var out []Look
	for i := range looks {
		f := &looks[i]
		r, err := f.Decode()
		if err != nil {
			return nil, err
		}
		l := Look{ID: f.ID, Joint: f.Joint, Removed: f.PhotosRemoved > 0, Time: f.Time, Person: f.Person, Headline: report.HooksHeadline(r, o), Rows: report.HookRows(r, o), Plan: report.PlanRows(r, o), Scales: hookScales(r, o)}
		for _, one := range r.Findings {
			l.Findings = append(l.Findings, report.HookFindingText(one, o))
		}
		for _, w := range r.Warnings {
			l.Warnings = append(l.Warnings, report.WarningText(w, o))
		}
		for _, c := range r.Checklist {
			if n := len(l.Faces); n == 0 || l.Faces[n-1].Face != c.Face {
				l.Faces = append(l.Faces, ClinchFace{Face: c.Face})
			}
			row := ClinchRow{Key: c.Face + "-" + c.Code, Code: c.Code, Judgement: c.Judgement, Photo: c.Photo, By: c.By, Note: c.Note}
			for _, m := range f.Clinch {
				if m.Face == c.Face && m.Code == c.Code {
					row.Time = m.Time
				}
			}
			face := &l.Faces[len(l.Faces)-1]
			face.Items = append(face.Items, row)
			l.Items++
			if c.Judgement != result.Open {
				l.Judged++
			}
			l.Rework = l.Rework || c.Judgement == result.Rework
		}
		out = append(out, l)
	}
	return out, nil
}

// hookScales draws the rows against their tolerance and, where there is a plan, what it
// gives beside what is seen. Without a plan, and where a hook may be missed further out,
// pitch and margins are drawn with nothing beside them.
func hookScales(r *result.Hooks, o report.Options) []*Scale {
	w := In(o.Lang)
	var out []*Scale
	for _, s := range r.Sides {
		draw := func(what string, v Ruled) {
			v.What = s.Side + ", " + w.Text(what)
			out = append(out, NewScale(v, o.Inches))
		}
		draw("scale.row", Ruled{MM: s.OffsetMM, U95MM: s.OffsetU95MM, Allowed: s.ToleranceMM})
		seen := []struct {
			what    string
			mm, u95 float64
		}{{"pitch", s.PitchMM, s.PitchU95MM}, {"margin_left", s.MarginLeftMM, s.MarginU95MM}, {"margin_right", s.MarginRightMM, s.MarginU95MM}}
		for _, one := range seen {
			v := Ruled{MM: one.mm, U95MM: one.u95, Fine: one.what == "pitch", Bare: true}
			i := slices.IndexFunc(r.Plan, func(c result.PlanCheck) bool { return c.Side == s.Side && c.What == one.what })
			switch {
			case !(v.U95MM > 0): // not seen
				continue
			case i < 0 || !v.Fine && !s.MarginsCertain:
			case v.Fine:
				v.Target, v.Allowed, v.Bare = r.Plan[i].Planned, hooks.PitchFlag*r.Plan[i].Planned, false
			default:
				v.Target, v.Allowed, v.Bare = r.Plan[i].Planned, hooks.MarginFlag, false
			}
			draw("hooks_says.what_"+one.what, v)
		}
	}
	return out
}
