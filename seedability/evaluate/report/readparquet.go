package report

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"time"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/format"

	"rimeline/seedability/parquetcheck"
)

// maxParquetBytes of the pages of the columns that are read, uncompressed.
const maxParquetBytes = 4 << 30

// ReadParquet takes the observations of a Parquet file with the columns of the layout:
// time as a timestamp adjusted to UTC, or as text with its zone; value and minutes as
// numbers or text; the others as text. Errors name file and row.
func (o *Observations) ReadParquet(name string, from io.ReaderAt, size int64) (err error) {
	defer func() {
		// The library answers some damage by panicking.
		if cause := recover(); cause != nil {
			err = fmt.Errorf("%s: damaged: %v", name, cause)
		}
	}()
	// The library trusts what a file says of itself.
	limits := parquetcheck.Default()
	limits.Rows, limits.AllBytes = maxObservations, maxParquetBytes
	checked, err := parquetcheck.Footer(from, size, limits)
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	file, err := parquet.OpenFile(from, size, parquet.SkipPageIndex(true), parquet.SkipBloomFilters(true))
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	columns := map[string]parquet.LeafColumn{}
	for _, column := range []string{"time", "quantity", "value", "unit", "site", "place", "minutes"} {
		leaf, ok := file.Schema().Lookup(column)
		if !ok {
			if slices.Contains([]string{"time", "quantity", "value", "unit"}, column) {
				return fmt.Errorf("%s: there is no column %q", name, column)
			}
			continue
		}
		if leaf.MaxRepetitionLevel > 0 {
			return fmt.Errorf("%s: column %s holds lists", name, column)
		}
		if err := checked.Column(column); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		columns[column] = leaf
	}
	ticks, err := ticksOf(columns["time"])
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	var failed rowErrors
	at := 0
	for _, group := range file.RowGroups() {
		err := eachRow(group, columns, func(values parquet.Row) bool {
			at++
			where := fmt.Sprintf("%s: row %d", name, at)
			r, err := rowOf(values, columns, ticks)
			if err != nil {
				failed.add(fmt.Errorf("%s: %w", where, err))
				return !failed.full()
			}
			failed.add(o.take(r, where))
			return !failed.full()
		})
		if err != nil {
			failed.add(fmt.Errorf("%s: after row %d: %w", name, at, err))
		}
		if err != nil || failed.full() {
			break
		}
	}
	return failed.err()
}

// eachRow gives the cells of some columns, none of which holds lists; they are not kept.
// Other columns are not read: one of lists could have millions of values in a row.
func eachRow(group parquet.RowGroup, columns map[string]parquet.LeafColumn, f func(parquet.Row) bool) error {
	var cells []*cellReader
	defer func() {
		for _, c := range cells {
			c.pages.Close()
		}
	}()
	chunks := group.ColumnChunks()
	for _, leaf := range columns {
		cells = append(cells, &cellReader{pages: chunks[leaf.ColumnIndex].Pages()})
	}
	row := make(parquet.Row, len(cells))
	for range group.NumRows() {
		for k, c := range cells {
			var err error
			if row[k], err = c.next(); err != nil {
				return err
			}
		}
		if !f(row) {
			return nil
		}
	}
	return nil
}

// cellReader gives the values of a column, one of each row.
type cellReader struct {
	pages  parquet.Pages
	page   parquet.Page
	values parquet.ValueReader
	buffer [128]parquet.Value
	at, n  int
}

// next value; it holds until the one after.
func (c *cellReader) next() (parquet.Value, error) {
	for c.at == c.n {
		if c.values == nil {
			page, err := c.pages.ReadPage()
			if errors.Is(err, io.EOF) {
				err = io.ErrUnexpectedEOF
			}
			if err != nil {
				return parquet.Value{}, err
			}
			c.page, c.values = page, page.Values()
		}
		var err error
		c.at = 0
		c.n, err = c.values.ReadValues(c.buffer[:])
		if err != nil && !errors.Is(err, io.EOF) {
			return parquet.Value{}, err
		}
		if c.n == 0 && err == nil {
			return parquet.Value{}, io.ErrNoProgress
		}
		if c.n == 0 {
			parquet.Release(c.page)
			c.page, c.values = nil, nil
		}
	}
	c.at++
	return c.buffer[c.at-1], nil
}

