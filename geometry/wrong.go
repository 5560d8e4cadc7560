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
