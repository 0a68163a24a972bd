package liquid

import (
	"math"

	"rimeline/seedability/thermo"
)

// EntrainmentFactor is the share of the adiabatic liquid that real orographic
// cloud keeps, the middle of 0.3 to 0.5 (common practice, no source).
const EntrainmentFactor = 0.4

// MaximumContentKgPerM3 is the largest liquid water content that is believed of
// winter orographic cloud: mountain-top averages were 0.14 to 0.23 g m-3 and the
// single maximum 0.60 (J. Climate Appl. Meteor. 25, 1271, 1986).
const MaximumContentKgPerM3 = 0.60e-3

// Base is the cloud base that an adiabatic ascent starts from.
type Base struct{ PressurePa, AirTemperatureK float64 }

// Adiabatic is the state of a cloud parcel that has kept all its water.
type Adiabatic struct {
	AirTemperatureK float64
	LiquidKgPerKg   float64 // per kilogram of dry air
	LiquidKgPerM3   float64
}

// LiftTo takes saturated air from the base up to a pressure: the water it has
// condensed is w_s(base) - w_s there, along the pseudoadiabat. Below the base
// there is none.
func (b Base) LiftTo(pressurePa float64) Adiabatic { return b.Lift([]float64{pressurePa})[0] }

// Lift is LiftTo for several pressures, in the order in which the air reaches
// them.
func (b Base) Lift(pressuresPa []float64) []Adiabatic {
	states := make([]Adiabatic, len(pressuresPa))
	atBase := thermo.SaturationMixingRatioWaterKgPerKg(b.PressurePa, b.AirTemperatureK)
	lastPa, t := b.PressurePa, b.AirTemperatureK
	for k, pressurePa := range pressuresPa {
		t = thermo.PseudoadiabatTemperatureK(thermo.Pseudoadiabat{FromPressurePa: lastPa, FromTemperatureK: t, ToPressurePa: pressurePa})
		lastPa = pressurePa
		w := thermo.SaturationMixingRatioWaterKgPerKg(pressurePa, t)
		condensed := max(0, atBase-w)
		density := pressurePa / (thermo.GasConstantDryAirJPerKgK * thermo.VirtualTemperatureK(t, w))
		states[k] = Adiabatic{AirTemperatureK: t, LiquidKgPerKg: condensed, LiquidKgPerM3: density * condensed}
	}
	return states
}

// CondensationRateKgPerM4 is c_w = -rho dw_s/dz along the pseudoadiabat: the
// liquid water content that a metre of ascent adds, kg m-3 per m.
func CondensationRateKgPerM4(pressurePa, airTemperatureK float64) float64 {
	// A centred difference over about 16 m, whose error is below 1e-5 of it.
	const half = 1e-3
	below, above := pressurePa*math.Exp(half), pressurePa*math.Exp(-half)
	at := func(p float64) float64 {
		t := thermo.PseudoadiabatTemperatureK(thermo.Pseudoadiabat{FromPressurePa: pressurePa, FromTemperatureK: airTemperatureK, ToPressurePa: p})
		return thermo.SaturationMixingRatioWaterKgPerKg(p, t)
	}
	w := thermo.SaturationMixingRatioWaterKgPerKg(pressurePa, airTemperatureK)
	virtualK := thermo.VirtualTemperatureK(airTemperatureK, w)
	depth := thermo.Slab{LowerPressurePa: below, UpperPressurePa: above, MeanVirtualTemperatureK: virtualK}.ThicknessM()
	density := pressurePa / (thermo.GasConstantDryAirJPerKgK * virtualK)
	return density * (at(below) - at(above)) / depth
}

// AdiabaticPathKgPerM2 is the water path of a shallow adiabatic cloud,
// c_w h^2 / 2.
func AdiabaticPathKgPerM2(condensationRateKgPerM4, cloudDepthM float64) float64 {
	if !(cloudDepthM >= 0) {
		return nan
	}
	return condensationRateKgPerM4 * cloudDepthM * cloudDepthM / 2
}
