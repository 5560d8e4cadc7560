package geometry

import "fmt"

// WrongValue says which value that a person gave cannot be used, and why.
type WrongValue struct {
	Name    string // of the setting or field
	Message string
	Range   *Range // that it is out of, if it is

	// What is wrong, for whoever says it in another language.
	Code   string
	Values Values
}

// Values are what a reason is about, by name; lengths in mm end in _mm.
type Values = map[string]any

// Coded says what is wrong by a code and its values, too.
func (e *WrongValue) Coded(code string, v Values) *WrongValue {
	e.Code, e.Values = code, v
	return e
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
	Unit      string // of all three, "" for a count
	Want      string // what to give
}

// InRange names the first value that is not in its range, or no number.
func InRange(ranges ...Range) error {
	for _, r := range ranges {
		if !(r.V >= r.Lo && r.V <= r.Hi) { // false for NaN
			unit, in := "", ""
			if r.Unit != "" {
				unit, in = " "+r.Unit, " in "+r.Unit
			}
			w := Wrong(r.Name, "%g%s is out of range %g to %g%s: give %s%s", r.V, unit, r.Lo, r.Hi, unit, r.Want, in)
			w.Range = &r
			return w
		}
	}
	return nil
}
