// Package thermo holds the thermodynamics of moist air that the indicators
// share.
//
// The agent works on supercooled droplets, so "saturated" means saturated over
// liquid water here unless a name says Ice, and the saturation vapour pressure
// is that of Murphy and Koop (2005, Q. J. R. Meteorol. Soc. 131, 1539-1565),
// which was fitted to supercooled water. The older fits that stop being valid
// some 20 K below freezing serve in the tests alone, as cross-checks.
//
// Functions are pure and take SI units. An argument outside the range that a
// comment states, or a NaN, gives NaN; nothing panics.
package thermo

import "math"

// Physical constants. The gas constants and the heat capacity are those that
// Bolton (1980, Mon. Wea. Rev. 108, 1046-1053) computes with, rounded; the
// ratio of molar masses follows from them, so that the equations agree with
// each other. Values from memory.
const (
	GravityMPerS2            = 9.80665 // standard gravity, ISO 80000-3
	GasConstantDryAirJPerKgK = 287.05
	GasConstantVapourJPerKgK = 461.5
	// VapourToDryAirMassRatio is epsilon, the ratio of the molar masses.
	VapourToDryAirMassRatio        = GasConstantDryAirJPerKgK / GasConstantVapourJPerKgK
	HeatCapacityDryAirJPerKgK      = 1005.7
	PoissonConstant                = 0.2854 // kappa = Rd/cp
	LatentHeatSublimationJPerKg    = 2.834e6
	ReferencePressurePa            = 100000.0 // of potential temperature
	MeltingPointK                  = 273.15   // 0 degrees Celsius
	DryAdiabaticLapseRateKPerM     = GravityMPerS2 / HeatCapacityDryAirJPerKgK
	triplePointK                   = 273.16
	lowestPressurePa               = 100.0    // 1 hPa: above every radiosonde
	highestPressurePa              = 200000.0 // twice the pressure at sea level
	coldestWaterK, warmestWaterK   = 123.0, 332.0
	coldestIceK, warmestIceK       = 110.0, triplePointK
	newtonToleranceK               = 1e-6
	newtonIterations               = 50
	pseudoadiabatStepPa            = 1000.0
	pseudoadiabatStepLogarithm     = 0.05
	smallestLambertArgument        = 1e-300
	lambertTolerance               = 1e-14
	lambertIterations              = 50
	standardAtmosphereSeaLevelK    = 288.15
	standardAtmosphereLapseKPerM   = 0.0065
	standardAtmosphereSeaLevelPa   = 101325.0
	standardAtmosphereTropopauseM  = 11000.0
	standardAtmosphereGasJPerMolK  = 8.31432
	standardAtmosphereMassKgPerMol = 0.0289644
	standardAtmosphereExponent     = GravityMPerS2 * standardAtmosphereMassKgPerMol / (standardAtmosphereGasJPerMolK * standardAtmosphereLapseKPerM)
	standardAtmosphereGasJPerKgK   = standardAtmosphereGasJPerMolK / standardAtmosphereMassKgPerMol
	standardAtmosphereLowestM      = -1000.0
)

// LatentHeatVaporisationJPerKg is Bolton's (1980) linear fit for the heat of
// vaporisation of water, taken below freezing too, where it stands for
// supercooled droplets. Value from memory: (2.501 - 0.00237 t) MJ per kg with t
// in degrees Celsius.
func LatentHeatVaporisationJPerKg(airTemperatureK float64) float64 {
	return (2.501 - 0.00237*(airTemperatureK-MeltingPointK)) * 1e6
}

func pressureInRange(pressurePa float64) bool {
	return pressurePa >= lowestPressurePa && pressurePa <= highestPressurePa
}

var nan = math.NaN()
