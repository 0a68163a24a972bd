package sounding

import (
	"bytes"
	"math"
	"strings"
	"time"

	"rimeline/ingest"
)

// csvColumn says what a named column becomes; the names are those of the
// University of Wyoming's CSV listing, "name_unit" in the first line.
var csvColumn = map[string]func(l *Level, v float64, unit string) bool{
	"pressure": func(l *Level, v float64, unit string) bool {
		l.PressurePa = v * 100
		return unit == "hPa"
	},
	"geopotential height": func(l *Level, v float64, unit string) bool {
		l.GeopotentialHeightM = v
		return unit == "m"
	},
	"temperature": func(l *Level, v float64, unit string) bool {
		l.AirTemperatureK = v + zeroCelsiusK
		return unit == "C"
	},
	"dew point temperature": func(l *Level, v float64, unit string) bool {
		l.DewPointK = v + zeroCelsiusK
		return unit == "C"
	},
	"relative humidity": func(l *Level, v float64, unit string) bool {
		l.RelativeHumidity = v / 100
		return unit == "%"
	},
	"wind direction": func(l *Level, v float64, unit string) bool {
		l.WindFromDeg = v
		return unit == "degree"
	},
	"wind speed": func(l *Level, v float64, unit string) bool {
		switch unit {
		case "m/s":
			l.WindSpeedMPerS = v
		case "knot":
			l.WindSpeedMPerS = v * metrePerSecondPerKnot
		default:
			return false
		}
		return true
	},
}

// DecodeCSV reads the CSV listing of the University of Wyoming's sounding
// service: a first line of "name_unit" columns, then a row a level with the
// time, longitude and latitude of the balloon there. Blank cells are missing.
// The file names no station: Identifier is empty, Place is that of the first
// level, Time and ReleaseTime are the time of the first level, which is taken as
// the surface: this listing leaves out the levels below the ground. Columns of
// unknown name are passed over.
func DecodeCSV(file string, b []byte) ([]Report, error) {
	p := problems{file: file}
	l := lines{b: b}
	head, headAt, _ := l.next()
	type column struct {
		name, unit string
		set        func(*Level, float64, string) bool
	}
	var columns []column
	seen := map[string]bool{}
	for _, name := range strings.Split(string(bytes.TrimPrefix(head, []byte("\xef\xbb\xbf"))), ",") {
		name = strings.TrimSpace(name)
		c := column{name: name}
		if cut := strings.LastIndexByte(name, '_'); cut >= 0 {
			c.name, c.unit = name[:cut], name[cut+1:]
		}
		if c.set = csvColumn[c.name]; c.set != nil {
			if scratch := MissingLevel(); !c.set(&scratch, 0, c.unit) {
				p.add(1, headAt, ingest.ErrUnsupported, "column %s in unit %s", clip([]byte(c.name)), clip([]byte(c.unit)))
				c.set = nil
			}
			seen[c.name] = true
		}
		columns = append(columns, c)
	}
	if !seen["pressure"] && !seen["geopotential height"] {
		p.add(1, headAt, ingest.ErrCorrupt, "first line %s names neither pressure nor height", clip(head))
		return nil, p.err()
	}

	r := Report{Format: FormatCSV, Station: unknownStation()}
	for {
		line, offset, ok := l.next()
		if !ok {
			break
		}
		if len(bytes.TrimSpace(line)) == 0 {
			continue
		}
		if len(r.Levels) >= MaxLevels {
			p.add(1, offset, ingest.ErrCorrupt, "more than %d levels", MaxLevels)
			break
		}
		level := MissingLevel()
		latitudeDeg, longitudeDeg := math.NaN(), math.NaN()
		at := offset
		n := 0
		for rest, more := line, true; more; n++ {
			var cell []byte
			cell, rest, more = bytes.Cut(rest, []byte(","))
			here := at
			at += len(cell) + 1
			if n >= len(columns) {
				continue
			}
			cell = bytes.TrimSpace(cell)
			c := &columns[n]
			if len(cell) == 0 || c.set == nil && c.name != "time" && c.name != "longitude" && c.name != "latitude" {
				continue
			}
			if c.name == "time" {
				t, err := time.Parse(time.DateTime, string(cell[:min(len(cell), 40)]))
				switch {
				case err != nil:
					p.add(1, here, ingest.ErrCorrupt, "time %s is not YYYY-MM-DD HH:MM:SS", clip(cell))
				case r.ReleaseTime.IsZero():
					r.Time, r.ReleaseTime = t, t
					level.ElapsedS = 0
				default:
					level.ElapsedS = t.Sub(r.ReleaseTime).Seconds()
				}
				continue
			}
			v, ok := decimal(cell)
			if !ok {
				p.add(1, here, ingest.ErrCorrupt, "%s %s is not a number", c.name, clip(cell))
				continue
			}
			switch c.name {
			case "longitude":
				longitudeDeg = v
			case "latitude":
				latitudeDeg = v
			default:
				c.set(&level, v, c.unit)
			}
		}
		if n != len(columns) {
			reason := ingest.ErrCorrupt
			if l.pos >= len(b) {
				reason = ingest.ErrTruncated
			}
			p.add(1, offset, reason, "row has %d cells, the first line %d", n, len(columns))
		}
		if place := placeIn(latitudeDeg, longitudeDeg); !math.IsNaN(place.LatitudeDeg) {
			if math.IsNaN(r.Station.Place.LatitudeDeg) {
				r.Station.Place = place
			}
			level.LatitudeDisplacementDeg = place.LatitudeDeg - r.Station.Place.LatitudeDeg
			level.LongitudeDisplacementDeg = place.LongitudeDeg - r.Station.Place.LongitudeDeg
		}
		if math.IsNaN(level.PressurePa) && math.IsNaN(level.GeopotentialHeightM) {
			p.add(1, offset, ingest.ErrCorrupt, "row without pressure and height")
			continue
		}
		r.Levels = append(r.Levels, level)
	}
	if len(r.Levels) == 0 {
		p.add(1, len(b), ingest.ErrTruncated, "no levels after the first line")
		return nil, p.err()
	}
	// Old ascents repeat release time and place on every level; then elapsed
	// times and displacements of zero would claim what nobody measured.
	still := true
	for i := range r.Levels {
		l := &r.Levels[i]
		still = still && l.ElapsedS == 0 && l.LatitudeDisplacementDeg == 0 && l.LongitudeDisplacementDeg == 0
	}
	if still {
		nan := math.NaN()
		for i := range r.Levels {
			l := &r.Levels[i]
			l.ElapsedS, l.LatitudeDisplacementDeg, l.LongitudeDisplacementDeg = nan, nan, nan
		}
	}
	if !math.IsNaN(r.Levels[0].AirTemperatureK) {
		r.Levels[0].Significance |= Surface
	}
	if r.Time.IsZero() {
		r.Notes = append(r.Notes, "the file gives no time")
	}
	r.doubt()
	return []Report{r}, p.err()
}
