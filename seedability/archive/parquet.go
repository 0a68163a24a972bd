package archive

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress/zstd"

	"rimeline/seedability/parquetcheck"
)

// A page ends with the first group after so many rows, so that the rows of one site
// are read without those of others. One row group a day: its footer has one entry a
// column, where row groups by site would have thousands.
const pageRows = 1024

// maxRows of one table of one day.
const maxRows = 1 << 27

var zstdCodec = &zstd.Codec{Level: zstd.SpeedDefault}

// parquetNode is the type of a column; every value may be missing.
func (h *heading) parquetNode() parquet.Node {
	switch h.of {
	case intColumn:
		return parquet.Optional(parquet.Int(64))
	case timeColumn:
		return parquet.Optional(parquet.Timestamp(parquet.Microsecond))
	case textColumn:
		if h.plain() {
			return parquet.Optional(parquet.String())
		}
		return parquet.Optional(parquet.Encoded(parquet.String(), &parquet.RLEDictionary))
	}
	return parquet.Optional(parquet.Leaf(parquet.DoubleType))
}

// plain: most texts of the column differ, and a dictionary would only cost memory.
func (h *heading) plain() bool {
	return strings.HasSuffix(h.name, "_json") || slices.Contains([]string{"event_id", "key", "state_reason", "id"}, h.name)
}

// parquetWriter writes a table by columns.
type parquetWriter struct {
	of      *layout
	writer  *parquet.GenericWriter[any]
	columns []*parquet.ColumnWriter // in the order of the layout
	numbers []int                   // of the columns in the file
	values  []parquet.Value
	pending int
	rows    TableRows
	first   int64
	last    int64
}

func newParquetWriter(of *layout, into io.Writer) *parquetWriter {
	group := parquet.Group{}
	for k := range of.headings {
		group[of.headings[k].name] = of.headings[k].parquetNode()
	}
	schema := parquet.NewSchema("rimeline_"+of.name, group)
	options := []parquet.WriterOption{schema, parquet.Compression(zstdCodec), parquet.DataPageVersion(2), parquet.DataPageStatistics(true),
		// Bounds of texts in the index are cut to 64 bytes; pages end at groups, not by size.
		parquet.ColumnIndexSizeLimit(func([]string) int { return 64 }), parquet.PageBufferSize(64 << 20), parquet.MaxRowsPerRowGroup(math.MaxInt64),
		parquet.CreatedBy("rimeline", "archive", fmt.Sprint(FormatVersion))}
	for k := range of.headings {
		h := &of.headings[k]
		if h.unit != "" {
			options = append(options, parquet.KeyValueMetadata("unit."+h.name, h.unit))
		}
		if h.standardName != "" {
			options = append(options, parquet.KeyValueMetadata("standard_name."+h.name, h.standardName))
		}
	}
	w := &parquetWriter{of: of, writer: parquet.NewGenericWriter[any](into, options...), first: math.MaxInt64, last: math.MinInt64}
	w.rows.Groups = []Group{}
	columns := w.writer.ColumnWriters()
	for k := range of.headings {
		leaf, _ := schema.Lookup(of.headings[k].name)
		w.columns, w.numbers = append(w.columns, columns[leaf.ColumnIndex]), append(w.numbers, leaf.ColumnIndex)
	}
	return w
}

// group writes all rows of one group.
func (w *parquetWriter) group(name string, b *block) error {
	for k := range b.columns {
		c, of := &b.columns[k], w.of.headings[k].of
		w.values = w.values[:0]
		level := func(v parquet.Value, missing bool) {
			if missing {
				w.values = append(w.values, parquet.NullValue().Level(0, 0, w.numbers[k]))
				return
			}
			w.values = append(w.values, v.Level(0, 1, w.numbers[k]))
		}
		switch of {
		case floatColumn:
			for _, x := range c.Floats {
				level(parquet.DoubleValue(x), math.IsNaN(x))
			}
		case textColumn:
			for _, text := range c.Texts {
				level(parquet.ByteArrayValue([]byte(text)), text == "")
			}
		default:
			for _, x := range c.Ints {
				level(parquet.Int64Value(x), x == Missing)
			}
		}
		if len(w.values) != b.rows {
			return fmt.Errorf("column %s has %d values in %d rows", c.Name, len(w.values), b.rows)
		}
		if _, err := w.columns[k].WriteRowValues(w.values); err != nil {
			return fmt.Errorf("column %s: %w", c.Name, err)
		}
	}
	for _, t := range b.columns[w.of.timeAt].Ints {
		if t != Missing {
			w.first, w.last = min(w.first, t), max(w.last, t)
		}
	}
	w.rows.Groups = append(w.rows.Groups, Group{Name: name, From: w.rows.Rows, Rows: int64(b.rows)})
	w.rows.Rows += int64(b.rows)
	if w.pending += b.rows; w.pending >= pageRows {
		w.pending = 0
		for _, c := range w.columns {
			if err := c.Flush(); err != nil {
				return err
			}
		}
	}
	return nil
}

