package measure

import (
	"encoding/json"
	"errors"
	"math"
	"reflect"
	"testing"

	"beltend/server/result"
)

// FuzzSettings: settings from any JSON, and any number in place of theirs, are
// refused naming the setting, or hold only numbers that the chain can take.
func FuzzSettings(f *testing.F) {
	f.Add([]byte(`{}`), 0.0, 1)
	f.Add([]byte(`{"tolerance_mm":2,"nominal_width_mm":800,"target_deg":10,"trim_mm":5,"thickness_mm":8}`), math.NaN(), 1)
	f.Add([]byte(`{"print_scale_x":0.998,"print_scale_y":0.999,"board":"7x5:25.7/12.9:6X6_250:17","line":"cut"}`), 1.0, 2)
	f.Add([]byte(`{"markers":"APRILTAG_36h11:60","sheet":"a4","line":"drawn"}`), math.Inf(1), 1)
	f.Add([]byte(`{"camera":[3000,1500,2000,0,0,0,0,0],"camera_sd":[60,20,20,0.5,0.3,0.3,0.002,0.002],"camera_size":[4000,3000]}`), math.Inf(-1), 1)
	f.Add([]byte(`{"hints":[{"photo":1,"edge":"left","px":[[10,20],[30,1e6]]},{"photo":0,"edge":"cut","px":[[1,2],[1e300,4],[5,6]]}]}`), -1e7, 2)
	f.Add([]byte(`{"hints":[{"photo":-1,"edge":"","px":[]}],"camera":[],"camera_size":[0,-1]}`), 5e-324, 1)
	f.Fuzz(func(t *testing.T, data []byte, v float64, photos int) {
		var s result.Settings
		if err := json.Unmarshal(data, &s); err != nil {
			return
		}
		check := func(s result.Settings) {
			t.Helper()
			_, err := checkSettings(&s, photos)
			var usage *UsageError
			if err != nil {
				if !errors.As(err, &usage) || usage.Setting == "" || usage.Message == "" {
					t.Fatalf("not a usage error: %#v", err)
				}
				return
			}
			numbers(t, reflect.ValueOf(s))
			for _, h := range s.Hints {
				if h.Photo < 0 || h.Photo >= photos || len(h.Px) < 2 {
					t.Fatalf("hint %+v passed with %d photos", h, photos)
				}
			}
			if s.Camera != nil && !(s.Camera[0] > 0) {
				t.Fatalf("focal length %v passed", s.Camera[0])
			}
		}
		check(s)
		// JSON holds no NaN and no infinity; a caller in Go may
		for i := range reflect.TypeOf(s).NumField() {
			c := s
			if field := reflect.ValueOf(&c).Elem().Field(i); field.Kind() == reflect.Float64 {
				field.SetFloat(v)
				check(c)
			}
		}
		c := s
		c.Hints = []result.Hint{{Edge: "cut", Px: [][2]float64{{1, v}, {v, 2}}}}
		check(c)
		c = s
		c.Camera, c.CameraSD, c.CameraSize = []float64{3000, 1500, v, v, v, 0, 0, 0}, []float64{1, 1, 1, v, 1, 1, 1, 1}, []int{4000, 3000}
		check(c)
	})
}

// numbers fails on a number in v, however deep, that is none.
func numbers(t *testing.T, v reflect.Value) {
	t.Helper()
	switch v.Kind() {
	case reflect.Float64:
		if x := v.Float(); math.IsNaN(x) || math.IsInf(x, 0) {
			t.Fatalf("%v passed", x)
		}
	case reflect.Slice, reflect.Array:
		for i := range v.Len() {
			numbers(t, v.Index(i))
		}
	case reflect.Struct:
		for i := range v.NumField() {
			numbers(t, v.Field(i))
		}
	}
}
