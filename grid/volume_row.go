package grid

import (
	"encoding/binary"
	"math"
)

// Row scales the gates of one radial into dst, which grows to Gates values, and
// returns it. What is no measurement is NaN; StateOf tells its kind. A radial
// that the moment does not have is all not covered.
func (m *Moment) Row(radial int, dst []float32) []float32 {
	if cap(dst) < m.Gates {
		dst = make([]float32, m.Gates)
	}
	dst = dst[:m.Gates]
	n := 0
	if radial >= 0 && radial < len(m.Rows) {
		n = m.Rows[radial].decode(dst)
	}
	missing := NotCovered.Value()
	for k := n; k < len(dst); k++ {
		dst[k] = missing
	}
	return dst
}

// At is one gate of Row.
func (m *Moment) At(radial, gate int) float32 {
	if radial < 0 || radial >= len(m.Rows) || gate < 0 || gate >= m.Gates {
		return NotCovered.Value()
	}
	row := m.Rows[radial]
	if row.Packing == nil {
		return NotCovered.Value()
	}
	bytes := row.Packing.WordBits / 8
	switch {
	case gate >= row.Gates():
		return NotCovered.Value()
	case gate >= row.stored():
		return row.Packing.tables().zeros[0]
	}
	var one [1]float32
	GateRow{Raw: row.Raw[gate*bytes : (gate+1)*bytes], Packing: row.Packing}.decode(one[:])
	return one[0]
}

// Gates is the number of gates that the radial stored.
func (r GateRow) Gates() int {
	if r.Packing == nil || r.Packing.WordBits < 8 {
		return 0
	}
	return r.stored() + max(r.ZeroGates, 0)
}

// stored is the number of gates in Raw.
func (r GateRow) stored() int { return len(r.Raw) / (r.Packing.WordBits / 8) }

// decode scales as many gates as fit and returns their number.
func (r GateRow) decode(dst []float32) int {
	all := min(r.Gates(), len(dst))
	if all == 0 {
		return 0
	}
	n := min(r.stored(), all)
	if n < all {
		fill(dst[n:all], &r.Packing.tables().zeros)
	}
	p, raw := r.Packing, r.Raw
	switch {
	case p.WordBits == 8:
		decodeBytes(dst[:n], raw[:n], p.tables())
	case p.WordBits == 16:
		decodeWords(dst[:n], raw[:2*n], p, p.tables())
	case p.WordBits == 32 && p.Float:
		for k := range n {
			dst[k] = p.float(math.Float32frombits(binary.BigEndian.Uint32(raw[4*k:])))
		}
	case p.WordBits == 32:
		for k := range n {
			word := int64(binary.BigEndian.Uint32(raw[4*k:]))
			if p.Signed {
				word = int64(int32(word))
			}
			dst[k] = p.value(word)
		}
	default:
		return 0
	}
	return all
}

const (
	zeroRun    = 256
	wordsTable = 1024 // as far as the 10 bits of a differential phase reach
)

// packingTables hold what the commonest words mean.
type packingTables struct {
	bytes [256]float32        // words of 8 bits
	words [wordsTable]float32 // and the lowest of 16 bits
	zeros [zeroRun]float32    // the word 0, many times
}

func (p *Packing) tables() *packingTables {
	p.once.Do(func() {
		t := new(packingTables)
		for k := range t.bytes {
			word := int64(k)
			if p.Signed {
				word = int64(int8(k))
			}
			t.bytes[k] = p.value(word)
		}
		for k := range t.words {
			t.words[k] = p.value(int64(k))
		}
		for k := range t.zeros {
			if t.zeros[k] = p.value(0); p.Float {
				t.zeros[k] = p.float(0)
			}
		}
		p.table = t
	})
	return p.table
}

func (p *Packing) value(word int64) float32 {
	switch word {
	case p.Missing:
		return NotCovered.Value()
	case p.BelowThreshold:
		return BelowThreshold.Value()
	case p.RangeFolded:
		return RangeFolded.Value()
	}
	return float32(float64(word)*p.Factor + p.Addend)
}

