package grid

import (
	"math"
	"slices"
	"sync"
	"time"
)

// Volume is what a weather radar measured in one turn through its elevations:
// sweeps of radials of gates. A volume that is still arriving holds the sweeps
// that are there and says so in Complete.
//
// Gates keep the integers of their file and are scaled when asked for (see
// Moment.Row): a dual-polarisation volume of 40 million gates is 50 MB, not 160.
type Volume struct {
	// Radar is the identifier the radar gives itself (ICAO: "KTLX"), empty where unknown.
	Radar string
	// Antenna is the place of the feedhorn and its altitude above the geoid:
	// site and tower together. NaN where unknown.
	Antenna Position
	// TowerHeightM is the feedhorn above ground, NaN where unknown.
	TowerHeightM float64
	// BeamwidthDeg is between the half-power points, both ways through the
	// antenna's pattern once; NaN where unknown.
	BeamwidthDeg float64
	// Time is the start of the volume.
	Time time.Time
	// VolumeCoveragePattern is the radar's number for its choice of elevations,
	// pulses and speeds, 0 where unknown.
	VolumeCoveragePattern int
	// Complete: the volume has its beginning, its end and every radial between.
	Complete bool
	// Notes say what was odd or missing, for people.
	Notes []string
	// Sweeps in the order in which the radar made them. Cuts at one elevation
	// (long range and Doppler apart, or repeated within the volume) stay apart.
	Sweeps []*Sweep
}

// Sweep is one turn of the antenna at one elevation. Share it by pointer.
type Sweep struct {
	// Number is the radar's own number of the cut, 1 for the first of a volume.
	Number int
	// Mode is how the antenna moved; empty is Surveillance.
	Mode SweepMode
	// ElevationDeg is the mean over the radials; TargetElevationDeg what the
	// coverage pattern asks for, NaN where unknown.
	ElevationDeg, TargetElevationDeg float64
	// Start and End are the times of the first and the last radial.
	Start, End time.Time
	// NyquistVelocityMPerS and UnambiguousRangeM of the middle radial (a sweep
	// may change its pulse rate by sector: see Radial); NaN where unknown.
	NyquistVelocityMPerS, UnambiguousRangeM float64
	// Complete: no radial is missing between the beginning and the end.
	Complete bool
	// Radials in the order in which they were made.
	Radials []Radial
	// Moments by the order of their first appearance; see Moment.
	Moments []*Moment

	once      sync.Once
	byAzimuth []azimuthEntry
}

// Radial is one direction of the antenna.
type Radial struct {
	// AzimuthDeg of the centre, clockwise from north, in [0, 360).
	AzimuthDeg, ElevationDeg float32
	// SpacingDeg is the nominal width: 0.5 in super-resolution, else 1.
	SpacingDeg                              float32
	NyquistVelocityMPerS, UnambiguousRangeM float32
	Time                                    time.Time
}

// The moments of WSR-88D message 31, which name those of other radars too.
const (
	MomentReflectivity           = "REF" // equivalent reflectivity factor, dBZ
	MomentVelocity               = "VEL" // radial velocity, m/s, positive away from the radar
	MomentSpectrumWidth          = "SW"  // m/s
	MomentDifferentialReflect    = "ZDR" // dB
	MomentDifferentialPhase      = "PHI" // degrees
	MomentCorrelationCoefficient = "RHO" // 1
	MomentClutterFilterPower     = "CFP" // power removed by the clutter filter, dB
)

// Moment is one quantity of a sweep.
type Moment struct {
	// Name is one of the constants above, or that of the file.
	Name, StandardName, Units string
	// FieldName is the name in the file where Name is another, else empty or the same.
	FieldName string
	// FirstGateM is the slant range of the centre of the first gate.
	FirstGateM, GateSpacingM float64
	// Gates is the largest number of any radial.
	Gates int
	// Rows has one entry for each radial of the sweep.
	Rows []GateRow
}

// GateRow is one radial of a moment as it was stored.
type GateRow struct {
	// Raw holds the gates as big-endian words, without the last ones that are 0
	// (see ZeroGates). A radial may have fewer gates than the moment.
	Raw []byte
	// ZeroGates is the number of gates behind Raw whose word is 0: far from the
	// radar most are, and need no memory.
	ZeroGates int
	// Packing is nil only where the radial lacks the moment.
	Packing *Packing
}

// NoCode stands in a Packing for a code that there is not.
const NoCode = math.MinInt64

// Packing says what the words of a row mean: value = word*Factor + Addend, but
// for the codes below.
type Packing struct {
	// WordBits is 8, 16 or 32. Words are unsigned unless Signed; Float words are
	// IEEE numbers of 32 bits.
	WordBits      int
	Signed, Float bool
	Factor        float64
	Addend        float64
	// The words that are no measurement, or NoCode; for Float words the codes
	// are compared as numbers, and NaN is Missing too.
	BelowThreshold, RangeFolded, Missing int64

	once  sync.Once
	table *packingTables
}

