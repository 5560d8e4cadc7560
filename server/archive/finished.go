package archive

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"beltend/server/result"
)

// Finished is a look at a finished joint: what was counted in its photos, and how
// a person judged each item of the clinch checklist. The count does not change;
// judgements are added to it.
type Finished struct {
	ID       string          `json:"id"`
	Version  int64           `json:"version"`
	Site     string          `json:"site"` // from the joint
	Joint    string          `json:"joint"`
	Time     time.Time       `json:"time"` // zero: now
	Person   string          `json:"person"`
	PersonID string          `json:"person_id"`
	Files    []File          `json:"files"`  // photos, kept before with AddPhoto
	Result   json.RawMessage `json:"result"` // beltend.hooks/1 as it was given
	Clinch   []ClinchMark    `json:"clinch"`

	PhotosRemoved int64 `json:"-"` // of all its photos, by rules of retention
}

// ClinchMark is a person's judgement on one item of the checklist.
type ClinchMark struct {
	Code      string    `json:"code"`
	Face      string    `json:"face"`
	Judgement string    `json:"judgement"` // result.Good, result.Rework or result.NotSeen
	Photo     string    `json:"photo"`     // SHA-256 of the close-up; empty: none
	By        string    `json:"by"`
	Time      time.Time `json:"time"`
	Note      string    `json:"note"`
}

// Decode gives the count as Go values, its checklist as judged so far.
func (f *Finished) Decode() (*result.Hooks, error) {
	var r result.Hooks
	if err := json.Unmarshal(f.Result, &r); err != nil {
		return nil, fail(Damaged, "The count of this joint cannot be read", err)
	}
	r.Checklist = result.Clinch()
	for i := range r.Checklist {
		c := &r.Checklist[i]
		for _, m := range f.Clinch {
			if m.Code == c.Code && m.Face == c.Face {
				c.Judgement, c.Photo, c.By, c.Note = m.Judgement, m.Photo, m.By, m.Note
			}
		}
	}
	return &r, nil
}

// PutFinished keeps a look at a finished joint, or judgements added to one; what
// was counted stays as it was.
func (a *Archive) PutFinished(ctx context.Context, by Actor, f Finished, reason string) (Finished, error) {
	if err := check(needed("joint", f.Joint), name("person", f.Person), text("person id", f.PersonID, 200)); err != nil {
		return f, err
	}
	var r result.Hooks
	if err := json.Unmarshal(f.Result, &r); err != nil || r.Schema != result.HooksSchema || len(r.Sides) == 0 {
		return f, fail(Invalid, "result: this is no count of schema "+result.HooksSchema+".", err)
	}
	var compact bytes.Buffer
	if err := json.Compact(&compact, f.Result); err != nil || bytes.ContainsRune(compact.Bytes(), 0) {
		return f, fail(Invalid, "result: this is no JSON that can be kept.", err)
	}
	f.Result = compact.Bytes()
	if len(f.Files) == 0 {
		return f, Wrong("files", "no_photos", nil, "a count has one photo or more.")
	}
	items := result.Clinch()
	for i := range f.Clinch {
		m := &f.Clinch[i]
		if !slices.ContainsFunc(items, func(c result.ClinchItem) bool { return c.Code == m.Code && c.Face == m.Face }) {
			return f, fail(Invalid, fmt.Sprintf("clinch: there is no item %q on face %q.", m.Code, m.Face), nil)
		}
		if err := check(oneOf("judgement", m.Judgement, result.Good, result.Rework, result.NotSeen), name("judged by", m.By), text("note", m.Note, 4000)); err != nil {
			return f, err
		}
		if m.Time = kept(m.Time); m.Time.IsZero() {
			m.Time = now()
		}
	}
	if f.Time = kept(f.Time); f.Time.IsZero() {
		f.Time = now()
	}
	return put(ctx, a, by, finishedKind, f, reason,
		func(f *Finished) (*string, *int64, *string) { return &f.ID, &f.Version, &f.Site },
		func(tx *Tx, f, old *Finished) error {
			var before []string
			if old != nil {
				before = old.photos()
				marks := f.Clinch
				*f = *old
				f.Version++
				f.Clinch = marks
			} else {
				j, err := one[Joint](ctx, tx, "SELECT body FROM joint WHERE id = ?", f.Joint)
				if err != nil {
					return missing(err, "joint")
				}
				f.Site = j.Site
			}
			for _, hash := range f.photos() {
				if slices.Contains(before, hash) { // which may have been removed since
					continue
				}
				var n int
				if err := tx.Row(ctx, []any{&n}, "SELECT COUNT(*) FROM photo p WHERE p.site = ? AND p.sha256 = ? AND "+isHeld, f.Site, hash); err != nil {
					return err
				}
				if n == 0 {
					return Wrong("files", "photo_gone", nil, "a photo was not kept at this site before, or was removed since.")
				}
			}
			return nil
		})
}

