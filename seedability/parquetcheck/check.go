package parquetcheck

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
)

// What an error is.
var (
	ErrCorrupt     = errors.New("breaks the Parquet format")
	ErrLimit       = errors.New("more than is read")
	ErrUnsupported = errors.New("valid Parquet, not read")
)

// Limits of a file.
type Limits struct {
	FooterBytes    int64
	ListElements   int // of all lists of the footer
	SchemaElements int
	Depth          int // of the schema
	RowGroups      int
	ColumnChunks   int // of all row groups
	Rows           int64
	IndexBytes     int64 // of one offset index, column index or Bloom filter
	HeaderBytes    int   // of one page header
	PageBytes      int64 // of one page, compressed or not
	PageValues     int64 // of one page or dictionary
	// OpenBytes that the greatest page and the dictionary of every column of one row
	// group take, the columns being read side by side.
	OpenBytes int64
	// AllBytes of all pages, uncompressed: they bound the time of reading.
	AllBytes int64
	// HeadersOnly leaves out what pages hold: for files whose bytes are known.
	HeadersOnly bool
}

// Default gives limits for tables of some million rows.
func Default() Limits {
	return Limits{
		FooterBytes: 4 << 20, ListElements: 1 << 20, SchemaElements: 10_000, Depth: 32, RowGroups: 10_000, ColumnChunks: 1 << 16,
		Rows: 1 << 27, IndexBytes: 4 << 20, HeaderBytes: 1 << 20,
		PageBytes: 64 << 20, PageValues: 1 << 23, OpenBytes: 256 << 20, AllBytes: 16 << 30,
	}
}

// Check looks over a whole file.
func Check(from io.ReaderAt, size int64, l Limits) error {
	f, err := Footer(from, size, l)
	if err != nil {
		return err
	}
	for k := range f.leaves {
		if err := f.column(k); err != nil {
			return err
		}
	}
	return nil
}

// File is a file whose footer is sound. One goroutine uses it at a time.
type File struct {
	from   io.ReaderAt
	footer int64 // its first byte
	limits Limits
	leaves []leaf
	groups []rowGroup
	all    int64 // uncompressed bytes of the pages so far
	work   buffers
}

type leaf struct {
	path       string
	kind       int64 // Type of parquet.thrift
	length     int64 // of a value of FIXED_LEN_BYTE_ARRAY
	repetition int   // greatest levels
	definition int
	looked     bool
	err        error
}

type rowGroup struct {
	rows   int64
	chunks []chunk
	open   int64 // bytes of its greatest pages so far
	sorted int64 // greatest column of its order
}

// chunk has the fields of ColumnChunk and ColumnMetaData that readers use.
type chunk struct {
	kind, codec                    int64
	values                         int64
	uncompressed, compressed       int64
	dataPage, dictionaryPage       int64
	offsetIndex, offsetIndexLength int64
	locations                      []location // of the offset index, once it is read
}

// Types of parquet.thrift.
const (
	typeBoolean   = 0
	typeInt32     = 1
	typeInt64     = 2
	typeInt96     = 3
	typeFloat     = 4
	typeDouble    = 5
	typeByteArray = 6
	typeFixed     = 7
)

// Columns gives the paths of the columns, parts joined by dots.
func (f *File) Columns() []string {
	paths := make([]string, len(f.leaves))
	for k := range f.leaves {
		paths[k] = f.leaves[k].path
	}
	return paths
}

// Column looks over the pages of columns with that path; where there is none, there
// is nothing to read.
func (f *File) Column(path string) error {
	for k := range f.leaves {
		if f.leaves[k].path == path {
			if err := f.column(k); err != nil {
				return err
			}
		}
	}
	return nil
}

func (f *File) column(k int) error {
	l := &f.leaves[k]
	if l.looked {
		return l.err
	}
	l.looked = true
	for g := range f.groups {
		if err := f.chunk(g, k); err != nil {
			l.err = fmt.Errorf("row group %d, column %s: %w", g, l.path, err)
			break
		}
	}
	return l.err
}

