// Package queue holds the measurements that are asked for and not made yet. It is
// River (riverqueue.com) on either of the archive's databases: in PostgreSQL beside
// the records, or in queue.db of the data folder. Any number of processes may put
// jobs in and work them off.
//
// A job is worked at least once: what a killed process leaves goes back to the
// queue, at once where no other process works on it, else when the job's time is
// over. Its ID is that of the measurement to be, and Archive.AddMeasurement answers
// Conflict to the second with one ID; a job that ends with Conflict is done. So
// nothing is measured twice into the archive.
package queue

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"path/filepath"
	"sync/atomic"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/riverqueue/river"
	"github.com/riverqueue/river/riverdriver"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
	"github.com/riverqueue/river/riverdriver/riversqlite"
	"github.com/riverqueue/river/rivermigrate"
	"github.com/riverqueue/river/rivertype"
	_ "modernc.org/sqlite" // the driver "sqlite"

	"beltend/server/archive"
)

// Job is one measurement that is asked for.
type Job struct {
	ID      string          `json:"id" river:"unique"` // of the measurement to be, from archive.NewID
	Payload json.RawMessage `json:"payload"`           // what the service needs to make it
}

// Kind is River's name for the job.
func (Job) Kind() string { return "measure" }

// Config of a queue.
type Config struct {
	At       archive.Address
	Timeout  time.Duration // of one job; longer, and it is taken away and tried again
	Attempts int           // until a job counts as failed; 0: 5
	Log      *slog.Logger  // of the queue's own troubles, no job's content; nil: none
}

// State is how far a job is.
type State string

// The states.
const (
	Waiting State = "waiting"
	Running State = "running"
	Done    State = "done"
	Failed  State = "failed"
)

// Queue is an open queue.
type Queue interface {
	// Put puts a job in, durably, and gives its ticket for State. The same ID
	// again is the same job while that waits or runs.
	Put(ctx context.Context, j Job) (ticket int64, err error)
	// Work calls do for each job, in so many goroutines, until ctx is done; then it
	// takes no more, lets those under way end within grace, and puts the others back. An
	// error of do of the kind archive.Conflict, or none, ends the job; archive.Invalid fails
	// it at once; archive.Unavailable, archive.Full, and context.Canceled, put it back as if
	// it had not been tried; any other puts it back until it was tried often enough.
	Work(ctx context.Context, workers int, grace time.Duration, do func(ctx context.Context, j Job) error) error
	// State says how far a job is, and why it failed. archive.NotFound: it was done or
	// failed more than a day ago. archive.Full: it waits, and there is no room to begin it.
	State(ctx context.Context, ticket int64) (State, string, error)
	// Length is the number of jobs that wait or run.
	Length(ctx context.Context) (int, error)
	Close() error
}

// Open opens the archive's queue and brings its tables up to date.
func Open(ctx context.Context, c Config) (Queue, error) {
	if c.Timeout <= 0 {
		return nil, errors.New("a queue needs the time that one job may take")
	}
	if c.Attempts == 0 {
		c.Attempts = 5
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	if c.At.Database != "" {
		return openPostgres(ctx, c)
	}
	return openSQLite(ctx, c)
}

func openPostgres(ctx context.Context, c Config) (Queue, error) {
	pool, err := pgxpool.New(ctx, c.At.Database)
	if err != nil {
		return nil, errors.New("the database address cannot be read; it looks like postgres://user@host/name") // the cause may hold a password
	}
	q := &queue[pgx.Tx]{Config: c, driver: riverpgxv5.New(pool), poll: time.Second, close: func() error { pool.Close(); return nil }}
	q.count = func(ctx context.Context) (n int, err error) {
		return n, pool.QueryRow(ctx, countOpen).Scan(&n)
	}
	q.join = func(ctx context.Context) (func(), error) { return joinPostgres(ctx, pool) }
	return q, q.begin(ctx)
}

func openSQLite(ctx context.Context, c Config) (Queue, error) {
	file, err := filepath.Abs(filepath.Join(c.At.Folder, "queue.db"))
	if err != nil {
		return nil, err
	}
	if err := archive.PrivateDatabase(file); err != nil {
		return nil, err
	}
	u := url.URL{Scheme: "file", Path: filepath.ToSlash(file), RawQuery: "_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_pragma=busy_timeout(15000)&_txlock=immediate"}
	db, err := sql.Open("sqlite", u.String())
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1) // as River asks for with SQLite
	q := &queue[*sql.Tx]{Config: c, driver: riversqlite.New(db), poll: 250 * time.Millisecond, close: db.Close}
	q.count = func(ctx context.Context) (n int, err error) {
		return n, db.QueryRowContext(ctx, countOpen).Scan(&n)
	}
	q.join = func(ctx context.Context) (func(), error) {
		return joinFolder(file+".lock", func() error { _, err := db.ExecContext(ctx, putBack); return err })
	}
	return q, q.begin(ctx)
}

