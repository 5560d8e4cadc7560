package archive

import (
	"errors"
	"fmt"

	"beltend/geometry"
)

// Kind says what sort of error it is; errors.Is(err, archive.NotFound) asks.
type Kind string

// The kinds of errors.
const (
	NotFound    Kind = "not found"
	Conflict    Kind = "conflict"    // changed meanwhile, there already, or against a rule of the archive
	Invalid     Kind = "invalid"     // the record given cannot be kept; the text names the field
	Damaged     Kind = "damaged"     // what is stored is not what was stored
	Removed     Kind = "removed"     // a photo that a rule of retention took away
	Full        Kind = "full"        // no room on the disk
	Unavailable Kind = "unavailable" // the database or the photo store does not answer; try again later
)

func (k Kind) Error() string { return string(k) }

// Error is an error of the archive with its kind.
type Error struct {
	Kind    Kind
	Message string // a sentence: what is wrong and, where something can be done, what
	Cause   error

	// Of what is Invalid or in Conflict, for whoever says it in another language: what is
	// wrong, and with which field.
	Field, Code string
	Values      geometry.Values
}

func (e *Error) Error() string {
	if e.Cause == nil {
		return e.Message
	}
	return e.Message + ": " + e.Cause.Error()
}

// Is answers for the error's kind.
func (e *Error) Is(target error) bool {
	k, ok := target.(Kind) //nolint:errorlint // the target itself, not what it wraps
	return ok && k == e.Kind
}

func (e *Error) Unwrap() error { return e.Cause }

// Message is what to tell the person who asked: the sentence of an error that has
// a Kind, "" of any other.
func Message(err error) string {
	var e *Error
	if errors.As(err, &e) {
		return e.Message
	}
	return ""
}

// Wrong is an error of the kind Invalid about one field.
func Wrong(field, code string, v geometry.Values, format string, a ...any) error {
	return &Error{Kind: Invalid, Message: field + ": " + fmt.Sprintf(format, a...), Field: field, Code: code, Values: v}
}

// Clash is an error of the kind Conflict.
func Clash(code, message string, cause error) error {
	return &Error{Kind: Conflict, Message: message, Cause: cause, Code: code}
}

func fail(kind Kind, message string, cause error) error {
	return &Error{Kind: kind, Message: message, Cause: cause}
}

// kindOf gives the kind of an error, "" when it has none.
func kindOf(err error) Kind {
	var e *Error
	if errors.As(err, &e) {
		return e.Kind
	}
	return ""
}
