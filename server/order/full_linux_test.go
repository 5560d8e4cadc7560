package order_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"beltend/server/archive"
	"beltend/server/order"
	"beltend/server/result"
	"beltend/server/store"
	"beltend/server/worker"
)

// While an order waits others fill the disk to its last byte, so that the queue cannot
// even note that it begins: whoever waits is told at once, whoever comes before their
// photos are kept, and with room everything is measured, once.
func TestWhoWaitsIsToldThatTheDiskIsFull(t *testing.T) {
	folder := t.TempDir()
	if err := syscall.Mount("tmpfs", folder, "tmpfs", 0, "size=64m"); err != nil {
		t.Skipf("only root may mount the small disk that this test fills: %v", err)
	}
	t.Cleanup(func() { // after the archive is closed
		if err := syscall.Unmount(folder, 0); err != nil {
			t.Error(err)
		}
	})
	begun, goOn := make(chan struct{}, 10), make(chan struct{})
	m := &measurer{do: func(context.Context, worker.Job) error {
		begun <- struct{}{}
		<-goOn
		return nil
	}}
	d := open(t, archive.Address{Folder: folder}, m, func(c *order.Config) { c.Workers = 1 })
	work(t, d, time.Second)
	orders := []order.Order{take(t, d, 480, result.Settings{}), take(t, d, 481, result.Settings{})}
	type answer struct {
		r   store.Record
		err error
	}
	answers := make([]chan answer, len(orders))
	for i, o := range orders {
		answers[i] = make(chan answer, 1)
		go func() {
			r, err := ask(t.Context(), d, o)
			answers[i] <- answer{r, err}
		}()
		if i == 0 {
			<-begun
		}
	}
	for n := 0; n < len(orders); n, _ = d.Queue.Length(t.Context()) {
		time.Sleep(10 * time.Millisecond)
	}
	ballast := filepath.Join(folder, "ballast")
	fill(t, ballast)
	began := time.Now()
	if a := <-answers[1]; !errors.Is(a.err, archive.Full) || archive.Message(a.err) == "" {
		t.Errorf("whoever waits for its turn is told %v", a.err)
	}
	if took := time.Since(began); took > 20*time.Second {
		t.Errorf("told after %v", took)
	}
	if _, err := d.Reserve(t.Context()); !errors.Is(err, archive.Full) {
		t.Errorf("whoever comes is told %v", err)
	}
	if _, err := d.Keep(t.Context(), by.Actor, "any", "Mara Quill", input(t, 482)); !errors.Is(err, archive.Full) {
		t.Errorf("another photo: %v", err)
	}
	close(goOn) // the first ends, and cannot be kept
	if a := <-answers[0]; !errors.Is(a.err, archive.Full) {
		t.Errorf("whoever waits for the one under way is told %v", a.err)
	}
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	for _, o := range orders {
		if r, err := ask(t.Context(), d, o); err != nil || r.Measurement.Verdict != result.Square {
			t.Errorf("with room again: %v", err)
		}
	}
	report, err := d.Store.Archive.Verify(t.Context(), archive.VerifyOptions{})
	if err != nil || len(report.Problems) > 0 || report.Photos != 2 || report.Leftover != 0 {
		t.Errorf("afterwards: %+v, %v", report, err)
	}
}

// fill writes a file until the disk has no byte left.
func fill(t *testing.T, name string) {
	t.Helper()
	f, err := os.Create(name) //nolint:gosec // of this test
	if err != nil {
		t.Fatal(err)
	}
	for _, size := range []int{1 << 20, 4096, 1} {
		for err = nil; err == nil; {
			_, err = f.Write(make([]byte, size))
		}
		if !errors.Is(err, syscall.ENOSPC) {
			t.Fatal(err)
		}
	}
	_ = f.Close() // everything was said by the writes
}