// Footer reads and checks the end of a file and no page ("File format" of the Apache
// Parquet format: PAR1, pages, FileMetaData, its length in four bytes, PAR1).
func Footer(from io.ReaderAt, size int64, l Limits) (*File, error) {
	if size < 12 {
		return nil, fmt.Errorf("%d bytes are no Parquet file: %w", size, ErrCorrupt)
	}
	var head [4]byte
	var end [8]byte
	if err := readFull(from, head[:], 0); err != nil {
		return nil, err
	}
	if err := readFull(from, end[:], size-8); err != nil {
		return nil, err
	}
	if string(head[:]) == "PARE" || string(end[4:]) == "PARE" {
		return nil, fmt.Errorf("its footer is encrypted: %w", ErrUnsupported)
	}
	if string(head[:]) != "PAR1" || string(end[4:]) != "PAR1" {
		return nil, fmt.Errorf("it begins with %q and ends with %q, not PAR1: %w", head[:], end[4:], ErrCorrupt)
	}
	n := int64(binary.LittleEndian.Uint32(end[:4]))
	if n > l.FooterBytes {
		return nil, fmt.Errorf("a footer of %d bytes, at most %d are read: %w", n, l.FooterBytes, ErrLimit)
	}
	if n > size-12 {
		return nil, fmt.Errorf("a footer of %d bytes in a file of %d: %w", n, size, ErrCorrupt)
	}
	f := &File{from: from, footer: size - 8 - n, limits: l}
	b := make([]byte, n)
	if err := readFull(from, b, f.footer); err != nil {
		return nil, err
	}
	if err := f.metadata(&cursor{b: b, offset: f.footer, elements: l.ListElements}); err != nil {
		return nil, fmt.Errorf("FileMetaData: %w", err)
	}
	return f, nil
}

func readFull(from io.ReaderAt, b []byte, at int64) error {
	n, err := from.ReadAt(b, at)
	if n == len(b) {
		return nil
	}
	if err == nil || errors.Is(err, io.EOF) {
		err = fmt.Errorf("the file ends: %w", ErrCorrupt)
	}
	return fmt.Errorf("byte %d: %w", at+int64(n), err)
}

// needs says which fields of a structure are lacking: bit k of need and got is field k.
func needs(structure string, need, got uint64) error {
	for id := range 64 {
		if need&^got>>id&1 != 0 {
			return fmt.Errorf("%s lacks field %d: %w", structure, id, ErrCorrupt)
		}
	}
	return nil
}

func (f *File) metadata(c *cursor) error {
	var rows, version int64
	var schema []element
	var got uint64
	err := c.structure(thriftStruct, func(id int16, kind byte) (err error) {
		if id > 0 && id < 64 {
			got |= 1 << id
		}
		switch id {
		case 1:
			return c.i32(kind, &version)
		case 2:
			schema, err = f.schema(c, kind)
			return err
		case 3:
			return c.i64(kind, &rows)
		case 4:
			return f.rowGroups(c, kind)
		case 8, 9:
			return c.fail(ErrUnsupported, "the file is encrypted or signed")
		}
		return c.skip(kind)
	})
	if err == nil {
		err = needs("it", 1<<1|1<<2|1<<3|1<<4, got)
	}
	if err != nil {
		return err
	}
	if c.at < len(c.b) {
		return c.fail(ErrCorrupt, "%d bytes follow it", len(c.b)-c.at)
	}
	if rows < 0 || rows > f.limits.Rows {
		return fmt.Errorf("num_rows is %d, at most %d are read: %w", rows, f.limits.Rows, ErrLimit)
	}
	if err := f.tree(schema); err != nil {
		return fmt.Errorf("schema: %w", err)
	}
	return f.agree(rows)
}

// none stands for a field that is not there; no field of 32 bits can say so.
const none = math.MinInt64

// element is a SchemaElement.
type element struct {
	kind, length, repetition, children, converted int64
	logical, unit, bits                           int64
	name                                          string
}

