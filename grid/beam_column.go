package grid

import (
	"cmp"
	"math"
	"slices"
	"time"
)

// Sight says whether a radar saw a place, and if not, why. What was not seen is
// never no echo.
type Sight uint8

const (
	// OutsideRange: before the first gate or beyond the last one of the radial.
	OutsideRange Sight = iota
	// NoRadial: the antenna did not look there, or the radial is missing.
	NoRadial
	// Overshot: the lowest beam passes above.
	Overshot
	// AboveScan: the highest beam passes below.
	AboveScan
	// Blocked: terrain hides half of the beam or more.
	Blocked
	// Folded: echo from beyond the unambiguous range hides what is there.
	Folded
	// NoEcho: seen, and too weak to count.
	NoEcho
	// Echo: seen, with a value.
	Echo
)

// Seen is true of NoEcho and Echo alone.
func (s Sight) Seen() bool { return s == NoEcho || s == Echo }

func (s Sight) String() string {
	names := [...]string{"outside range", "no radial", "overshot", "above scan", "blocked", "range folded", "no echo", "echo"}
	if int(s) < len(names) {
		return names[s]
	}
	return "unknown"
}

// ColumnGate is where one sweep passes over a place.
type ColumnGate struct {
	// Sweep is the index in Volume.Sweeps.
	Sweep        int
	ElevationDeg float64 // of the radial; of the sweep where there is no radial
	Time         time.Time
	RangeM       float64 // slant
	// AltitudeM of the centre of the beam; HalfWidthM to its half-power points.
	AltitudeM, HalfWidthM float64
	Value                 float32 // NaN unless Sight is Echo
	Sight                 Sight
	// Blockage up to here, NaN where no terrain was given.
	Blockage float64
}

// RadarColumn is what a volume holds over one place.
type RadarColumn struct {
	Place LatLon
	// GroundRangeM and AzimuthDeg from the radar.
	GroundRangeM, AzimuthDeg float64
	// Gates from the lowest beam to the highest; of equal ones the earlier first.
	Gates []ColumnGate
}

// blockageStepM is fine enough for the terrain of models (3 km and more).
const blockageStepM = 500

// ColumnAbove gives, for each sweep that has the moment, the gate over a place.
// terrain may be nil: then nothing is known of blockage. It is empty where the
// place of the radar is unknown or no sweep has the moment.
func (v *Volume) ColumnAbove(p LatLon, moment string, terrain Terrain) RadarColumn {
	column := RadarColumn{Place: p, GroundRangeM: math.NaN(), AzimuthDeg: math.NaN()}
	if !isPlace(p) || !isPlace(v.Antenna.LatLon) || !finite(v.Antenna.LatitudeDeg, v.Antenna.LongitudeDeg) {
		return column
	}
	column.GroundRangeM, column.AzimuthDeg = DistanceM(v.Antenna.LatLon, p), AzimuthDeg(v.Antenna.LatLon, p)
	for k, s := range v.Sweeps {
		m := s.Moment(moment)
		if m == nil {
			continue
		}
		if s.Mode.Vertical() { // each radial of the slice that passes over the place
			for radial := range s.Radials {
				r := &s.Radials[radial]
				off := math.Abs(math.Remainder(float64(r.AzimuthDeg)-column.AzimuthDeg, 360))
				if off <= 0.75*float64(r.SpacingDeg) && float64(r.ElevationDeg) < 90 {
					column.Gates = append(column.Gates, v.gateAbove(k, s, m, column, radial, true, terrain))
				}
			}
			continue
		}
		radial, looked := s.Nearest(column.AzimuthDeg)
		column.Gates = append(column.Gates, v.gateAbove(k, s, m, column, radial, looked, terrain))
	}
	slices.SortStableFunc(column.Gates, func(a, b ColumnGate) int { return cmp.Compare(a.AltitudeM, b.AltitudeM) })
	return column
}

