package archive

import "context"

// Removal tells that a photo's file was taken away by a rule of retention. The
// photo's record, the measurements made from it and all events stay.
type Removal struct {
	Site    string `json:"site"`
	SHA256  string `json:"sha256"`
	Version int64  `json:"version"`
	Removed bool   `json:"removed"` // false: the same photo was kept again later
	Rule    string `json:"rule"`    // RuleSignedOff or RuleRefused
	Age     string `json:"age"`     // of the rule, as in 5y
}

// removal reads a photo's; the zero Removal where there never was one.
func (t *Tx) removal(ctx context.Context, site, sha256 string) (Removal, error) {
	r, err := one[Removal](ctx, t, "SELECT body FROM photo_removal WHERE site = ? AND sha256 = ?", site, sha256)
	if kindOf(err) == NotFound {
		err = nil
	}
	return r, err
}

// putRemoval keeps a removal, or that the photo is back, with its event.
func (t *Tx) putRemoval(ctx context.Context, by Actor, r Removal, reason string) error {
	before, err := t.removal(ctx, r.Site, r.SHA256)
	if err != nil {
		return err
	}
	r.Version = before.Version + 1
	body, err := canonical(r)
	if err != nil {
		return err
	}
	if err := t.storeRemoval(ctx, body); err != nil {
		return err
	}
	what := "photo.removed"
	if !r.Removed {
		what = "photo.returned"
	}
	_, err = t.event(ctx, by, Event{What: what, Site: r.Site, Subject: removalKind.subject(r.Site, r.SHA256), Reason: reason}, body, removalKind.keeps)
	return err
}

// storeRemoval writes the row; the file is looked after by settleFiles.
func (t *Tx) storeRemoval(ctx context.Context, body []byte) error {
	if err := removalKind.change(ctx, t, body); err != nil {
		return err
	}
	values, err := removalKind.values(body)
	if err != nil {
		return err
	}
	_, err = t.Exec(ctx, "UPDATE photo_removal SET pending = ? WHERE site = ? AND sha256 = ?", true, values[0], values[1])
	return err
}

// isHeld is a condition on a row p of photo: its file is to be there.
const isHeld = "NOT EXISTS (SELECT 1 FROM photo_removal d WHERE d.site = p.site AND d.sha256 = p.sha256 AND d.removed)"

// held says whether a site still keeps a photo's file.
func (t *Tx) held(ctx context.Context, sha256 string) (bool, error) {
	var n int
	err := t.Row(ctx, []any{&n}, "SELECT COUNT(*) FROM photo p WHERE p.sha256 = ? AND "+isHeld, sha256)
	return n > 0, err
}

// settleBatch is how many files are deleted while writers wait.
const settleBatch = 20

// settleFiles deletes files whose removal is on record, where no site keeps the
// same bytes. It goes on where it was stopped. That it writes keeps AddPhoto from
// bringing a file back at the same moment.
func (a *Archive) settleFiles(ctx context.Context) error {
	for {
		left := 0
		err := a.Write(ctx, func(tx *Tx) error {
			var pending []string
			err := tx.Rows(ctx, func(scan func(...any) error) error {
				var sha256 string
				err := scan(&sha256)
				pending = append(pending, sha256)
				return err
			}, "SELECT sha256 FROM photo_removal WHERE pending LIMIT ?", settleBatch)
			if err != nil {
				return err
			}
			left = len(pending)
			for _, sha256 := range pending {
				held, err := tx.held(ctx, sha256)
				if err != nil {
					return err
				}
				if !held {
					if err := a.files.remove(ctx, sha256); err != nil {
						return err
					}
				}
				if _, err := tx.Exec(ctx, "UPDATE photo_removal SET pending = ? WHERE sha256 = ?", false, sha256); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil || left == 0 {
			return err
		}
	}
}
