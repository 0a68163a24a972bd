package rehearsal

import (
	"encoding/binary"
	"math"
)

// gribMessage puts the bodies of sections together. There is never a bit map.
func gribMessage(discipline byte, s1, s3, s4, s5, s7 []byte) []byte {
	length := gribMessageBytes(s1, s3, s4, s5, s7)
	out := make([]byte, 0, length)
	out = append(out, 'G', 'R', 'I', 'B', 0xff, 0xff, discipline, 2)
	out = binary.BigEndian.AppendUint64(out, uint64(length))
	for _, section := range []struct {
		number byte
		body   []byte
	}{{1, s1}, {3, s3}, {4, s4}, {5, s5}, {6, []byte{255}}, {7, s7}} {
		out = binary.BigEndian.AppendUint32(out, uint32(len(section.body)+5))
		out = append(append(out, section.number), section.body...)
	}
	return append(out, "7777"...)
}

func gribMessageBytes(s1, s3, s4, s5, s7 []byte) int {
	return 16 + 4 + 6*5 + len(s1) + len(s3) + len(s4) + len(s5) + 1 + len(s7)
}

// lambertSection is section 3 with template 3.30: a square of n by n points on a
// cone tangent at parallelDeg, rows to the north, winds along the grid.
func lambertSection(n int, spacingM, firstLatitudeDeg, firstLongitudeDeg, parallelDeg, meridianDeg float64) []byte {
	u8 := func(b []byte, v ...byte) []byte { return append(b, v...) }
	u16, u32 := binary.BigEndian.AppendUint16, binary.BigEndian.AppendUint32
	var s3 []byte
	s3 = u8(s3, 0)
	s3 = u32(s3, uint32(n*n))
	s3 = u8(s3, 0, 0)
	s3 = u16(s3, 30)
	s3 = u8(s3, 6, 255)
	s3 = u32(s3, 0xffffffff)
	s3 = u8(s3, 255)
	s3 = u32(s3, 0xffffffff)
	s3 = u8(s3, 255)
	s3 = u32(s3, 0xffffffff)
	s3 = u32(s3, uint32(n))
	s3 = u32(s3, uint32(n))
	s3 = u32(s3, microDeg(firstLatitudeDeg))
	s3 = u32(s3, microDeg(fullTurnDeg(firstLongitudeDeg)))
	s3 = u8(s3, 0x08) // winds along the grid
	s3 = u32(s3, microDeg(parallelDeg))
	s3 = u32(s3, microDeg(fullTurnDeg(meridianDeg)))
	s3 = u32(s3, uint32(math.Round(spacingM*1000)))
	s3 = u32(s3, uint32(math.Round(spacingM*1000)))
	s3 = u8(s3, 0, 0x40) // rows to the north
	s3 = u32(s3, microDeg(parallelDeg))
	s3 = u32(s3, microDeg(parallelDeg))
	s3 = u32(s3, signMagnitude32(-90e6))
	return u32(s3, 0)
}

func microDeg(deg float64) uint32 { return signMagnitude32(int64(math.Round(deg * 1e6))) }

func fullTurnDeg(deg float64) float64 { return math.Mod(deg+360, 360) }

// wordsSections5And7 packs values into words of 16 bits, whatever their range:
// template 5.0 with Y = R + X 2^E. So the length of a message depends on the
// number of points alone. The error is at most half a step and the rounding of R
// to 32 bits.
func wordsSections5And7(values []float64) (s5, s7 []byte) {
	low, high := math.Inf(1), math.Inf(-1)
	for _, v := range values {
		low, high = math.Min(low, v), math.Max(high, v)
	}
	reference := float32(low)
	if float64(reference) > low { // R may not exceed the smallest value
		reference = math.Nextafter32(reference, float32(math.Inf(-1)))
	}
	exponent := 0
	if span := high - float64(reference); span > 0 {
		exponent = int(math.Ceil(math.Log2(span / math.MaxUint16)))
	}
	s5 = binary.BigEndian.AppendUint32(nil, uint32(len(values)))
	s5 = binary.BigEndian.AppendUint16(s5, 0)
	s5 = binary.BigEndian.AppendUint32(s5, math.Float32bits(reference))
	s5 = binary.BigEndian.AppendUint16(s5, signMagnitude16(exponent))
	s5 = binary.BigEndian.AppendUint16(s5, 0)
	s5 = append(s5, 16, 0)
	s7 = make([]byte, 0, 2*len(values))
	perStep := math.Ldexp(1, -exponent)
	for _, v := range values {
		x := math.Round((v - float64(reference)) * perStep)
		s7 = binary.BigEndian.AppendUint16(s7, uint16(min(x, math.MaxUint16)))
	}
	return s5, s7
}
