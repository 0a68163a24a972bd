package message

import (
	"strings"
	"unicode"
)

// printable makes text from outside fit for a terminal: what is not printable
// (line breaks, escape sequences, marks that turn the direction of writing)
// becomes a space.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return ' '
	}, text)
}
