package grib

import (
	"encoding/binary"
	"math"
	"math/bits"
	"sync"

	"rimeline/ingest"
)

// complexPacking is what templates 5.2 and 5.3 add to 5.0 (octets 22 to 49).
type complexPacking struct {
	missingManagement    uint8 // code table 5.5: 0 none, 1 primary, 2 primary and secondary
	groups               uint32
	widthReference       uint8
	widthBits            uint
	lengthReference      uint32
	lengthIncrement      uint8
	lastLength           uint32
	lengthBits           uint
	order                uint8 // of spatial differences, 0 in template 5.2
	octetsOfDifferencing uint
	referenceBits        uint // bits of each group reference: octet 20
}

// Groups and values pass through buffers that fit the first-level cache.
const (
	groupBatch = 512
	chunkSize  = 2048
	// A group may be unpacked past its end, by a load or by lanes.
	chunkSlack = laneOverrun
)

// absent marks a missing value among packed numbers; those of the narrow path
// lie between -2^30 and 2^31.
const absent = math.MinInt32

// complexScratch is the working memory of one decoding.
type complexScratch struct {
	references [groupBatch]uint32
	lengths    [groupBatch]uint32
	widths     [groupBatch]uint32
	chunk      [chunkSize + chunkSlack]int32
	converted  [chunkSize]float32
	table      [tableSize]float32
}

var scratches = sync.Pool{New: func() any { return new(complexScratch) }}

// complexDecoding walks through the groups of one field.
type complexDecoding struct {
	complexPacking
	place place // of data
	data  []byte
	total int // values to come out of all groups

	// Where the next of each descriptor and of the packed numbers begins.
	references, widths, lengths bitReader
	numbers                     uint64 // bit position

	bias  int64    // minimum of the differences, 0 in template 5.2
	first [2]int64 // first values, undifferenced

	// State of the undifferencing: how many values are done, the last value,
	// and its difference to the one before.
	done, seen  int
	last, slope int64

	table   scaleTable
	scratch *complexScratch
}

// complexLayout is where the parts of section 7 begin, in octets.
type complexLayout struct{ references, widths, lengths, numbers uint64 }

// layout proves that the descriptors of all groups are there.
func (c *complexPacking) layout(data []byte, p place, total int) (complexLayout, error) {
	var l complexLayout
	if c.groups == 0 {
		return l, nil // a constant field: section 7 is empty
	}
	if uint64(c.groups) > uint64(total) {
		return l, p.errorf(0, ingest.ErrCorrupt, "%d groups for %d values", c.groups, total)
	}
	left, at := uint64(len(data)), uint64(0)
	if c.order > 0 {
		if at = uint64(c.octetsOfDifferencing) * uint64(c.order+1); at > left {
			return l, p.errorf(0, ingest.ErrCorrupt, "spatial differencing needs %d octets, %d left", at, left)
		}
	}
	for _, part := range []struct {
		name   string
		bits   uint
		begins *uint64
	}{
		{"references", c.referenceBits, &l.references},
		{"widths", c.widthBits, &l.widths},
		{"lengths", c.lengthBits, &l.lengths},
	} {
		need := octets(uint64(c.groups) * uint64(part.bits))
		if need > left-at {
			return l, p.errorf(int(at), ingest.ErrCorrupt, "%s of %d groups need %d octets, %d left", part.name, c.groups, need, left-at)
		}
		*part.begins = at
		at += need
	}
	l.numbers = at
	return l, nil
}

// newComplexDecoding reads the head of section 7.
func newComplexDecoding(c complexPacking, data []byte, p place, total int, s scaling, scratch *complexScratch) (*complexDecoding, error) {
	l, err := c.layout(data, p, total)
	if err != nil {
		return nil, err
	}
	d := &complexDecoding{
		complexPacking: c, place: p, data: data, total: total, scratch: scratch,
		references: bitReader{data, 8 * l.references},
		widths:     bitReader{data, 8 * l.widths},
		lengths:    bitReader{data, 8 * l.lengths},
		numbers:    8 * l.numbers,
	}
	d.table = newScaleTable(s, total, &scratch.table)
	if n := 8 * c.octetsOfDifferencing; c.groups > 0 && c.order > 0 && n > 0 {
		head := bitReader{b: data}
		for k := range int(c.order) {
			d.first[k] = int64(head.read(n))
		}
		negative := head.read(1) == 1
		if d.bias = int64(head.read(n - 1)); negative {
			d.bias = -d.bias
		}
	}
	return d, nil
}

