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

// workerEnv makes this test program take the jobs of the queue in the folder that it
// names, and never finish one.
const workerEnv = "BELTEND_TEST_WORKER"

func TestMain(m *testing.M) {
	if folder := os.Getenv(workerEnv); folder != "" {
		q, err := queue.Open(context.Background(), queue.Config{At: archive.Address{Folder: folder}, Timeout: time.Second})
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

func TestJobsOfAKilledProcessAreTakenOver(t *testing.T) {
	if os.Getenv("BELTEND_TEST_KILLS") == "" {
		t.Skip("takes a minute or two: make archive-survive runs it")
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
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
	ticket := put(t, q, archive.NewID())
	child := exec.Command(self) //nolint:gosec // this program
	child.Env = append(os.Environ(), workerEnv+"="+at.Folder)
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
	began := time.Now()
	var done atomic.Int64
	work(t, q, time.Second, func(context.Context, queue.Job) error { done.Add(1); return nil })
	for state(t, q, ticket) != queue.Done {
		if time.Since(began) > 5*time.Minute {
			t.Fatal("nobody took the job over")
		}
		time.Sleep(time.Second)
	}
	if done.Load() != 1 {
		t.Errorf("done %d times", done.Load())
	}
	t.Logf("taken over and done %v after the kill", time.Since(began).Round(time.Second))
}
