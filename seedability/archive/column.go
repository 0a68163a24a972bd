package archive

import (
	"cmp"
	"math"
	"slices"
	"time"
)

// Missing is a whole number or a time that is not known. Numbers with a fraction
// are NaN then, and text is empty.
const Missing = math.MinInt64

type columnType uint8

const (
	floatColumn columnType = iota
	intColumn
	textColumn
	timeColumn // microseconds since 1970-01-01T00:00:00Z
)

// Column is the values of one quantity, a row each. One of the slices is set.
type Column struct {
	Name   string
	Floats []float64
	// Ints are whole numbers, or of a time microseconds since 1970, UTC.
	Ints  []int64
	Texts []string
}

// heading says what a column holds, for every kind of file.
type heading struct {
	name string
	of   columnType
	// unit in the spelling of UDUNITS-2; standardName of the CF table, version 93 or
	// earlier; longName for people.
	unit, standardName, longName string
	// flags are the words that the column can hold; written as numbers to netCDF.
	flags []string
	// parquetOnly: free text and the like, which netCDF files leave out.
	parquetOnly bool
	// comment of netCDF.
	comment string
}

// column is a heading with how its value is found in a row.
type column[T any] struct {
	heading
	float func(*T) float64
	int   func(*T) int64
	text  func(*T) string
	time  func(*T) time.Time
}

// layout is one table: its first column says which group a row belongs to, and the
// rows of a group lie together, sorted by the column sortBy, then by sequence.
type layout struct {
	name     string
	headings []heading
	sortBy   int // column
	sequence int // column
	timeAt   int // column that queries and manifests go by
}

// block is rows of one table.
type block struct {
	of      *layout
	columns []Column
	rows    int
}

func newBlock(of *layout) *block {
	b := &block{of: of, columns: make([]Column, len(of.headings))}
	for k := range b.columns {
		b.columns[k].Name = of.headings[k].name
	}
	return b
}

// add a row. It gives how many bytes the row takes, about.
func add[T any](b *block, columns []column[T], row *T) (bytes int64) {
	for k := range columns {
		c, into := &columns[k], &b.columns[k]
		bytes += 8
		switch c.of {
		case floatColumn:
			into.Floats = append(into.Floats, c.float(row))
		case intColumn:
			into.Ints = append(into.Ints, c.int(row))
		case timeColumn:
			into.Ints = append(into.Ints, microseconds(c.time(row)))
		case textColumn:
			text := c.text(row)
			into.Texts = append(into.Texts, text)
			bytes += 8 + int64(len(text))
		}
	}
	b.rows++
	return bytes
}

// append puts the rows of another block of the same table at the end.
func (b *block) append(other *block) {
	for k := range b.columns {
		into, from := &b.columns[k], &other.columns[k]
		into.Floats = append(into.Floats, from.Floats...)
		into.Ints = append(into.Ints, from.Ints...)
		into.Texts = append(into.Texts, from.Texts...)
	}
	b.rows += other.rows
}

// sort the rows of a group. Rows alike keep their order.
func (b *block) sort() {
	key, sequence := b.columns[b.of.sortBy].Ints, b.columns[b.of.sequence].Ints
	compare := func(i, j int) int { return cmp.Or(cmp.Compare(key[i], key[j]), cmp.Compare(sequence[i], sequence[j])) }
	order := make([]int, b.rows)
	sorted := true
	for i := range order {
		order[i] = i
		sorted = sorted && (i == 0 || compare(i-1, i) <= 0)
	}
	if sorted {
		return
	}
	slices.SortStableFunc(order, compare)
	for k := range b.columns {
		c := &b.columns[k]
		c.Floats, c.Ints, c.Texts = permuted(c.Floats, order), permuted(c.Ints, order), permuted(c.Texts, order)
	}
}

func permuted[V any](values []V, order []int) []V {
	if values == nil {
		return nil
	}
	into := make([]V, len(order))
	for i, from := range order {
		into[i] = values[from]
	}
	return into
}

func microseconds(t time.Time) int64 {
	if t.IsZero() || t.Year() < 1 || t.Year() > 9999 {
		return Missing
	}
	return t.UnixMicro()
}

// TimeOf is the time that a column of times holds; zero where it is missing.
func TimeOf(us int64) time.Time {
	if us == Missing {
		return time.Time{}
	}
	return time.UnixMicro(us).UTC()
}

func numberOf(x *float64) float64 {
	if x == nil {
		return math.NaN()
	}
	return *x
}

func headingsOf[T any](columns []column[T]) []heading {
	headings := make([]heading, len(columns))
	for k := range columns {
		headings[k] = columns[k].heading
	}
	return headings
}

func layoutOf[T any](name, sortBy, timeAt string, columns []column[T]) *layout {
	l := &layout{name: name, headings: headingsOf(columns)}
	l.sortBy, l.sequence, l.timeAt = l.at(sortBy), l.at("sequence"), l.at(timeAt)
	return l
}

// at is the number of a column, -1 where there is none of that name.
func (l *layout) at(name string) int {
	return slices.IndexFunc(l.headings, func(h heading) bool { return h.name == name })
}
