package parquetcheck

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
)

// Types of the Thrift compact protocol, "Struct encoding" and "List and Set".
const (
	thriftTrue   = 1
	thriftFalse  = 2
	thriftI8     = 3
	thriftI16    = 4
	thriftI32    = 5
	thriftI64    = 6
	thriftDouble = 7
	thriftBinary = 8
	thriftList   = 9
	thriftSet    = 10
	thriftMap    = 11
	thriftStruct = 12
	thriftUUID   = 13
)

// maxThriftDepth of structures and lists in each other; the footer needs ten.
const maxThriftDepth = 32

// errShort: the bytes ended within a value.
var errShort = errors.New("the bytes end too early")

// cursor walks bytes of the compact protocol. It copies nothing.
type cursor struct {
	b        []byte
	at       int
	offset   int64 // of b in the file
	depth    int
	elements int // that lists and maps may still have
}

func (c *cursor) fail(err error, format string, args ...any) error {
	return fmt.Errorf("byte %d: %s: %w", c.offset+int64(c.at), fmt.Sprintf(format, args...), err)
}

func (c *cursor) short() error {
	return fmt.Errorf("byte %d: %w: %w", c.offset+int64(len(c.b)), errShort, ErrCorrupt)
}

func (c *cursor) byte() (byte, error) {
	if c.at >= len(c.b) {
		return 0, c.short()
	}
	c.at++
	return c.b[c.at-1], nil
}

func (c *cursor) pass(n uint64) error {
	if n > uint64(len(c.b)-c.at) {
		return c.short()
	}
	c.at += int(n)
	return nil
}

func (c *cursor) uvarint() (uint64, error) {
	u, n := binary.Uvarint(c.b[c.at:])
	if n == 0 {
		return 0, c.short()
	}
	if n < 0 {
		return 0, c.fail(ErrCorrupt, "a number of more than 64 bits")
	}
	c.at += n
	return u, nil
}

func (c *cursor) integer(kind, want byte, low, high int64) (int64, error) {
	if kind != want {
		return 0, c.fail(ErrCorrupt, "Thrift type %d where %d is due", kind, want)
	}
	u, err := c.uvarint()
	if err != nil {
		return 0, err
	}
	n := int64(u>>1) ^ -int64(u&1)
	if n < low || n > high {
		return 0, c.fail(ErrCorrupt, "%d does not fit Thrift type %d", n, kind)
	}
	return n, nil
}

func (c *cursor) i16(kind byte, into *int64) (err error) {
	*into, err = c.integer(kind, thriftI16, math.MinInt16, math.MaxInt16)
	return err
}

func (c *cursor) i32(kind byte, into *int64) (err error) {
	*into, err = c.integer(kind, thriftI32, math.MinInt32, math.MaxInt32)
	return err
}

func (c *cursor) i64(kind byte, into *int64) (err error) {
	*into, err = c.integer(kind, thriftI64, math.MinInt64, math.MaxInt64)
	return err
}

// boolean of a field lies in its type.
func (c *cursor) boolean(kind byte) (bool, error) {
	if kind != thriftTrue && kind != thriftFalse {
		return false, c.fail(ErrCorrupt, "Thrift type %d where a bool is due", kind)
	}
	return kind == thriftTrue, nil
}

func (c *cursor) binary(kind byte) ([]byte, error) {
	if kind != thriftBinary {
		return nil, c.fail(ErrCorrupt, "Thrift type %d where a binary is due", kind)
	}
	n, err := c.uvarint()
	if err != nil {
		return nil, err
	}
	from := c.at
	if err := c.pass(n); err != nil {
		return nil, err
	}
	return c.b[from:c.at], nil
}

func (c *cursor) down() error {
	if c.depth++; c.depth > maxThriftDepth {
		return c.fail(ErrLimit, "more than %d structures and lists in each other", maxThriftDepth)
	}
	return nil
}

