package liquid

import "math"

// Decay says how the ascent over a slope weakens with height.
type Decay int

// Kinds of decay (common practice, no source).
const (
	Uniform     Decay = iota // as strong at cloud top as at the slope
	Exponential              // exp(-z/H)
	LinearToTop              // to nothing at cloud top
)

// Upslope is moist flow up a slope under cloud.
type Upslope struct {
	// WindMPerS is the wind component up the slope, Slope its steepness (rise
	// over run); the ascent at the ground is their product.
	WindMPerS, Slope        float64
	CloudDepthM             float64 // from the slope to cloud top
	CondensationRateKgPerM4 float64 // c_w, see CondensationRateKgPerM4
	Decay                   Decay
	ScaleHeightM            float64 // H of Exponential
}

// AscentMPerS is the vertical wind at the ground, U . grad(h).
func (u Upslope) AscentMPerS() float64 { return u.WindMPerS * u.Slope }

// SupplyKgPerM2S is the rate at which the ascent condenses water in the column,
// the integral of w c_w dz; 1 kg m-2 s-1 is 3600 mm/h. It is gross: divide by
// what nature already removes before using it. Descent supplies nothing.
func (u Upslope) SupplyKgPerM2S() float64 {
	if !(u.CloudDepthM >= 0) {
		return nan
	}
	effectiveM := u.CloudDepthM
	switch u.Decay {
	case Uniform:
	case Exponential:
		if !(u.ScaleHeightM > 0) {
			return nan
		}
		effectiveM = -u.ScaleHeightM * math.Expm1(-u.CloudDepthM/u.ScaleHeightM)
	case LinearToTop:
		effectiveM = u.CloudDepthM / 2
	default:
		return nan
	}
	return max(0, u.AscentMPerS()) * u.CondensationRateKgPerM4 * effectiveM
}

// FluxKgPerMS is the supercooled water that the wind carries over each metre of
// barrier: the water path times the wind.
func FluxKgPerMS(pathKgPerM2, windMPerS float64) float64 { return pathKgPerM2 * windMPerS }

// ConvertedRateKgPerM2S is the precipitation that a flux makes if all of it is
// converted over a fetch; times 3600 it is mm/h. Aircraft over Grand Mesa found
// fluxes of 0.124 to 2.707 kg s-1 a metre, 0.04 to 0.97 mm/h over 10 km (Thompson
// and Super, J. Wea. Mod.).
func ConvertedRateKgPerM2S(fluxKgPerMS, fetchM float64) float64 {
	if !(fetchM > 0) {
		return nan
	}
	return fluxKgPerMS / fetchM
}
