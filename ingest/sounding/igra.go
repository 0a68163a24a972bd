package sounding

import (
	"archive/zip"
	"bytes"
	"fmt"
	"io"
	"iter"
	"math"
	"slices"
	"strings"
	"time"

	"rimeline/ingest"
)

// MaxUnzippedBytes bounds what a served zip file may unfold to; the longest
// station records are about 400 MB. maxUnzipRatio bounds it against its own
// size as well: sounding text shrinks five- to twentyfold.
const (
	MaxUnzippedBytes = 1 << 30
	maxUnzipRatio    = 100
)

// DecodeIGRA2 reads a station file of NOAA NCEI's Integrated Global Radiosonde
// Archive, version 2 ("igra2-data-format.txt"), as text or in the zip file in
// which it is served. It returns every ascent; a whole station record is
// gigabytes in memory, for which IGRA2 goes one by one.
func DecodeIGRA2(file string, b []byte) ([]Report, error) {
	var reports []Report
	p := problems{file: file}
	for r, err := range IGRA2(file, b) {
		if err != nil {
			if len(p.list) < maxProblems {
				p.list = append(p.list, err)
			} else {
				p.dropped++
			}
			continue
		}
		reports = append(reports, r)
	}
	return reports, p.err()
}

// IGRA2 yields the ascents of an IGRA version 2 file one by one, and errors in
// between; an ascent with damaged lines is yielded after its errors with what
// could be read, one of which nothing could be read not at all.
//
// Header: "#", identifier, year, month, day, hour (99: unknown), release HHMM
// (9999 unknown, HH99 no minute), number of levels, sources, latitude and
// longitude in 1/10000 degree. Level, by column: type (1 standard pressure, 2
// other pressure, 3 height only), type 2 (1 surface, 2 tropopause), elapsed
// MMMSS, pressure in Pa, height in m, temperature in tenths C, relative humidity
// in tenths %, dew-point depression in tenths C, wind from degrees, speed in
// tenths m/s. -9999 is missing, -8888 was removed by the archive's quality
// assurance; both become NaN. The flags A and B of pressure, height and
// temperature say which checks a value passed, not that it is doubtful, and are
// not kept. Station altitude is not in the file.
func IGRA2(file string, b []byte) iter.Seq2[Report, error] {
	return func(yield func(Report, error) bool) {
		if !bytes.HasPrefix(b, []byte("PK\x03\x04")) {
			igraText(file, b, yield)
			return
		}
		archive, err := zip.NewReader(bytes.NewReader(b), int64(len(b)))
		if err != nil {
			yield(Report{}, &ingest.FormatError{File: file, Detail: "zip: " + err.Error(), Err: zipReason(err)})
			return
		}
		found := false
		left := int64(min(MaxUnzippedBytes, maxUnzipRatio*len(b)+1<<16))
		for _, entry := range archive.File {
			if !strings.HasSuffix(entry.Name, ".txt") {
				continue
			}
			found = true
			at, _ := entry.DataOffset()
			text, err := unzip(entry, left)
			if err != nil {
				if !yield(Report{}, &ingest.FormatError{File: file, Offset: min(max(at, 0), int64(len(b))), Detail: fmt.Sprintf("zip entry %s: %v", clip([]byte(entry.Name)), err), Err: zipReason(err)}) {
					return
				}
				continue
			}
			left -= int64(len(text))
			if !igraText(file, text, yield) {
				return
			}
		}
		if !found {
			yield(Report{}, &ingest.FormatError{File: file, Detail: "zip file without a .txt entry", Err: ingest.ErrUnsupported})
		}
	}
}

func zipReason(err error) error {
	if err == io.ErrUnexpectedEOF || err == zip.ErrFormat {
		return ingest.ErrTruncated // the directory stands at the end
	}
	return ingest.ErrCorrupt
}

func unzip(entry *zip.File, left int64) ([]byte, error) {
	f, err := entry.Open()
	if err != nil {
		return nil, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, left+1))
	if err != nil {
		return nil, err
	}
	if int64(len(text)) > left {
		return nil, fmt.Errorf("unfolds to more than %d bytes", left)
	}
	return text, nil
}

