package hydro

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// zoneOffsets are the abbreviations that United States agencies write beside
// local times (USGS tz_cd and others), in hours from UTC.
var zoneOffsets = map[string]float64{
	"UTC": 0, "GMT": 0, "Z": 0, "UT": 0,
	"AST": -4, "ADT": -3, "EST": -5, "EDT": -4, "CST": -6, "CDT": -5, "MST": -7, "MDT": -6,
	"PST": -8, "PDT": -7, "AKST": -9, "AKDT": -8, "HST": -10, "HAST": -10, "HADT": -9, "HDT": -9,
	"SST": -11, "CHST": 10, "GST": 10,
}

// zone reads "UTC", "-08:00", "PST" or an IANA name. An abbreviation and an
// offset stand still; only an IANA name has daylight-saving changes.
func zone(name string) (*time.Location, error) {
	name = strings.TrimSpace(name)
	if name == "" {
		return nil, fmt.Errorf("no time zone is given")
	}
	if hours, ok := zoneOffsets[strings.ToUpper(name)]; ok {
		if hours == 0 {
			return time.UTC, nil
		}
		return time.FixedZone(name, int(hours*secondsPerHour)), nil
	}
	for _, layout := range []string{"-07:00", "-0700", "-07"} {
		if t, err := time.Parse(layout, name); err == nil {
			_, seconds := t.Zone()
			return time.FixedZone(name, seconds), nil
		}
	}
	if strings.EqualFold(name, "local") {
		return nil, fmt.Errorf("time zone %q would depend on this computer", name)
	}
	at, err := time.LoadLocation(name)
	if err != nil {
		return nil, fmt.Errorf("time zone %q is unknown", clip(name))
	}
	return at, nil
}

// civil is a date and time on a wall clock, held as if it were UTC.
type civil struct{ time.Time }

// instants gives the moments at which clocks of a zone show a wall-clock time:
// one, two in the hour that autumn repeats, or none in the hour that spring
// leaves out; then the time by the offset before the change.
func instants(wall civil, in *time.Location) (first, second time.Time, count int) {
	offsetAt := func(t time.Time) time.Duration {
		_, seconds := t.In(in).Zone()
		return time.Duration(seconds) * time.Second
	}
	before := offsetAt(wall.Add(-24 * time.Hour))
	after := offsetAt(wall.Add(24 * time.Hour))
	var found []time.Time
	for _, offset := range []time.Duration{before, after} {
		t := wall.Add(-offset)
		if offsetAt(t) == offset && !slices.ContainsFunc(found, t.Equal) {
			found = append(found, t)
		}
	}
	switch len(found) {
	case 0:
		return wall.Add(-before), time.Time{}, 0
	case 1:
		return found[0], time.Time{}, 1
	}
	slices.SortFunc(found, time.Time.Compare)
	return found[0], found[1], 2
}

// settle turns the wall-clock times of a series, which stand in its points in
// file order, into moments. In the hour that occurs twice, a time that does not
// come after the one before it belongs to the second pass. Where a file shows
// only one pass, it cannot be known which; the earlier moment is taken, so that
// a reading is never held to be fresher than it is, and the points are flagged.
func settle(s *Series, in *time.Location) {
	points := s.Points
	backward := len(points) > 1 && points[len(points)-1].Time.Before(points[0].Time)
	if backward { // newest first
		slices.Reverse(points)
	}
	var last time.Time
	var twice []int
	secondPass, never := false, 0
	for i := range points {
		first, second, count := instants(civil{points[i].Time}, in)
		points[i].Time = first
		switch count {
		case 0:
			points[i].Flags |= TimeDoubtful
			never++
		case 2:
			if !last.IsZero() && !first.After(last) && last.Sub(first) < 2*time.Hour {
				points[i].Time, secondPass = second, true
			}
			twice = append(twice, i)
		}
		last = points[i].Time
	}
	if len(twice) > 0 && !secondPass {
		for _, i := range twice {
			points[i].Flags |= TimeDoubtful
		}
		s.note("%d times fall into the hour that %s repeats when daylight-saving time ends; the earlier moment is taken", len(twice), in)
	}
	if never > 0 {
		s.note("%d times do not exist in %s, whose clocks skip them: is the zone right?", never, in)
	}
	if backward {
		slices.Reverse(points)
	}
}

// layout is how times are written, in one or several columns.
type layout struct {
	fixed  string     // "rfc3339", "unix", "unix_ms", or ""
	parts  [][]symbol // for each column
	goText string     // a layout of package time
	day    bool       // no time of day
	zoned  bool       // the text carries its zone
}

// symbol is a run of one letter of a layout, or a literal.
type symbol struct {
	letter byte // Y M D J H m s A N (month name), 0 for literal
	width  int
	text   string
}

