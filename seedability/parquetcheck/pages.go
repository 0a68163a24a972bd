package parquetcheck

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"slices"

	"github.com/andybalholm/brotli"
	"github.com/klauspost/compress/snappy"
	"github.com/klauspost/compress/zstd"
)

// CompressionCodec of parquet.thrift.
const (
	codecNone   = 0
	codecSnappy = 1
	codecGzip   = 2
	codecBrotli = 4
	codecZstd   = 6
)

// PageType and Encoding of parquet.thrift.
const (
	pageData       = 0
	pageIndex      = 1
	pageDictionary = 2
	pageDataV2     = 3

	encodingPlain                = 0
	encodingPlainDictionary      = 2
	encodingRLE                  = 3
	encodingDeltaBinaryPacked    = 5
	encodingDeltaLengthByteArray = 6
	encodingDeltaByteArray       = 7
	encodingRLEDictionary        = 8
	encodingByteStreamSplit      = 9
)

// buffers are used again from page to page.
type buffers struct {
	window []byte // bytes of the file from at on
	at     int64
	plain  []byte // of a page, uncompressed
	zstd   *zstd.Decoder
}

// peek gives n bytes of the file from at on, fewer before end. They hold until the
// next call.
func (f *File) peek(at int64, n int, end int64) ([]byte, error) {
	n = int(min(int64(n), end-at))
	w := &f.work
	if at >= w.at && at+int64(n) <= w.at+int64(len(w.window)) {
		return w.window[at-w.at:][:n], nil
	}
	block := 256 << 10
	if f.limits.HeadersOnly {
		block = 4 << 10
	}
	w.window = slices.Grow(w.window[:0], max(n, block))[:min(int64(max(n, block)), end-at)]
	if w.at = at; len(w.window) == 0 {
		return nil, nil
	}
	if err := readFull(f.from, w.window, at); err != nil {
		w.window = w.window[:0]
		return nil, err
	}
	return w.window[:n], nil
}

// pageHeader has the fields of PageHeader, and of DataPageHeader, DataPageHeaderV2 or
// DictionaryPageHeader.
type pageHeader struct {
	of                       int64
	uncompressed, compressed int64
	got                      uint64
	values, nulls, rows      int64
	encoding                 int64
	definitionEncoding       int64
	repetitionEncoding       int64
	definitionBytes          int64
	repetitionBytes          int64
	plain                    bool // is_compressed is false
	size                     int64
}

func (f *File) header(at, end int64) (pageHeader, error) {
	for n := 512; ; n *= 8 {
		n = min(n, f.limits.HeaderBytes)
		b, err := f.peek(at, n, end)
		if err != nil {
			return pageHeader{}, err
		}
		c := &cursor{b: b, offset: at, elements: n}
		h := pageHeader{}
		err = h.read(c)
		if err == nil {
			h.size = int64(c.at)
			return h, nil
		}
		if !errors.Is(err, errShort) || int64(len(b)) == end-at {
			return h, fmt.Errorf("PageHeader: %w", err)
		}
		if n == f.limits.HeaderBytes {
			return h, fmt.Errorf("a PageHeader of more than %d bytes: %w", n, ErrLimit)
		}
	}
}

