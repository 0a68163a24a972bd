package hydro

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"rimeline/ingest"
)

// Mapping says how an agency's table is to be read. Columns are named by their
// heading, by number from 1, or in fixed text by characters "12-19" from 1.
type Mapping struct {
	// Delimiter is "," (also ""), ";", "tab", "space" for runs of blanks, or
	// "fixed" for text in which columns are places in the line.
	Delimiter string `yaml:"delimiter" json:"delimiter,omitempty"`
	// SkipLines come before the headings, or before the data where NoHeader.
	SkipLines int  `yaml:"skip_lines" json:"skip_lines,omitempty"`
	NoHeader  bool `yaml:"no_header" json:"no_header,omitempty"`
	// AfterHeader lines between headings and data, such as one of units.
	AfterHeader int    `yaml:"after_header" json:"after_header,omitempty"`
	Comment     string `yaml:"comment" json:"comment,omitempty"` // lines that begin so are left out

	Time   []string `yaml:"time" json:"time"`     // columns, joined by a space
	Layout string   `yaml:"layout" json:"layout"` // see below
	Zone   string   `yaml:"zone" json:"zone"`     // "UTC", "-08:00", "PST", IANA name; not where the layout has it

	Gauge       string `yaml:"gauge" json:"gauge,omitempty"` // identifier of all rows
	GaugeColumn string `yaml:"gauge_column" json:"gauge_column,omitempty"`
	Name        string `yaml:"name" json:"name,omitempty"`

	Values   []ValueColumn `yaml:"values" json:"values"`
	Forecast bool          `yaml:"forecast" json:"forecast,omitempty"`

	DecimalComma bool     `yaml:"decimal_comma" json:"decimal_comma,omitempty"`
	Thousands    string   `yaml:"thousands" json:"thousands,omitempty"` // "," in 1,234.5
	Missing      []string `yaml:"missing" json:"missing,omitempty"`     // "-9999", "---"; empty cells always are
}

// ValueColumn is one quantity of a table.
type ValueColumn struct {
	Column   string   `yaml:"column" json:"column"`
	Quantity Quantity `yaml:"quantity" json:"quantity"`
	// Unit of the cells. Where UnitColumn is given too, both must agree.
	Unit       string `yaml:"unit" json:"unit,omitempty"`
	UnitColumn string `yaml:"unit_column" json:"unit_column,omitempty"`
	Datum      string `yaml:"datum" json:"datum,omitempty"`
	Statistic  string `yaml:"statistic" json:"statistic,omitempty"`
	// FlagColumn holds the source's qualifiers, Codes what they mean:
	// "provisional", "estimated", "ice", ... as Flags prints them, or "good".
	FlagColumn string            `yaml:"flag_column" json:"flag_column,omitempty"`
	Codes      map[string]string `yaml:"codes" json:"codes,omitempty"`
	// Where: rows count only if a column holds this text, such as the sensor
	// number in a table of many sensors.
	WhereColumn string `yaml:"where_column" json:"where_column,omitempty"`
	WhereIs     string `yaml:"where_is" json:"where_is,omitempty"`
}

// missingWords stand for no value everywhere.
var missingWords = []string{"", "na", "n/a", "nan", "null", "none", "-", "--", "---", "m", "nodata", "no data"}

// readCodes makes flags of the words of a mapping.
func readCodes(codes map[string]string) (map[string]Flags, error) {
	out := map[string]Flags{}
	for code, word := range codes {
		if word == "good" {
			out[code] = 0
			continue
		}
		i := slices.Index(flagNames, word)
		if i < 0 {
			return nil, fmt.Errorf("code %q: %q is none of good, %s", code, word, strings.Join(flagNames, ", "))
		}
		out[code] = 1 << i
	}
	return out, nil
}

// cellValue reads one cell or JSON text into a point.
func cellValue(text string, missing []string, decimalComma bool, thousands string, u unit, p *Point) {
	text = strings.TrimSpace(text)
	if slices.Contains(missingWords, strings.ToLower(text)) || slices.Contains(missing, text) {
		p.Value, p.Flags = math.NaN(), p.Flags|Missing
		return
	}
	plain := text
	if thousands != "" {
		plain = strings.ReplaceAll(plain, thousands, "")
	}
	if decimalComma {
		plain = strings.Replace(plain, ",", ".", 1)
	}
	v, ok := parseNumber(plain)
	if !ok {
		p.Value, p.Flags = math.NaN(), p.Flags|Missing|Unreadable
		p.Code = strings.TrimSpace(clip(text) + " " + p.Code)
		return
	}
	for _, code := range missing { // "-9999" also as -9999.0
		if m, ok := parseNumber(code); ok && m == v {
			p.Value, p.Flags = math.NaN(), p.Flags|Missing
			return
		}
	}
	p.Value = u.si(v)
}

