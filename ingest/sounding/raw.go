package sounding

import (
	"bytes"
	"math"

	"rimeline/grid"
	"rimeline/ingest"
)

// DecodeRaw reads the comma-separated form between %RAW% and %END% in which
// NOAA's Storm Prediction Center serves soundings. After %TITLE% stands one line
// "IDENT YYMMDD/HHMM" with latitude,longitude behind it where known; each row
// gives pressure (hPa), geopotential height (m), temperature and dew point (C),
// wind direction (degrees) and speed (knots), and omega (Pa/s) in a seventh
// column of model profiles; -9999 is missing. There is no published
// description; the column heads are in the file. Several blocks may follow each
// other. A block without %END% is returned with an error of ErrTruncated.
func DecodeRaw(file string, b []byte) ([]Report, error) {
	var reports []Report
	p := problems{file: file}
	l := lines{b: b}
	var current *Report
	inTitle, inRows := false, false
	titleAt := 0
	flush := func() {
		if current != nil {
			current.markBelowGround()
			current.doubt()
			reports = append(reports, *current)
		}
		current, inRows, inTitle = nil, false, false
	}
	for {
		line, offset, ok := l.next()
		if !ok {
			break
		}
		line = bytes.TrimSpace(line)
		switch {
		case bytes.Equal(line, []byte("%TITLE%")):
			if inRows {
				p.add(len(reports)+1, offset, ingest.ErrTruncated, "%%TITLE%% before the %%END%% of the block before")
			}
			flush()
			if len(reports) >= MaxReports {
				p.add(len(reports)+1, offset, ingest.ErrCorrupt, "more than %d soundings", MaxReports)
				return reports, p.err()
			}
			current = &Report{Format: FormatRaw, Station: unknownStation()}
			inTitle, titleAt = true, offset
		case bytes.Equal(line, []byte("%RAW%")):
			if current == nil {
				current = &Report{Format: FormatRaw, Station: unknownStation()}
				p.add(len(reports)+1, offset, ingest.ErrCorrupt, "%%RAW%% without a %%TITLE%%")
			}
			if current.Time.IsZero() {
				p.add(len(reports)+1, titleAt, ingest.ErrCorrupt, "no line of station and YYMMDD/HHMM after %%TITLE%%")
			}
			inTitle, inRows = false, true
		case bytes.Equal(line, []byte("%END%")):
			flush()
		case inTitle && current.Time.IsZero() && len(line) > 0:
			rawTitle(current, line)
		case inRows && len(line) > 0:
			if len(current.Levels) >= MaxLevels {
				p.add(len(reports)+1, offset, ingest.ErrCorrupt, "more than %d levels", MaxLevels)
				return reports, p.err()
			}
			level, ok := rawRow(line)
			if !ok {
				p.add(len(reports)+1, offset, ingest.ErrCorrupt, "row %s is not six or seven numbers", clip(line))
				continue
			}
			current.Levels = append(current.Levels, level)
		}
	}
	if inRows {
		p.add(len(reports)+1, len(b), ingest.ErrTruncated, "%%END%% is missing after %d levels", len(current.Levels))
		flush()
	} else if len(reports) == 0 && len(p.list) == 0 {
		p.add(1, len(b), ingest.ErrTruncated, "no %%RAW%% block")
	}
	return reports, p.err()
}

// unknownStation has no place and no height.
func unknownStation() Station {
	nan := math.NaN()
	return Station{Place: grid.LatLon{LatitudeDeg: nan, LongitudeDeg: nan}, AltitudeM: nan}
}

// placeIn gives a place where both numbers are on the earth, else NaN in both.
func placeIn(latitudeDeg, longitudeDeg float64) grid.LatLon {
	if latitudeDeg >= -90 && latitudeDeg <= 90 && longitudeDeg >= -180 && longitudeDeg <= 360 {
		return grid.LatLon{LatitudeDeg: latitudeDeg, LongitudeDeg: grid.NormalLongitudeDeg(longitudeDeg)}
	}
	return unknownStation().Place
}

func rawTitle(r *Report, line []byte) {
	for _, word := range bytes.Fields(line) {
		if t, ok := shortTime(word); ok {
			r.Time = t
			continue
		}
		if lat, lon, ok := bytes.Cut(word, []byte(",")); ok {
			latitudeDeg, ok1 := decimal(lat)
			longitudeDeg, ok2 := decimal(lon)
			if ok1 && ok2 {
				r.Station.Place = placeIn(latitudeDeg, longitudeDeg)
			}
			continue
		}
		if r.Station.Identifier == "" && r.Time.IsZero() {
			r.Station.Identifier = string(word)
			r.Station.WMONumber = wmoNumber(r.Station.Identifier)
		}
	}
}

func rawRow(line []byte) (Level, bool) {
	const missing = -9999
	level := MissingLevel()
	var v [7]float64
	n := 0
	for rest, more := line, true; more; n++ {
		var cell []byte
		cell, rest, more = bytes.Cut(rest, []byte(","))
		if n == len(v) {
			return level, false
		}
		x, ok := decimal(bytes.TrimSpace(cell))
		if !ok {
			return level, false
		}
		if x == missing {
			x = math.NaN()
		}
		v[n] = x
	}
	if n < 6 {
		return level, false
	}
	level.PressurePa = v[0] * 100
	level.GeopotentialHeightM = v[1]
	level.AirTemperatureK = v[2] + zeroCelsiusK
	level.DewPointK = v[3] + zeroCelsiusK
	level.WindFromDeg = v[4]
	level.WindSpeedMPerS = v[5] * metrePerSecondPerKnot
	if n == 7 {
		level.OmegaPaPerS = v[6]
	}
	return level, true
}
