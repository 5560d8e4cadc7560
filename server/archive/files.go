package archive

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// files keeps bytes under their SHA-256. Two implementations: a folder, and any
// store that speaks S3.
type files interface {
	// put returns once the bytes are durable. The same bytes may be put again.
	put(ctx context.Context, sha256 string, data []byte) error
	// get gives NotFound where there is nothing, Damaged where the bytes no longer
	// have that hash.
	get(ctx context.Context, sha256 string) ([]byte, error)
	// remove takes a file away; it need not be there.
	remove(ctx context.Context, sha256 string) error
	// list calls each for every kept file, in no certain order.
	list(ctx context.Context, each func(sha256 string, bytes int64) error) error

	// Parts of photos to come, each under a key, a hash, and a name of its own.
	putPart(ctx context.Context, key, name string, data []byte) error
	parts(ctx context.Context, key string) (names []string, err error) // none: no error
	getPart(ctx context.Context, key, name string) ([]byte, error)     // NotFound where there is none
	removePart(ctx context.Context, key, name string) error            // it need not be there
	// sweepParts removes all parts that were written before then.
	sweepParts(ctx context.Context, before time.Time) (int, error)

	ping(ctx context.Context) error
	close() error
}

// folder keeps files in folders of their first two digits.
type folder struct{ path string }

func newFolder(path string) (*folder, error) {
	if err := os.MkdirAll(path, 0o700); err != nil {
		return nil, explain(err)
	}
	return &folder{path}, nil
}

func (f *folder) name(sha256 string) string { return filepath.Join(f.path, sha256[:2], sha256) }

// put writes a temporary file beside the place, syncs it, renames it and syncs
// the folder: after a crash the file is there whole or not at all.
func (f *folder) put(ctx context.Context, sha256 string, data []byte) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if have, err := f.get(ctx, sha256); err == nil && len(have) == len(data) {
		return nil
	}
	to := f.name(sha256)
	dir := filepath.Dir(to)
	if err := os.Mkdir(dir, 0o700); err == nil {
		if err := syncFolder(f.path); err != nil {
			return fileErr("keep a photo", err)
		}
	} else if !errors.Is(err, fs.ErrExist) {
		return fileErr("keep a photo", err)
	}
	return fileErr("keep a photo", writeDurably(to, data, 0o400))
}

// PrivateDatabase makes a SQLite file, where there is none, that nobody else may
// read, and takes others' rights from one that is there with its journals. SQLite
// gives new journals the file's rights.
func PrivateDatabase(file string) error {
	f, err := os.OpenFile(file, os.O_CREATE|os.O_RDWR, 0o600) //nolint:gosec // in the data folder
	if err != nil {
		return fileErr("open the database", err)
	}
	if err := f.Close(); err != nil {
		return fileErr("open the database", err)
	}
	for _, one := range []string{file, file + "-wal", file + "-shm"} {
		info, err := os.Stat(one)
		if errors.Is(err, fs.ErrNotExist) || err == nil && info.Mode().Perm()&0o077 == 0 {
			continue
		}
		if err == nil {
			err = os.Chmod(one, 0o600)
		}
		if err != nil && !errors.Is(err, fs.ErrNotExist) { // a journal may go meanwhile
			return fileErr("make the database private", err)
		}
	}
	return nil
}

// writeDurably writes a whole file in place of the one there, or leaves that
// as it was.
func writeDurably(to string, data []byte, mode fs.FileMode) (err error) {
	dir := filepath.Dir(to)
	tmp, err := os.CreateTemp(dir, ".new-*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, tmp.Close(), os.Remove(tmp.Name()))
		}
	}()
	if _, err := tmp.Write(data); err != nil {
		return err
	}
	if err := tmp.Chmod(mode); err != nil {
		return err
	}
	if err := tmp.Sync(); err != nil {
		return err
	}
	if err := os.Rename(tmp.Name(), to); err != nil {
		return err
	}
	if err := tmp.Close(); err != nil {
		return errors.Join(err, syncFolder(dir))
	}
	return syncFolder(dir)
}

func syncFolder(path string) error {
	d, err := os.Open(path) //nolint:gosec // a folder of the archive
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

func (f *folder) get(ctx context.Context, sha256 string) ([]byte, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if !isSHA256(sha256) {
		return nil, fail(NotFound, "There is no such photo.", nil)
	}
	data, err := os.ReadFile(f.name(sha256))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fail(NotFound, "There is no such photo.", nil)
	}
	if err != nil {
		return nil, fileErr("read a photo", err)
	}
	return checked(sha256, data)
}

