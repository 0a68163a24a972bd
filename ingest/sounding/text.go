package sounding

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"strconv"
	"time"

	"rimeline/ingest"
)

// metrePerSecondPerKnot is exact: one international nautical mile, 1852 m, an hour.
const metrePerSecondPerKnot = 1852.0 / 3600

// zeroCelsiusK is the ice point of the Celsius scale, exact.
const zeroCelsiusK = 273.15

// maxProblems is how many errors of one file are kept; the rest are counted.
const maxProblems = 100

// problems gathers what is wrong with a file while decoding goes on.
type problems struct {
	file    string
	list    []error
	dropped int
}

func (p *problems) add(message, offset int, reason error, format string, args ...any) {
	if len(p.list) >= maxProblems {
		p.dropped++
		return
	}
	p.list = append(p.list, &ingest.FormatError{
		File: p.file, Message: message, Offset: int64(offset),
		Detail: fmt.Sprintf(format, args...), Err: reason,
	})
}

// err joins the problems; nil where there are none.
func (p *problems) err() error {
	switch {
	case len(p.list) == 0:
		return nil
	case len(p.list) == 1:
		return p.list[0]
	case p.dropped > 0:
		return errors.Join(append(p.list, fmt.Errorf("%s: %d more errors", p.file, p.dropped))...)
	}
	return errors.Join(p.list...)
}

// lines walks over the lines of a text; a line ends with any mixture of
// carriage returns and one line feed.
type lines struct {
	b   []byte
	pos int
}

// next gives a line without its end, and the offset at which it starts.
func (l *lines) next() (line []byte, offset int, ok bool) {
	if l.pos >= len(l.b) {
		return nil, l.pos, false
	}
	offset = l.pos
	end := bytes.IndexByte(l.b[l.pos:], '\n')
	if end < 0 {
		line, l.pos = l.b[l.pos:], len(l.b)
	} else {
		line, l.pos = l.b[l.pos:l.pos+end], l.pos+end+1
	}
	for len(line) > 0 && line[len(line)-1] == '\r' {
		line = line[:len(line)-1]
	}
	return line, offset, true
}

var tenTo = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15}

// decimal reads a decimal number that fills s. Up to 15 digits the quotient of
// two exact floats is the correctly rounded value; the rest goes through
// strconv. Words such as NaN and Inf are not numbers.
func decimal(s []byte) (float64, bool) {
	i, negative := 0, false
	if i < len(s) && (s[i] == '-' || s[i] == '+') {
		negative = s[i] == '-'
		i++
	}
	var mantissa uint64
	digits, fraction, point := 0, 0, false
	for ; i < len(s); i++ {
		c := s[i]
		switch {
		case c >= '0' && c <= '9':
			mantissa = mantissa*10 + uint64(c-'0')
			digits++
			if point {
				fraction++
			}
		case c == '.' && !point:
			point = true
		case (c == 'e' || c == 'E') && digits > 0:
			return parseFloat(s)
		default:
			return 0, false
		}
		if digits > 15 {
			return parseFloat(s)
		}
	}
	if digits == 0 {
		return 0, false
	}
	v := float64(mantissa) / tenTo[fraction]
	if negative {
		v = -v
	}
	return v, true
}

func parseFloat(s []byte) (float64, bool) {
	for _, c := range s {
		if (c < '0' || c > '9') && c != '.' && c != '-' && c != '+' && c != 'e' && c != 'E' {
			return 0, false
		}
	}
	v, err := strconv.ParseFloat(string(s), 64)
	return v, err == nil && !math.IsInf(v, 0)
}

// digits reads an unsigned integer of at most nine digits that fills s.
func digits(s []byte) (int, bool) {
	if len(s) == 0 || len(s) > 9 {
		return 0, false
	}
	n := 0
	for _, c := range s {
		if c < '0' || c > '9' {
			return 0, false
		}
		n = n*10 + int(c-'0')
	}
	return n, true
}

// nearestClock gives the moment with this clock time that lies closest to t:
// a balloon for 00 UTC leaves at 23:05 the evening before.
func nearestClock(t time.Time, hour, minute int) time.Time {
	at := time.Date(t.Year(), t.Month(), t.Day(), hour, minute, 0, 0, time.UTC)
	switch d := at.Sub(t); {
	case d > 12*time.Hour:
		return at.AddDate(0, 0, -1)
	case d < -12*time.Hour:
		return at.AddDate(0, 0, 1)
	}
	return at
}

// shortTime reads YYMMDD/HHMM. Years from 1940 to 2039: the first radiosonde
// networks began about then.
func shortTime(s []byte) (time.Time, bool) {
	if len(s) != 11 || s[6] != '/' {
		return time.Time{}, false
	}
	year, ok0 := digits(s[0:2])
	month, ok1 := digits(s[2:4])
	day, ok2 := digits(s[4:6])
	hour, ok3 := digits(s[7:9])
	minute, ok4 := digits(s[9:11])
	if !(ok0 && ok1 && ok2 && ok3 && ok4) {
		return time.Time{}, false
	}
	if year < 40 {
		year += 2000
	} else {
		year += 1900
	}
	return validTime(year, month, day, hour, minute)
}

// validTime refuses what time.Date would fold into another day.
func validTime(year, month, day, hour, minute int) (time.Time, bool) {
	t := time.Date(year, time.Month(month), day, hour, minute, 0, 0, time.UTC)
	ok := month >= 1 && month <= 12 && day >= 1 && t.Day() == day && hour >= 0 && hour <= 23 && minute >= 0 && minute <= 59
	return t, ok
}

// wmoNumber gives back s where it is a block and station number.
func wmoNumber(s string) string {
	if len(s) != 5 || s == "99999" || s == "00000" {
		return ""
	}
	for _, c := range s {
		if c < '0' || c > '9' {
			return ""
		}
	}
	return s
}

// clip shortens untrusted text for an error message.
func clip(s []byte) string {
	const most = 40
	if len(s) > most {
		return strconv.QuoteToASCII(string(s[:most])) + "..."
	}
	return strconv.QuoteToASCII(string(s))
}
