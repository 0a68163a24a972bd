package export

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"

	"rimeline/seedability/archive"
)

// unitWords are units as the last part of a name.
var unitWords = map[string]string{
	"m": "m", "K": "k", "degC": "degc", "kg m-2": "kg_per_m2", "kg m-3": "kg_per_m3", "min": "minutes", "s": "s", "degree": "deg", "degrees_north": "deg", "degrees_east": "deg",
	"m s-1": "m_per_s", "mm h-1": "mm_per_h", "mm": "mm", "L-1": "per_litre", "g": "g", "dBZ": "dbz",
}

// Title of a column: its name, with the unit at the end where the name does not say it.
// Times are in UTC, and say so themselves.
func Title(h archive.Heading) string {
	if h.Unit == "" || h.Unit == "1" {
		return h.Name
	}
	word, known := unitWords[h.Unit]
	if !known {
		word = strings.Map(func(r rune) rune {
			if r < 128 && (unicode.IsLetter(r) || unicode.IsDigit(r)) {
				return unicode.ToLower(r)
			}
			return '_'
		}, h.Unit)
	}
	if strings.Contains("_"+h.Name+"_", "_"+word+"_") || word == "g" && strings.HasPrefix(h.Name, "grams") {
		return h.Name
	}
	return h.Name + "_" + word
}

// CSV writes rows of a table by RFC 4180, in UTF-8, with the programme in the first
// column. What is missing is an empty field. Numbers have all their digits. An
// apostrophe goes before text that a spreadsheet would take for a formula; Bare takes
// it off again.
func CSV(ctx context.Context, s *Source, table string, into io.Writer) (rows int64, err error) {
	w := bufio.NewWriterSize(into, 1<<16)
	headings := archive.Headings(table)
	columns := s.columnsOf(headings)
	line := []byte("programme")
	for _, c := range columns {
		line = append(append(line, ','), Title(headings[c])...)
	}
	if _, err := w.Write(append(line, '\r', '\n')); err != nil {
		return 0, err
	}
	err = s.each(ctx, table, func(r archive.Rows) error {
		for k := range r.Len {
			line = appendCell(line[:0], r.Programme)
			for _, c := range columns {
				line = append(line, ',')
				line = appendField(line, headings[c], &r.Columns[c], k)
			}
			if _, err := w.Write(append(line, '\r', '\n')); err != nil {
				return err
			}
			rows++
		}
		return nil
	})
	if flushing := w.Flush(); err == nil {
		err = flushing
	}
	return rows, err
}

func appendField(line []byte, h archive.Heading, c *archive.Column, k int) []byte {
	switch h.Of {
	case archive.Float:
		if x := c.Floats[k]; !math.IsNaN(x) {
			line = strconv.AppendFloat(line, x, 'g', -1, 64)
		}
	case archive.Int:
		if x := c.Ints[k]; x != archive.Missing {
			line = strconv.AppendInt(line, x, 10)
		}
	case archive.Time:
		if x := c.Ints[k]; x != archive.Missing {
			line = archive.TimeOf(x).AppendFormat(line, time.RFC3339Nano)
		}
	default:
		text := c.Texts[k]
		if isJSON(h) {
			var b bytes.Buffer
			if json.Compact(&b, []byte(text)) == nil {
				text = b.String()
			}
		}
		line = appendCell(line, text)
	}
	return line
}

func isJSON(h archive.Heading) bool { return strings.HasSuffix(h.Name, "_json") }

// risky: a spreadsheet takes text that begins so for a formula (CWE-1236; the list is
// that of OWASP, CSV Injection, with the full-width forms).
func risky(text string) bool {
	if text != "" && strings.ContainsRune("\t\r\n", rune(text[0])) {
		return true
	}
	for _, r := range text {
		if unicode.IsSpace(r) {
			continue
		}
		return strings.ContainsRune("=+-@|＝＋－＠", r)
	}
	return false
}

// Bare is text as it was before it became a cell.
func Bare(cell string) string {
	if strings.HasPrefix(cell, "'") && risky(strings.TrimLeft(cell, "'")) {
		return cell[1:]
	}
	return cell
}

func appendCell(line []byte, text string) []byte {
	guard := risky(strings.TrimLeft(text, "'"))
	if !guard && !strings.ContainsAny(text, "\",\r\n;\t ") {
		return append(line, text...)
	}
	line = append(line, '"')
	if guard {
		line = append(line, '\'')
	}
	for k := range len(text) {
		if text[k] == '"' {
			line = append(line, '"')
		}
		line = append(line, text[k])
	}
	return append(line, '"')
}
