package sounding

import (
	"bytes"
	"encoding/json"
	"errors"
	"math"
	"time"

	"rimeline/ingest"
)

// jsonDepth is how deep values may be nested; the form needs four.
const jsonDepth = 32

// DecodeJSON reads the JSON profile form of the Iowa Environmental Mesonet's
// RAOB service:
//
//	{"profiles": [{"station": "KBOI", "valid": "2010-12-09T12:00:00Z",
//	  "profile": [{"pres": hPa, "hght": m, "tmpc": C, "dwpc": C, "drct": degrees, "sknt": knots}]}]}
//
// Members may come in any order, others are passed over. Missing values are
// null, or the bare words NaN, Infinity and -Infinity, which are not JSON; that,
// offsets in errors and speed are why the scanner here is our own. A profile
// that the file breaks off in is returned with what was read, its error beside it.
func DecodeJSON(file string, b []byte) ([]Report, error) {
	d := jsonDecoder{problems: problems{file: file}, b: b}
	if bytes.HasPrefix(b, []byte("\xef\xbb\xbf")) {
		d.pos = 3
	}
	err := d.object(0, func(key []byte) error {
		if string(key) != "profiles" {
			return d.skip(1)
		}
		return d.array(1, d.profile)
	})
	if err == nil {
		if d.space(); d.pos < len(b) {
			d.add(len(d.reports), d.pos, ingest.ErrCorrupt, "text after the end of the object")
		}
	}
	if err == nil && len(d.reports) == 0 && len(d.list) == 0 {
		d.add(0, 0, ErrNoSounding, "no profiles")
	}
	return d.reports, d.err()
}

// errStopped ends the recursion after a problem was written down.
var errStopped = errors.New("stopped")

type jsonDecoder struct {
	problems
	b       []byte
	pos     int
	reports []Report
}

// fail writes down a problem at the cursor; at the end of the file it is truncation.
func (d *jsonDecoder) fail(detail string) error {
	reason := ingest.ErrCorrupt
	if d.pos >= len(d.b) {
		reason, detail = ingest.ErrTruncated, detail+", the file ends"
	}
	d.add(len(d.reports)+1, min(d.pos, len(d.b)), reason, "%s", detail)
	return errStopped
}

func (d *jsonDecoder) space() {
	for d.pos < len(d.b) {
		switch d.b[d.pos] {
		case ' ', '\t', '\r', '\n':
			d.pos++
		default:
			return
		}
	}
}

// take steps over c, if it comes next.
func (d *jsonDecoder) take(c byte) bool {
	d.space()
	if d.pos < len(d.b) && d.b[d.pos] == c {
		d.pos++
		return true
	}
	return false
}

func (d *jsonDecoder) object(depth int, member func(key []byte) error) error {
	if depth > jsonDepth {
		return d.fail("nested too deep")
	}
	if !d.take('{') {
		return d.fail("{ expected")
	}
	if d.take('}') {
		return nil
	}
	for {
		key, err := d.text()
		if err != nil {
			return err
		}
		if !d.take(':') {
			return d.fail(": expected")
		}
		if err := member(key); err != nil {
			return err
		}
		if d.take('}') {
			return nil
		}
		if !d.take(',') {
			return d.fail(", or } expected")
		}
	}
}

func (d *jsonDecoder) array(depth int, element func() error) error {
	if depth > jsonDepth {
		return d.fail("nested too deep")
	}
	if !d.take('[') {
		return d.fail("[ expected")
	}
	if d.take(']') {
		return nil
	}
	for {
		if err := element(); err != nil {
			return err
		}
		if d.take(']') {
			return nil
		}
		if !d.take(',') {
			return d.fail(", or ] expected")
		}
	}
}

// text reads a string. Only one with escapes is copied.
func (d *jsonDecoder) text() ([]byte, error) {
	if !d.take('"') {
		return nil, d.fail("string expected")
	}
	start := d.pos
	for i := start; i < len(d.b); i++ {
		switch c := d.b[i]; {
		case c == '"':
			d.pos = i + 1
			return d.b[start:i], nil
		case c == '\\':
			return d.escaped(start)
		case c < ' ':
			d.pos = i
			return nil, d.fail("control character in a string")
		}
	}
	d.pos = len(d.b)
	return nil, d.fail("string without end")
}

func (d *jsonDecoder) escaped(start int) ([]byte, error) {
	for i := start; i < len(d.b); i++ {
		switch d.b[i] {
		case '\\':
			i++
		case '"':
			var s string
			if err := json.Unmarshal(d.b[start-1:i+1], &s); err != nil {
				d.pos = start
				return nil, d.fail("bad escape in a string")
			}
			d.pos = i + 1
			return []byte(s), nil
		}
	}
	d.pos = len(d.b)
	return nil, d.fail("string without end")
}

