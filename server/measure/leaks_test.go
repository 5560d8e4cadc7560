//go:build matprofile && linux

package measure

import (
	"context"
	"errors"
	"fmt"
	"os"
	"runtime/debug"
	"strings"
	"testing"

	"beltend/server/result"
	"beltend/vision"
)

// A thousand photos leave no OpenCV matrix open and no more C memory in
// use than the first hundred: answered ones and refused ones in turn. Run by `make leaks`.
func TestThousandPhotosLeaveNothing(t *testing.T) {
	const photos, look = 1000, 100
	set := readGolden(t)
	in := make([]Input, len(set))
	for i := range set {
		in[i] = set[i].photo(t)
	}
	answered, refused := 0, 0
	early := 0
	for i := 0; i <= photos; i++ {
		if i%look == 0 {
			debug.FreeOSMemory() // what the garbage collector has not come to is no leak
			vision.TrimMemory()
			t.Logf("%4d photos: %d open matrices, C memory in use %.2f MB, %.1f MB resident", i, vision.OpenMats(), float64(vision.BytesInUse())/1e6, residentMB(t))
			if vision.OpenMats() != 0 {
				t.Errorf("%d matrices open after %d photos", vision.OpenMats(), i)
			}
			if i == look {
				early = vision.BytesInUse()
			}
		}
		if i == photos {
			break
		}
		_, err := Run(context.Background(), in[i%len(in):i%len(in)+1], result.Settings{}, nil)
		var r *result.Refusal
		switch {
		case err == nil:
			answered++
		case errors.As(err, &r):
			refused++
		default:
			t.Fatal(err)
		}
	}
	if answered == 0 || refused == 0 {
		t.Errorf("%d answered, %d refused: both ways must be walked", answered, refused)
	}
	const growth = 450 << 10 // half a kB a photo; the smallest matrix with pixels is thousands
	if late := vision.BytesInUse(); late > early+growth {
		t.Errorf("C memory in use grew from %d to %d bytes", early, late)
	}
}

// residentMB is this process's resident memory.
func residentMB(t *testing.T) float64 {
	t.Helper()
	b, err := os.ReadFile("/proc/self/status")
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range strings.Split(string(b), "\n") {
		var kB float64
		if n, _ := fmt.Sscanf(line, "VmRSS: %f kB", &kB); n == 1 {
			return kB / 1024
		}
	}
	t.Fatal("no VmRSS")
	return 0
}
