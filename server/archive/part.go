package archive

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Photos that come in parts have them beside the photos, where every process of the
// archive finds them, until the photo is whole or the parts are swept away. They are no
// record: copies, backups and verify know nothing of them. A part is named by its first
// byte and its length and never written again, so parts sent twice, by anybody, do no harm.

// Arrived is how much of a photo is there.
type Arrived struct {
	Have int64  // bytes, from the first without a gap
	Kept string // SHA-256 as kept, where it came whole
}

// Part is the key of a photo that comes in parts: whose it is, by anything that names
// them, and the SHA-256 it will have.
func Part(whose, site, sha256 string) string {
	return hashOf(fmt.Appendf(nil, "%d/%s/%s/%s", len(whose), whose, site, sha256))
}

// part is one of a photo.
type part struct {
	name   string
	at, of int64 // its first byte, and the first behind it
}

var partName = regexp.MustCompile(`^([0-9]{1,12})-([0-9]{1,12})$`)

const keptName = "kept-"

// arrived reads the names of a photo's parts: those that follow each other from its
// first byte on, and as what it was kept.
func arrived(names []string) (a Arrived, follow []part) {
	var all []part
	for _, name := range names {
		if sha256, ok := strings.CutPrefix(name, keptName); ok && isSHA256(sha256) {
			a.Kept = sha256
		}
		if m := partName.FindStringSubmatch(name); m != nil {
			at, _ := strconv.ParseInt(m[1], 10, 64) // digits
			n, _ := strconv.ParseInt(m[2], 10, 64)
			all = append(all, part{name, at, at + n})
		}
	}
	slices.SortFunc(all, func(p, q part) int { return cmp.Or(cmp.Compare(p.at, q.at), cmp.Compare(q.of, p.of)) })
	for _, p := range all {
		if p.at <= a.Have && p.of > a.Have {
			follow = append(follow, p)
			a.Have = p.of
		}
	}
	return a, follow
}

// Arrived says how much of a photo is there.
func (a *Archive) Arrived(ctx context.Context, key string) (Arrived, error) {
	names, err := a.files.parts(ctx, key)
	got, _ := arrived(names)
	return got, err
}

// PutPart keeps the bytes of a photo from at on.
func (a *Archive) PutPart(ctx context.Context, key string, at int64, data []byte) error {
	if len(data) == 0 {
		return nil
	}
	if err := a.Room(); err != nil {
		return err
	}
	return a.files.putPart(ctx, key, fmt.Sprintf("%d-%d", at, len(data)), data)
}

// Joined gives the first bytes of a photo from its parts; fewer, where some are not there.
func (a *Archive) Joined(ctx context.Context, key string, bytes int64) ([]byte, error) {
	names, err := a.files.parts(ctx, key)
	if err != nil {
		return nil, err
	}
	_, follow := arrived(names)
	data := make([]byte, 0, bytes)
	for _, p := range follow {
		b, err := a.files.getPart(ctx, key, p.name)
		if kindOf(err) == NotFound { // another process has just joined them, or swept them away
			return data, nil
		}
		if err != nil {
			return nil, err
		}
		have := int64(len(data))
		if int64(len(b)) != p.of-p.at { // damaged: it is to be sent again
			return data, a.files.removePart(ctx, key, p.name)
		}
		data = append(data, b[have-p.at:]...)
		if int64(len(data)) >= bytes {
			return data[:bytes], nil
		}
	}
	return data, nil
}

// EndParts takes a photo's parts away. kept says for a day as what it was kept, to
// whoever did not hear it; "" where it was not.
func (a *Archive) EndParts(ctx context.Context, key, kept string) error {
	if isSHA256(kept) {
		if err := a.files.putPart(ctx, key, keptName+kept, []byte(kept)); err != nil {
			return err
		}
	}
	names, err := a.files.parts(ctx, key)
	for _, name := range names {
		if partName.MatchString(name) {
			err = errors.Join(err, a.files.removePart(ctx, key, name))
		}
	}
	return err
}

// SweepParts takes away what is left of photos of which nothing came for so long, and
// says how many pieces that were. Any number of processes may sweep.
func (a *Archive) SweepParts(ctx context.Context, age time.Duration) (int, error) {
	return a.files.sweepParts(ctx, time.Now().Add(-age))
}
