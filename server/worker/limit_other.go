//go:build !linux

package worker

import (
	"os"
	"runtime/debug"
)

// LimitMemory can only tell Go's collector here; C memory is not bounded.
func LimitMemory(bytes int64) error {
	debug.SetMemoryLimit(bytes / 4 * 3)
	return nil
}

// TakeStdout returns standard output.
func TakeStdout() (*os.File, error) { return os.Stdout, nil }
