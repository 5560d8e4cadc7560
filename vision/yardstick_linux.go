package vision

/*
#include <malloc.h>
*/
import "C"

// TrimMemory gives what the C library has kept of freed memory back to the
// system, so that the next peak counts from an idle process.
func TrimMemory() { C.malloc_trim(0) }
