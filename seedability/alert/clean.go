package alert

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// Bounds on what comes from outside, in characters.
const (
	maxName   = 80
	maxReason = 400
	maxList   = 20
)

// clean makes text from outside fit for a line of mail, a header or a terminal:
// what is not printable (line breaks, escape sequences, marks that turn the
// direction of writing, broken UTF-8) becomes a space, runs of spaces one, and what
// is longer than most characters is cut.
func clean(text string, most int) string {
	var b strings.Builder
	n, space := 0, false
	for _, r := range text {
		if r == utf8.RuneError || !unicode.IsPrint(r) || r == ' ' || r == 0xFFFC {
			space = n > 0
			continue
		}
		if n >= most || space && n+1 >= most {
			return cut(b.String()+"…", most)
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

// cut shortens text to most characters, with an ellipsis where something is lost.
func cut(text string, most int) string {
	if utf8.RuneCountInString(text) <= most {
		return text
	}
	runes := []rune(text)
	return strings.TrimRight(string(runes[:max(most-1, 0)]), " ,;:…") + "…"
}

// cleanAll cleans a list and bounds it.
func cleanAll(texts []string, most int) []string {
	cleaned := []string{}
	for _, text := range texts {
		if text = clean(text, most); text != "" && len(cleaned) < maxList {
			cleaned = append(cleaned, text)
		}
	}
	return cleaned
}