// igraColumn cuts columns first to last, counted from one as in the
// description; nil where the line is too short.
func igraColumn(line []byte, first, last int) []byte {
	if len(line) < last {
		return nil
	}
	return line[first-1 : last]
}

// igraInt reads a right-justified integer; missing and removed values are NaN.
func igraInt(s []byte) (float64, bool) {
	i := 0
	for i < len(s) && s[i] == ' ' {
		i++
	}
	negative := i < len(s) && s[i] == '-'
	if negative {
		i++
	}
	n, ok := digits(s[i:])
	if negative {
		n = -n
	}
	if n == -9999 || n == -8888 {
		return math.NaN(), ok
	}
	return float64(n), ok
}

const igraLevelBytes = 51

// igraText yields the ascents of one text; false when the caller has enough.
func igraText(file string, b []byte, yield func(Report, error) bool) bool {
	p := problems{file: file}
	report := func(message, offset int, reason error, format string, args ...any) bool {
		p.list = p.list[:0]
		p.add(message, offset, reason, format, args...)
		return yield(Report{}, p.list[0])
	}
	l := lines{b: b}
	message := 0
	var levels []Level // reused
	line, offset, ok := l.next()
	for ok {
		if len(bytes.TrimSpace(line)) == 0 {
			line, offset, ok = l.next()
			continue
		}
		message++
		if message > MaxReports {
			return report(message, offset, ingest.ErrCorrupt, "more than %d ascents", MaxReports)
		}
		r, promised, err := igraHeader(line)
		if err != "" {
			reason := ingest.ErrCorrupt
			if l.pos >= len(b) {
				reason = ingest.ErrTruncated
			}
			if !report(message, offset, reason, "header %s: %s", clip(line), err) {
				return false
			}
			// Go on at the next header.
			for line, offset, ok = l.next(); ok && (len(line) == 0 || line[0] != '#'); line, offset, ok = l.next() {
			}
			continue
		}
		headerAt := offset
		if promised > MaxLevels {
			if !report(message, offset, ingest.ErrCorrupt, "%d levels announced, at most %d", promised, MaxLevels) {
				return false
			}
			promised = MaxLevels
		}
		// The count is a claim: room is made for the lines that are there.
		levels = levels[:0]
		for line, offset, ok = l.next(); ok && (len(line) == 0 || line[0] != '#'); line, offset, ok = l.next() {
			if len(bytes.TrimSpace(line)) == 0 {
				continue
			}
			if len(levels) >= promised {
				if !report(message, offset, ingest.ErrCorrupt, "more levels than the %d announced", promised) {
					return false
				}
				for ok && (len(line) == 0 || line[0] != '#') {
					line, offset, ok = l.next()
				}
				break
			}
			level, err := igraLevel(line)
			if err != "" {
				reason := ingest.ErrCorrupt
				if l.pos >= len(b) {
					reason = ingest.ErrTruncated
				}
				if !report(message, offset, reason, "level %s: %s", clip(line), err) {
					return false
				}
				continue
			}
			levels = append(levels, level)
		}
		r.Levels = slices.Clone(levels)
		if len(r.Levels) < promised {
			reason, where := ingest.ErrCorrupt, headerAt
			if !ok {
				reason, where = ingest.ErrTruncated, len(b)
			}
			if !report(message, where, reason, "header announces %d levels, %d could be read", promised, len(r.Levels)) {
				return false
			}
			if len(r.Levels) == 0 {
				continue
			}
			r.Notes = append(r.Notes, fmt.Sprintf("%d of %d announced levels", len(r.Levels), promised))
		}
		r.doubt()
		if !yield(r, nil) {
			return false
		}
	}
	if message == 0 {
		return report(1, len(b), ingest.ErrTruncated, "no ascent in the file")
	}
	return true
}

