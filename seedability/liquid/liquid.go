// Package liquid estimates supercooled liquid water: how much of it there is,
// and how much of that is at temperatures where silver iodide acts.
//
// No single instrument or model is to be trusted with it. Each family of
// evidence (model condensate, an adiabatic cloud read off a sounding,
// condensate supply by ascent over a slope, a microwave radiometer) gives an
// Estimate with a quality, and Combine takes the largest quality-weighted one
// and publishes all. Relative humidity over ice alone cannot show liquid: in a
// droplet cloud at -10 degrees Celsius it is 110 %.
//
// Water paths are kg m-2, the same number as millimetres of water; water
// contents are kg m-3 (1 g m-3 = 0.001).
package liquid

import "math"

const meltingPointK = 273.15

// MaximumGapM is the widest gap between levels that is interpolated across
// (common practice, no source).
const MaximumGapM = 1500.0

var nan = math.NaN()

// Window is a range of temperature.
type Window struct{ ColdestK, WarmestK float64 }

var (
	// SupercooledWindow is where cloud droplets may be supercooled: 0 to -25
	// degrees Celsius (common practice, no source).
	SupercooledWindow = Window{248.15, 273.15}
	// AgentWindow is where ground-released silver iodide acts on them before
	// nature does: -6 to -18 degrees Celsius (common practice; numbers usually
	// attached to the criteria of Mazzetti et al. 2021).
	AgentWindow = Window{255.15, 267.15}
)

// ContentKgPerM3 is the liquid water content of cloud from the model's mass
// fraction.
func ContentKgPerM3(densityKgPerM3, cloudLiquidKgPerKg float64) float64 {
	return densityKgPerM3 * cloudLiquidKgPerKg
}

// Sample is the liquid water content at one altitude.
type Sample struct{ AltitudeM, AirTemperatureK, LiquidKgPerM3 float64 }

// Path is a water path and how well the column was covered.
type Path struct {
	KgPerM2 float64
	// UncoveredM is the depth between the lowest and the highest sample that
	// was not integrated, because samples lie more than MaximumGapM apart.
	UncoveredM float64
}

// Integrate is the liquid water path between two isotherms. Temperature and
// water content are taken as linear in height between samples, and the integral
// is exact for that. Samples are in the order of rising altitude; those with a
// value missing are left out. The path is NaN where nothing could be integrated.
func Integrate(samples []Sample, window Window) Path {
	path := Path{KgPerM2: nan}
	lower, have := Sample{}, false
	for _, upper := range samples {
		if math.IsNaN(upper.AltitudeM + upper.AirTemperatureK + upper.LiquidKgPerM3) {
			continue
		}
		if have {
			switch depth := upper.AltitudeM - lower.AltitudeM; {
			case depth > MaximumGapM:
				path.UncoveredM += depth
			case depth > 0:
				if math.IsNaN(path.KgPerM2) {
					path.KgPerM2 = 0
				}
				path.KgPerM2 += integrateSegment(lower, upper, window)
			}
		}
		lower, have = upper, true
	}
	return path
}

// integrateSegment clips the segment at the isotherms and takes the trapezium of
// what is left.
func integrateSegment(lower, upper Sample, window Window) float64 {
	change := upper.AirTemperatureK - lower.AirTemperatureK
	from, to := 0.0, 1.0 // fractions of the segment inside the window
	switch {
	case change != 0:
		atColdest := (window.ColdestK - lower.AirTemperatureK) / change
		atWarmest := (window.WarmestK - lower.AirTemperatureK) / change
		from = max(from, min(atColdest, atWarmest))
		to = min(to, max(atColdest, atWarmest))
	case lower.AirTemperatureK < window.ColdestK || lower.AirTemperatureK > window.WarmestK:
		return 0
	}
	if !(to > from) {
		return 0
	}
	content := func(f float64) float64 {
		return lower.LiquidKgPerM3 + f*(upper.LiquidKgPerM3-lower.LiquidKgPerM3)
	}
	return (content(from) + content(to)) / 2 * (to - from) * (upper.AltitudeM - lower.AltitudeM)
}