// parseLayout reads the description of times in a mapping:
//
//   - "rfc3339": 2026-01-31T05:00:00-07:00, with a zone in every value;
//   - "unix", "unix_ms": seconds or milliseconds since 1970 UTC;
//   - letters: YYYY or YY year, MM month (M where it may have one digit, and so
//     D, H, h), MMM month name, DD day of month, DDD day of the year, HH hour
//     (24 is midnight at the end), hh and A for hours 1 to 12 with AM or PM, mm
//     minute, ss second; everything else stands for itself. "HHmm" also reads
//     100 as 01:00.
//   - a layout of Go's package time, recognised by its year 2006.
//
// Columns of one time are joined by spaces in the layout.
func parseLayout(s string, columns int) (layout, error) {
	switch lower := strings.ToLower(strings.TrimSpace(s)); lower {
	case "rfc3339", "iso8601", "iso":
		return layout{fixed: "rfc3339", zoned: true}, nil
	case "unix", "unix_ms":
		return layout{fixed: lower, zoned: true}, nil
	case "":
		return layout{}, fmt.Errorf("no layout of times is given")
	}
	if strings.Contains(s, "2006") {
		return layout{goText: s, zoned: strings.Contains(s, "-07") || strings.Contains(s, "Z07") || strings.Contains(s, "MST"),
			day: !strings.Contains(s, "15") && !strings.Contains(s, "03") && !strings.Contains(s, "3:")}, nil
	}
	texts := []string{s}
	if columns > 1 {
		texts = strings.Fields(s)
		if len(texts) != columns {
			return layout{}, fmt.Errorf("layout %q has %d parts for %d time columns", clip(s), len(texts), columns)
		}
	}
	l := layout{day: true}
	seen := map[byte]bool{}
	for _, text := range texts {
		symbols, err := parseSymbols(text)
		if err != nil {
			return layout{}, err
		}
		for _, sym := range symbols {
			if sym.letter != 0 && seen[sym.letter] {
				return layout{}, fmt.Errorf("layout %q has %q twice", clip(s), sym.letter)
			}
			seen[sym.letter] = sym.letter != 0
			if sym.letter == 'H' || sym.letter == 'h' {
				l.day = false
			}
		}
		l.parts = append(l.parts, symbols)
	}
	if !seen['Y'] || !seen['J'] && (!seen['D'] || !seen['M'] && !seen['N']) {
		return layout{}, fmt.Errorf("layout %q lacks year, month or day", clip(s))
	}
	if seen['h'] && !seen['A'] {
		return layout{}, fmt.Errorf("layout %q has hours 1 to 12 without A for AM or PM", clip(s))
	}
	return l, nil
}

func parseSymbols(text string) ([]symbol, error) {
	var out []symbol
	for i := 0; i < len(text); {
		j := i
		for j < len(text) && text[j] == text[i] {
			j++
		}
		run, n := text[i], j-i
		switch {
		case run == 'Y' && (n == 4 || n == 2), run == 'M' && n <= 2, run == 'D' && n <= 2,
			run == 'H' && n <= 2, run == 'h' && n <= 2, run == 'm' && n <= 2, run == 's' && n <= 2, run == 'A' && n == 1:
			out = append(out, symbol{letter: run, width: n})
		case run == 'M' && n == 3:
			out = append(out, symbol{letter: 'N', width: 3})
		case run == 'D' && n == 3:
			out = append(out, symbol{letter: 'J', width: 3})
		case strings.IndexByte("YMDHhmsA", run) >= 0:
			return nil, fmt.Errorf("layout: %q is none of YYYY YY MM MMM DD DDD HH hh mm ss A", text[i:j])
		default:
			out = append(out, symbol{text: text[i:j]})
		}
		i = j
	}
	return out, nil
}

// read takes the texts of the time columns. It gives a wall-clock time, or a
// moment where the layout carries the zone.
func (l layout) read(texts []string) (wall civil, moment time.Time, err error) {
	joined := strings.TrimSpace(strings.Join(texts, " "))
	switch l.fixed {
	case "rfc3339":
		t, err := parseRFC3339(joined)
		return civil{}, t, err
	case "unix", "unix_ms":
		v, ok := parseNumber(joined)
		if l.fixed == "unix_ms" {
			v /= 1000
		}
		if !ok || math.Abs(v) > 1e11 {
			return civil{}, time.Time{}, fmt.Errorf("time %q is no count of seconds since 1970", clip(joined))
		}
		whole, part := math.Modf(v)
		return civil{}, time.Unix(int64(whole), int64(math.Round(part*1000))*1e6).UTC(), nil
	}
	if l.goText != "" {
		t, err := time.Parse(l.goText, joined)
		if err != nil {
			return civil{}, time.Time{}, fmt.Errorf("time %q does not fit %q", clip(joined), l.goText)
		}
		if l.zoned {
			return civil{}, t.UTC(), nil
		}
		return civil{t}, time.Time{}, nil
	}
	v := map[byte]int{'M': 1, 'D': 1}
	given := map[byte]bool{}
	for i, part := range l.parts {
		text := joined
		if len(l.parts) > 1 {
			text = strings.TrimSpace(texts[i])
		}
		if !readSymbols(part, text, v, given) {
			return civil{}, time.Time{}, fmt.Errorf("time %q does not fit its layout", clip(joined))
		}
	}
	t, err := civilOf(v, given)
	if err != nil {
		return civil{}, time.Time{}, fmt.Errorf("time %q: %w", clip(joined), err)
	}
	return civil{t}, time.Time{}, nil
}

