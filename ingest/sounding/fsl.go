package sounding

import (
	"bytes"
	"fmt"
	"math"
	"time"

	"rimeline/ingest"
)

// DecodeFSL reads the radiosonde text of NOAA's Forecast Systems Laboratory and
// its successors, as described in "FSL Rawinsonde data format" and in "GSD
// Sounding Format Description" (rucsoundings.noaa.gov/raob_format.html):
//
//	254   HOUR  DAY   MONTH YEAR                     new sounding (or RAOB, AMDAR)
//	  1   WBAN# WMO#  LAT D LON D  ELEV   RTIME      station, release HHMM
//	  2   HYDRO MXWD  TROPL LINES  TINDEX SOURCE     LINES counts these four too
//	  3         STAID              SONDE  WSUNITS    kt, or ms for tenths of m/s
//	  9 4 5 6 7 8  PRESSURE HEIGHT TEMP DEWPT DIR SPD
//
// Line types: 9 surface, 4 mandatory, 5 significant, 6 wind level, 7 tropopause,
// 8 maximum wind. Pressure is in tenths of hPa (new form) or whole hPa (original
// form, told by no pressure being above 1100), temperatures in tenths of a
// degree C, heights in m; 99999 (new) and 32767 (original) are missing. A
// longitude without its letter comes from the original North American archive
// and is west; a note says so. Columns 8 to 10 (clock time, bearing, range) are
// not read. A sounding with fewer lines than LINES announces is returned
// together with an error of ErrTruncated.
func DecodeFSL(file string, b []byte) ([]Report, error) {
	d := fslDecoder{problems: problems{file: file}, end: len(b)}
	l := lines{b: b}
	for {
		line, offset, ok := l.next()
		if !ok {
			break
		}
		if len(line) > fslLongestLine {
			d.add(d.message(), offset, ingest.ErrCorrupt, "line of %d bytes, at most %d in this format", len(line), fslLongestLine)
			continue
		}
		if !d.line(line, offset) {
			return d.reports, d.err()
		}
	}
	d.flush(len(b))
	if len(d.reports) == 0 && len(d.list) == 0 {
		d.add(1, len(b), ingest.ErrTruncated, "no line 254")
	}
	return d.reports, d.err()
}

const fslLongestLine = 400

type fslDecoder struct {
	problems
	reports []Report
	end     int

	current      *Report
	currentAt    int
	tenthsOfMS   bool
	unitKnown    bool
	linesPromise int // LINES of line 2; 0 where missing
	linesSeen    int
}

func (d *fslDecoder) message() int { return len(d.reports) + 1 }

// line takes in one line; false ends the decoding.
func (d *fslDecoder) line(line []byte, offset int) bool {
	words := bytes.Fields(line)
	if len(words) == 0 {
		return true
	}
	if t, ok := fslHead(words); ok {
		d.flush(offset)
		if len(d.reports) >= MaxReports {
			d.add(d.message(), offset, ingest.ErrCorrupt, "more than %d soundings", MaxReports)
			return false
		}
		d.current = &Report{Format: FormatFSL, Station: unknownStation(), Time: t}
		d.currentAt, d.linesSeen, d.linesPromise, d.unitKnown, d.tenthsOfMS = offset, 1, 0, false, false
		if t.IsZero() {
			d.add(d.message(), offset, ingest.ErrCorrupt, "%s is not hour, day, month, year", clip(line))
		}
		return true
	}
	if d.current == nil {
		return true // a caption before the first sounding
	}
	kind, ok := digits(words[0])
	if !ok || kind < 1 || kind > 9 {
		d.add(d.message(), offset, ingest.ErrCorrupt, "line type %s, the format has 1 to 9 and 254", clip(words[0]))
		return true
	}
	d.linesSeen++
	switch kind {
	case 1:
		d.station(line, words, offset)
	case 2:
		if len(words) > 4 {
			if n, ok := digits(words[4]); ok && n != 99999 && n != 32767 {
				d.linesPromise = n
			}
		}
	case 3:
		d.identity(words)
	default:
		if len(d.current.Levels) >= MaxLevels {
			d.add(d.message(), offset, ingest.ErrCorrupt, "more than %d levels", MaxLevels)
			return false
		}
		d.level(kind, words, offset)
	}
	return true
}