func (h *pageHeader) read(c *cursor) error {
	var got uint64
	err := c.structure(thriftStruct, func(id int16, kind byte) error {
		if id > 0 && id < 64 {
			got |= 1 << id
		}
		switch id {
		case 1:
			return c.i32(kind, &h.of)
		case 2:
			return c.i32(kind, &h.uncompressed)
		case 3:
			return c.i32(kind, &h.compressed)
		case 5, 7, 8:
			if h.got != 0 {
				return c.fail(ErrCorrupt, "it has two headers for one page")
			}
			if err := h.inner(c, id, kind); err != nil {
				return fmt.Errorf("%s: %w", innerNames[id], err)
			}
			return nil
		}
		return c.skip(kind)
	})
	if err != nil {
		return err
	}
	if err := needs("PageHeader", 1<<1|1<<2|1<<3, got); err != nil {
		return err
	}
	id := map[int64]int16{pageData: 5, pageDictionary: 7, pageDataV2: 8}[h.of]
	if id == 0 {
		return c.fail(ErrUnsupported, "PageType %d", h.of)
	}
	if got>>id&1 == 0 {
		return c.fail(ErrCorrupt, "PageType %d without %s", h.of, innerNames[id])
	}
	need := map[int16]uint64{5: 1<<1 | 1<<2 | 1<<3 | 1<<4, 7: 1<<1 | 1<<2, 8: 1<<1 | 1<<2 | 1<<3 | 1<<4 | 1<<5 | 1<<6}[id]
	return needs(innerNames[id], need, h.got)
}

var innerNames = map[int16]string{5: "DataPageHeader", 7: "DictionaryPageHeader", 8: "DataPageHeaderV2"}

func (h *pageHeader) inner(c *cursor, of int16, kind byte) error {
	fields := map[int16][]*int64{
		5: {1: &h.values, 2: &h.encoding, 3: &h.definitionEncoding, 4: &h.repetitionEncoding},
		7: {1: &h.values, 2: &h.encoding},
		8: {1: &h.values, 2: &h.nulls, 3: &h.rows, 4: &h.encoding, 5: &h.definitionBytes, 6: &h.repetitionBytes},
	}[of]
	return c.structure(kind, func(id int16, kind byte) error {
		if id > 0 && int(id) < len(fields) {
			h.got |= 1 << id
			return c.i32(kind, fields[id])
		}
		if of == 8 && id == 7 {
			compressed, err := c.boolean(kind)
			h.plain = !compressed
			return err
		}
		return c.skip(kind)
	})
}

// chunk walks the pages of one column of one row group.
func (f *File) chunk(group, column int) error {
	g, l := &f.groups[group], &f.leaves[column]
	one := &g.chunks[column]
	if one.values > f.limits.Rows {
		return fmt.Errorf("num_values is %d, at most %d are read: %w", one.values, f.limits.Rows, ErrLimit)
	}
	at, end := one.from(), one.from()+one.compressed
	var sum tally
	for page := 0; at < end; page++ {
		h, err := f.header(at, end)
		if err == nil {
			err = f.page(one, l, &h, at, end, &sum)
		}
		if err != nil {
			return fmt.Errorf("page %d at byte %d: %w", page, at, err)
		}
		at += h.size + h.compressed
	}
	if sum.values != one.values {
		return fmt.Errorf("num_values is %d, the pages have %d: %w", one.values, sum.values, ErrCorrupt)
	}
	if !sum.rowsUnknown && sum.rows != g.rows {
		return fmt.Errorf("num_rows is %d, the pages have %d: %w", g.rows, sum.rows, ErrCorrupt)
	}
	if len(sum.pages) > 0 && one.dataPage != sum.pages[0].at && one.dataPage != one.from() {
		return fmt.Errorf("data_page_offset is %d, the first data page lies at byte %d: %w", one.dataPage, sum.pages[0].at, ErrCorrupt)
	}
	if g.open += sum.greatest + sum.dictionary; g.open > f.limits.OpenBytes {
		return fmt.Errorf("the pages of the columns so far take %d bytes side by side, at most %d are read: %w", g.open, f.limits.OpenBytes, ErrLimit)
	}
	return f.offsetIndex(one, g, &sum)
}

// tally of the pages of a chunk.
type tally struct {
	values, rows     int64
	rowsUnknown      bool  // pages of lists that do not say
	greatest         int64 // bytes that a page takes to be read
	dictionary       int64 // bytes of the dictionary
	hasDictionary    bool
	dictionaryValues int64
	pages            []place // of data
}

type place struct{ at, bytes int64 }

