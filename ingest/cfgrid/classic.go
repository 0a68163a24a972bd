package cfgrid

import (
	"encoding/binary"
	"fmt"
	"math/bits"

	"rimeline/ingest"
)

// checkClassic walks the header of a classic file as the NetCDF Users Guide,
// appendix B ("File Format Specification"), lays it out, and checks that every
// count fits the bytes that are left and every variable lies within the file.
// head is the beginning of a file of size bytes. needMore tells that head ends
// inside the header while the file goes on.
func checkClassic(file string, head []byte, size int64) (needMore bool, err error) {
	c := &classicCursor{file: file, buf: head, size: uint64(size), pos: 4}
	if len(head) < 4 {
		return false, c.error(ingest.ErrTruncated, "%d bytes, a netCDF file has 4 of magic", len(head))
	}
	c.version = head[3]
	c.header()
	return c.short && c.pos < c.size, c.err
}

// The tags of the header's lists.
const (
	tagAbsent    = 0
	tagDimension = 0x0A
	tagVariable  = 0x0B
	tagAttribute = 0x0C
)

// classicTypeSize gives bytes a value by type code; codes above 6 are CDF-5's.
var classicTypeSize = [...]uint64{1: 1, 2: 1, 3: 2, 4: 4, 5: 4, 6: 8, 7: 1, 8: 2, 9: 4, 10: 8, 11: 8}

// maxRank bounds the dimensions of one variable, as NC_MAX_VAR_DIMS does.
const maxRank = 1024

type classicCursor struct {
	file    string
	buf     []byte
	size    uint64 // of the file
	pos     uint64
	version byte // 1, 2 or 5
	short   bool // the walk stopped at the end of buf
	err     error

	lengths []uint64 // of the dimensions; 0 for the record dimension
}

func (c *classicCursor) error(reason error, format string, values ...any) error {
	return &ingest.FormatError{File: c.file, Offset: int64(min(c.pos, c.size)), Detail: fmt.Sprintf(format, values...), Err: reason}
}

func (c *classicCursor) fail(reason error, format string, values ...any) {
	if c.err == nil {
		c.err = c.error(reason, format, values...)
	}
}

func (c *classicCursor) left() uint64 { return c.size - c.pos }

// need reports whether n bytes of the header follow.
func (c *classicCursor) need(n uint64, what string) bool {
	if c.err != nil {
		return false
	}
	if n > c.left() {
		c.fail(ingest.ErrTruncated, "%s needs %d bytes, %d left", what, n, c.left())
		return false
	}
	if n > uint64(len(c.buf))-c.pos {
		c.short = true
		c.fail(ingest.ErrTruncated, "header goes on behind byte %d", len(c.buf))
		return false
	}
	return true
}

func (c *classicCursor) uint32(what string) uint32 {
	if !c.need(4, what) {
		return 0
	}
	v := binary.BigEndian.Uint32(c.buf[c.pos:])
	c.pos += 4
	return v
}

func (c *classicCursor) uint64(what string) uint64 {
	if !c.need(8, what) {
		return 0
	}
	v := binary.BigEndian.Uint64(c.buf[c.pos:])
	c.pos += 8
	return v
}

// count is the format's NON_NEG: 4 bytes, in CDF-5 8 bytes.
func (c *classicCursor) count(what string) uint64 {
	var v uint64
	negative := false
	if c.version == 5 {
		v = c.uint64(what)
		negative = v > 1<<63-1
	} else {
		v = uint64(c.uint32(what))
		negative = v > 1<<31-1
	}
	if negative {
		c.fail(ingest.ErrCorrupt, "%s is negative", what)
		return 0
	}
	return v
}

// list reads tag and length of a list whose elements take at least each bytes.
func (c *classicCursor) list(tag uint32, each uint64, what string) uint64 {
	got := c.uint32(what)
	n := c.count(what)
	switch {
	case c.err != nil:
		return 0
	case got == tagAbsent && n == 0:
		return 0
	case got != tag:
		c.fail(ingest.ErrCorrupt, "%s has tag %#x, the format has %#x", what, got, tag)
		return 0
	case n > c.left()/each:
		c.fail(ingest.ErrTruncated, "%s claims %d entries of %d bytes or more, %d bytes left", what, n, each, c.left())
		return 0
	}
	return n
}

func padded(n uint64) uint64 { return (n + 3) &^ 3 }

// skip passes n bytes and their padding to a multiple of four.
func (c *classicCursor) skip(n uint64, what string) {
	if n > c.left() {
		c.fail(ingest.ErrTruncated, "%s needs %d bytes, %d left", what, n, c.left())
		return
	}
	if c.need(padded(n), what) {
		c.pos += padded(n)
	}
}

func (c *classicCursor) name(what string) {
	n := c.count(what)
	if c.err == nil && (n == 0 || n > 256) { // NC_MAX_NAME
		c.fail(ingest.ErrCorrupt, "%s has a name of %d bytes, allowed are 1 to 256", what, n)
		return
	}
	c.skip(n, what)
}

