package parquetcheck

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strings"
	"testing"

	"github.com/klauspost/compress/snappy"
	"github.com/klauspost/compress/zstd"
)

// Values of the compact protocol to write (thrift-compact-protocol.md).
type (
	i8    int8
	i16   int16
	i32   int32
	i64   int64
	field struct {
		id int16
		of any
	}
	record []field // a structure
	list   []any
	raw    []byte // a list as it stands
)

func kindOf(v any) byte {
	switch v := v.(type) {
	case bool:
		if v {
			return thriftTrue
		}
		return thriftFalse
	case i8:
		return thriftI8
	case i16:
		return thriftI16
	case i32:
		return thriftI32
	case i64:
		return thriftI64
	case string:
		return thriftBinary
	case record:
		return thriftStruct
	}
	return thriftList
}

func thrift(b []byte, v any) []byte {
	zigzag := func(n int64) []byte { return binary.AppendVarint(b, n) }
	switch v := v.(type) {
	case i8:
		return append(b, byte(v))
	case i16:
		return zigzag(int64(v))
	case i32:
		return zigzag(int64(v))
	case i64:
		return zigzag(int64(v))
	case string:
		return append(binary.AppendUvarint(b, uint64(len(v))), v...)
	case raw:
		return append(b, v...)
	case list:
		of := byte(thriftStruct)
		if len(v) > 0 {
			of = kindOf(v[0])
		}
		b = binary.AppendUvarint(append(b, 0xF0|of), uint64(len(v)))
		for _, one := range v {
			b = thrift(b, one)
		}
		return b
	case record:
		for _, f := range v {
			b = binary.AppendVarint(append(b, kindOf(f.of)), int64(f.id))
			if _, ok := f.of.(bool); !ok {
				b = thrift(b, f.of)
			}
		}
		return append(b, 0)
	}
	return b
}

// set gives a copy in which a field is another; nil takes it away.
func (r record) set(id int16, of any) record {
	var copied record
	for _, f := range r {
		if f.id != id {
			copied = append(copied, f)
		}
	}
	if of != nil {
		copied = append(copied, field{id, of})
	}
	return copied
}

// one is a file of one column of three optional values in one page.
type one struct {
	header    record // PageHeader
	inner     record // DataPageHeader
	body      []byte
	before    []byte // the chunk's bytes before the page
	element   record // SchemaElement of the column
	schema    list   // in place of both elements
	meta      record // ColumnMetaData
	column    record // ColumnChunk
	group     record // RowGroup
	groups    list   // in place of group
	file      record // FileMetaData
	footer    []byte // in place of file
	index     []byte // between pages and footer
	indexAt   bool
	rows, num int64
}

func plainDoubles(levels []byte, n int) []byte {
	b := append(binary.LittleEndian.AppendUint32(nil, uint32(len(levels))), levels...)
	return append(b, make([]byte, 8*n)...)
}

func whole() *one {
	return &one{body: plainDoubles([]byte{3 << 1, 1}, 3), rows: 3, num: 3,
		inner:   record{{1, i32(3)}, {2, i32(encodingPlain)}, {3, i32(encodingRLE)}, {4, i32(encodingRLE)}},
		element: record{{1, i32(typeDouble)}, {3, i32(1)}, {4, "x"}}}
}

