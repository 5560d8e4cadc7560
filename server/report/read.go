package report

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// ReadLength reads a length as people write it, in mm: "12.5", "12,5",
// "12.5 mm", "1.2 m", "63 7/16 in", "7/16 in", `63.5"`. A number without a unit
// is millimetres.
func ReadLength(text string) (float64, error) {
	t := strings.TrimSpace(text)
	per := 1.0
	for _, u := range []struct {
		unit string
		mm   float64
	}{{"mm", 1}, {"in", inch}, {`"`, inch}, {"m", 1000}} {
		if rest, ok := strings.CutSuffix(t, u.unit); ok {
			t, per = strings.TrimSpace(rest), u.mm
			break
		}
	}
	v, err := decimal(t, per == inch)
	if err != nil {
		return 0, fmt.Errorf("%q is no length", text)
	}
	return v * per, nil
}

// ReadNumber reads a number with a point or a comma.
func ReadNumber(text string) (float64, error) {
	v, err := decimal(strings.TrimSpace(text), false)
	if err != nil {
		return 0, fmt.Errorf("%q is no number", text)
	}
	return v, nil
}

// decimal reads a number with a point or a comma, or whole and fraction.
func decimal(t string, fraction bool) (float64, error) {
	if whole, part, ok := strings.Cut(t, " "); fraction && (ok || strings.Contains(t, "/")) {
		if !ok {
			whole, part = "0", t
		}
		sign := 1.0
		if rest, ok := strings.CutPrefix(part, "-"); ok && whole == "0" {
			sign, part = -1, rest
		} else if rest, ok := strings.CutPrefix(whole, "-"); ok {
			sign, whole = -1, rest
		}
		num, den, ok := strings.Cut(strings.TrimSpace(part), "/")
		var v [3]uint64
		for i, s := range []string{whole, num, den} {
			n, err := strconv.ParseUint(s, 10, 32)
			if err != nil {
				return 0, err
			}
			v[i] = n
		}
		if !ok || v[2] == 0 {
			return 0, strconv.ErrSyntax
		}
		return sign * (float64(v[0]) + float64(v[1])/float64(v[2])), nil
	}
	if strings.Count(t, ",") == 1 && !strings.Contains(t, ".") {
		t = strings.Replace(t, ",", ".", 1)
	}
	v, err := strconv.ParseFloat(t, 64)
	if err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
		err = strconv.ErrRange
	}
	return v, err
}
