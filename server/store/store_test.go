package store

import (
	"context"
	"errors"
	"testing"
)

func TestMemoryLetsTheOldestGo(t *testing.T) {
	ctx := context.Background()
	for _, c := range []struct {
		name           string
		records, bytes int
	}{{"by number", 3, 1 << 30}, {"by size", 100, 3 * (1<<20 + 64<<10)}} {
		t.Run(c.name, func(t *testing.T) {
			m := NewMemory(c.records, c.bytes)
			var ids []string
			for range 5 {
				r := Record{ID: NewID(), Pictures: []Picture{{"overlay-1.jpg", make([]byte, 1<<20)}}}
				if err := m.Put(ctx, r); err != nil {
					t.Fatal(err)
				}
				ids = append(ids, r.ID)
			}
			for i, id := range ids {
				r, err := m.Get(ctx, id)
				if i < 2 && !errors.Is(err, ErrNotFound) {
					t.Errorf("record %d of 5: %v, want it gone", i+1, err)
				}
				if i >= 2 && (err != nil || r.ID != id || len(r.Picture("overlay-1.jpg")) != 1<<20) {
					t.Errorf("record %d of 5: %v, want it whole", i+1, err)
				}
			}
			recent, err := m.Recent(ctx, 2)
			if err != nil || len(recent) != 2 || recent[0].ID != ids[4] || recent[1].ID != ids[3] {
				t.Errorf("recent: %v, %v", recent, err)
			}
		})
	}
}

func TestMemoryKeepsOneHoweverLarge(t *testing.T) {
	m := NewMemory(10, 10)
	r := Record{ID: NewID(), Pictures: []Picture{{"topdown.png", make([]byte, 1000)}}}
	if err := m.Put(context.Background(), r); err != nil {
		t.Fatal(err)
	}
	if _, err := m.Get(context.Background(), r.ID); err != nil {
		t.Error(err)
	}
}

func TestMemoryRefusesTheSameTwice(t *testing.T) {
	m := NewMemory(10, 1<<20)
	if err := m.Put(context.Background(), Record{ID: "a"}); err != nil {
		t.Fatal(err)
	}
	if err := m.Put(context.Background(), Record{ID: "a"}); err == nil {
		t.Error("a record was overwritten")
	}
}
