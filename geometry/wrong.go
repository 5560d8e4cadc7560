package geometry

import "fmt"

// WrongValue says which value that a person gave cannot be used, and why.
type WrongValue struct {
	Name    string // of the setting or field
	Message string
}

// Error names the value first.
func (e *WrongValue) Error() string { return e.Name + ": " + e.Message }

// Wrong makes a [WrongValue].
func Wrong(name, format string, a ...any) *WrongValue {
	return &WrongValue{Name: name, Message: fmt.Sprintf(format, a...)}
}

// Range is a value that a person gave and the range it has to be in.
type Range struct {
	Name      string
	V, Lo, Hi float64
	Want      string // what to give, in which unit
}

// InRange names the first value that is not in its range, or no number.
func InRange(ranges ...Range) error {
	for _, r := range ranges {
		if !(r.V >= r.Lo && r.V <= r.Hi) { // false for NaN
			return Wrong(r.Name, "%g is out of range %g to %g: give %s", r.V, r.Lo, r.Hi, r.Want)
		}
	}
	return nil
}
