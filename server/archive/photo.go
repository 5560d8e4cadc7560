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
		if err == nil {
			p = first
			return nil
		}
		if kindOf(err) != NotFound {
			return err
		}
		return tx.add(ctx, by, photoKind, p, p.Site, "", p.Site, p.SHA256)
	})
	return p, err
}

// Photo gives a photo's record.
func (a *Archive) Photo(ctx context.Context, sites Sites, sha256 string) (Photo, error) {
	var p Photo
	where, args := sites.where("site")
	err := a.Read(ctx, func(tx *Tx) (err error) {
		p, err = one[Photo](ctx, tx, "SELECT body FROM photo WHERE sha256 = ? AND "+where+" ORDER BY added LIMIT 1", append([]any{sha256}, args...)...)
		return err
	})
	return p, err
}

// ReadPhoto gives the bytes of a photo. They are hashed again: Damaged where
// they are not what was kept, or gone.
func (a *Archive) ReadPhoto(ctx context.Context, sites Sites, sha256 string) ([]byte, Photo, error) {
	p, err := a.Photo(ctx, sites, sha256)
	if err != nil {
		return nil, p, err
	}
	data, err := a.files.get(ctx, p.SHA256)
	if kindOf(err) == NotFound {
		err = fail(Damaged, "Photo "+p.SHA256[:12]+"… is on record, but its file is gone. Restore it from the last backup.", nil)
	}
	return data, p, err
}
