package grib

import (
	"encoding/binary"
	"math"
	"math/bits"
	"math/rand/v2"
	"testing"

	"rimeline/ingest/eccodes/lib"
)

// Messages made here, octet by octet as the standard lists them, for what no
// encoder writes: odd groups, huge claims, repeated sections.

func sectionOf(number byte, body ...[]byte) []byte {
	length := 5
	for _, b := range body {
		length += len(b)
	}
	s := binary.BigEndian.AppendUint32(nil, uint32(length))
	s = append(s, number)
	for _, b := range body {
		s = append(s, b...)
	}
	return s
}

func be16(v int) []byte { return binary.BigEndian.AppendUint16(nil, uint16(v)) }
func be32(v int) []byte { return binary.BigEndian.AppendUint32(nil, uint32(v)) }

// signed is a number as sign and absolute value (regulation 92.1.5).
func signed16(v int) []byte {
	if v < 0 {
		return be16(0x8000 | -v)
	}
	return be16(v)
}

func messageOf(discipline byte, parts ...[]byte) []byte {
	length := indicatorSectionLength + len(endSection)
	for _, p := range parts {
		length += len(p)
	}
	b := []byte{'G', 'R', 'I', 'B', 0xff, 0xff, discipline, 2}
	b = binary.BigEndian.AppendUint64(b, uint64(length))
	for _, p := range parts {
		b = append(b, p...)
	}
	return append(b, endSection...)
}

// identificationOf is a section 1: centre missing, 2030-01-15 06 UTC.
func identificationOf() []byte {
	return sectionOf(1, be16(0xffff), be16(0), []byte{30, 0, 1}, be16(2030), []byte{1, 15, 6, 0, 0, 0, 1})
}

// gridOf is a section 3 of template 3.0: ni x nj points, 0.1 degrees apart.
func gridOf(ni, nj int) []byte { return gridClaiming(ni*nj, ni, nj) }

func gridClaiming(points, ni, nj int) []byte {
	return sectionOf(3, []byte{0}, be32(points), []byte{0, 0}, be16(0),
		[]byte{6}, []byte{0xff, 0xff, 0xff, 0xff, 0xff}, []byte{0xff, 0xff, 0xff, 0xff, 0xff}, []byte{0xff, 0xff, 0xff, 0xff, 0xff},
		be32(ni), be32(nj), be32(0), be32(missing32), be32(30_000_000), be32(250_000_000), []byte{0x30},
		be32(30_000_000+100_000*max(nj-1, 0)%60_000_000), be32((250_000_000+100_000*max(ni-1, 0))%360_000_000),
		be32(100_000), be32(100_000), []byte{0x40})
}

// productOf is a section 4 of template 4.0: temperature at 700 hPa, 3 h ahead.
func productOf(category, number byte) []byte {
	return sectionOf(4, be16(0), be16(0), []byte{category, number, 2, 0, 0}, be16(0), []byte{0, 1}, be32(3),
		[]byte{100, 0}, be32(70000), []byte{255, 0xff}, be32(missing32))
}

func simpleOf(values int, reference float32, binary, decimal, width int) []byte {
	return sectionOf(5, be32(values), be16(0), be32(int(math.Float32bits(reference))), signed16(binary), signed16(decimal), []byte{byte(width), 0})
}

var noBitmap = sectionOf(6, []byte{bitmapNone})

// bitWriter packs numbers, most significant bit first.
type bitWriter struct {
	b    []byte
	free uint
}

func (w *bitWriter) write(v uint64, width uint) {
	for k := int(width) - 1; k >= 0; k-- {
		if w.free == 0 {
			w.b, w.free = append(w.b, 0), 8
		}
		w.free--
		w.b[len(w.b)-1] |= byte(v>>k&1) << w.free
	}
}

func (w *bitWriter) align() { w.free = 0 }

// complexShape is how complexOf packs.
type complexShape struct {
	order, missingManagement int
	octets                   int // of the differencing descriptors
	lengths                  []int
	widthReference           int
	lengthReference          int
	lengthIncrement          int
	extraBits                int // more of each width than needed
	reference                float32
	binary, decimal          int
}

const missingNumber = math.MinInt64