const countOpen = "SELECT COUNT(*) FROM river_job WHERE state IN ('available', 'pending', 'retryable', 'running', 'scheduled')"

// queue is a Queue on one of River's drivers.
type queue[TTx any] struct {
	Config
	driver riverdriver.Driver[TTx]
	client *river.Client[TTx]                // to put jobs in with
	works  atomic.Pointer[river.Client[TTx]] // at them, if this process does; it takes what it puts in at once
	poll   time.Duration
	count  func(ctx context.Context) (int, error)
	// join holds this process's place among those that work, until leave. Where it is
	// the only one, jobs said to be running are a killed process's, and are put back.
	join  func(ctx context.Context) (leave func(), err error)
	close func() error
}

func (q *queue[TTx]) begin(ctx context.Context) error {
	err := func() error {
		m, err := rivermigrate.New(q.driver, &rivermigrate.Config{Logger: q.Log})
		if err != nil {
			return err
		}
		if _, err := m.Migrate(ctx, rivermigrate.DirectionUp, nil); err != nil {
			return unavailable("bring the queue's tables up to date", err)
		}
		q.client, err = river.NewClient(q.driver, &river.Config{Logger: q.Log, MaxAttempts: q.Attempts})
		return err
	}()
	if err != nil {
		return errors.Join(err, q.close())
	}
	return nil
}

// unavailable keeps the cause for the log and tells the person to try again, or that
// the disk is full.
func unavailable(doing string, err error) error {
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	if full := archive.Explain(err); errors.Is(full, archive.Full) {
		return fmt.Errorf("%s: %w", doing, full)
	}
	return &archive.Error{Kind: archive.Unavailable, Message: "The queue does not answer. Try again in a moment", Cause: fmt.Errorf("%s: %w", doing, err)}
}

// open are the states of a job that is still to be done.
var open = []rivertype.JobState{rivertype.JobStateAvailable, rivertype.JobStatePending, rivertype.JobStateRetryable, rivertype.JobStateRunning, rivertype.JobStateScheduled}

func (q *queue[TTx]) Put(ctx context.Context, j Job) (ticket int64, err error) {
	err = persist(ctx, func() error {
		client := q.client
		if works := q.works.Load(); works != nil {
			client = works
		}
		r, err := client.Insert(ctx, j, &river.InsertOpts{MaxAttempts: q.Attempts, UniqueOpts: river.UniqueOpts{ByArgs: true, ByState: open}})
		if err == nil {
			ticket = r.Job.ID
		}
		return err
	})
	if err != nil {
		return 0, unavailable("put a job in", err)
	}
	return ticket, nil
}

// persist tries what may be done again, at once: the connections that were kept may
// have ended with the database's last restart.
func persist(ctx context.Context, do func() error) error {
	var err error
	for range 5 {
		if err = do(); err == nil || errors.Is(err, river.ErrNotFound) || ctx.Err() != nil {
			return err
		}
	}
	return err
}

// worker hands River's jobs to the service.
type worker struct {
	river.WorkerDefaults[Job]
	do func(ctx context.Context, j Job) error
}

