package archive

import (
	"context"
	"strings"
)

// AddPhoto keeps a file's bytes under their SHA-256 and returns once they are
// safe on disk. p needs Site and Type, and may have Name, LocationRemoved and
// Person; the rest is set here. The same bytes at the same site are kept once:
// the first record is given back. Location is stripped before, by vision/photo.
func (a *Archive) AddPhoto(ctx context.Context, by Actor, p Photo, data []byte) (Photo, error) {
	if err := check(needed("site", p.Site), text("name", p.Name, 300), name("type", p.Type), text("person", p.Person, 200)); err != nil {
		return p, err
	}
	if !strings.Contains(p.Type, "/") {
		return p, fail(Invalid, "type: a media type looks like image/jpeg.", nil)
	}
	if len(data) == 0 {
		return p, fail(Invalid, "The photo is empty.", nil)
	}
	p.SHA256, p.Bytes, p.Added = hashOf(data), int64(len(data)), now()
	if _, err := a.Site(ctx, AllSites(), p.Site); err != nil {
		return p, missing(err, "site")
	}
	// The file first: one without a record does no harm, a record without its file does.
	if err := a.files.put(ctx, p.SHA256, data); err != nil {
		return p, err
	}
	given := p
	err := a.Write(ctx, func(tx *Tx) error {
		p = given
		first, err := one[Photo](ctx, tx, "SELECT body FROM photo WHERE site = ? AND sha256 = ?", p.Site, p.SHA256)
		if err != nil && kindOf(err) != NotFound {
			return err
		}
		var taken int
		if err := tx.Row(ctx, []any{&taken}, "SELECT COUNT(*) FROM photo_removal WHERE sha256 = ?", p.SHA256); err != nil {
			return err
		}
		if taken > 0 { // perhaps just now; nobody takes it away while this writes
			if err := a.files.put(ctx, p.SHA256, data); err != nil {
				return err
			}
		}
		if err == nil {
			p = first
			gone, err := tx.removal(ctx, p.Site, p.SHA256)
			if err != nil || !gone.Removed {
				return err
			}
			return tx.putRemoval(ctx, by, Removal{Site: p.Site, SHA256: p.SHA256}, "")
		}
		return tx.add(ctx, by, photoKind, p, p.Site, "", p.Site, p.SHA256)
	})
	return p, err
}

// Photo gives a photo's record.
func (a *Archive) Photo(ctx context.Context, sites Sites, sha256 string) (Photo, error) {
	p, _, err := a.PhotoState(ctx, sites, sha256)
	return p, err
}

// PhotoState gives the record of a site that still keeps the file, if there is one, and
// the rule that took the file away where there is none.
func (a *Archive) PhotoState(ctx context.Context, sites Sites, sha256 string) (p Photo, gone Removal, err error) {
	where, args := sites.where("p.site")
	err = a.Read(ctx, func(tx *Tx) (err error) {
		if p, err = one[Photo](ctx, tx, "SELECT p.body FROM photo p WHERE p.sha256 = ? AND "+where+" ORDER BY CASE WHEN "+isHeld+" THEN 0 ELSE 1 END, p.added LIMIT 1", append([]any{sha256}, args...)...); err != nil {
			return err
		}
		gone, err = tx.removal(ctx, p.Site, p.SHA256)
		return err
	})
	return p, gone, err
}

// ReadPhoto gives the bytes of a photo. They are hashed again: Damaged where
// they are not what was kept, or gone; Removed where a rule of retention took them away.
func (a *Archive) ReadPhoto(ctx context.Context, sites Sites, sha256 string) ([]byte, Photo, error) {
	p, gone, err := a.PhotoState(ctx, sites, sha256)
	if err != nil {
		return nil, p, err
	}
	if gone.Removed {
		return nil, p, fail(Removed, "The photo was removed by a rule of retention ("+gone.Rule+", "+gone.Age+"). What was measured from it stays.", nil)
	}
	data, err := a.files.get(ctx, p.SHA256)
	if kindOf(err) == NotFound {
		err = fail(Damaged, "Photo "+p.SHA256[:12]+"… is on record, but its file is gone. Restore it from the last backup.", nil)
	}
	return data, p, err
}