// checked gives the bytes if they have the hash.
func checked(sha256 string, data []byte) ([]byte, error) {
	if hashOf(data) != sha256 {
		return nil, fail(Damaged, "Photo "+sha256[:12]+"… is damaged: its bytes no longer have the hash it was kept under. Restore it from the last backup.", nil)
	}
	return data, nil
}

func (f *folder) remove(ctx context.Context, sha256 string) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if !isSHA256(sha256) {
		return nil
	}
	name := f.name(sha256)
	if err := os.Remove(name); err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		return fileErr("remove a photo", err)
	}
	return fileErr("remove a photo", syncFolder(filepath.Dir(name)))
}

const partsFolder = "parts" // no photo's first two digits

func (f *folder) part(key, name string) string { return filepath.Join(f.path, partsFolder, key, name) }

func (f *folder) putPart(ctx context.Context, key, name string, data []byte) error {
	err := ctx.Err()
	for range 3 { // the key's folder may be swept away as soon as it is made
		if err != nil {
			return err
		}
		if err := os.MkdirAll(f.part(key, ""), 0o700); err != nil {
			return fileErr("keep a part of a photo", err)
		}
		if err = writeDurably(f.part(key, name), data, 0o600); !errors.Is(err, fs.ErrNotExist) {
			return fileErr("keep a part of a photo", err)
		}
		err = ctx.Err()
	}
	return fail(Unavailable, "The part of the photo could not be kept. Send it again", nil)
}

func (f *folder) parts(ctx context.Context, key string) ([]string, error) {
	entries, err := os.ReadDir(f.part(key, ""))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, ctx.Err()
	}
	if err != nil {
		return nil, fileErr("look for parts of a photo", err)
	}
	names := make([]string, len(entries))
	for i, e := range entries {
		names[i] = e.Name()
	}
	return names, ctx.Err()
}

func (f *folder) getPart(ctx context.Context, key, name string) ([]byte, error) {
	data, err := os.ReadFile(f.part(key, name))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fail(NotFound, "There is no such part.", nil)
	}
	return data, errors.Join(fileErr("read a part of a photo", err), ctx.Err())
}

func (f *folder) removePart(ctx context.Context, key, name string) error {
	if err := os.Remove(f.part(key, name)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fileErr("remove a part of a photo", err)
	}
	return ctx.Err()
}

func (f *folder) sweepParts(ctx context.Context, before time.Time) (int, error) {
	keys, err := os.ReadDir(filepath.Join(f.path, partsFolder))
	if errors.Is(err, fs.ErrNotExist) {
		return 0, nil
	}
	if err != nil {
		return 0, fileErr("look for parts of photos", err)
	}
	swept := 0
	for _, key := range keys {
		names, err := f.parts(ctx, key.Name())
		if err != nil {
			return swept, err
		}
		for _, name := range names {
			info, err := os.Stat(f.part(key.Name(), name))
			if errors.Is(err, fs.ErrNotExist) || err == nil && !info.ModTime().Before(before) {
				continue
			}
			if err := errors.Join(fileErr("look at a part of a photo", err), f.removePart(ctx, key.Name(), name)); err != nil {
				return swept, err
			}
			swept++
		}
		_ = os.Remove(f.part(key.Name(), "")) // stays as long as something is in it
	}
	return swept, nil
}

func (f *folder) list(ctx context.Context, each func(string, int64) error) error {
	return filepath.WalkDir(f.path, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return errors.Join(fileErr("look through the photos", err), ctx.Err())
		}
		if !isSHA256(d.Name()) {
			return nil // left over from a write that a crash cut short
		}
		info, err := d.Info()
		if err != nil {
			return fileErr("look through the photos", err)
		}
		return each(d.Name(), info.Size())
	})
}

func (f *folder) ping(context.Context) error {
	_, err := os.Stat(f.path)
	return fileErr("look at the photos", err)
}

func (f *folder) close() error { return nil }

// fileErr gives a file's error its kind. Path names stay out of the message.
func fileErr(doing string, err error) error {
	if err == nil {
		return nil
	}
	if err := explain(err); kindOf(err) != "" {
		return err
	}
	return fmt.Errorf("%s: %w", doing, err)
}
