package thermo

// Stratification is the local state that the buoyancy frequency depends on.
type Stratification struct {
	PressurePa, AirTemperatureK float64
	// TemperatureGradientKPerM is dT/dz: negative where it cools upwards.
	TemperatureGradientKPerM float64
	// TotalWaterKgPerKg is q_w, vapour and droplets per mass of dry air, and
	// TotalWaterGradientPerM its change with height; of the saturated forms
	// only.
	TotalWaterKgPerKg, TotalWaterGradientPerM float64
}

// DryPerS2 is the squared buoyancy frequency of unsaturated air,
// (g/theta) dtheta/dz = (g/T) (dT/dz + g/cp). Negative where unstable.
func (s Stratification) DryPerS2() float64 {
	return GravityMPerS2 / s.AirTemperatureK * (s.TemperatureGradientKPerM + DryAdiabaticLapseRateKPerM)
}

// BuoyancyFrequencySquaredPerS2 is (g/theta) dtheta/dz.
func BuoyancyFrequencySquaredPerS2(potentialTemperatureK, gradientKPerM float64) float64 {
	return GravityMPerS2 / potentialTemperatureK * gradientKPerM
}

// SaturatedPerS2 is the squared buoyancy frequency of saturated air of Durran
// and Klemp (1982, J. Atmos. Sci. 39, 2152-2158), equation 36. In cloud the dry
// form overstates it by a factor of two to three, and so predicts blocking that
// does not happen.
func (s Stratification) SaturatedPerS2() float64 {
	qs := SaturationMixingRatioWaterKgPerKg(s.PressurePa, s.AirTemperatureK)
	lv := LatentHeatVaporisationJPerKg(s.AirTemperatureK)
	rdT := GasConstantDryAirJPerKgK * s.AirTemperatureK
	cpT := HeatCapacityDryAirJPerKgK * s.AirTemperatureK
	a := (1 + lv*qs/rdT) / (1 + VapourToDryAirMassRatio*lv*lv*qs/(cpT*rdT))
	logTheta := (s.TemperatureGradientKPerM + DryAdiabaticLapseRateKPerM) / s.AirTemperatureK
	return GravityMPerS2 * (a*(logTheta+lv/cpT*s.saturationGradientPerM()) - s.TotalWaterGradientPerM)
}

// SaturatedByLapseRatePerS2 is their shorter form, equation 5 (from memory):
// (g/T) (dT/dz + G_m) (1 + Lv q_s/(Rd T)) - g/(1 + q_w) dq_w/dz, G_m the
// saturated lapse rate. It differs from equation 36 by one or two percent.
func (s Stratification) SaturatedByLapseRatePerS2() float64 {
	qs := SaturationMixingRatioWaterKgPerKg(s.PressurePa, s.AirTemperatureK)
	lv := LatentHeatVaporisationJPerKg(s.AirTemperatureK)
	return GravityMPerS2/s.AirTemperatureK*
		(s.TemperatureGradientKPerM+SaturatedLapseRateKPerM(s.PressurePa, s.AirTemperatureK))*
		(1+lv*qs/(GasConstantDryAirJPerKgK*s.AirTemperatureK)) -
		GravityMPerS2/(1+s.TotalWaterKgPerKg)*s.TotalWaterGradientPerM
}

// JustSaturated gives the stratification its total water as vapour at
// saturation, without droplets: the least that a cloud holds.
func (s Stratification) JustSaturated() Stratification {
	s.TotalWaterKgPerKg = SaturationMixingRatioWaterKgPerKg(s.PressurePa, s.AirTemperatureK)
	s.TotalWaterGradientPerM = s.saturationGradientPerM()
	return s
}

// saturationGradientPerM is dq_s/dz in a hydrostatic atmosphere with the given
// temperature gradient.
func (s Stratification) saturationGradientPerM() float64 {
	e := SaturationVapourPressureWaterPa(s.AirTemperatureK)
	_, logPerK := logSaturationWater(s.AirTemperatureK)
	qs := MixingRatioKgPerKg(s.PressurePa, e)
	// w = eps e/(p - e): d ln w = p/(p - e) (d ln e - d ln p).
	scaleHeight := GasConstantDryAirJPerKgK * VirtualTemperatureK(s.AirTemperatureK, qs) / GravityMPerS2
	return qs * s.PressurePa / (s.PressurePa - e) * (logPerK*s.TemperatureGradientKPerM + 1/scaleHeight)
}

// Shear is two levels, compared.
type Shear struct {
	LowerVirtualPotentialTemperatureK, UpperVirtualPotentialTemperatureK float64
	DepthM                                                               float64
	EastwardChangeMPerS, NorthwardChangeMPerS                            float64
}

// BulkRichardson is (g/theta_v) dtheta_v dz / (du^2 + dv^2), with theta_v of the
// lower level in the denominator. Below 0.25 the layer is taken as turbulent.
// Without shear it is infinite, or NaN where the layer is neutral as well.
func (s Shear) BulkRichardson() float64 {
	return GravityMPerS2 / s.LowerVirtualPotentialTemperatureK *
		(s.UpperVirtualPotentialTemperatureK - s.LowerVirtualPotentialTemperatureK) * s.DepthM /
		(s.EastwardChangeMPerS*s.EastwardChangeMPerS + s.NorthwardChangeMPerS*s.NorthwardChangeMPerS)
}