func (f *File) page(one *chunk, l *leaf, h *pageHeader, at, end int64, sum *tally) error {
	body := at + h.size
	switch {
	case h.compressed < 0 || h.compressed > end-body:
		return fmt.Errorf("compressed_page_size is %d, %d bytes of the chunk are left: %w", h.compressed, end-body, ErrCorrupt)
	case h.uncompressed < 0:
		return fmt.Errorf("uncompressed_page_size is %d: %w", h.uncompressed, ErrCorrupt)
	case h.compressed > f.limits.PageBytes || h.uncompressed > f.limits.PageBytes:
		return fmt.Errorf("compressed_page_size %d, uncompressed_page_size %d, at most %d are read: %w", h.compressed, h.uncompressed, f.limits.PageBytes, ErrLimit)
	case h.values < 0:
		return fmt.Errorf("num_values is %d: %w", h.values, ErrCorrupt)
	case h.values > f.limits.PageValues:
		return fmt.Errorf("num_values is %d, at most %d are read: %w", h.values, f.limits.PageValues, ErrLimit)
	case one.codec == codecNone && h.compressed != h.uncompressed:
		return fmt.Errorf("not compressed, but compressed_page_size is %d and uncompressed_page_size %d: %w", h.compressed, h.uncompressed, ErrCorrupt)
	}
	if f.all += h.uncompressed; f.all > f.limits.AllBytes {
		return fmt.Errorf("pages of more than %d bytes: %w", f.limits.AllBytes, ErrLimit)
	}
	takes := h.compressed + 2*h.uncompressed + 8*h.values // values or indexes, offsets, levels
	if h.of == pageDictionary {
		if sum.hasDictionary || len(sum.pages) > 0 {
			return fmt.Errorf("a dictionary page that is not the first of its column: %w", ErrCorrupt)
		}
		sum.hasDictionary, sum.dictionary, sum.dictionaryValues = true, takes, h.values
		if h.encoding != encodingPlain && h.encoding != encodingPlainDictionary {
			return fmt.Errorf("a dictionary of Encoding %d: %w", h.encoding, ErrCorrupt)
		}
		// A value of PLAIN has a byte or more, but for booleans.
		if l.kind != typeBoolean && h.values > h.uncompressed {
			return fmt.Errorf("a dictionary of %d values in %d bytes: %w", h.values, h.uncompressed, ErrCorrupt)
		}
	} else {
		if h.values > one.values-sum.values {
			return fmt.Errorf("num_values is %d where the column has %d left: %w", h.values, one.values-sum.values, ErrCorrupt)
		}
		if (h.encoding == encodingPlainDictionary || h.encoding == encodingRLEDictionary) && !sum.hasDictionary {
			return fmt.Errorf("indexes of a dictionary that is not there: %w", ErrCorrupt)
		}
		sum.values += h.values
		sum.pages = append(sum.pages, place{at, h.size + h.compressed})
	}
	if h.of == pageDataV2 {
		switch {
		case h.nulls < 0 || h.nulls > h.values || h.rows < 0 || h.rows > h.values || l.repetition == 0 && h.rows != h.values:
			return fmt.Errorf("num_values %d, num_nulls %d, num_rows %d: %w", h.values, h.nulls, h.rows, ErrCorrupt)
		case h.definitionBytes < 0 || h.repetitionBytes < 0 || h.definitionBytes+h.repetitionBytes > min(h.compressed, h.uncompressed):
			return fmt.Errorf("levels of %d and %d bytes in a page of %d: %w", h.repetitionBytes, h.definitionBytes, min(h.compressed, h.uncompressed), ErrCorrupt)
		case h.plain && h.compressed != h.uncompressed:
			return fmt.Errorf("not compressed, but compressed_page_size is %d and uncompressed_page_size %d: %w", h.compressed, h.uncompressed, ErrCorrupt)
		}
		sum.rows += h.rows
	} else if h.of == pageData && l.repetition == 0 {
		sum.rows += h.values
	} else if h.of == pageData && f.limits.HeadersOnly {
		sum.rowsUnknown = true
	}
	if f.limits.HeadersOnly {
		sum.greatest = max(sum.greatest, takes)
		return nil
	}
	b, err := f.peek(body, int(h.compressed), end)
	if err != nil {
		return err
	}
	if h.of == pageDictionary {
		if b, err = f.uncompressed(one.codec, b, h.uncompressed); err == nil {
			err = l.plain(b, h.values)
		}
		return err
	}
	more, err := f.data(one.codec, l, h, b, sum)
	sum.greatest = max(sum.greatest, takes+more)
	return err
}

