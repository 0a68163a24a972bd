package thermo

import "math"

// MoistAir is the state of a sample of air. Its methods are NaN where a value
// they need is missing or the formula does not hold. A dew point above the air
// temperature is taken as it stands (supersaturation).
type MoistAir struct {
	PressurePa, AirTemperatureK float64
	// DewPointK is over liquid water at all temperatures, as radiosondes
	// report it.
	DewPointK float64
}

// MoistAirOf makes the state from a specific humidity, as models give it.
// Relative humidities of models are often over ice or mixed phase when cold, so
// start from the specific humidity where there is a choice.
func MoistAirOf(pressurePa, airTemperatureK, specificHumidityKgPerKg float64) MoistAir {
	return MoistAir{
		PressurePa:      pressurePa,
		AirTemperatureK: airTemperatureK,
		DewPointK:       DewPointK(VapourPressurePa(pressurePa, specificHumidityKgPerKg)),
	}
}

// VapourPressurePa is the partial pressure of vapour at a specific humidity
// (vapour per mass of moist air): e = p q / (eps + (1 - eps) q).
func VapourPressurePa(pressurePa, specificHumidityKgPerKg float64) float64 {
	if !(specificHumidityKgPerKg >= 0 && specificHumidityKgPerKg <= 1) {
		return nan
	}
	const eps = VapourToDryAirMassRatio
	return pressurePa * specificHumidityKgPerKg / (eps + (1-eps)*specificHumidityKgPerKg)
}

// MixingRatioKgPerKg is the vapour per mass of dry air: w = eps e / (p - e).
// NaN unless 0 <= e < p.
func MixingRatioKgPerKg(pressurePa, vapourPressurePa float64) float64 {
	if !(vapourPressurePa >= 0 && vapourPressurePa < pressurePa) {
		return nan
	}
	return VapourToDryAirMassRatio * vapourPressurePa / (pressurePa - vapourPressurePa)
}

// VapourPressureOfMixingRatioPa is its inverse: e = p w / (eps + w).
func VapourPressureOfMixingRatioPa(pressurePa, mixingRatioKgPerKg float64) float64 {
	if !(mixingRatioKgPerKg >= 0) {
		return nan
	}
	return pressurePa * mixingRatioKgPerKg / (VapourToDryAirMassRatio + mixingRatioKgPerKg)
}

// SpecificHumidityKgPerKg is q = w / (1 + w).
func SpecificHumidityKgPerKg(mixingRatioKgPerKg float64) float64 {
	return mixingRatioKgPerKg / (1 + mixingRatioKgPerKg)
}

// SaturationMixingRatioWaterKgPerKg is the mixing ratio of air saturated over
// liquid water, supercooled below freezing. NaN outside 123 to 332 K and where
// the saturation vapour pressure reaches the pressure.
func SaturationMixingRatioWaterKgPerKg(pressurePa, airTemperatureK float64) float64 {
	return MixingRatioKgPerKg(pressurePa, SaturationVapourPressureWaterPa(airTemperatureK))
}

// SaturationMixingRatioIceKgPerKg is the same over ice, 110 to 273.16 K.
func SaturationMixingRatioIceKgPerKg(pressurePa, airTemperatureK float64) float64 {
	return MixingRatioKgPerKg(pressurePa, SaturationVapourPressureIcePa(airTemperatureK))
}

// VirtualTemperatureK is T (1 + w/eps) / (1 + w), exact for a mixture of ideal
// gases.
func VirtualTemperatureK(airTemperatureK, mixingRatioKgPerKg float64) float64 {
	return airTemperatureK * (1 + mixingRatioKgPerKg/VapourToDryAirMassRatio) / (1 + mixingRatioKgPerKg)
}

// PotentialTemperatureK is T (1000 hPa / p)^kappa with the constant of dry air.
// Pressure 1 hPa to 2000 hPa.
func PotentialTemperatureK(pressurePa, airTemperatureK float64) float64 {
	if !pressureInRange(pressurePa) {
		return nan
	}
	return airTemperatureK * math.Pow(ReferencePressurePa/pressurePa, PoissonConstant)
}

