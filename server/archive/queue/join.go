package queue

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"
)

// putBack puts jobs back that a killed process left.
const putBack = "UPDATE river_job SET state = 'available' WHERE state = 'running'"

// workersLock is the advisory lock that every working process shares. Any number
// will do that nothing else in the database uses.
const workersLock = 0x62656c74656e64

// noticed is how long a database may take to see that a process is gone.
const noticed = 3 * time.Second

// joinPostgres holds the lock on a connection of its own, so that it goes with the process.
func joinPostgres(ctx context.Context, pool *pgxpool.Pool) (leave func(), err error) {
	c, err := pool.Acquire(ctx)
	if err != nil {
		return nil, err
	}
	leave = func() { _ = c.Hijack().Close(context.Background()) } // which ends its locks
	// A process killed a moment ago holds the lock until the database has noticed.
	alone := false
	for try := 0; err == nil && !alone && try < 10; try++ {
		if try > 0 {
			time.Sleep(noticed / 10)
		}
		err = c.QueryRow(ctx, "SELECT pg_try_advisory_lock($1)", workersLock).Scan(&alone)
	}
	if err == nil && alone {
		_, err = c.Exec(ctx, putBack)
	}
	if err == nil {
		_, err = c.Exec(ctx, "SELECT pg_advisory_lock_shared($1)", workersLock)
	}
	if err == nil && alone {
		_, err = c.Exec(ctx, "SELECT pg_advisory_unlock($1)", workersLock)
	}
	if err != nil {
		leave()
		return nil, err
	}
	return leave, nil
}

// joinFolder holds a lock on a file of the data folder.
func joinFolder(name string, back func() error) (leave func(), err error) {
	f, err := os.OpenFile(name, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("open the queue's lock: %w", err)
	}
	alone, err := lockFile(f)
	if err == nil && alone {
		err = back()
	}
	if err == nil {
		err = shareFile(f)
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return func() { f.Close() }, nil
}