// table gives rows of cells with their place in the file.
type table struct {
	cursor
	rest   string
	offset int64
	csv    *csv.Reader
	base   int64 // of the CSV reader's text in the file
	split  string
	skip   string // comment
}

func newTable(c cursor, b []byte, m Mapping) (*table, error) {
	text := string(b)
	t := &table{cursor: c, split: strings.ToLower(m.Delimiter), skip: m.Comment}
	if rest, ok := strings.CutPrefix(text, "\xef\xbb\xbf"); ok {
		text, t.offset = rest, 3
	}
	for range m.SkipLines {
		end := strings.IndexByte(text, '\n')
		if end < 0 {
			return nil, c.fail(ingest.ErrTruncated, c.size, "has fewer than the %d lines to skip", m.SkipLines)
		}
		text, t.offset = text[end+1:], t.offset+int64(end)+1
	}
	t.rest = text
	switch t.split {
	case "fixed", "space":
		return t, nil
	case "", ",":
		t.split = ","
	case "tab", `\t`, "\t":
		t.split = "\t"
	case ";", "|":
	default:
		return nil, c.fail(ingest.ErrUnsupported, 0, "mapping: delimiter %q is none of , ; | tab space fixed", clip(m.Delimiter))
	}
	t.csv = csv.NewReader(strings.NewReader(text))
	t.csv.Comma = rune(t.split[0])
	t.csv.FieldsPerRecord = -1
	t.base = t.offset
	return t, nil
}

// row gives the next row, its place, and io.EOF at the end. Rows of fixed text
// are one cell.
func (t *table) row() ([]string, int64, error) {
	for {
		cells, at, err := t.rawRow()
		if err != nil {
			return nil, at, err
		}
		if t.skip != "" && len(cells) > 0 && strings.HasPrefix(strings.TrimSpace(cells[0]), t.skip) {
			continue
		}
		if len(cells) == 0 || len(cells) == 1 && strings.TrimSpace(cells[0]) == "" {
			continue
		}
		return cells, at, nil
	}
}

func (t *table) rawRow() ([]string, int64, error) {
	if t.csv != nil {
		at := t.base + t.csv.InputOffset()
		cells, err := t.csv.Read()
		if err == nil || errors.Is(err, io.EOF) {
			return cells, at, err
		}
		return nil, at, t.fail(ingest.ErrCorrupt, at, "is no table: %v", err)
	}
	if t.rest == "" {
		return nil, t.offset, io.EOF
	}
	at := t.offset
	line, rest, _ := strings.Cut(t.rest, "\n")
	t.rest, t.offset = rest, t.offset+int64(len(line))+1
	line = strings.TrimSuffix(line, "\r")
	if t.split == "space" {
		return strings.Fields(line), at, nil
	}
	return []string{line}, at, nil
}

// column finds cells of a row: an index, or characters in fixed text.
type column struct {
	index    int // -1: fixed text
	from, to int // characters, from 0, to exclusive
	absent   bool
}

func (col column) of(cells []string) (string, bool) {
	if col.absent {
		return "", true
	}
	if col.index >= 0 {
		if col.index >= len(cells) {
			return "", false
		}
		return cells[col.index], true
	}
	line := cells[0]
	if col.from >= len(line) {
		return "", true // trailing blanks are often cut
	}
	return line[col.from:min(col.to, len(line))], true
}

// columns resolves the columns of a mapping against the headings.
type columns struct {
	headings []string
	fixed    bool
}

