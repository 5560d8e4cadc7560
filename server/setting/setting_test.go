package setting

import (
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
	"strings"
	"testing"

	"beltend/server/measure"
	"beltend/server/result"
)

func parse(fields map[string]string) (result.Settings, error) {
	return Parse(func(name string) string { return fields[name] })
}

func TestNothingGivenIsTheDefault(t *testing.T) {
	s, err := parse(map[string]string{Tolerance: " ", Line: ""})
	if err != nil || !reflect.DeepEqual(s, result.Settings{}) {
		t.Errorf("%+v, %v", s, err)
	}
}

func TestPrintScale(t *testing.T) {
	for _, c := range []struct {
		text string
		x, y float64
	}{
		{"199,150", 199.0 / 200, 1}, {"200;148.5", 1, 148.5 / 150}, {"1.002", 1.002, 1.002}, {"0.99 1.01", 0.99, 1.01}, {"199, 1.01", 199.0 / 200, 1.01},
	} {
		s, err := parse(map[string]string{PrintScale: c.text})
		if err != nil || s.PrintScaleX != c.x || s.PrintScaleY != c.y {
			t.Errorf("%q is %v, %v, %v; want %v, %v", c.text, s.PrintScaleX, s.PrintScaleY, err, c.x, c.y)
		}
	}
	for _, text := range []string{"0", "0,0", "-200,150", "NaN", "Inf,1", "2,1", "200", "150,200", "1e300", "a,b", "1,2,3", ","} {
		if s, err := parse(map[string]string{PrintScale: text}); err == nil {
			t.Errorf("%q is taken as %v, %v", text, s.PrintScaleX, s.PrintScaleY)
		}
	}
}

func TestNumbers(t *testing.T) {
	for text, want := range map[string]float64{"1.5": 1.5, " 2 ": 2, "1,5": 1.5, "3e-1": 0.3, "2mm": 2, "1/8 in": 3.175} {
		if s, err := parse(map[string]string{Tolerance: text}); err != nil || s.ToleranceMM != want {
			t.Errorf("%q is %v, %v", text, s.ToleranceMM, err)
		}
	}
	for _, text := range []string{"0", "-1", "nan", "+Inf", "1e999", "2ft", "1/8", "1,000.5", "1 5"} {
		_, err := parse(map[string]string{Tolerance: text})
		var usage *measure.UsageError
		if !errors.As(err, &usage) || usage.Setting != Tolerance {
			t.Errorf("%q: %v", text, err)
		}
	}
	if s, err := parse(map[string]string{Target: "-12.5", Trim: "0"}); err != nil || s.TargetDeg != -12.5 || s.TrimMM != 0 {
		t.Errorf("%+v, %v", s, err)
	}
}

func TestHints(t *testing.T) {
	s, err := parse(map[string]string{Left: "1,2 3.5,4", Cut: " 0,0   9,9 5,5 ", Drawn: "7,8 9,8", HintPhoto: "3"})
	want := []result.Hint{{Photo: 2, Edge: "left", Px: [][2]float64{{1, 2}, {3.5, 4}}}, {Photo: 2, Edge: "cut", Px: [][2]float64{{0, 0}, {9, 9}, {5, 5}}}, {Photo: 2, Edge: "line", Px: [][2]float64{{7, 8}, {9, 8}}}}
	if err != nil || !reflect.DeepEqual(s.Hints, want) {
		t.Errorf("%+v, %v", s.Hints, err)
	}
	for _, text := range []string{"1,2", "1 2", "1,2 3", "x,y 1,2", "NaN,1 2,3", "Inf,0 1,1"} {
		if _, err := parse(map[string]string{Right: text}); err == nil {
			t.Errorf("%q passes", text)
		}
	}
}

func TestCameraProfile(t *testing.T) {
	good := Camera{Schema: CameraSchema, Size: []int{4000, 3000}, Values: []float64{3000, 2000, 1500, 0, 0, 0, 0, 0}, SD: make([]float64, 8)}
	b, err := json.Marshal(good)
	if err != nil {
		t.Fatal(err)
	}
	var s result.Settings
	if err := UseCamera(&s, "phone.json", b); err != nil || !reflect.DeepEqual(s.Camera, good.Values) || !reflect.DeepEqual(s.CameraSize, good.Size) || len(s.CameraSD) != 8 {
		t.Errorf("%+v, %v", s, err)
	}
	// Its SHA-256 as sha256sum gives it of the very file.
	if want := fmt.Sprintf("phone.json %x", sha256.Sum256(b)); s.CameraProfile != want {
		t.Errorf("named %q, want %q", s.CameraProfile, want)
	}
	for name, text := range map[string]string{
		"no JSON":       "x",
		"empty":         "",
		"other schema":  strings.Replace(string(b), CameraSchema, "beltend.camera/9", 1),
		"missing value": strings.Replace(string(b), "[3000,", "[", 1),
		"no size":       strings.Replace(string(b), "[4000,3000]", "[]", 1),
	} {
		if err := UseCamera(&result.Settings{}, "phone.json", []byte(text)); err == nil {
			t.Errorf("%s passes", name)
		}
	}
}
