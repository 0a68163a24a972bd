package crop

import (
	"encoding/binary"
	"hash/crc32"
	"math"
	"slices"

	"rimeline/ingest"
)

// write appends to the stream of arrays, and compresses each full block.
func (c *coder) write(p []byte) {
	for len(p) > 0 {
		n := min(len(p), blockBytes-len(c.block))
		c.block = append(c.block, p[:n]...)
		p = p[n:]
		if len(c.block) == blockBytes {
			c.flush()
		}
	}
}

func (c *coder) flush() {
	if len(c.block) == 0 {
		return
	}
	before := len(c.stored)
	c.stored = c.encoder.EncodeAll(c.block, c.stored)
	stored := c.stored[before:]
	c.sections = append(c.sections, section{kind: kindData, stored: uint32(len(stored)), raw: uint32(len(c.block)), sum: crc32.Checksum(stored, castagnoli)})
	c.block = c.block[:0]
}

// read gives the next n bytes of the stream, valid until the next call; nil
// where there are not as many.
func (c *coder) read(n int) []byte {
	if c.err != nil {
		return nil
	}
	if int64(n) > c.rawLeft {
		c.fail("array of %d bytes, %d left", n, c.rawLeft)
		return nil
	}
	c.rawLeft -= int64(n)
	if len(c.present) >= n {
		out := c.present[:n]
		c.present = c.present[n:]
		return out
	}
	out := append(c.scratch[:0], c.present...)
	c.present = nil
	for len(out) < n {
		s := c.left[0]
		c.left = c.left[1:]
		if c.block == nil {
			c.block = make([]byte, 0, s.raw) // the first is the longest
		}
		raw, err := inflate(c.decoder, c.file_, s, c.block)
		if err != nil {
			c.err = &ingest.FormatError{File: c.name, Offset: int64(s.offset), Detail: "section DATA: " + err.Error(), Err: ingest.ErrCorrupt}
			return nil
		}
		more := min(n-len(out), len(raw))
		out = append(out, raw[:more]...)
		c.present = raw[more:]
	}
	c.scratch = out
	return out
}

// array is the length of an array and whether it is nil; a length that the file
// cannot hold is an error. width is that of a value, least how many bytes of the
// stream it takes at least.
func (c *coder) array(n int, isNil bool, width, least int) (int, bool) {
	stored := uint64(n) + 1
	if isNil {
		stored = 0
	}
	c.count(&stored)
	if c.err != nil || stored == 0 {
		return 0, true
	}
	n64 := stored - 1
	if n64 > MaxBytes/uint64(width) || c.total+int64(n64)*int64(width) > MaxBytes {
		c.fail("array of %d values of %d bytes: more than %d bytes in all", n64, width, MaxBytes)
		return 0, true
	}
	if !c.writing && int64(n64)*int64(least) > c.rawLeft {
		c.fail("array of %d values, %d bytes left", n64, c.rawLeft)
		return 0, true
	}
	c.total += int64(n64) * int64(width)
	return int(n64), false
}

// grown is the scratch as n bytes.
func (c *coder) grown(n int) []byte {
	c.scratch = slices.Grow(c.scratch[:0], n)[:n]
	return c.scratch
}

func (c *coder) bytes(xs *[]byte) { bytesOf(c, xs) }

// bytesOf goes through an array of one byte a value.
func bytesOf[T ~uint8](c *coder, xs *[]T) {
	n, isNil := c.array(len(*xs), *xs == nil, 1, 1)
	if c.writing {
		if c.err == nil {
			b := c.grown(n)
			for k, x := range *xs {
				b[k] = byte(x)
			}
			c.write(b)
		}
		return
	}
	*xs = nil
	if b := c.read(n); !isNil && c.err == nil {
		*xs = make([]T, n)
		for k := range *xs {
			(*xs)[k] = T(b[k])
		}
	}
}