// GateState says what a gate tells.
type GateState uint8

const (
	// NotCovered: nothing is known. No gate, no radial, or not stored.
	NotCovered GateState = iota
	// BelowThreshold: the radar looked and its signal was too weak to count: no echo.
	BelowThreshold
	// RangeFolded: echo from beyond the unambiguous range hides what is there.
	RangeFolded
	// Measured: there is a value.
	Measured
)

func (s GateState) String() string {
	switch s {
	case NotCovered:
		return "not covered"
	case BelowThreshold:
		return "below threshold"
	case RangeFolded:
		return "range folded"
	case Measured:
		return "measured"
	}
	return "unknown state"
}

// What is no measurement is NaN in a row of values; the three kinds of NaN
// differ in their payload, which copying keeps and arithmetic may not.
const (
	notCoveredBits     = 0x7fc00000
	belowThresholdBits = 0x7fc00001
	rangeFoldedBits    = 0x7fc00002
)

// StateOf reads the state from a value that Row or At returned.
func StateOf(value float32) GateState {
	if value == value {
		return Measured
	}
	switch math.Float32bits(value) {
	case belowThresholdBits:
		return BelowThreshold
	case rangeFoldedBits:
		return RangeFolded
	}
	return NotCovered
}

// Value is the NaN that stands for a state that is no measurement.
func (s GateState) Value() float32 {
	switch s {
	case BelowThreshold:
		return math.Float32frombits(belowThresholdBits)
	case RangeFolded:
		return math.Float32frombits(rangeFoldedBits)
	}
	return math.Float32frombits(notCoveredBits)
}

// Moment finds a moment by name, nil where the sweep has none.
func (s *Sweep) Moment(name string) *Moment {
	for _, m := range s.Moments {
		if m.Name == name {
			return m
		}
	}
	return nil
}

type azimuthEntry struct {
	azimuthDeg float64
	radial     int
}

// Nearest gives the radial whose centre is nearest to an azimuth. It reports
// false where none is near enough to cover it: more than three quarters of its
// own width away, which leaves room for the unsteadiness of the antenna.
//
// The radials must not change after the first call.
func (s *Sweep) Nearest(azimuthDeg float64) (int, bool) {
	if !finite(azimuthDeg) {
		return 0, false
	}
	s.once.Do(func() {
		s.byAzimuth = make([]azimuthEntry, 0, len(s.Radials))
		for k := range s.Radials {
			if azimuth := float64(s.Radials[k].AzimuthDeg); finite(azimuth) {
				s.byAzimuth = append(s.byAzimuth, azimuthEntry{foldAzimuthDeg(azimuth), k})
			}
		}
		slices.SortStableFunc(s.byAzimuth, func(a, b azimuthEntry) int {
			switch {
			case a.azimuthDeg < b.azimuthDeg:
				return -1
			case a.azimuthDeg > b.azimuthDeg:
				return 1
			}
			return 0
		})
	})
	n := len(s.byAzimuth)
	if n == 0 {
		return 0, false
	}
	azimuthDeg = foldAzimuthDeg(azimuthDeg)
	after, _ := slices.BinarySearchFunc(s.byAzimuth, azimuthDeg, func(e azimuthEntry, target float64) int {
		if e.azimuthDeg < target {
			return -1
		}
		return 1
	})
	best, bestDeg := 0, math.Inf(1)
	for _, k := range [2]int{(after + n - 1) % n, after % n} {
		away := math.Abs(s.byAzimuth[k].azimuthDeg - azimuthDeg)
		away = min(away, 360-away)
		if away < bestDeg {
			best, bestDeg = s.byAzimuth[k].radial, away
		}
	}
	return best, bestDeg <= 0.75*float64(s.Radials[best].SpacingDeg)
}

func foldAzimuthDeg(azimuthDeg float64) float64 {
	azimuthDeg = math.Mod(azimuthDeg, 360)
	if azimuthDeg < 0 {
		azimuthDeg += 360
	}
	if azimuthDeg >= 360 { // a tiny negative number rounds up
		return 0
	}
	return azimuthDeg
}

// GateRangeM is the slant range of the centre of a gate.
func (m *Moment) GateRangeM(gate int) float64 {
	return m.FirstGateM + float64(gate)*m.GateSpacingM
}

// GateAt gives the gate that covers a slant range; false outside the moment.
func (m *Moment) GateAt(rangeM float64) (int, bool) {
	gate := math.Floor((rangeM-m.FirstGateM)/m.GateSpacingM + 0.5)
	if !(gate >= 0 && gate < float64(m.Gates)) {
		return 0, false
	}
	return int(gate), true
}