func (cs columns) find(name string) (column, error) {
	if name == "" {
		return column{absent: true}, nil
	}
	if cs.fixed {
		from, to, ok := strings.Cut(name, "-")
		first, err1 := strconv.Atoi(strings.TrimSpace(from))
		last, err2 := strconv.Atoi(strings.TrimSpace(to))
		if !ok || err1 != nil || err2 != nil || first < 1 || last < first || last > 1<<20 {
			return column{}, fmt.Errorf("column %q is no range of characters such as 12-19", clip(name))
		}
		return column{index: -1, from: first - 1, to: last}, nil
	}
	found := -1
	for i, heading := range cs.headings {
		if strings.EqualFold(strings.TrimSpace(heading), strings.TrimSpace(name)) {
			if found >= 0 {
				return column{}, fmt.Errorf("two columns are called %q; give the number", clip(name))
			}
			found = i
		}
	}
	if found >= 0 {
		return column{index: found}, nil
	}
	if n, err := strconv.Atoi(name); err == nil && n >= 1 && n <= 10000 {
		return column{index: n - 1}, nil
	}
	return column{}, fmt.Errorf("no column is called %q; the file has %s", clip(name), clip(strings.Join(cs.headings, ", ")))
}

// tableValue is one value column made ready.
type tableValue struct {
	ValueColumn
	cell, flag, unitCell, where column
	convert                     unit
	converts                    bool
	codes                       map[string]Flags
}

// DecodeTable reads an agency's CSV, TSV or fixed text as a Mapping says, one
// Series for each gauge and value column, values in the unit of the quantity.
//
// A cell that is empty or a missing code gives NaN with the flag Missing; one
// that is neither a number nor a missing code NaN with Unreadable, noted. A time
// that does not fit its layout, a row that is too short, and a unit that differs
// from the mapping's are errors: the file is not what the mapping says.
//
// Layouts of times are "rfc3339", "unix", "unix_ms", letters such as
// "YYYY-MM-DD HH:mm" (also MMM, DDD, hh A, ss), or those of Go's package time.
// Local times need a zone. A layout without hours gives the start of the day in
// the zone, with the flag DateOnly.
//
// Errors are *ingest.FormatError; those of the mapping itself have offset 0 and
// begin with "mapping".
func DecodeTable(file string, b []byte, m Mapping) ([]Series, error) {
	c, err := checkSize(file, b)
	if err != nil {
		return nil, err
	}
	broken := func(err error) error { return c.fail(ingest.ErrUnsupported, 0, "mapping: %v", err) }
	if b[0] == '<' {
		return nil, c.fail(ingest.ErrUnsupported, 0, "is a page or XML, no table")
	}
	when, err := parseLayout(m.Layout, len(m.Time))
	if err != nil {
		return nil, broken(err)
	}
	in := time.UTC
	if !when.zoned {
		if in, err = zone(m.Zone); err != nil {
			return nil, broken(err)
		}
	}
	if len(m.Time) == 0 || len(m.Values) == 0 || m.Gauge == "" && m.GaugeColumn == "" {
		return nil, broken(errors.New("needs time, values, and gauge or gauge_column"))
	}
	t, err := newTable(c, b, m)
	if err != nil {
		return nil, err
	}
	cols := columns{fixed: t.split == "fixed"}
	if !m.NoHeader && !cols.fixed {
		headings, _, err := t.row()
		if err != nil {
			if errors.Is(err, io.EOF) {
				err = c.fail(ingest.ErrTruncated, c.size, "ends before its headings")
			}
			return nil, err
		}
		cols.headings = headings
	}
	for range m.AfterHeader {
		if _, _, err := t.rawRow(); err != nil {
			return nil, c.fail(ingest.ErrTruncated, c.size, "ends within the lines after its headings")
		}
	}
	values, err := tableValues(cols, m)
	if err != nil {
		return nil, broken(err)
	}
	var times []column
	for _, name := range m.Time {
		col, err := cols.find(name)
		if err != nil {
			return nil, broken(err)
		}
		times = append(times, col)
	}
	gaugeCell, err := cols.find(m.GaugeColumn)
	if err != nil {
		return nil, broken(err)
	}

	var all collector
	local := map[string]bool{}
	texts := make([]string, len(times))
	rows := 0
	for {
		cells, at, err := t.row()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		rows++
		short := func() error {
			return c.fail(ingest.ErrCorrupt, at, "a row has %d columns, too few for the mapping: %q", len(cells), clip(strings.Join(cells, t.split)))
		}
		for i, col := range times {
			text, ok := col.of(cells)
			if !ok {
				return nil, short()
			}
			texts[i] = text
		}
		wall, moment, err := when.read(texts)
		if err != nil {
			return nil, c.fail(ingest.ErrCorrupt, at, "%v", err)
		}
		gauge := m.Gauge
		if text, ok := gaugeCell.of(cells); !ok {
			return nil, short()
		} else if !gaugeCell.absent {
			gauge = strings.TrimSpace(text)
		}
		if gauge == "" {
			return nil, c.fail(ingest.ErrCorrupt, at, "a row names no gauge")
		}
		for i := range values {
			v := &values[i]
			if !v.where.absent {
				if text, _ := v.where.of(cells); strings.TrimSpace(text) != v.WhereIs {
					continue
				}
			}
			text, ok := v.cell.of(cells)
			if !ok {
				return nil, short()
			}
			convert, written, err := v.unitOf(cells)
			if err != nil {
				return nil, c.fail(ingest.ErrCorrupt, at, "%v", err)
			}
			if all.points++; all.points > maxPoints {
				return nil, c.fail(ingest.ErrUnsupported, at, "has more than %d values", maxPoints)
			}
			key := gauge + "\x00" + strconv.Itoa(i) + "\x00" + written
			s := all.get(key, func() Series {
				s := Series{Gauge: gauge, Name: m.Name, Place: nowhere(), Quantity: v.Quantity, Unit: v.Quantity.Unit(), SourceUnit: written,
					Statistic: v.Statistic, Datum: v.Datum, Observed: !m.Forecast}
				if s.Unit == "" {
					s.Unit = written
				}
				return s
			})
			p := Point{Time: moment}
			if moment.IsZero() {
				p.Time, local[key] = wall.Time, true
			}
			if when.day {
				p.Flags |= DateOnly
			}
			if code, _ := v.flag.of(cells); strings.TrimSpace(code) != "" {
				p.flag(strings.TrimSpace(code), v.codes)
			}
			cellValue(text, m.Missing, m.DecimalComma, m.Thousands, convert, &p)
			if p.Flags.Has(Unreadable) {
				s.note("byte %d: %q is neither a number nor a missing code", at, clip(strings.TrimSpace(text)))
			}
			s.Points = append(s.Points, p)
		}
	}
	if rows == 0 {
		return nil, c.fail(ingest.ErrTruncated, c.size, "has headings but no rows")
	}
	for key := range local {
		settle(all.byKey[key], in)
	}
	return all.done(), nil
}

