package order_test

import (
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"beltend/server/archive"
	"beltend/server/archive/conformance"
	"beltend/server/capacity"
	"beltend/server/measure"
	"beltend/server/order"
	"beltend/server/pictures"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/server/store"
	"beltend/server/worker"
)

// real measures as a worker process does, and keeps what each photo took.
type real struct {
	mu  sync.Mutex
	cpu []float64 // s
}

func (m *real) Run(ctx context.Context, job worker.Job, p measure.Progress) (worker.Answer, error) {
	began := used()
	found, err := measure.Run(ctx, job.Photos, job.Settings, p)
	if err != nil {
		return worker.Answer{}, err
	}
	_, err = pictures.All(job.Photos, found, report.Options{})
	m.mu.Lock()
	m.cpu = append(m.cpu, used()-began)
	m.mu.Unlock()
	return worker.Answer{Measurement: found}, err
}

// used is the processor time of this process so far, s.
func used() float64 {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return float64(u.Utime.Nano()+u.Stime.Nano()) / 1e9
}

// resident is the highest memory of this process so far, MB (VmHWM of proc(5)).
func resident(t *testing.T) float64 {
	t.Helper()
	b, err := os.ReadFile("/proc/self/status")
	if err != nil {
		t.Fatal(err)
	}
	var kb float64
	if _, after, ok := strings.Cut(string(b), "VmHWM:"); ok {
		if _, err := fmt.Sscan(after, &kb); err != nil {
			t.Fatal(err)
		}
	}
	return kb / 1024
}

// numbered is the photo with a comment in its file, so that it is another file: a
// COM segment (ITU-T T.81, B.2.4.5) after the first marker.
func numbered(photo []byte, n int) []byte {
	text := fmt.Sprintf("photo %d", n)
	out := append([]byte(nil), photo[:2]...)
	out = append(out, 0xff, 0xfe)
	out = binary.BigEndian.AppendUint16(out, uint16(2+len(text))) //nolint:gosec // short
	return append(append(out, text...), photo[2:]...)
}

var countedTables = []string{"event", "photo", "measurement", "measurement_body", "measurement_file", "review_state", "review"}

