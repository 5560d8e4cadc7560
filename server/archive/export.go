package archive

import (
	"archive/zip"
	"bufio"
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"beltend/server/result"
)

// An export is a ZIP:
//
//	README.txt            what it is and how to check it
//	records/KIND.jsonl    the records, one a line, as canonical JSON
//	results/ID.json       the results of the measurements
//	photos/SHA256.EXT     the photos and pictures
//	events.jsonl          the chain from its beginning: events of records in the export
//	                      whole, of all others their number and the hash of their body
//	manifest.json         the signed head of the chain, and every file above with its SHA-256
//	manifest.sig          Ed25519 signature of manifest.json by the site's key, base64
const (
	exportSchema   = "beltend.export/1"
	eventsEntry    = "events.jsonl"
	manifestEntry  = "manifest.json"
	signatureEntry = "manifest.sig"
	readmeEntry    = "README.txt"
)

const exportReadme = `This is an export from a beltend archive: photos and measurements of conveyor-belt ends with the records
around them. Lengths are in millimetres, times in UTC.

  records/    one file for each kind of record, one JSON object a line
  results/    the measurements' results, schema beltend.measurement/1
  photos/     photos and pictures under their SHA-256
  events.jsonl, manifest.json, manifest.sig    what it is checked with

  beltend archive check FILE

says whether everything is as the site kept it. It prints the fingerprint of the key that signed the export;
compare that with the one the site gave you on another way. Events of records that are not in the export
are in it by their hashes alone.
`

// manifest lists what an export holds.
type manifest struct {
	Schema string         `json:"schema"`
	Head   SignedHead     `json:"head"`
	Files  []manifestFile `json:"files"`
}

type manifestFile struct {
	Name   string `json:"name"`
	SHA256 string `json:"sha256"`
	Bytes  int64  `json:"bytes"`
}

// withheld is an event of a record that is not in the export.
type withheld struct {
	Seq  int64  `json:"seq"`
	Body string `json:"body"`
}

// exporter writes the ZIP and remembers what it wrote.
type exporter struct {
	zip   *zip.Writer
	files []manifestFile
	in    map[string]bool // subjects of the records in the export
}

// entry writes one file. Photos are compressed already.
func (x *exporter) entry(name string, write func(io.Writer) error) error {
	method := zip.Deflate
	if strings.HasPrefix(name, "photos/") {
		method = zip.Store
	}
	w, err := x.zip.CreateHeader(&zip.FileHeader{Name: name, Method: method, Modified: time.Now()})
	if err != nil {
		return err
	}
	sum, count := sha256.New(), &counter{}
	if err := write(io.MultiWriter(w, sum, count)); err != nil {
		return err
	}
	x.files = append(x.files, manifestFile{Name: name, SHA256: hex.EncodeToString(sum.Sum(nil)), Bytes: count.n})
	return nil
}

type counter struct{ n int64 }

func (c *counter) Write(p []byte) (int, error) {
	c.n += int64(len(p))
	return len(p), nil
}

// Export writes a ZIP with the measurements that q finds (all pages), their
// photos, places, card sets with checks and reviews, the chain and the signed head.
// Check accepts it. q.After and q.Limit do not count.
func (a *Archive) Export(ctx context.Context, q Query, to io.Writer, tell Progress) error {
	if a.key == nil {
		_, err := a.sign(Head{})
		return err
	}
	x := &exporter{zip: zip.NewWriter(to), in: map[string]bool{}}
	if err := x.entry(readmeEntry, func(w io.Writer) error { _, err := io.WriteString(w, exportReadme); return err }); err != nil {
		return err
	}
	var head SignedHead
	var photos []Photo
	err := a.Read(ctx, func(tx *Tx) error {
		plain, err := tx.Head(ctx)
		if err != nil {
			return err
		}
		if head, err = a.sign(plain); err != nil {
			return err
		}
		if photos, err = x.records(ctx, tx, q, tell); err != nil {
			return err
		}
		return x.entry(eventsEntry, func(w io.Writer) error { return x.events(ctx, tx, w, plain.Seq, tell) })
	})
	if err != nil {
		return err
	}
	written := map[string]bool{}
	for i, p := range photos {
		if written[p.SHA256] {
			continue
		}
		written[p.SHA256] = true
		data, err := a.files.get(ctx, p.SHA256)
		if err != nil {
			return fmt.Errorf("photo %s: %w", p.SHA256, err)
		}
		if err := x.entry("photos/"+p.SHA256+extension(p.Type), func(w io.Writer) error { _, err := w.Write(data); return err }); err != nil {
			return err
		}
		tell.tell("photos", int64(i+1), int64(len(photos)))
	}
	return x.finish(a.key, head)
}

