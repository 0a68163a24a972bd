package hydro

import (
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

// Curve is a quantity by day of the year, straight between its knots: the rule
// curve of a reservoir, the median snow water equivalent of a station, or the
// percentage at which a permit suspends seeding. A knot holds at the start of
// its day.
type Curve struct {
	Name     string
	Quantity Quantity
	Unit     string
	// Knots in the order of the season: they may cross the turn of the year.
	Knots []Knot
	// Season: the curve ends at its last knot and is unknown until the first
	// comes again. Else it closes, from the last knot round to the first.
	Season bool
}

// RuleCurve is the storage or elevation a reservoir should not exceed, by day.
type RuleCurve = Curve

// SWEMedian is the median snow water equivalent of a station, by day.
type SWEMedian = Curve

// Knot is one day of a Curve and its value.
type Knot struct {
	Month time.Month
	Day   int
	Value float64
}

// daysIn is the length of a month, February with its leap day.
var daysIn = [...]int{31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31}

// NewCurve checks knots: at least one, days that exist, no day twice, and in
// the order of a year or of a season that crosses its turn.
func NewCurve(name string, q Quantity, knots []Knot, season bool) (Curve, error) {
	c := Curve{Name: name, Quantity: q, Unit: q.Unit(), Knots: slices.Clone(knots), Season: season}
	if len(knots) == 0 {
		return Curve{}, errors.New("a curve needs a knot")
	}
	turns := 0
	for i, k := range c.Knots {
		if k.Month < 1 || k.Month > 12 || k.Day < 1 || k.Day > daysIn[k.Month-1] {
			return Curve{}, fmt.Errorf("%d-%d is no day of a year", k.Month, k.Day)
		}
		if math.IsNaN(k.Value) || math.IsInf(k.Value, 0) {
			return Curve{}, fmt.Errorf("the value of %d-%d is no number", k.Month, k.Day)
		}
		next := c.Knots[(i+1)%len(c.Knots)]
		if here, there := ordinal(k), ordinal(next); len(knots) > 1 && there <= here {
			if there == here {
				return Curve{}, fmt.Errorf("the day %d-%d stands twice", k.Month, k.Day)
			}
			turns++
		}
	}
	if turns > 1 {
		return Curve{}, errors.New("the days are out of order")
	}
	return c, nil
}

func ordinal(k Knot) int { return int(k.Month)*32 + k.Day }

// At is the value at a moment, in the calendar of t's own time zone, and NaN
// outside a season. Between knots it is straight in time; the length of the
// interval is that of the year at hand, so that a leap day lengthens it. A knot
// on 29 February is left out in other years where 1 March has one too, else it
// counts as 1 March there.
func (c Curve) At(t time.Time) float64 {
	if len(c.Knots) == 0 {
		return math.NaN()
	}
	// Days are counted on the calendar, so that a daylight-saving change does
	// not shift them.
	at := calendar(t)
	if len(c.Knots) == 1 {
		k := c.Knots[0]
		if c.Season && !at.Truncate(24*time.Hour).Equal(time.Date(at.Year(), k.Month, k.Day, 0, 0, 0, 0, time.UTC)) {
			return math.NaN()
		}
		return k.Value
	}
	firstMarch := slices.ContainsFunc(c.Knots, func(k Knot) bool { return k.Month == time.March && k.Day == 1 })
	var before, after Knot
	var from, to time.Time
	for year := at.Year() - 1; year <= at.Year()+1; year++ {
		leap := time.Date(year, 2, 29, 0, 0, 0, 0, time.UTC).Day() == 29
		for _, k := range c.Knots {
			if k.Month == time.February && k.Day == 29 && !leap && firstMarch {
				continue
			}
			day := time.Date(year, k.Month, k.Day, 0, 0, 0, 0, time.UTC)
			if !day.After(at) && (from.IsZero() || day.After(from)) {
				before, from = k, day
			}
			if day.After(at) && (to.IsZero() || day.Before(to)) {
				after, to = k, day
			}
		}
	}
	if c.Season && before == c.Knots[len(c.Knots)-1] && !at.Truncate(24*time.Hour).Equal(from) {
		return math.NaN()
	}
	if c.Season && before == c.Knots[len(c.Knots)-1] {
		return before.Value // the day of the last knot itself
	}
	return before.Value + (after.Value-before.Value)*float64(at.Sub(from))/float64(to.Sub(from))
}

// calendar is the wall clock of a moment as if it were UTC.
func calendar(t time.Time) time.Time {
	return time.Date(t.Year(), t.Month(), t.Day(), t.Hour(), t.Minute(), t.Second(), t.Nanosecond(), time.UTC)
}

// PercentOfNormal is a value in percent of a curve at a moment. It is NaN where
// the curve is zero or less, or unknown: a normal of nothing has no percentage.
func PercentOfNormal(value float64, c Curve, t time.Time) float64 {
	normal := c.At(t)
	if !(normal > 0) {
		return math.NaN()
	}
	return 100 * value / normal
}

// CurveMapping says how a CSV holds a curve.
type CurveMapping struct {
	Delimiter string   `yaml:"delimiter" json:"delimiter,omitempty"`
	SkipLines int      `yaml:"skip_lines" json:"skip_lines,omitempty"`
	Comment   string   `yaml:"comment" json:"comment,omitempty"`
	NoHeader  bool     `yaml:"no_header" json:"no_header,omitempty"`
	Name      string   `yaml:"name" json:"name,omitempty"`
	Date      string   `yaml:"date" json:"date"`   // column
	Value     string   `yaml:"value" json:"value"` // column
	Quantity  Quantity `yaml:"quantity" json:"quantity"`
	Unit      string   `yaml:"unit" json:"unit"`
	Season    bool     `yaml:"season" json:"season,omitempty"`
	Missing   []string `yaml:"missing" json:"missing,omitempty"` // rows without a value are left out

	DecimalComma bool `yaml:"decimal_comma" json:"decimal_comma,omitempty"`
}

// DecodeCurve reads a curve from CSV. Days are written 12-01, 12/1, Dec 1, 1 Dec
// or as a date with a year, which is left out; rows stand in the order of the
// season.
//
// Errors are *ingest.FormatError.
func DecodeCurve(file string, b []byte, m CurveMapping) (Curve, error) {
	c, err := checkSize(file, b)
	if err != nil {
		return Curve{}, err
	}
	broken := func(err error) error { return c.fail(ingest.ErrUnsupported, 0, "mapping: %v", err) }
	convert, ok := converter(m.Quantity, m.Unit)
	if !ok || m.Unit == "" {
		return Curve{}, broken(fmt.Errorf("%q is no unit of %s", m.Unit, m.Quantity))
	}
	if m.Date == "" || m.Value == "" {
		return Curve{}, broken(errors.New("needs date and value"))
	}
	t, err := newTable(c, b, Mapping{Delimiter: m.Delimiter, SkipLines: m.SkipLines, Comment: m.Comment})
	if err != nil {
		return Curve{}, err
	}
	cols := columns{fixed: t.split == "fixed"}
	if !m.NoHeader && !cols.fixed {
		if cols.headings, _, err = t.row(); err != nil {
			if errors.Is(err, io.EOF) {
				err = c.fail(ingest.ErrTruncated, c.size, "ends before its headings")
			}
			return Curve{}, err
		}
	}
	dateCell, err := cols.find(m.Date)
	if err != nil {
		return Curve{}, broken(err)
	}
	valueCell, err := cols.find(m.Value)
	if err != nil {
		return Curve{}, broken(err)
	}
	var knots []Knot
	for {
		cells, at, err := t.row()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return Curve{}, err
		}
		date, ok1 := dateCell.of(cells)
		value, ok2 := valueCell.of(cells)
		if !ok1 || !ok2 {
			return Curve{}, c.fail(ingest.ErrCorrupt, at, "a row has %d columns, too few for the mapping", len(cells))
		}
		month, day, ok := monthDay(date)
		if !ok {
			return Curve{}, c.fail(ingest.ErrCorrupt, at, "%q is no day of a year", clip(date))
		}
		var p Point
		cellValue(value, m.Missing, m.DecimalComma, "", convert, &p)
		if p.Flags.Has(Unreadable) {
			return Curve{}, c.fail(ingest.ErrCorrupt, at, "%q is no number", clip(value))
		}
		if p.Flags.Has(Missing) {
			continue
		}
		if len(knots) >= 366 {
			return Curve{}, c.fail(ingest.ErrCorrupt, at, "has more than 366 days")
		}
		knots = append(knots, Knot{month, day, p.Value})
	}
	curve, err := NewCurve(m.Name, m.Quantity, knots, m.Season)
	if err != nil {
		return Curve{}, c.fail(ingest.ErrCorrupt, c.size, "%v", err)
	}
	if curve.Unit == "" {
		curve.Unit = m.Unit
	}
	return curve, nil
}

