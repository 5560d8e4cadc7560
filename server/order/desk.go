package order

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"time"

	"beltend/geometry"
	"beltend/server/archive"
	"beltend/server/archive/queue"
	"beltend/server/measure"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/server/store"
	"beltend/server/worker"
)

// Measurer measures one job; *worker.Pool is one.
type Measurer interface {
	Run(ctx context.Context, job worker.Job, progress measure.Progress) (worker.Answer, error)
}

// Config of a desk.
type Config struct {
	Store    *store.Store
	Queue    queue.Queue
	Measurer Measurer
	Program  string        // version, written into every measurement
	Workers  int           // measurements made here at the same time
	Limit    int           // measurements that may wait or be made, of all processes
	Wait     time.Duration // how long an answer is waited for; 0: 2 minutes
	Log      *slog.Logger
}

const (
	longestWait = 2 * time.Minute
	queueTime   = 5 * time.Second // for the queue to say how long it is
	lookAgain   = time.Second     // at an order that another process may be making
	firstGuess  = 3 * time.Second // of the time one measurement takes
)

// Desk takes orders and makes those of the queue. It is safe for many goroutines.
type Desk struct {
	Config

	places   sync.Mutex // held while the queue is asked how many there are
	reserved int        // places taken and not put into the queue yet

	mu       sync.Mutex
	making   map[string]bool
	waiting  map[string][]*waiter // by order
	took     time.Duration        // of a measurement lately
	stopping chan struct{}
}

// waiter waits for an order.
type waiter struct {
	steps chan step
	ended chan error // the order's end here: nil, or what no other process could tell as well
}

type step struct {
	name string
	done float64
}