func (f *File) schema(c *cursor, kind byte) (all []element, err error) {
	err = c.list(kind, thriftStruct, func(k int) error {
		if k >= f.limits.SchemaElements {
			return c.fail(ErrLimit, "schema has more than %d elements", f.limits.SchemaElements)
		}
		e := element{kind: none, length: none, repetition: none, children: none, converted: none, logical: none, unit: none, bits: none}
		named := false
		err := c.structure(thriftStruct, func(id int16, kind byte) error {
			switch id {
			case 1:
				return c.i32(kind, &e.kind)
			case 2:
				return c.i32(kind, &e.length)
			case 3:
				return c.i32(kind, &e.repetition)
			case 4:
				b, err := c.binary(kind)
				e.name, named = string(b), true
				return err
			case 5:
				return c.i32(kind, &e.children)
			case 6:
				return c.i32(kind, &e.converted)
			case 10:
				return e.logicalType(c, kind)
			}
			return c.skip(kind)
		})
		if err == nil && !named {
			err = c.fail(ErrCorrupt, "SchemaElement lacks name")
		}
		if err != nil {
			return fmt.Errorf("schema[%d]: %w", k, err)
		}
		all = append(all, e)
		return nil
	})
	return all, err
}

// logicalType reads the union LogicalType: which member, and its width.
func (e *element) logicalType(c *cursor, kind byte) error {
	return c.structure(kind, func(member int16, kind byte) error {
		if e.logical != none {
			return c.fail(ErrCorrupt, "LogicalType has two members")
		}
		e.logical = int64(member)
		if member != logicalTime && member != logicalInteger {
			return c.skip(kind)
		}
		return c.structure(kind, func(id int16, kind byte) error {
			switch {
			case member == logicalTime && id == 2: // TimeUnit
				return c.structure(kind, func(id int16, kind byte) error {
					e.unit = int64(id)
					return c.skip(kind)
				})
			case member == logicalInteger && id == 1 && kind == thriftI8:
				b, err := c.byte()
				e.bits = int64(b)
				return err
			}
			return c.skip(kind)
		})
	})
}

// Members of the union LogicalType.
const (
	logicalTime    = 7
	logicalInteger = 10
)

// fits: the library takes the type of a value from the annotation, whatever Type says.
func (e *element) fits() error {
	is := func(types ...int64) bool {
		for _, t := range types {
			if e.kind == t {
				return true
			}
		}
		return false
	}
	ok := true
	switch e.logical {
	case none, 11: // UNKNOWN: all values are null
	case 1, 4, 12, 13, 17, 18: // STRING, ENUM, JSON, BSON, GEOMETRY, GEOGRAPHY
		ok = is(typeByteArray)
	case 2, 3, 16: // MAP, LIST, VARIANT annotate groups
		ok = false
	case 5: // DECIMAL
		ok = is(typeInt32, typeInt64, typeByteArray, typeFixed)
	case 6: // DATE
		ok = is(typeInt32)
	case logicalTime:
		if e.unit == 1 { // MILLIS
			ok = is(typeInt32)
		} else {
			ok = is(typeInt64) && (e.unit == 2 || e.unit == 3)
		}
	case 8: // TIMESTAMP
		ok = is(typeInt64)
	case logicalInteger:
		switch e.bits {
		case 8, 16, 32:
			ok = is(typeInt32)
		default:
			ok = e.bits == 64 && is(typeInt64)
		}
	case 14: // UUID
		ok = is(typeFixed) && e.length == 16
	case 15: // FLOAT16
		ok = is(typeFixed) && e.length == 2
	}
	if !ok {
		return fmt.Errorf("LogicalType %d does not fit Type %d: %w", e.logical, e.kind, ErrCorrupt)
	}
	switch e.converted {
	case 0, 4, 19, 20: // UTF8, ENUM, JSON, BSON
		ok = is(typeByteArray)
	case 1, 2, 3: // MAP, MAP_KEY_VALUE, LIST annotate groups
		ok = false
	case 5: // DECIMAL
		ok = is(typeInt32, typeInt64, typeByteArray, typeFixed)
	case 6, 7, 11, 12, 13, 15, 16, 17: // DATE, TIME_MILLIS, UINT_8 to 32, INT_8 to 32
		ok = is(typeInt32)
	case 8, 9, 10, 14, 18: // TIME_MICROS, TIMESTAMP_MILLIS and MICROS, UINT_64, INT_64
		ok = is(typeInt64)
	case 21: // INTERVAL
		ok = is(typeFixed) && e.length == 12
	}
	if !ok {
		return fmt.Errorf("ConvertedType %d does not fit Type %d: %w", e.converted, e.kind, ErrCorrupt)
	}
	return nil
}

