package level2

import (
	"encoding/binary"
	"fmt"
	"math"

	"rimeline/ingest"
)

// place names bytes of a file for errors: which file, which record, and where in
// the file the record begins.
type place struct {
	file   string
	record int
	at     int64
	// inflated: offsets within the record are of its bzip2 stream and cannot be
	// added to at.
	inflated bool
}

func (p place) errorf(offset int, reason error, format string, args ...any) error {
	detail := fmt.Sprintf(format, args...)
	e := &ingest.FormatError{File: p.file, Message: p.record, Offset: p.at, Err: reason}
	if p.inflated {
		detail = fmt.Sprintf("byte %d of the record as inflated: %s", offset, detail)
	} else {
		e.Offset += int64(offset)
	}
	e.Detail = detail
	return e
}

// cursor reads one message or block as the document's table lists it. It keeps
// the first error; after one, every read gives zero. Numbers are big-endian.
type cursor struct {
	place
	buf  []byte
	pos  int
	base int  // of buf within the record
	cut  bool // the file ends within buf: gates may be fewer than announced
	err  error
}

func (c *cursor) fail(reason error, format string, args ...any) {
	if c.err == nil {
		c.err = c.errorf(c.base+c.pos, reason, format, args...)
	}
}

var zeros [8]byte

// take gives the next n bytes, at most 8, or zeros after an error.
func (c *cursor) take(n int, name string) []byte {
	if c.err == nil && n > len(c.buf)-c.pos {
		c.fail(ingest.ErrCorrupt, "%s needs %d bytes, %d left", name, n, len(c.buf)-c.pos)
	}
	if c.err != nil {
		return zeros[:n]
	}
	b := c.buf[c.pos : c.pos+n]
	c.pos += n
	return b
}

func (c *cursor) skip(n int, name string) {
	if c.err == nil && n > len(c.buf)-c.pos {
		c.fail(ingest.ErrCorrupt, "%s needs %d bytes, %d left", name, n, len(c.buf)-c.pos)
	}
	if c.err == nil {
		c.pos += n
	}
}

func (c *cursor) uint8(name string) uint8     { return c.take(1, name)[0] }
func (c *cursor) uint16(name string) uint16   { return binary.BigEndian.Uint16(c.take(2, name)) }
func (c *cursor) int16(name string) int16     { return int16(c.uint16(name)) }
func (c *cursor) uint32(name string) uint32   { return binary.BigEndian.Uint32(c.take(4, name)) }
func (c *cursor) float32(name string) float32 { return math.Float32frombits(c.uint32(name)) }
