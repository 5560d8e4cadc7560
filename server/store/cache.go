package store

import (
	"container/list"
	"sync"
)

// cache holds the pictures asked for lately, up to a number of bytes.
type cache struct {
	most int

	mu    sync.Mutex
	bytes int
	by    map[string]*list.Element
	order *list.List // of *entry, the latest first
}

type entry struct {
	key  string
	data []byte
}

func newCache(most int) *cache {
	return &cache{most: most, by: map[string]*list.Element{}, order: list.New()}
}

func (c *cache) get(key string) []byte {
	c.mu.Lock()
	defer c.mu.Unlock()
	e := c.by[key]
	if e == nil {
		return nil
	}
	c.order.MoveToFront(e)
	return e.Value.(*entry).data
}

func (c *cache) put(key string, data []byte) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.by[key] != nil || len(data) > c.most {
		return
	}
	c.by[key] = c.order.PushFront(&entry{key, data})
	c.bytes += len(data)
	for c.bytes > c.most {
		last := c.order.Back()
		e := last.Value.(*entry)
		c.order.Remove(last)
		delete(c.by, e.key)
		c.bytes -= len(e.data)
	}
}
