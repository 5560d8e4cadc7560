package worker

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os/exec"
	"sync"
	"time"

	"beltend/server/measure"
	"beltend/server/result"
)

// Config of a pool.
type Config struct {
	Command  []string      // program and arguments of a worker
	Env      []string      // added to this process's environment
	Workers  int           // jobs measured at the same time
	Queue    int           // jobs that may wait for a worker
	Deadline time.Duration // of one job, from when a worker takes it
	Log      *slog.Logger
}

// Validate names the first setting that makes no sense.
func (c *Config) Validate() error {
	switch {
	case len(c.Command) == 0:
		return errors.New("workers: no command is given")
	case c.Workers < 1:
		return fmt.Errorf("workers: %d workers are none", c.Workers)
	case c.Queue < 0:
		return fmt.Errorf("queue: %d is below 0", c.Queue)
	case c.Deadline <= 0:
		return fmt.Errorf("deadline: %v is not above 0", c.Deadline)
	}
	return nil
}

// Pool hands jobs to worker processes. It is safe for many goroutines.
type Pool struct {
	cfg    Config
	slots  chan *process // nil: a worker to be started when needed
	places chan struct{} // one for each job measured or waiting
	closed chan struct{}
	once   sync.Once
}

// New makes a pool; workers start when jobs come.
func New(cfg Config) (*Pool, error) {
	if err := cfg.Validate(); err != nil {
		return nil, err
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	p := &Pool{
		cfg:    cfg,
		slots:  make(chan *process, cfg.Workers),
		places: make(chan struct{}, cfg.Workers+cfg.Queue),
		closed: make(chan struct{}),
	}
	for range cfg.Workers {
		p.slots <- nil
	}
	return p, nil
}

// Run measures one job, waiting for a free worker where the queue has room.
// Its error is a *result.Refusal, a *measure.UsageError, a *Busy, ErrClosed,
// the context's, or a fault.
func (p *Pool) Run(ctx context.Context, job Job, progress measure.Progress) (Answer, error) {
	select {
	case p.places <- struct{}{}:
		defer func() { <-p.places }()
	default:
		return Answer{}, &Busy{RetryAfter: p.cfg.Deadline / 4}
	}
	var w *process
	select {
	case <-p.closed:
		return Answer{}, ErrClosed
	case <-ctx.Done():
		return Answer{}, ctx.Err()
	case w = <-p.slots:
	}
	defer func() { p.slots <- w }()
	select {
	case <-p.closed: // both were ready
		return Answer{}, ErrClosed
	default:
	}
	if w != nil && w.ended() {
		p.cfg.Log.Warn("an idle worker ended", "pid", w.cmd.Process.Pid)
		w = nil
	}
	if w == nil {
		started, err := p.start(ctx)
		if err != nil {
			return Answer{}, err
		}
		w = started
	}
	answer, err := p.measure(ctx, w, job, progress)
	if w.spoilt {
		w.kill()
		w = nil
	}
	return answer, err
}

// measure does one job on a worker, which is spoilt unless the job came to its
// proper end.
func (p *Pool) measure(ctx context.Context, w *process, job Job, progress measure.Progress) (Answer, error) {
	type event struct {
		step   *reply // or the end:
		answer Answer
		err    error
	}
	w.spoilt = true
	events := make(chan event)
	stop := make(chan struct{})
	defer close(stop)
	tell := func(e event) {
		select {
		case events <- e:
		case <-stop:
		}
	}
	go func() {
		a, err := w.exchange(job, func(r reply) { tell(event{step: &r}) })
		tell(event{answer: a, err: err})
	}()
	timer := time.NewTimer(p.cfg.Deadline)
	defer timer.Stop()
	for {
		select {
		case e := <-events:
			if e.step != nil {
				if progress != nil {
					progress(e.step.Step, e.step.Done)
				}
				continue
			}
			var broken *brokenError
			if errors.As(e.err, &broken) {
				select { // let it die by itself, so that the log says how
				case <-w.gone:
				case <-time.After(2 * time.Second):
				}
				w.kill()
				p.cfg.Log.Error("a worker broke down", "pid", w.cmd.Process.Pid, "state", w.state(), "error", broken.err)
				return Answer{}, crashed(job)
			}
			// A fault may have left the process short of memory or in disorder.
			var refused *result.Refusal
			var usage *measure.UsageError
			w.spoilt = e.err != nil && !errors.As(e.err, &refused) && !errors.As(e.err, &usage)
			return e.answer, e.err
		case <-timer.C:
			p.cfg.Log.Error("a worker took too long", "pid", w.cmd.Process.Pid, "deadline", p.cfg.Deadline)
			return Answer{}, timedOut(job, p.cfg.Deadline)
		case <-ctx.Done():
			return Answer{}, ctx.Err()
		case <-p.closed:
			return Answer{}, ErrClosed
		}
	}
}

// Close ends all workers; jobs under way get ErrClosed.
func (p *Pool) Close() {
	p.once.Do(func() {
		close(p.closed)
		for range p.cfg.Workers {
			if w := <-p.slots; w != nil {
				w.kill()
			}
		}
		for range p.cfg.Workers {
			p.slots <- nil
		}
	})
}

// process is one running worker.
type process struct {
	cmd    *exec.Cmd
	in     io.WriteCloser
	out    *bufio.Reader
	gone   chan struct{} // closed when the process has ended
	spoilt bool
}

// brokenError means that the worker itself failed, not the job.
type brokenError struct{ err error }

func (e *brokenError) Error() string { return e.err.Error() }

// readyTime is how long a worker may take to start.
const readyTime = 30 * time.Second

func (p *Pool) start(ctx context.Context) (*process, error) {
	cmd := exec.Command(p.cfg.Command[0], p.cfg.Command[1:]...)
	cmd.Env = append(cmd.Environ(), p.cfg.Env...)
	cmd.Stderr = &logWriter{log: p.cfg.Log}
	in, err := cmd.StdinPipe()
	if err != nil {
		return nil, fmt.Errorf("start a worker: %w", err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, fmt.Errorf("start a worker: %w", err)
	}
	if err := cmd.Start(); err != nil {
		return nil, fmt.Errorf("start a worker: %w", err)
	}
	w := &process{cmd: cmd, in: in, out: bufio.NewReader(out), gone: make(chan struct{})}
	ready := make(chan error, 1)
	go func() {
		var r reply
		err := readFrame(w.out, &r)
		if err == nil && !r.Ready {
			err = errors.New("it is not ready")
		}
		ready <- err
	}()
	// Wait closes the pipe, so a dying worker's last words are lost; they go to
	// standard error, which Wait reads to its end.
	go func() {
		_ = cmd.Wait()
		close(w.gone)
	}()
	timer := time.NewTimer(readyTime)
	defer timer.Stop()
	select {
	case err = <-ready:
	case <-timer.C:
		err = fmt.Errorf("it is not ready after %v", readyTime)
	case <-ctx.Done():
		err = ctx.Err()
	}
	if err != nil {
		w.kill()
		return nil, fmt.Errorf("start a worker: %w", err)
	}
	return w, nil
}

func (w *process) exchange(job Job, step func(reply)) (Answer, error) {
	h := jobHeader{Settings: job.Settings, Inches: job.Inches, Lang: job.Lang, Draw: job.Draw, Window: job.Window, Hooks: job.Hooks}
	var data [][]byte
	for _, f := range job.Photos {
		h.Photos = append(h.Photos, fileHeader{f.Name, len(f.Data)})
		data = append(data, f.Data)
	}
	if err := writeFrame(w.in, h, data...); err != nil {
		return Answer{}, &brokenError{err}
	}
	for {
		var r reply
		if err := readFrame(w.out, &r); err != nil {
			return Answer{}, &brokenError{err}
		}
		switch {
		case r.Measurement != nil || r.Hooks != nil:
			files, err := readFiles(w.out, r.Pictures)
			if err != nil {
				return Answer{}, &brokenError{err}
			}
			a := Answer{Measurement: r.Measurement, Hooks: r.Hooks}
			for i, f := range files {
				a.Pictures = append(a.Pictures, File{r.Pictures[i].Name, f})
			}
			return a, nil
		case r.Refused != nil && r.Doubt != nil:
			return Answer{}, &result.Doubt{Refusal: r.Refused, Image: r.Doubt}
		case r.Refused != nil:
			return Answer{}, r.Refused
		case r.Usage != nil:
			return Answer{}, r.Usage
		case r.Fault != "":
			return Answer{}, errors.New(r.Fault)
		default:
			step(r)
		}
	}
}

func (w *process) ended() bool {
	select {
	case <-w.gone:
		return true
	default:
		return false
	}
}

// kill ends the process and waits until it has gone.
func (w *process) kill() {
	w.in.Close()
	_ = w.cmd.Process.Kill()
	<-w.gone
}

// state is how the process ended; only after kill.
func (w *process) state() string { return w.cmd.ProcessState.String() }

// logWriter passes a worker's standard error to the log, bounded.
type logWriter struct {
	log  *slog.Logger
	seen int
}

const maxWorkerLog = 64 << 10 // bytes a worker may log in its life

func (l *logWriter) Write(b []byte) (int, error) {
	if l.seen < maxWorkerLog {
		l.log.Warn("worker: " + string(b[:min(len(b), 4096)]))
	}
	l.seen += len(b)
	return len(b), nil
}

// Ready reports whether jobs can be measured: a worker runs or one starts.
func (p *Pool) Ready(ctx context.Context) error {
	select {
	case <-p.closed:
		return ErrClosed
	default:
	}
	var w *process
	select {
	case w = <-p.slots:
	default:
		return nil // all are at work
	}
	defer func() { p.slots <- w }()
	if w != nil && !w.ended() {
		return nil
	}
	// Who asks may have no time to wait. The worker begun stays for the next who asks: on a
	// busy machine it would else be begun again and again, and never be ready.
	started, err := p.start(context.WithoutCancel(ctx))
	w = started
	return err
}