// maxPathBytes of the paths of all elements.
const maxPathBytes = 8 << 20

// tree walks the schema, which lists a tree depth first.
func (f *File) tree(all []element) error {
	if len(all) == 0 {
		return fmt.Errorf("it is empty: %w", ErrCorrupt)
	}
	at, named := 0, 0
	var walk func(path []string, repetition, definition int) error
	walk = func(path []string, repetition, definition int) error {
		if at >= len(all) {
			return fmt.Errorf("num_children ask for more elements than the %d there are: %w", len(all), ErrCorrupt)
		}
		if len(path) > f.limits.Depth {
			return fmt.Errorf("more than %d levels: %w", f.limits.Depth, ErrLimit)
		}
		e := &all[at]
		at++
		for _, name := range path {
			named += len(name)
		}
		if named += len(e.name); named > maxPathBytes {
			return fmt.Errorf("paths of more than %d bytes: %w", maxPathBytes, ErrLimit)
		}
		if at > 1 {
			path = append(path, e.name)
			switch e.repetition {
			case 0, none:
			case 1:
				definition++
			case 2:
				repetition++
				definition++
			default:
				return fmt.Errorf("%s: there is no FieldRepetitionType %d: %w", strings.Join(path, "."), e.repetition, ErrCorrupt)
			}
		}
		if e.kind == none {
			if e.children < 0 && e.children != none {
				return fmt.Errorf("%s: num_children is %d: %w", strings.Join(path, "."), e.children, ErrCorrupt)
			}
			for range max(e.children, 0) {
				if err := walk(path, repetition, definition); err != nil {
					return err
				}
			}
			return nil
		}
		l := leaf{path: strings.Join(path, "."), kind: e.kind, length: e.length, repetition: repetition, definition: definition}
		switch {
		case at == 1:
			return fmt.Errorf("its root is a column: %w", ErrCorrupt)
		case e.kind < 0 || e.kind > typeFixed:
			return fmt.Errorf("%s: there is no Type %d: %w", l.path, e.kind, ErrCorrupt)
		case e.children > 0:
			return fmt.Errorf("%s: a column with %d children: %w", l.path, e.children, ErrCorrupt)
		case e.kind == typeFixed && (e.length < 1 || e.length > 1<<15-1):
			return fmt.Errorf("%s: values of type_length %d: %w", l.path, e.length, ErrLimit)
		}
		if err := e.fits(); err != nil {
			return fmt.Errorf("%s: %w", l.path, err)
		}
		f.leaves = append(f.leaves, l)
		return nil
	}
	if err := walk(nil, 0, 0); err != nil {
		return err
	}
	if at != len(all) {
		return fmt.Errorf("%d of %d elements belong to no group: %w", len(all)-at, len(all), ErrCorrupt)
	}
	return nil
}

func (f *File) rowGroups(c *cursor, kind byte) error {
	chunks := 0
	return c.list(kind, thriftStruct, func(k int) error {
		if k >= f.limits.RowGroups {
			return c.fail(ErrLimit, "more than %d row groups", f.limits.RowGroups)
		}
		g := rowGroup{}
		var got uint64
		var bytes, ordinal int64
		err := c.structure(thriftStruct, func(id int16, kind byte) error {
			if id > 0 && id < 64 {
				got |= 1 << id
			}
			switch id {
			case 1:
				return c.list(kind, thriftStruct, func(j int) error {
					if chunks++; chunks > f.limits.ColumnChunks {
						return c.fail(ErrLimit, "more than %d column chunks", f.limits.ColumnChunks)
					}
					one, err := f.columnChunk(c)
					g.chunks = append(g.chunks, one)
					if err != nil {
						return fmt.Errorf("columns[%d]: %w", j, err)
					}
					return nil
				})
			case 2:
				return c.i64(kind, &bytes)
			case 3:
				return c.i64(kind, &g.rows)
			case 4:
				return c.list(kind, thriftStruct, func(int) error { return g.sorting(c) })
			case 7:
				return c.i16(kind, &ordinal)
			}
			return c.skip(kind)
		})
		if err == nil {
			err = needs("it", 1<<1|1<<2|1<<3, got)
		}
		// Writers that know no ordinals leave them away or write 0.
		if err == nil && ordinal != 0 && ordinal != int64(k) {
			err = fmt.Errorf("its ordinal is %d: %w", ordinal, ErrCorrupt)
		}
		if err != nil {
			return fmt.Errorf("row_groups[%d]: %w", k, err)
		}
		f.groups = append(f.groups, g)
		return nil
	})
}

