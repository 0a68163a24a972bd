package level2

import (
	"fmt"
	"math"
	"strings"
	"time"

	"rimeline/grid"
)

const (
	// maxSweeps: message 31 counts elevations in one byte.
	maxSweeps = 256
	// maxRadialsInSweep: super-resolution has 720 and a few of overlap.
	maxRadialsInSweep = 2000
	// maxMomentsInSweep keeps radials that each bring other names in bounds.
	maxMomentsInSweep = 16
	maxNotes          = 20
)

// volumeBuilder makes a volume of radials in the order in which they come.
type volumeBuilder struct {
	file     string
	header   volumeHeader
	metadata metadata
	volume   *grid.Volume
	notes    map[string]int
	order    []string // of notes

	sweep    *grid.Sweep
	last     radial // of sweep
	begun    bool   // sweep begins with its first radial
	gap      bool   // in sweep
	ended    bool   // sweep has its last radial
	packings map[packingKey]*grid.Packing
	started  bool // the first radial of the volume is there
	finished bool // and the last
	damaged  bool
	// done gets each sweep when it is whole or another begins; nil for none.
	done func(*grid.Sweep) bool
	stop bool
	// skipRepeated leaves out radials that come twice.
	skipRepeated bool
}

type packingKey struct {
	name          string
	wordBits      int
	scale, offset float32
}

func newVolumeBuilder(file string) *volumeBuilder {
	return &volumeBuilder{
		file: file, notes: map[string]int{}, packings: map[packingKey]*grid.Packing{},
		volume: &grid.Volume{Antenna: grid.Position{LatLon: grid.LatLon{LatitudeDeg: math.NaN(), LongitudeDeg: math.NaN()}, AltitudeM: math.NaN()}, TowerHeightM: math.NaN(), BeamwidthDeg: math.NaN()},
	}
}

func (b *volumeBuilder) note(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	if b.notes[text]++; b.notes[text] == 1 && len(b.order) < maxNotes {
		b.order = append(b.order, text)
	}
}

// add takes in all of a record.
func (b *volumeBuilder) add(r *record) {
	b.metadata.merge(r.metadata)
	b.damaged = b.damaged || r.damaged
	for k := range r.radials {
		if b.stop {
			return
		}
		b.addRadial(&r.radials[k])
	}
}

func (b *volumeBuilder) addRadial(r *radial) {
	if b.volume.Radar == "" {
		b.volume.Radar = r.icao
	} else if r.icao != "" && r.icao != b.volume.Radar {
		b.note("radials of another radar, %s, were left out", r.icao)
		b.damaged = true
		return
	}
	if b.skipRepeated && b.last.elevationNumber == r.elevationNumber && b.last.elevationNumber > 0 && r.azimuthNumber <= b.last.azimuthNumber {
		return
	}
	start := r.status == statusStartElevation || r.status == statusStartVolume || r.status == statusStartLastElevation
	if b.sweep == nil || r.elevationNumber != b.sweep.Number || start || b.ended || len(b.sweep.Radials) >= maxRadialsInSweep {
		if !b.begin(r, start) {
			return
		}
	} else {
		if r.azimuthNumber != b.last.azimuthNumber+1 {
			b.gap = true
		}
		if r.time.Before(b.last.time.Add(-time.Second)) {
			b.note("time runs backwards within elevation number %d", r.elevationNumber)
		}
	}
	b.started = b.started || r.status == statusStartVolume
	b.finished = b.finished || r.status == statusEndVolume
	b.ended = r.status == statusEndElevation || r.status == statusEndVolume
	if b.metadata.vcp == 0 {
		b.metadata.vcp = r.vcp
	}
	s := b.sweep
	s.Radials = append(s.Radials, grid.Radial{
		AzimuthDeg: r.azimuthDeg, ElevationDeg: r.elevationDeg, SpacingDeg: r.spacingDeg,
		NyquistVelocityMPerS: r.nyquistMPerS, UnambiguousRangeM: r.unambiguousM, Time: r.time,
	})
	for k := range r.moments {
		b.addMoment(s, &r.moments[k], r.elevationNumber)
	}
	b.last = *r
	if b.ended {
		b.end()
	}
}

