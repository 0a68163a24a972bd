package parquetcheck

import (
	"bytes"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/parquet-go/parquet-go"
)

// Files of pyarrow and DuckDB pass, with the counts that pyarrow finds
// (testdata/make.py); so do they where only headers are looked at.
func TestOtherWriters(t *testing.T) {
	b, err := os.ReadFile("testdata/files/files.tsv")
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(string(b)), "\n")
	if len(lines) < 30 {
		t.Fatalf("%d files", len(lines))
	}
	whole := map[string]string{}
	for _, line := range lines {
		name, want, _ := strings.Cut(line, "\t")
		b, err := os.ReadFile(filepath.Join("testdata/files", name))
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(name, "-lz4") {
			if err := Check(bytes.NewReader(b), int64(len(b)), Default()); !errors.Is(err, ErrUnsupported) {
				t.Errorf("%s: %v", name, err)
			}
			continue
		}
		for _, only := range []bool{false, true} {
			l := Default()
			l.HeadersOnly = only
			if err := Check(bytes.NewReader(b), int64(len(b)), l); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		}
		f, err := Footer(bytes.NewReader(b), int64(len(b)), Default())
		if err != nil {
			continue
		}
		rows, values := int64(0), int64(0)
		for _, g := range f.groups {
			rows += g.rows
			for _, c := range g.chunks {
				values += c.values
			}
		}
		if got := fmt.Sprintf("%d\t%d\t%d\t%d", rows, len(f.groups), len(f.leaves), values); got != want {
			t.Errorf("%s: %q, pyarrow finds %q", name, got, want)
		}
		// Whatever codec and pages, the values are the same.
		sum := fnv.New64a()
		if n, err := readAll(b, sum); err != nil || n != values {
			t.Errorf("%s: the library reads %d of %d values: %v", name, n, values, err)
		}
		writer, of, _ := strings.Cut(name, "-")
		if _, version, ok := strings.Cut(of, "-v"); ok {
			got := fmt.Sprintf("%x", sum.Sum64())
			if want, ok := whole[writer]; ok && got != want {
				t.Errorf("%s: values differ from those of other files (version %s)", name, version)
			}
			whole[writer] = got
		}
	}
	if len(whole) != 2 {
		t.Errorf("values of %d writers are compared", len(whole))
	}
}

// readAll reads as the users of this package do: every column by itself.
func readAll(b []byte, sum io.Writer) (values int64, err error) {
	defer func() {
		if cause := recover(); cause != nil {
			err = fmt.Errorf("panic: %v", cause)
		}
	}()
	file, err := parquet.OpenFile(bytes.NewReader(b), int64(len(b)), parquet.SkipPageIndex(true), parquet.SkipBloomFilters(true))
	if err != nil {
		return 0, err
	}
	var first error
	for _, group := range file.RowGroups() {
		for _, chunk := range group.ColumnChunks() {
			n, err := readChunk(chunk, sum)
			if values += n; err != nil && first == nil {
				first = err
			}
		}
	}
	return values, first
}

func readChunk(chunk parquet.ColumnChunk, sum io.Writer) (n int64, err error) {
	defer func() {
		if cause := recover(); cause != nil {
			err = fmt.Errorf("panic: %v", cause)
		}
	}()
	if _, err := chunk.OffsetIndex(); err != nil && !errors.Is(err, parquet.ErrMissingOffsetIndex) {
		return 0, err
	}
	pages := chunk.Pages()
	defer pages.Close()
	var values [256]parquet.Value
	for {
		page, err := pages.ReadPage()
		if errors.Is(err, io.EOF) {
			return n, nil
		}
		if err != nil {
			return n, err
		}
		for reader := page.Values(); ; {
			k, err := reader.ReadValues(values[:])
			n += int64(k)
			if sum != nil {
				for _, v := range values[:k] {
					fmt.Fprintf(sum, "%+v\n", v)
				}
			}
			if err != nil && !errors.Is(err, io.EOF) {
				parquet.Release(page)
				return n, err
			}
			if err != nil || k == 0 {
				break
			}
		}
		parquet.Release(page)
	}
}

// A part of the rows needs a part of the pages alone.
func TestRows(t *testing.T) {
	b, err := os.ReadFile("testdata/files/pyarrow-pages.parquet")
	if err != nil {
		t.Fatal(err)
	}
	l := Default()
	l.HeadersOnly = true
	open := func(b []byte) *File {
		f, err := Footer(bytes.NewReader(b), int64(len(b)), l)
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	f := open(b)
	at := slices.Index(f.Columns(), "sequence")
	for _, path := range f.Columns() {
		for from := int64(0); from < 250; from += 30 {
			if err := f.Rows(0, path, from, from+20); err != nil {
				t.Errorf("rows from %d on: %v", from, err)
			}
		}
	}
	places := f.groups[0].chunks[at].locations
	if len(places) < 5 {
		t.Fatalf("%d pages", len(places))
	}
	// The header of the third page is damaged: rows before it are read all the same.
	damaged := bytes.Clone(b)
	h, err := f.header(places[2].at, places[2].at+places[2].bytes)
	if err != nil || damaged[places[2].at] != 0x15 || damaged[places[2].at+2] != 0x15 {
		t.Fatalf("%+v: %v", h, err)
	}
	damaged[places[2].at+3] = 0xFF // uncompressed_page_size takes the next bytes as its own
	bad := open(damaged)
	if err := bad.Rows(0, "sequence", 1, places[2].row); err != nil {
		t.Error(err)
	}
	if err := bad.Rows(0, "sequence", 1, places[2].row+1); !errors.Is(err, ErrCorrupt) && !errors.Is(err, ErrLimit) {
		t.Errorf("a damaged header: %v", err)
	}
	// The offset index says that it has 2^31 places.
	damaged = bytes.Clone(b)
	copy(damaged[f.groups[0].chunks[at].offsetIndex:], []byte{0x19, 0xFC, 0xFF, 0xFF, 0xFF, 0xFF, 0x07})
	if err := open(damaged).Rows(0, "sequence", 1, 2); !errors.Is(err, ErrCorrupt) || !strings.Contains(err.Error(), "2147483647 elements") {
		t.Errorf("a damaged index: %v", err)
	}
}