func (o *one) bytes() []byte {
	header := record{{1, i32(pageData)}, {2, i32(len(o.body))}, {3, i32(len(o.body))}, {5, o.inner}}
	for _, f := range o.header {
		header = header.set(f.id, f.of)
	}
	b := append([]byte("PAR1"), o.before...)
	b = append(thrift(b, header), o.body...)
	meta := record{{1, i32(typeDouble)}, {2, list{i32(0)}}, {3, list{"x"}}, {4, i32(0)}, {5, i64(o.num)}, {6, i64(len(b))}, {7, i64(len(b) - 4)}, {9, i64(4)}}
	for _, f := range o.meta {
		meta = meta.set(f.id, f.of)
	}
	column := record{{2, i64(0)}, {3, meta}}
	if o.indexAt {
		column = append(column, field{4, i64(len(b))}, field{5, i32(len(o.index))})
	}
	for _, f := range o.column {
		column = column.set(f.id, f.of)
	}
	b = append(b, o.index...)
	group := record{{1, list{column}}, {2, i64(100)}, {3, i64(o.rows)}}
	for _, f := range o.group {
		group = group.set(f.id, f.of)
	}
	schema := list{record{{4, "root"}, {5, i32(1)}}, o.element}
	if o.schema != nil {
		schema = o.schema
	}
	groups := list{group}
	if o.groups != nil {
		groups = o.groups
	}
	file := record{{1, i32(1)}, {2, schema}, {3, i64(o.rows)}, {4, groups}}
	for _, f := range o.file {
		file = file.set(f.id, f.of)
	}
	footer := thrift(nil, file)
	if o.footer != nil {
		footer = o.footer
	}
	b = append(b, footer...)
	return append(binary.LittleEndian.AppendUint32(b, uint32(len(footer))), "PAR1"...)
}

func run(n uint64) []byte { return binary.AppendUvarint(nil, n<<1) }

func gzipped(b []byte) []byte {
	var into bytes.Buffer
	w := gzip.NewWriter(&into)
	w.Write(b)
	w.Close()
	return into.Bytes()
}

func zstandard(b []byte) []byte {
	w, _ := zstd.NewWriter(nil)
	return w.EncodeAll(b, nil)
}

// streamed does not say how long it is.
func streamed(b []byte) []byte {
	var into bytes.Buffer
	w, _ := zstd.NewWriter(&into)
	for range 4 {
		w.Write(b[:len(b)/4])
		w.Flush()
	}
	w.Close()
	return into.Bytes()
}