func (c *classicCursor) typeSize(what string) uint64 {
	code := c.uint32(what)
	last := uint32(6)
	if c.version == 5 {
		last = 11
	}
	if c.err == nil && (code < 1 || code > last) {
		c.fail(ingest.ErrCorrupt, "%s has type %d, CDF-%d has 1 to %d", what, code, c.version, last)
		return 0
	}
	return classicTypeSize[code]
}

func (c *classicCursor) attributes(what string) {
	n := c.list(tagAttribute, 12, what)
	for range n {
		c.name(what)
		size := c.typeSize(what)
		values := c.count(what)
		if c.err != nil {
			return
		}
		if values > c.left()/size {
			c.fail(ingest.ErrTruncated, "an attribute claims %d values of %d bytes, %d left", values, size, c.left())
			return
		}
		c.skip(values*size, what)
		if c.err != nil {
			return
		}
	}
}

// extent is where a variable's data lie.
type extent struct {
	at            uint64 // place of its begin field in the header
	begin, length uint64 // length of one record for record variables
	record        bool
}

func (c *classicCursor) header() {
	var records uint64
	streaming := false
	if c.version == 5 {
		records = c.uint64("number of records")
		streaming = records == 1<<64-1
	} else {
		records = uint64(c.uint32("number of records"))
		streaming = records == 1<<32-1
	}
	if streaming {
		c.fail(ingest.ErrUnsupported, "number of records is left open (streaming)")
	}
	dimensions := c.list(tagDimension, 8, "dimensions")
	recordDimension := -1
	for i := range dimensions {
		c.name("dimension")
		n := c.count("dimension length")
		if c.err != nil {
			return
		}
		if n == 0 {
			if recordDimension >= 0 {
				c.fail(ingest.ErrCorrupt, "dimensions %d and %d are both unlimited", recordDimension, i)
				return
			}
			recordDimension = int(i)
		}
		c.lengths = append(c.lengths, n)
	}
	c.attributes("global attributes")
	variables := c.list(tagVariable, 28, "variables")
	var extents []extent
	for i := range variables {
		extents = append(extents, c.variable(i, recordDimension))
		if c.err != nil {
			return
		}
	}
	if c.err == nil {
		c.within(extents, records)
	}
}

func (c *classicCursor) variable(number uint64, recordDimension int) extent {
	c.name("variable")
	rank := c.count("variable rank")
	if c.err == nil && rank > maxRank {
		c.fail(ingest.ErrCorrupt, "variable %d has %d dimensions, allowed are %d", number, rank, maxRank)
	}
	var e extent
	points, overflow := uint64(1), uint64(0)
	for i := range rank {
		id := c.count("dimension number")
		if c.err != nil {
			return e
		}
		if id >= uint64(len(c.lengths)) {
			c.fail(ingest.ErrCorrupt, "variable %d names dimension %d of %d", number, id, len(c.lengths))
			return e
		}
		if int(id) == recordDimension {
			if i != 0 {
				c.fail(ingest.ErrCorrupt, "variable %d has the unlimited dimension in place %d, the format has it first", number, i)
				return e
			}
			e.record = true
			continue
		}
		high, low := bits.Mul64(points, c.lengths[id])
		points, overflow = low, overflow|high
	}
	c.attributes("attributes of a variable")
	size := c.typeSize("variable")
	c.count("variable size") // redundant, and wrong above 4 GiB: the format says not to trust it
	e.at = c.pos
	if c.version == 1 {
		e.begin = uint64(c.uint32("variable begin"))
	} else {
		e.begin = c.uint64("variable begin")
	}
	high, low := bits.Mul64(points, size)
	if c.err == nil && (overflow|high != 0 || low > 1<<62) {
		c.pos = e.at
		c.fail(ingest.ErrCorrupt, "variable %d has more values than can be counted", number)
	}
	e.length = low
	return e
}

// within checks the places of all variables against header and file size. A
// record holds one slab of each record variable, each padded to four bytes
// unless it is the only one.
func (c *classicCursor) within(extents []extent, records uint64) {
	var recordSize, recordVariables uint64
	for _, e := range extents {
		if e.record {
			recordVariables++
			recordSize += padded(e.length)
			if recordSize > 1<<62 {
				c.fail(ingest.ErrCorrupt, "a record has more bytes than can be counted")
				return
			}
		}
	}
	header := c.pos
	for i, e := range extents {
		last := e.length
		if e.record {
			if records == 0 {
				continue
			}
			if recordVariables == 1 {
				recordSize = e.length
			}
			high, low := bits.Mul64(records-1, recordSize)
			last += low
			if high != 0 || low > 1<<62 {
				c.pos = 4
				c.fail(ingest.ErrCorrupt, "%d records of %d bytes are more than can be counted", records, recordSize)
				return
			}
		}
		c.pos = e.at
		switch {
		case last == 0:
		case e.begin < header:
			c.fail(ingest.ErrCorrupt, "variable %d begins at byte %d, inside the header of %d bytes", i, e.begin, header)
			return
		case e.begin > c.size || last > c.size-e.begin:
			c.fail(ingest.ErrTruncated, "variable %d takes bytes %d to %d of a file of %d", i, e.begin, e.begin+last, c.size)
			return
		}
	}
	c.pos = header
}