// finish writes the manifest and its signature.
func (x *exporter) finish(key ed25519.PrivateKey, head SignedHead) error {
	text, err := json.MarshalIndent(manifest{Schema: exportSchema, Head: head, Files: x.files}, "", " ")
	if err != nil {
		return err
	}
	if err := x.entry(manifestEntry, func(w io.Writer) error { _, err := w.Write(text); return err }); err != nil {
		return err
	}
	signature := base64.StdEncoding.EncodeToString(ed25519.Sign(key, text)) + "\n"
	if err := x.entry(signatureEntry, func(w io.Writer) error { _, err := io.WriteString(w, signature); return err }); err != nil {
		return err
	}
	return x.zip.Close()
}

// extension names a photo's file for those who open it.
func extension(mediaType string) string {
	switch mediaType {
	case "image/jpeg":
		return ".jpg"
	case "image/png":
		return ".png"
	case "image/heic", "image/heif":
		return ".heic"
	case "image/webp":
		return ".webp"
	case "image/svg+xml":
		return ".svg"
	}
	return ""
}

// records writes the records that q finds, and those around them.
func (x *exporter) records(ctx context.Context, tx *Tx, q Query, tell Progress) ([]Photo, error) {
	wanted := map[*kind]map[string]bool{}
	want := func(k *kind, key string) {
		if key != "" {
			if wanted[k] == nil {
				wanted[k] = map[string]bool{}
			}
			wanted[k][key] = true
		}
	}
	q.After = ""
	for {
		places, err := tx.places(ctx, q, verifyBatch, lookback)
		if err != nil {
			return nil, err
		}
		if len(places) == 0 {
			break
		}
		ids := make([]any, len(places))
		for i, p := range places {
			ids[i] = p.id
		}
		batch, err := many[Measurement](ctx, tx, "SELECT body FROM measurement_body WHERE id IN ("+marks(len(ids))+")", ids...)
		if err != nil {
			return nil, err
		}
		for _, m := range batch {
			want(measurementKind, m.ID)
			want(siteKind, m.Site)
			want(conveyorKind, m.Conveyor)
			want(beltKind, m.Belt)
			want(jointKind, m.Joint)
			want(cardSetKind, m.CardSet)
			for _, f := range m.Files {
				want(photoKind, m.Site+"/"+f.SHA256)
			}
		}
		q.After = places[len(places)-1].cursor()
		tell.tell("find", int64(len(wanted[measurementKind])), 0)
	}
	if err := also(ctx, tx, wanted, want, cardCheckKind, "card_set", cardSetKind); err != nil {
		return nil, err
	}
	if err := also(ctx, tx, wanted, want, reviewKind, "measurement", measurementKind); err != nil {
		return nil, err
	}
	if err := also(ctx, tx, wanted, want, jointPlanKind, "id", jointKind); err != nil {
		return nil, err
	}
	if err := finishedToo(ctx, tx, wanted, want); err != nil {
		return nil, err
	}
	removed, err := x.removed(ctx, tx, wanted[photoKind], want)
	if err != nil {
		return nil, err
	}
	var photos []Photo
	for _, k := range kinds {
		if len(wanted[k]) == 0 {
			continue
		}
		keys := make([]string, 0, len(wanted[k]))
		for key := range wanted[k] {
			keys = append(keys, key)
		}
		slices.Sort(keys)
		err := x.entry("records/"+k.name+".jsonl", func(w io.Writer) error {
			for i, key := range keys {
				body, err := k.body(ctx, tx, strings.Split(key, "/")...)
				if err != nil {
					return fmt.Errorf("%s/%s: %w", k.name, key, err)
				}
				if k == photoKind {
					var p Photo
					if err := json.Unmarshal(body, &p); err != nil {
						return fail(Damaged, "A photo's record cannot be read", err)
					}
					if !removed[key] {
						photos = append(photos, p)
					}
				}
				if _, err := w.Write(append(body, '\n')); err != nil {
					return err
				}
				x.in[k.name+"/"+key] = true
				tell.tell(k.name, int64(i+1), int64(len(keys)))
			}
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	for id := range wanted[measurementKind] {
		var result string
		if err := tx.Row(ctx, []any{&result}, "SELECT result FROM measurement_body WHERE id = ?", id); err != nil {
			return nil, err
		}
		if err := x.entry("results/"+id+".json", func(w io.Writer) error { _, err := io.WriteString(w, result); return err }); err != nil {
			return nil, err
		}
	}
	return photos, nil
}

// removed wants the removals of these photos, and says which are gone.
func (x *exporter) removed(ctx context.Context, tx *Tx, photos map[string]bool, want func(*kind, string)) (map[string]bool, error) {
	gone := map[string]bool{}
	for key := range photos {
		site, sha256, _ := strings.Cut(key, "/")
		r, err := tx.removal(ctx, site, sha256)
		if err != nil {
			return nil, err
		}
		if r.Version > 0 {
			want(removalKind, key)
			gone[key] = r.Removed
		}
	}
	return gone, nil
}

// also wants the records of a kind that name one of those wanted.
func also(ctx context.Context, tx *Tx, wanted map[*kind]map[string]bool, want func(*kind, string), k *kind, column string, of *kind) error {
	var ids []any
	for id := range wanted[of] {
		ids = append(ids, id)
	}
	for chunk := range slices.Chunk(ids, verifyBatch) {
		err := tx.Rows(ctx, func(scan func(...any) error) error {
			var id string
			err := scan(&id)
			want(k, id)
			return err
		}, "SELECT id FROM "+k.name+" WHERE "+column+" IN ("+marks(len(chunk))+")", chunk...)
		if err != nil {
			return err
		}
	}
	return nil
}

// finishedToo wants the looks at finished joints with their photos.
func finishedToo(ctx context.Context, tx *Tx, wanted map[*kind]map[string]bool, want func(*kind, string)) error {
	var joints []any
	for id := range wanted[jointKind] {
		joints = append(joints, id)
	}
	for chunk := range slices.Chunk(joints, verifyBatch) {
		all, err := many[Finished](ctx, tx, "SELECT body FROM finished WHERE joint IN ("+marks(len(chunk))+")", chunk...)
		if err != nil {
			return err
		}
		for i := range all {
			want(finishedKind, all[i].ID)
			for _, hash := range all[i].photos() {
				want(photoKind, all[i].Site+"/"+hash)
			}
		}
	}
	return nil
}

func (x *exporter) events(ctx context.Context, tx *Tx, w io.Writer, until int64, tell Progress) error {
	out := json.NewEncoder(w)
	out.SetEscapeHTML(false)
	for after := int64(0); after < until; {
		last := after
		err := tx.Rows(ctx, func(scan func(...any) error) error {
			e, err := scanEvent(scan)
			if err != nil {
				return err
			}
			last = e.Seq
			if x.in[e.Subject] {
				return out.Encode(e)
			}
			return out.Encode(withheld{e.Seq, e.Body})
		}, "SELECT "+eventColumns+" FROM event WHERE seq > ? AND seq <= ? ORDER BY seq LIMIT ?", after, until, verifyBatch)
		if err != nil {
			return err
		}
		if last == after {
			return fail(Damaged, fmt.Sprintf("Event %d is gone. Run beltend archive verify.", after+1), nil)
		}
		after = last
		tell.tell("events", after, until)
	}
	return nil
}

// Checked is what Check looked at and found.
type Checked struct {
	Report
	Signed       SignedHead
	Fingerprint  string // of the key that signed the export
	Measurements int64
	Taped        int64 // of them by hand, alone or with photos
	Withheld     int64 // events that are there by their hashes alone
}

const lineMost = 16 << 20 // bytes of a line of an export

// Check verifies an export by itself, without the archive: that it is whole and as
// it was signed, that every record is the one its latest event hashed, that every
// photo has its hash, and that the chain ends at the signed head.
func Check(ctx context.Context, from io.ReaderAt, size int64, tell Progress) (*Checked, error) {
	c := &Checked{}
	z, err := zip.NewReader(from, size)
	if err != nil {
		return c, fail(Damaged, "This is no ZIP file, or not a whole one", err)
	}
	entries := map[string]*zip.File{}
	for _, f := range z.File {
		if entries[f.Name] != nil {
			c.add(ProblemAltered, f.Name, "it is in the export twice")
		}
		entries[f.Name] = f
	}
	m, err := c.manifest(entries)
	if err != nil {
		return c, err
	}
	photos, named := map[string]manifestFile{}, map[string]bool{readmeEntry: true, manifestEntry: true, signatureEntry: true}
	for i, f := range m.Files {
		if err := ctx.Err(); err != nil {
			return c, err
		}
		c.file(entries[f.Name], f)
		named[f.Name] = true
		if name, ok := strings.CutPrefix(f.Name, "photos/"); ok && len(name) >= 64 {
			photos[name[:64]] = f
		}
		c.Bytes += f.Bytes
		tell.tell("files", int64(i+1), int64(len(m.Files)))
	}
	for name := range entries {
		if !named[name] {
			c.add(ProblemUnrecorded, name, "the signed manifest does not name it")
		}
	}
	latest, err := c.events(ctx, entries[eventsEntry], m.Head.Head)
	if err != nil {
		return c, err
	}
	removed := map[string]bool{}
	err = lines(ctx, entries["records/"+removalKind.name+".jsonl"], func(line []byte) {
		if r, bad := decode[Removal](string(line)); bad == nil && r.Removed { // what is bad is said below
			removed[r.Site+"/"+r.SHA256] = true
		}
	})
	if err != nil {
		return c, err
	}
	return c, c.records(ctx, entries, latest, photos, removed)
}

// manifest reads the manifest and checks both signatures.
func (c *Checked) manifest(entries map[string]*zip.File) (manifest, error) {
	var m manifest
	text, err := readEntry(entries[manifestEntry], 1<<30)
	if err != nil {
		return m, fail(Damaged, "The export has no readable "+manifestEntry, err)
	}
	signature, err := readEntry(entries[signatureEntry], 1<<10)
	if err != nil {
		return m, fail(Damaged, "The export has no readable "+signatureEntry, err)
	}
	if err := json.Unmarshal(text, &m); err != nil || m.Schema != exportSchema {
		return m, fail(Damaged, "The manifest is not of schema "+exportSchema, err)
	}
	c.Signed, c.Head, c.Fingerprint = m.Head, m.Head.Head, m.Head.Fingerprint()
	if err := m.Head.Verify(); err != nil {
		c.add(ProblemAltered, "signed head", "%v", err)
	}
	public, err1 := base64.StdEncoding.DecodeString(m.Head.PublicKey)
	sig, err2 := base64.StdEncoding.DecodeString(strings.TrimSpace(string(signature)))
	if err1 != nil || err2 != nil || len(public) != ed25519.PublicKeySize || !ed25519.Verify(public, text, sig) {
		c.add(ProblemAltered, manifestEntry, "its signature is not that of the key in it: the export was altered after it was made")
	}
	return m, nil
}

// file hashes one entry.
func (c *Checked) file(f *zip.File, want manifestFile) {
	if f == nil {
		c.add(ProblemMissing, want.Name, "the file is gone from the export")
		return
	}
	r, err := f.Open()
	if err != nil {
		c.add(ProblemDamaged, want.Name, "it cannot be read: %v", err)
		return
	}
	defer r.Close()
	sum := sha256.New()
	n, err := io.Copy(sum, io.LimitReader(r, want.Bytes+1))
	switch {
	case err != nil:
		c.add(ProblemDamaged, want.Name, "it cannot be read: %v", err)
	case n != want.Bytes || hex.EncodeToString(sum.Sum(nil)) != want.SHA256:
		c.add(ProblemAltered, want.Name, "its bytes are not those that were exported")
	}
}

func readEntry(f *zip.File, most int64) ([]byte, error) {
	if f == nil {
		return nil, fail(NotFound, "It is not in the ZIP.", nil)
	}
	r, err := f.Open()
	if err != nil {
		return nil, err
	}
	defer r.Close()
	data, err := io.ReadAll(io.LimitReader(r, most+1))
	if err == nil && int64(len(data)) > most {
		err = fmt.Errorf("it is larger than %d bytes", most)
	}
	return data, err
}

// lines calls each for every line of an entry.
func lines(ctx context.Context, f *zip.File, each func([]byte)) error {
	if f == nil {
		return nil // said already
	}
	r, err := f.Open()
	if err != nil {
		return err
	}
	defer r.Close()
	scanner := newLineScanner(r)
	for scanner.Scan() {
		if err := ctx.Err(); err != nil {
			return err
		}
		each(scanner.Bytes())
	}
	return scanner.Err()
}

// events follows the chain and gives the hash of each record in the export by
// its latest event.
func (c *Checked) events(ctx context.Context, f *zip.File, head Head) (map[string]string, error) {
	latest := map[string]string{}
	ch := &chain{archive: head.Archive, last: Head{Hash: noHash}, report: &c.Report}
	err := lines(ctx, f, func(line []byte) {
		var e Event
		if json.Unmarshal(line, &e) != nil {
			c.add(ProblemDamaged, eventsEntry, "a line after event %d cannot be read", ch.last.Seq)
			return
		}
		if e.Hash == "" && e.What == "" {
			c.Withheld++
			e.Prev = ch.last.Hash
			e.Hash = chainHash(e.Seq, e.Prev, e.Body)
			ch.next(&e, true)
			return
		}
		ch.next(&e, false)
		latest[e.Subject] = e.PayloadSHA256
	})
	if err != nil {
		c.add(ProblemDamaged, eventsEntry, "it cannot be read: %v", err)
	}
	ch.end(head)
	return latest, ctx.Err()
}

// records compares every record with its latest event, and every measurement with
// its result and photos.
func (c *Checked) records(ctx context.Context, entries map[string]*zip.File, latest map[string]string, photos map[string]manifestFile, removed map[string]bool) error {
	for _, k := range kinds {
		file := "records/" + k.name + ".jsonl"
		err := lines(ctx, entries[file], func(line []byte) {
			line = bytes.TrimRight(line, "\r")
			values, bad := k.values(line)
			if bad != nil {
				c.add(ProblemDamaged, file, "a line cannot be read")
				return
			}
			subject := k.subjectOf(row{columns: values})
			want, ok := latest[subject]
			delete(latest, subject)
			c.Records++
			switch {
			case !ok:
				c.add(ProblemUnrecorded, subject, "no event in the export tells of this record, or it is there twice")
			case hashOf(line) != want:
				c.add(ProblemAltered, subject, "the record is not the one that its latest event hashed")
			}
			switch k {
			case measurementKind:
				c.Measurements++
				c.measurement(entries, photos, removed, subject, line)
			case photoKind:
				c.Photos++
				if f, ok := photos[fmt.Sprint(values[1])]; !ok && removed[fmt.Sprint(values[0], "/", values[1])] {
					c.Removed++
				} else if !ok {
					c.add(ProblemMissing, subject, "its file is not in the export")
				} else if f.SHA256 != fmt.Sprint(values[1]) {
					c.add(ProblemAltered, subject, "its file has not the hash it was kept under")
				}
			}
		})
		if err != nil {
			c.add(ProblemDamaged, file, "it cannot be read: %v", err)
		}
	}
	for subject := range latest {
		c.add(ProblemMissing, subject, "events tell of it, but the record is not in the export")
	}
	return ctx.Err()
}

func (c *Checked) measurement(entries map[string]*zip.File, photos map[string]manifestFile, removed map[string]bool, subject string, line []byte) {
	var m Measurement
	if err := json.Unmarshal(line, &m); err != nil {
		return // said already
	}
	kept, err := readEntry(entries["results/"+m.ID+".json"], lineMost)
	if err != nil {
		c.add(ProblemMissing, subject, "its result is not in the export: %v", err)
	} else if hashOf(kept) != m.ResultSHA256 {
		c.add(ProblemAltered, subject, "its result is not the one that was kept")
	}
	if len(m.Files) == 0 && m.Source != result.FromTape {
		c.add(ProblemMissing, subject, "it names no photo, and was not taped by hand")
	}
	if m.Source != "" {
		c.Taped++
	}
	for _, f := range m.Files {
		if _, ok := photos[f.SHA256]; !ok && !removed[m.Site+"/"+f.SHA256] {
			c.add(ProblemMissing, subject, "its photo %s is not in the export", f.SHA256)
		}
	}
}

func newLineScanner(r io.Reader) *bufio.Scanner {
	s := bufio.NewScanner(r)
	s.Buffer(nil, lineMost)
	return s
}
