package sounding

import (
	"bytes"
	"math"
	"strings"
	"time"

	"rimeline/ingest"
)

// DecodeBUFKIT reads the model soundings of a BUFKIT file: one report a
// forecast hour. The form has no published description; this follows the files
// of the U.S. National Weather Service, whose parameter names are those of the
// GEMPAK manual, appendix A:
//
//	SNPARM = PRES;TMPC;...    what each level lists, in this order
//	STNPRM = SHOW;LIFT;...    indices of the whole profile, passed over
//	STID = .. STNM = .. TIME = YYMMDD/HHMM   SLAT = .. SLON = .. SELV = ..
//	STIM = forecast hour
//	the names of SNPARM, then numbers, as many a level as there are names
//
// Numbers are counted, not lines, since long levels are wrapped. TIME is the
// valid time, so the run is TIME less STIM hours. PRES is in hPa, TMPC and DWPC
// in C, DRCT in degrees, SKNT in knots, HGHT in m, CFRL in per cent, OMEG in
// Pa/s; -9999 is missing. OMEG's unit is stated nowhere in the file: in the
// files at hand its root mean square is 0.2 to 0.5 in the middle troposphere
// and 0.03 in the stratosphere, which is ordinary in Pa/s and a tenth of that
// in the only other unit in use, microbar a second. The surface series at the
// end is read by BUFKITSurface.
func DecodeBUFKIT(file string, b []byte) ([]Report, error) {
	d := bufkitDecoder{problems: problems{file: file}, end: len(b)}
	l := lines{b: b}
	for {
		line, offset, ok := l.next()
		if !ok {
			break
		}
		if isBUFKITSurface(line) {
			break
		}
		if !d.line(line, offset) {
			return d.reports, d.err()
		}
	}
	d.flush(min(l.pos, len(b)))
	if len(d.reports) == 0 && len(d.list) == 0 {
		d.add(1, len(b), ingest.ErrTruncated, "no station block")
	}
	return d.reports, d.err()
}

func isBUFKITSurface(line []byte) bool { return bytes.HasPrefix(line, []byte("STN YYMMDD/HHMM")) }

const bufkitMissing = -9999

// bufkitColumn says what a parameter becomes.
var bufkitColumn = map[string]func(l *Level, v float64){
	"PRES": func(l *Level, v float64) { l.PressurePa = v * 100 },
	"TMPC": func(l *Level, v float64) { l.AirTemperatureK = v + zeroCelsiusK },
	"DWPC": func(l *Level, v float64) { l.DewPointK = v + zeroCelsiusK },
	"DRCT": func(l *Level, v float64) { l.WindFromDeg = v },
	"SKNT": func(l *Level, v float64) { l.WindSpeedMPerS = v * metrePerSecondPerKnot },
	"SPED": func(l *Level, v float64) { l.WindSpeedMPerS = v },
	"OMEG": func(l *Level, v float64) { l.OmegaPaPerS = v },
	"CFRL": func(l *Level, v float64) { l.CloudFraction = v / 100 },
	"HGHT": func(l *Level, v float64) { l.GeopotentialHeightM = v },
	"RELH": func(l *Level, v float64) { l.RelativeHumidity = v / 100 },
}

const maxBUFKITNames = 100

type bufkitDecoder struct {
	problems
	reports []Report
	end     int

	names   []string
	set     []func(*Level, float64)
	current *Report
	hours   float64 // STIM; NaN until read
	startAt int

	naming  int // how many names of the head of the table were seen; len(names) when complete
	inTable bool
	level   Level
	filled  int // numbers of the level under way
}

func (d *bufkitDecoder) message() int { return len(d.reports) + 1 }

func (d *bufkitDecoder) line(line []byte, offset int) bool {
	line = bytes.TrimSpace(line)
	if len(line) == 0 {
		return true
	}
	switch {
	case bytes.HasPrefix(line, []byte("SNPARM")):
		d.flush(offset)
		return d.parameters(line, offset)
	case bytes.HasPrefix(line, []byte("STNPRM")):
		return true
	case bytes.HasPrefix(line, []byte("STID")):
		d.flush(offset)
		if len(d.names) == 0 {
			d.add(d.message(), offset, ingest.ErrCorrupt, "station block before any SNPARM")
			return false
		}
		if len(d.reports) >= MaxReports {
			d.add(d.message(), offset, ingest.ErrCorrupt, "more than %d profiles", MaxReports)
			return false
		}
		d.current = &Report{Format: FormatBUFKIT, Station: unknownStation()}
		d.hours, d.startAt, d.naming, d.inTable, d.filled, d.level = math.NaN(), offset, 0, false, 0, MissingLevel()
	}
	if d.current == nil {
		return true
	}
	if bytes.IndexByte(line, '=') >= 0 {
		d.assignments(line, offset)
		return true
	}
	for rest := line; len(rest) > 0; {
		var word []byte
		if cut := bytes.IndexByte(rest, ' '); cut >= 0 {
			word, rest = rest[:cut], bytes.TrimLeft(rest[cut:], " ")
		} else {
			word, rest = rest, nil
		}
		if !d.word(word, offset) {
			return false
		}
	}
	return true
}

