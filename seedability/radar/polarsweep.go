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

// valueTable holds what every word of a packing adds to a tally.
type valueTable struct {
	wordBytes int
	values    []gateValue // nil for words of 32 bits
}

// gateValue is the moment or, for reflectivity, Z in mm⁶ m⁻³, 0 where none was
// measured; and 1 in the field of the gate's state.
type gateValue struct {
	value float32
	state uint64
}

// The fields of a state; a window holds fewer than 2^21 gates.
const (
	echoState   = 1
	emptyState  = 1 << 21
	foldedState = 1 << 42
	stateMask   = 1<<21 - 1
)

func newGateValue(value float32, reflectivity bool) gateValue {
	switch grid.StateOf(value) {
	case grid.Measured:
		if reflectivity {
			value = float32(math.Pow(10, float64(value)/10))
		}
		return gateValue{value, echoState}
	case grid.BelowThreshold:
		return gateValue{0, emptyState}
	case grid.RangeFolded:
		return gateValue{0, foldedState}
	}
	return gateValue{}
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
	t.values = make([]gateValue, words)
	for k, v := range all.Row(0, nil) {
		t.values[k] = newGateValue(v, reflectivity)
	}
	return t
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

// tally sums up gates.
type tally struct {
	sum    float32
	states uint64
	gates  int
	// outside says why gates were not there.
	outside grid.Sight
}

// add takes the gates of a radial whose centres lie within a window about a
// slant range, the nearest one at least.
func (p *polarSweep) add(t *tally, radial int, slantM, halfWindowM float64, reflectivity bool) {
	row, m := p.moment.Rows[radial], p.moment
	gates := min(row.Gates(), m.Gates)
	if gates == 0 {
		t.outside = grid.NoRadial
		t.gates++
		return
	}
	position := (slantM - m.FirstGateM) / m.GateSpacingM
	if !(position >= -0.5 && position < float64(gates)-0.5) {
		t.outside = grid.OutsideRange
		t.gates++
		return
	}
	centre := min(max(int(math.Floor(position+0.5)), 0), gates-1)
	window := halfWindowM / m.GateSpacingM
	first := min(max(int(math.Ceil(max(position-window, 0))), 0), centre)
	last := max(int(math.Floor(min(position+window, float64(gates-1)))), centre)
	t.gates += last - first + 1
	sum, states := t.sum, t.states
	table := p.tables[radial]
	if table.values != nil {
		// The last gates, of word 0, may not be stored.
		if zeros := last + 1 - max(first, len(row.Raw)/table.wordBytes); zeros > 0 {
			v := &table.values[0]
			sum, states = sum+float32(zeros)*v.value, states+uint64(zeros)*v.state
			last -= zeros
		}
	}
	switch {
	case last < first:
	case table.values == nil:
		for gate := first; gate <= last; gate++ {
			v := newGateValue(m.At(radial, gate), reflectivity)
			sum, states = sum+v.value, states+v.state
		}
	case table.wordBytes == 1:
		values := (*[256]gateValue)(table.values)
		for _, word := range row.Raw[first : last+1] {
			v := &values[word]
			sum, states = sum+v.value, states+v.state
		}
	default:
		for gate := first; gate <= last; gate++ {
			v := &table.values[int(row.Raw[2*gate])<<8|int(row.Raw[2*gate+1])]
			sum, states = sum+v.value, states+v.state
		}
	}
	t.sum, t.states = sum, states
}

// mean of the gates, of which at least half must have been seen. Of other
// moments than reflectivity half must be measured.
func (t *tally) mean(reflectivity bool) (float32, grid.Sight) {
	echo, empty, folded := int(t.states&stateMask), int(t.states/emptyState&stateMask), int(t.states/foldedState&stateMask)
	switch seen := echo + empty; {
	case 2*seen < t.gates && 2*folded >= t.gates-seen:
		return nan32, grid.Folded
	case 2*seen < t.gates || seen == 0:
		return nan32, t.outside
	case echo == 0 || (!reflectivity && 2*echo < t.gates):
		return nan32, grid.NoEcho
	case reflectivity:
		return t.sum / float32(seen), grid.Echo
	}
	return t.sum / float32(echo), grid.Echo
}

// along is the mean over one radial.
func (p *polarSweep) along(radial int, slantM, halfWindowM float64, reflectivity bool) (float32, grid.Sight) {
	t := tally{outside: grid.NoRadial}
	p.add(&t, radial, slantM, halfWindowM, reflectivity)
	return t.mean(reflectivity)
}

// across is the mean over all radials within an angle to both sides.
func (p *polarSweep) across(azimuthDeg, halfDeg, slantM, halfWindowM float64, reflectivity bool) (float32, grid.Sight) {
	t := tally{outside: grid.NoRadial}
	n := len(p.azimuthDeg)
	from := azimuthDeg - halfDeg
	if from < 0 {
		from += 360
	}
	k := int(p.before[int(max(0, min(3600, from*10)))])
	for k < n && p.azimuthDeg[k] < from {
		k++
	}
	for range n {
		k %= n
		away := math.Abs(p.azimuthDeg[k] - azimuthDeg)
		if min(away, 360-away) > halfDeg {
			break
		}
		p.add(&t, p.radial[k], slantM, halfWindowM, reflectivity)
		k++
	}
	return t.mean(reflectivity)
}