// complexOf packs numbers into sections 5 and 7 of template 5.2 (order 0) or
// 5.3; missing ones are missingNumber. It reports false where the shape cannot
// hold them.
func complexOf(numbers []int64, s complexShape) (section5, section7 []byte, ok bool) {
	// Differences, less the smallest of them.
	differences := make([]int64, len(numbers))
	var first []int64
	var last, slope, bias int64
	bias = math.MaxInt64
	for k, v := range numbers {
		if differences[k] = v; v == missingNumber {
			continue
		}
		if len(first) < s.order {
			first = append(first, v)
			slope, last = v-last, v
			differences[k] = 0
			continue
		}
		switch s.order {
		case 1:
			differences[k] = v - last
		case 2:
			differences[k] = v - last - slope
			slope = v - last
		}
		last = v
		bias = min(bias, differences[k])
	}
	if bias == math.MaxInt64 || s.order == 0 {
		bias = 0
	}
	seen := 0
	for k, v := range numbers {
		if v == missingNumber {
			continue
		}
		if seen++; seen > s.order {
			differences[k] -= bias
		}
	}
	// Groups: smallest number, width for the rest and for the codes that mean missing.
	type group struct {
		reference uint64
		width     uint
		numbers   []int64
	}
	var groups []group
	var allMissing []int
	var largest uint64
	maxWidth := uint(0)
	for from := 0; len(groups) < len(s.lengths); {
		g := group{numbers: differences[from : from+s.lengths[len(groups)]]}
		low, high, gap := int64(math.MaxInt64), int64(math.MinInt64), false
		for _, v := range g.numbers {
			if v == missingNumber {
				gap = true
				continue
			}
			low, high = min(low, v), max(high, v)
		}
		switch {
		case high == math.MinInt64 && gap:
			allMissing = append(allMissing, len(groups))
		case high == math.MinInt64: // empty
		default:
			g.reference = uint64(low)
			top := uint64(high - low)
			if gap {
				top += uint64(s.missingManagement)
			}
			g.width = max(uint(bits.Len64(top)), uint(s.widthReference))
			if g.width > 0 {
				g.width += uint(s.extraBits)
			}
			// The top codes mean missing even where nothing is.
			for g.width > 0 && high-low > int64(1)<<g.width-1-int64(s.missingManagement) {
				g.width++
			}
			largest = max(largest, g.reference)
		}
		if high == math.MinInt64 && s.widthReference > 0 {
			g.width = uint(s.widthReference) + 2
		}
		maxWidth = max(maxWidth, g.width)
		from += len(g.numbers)
		groups = append(groups, g)
	}
	referenceBits := uint(bits.Len64(largest + uint64(s.missingManagement)))
	for _, k := range allMissing {
		if groups[k].width == 0 {
			groups[k].reference = 1<<referenceBits - 1
		}
	}
	if maxWidth > 32 || referenceBits > 32 {
		return nil, nil, false
	}
	if s.missingManagement > 0 && (maxWidth > 30 || referenceBits > 30) {
		return nil, nil, false // ecCodes 2.28 computes the codes of missing values in 32 bits, with a sign
	}
	var w bitWriter
	if s.order > 0 {
		for len(first) < s.order {
			first = append(first, 0)
		}
		n := uint(8 * s.octets)
		for _, v := range first {
			if v < 0 || bits.Len64(uint64(v)) > int(n) {
				return nil, nil, false
			}
			w.write(uint64(v), n)
		}
		sign, size := uint64(0), bias
		if bias < 0 {
			sign, size = 1, -bias
		}
		if bits.Len64(uint64(size)) > int(n)-1 {
			return nil, nil, false
		}
		w.write(sign, 1)
		w.write(uint64(size), n-1)
	}
	for _, g := range groups {
		w.write(g.reference, referenceBits)
	}
	w.align()
	widthBits := uint(bits.Len(maxWidth - uint(s.widthReference)))
	for _, g := range groups {
		w.write(uint64(g.width-uint(s.widthReference)), widthBits)
	}
	w.align()
	longest := 0
	for _, n := range s.lengths[:len(s.lengths)-1] {
		scaled := n - s.lengthReference
		if scaled < 0 || scaled%s.lengthIncrement != 0 {
			return nil, nil, false
		}
		longest = max(longest, scaled/s.lengthIncrement)
	}
	lengthBits := uint(bits.Len(uint(longest)))
	for k, n := range s.lengths {
		scaled := uint64(0)
		if k < len(s.lengths)-1 {
			scaled = uint64((n - s.lengthReference) / s.lengthIncrement)
		}
		w.write(scaled, lengthBits)
	}
	w.align()
	for _, g := range groups {
		for k, v := range g.numbers {
			switch {
			case v != missingNumber:
				w.write(uint64(v)-g.reference, g.width)
			case s.missingManagement == 2 && k%2 == 1 && g.width > 0:
				w.write(1<<g.width-2, g.width)
			default:
				w.write(1<<g.width-1, g.width)
			}
		}
	}
	template := 2
	var differencing []byte
	if s.order > 0 {
		template = 3
		differencing = []byte{byte(s.order), byte(s.octets)}
	}
	section5 = sectionOf(5, be32(len(numbers)), be16(template), be32(int(math.Float32bits(s.reference))),
		signed16(s.binary), signed16(s.decimal), []byte{byte(referenceBits), 0, 1, byte(s.missingManagement)}, be32(missing32), be32(missing32),
		be32(len(groups)), []byte{byte(s.widthReference), byte(widthBits)}, be32(s.lengthReference), []byte{byte(s.lengthIncrement)},
		be32(s.lengths[len(s.lengths)-1]), []byte{byte(lengthBits)}, differencing)
	return section5, sectionOf(7, w.b), true
}