func (d *bufkitDecoder) parameters(line []byte, offset int) bool {
	_, list, _ := bytes.Cut(line, []byte("="))
	d.names, d.set = nil, nil
	pressure := false
	for _, name := range strings.Split(string(list), ";") {
		name = strings.TrimSpace(name)
		if name == "" {
			continue
		}
		if len(d.names) >= maxBUFKITNames {
			d.add(d.message(), offset, ingest.ErrCorrupt, "more than %d parameters in SNPARM", maxBUFKITNames)
			return false
		}
		d.names = append(d.names, name)
		d.set = append(d.set, bufkitColumn[name])
		pressure = pressure || name == "PRES"
	}
	if !pressure {
		d.add(d.message(), offset, ingest.ErrCorrupt, "SNPARM %s has no PRES", clip(bytes.TrimSpace(list)))
		return false
	}
	return true
}

// assignments reads "NAME = value" pairs of one line; a value may be blank.
func (d *bufkitDecoder) assignments(line []byte, offset int) {
	r := d.current
	words := bytes.Fields(line)
	for i := 0; i+1 < len(words); i++ {
		if string(words[i+1]) != "=" {
			continue
		}
		name := string(words[i])
		var value []byte
		if i+2 < len(words) && (i+3 >= len(words) || string(words[i+3]) != "=") {
			value = words[i+2]
		}
		number := func() float64 {
			v, ok := decimal(value)
			if !ok {
				d.add(d.message(), offset, ingest.ErrCorrupt, "%s %s is not a number", clip([]byte(name)), clip(value))
				return math.NaN()
			}
			if v == bufkitMissing {
				return math.NaN()
			}
			return v
		}
		switch name {
		case "STID":
			r.Station.Identifier = string(value[:min(len(value), 40)])
		case "STNM":
			// Six digits: the WMO number and a zero for WMO stations.
			if len(value) == 6 && value[5] == '0' {
				r.Station.WMONumber = wmoNumber(string(value[:5]))
			}
			if r.Station.Identifier == "" {
				r.Station.Identifier = string(value[:min(len(value), 40)])
			}
		case "TIME":
			t, ok := shortTime(value)
			if !ok {
				d.add(d.message(), offset, ingest.ErrCorrupt, "TIME %s is not YYMMDD/HHMM", clip(value))
			}
			r.Time = t
		case "SLAT":
			r.Station.Place.LatitudeDeg = number()
		case "SLON":
			r.Station.Place.LongitudeDeg = number()
		case "SELV":
			r.Station.AltitudeM = number()
		case "STIM":
			d.hours = number()
		}
	}
}

// word takes in one word of the table: first its names, then its numbers.
func (d *bufkitDecoder) word(word []byte, offset int) bool {
	if d.current == nil { // the rest of a line on which the profile was given up
		return true
	}
	if !d.inTable {
		if string(word) != d.names[d.naming] {
			d.add(d.message(), offset, ingest.ErrCorrupt, "%s where the head of the table should have %s", clip(word), d.names[d.naming])
			d.flush(offset)
			return true
		}
		if d.naming++; d.naming == len(d.names) {
			d.inTable = true
		}
		return true
	}
	v, ok := decimal(word)
	if !ok {
		d.add(d.message(), offset, ingest.ErrCorrupt, "%s %s is not a number", d.names[d.filled], clip(word))
		v = bufkitMissing
	}
	if set := d.set[d.filled]; set != nil && v != bufkitMissing {
		set(&d.level, v)
	}
	if d.filled++; d.filled == len(d.names) {
		if len(d.current.Levels) >= MaxLevels {
			d.add(d.message(), offset, ingest.ErrCorrupt, "more than %d levels", MaxLevels)
			return false
		}
		d.level.Significance |= ModelLevel
		d.current.Levels = append(d.current.Levels, d.level)
		d.filled, d.level = 0, MissingLevel()
	}
	return true
}