// fslHead recognises the first line of a sounding. The time is zero where the
// line is one but its date is impossible.
func fslHead(words [][]byte) (time.Time, bool) {
	if len(words) != 5 {
		return time.Time{}, false
	}
	if kind, ok := digits(words[0]); ok && kind != 254 {
		return time.Time{}, false
	}
	month := bytes.Index([]byte("JANFEBMARAPRMAYJUNJULAUGSEPOCTNOVDEC"), bytes.ToUpper(words[3]))
	if len(words[3]) != 3 || month < 0 || month%3 != 0 {
		return time.Time{}, false
	}
	hour, ok1 := digits(words[1])
	day, ok2 := digits(words[2])
	year, ok3 := digits(words[4])
	if !ok1 || !ok2 || !ok3 {
		return time.Time{}, false
	}
	t, ok := validTime(year, month/3+1, day, hour, 0)
	if !ok {
		return time.Time{}, true
	}
	return t, true
}

func fslNumber(word []byte) (float64, bool) {
	v, ok := decimal(word)
	if v == 99999 || v == 32767 || v == -99999 {
		v = math.NaN()
	}
	return v, ok
}

// station reads line 1: 3I7, F7.2, A1, F6.2, A1, I6, I7, but tolerates other
// spacing; latitude and longitude may touch ("34.82S158.53W").
func (d *fslDecoder) station(line []byte, words [][]byte, offset int) {
	s := &d.current.Station
	if len(words) > 2 {
		s.WMONumber = wmoNumber(fmt.Sprintf("%05s", words[2]))
		if s.Identifier == "" {
			s.Identifier = s.WMONumber
		}
	}
	rest := line
	for range 3 {
		rest = bytes.TrimLeft(rest, " ")
		if cut := bytes.IndexByte(rest, ' '); cut >= 0 {
			rest = rest[cut:]
		}
	}
	latitudeDeg, north, rest := fslAngle(rest)
	longitudeDeg, east, rest := fslAngle(rest)
	switch north {
	case 'S':
		latitudeDeg = -latitudeDeg
	}
	switch east {
	case 'W':
		longitudeDeg = -longitudeDeg
	case 0:
		if longitudeDeg > 0 {
			longitudeDeg = -longitudeDeg
			d.current.Notes = append(d.current.Notes, "longitude has no letter, taken as west (original North American archive)")
		}
	}
	s.Place = placeIn(latitudeDeg, longitudeDeg)
	tail := bytes.Fields(rest)
	if len(tail) > 0 {
		if v, ok := fslNumber(tail[0]); ok {
			s.AltitudeM = v
		}
	}
	if len(tail) > 1 {
		if clock, ok := digits(tail[1]); ok && clock != 99999 && clock != 32767 && !d.current.Time.IsZero() {
			if clock/100 <= 23 && clock%100 <= 59 {
				d.current.ReleaseTime = nearestClock(d.current.Time, clock/100, clock%100)
			} else {
				d.add(d.message(), offset, ingest.ErrCorrupt, "release time %d is not HHMM", clock)
			}
		}
	}
	if len(tail) < 2 || math.IsNaN(s.Place.LatitudeDeg) {
		d.current.Notes = append(d.current.Notes, "station line incomplete: place, height or release missing")
	}
}

