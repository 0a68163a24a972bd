package grid

import "math"

// PartialBeamBlockage is the share of the beam's cross-section, a disc of radius
// halfWidthM, that terrain hides which reaches aboveCentreM over the centre of
// the beam (negative: below it): 0 where it does not reach into the beam, 1
// where it hides all (Bech et al. 2003, J. Atmos. Oceanic Technol. 20, 845,
// appendix).
func PartialBeamBlockage(aboveCentreM, halfWidthM float64) float64 {
	y, a := aboveCentreM, halfWidthM
	switch {
	case math.IsNaN(y) || math.IsNaN(a):
		return math.NaN()
	case y <= -a:
		return 0
	case y >= a:
		return 1
	}
	return (y*math.Sqrt(a*a-y*y) + a*a*math.Asin(y/a) + math.Pi*a*a/2) / (math.Pi * a * a)
}

// BlockedShare is the blockage from which on a gate counts as not seen; common
// practice, no source.
const BlockedShare = 0.5

// BlockageCorrectionDB is what the hidden part of the beam takes off the
// reflectivity, to be added: -10 log10(1 - blockage). It reports false from
// BlockedShare on, where too little is left to scale up.
func BlockageCorrectionDB(blockage float64) (float64, bool) {
	if !(blockage >= 0 && blockage < BlockedShare) {
		return 0, false
	}
	return -10 * math.Log10(1-blockage), true
}

// Terrain gives the altitude of the ground, false where it is unknown.
type Terrain func(LatLon) (altitudeM float64, ok bool)

// BeamBlockage follows one radial outwards and gives, for the n steps of stepM
// that end at stepM, 2 stepM and so on, the largest blockage up to there: what
// is hidden once stays hidden. Ground that is unknown hides nothing.
func (v *Volume) BeamBlockage(azimuthDeg, elevationDeg, stepM float64, n int, terrain Terrain) []float64 {
	cumulative := make([]float64, n)
	most := 0.0
	for k := range cumulative {
		most = max(most, v.blockageAt(azimuthDeg, elevationDeg, stepM*float64(k+1), terrain))
		cumulative[k] = most
	}
	return cumulative
}

func (v *Volume) blockageAt(azimuthDeg, elevationDeg, rangeM float64, terrain Terrain) float64 {
	at := v.GatePosition(azimuthDeg, elevationDeg, rangeM)
	ground, ok := terrain(at.LatLon)
	if !ok || math.IsNaN(ground) {
		return 0
	}
	blockage := PartialBeamBlockage(ground-at.AltitudeM, BeamHalfWidthM(rangeM, v.BeamwidthDeg))
	if math.IsNaN(blockage) {
		return 0
	}
	return blockage
}
