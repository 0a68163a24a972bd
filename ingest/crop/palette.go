package crop

import (
	"math"
	"math/bits"
	"slices"
)

// palette is a list of the different values of an array, as the bits of float32
// in rising order. An array is then the list and, for each point, a number in
// it. Neighbours have neighbouring values, hence numbers that are close: what is
// kept is the difference to west + north - southwest's opposite corner
// (the plane through three neighbours), folded so that small ones of both
// signs are small. Grids packed to some decimals have a few hundred different
// values in a crop of ten thousand points.
type palette struct {
	values []uint32
	// slots is a hash table of the values: their number + 1, 0 where free.
	slots []uint32
	shift uint
}

// maxColours is what fits in 16 bits.
const maxColours = 1 << 16

// paletteOf fails where the list would not pay: above one value in three points.
func paletteOf(xs []float32) (palette, bool) {
	most := min(len(xs)/3, maxColours)
	if most < 1 {
		return palette{}, false
	}
	log := uint(bits.Len(uint(2*most - 1)))
	p := palette{slots: make([]uint32, 1<<log), shift: 32 - log}
	last := math.Float32bits(xs[0])
	p.add(last)
	for _, x := range xs[1:] {
		if b := math.Float32bits(x); b != last {
			last = b
			if p.add(b); len(p.values) > most {
				return palette{}, false
			}
		}
	}
	slices.Sort(p.values)
	clear(p.slots)
	for k, b := range p.values {
		slot := p.slot(b)
		for p.slots[slot] != 0 {
			slot = (slot + 1) & (uint32(len(p.slots)) - 1)
		}
		p.slots[slot] = uint32(k) + 1
	}
	return p, true
}

// slot by Fibonacci hashing (Knuth, The Art of Computer Programming 3, 6.4).
func (p *palette) slot(b uint32) uint32 {
	if p.shift >= 32 {
		return 0
	}
	return b * 2654435769 >> p.shift
}

func (p *palette) add(b uint32) {
	slot := p.slot(b)
	for {
		switch at := p.slots[slot]; {
		case at == 0:
			p.values = append(p.values, b)
			p.slots[slot] = uint32(len(p.values))
			return
		case p.values[at-1] == b:
			return
		}
		slot = (slot + 1) & (uint32(len(p.slots)) - 1)
	}
}

func (p *palette) number(b uint32) uint32 {
	slot := p.slot(b)
	for {
		if at := p.slots[slot]; p.values[at-1] == b {
			return at - 1
		}
		slot = (slot + 1) & (uint32(len(p.slots)) - 1)
	}
}

// numberBytes is 1 or 2.
func (p *palette) numberBytes() int {
	if len(p.values) <= 1<<8 {
		return 1
	}
	return 2
}

// bytes of list and n numbers.
func (p *palette) bytes(n int) int { return 4*len(p.values) + p.numberBytes()*n }

// write fills b with the list, as differences, and the numbers of all points,
// both shuffled.
func (p *palette) write(b []byte, xs []float32, ni int) {
	m, before := len(p.values), uint32(0)
	for k, value := range p.values {
		d := value - before
		before = value
		b[k], b[m+k], b[2*m+k], b[3*m+k] = byte(d), byte(d>>8), byte(d>>16), byte(d>>24)
	}
	numbers := make([]uint16, len(xs))
	last, number := math.Float32bits(xs[0]), p.number(math.Float32bits(xs[0]))
	for k, x := range xs {
		if bits := math.Float32bits(x); bits != last {
			last, number = bits, p.number(bits)
		}
		numbers[k] = uint16(number)
	}
	low := b[4*m : 4*m+len(xs)]
	if p.numberBytes() == 1 {
		differences(numbers, ni, func(k int, d uint16) {
			s := int8(d)
			low[k] = byte(s<<1) ^ byte(s>>7)
		})
		return
	}
	high := b[4*m+len(xs):][:len(xs)]
	differences(numbers, ni, func(k int, d uint16) {
		s := int16(d)
		folded := uint16(s<<1) ^ uint16(s>>15)
		low[k], high[k] = byte(folded), byte(folded>>8)
	})
}

// differences gives, for each number, that to the plane through its neighbours
// in front; it wraps around.
func differences(numbers []uint16, ni int, put func(k int, d uint16)) {
	for k := range numbers {
		put(k, numbers[k]-foreseen(numbers, k, ni))
	}
}

func foreseen(numbers []uint16, k, ni int) uint16 {
	switch first := k%ni == 0; {
	case k >= ni && !first:
		return numbers[k-1] + numbers[k-ni] - numbers[k-ni-1]
	case !first:
		return numbers[k-1]
	case k >= ni:
		return numbers[k-ni]
	}
	return 0
}

// read is the way back; false where a number is not in the list. The list has
// its length already.
func (p *palette) read(b []byte, xs []float32, ni int) bool {
	m, value := len(p.values), uint32(0)
	for k := range p.values {
		value += uint32(b[k]) | uint32(b[m+k])<<8 | uint32(b[2*m+k])<<16 | uint32(b[3*m+k])<<24
		p.values[k] = value
	}
	one := p.numberBytes() == 1
	low := b[4*m : 4*m+len(xs)]
	var high []byte
	if !one {
		high = b[4*m+len(xs):][:len(xs)]
	}
	mask := uint16(math.MaxUint16)
	if one {
		mask = math.MaxUint8
	}
	numbers := make([]uint16, len(xs))
	for k := range numbers {
		folded := uint16(low[k])
		if !one {
			folded |= uint16(high[k]) << 8
		}
		d := folded>>1 ^ -(folded & 1)
		number := (foreseen(numbers, k, ni) + d) & mask
		if int(number) >= m {
			return false
		}
		numbers[k] = number
		xs[k] = math.Float32frombits(p.values[number])
	}
	return true
}
