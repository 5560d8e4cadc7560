package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"beltend/server/archive"
	"beltend/server/measure"
	"beltend/server/table"
)

type archiveCmd struct {
	Verify  archiveVerifyCmd  `cmd:"" help:"Hash every photo and follow the chain of events; says what is damaged, missing or altered."`
	Head    archiveHeadCmd    `cmd:"" help:"Print the end of the chain of events, to keep outside or to sign."`
	Export  archiveExportCmd  `cmd:"" help:"Write measurements into one file: with photos and records, signed (.zip), or their figures (.csv, .jsonl)."`
	Check   archiveCheckCmd   `cmd:"" help:"Check an export by itself, without the archive."`
	Backup  archiveBackupCmd  `cmd:"" help:"Copy what is new into a backup folder and verify it; the service may run."`
	Restore archiveRestoreCmd `cmd:"" help:"Make an archive from a backup in an empty place."`
	Retain  archiveRetainCmd  `cmd:"" help:"List, or take away, the photos that a rule of retention lets go; records, results and events stay."`
	Measure archiveMeasureCmd `cmd:"" help:"Measure stored photos again with this program, to compare; what comes of it stands beside the old result."`
	Stand   archiveStandCmd   `cmd:"" help:"Make a result that stands beside the joint's answer the answer from now on."`
	Copy    archiveCopyCmd    `cmd:"" help:"Copy an archive, embedded or scaled out, to another place; goes on where it was stopped."`
}

// archiveFlags say where the archive is. The service and the accounts take its own
// data folder by themselves ([archiveFlags.own]), other commands ask ([archiveFlags.address]).
type archiveFlags struct {
	configFlag
	Data     string `placeholder:"FOLDER" setting:"data" help:"Data folder of an embedded archive (serve and account: by itself beltend in your data folder)."`
	Database string `placeholder:"URL" setting:"database" help:"Database of a scaled-out archive: postgres://..."`
	Photos   string `placeholder:"URL" setting:"photos" help:"Photo store of a scaled-out archive: s3://bucket?region=..., or a folder that all share."`
	Key      string `placeholder:"FILE" setting:"key" help:"Ed25519 key of the site (default site.key in the data folder; made where there is none)."`
}

func (f *archiveFlags) address() (archive.Address, error) {
	at := archive.Address{Folder: f.Data, Database: f.Database, Photos: f.Photos, KeyFile: f.Key}
	switch {
	case f.Data == "" && f.Database == "":
		return at, &measure.UsageError{Setting: "data", Message: "say where the archive is: --data FOLDER, or --database URL with --photos URL"}
	case f.Data != "" && (f.Database != "" || f.Photos != ""):
		return at, &measure.UsageError{Setting: "data", Message: "an archive is in a data folder, or in --database with --photos, not in both"}
	case f.Database != "" && f.Photos == "":
		return at, &measure.UsageError{Setting: "photos", Message: "a database needs a photo store beside it"}
	}
	return at, nil
}

// own is the address, the service's data folder where nothing is given.
func (f *archiveFlags) own() (archive.Address, error) {
	given := *f
	if given.Data == "" && given.Database == "" && given.Photos == "" {
		given.Data = dataFolder()
	}
	return given.address()
}

// open opens the archive that is there; these commands never begin a new one.
func (f *archiveFlags) open(ctx context.Context) (*archive.Archive, error) {
	at, err := f.address()
	if err != nil {
		return nil, err
	}
	if at.Folder != "" {
		if _, err := os.Stat(filepath.Join(at.Folder, "records.db")); err != nil {
			return nil, &measure.UsageError{Setting: "data", Message: fmt.Sprintf("there is no archive in %q", at.Folder)}
		}
	}
	return archive.Open(ctx, at)
}

// with opens the archive for do, and closes it.
func (f *archiveFlags) with(ctx context.Context, do func(a *archive.Archive) error) error {
	a, err := f.open(ctx)
	if err != nil {
		return err
	}
	return errors.Join(do(a), a.Close())
}

// far shows an archive's progress on a progress line.
func far(line *progress) archive.Progress {
	return func(step string, done, total int64) {
		if total > 0 {
			line.step(fmt.Sprintf("%s: %d of %d", step, done, total), float64(done)/float64(total))
		} else {
			line.step(fmt.Sprintf("%s: %d", step, done), 0)
		}
	}
}