// narrow says whether every packed number, its group's reference and the bias
// fit 31 bits together, so that the fast path may be taken.
func (d *complexDecoding) narrow(maxWidth uint32) bool {
	return d.referenceBits <= 29 && maxWidth <= 28 && d.bias > -1<<29 && d.bias < 1<<29
}

// decode puts the wanted values into dst, and stops after the last of them.
func (d *complexDecoding) decode(dst []float32, want span) error {
	if d.groups == 0 {
		// Constant field: R itself, as for template 5.0 with no bits.
		constant := float32(d.table.reference)
		for i := range dst {
			dst[i] = constant
		}
		return nil
	}
	out := spanWriter{span: want, dst: dst}
	for group := uint32(0); group < d.groups; {
		n := int(min(d.groups-group, groupBatch))
		isLast := group+uint32(n) == d.groups
		maxWidth, err := d.describe(n, isLast)
		if err != nil {
			return err
		}
		if d.narrow(maxWidth) {
			d.unpackNarrow(n, maxWidth, &out)
		} else {
			d.unpackWide(n, &out)
		}
		if out.complete(d.done) {
			return nil
		}
		group += uint32(n)
	}
	if d.done != d.total {
		return d.place.errorf(0, ingest.ErrCorrupt, "groups hold %d values, section 5 counts %d", d.done, d.total)
	}
	return nil
}

// describe reads reference, width and length of the next n groups, and proves
// that their numbers are there and not too many.
func (d *complexDecoding) describe(n int, isLast bool) (maxWidth uint32, err error) {
	s := d.scratch
	references, widths, lengths := s.references[:n], s.widths[:n], s.lengths[:n]
	unpackPlain(references, &d.references, d.referenceBits)
	unpackPlain(widths, &d.widths, d.widthBits)
	unpackPlain(lengths, &d.lengths, d.lengthBits)
	var values, numbers uint64
	increment, reference := uint64(d.lengthIncrement), uint64(d.lengthReference)
	left := uint64(d.total - d.done)
	for k := range n {
		length := uint64(lengths[k])*increment + reference
		if isLast && k == n-1 {
			length = uint64(d.lastLength)
		}
		width := uint64(widths[k]) + uint64(d.widthReference)
		maxWidth = max(maxWidth, uint32(min(width, math.MaxUint32)))
		// Lengths stay below 2^41 and widths below 2^33: cut both so that no
		// sum or product can run over.
		length = min(length, left+1)
		values += length
		numbers += length * min(width, 65)
		lengths[k], widths[k] = uint32(length), uint32(width)
	}
	if values > left {
		return 0, d.place.errorf(0, ingest.ErrCorrupt, "groups hold more than the %d values that section 5 counts", d.total)
	}
	if maxWidth > 32 {
		return 0, d.place.errorf(0, ingest.ErrUnsupported, "group of %d bits a number, at most 32 are read", maxWidth)
	}
	if have := uint64(len(d.data))*8 - d.numbers; numbers > have {
		return 0, d.place.errorf(int(d.numbers/8), ingest.ErrCorrupt, "packed numbers need %d bits, %d left", numbers, have)
	}
	return maxWidth, nil
}

// unpackPlain reads numbers of equal width.
func unpackPlain(dst []uint32, r *bitReader, width uint) {
	if width == 0 {
		clear(dst)
		return
	}
	data, pos := r.b, r.pos
	r.pos += uint64(len(dst)) * uint64(width)
	if width <= 14 {
		mask := uint64(1)<<width - 1
		for range fullLoads(data, pos, width, len(dst), 4) {
			word := bits.RotateLeft64(binary.BigEndian.Uint64(data[pos>>3:]), int(pos&7+uint64(width)))
			four := (*[4]uint32)(dst)
			four[0] = uint32(word & mask)
			word = bits.RotateLeft64(word, int(width))
			four[1] = uint32(word & mask)
			word = bits.RotateLeft64(word, int(width))
			four[2] = uint32(word & mask)
			word = bits.RotateLeft64(word, int(width))
			four[3] = uint32(word & mask)
			pos += 4 * uint64(width)
			dst = dst[4:]
		}
	}
	for i := range dst {
		dst[i] = uint32(bitsAt(data, pos, width))
		pos += uint64(width)
	}
}