func igraHeader(line []byte) (r Report, levels int, problem string) {
	if line[0] != '#' || len(line) < 71 {
		return r, 0, "does not start with # or has fewer than 71 columns"
	}
	r = Report{Format: FormatIGRA2, Station: unknownStation()}
	r.Station.Identifier = string(bytes.TrimSpace(igraColumn(line, 2, 12)))
	// Network code M: the last five characters are the WMO number.
	if len(r.Station.Identifier) == 11 && r.Station.Identifier[2] == 'M' {
		r.Station.WMONumber = wmoNumber(r.Station.Identifier[6:])
	}
	var v [6]int
	for i, c := range [...][2]int{{14, 17}, {19, 20}, {22, 23}, {25, 26}, {28, 31}, {33, 36}} {
		n, ok := digits(bytes.TrimLeft(igraColumn(line, c[0], c[1]), " "))
		if !ok {
			return r, 0, fmt.Sprintf("columns %d to %d are not a number", c[0], c[1])
		}
		v[i] = n
	}
	year, month, day, hour, release, levels := v[0], v[1], v[2], v[3], v[4], v[5]
	releaseHour, releaseMinute := release/100, release%100
	if hour == 99 {
		midnight, ok := validTime(year, month, day, 0, 0)
		if !ok {
			return r, 0, "no such date"
		}
		if releaseHour <= 23 {
			if releaseMinute > 59 {
				releaseMinute = 0
				r.Notes = append(r.Notes, "release minute unknown")
			}
			r.Time = midnight.Add(time.Duration(releaseHour)*time.Hour + time.Duration(releaseMinute)*time.Minute)
			r.ReleaseTime = r.Time
			r.Notes = append(r.Notes, "nominal hour unknown, time is the release")
		} else {
			r.Notes = append(r.Notes, "time unknown, only the date: "+midnight.Format(time.DateOnly))
		}
	} else {
		t, ok := validTime(year, month, day, hour, 0)
		if !ok {
			return r, 0, "no such date or hour"
		}
		r.Time = t
		switch {
		case releaseHour <= 23 && releaseMinute <= 59:
			r.ReleaseTime = nearestClock(t, releaseHour, releaseMinute)
		case releaseHour <= 23:
			r.Notes = append(r.Notes, fmt.Sprintf("release at %02d UTC, minute unknown", releaseHour))
		case release != 9999:
			return r, 0, "release is not HHMM"
		}
	}
	latitude, ok1 := igraInt(igraColumn(line, 56, 62))
	longitude, ok2 := igraInt(igraColumn(line, 64, 71))
	if !ok1 || !ok2 {
		return r, 0, "latitude or longitude is not a number"
	}
	r.Station.Place = placeIn(latitude/1e4, longitude/1e4)
	if math.IsNaN(r.Station.Place.LatitudeDeg) { // -98.8888 and -998.8888 stand for a moving station without position
		r.Notes = append(r.Notes, "position unknown")
	}
	return r, levels, ""
}

func igraLevel(line []byte) (Level, string) {
	level := MissingLevel()
	if len(line) < igraLevelBytes {
		return level, fmt.Sprintf("%d columns, %d in this format", len(line), igraLevelBytes)
	}
	switch line[0] {
	case '1':
		level.Significance |= Standard
	case '2', '3':
	default:
		return level, "level type is not 1, 2 or 3"
	}
	switch line[1] {
	case '1':
		level.Significance |= Surface
	case '2':
		level.Significance |= Tropopause
	}
	elapsed, ok0 := igraInt(igraColumn(line, 4, 8))
	pressure, ok1 := igraInt(igraColumn(line, 10, 15))
	height, ok2 := igraInt(igraColumn(line, 17, 21))
	temperature, ok3 := igraInt(igraColumn(line, 23, 27))
	humidity, ok4 := igraInt(igraColumn(line, 29, 33))
	depression, ok5 := igraInt(igraColumn(line, 35, 39))
	direction, ok6 := igraInt(igraColumn(line, 41, 45))
	speed, ok7 := igraInt(igraColumn(line, 47, 51))
	if !(ok0 && ok1 && ok2 && ok3 && ok4 && ok5 && ok6 && ok7) {
		return level, "a column is not a number"
	}
	if !math.IsNaN(elapsed) {
		minutes := math.Trunc(elapsed / 100)
		level.ElapsedS = minutes*60 + (elapsed - minutes*100)
	}
	level.PressurePa = pressure
	level.GeopotentialHeightM = height
	level.AirTemperatureK = temperature/10 + zeroCelsiusK
	level.RelativeHumidity = humidity / 1000
	level.DewPointK = (temperature-depression)/10 + zeroCelsiusK
	level.WindFromDeg = direction
	level.WindSpeedMPerS = speed / 10
	return level, ""
}