// photos are the hashes of all of its photos, close-ups too.
func (f *Finished) photos() []string {
	var out []string
	for _, file := range f.Files {
		out = append(out, file.SHA256)
	}
	for _, m := range f.Clinch {
		if m.Photo != "" {
			out = append(out, m.Photo)
		}
	}
	return out
}

// FinishedOf lists the looks at a joint, newest first.
func (a *Archive) FinishedOf(ctx context.Context, sites Sites, joint string) ([]Finished, error) {
	var out []Finished
	err := a.Read(ctx, func(tx *Tx) error {
		where, args := sites.where("site")
		var err error
		out, err = many[Finished](ctx, tx, "SELECT body FROM finished WHERE joint = ? AND "+where+" ORDER BY time DESC, id DESC", append([]any{joint}, args...)...)
		for i := range out {
			if err == nil {
				err = tx.Row(ctx, []any{&out[i].PhotosRemoved}, `SELECT COUNT(*) FROM finished_file f JOIN photo_removal d ON d.sha256 = f.sha256
					WHERE f.finished = ? AND d.site = ? AND d.removed`, out[i].ID, out[i].Site)
			}
		}
		return err
	})
	return out, err
}

// insertFinishedFiles lists the photos of a look by themselves, so that those of
// one photo are found. A close-up stays listed when another takes its place.
func (t *Tx) insertFinishedFiles(ctx context.Context, body []byte) error {
	f, err := decode[Finished](string(body))
	if err != nil {
		return err
	}
	for _, hash := range f.photos() {
		if _, err := t.Exec(ctx, "INSERT INTO finished_file (finished, sha256) VALUES (?, ?) ON CONFLICT (finished, sha256) DO NOTHING", f.ID, hash); err != nil {
			return err
		}
	}
	return nil
}

// verifyFinishedFiles looks for photos of looks that are not listed.
func (t *Tx) verifyFinishedFiles(ctx context.Context, r *Report) error {
	for after := ""; ; {
		looks, err := many[Finished](ctx, t, "SELECT body FROM finished WHERE id > ? ORDER BY id LIMIT ?", after, verifyBatch)
		if err != nil || len(looks) == 0 {
			return err
		}
		ids := make([]any, len(looks))
		for i := range looks {
			ids[i] = looks[i].ID
		}
		listed := map[[2]string]bool{}
		err = t.Rows(ctx, func(scan func(...any) error) error {
			var row [2]string
			err := scan(&row[0], &row[1])
			listed[row] = true
			return err
		}, "SELECT finished, sha256 FROM finished_file WHERE finished IN ("+marks(len(ids))+")", ids...)
		if err != nil {
			return err
		}
		for i := range looks {
			for _, hash := range looks[i].photos() {
				if !listed[[2]string{looks[i].ID, hash}] {
					r.add(ProblemAltered, finishedKind.subject(looks[i].ID), "its list of files is not that of its record")
					break
				}
			}
		}
		after = looks[len(looks)-1].ID
	}
}
