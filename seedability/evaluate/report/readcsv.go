package report

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
	"unicode/utf8"
)

// The layout of a file of observations, the same in CSV, Parquet and netCDF:
//
//	time      end of the period, or the moment: RFC 3339 with its zone
//	site      id of a site of the programme; or
//	place     any name, mapped to sites
//	quantity  one of Quantities, or its CF standard name
//	value     a number; empty where missing
//	unit      one of the quantity's
//	minutes   length of the period that ends at time; empty for a moment
//
// In CSV (RFC 4180, UTF-8) the first line has the names, in any order.

// maxRowErrors of one file are told, then reading ends.
const maxRowErrors = 20

const maxFieldBytes = 1000

// row is one observation as files have it.
type row struct {
	time, site, place, quantity, value, unit, minutes string
	number                                            float64
	numeric                                           bool // value is number
	at                                                time.Time
	timed                                             bool // time is at
}

// ReadCSV takes the observations of a file. Every row that cannot be used is an error
// that names file and line; none is guessed at.
func (o *Observations) ReadCSV(file string, from io.Reader) error {
	var failed rowErrors
	err := readTable(file, from, []string{"time", "quantity", "value", "unit"}, []string{"site", "place", "minutes"}, func(where string, field func(string) string) bool {
		r := row{time: field("time"), site: field("site"), place: field("place"), quantity: field("quantity"), value: field("value"), unit: field("unit"), minutes: field("minutes")}
		failed.add(o.take(&r, where))
		return !failed.full()
	})
	if err != nil {
		failed.add(err)
	}
	return failed.err()
}

// rowErrors are the first errors of a file.
type rowErrors struct{ all []error }

func (e *rowErrors) add(err error) {
	if err != nil && !e.full() {
		e.all = append(e.all, err)
	}
}
func (e *rowErrors) full() bool { return len(e.all) >= maxRowErrors }
func (e *rowErrors) err() error { return errors.Join(e.all...) }

// readTable reads a CSV file with a line of names.
func readTable(file string, from io.Reader, needed, optional []string, row func(where string, field func(string) string) bool) error {
	reader := csv.NewReader(from)
	reader.ReuseRecord = true
	reader.FieldsPerRecord = -1
	line := func() string { n, _ := reader.FieldPos(0); return fmt.Sprintf("%s:%d", file, n) }
	broken := func(err error) error {
		var where *csv.ParseError
		if errors.As(err, &where) {
			return fmt.Errorf("%s:%d: %v", file, where.Line, where.Err)
		}
		return fmt.Errorf("%s: %w", file, err)
	}
	header, err := reader.Read()
	if errors.Is(err, io.EOF) {
		return fmt.Errorf("%s:1: the file is empty; its first line must name the columns", file)
	}
	if err != nil {
		return broken(err)
	}
	columns := map[string]int{}
	names := len(header)
	for k, name := range header {
		name = strings.TrimSpace(strings.TrimPrefix(name, "\ufeff"))
		if _, twice := columns[name]; twice && (slices.Contains(needed, name) || slices.Contains(optional, name)) {
			return fmt.Errorf("%s:1: column %s is there twice", file, name)
		}
		columns[name] = k
	}
	for _, name := range needed {
		if _, ok := columns[name]; !ok {
			hint := ""
			if names == 1 && strings.Contains(header[0], ";") {
				hint = "; columns are separated by commas, not by semicolons"
			}
			return fmt.Errorf("%s:1: there is no column %q%s", file, name, hint)
		}
	}
	for {
		record, err := reader.Read()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return broken(err)
		}
		where := line()
		if len(record) != names {
			return fmt.Errorf("%s: %d columns, the first line has %d", where, len(record), names)
		}
		for k, text := range record {
			if len(text) > maxFieldBytes || !utf8.ValidString(text) {
				return fmt.Errorf("%s: column %d is longer than %d bytes or is not UTF-8", where, k+1, maxFieldBytes)
			}
		}
		if !row(where, func(name string) string {
			if k, ok := columns[name]; ok {
				return strings.Clone(strings.TrimSpace(record[k]))
			}
			return ""
		}) {
			return nil
		}
	}
}

