package main

import (
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/mattn/go-isatty"
)

// progress prints how far a measurement has come, once it takes more than a
// second: on a terminal one line that renews itself, elsewhere a line a step.
type progress struct {
	w        io.Writer
	terminal bool
	start    time.Time
	last     string
	shown    int // width of the line on the terminal
}

func newProgress(w io.Writer) *progress {
	f, ok := w.(*os.File)
	return &progress{w: w, terminal: ok && isatty.IsTerminal(f.Fd()), start: time.Now()}
}

func (p *progress) step(name string, done float64) {
	if time.Since(p.start) < time.Second {
		return
	}
	line := fmt.Sprintf("%3.0f %%  %s", 100*done, name)
	if p.terminal {
		pad := max(0, p.shown-len(line))
		fmt.Fprint(p.w, "\r", line, strings.Repeat(" ", pad))
		p.shown = len(line)
		return
	}
	if name != p.last {
		fmt.Fprintln(p.w, line)
		p.last = name
	}
}

func (p *progress) end() {
	if p.shown > 0 {
		fmt.Fprint(p.w, "\r", strings.Repeat(" ", p.shown), "\r")
	}
}
