package agent

import (
	"math"

	"rimeline/seedability/thermo"
)

// Growing is an ice crystal in a cloud of droplets, that is, in air saturated
// over liquid water.
type Growing struct{ PressurePa, AirTemperatureK float64 }

// SphereRadiusM is the radius of a sphere of ice (910 kg m-3) that has grown
// from nothing by deposition for a time:
//
//	r = [2 s t / ((F_k + F_d) rho_i)]^(1/2),  s = e_w/e_i - 1
//
// (Rogers and Yau 1989, A Short Course in Cloud Physics, chapter 9.) It is a
// lower bound: plates, columns and dendrites grow faster, most near -6 and -15
// degrees Celsius, and riming is left out. Measured major axes at -5.1 to -8.3
// degrees Celsius grew 0.17 to 0.81 micron a second (Atmos. Chem. Phys. 25,
// 12177). Valid below 273.16 K.
func (g Growing) SphereRadiusM(inCloudS float64) float64 {
	if !(inCloudS >= 0) || !(g.PressurePa > 0) {
		return nan
	}
	t, celsius := g.AirTemperatureK, g.AirTemperatureK-meltingPointK
	ice := thermo.SaturationVapourPressureIcePa(t)
	excess := thermo.SaturationVapourPressureWaterPa(t)/ice - 1
	if excess < 0 { // the two formulas cross within 0.01 K of the triple point
		excess = 0
	}
	conductivityWPerMK := 0.0240 + 7.5e-5*celsius
	diffusivityM2PerS := 2.11e-5 * math.Pow(t/meltingPointK, 1.94) * 101325 / g.PressurePa
	const ls, rv, iceKgPerM3 = thermo.LatentHeatSublimationJPerKg, thermo.GasConstantVapourJPerKgK, 910.0
	fk := (ls/(rv*t) - 1) * ls / (conductivityWPerMK * t)
	fd := rv * t / (diffusivityM2PerS * ice)
	return math.Sqrt(2 * excess * inCloudS / ((fk + fd) * iceKgPerM3))
}