func rows(t *testing.T, a *archive.Archive) map[string]int64 {
	t.Helper()
	n := map[string]int64{}
	err := a.Read(t.Context(), func(tx *archive.Tx) error {
		for _, table := range countedTables {
			var count int64
			if err := tx.Row(t.Context(), []any{&count}, "SELECT COUNT(*) FROM "+table); err != nil {
				return err
			}
			n[table] = count
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// recordBytes is the size of an archive's records as its backup has them: tables and
// indexes in one file, without what a database keeps aside.
func recordBytes(t *testing.T, a *archive.Archive) float64 {
	t.Helper()
	folder := t.TempDir()
	if _, _, err := a.Backup(t.Context(), by.Actor, folder, nil); err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(filepath.Join(folder, "records.db"))
	if err != nil {
		t.Fatal(err)
	}
	return float64(info.Size())
}

// TestCapacity is make capacity: what one photo costs, from upload to sign-off,
// and what sites of three sizes ask for. No test: its figures go into DEVELOPERS.md.
func TestCapacity(t *testing.T) {
	if os.Getenv("BELTEND_CAPACITY") == "" {
		t.Skip("only make capacity measures this")
	}
	photo, err := os.ReadFile("../../testdata/sample/belt-end.jpg")
	if err != nil {
		t.Fatal(err)
	}
	const photos = 12
	cost := map[string]price{}
	for name, at := range map[string]func(t *testing.T) archive.Address{
		"SQLite": func(t *testing.T) archive.Address { return archive.Address{Folder: t.TempDir()} },
		"PostgreSQL": func(t *testing.T) archive.Address {
			return archive.Address{Database: conformance.StartPostgres(t).Database(t), Photos: t.TempDir()}
		},
	} {
		t.Run(name, func(t *testing.T) { cost[name] = priceOf(t, name, at(t), photo, photos) })
	}
	if p, ok := cost["PostgreSQL"]; ok {
		load(t, p)
	}
}

// price is what one photo costs.
type price struct {
	cpu, sd                  float64 // s, of measuring and drawing
	photo, records           float64 // bytes
	statements, transactions float64
	rows                     float64
	writes                   float64 // transactions that write, of those
	writesPerSecond          float64 // that the database takes at all
}

func priceOf(t *testing.T, name string, at archive.Address, photo []byte, n int) price {
	ctx, m := t.Context(), &real{}
	d := open(t, at, m, func(c *order.Config) { c.Workers = 1 })
	a := d.Store.Archive
	work(t, d, time.Second)
	take := func(i int) store.Record {
		o, err := d.Take(ctx, by, store.Place{}, []measure.Input{{Name: "end.jpg", Data: numbered(photo, i)}}, result.Settings{}, report.Options{})
		if err != nil {
			t.Fatal(err)
		}
		r, err := ask(ctx, d, o)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	take(0) // makes the place of loose measurements
	before, bytes := rows(t, a), recordBytes(t, a)
	s0, t0 := a.Used()
	head, err := a.Head(ctx)
	if err != nil {
		t.Fatal(err)
	}
	for i := 1; i <= n; i++ {
		r := take(i)
		if _, err := a.AddReview(ctx, by.Actor, archive.Review{Measurement: r.ID, Outcome: archive.Concession, Reason: "r", ConcessionBy: "c", Person: "Rev A"}); err != nil {
			t.Fatal(err)
		}
	}
	s1, t1 := a.Used()
	end, err := a.Head(ctx)
	if err != nil {
		t.Fatal(err)
	}
	of := func(v float64) float64 { return v / float64(n) }
	p := price{photo: float64(len(photo)), statements: of(float64(s1 - s0)), transactions: of(float64(t1 - t0)), writes: of(float64(end.Seq - head.Seq))}
	after := rows(t, a)
	var each []string
	for _, table := range countedTables {
		p.rows += of(float64(after[table] - before[table]))
		each = append(each, fmt.Sprintf("%s %.0f", table, of(float64(after[table]-before[table]))))
	}
	sum := 0.0
	for _, v := range m.cpu[1:] {
		sum += v
		p.cpu += v / float64(n)
	}
	for _, v := range m.cpu[1:] {
		p.sd += (v - p.cpu) * (v - p.cpu) / float64(n-1)
	}
	p.sd = math.Sqrt(p.sd)
	p.records = of(recordBytes(t, a) - bytes)
	p.writesPerSecond = writesPerSecond(t, a)
	t.Logf("%s, one photo from upload to sign-off: %.2f s of processor (standard deviation %.2f) to measure and draw, %.0f MB of memory at most in all", name, p.cpu, p.sd, resident(t))
	t.Logf("%s: stored %.2f MB of photo (%s) and %.0f kB of records; %.0f rows (%s); %.0f statements in %.0f transactions, %.0f of them write; the queue's own not counted",
		name, p.photo/1e6, "the sample; a phone's own of 12 megapixels has 3 to 4", p.records/1e3, p.rows, strings.Join(each, ", "), p.statements, p.transactions, p.writes)
	t.Logf("%s: %.0f transactions a second that write, with 16 writers at once", name, p.writesPerSecond)
	return p
}

// writesPerSecond is how many small transactions that write an event the archive
// takes, one after the other as the chain asks.
func writesPerSecond(t *testing.T, a *archive.Archive) float64 {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
	defer cancel()
	before, err := a.Head(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	var wg sync.WaitGroup
	for range 16 {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for ctx.Err() == nil {
				if _, err := a.AddEvent(ctx, by.Actor, "test.done", "", "test/1", "", nil); err != nil && ctx.Err() == nil {
					t.Error(err)
					return
				}
			}
		}()
	}
	wg.Wait()
	took := time.Since(began).Seconds()
	after, err := a.Head(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return float64(after.Seq-before.Seq) / took
}

// load simulates a day of 10, 1,000 and 100,000 sites, which is a supposition: each
// site sends 12 photos a shift, three shifts a day, six of ten photos soon after the
// shift's start (30 minutes on average). The belt waits: 95 of 100 photos
// should begin to be measured within 10 s.
func load(t *testing.T, p price) {
	const wait, seed = 10, 11
	t.Logf("supposed: 12 photos a site and shift, 60 %% of them within 30 minutes (mean) of its start, 95 of 100 wait at most %d s; seed %d", wait, seed)
	for _, zones := range []int{1, 8} {
		for _, sites := range []int{10, 1000, 100_000} {
			l := capacity.Load{Sites: sites, Shifts: 3, PerShift: 12, Start: 0.6, StartMean: 1800, Zones: zones}
			n, r := capacity.Needed(l, capacity.Service{Mean: p.cpu, SD: p.sd}, wait, seed)
			year := float64(r.Photos) * 250
			t.Logf("%6d sites, %d time zone(s): %8d photos a day, %7.2f a second at the peak; %4d cores measure (%2.0f %% busy), waits p50 %.1f p95 %.1f p99 %.1f longest %.0f s; "+
				"%.0f statements and %.0f writing transactions a second (%.0f %% of what one database takes); a year of 250 days: %.1f TB of photos, %.0f GB of records, %.0f million rows",
				sites, zones, r.Photos, r.Peak, n, 100*r.Busy, r.P50, r.P95, r.P99, r.Longest,
				r.Peak*p.statements, r.Peak*p.writes, 100*r.Peak*p.writes/p.writesPerSecond, year*p.photo/1e12, year*p.records/1e9, year*p.rows/1e6)
		}
	}
}
