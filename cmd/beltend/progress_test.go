package main

import (
	"strings"
	"testing"
	"time"
)

func TestProgressKeepsQuietForASecond(t *testing.T) {
	var b strings.Builder
	p := newProgress(&b)
	p.step("cards", 0.1)
	p.end()
	if b.String() != "" {
		t.Errorf("%q at once", b.String())
	}
}

// A file or pipe gets a line a step and no carriage return, a terminal one line
// that is gone at the end.
func TestProgressLines(t *testing.T) {
	var b strings.Builder
	p := newProgress(&b)
	p.start = time.Now().Add(-2 * time.Second)
	p.step("cards", 0.1)
	p.step("cards", 0.2)
	p.step("edges", 0.5)
	p.end()
	if got := b.String(); got != " 10 %  cards\n 50 %  edges\n" {
		t.Errorf("%q", got)
	}
	b.Reset()
	p = newProgress(&b)
	p.terminal, p.start = true, time.Now().Add(-2*time.Second)
	p.step("adjustment", 0.1)
	p.step("edges", 0.5)
	p.end()
	got := b.String()
	if strings.Contains(got, "\n") || !strings.HasSuffix(got, "\r"+strings.Repeat(" ", len(" 50 %  edges"))+"\r") {
		t.Errorf("%q", got)
	}
	last := got[:strings.LastIndex(strings.TrimRight(got, "\r "), "\r")+1]
	if strings.Count(last, "\r") < 1 {
		t.Errorf("%q", got)
	}
}
