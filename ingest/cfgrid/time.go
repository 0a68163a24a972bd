package cfgrid

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// timeAxis turns numbers into instants: so many units since an instant.
type timeAxis struct {
	sinceS    int64 // Unix seconds of the reference
	sinceNano int64
	unitS     float64 // seconds in one unit
}

// secondsIn the time units of UDUNITS that have a fixed length, singular.
var secondsIn = map[string]float64{
	"microsecond": 1e-6, "microsec": 1e-6,
	"millisecond": 1e-3, "millisec": 1e-3, "msec": 1e-3, "ms": 1e-3,
	"second": 1, "sec": 1, "s": 1,
	"minute": 60, "min": 60,
	"hour": 3600, "hr": 3600, "h": 3600,
	"day": 86400, "d": 86400,
	"week": 604800,
}

// timeUnitS gives the seconds in a unit of time.
func timeUnitS(unit string) (float64, bool) {
	unit = strings.ToLower(strings.TrimSpace(unit))
	if s, known := secondsIn[unit]; known {
		return s, true
	}
	s, known := secondsIn[strings.TrimSuffix(unit, "s")]
	return s, known && len(unit) > 2
}

// since finds the parts of "UNIT since DATE [TIME] [ZONE]" as UDUNITS reads it
// and as files write it: one-digit months and hours, T or blank between date and
// time, Z, UTC, GMT or an offset of hours and minutes with or without colon and
// sign, all of it in brackets.
var since = regexp.MustCompile(`(?i)^\s*([a-z]+)\s+(?:since|after|from|ref)\s+\(?\s*` +
	`([+-]?\d{1,5})-(\d{1,2})-(\d{1,2})` +
	`(?:(?:\s*T\s*|\s+)(\d{1,2})(?::(\d{1,2})(?::(\d{1,2}(?:\.\d*)?))?)?)?` +
	`(?:\s*(Z|UTC|GMT)|\s*([+-]\d{1,2}(?::?\d{2})?)|\s+(\d{1,2}:\d{2}|\d{4}))?\s*\)?\s*$`)

// isTimeUnits tells a reference time from other units.
func isTimeUnits(units string) bool {
	lower := strings.ToLower(units)
	return strings.Contains(lower, " since ")
}

// parseTimeAxis reads units and calendar of a time coordinate. No calendar means
// the standard one (CF 4.4.1).
func parseTimeAxis(units, calendar string) (timeAxis, error) {
	m := since.FindStringSubmatch(units)
	if m == nil {
		return timeAxis{}, fmt.Errorf("time units %q are not of the form UNIT since DATE TIME", units)
	}
	unitS, known := timeUnitS(m[1])
	if !known {
		return timeAxis{}, fmt.Errorf("time unit %q has no fixed length or is unknown", m[1])
	}
	atoi := func(s string) int { n, _ := strconv.Atoi(s); return n } // digits by the pattern
	year, month, day := atoi(m[2]), atoi(m[3]), atoi(m[4])
	hour, minute := atoi(m[5]), atoi(m[6])
	second := 0.0
	if m[7] != "" {
		second, _ = strconv.ParseFloat(m[7], 64)
	}
	if month < 1 || month > 12 || day < 1 || day > 31 || hour > 24 || minute > 59 || second >= 61 {
		return timeAxis{}, fmt.Errorf("time units %q name no date and time", units)
	}
	days, err := calendarDays(calendar, year, month, day)
	if err != nil {
		return timeAxis{}, err
	}
	whole, fraction := math.Modf(second)
	t := timeAxis{unitS: unitS, sinceNano: int64(math.Round(fraction * 1e9))}
	t.sinceS = days*86400 + int64(hour)*3600 + int64(minute)*60 + int64(whole) - zoneS(m[9]+m[10])
	return t, nil
}

// zoneS gives the seconds by which a zone is ahead of UTC: "-6", "+0530", "5:30".
func zoneS(zone string) int64 {
	sign := int64(1)
	if strings.HasPrefix(zone, "-") {
		sign = -1
	}
	zone = strings.TrimLeft(zone, "+-")
	hours, minutes, colon := strings.Cut(zone, ":")
	if !colon && len(zone) > 2 {
		hours, minutes = zone[:len(zone)-2], zone[len(zone)-2:]
	}
	h, _ := strconv.ParseInt(hours, 10, 64)
	m, _ := strconv.ParseInt(minutes, 10, 64)
	return sign * (h*3600 + m*60)
}

// calendarDays gives the days from 1970-01-01 to a date of a calendar that the
// real world keeps or kept.
func calendarDays(calendar string, year, month, day int) (int64, error) {
	var days int64
	switch strings.ToLower(strings.TrimSpace(calendar)) {
	case "", "standard", "gregorian":
		// Julian before the reform: 4 October 1582 was followed by the 15th.
		if year < 1582 || year == 1582 && (month < 10 || month == 10 && day < 15) {
			days = julianDays(year, month, day)
		} else {
			days = gregorianDays(year, month, day)
		}
	case "proleptic_gregorian":
		days = gregorianDays(year, month, day)
	case "julian":
		days = julianDays(year, month, day)
	default:
		return 0, fmt.Errorf("calendar %q has dates that are no instants of the real world", calendar)
	}
	return days, nil
}

func gregorianDays(year, month, day int) int64 {
	return time.Date(year, time.Month(month), day, 0, 0, 0, 0, time.UTC).Unix() / 86400
}

// julianDays counts with a leap year every four years. Its year is taken to
// begin in March, so that the leap day is the last.
func julianDays(year, month, day int) int64 {
	y, m := int64(year), int64(month)
	if m < 3 {
		y, m = y-1, m+12
	}
	// Days before the month, of a year that begins with March: 0, 31, 61, 92 ...
	before := (153*(m-3) + 2) / 5
	leap := y / 4
	if y < 0 && y%4 != 0 {
		leap--
	}
	// 1 March of year 0 (Julian) is day -719470: from 1 January 1970
	// (Gregorian), Julian day number 2440588, minus 1721118.
	return 365*y + leap + before + int64(day) - 1 - 719470
}

// at gives the instant of a number, to the millisecond: finer than that, double
// precision days since year 1 do not resolve. Zero for missing numbers and for
// those more than 10 000 years off.
func (t timeAxis) at(value float64) time.Time {
	if t.unitS == 0 {
		return time.Time{}
	}
	whole, fraction := math.Modf(value)
	seconds := whole * t.unitS
	if math.IsNaN(seconds) || math.Abs(seconds) > 3.2e11 {
		return time.Time{}
	}
	wholeS, restS := math.Modf(seconds)
	restS += fraction * t.unitS
	milli := math.Round(restS * 1e3)
	return time.Unix(t.sinceS+int64(wholeS), t.sinceNano+int64(milli)*1e6).UTC()
}