// ticksOf gives the length of a tick of a timestamp; 0 for text.
func ticksOf(leaf parquet.LeafColumn) (time.Duration, error) {
	of := leaf.Node.Type()
	if of.Kind() == parquet.ByteArray {
		return 0, nil
	}
	var stamp *format.TimestampType
	if logical := of.LogicalType(); logical != nil {
		stamp, _ = logical.Value.(*format.TimestampType)
	}
	if of.Kind() != parquet.Int64 || stamp == nil {
		return 0, fmt.Errorf("column time is neither a timestamp nor text")
	}
	if !stamp.IsAdjustedToUTC {
		return 0, fmt.Errorf("column time has no zone: its timestamps are not adjusted to UTC")
	}
	switch stamp.Unit.Value.(type) {
	case *format.MilliSeconds:
		return time.Millisecond, nil
	case *format.MicroSeconds:
		return time.Microsecond, nil
	}
	return time.Nanosecond, nil
}

func rowOf(values parquet.Row, columns map[string]parquet.LeafColumn, ticks time.Duration) (*row, error) {
	r := &row{}
	for column, leaf := range columns {
		var v parquet.Value
		found := false
		for _, one := range values {
			if one.Column() == leaf.ColumnIndex {
				v, found = one, true
			}
		}
		if !found || v.IsNull() {
			if column == "value" {
				r.number, r.numeric = math.NaN(), true
			}
			continue
		}
		text, number := "", math.NaN()
		switch v.Kind() {
		case parquet.ByteArray, parquet.FixedLenByteArray:
			if len(v.ByteArray()) > maxFieldBytes {
				return nil, fmt.Errorf("column %s is longer than %d bytes", column, maxFieldBytes)
			}
			text = string(v.ByteArray())
		case parquet.Double:
			number = v.Double()
		case parquet.Float:
			number = float64(v.Float())
		case parquet.Int32:
			number = float64(v.Int32())
		case parquet.Int64:
			if column == "time" {
				r.timed, r.at = true, tickTime(v.Int64(), ticks)
				continue
			}
			number = float64(v.Int64())
		default:
			return nil, fmt.Errorf("column %s holds %v", column, v.Kind())
		}
		isText := v.Kind() == parquet.ByteArray || v.Kind() == parquet.FixedLenByteArray
		switch column {
		case "value":
			if isText {
				r.value = text
			} else if r.number, r.numeric = number, true; math.IsInf(number, 0) {
				return nil, fmt.Errorf("value is infinite")
			}
		case "minutes":
			if r.minutes = text; !isText && !math.IsNaN(number) {
				r.minutes = strconv.FormatFloat(number, 'g', -1, 64)
			}
		default:
			if !isText {
				return nil, fmt.Errorf("column %s is a number, not text", column)
			}
			switch column {
			case "time":
				r.time = text
			case "site":
				r.site = text
			case "place":
				r.place = text
			case "quantity":
				r.quantity = text
			case "unit":
				r.unit = text
			}
		}
	}
	return r, nil
}

func tickTime(n int64, ticks time.Duration) time.Time {
	switch ticks {
	case time.Millisecond:
		return time.UnixMilli(n).UTC()
	case time.Microsecond:
		return time.UnixMicro(n).UTC()
	}
	return time.Unix(0, n).UTC()
}

// Take adds one observation that another format gave; where names file and place.
func (o *Observations) Take(where string, at time.Time, site, place, quantity string, value float64, unit string, minutes float64) error {
	r := row{timed: true, at: at, site: site, place: place, quantity: quantity, unit: unit, number: value, numeric: true}
	if math.IsInf(value, 0) {
		return fmt.Errorf("%s: value is infinite", where)
	}
	if !math.IsNaN(minutes) {
		r.minutes = strconv.FormatFloat(minutes, 'g', -1, 64)
	}
	return o.take(&r, where)
}
