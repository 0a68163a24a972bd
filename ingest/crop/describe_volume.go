package crop

import (
	"math"
	"time"

	"rimeline/grid"
)

func (c *coder) volume(v *grid.Volume) {
	defer c.within("volume")()
	c.text(&v.Radar)
	c.float64s(&v.Antenna.LatitudeDeg, &v.Antenna.LongitudeDeg, &v.Antenna.AltitudeM, &v.TowerHeightM, &v.BeamwidthDeg)
	c.time(&v.Time)
	c.int(&v.VolumeCoveragePattern)
	c.bool(&v.Complete)
	list(c, "note", &v.Notes, 1, c.text)
	c.packingList(v)
	pointed(c, "sweep", &v.Sweeps, 40, c.sweep)
}

// packingKey tells packings apart.
type packingKey struct {
	wordBits                             int
	signed, float                        bool
	factorBits, addendBits               uint64
	belowThreshold, rangeFolded, missing int64
}

func keyOf(p *grid.Packing) packingKey {
	return packingKey{p.WordBits, p.Signed, p.Float, math.Float64bits(p.Factor), math.Float64bits(p.Addend), p.BelowThreshold, p.RangeFolded, p.Missing}
}

// packingList puts the different packings in front; rows then name theirs by
// number.
func (c *coder) packingList(v *grid.Volume) {
	if c.writing {
		c.packingOf = make(map[packingKey]int)
		last := (*grid.Packing)(nil)
		for _, s := range v.Sweeps {
			if s == nil {
				continue
			}
			for _, m := range s.Moments {
				if m == nil {
					continue
				}
				for k := range m.Rows {
					p := m.Rows[k].Packing
					if p == nil || p == last {
						continue
					}
					last = p
					if _, known := c.packingOf[keyOf(p)]; !known {
						c.packings = append(c.packings, p)
						c.packingOf[keyOf(p)] = len(c.packings)
					}
				}
			}
		}
	}
	pointed(c, "packing", &c.packings, 20, func(p *grid.Packing) {
		c.int(&p.WordBits)
		c.bool(&p.Signed)
		c.bool(&p.Float)
		c.float64s(&p.Factor, &p.Addend)
		c.int64(&p.BelowThreshold)
		c.int64(&p.RangeFolded)
		c.int64(&p.Missing)
		if p.WordBits != 8 && p.WordBits != 16 && p.WordBits != 32 {
			c.fail("words of %d bits, want 8, 16 or 32", p.WordBits)
		}
	})
}

func (c *coder) sweep(s *grid.Sweep) {
	c.int(&s.Number)
	texts(c, &s.Mode)
	c.float64s(&s.ElevationDeg, &s.TargetElevationDeg, &s.NyquistVelocityMPerS, &s.UnambiguousRangeM)
	c.time(&s.Start)
	c.time(&s.End)
	c.bool(&s.Complete)
	c.radials(&s.Radials)
	pointed(c, "moment", &s.Moments, 20, func(m *grid.Moment) { c.moment(m, len(s.Radials)) })
}

// maxRadials bounds a sweep; a radar's has up to some hundreds.
const maxRadials = 1 << 17

// radialNumbers are the columns that radials are kept in.
func radialNumbers(r *grid.Radial) [5]*float32 {
	return [...]*float32{&r.AzimuthDeg, &r.ElevationDeg, &r.SpacingDeg, &r.NyquistVelocityMPerS, &r.UnambiguousRangeM}
}

func (c *coder) radials(radials *[]grid.Radial) {
	n, isNil := c.length("radials", len(*radials), *radials == nil, 1)
	if n > maxRadials {
		c.fail("%d radials, at most %d", n, maxRadials)
		return
	}
	if !c.writing {
		if *radials = nil; !isNil {
			*radials = make([]grid.Radial, n)
		}
	}
	column := make([]float32, n)
	for which := range 5 {
		if c.writing {
			for k := range column {
				column[k] = *radialNumbers(&(*radials)[k])[which]
			}
		}
		if c.floats(&column, 0); len(column) != n {
			c.fail("%d values for %d radials", len(column), n)
		}
		if c.err != nil {
			return
		}
		if !c.writing {
			for k := range column {
				*radialNumbers(&(*radials)[k])[which] = column[k]
			}
		}
	}
	c.times(n, func(k int) *time.Time { return &(*radials)[k].Time })
}

