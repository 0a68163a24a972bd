package grib

import (
	"encoding/binary"
	"math/bits"
)

// unpackSimple reads len(dst) numbers of equal width from bit position pos of
// data (template 5.0). The caller has proved that the bits are there.
func unpackSimple(dst []float32, data []byte, pos uint64, width uint, scale scaling, scratch *complexScratch) {
	if width == 0 {
		// Constant field: R itself, as ecCodes and g2c take it, whatever D is.
		constant := float32(scale.reference)
		for i := range dst {
			dst[i] = constant
		}
		return
	}
	if haveLanes && width <= maxLaneWidth {
		done := unpackByLanes(dst, data, pos, width, scale, scratch)
		dst, pos = dst[done:], pos+uint64(done)*uint64(width)
	}
	table := newScaleTable(scale, len(dst), &scratch.table)
	switch {
	case width <= 14 && table.reach(1<<width-1):
		unpackByTable(dst, data, pos, width, table.values)
	case width <= 28:
		unpackPairs(dst, data, pos, width, scale)
	default:
		for i := range dst {
			dst[i] = scale.value(int64(bitsAt(data, pos, width)))
			pos += uint64(width)
		}
	}
}

// fullLoads is how many steps of perLoad numbers may begin with a load of eight
// octets before the end of data comes too near.
func fullLoads(data []byte, pos uint64, width uint, numbers, perLoad int) int {
	if len(data) < 8 {
		return 0
	}
	lastBit := uint64(len(data)-8)*8 + 7
	if pos > lastBit {
		return 0
	}
	loads := (lastBit-pos)/uint64(uint(perLoad)*width) + 1
	return int(min(loads, uint64(numbers/perLoad)))
}

// unpackByTable peels four numbers off each 64-bit load: 7 bits of misalignment
// and 4 x 14 bits fit. Rotation brings each number to the low end with one
// shift count for all.
func unpackByTable(dst []float32, data []byte, pos uint64, width uint, table []float32) {
	mask := uint64(1)<<width - 1
	table = table[:mask+1]
	loads := fullLoads(data, pos, width, len(dst), 4)
	for range loads {
		word := bits.RotateLeft64(binary.BigEndian.Uint64(data[pos>>3:]), int(pos&7+uint64(width)))
		four := (*[4]float32)(dst)
		four[0] = table[word&mask]
		word = bits.RotateLeft64(word, int(width))
		four[1] = table[word&mask]
		word = bits.RotateLeft64(word, int(width))
		four[2] = table[word&mask]
		word = bits.RotateLeft64(word, int(width))
		four[3] = table[word&mask]
		pos += 4 * uint64(width)
		dst = dst[4:]
	}
	for i := range dst {
		dst[i] = table[bitsAt(data, pos, width)]
		pos += uint64(width)
	}
}

// unpackPairs peels two numbers of up to 28 bits off each load.
func unpackPairs(dst []float32, data []byte, pos uint64, width uint, s scaling) {
	mask := uint64(1)<<width - 1
	loads := fullLoads(data, pos, width, len(dst), 2)
	for range loads {
		word := bits.RotateLeft64(binary.BigEndian.Uint64(data[pos>>3:]), int(pos&7+uint64(width)))
		two := (*[2]float32)(dst)
		two[0] = s.value(int64(word & mask))
		word = bits.RotateLeft64(word, int(width))
		two[1] = s.value(int64(word & mask))
		pos += 2 * uint64(width)
		dst = dst[2:]
	}
	for i := range dst {
		dst[i] = s.value(int64(bitsAt(data, pos, width)))
		pos += uint64(width)
	}
}
