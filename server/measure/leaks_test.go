//go:build matprofile

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

// A thousand photos leave no OpenCV matrix open and take no more memory than
// the first hundred: answered ones and refused ones in turn. Run by `make leaks`.
func TestThousandPhotosLeaveNothing(t *testing.T) {
	const photos, look = 1000, 100
	set := readGolden(t)
	in := make([]Input, len(set))
	for i := range set {
		in[i] = set[i].photo(t)
	}
	answered, refused := 0, 0
	var early float64
	for i := 0; i <= photos; i++ {
		if i%look == 0 {
			debug.FreeOSMemory() // what the garbage collector has not come to is no leak
			vision.TrimMemory()
			now := residentMB(t)
			t.Logf("%4d photos: %d open matrices, %.1f MB resident", i, vision.OpenMats(), now)
			if vision.OpenMats() != 0 {
				t.Errorf("%d matrices open after %d photos", vision.OpenMats(), i)
			}
			if i == look {
				early = now
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
	const growth = 10.0 // MB; 1 kB a photo is 0.9
	if late := residentMB(t); late > early+growth {
		t.Errorf("%.1f MB after %d photos, %.1f MB after %d", late, photos, early, look)
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