// New makes a desk; Work makes the orders.
func New(c Config) *Desk {
	if c.Wait == 0 {
		c.Wait = longestWait
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	return &Desk{Config: c, making: map[string]bool{}, waiting: map[string][]*waiter{}, took: firstGuess, stopping: make(chan struct{})}
}

// Reserve takes a place in the queue before photos are read, so that nobody sends
// photos in vain; *worker.Busy where there is none, archive.Full where the disk is.
// release may be called twice.
func (d *Desk) Reserve(ctx context.Context) (release func(), err error) {
	if err := d.Store.Archive.Room(); err != nil {
		return nil, err
	}
	d.places.Lock()
	defer d.places.Unlock()
	asking, cancel := context.WithTimeout(ctx, queueTime)
	defer cancel()
	n, err := d.Queue.Length(asking)
	if errors.Is(err, context.DeadlineExceeded) && ctx.Err() == nil {
		err = &archive.Error{Kind: archive.Unavailable, Message: "The queue does not answer. Try again in a moment", Cause: err}
	}
	if err != nil {
		return nil, err
	}
	if n+d.reserved >= d.Limit {
		return nil, &worker.Busy{RetryAfter: d.until(n / 2)}
	}
	d.reserved++
	return sync.OnceFunc(func() {
		d.places.Lock()
		d.reserved--
		d.places.Unlock()
	}), nil
}

// Ready says whether the queue answers.
func (d *Desk) Ready(ctx context.Context) error {
	_, err := d.Queue.Length(ctx)
	return err
}

// until is about how long so many measurements take here.
func (d *Desk) until(n int) time.Duration {
	d.mu.Lock()
	defer d.mu.Unlock()
	return max(time.Second, d.took*time.Duration(n)/time.Duration(max(1, d.Workers)))
}

// Ask puts an order into the queue, unless it was made before or cannot be kept where it
// says it belongs, and waits for it.
// release, from Reserve, is called when it is there. A refusal comes as *result.Refusal
// beside its record; where ctx ends, or *Late is returned, the order stays in the queue.
func (d *Desk) Ask(ctx context.Context, o Order, release func(), progress measure.Progress) (store.Record, error) {
	defer release()
	o, id, r, err := d.find(ctx, o)
	if err != nil || r.ID != "" {
		return r, err
	}
	if err := d.Store.Archive.Fits(ctx, o.measurement(id)); err != nil { // once more when it is measured
		return r, err
	}
	payload, err := json.Marshal(o)
	if err != nil {
		return r, fmt.Errorf("write an order: %w", err)
	}
	w := d.wait(id)
	defer d.leave(id, w)
	ticket, err := d.Queue.Put(ctx, queue.Job{ID: id, Payload: payload})
	if err != nil {
		return r, err
	}
	release()
	if err := d.await(ctx, id, ticket, w, progress); err != nil {
		if errors.Is(err, archive.Full) {
			err = &archive.Error{Kind: archive.Full, Message: "There is no room left on the disk. The photos are kept, and measured when there is: make room, then send the same again", Cause: err}
		}
		return r, err
	}
	if r, err = d.kept(ctx, id); errors.Is(err, archive.NotFound) {
		err = &archive.Error{Kind: archive.Unavailable, Message: "The measurement was lost on its way. Send the photos again"}
	}
	r.Inches, r.Lang = o.Inches, o.Lang
	return r, err
}

// find gives the record of an order made before. A refusal that came of the moment, or
// of another version of the program, is no answer: the order is then made again.
func (d *Desk) find(ctx context.Context, o Order) (Order, string, store.Record, error) {
	for {
		id, err := o.ID()
		if err != nil {
			return o, id, store.Record{}, err
		}
		r, err := d.kept(ctx, id)
		var refused *result.Refusal
		switch {
		case errors.Is(err, archive.NotFound):
			return o, id, store.Record{}, nil
		case errors.As(err, &refused) && (refused.Code == worker.CodeTimedOut || r.Measurement.Program != d.Program):
			o.Supersedes = id // with which it has another ID
		default:
			r.Inches, r.Lang = o.Inches, o.Lang
			return o, id, r, err
		}
	}
}

// kept is the measurement with this ID; a refused one comes with its refusal.
func (d *Desk) kept(ctx context.Context, id string) (store.Record, error) {
	r, err := d.Store.Get(ctx, archive.AllSites(), id)
	if err == nil && r.Measurement.Refused != nil {
		err = r.Measurement.Refused
	}
	return r, err
}

func (d *Desk) wait(id string) *waiter {
	w := &waiter{steps: make(chan step, 16), ended: make(chan error, 1)}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.waiting[id] = append(d.waiting[id], w)
	return w
}

func (d *Desk) leave(id string, w *waiter) {
	d.mu.Lock()
	defer d.mu.Unlock()
	var others []*waiter
	for _, one := range d.waiting[id] {
		if one != w {
			others = append(others, one)
		}
	}
	if d.waiting[id] = others; len(others) == 0 {
		delete(d.waiting, id)
	}
}

// await returns when the order was made, here or elsewhere.
func (d *Desk) await(ctx context.Context, id string, ticket int64, w *waiter, progress measure.Progress) error {
	look, limit := time.NewTicker(lookAgain), time.NewTimer(d.Wait)
	defer look.Stop()
	defer limit.Stop()
	stopping := d.stopping
	for {
		select {
		case s := <-w.steps:
			if progress != nil {
				progress(s.name, s.done)
			}
		case err := <-w.ended:
			return err
		case <-look.C:
			if d.here(id) {
				continue
			}
			state, why, err := d.Queue.State(ctx, ticket)
			switch {
			case errors.Is(err, archive.Unavailable): // it may come back while somebody waits
			case errors.Is(err, archive.NotFound):
				return nil
			case err != nil:
				return err
			case state == queue.Done:
				return nil
			case state == queue.Failed:
				return failed(why)
			}
		case <-stopping:
			if !d.here(id) {
				return worker.ErrClosed
			}
			stopping = nil // its end is told
		case <-limit.C:
			n, err := d.Queue.Length(ctx)
			if err != nil {
				return err
			}
			return &Late{RetryAfter: d.until(n)}
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// here says whether this process is making the order.
func (d *Desk) here(id string) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.making[id]
}

// Work makes orders of the queue until ctx is done, also where that is away when it
// begins. Those under way at the end may end within grace, or go back to the queue.
func (d *Desk) Work(ctx context.Context, grace time.Duration) error {
	stop := context.AfterFunc(ctx, func() { close(d.stopping) })
	defer stop()
	for {
		err := d.Queue.Work(ctx, d.Workers, grace, d.work)
		if ctx.Err() != nil || !errors.Is(err, archive.Unavailable) {
			return err
		}
		d.Log.Error("work on the queue cannot begin; it is tried again", "error", err)
		select {
		case <-ctx.Done():
		case <-time.After(lookAgain):
		}
	}
}

// work makes one order and tells those who wait here.
func (d *Desk) work(ctx context.Context, j queue.Job) error {
	d.mu.Lock()
	d.making[j.ID] = true
	d.mu.Unlock()
	began := time.Now()
	err := d.safely(ctx, j)
	d.mu.Lock()
	defer d.mu.Unlock()
	delete(d.making, j.ID)
	if err == nil {
		d.took = (3*d.took + time.Since(began)) / 4
	} else if ctx.Err() == nil {
		d.Log.Error("a measurement failed", "id", j.ID, "error", err)
	}
	for _, w := range d.waiting[j.ID] {
		switch {
		case err == nil:
			w.ended <- nil
		case errors.Is(err, archive.Invalid):
			w.ended <- failed(err.Error())
		case errors.Is(err, archive.Full): // the queue cannot note it either
			w.ended <- err
		case ctx.Err() != nil: // stopped
			w.ended <- worker.ErrClosed
		}
	}
	return err
}

// safely is make with a panic as its error.
func (d *Desk) safely(ctx context.Context, j queue.Job) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("panic: %v", p)
		}
	}()
	return d.make(ctx, j)
}

