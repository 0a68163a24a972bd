package feed

import (
	"bytes"
	"fmt"
	"strings"
	"time"

	"rimeline/ingest"
)

// Index is a GRIB inventory (.idx) as the wgrib2 program writes it and NOAA
// publishes it beside its GRIB2 files: a line a field,
//
//	number:offset:d=YYYYMMDDHH:variable:level:forecast:rest
//
// Fields of one message, numbered 133.1, 133.2, share its offset.
type Index []IndexEntry

// IndexEntry is one field of a GRIB file.
type IndexEntry struct {
	Number, Sub int   // message, 1 for the first; field within the message, 0 where it is the only one
	Offset, End int64 // bytes of the message in the file; End is -1 for the last, which ends with the file
	Reference   time.Time
	Variable    string // as TMP
	Level       string // as 700 mb
	Forecast    string // as anl, 6 hour fcst, 0-6 hour acc fcst
	Rest        string // as ENS=+1, prob >0.5; mostly empty
}

// ParseIndex reads an inventory. Errors are *ingest.FormatError; a last line
// that is cut off is ErrTruncated.
func ParseIndex(file string, b []byte) (Index, error) {
	text := string(b) // entries are parts of it
	index := make(Index, 0, min(bytes.Count(b, []byte{'\n'})+1, len(b)/minIndexLine+1))
	open := 0 // first entry whose end is not known yet
	for at := 0; at < len(text); {
		line, rest := text[at:], len(text)
		ended := false
		if i := strings.IndexByte(line, '\n'); i >= 0 {
			line, rest, ended = line[:i], at+i+1, true
		}
		line = strings.TrimSuffix(line, "\r")
		if strings.TrimSpace(line) == "" && strings.TrimSpace(text[at:]) == "" {
			break // blank lines at the end
		}
		e, pos, detail := parseIndexLine(line)
		if detail == "" && len(index) > 0 {
			last := index[len(index)-1]
			switch {
			case e.Number == last.Number && e.Sub == last.Sub+1 && last.Sub > 0 && e.Offset == last.Offset:
			case e.Offset <= last.Offset || e.Number <= last.Number:
				pos, detail = 0, fmt.Sprintf("message %d.%d at %d behind %d.%d at %d, want both to grow",
					e.Number, e.Sub, e.Offset, last.Number, last.Sub, last.Offset)
			}
		}
		if detail != "" {
			reason := ingest.ErrCorrupt
			if !ended {
				reason = ingest.ErrTruncated
			}
			return nil, &ingest.FormatError{File: file, Message: len(index) + 1, Offset: int64(at + pos), Detail: detail, Err: reason}
		}
		if len(index) > 0 && e.Offset > index[len(index)-1].Offset {
			for ; open < len(index); open++ {
				index[open].End = e.Offset
			}
		}
		index = append(index, e)
		at = rest
	}
	if len(index) == 0 {
		return nil, &ingest.FormatError{File: file, Offset: int64(len(b)), Detail: "no lines", Err: ingest.ErrTruncated}
	}
	return index, nil
}

const minIndexLine = len("1:0:d=2022101400::::")

// parseIndexLine reads one line. Where it departs from the form, detail says how
// and pos at which byte.
func parseIndexLine(line string) (e IndexEntry, pos int, detail string) {
	var fields [6]string
	rest := line
	for i := range fields {
		var found bool
		if fields[i], rest, found = strings.Cut(rest, ":"); !found {
			return e, len(line), fmt.Sprintf("%d fields closed by a colon, want 6 or more", i)
		}
	}
	number, sub, hasSub := strings.Cut(fields[0], ".")
	n, err := parseCount(number)
	if err != nil || n < 1 || n > 1<<31 {
		return e, 0, fmt.Sprintf("message number %.20q", fields[0])
	}
	e.Number = int(n)
	if hasSub {
		if n, err = parseCount(sub); err != nil || n < 1 || n > 1<<31 {
			return e, 0, fmt.Sprintf("message number %.20q", fields[0])
		}
		e.Sub = int(n)
	}
	pos = len(fields[0]) + 1
	if e.Offset, err = parseCount(fields[1]); err != nil {
		return e, pos, fmt.Sprintf("offset %.30q", fields[1])
	}
	pos += len(fields[1]) + 1
	reference, ok := parseReference(fields[2])
	if !ok {
		return e, pos, fmt.Sprintf("reference time %.30q, want d= and 10, 12 or 14 digits", fields[2])
	}
	e.Reference, e.End = reference, -1
	e.Variable, e.Level, e.Forecast = fields[3], fields[4], fields[5]
	e.Rest = strings.TrimSuffix(rest, ":")
	pos += len(fields[2]) + 1
	if e.Variable == "" {
		return e, pos, "no variable"
	}
	return e, 0, ""
}

// parseReference reads d=YYYYMMDDHH, with minutes and seconds where they are
// there.
func parseReference(s string) (time.Time, bool) {
	digits, ok := strings.CutPrefix(s, "d=")
	if !ok || len(digits) != 10 && len(digits) != 12 && len(digits) != 14 {
		return time.Time{}, false
	}
	var v [7]int // two digits each
	for i := range len(digits) / 2 {
		tens, ones := digits[2*i]-'0', digits[2*i+1]-'0'
		if tens > 9 || ones > 9 {
			return time.Time{}, false
		}
		v[i] = int(tens)*10 + int(ones)
	}
	at := time.Date(v[0]*100+v[1], time.Month(v[2]), v[3], v[4], v[5], v[6], 0, time.UTC)
	// time.Date carries what is too large over into the next unit.
	if at.Month() != time.Month(v[2]) || at.Day() != v[3] || at.Hour() != v[4] || at.Minute() != v[5] || at.Second() != v[6] {
		return time.Time{}, false
	}
	return at, true
}

// Ranges gives the bytes of the messages that hold a field to be kept, in the
// order of the file, a range a message.
func (i Index) Ranges(keep func(IndexEntry) bool) []Range {
	var ranges []Range
	for _, e := range i {
		r := Range{Offset: e.Offset, End: e.End}
		if keep(e) && (len(ranges) == 0 || ranges[len(ranges)-1] != r) {
			ranges = append(ranges, r)
		}
	}
	return ranges
}
