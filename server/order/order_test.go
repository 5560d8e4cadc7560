package order_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"beltend/server/archive"
	"beltend/server/archive/conformance"
	"beltend/server/archive/queue"
	"beltend/server/measure"
	"beltend/server/order"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/server/store"
	"beltend/server/worker"
)

var by = store.Person{Actor: archive.Actor{ID: "local", Name: "Mara Quill"}, Sites: archive.AllSites()}

// measurer answers as do says and counts.
type measurer struct {
	mu   sync.Mutex
	made int
	do   func(ctx context.Context, job worker.Job) error // nil: square at once
}

func (m *measurer) Run(ctx context.Context, job worker.Job, p measure.Progress) (worker.Answer, error) {
	m.mu.Lock()
	m.made++
	m.mu.Unlock()
	p("cards", 0.1)
	if m.do != nil {
		if err := m.do(ctx, job); err != nil {
			return worker.Answer{}, err
		}
	}
	return worker.Answer{Measurement: &result.Measurement{Schema: result.Schema, Verdict: result.Square, Warnings: []result.Warning{}, Settings: &job.Settings,
		Squareness: &result.Squareness{OffsetMM: 0.5, OffsetU95MM: 0.3, ToleranceMM: 2}, Width: &result.Width{AtCutMM: 800}}}, nil
}

func (m *measurer) times() int {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.made
}

// withPlace puts the place where it was taken into a JPEG, as XMP does.
func withPlace(jpg []byte) []byte {
	const xmp = "http://ns.adobe.com/xap/1.0/\x00<x:xmpmeta exif:GPSLatitude='12,30.0S'/>"
	return slices.Concat(jpg[:2], []byte{0xff, 0xe1, 0, byte(len(xmp) + 2)}, []byte(xmp), jpg[2:])
}

// The place where a photo was taken is taken out before the photo is kept, or kept
// where the site wants it; either way the hash is that of what is kept.
func TestLocation(t *testing.T) {
	both(t, func(t *testing.T, at archive.Address) {
		d := open(t, at, &measurer{}, nil)
		a, ctx := d.Store.Archive, t.Context()
		site, err := a.PutSite(ctx, by.Actor, archive.Site{Name: "Kestrel Hollow"}, "")
		if err != nil {
			t.Fatal(err)
		}
		var plain bytes.Buffer
		if err := jpeg.Encode(&plain, image.NewGray(image.Rect(0, 0, 640, 640)), nil); err != nil {
			t.Fatal(err)
		}
		sent := withPlace(plain.Bytes())
		for _, keep := range []bool{false, true, false} {
			site.KeepLocation = keep
			if site, err = a.PutSite(ctx, by.Actor, site, ""); err != nil {
				t.Fatal(err)
			}
			p, err := d.Keep(ctx, by.Actor, site.ID, by.Name, measure.Input{Name: "end.jpg", Data: sent})
			if err != nil {
				t.Fatal(err)
			}
			kept, _, err := a.ReadPhoto(ctx, by.Sites, p.SHA256)
			if err != nil {
				t.Fatal(err)
			}
			want := plain.Bytes()
			if keep {
				want = sent
			}
			if !bytes.Equal(kept, want) || p.SHA256 != fmt.Sprintf("%x", sha256.Sum256(want)) || p.LocationRemoved == keep || p.LocationKept != keep {
				t.Errorf("kept where the site keeps locations (%v): %d bytes of %d, %+v", keep, len(kept), len(sent), p)
			}
		}
		site.KeepLocation = true
		if _, err = a.PutSite(ctx, by.Actor, site, ""); err != nil {
			t.Fatal(err)
		}
		// a photo that names no place keeps none
		other := bytes.Clone(plain.Bytes())
		other = append(other[:2:2], append([]byte{0xff, 0xfe, 0, 4, 'a', 'b'}, other[2:]...)...)
		p, err := d.Keep(ctx, by.Actor, site.ID, by.Name, measure.Input{Name: "end.jpg", Data: other})
		if err != nil || p.LocationRemoved || p.LocationKept {
			t.Errorf("a photo without a place: %v, %+v", err, p)
		}
	})
}

// both runs a test on both databases.
func both(t *testing.T, test func(t *testing.T, at archive.Address)) {
	t.Run("embedded", func(t *testing.T) { test(t, archive.Address{Folder: t.TempDir()}) })
	t.Run("scaled out", func(t *testing.T) {
		test(t, archive.Address{Database: conformance.StartPostgres(t).Database(t), Photos: t.TempDir()})
	})
}

