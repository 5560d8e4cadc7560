package worker

import (
	"fmt"
	"os"
	"runtime/debug"

	"golang.org/x/sys/unix"
)

// LimitMemory bounds what this process may allocate. RLIMIT_DATA counts the
// writable private memory (since Linux 4.7); RLIMIT_AS would also count the
// address space that Go and the C library only reserve, several gigabytes on a
// machine of many cores. The collector is told to stay a quarter below.
func LimitMemory(bytes int64) error {
	limit := unix.Rlimit{Cur: uint64(bytes), Max: uint64(bytes)}
	if err := unix.Setrlimit(unix.RLIMIT_DATA, &limit); err != nil {
		return fmt.Errorf("limit memory to %d MB: %w", bytes>>20, err)
	}
	debug.SetMemoryLimit(bytes / 4 * 3)
	return nil
}

// TakeStdout gives standard output to the caller alone: what a library prints
// goes to standard error from here on and cannot garble the frames.
func TakeStdout() (*os.File, error) {
	fd, err := unix.FcntlInt(1, unix.F_DUPFD_CLOEXEC, 3)
	if err != nil {
		return nil, fmt.Errorf("take standard output: %w", err)
	}
	if err := unix.Dup3(2, 1, 0); err != nil {
		return nil, fmt.Errorf("take standard output: %w", err)
	}
	return os.NewFile(uintptr(fd), "frames"), nil
}