// AirTemperatureOfPotentialK is its inverse: the temperature that air of a
// potential temperature takes when it is brought to a pressure without
// condensation.
func AirTemperatureOfPotentialK(pressurePa, potentialTemperatureK float64) float64 {
	if !pressureInRange(pressurePa) {
		return nan
	}
	return potentialTemperatureK * math.Pow(pressurePa/ReferencePressurePa, PoissonConstant)
}

// VapourPressurePa is the partial pressure of vapour.
func (a MoistAir) VapourPressurePa() float64 { return SaturationVapourPressureWaterPa(a.DewPointK) }

// MixingRatioKgPerKg is the vapour per mass of dry air.
func (a MoistAir) MixingRatioKgPerKg() float64 {
	return MixingRatioKgPerKg(a.PressurePa, a.VapourPressurePa())
}

// SpecificHumidityKgPerKg is the vapour per mass of moist air.
func (a MoistAir) SpecificHumidityKgPerKg() float64 {
	return SpecificHumidityKgPerKg(a.MixingRatioKgPerKg())
}

// VirtualTemperatureK is the temperature of dry air of the same density.
func (a MoistAir) VirtualTemperatureK() float64 {
	return VirtualTemperatureK(a.AirTemperatureK, a.MixingRatioKgPerKg())
}

// DensityKgPerM3 is p / (Rd Tv).
func (a MoistAir) DensityKgPerM3() float64 {
	return a.PressurePa / (GasConstantDryAirJPerKgK * a.VirtualTemperatureK())
}

// RelativeHumidityWater is e / e_w(T), 1 at saturation over liquid water.
func (a MoistAir) RelativeHumidityWater() float64 {
	if !(a.AirTemperatureK >= coldestWaterK && a.AirTemperatureK <= warmestWaterK &&
		a.DewPointK >= coldestWaterK && a.DewPointK <= warmestWaterK) {
		return nan
	}
	vapour, _ := logSaturationWater(a.DewPointK)
	saturated, _ := logSaturationWater(a.AirTemperatureK)
	return math.Exp(vapour - saturated)
}

// RelativeHumidityIce is e / e_i(T), 1 at saturation over ice; about 1.10 in a
// droplet cloud at -10 degrees Celsius. NaN above the triple point.
func (a MoistAir) RelativeHumidityIce() float64 {
	return a.VapourPressurePa() / SaturationVapourPressureIcePa(a.AirTemperatureK)
}

// PotentialTemperatureK is theta.
func (a MoistAir) PotentialTemperatureK() float64 {
	return PotentialTemperatureK(a.PressurePa, a.AirTemperatureK)
}

// VirtualPotentialTemperatureK is theta of the virtual temperature.
func (a MoistAir) VirtualPotentialTemperatureK() float64 {
	return PotentialTemperatureK(a.PressurePa, a.VirtualTemperatureK())
}

// EquivalentPotentialTemperatureK is theta-e of Bolton (1980), equation 39, with
// the condensation temperature of his equation 15; Bolton states 0.02 K for the
// fit.
func (a MoistAir) EquivalentPotentialTemperatureK() float64 {
	e := a.VapourPressurePa()
	r := MixingRatioKgPerKg(a.PressurePa, e)
	tl := CondensationTemperatureOfDewPointK(a.AirTemperatureK, a.DewPointK)
	dry := PotentialTemperatureK(a.PressurePa-e, a.AirTemperatureK) * math.Pow(a.AirTemperatureK/tl, 0.28*r)
	return dry * math.Exp((3036/tl-1.78)*r*(1+0.448*r))
}

// WetBulbTemperatureK is by Normand's rule: dry-adiabatically to the
// condensation level, then along the pseudoadiabat back to the starting
// pressure. It is exact for the thermodynamic wet bulb of this package's
// pseudoadiabat, at any pressure, and is the snow-level indicator: falling snow
// survives to a wet bulb of about 0 to 0.5 degrees Celsius (common practice, no
// source).
func (a MoistAir) WetBulbTemperatureK() float64 {
	if a.DewPointK >= a.AirTemperatureK {
		return a.AirTemperatureK
	}
	condensation := a.CondensationLevel()
	return PseudoadiabatTemperatureK(Pseudoadiabat{
		FromPressurePa: condensation.PressurePa, FromTemperatureK: condensation.AirTemperatureK,
		ToPressurePa: a.PressurePa,
	})
}