// open opens a desk as a process of its own would.
func open(t *testing.T, at archive.Address, m order.Measurer, change func(*order.Config)) *order.Desk {
	t.Helper()
	a, err := archive.Open(t.Context(), at)
	if err != nil {
		t.Fatal(err)
	}
	q, err := queue.Open(t.Context(), queue.Config{At: at, Timeout: time.Minute, Attempts: 1})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := errors.Join(q.Close(), a.Close()); err != nil {
			t.Error(err)
		}
	})
	c := order.Config{Store: store.New(a, nil, 1<<20), Queue: q, Measurer: m, Program: "1", Workers: 2, Limit: 100}
	if change != nil {
		change(&c)
	}
	return order.New(c)
}

// work makes orders until stop is called or the test ends.
func work(t *testing.T, d *order.Desk, grace time.Duration) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- d.Work(ctx, grace) }()
	stop = sync.OnceFunc(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("work: %v", err)
		}
	})
	t.Cleanup(stop)
	return stop
}

// blank is a photo of nothing; size makes it another one.
func blank(t *testing.T, size int) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, image.NewGray(image.Rect(0, 0, 640, size)), nil); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func input(t *testing.T, size int) measure.Input {
	t.Helper()
	return measure.Input{Name: "end.jpg", Data: blank(t, size)}
}

