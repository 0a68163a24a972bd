package parquetcheck

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/bits"
)

// runSlack: writers fill the last bit-packed run; one does so in blocks of 256 values.
const runSlack = 512

// data looks over a data page and gives the bytes that reading takes beyond its size.
func (f *File) data(codec int64, l *leaf, h *pageHeader, b []byte, sum *tally) (more int64, err error) {
	repetitions, definitions := b[:0], b[:0]
	if h.of == pageDataV2 {
		repetitions, definitions, b = b[:h.repetitionBytes], b[h.repetitionBytes:][:h.definitionBytes], b[h.repetitionBytes+h.definitionBytes:]
		if h.plain {
			codec = codecNone
		}
		if b, err = f.uncompressed(codec, b, h.uncompressed-h.repetitionBytes-h.definitionBytes); err != nil {
			return 0, err
		}
	} else {
		if b, err = f.uncompressed(codec, b, h.uncompressed); err != nil {
			return 0, err
		}
		if l.repetition > 0 {
			if repetitions, b, err = levelsV1(h.repetitionEncoding, b); err != nil {
				return 0, fmt.Errorf("repetition levels: %w", err)
			}
		}
		if l.definition > 0 {
			if definitions, b, err = levelsV1(h.definitionEncoding, b); err != nil {
				return 0, fmt.Errorf("definition levels: %w", err)
			}
		}
	}
	if l.repetition > 0 {
		rows, err := levels(repetitions, l.repetition, h.values, 0)
		if err != nil {
			return 0, fmt.Errorf("repetition levels: %w", err)
		}
		if h.of == pageData {
			sum.rows += rows
		} else if rows != h.rows {
			return 0, fmt.Errorf("num_rows is %d, the repetition levels begin %d: %w", h.rows, rows, ErrCorrupt)
		}
	}
	n := h.values
	if l.definition > 0 {
		if n, err = levels(definitions, l.definition, h.values, l.definition); err != nil {
			return 0, fmt.Errorf("definition levels: %w", err)
		}
	}
	if h.of == pageDataV2 && n != h.values-h.nulls {
		return 0, fmt.Errorf("%d values are there, num_values %d less num_nulls %d are %d: %w", n, h.values, h.nulls, h.values-h.nulls, ErrCorrupt)
	}
	return f.values(l, h.encoding, b, n, sum.dictionaryValues)
}

// levelsV1 of DataPageHeader have their length before them (Encodings.md, "RLE").
func levelsV1(encoding int64, b []byte) (levels, rest []byte, err error) {
	if encoding != encodingRLE {
		return nil, nil, fmt.Errorf("levels of Encoding %d: %w", encoding, ErrUnsupported)
	}
	return prefixed(b)
}

func prefixed(b []byte) (first, rest []byte, err error) {
	if len(b) < 4 {
		return nil, nil, fmt.Errorf("%d bytes where a length of four is due: %w", len(b), ErrCorrupt)
	}
	n := binary.LittleEndian.Uint32(b)
	if b = b[4:]; uint64(n) > uint64(len(b)) {
		return nil, nil, fmt.Errorf("%d bytes, %d are left: %w", n, len(b), ErrCorrupt)
	}
	return b[:n], b[n:], nil
}

// levels counts which of the first n are like one.
func levels(b []byte, greatest int, n int64, like int) (count int64, err error) {
	width := bits.Len(uint(greatest))
	at := int64(0)
	total, err := runs(b, width, n, func(packed bool, run int64, b []byte) error {
		run = min(run, n-at)
		at += run
		if !packed {
			if int(b[0]) > greatest {
				return fmt.Errorf("a level of %d, the greatest is %d: %w", b[0], greatest, ErrCorrupt)
			}
			if int(b[0]) == like {
				count += run
			}
			return nil
		}
		if width == 1 {
			ones := int64(0)
			for _, x := range b[:run/8] {
				ones += int64(bits.OnesCount8(x))
			}
			if run%8 > 0 {
				ones += int64(bits.OnesCount8(b[run/8] & (1<<(run%8) - 1)))
			}
			if count += ones; like == 0 {
				count += run - 2*ones
			}
			return nil
		}
		for k := range run {
			level := int(unpack(b, int(k)*width, width))
			if level > greatest {
				return fmt.Errorf("a level of %d, the greatest is %d: %w", level, greatest, ErrCorrupt)
			}
			if level == like {
				count++
			}
		}
		return nil
	})
	if err == nil && total < n {
		err = fmt.Errorf("%d of %d: %w", total, n, ErrCorrupt)
	}
	return count, err
}

// unpack gives width bits from bit on, the lowest first; bytes beyond b are 0.
func unpack(b []byte, bit, width int) (u uint64) {
	if at := bit / 8; width <= 56 && at+8 <= len(b) {
		return binary.LittleEndian.Uint64(b[at:]) >> (bit % 8) & (1<<width - 1)
	}
	for got := 0; got < width; {
		at, shift := (bit+got)/8, (bit+got)%8
		x := uint64(0)
		if at < len(b) {
			x = uint64(b[at]) >> shift
		}
		u |= x << got
		got += 8 - shift
	}
	if width < 64 {
		u &= 1<<width - 1
	}
	return u
}