// notAsKept is the error of an archive or export with problems.
func notAsKept(problems []archive.Problem, out io.Writer) error {
	for _, p := range problems {
		fmt.Fprintln(out, p)
	}
	switch len(problems) {
	case 0:
		return nil
	case 1:
		return errors.New("one thing is not as it was kept")
	}
	return fmt.Errorf("%d things are not as they were kept", len(problems))
}

type archiveVerifyCmd struct {
	archiveFlags
	Head string `placeholder:"HEAD" help:"A head that was printed before (NUMBER-HASH): the archive must still contain it."`
}

// Run verifies; what is wrong goes to standard output, one thing a line.
func (c *archiveVerifyCmd) Run(ctx context.Context, std streams) error {
	line := newProgress(std.err)
	o := archive.VerifyOptions{Tell: far(line)}
	if c.Head != "" {
		head, err := archive.ParseHead(c.Head)
		if err != nil {
			return &measure.UsageError{Setting: "head", Message: err.Error()}
		}
		o.Head = &head
	}
	return c.with(ctx, func(a *archive.Archive) error {
		r, err := a.Verify(ctx, o)
		line.end()
		if err != nil {
			return err
		}
		bad := notAsKept(r.Problems, std.out)
		fmt.Fprintf(std.out, "Looked at %d events, %d records and %d photos (%d bytes). Head %s\n", r.Events, r.Records, r.Photos, r.Bytes, r.Head)
		if r.Removed > 0 {
			fmt.Fprintf(std.out, "%d photos are gone by a rule of retention, as recorded.\n", r.Removed)
		}
		if r.Leftover > 0 {
			fmt.Fprintf(std.out, "%d files belong to no record: left over from uploads that were cut short, harmless.\n", r.Leftover)
		}
		if bad == nil {
			fmt.Fprintln(std.out, "Everything is as it was kept.")
		}
		return bad
	})
}

type archiveHeadCmd struct {
	archiveFlags
	JSON bool `name:"json" help:"Print it signed with the site's key, as JSON (beltend.head/1)."`
}

// Run prints the head.
func (c *archiveHeadCmd) Run(ctx context.Context, std streams) error {
	return c.with(ctx, func(a *archive.Archive) error {
		if !c.JSON {
			h, err := a.Head(ctx)
			if err != nil {
				return err
			}
			fmt.Fprintln(std.out, h)
			return nil
		}
		s, err := a.SignedHead(ctx)
		if err != nil {
			return err
		}
		enc := json.NewEncoder(std.out)
		enc.SetIndent("", "  ")
		return enc.Encode(s)
	})
}

type archiveExportCmd struct {
	archiveFlags
	Out      string `required:"" placeholder:"FILE" help:"File to write: .zip holds everything with photos, signed; .csv and .jsonl the measurements' figures."`
	Joints   bool   `help:"List joints instead of measurements (.csv, .jsonl)."`
	Site     string `placeholder:"NAME" help:"Only this site."`
	Conveyor string `placeholder:"ID" help:"Only this conveyor."`
	Belt     string `placeholder:"ID" help:"Only this belt."`
	Joint    string `placeholder:"ID" help:"Only this joint."`
	From     string `placeholder:"DATE" help:"Only measured on this day or later (2026-03-31)."`
	To       string `placeholder:"DATE" help:"Only measured before this day."`
	Text     string `placeholder:"WORDS" help:"Only with these words."`
	By       string `placeholder:"NAME" setting:"name" help:"Who exports, as the events name you (default: the name you are signed in with)."`
}

// Run writes the export; a file that is there is replaced only by a whole one.
func (c *archiveExportCmd) Run(ctx context.Context, std streams) error {
	q := archive.Query{Sites: archive.AllSites(), Conveyor: c.Conveyor, Belt: c.Belt, Joint: c.Joint, Text: c.Text}
	for _, d := range []struct {
		setting, text string
		to            *time.Time
	}{{"from", c.From, &q.From}, {"to", c.To, &q.To}} {
		if d.text == "" {
			continue
		}
		day, err := time.ParseInLocation("2006-01-02", d.text, time.Local)
		if err != nil {
			return &measure.UsageError{Setting: d.setting, Message: fmt.Sprintf("%q is no day like 2026-03-31", d.text)}
		}
		*d.to = day
	}
	return c.with(ctx, func(a *archive.Archive) error {
		if c.Site != "" {
			ids, err := siteIDs(ctx, a, []string{c.Site})
			if err != nil {
				return err
			}
			q.Sites = archive.SomeSites(ids...)
		}
		if err := c.there(ctx, a, q); err != nil {
			return err
		}
		line := newProgress(std.err)
		err := writeWhole(c.Out, func(w io.Writer) error {
			if c.Data != "" && archive.IsBackup(c.Data) {
				fmt.Fprintln(std.err, "This is a backup: no event tells of the export.")
			} else if err := a.Exported(ctx, localPerson(c.By).Actor, c.kind(), q); err != nil {
				return fmt.Errorf("keep the export's event: %w", err)
			}
			return c.write(ctx, a, q, w, far(line))
		})
		line.end()
		if err != nil {
			return err
		}
		fmt.Fprintln(std.err, "Wrote", c.Out)
		return nil
	})
}

