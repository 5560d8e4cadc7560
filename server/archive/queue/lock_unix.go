//go:build unix

package queue

import (
	"errors"
	"os"
	"syscall"
)

// lockFile takes the file for this process alone, where no other holds it.
func lockFile(f *os.File) (bool, error) {
	err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return false, nil
	}
	return err == nil, err
}

// shareFile holds the file together with others.
func shareFile(f *os.File) error { return syscall.Flock(int(f.Fd()), syscall.LOCK_SH) }
