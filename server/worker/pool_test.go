package worker

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"beltend/server/measure"
	"beltend/server/result"
)

// The test binary is its own worker: started with this variable it serves jobs
// whose photo says what shall happen.
const asWorker = "BELTEND_TEST_WORKER_MB"

func TestMain(m *testing.M) {
	mb := os.Getenv(asWorker)
	if mb == "" {
		os.Exit(m.Run())
	}
	out, err := TakeStdout()
	if err == nil {
		n, _ := strconv.ParseInt(mb, 10, 64)
		err = LimitMemory(n << 20)
	}
	if err == nil {
		err = Serve(context.Background(), os.Stdin, out, act)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(0)
}

func act(_ context.Context, job Job, progress measure.Progress) (Answer, error) {
	what := string(job.Photos[0].Data)
	m := &result.Measurement{Schema: result.Schema, Advice: what, Program: strconv.Itoa(os.Getpid())}
	switch {
	case what == "panic":
		panic("as asked")
	case what == "abort": // what a failed assertion in OpenCV does
		_ = syscall.Kill(os.Getpid(), syscall.SIGABRT)
		time.Sleep(time.Minute)
	case what == "hang":
		time.Sleep(time.Minute)
	case strings.HasPrefix(what, "eat "):
		mb, _ := strconv.Atoi(what[4:])
		b := make([]byte, mb<<20)
		for i := 0; i < len(b); i += 4096 {
			b[i] = 1
		}
		m.Advice = strconv.Itoa(int(b[4096]))
	case what == "print":
		fmt.Println("a library talks on standard output")
	case what == "refuse":
		return Answer{}, &result.Refusal{Code: "no_card", Message: "m", Advice: "a", Photo: job.Photos[0].Name}
	case what == "usage":
		return Answer{}, &measure.UsageError{Setting: "tolerance", Message: "m"}
	case what == "fault":
		return Answer{}, errors.New("disk full")
	case what == "nan":
		m.Squareness = &result.Squareness{OffsetMM: math.NaN()}
	case what == "steps":
		for i := range 50 {
			progress("step "+strconv.Itoa(i), float64(i)/50)
		}
	case what == "slow":
		time.Sleep(300 * time.Millisecond)
	}
	return Answer{Measurement: m, Pictures: []File{{"a.jpg", []byte(what)}, {"empty", nil}, {"b.svg", []byte("second")}}}, nil
}

func pool(t *testing.T, change func(*Config)) *Pool {
	t.Helper()
	cfg := Config{Command: []string{os.Args[0]}, Env: []string{asWorker + "=1024"}, Workers: 1, Queue: 4, Deadline: 20 * time.Second}
	if change != nil {
		change(&cfg)
	}
	p, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.Close)
	return p
}

func job(what string) Job {
	return Job{Photos: []measure.Input{{Name: "p.jpg", Data: []byte(what)}}, Settings: result.Settings{ToleranceMM: 2}}
}

func TestAnswersComeBackWhole(t *testing.T) {
	p := pool(t, nil)
	for _, what := range []string{"echo", "print", strings.Repeat("x", 3<<20)} {
		a, err := p.Run(context.Background(), job(what), nil)
		if err != nil {
			t.Fatal(err)
		}
		if a.Measurement.Advice != what || len(a.Pictures) != 3 {
			t.Fatalf("answer %.20q with %d pictures", a.Measurement.Advice, len(a.Pictures))
		}
		if string(a.Pictures[0].Data) != what || len(a.Pictures[1].Data) != 0 || string(a.Pictures[2].Data) != "second" || a.Pictures[2].Name != "b.svg" {
			t.Errorf("pictures of %.20q are not those made", what)
		}
	}
}

func TestErrorsKeepTheirKind(t *testing.T) {
	p := pool(t, nil)
	var refused *result.Refusal
	if _, err := p.Run(context.Background(), job("refuse"), nil); !errors.As(err, &refused) || refused.Code != "no_card" || refused.Photo != "p.jpg" {
		t.Errorf("refusal came back as %v", err)
	}
	var usage *measure.UsageError
	if _, err := p.Run(context.Background(), job("usage"), nil); !errors.As(err, &usage) || usage.Setting != "tolerance" {
		t.Errorf("wrong setting came back as %v", err)
	}
	for what, say := range map[string]string{"fault": "disk full", "nan": "no number"} {
		if _, err := p.Run(context.Background(), job(what), nil); err == nil || !strings.Contains(err.Error(), say) || errors.As(err, &refused) && refused.Code == CodeCrashed {
			t.Errorf("%s came back as %v", what, err)
		}
	}
}

func TestStepsAreAllPassedInOrder(t *testing.T) {
	p := pool(t, nil)
	var got []string
	if _, err := p.Run(context.Background(), job("steps"), func(step string, _ float64) { got = append(got, step) }); err != nil {
		t.Fatal(err)
	}
	if len(got) != 50 || got[0] != "step 0" || got[49] != "step 49" {
		t.Errorf("got %d steps: %v", len(got), got)
	}
}