func (d *bufkitDecoder) flush(offset int) {
	r := d.current
	if r == nil {
		return
	}
	d.current = nil
	if d.filled > 0 || !d.inTable {
		reason := ingest.ErrCorrupt
		if offset >= d.end {
			reason = ingest.ErrTruncated
		}
		d.add(d.message(), offset, reason, "profile ends after %d of %d numbers of level %d", d.filled, len(d.names), len(r.Levels)+1)
	}
	if len(r.Levels) == 0 {
		return
	}
	if r.Time.IsZero() {
		d.add(d.message(), d.startAt, ingest.ErrCorrupt, "profile without TIME")
	} else if d.hours >= 0 && d.hours <= 10000 {
		r.RunTime = r.Time.Add(-time.Duration(d.hours * float64(time.Hour)))
	}
	r.Station.Place = placeIn(r.Station.Place.LatitudeDeg, r.Station.Place.LongitudeDeg)
	r.doubt()
	d.reports = append(d.reports, *r)
}

// SurfaceSeries is the series of surface values at the end of a BUFKIT file.
type SurfaceSeries struct {
	// Names are the file's own parameter names without station and time (PMSL
	// in hPa, T2MS in C, UWND and VWND in m/s, P01M in mm, ...); units are those
	// of GEMPAK.
	Names []string
	Rows  []SurfaceRow
}

// SurfaceRow is one station and time; missing values are NaN.
type SurfaceRow struct {
	Station string // STNM
	Time    time.Time
	Values  []float64 // one for each of Names
}

// BUFKITSurface reads the surface series of a BUFKIT file: a line
// "STN YYMMDD/HHMM name name ...", wrapped, then the numbers of each row,
// wrapped likewise. A file without one gives an empty series and no error.
func BUFKITSurface(file string, b []byte) (SurfaceSeries, error) {
	p := problems{file: file}
	var series SurfaceSeries
	l := lines{b: b}
	for {
		line, _, ok := l.next()
		if !ok {
			return series, nil
		}
		if isBUFKITSurface(line) {
			for _, name := range bytes.Fields(line)[2:] {
				series.Names = append(series.Names, string(name))
			}
			break
		}
	}
	var row *SurfaceRow
	for {
		line, offset, ok := l.next()
		if !ok {
			break
		}
		words := bytes.Fields(line)
		if len(words) == 0 {
			continue
		}
		starts := false
		if len(words) >= 2 {
			_, starts = shortTime(words[1])
		}
		if row == nil && !starts { // still names
			for _, name := range words {
				if len(series.Names) >= maxBUFKITNames {
					p.add(0, offset, ingest.ErrCorrupt, "more than %d surface parameters", maxBUFKITNames)
					return series, p.err()
				}
				series.Names = append(series.Names, string(name))
			}
			continue
		}
		if starts {
			if row != nil && len(row.Values) < len(series.Names) {
				p.add(0, offset, ingest.ErrCorrupt, "surface row of %d values, %d named", len(row.Values), len(series.Names))
				row.pad(len(series.Names))
			}
			if len(series.Rows) >= MaxReports {
				p.add(0, offset, ingest.ErrCorrupt, "more than %d surface rows", MaxReports)
				return series, p.err()
			}
			t, _ := shortTime(words[1])
			series.Rows = append(series.Rows, SurfaceRow{Station: string(words[0][:min(len(words[0]), 40)]), Time: t})
			row = &series.Rows[len(series.Rows)-1]
			words = words[2:]
		}
		for _, word := range words {
			v, ok := decimal(word)
			if !ok {
				p.add(0, offset, ingest.ErrCorrupt, "surface value %s is not a number", clip(word))
				v = bufkitMissing
			}
			if v == bufkitMissing {
				v = math.NaN()
			}
			if len(row.Values) >= len(series.Names) {
				p.add(0, offset, ingest.ErrCorrupt, "surface row of more than %d values", len(series.Names))
				break
			}
			row.Values = append(row.Values, v)
		}
	}
	if row != nil && len(row.Values) < len(series.Names) {
		p.add(0, len(b), ingest.ErrTruncated, "the file ends after %d of %d values of a surface row", len(row.Values), len(series.Names))
		row.pad(len(series.Names))
	}
	return series, p.err()
}

// pad fills a short row with missing values.
func (r *SurfaceRow) pad(n int) {
	for len(r.Values) < n {
		r.Values = append(r.Values, math.NaN())
	}
}
