package frame

import (
	"encoding/binary"
	"fmt"
	"math"

	"rimeline/ingest/bufr"
)

// MaxElements is the ceiling of elements in one BUFR message, all subsets
// together. An ascent of three hours at one level a second has 130 000, each
// with quality information at most twice that.
const MaxElements = 2_000_000

const (
	flagText byte = 1 << iota
	flagAttribute
	flagMissing
)

// AppendDecoded appends d without its replication marks, which the reader makes
// anew:
//
//	count, expanded descriptors
//	count, keys: descriptor, text or not, name, units
//	count, subsets: count, elements: key, flags, [attribute of], value
//
// Counts, descriptors, lengths and indices are unsigned varints, numbers 8
// bytes little-endian, texts length and bytes.
func AppendDecoded(b []byte, d bufr.Decoded) []byte {
	b = binary.AppendUvarint(b, uint64(len(d.Expanded)))
	for _, descriptor := range d.Expanded {
		b = binary.AppendUvarint(b, uint64(descriptor))
	}
	numbers := map[*bufr.Key]int{}
	var keys []*bufr.Key
	for _, elements := range d.Subsets {
		for _, e := range elements {
			if _, known := numbers[e.Key]; !known {
				numbers[e.Key] = len(keys)
				keys = append(keys, e.Key)
			}
		}
	}
	b = binary.AppendUvarint(b, uint64(len(keys)))
	for _, k := range keys {
		b = binary.AppendUvarint(b, uint64(k.Descriptor))
		var flags byte
		if k.IsText {
			flags = flagText
		}
		b = append(b, flags)
		b = appendText(b, k.Name)
		b = appendText(b, k.Units)
	}
	b = binary.AppendUvarint(b, uint64(len(d.Subsets)))
	for _, elements := range d.Subsets {
		b = binary.AppendUvarint(b, uint64(len(elements)))
		for _, e := range elements {
			b = binary.AppendUvarint(b, uint64(numbers[e.Key]))
			var flags byte
			if e.AttributeOf >= 0 {
				flags |= flagAttribute
			}
			if e.Missing() {
				flags |= flagMissing
			}
			b = append(b, flags)
			if e.AttributeOf >= 0 {
				b = binary.AppendUvarint(b, uint64(e.AttributeOf))
			}
			switch {
			case e.Missing():
			case e.IsText:
				b = appendText(b, e.Text)
			default:
				b = binary.LittleEndian.AppendUint64(b, math.Float64bits(e.Value))
			}
		}
	}
	return b
}

func appendText(b []byte, s string) []byte {
	return append(binary.AppendUvarint(b, uint64(len(s))), s...)
}

// ParseDecoded is the opposite of AppendDecoded.
func ParseDecoded(b []byte) (bufr.Decoded, error) {
	c := cursor{b: b}
	var d bufr.Decoded
	d.Expanded = make([]bufr.Descriptor, c.count("descriptors", 1))
	for i := range d.Expanded {
		d.Expanded[i] = c.descriptor()
	}
	keys := make([]bufr.Key, c.count("keys", 4))
	for i := range keys {
		keys[i] = bufr.Key{Descriptor: c.descriptor(), IsText: c.byte()&flagText != 0, Name: c.text(), Units: c.text()}
	}
	d.Subsets = make([][]bufr.Element, c.count("subsets", 1))
	total := 0
	for s := range d.Subsets {
		n := c.count("elements", 2)
		if total += n; total > MaxElements {
			c.fail("more than %d elements", MaxElements)
			break
		}
		elements := make([]bufr.Element, n)
		for i := range elements {
			k := c.uvarint()
			if k >= uint64(len(keys)) {
				c.fail("key %d of %d", k, len(keys))
				break
			}
			e := bufr.Element{Key: &keys[k], Value: math.NaN(), AttributeOf: -1}
			flags := c.byte()
			if flags&flagAttribute != 0 {
				of := c.uvarint()
				if of >= uint64(i) {
					c.fail("element %d is an attribute of %d", i, of)
					break
				}
				e.AttributeOf = int(of)
			}
			switch {
			case flags&flagMissing != 0:
			case e.IsText:
				e.Text = c.text()
			default:
				e.Value = math.Float64frombits(c.uint64())
			}
			elements[i] = e
		}
		d.Subsets[s] = elements
		if c.err != nil {
			break
		}
	}
	if c.err == nil && len(c.b) > 0 {
		c.fail("%d bytes too many", len(c.b))
	}
	if c.err != nil {
		return bufr.Decoded{}, c.err
	}
	return d, nil
}

// cursor reads from the front of b until the first error.
type cursor struct {
	b   []byte
	err error
}

func (c *cursor) fail(format string, args ...any) {
	if c.err == nil {
		c.err = fmt.Errorf("%s: %w", fmt.Sprintf(format, args...), ErrProtocol)
		c.b = nil
	}
}

func (c *cursor) take(n uint64) []byte {
	if n > uint64(len(c.b)) {
		c.fail("%d bytes wanted, %d left", n, len(c.b))
		return nil
	}
	taken := c.b[:n]
	c.b = c.b[n:]
	return taken
}

func (c *cursor) uvarint() uint64 {
	v, n := binary.Uvarint(c.b)
	if n <= 0 {
		c.fail("broken number")
		return 0
	}
	c.b = c.b[n:]
	return v
}

// count reads how many things of at least eachBytes follow.
func (c *cursor) count(what string, eachBytes int) int {
	n := c.uvarint()
	if n > uint64(len(c.b)/eachBytes) {
		c.fail("%d %s in %d bytes", n, what, len(c.b))
		return 0
	}
	return int(n)
}

func (c *cursor) descriptor() bufr.Descriptor {
	d := c.uvarint()
	if d > 399999 {
		c.fail("descriptor %d", d)
		return 0
	}
	return bufr.Descriptor(d)
}

func (c *cursor) byte() byte {
	if b := c.take(1); b != nil {
		return b[0]
	}
	return 0
}

func (c *cursor) uint64() uint64 {
	if b := c.take(8); b != nil {
		return binary.LittleEndian.Uint64(b)
	}
	return 0
}

func (c *cursor) text() string { return string(c.take(c.uvarint())) }
