package activity

import (
	"math"
	"strings"
	"testing"
)

// What a spreadsheet may take for a formula: OWASP, CSV Injection (the characters, in
// quotes with an apostrophe in front); quotes doubled: RFC 4180, section 2.7.
func TestCell(t *testing.T) {
	for text, want := range map[string]string{
		"":                        `""`,
		"plain":                   `"plain"`,
		`a "b", c; d`:             `"a ""b"", c; d"`,
		"=1":                      `"'=1"`,
		" =1":                     `"'=1"`, // spaces at the start go, the formula stays one
		"\t=1":                    `"'=1"`,
		"+1":                      `"'+1"`,
		"-1":                      `"'-1"`,
		"@a":                      `"'@a"`,
		"＝1":                      `"'＝1"`,
		"'=1":                     `"''=1"`,
		"'quoted'":                `"'quoted'"`,
		"a=1":                     `"a=1"`,
		"a\r\n=1\x1b[31m\u202eb":  `"a =1 [31m b"`,
		"\xff\xfe":                `""`,
		strings.Repeat("x", 9999): `"` + strings.Repeat("x", 4*most) + `…"`,
	} {
		if got := cell(text); got != want {
			t.Errorf("%q: %s, want %s", text, got, want)
		}
	}
	for _, test := range []struct {
		x        float64
		decimals int
		want     string
	}{{-114.62, 4, "-114.62"}, {0, 3, "0"}, {-1e-9, 3, "0"}, {100, 0, "100"}, {1. / 3, 4, "0.3333"}, {1e5, 3, "100000"}, {math.Inf(1), 2, "+Inf"}} {
		if got := number(test.x, test.decimals); got != test.want {
			t.Errorf("%g: %s, want %s", test.x, got, test.want)
		}
	}
}
