//go:build !linux

package vision

// TrimMemory does nothing here: memory is compared on Linux.
func TrimMemory() {}