// flag sets what a qualifier means; one that the mapping does not list marks
// the value as doubted.
func (p *Point) flag(code string, codes map[string]Flags) {
	p.Code = code
	if flags, ok := codes[code]; ok {
		p.Flags |= flags
		return
	}
	p.Flags |= SourceSuspect
}

func tableValues(cols columns, m Mapping) ([]tableValue, error) {
	var out []tableValue
	for _, each := range m.Values {
		v := tableValue{ValueColumn: each}
		var err error
		for _, find := range []struct {
			to   *column
			name string
		}{{&v.cell, each.Column}, {&v.flag, each.FlagColumn}, {&v.unitCell, each.UnitColumn}, {&v.where, each.WhereColumn}} {
			if *find.to, err = cols.find(find.name); err != nil {
				return nil, err
			}
		}
		if each.Column == "" || each.Quantity == "" {
			return nil, errors.New("a value needs column and quantity")
		}
		if each.Unit == "" && each.UnitColumn == "" {
			return nil, fmt.Errorf("value %q has neither unit nor unit_column", each.Column)
		}
		if each.Unit != "" {
			if v.convert, v.converts = converter(each.Quantity, each.Unit); !v.converts {
				return nil, fmt.Errorf("%q is no unit of %s", each.Unit, each.Quantity)
			}
		}
		if v.codes, err = readCodes(each.Codes); err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	return out, nil
}

// unitOf is the unit of one row.
func (v *tableValue) unitOf(cells []string) (unit, string, error) {
	if v.unitCell.absent {
		return v.convert, v.Unit, nil
	}
	text, _ := v.unitCell.of(cells)
	text = strings.TrimSpace(text)
	u, ok := converter(v.Quantity, text)
	if !ok || v.Quantity.Unit() == "" && text == "" {
		return u, text, fmt.Errorf("%q is no unit of %s", clip(text), v.Quantity)
	}
	if v.Unit != "" && u != v.convert {
		return u, text, fmt.Errorf("unit %q where the mapping says %q", clip(text), v.Unit)
	}
	return u, text, nil
}