// doubles goes through an array of float64.
func (c *coder) doubles(xs *[]float64) {
	n, isNil := c.array(len(*xs), *xs == nil, 8, 8)
	if c.writing {
		if c.err == nil {
			b := c.grown(8 * n)
			for k, x := range *xs {
				bits := math.Float64bits(x)
				for plane := range 8 {
					b[plane*n+k] = byte(bits >> (8 * plane))
				}
			}
			c.write(b)
		}
		return
	}
	*xs = nil
	if b := c.read(8 * n); !isNil && c.err == nil {
		*xs = make([]float64, n)
		for k := range *xs {
			var bits uint64
			for plane := range 8 {
				bits |= uint64(b[plane*n+k]) << (8 * plane)
			}
			(*xs)[k] = math.Float64frombits(bits)
		}
	}
}

// floats goes through an array of float32, in rows of ni values where that is
// known: as a palette where this is shorter, else shuffled.
func (c *coder) floats(xs *[]float32, ni int) {
	n, isNil := c.array(len(*xs), *xs == nil, 4, 1)
	if c.err != nil || isNil || n == 0 {
		if !c.writing {
			*xs = nil
			if !isNil {
				*xs = []float32{}
			}
		}
		return
	}
	if ni < 1 || ni > n {
		ni = n
	}
	if c.writing {
		c.writeFloats(*xs, ni)
		return
	}
	*xs = c.readFloats(n, ni)
}

func (c *coder) writeFloats(xs []float32, ni int) {
	palette, ok := paletteOf(xs)
	colours := uint64(len(palette.values))
	if !ok {
		colours = 0
	}
	c.count(&colours)
	if ok {
		b := c.grown(palette.bytes(len(xs)))
		palette.write(b, xs, ni)
		c.write(b)
		return
	}
	n := len(xs)
	b := c.grown(4 * n)
	shuffleFloats(b, xs)
	c.write(b)
}

func (c *coder) readFloats(n, ni int) []float32 {
	var colours uint64
	c.count(&colours)
	if colours > maxColours || colours > uint64(n) {
		c.fail("%d different values of %d", colours, n)
	}
	if c.err != nil {
		return nil
	}
	if colours > 0 {
		p := palette{values: make([]uint32, colours)}
		b := c.read(p.bytes(n))
		if b == nil {
			return nil
		}
		xs := make([]float32, n)
		if !p.read(b, xs, ni) {
			c.fail("a value that is not among the %d of its array", colours)
		}
		return xs
	}
	b := c.read(4 * n)
	if b == nil {
		return nil
	}
	xs := make([]float32, n)
	low, second, third, high := b[:n], b[n:2*n], b[2*n:3*n], b[3*n:4*n]
	for k := range xs {
		xs[k] = math.Float32frombits(uint32(low[k]) | uint32(second[k])<<8 | uint32(third[k])<<16 | uint32(high[k])<<24)
	}
	return xs
}

func shuffleFloats(b []byte, xs []float32) {
	n := len(xs)
	low, second, third, high := b[:n], b[n:2*n], b[2*n:3*n], b[3*n:4*n]
	for k, x := range xs {
		bits := math.Float32bits(x)
		low[k], second[k], third[k], high[k] = byte(bits), byte(bits>>8), byte(bits>>16), byte(bits>>24)
	}
}

// words goes through bytes that are words of some width, shuffled.
func (c *coder) words(raw []byte, width int) {
	n := len(raw) / width
	if n*width != len(raw) {
		width, n = 1, len(raw)
	}
	if c.writing {
		b := raw
		if width > 1 {
			b = c.grown(len(raw))
			for plane := range width {
				to := b[plane*n : (plane+1)*n]
				for k := range to {
					to[k] = raw[k*width+plane]
				}
			}
		}
		c.write(b)
		return
	}
	b := c.read(len(raw))
	if b == nil {
		return
	}
	if width == 1 {
		copy(raw, b)
		return
	}
	for plane := range width {
		from := b[plane*n : (plane+1)*n]
		for k, x := range from {
			raw[k*width+plane] = x
		}
	}
}

// flags goes through an array of 16 bits a value.
func flags[T ~uint16](c *coder, n int, at func(int) *T) {
	raw := make([]byte, 2*n)
	if c.writing {
		for k := range n {
			binary.LittleEndian.PutUint16(raw[2*k:], uint16(*at(k)))
		}
	}
	c.words(raw, 2)
	if c.writing || c.err != nil {
		return
	}
	for k := range n {
		*at(k) = T(binary.LittleEndian.Uint16(raw[2*k:]))
	}
}