// bare cuts out a number or word.
func (d *jsonDecoder) bare() []byte {
	d.space()
	start := d.pos
	for d.pos < len(d.b) {
		switch c := d.b[d.pos]; {
		case c >= '0' && c <= '9', c >= 'a' && c <= 'z', c >= 'A' && c <= 'Z', c == '-', c == '+', c == '.':
			d.pos++
			continue
		}
		break
	}
	return d.b[start:d.pos]
}

// number reads a number; null and the words for not-a-number are NaN.
func (d *jsonDecoder) number() (float64, error) {
	word := d.bare()
	if v, ok := decimal(word); ok && d.pos < len(d.b) {
		return v, nil
	}
	if d.pos >= len(d.b) {
		return 0, d.fail("number expected")
	}
	switch string(word) {
	case "null", "NaN", "Infinity", "-Infinity":
		return math.NaN(), nil
	}
	d.pos -= len(word)
	return 0, d.fail("number expected")
}

// skip steps over any value.
func (d *jsonDecoder) skip(depth int) error {
	d.space()
	if d.pos >= len(d.b) {
		return d.fail("value expected")
	}
	switch d.b[d.pos] {
	case '{':
		return d.object(depth, func([]byte) error { return d.skip(depth + 1) })
	case '[':
		return d.array(depth, func() error { return d.skip(depth + 1) })
	case '"':
		_, err := d.text()
		return err
	}
	word := d.bare()
	switch string(word) {
	case "true", "false", "null", "NaN", "Infinity", "-Infinity":
		return nil
	}
	if _, ok := decimal(word); !ok {
		d.pos -= len(word)
		return d.fail("value expected")
	}
	return nil
}

func (d *jsonDecoder) profile() error {
	if len(d.reports) >= MaxReports {
		return d.fail("too many profiles")
	}
	r := Report{Format: FormatJSON, Station: unknownStation()}
	start := d.pos
	err := d.object(2, func(key []byte) error {
		switch string(key) {
		case "station":
			if d.space(); d.pos < len(d.b) && d.b[d.pos] != '"' {
				return d.skip(3)
			}
			name, err := d.text()
			r.Station.Identifier = string(name[:min(len(name), 40)])
			r.Station.WMONumber = wmoNumber(r.Station.Identifier)
			return err
		case "valid":
			if d.space(); d.pos < len(d.b) && d.b[d.pos] != '"' {
				return d.skip(3)
			}
			at := d.pos
			word, err := d.text()
			if err != nil {
				return err
			}
			t, ok := jsonTime(word)
			if !ok {
				d.add(len(d.reports)+1, at, ingest.ErrCorrupt, "valid %s is not an RFC 3339 time", clip(word))
			}
			r.Time = t
		case "profile":
			return d.array(3, func() error { return d.level(&r) })
		default:
			return d.skip(3)
		}
		return nil
	})
	if err != nil {
		if len(r.Levels) == 0 {
			return err
		}
		r.Notes = append(r.Notes, "the file breaks off or is damaged within this profile")
	} else if r.Time.IsZero() && len(d.list) == 0 {
		d.add(len(d.reports)+1, start, ingest.ErrCorrupt, "profile without a valid time")
	}
	r.markBelowGround()
	r.doubt()
	d.reports = append(d.reports, r)
	return err
}

func jsonTime(word []byte) (time.Time, bool) {
	for _, layout := range []string{time.RFC3339, "2006-01-02T15:04Z", "2006-01-02T15:04:05"} {
		if t, err := time.Parse(layout, string(word[:min(len(word), 40)])); err == nil {
			return t.UTC(), true
		}
	}
	return time.Time{}, false
}

func (d *jsonDecoder) level(r *Report) error {
	if len(r.Levels) >= MaxLevels {
		return d.fail("too many levels")
	}
	level := MissingLevel()
	err := d.object(4, func(key []byte) error {
		var v float64
		var err error
		switch string(key) {
		case "pres":
			v, err = d.number()
			level.PressurePa = v * 100
		case "hght":
			level.GeopotentialHeightM, err = d.number()
		case "tmpc":
			v, err = d.number()
			level.AirTemperatureK = v + zeroCelsiusK
		case "dwpc":
			v, err = d.number()
			level.DewPointK = v + zeroCelsiusK
		case "drct":
			level.WindFromDeg, err = d.number()
		case "sknt":
			v, err = d.number()
			level.WindSpeedMPerS = v * metrePerSecondPerKnot
		default:
			return d.skip(5)
		}
		return err
	})
	if err == nil {
		r.Levels = append(r.Levels, level)
	}
	return err
}