// runs walks the hybrid of run lengths and bit packing (Encodings.md, "Run Length
// Encoding / Bit-Packing Hybrid") and gives how many values it has: a little more than
// n at most.
func runs(b []byte, width int, n int64, each func(packed bool, run int64, b []byte) error) (total int64, err error) {
	for at := 0; at < len(b); {
		u, k := binary.Uvarint(b[at:])
		if k <= 0 {
			return total, fmt.Errorf("the head of a run is cut: %w", ErrCorrupt)
		}
		at += k
		if u>>1 == 0 {
			continue
		}
		if u>>1 > uint64(n+runSlack-total) {
			return total, fmt.Errorf("a run of %d in a page of %d values: %w", u>>1, n, ErrCorrupt)
		}
		run, packed, size := int64(u>>1), u&1 == 1, (width+7)/8
		if packed {
			size = int(run) * width
			run *= 8
		}
		if run > n+runSlack-total {
			return total, fmt.Errorf("runs of more than %d values in a page of %d: %w", total, n, ErrCorrupt)
		}
		if size > len(b)-at {
			return total, fmt.Errorf("a run of %d bytes, %d are left: %w", size, len(b)-at, ErrCorrupt)
		}
		if each != nil {
			if err := each(packed, run, b[at:at+size]); err != nil {
				return total, err
			}
		}
		at += size
		total += run
	}
	return total, nil
}

// values looks over n values of a data page.
func (f *File) values(l *leaf, encoding int64, b []byte, n, dictionary int64) (more int64, err error) {
	if n == 0 && len(b) == 0 {
		return 0, nil
	}
	switch encoding {
	case encodingPlain:
		return 0, l.plain(b, n)
	case encodingPlainDictionary, encodingRLEDictionary:
		if len(b) == 0 || b[0] > 32 {
			return 0, fmt.Errorf("indexes have no width from 0 to 32: %w", ErrCorrupt)
		}
		return 0, indexes(b[1:], int(b[0]), n, dictionary)
	case encodingRLE:
		if l.kind != typeBoolean {
			break
		}
		b, _, err := prefixed(b)
		if err != nil {
			return 0, err
		}
		total, err := runs(b, 1, n, nil)
		if err == nil && total < n {
			err = fmt.Errorf("%d booleans of %d: %w", total, n, ErrCorrupt)
		}
		return 0, err
	case encodingByteStreamSplit:
		width := l.width()
		if width == 0 || l.kind == typeInt96 {
			break
		}
		if int64(len(b)) != n*width {
			return 0, fmt.Errorf("%d values of %d bytes in %d bytes: %w", n, width, len(b), ErrCorrupt)
		}
		return 0, nil
	case encodingDeltaBinaryPacked:
		if l.kind != typeInt32 && l.kind != typeInt64 {
			break
		}
		_, err := deltas(b, int(8*l.width()), n, nil)
		return 0, err
	case encodingDeltaLengthByteArray:
		if l.kind != typeByteArray {
			break
		}
		sum := int64(0)
		rest, err := deltas(b, 32, n, func(length int64) error {
			if sum += length; length < 0 || sum > int64(len(b)) {
				return fmt.Errorf("a value of %d bytes: %w", length, ErrCorrupt)
			}
			return nil
		})
		if err == nil && sum > int64(len(rest)) {
			err = fmt.Errorf("values of %d bytes, %d are left: %w", sum, len(rest), ErrCorrupt)
		}
		return 0, err
	case encodingDeltaByteArray:
		if l.kind != typeByteArray && l.kind != typeFixed {
			break
		}
		return f.deltaTexts(l, b, n)
	}
	return 0, fmt.Errorf("values of Encoding %d and Type %d: %w", encoding, l.kind, ErrUnsupported)
}

// indexes of n values point into a dictionary.
func indexes(b []byte, width int, n, dictionary int64) error {
	at := int64(0)
	total, err := runs(b, width, n, func(packed bool, run int64, b []byte) error {
		run = min(run, n-at) // what follows fills the run
		at += run
		if !packed {
			run = min(run, 1)
		} else if int64(1)<<width <= dictionary {
			return nil
		}
		bits, greatest := width, uint64(0)
		if !packed {
			bits = 8 * len(b) // whole bytes, of which readers take all bits
		}
		for k := range run {
			greatest = max(greatest, unpack(b, int(k)*bits, bits))
		}
		if run > 0 && greatest >= uint64(dictionary) {
			return fmt.Errorf("index %d into a dictionary of %d: %w", greatest, dictionary, ErrCorrupt)
		}
		return nil
	})
	if err == nil && total < n {
		err = fmt.Errorf("%d indexes of %d values: %w", total, n, ErrCorrupt)
	}
	return err
}

// width of a value in bytes; 0 where it varies.
func (l *leaf) width() int64 {
	switch l.kind {
	case typeInt32, typeFloat:
		return 4
	case typeInt64, typeDouble:
		return 8
	case typeInt96:
		return 12
	case typeFixed:
		return l.length
	}
	return 0
}