// sorting reads a SortingColumn: the library looks its column_idx up.
func (g *rowGroup) sorting(c *cursor) error {
	return c.structure(thriftStruct, func(id int16, kind byte) error {
		if id != 1 {
			return c.skip(kind)
		}
		var column int64
		if err := c.i32(kind, &column); err != nil {
			return err
		}
		if column < 0 {
			return c.fail(ErrCorrupt, "SortingColumn.column_idx is %d", column)
		}
		g.sorted = max(g.sorted, column)
		return nil
	})
}

func (f *File) columnChunk(c *cursor) (chunk, error) {
	one := chunk{}
	var got uint64
	var columnIndex, columnIndexLength, bloom, bloomLength int64
	err := c.structure(thriftStruct, func(id int16, kind byte) error {
		if id > 0 && id < 64 {
			got |= 1 << id
		}
		switch id {
		case 1:
			if b, err := c.binary(kind); err != nil || len(b) == 0 {
				return err
			}
			return c.fail(ErrUnsupported, "file_path: the column lies in another file")
		case 3:
			if err := one.metaData(c, kind, &bloom, &bloomLength); err != nil {
				return fmt.Errorf("meta_data: %w", err)
			}
			return nil
		case 4:
			return c.i64(kind, &one.offsetIndex)
		case 5:
			return c.i32(kind, &one.offsetIndexLength)
		case 6:
			return c.i64(kind, &columnIndex)
		case 7:
			return c.i32(kind, &columnIndexLength)
		case 8, 9:
			return c.fail(ErrUnsupported, "the column is encrypted")
		}
		return c.skip(kind)
	})
	if err == nil {
		err = needs("ColumnChunk", 1<<3, got)
	}
	for _, place := range []struct {
		name       string
		at, length int64
	}{{"offset_index", one.offsetIndex, one.offsetIndexLength}, {"column_index", columnIndex, columnIndexLength}, {"bloom_filter", bloom, bloomLength}} {
		if err != nil {
			break
		}
		switch {
		case place.at == 0:
		case place.at < 0 || place.length < 0 || place.at > f.footer || place.length > f.footer-place.at:
			err = fmt.Errorf("%s: %d bytes at byte %d lie outside the file: %w", place.name, place.length, place.at, ErrCorrupt)
		case place.length > f.limits.IndexBytes:
			err = fmt.Errorf("%s of %d bytes, at most %d are read: %w", place.name, place.length, f.limits.IndexBytes, ErrLimit)
		}
	}
	return one, err
}

func (one *chunk) metaData(c *cursor, kind byte, bloom, bloomLength *int64) error {
	var got uint64
	err := c.structure(kind, func(id int16, kind byte) error {
		if id > 0 && id < 64 {
			got |= 1 << id
		}
		switch id {
		case 1:
			return c.i32(kind, &one.kind)
		case 2:
			return c.list(kind, thriftI32, func(int) error { return c.skipElement(thriftI32) })
		case 3:
			return c.list(kind, thriftBinary, func(int) error { return c.skipElement(thriftBinary) })
		case 4:
			return c.i32(kind, &one.codec)
		case 5:
			return c.i64(kind, &one.values)
		case 6:
			return c.i64(kind, &one.uncompressed)
		case 7:
			return c.i64(kind, &one.compressed)
		case 9:
			return c.i64(kind, &one.dataPage)
		case 11:
			return c.i64(kind, &one.dictionaryPage)
		case 14:
			return c.i64(kind, bloom)
		case 15:
			return c.i32(kind, bloomLength)
		}
		return c.skip(kind)
	})
	if err == nil {
		err = needs("ColumnMetaData", 1<<1|1<<2|1<<3|1<<4|1<<5|1<<6|1<<7|1<<9, got)
	}
	return err
}