// uncompressed gives what a page says, which must have as many bytes as it states.
func (f *File) uncompressed(codec int64, b []byte, want int64) ([]byte, error) {
	if codec == codecNone || len(b) == 0 && want == 0 {
		return b, nil
	}
	w := &f.work
	n := int(want)
	w.plain = slices.Grow(w.plain[:0], n+1)
	into := w.plain[:n]
	var err error
	got := -1
	switch codec {
	case codecSnappy:
		var length int
		if length, err = snappy.DecodedLen(b); err == nil && length == n {
			_, err = snappy.Decode(into, b)
		}
		got = length
	case codecZstd:
		if w.zstd == nil {
			w.zstd, err = zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderLowmem(true),
				zstd.WithDecoderMaxMemory(uint64(f.limits.PageBytes)+1), zstd.WithDecodeAllCapLimit(true))
			if err != nil {
				return nil, err
			}
		}
		// Into room of one byte more, so that a page that is too long shows.
		into, err = w.zstd.DecodeAll(b, w.plain[:0:n+1])
		got = len(into)
	case codecGzip:
		var r *gzip.Reader
		if r, err = gzip.NewReader(bytes.NewReader(b)); err == nil {
			got, err = fill(r, w.plain[:n+1])
		}
	case codecBrotli:
		got, err = fill(brotli.NewReader(bytes.NewReader(b)), w.plain[:n+1])
	}
	if err != nil {
		return nil, fmt.Errorf("CompressionCodec %d: %w: %w", codec, err, ErrCorrupt)
	}
	if got != n {
		return nil, fmt.Errorf("%d bytes where uncompressed_page_size leaves %d: %w", got, n, ErrCorrupt)
	}
	return w.plain[:n], nil
}

func fill(r io.Reader, b []byte) (int, error) {
	n, err := io.ReadFull(r, b)
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) && n < len(b) {
		return n, nil // the sizes are compared
	}
	return n, err
}

// offsetIndex compares the places of pages, to which a reader jumps, with the pages.
func (f *File) offsetIndex(one *chunk, g *rowGroup, sum *tally) error {
	if one.offsetIndex == 0 {
		return nil
	}
	locations, err := f.locations(one, g)
	if err == nil && len(locations) != len(sum.pages) {
		err = fmt.Errorf("%d page_locations, there are %d pages: %w", len(locations), len(sum.pages), ErrCorrupt)
	}
	for k := range locations {
		if err == nil && locations[k].place != sum.pages[k] {
			err = fmt.Errorf("page_locations[%d]: no page has %d bytes at byte %d: %w", k, locations[k].bytes, locations[k].at, ErrCorrupt)
		}
	}
	if err != nil {
		return fmt.Errorf("OffsetIndex: %w", err)
	}
	return nil
}

// location is a PageLocation.
type location struct {
	place
	row int64
}

