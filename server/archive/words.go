package archive

import (
	"slices"
	"strings"
	"unicode"

	"golang.org/x/text/runes"
	"golang.org/x/text/transform"
	"golang.org/x/text/unicode/norm"
)

// wordsOf takes texts apart into words as they are searched by: letters and
// digits in lower case without accents, each once.
func wordsOf(texts ...string) []string {
	fold := transform.Chain(norm.NFKD, runes.Remove(runes.In(unicode.Mn)), norm.NFC)
	var out []string
	for _, t := range texts {
		plain, _, err := transform.String(fold, t)
		if err != nil {
			plain = t
		}
		for _, w := range strings.FieldsFunc(strings.ToLower(plain), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsNumber(r) }) {
			if !slices.Contains(out, w) {
				out = append(out, w)
			}
		}
	}
	return out
}

// wordList writes words the way the column measurement.words keeps them: each
// with one blank before it, so that " ab" finds words beginning with ab.
func wordList(texts ...string) string {
	words := wordsOf(texts...)
	if len(words) == 0 {
		return ""
	}
	return " " + strings.Join(words, " ")
}

// beginningLetters is how much of a word the databases' indexes of words hold. They
// have lists of their own for shorter beginnings down to two letters (see the
// migrations), so that finding a beginning never means putting many words' lists
// together.
const beginningLetters = 6

// beginning is the part of a word that is in the index.
func beginning(word string) string {
	letters := 0
	for i := range word {
		if letters++; letters > beginningLetters {
			return word[:i]
		}
	}
	return word
}

// beginnings cuts every word of a list.
func beginnings(words string) string {
	cut := strings.Fields(words)
	for i, w := range cut {
		cut[i] = beginning(w)
	}
	return strings.Join(cut, " ")
}
