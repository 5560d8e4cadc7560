package archive

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"beltend/geometry"
)

// check gives the first error among those found.
func check(problems ...error) error {
	for _, err := range problems {
		if err != nil {
			return err
		}
	}
	return nil
}

// text accepts what both databases keep unchanged and a page can show.
func text(field, s string, most int) error {
	switch {
	case len(s) > most:
		return Wrong(field, "kept_long", geometry.Values{"most": most, "given": len(s)}, "at most %d bytes, these are %d.", most, len(s))
	case !utf8.ValidString(s):
		return Wrong(field, "kept_no_text", nil, "this is not UTF-8 text.")
	case strings.ContainsFunc(s, func(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\t' && r != '\r' }):
		return Wrong(field, "kept_control", nil, "control characters cannot be kept.")
	}
	return nil
}

// name is a text that must be there and has no blanks around it.
func name(field, s string) error {
	if strings.TrimSpace(s) == "" || strings.TrimSpace(s) != s {
		return Wrong(field, "kept_blank", nil, "it is empty, or has blanks around it.")
	}
	return text(field, s, 200)
}

func needed(field, s string) error {
	if s == "" {
		return Wrong(field, "kept_missing", nil, "it is missing.")
	}
	return text(field, s, 200)
}

func oneOf(field, s string, allowed ...string) error {
	if slices.Contains(allowed, s) {
		return nil
	}
	words := slices.DeleteFunc(slices.Clone(allowed), func(s string) bool { return s == "" }) // which stands for not said
	all := strings.Join(words, ", ")
	return Wrong(field, "kept_none_of", geometry.Values{"given": s, "allowed": all}, "%q is none of %s.", s, all)
}

func length(field string, mm float64) error {
	if mm >= 0 && !math.IsInf(mm, 1) { // false for NaN
		return nil
	}
	return Wrong(field, "kept_no_length", geometry.Values{"given_mm": mm}, "%g mm is no length.", mm)
}

// identifier accepts IDs as NewID makes them.
func identifier(field, id string) error {
	if len(id) == 32 && isHex(id) {
		return nil
	}
	return fail(Invalid, field+": an ID has 32 hexadecimal digits.", nil)
}

func isHex(s string) bool {
	return !strings.ContainsFunc(s, func(r rune) bool { return (r < '0' || r > '9') && (r < 'a' || r > 'f') })
}

// isSHA256 says whether s can be the name of a kept file. Nothing else ever
// becomes part of a path.
func isSHA256(s string) bool { return len(s) == 64 && isHex(s) }

func limitOf(n int) (int, error) {
	switch {
	case n == 0:
		return 50, nil
	case n < 0 || n > 500:
		return 0, fail(Invalid, fmt.Sprintf("limit: %d is not from 1 to 500.", n), nil)
	}
	return n, nil
}

// where restricts a query to the sites.
func (s Sites) where(column string) (string, []any) {
	if s.all {
		return "1 = 1", nil
	}
	if len(s.ids) == 0 {
		return "1 = 0", nil
	}
	args := make([]any, len(s.ids))
	for i, id := range s.ids {
		args[i] = id
	}
	return column + " IN (" + marks(len(args)) + ")", args
}

// marks is n placeholders.
func marks(n int) string { return strings.TrimSuffix(strings.Repeat("?, ", n), ", ") }
