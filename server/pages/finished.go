package pages

import (
	"time"

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
	Last    *Look             // the newest
	Earlier []Look
}

// Look is what was counted at one time, and how the clinch was judged.
type Look struct {
	ID       string
	Time     time.Time
	Person   string
	Headline string
	Rows     []report.Row
	Findings []string
	Plan     []report.Row
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
}

// Fill lays out the looks, newest first.
func (d *FinishedData) Fill(looks []archive.Finished, o report.Options) error {
	for i := range looks {
		r, err := looks[i].Decode()
		if err != nil {
			return err
		}
		l := Look{ID: looks[i].ID, Time: looks[i].Time, Person: looks[i].Person, Headline: report.HooksHeadline(r, o), Rows: report.HookRows(r, o), Plan: report.PlanRows(r, o)}
		for _, f := range r.Findings {
			l.Findings = append(l.Findings, report.HookFindingText(f, o))
		}
		for _, w := range r.Warnings {
			l.Warnings = append(l.Warnings, report.WarningText(w, o))
		}
		for _, c := range r.Checklist {
			if n := len(l.Faces); n == 0 || l.Faces[n-1].Face != c.Face {
				l.Faces = append(l.Faces, ClinchFace{Face: c.Face})
			}
			face := &l.Faces[len(l.Faces)-1]
			face.Items = append(face.Items, ClinchRow{Key: c.Face + "-" + c.Code, Code: c.Code, Judgement: c.Judgement, Photo: c.Photo, By: c.By, Note: c.Note})
			l.Items++
			if c.Judgement != result.Open {
				l.Judged++
			}
			l.Rework = l.Rework || c.Judgement == result.Rework
		}
		if d.Last == nil {
			d.Last = &l
		} else {
			d.Earlier = append(d.Earlier, l)
		}
	}
	return nil
}
