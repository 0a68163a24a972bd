package grib

import "encoding/binary"

// bitReader reads unsigned numbers of any width up to 32 bits, most significant
// bit first. The caller proves beforehand that the bits are there.
type bitReader struct {
	b   []byte
	pos uint64 // in bits
}

func (r *bitReader) read(width uint) uint64 {
	v := bitsAt(r.b, r.pos, width)
	r.pos += uint64(width)
	return v
}

// bitsAt gives the width (at most 32) bits at bit position pos. Bits past the
// end of b read as zero.
func bitsAt(b []byte, pos uint64, width uint) uint64 {
	if width == 0 {
		return 0
	}
	first := pos >> 3
	if first+8 <= uint64(len(b)) {
		word := binary.BigEndian.Uint64(b[first:])
		return word << (pos & 7) >> (64 - width)
	}
	var word uint64
	for k := uint64(0); k < 8; k++ {
		word <<= 8
		if first+k < uint64(len(b)) {
			word |= uint64(b[first+k])
		}
	}
	return word << (pos & 7) >> (64 - width)
}

// octets is how many octets hold some bits.
func octets(bits uint64) uint64 { return (bits + 7) / 8 }