var monthNames = []string{"jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"}

// readSymbols fills in the numbers of one column.
func readSymbols(part []symbol, text string, v map[byte]int, given map[byte]bool) bool {
	digits := 0
	for _, sym := range part {
		if sym.letter == 0 || sym.letter == 'A' || sym.letter == 'N' {
			digits = -1
			break
		}
		digits += sym.width
	}
	if digits > 0 && len(text) < digits && strings.Trim(text, "0123456789") == "" {
		text = strings.Repeat("0", digits-len(text)) + text
	}
	for i, sym := range part {
		switch sym.letter {
		case 0:
			rest, ok := strings.CutPrefix(text, sym.text)
			if !ok {
				return false
			}
			text = rest
		case 'A':
			if len(text) < 2 {
				return false
			}
			switch strings.ToUpper(text[:2]) {
			case "AM":
				v['A'] = 1
			case "PM":
				v['A'] = 2
			default:
				return false
			}
			text = text[2:]
		case 'N':
			if len(text) < 3 {
				return false
			}
			month := slices.Index(monthNames, strings.ToLower(text[:3]))
			if month < 0 {
				return false
			}
			v['M'], given['M'] = month+1, true
			text = strings.TrimLeft(text[3:], "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ")
		default:
			// A number before a literal or the end may have fewer digits.
			n := 0
			fixed := i+1 < len(part) && part[i+1].letter != 0
			width := sym.width
			if width == 1 && !fixed {
				width = 2
			}
			for n < len(text) && n < width && text[n] >= '0' && text[n] <= '9' {
				n++
			}
			if n == 0 || fixed && n < sym.width || sym.letter == 'Y' && n != sym.width {
				return false
			}
			number, err := strconv.Atoi(text[:n])
			if err != nil {
				return false
			}
			if sym.letter == 'Y' && sym.width == 2 {
				number += 2000 // value from memory: POSIX strptime takes 69 to 99 as 1969 to 1999
				if number >= 2069 {
					number -= 100
				}
			}
			v[sym.letter], given[sym.letter] = number, true
			text = text[n:]
		}
	}
	return text == ""
}

func civilOf(v map[byte]int, given map[byte]bool) (time.Time, error) {
	hour := v['H']
	if given['h'] {
		if v['h'] < 1 || v['h'] > 12 {
			return time.Time{}, fmt.Errorf("hour %d of 12", v['h'])
		}
		hour = v['h']%12 + 12*(v['A']-1)
	}
	if hour > 24 || hour == 24 && (v['m'] != 0 || v['s'] != 0) || v['m'] > 59 || v['s'] > 60 {
		return time.Time{}, fmt.Errorf("%02d:%02d:%02d is no time of day", hour, v['m'], v['s'])
	}
	if given['J'] {
		t := time.Date(v['Y'], 1, v['J'], hour, v['m'], v['s'], 0, time.UTC)
		if v['J'] < 1 || time.Date(v['Y'], 1, v['J'], 0, 0, 0, 0, time.UTC).Year() != v['Y'] {
			return time.Time{}, fmt.Errorf("the year %d has no day %d", v['Y'], v['J'])
		}
		return t, nil
	}
	day := time.Date(v['Y'], time.Month(v['M']), v['D'], 0, 0, 0, 0, time.UTC)
	if v['M'] < 1 || v['M'] > 12 || v['D'] < 1 || day.Day() != v['D'] {
		return time.Time{}, fmt.Errorf("%04d-%02d-%02d is no date", v['Y'], v['M'], v['D'])
	}
	return time.Date(v['Y'], time.Month(v['M']), v['D'], hour, v['m'], v['s'], 0, time.UTC), nil
}

// parseRFC3339 reads a time with a zone, as RFC 3339, WaterML and CAP write
// it; a time without one is refused, since its moment is not known.
func parseRFC3339(s string) (time.Time, error) {
	s = strings.TrimSpace(s)
	for _, form := range []string{time.RFC3339Nano, "2006-01-02T15:04Z07:00", "2006-01-02T15:04:05.999999999-0700", "2006-01-02 15:04:05Z07:00", "2006-01-02 15:04Z07:00"} {
		if t, err := time.Parse(form, s); err == nil {
			return t.UTC(), nil
		}
	}
	for _, form := range []string{"2006-01-02T15:04:05", "2006-01-02 15:04:05", "2006-01-02T15:04", "2006-01-02"} {
		if _, err := time.Parse(form, s); err == nil {
			return time.Time{}, fmt.Errorf("time %q has no zone", clip(s))
		}
	}
	return time.Time{}, fmt.Errorf("%q is no time", clip(s))
}

var (
	errNoTime = errors.New("is no time")
	errNoZone = errors.New("has no zone (tz_cd)")
)