// fslAngle reads a number and the letter N, S, E or W behind it (0 for none).
func fslAngle(s []byte) (deg float64, letter byte, rest []byte) {
	s = bytes.TrimLeft(s, " ")
	n := 0
	for n < len(s) && (s[n] >= '0' && s[n] <= '9' || s[n] == '.' || s[n] == '-') {
		n++
	}
	deg, ok := fslNumber(s[:n])
	if !ok {
		return math.NaN(), 0, s[n:]
	}
	s = s[n:]
	if len(s) > 0 && bytes.IndexByte([]byte("NSEW"), s[0]) >= 0 {
		return deg, s[0], s[1:]
	}
	return deg, 0, s
}

// identity reads line 3. Its blank fields leave station identifier, sonde and
// wind unit as words; the unit is the word that is one.
func (d *fslDecoder) identity(words [][]byte) {
	for _, word := range words[1:] {
		switch string(word) {
		case "ms":
			d.unitKnown, d.tenthsOfMS = true, true
		case "kt":
			d.unitKnown, d.tenthsOfMS = true, false
		}
	}
	if len(words) > 1 {
		// The sonde type is a number; a station identifier has a letter.
		for _, c := range words[1] {
			if c >= 'A' && c <= 'Z' {
				d.current.Station.Identifier = string(words[1])
				break
			}
		}
	}
}

var fslSignificance = [10]Significance{
	4: Standard, 5: SignificantTemperature, 6: FixedHeight, 7: Tropopause, 8: MaximumWind, 9: Surface,
}

// level keeps the raw numbers; flush scales pressure when the form is known.
func (d *fslDecoder) level(kind int, words [][]byte, offset int) {
	level := MissingLevel()
	level.Significance = fslSignificance[kind]
	var v [6]float64
	for i := range v {
		v[i] = math.NaN()
		if i+1 >= len(words) {
			continue
		}
		x, ok := fslNumber(words[i+1])
		if !ok {
			d.add(d.message(), offset, ingest.ErrCorrupt, "%s in a level is not a number", clip(words[i+1]))
			continue
		}
		v[i] = x
	}
	if len(words) < 7 {
		reason := ingest.ErrCorrupt
		if offset+len(words[0]) >= d.end-fslLongestLine {
			reason = ingest.ErrTruncated
		}
		d.add(d.message(), offset, reason, "level of %d numbers, 7 in this format", len(words))
	}
	level.PressurePa = v[0]
	level.GeopotentialHeightM = v[1]
	level.AirTemperatureK = v[2]/10 + zeroCelsiusK
	level.DewPointK = v[3]/10 + zeroCelsiusK
	level.WindFromDeg = v[4]
	switch {
	case !d.unitKnown:
	case d.tenthsOfMS:
		level.WindSpeedMPerS = v[5] / 10
	default:
		level.WindSpeedMPerS = v[5] * metrePerSecondPerKnot
	}
	d.current.Levels = append(d.current.Levels, level)
}

func (d *fslDecoder) flush(offset int) {
	r := d.current
	if r == nil {
		return
	}
	d.current = nil
	if d.linesPromise > d.linesSeen {
		d.add(d.message(), offset, ingest.ErrTruncated, "line 2 announces %d lines, %d are here", d.linesPromise, d.linesSeen)
		r.Notes = append(r.Notes, fmt.Sprintf("truncated: %d of %d announced lines", d.linesSeen, d.linesPromise))
	} else if d.linesPromise > 0 && d.linesPromise < d.linesSeen {
		r.Notes = append(r.Notes, fmt.Sprintf("%d lines, %d announced", d.linesSeen, d.linesPromise))
	}
	if !d.unitKnown && len(r.Levels) > 0 {
		d.add(d.message(), d.currentAt, ingest.ErrCorrupt, "line 3 names no wind unit (kt or ms): wind speeds left out")
	}
	tenths := false
	for i := range r.Levels {
		if r.Levels[i].PressurePa > 1100 {
			tenths = true
		}
	}
	toPa := 100.0
	if tenths {
		toPa = 10
	}
	for i := range r.Levels {
		r.Levels[i].PressurePa *= toPa
	}
	r.markBelowGround()
	r.doubt()
	d.reports = append(d.reports, *r)
}
