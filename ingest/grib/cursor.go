package grib

import (
	"encoding/binary"
	"fmt"
	"math"

	"rimeline/ingest"
)

// cursor reads one section as the standard's table lists it. It keeps the
// first error; after one, every read gives zero, so a flat list of reads needs
// one check at its end. Octets are big-endian (regulation 92.1.4).
type cursor struct {
	place
	buf []byte
	pos int
	err error
}

// place names bytes of a file for errors: which file, which message, and where
// in the file the first of the bytes lies.
type place struct {
	file    string
	message int
	at      int64
}

// errorf makes the typed error for the byte that is offset octets past p.
func (p place) errorf(offset int, reason error, format string, args ...any) error {
	return &ingest.FormatError{
		File: p.file, Message: p.message, Offset: p.at + int64(offset),
		Detail: fmt.Sprintf(format, args...), Err: reason,
	}
}

func (c *cursor) fail(reason error, format string, args ...any) {
	if c.err == nil {
		c.err = c.errorf(c.pos, reason, format, args...)
	}
}

// take gives the next n octets, or zeros after an error.
func (c *cursor) take(n int, name string) []byte {
	if c.err == nil && n > len(c.buf)-c.pos {
		c.fail(ingest.ErrCorrupt, "%s needs %d octets, %d left in its section", name, n, len(c.buf)-c.pos)
	}
	if c.err != nil {
		return make([]byte, n)
	}
	b := c.buf[c.pos : c.pos+n]
	c.pos += n
	return b
}

func (c *cursor) skip(n int, name string)     { c.take(n, name) }
func (c *cursor) uint8(name string) uint8     { return c.take(1, name)[0] }
func (c *cursor) uint16(name string) uint16   { return binary.BigEndian.Uint16(c.take(2, name)) }
func (c *cursor) uint32(name string) uint32   { return binary.BigEndian.Uint32(c.take(4, name)) }
func (c *cursor) float32(name string) float32 { return math.Float32frombits(c.uint32(name)) }

// Negative numbers have their first bit set over the absolute value
// (regulation 92.1.5), not two's complement.

func (c *cursor) int16(name string) int {
	v := c.uint16(name)
	if v&0x8000 != 0 {
		return -int(v & 0x7fff)
	}
	return int(v)
}

func (c *cursor) int32(name string) int { return signMagnitude32(c.uint32(name)) }

func signMagnitude32(v uint32) int {
	if v&0x80000000 != 0 {
		return -int(v & 0x7fffffff)
	}
	return int(v)
}

// decimal reads a scale factor and a scaled value: scaled x 10^-factor. NaN
// where all bits of either are set (missing).
func (c *cursor) decimal(name string) float64 {
	factor, scaled := c.take(1, name)[0], c.uint32(name)
	if factor == 0xff || scaled == missing32 {
		return math.NaN()
	}
	exponent := int(factor & 0x7f)
	if factor&0x80 != 0 {
		return float64(signMagnitude32(scaled)) * math.Pow10(exponent)
	}
	// Dividing keeps 1 at factor 1 the nearest number to 0.1.
	return float64(signMagnitude32(scaled)) / math.Pow10(exponent)
}

const missing32 = 0xffffffff