// check knows how to write what the file's name ends with.
func (c *archiveExportCmd) check() []*measure.UsageError {
	ext := filepath.Ext(c.Out)
	switch {
	case ext != ".zip" && ext != ".csv" && ext != ".jsonl":
		return []*measure.UsageError{{Setting: "out", Message: fmt.Sprintf("%q ends with none of .zip, .csv, .jsonl", c.Out)}}
	case ext == ".zip" && c.Joints:
		return []*measure.UsageError{{Setting: "joints", Message: "is for .csv and .jsonl; a .zip holds the joints anyway"}}
	}
	return nil
}

// there refuses an ID of no record: the file would be empty, as if nothing were kept.
func (c *archiveExportCmd) there(ctx context.Context, a *archive.Archive, q archive.Query) error {
	for _, one := range []struct {
		setting, id string
		find        func(id string) error
	}{
		{"conveyor", c.Conveyor, func(id string) error { _, err := a.Conveyor(ctx, q.Sites, id); return err }},
		{"belt", c.Belt, func(id string) error { _, err := a.Belt(ctx, q.Sites, id); return err }},
		{"joint", c.Joint, func(id string) error { _, err := a.Joint(ctx, q.Sites, id); return err }},
	} {
		if one.id == "" {
			continue
		}
		switch err := one.find(one.id); {
		case errors.Is(err, archive.NotFound):
			return &measure.UsageError{Setting: one.setting, Message: fmt.Sprintf("there is no %s %s: give its ID, which the addresses of its pages have", one.setting, one.id)}
		case err != nil:
			return err
		}
	}
	return nil
}

// kind is what is exported, as events name it.
func (c *archiveExportCmd) kind() string {
	switch ext := filepath.Ext(c.Out); {
	case ext == ".zip":
		return "export.zip"
	case c.Joints:
		return "joints" + ext
	default:
		return "measurements" + ext
	}
}

func (c *archiveExportCmd) write(ctx context.Context, a *archive.Archive, q archive.Query, w io.Writer, tell archive.Progress) error {
	format := table.Format(strings.TrimPrefix(filepath.Ext(c.Out), "."))
	switch {
	case format == "zip":
		return a.Export(ctx, q, w, tell)
	case c.Joints:
		return table.WriteJoints(ctx, a, q, w, format, func() {})
	}
	return table.WriteMeasurements(ctx, a, q, w, format, func() {})
}

// writeWhole writes a file beside its place and moves it there when it is whole.
func writeWhole(name string, write func(io.Writer) error) (err error) {
	f, err := os.CreateTemp(filepath.Dir(name), ".beltend-*")
	if err != nil {
		return &measure.UsageError{Setting: "out", Message: fmt.Sprintf("%q cannot be written: %v", name, err)}
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.Remove(f.Name()))
		}
	}()
	if err := errors.Join(write(f), f.Sync(), f.Close()); err != nil {
		return err
	}
	return os.Rename(f.Name(), name)
}

type archiveCheckCmd struct {
	Export      string `arg:"" help:"The ZIP file."`
	Fingerprint string `placeholder:"FINGERPRINT" help:"Of the key that must have signed it, as the site gave it to you."`
}