// plain looks over n values in PLAIN.
func (l *leaf) plain(b []byte, n int64) error {
	switch l.kind {
	case typeBoolean:
		if (n+7)/8 > int64(len(b)) {
			return fmt.Errorf("%d booleans in %d bytes: %w", n, len(b), ErrCorrupt)
		}
	case typeByteArray:
		for k := range n {
			_, rest, err := prefixed(b)
			if err != nil {
				return fmt.Errorf("value %d of %d: %w", k, n, err)
			}
			b = rest
		}
		if len(b) > 0 {
			return fmt.Errorf("%d bytes behind %d values: %w", len(b), n, ErrCorrupt)
		}
	default:
		if n*l.width() != int64(len(b)) {
			return fmt.Errorf("%d values of %d bytes in %d bytes: %w", n, l.width(), len(b), ErrCorrupt)
		}
	}
	return nil
}

// deltas walks n numbers of DELTA_BINARY_PACKED (Encodings.md, "Delta Encoding") of a
// width in bits, and gives them to each.
func deltas(b []byte, width int, n int64, each func(int64) error) (rest []byte, err error) {
	cut := fmt.Errorf("differences are cut: %w", ErrCorrupt)
	var head [4]uint64 // block size, miniblocks in a block, values, first value
	for k := range head {
		u, size := binary.Uvarint(b)
		if size <= 0 {
			return nil, cut
		}
		head[k], b = u, b[size:]
	}
	block, minis := head[0], head[1]
	if block == 0 || block%128 != 0 || block > 1<<20 || minis == 0 || minis > block/32 || block%minis != 0 || block/minis%32 != 0 {
		return nil, fmt.Errorf("blocks of %d values in %d parts: %w", block, minis, ErrCorrupt)
	}
	if head[2] != uint64(n) {
		return nil, fmt.Errorf("DELTA_BINARY_PACKED has %d values of %d: %w", head[2], n, ErrCorrupt)
	}
	if n == 0 {
		return b, nil
	}
	value := int64(head[3]>>1) ^ -int64(head[3]&1)
	if width == 32 && (value < math.MinInt32 || value > math.MaxInt32) {
		return nil, fmt.Errorf("a first value of %d: %w", value, ErrCorrupt)
	}
	give := func() error {
		if each == nil {
			return nil
		}
		if width == 32 {
			value = int64(int32(value)) // differences go round
		}
		return each(value)
	}
	if err := give(); err != nil {
		return nil, err
	}
	size := int(block / minis)
	for left := int(n - 1); left > 0; {
		u, k := binary.Uvarint(b)
		if k <= 0 || len(b)-k < int(minis) {
			return nil, cut
		}
		least := int64(u>>1) ^ -int64(u&1)
		widths := b[k:][:minis]
		b = b[k+int(minis):]
		for _, w := range widths {
			if left == 0 {
				break // what follows has no bytes
			}
			if int(w) > width {
				return nil, fmt.Errorf("differences of %d bits: %w", w, ErrCorrupt)
			}
			bytes := size * int(w) / 8
			// The last one may be cut to the values that it has.
			if need := (min(left, size)*int(w) + 7) / 8; need > len(b) {
				return nil, cut
			}
			mini := b[:min(bytes, len(b))]
			b = b[len(mini):]
			k := min(left, size)
			left -= k
			if each == nil {
				continue
			}
			for j := range k {
				value += least + int64(unpack(mini, j*int(w), int(w)))
				if err := give(); err != nil {
					return nil, err
				}
			}
		}
	}
	return b, nil
}

// deltaTexts looks over DELTA_BYTE_ARRAY: a value is the first bytes of the one before
// and those of its own, so that few bytes can stand for many.
func (f *File) deltaTexts(l *leaf, b []byte, n int64) (sum int64, err error) {
	prefixes := make([]int32, 0, n)
	rest, err := deltas(b, 32, n, func(length int64) error {
		if length < 0 {
			return fmt.Errorf("a prefix of %d bytes: %w", length, ErrCorrupt)
		}
		prefixes = append(prefixes, int32(length))
		return nil
	})
	if err != nil {
		return 0, err
	}
	k, before, own := 0, int64(0), int64(0)
	rest, err = deltas(rest, 32, n, func(length int64) error {
		prefix := int64(prefixes[k])
		if length < 0 || prefix > before || l.kind == typeFixed && prefix+length != l.length {
			return fmt.Errorf("value %d of %d bytes of the one before, which has %d, and %d of its own: %w", k, prefix, before, length, ErrCorrupt)
		}
		k++
		before = prefix + length
		own += length
		if sum += before; sum > f.limits.PageBytes {
			return fmt.Errorf("values of more than %d bytes: %w", f.limits.PageBytes, ErrLimit)
		}
		return nil
	})
	if err == nil && own != int64(len(rest)) {
		err = fmt.Errorf("values have %d bytes of their own, %d are left: %w", own, len(rest), ErrCorrupt)
	}
	return sum, err
}