func (f *File) locations(one *chunk, g *rowGroup) (all []location, err error) {
	b := make([]byte, one.offsetIndexLength)
	if err := readFull(f.from, b, one.offsetIndex); err != nil {
		return nil, err
	}
	c := &cursor{b: b, offset: one.offsetIndex, elements: f.limits.ListElements}
	from, end, row := one.from(), one.from()+one.compressed, int64(0)
	err = c.structure(thriftStruct, func(id int16, kind byte) error {
		if id != 1 {
			return c.skip(kind)
		}
		return c.list(kind, thriftStruct, func(k int) error {
			var l location
			err := c.structure(thriftStruct, func(id int16, kind byte) error {
				switch id {
				case 1:
					return c.i64(kind, &l.at)
				case 2:
					return c.i32(kind, &l.bytes)
				case 3:
					return c.i64(kind, &l.row)
				}
				return c.skip(kind)
			})
			switch {
			case err != nil:
				return err
			case l.at < from || l.at > end || l.bytes <= 0 || l.bytes > end-l.at:
				return c.fail(ErrCorrupt, "page_locations[%d]: %d bytes at byte %d are not of the chunk", k, l.bytes, l.at)
			case l.row < row || l.row > g.rows || k == 0 && l.row != 0:
				return c.fail(ErrCorrupt, "page_locations[%d]: first_row_index is %d", k, l.row)
			}
			from, row = l.at+l.bytes, l.row
			all = append(all, l)
			return nil
		})
	})
	if err == nil && c.at < len(b) {
		err = c.fail(ErrCorrupt, "%d bytes follow it", len(b)-c.at)
	}
	return all, err
}

// Rows looks over the headers of those pages alone that hold rows from one to before
// another of a row group, and of the dictionary. A reader that jumps by the offset index
// meets no other. Where there is none, the column has lists, or Limits are not for
// HeadersOnly, it is as Column.
func (f *File) Rows(group int, path string, from, to int64) error {
	for k := range f.leaves {
		if l := &f.leaves[k]; l.path == path {
			if err := f.rows(group, k, from, to); err != nil {
				return fmt.Errorf("row group %d, column %s: %w", group, path, err)
			}
		}
	}
	return nil
}

func (f *File) rows(group, column int, from, to int64) error {
	l := &f.leaves[column]
	if group < 0 || group >= len(f.groups) {
		return fmt.Errorf("there are %d row groups: %w", len(f.groups), ErrCorrupt)
	}
	g := &f.groups[group]
	one := &g.chunks[column]
	if !f.limits.HeadersOnly || l.looked || one.offsetIndex == 0 || l.repetition > 0 || from <= 0 && to >= g.rows {
		return f.column(column)
	}
	if one.locations == nil {
		all, err := f.locations(one, g)
		if err == nil && len(all) == 0 {
			err = fmt.Errorf("no page_locations: %w", ErrCorrupt)
		}
		if err != nil {
			return fmt.Errorf("OffsetIndex: %w", err)
		}
		one.locations = all
	}
	f.all = 0 // pages may be looked at again
	var sum tally
	look := func(want place) error {
		h, err := f.header(want.at, one.from()+one.compressed)
		if err == nil {
			err = f.page(one, l, &h, want.at, one.from()+one.compressed, &sum)
		}
		if err == nil && h.size+h.compressed != want.bytes {
			err = fmt.Errorf("it has %d bytes, the OffsetIndex says %d: %w", h.size+h.compressed, want.bytes, ErrCorrupt)
		}
		if err != nil {
			return fmt.Errorf("page at byte %d: %w", want.at, err)
		}
		return nil
	}
	if before := one.locations[0].at - one.from(); before > 0 {
		if err := look(place{one.from(), before}); err != nil {
			return err
		}
	}
	for k, at := range one.locations {
		end := g.rows
		if k+1 < len(one.locations) {
			end = one.locations[k+1].row
		}
		if end <= from || at.row >= to {
			continue
		}
		rows := sum.rows
		if err := look(at.place); err != nil {
			return err
		}
		if sum.rows-rows != end-at.row {
			return fmt.Errorf("page %d at byte %d: %d rows, the OffsetIndex says %d: %w", k, at.at, sum.rows-rows, end-at.row, ErrCorrupt)
		}
		if at.at > one.locations[0].at && k > 0 && at.at != one.locations[k-1].at+one.locations[k-1].bytes {
			return fmt.Errorf("page %d at byte %d: it does not follow the one before: %w", k, at.at, ErrCorrupt)
		}
	}
	return nil
}
