package radar

import (
	"cmp"
	"math"
	"slices"

	"rimeline/grid"
)

// polarSweep makes one moment of a sweep quick to read at any direction and
// range: radials by azimuth, and one table of values for each packing.
type polarSweep struct {
	index        int // in Volume.Sweeps
	sweep        *grid.Sweep
	moment       *grid.Moment
	elevationDeg float64
	reachM       float64
	// By radial.
	sinEl, cosEl []float64
	tables       []*valueTable
	// In order of azimuth.
	azimuthDeg []float64
	radial     []int
	// before is, for each tenth of a degree, how many azimuths lie at or before
	// its beginning.
	before [3601]int32
}

// valueTable holds the value of every word of a packing: the moment or, for
// reflectivity, Z in mm⁶ m⁻³; NaN of the gate's state where none was measured.
type valueTable struct {
	wordBytes int
	values    []float32 // nil for words of 32 bits
}

// newPolarSweep is nil where nothing can be read from the sweep.
func newPolarSweep(index int, s *grid.Sweep, m *grid.Moment) *polarSweep {
	if !(m.GateSpacingM > 0) || !isFinite(m.GateSpacingM, m.FirstGateM) || m.Gates < 1 || len(m.Rows) == 0 {
		return nil
	}
	p := &polarSweep{index: index, sweep: s, moment: m, elevationDeg: s.ElevationDeg,
		reachM: m.GateRangeM(m.Gates - 1)}
	n := min(len(s.Radials), len(m.Rows))
	sum, count := 0.0, 0
	for _, r := range s.Radials[:n] {
		if el := float64(r.ElevationDeg); isFinite(el) {
			sum, count = sum+el, count+1
		}
	}
	if !isFinite(p.elevationDeg) {
		p.elevationDeg = sum / float64(count)
	}
	if !isFinite(p.elevationDeg) || math.Abs(p.elevationDeg) > 90 {
		return nil
	}
	p.sinEl, p.cosEl, p.tables = make([]float64, n), make([]float64, n), make([]*valueTable, n)
	known := make(map[*grid.Packing]*valueTable)
	for k, r := range s.Radials[:n] {
		el := float64(r.ElevationDeg)
		if !isFinite(el) {
			el = p.elevationDeg
		}
		p.sinEl[k], p.cosEl[k] = math.Sincos(el * radPerDeg)
		if packing := m.Rows[k].Packing; packing != nil {
			table, ok := known[packing]
			if !ok {
				table = newValueTable(packing, m.Name == grid.MomentReflectivity)
				known[packing] = table
			}
			p.tables[k] = table
		}
		if azimuth := math.Mod(float64(r.AzimuthDeg), 360); isFinite(azimuth) {
			if azimuth < 0 {
				azimuth += 360
			}
			p.azimuthDeg, p.radial = append(p.azimuthDeg, azimuth), append(p.radial, k)
		}
	}
	order := make([]int, len(p.radial))
	for k := range order {
		order[k] = k
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(p.azimuthDeg[a], p.azimuthDeg[b]) })
	azimuths, radials := make([]float64, len(order)), make([]int, len(order))
	for k, o := range order {
		azimuths[k], radials[k] = p.azimuthDeg[o], p.radial[o]
	}
	p.azimuthDeg, p.radial = azimuths, radials
	k := 0
	for bin := range p.before {
		for k < len(azimuths) && azimuths[k] <= float64(bin)/10 {
			k++
		}
		p.before[bin] = int32(k)
	}
	return p
}

func newValueTable(packing *grid.Packing, reflectivity bool) *valueTable {
	t := &valueTable{wordBytes: packing.WordBits / 8}
	if t.wordBytes != 1 && t.wordBytes != 2 {
		return t
	}
	words := 1 << packing.WordBits
	raw := make([]byte, words*t.wordBytes)
	for k := range words {
		if t.wordBytes == 1 {
			raw[k] = byte(k)
		} else {
			raw[2*k], raw[2*k+1] = byte(k>>8), byte(k)
		}
	}
	all := grid.Moment{Gates: words, Rows: []grid.GateRow{{Raw: raw, Packing: packing}}}
	t.values = all.Row(0, nil)
	if reflectivity {
		for k, v := range t.values {
			t.values[k] = toZ(v)
		}
	}
	return t
}

