package thermo

import "math"

// Slab is a layer of air between two pressures.
type Slab struct {
	LowerPressurePa, UpperPressurePa float64 // at its lower and its upper face
	MeanVirtualTemperatureK          float64
}

// ThicknessM is the hypsometric equation (Rd Tv / g) ln(p1/p2), in geopotential
// metres.
func (s Slab) ThicknessM() float64 {
	return GasConstantDryAirJPerKgK * s.MeanVirtualTemperatureK / GravityMPerS2 *
		math.Log(s.LowerPressurePa/s.UpperPressurePa)
}

// The standard atmosphere below 11 km (U.S. Standard Atmosphere, 1976; ISO
// 2533), from -1000 to 11 000 m of geopotential height; NaN outside.

// StandardTemperatureK is the temperature of the standard atmosphere.
func StandardTemperatureK(altitudeM float64) float64 {
	if !(altitudeM >= standardAtmosphereLowestM && altitudeM <= standardAtmosphereTropopauseM) {
		return nan
	}
	return standardAtmosphereSeaLevelK - standardAtmosphereLapseKPerM*altitudeM
}

// StandardPressurePa is the pressure of the standard atmosphere.
func StandardPressurePa(altitudeM float64) float64 {
	return standardAtmosphereSeaLevelPa *
		math.Pow(StandardTemperatureK(altitudeM)/standardAtmosphereSeaLevelK, standardAtmosphereExponent)
}

// StandardDensityKgPerM3 is the density of the standard atmosphere.
func StandardDensityKgPerM3(altitudeM float64) float64 {
	return StandardPressurePa(altitudeM) / (standardAtmosphereGasJPerKgK * StandardTemperatureK(altitudeM))
}

// StandardAltitudeM is the altitude at which the standard atmosphere has a
// pressure.
func StandardAltitudeM(pressurePa float64) float64 {
	ratio := math.Pow(pressurePa/standardAtmosphereSeaLevelPa, 1/standardAtmosphereExponent)
	altitude := standardAtmosphereSeaLevelK * (1 - ratio) / standardAtmosphereLapseKPerM
	if !(altitude >= standardAtmosphereLowestM && altitude <= standardAtmosphereTropopauseM+1e-6) {
		return nan
	}
	return altitude
}

// PrecipitableWaterKgPerM2 is the vapour in a column, 1/g times the integral of
// the specific humidity over pressure by the trapezoidal rule; 1 kg m-2 is
// 1 mm. Levels are in the order of falling pressure. Levels without pressure or
// dew point are left out; NaN where fewer than two remain or the order is
// broken. (The definition with the mixing ratio in place of the specific
// humidity, also in use, gives up to 2 % more.)
func PrecipitableWaterKgPerM2(levels []MoistAir) float64 {
	sum, n := 0.0, 0
	var lastPressure, lastHumidity float64
	for _, level := range levels {
		q := level.SpecificHumidityKgPerKg()
		if math.IsNaN(q) || math.IsNaN(level.PressurePa) {
			continue
		}
		if n > 0 {
			if level.PressurePa > lastPressure {
				return nan
			}
			sum += (lastHumidity + q) / 2 * (lastPressure - level.PressurePa)
		}
		lastPressure, lastHumidity = level.PressurePa, q
		n++
	}
	if n < 2 {
		return nan
	}
	return sum / GravityMPerS2
}
