package activity

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// clean makes text from outside fit for one line of paper: what is not printable
// (line breaks, escape sequences, marks that turn the direction of writing, broken
// UTF-8) becomes a space, and what is longer than most characters is cut.
func clean(text string, most int) string {
	var b strings.Builder
	n, space := 0, false
	for _, r := range text {
		if r == utf8.RuneError || !unicode.IsPrint(r) || r == ' ' || r == 0xFFFC {
			space = n > 0
			continue
		}
		if n >= most {
			return b.String() + "…"
		}
		if space {
			b.WriteByte(' ')
			n++
		}
		space = false
		b.WriteRune(r)
		n++
	}
	return b.String()
}

// most is how long any text of a report is, in characters.
const most = 500
