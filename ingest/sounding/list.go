package sounding

import (
	"bytes"
	"fmt"
	"html"
	"math"
	"regexp"
	"strings"
	"time"

	"rimeline/ingest"
)

var (
	// Both are tried only on lines that hold one of their fixed words.
	listTitle  = regexp.MustCompile(`(\d{5})( ?[^<>\r\n]{0,120}?)Observations (?:at|for) (\d\d)Z (\d\d) ([A-Z][a-z]{2}) (\d{4})`)
	listNoData = regexp.MustCompile(`(?i)can't get |no data available|unable to retrieve`)
	listTag    = regexp.MustCompile(`<[^<>]{0,200}>`)
)

// listColumn says what a column of the listing becomes.
var listColumn = map[string]func(l *Level, v float64, unit string) bool{
	"PRES": csvColumn["pressure"],
	"HGHT": csvColumn["geopotential height"],
	"TEMP": csvColumn["temperature"],
	"DWPT": csvColumn["dew point temperature"],
	"RELH": csvColumn["relative humidity"],
	"DRCT": func(l *Level, v float64, unit string) bool {
		l.WindFromDeg = v
		return unit == "deg"
	},
	"SKNT": csvColumn["wind speed"],
	"SPED": csvColumn["wind speed"],
	"SMPS": csvColumn["wind speed"],
}

// DecodeList reads the column listing (TEXT:LIST) of the University of Wyoming's
// sounding service, as a page or as bare text: a title, a line of column names,
// a line of units, the levels, and a block of station information. A value
// belongs to the column under whose name it ends; blank is missing. Columns of
// unknown name (mixing ratio, potential temperatures) are passed over. A page
// may hold several soundings. A reply that there is no sounding is an error
// whose reason is ErrNoSounding.
func DecodeList(file string, b []byte) ([]Report, error) {
	d := listDecoder{problems: problems{file: file}}
	l := lines{b: b}
	for {
		line, offset, ok := l.next()
		if !ok {
			break
		}
		if !d.line(line, offset) {
			return d.reports, d.err()
		}
	}
	if d.inTable && sniffHTML.Match(b[:min(len(b), sniffBytes)]) {
		d.add(d.message(), len(b), ingest.ErrTruncated, "the page ends within the table")
	}
	d.flush()
	if len(d.reports) == 0 && len(d.list) == 0 {
		if len(bytes.TrimSpace(b)) == 0 {
			d.add(1, 0, ingest.ErrTruncated, "the reply is empty")
		} else {
			d.add(1, len(b), ErrNoSounding, "no line of column names (PRES HGHT TEMP ...)")
		}
	}
	return d.reports, d.err()
}

func hasAny(line []byte, words ...string) bool {
	for _, word := range words {
		if bytes.Contains(line, []byte(word)) {
			return true
		}
	}
	return false
}

func clipLong(s []byte) string {
	return fmt.Sprintf("%+q", string(s[:min(len(s), 200)]))
}

const listLongestLine = 4000

type listColumnAt struct {
	name  string
	right int // the column ends before this byte of the line
	set   func(*Level, float64, string) bool
	unit  string
}

type listDecoder struct {
	problems
	reports []Report
	current *Report
	columns []listColumnAt
	inTable bool // between column names and the end of the table
	units   bool // the line of units was read
}

func (d *listDecoder) message() int { return len(d.reports) + 1 }

func (d *listDecoder) line(line []byte, offset int) bool {
	if len(line) > listLongestLine {
		d.add(d.message(), offset, ingest.ErrCorrupt, "line of %d bytes", len(line))
		return true
	}
	if hasAny(line, "an't get", "ata available", "to retrieve") && listNoData.Match(line) {
		d.flush()
		d.add(d.message(), offset, ErrNoSounding, "the reply says %s", clipLong(bytes.TrimSpace(line)))
		return true
	}
	var m [][]byte
	if hasAny(line, "Observations ") {
		m = listTitle.FindSubmatch(line)
	}
	if m != nil {
		d.flush()
		if len(d.reports) >= MaxReports {
			d.add(d.message(), offset, ingest.ErrCorrupt, "more than %d soundings", MaxReports)
			return false
		}
		d.title(m, offset)
		return true
	}
	trimmed := bytes.TrimSpace(line)
	if bytes.HasPrefix(trimmed, []byte("PRES ")) && bytes.Contains(trimmed, []byte(" HGHT")) {
		if d.current == nil || len(d.current.Levels) > 0 {
			d.flush()
			d.current = &Report{Format: FormatList, Station: unknownStation()}
		}
		d.columnNames(line)
		return true
	}
	if d.current == nil {
		return true
	}
	if d.inTable {
		switch {
		case len(trimmed) == 0 || trimmed[0] == '-' && bytes.Count(trimmed, []byte("-")) == len(trimmed):
			return true
		case !d.units:
			d.unitNames(line, offset)
			return true
		case trimmed[0] != '<' && !isInformation(trimmed):
			return d.level(line, offset)
		}
		d.inTable = false
	}
	if name, value, ok := bytes.Cut(listTag.ReplaceAll(trimmed, nil), []byte(":")); ok {
		d.information(string(bytes.TrimSpace(name)), bytes.TrimSpace(value), offset)
	}
	return true
}

