package conditions

import (
	"math"

	"rimeline/seedability/radar"
)

const (
	// capDBZ is where reflectivity is cut off before it becomes a rate, as hail
	// reflects more than its water: the greatest rate of the WSR-88D's precipitation
	// processing, 104 mm/h (Fulton et al. 1998, Wea. Forecasting 13, 377).
	capDBZ = 53
	// meltingDepthM below the highest 0 °C level all snow has melted: the depth in
	// which radar.FindBrightBand looks for it (common practice).
	meltingDepthM = 500
	// CountingMMPerH is the least rate whose phase matters, that from which rain on a
	// burnt area counts in package hold (common practice, no source).
	CountingMMPerH = 0.1
)

// phase is what fills a radar's beam.
type phase uint8

const (
	melting phase = iota // or not known
	rain
	snow
)

// phaseOf a beam about the highest 0 °C level; melting where that is not known or
// the beam lies on both sides.
func phaseOf(altitudeM, halfWidthM, freezingLevelM float64) phase {
	half := halfWidthM
	if !(half > 0) {
		half = 0
	}
	switch {
	case altitudeM-half >= freezingLevelM:
		return snow
	case altitudeM+half <= freezingLevelM-meltingDepthM:
		return rain
	}
	return melting
}

// mmPerH of a reflectivity, liquid equivalent.
//
// Rain: Marshall and Palmer's Z = 200 R^1.6 and the WSR-88D's Z = 300 R^1.4, of
// both the greater rate, since nobody knows the drops: they cross at 7.6 mm/h,
// where heavy rain begins (AMS Glossary), and it is above it that the second, made
// for convection, gives more. Snow: Z = 150 S^2 (radar.DrySnow). Sources stand
// with the relations.
func (p phase) mmPerH(reflectivityDBZ float64) float64 {
	dBZ := math.Min(reflectivityDBZ, capDBZ)
	ofRain := math.Max(radar.MarshallPalmer.RateMMPerH(dBZ), radar.SummerConvective.RateMMPerH(dBZ))
	ofSnow := radar.DrySnow.RateMMPerH(dBZ)
	switch p {
	case rain:
		return ofRain
	case snow:
		return ofSnow
	}
	return math.Max(ofRain, ofSnow)
}

// LiquidShare is how much of precipitation falls as rain where the wet-bulb
// temperature near the ground is given: 1 less the share of snow
//
//	1 / (1 + 6.99e-5 exp(2.0 (Tw + 3.97))), Tw in degrees Celsius
//
// of Wang et al. (2019, Geophys. Res. Lett. 46, 13825, eq. 1), fitted to observers'
// reports of rain and snow in the northern hemisphere, as Noah-MP has it in its
// source: 0.1 at -0.3 °C, a half at 0.8, 0.9 at 1.9.
func LiquidShare(wetBulbTemperatureK float64) float64 {
	e := 6.99e-5 * math.Exp(2*(wetBulbTemperatureK-273.15+3.97))
	if math.IsInf(e, 1) {
		return 1
	}
	return e / (1 + e)
}

// Fall speeds of what a model carries near the ground. Rain: mean over mass of
// Marshall and Palmer's drops, V = 36.34 (1e-3 rho q)^0.1346 (rho0/rho)^0.5 m/s with
// rho q in kg m-3 (Klemp and Wilhelmson 1978, J. Atmos. Sci. 35, 1070, eq. 2.15;
// value from memory): 5.7 m/s at 1 g m-3, and so 20 mm/h. Snow 1 m/s and graupel
// 2.5 m/s (aggregates, and lumps of 3 mm, of Locatelli and Hobbs 1974, J. Geophys.
// Res. 79, 2185; values from memory).
const (
	snowFallMPerS    = 1.0
	graupelFallMPerS = 2.5
	referenceKgPerM3 = 1.225 // density at sea level, US Standard Atmosphere 1976
)

func rainFallMPerS(rainKgPerM3, airKgPerM3 float64) float64 {
	return 36.34 * math.Pow(1e-3*rainKgPerM3, 0.1346) * math.Sqrt(referenceKgPerM3/airKgPerM3)
}

// fallingMMPerH is the rate at which mass fractions in air of a density fall, liquid
// equivalent; and how much of it is rain, NaN for nothing.
func fallingMMPerH(airKgPerM3, rainKgPerKg, snowKgPerKg, graupelKgPerKg float64) (mmPerH, rainShare float64) {
	const mmPerHour = 3600 // of kg m-2 s-1
	rainMass := airKgPerM3 * rainKgPerKg
	ofRain := rainMass * rainFallMPerS(rainMass, airKgPerM3) * mmPerHour
	if rainMass == 0 {
		ofRain = 0
	}
	all := ofRain + airKgPerM3*(snowKgPerKg*snowFallMPerS+graupelKgPerKg*graupelFallMPerS)*mmPerHour
	return all, ofRain / all
}
