// Package store keeps the service's measurements with their pictures. So far
// they are kept in memory and the oldest give way.
package store

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"sync"
	"time"

	"beltend/server/result"
)

// Picture is one picture of a measurement.
type Picture struct {
	Name string // overlay-1.jpg, topdown.png, profile.svg
	Data []byte
}

// Record is one measurement as kept. What is kept is not changed any more, so
// callers must not write to it.
type Record struct {
	ID          string
	Created     time.Time
	Inches      bool // units the person asked for
	Measurement *result.Measurement
	Pictures    []Picture
}

// Picture finds one by its name, nil when there is none.
func (r *Record) Picture(name string) []byte {
	for _, p := range r.Pictures {
		if p.Name == name {
			return p.Data
		}
	}
	return nil
}

func (r *Record) size() int {
	n := 64 << 10 // the measurement itself, about
	for _, p := range r.Pictures {
		n += len(p.Data)
	}
	return n
}

// ErrNotFound means that there is no such record, or none any more.
var ErrNotFound = errors.New("no such measurement")

// Store keeps records. All methods may be called by many goroutines.
type Store interface {
	// Put keeps a record under its ID, which NewID made.
	Put(ctx context.Context, r Record) error
	// Get returns ErrNotFound where there is no record.
	Get(ctx context.Context, id string) (Record, error)
	// Recent returns at most n records, the newest first.
	Recent(ctx context.Context, n int) ([]Record, error)
}

// NewID makes an identifier that nobody can guess (128 random bits).
func NewID() string {
	var b [16]byte
	_, _ = rand.Read(b[:]) // never fails
	return hex.EncodeToString(b[:])
}

// Memory keeps records until there are too many or they are too large.
type Memory struct {
	maxRecords, maxBytes int

	mu    sync.Mutex
	by    map[string]Record
	order []string // oldest first
	bytes int
}

// NewMemory bounds the number of records and the bytes of their pictures.
func NewMemory(records, bytes int) *Memory {
	return &Memory{maxRecords: records, maxBytes: bytes, by: map[string]Record{}}
}

// Put implements Store. The newest record stays, however large.
func (m *Memory) Put(_ context.Context, r Record) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if _, ok := m.by[r.ID]; ok {
		return errors.New("the measurement " + r.ID + " is there already")
	}
	m.by[r.ID] = r
	m.order = append(m.order, r.ID)
	m.bytes += r.size()
	for len(m.order) > 1 && (len(m.order) > m.maxRecords || m.bytes > m.maxBytes) {
		oldest := m.by[m.order[0]]
		m.bytes -= oldest.size()
		delete(m.by, oldest.ID)
		m.order = m.order[1:]
	}
	return nil
}

// Get implements Store.
func (m *Memory) Get(_ context.Context, id string) (Record, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	r, ok := m.by[id]
	if !ok {
		return Record{}, ErrNotFound
	}
	return r, nil
}

// Recent implements Store.
func (m *Memory) Recent(_ context.Context, n int) ([]Record, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var out []Record
	for i := len(m.order) - 1; i >= 0 && len(out) < n; i-- {
		out = append(out, m.by[m.order[i]])
	}
	return out, nil
}