// isInformation tells the caption or a line of the station block ("Station
// number: 72681"), which follow the table directly in bare text.
func isInformation(line []byte) bool {
	return len(line) > 1 && line[0] >= 'A' && line[0] <= 'Z' && line[1] >= 'a' && line[1] <= 'z'
}

func (d *listDecoder) title(m [][]byte, offset int) {
	r := &Report{Format: FormatList, Station: unknownStation()}
	d.current = r
	r.Station.WMONumber = wmoNumber(string(m[1]))
	r.Station.Identifier = string(m[1])
	// " BOI Boise " has an identifier, "  Santarem " and " " have none.
	between := strings.TrimPrefix(html.UnescapeString(string(m[2])), " ")
	if identifier, name, ok := strings.Cut(between, " "); ok && identifier != "" {
		r.Station.Identifier = identifier
		r.Station.Name = strings.TrimSpace(name)
	} else {
		r.Station.Name = strings.TrimSpace(between)
	}
	hour, _ := digits(m[3])
	day, _ := digits(m[4])
	year, _ := digits(m[6])
	month, err := time.Parse("Jan", string(m[5]))
	t, ok := validTime(year, int(month.Month()), day, hour, 0)
	if err != nil || !ok {
		d.add(d.message(), offset, ingest.ErrCorrupt, "no such time as %s", clip(bytes.Join(m[3:], []byte(" "))))
		return
	}
	r.Time = t
}

func (d *listDecoder) columnNames(line []byte) {
	d.columns, d.inTable, d.units = d.columns[:0], true, false
	for i := 0; i < len(line); {
		for i < len(line) && line[i] == ' ' {
			i++
		}
		start := i
		for i < len(line) && line[i] != ' ' {
			i++
		}
		if i > start {
			name := string(line[start:i])
			d.columns = append(d.columns, listColumnAt{name: name, right: i, set: listColumn[name]})
		}
	}
}

func (d *listDecoder) unitNames(line []byte, offset int) {
	d.units = true
	for k := range d.columns {
		c := &d.columns[k]
		c.unit = string(d.cell(line, k))
		if c.set == nil {
			continue
		}
		if scratch := MissingLevel(); !c.set(&scratch, 0, c.unit) {
			d.add(d.message(), offset, ingest.ErrUnsupported, "column %s in unit %s", clip([]byte(c.name)), clip([]byte(c.unit)))
			c.set = nil
		}
	}
}

// cell is what stands in column k of a line.
func (d *listDecoder) cell(line []byte, k int) []byte {
	left := 0
	if k > 0 {
		left = d.columns[k-1].right
	}
	if left >= len(line) {
		return nil
	}
	return bytes.TrimSpace(line[left:min(d.columns[k].right, len(line))])
}

func (d *listDecoder) level(line []byte, offset int) bool {
	if len(d.current.Levels) >= MaxLevels {
		d.add(d.message(), offset, ingest.ErrCorrupt, "more than %d levels", MaxLevels)
		return false
	}
	level := MissingLevel()
	for k := range d.columns {
		c := &d.columns[k]
		cell := d.cell(line, k)
		if c.set == nil || len(cell) == 0 || cell[0] == '*' { // asterisks: a number that did not fit
			continue
		}
		v, ok := decimal(cell)
		if !ok {
			d.add(d.message(), offset, ingest.ErrCorrupt, "%s %s is not a number", c.name, clip(cell))
			continue
		}
		c.set(&level, v, c.unit)
	}
	if math.IsNaN(level.PressurePa) {
		d.add(d.message(), offset, ingest.ErrCorrupt, "level %s without pressure", clip(bytes.TrimSpace(line)))
		return true
	}
	d.current.Levels = append(d.current.Levels, level)
	return true
}

// information reads the block of station information, which is surer than the
// title. Sounding indices are passed over: they are computed, not measured.
func (d *listDecoder) information(name string, value []byte, offset int) {
	s := &d.current.Station
	number := func() float64 {
		v, ok := decimal(value)
		if !ok || v == -9999 { // "******" where the number is unknown
			return math.NaN()
		}
		return v
	}
	switch name {
	case "Station identifier":
		s.Identifier = string(value[:min(len(value), 40)])
	case "Station number":
		s.WMONumber = wmoNumber(string(value))
		if s.Identifier == "" {
			s.Identifier = s.WMONumber
		}
	case "Observation time":
		t, ok := shortTime(value)
		switch {
		case !ok:
			d.add(d.message(), offset, ingest.ErrCorrupt, "observation time %s is not YYMMDD/HHMM", clip(value))
		case d.current.Time.IsZero():
			d.current.Time = t
		case !t.Equal(d.current.Time):
			d.current.Notes = append(d.current.Notes, "title says "+d.current.Time.Format(time.RFC3339)+", station block "+t.Format(time.RFC3339))
		}
	case "Station latitude":
		s.Place.LatitudeDeg = number()
	case "Station longitude":
		s.Place.LongitudeDeg = number()
	case "Station elevation":
		s.AltitudeM = number()
	}
}

func (d *listDecoder) flush() {
	r := d.current
	if r == nil {
		return
	}
	d.current, d.inTable = nil, false
	if len(r.Levels) == 0 {
		d.add(d.message(), 0, ErrNoSounding, "title without levels")
		return
	}
	r.Station.Place = placeIn(r.Station.Place.LatitudeDeg, r.Station.Place.LongitudeDeg)
	r.markBelowGround()
	r.doubt()
	d.reports = append(d.reports, *r)
}