func (p *Packing) float(word float32) float32 {
	is := func(code int64) bool { return code != NoCode && float64(word) == float64(code) }
	switch {
	case word != word || is(p.Missing):
		return NotCovered.Value()
	case is(p.BelowThreshold):
		return BelowThreshold.Value()
	case is(p.RangeFolded):
		return RangeFolded.Value()
	}
	return float32(float64(word)*p.Factor + p.Addend)
}

// Most of a radar's gates hold no echo, so their words are 0 for long stretches:
// those are found eight bytes at a time and filled by copying.

// zeroBytes counts the bytes in front that are 0, in steps of eight.
func zeroBytes(raw []byte) int {
	n := 0
	for len(raw)-n >= 8 && binary.NativeEndian.Uint64(raw[n:]) == 0 {
		n += 8
	}
	return n
}

func fill(dst []float32, with *[zeroRun]float32) {
	for len(dst) > 0 {
		dst = dst[copy(dst, with[:]):]
	}
}

func decodeBytes(dst []float32, raw []byte, t *packingTables) {
	table := &t.bytes
	raw = raw[:len(dst)]
	for len(dst) >= 8 {
		d, r := (*[8]float32)(dst), (*[8]byte)(raw)
		if binary.NativeEndian.Uint64(r[:]) == 0 {
			n := zeroBytes(raw)
			fill(dst[:n], &t.zeros)
			dst, raw = dst[n:], raw[n:]
			continue
		}
		d[0], d[1], d[2], d[3] = table[r[0]], table[r[1]], table[r[2]], table[r[3]]
		d[4], d[5], d[6], d[7] = table[r[4]], table[r[5]], table[r[6]], table[r[7]]
		dst, raw = dst[8:], raw[8:]
	}
	for k, word := range raw {
		dst[k] = table[word]
	}
}

func decodeWords(dst []float32, raw []byte, p *Packing, t *packingTables) {
	raw = raw[:2*len(dst)]
	for len(dst) >= 4 {
		d, r := (*[4]float32)(dst), (*[8]byte)(raw)
		if binary.NativeEndian.Uint64(r[:]) == 0 {
			n := zeroBytes(raw)
			fill(dst[:n/2], &t.zeros)
			dst, raw = dst[n/2:], raw[n:]
			continue
		}
		d[0], d[1] = p.word(t, r[0], r[1]), p.word(t, r[2], r[3])
		d[2], d[3] = p.word(t, r[4], r[5]), p.word(t, r[6], r[7])
		dst, raw = dst[4:], raw[8:]
	}
	for k := range dst {
		dst[k] = p.word(t, raw[2*k], raw[2*k+1])
	}
}

func (p *Packing) word(t *packingTables, high, low byte) float32 {
	word := uint(high)<<8 | uint(low)
	if word < uint(len(t.words)) {
		return t.words[word]
	}
	if p.Signed {
		return p.value(int64(int16(word)))
	}
	return p.value(int64(word))
}

// MomentStatistics counts and sums up the gates of a moment over a sweep. Gates
// that a radial lacks, of those the moment has, are NotCovered.
type MomentStatistics struct {
	Min, Max, Mean                                 float64 // NaN where nothing is valid
	Valid, BelowThreshold, RangeFolded, NotCovered int
}

// Statistics goes through all gates of the moment.
func (m *Moment) Statistics() MomentStatistics {
	s := MomentStatistics{Min: math.Inf(1), Max: math.Inf(-1)}
	sum := 0.0
	row := make([]float32, m.Gates)
	for k := range m.Rows {
		row = m.Row(k, row)
		for _, value := range row {
			if value == value {
				s.Valid++
				s.Min, s.Max = min(s.Min, float64(value)), max(s.Max, float64(value))
				sum += float64(value)
				continue
			}
			switch StateOf(value) {
			case BelowThreshold:
				s.BelowThreshold++
			case RangeFolded:
				s.RangeFolded++
			default:
				s.NotCovered++
			}
		}
	}
	s.Mean = sum / float64(s.Valid)
	if s.Valid == 0 {
		s.Min, s.Max, s.Mean = math.NaN(), math.NaN(), math.NaN()
	}
	return s
}