func (w *worker) Work(ctx context.Context, j *river.Job[Job]) error {
	err := w.do(ctx, j.Args)
	switch {
	case errors.Is(err, archive.Conflict):
		return nil // somebody has done it already
	case errors.Is(err, archive.Invalid):
		return river.JobCancel(err)
	case errors.Is(err, archive.Unavailable), errors.Is(err, archive.Full):
		return river.JobSnooze(awayTime)
	case errors.Is(err, context.Canceled): // the process is being stopped
		return river.JobSnooze(0)
	}
	return err
}

const (
	beginning  = 1 << 20               // bytes on the disk, many times what it takes to note that a job begins
	fetchPause = 20 * time.Millisecond // between two looks for jobs
	awayTime   = 3 * time.Second       // until a job is tried again whose database or photo store was away, or full
	retryMost  = 30 * time.Second      // between two tries after a fault: 2 s, 4 s and so on
)

func (w *worker) NextRetry(j *river.Job[Job]) time.Time {
	return time.Now().Add(min(retryMost, time.Second<<min(j.Attempt, 5)))
}

func (q *queue[TTx]) Work(ctx context.Context, workers int, grace time.Duration, do func(ctx context.Context, j Job) error) error {
	all := river.NewWorkers()
	if err := river.AddWorkerSafely(all, &worker{do: do}); err != nil {
		return err
	}
	client, err := river.NewClient(q.driver, &river.Config{
		Logger: q.Log, Workers: all, MaxAttempts: q.Attempts, JobTimeout: q.Timeout, FetchPollInterval: q.poll, FetchCooldown: fetchPause,
		Queues: map[string]river.QueueConfig{river.QueueDefault: {MaxWorkers: workers}},
		// A job that runs longer than it may belongs to a process that died.
		RescueStuckJobsAfter: q.Timeout + 30*time.Second,
	})
	if err != nil {
		return err
	}
	running := context.WithoutCancel(ctx) // stopped below, not by ctx
	leave, err := q.join(running)
	if err != nil {
		return unavailable("look who works", err)
	}
	defer leave()
	if err := client.Start(running); err != nil { // it does not run then
		return unavailable("start work", err)
	}
	q.works.Store(client)
	<-ctx.Done()
	q.works.Store(nil)
	soft, cancel := context.WithTimeout(running, grace)
	defer cancel()
	if client.Stop(soft) == nil {
		return nil
	}
	hard, cancel := context.WithTimeout(running, 10*time.Second)
	defer cancel()
	return client.StopAndCancel(hard)
}

func (q *queue[TTx]) State(ctx context.Context, ticket int64) (State, string, error) {
	var j *rivertype.JobRow
	err := persist(ctx, func() (err error) { j, err = q.client.JobGet(ctx, ticket); return err })
	if errors.Is(err, river.ErrNotFound) {
		return "", "", &archive.Error{Kind: archive.NotFound, Message: "There is no such job any more."}
	}
	if err != nil {
		return "", "", unavailable("look at a job", err)
	}
	why := ""
	if n := len(j.Errors); n > 0 {
		why = j.Errors[n-1].Error
	}
	switch j.State {
	case rivertype.JobStateCompleted:
		return Done, "", nil
	case rivertype.JobStateCancelled, rivertype.JobStateDiscarded:
		return Failed, why, nil
	case rivertype.JobStateRunning:
		return Running, why, nil
	}
	if q.At.Folder != "" {
		if free, known := archive.Free(q.At.Folder); known && free < beginning {
			return Waiting, why, &archive.Error{Kind: archive.Full, Message: "There is no room left on the disk to begin a measurement"}
		}
	}
	return Waiting, why, nil
}

func (q *queue[TTx]) Length(ctx context.Context) (int, error) {
	n := 0
	err := persist(ctx, func() (err error) { n, err = q.count(ctx); return err })
	if err != nil {
		return 0, unavailable("count the jobs", err)
	}
	return n, nil
}

func (q *queue[TTx]) Close() error { return q.close() }