// from is the first byte of the chunk: where the library begins to read.
func (one *chunk) from() int64 {
	if one.dictionaryPage != 0 {
		return one.dictionaryPage
	}
	return one.dataPage
}

// agree: what schema and row groups say fits together and into the file.
func (f *File) agree(rows int64) error {
	sum, bytes := int64(0), int64(0)
	for k := range f.groups {
		g := &f.groups[k]
		if g.rows < 0 || g.rows > rows-sum {
			return fmt.Errorf("row_groups[%d]: num_rows is %d where %d are left of the file's %d: %w", k, g.rows, rows-sum, rows, ErrCorrupt)
		}
		sum += g.rows
		if len(g.chunks) != len(f.leaves) {
			return fmt.Errorf("row_groups[%d]: %d columns, the schema has %d: %w", k, len(g.chunks), len(f.leaves), ErrCorrupt)
		}
		if g.sorted >= int64(max(len(f.leaves), 1)) {
			return fmt.Errorf("row_groups[%d]: SortingColumn.column_idx is %d of %d columns: %w", k, g.sorted, len(f.leaves), ErrCorrupt)
		}
		for j := range g.chunks {
			if err := f.place(g, j, &bytes); err != nil {
				return fmt.Errorf("row_groups[%d].columns[%d] (%s): %w", k, j, f.leaves[j].path, err)
			}
		}
	}
	if sum != rows {
		return fmt.Errorf("num_rows is %d, the row groups have %d: %w", rows, sum, ErrCorrupt)
	}
	return nil
}

func (f *File) place(g *rowGroup, j int, bytes *int64) error {
	one, l := &g.chunks[j], &f.leaves[j]
	if one.kind != l.kind {
		return fmt.Errorf("its Type is %d, that of the schema %d: %w", one.kind, l.kind, ErrCorrupt)
	}
	switch one.codec {
	case codecNone, codecSnappy, codecGzip, codecBrotli, codecZstd:
	case 3, 5, 7:
		return fmt.Errorf("compression %s; UNCOMPRESSED, SNAPPY, GZIP, BROTLI and ZSTD are read: %w", map[int64]string{3: "LZO", 5: "LZ4", 7: "LZ4_RAW"}[one.codec], ErrUnsupported)
	default:
		return fmt.Errorf("there is no CompressionCodec %d: %w", one.codec, ErrCorrupt)
	}
	if first := f.groups[0].chunks[j].codec; one.codec != first {
		return fmt.Errorf("CompressionCodec %d, in the first row group %d: %w", one.codec, first, ErrUnsupported)
	}
	if one.values < 0 || l.repetition == 0 && one.values != g.rows {
		return fmt.Errorf("num_values is %d in %d rows: %w", one.values, g.rows, ErrCorrupt)
	}
	from := one.from()
	switch {
	case one.dataPage < 0 || one.dictionaryPage < 0 || one.values > 0 && one.dictionaryPage > one.dataPage:
		return fmt.Errorf("data_page_offset %d, dictionary_page_offset %d: %w", one.dataPage, one.dictionaryPage, ErrCorrupt)
	case one.compressed < 0 || one.uncompressed < 0:
		return fmt.Errorf("total_compressed_size %d, total_uncompressed_size %d: %w", one.compressed, one.uncompressed, ErrCorrupt)
	case one.compressed > 0 && (from < 4 || from > f.footer || one.compressed > f.footer-from):
		return fmt.Errorf("%d bytes at byte %d lie outside the pages: %w", one.compressed, from, ErrCorrupt)
	}
	// Chunks that share bytes could make a small file long to read.
	if *bytes += one.compressed; *bytes > f.footer {
		return fmt.Errorf("the column chunks have more bytes than the file: %w", ErrCorrupt)
	}
	return nil
}
