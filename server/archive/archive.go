package archive

import (
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// Address says where an archive is.
type Address struct {
	Folder   string // embedded: the data folder, made where there is none
	Database string // scaled out: postgres://...
	Photos   string // scaled out: s3://bucket?region=...&endpoint=... (gocloud.dev/blob), or a folder that all share
	KeyFile  string // Ed25519 key of the site; default: site.key in the data folder, none when scaled out
}

// Names in the data folder.
const (
	recordsFile  = "records.db"
	photosFolder = "photos"
	keyFile      = "site.key"
)

// NewID makes an ID: 48 bits of time in milliseconds, so that records made
// together lie together, and 80 random bits; 32 hexadecimal digits.
func NewID() string { return newID(time.Now()) }

func newID(t time.Time) string {
	var b [16]byte
	_, _ = rand.Read(b[:]) // never fails
	var ms [8]byte
	binary.BigEndian.PutUint64(ms[:], uint64(max(0, t.UnixMilli()))) //nolint:gosec // not negative
	copy(b[:6], ms[2:])
	return hex.EncodeToString(b[:])
}

// Archive is an open archive. All methods may be called by many goroutines,
// and any number of processes may have the same archive open.
type Archive struct {
	id    string
	at    Address
	db    *database
	files files
	key   ed25519.PrivateKey // nil when there is none
}

// Open opens an archive, makes one where there is none, and brings an older
// one's tables up to date.
func Open(ctx context.Context, at Address) (*Archive, error) {
	return open(ctx, at, "")
}

// open makes a new archive with this ID; "": a random one.
func open(ctx context.Context, at Address, id string) (a *Archive, err error) {
	a = &Archive{at: at}
	defer func() {
		if err != nil {
			err = errors.Join(err, a.Close())
			a = nil
		}
	}()
	switch {
	case at.Folder != "" && at.Database == "" && at.Photos == "":
		if err := os.MkdirAll(at.Folder, 0o700); err != nil {
			return a, fileErr("make the data folder", err)
		}
		if a.files, err = newFolder(filepath.Join(at.Folder, photosFolder)); err != nil {
			return a, err
		}
		if a.db, err = openSQLite(ctx, filepath.Join(at.Folder, recordsFile)); err != nil {
			return a, err
		}
		if at.KeyFile == "" {
			at.KeyFile = filepath.Join(at.Folder, keyFile)
		}
	case at.Folder == "" && strings.HasPrefix(at.Database, "postgres") && at.Photos != "":
		if a.files, err = openPhotos(ctx, at.Photos); err != nil {
			return a, err
		}
		if a.db, err = openPostgres(ctx, at.Database); err != nil {
			return a, err
		}
	default:
		return a, fail(Invalid, "An archive is either a data folder, or a database (postgres://…) together with a photo store (s3://…, or a folder that all share).", nil)
	}
	if err := a.db.migrate(ctx, 0); err != nil {
		return a, err
	}
	if id == "" {
		id = NewID()
	}
	if _, err := a.db.w.ExecContext(ctx, a.db.sql("INSERT INTO chain (one, archive, seq, hash) VALUES (1, ?, 0, ?) ON CONFLICT DO NOTHING"), id, noHash); err != nil {
		return a, explain(err)
	}
	head, err := a.Head(ctx)
	if err != nil {
		return a, err
	}
	a.id = head.Archive
	if at.KeyFile != "" {
		if a.key, err = siteKey(at.KeyFile); err != nil {
			return a, err
		}
	}
	return a, nil
}

func openPhotos(ctx context.Context, at string) (files, error) {
	if u, err := url.Parse(at); err == nil && u.Scheme != "" {
		return openBucket(ctx, at)
	}
	return newFolder(at)
}

// Close ends the use of the archive.
func (a *Archive) Close() error {
	var err error
	if a.db != nil {
		err = a.db.close()
	}
	if a.files != nil {
		err = errors.Join(err, a.files.close())
	}
	return err
}

// ID is the archive's own, random, and the same in its copies.
func (a *Archive) ID() string { return a.id }

// Used is how many statements and transactions the archive's database was asked
// for since it was opened here.
func (a *Archive) Used() (statements, transactions int64) {
	return a.db.statements.Load(), a.db.transactions.Load()
}

// Ping says whether database and photo store answer, for the readiness check.
func (a *Archive) Ping(ctx context.Context) error {
	return errors.Join(explain(a.db.r.PingContext(ctx)), a.files.ping(ctx))
}