func (w *parquetWriter) close() error { return w.writer.Close() }

// span is the time of the first and last row.
func (w *parquetWriter) span() (first, last time.Time) {
	if w.first > w.last {
		return time.Time{}, time.Time{}
	}
	return TimeOf(w.first), TimeOf(w.last)
}

// footerOf a Parquet file that was written: its last bytes (Parquet format, "File
// format": the metadata, their length in four bytes, PAR1).
func footerOf(path string) (bytes int64, digest string, err error) {
	f, err := os.Open(path)
	if err != nil {
		return 0, "", err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return 0, "", err
	}
	var end [8]byte
	if _, err := f.ReadAt(end[:], info.Size()-int64(len(end))); err != nil {
		return 0, "", fmt.Errorf("%s: %w", path, err)
	}
	bytes = int64(binary.LittleEndian.Uint32(end[:4])) + int64(len(end))
	if bytes > min(info.Size(), maxFooterBytes) {
		return 0, "", fmt.Errorf("%s: a footer of %d bytes, at most %d", path, bytes, maxFooterBytes)
	}
	b := make([]byte, bytes)
	if _, err := f.ReadAt(b, info.Size()-bytes); err != nil {
		return 0, "", fmt.Errorf("%s: %w", path, err)
	}
	return bytes, hexOf(b), nil
}

// checkFooter compares the end of a Parquet file with what the manifest says. The
// library trusts it: one flipped byte there can hide a column, or ask for all memory.
// Pages have sums that the library checks.
func checkFooter(path string, entry File) error {
	if entry.FooterSHA256 == "" {
		return checkFile(path, entry) // written by an older program
	}
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	if info.Size() != entry.Bytes {
		return fmt.Errorf("%s: %d bytes, the manifest says %d: %w", path, info.Size(), entry.Bytes, ErrDamaged)
	}
	bytes, digest, err := footerOf(path)
	if errors.Is(err, os.ErrNotExist) {
		return err // the day was replaced
	}
	if err != nil || bytes != entry.FooterBytes || digest != entry.FooterSHA256 {
		return fmt.Errorf("%s: its footer is not what was written (SHA-256 %s, the manifest says %s): %w", path, digest, entry.FooterSHA256, ErrDamaged)
	}
	return nil
}

// parquetReader reads columns of a table.
type parquetReader struct {
	of     *layout
	path   string
	opened *os.File
	file   *parquet.File
	// checked says what pages may be read: sums of pages leave out their headers, and
	// the digest of a footer leaves out the indexes that say where pages lie.
	checked *parquetcheck.File
	rows    int64
}

func (r *parquetReader) layout() *layout { return r.of }
func (r *parquetReader) name() string    { return r.path }

// openParquet opens a table of a day whose bytes, or those of its footer, the manifest
// knows. Damage is an error that is ErrDamaged.
func openParquet(path string, of *layout) (*parquetReader, error) {
	return openOneGroup(path, of, knownLimits())
}

// Limits of a table. A page ends at a group of rows, whatever its size.
func tableLimits() parquetcheck.Limits {
	l := parquetcheck.Default()
	l.FooterBytes, l.IndexBytes, l.Rows = maxFooterBytes, 16<<20, maxRows
	l.PageBytes, l.PageValues, l.OpenBytes, l.AllBytes = 128<<20, 1<<24, math.MaxInt64, math.MaxInt64
	return l
}

// knownLimits of a table that this program wrote: what its pages hold has sums.
func knownLimits() parquetcheck.Limits {
	l := tableLimits()
	l.PageBytes, l.PageValues, l.HeadersOnly = 1<<30, maxRows, true
	return l
}

// spoolLimits of a table that this run wrote, with as many groups as there were days.
func spoolLimits() parquetcheck.Limits {
	l := knownLimits()
	l.FooterBytes, l.ListElements, l.RowGroups, l.ColumnChunks = math.MaxInt32, math.MaxInt, math.MaxInt, math.MaxInt
	return l
}

func openOneGroup(path string, of *layout, limits parquetcheck.Limits) (*parquetReader, error) {
	r, err := openParquetGroups(path, of, limits)
	if err == nil && len(r.file.RowGroups()) > 1 {
		err = fmt.Errorf("%s: %d row groups: %w", path, len(r.file.RowGroups()), ErrDamaged)
		r.Close()
		return nil, err
	}
	return r, err
}

// openParquetGroups opens a table that may have several groups of rows.
func openParquetGroups(path string, of *layout, limits parquetcheck.Limits) (r *parquetReader, err error) {
	opened, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer func() {
		if cause := recover(); cause != nil {
			err = fmt.Errorf("%s: %v: %w", path, cause, ErrDamaged)
		}
		if err != nil {
			opened.Close()
		}
	}()
	info, err := opened.Stat()
	if err != nil {
		return nil, err
	}
	checked, err := parquetcheck.Footer(opened, info.Size(), limits)
	if err != nil {
		return nil, fmt.Errorf("%s: %w: %w", path, err, ErrDamaged)
	}
	file, err := parquet.OpenFile(opened, info.Size(), parquet.SkipPageIndex(true), parquet.SkipBloomFilters(true), parquet.OptimisticRead(true), parquet.ReadBufferSize(64<<10))
	if err != nil {
		return nil, fmt.Errorf("%s: %w: %w", path, err, ErrDamaged)
	}
	return &parquetReader{of: of, path: path, opened: opened, file: file, checked: checked, rows: file.NumRows()}, nil
}

