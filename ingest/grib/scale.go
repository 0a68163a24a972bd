package grib

import "math/bits"

// scaling turns packed integers into values: regulation 92.9.4,
//
//	Y x 10^D = R + X x 2^E
//
// computed as ecCodes does, in float64, and rounded to float32 once.
type scaling struct {
	reference float64 // R
	binary    float64 // 2^E
	decimal   float64 // 10^-D
}

func newScaling(reference float32, binaryExponent, decimalExponent int) scaling {
	return scaling{
		reference: float64(reference),
		binary:    power(2, binaryExponent),
		decimal:   power(10, -decimalExponent),
	}
}

// power multiplies or divides step by step. math.Pow10 is nearer to the truth
// for large exponents, but then the last bit would differ from ecCodes.
func power(base float64, exponent int) float64 {
	p := 1.0
	for ; exponent < 0; exponent++ {
		p /= base
	}
	for ; exponent > 0; exponent-- {
		p *= base
	}
	return p
}

// value converts one packed integer. The inner conversion to float64 keeps
// compilers from fusing multiplication and addition, which rounds otherwise.
func (s *scaling) value(x int64) float32 {
	return float32((float64(float64(x)*s.binary) + s.reference) * s.decimal)
}

// Most fields are packed into far fewer steps than they have points. A table
// of all steps then replaces two multiplications, an addition and two
// conversions a point by one load.
const (
	tableBits = 15
	tableSize = 1 << tableBits // 128 KiB: fits a second-level cache
)

// scaleTable holds the values of the packed integers below its length, and
// grows as larger ones are met.
type scaleTable struct {
	scaling
	values []float32 // length 0 or a power of two
	// ceiling keeps the table below the number of points that use it.
	ceiling int
	store   *[tableSize]float32
}

func newScaleTable(s scaling, points int, store *[tableSize]float32) scaleTable {
	return scaleTable{scaling: s, values: store[:0], ceiling: min(points, tableSize), store: store}
}

// reach extends the table so that it holds x, and reports false where it may
// not become so large.
func (t *scaleTable) reach(x uint64) bool {
	if x < uint64(len(t.values)) {
		return true
	}
	if x >= uint64(t.ceiling) {
		return false
	}
	size := min(1<<bits.Len64(x), tableSize)
	old := len(t.values)
	t.values = t.store[:size]
	for k := old; k < size; k++ {
		t.values[k] = t.value(int64(k))
	}
	return true
}