// What asks for memory, or sends a reader elsewhere, is named.
func TestHostile(t *testing.T) {
	if err := check(whole()); err != nil {
		t.Fatalf("whole file: %v", err)
	}
	if n, err := readAll(whole().bytes(), nil); err != nil || n != 3 {
		t.Fatalf("whole file: %d values, %v", n, err)
	}
	bomb := make([]byte, 80<<20)
	deep := func(n int) list {
		l := list{record{{4, "root"}, {5, i32(1)}}}
		for range n {
			l = append(l, record{{3, i32(1)}, {4, "g"}, {5, i32(1)}})
		}
		return append(l, record{{1, i32(typeDouble)}, {4, "x"}})
	}
	nest := []byte{}
	for range 200 {
		nest = append(nest, 0x1C) // a structure in field 1
	}
	deltas := func(values uint64) []byte {
		b := binary.AppendUvarint(nil, 128)
		b = binary.AppendUvarint(b, 4)
		return append(binary.AppendUvarint(b, values), 0, 0, 0, 0, 0, 0)
	}
	levels := append(binary.LittleEndian.AppendUint32(nil, 2), 3<<1, 1)
	type change = func(*one)
	encoded := func(kind, encoding int32, length int32, values []byte) change {
		return func(o *one) {
			o.element = record{{1, i32(kind)}, {3, i32(1)}, {4, "x"}}
			if length > 0 {
				o.element = append(o.element, field{2, i32(length)})
			}
			o.meta = record{{1, i32(kind)}}
			o.inner = o.inner.set(2, i32(encoding))
			o.body = append(bytes.Clone(levels), values...)
		}
	}
	codec := func(number int32, size int, body []byte) change {
		return func(o *one) {
			o.meta, o.body = record{{4, i32(number)}}, body
			o.header = record{{2, i32(size)}}
		}
	}
	dictionary := func(values int32, body []byte) change {
		return func(o *one) {
			o.before = append(thrift(nil, record{{1, i32(pageDictionary)}, {2, i32(len(body))}, {3, i32(len(body))},
				{7, record{{1, i32(values)}, {2, i32(encodingPlain)}}}}), body...)
			o.inner = o.inner.set(2, i32(encodingRLEDictionary))
			o.body = append(bytes.Clone(levels), 0, 3<<1)
			o.meta = record{{11, i64(4)}, {9, i64(4 + len(o.before))}}
		}
	}
	for _, c := range []struct {
		name string
		of   change
		want error // nil: it passes
		text string
	}{
		{"page of 2 GiB", func(o *one) { o.header = record{{2, i32(1<<31 - 1)}} }, ErrLimit, "row group 0, column x: page 0 at byte 4: compressed_page_size 30, uncompressed_page_size 2147483647"},
		{"page beyond chunk", func(o *one) { o.header = record{{3, i32(1000)}} }, ErrCorrupt, "30 bytes of the chunk are left"},
		{"negative page", func(o *one) { o.header = record{{3, i32(-1)}} }, ErrCorrupt, "compressed_page_size is -1"},
		{"many values", func(o *one) { o.num = 1 << 24; o.rows = 1 << 24; o.inner = o.inner.set(1, i32(1<<24)) }, ErrLimit, "num_values is 16777216"},
		{"more rows than are read", func(o *one) { o.rows = 1 << 40; o.num = 1 << 40 }, ErrLimit, "num_rows is 1099511627776"},
		{"negative rows", func(o *one) { o.rows = -1 }, ErrLimit, "num_rows is -1"},
		{"more values than rows", func(o *one) { o.num = 4 }, ErrCorrupt, "num_values is 4 in 3 rows"},
		{"fewer values in pages", func(o *one) { o.inner = o.inner.set(1, i32(2)); o.body = plainDoubles([]byte{2 << 1, 1}, 2) }, ErrCorrupt, "num_values is 3, the pages have 2"},
		{"run of 2^31 levels", func(o *one) { o.body = plainDoubles(append(run(1<<31-1), 1), 3) }, ErrCorrupt, "definition levels: a run of 2147483647"},
		{"run of 2^62 levels", func(o *one) { o.body = plainDoubles(append(run(1<<62), 1), 3) }, ErrCorrupt, "definition levels: a run"},
		{"packed run of 2^60 levels", func(o *one) { o.body = plainDoubles(binary.AppendUvarint(nil, 1<<61|1), 3) }, ErrCorrupt, "a run"},
		{"level 5 of 1", func(o *one) { o.body = plainDoubles([]byte{3 << 1, 5}, 3) }, ErrCorrupt, "a level of 5"},
		{"nulls in packed levels", func(o *one) { o.body = plainDoubles([]byte{1<<1 | 1, 0xFD}, 2) }, nil, ""},
		{"values lack", func(o *one) { o.body = plainDoubles([]byte{3 << 1, 1}, 2) }, ErrCorrupt, "3 values of 8 bytes in 16 bytes"},
		{"BIT_PACKED levels", func(o *one) { o.inner = o.inner.set(3, i32(4)) }, ErrUnsupported, "Encoding 4"},
		{"zstd", codec(codecZstd, 30, zstandard(whole().body)), nil, ""},
		{"zstd as a stream", codec(codecZstd, 28, streamed(make([]byte, 28))), ErrCorrupt, "0 of 3"},
		{"zstd bomb", codec(codecZstd, 30, zstandard(bomb)), ErrCorrupt, "page 0"},
		{"zstd bomb that says nothing", codec(codecZstd, 30, streamed(bomb)), ErrCorrupt, "page 0"},
		{"gzip", codec(codecGzip, 30, gzipped(whole().body)), nil, ""},
		{"gzip bomb", codec(codecGzip, 30, gzipped(bomb)), ErrCorrupt, "31 bytes where uncompressed_page_size leaves 30"},
		{"snappy", codec(codecSnappy, 30, snappy.Encode(nil, whole().body)), nil, ""},
		{"snappy of 4 GiB", codec(codecSnappy, 30, []byte{0xFF, 0xFF, 0xFF, 0xFF, 0x0F, 0}), ErrCorrupt, "4294967295 bytes"},
		{"LZ4", codec(5, 30, whole().body), ErrUnsupported, "compression LZ4;"},
		{"dictionary", dictionary(1, make([]byte, 8)), nil, ""},
		{"dictionary of 2^30", dictionary(1<<30, make([]byte, 8)), ErrLimit, "num_values is 1073741824"},
		{"dictionary of 1000 in 8 bytes", dictionary(1000, make([]byte, 8)), ErrCorrupt, "a dictionary of 1000 values in 8 bytes"},
		{"dictionary lacks", func(o *one) { o.inner = o.inner.set(2, i32(encodingRLEDictionary)) }, ErrCorrupt, "dictionary that is not there"},
		{"run of an index beyond", func(o *one) {
			dictionary(1, make([]byte, 8))(o)
			o.body = append(bytes.Clone(levels), 1, 3<<1, 1)
		}, ErrCorrupt, "index 1 into a dictionary of 1"},
		{"run of an index of more bits than stated", func(o *one) {
			dictionary(1, make([]byte, 8))(o)
			o.body = append(bytes.Clone(levels), 1, 3<<1, 0x80)
		}, ErrCorrupt, "index 128 into a dictionary of 1"},
		{"packed indexes", func(o *one) {
			dictionary(3, make([]byte, 24))(o)
			o.body = append(bytes.Clone(levels), 2, 1<<1|1, 0b11_10_00_01, 0xFF) // the fourth fills the run
		}, nil, ""},
		{"packed indexes beyond", func(o *one) {
			dictionary(3, make([]byte, 24))(o)
			o.body = append(bytes.Clone(levels), 2, 1<<1|1, 0b00_11_00_01, 0)
		}, ErrCorrupt, "index 3 into a dictionary of 3"},
		{"run of 2^31 indexes", func(o *one) {
			dictionary(1, make([]byte, 8))(o)
			o.body = append(bytes.Clone(levels), append([]byte{0}, run(1<<31-1)...)...)
		}, ErrCorrupt, "a run of 2147483647"},
		{"packed indexes without bits", func(o *one) {
			dictionary(1, make([]byte, 8))(o)
			o.body = append(bytes.Clone(levels), append([]byte{0}, binary.AppendUvarint(nil, 1<<29|1)...)...)
		}, ErrCorrupt, "a run of"},
		{"delta", encoded(typeInt64, encodingDeltaBinaryPacked, 0, deltas(3)), nil, ""},
		{"delta of 2^31", encoded(typeInt64, encodingDeltaBinaryPacked, 0, deltas(1<<31-1)), ErrCorrupt, "DELTA_BINARY_PACKED has 2147483647 values of 3"},
		{"delta of 255 bits", encoded(typeInt64, encodingDeltaBinaryPacked, 0, []byte{0x80, 1, 4, 3, 0, 0, 255, 0, 0, 0}), ErrCorrupt, "differences of 255 bits"},
		{"texts", encoded(typeByteArray, encodingPlain, 0, make([]byte, 12)), nil, ""},
		{"text of 4 GiB", encoded(typeByteArray, encodingPlain, 0, bytes.Repeat([]byte{255}, 12)), ErrCorrupt, "4294967295 bytes"},
		// prefix lengths 0, 2, 4 and suffix lengths 2, 2, 2; then 0, 200, 400
		{"texts with prefixes", encoded(typeByteArray, encodingDeltaByteArray, 0, append(append([]byte{0x80, 1, 4, 3, 0, 4, 0, 0, 0, 0}, 0x80, 1, 4, 3, 4, 0, 0, 0, 0, 0), "aabbcc"...)), nil, ""},
		{"prefix beyond the text before", encoded(typeByteArray, encodingDeltaByteArray, 0, append(append([]byte{0x80, 1, 4, 3, 0, 0x90, 3, 0, 0, 0, 0}, 0x80, 1, 4, 3, 4, 0, 0, 0, 0, 0), "aabbcc"...)), ErrCorrupt, "value 1 of 200 bytes of the one before, which has 2"},
		{"fixed of 2 GiB", encoded(typeFixed, encodingPlain, 1<<31-1, nil), ErrLimit, "type_length 2147483647"},
		{"text that says INT64", func(o *one) {
			encoded(typeInt64, encodingPlain, 0, make([]byte, 24))(o)
			o.element = o.element.set(10, record{{1, record{}}})
		}, ErrCorrupt, "LogicalType 1 does not fit Type 2"},
		{"UTF8 that is DOUBLE", func(o *one) { o.element = o.element.set(6, i32(0)) }, ErrCorrupt, "ConvertedType 0 does not fit Type 5"},
		{"types differ", func(o *one) { o.meta = record{{1, i32(typeFloat)}} }, ErrCorrupt, "its Type is 4, that of the schema 5"},
		{"schema too deep", func(o *one) { o.schema = deep(100) }, ErrLimit, "more than 32 levels"},
		{"too many children", func(o *one) { o.schema = list{record{{4, "root"}, {5, i32(1<<31 - 1)}}, o.element} }, ErrCorrupt, "num_children"},
		{"negative children", func(o *one) { o.schema = list{record{{4, "root"}, {5, i32(-1)}}, o.element} }, ErrCorrupt, "num_children is -1"},
		{"orphans", func(o *one) { o.schema = list{record{{4, "root"}, {5, i32(1)}}, o.element, o.element} }, ErrCorrupt, "belong to no group"},
		{"list of 2^31 elements", func(o *one) { o.file = record{{5, raw{0xFC, 0xFF, 0xFF, 0xFF, 0xFF, 0x07}}} }, ErrCorrupt, "2147483647 elements in"},
		{"string of 2^31 bytes", func(o *one) { o.footer = []byte{0x68, 0xFF, 0xFF, 0xFF, 0xFF, 0x07} }, ErrCorrupt, "too early"},
		{"structures in structures", func(o *one) { o.footer = append([]byte{0xAC}, nest...) }, ErrLimit, "in each other"},
		{"field twice", func(o *one) { o.footer = []byte{0x15, 2, 5, 2, 2, 0} }, ErrCorrupt, "field 1 stands twice"},
		{"footer lacks", func(o *one) { o.footer = []byte{0} }, ErrCorrupt, "lacks field 1"},
		{"chunk outside", func(o *one) { o.meta = record{{9, i64(1 << 40)}} }, ErrCorrupt, "lie outside"},
		{"chunk before the file", func(o *one) { o.meta = record{{9, i64(-4)}} }, ErrCorrupt, "data_page_offset -4"},
		{"chunk as long as can be", func(o *one) { o.meta = record{{7, i64(1<<63 - 1)}} }, ErrCorrupt, "lie outside"},
		{"codec of the second group", nil, ErrUnsupported, "in the first row group 0"},
		{"groups share bytes", nil, ErrCorrupt, "more bytes than the file"},
		{"ordinal", func(o *one) { o.group = record{{7, i16(7)}} }, ErrCorrupt, "ordinal is 7"},
		{"order by column 9", func(o *one) { o.group = record{{4, list{record{{1, i32(9)}, {2, true}, {3, true}}}}} }, ErrCorrupt, "column_idx is 9"},
		{"other file", func(o *one) { o.column = record{{1, "/etc/passwd"}} }, ErrUnsupported, "file_path"},
		{"encrypted", func(o *one) { o.column = record{{8, record{{1, record{}}}}} }, ErrUnsupported, "encrypted"},
		{"offset index of 2 GiB", func(o *one) { o.column = record{{4, i64(4)}, {5, i32(1<<31 - 1)}} }, ErrCorrupt, "offset_index"},
		{"offset index", func(o *one) { o.indexAt, o.index = true, locations(o, 4, 0) }, nil, ""},
		{"offset index into a page", func(o *one) { o.indexAt, o.index = true, locations(o, 3, 0) }, ErrCorrupt, "at byte 3 are not of the chunk"},
		{"offset index of rows beyond", func(o *one) { o.indexAt, o.index = true, locations(o, 4, 9) }, ErrCorrupt, "first_row_index is 9"},
	} {
		o := whole()
		switch {
		case c.of != nil:
			c.of(o)
		default:
			n := int64(len(whole().bytes()))
			group := func(codec int32, size int64) record {
				return record{{1, list{record{{2, i64(0)}, {3, record{{1, i32(typeDouble)}, {2, list{i32(0)}}, {3, list{"x"}}, {4, i32(codec)}, {5, i64(0)}, {6, i64(9)}, {7, i64(size)}, {9, i64(4)}}}}}}, {2, i64(9)}, {3, i64(0)}}
			}
			o.rows = 0
			if o.groups = (list{group(0, 0), group(1, 0)}); c.want == ErrCorrupt {
				o.groups = list{}
				for range n {
					o.groups = append(o.groups, group(0, 40))
				}
			}
		}
		err := check(o)
		switch {
		case c.want == nil && err != nil:
			t.Errorf("%s: %v", c.name, err)
		case c.want == nil:
			if n, err := readAll(o.bytes(), nil); err != nil || n != 3 {
				t.Errorf("%s: the library reads %d values: %v", c.name, n, err)
			}
		case !errors.Is(err, c.want) || !strings.Contains(err.Error(), c.text):
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

func check(o *one) error {
	b := o.bytes()
	return Check(bytes.NewReader(b), int64(len(b)), Default())
}

// locations is an OffsetIndex of one page.
func locations(o *one, at, row int64) []byte {
	header := thrift(nil, record{{1, i32(pageData)}, {2, i32(len(o.body))}, {3, i32(len(o.body))}, {5, o.inner}})
	return thrift(nil, record{{1, list{record{{1, i64(at)}, {2, i32(len(header) + len(o.body))}, {3, i64(row)}}}}})
}

// Whatever one byte says, nothing panics and little memory is taken.
func TestDamage(t *testing.T) {
	defer bounded(t)()
	passed := 0
	for _, name := range []string{"pyarrow-encodings.parquet", "pyarrow-legacy.parquet", "duckdb-zstd-v2.parquet"} {
		b, err := os.ReadFile(filepath.Join("testdata/files", name))
		if err != nil {
			t.Fatal(err)
		}
		step := 1 + len(b)/1200
		for at := 0; at < len(b); at += step {
			for _, x := range []byte{0x01, 0x80, 0xFF} {
				c := bytes.Clone(b)
				c[at] ^= x
				if Check(bytes.NewReader(c), int64(len(c)), Default()) == nil {
					passed++
					readAll(c, nil)
				}
			}
			if Check(bytes.NewReader(b[:at]), int64(at), Default()) == nil {
				t.Fatalf("%s: %d bytes of it pass", name, at)
			}
		}
	}
	if passed == 0 {
		t.Fatal("nothing passed: values and statistics can be anything")
	}
	t.Logf("%d damaged files were read", passed)
}

const memory = 512 << 20

// bounded fails where the heap grew beyond what a small file may take.
func bounded(t testing.TB) func() {
	before := debug.SetMemoryLimit(memory / 2)
	return func() {
		debug.SetMemoryLimit(before)
		var m runtime.MemStats
		if runtime.ReadMemStats(&m); m.HeapSys > memory {
			t.Fatalf("the heap grew to %d bytes", m.HeapSys)
		}
	}
}

// A small file from outside is refused, or the library reads it without much memory.
func FuzzCheck(f *testing.F) {
	names, err := filepath.Glob("testdata/files/*.parquet")
	if err != nil || len(names) == 0 {
		f.Fatal(err)
	}
	for _, name := range names {
		b, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		if len(b) < 15_000 {
			f.Add(b)
		}
	}
	f.Add(whole().bytes())
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) > 1<<20 {
			return
		}
		defer bounded(t)()
		l := Default()
		l.HeadersOnly = true
		light := Check(bytes.NewReader(b), int64(len(b)), l)
		if part, err := Footer(bytes.NewReader(b), int64(len(b)), l); err == nil && len(part.groups) > 0 {
			for _, path := range part.Columns() {
				if err := part.Rows(0, path, 1, 40); err != nil && light == nil {
					t.Fatalf("all pages are sound, some are not: %v", err)
				}
			}
		}
		err := Check(bytes.NewReader(b), int64(len(b)), Default())
		if err == nil && light != nil {
			t.Fatalf("headers alone: %v", light)
		}
		if err == nil {
			readAll(b, nil)
		} else if !errors.Is(err, ErrCorrupt) && !errors.Is(err, ErrLimit) && !errors.Is(err, ErrUnsupported) {
			t.Fatalf("%v does not say what it is", err)
		}
	})
}
