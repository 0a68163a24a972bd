// Package rehearsal holds an invented winter storm over an invented barrier and
// writes it in the formats in which real weather services publish, so that the
// program can be tried, and practised with, where no real data is at hand.
//
// The storm is a set of formulas, not a simulation: a moist south-westerly to
// westerly flow over a ridge, a supercooled cloud on the windward slope that is
// fed by the ascent, and a richer band that passes in a few hours. It is
// hydrostatic, its vertical wind follows the terrain, and its cloud is saturated
// over water, so that what is derived from it is consistent; it is no forecast
// of anything.
package rehearsal

import (
	"math"
	"time"
)

// Storm is the invented storm. Distances are on a plane whose origin is the
// middle of the domain, x to the east and y to the north.
type Storm struct {
	// Start is the model run's reference time.
	Start time.Time
	// LatitudeDeg and LongitudeDeg of the middle of the domain.
	LatitudeDeg, LongitudeDeg float64
}

// Air is the state of the storm at one point.
type Air struct {
	AirTemperatureK     float64
	PressurePa          float64
	SpecificHumidity    float64 // kg kg-1
	CloudLiquidKgPerKg  float64
	CloudIceKgPerKg     float64
	SnowKgPerKg         float64
	EastwardMPerS       float64
	NorthwardMPerS      float64
	UpwardMPerS         float64
	RelativeHumidityPct float64 // over water
}

// Shape of the invented barrier and storm. None of these numbers has a source:
// they are chosen to give a typical winter-orographic case.
const (
	plainAltitudeM    = 1250.0
	basinRiseM        = 420.0
	ridgeRiseM        = 1230.0
	ridgeHalfWidthM   = 13500.0
	flowTowardDeg     = 80.0
	bandPeakHours     = 2.7
	bandWidthHours    = 0.9
	cloudBaseM        = 1950.0
	cloudTopM         = 4400.0
	ascentDecayM      = 2600.0
	referenceM        = 1500.0
	referenceT0K      = 272.6 // at referenceM, at the start
	lapseKPerM        = 0.0063
	tropLapseKPerM    = 0.0050
	coolingKPerHour   = 0.55
	seaLevelPa        = 100900.0
	gasConstantDryAir = 287.05
	gravityMPerS2     = 9.80665
)

// along and across give the place in coordinates of the flow: along the flow,
// zero at the crest, and to the left of it.
func along(xM, yM float64) (alongM, acrossM float64) {
	sin, cos := math.Sincos(flowTowardDeg * math.Pi / 180)
	return xM*sin + yM*cos, -xM*cos + yM*sin
}

// TerrainM is the ground's altitude.
func (s Storm) TerrainM(xM, yM float64) float64 {
	a, c := along(xM, yM)
	basin := basinRiseM / (1 + math.Exp(-a/6000))
	spurs := 1 + .10*math.Cos(c/11000) + .06*math.Sin(c/5200+1)
	return plainAltitudeM + basin + ridgeRiseM*spurs*math.Exp(-(a/ridgeHalfWidthM)*(a/ridgeHalfWidthM))
}

func (s Storm) slope(xM, yM float64) (east, north float64) {
	const step = 50.0
	return (s.TerrainM(xM+step, yM) - s.TerrainM(xM-step, yM)) / (2 * step),
		(s.TerrainM(xM, yM+step) - s.TerrainM(xM, yM-step)) / (2 * step)
}

// band is 0 to 1: how much of the richer band is over the ridge.
func band(hours float64) float64 {
	d := (hours - bandPeakHours) / bandWidthHours
	return math.Exp(-d * d)
}

func temperatureK(altitudeM, hours float64) float64 {
	t := referenceT0K - coolingKPerHour*hours
	const bend = 5200.0
	if altitudeM <= bend {
		return t - lapseKPerM*(altitudeM-referenceM)
	}
	return t - lapseKPerM*(bend-referenceM) - tropLapseKPerM*(altitudeM-bend)
}

// pressurePa integrates the hydrostatic equation for dry air through the two
// layers of constant lapse rate.
func pressurePa(altitudeM, hours float64) float64 {
	const bend = 5200.0
	layer := func(p0, t0, t1, lapse float64) float64 {
		return p0 * math.Pow(t1/t0, gravityMPerS2/(gasConstantDryAir*lapse))
	}
	t0 := temperatureK(0, hours)
	if altitudeM <= bend {
		return layer(seaLevelPa, t0, temperatureK(altitudeM, hours), lapseKPerM)
	}
	tb := temperatureK(bend, hours)
	return layer(layer(seaLevelPa, t0, tb, lapseKPerM), tb, temperatureK(altitudeM, hours), tropLapseKPerM)
}

// saturationPa is the Magnus form over water of WMO-No. 8 (value from memory).
func saturationPa(airTemperatureK float64) float64 {
	t := airTemperatureK - 273.15
	return 611.2 * math.Exp(17.62*t/(243.12+t))
}

// At gives the state of the air. hours is the time since Start.
func (s Storm) At(xM, yM, altitudeM, hours float64) Air {
	air := Air{AirTemperatureK: temperatureK(altitudeM, hours), PressurePa: pressurePa(altitudeM, hours)}
	rich := band(hours)
	a, c := along(xM, yM)

	speed := 8 + 2.6*(altitudeM-referenceM)/1000 + 2.2*rich
	speed = math.Min(math.Max(speed, 4), 26)
	toward := (flowTowardDeg - 9 + 5.5*(altitudeM-referenceM)/1000) * math.Pi / 180
	air.EastwardMPerS, air.NorthwardMPerS = speed*math.Sin(toward), speed*math.Cos(toward)

	terrainM := s.TerrainM(xM, yM)
	east, north := s.slope(xM, yM)
	height := math.Max(altitudeM-terrainM, 0)
	air.UpwardMPerS = (air.EastwardMPerS*east + air.NorthwardMPerS*north) * math.Exp(-height/ascentDecayM)

	// Saturated from base to top on the windward side and over the crest, drying
	// down the lee; a thinner veil before and after the band.
	base := cloudBaseM - 150*rich
	top := cloudTopM + 500*rich
	lee := 1 / (1 + math.Exp((a-9000)/3000))
	depth := (altitudeM - base) / (top - base)
	humidity := 78.0 + 12*rich
	if depth > 0 && depth < 1 {
		humidity = (84 + 9*rich) * (.75 + .25*lee)
		windward := math.Exp(-((a + 3500) / 9000) * ((a + 3500) / 9000))
		profile := math.Sin(math.Pi*math.Pow(depth, .6)) * math.Exp(-1.2*depth)
		supply := .00062*windward*(1+.12*math.Sin(c/9000)) + .00002*lee
		air.CloudLiquidKgPerKg = math.Max(0, supply*profile*(.02+.98*rich)-1.2e-5)
		if air.CloudLiquidKgPerKg > 0 {
			humidity = 100
		}
	} else if depth >= 1 {
		humidity = 35
	}
	air.RelativeHumidityPct = humidity
	e := humidity / 100 * saturationPa(air.AirTemperatureK)
	w := .62199 * e / (air.PressurePa - e)
	air.SpecificHumidity = w / (1 + w)
	return air
}

// altitudeOfPressureM inverts pressurePa by bisection, to a centimetre.
func altitudeOfPressureM(pa, hours float64) float64 {
	low, high := -1000.0, 20000.0
	for high-low > .005 {
		middle := (low + high) / 2
		if pressurePa(middle, hours) > pa {
			low = middle
		} else {
			high = middle
		}
	}
	return (low + high) / 2
}