// make measures an order and keeps what came of it.
func (d *Desk) make(ctx context.Context, j queue.Job) error {
	var o Order
	if err := json.Unmarshal(j.Payload, &o); err != nil {
		return &archive.Error{Kind: archive.Invalid, Message: "An order in the queue cannot be read", Cause: err}
	}
	switch _, err := d.Store.Archive.Measurement(ctx, archive.AllSites(), j.ID); {
	case err == nil:
		return nil // whoever made it ended before the queue knew
	case !errors.Is(err, archive.NotFound):
		return err
	}
	joint, err := d.Store.Archive.Joint(ctx, archive.AllSites(), o.Joint)
	if err != nil {
		return err
	}
	job := worker.Job{Settings: o.Settings, Inches: o.Inches, Lang: o.Lang}
	for _, p := range o.Photos {
		data, _, err := d.Store.Archive.ReadPhoto(ctx, archive.SomeSites(joint.Site), p.SHA256)
		if errors.Is(err, archive.Removed) {
			return &archive.Error{Kind: archive.Invalid, Message: invalidPrefix + invalidText(err)}
		}
		if err != nil {
			return err
		}
		job.Photos = append(job.Photos, measure.Input{Name: p.Name, Data: data})
	}
	answer, err := d.run(ctx, job, func(name string, done float64) { d.tell(j.ID, step{name, done}) })
	var refused *result.Refusal
	var usage *measure.UsageError
	switch {
	case errors.As(err, &refused):
		answer = worker.Answer{Measurement: &result.Measurement{Schema: result.Schema, Refused: refused, Warnings: []result.Warning{}, Settings: &o.Settings, Method: measure.Method}}
		var doubt *result.Doubt
		if errors.As(err, &doubt) {
			answer.Measurement.Image = doubt.Image
		}
	case errors.As(err, &usage):
		return &archive.Error{Kind: archive.Invalid, Message: usagePrefix + asText(usage)}
	case errors.Is(err, worker.ErrClosed):
		return context.Canceled
	case err != nil:
		return err
	}
	answer.Measurement.Program = d.Program
	m := o.measurement(j.ID)
	if refused != nil { // which takes no answer's place
		m.Supersedes = ""
	}
	drawn := make([]store.File, len(answer.Pictures))
	for i, p := range answer.Pictures {
		drawn[i] = store.File(p)
	}
	_, err = d.Store.Put(ctx, o.By, m, o.Reason, answer.Measurement, report.Options{Inches: o.Inches, Lang: o.Lang}, drawn)
	switch {
	case errors.Is(err, archive.Conflict):
		return nil // another process made it meanwhile
	case errors.Is(err, archive.Invalid):
		return &archive.Error{Kind: archive.Invalid, Message: invalidPrefix + invalidText(err)}
	}
	return err
}

// run measures as soon as a worker is free.
func (d *Desk) run(ctx context.Context, job worker.Job, progress measure.Progress) (worker.Answer, error) {
	for {
		a, err := d.Measurer.Run(ctx, job, progress)
		if err == nil && a.Measurement.Refused != nil {
			err = a.Measurement.Refused
		}
		var busy *worker.Busy
		if !errors.As(err, &busy) {
			return a, err
		}
		select {
		case <-ctx.Done():
			return a, ctx.Err()
		case <-time.After(200 * time.Millisecond):
		}
	}
}

func (d *Desk) tell(id string, s step) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, w := range d.waiting[id] {
		select {
		case w.steps <- s:
		default: // nobody reads fast enough; the next step tells more
		}
	}
}

// What only the photos, or the record, show to be wrong goes through the queue as text.
const (
	usagePrefix, usageBetween = "wrong setting ", ": "
	invalidPrefix             = "invalid order: "
)

func asText(e *measure.UsageError) string {
	b, err := json.Marshal(e)
	if err != nil { // a value that JSON has not, infinity
		return e.Setting + usageBetween + e.Message
	}
	return string(b)
}

// invalidText is what is wrong with a record, as JSON.
func invalidText(err error) string {
	var e *archive.Error
	if !errors.As(err, &e) {
		return ""
	}
	b, err := json.Marshal(invalid{e.Message, e.Field, e.Code, e.Values})
	if err != nil { // a value that JSON has not, infinity
		return e.Message
	}
	return string(b)
}

type invalid struct {
	Message string
	Field   string          `json:",omitempty"`
	Code    string          `json:",omitempty"`
	Values  geometry.Values `json:",omitempty"`
}

// failed is why an order failed, from the queue's text.
func failed(why string) error {
	if _, usage, ok := strings.Cut(why, usagePrefix); ok {
		var coded measure.UsageError
		if json.Unmarshal([]byte(usage), &coded) == nil {
			return &coded
		}
		name, text, _ := strings.Cut(usage, usageBetween) // queued before there were codes
		return &measure.UsageError{Setting: name, Message: text}
	}
	if _, message, ok := strings.Cut(why, invalidPrefix); ok {
		var i invalid
		if json.Unmarshal([]byte(message), &i) != nil { // queued before there were codes
			i.Message = message
		}
		return &archive.Error{Kind: archive.Invalid, Message: i.Message, Field: i.Field, Code: i.Code, Values: i.Values}
	}
	return errors.New("an order failed: " + why)
}
