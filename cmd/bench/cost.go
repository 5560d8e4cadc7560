package main

import (
	"fmt"
	"os"
	"strings"
	"syscall"
)

// cpuSeconds is the processor time that this process has used: on a busy machine
// a fairer measure than the clock, and with one thread the same on an idle one.
func cpuSeconds() float64 {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return float64(u.Utime.Nano()+u.Stime.Nano()) / 1e9
}

// resetPeak makes the kernel forget the process's highest memory so far: 5 in
// clear_refs, see proc(5).
func resetPeak() error { return os.WriteFile("/proc/self/clear_refs", []byte("5"), 0) }

// status reads a figure in kB from the kernel's account of this process.
func status(field string) float64 {
	b, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return 0
	}
	for _, line := range strings.Split(string(b), "\n") {
		if rest, ok := strings.CutPrefix(line, field); ok {
			var v float64
			if _, err := fmt.Sscan(rest, &v); err == nil {
				return v
			}
		}
	}
	return 0
}