// times are kept as differences in the widest unit that all are multiples of,
// where they lie within the reach of nanoseconds about 1970; else each by itself.
func (c *coder) times(n int, at func(int) *time.Time) {
	unit := uint64(time.Second)
	if c.writing {
		for k := range n {
			t := at(k)
			if year := t.UTC().Year(); year < 1700 || year > 2250 {
				unit = 0
				break
			}
			for t.UnixNano()%int64(unit) != 0 {
				unit /= 1000
			}
		}
	}
	c.count(&unit)
	switch unit {
	case 0:
		for k := range n {
			c.time(at(k))
		}
		return
	case 1, 1e3, 1e6, 1e9:
	default:
		c.fail("times in units of %d nanoseconds", unit)
		return
	}
	before := int64(0)
	for k := range n {
		var difference int64
		if c.writing {
			now := at(k).UnixNano() / int64(unit)
			difference, before = now-before, now
		}
		if c.int64(&difference); c.err != nil {
			return
		}
		if c.writing {
			continue
		}
		before += difference
		if most := int64(math.MaxInt64 / unit); before > most || before < -most {
			c.fail("time %d out of range", before)
			return
		}
		*at(k) = time.Unix(0, before*int64(unit)).UTC()
	}
}

// maxGates bounds a radial; radars have up to some thousands.
const maxGates = 1 << 17

func (c *coder) moment(m *grid.Moment, radials int) {
	texts(c, &m.Name, &m.StandardName, &m.Units, &m.FieldName)
	c.float64s(&m.FirstGateM, &m.GateSpacingM)
	c.size("gates", &m.Gates, maxGates)
	n, isNil := c.length("rows", len(m.Rows), m.Rows == nil, 3)
	if n != radials {
		c.fail("%d rows for %d radials", n, radials)
	}
	if c.err != nil {
		return
	}
	if !c.writing && !isNil {
		m.Rows = make([]grid.GateRow, n)
	}
	c.rows(m)
}

// rows keeps packing, length and trailing zeros of each row in META, and the
// words of all rows as one array.
func (c *coder) rows(m *grid.Moment) {
	width, total := 0, 0
	lengths := make([]int, len(m.Rows))
	for k := range m.Rows {
		row := &m.Rows[k]
		number := uint64(0)
		if c.writing && row.Packing != nil {
			number = uint64(c.packingOf[keyOf(row.Packing)])
		}
		length := uint64(len(row.Raw)) + 1
		if row.Raw == nil {
			length = 0
		}
		c.count(&number)
		c.count(&length)
		c.size("gates of word 0", &row.ZeroGates, maxGates)
		if length > 4*maxGates+1 || number > uint64(len(c.packings)) {
			c.fail("row %d: %d bytes in packing %d of %d", k+1, length, number, len(c.packings))
		}
		if c.err != nil {
			return
		}
		if !c.writing && number > 0 {
			row.Packing = c.packings[number-1]
		}
		lengths[k] = int(length) - 1
		total += max(lengths[k], 0)
		bytes := 1
		if row.Packing != nil {
			bytes = row.Packing.WordBits / 8
			if gates := max(lengths[k], 0)/bytes + row.ZeroGates; gates > m.Gates {
				c.fail("row %d: %d gates, the moment has %d", k+1, gates, m.Gates)
				return
			}
		}
		if lengths[k] > 0 {
			if width == 0 {
				width = bytes
			} else if width != bytes {
				width = 1
			}
		}
	}
	if _, isNil := c.array(total, false, 1, 1); isNil || c.err != nil {
		return
	}
	if !c.writing && int64(total) > c.rawLeft {
		c.fail("rows of %d bytes, %d left", total, c.rawLeft)
		return
	}
	raw := make([]byte, 0, total)
	if c.writing {
		for k := range m.Rows {
			raw = append(raw, m.Rows[k].Raw...)
		}
	}
	raw = raw[:total]
	if c.words(raw, max(width, 1)); c.writing || c.err != nil {
		return
	}
	for k, n := range lengths {
		if n >= 0 {
			m.Rows[k].Raw, raw = raw[:n:n], raw[n:]
		}
	}
}