// begin starts a sweep with radial r.
func (b *volumeBuilder) begin(r *radial, start bool) bool {
	b.end()
	if b.stop {
		return false
	}
	if len(b.volume.Sweeps) >= maxSweeps {
		b.note("more than %d sweeps; the rest was left out", maxSweeps)
		b.damaged = true
		return false
	}
	if n := len(b.volume.Sweeps); n > 0 {
		if before := b.volume.Sweeps[n-1]; r.elevationNumber <= before.Number {
			b.note("elevation number %d comes after %d", r.elevationNumber, before.Number)
		}
	}
	b.sweep = &grid.Sweep{Number: r.elevationNumber, TargetElevationDeg: math.NaN()}
	if b.last.elevationNumber != 0 { // as many radials as the sweep before
		if n := len(b.volume.Sweeps); n > 0 {
			b.sweep.Radials = make([]grid.Radial, 0, len(b.volume.Sweeps[n-1].Radials))
		}
	}
	b.volume.Sweeps = append(b.volume.Sweeps, b.sweep)
	b.begun, b.gap = start && r.azimuthNumber == 1, false
	return true
}

// end fills in what is known of a sweep when its last radial is there.
func (b *volumeBuilder) end() {
	s := b.sweep
	if s == nil {
		return
	}
	b.sweep = nil
	n := len(s.Radials)
	sum, count := 0.0, 0
	for k := range s.Radials {
		sum += float64(s.Radials[k].ElevationDeg)
		count++
	}
	s.ElevationDeg = sum / float64(count)
	if k := s.Number - 1; k >= 0 && k < len(b.metadata.targetsDeg) {
		s.TargetElevationDeg = b.metadata.targetsDeg[k]
	}
	s.Start, s.End = s.Radials[0].Time, s.Radials[n-1].Time
	s.NyquistVelocityMPerS = float64(s.Radials[n/2].NyquistVelocityMPerS)
	s.UnambiguousRangeM = float64(s.Radials[n/2].UnambiguousRangeM)
	s.Complete = b.begun && b.ended && !b.gap
	for _, m := range s.Moments {
		for len(m.Rows) < n {
			m.Rows = append(m.Rows, grid.GateRow{})
		}
	}
	b.ended = false
	if b.done != nil && !b.done(s) {
		b.stop = true
	}
}

func (b *volumeBuilder) addMoment(s *grid.Sweep, one *moment, elevationNumber int) {
	m := s.Moment(one.name)
	if m == nil {
		if len(s.Moments) >= maxMomentsInSweep {
			return
		}
		m = &grid.Moment{Name: one.name, FirstGateM: float64(one.firstGateM), GateSpacingM: float64(one.gateSpacingM)}
		m.StandardName, m.Units = describe(one.name)
		m.Rows = make([]grid.GateRow, 0, cap(s.Radials))
		s.Moments = append(s.Moments, m)
	}
	if float64(one.firstGateM) != m.FirstGateM || float64(one.gateSpacingM) != m.GateSpacingM {
		b.note("elevation number %d: radials of %s with other gates than the first were left out", elevationNumber, one.name)
		b.damaged = true
		return
	}
	key := packingKey{one.name, one.wordBits, one.scale, one.offset}
	packing := b.packings[key]
	if packing == nil {
		if len(b.packings) >= 1000 {
			b.damaged = true
			return
		}
		packing = newPacking(key)
		b.packings[key] = packing
	}
	for len(m.Rows) < len(s.Radials)-1 {
		m.Rows = append(m.Rows, grid.GateRow{})
	}
	m.Rows = append(m.Rows, grid.GateRow{Raw: one.raw, ZeroGates: one.zeroGates, Packing: packing})
	m.Gates = max(m.Gates, m.Rows[len(m.Rows)-1].Gates())
}

// newPacking: value = (word - offset) / scale, 0 is below threshold, 1 is range
// folded (2620002, Table XVII-I). A scale of 0 marks words that are values.
func newPacking(key packingKey) *grid.Packing {
	p := &grid.Packing{WordBits: key.wordBits, Factor: 1, BelowThreshold: 0, RangeFolded: 1, Missing: grid.NoCode}
	if key.scale == 0 {
		p.Float = key.wordBits == 32
		return p
	}
	p.Factor, p.Addend = 1/float64(key.scale), -float64(key.offset)/float64(key.scale)
	return p
}

// describe gives the CF standard name, empty where there is none, and units.
func describe(name string) (standardName, units string) {
	switch name {
	case grid.MomentReflectivity:
		return "equivalent_reflectivity_factor", "dBZ"
	case grid.MomentVelocity:
		return "radial_velocity_of_scatterers_away_from_instrument", "m s-1"
	case grid.MomentSpectrumWidth:
		return "doppler_spectrum_width", "m s-1"
	case grid.MomentDifferentialReflect:
		return "log_differential_reflectivity_hv", "dB"
	case grid.MomentDifferentialPhase:
		return "differential_phase_hv", "degrees"
	case grid.MomentCorrelationCoefficient:
		return "cross_correlation_ratio_hv", "1"
	case grid.MomentClutterFilterPower:
		return "", "dB"
	}
	return "", ""
}