func (r *parquetReader) Close() { r.opened.Close() }

// read gives columns from one row to before another. A column that the file does not
// have is missing in every row.
func (r *parquetReader) read(from, to int64, columns []int) (b *block, err error) {
	if from < 0 || to < from || to > r.rows {
		return nil, fmt.Errorf("%s: rows %d to %d of %d: %w", r.path, from, to, r.rows, ErrDamaged)
	}
	defer func() {
		// The library answers some damage by panicking.
		if cause := recover(); cause != nil {
			b, err = nil, fmt.Errorf("%s: %v: %w", r.path, cause, ErrDamaged)
		}
	}()
	b = &block{of: r.of, columns: make([]Column, len(columns)), rows: int(to - from)}
	for k, number := range columns {
		h := &r.of.headings[number]
		b.columns[k] = Column{Name: h.name}
		if err := r.column(h, from, to, &b.columns[k]); err != nil {
			return nil, fmt.Errorf("%s: column %s: %w: %w", r.path, h.name, err, ErrDamaged)
		}
	}
	return b, nil
}

func (r *parquetReader) column(h *heading, from, to int64, into *Column) error {
	n := int(to - from)
	switch h.of {
	case floatColumn:
		into.Floats = make([]float64, n)
	case textColumn:
		into.Texts = make([]string, n)
	default:
		into.Ints = make([]int64, n)
	}
	leaf, ok := r.file.Schema().Lookup(h.name)
	if !ok || n == 0 {
		for k := range into.Floats {
			into.Floats[k] = math.NaN()
		}
		for k := range into.Ints {
			into.Ints[k] = Missing
		}
		return nil
	}
	want := map[columnType]parquet.Kind{floatColumn: parquet.Double, textColumn: parquet.ByteArray, intColumn: parquet.Int64, timeColumn: parquet.Int64}[h.of]
	if leaf.Node.Type().Kind() != want {
		return fmt.Errorf("values are %v, not %v", leaf.Node.Type().Kind(), want)
	}
	at, before := 0, int64(0)
	for k, group := range r.file.RowGroups() {
		first, last := max(from-before, 0), min(to-before, group.NumRows())
		before += group.NumRows()
		if first >= last {
			continue
		}
		if err := r.checked.Rows(k, h.name, first, last); err != nil {
			return err
		}
		got, err := readChunk(h, group.ColumnChunks()[leaf.ColumnIndex], first, int(last-first), into, at)
		if err != nil {
			return err
		}
		at += got
	}
	if at < n {
		return fmt.Errorf("%d rows, %d are wanted", at, n)
	}
	return nil
}

// readChunk reads n values from a row of a chunk on into a column from row at on.
func readChunk(h *heading, chunk parquet.ColumnChunk, from int64, n int, into *Column, at int) (int, error) {
	if from > 0 {
		if _, err := chunk.OffsetIndex(); err != nil { // loads it, so that seeking uses it
			return 0, err
		}
	}
	pages := chunk.Pages()
	defer pages.Close()
	if from > 0 {
		if err := pages.SeekToRow(from); err != nil {
			return 0, err
		}
	}
	end := at + n
	var values [512]parquet.Value
	texts := map[string]string{} // few words stand in many rows
	for at < end {
		page, err := pages.ReadPage()
		if err != nil {
			if errors.Is(err, io.EOF) {
				return 0, fmt.Errorf("%d rows of a chunk are lacking", end-at)
			}
			return 0, err
		}
		reader := page.Values()
		for at < end {
			got, err := reader.ReadValues(values[:min(len(values), end-at)])
			for _, v := range values[:got] {
				missing := v.IsNull()
				switch h.of {
				case floatColumn:
					if into.Floats[at] = v.Double(); missing {
						into.Floats[at] = math.NaN()
					}
				case textColumn:
					if missing {
						break
					}
					bytes := v.ByteArray()
					text, ok := texts[string(bytes)]
					if !ok {
						text = string(bytes)
						if len(text) < 100 && len(texts) < 1000 {
							texts[text] = text
						}
					}
					into.Texts[at] = text
				default:
					if into.Ints[at] = v.Int64(); missing {
						into.Ints[at] = Missing
					}
				}
				at++
			}
			if err != nil && !errors.Is(err, io.EOF) {
				return 0, err
			}
			if got == 0 || err != nil {
				break
			}
		}
		parquet.Release(page)
	}
	return n, nil
}

// every column of a layout.
func (l *layout) every() []int {
	all := make([]int, len(l.headings))
	for k := range all {
		all[k] = k
	}
	return all
}
