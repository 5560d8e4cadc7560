package setting

import (
	"errors"
	"math"
	"strings"
	"testing"

	"beltend/server/measure"
	"beltend/server/result"
)

// FuzzParse: any texts give settings without a number that is none, or an error
// that names one of the settings.
func FuzzParse(f *testing.F) {
	f.Add("2|800|0|5|8|199.6,149.8|cut|||||10,20 30,40|1,2 3,4|5,6 7,8|1")
	f.Add("2,5| 1e3|-0|NaN|Inf|1.0|drawn|7x5:25.7/12.9:6X6_250|4X4_50:60|a4|1,1 2,2|||0x10,1e400 3,4|99999999999999999999")
	f.Add("-1|||||199.6 149.8 3||||||1;2|,|1,2,3 4,5|-1")
	f.Fuzz(func(t *testing.T, all string) {
		texts := strings.Split(all, "|")
		s, err := Parse(func(name string) string {
			for i, n := range Names {
				if n == name && i < len(texts) {
					return texts[i]
				}
			}
			return ""
		})
		if err != nil {
			var usage *measure.UsageError
			if !errors.As(err, &usage) || usage.Message == "" || !known(usage.Setting) {
				t.Fatalf("not a usage error: %#v", err)
			}
			return
		}
		values := []float64{s.ToleranceMM, s.NominalMM, s.TargetDeg, s.TrimMM, s.ThicknessMM, s.PrintScaleX, s.PrintScaleY}
		for _, h := range s.Hints {
			if len(h.Px) < 2 || h.Photo < 0 {
				t.Fatalf("hint %+v", h)
			}
			for _, p := range h.Px {
				values = append(values, p[0], p[1])
			}
		}
		for _, v := range values {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Fatalf("%q gave %v", all, v)
			}
		}
	})
}

// FuzzCamera: any file is used whole or refused as a camera profile.
func FuzzCamera(f *testing.F) {
	f.Add([]byte(`{"schema":"beltend.camera/1","size":[4000,3000],"values":[3000,2000,1500,0,0,0,0,0],"sd":[1,1,1,1,1,1,1,1]}`))
	f.Add([]byte(`{"schema":"beltend.camera/1","size":null,"values":[1]}`))
	f.Add([]byte(`[`))
	f.Fuzz(func(t *testing.T, data []byte) {
		var s result.Settings
		err := UseCamera(&s, "phone.json", data)
		if err == nil && (len(s.Camera) != len(s.CameraSD) || len(s.CameraSize) != 2) || err != nil && s.Camera != nil {
			t.Fatalf("%v: %+v", err, s)
		}
	})
}

func known(name string) bool {
	for _, n := range Names {
		if n == name {
			return true
		}
	}
	return false
}