// finish closes the last sweep and fills in what is known of the volume.
func (b *volumeBuilder) finish() *grid.Volume {
	b.end()
	v := b.volume
	if v.Radar == "" {
		v.Radar = b.header.icao
	}
	v.Time = b.header.start
	if v.Time.IsZero() && len(v.Sweeps) > 0 {
		v.Time = v.Sweeps[0].Start
	}
	b.fillPattern()
	b.place()
	v.Complete = b.started && b.finished && !b.damaged
	for k, s := range v.Sweeps {
		v.Complete = v.Complete && s.Complete && s.Number == k+1
	}
	if b.metadata.build > 0 {
		b.note("RDA build %.1f", b.metadata.build)
	}
	v.Notes = nil
	for _, text := range b.order {
		if n := b.notes[text]; n > 1 {
			text = fmt.Sprintf("%s (%d times)", text, n)
		}
		v.Notes = append(v.Notes, text)
	}
	return v
}

// fillPattern takes care of a pattern that came after its sweeps.
func (b *volumeBuilder) fillPattern() {
	b.volume.VolumeCoveragePattern = b.metadata.vcp
	for _, s := range b.volume.Sweeps {
		if k := s.Number - 1; k >= 0 && k < len(b.metadata.targetsDeg) {
			s.TargetElevationDeg = b.metadata.targetsDeg[k]
		}
	}
}

// Widths of the beam between half-power points. WSR-88D: Crum and Alberty (1993,
// Bull. Amer. Meteor. Soc. 74, 1669) give 0.95; TDWR: 0.55. Values from memory.
const (
	beamwidthWSR88DDeg = 0.95
	beamwidthTDWRDeg   = 0.55
)

// place fills in where the radar stands: from the radials, else from the list of
// stations.
func (b *volumeBuilder) place() {
	v, m := b.volume, &b.metadata
	station, listed := StationOf(v.Radar)
	switch {
	case m.hasSite:
		s := m.site
		v.Antenna = position(float64(s.latitudeDeg), float64(s.longitudeDeg), float64(s.siteHeightM)+float64(s.feedhornHeightM))
		v.TowerHeightM = float64(s.feedhornHeightM)
		if isTerminal(v.Radar) && int(s.feedhornHeightM) == int(s.siteHeightM) {
			// Terminal radars give the altitude of the antenna twice.
			v.Antenna.AltitudeM, v.TowerHeightM = float64(s.siteHeightM), math.NaN()
		}
	case listed:
		v.Antenna = position(station.LatitudeDeg, station.LongitudeDeg, station.AntennaAltitudeM())
		v.TowerHeightM = v.Antenna.AltitudeM - station.GroundAltitudeM
		if isTerminal(v.Radar) {
			v.TowerHeightM = math.NaN()
		}
		b.note("place of the radar from the list of stations")
	case m.adaptation.latitudeDeg != 0:
		v.Antenna.LatLon = position(m.adaptation.latitudeDeg, m.adaptation.longitudeDeg, 0).LatLon
		b.note("altitude of the radar is unknown")
	default:
		b.note("place of the radar is unknown")
	}
	switch {
	case m.adaptation.beamwidthDeg > 0:
		v.BeamwidthDeg = m.adaptation.beamwidthDeg
	case isTerminal(v.Radar):
		v.BeamwidthDeg = beamwidthTDWRDeg
	case v.Radar != "":
		v.BeamwidthDeg = beamwidthWSR88DDeg
	}
}

// isTerminal tells a terminal Doppler radar by its identifier; San Juan is none.
func isTerminal(icao string) bool { return strings.HasPrefix(icao, "T") && icao != "TJUA" }

func position(latitudeDeg, longitudeDeg, altitudeM float64) grid.Position {
	return grid.Position{LatLon: grid.LatLon{LatitudeDeg: latitudeDeg, LongitudeDeg: grid.NormalLongitudeDeg(longitudeDeg)}, AltitudeM: altitudeM}
}

// errorList keeps the first errors and counts the others.
type errorList struct {
	errs []error
	more int
}

const maxErrors = 20

func (l *errorList) add(errs ...error) {
	for _, err := range errs {
		if len(l.errs) < maxErrors {
			l.errs = append(l.errs, err)
		} else {
			l.more++
		}
	}
}