func take(t *testing.T, d *order.Desk, size int, s result.Settings) order.Order {
	t.Helper()
	o, err := d.Take(t.Context(), by, store.Place{}, []measure.Input{input(t, size)}, s, report.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return o
}

func ask(ctx context.Context, d *order.Desk, o order.Order) (store.Record, error) {
	release, err := d.Reserve(ctx)
	if err != nil {
		return store.Record{}, err
	}
	return d.Ask(ctx, o, release, nil)
}

// Two processes are asked for the same by many at once: it is measured once, and
// everybody has the same answer, also whoever asks the process that did not make it.
func TestTheSameOrderIsMeasuredOnce(t *testing.T) {
	both(t, func(t *testing.T, at archive.Address) {
		m := &measurer{do: func(context.Context, worker.Job) error { time.Sleep(300 * time.Millisecond); return nil }}
		one, two := open(t, at, m, nil), open(t, at, m, nil)
		work(t, one, time.Second)
		work(t, two, time.Second)
		o := take(t, one, 480, result.Settings{})
		ids := make([]string, 8)
		var all sync.WaitGroup
		for i := range ids {
			all.Add(1)
			go func() {
				defer all.Done()
				d, mine := []*order.Desk{one, two}[i%2], o
				mine.By, mine.Person = archive.Actor{ID: fmt.Sprint(i), Name: "another"}, "another"
				r, err := ask(t.Context(), d, mine)
				if err != nil {
					t.Errorf("%d: %v", i, err)
				}
				ids[i] = r.ID
			}()
		}
		all.Wait()
		for _, id := range ids {
			if id == "" || id != ids[0] {
				t.Errorf("answers %v", ids)
			}
		}
		if m.times() != 1 {
			t.Errorf("measured %d times", m.times())
		}
		for name, other := range map[string]order.Order{"settings": take(t, one, 480, result.Settings{ToleranceMM: 3}), "photo": take(t, one, 481, result.Settings{})} {
			if r, err := ask(t.Context(), two, other); err != nil || r.ID == ids[0] {
				t.Errorf("another %s has the same answer, or %v", name, err)
			}
		}
		report, err := one.Store.Archive.Verify(t.Context(), archive.VerifyOptions{})
		if err != nil || len(report.Problems) > 0 {
			t.Errorf("%v, %v", report.Problems, err)
		}
	})
}

func TestAFullQueueAndALongWaitSayWhenToComeAgain(t *testing.T) {
	goOn := make(chan struct{})
	m := &measurer{do: func(context.Context, worker.Job) error { <-goOn; return nil }}
	d := open(t, archive.Address{Folder: t.TempDir()}, m, func(c *order.Config) { c.Limit, c.Wait = 2, 1200*time.Millisecond })
	work(t, d, time.Second)
	first, err := d.Reserve(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	second, err := d.Reserve(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var busy *worker.Busy
	if _, err := d.Reserve(t.Context()); !errors.As(err, &busy) || busy.RetryAfter < time.Second {
		t.Errorf("a third place of two: %v", err)
	}
	second()
	second() // once more does no harm
	third, err := d.Reserve(t.Context())
	if err != nil {
		t.Errorf("a place that was given back: %v", err)
	}
	third()
	o := take(t, d, 480, result.Settings{})
	var late *order.Late
	if _, err := d.Ask(t.Context(), o, first, nil); !errors.As(err, &late) || late.RetryAfter < time.Second {
		t.Errorf("a wait that is too long: %v", err)
	}
	close(goOn)
	if r, err := ask(t.Context(), d, o); err != nil || r.Measurement.Verdict != result.Square || m.times() != 1 {
		t.Errorf("asked again: %v, measured %d times", err, m.times())
	}
}

// What is under way when a process is stopped goes back to the queue, whoever waits
// is told at once, and the next process makes it.
func TestAStopPutsBackWhatIsUnderWay(t *testing.T) {
	both(t, func(t *testing.T, at archive.Address) {
		slow := &measurer{do: func(ctx context.Context, _ worker.Job) error { <-ctx.Done(); return worker.ErrClosed }}
		d := open(t, at, slow, func(c *order.Config) { c.Workers = 1 })
		stop := work(t, d, 200*time.Millisecond)
		orders := []order.Order{take(t, d, 480, result.Settings{}), take(t, d, 481, result.Settings{})}
		ended := make(chan error, len(orders))
		for _, o := range orders {
			go func() {
				_, err := ask(t.Context(), d, o)
				ended <- err
			}()
		}
		for waiting := 0; slow.times() == 0 || waiting < 2; waiting, _ = d.Queue.Length(t.Context()) {
			time.Sleep(10 * time.Millisecond)
		}
		began := time.Now()
		stop()
		for range orders {
			if err := <-ended; !errors.Is(err, worker.ErrClosed) {
				t.Errorf("who waits is told %v", err)
			}
		}
		if took := time.Since(began); took > 5*time.Second {
			t.Errorf("the stop took %v", took)
		}
		m := &measurer{}
		next := open(t, at, m, nil)
		work(t, next, time.Second)
		for _, o := range orders {
			if _, err := ask(t.Context(), next, o); err != nil {
				t.Error(err)
			}
		}
		if m.times() != len(orders) {
			t.Errorf("measured %d times, want %d", m.times(), len(orders))
		}
	})
}

// A refusal is a record, with photo, settings and versions; the same order again has
// the same refusal, unless that came of the moment or of another version.
func TestRefusalsAreKept(t *testing.T) {
	at := archive.Address{Folder: t.TempDir()}
	code := "no_card"
	m := &measurer{}
	m.do = func(_ context.Context, job worker.Job) error {
		if code == "" {
			return nil
		}
		return &result.Refusal{Code: code, Message: "There is none.", Advice: "Lay one down.", Photo: job.Photos[0].Name}
	}
	d := open(t, at, m, nil)
	stop := work(t, d, time.Second)
	asked := func(d *order.Desk, o order.Order, want string, times int) store.Record {
		t.Helper()
		r, err := ask(t.Context(), d, o)
		var refused *result.Refusal
		if got := errors.As(err, &refused); got != (want != "") || got && refused.Code != want || !got && err != nil {
			t.Fatalf("%v, want %q", err, want)
		}
		if m.times() != times {
			t.Errorf("measured %d times, want %d", m.times(), times)
		}
		return r
	}
	set := result.Settings{ToleranceMM: 1.5}
	o := take(t, d, 480, set)
	first := asked(d, o, "no_card", 1)
	if again := asked(d, o, "no_card", 1); again.ID != first.ID {
		t.Errorf("refused twice: %s and %s", first.ID, again.ID)
	}
	got, err := d.Store.Get(t.Context(), by.Sites, first.ID)
	if err != nil {
		t.Fatal(err)
	}
	k, r := got.Kept, got.Measurement
	if k.Refusal != "no_card" || k.Files[0].SHA256 != o.Photos[0].SHA256 || k.ProgramVersion != "1" || k.MethodVersion != measure.Method || k.Person != by.Name ||
		r.Refused.Message != "There is none." || r.Refused.Advice != "Lay one down." || r.Settings.ToleranceMM != 1.5 {
		t.Errorf("kept as %+v: %+v", k, r)
	}
	code = worker.CodeTimedOut
	o = take(t, d, 481, set)
	asked(d, o, worker.CodeTimedOut, 2)
	code = ""
	if r := asked(d, o, "", 3); r.Kept.Supersedes == "" {
		t.Error("an answer does not say which refusal it takes the place of")
	}
	stop()
	newer := open(t, at, m, func(c *order.Config) { c.Program = "2" })
	work(t, newer, time.Second)
	o = take(t, newer, 480, set)
	if r := asked(newer, o, "", 4); r.Kept.Supersedes != first.ID {
		t.Errorf("a newer version's answer stands beside %q, want %s", r.Kept.Supersedes, first.ID)
	}
	asked(newer, o, "", 4)
}

// An answer that a refusal would take the place of stays the newest.
func TestARefusalTakesNoAnswersPlace(t *testing.T) {
	code := ""
	m := &measurer{do: func(context.Context, worker.Job) error {
		if code == "" {
			return nil
		}
		return &result.Refusal{Code: code}
	}}
	d := open(t, archive.Address{Folder: t.TempDir()}, m, nil)
	work(t, d, time.Second)
	o := take(t, d, 480, result.Settings{})
	good, err := ask(t.Context(), d, o)
	if err != nil {
		t.Fatal(err)
	}
	code, o.Supersedes = "cut_unclear", good.ID
	if _, err := ask(t.Context(), d, o); err == nil {
		t.Fatal("no refusal")
	}
	page, err := d.Store.Archive.Search(t.Context(), archive.Query{Sites: by.Sites, Newest: true})
	if err != nil || len(page.Items) != 2 || page.Items[0].Refusal != "cut_unclear" || page.Items[1].ID != good.ID {
		t.Errorf("%v: %+v", err, page.Items)
	}
}

// A database that is away when work begins is waited for.
func TestWorkBeginsWhenTheDatabaseIsBack(t *testing.T) {
	pg := conformance.StartPostgres(t)
	m := &measurer{}
	d := open(t, archive.Address{Database: pg.Database(t), Photos: t.TempDir()}, m, nil)
	o := take(t, d, 480, result.Settings{})
	pg.Stop(t)
	work(t, d, time.Second)
	time.Sleep(500 * time.Millisecond)
	if _, err := ask(t.Context(), d, o); !errors.Is(err, archive.Unavailable) {
		t.Errorf("asked while it is away: %v", err)
	}
	pg.Start(t)
	_, err := ask(t.Context(), d, o)
	for end := time.Now().Add(time.Minute); errors.Is(err, archive.Unavailable) && time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
		_, err = ask(t.Context(), d, o) // over a connection that had not noticed
	}
	if err != nil || m.times() != 1 {
		t.Errorf("asked when it is back: %v, measured %d times", err, m.times())
	}
}

// Faults reach whoever waits, at the process that made the order and at another.
func TestFaultsAreTold(t *testing.T) {
	at := archive.Address{Folder: t.TempDir()}
	m := &measurer{do: func(_ context.Context, job worker.Job) error {
		switch job.Settings.TrimMM {
		case 1:
			return &measure.UsageError{Setting: "camera", Message: "the profile is for another phone: calibrate"}
		case 2:
			panic("as asked")
		}
		return nil
	}}
	works, asks := open(t, at, m, nil), open(t, at, m, nil)
	work(t, works, time.Second)
	for i, d := range []*order.Desk{works, asks} {
		set := result.Settings{ToleranceMM: float64(i + 1), TrimMM: 1}
		_, err := ask(t.Context(), d, take(t, d, 480, set))
		var usage *measure.UsageError
		if !errors.As(err, &usage) || usage.Setting != "camera" || usage.Message != "the profile is for another phone: calibrate" {
			t.Errorf("a wrong setting, desk %d: %v", i, err)
		}
		set.TrimMM = 2
		if _, err := ask(t.Context(), d, take(t, d, 480, set)); err == nil || errors.As(err, &usage) || errors.Is(err, archive.Invalid) {
			t.Errorf("a fault, desk %d: %v", i, err)
		}
		set.TrimMM = 3
		o := take(t, d, 480, set)
		o.CardSet = "none of these"
		if _, err := ask(t.Context(), d, o); !errors.Is(err, archive.Invalid) {
			t.Errorf("a record that names nothing, desk %d: %v", i, err)
		}
	}
	if _, err := works.Take(t.Context(), by, store.Place{}, []measure.Input{{Name: "end.jpg", Data: blank(t, 480)}}, result.Settings{TrimMM: -1}, report.Options{}); err == nil {
		t.Error("a setting that makes no sense waits in the queue")
	}
}

func TestWhatIsNoPhotoIsNotKept(t *testing.T) {
	d := open(t, archive.Address{Folder: t.TempDir()}, &measurer{}, nil)
	whole := blank(t, 480)
	for code, data := range map[string][]byte{"empty_photo": {}, "not_a_photo": []byte("a text"), "truncated_photo": whole[:len(whole)/2], "too_small": blank(t, 3)} {
		_, err := d.Take(t.Context(), by, store.Place{}, []measure.Input{{Name: "x.jpg", Data: data}}, result.Settings{}, report.Options{})
		var refused *result.Refusal
		if !errors.As(err, &refused) || refused.Code != code || refused.Advice == "" || refused.Photo != "x.jpg" {
			t.Errorf("%s: %v", code, err)
		}
	}
	report, err := d.Store.Archive.Verify(t.Context(), archive.VerifyOptions{})
	if err != nil || report.Photos+report.Leftover != 0 {
		t.Errorf("%d photos and %d files are kept, %v", report.Photos, report.Leftover, err)
	}
}

// What names another site's card set or measurement, or a place that is none, is told so
// before a photo is kept, and an order that says so before it is queued.
func TestWhatCannotBeKeptIsRefusedAtOnce(t *testing.T) {
	m := &measurer{}
	d := open(t, archive.Address{Folder: t.TempDir()}, m, nil) // whose queue nobody works on
	a := d.Store.Archive
	ours, theirs := conformance.NewPlant(t, a, "Kestrel Hollow"), conformance.NewPlant(t, a, "Kestrel Hollow Grain")
	first, foreign := conformance.Measured(t, a, ours, nil), conformance.Measured(t, a, theirs, nil)
	before, err := a.Verify(t.Context(), archive.VerifyOptions{})
	if err != nil {
		t.Fatal(err)
	}
	here := store.Person{Actor: by.Actor, Sites: archive.SomeSites(ours.Site.ID)}
	good := store.Place{Joint: ours.Joint.ID, End: archive.Leading, Step: archive.StepCut, CardSet: ours.Cards.ID, Supersedes: first.ID}
	for what, c := range map[string]struct {
		field  string
		change func(*store.Place)
	}{
		"a card set of another site":    {"card-set:", func(p *store.Place) { p.CardSet = theirs.Cards.ID }},
		"a card set that is nowhere":    {"card-set:", func(p *store.Place) { p.CardSet = archive.NewID() }},
		"a measurement of another site": {"supersedes:", func(p *store.Place) { p.Supersedes = foreign.ID }},
		"a measurement that is nowhere": {"supersedes:", func(p *store.Place) { p.Supersedes = archive.NewID() }},
		"a step that there is not":      {"step:", func(p *store.Place) { p.Step = "glued" }},
		"an end that there is not":      {"end:", func(p *store.Place) { p.End = "left" }},
		"a note without end":            {"note:", func(p *store.Place) { p.Note = strings.Repeat("n", 4001) }},
	} {
		place := good
		c.change(&place)
		_, err := d.Take(t.Context(), here, place, []measure.Input{input(t, 480)}, result.Settings{}, report.Options{})
		if !errors.Is(err, archive.Invalid) || !strings.HasPrefix(archive.Message(err), c.field) {
			t.Errorf("%s: %v", what, err)
		}
		_, err = ask(t.Context(), d, order.Order{By: by.Actor, Joint: place.Joint, End: place.End, Step: place.Step, Person: by.Name, CardSet: place.CardSet, Note: place.Note,
			Supersedes: place.Supersedes, Photos: first.Files})
		if !errors.Is(err, archive.Invalid) || !strings.HasPrefix(archive.Message(err), c.field) {
			t.Errorf("%s, asked for: %v", what, err)
		}
	}
	n, err := d.Queue.Length(t.Context())
	after, failed := a.Verify(t.Context(), archive.VerifyOptions{})
	if err != nil || failed != nil || n != 0 || m.times() != 0 || after.Photos != before.Photos || after.Head != before.Head {
		t.Errorf("%d wait, %d were measured, %d photos were kept; %v, %v", n, m.times(), after.Photos-before.Photos, err, failed)
	}
	work(t, d, time.Second)
	o, err := d.Take(t.Context(), here, good, []measure.Input{input(t, 480)}, result.Settings{}, report.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if r, err := ask(t.Context(), d, o); err != nil || r.Kept.Supersedes != first.ID || r.Kept.CardSet != ours.Cards.ID {
		t.Errorf("the own: %+v, %v", r.Kept, err)
	}
}