func (v *Volume) gateAbove(index int, s *Sweep, m *Moment, column RadarColumn, radial int, looked bool, terrain Terrain) ColumnGate {
	g := ColumnGate{Sweep: index, ElevationDeg: s.ElevationDeg, Time: s.Start, Value: NotCovered.Value(), Blockage: math.NaN(), Sight: NoRadial}
	if looked {
		g.ElevationDeg, g.Time = float64(s.Radials[radial].ElevationDeg), s.Radials[radial].Time
	}
	slant, ok := BeamSlantRangeM(column.GroundRangeM, g.ElevationDeg)
	if !ok {
		g.RangeM, g.AltitudeM, g.HalfWidthM, g.Sight = math.NaN(), math.NaN(), math.NaN(), OutsideRange
		return g
	}
	g.RangeM = slant
	g.AltitudeM = BeamAltitudeM(v.Antenna.AltitudeM, slant, g.ElevationDeg)
	g.HalfWidthM = BeamHalfWidthM(slant, v.BeamwidthDeg)
	if terrain != nil {
		g.Blockage = v.blockageAt(column.AzimuthDeg, g.ElevationDeg, slant, terrain)
		if n := int(slant / blockageStepM); n > 0 && n < 10000 {
			g.Blockage = max(g.Blockage, v.BeamBlockage(column.AzimuthDeg, g.ElevationDeg, blockageStepM, n, terrain)[n-1])
		}
	}
	gate, covered := m.GateAt(slant)
	switch {
	case !looked:
		return g
	case !covered || gate >= m.Rows[radial].Gates():
		g.Sight = OutsideRange
		if covered && m.Rows[radial].Gates() == 0 {
			g.Sight = NoRadial
		}
		return g
	case g.Blockage >= BlockedShare:
		g.Sight = Blocked
		return g
	}
	g.Value = m.At(radial, gate)
	switch StateOf(g.Value) {
	case Measured:
		g.Sight = Echo
	case BelowThreshold:
		g.Sight = NoEcho
	case RangeFolded:
		g.Sight = Folded
	default:
		g.Sight = NoRadial
	}
	return g
}

// At gives the gate that stands for an altitude of the column: of the beams
// whose half-power width holds it the one with the nearest centre, and of equal
// ones the latest that saw. Where no beam holds it, within is false; between two
// beams the nearer one is given, below the lowest one Overshot, above the
// highest AboveScan, each with the beam next to it, whose value is not given.
func (c RadarColumn) At(altitudeM float64) (gate ColumnGate, within bool) {
	best := -1
	better := func(a, b ColumnGate) bool {
		awayA, awayB := math.Abs(a.AltitudeM-altitudeM), math.Abs(b.AltitudeM-altitudeM)
		// Repeated cuts differ by hundredths of a degree.
		if same := math.Abs(awayA-awayB) < 0.1*(orZero(a.HalfWidthM)+orZero(b.HalfWidthM)); !same {
			return awayA < awayB
		}
		if a.Sight.Seen() != b.Sight.Seen() {
			return a.Sight.Seen()
		}
		return a.Time.After(b.Time)
	}
	lowest, highest := math.Inf(1), math.Inf(-1)
	for k, g := range c.Gates {
		if math.IsNaN(g.AltitudeM) {
			continue
		}
		half := orZero(g.HalfWidthM)
		lowest, highest = min(lowest, g.AltitudeM-half), max(highest, g.AltitudeM+half)
		if best < 0 || better(g, c.Gates[best]) {
			best = k
		}
	}
	if best < 0 {
		return ColumnGate{Sweep: -1, Value: NotCovered.Value(), Sight: NoRadial, Blockage: math.NaN()}, false
	}
	gate = c.Gates[best]
	switch {
	case altitudeM < lowest:
		gate.Sight, gate.Value = Overshot, NotCovered.Value()
	case altitudeM > highest:
		gate.Sight, gate.Value = AboveScan, NotCovered.Value()
	}
	return gate, math.Abs(gate.AltitudeM-altitudeM) <= gate.HalfWidthM
}

// orZero makes a line of a beam of unknown width.
func orZero(value float64) float64 {
	if math.IsNaN(value) {
		return 0
	}
	return value
}