// randomShape draws numbers and groups; the kinds of numbers reach from constant
// to 2^31.
func randomShape(r *rand.Rand) ([]int64, complexShape) {
	s := complexShape{
		order: r.IntN(3), missingManagement: r.IntN(3), octets: 1 + r.IntN(4),
		lengthIncrement: 1 + r.IntN(3), lengthReference: r.IntN(4), extraBits: r.IntN(3) * r.IntN(2),
		reference: float32(r.NormFloat64() * 300), binary: r.IntN(12) - 8, decimal: r.IntN(7) - 2,
	}
	if r.IntN(4) == 0 {
		s.widthReference = r.IntN(3)
	}
	groups, total := 1+r.IntN(900), 0
	for k := range groups {
		n := s.lengthReference + s.lengthIncrement*r.IntN(1+r.IntN(12))
		if r.IntN(200) == 0 {
			n = s.lengthReference + s.lengthIncrement*r.IntN(6000) // longer than a chunk
		}
		if k == groups-1 {
			n = r.IntN(40)
		}
		s.lengths, total = append(s.lengths, n), total+n
	}
	numbers := make([]int64, total)
	top := int64(1) << (1 + r.IntN(8*s.octets-1))
	step := max(1, top>>(2+r.IntN(10)))
	v := top / 2
	gaps := s.missingManagement > 0 && r.IntN(4) > 0
	for k := range numbers {
		v = min(max(v+r.Int64N(2*step+1)-step, 0), top-1)
		if numbers[k] = v; gaps && (r.IntN(9) == 0 || k%257 < 40) {
			numbers[k] = missingNumber
		}
	}
	return numbers, s
}

// Random groups of all shapes come out as they went in, and as ecCodes reads
// them: widths from 0 to 32 bits, empty groups, groups longer than the working
// memory, missing values of both kinds, both orders of differences.
func TestComplexPackingOfAnyShape(t *testing.T) { complexPackingOfAnyShape(t, 200) }

func complexPackingOfAnyShape(t *testing.T, shapes int) {
	r := rand.New(rand.NewPCG(2030, 1))
	packed, wide, missing := 0, 0, 0
	for packed < shapes {
		numbers, shape := randomShape(r)
		section5, section7, ok := complexOf(numbers, shape)
		if !ok || len(numbers) == 0 {
			continue
		}
		packed++
		b := messageOf(0, identificationOf(), gridOf(len(numbers), 1), productOf(0, 0), section5, noBitmap, section7)
		messages, err := Messages("made", b)
		if err != nil {
			t.Fatal(err)
		}
		got, err := inFileOrder(messages[0])
		if err != nil {
			t.Fatalf("%v\n%+v", err, shape)
		}
		oracle, err := lib.DecodeGRIB(b)
		if err != nil {
			t.Fatal(err)
		}
		for k, n := range numbers {
			want := float32(math.NaN())
			if n != missingNumber {
				// Regulation 92.9.4; the powers are exact enough at these exponents
				// for one unit in the last place.
				want = float32((float64(shape.reference) + float64(n)*math.Ldexp(1, shape.binary)) / math.Pow(10, float64(shape.decimal)))
			} else {
				missing++
			}
			if n >= 1<<29 {
				wide++
			}
			if got[k] != want && got[k] != math.Nextafter32(want, got[k]) && (n != missingNumber || got[k] == got[k]) {
				t.Fatalf("number %d of %d: %v, want %v (packed %d)\n%+v", k, len(numbers), got[k], want, n, shape)
			}
			if o := float32(oracle[k]); math.Float32bits(got[k]) != math.Float32bits(o) && (o == o || got[k] == got[k]) {
				t.Fatalf("number %d of %d: %v, ecCodes has %v\n%+v", k, len(numbers), got[k], o, shape)
			}
		}
		if packed%5 == 0 {
			checkWindows(t, messages[0], r)
		}
	}
	if wide == 0 || missing == 0 {
		t.Errorf("%d numbers above 2^29 and %d missing: the shapes do not reach far enough", wide, missing)
	}
}
