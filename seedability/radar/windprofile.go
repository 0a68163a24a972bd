package radar

import (
	"math"
	"slices"
	"time"

	"rimeline/grid"
)

// WindLevel is the horizontal wind at one altitude over a radar, with what tells
// how far to trust it.
type WindLevel struct {
	// AltitudeM above the geoid, the mean of the gates used.
	AltitudeM                     float64
	EastwardMPerS, NorthwardMPerS float64
	// StandardErrorMPerS of the wind vector, from the scatter about the fit.
	// Neighbouring gates are not independent: it is rather too small.
	StandardErrorMPerS float64
	// ResidualMPerS is the root-mean-square difference between the fit and the
	// medians by direction that it rests on.
	ResidualMPerS float64
	// DeformationMPerS is the amplitude of the second harmonic, NaN where it was
	// not fitted: how far the wind is from being the same all around.
	DeformationMPerS float64
	// DivergencePerS of the horizontal wind, NaN where the fall speed of the
	// precipitation matters too much (see SteepDeg).
	DivergencePerS float64
	// Coverage is the share of directions with data, LargestGapDeg the widest
	// sector without; Rejected the share of directions left out as outliers.
	Coverage, LargestGapDeg, Rejected float64
	Gates                             int
	// Sweep is the index in Volume.Sweeps; the beam's elevation, mean slant range
	// and time.
	Sweep                int
	ElevationDeg, RangeM float64
	Time                 time.Time
	// Steep: above SteepDeg falling precipitation is a good part of the radial
	// velocity. An even fall speed leaves the wind untouched; an uneven one
	// (melting layer, showers) does not.
	Steep bool
	// Refused says why the level is not to be used; empty where it is good.
	Refused string
}

// SteepDeg is the elevation above which fall speeds are to be thought of: at 10
// degrees 1 m/s of fall is 0.17 m/s of radial velocity, 8 m/s of rain 1.4.
// Chosen here.
const SteepDeg = 10

// SpeedMPerS and DirectionDeg are of the wind as meteorologists give it: where
// it comes from, clockwise from north, 0 to 360.
func (l WindLevel) SpeedMPerS() float64 { return math.Hypot(l.EastwardMPerS, l.NorthwardMPerS) }

// DirectionDeg is where the wind comes from.
func (l WindLevel) DirectionDeg() float64 {
	return directionDeg(l.EastwardMPerS, l.NorthwardMPerS)
}

func directionDeg(eastwardMPerS, northwardMPerS float64) float64 {
	deg := math.Atan2(-eastwardMPerS, -northwardMPerS) / radPerDeg
	if deg < 0 {
		deg += 360
	}
	return deg
}

// Age of the level.
func (l WindLevel) Age(now time.Time) time.Duration { return now.Sub(l.Time) }

// WindProfile is the wind over a radar by altitude.
type WindProfile struct {
	Radar string
	Place grid.LatLon
	// Time of the volume; the levels have their own.
	Time time.Time
	// Levels in order of altitude, Refused ones with their reasons apart.
	Levels  []WindLevel
	Refused []WindLevel
}

// WindAt interpolates between good levels no further apart than 1500 m, and
// holds the value up to 500 m beyond one.
func (p WindProfile) WindAt(altitudeM float64) (eastwardMPerS, northwardMPerS float64, ok bool) {
	return windBetween(p.Levels, altitudeM)
}

const (
	farthestBetweenM = 1500
	farthestBeyondM  = 500
)

func windBetween(levels []WindLevel, altitudeM float64) (eastwardMPerS, northwardMPerS float64, ok bool) {
	if len(levels) == 0 || math.IsNaN(altitudeM) {
		return 0, 0, false
	}
	k, _ := slices.BinarySearchFunc(levels, altitudeM, func(l WindLevel, a float64) int {
		if l.AltitudeM < a {
			return -1
		}
		return 1
	})
	if k > 0 && k < len(levels) && levels[k].AltitudeM-levels[k-1].AltitudeM <= farthestBetweenM {
		a, b := levels[k-1], levels[k]
		f := (altitudeM - a.AltitudeM) / (b.AltitudeM - a.AltitudeM)
		return a.EastwardMPerS + f*(b.EastwardMPerS-a.EastwardMPerS), a.NorthwardMPerS + f*(b.NorthwardMPerS-a.NorthwardMPerS), true
	}
	nearest := min(k, len(levels)-1)
	if k > 0 && altitudeM-levels[k-1].AltitudeM < math.Abs(levels[nearest].AltitudeM-altitudeM) {
		nearest = k - 1
	}
	l := levels[nearest]
	return l.EastwardMPerS, l.NorthwardMPerS, math.Abs(l.AltitudeM-altitudeM) <= farthestBeyondM
}

// WindDifference is what the radar saw against what a column says at one
// altitude.
type WindDifference struct {
	Radar                                     WindLevel
	ColumnEastwardMPerS, ColumnNorthwardMPerS float64
	// Radar minus column, and the length of that vector.
	EastwardMPerS, NorthwardMPerS, VectorMPerS float64
	// SpeedMPerS is the difference of the speeds, TurnDeg that of the directions,
	// from -180 to 180, clockwise positive; NaN below 1 m/s.
	SpeedMPerS, TurnDeg float64
}

// Compare sets the good levels against a model or a sounding; levels that the
// column does not reach are left out.
func (p WindProfile) Compare(column grid.Column) []WindDifference {
	var differences []WindDifference
	for _, l := range p.Levels {
		at, ok := column.AtAltitude(l.AltitudeM)
		if !ok || !isFinite(at.EastwardMPerS, at.NorthwardMPerS) {
			continue
		}
		d := WindDifference{Radar: l, ColumnEastwardMPerS: at.EastwardMPerS, ColumnNorthwardMPerS: at.NorthwardMPerS,
			EastwardMPerS: l.EastwardMPerS - at.EastwardMPerS, NorthwardMPerS: l.NorthwardMPerS - at.NorthwardMPerS}
		d.VectorMPerS = math.Hypot(d.EastwardMPerS, d.NorthwardMPerS)
		speed := math.Hypot(at.EastwardMPerS, at.NorthwardMPerS)
		d.SpeedMPerS, d.TurnDeg = l.SpeedMPerS()-speed, math.NaN()
		if speed >= 1 && l.SpeedMPerS() >= 1 {
			d.TurnDeg = math.Remainder(l.DirectionDeg()-directionDeg(at.EastwardMPerS, at.NorthwardMPerS), 360)
		}
		differences = append(differences, d)
	}
	return differences
}