// toZ keeps what is no measurement.
func toZ(dBZ float32) float32 {
	if dBZ != dBZ {
		return dBZ
	}
	return float32(math.Pow(10, float64(dBZ)/10))
}

// radialsAt gives the radial nearest to an azimuth, or -1, and the one on the
// other side with its weight, or -1 where the direction is not between two that
// are neighbours.
func (p *polarSweep) radialsAt(azimuthDeg float64) (near, far int, weight float64) {
	n := len(p.azimuthDeg)
	if n == 0 {
		return -1, -1, 0
	}
	upper := int(p.before[int(max(0, min(3600, azimuthDeg*10)))])
	for upper < n && p.azimuthDeg[upper] <= azimuthDeg {
		upper++
	}
	a, b := upper-1, upper
	fromA, toB := 0.0, 0.0
	if a < 0 {
		a, fromA = n-1, 360
	}
	if b >= n {
		b, toB = 0, 360
	}
	fromA += azimuthDeg - p.azimuthDeg[a]
	toB += p.azimuthDeg[b] - azimuthDeg
	near, far, weight = p.radial[a], p.radial[b], fromA/(fromA+toB)
	nearest := fromA
	if toB < fromA {
		near, far, weight, nearest = far, near, 1-weight, toB
	}
	spacing := float64(p.sweep.Radials[near].SpacingDeg)
	if fromA+toB > 1.5*spacing || far == near || !(weight >= 0) { // not neighbours
		far = -1
	}
	if !(nearest <= 0.75*spacing) { // as grid.Sweep.Nearest
		near, far = -1, -1
	}
	return near, far, weight
}

// along is the mean over the gates of a radial whose centres lie within a window
// about a slant range, the nearest one at least. At least half of them must
// have been seen. Of other moments than reflectivity half must be measured.
func (p *polarSweep) along(radial int, slantM, halfWindowM float64, reflectivity bool) (float32, grid.Sight) {
	row, m := p.moment.Rows[radial], p.moment
	gates := min(row.Gates(), m.Gates)
	if gates == 0 {
		return nan32, grid.NoRadial
	}
	position := (slantM - m.FirstGateM) / m.GateSpacingM
	if !(position >= -0.5 && position < float64(gates)-0.5) {
		return nan32, grid.OutsideRange
	}
	centre := min(max(int(math.Floor(position+0.5)), 0), gates-1)
	window := halfWindowM / m.GateSpacingM
	first := min(max(int(math.Ceil(max(position-window, 0))), 0), centre)
	last := max(int(math.Floor(min(position+window, float64(gates-1)))), centre)
	table := p.tables[radial]
	var sum float32
	echo, empty, folded := 0, 0, 0
	for gate := first; gate <= last; gate++ {
		value := p.value(table, row.Raw, radial, gate, reflectivity)
		if value == value {
			sum += value
			echo++
			continue
		}
		switch grid.StateOf(value) {
		case grid.BelowThreshold:
			empty++
		case grid.RangeFolded:
			folded++
		}
	}
	all := last - first + 1
	switch {
	case 2*(echo+empty) < all && 2*folded >= all-echo-empty:
		return nan32, grid.Folded
	case 2*(echo+empty) < all:
		return nan32, grid.NoRadial
	case echo == 0 || (!reflectivity && 2*echo < all):
		return nan32, grid.NoEcho
	case reflectivity:
		return sum / float32(echo+empty), grid.Echo
	}
	return sum / float32(echo), grid.Echo
}

func (p *polarSweep) value(table *valueTable, raw []byte, radial, gate int, reflectivity bool) float32 {
	switch {
	case table.values == nil:
		value := p.moment.At(radial, gate)
		if reflectivity {
			value = toZ(value)
		}
		return value
	case table.wordBytes == 1:
		return table.values[raw[gate]]
	}
	return table.values[int(raw[2*gate])<<8|int(raw[2*gate+1])]
}
