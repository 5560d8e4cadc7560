package plan

import (
	"encoding/json"
	"math"
	"strings"

	"beltend/geometry"
	"beltend/server/report"
	"beltend/server/result"
)

// Text gives the text of a setting; empty: not given.
type Text func(name string) string

// given says whether a setting was.
func (t Text) given(name string) bool { return strings.TrimSpace(t(name)) != "" }

// length reads a length in mm or with its unit. Not given is the default.
func (t Text) length(name string, otherwise float64) (float64, error) {
	if !t.given(name) {
		return otherwise, nil
	}
	mm, err := report.ReadLength(t(name))
	if err != nil {
		return 0, geometry.Wrong(name, "%v: write mm, for example 12.5, or 1/2 in", err).Coded("no_length", geometry.Values{"given": t(name)})
	}
	return mm, nil
}

// lengths fills several.
func (t Text) lengths(into map[string]*float64) error {
	for name, v := range into {
		mm, err := t.length(name, *v)
		if err != nil {
			return err
		}
		*v = mm
	}
	return nil
}

// parts are the lengths of a list, parted by semicolons, or by commas where there are none.
func (t Text) parts(name string) []string {
	text, by := t(name), ","
	if strings.Contains(text, ";") {
		by = ";"
	}
	return strings.FieldsFunc(text, func(r rune) bool { return string(r) == by })
}

// typed is what a person typed of a list, without the semicolons that the page puts
// between fields, where some were left empty.
func typed(text string) string { return strings.Trim(text, "; ") }

// pair reads two lengths parted by a comma or a semicolon.
func (t Text) pair(name, example string) (a, b float64, err error) {
	text := t(name)
	left, right, ok := strings.Cut(text, ";")
	if !ok {
		left, right, ok = strings.Cut(text, ",")
	}
	if ok {
		if a, err = report.ReadLength(left); err == nil {
			b, err = report.ReadLength(right)
		}
	}
	if !ok || err != nil {
		text = typed(text)
		return 0, 0, geometry.Wrong(name, "%q is not understood: give two lengths, for example %s", text, example).Coded("two_lengths", geometry.Values{"given": text})
	}
	return a, b, nil
}

// degrees reads an angle and returns radians.
func (t Text) degrees(name string, otherwise float64) (float64, error) {
	if !t.given(name) {
		return otherwise, nil
	}
	v, err := report.ReadNumber(strings.TrimSuffix(strings.TrimSpace(t(name)), "°"))
	if err != nil {
		return 0, geometry.Wrong(name, "%q is no angle: give degrees from square", t(name)).Coded("no_angle", geometry.Values{"given": t(name)})
	}
	return v * math.Pi / 180, nil
}

// yes reads a box that is ticked or not.
func (t Text) yes(name string) bool {
	switch strings.ToLower(strings.TrimSpace(t(name))) {
	case "", "0", "false", "no", "off":
		return false
	}
	return true
}

// ReadMeasurement reads a measurement as beltend measure --json prints it;
// setting names where it was given.
func ReadMeasurement(setting string, data []byte) (*result.Measurement, error) {
	var m result.Measurement
	if err := json.Unmarshal(data, &m); err != nil {
		return nil, geometry.Wrong(setting, "this is no measurement: give the file that beltend measure --json or beltend tape --json wrote (%v)", err).Coded("no_measurement", nil)
	}
	switch {
	case m.Schema != result.Schema:
		return nil, geometry.Wrong(setting, "the schema is %q, not %q: give the file that beltend measure --json or beltend tape --json wrote", m.Schema, result.Schema).Coded("measurement_schema", geometry.Values{"given": m.Schema, "wanted": result.Schema})
	case m.Refused != nil:
		return nil, geometry.Wrong(setting, "that measurement was refused (%s): measure the end again", m.Refused.Code).Coded("measurement_refused", geometry.Values{"code": m.Refused.Code})
	case m.Squareness == nil || m.Width == nil:
		return nil, geometry.Wrong(setting, "the measurement has no squareness or no width").Coded("measurement_empty", nil)
	}
	return &m, nil
}
