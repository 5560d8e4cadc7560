package queue_test

import (
	"context"
	"errors"
	"sync"
	"testing"
	"time"

	"beltend/server/archive"
	"beltend/server/archive/conformance"
	"beltend/server/archive/queue"
)

// both runs a test on both databases.
func both(t *testing.T, test func(t *testing.T, at archive.Address)) {
	t.Run("embedded", func(t *testing.T) { test(t, archive.Address{Folder: t.TempDir()}) })
	t.Run("scaled out", func(t *testing.T) {
		test(t, archive.Address{Database: conformance.StartPostgres(t).Database(t), Photos: t.TempDir()})
	})
}

func open(t *testing.T, at archive.Address) queue.Queue {
	t.Helper()
	q, err := queue.Open(t.Context(), queue.Config{At: at, Timeout: 10 * time.Second, Attempts: 3})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := q.Close(); err != nil {
			t.Error(err)
		}
	})
	return q
}

// work works in the background until the test calls stop.
func work(t *testing.T, q queue.Queue, grace time.Duration, do func(ctx context.Context, j queue.Job) error) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- q.Work(ctx, 2, grace, do) }()
	var once sync.Once
	stop = func() {
		once.Do(func() {
			cancel()
			if err := <-done; err != nil {
				t.Errorf("work: %v", err)
			}
		})
	}
	t.Cleanup(stop)
	return stop
}

func eventually(t *testing.T, what string, is func() bool) {
	t.Helper()
	for range 400 {
		if is() {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Fatalf("%s: not within 20 s", what)
}

func put(t *testing.T, q queue.Queue, id string) int64 {
	t.Helper()
	ticket, err := q.Put(t.Context(), queue.Job{ID: id, Payload: []byte(`{"photo":"` + id + `"}`)})
	if err != nil {
		t.Fatal(err)
	}
	return ticket
}

func state(t *testing.T, q queue.Queue, ticket int64) queue.State {
	t.Helper()
	s, _, err := q.State(t.Context(), ticket)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestJobsAreDoneOnceAndFailuresTriedAgain(t *testing.T) {
	both(t, func(t *testing.T, at archive.Address) {
		q := open(t, at)
		ids := map[string]int64{}
		for range 20 {
			id := archive.NewID()
			ids[id] = put(t, q, id)
			if again := put(t, q, id); again != ids[id] {
				t.Errorf("the same job has tickets %d and %d", ids[id], again)
			}
		}
		shaky, bad, twice := archive.NewID(), archive.NewID(), archive.NewID()
		for _, id := range []string{shaky, bad, twice} {
			ids[id] = put(t, q, id)
		}
		if n, err := q.Length(t.Context()); err != nil || n != 23 {
			t.Errorf("%d jobs wait, want 23; %v", n, err)
		}
		if s := state(t, q, ids[shaky]); s != queue.Waiting {
			t.Errorf("before: %s", s)
		}
		var mu sync.Mutex
		done := map[string]int{}
		work(t, q, time.Second, func(_ context.Context, j queue.Job) error {
			mu.Lock()
			defer mu.Unlock()
			done[j.ID]++
			switch {
			case string(j.Payload) != `{"photo":"`+j.ID+`"}` && string(j.Payload) != `{"photo": "`+j.ID+`"}`:
				t.Errorf("payload %s", j.Payload)
			case j.ID == shaky && done[j.ID] == 1:
				return errors.New("the photo store was away")
			case j.ID == bad:
				return &archive.Error{Kind: archive.Invalid, Message: "no such joint"}
			case j.ID == twice:
				return &archive.Error{Kind: archive.Conflict, Message: "kept already"}
			}
			return nil
		})
		eventually(t, "all jobs end", func() bool { n, err := q.Length(t.Context()); return err == nil && n == 0 })
		mu.Lock()
		defer mu.Unlock()
		for id, ticket := range ids {
			want, times := queue.Done, 1
			switch id {
			case shaky:
				times = 2
			case bad:
				want = queue.Failed
			}
			if s := state(t, q, ticket); s != want || done[id] != times {
				t.Errorf("job: %s after %d times, want %s after %d", s, done[id], want, times)
			}
		}
		if _, why, err := q.State(t.Context(), ids[bad]); err != nil || why == "" {
			t.Errorf("why it failed: %q, %v", why, err)
		}
		_, _, err := q.State(t.Context(), 1<<40)
		conformance.Is(t, "an unknown ticket", err, archive.NotFound)
	})
}

func TestAStopLetsJobsEndOrPutsThemBack(t *testing.T) {
	both(t, func(t *testing.T, at archive.Address) {
		q := open(t, at)
		quick, slow := archive.NewID(), archive.NewID()
		tickets := map[string]int64{quick: put(t, q, quick), slow: put(t, q, slow)}
		started := make(chan string, 10)
		stop := work(t, q, 500*time.Millisecond, func(ctx context.Context, j queue.Job) error {
			started <- j.ID
			wait := 200 * time.Millisecond
			if j.ID == slow {
				wait = time.Minute
			}
			select {
			case <-time.After(wait):
				return nil
			case <-ctx.Done():
				return ctx.Err()
			}
		})
		<-started
		<-started
		stop()
		if s := state(t, q, tickets[quick]); s != queue.Done {
			t.Errorf("a job that ends within the grace: %s", s)
		}
		if s := state(t, q, tickets[slow]); s != queue.Waiting {
			t.Errorf("a job that does not: %s", s)
		}
		// The next process takes it up; a job put in before lives on in the database.
		after := open(t, at)
		var mu sync.Mutex
		var got []string
		work(t, after, time.Second, func(_ context.Context, j queue.Job) error {
			mu.Lock()
			defer mu.Unlock()
			got = append(got, j.ID)
			return nil
		})
		eventually(t, "the job is done", func() bool { return state(t, after, tickets[slow]) == queue.Done })
		mu.Lock()
		defer mu.Unlock()
		if len(got) != 1 || got[0] != slow {
			t.Errorf("done afterwards: %v", got)
		}
	})
}

func TestTheQueueOutlivesItsDatabase(t *testing.T) {
	pg := conformance.StartPostgres(t)
	q := open(t, archive.Address{Database: pg.Database(t), Photos: t.TempDir()})
	var mu sync.Mutex
	done := map[string]int{}
	work(t, q, time.Second, func(_ context.Context, j queue.Job) error {
		mu.Lock()
		defer mu.Unlock()
		done[j.ID]++
		return nil
	})
	first := archive.NewID()
	ticket := put(t, q, first)
	eventually(t, "the first job is done", func() bool { s, _, err := q.State(t.Context(), ticket); return err == nil && s == queue.Done })
	pg.Stop(t)
	_, err := q.Put(t.Context(), queue.Job{ID: archive.NewID(), Payload: []byte("{}")})
	conformance.Is(t, "a job while the database is away", err, archive.Unavailable)
	_, err = q.Length(t.Context())
	conformance.Is(t, "the length while the database is away", err, archive.Unavailable)
	pg.Start(t)
	second := archive.NewID()
	ticket = put(t, q, second)
	eventually(t, "the second job is done", func() bool { s, _, err := q.State(t.Context(), ticket); return err == nil && s == queue.Done })
	mu.Lock()
	defer mu.Unlock()
	if done[first] != 1 || done[second] != 1 || len(done) != 2 {
		t.Errorf("done: %v", done)
	}
}