// monthDay reads a day of the year, with or without a year before it.
func monthDay(s string) (time.Month, int, bool) {
	words := strings.FieldsFunc(strings.TrimSpace(s), func(r rune) bool { return strings.ContainsRune("-/. ", r) })
	if len(words) == 3 && len(words[0]) == 4 {
		words = words[1:]
	}
	if len(words) != 2 {
		return 0, 0, false
	}
	month, day := words[0], words[1]
	if len(day) >= 3 { // 1 Dec
		month, day = day, month
	}
	m, err := strconv.Atoi(month)
	if err != nil {
		if len(month) < 3 {
			return 0, 0, false
		}
		m = slices.Index(monthNames, strings.ToLower(month[:3])) + 1
	}
	d, err := strconv.Atoi(day)
	if err != nil || m < 1 || m > 12 || d < 1 || d > daysIn[m-1] {
		return 0, 0, false
	}
	return time.Month(m), d, true
}

// CurveOf makes a curve of a series that holds a normal for each day of one
// year, such as the medians that the NRCS AWDB gives beside values. Days are
// those of a time zone.
func CurveOf(s Series, in *time.Location, season bool) (Curve, error) {
	var knots []Knot
	for _, p := range s.Points {
		if math.IsNaN(p.Value) {
			continue
		}
		t := p.Time.In(in)
		if len(knots) >= 366 {
			return Curve{}, errors.New("the series has more than 366 days")
		}
		knots = append(knots, Knot{t.Month(), t.Day(), p.Value})
	}
	c, err := NewCurve(s.Gauge, s.Quantity, knots, season)
	c.Unit = s.Unit
	return c, err
}
