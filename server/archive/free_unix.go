//go:build linux || darwin

package archive

import "syscall"

// Free is how many bytes this process can still write on the disk of a folder, where
// that is known.
func Free(folder string) (bytes int64, known bool) {
	var s syscall.Statfs_t
	if err := syscall.Statfs(folder, &s); err != nil {
		return 0, false
	}
	return int64(s.Bavail) * int64(s.Bsize), true //nolint:gosec,unconvert // no disk has 2^63 bytes; the types differ by system
}
