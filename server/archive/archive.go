package archive

import (
	"context"
	"crypto/rand"
	"encoding/binary"
	"encoding/hex"
	"time"
)

// Address says where an archive is.
type Address struct {
	Folder   string // embedded: the data folder, made where there is none
	Database string // scaled out: postgres://...
	Photos   string // scaled out: s3://bucket?region=...&endpoint=... (gocloud.dev/blob), or a folder that all share
	KeyFile  string // Ed25519 key of the site; default: site.key in the data folder, none when scaled out
}

// NewID makes an ID: 48 bits of time in milliseconds, so that records made
// together lie together, and 80 random bits; 32 hexadecimal digits.
func NewID() string { return newID(time.Now()) }

func newID(t time.Time) string {
	var b [16]byte
	_, _ = rand.Read(b[:]) // never fails
	var ms [8]byte
	binary.BigEndian.PutUint64(ms[:], uint64(t.UnixMilli())) //nolint:gosec // after 1970
	copy(b[:6], ms[2:])
	return hex.EncodeToString(b[:])
}

// Archive is an open archive. All methods may be called by many goroutines,
// and any number of processes may have the same archive open.
type Archive struct {
	id string
}

// Open opens an archive, makes one where there is none, and brings an older
// one's tables up to date.
func Open(ctx context.Context, at Address) (*Archive, error) { return nil, notBuilt }

// Close ends the use of the archive.
func (a *Archive) Close() error { return notBuilt }

// ID is the archive's own, random, and the same in its copies.
func (a *Archive) ID() string { return a.id }