// unpackNarrow unpacks n described groups chunk by chunk.
func (d *complexDecoding) unpackNarrow(n int, maxWidth uint32, out *spanWriter) {
	s := d.scratch
	byLanes := haveLanes && maxWidth <= maxLaneWidth
	filled := 0
	flush := func() bool {
		d.emit(s.chunk[:filled], out)
		filled = 0
		return out.complete(d.done)
	}
	for group := 0; group < n; group++ {
		if byLanes {
			groups, numbers := d.unpackRun(group, n, s.chunk[filled:])
			if groups > 0 {
				if d.missingManagement != 0 {
					d.markMissing(group, groups, s.chunk[filled:filled+numbers])
				}
				filled += numbers
				if group += groups; group == n {
					break
				}
				if flush() {
					return
				}
			}
		}
		length, width := int(s.lengths[group]), uint(s.widths[group])
		add := int32(s.references[group]) + int32(d.bias)
		for length > 0 {
			if filled == chunkSize && flush() {
				return
			}
			m := min(length, chunkSize-filled)
			unpackGroup(s.chunk[filled:filled+m+chunkSlack-1], m, d.data, d.numbers, width, add)
			if d.missingManagement != 0 {
				d.markGroup(group, s.chunk[filled:filled+m])
			}
			d.numbers += uint64(m) * uint64(width)
			filled += m
			length -= m
		}
	}
	flush()
}

// markMissing replaces the numbers of some groups, one after the other in chunk,
// that mean missing.
func (d *complexDecoding) markMissing(first, groups int, chunk []int32) {
	for group := first; group < first+groups; group++ {
		length := d.scratch.lengths[group]
		d.markGroup(group, chunk[:length])
		chunk = chunk[length:]
	}
}

func (d *complexDecoding) markGroup(group int, numbers []int32) {
	s := d.scratch
	missing := d.firstMissing(s.references[group], uint(s.widths[group]), int32(s.references[group])+int32(d.bias))
	for i, v := range numbers {
		if v >= missing {
			numbers[i] = absent
		}
	}
}

// firstMissing is the least packed number, reference and bias added, that means
// missing: all bits set, and one less for the secondary missing value. In a
// group of no bits the reference itself is looked at.
func (d *complexDecoding) firstMissing(reference uint32, width uint, add int32) int32 {
	if width == 0 {
		if int64(reference) > int64(1)<<d.referenceBits-1-int64(d.missingManagement) {
			return add
		}
		return math.MaxInt32
	}
	return add + int32(1)<<width - int32(d.missingManagement)
}

// unpackGroup reads m numbers of equal width and adds to each. dst is three
// longer than m: whole loads are stored, what runs over is overwritten by the
// next group.
func unpackGroup(dst []int32, m int, data []byte, pos uint64, width uint, add int32) {
	if width == 0 {
		dst = dst[:m]
		for i := range dst {
			dst[i] = add
		}
		return
	}
	mask := uint64(1)<<width - 1
	if width <= 14 && pos>>3+uint64(m+3)*uint64(width)>>3+9 <= uint64(len(data)) {
		for ; m > 0; m -= 4 {
			word := bits.RotateLeft64(binary.BigEndian.Uint64(data[pos>>3:]), int(pos&7+uint64(width)))
			four := (*[4]int32)(dst)
			four[0] = int32(word&mask) + add
			word = bits.RotateLeft64(word, int(width))
			four[1] = int32(word&mask) + add
			word = bits.RotateLeft64(word, int(width))
			four[2] = int32(word&mask) + add
			word = bits.RotateLeft64(word, int(width))
			four[3] = int32(word&mask) + add
			pos += 4 * uint64(width)
			dst = dst[4:]
		}
		return
	}
	for i := range dst[:m] {
		dst[i] = int32(bitsAt(data, pos, width)) + add
		pos += uint64(width)
	}
}

// unpackWide takes groups whose numbers need more than 31 bits, one by one.
func (d *complexDecoding) unpackWide(n int, out *spanWriter) {
	s := d.scratch
	one := s.converted[:1]
	for group := range n {
		reference, width := int64(s.references[group]), uint(s.widths[group])
		missing := int64(math.MaxInt64)
		switch {
		case d.missingManagement == 0:
		case width > 0:
			missing = int64(1)<<width - int64(d.missingManagement)
		case reference >= int64(1)<<d.referenceBits-int64(d.missingManagement):
			missing = 0
		}
		for range s.lengths[group] {
			x := int64(bitsAt(d.data, d.numbers, width))
			d.numbers += uint64(width)
			isMissing := x >= missing
			if d.seen < int(d.order) {
				d.emitFirst(isMissing, out)
				continue
			}
			if one[0] = float32(math.NaN()); !isMissing {
				one[0] = d.table.value(d.next(x + reference + d.bias))
			}
			out.put(d.done, one)
			d.done++
			if out.complete(d.done) {
				return
			}
		}
	}
}