// structure calls field for every field, which must read or skip its value.
func (c *cursor) structure(kind byte, field func(id int16, kind byte) error) error {
	if kind != thriftStruct {
		return c.fail(ErrCorrupt, "Thrift type %d where a struct is due", kind)
	}
	if err := c.down(); err != nil {
		return err
	}
	defer func() { c.depth-- }()
	id, seen := int16(0), uint64(0)
	for {
		head, err := c.byte()
		if err != nil {
			return err
		}
		if head == 0 {
			return nil
		}
		if delta := head >> 4; delta != 0 {
			id += int16(delta)
		} else {
			var n int64
			if err := c.i16(thriftI16, &n); err != nil {
				return err
			}
			id = int16(n)
		}
		if id >= 0 && id < 64 {
			// A reader may take either of the two.
			if seen>>id&1 != 0 {
				return c.fail(ErrCorrupt, "field %d stands twice", id)
			}
			seen |= 1 << id
		}
		if err := field(id, head&0xF); err != nil {
			return err
		}
	}
}

// list calls each for every element, which must read or skip it.
func (c *cursor) list(kind, want byte, each func(k int) error) error {
	if kind != thriftList {
		return c.fail(ErrCorrupt, "Thrift type %d where a list is due", kind)
	}
	n, of, err := c.listHead()
	if err != nil {
		return err
	}
	if of != want && n > 0 {
		return c.fail(ErrCorrupt, "a list of Thrift type %d where %d is due", of, want)
	}
	if err := c.down(); err != nil {
		return err
	}
	defer func() { c.depth-- }()
	for k := range n {
		if err := each(k); err != nil {
			return err
		}
	}
	return nil
}

func (c *cursor) listHead() (n int, of byte, err error) {
	head, err := c.byte()
	if err != nil {
		return 0, 0, err
	}
	size := uint64(head >> 4)
	if size == 15 {
		if size, err = c.uvarint(); err != nil {
			return 0, 0, err
		}
	}
	if err := c.count(size); err != nil {
		return 0, 0, err
	}
	return int(size), head & 0xF, nil
}

// count of elements: each has a byte or more.
func (c *cursor) count(n uint64) error {
	if left := uint64(len(c.b) - c.at); n > left {
		return fmt.Errorf("byte %d: %d elements in %d bytes: %w: %w", c.offset+int64(c.at), n, left, errShort, ErrCorrupt)
	}
	if c.elements -= int(n); c.elements < 0 {
		return c.fail(ErrLimit, "too many elements of lists")
	}
	return nil
}

// skip passes a value of a field.
func (c *cursor) skip(kind byte) error {
	if kind == thriftTrue || kind == thriftFalse {
		return nil
	}
	return c.skipElement(kind)
}

func (c *cursor) skipElement(kind byte) error {
	switch kind {
	case thriftTrue, thriftFalse, thriftI8:
		return c.pass(1)
	case thriftI16, thriftI32, thriftI64:
		_, err := c.uvarint()
		return err
	case thriftDouble:
		return c.pass(8)
	case thriftUUID:
		return c.pass(16)
	case thriftBinary:
		_, err := c.binary(kind)
		return err
	case thriftStruct:
		return c.structure(kind, func(_ int16, kind byte) error { return c.skip(kind) })
	case thriftList, thriftSet:
		if err := c.down(); err != nil {
			return err
		}
		defer func() { c.depth-- }()
		n, of, err := c.listHead()
		for k := 0; k < n && err == nil; k++ {
			err = c.skipElement(of)
		}
		return err
	case thriftMap:
		if err := c.down(); err != nil {
			return err
		}
		defer func() { c.depth-- }()
		n, err := c.uvarint()
		if err != nil || n == 0 {
			return err
		}
		if err := c.count(n); err != nil {
			return err
		}
		of, err := c.byte()
		for k := uint64(0); k < n && err == nil; k++ {
			if err = c.skipElement(of >> 4); err == nil {
				err = c.skipElement(of & 0xF)
			}
		}
		return err
	}
	return c.fail(ErrCorrupt, "there is no Thrift type %d", kind)
}