// A photo that brings its worker down is refused, the next one is measured by a
// new worker.
func TestDeadWorkerIsReplaced(t *testing.T) {
	p := pool(t, func(c *Config) { c.Deadline = 2 * time.Second; c.Env = []string{asWorker + "=1024"} })
	pids := map[string]bool{}
	for _, c := range []struct{ what, code string }{
		{"panic", CodeCrashed}, {"abort", CodeCrashed}, {"hang", CodeTimedOut}, {"eat 4096", CodeCrashed},
	} {
		_, err := p.Run(context.Background(), job(c.what), nil)
		var refused *result.Refusal
		if !errors.As(err, &refused) || refused.Code != c.code {
			t.Fatalf("%s: %v, want refusal %s", c.what, err, c.code)
		}
		if refused.Photo != "p.jpg" || refused.Advice == "" {
			t.Errorf("%s: the refusal %+v names no photo or gives no advice", c.what, refused)
		}
		a, err := p.Run(context.Background(), job("eat 64"), nil)
		if err != nil {
			t.Fatalf("after %s: %v", c.what, err)
		}
		pids[a.Measurement.Program] = true
	}
	if len(pids) != 4 {
		t.Errorf("%d workers measured, want a new one each time", len(pids))
	}
}

func TestOthersGoOnWhileOneHangs(t *testing.T) {
	p := pool(t, func(c *Config) { c.Workers = 2; c.Deadline = 3 * time.Second })
	hung := make(chan error, 1)
	go func() { _, err := p.Run(context.Background(), job("hang"), nil); hung <- err }()
	for range 5 {
		if _, err := p.Run(context.Background(), job("echo"), nil); err != nil {
			t.Fatal(err)
		}
	}
	var refused *result.Refusal
	if err := <-hung; !errors.As(err, &refused) || refused.Code != CodeTimedOut {
		t.Errorf("the hanging job: %v", err)
	}
}

func TestFullQueueSaysBusy(t *testing.T) {
	p := pool(t, func(c *Config) { c.Queue = 1 })
	var wait sync.WaitGroup
	var mu sync.Mutex
	measured, busy := 0, 0
	for range 6 {
		wait.Add(1)
		go func() {
			defer wait.Done()
			_, err := p.Run(context.Background(), job("slow"), nil)
			mu.Lock()
			defer mu.Unlock()
			var b *Busy
			switch {
			case err == nil:
				measured++
			case errors.As(err, &b) && b.RetryAfter > 0:
				busy++
			default:
				t.Error(err)
			}
		}()
	}
	wait.Wait()
	if measured != 2 || busy != 4 {
		t.Errorf("%d measured and %d sent away, want one worker's job and one waiting: 2 and 4", measured, busy)
	}
}

func TestLeavingEndsTheJob(t *testing.T) {
	p := pool(t, nil)
	ctx, cancel := context.WithTimeout(context.Background(), 500*time.Millisecond)
	defer cancel()
	if _, err := p.Run(ctx, job("hang"), nil); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("got %v", err)
	}
	start := time.Now()
	if _, err := p.Run(context.Background(), job("echo"), nil); err != nil {
		t.Fatal(err)
	}
	if time.Since(start) > 10*time.Second {
		t.Error("the left job still held the worker")
	}
}

func TestClosedPoolEndsJobs(t *testing.T) {
	p := pool(t, nil)
	ended := make(chan error, 1)
	go func() { _, err := p.Run(context.Background(), job("hang"), nil); ended <- err }()
	time.Sleep(300 * time.Millisecond)
	p.Close()
	if err := <-ended; !errors.Is(err, ErrClosed) {
		t.Errorf("the job under way: %v", err)
	}
	if _, err := p.Run(context.Background(), job("echo"), nil); !errors.Is(err, ErrClosed) {
		t.Errorf("a job after closing: %v", err)
	}
}

func TestMissingProgramIsAFault(t *testing.T) {
	p := pool(t, func(c *Config) { c.Command = []string{"/nonexistent/beltend"} })
	var refused *result.Refusal
	if _, err := p.Run(context.Background(), job("echo"), nil); err == nil || errors.As(err, &refused) {
		t.Errorf("got %v, want a fault, not a refusal", err)
	}
}

// A worker begun for somebody who has no time to wait is there for the next who asks.
func TestReadyOutlivesWhoAsks(t *testing.T) {
	p := pool(t, nil)
	gone, leave := context.WithCancel(t.Context())
	leave()
	if err := p.Ready(gone); err != nil {
		t.Fatalf("whoever asked is gone: %v", err)
	}
	w := <-p.slots
	p.slots <- w
	if w == nil || w.ended() {
		t.Fatal("no worker stays")
	}
	a, err := p.Run(t.Context(), job("which"), nil)
	if err != nil || a.Measurement.Program != strconv.Itoa(w.cmd.Process.Pid) {
		t.Errorf("measured by %+v, not by %d: %v", a.Measurement, w.cmd.Process.Pid, err)
	}
}
