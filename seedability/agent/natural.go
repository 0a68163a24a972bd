package agent

import "math"

// FletcherNucleiPerLitre is Fletcher (1962): 1e-5 exp(0.6 dT) per litre, dT the
// kelvins below 273.15, held at its value of 246 K when colder; the classical
// mean, an order of magnitude either way.
func FletcherNucleiPerLitre(airTemperatureK float64) float64 {
	if !(airTemperatureK > 0) {
		return nan
	}
	below := meltingPointK - max(airTemperatureK, 246)
	if below <= 0 {
		return 0
	}
	return 1e-5 * math.Exp(0.6*below)
}

// MeyersNucleiPerLitre is Meyers et al. (1992, J. Appl. Meteor. 31, 708),
// deposition and condensation freezing: exp(-0.639 + 12.96 min(S_i - 1, 0.25))
// per litre; none where the air is not supersaturated over ice.
func MeyersNucleiPerLitre(iceSaturationRatio float64) float64 {
	switch {
	case math.IsNaN(iceSaturationRatio):
		return nan
	case iceSaturationRatio <= 1:
		return 0
	}
	return math.Exp(-0.639 + 12.96*min(iceSaturationRatio-1, 0.25))
}

// DeMottNucleiPerLitre is DeMott et al. (2010, Proc. Natl. Acad. Sci. 107,
// 11217), the preferred estimate: 5.94e-5 dT^3.33 n^(0.0264 dT + 0.0033) per
// standard litre, from the aerosol particles above 0.5 micron per standard cubic
// centimetre (about 1 in clean winter air). Fitted from -9 to -35 degrees
// Celsius; none at 0 and above.
func DeMottNucleiPerLitre(airTemperatureK, particlesPerCM3 float64) float64 {
	if !(airTemperatureK >= 200) || !(particlesPerCM3 >= 0) {
		return nan
	}
	below := meltingPointK - airTemperatureK
	if below <= 0 {
		return 0
	}
	return 5.94e-5 * math.Pow(below, 3.33) * math.Pow(particlesPerCM3, 0.0264*below+0.0033)
}

// SanJuanCrystalsPerLitre is how many crystals winter clouds over the San Juan
// mountains held, 2.5e-5 (-t)^5 per litre (Colorado programme document), which
// is more than the nuclei: droplets splinter as they freeze on rime. Seen from
// -10 to -20 degrees Celsius; NaN outside.
func SanJuanCrystalsPerLitre(airTemperatureK float64) float64 {
	below := meltingPointK - airTemperatureK
	if !(below >= 10-1e-9 && below <= 20+1e-9) {
		return nan
	}
	return 2.5e-5 * math.Pow(below, 5)
}
