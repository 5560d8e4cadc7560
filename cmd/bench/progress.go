package main

import (
	"fmt"
	"os"
	"sync"
)

// progress tells on standard error how far a step has come: a line that is
// rewritten on a terminal, one line at the end elsewhere.
type progress struct {
	what     string
	of, done int
	mu       sync.Mutex
}

func (p *progress) step() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.done++
	info, err := os.Stderr.Stat()
	switch {
	case err == nil && info.Mode()&os.ModeCharDevice != 0:
		end := ""
		if p.done == p.of {
			end = "\r\x1b[K"
		}
		fmt.Fprintf(os.Stderr, "\r\x1b[K%s %d of %d%s", p.what, p.done, p.of, end)
	case p.done == p.of:
		fmt.Fprintf(os.Stderr, "%s %d of %d\n", p.what, p.done, p.of)
	}
}
