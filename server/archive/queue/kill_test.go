package queue_test

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"sync/atomic"
	"testing"
	"time"

	"beltend/server/archive"
	"beltend/server/archive/queue"
)

// workerEnv, or databaseEnv, makes this test program take the jobs of the queue in the
// folder or database that it names, and never finish one.
const (
	workerEnv   = "BELTEND_TEST_WORKER"
	databaseEnv = "BELTEND_TEST_WORKER_DATABASE"
)

func TestMain(m *testing.M) {
	if at := (archive.Address{Folder: os.Getenv(workerEnv), Database: os.Getenv(databaseEnv)}); at.Folder+at.Database != "" {
		q, err := queue.Open(context.Background(), queue.Config{At: at, Timeout: time.Second})
		if err == nil {
			err = q.Work(context.Background(), 1, time.Second, func(context.Context, queue.Job) error {
				fmt.Println("took a job")
				select {}
			})
		}
		fmt.Println("error", err)
		os.Exit(1)
	}
	os.Exit(m.Run())
}

// A process that begins to work while no other does takes over at once.
func TestJobsOfAKilledProcessGoBackAtTheNextStart(t *testing.T) {
	both(t, func(t *testing.T, at archive.Address) {
		q := open(t, at)
		ticket := takeAndKill(t, q, at)
		began := time.Now()
		takenOver(t, q, ticket, nil)
		if took := time.Since(began); took > 10*time.Second {
			t.Errorf("taken over %v after the kill", took)
		}
	})
}

// Where others work all the time, they take over when the job's time is over.
func TestJobsOfAKilledProcessAreTakenOver(t *testing.T) {
	if os.Getenv("BELTEND_TEST_KILLS") == "" {
		t.Skip("takes a minute or two: make archive-survive runs it")
	}
	at := archive.Address{Folder: t.TempDir()}
	q, err := queue.Open(t.Context(), queue.Config{At: at, Timeout: time.Second})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := q.Close(); err != nil {
			t.Error(err)
		}
	})
	other := make(chan struct{}) // it is busy with another job when the child takes its
	busy := put(t, q, archive.NewID())
	started := make(chan struct{}, 10)
	work(t, q, time.Second, func(ctx context.Context, _ queue.Job) error {
		started <- struct{}{}
		select {
		case <-other:
		case <-ctx.Done():
		}
		return nil
	})
	second := put(t, q, archive.NewID())
	<-started
	<-started
	ticket := takeAndKill(t, q, at)
	began := time.Now()
	takenOver(t, q, ticket, func() { close(other) })
	t.Logf("taken over and done %v after the kill", time.Since(began).Round(time.Second))
	if state(t, q, busy) != queue.Done || state(t, q, second) != queue.Done {
		t.Error("the jobs that kept it busy are not done")
	}
}

// takeAndKill puts a job in and kills a process that has taken it.
func takeAndKill(t *testing.T, q queue.Queue, at archive.Address) int64 {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	ticket := put(t, q, archive.NewID())
	child := exec.Command(self) //nolint:gosec // this program
	child.Env = append(os.Environ(), workerEnv+"="+at.Folder, databaseEnv+"="+at.Database)
	out, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	if !lines.Scan() || lines.Text() != "took a job" {
		t.Fatalf("the other process said %q", lines.Text())
	}
	if err := child.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = child.Wait() // says that it was killed
	if s := state(t, q, ticket); s != queue.Running {
		t.Errorf("after the kill: %s", s)
	}
	return ticket
}

// takenOver works until the job is done, once; or waits for it where free, which lets
// the one that works already go on, is given.
func takenOver(t *testing.T, q queue.Queue, ticket int64, free func()) {
	t.Helper()
	var done atomic.Int64
	if free != nil {
		free()
	} else {
		work(t, q, time.Second, func(context.Context, queue.Job) error { done.Add(1); return nil })
	}
	for began := time.Now(); state(t, q, ticket) != queue.Done; time.Sleep(100 * time.Millisecond) {
		if time.Since(began) > 5*time.Minute {
			t.Fatal("nobody took the job over")
		}
	}
	if free == nil && done.Load() != 1 {
		t.Errorf("done %d times", done.Load())
	}
}
