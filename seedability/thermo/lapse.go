package thermo

import "math"

// SaturatedLapseRateKPerM is the rate, positive, at which saturated air cools
// when it rises, all condensate falling out:
//
//	g (1 + Lv w / (Rd T)) / (cp + Lv^2 w eps / (Rd T^2))
//
// (American Meteorological Society, Glossary of Meteorology, "moist-adiabatic
// lapse rate"; within 1 % of the pseudoadiabatic rate.) Saturation is over
// water, 123 to 332 K.
func SaturatedLapseRateKPerM(pressurePa, airTemperatureK float64) float64 {
	w := SaturationMixingRatioWaterKgPerKg(pressurePa, airTemperatureK)
	lv := LatentHeatVaporisationJPerKg(airTemperatureK)
	rdT := GasConstantDryAirJPerKgK * airTemperatureK
	return GravityMPerS2 * (1 + lv*w/rdT) /
		(HeatCapacityDryAirJPerKgK + lv*lv*w*VapourToDryAirMassRatio/(rdT*airTemperatureK))
}

// Pseudoadiabat asks for the temperature at one end of a pseudoadiabat.
type Pseudoadiabat struct {
	FromPressurePa, FromTemperatureK, ToPressurePa float64
}

// PseudoadiabatTemperatureK follows saturated air up or down:
//
//	dT/dp = (Rd T + Lv w) / (p (cp + Lv^2 w eps / (Rd T^2)))
//
// integrated by the classical Runge-Kutta method in steps of at most 10 hPa,
// whose error is below 1e-5 K from 1000 to 300 hPa. Pressure 1 to 2000 hPa.
func PseudoadiabatTemperatureK(path Pseudoadiabat) float64 {
	from, to := path.FromPressurePa, path.ToPressurePa
	if !pressureInRange(from) || !pressureInRange(to) {
		return nan
	}
	steps := math.Ceil(max(math.Abs(to-from)/pseudoadiabatStepPa, math.Abs(math.Log(to/from))/pseudoadiabatStepLogarithm))
	t := path.FromTemperatureK
	if steps == 0 {
		return t
	}
	h := (to - from) / steps
	for k := 0.0; k < steps && !math.IsNaN(t); k++ {
		p := from + k*h
		k1 := pseudoadiabatKPerPa(p, t)
		k2 := pseudoadiabatKPerPa(p+h/2, t+h/2*k1)
		k3 := pseudoadiabatKPerPa(p+h/2, t+h/2*k2)
		k4 := pseudoadiabatKPerPa(p+h, t+h*k3)
		t += h / 6 * (k1 + 2*k2 + 2*k3 + k4)
	}
	return t
}

func pseudoadiabatKPerPa(pressurePa, airTemperatureK float64) float64 {
	w := SaturationMixingRatioWaterKgPerKg(pressurePa, airTemperatureK)
	lv := LatentHeatVaporisationJPerKg(airTemperatureK)
	rdT := GasConstantDryAirJPerKgK * airTemperatureK
	return (rdT + lv*w) /
		(pressurePa * (HeatCapacityDryAirJPerKgK + lv*lv*w*VapourToDryAirMassRatio/(rdT*airTemperatureK)))
}
