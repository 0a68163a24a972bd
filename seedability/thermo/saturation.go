package thermo

import "math"

// SaturationVapourPressureWaterPa is the vapour pressure in equilibrium with a
// plane surface of liquid water, supercooled below 273.15 K: Murphy and Koop
// (2005), equation 10. Valid from 123 to 332 K.
func SaturationVapourPressureWaterPa(airTemperatureK float64) float64 {
	if !(airTemperatureK >= coldestWaterK && airTemperatureK <= warmestWaterK) {
		return nan
	}
	logPressure, _ := logSaturationWater(airTemperatureK)
	return math.Exp(logPressure)
}

// SaturationVapourPressureIcePa is the vapour pressure in equilibrium with a
// plane surface of ice: Murphy and Koop (2005), equation 7. Valid from 110 K to
// the triple point, 273.16 K: there is no ice above.
func SaturationVapourPressureIcePa(airTemperatureK float64) float64 {
	if !(airTemperatureK >= coldestIceK && airTemperatureK <= warmestIceK) {
		return nan
	}
	logPressure, _ := logSaturationIce(airTemperatureK)
	return math.Exp(logPressure)
}

// logSaturationWater gives ln(e/Pa) over water and its derivative by
// temperature, per K.
func logSaturationWater(t float64) (logPressure, perK float64) {
	logT, inverse := math.Log(t), 1/t
	tanh := math.Tanh(0.0415 * (t - 218.8))
	cold := 53.878 - 1331.22*inverse - 9.44523*logT + 0.014025*t
	logPressure = 54.842763 - 6763.22*inverse - 4.210*logT + 0.000367*t + tanh*cold
	perK = 6763.22*inverse*inverse - 4.210*inverse + 0.000367 +
		0.0415*(1-tanh*tanh)*cold +
		tanh*(1331.22*inverse*inverse-9.44523*inverse+0.014025)
	return logPressure, perK
}

// logSaturationIce is the same over ice.
func logSaturationIce(t float64) (logPressure, perK float64) {
	inverse := 1 / t
	logPressure = 9.550426 - 5723.265*inverse + 3.53068*math.Log(t) - 0.00728332*t
	perK = 5723.265*inverse*inverse + 3.53068*inverse - 0.00728332
	return logPressure, perK
}

// DewPointK is the temperature at which a vapour pressure saturates over liquid
// water: the inverse of SaturationVapourPressureWaterPa by Newton's method, to
// 1e-6 K. NaN where the result would lie outside 123 to 332 K.
func DewPointK(vapourPressurePa float64) float64 {
	return inverseSaturationK(vapourPressurePa, coldestWaterK, warmestWaterK, logSaturationWater)
}

// FrostPointK is the temperature at which a vapour pressure saturates over ice,
// to 1e-6 K. NaN where the result would lie outside 110 to 273.16 K.
func FrostPointK(vapourPressurePa float64) float64 {
	return inverseSaturationK(vapourPressurePa, coldestIceK, warmestIceK, logSaturationIce)
}

func inverseSaturationK(pressurePa, coldestK, warmestK float64, saturation func(float64) (float64, float64)) float64 {
	target := math.Log(pressurePa)
	lowest, _ := saturation(coldestK)
	highest, _ := saturation(warmestK)
	// The ends themselves are valid, within the rounding of exp and log.
	const rounding = 1e-12
	if !(target >= lowest-rounding && target <= highest+rounding) {
		return nan
	}
	// Magnus's form, inverted, is a first guess good to 1 K near freezing.
	logRatio := target - math.Log(611.2)
	t := MeltingPointK + 243.12*logRatio/(17.62-logRatio)
	t = min(max(t, coldestK), warmestK)
	for range newtonIterations {
		logPressure, perK := saturation(t)
		step := (target - logPressure) / perK
		t = min(max(t+step, coldestK), warmestK)
		if math.Abs(step) < newtonToleranceK {
			return t
		}
	}
	return nan
}