// Run checks the export.
func (c *archiveCheckCmd) Run(ctx context.Context, std streams) error {
	f, err := os.Open(c.Export)
	if err != nil {
		return unreadable("export", c.Export, err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return unreadable("export", c.Export, err)
	}
	line := newProgress(std.err)
	r, err := archive.Check(ctx, f, info.Size(), far(line))
	line.end()
	if err != nil {
		return err
	}
	bad := notAsKept(r.Problems, std.out)
	fmt.Fprintf(std.out, "Looked at %d measurements, %d records, %d photos and %d events (%d of them by their hashes alone). Head %s\n",
		r.Measurements, r.Records, r.Photos, r.Events, r.Withheld, r.Head)
	if r.Taped > 0 {
		fmt.Fprintf(std.out, "%d of the measurements were taped by hand, alone or with photos.\n", r.Taped)
	}
	if r.Removed > 0 {
		fmt.Fprintf(std.out, "%d photos are not in it: a rule of retention had taken them away, as recorded.\n", r.Removed)
	}
	fmt.Fprintln(std.out, "Signed at", r.Signed.Time, "by the key", r.Fingerprint)
	if c.Fingerprint != "" && c.Fingerprint != r.Fingerprint {
		return errors.Join(bad, fmt.Errorf("the export was signed by another key than %s", c.Fingerprint))
	}
	if bad == nil {
		if c.Fingerprint == "" {
			fmt.Fprintln(std.out, "Whole and unaltered since it was signed. Whose key it is, only the fingerprint tells: compare it with the one the site gave you.")
		} else {
			fmt.Fprintln(std.out, "Whole, unaltered, and signed by that key.")
		}
	}
	return bad
}

type archiveBackupCmd struct {
	archiveFlags
	To string `arg:"" help:"Backup folder; the next backup into it takes only what is new."`
	By string `placeholder:"NAME" setting:"name" help:"Who backs up, as the events name you (default: the name you are signed in with)."`
}

// Run backs up and verifies the backup.
func (c *archiveBackupCmd) Run(ctx context.Context, std streams) error {
	return c.with(ctx, func(a *archive.Archive) error {
		line := newProgress(std.err)
		copied, report, err := a.Backup(ctx, localPerson(c.By).Actor, c.To, far(line))
		line.end()
		return sayCopied(std, copied, report, err)
	})
}

type archiveRestoreCmd struct {
	From string `arg:"" help:"Backup folder."`
	archiveFlags
}

// Run restores into an empty place.
func (c *archiveRestoreCmd) Run(ctx context.Context, std streams) error {
	at, err := c.address()
	if err != nil {
		return err
	}
	if at.Folder != "" {
		if there, err := os.ReadDir(at.Folder); err == nil && len(there) > 0 {
			if _, err := os.Stat(filepath.Join(at.Folder, "records.db")); err != nil {
				return &measure.UsageError{Setting: "data", Message: fmt.Sprintf("%q is not empty", at.Folder)}
			}
		}
	}
	line := newProgress(std.err)
	copied, report, err := archive.Restore(ctx, c.From, at, far(line))
	line.end()
	return sayCopied(std, copied, report, err)
}

func sayCopied(std streams, c archive.Copied, report *archive.Report, err error) error {
	if err != nil {
		return err
	}
	if err := notAsKept(report.Problems, std.out); err != nil {
		return err
	}
	fmt.Fprintf(std.out, "Copied %d events and %d photos (%d bytes), and verified everything there: %d events, %d records, %d photos. Head %s\n",
		c.Events, c.Photos, c.Bytes, report.Events, report.Records, report.Photos, report.Head)
	return nil
}

type archiveCopyCmd struct {
	From       string `arg:"" help:"Data folder, or postgres://... with --from-photos."`
	To         string `arg:"" help:"Data folder, or postgres://... with --to-photos: empty, or an earlier copy."`
	FromPhotos string `placeholder:"URL" help:"Photo store that belongs to a database copied from."`
	ToPhotos   string `placeholder:"URL" help:"Photo store that belongs to a database copied to."`
}

// Run copies, then verifies the target.
func (c *archiveCopyCmd) Run(ctx context.Context, std streams) error {
	source, target := place(c.From, c.FromPhotos), place(c.To, c.ToPhotos)
	to, err := target.address()
	if err != nil {
		return err
	}
	return source.with(ctx, func(a *archive.Archive) error {
		line := newProgress(std.err)
		copied, err := a.Copy(ctx, to, far(line))
		if err != nil {
			line.end()
			return err
		}
		b, err := archive.Open(ctx, to)
		if err != nil {
			line.end()
			return err
		}
		report, err := b.Verify(ctx, archive.VerifyOptions{Head: &copied.Head, Tell: far(line)})
		line.end()
		return errors.Join(sayCopied(std, copied, report, err), b.Close())
	})
}

// place reads an address given as one word.
func place(at, photos string) *archiveFlags {
	if strings.Contains(at, "://") {
		return &archiveFlags{Database: at, Photos: photos}
	}
	return &archiveFlags{Data: at, Photos: photos}
}
