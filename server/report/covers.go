package report

import "strings"

// Covers writes the covers as they were typed, "4+2", which is in mm unless it names a unit;
// in inches the same beside it, where it can be read.
func Covers(typed string, o Options) string {
	u := o.units()
	if typed == "" {
		return ""
	}
	parts := strings.Split(typed, "+")
	inches := make([]string, len(parts))
	for i, part := range parts {
		mm, err := ReadLength(part)
		if err != nil || mm < 0 {
			return typed
		}
		inches[i] = u.number("%.3f", mm/inch)
	}
	if strings.Trim(typed, "0123456789.,+ ") == "" {
		typed += " mm"
	}
	if !u.inches {
		return typed
	}
	return strings.Join(inches, " + ") + " in (" + typed + ")"
}