// take checks one row and adds it.
func (o *Observations) take(r *row, where string) error {
	var x Observation
	var err error
	if x.Time = r.at; !r.timed {
		if x.Time, err = timeOf(r.time); err != nil {
			return fmt.Errorf("%s: time: %w", where, err)
		}
	}
	if y := x.Time.UTC().Year(); y < 1900 || y > 9999 {
		return fmt.Errorf("%s: time %s is before 1900 or after 9999", where, clock(x.Time))
	}
	if !o.Now.IsZero() && x.Time.After(o.Now) {
		return fmt.Errorf("%s: time %s lies in the future", where, clock(x.Time))
	}
	x.Site, x.Place = r.site, r.place
	if x.Site == "" && x.Place == "" {
		return fmt.Errorf("%s: neither site nor place is given", where)
	}
	if x.Quantity = quantityOf(r.quantity); x.Quantity < 0 {
		return fmt.Errorf("%s: quantity %q is not one of %s", where, r.quantity, QuantityNames())
	}
	q := &Quantities[x.Quantity]
	factor, ok := q.Units[r.unit]
	if !ok {
		return fmt.Errorf("%s: unit %q of %s is not one of %s", where, r.unit, q.Name, q.units())
	}
	switch {
	case r.minutes != "":
		m, err := strconv.ParseFloat(r.minutes, 64)
		if err != nil || !(m > 0 && m <= 7*24*60) {
			return fmt.Errorf("%s: minutes %q is no number above 0, up to %d", where, r.minutes, 7*24*60)
		}
		x.Period = time.Duration(math.Round(m * float64(time.Minute)))
	case q.NeedsPeriod:
		return fmt.Errorf("%s: %s is over a period: minutes must say how long it is", where, q.Name)
	}
	if q.Cumulative && x.Period != 0 {
		return fmt.Errorf("%s: %s is what lies there at a time: minutes must be empty", where, q.Name)
	}
	if x.Value = r.number; !r.numeric {
		if x.Value, err = numberOf(r.value); err != nil {
			return fmt.Errorf("%s: value: %w", where, err)
		}
	}
	x.Value *= factor
	if !math.IsNaN(x.Value) && !(x.Value >= q.Low && x.Value <= q.High) {
		return fmt.Errorf("%s: %s of %.6g %s is outside %g to %g; leave a missing value empty", where, q.Name, x.Value, q.Unit, q.Low, q.High)
	}
	return o.add(x, where)
}

// timeOf reads a time with its zone.
func timeOf(text string) (time.Time, error) {
	for _, form := range []string{time.RFC3339, "2006-01-02T15:04Z07:00", "2006-01-02 15:04:05Z07:00", "2006-01-02 15:04Z07:00"} {
		if t, err := time.Parse(form, text); err == nil {
			return t.UTC(), nil
		}
	}
	for _, form := range []string{"2006-01-02T15:04:05", "2006-01-02 15:04:05", "2006-01-02T15:04", "2006-01-02 15:04", "2006-01-02"} {
		if _, err := time.Parse(form, text); err == nil {
			return time.Time{}, fmt.Errorf("%q has no zone; write 2026-01-14T05:00:00Z or 2026-01-13T22:00:00-07:00", text)
		}
	}
	return time.Time{}, fmt.Errorf("%q is no time such as 2026-01-14T05:00:00Z", text)
}

// numberOf reads a decimal number; empty and NaN are missing.
func numberOf(text string) (float64, error) {
	if text == "" || text == "NaN" || text == "nan" {
		return math.NaN(), nil
	}
	x, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsInf(x, 0) || math.IsNaN(x) {
		return 0, fmt.Errorf("%q is no number; leave a missing value empty", text)
	}
	return x, nil
}
