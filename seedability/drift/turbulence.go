package drift

import "math"

// StabilityClass of Pasquill, A (very unstable) to F (stable).
type StabilityClass byte

// SigmaM is the standard deviation of a plume over open country across the
// wind and in the vertical, at a distance from its source: Briggs (1973, ATDL
// Contribution 79), rural. NaN for other letters than A to F.
func SigmaM(class StabilityClass, distanceM float64) (acrossM, verticalM float64) {
	x := distanceM
	across := map[StabilityClass]float64{'A': 0.22, 'B': 0.16, 'C': 0.11, 'D': 0.08, 'E': 0.06, 'F': 0.04}
	a, ok := across[class]
	if !ok {
		return math.NaN(), math.NaN()
	}
	acrossM = a * x / math.Sqrt(1+1e-4*x)
	switch class {
	case 'A':
		verticalM = 0.20 * x
	case 'B':
		verticalM = 0.12 * x
	case 'C':
		verticalM = 0.08 * x / math.Sqrt(1+2e-4*x)
	case 'D':
		verticalM = 0.06 * x / math.Sqrt(1+1.5e-3*x)
	case 'E':
		verticalM = 0.03 * x / (1 + 3e-4*x)
	case 'F':
		verticalM = 0.016 * x / (1 + 3e-4*x)
	}
	return acrossM, verticalM
}

// PasquillGiffordVerticalM is the tabulated alternative in the vertical, as far
// as its fit was at hand: class C, and class D from 1 to 3 km. NaN elsewhere.
// Source: Pasquill-Gifford dispersion table of an air-pollution textbook.
func PasquillGiffordVerticalM(class StabilityClass, distanceM float64) float64 {
	x := distanceM / 1000
	switch {
	case class == 'C' && x > 0:
		return 61.141 * math.Pow(x, 0.91465)
	case class == 'D' && x >= 1 && x <= 3:
		return 32.093 * math.Pow(x, 0.64403)
	}
	return math.NaN()
}

// PlumeFullAngleDeg is the angle at the source that a plume of this width
// fills.
func PlumeFullAngleDeg(widthM, distanceM float64) float64 {
	return 2 * math.Atan2(widthM/2, distanceM) * 180 / math.Pi
}

// # Where the numbers come from
//
// Across the wind. Taylor (1921): a velocity of standard deviation sv with the
// memory TL spreads particles by
//
//	sy² = 2 sv² TL² [t/TL - 1 + exp(-t/TL)].
//
// With sv = a U and TL = L/U this is a function of distance alone. Briggs's
// rural curves are of that kind with L = 5 km and a as in the table below.
// Tracer flights over the Park Range (1967) found plumes 19 to 26 degrees wide
// 3 to 6.5 nautical miles out, and 13 to 15 degrees at 21.5: wider, and for
// longer. Taking the visible width as 4.3 sy (a tenth of the axis), neutral air
// with 1.25 a and L = 10 km gives 22, 20 and 15 degrees at these distances.
//
// In the vertical. Briggs's neutral curve tends to sz² = 2.4 m x, which is
// diffusion with K = 1.2 m U. Larger eddies by the same two factors (1.25²
// times 2) make it 3.75 m U: 37 m² s-1 at 10 m/s, which fills a depth of 600 m
// in some 15 minutes, as flights above mountains find plumes to do.
//
// A plume wholly inside an inversion was as wide (20 degrees at 5 nautical
// miles): over mountains meandering takes the place of eddies, so stability is
// not let narrow a plume below its neutral width. It damps the vertical only.
//
// Stability. Classes follow from the temperature gradient (U.S. Nuclear
// Regulatory Commission, Regulatory Guide 1.23, table 1; from memory) and this
// from N²; between the middles of the classes the numbers are linear. K goes
// with Briggs's sz² at 5 km relative to class D: 0.34 in E, 0.097 in F. In these
// two mountains are given no larger eddies (the factor 3.1 is taken back):
// inside the inversions of 1967 plumes stayed within 300 m in depth. In cloud N²
// is the moist one.
const (
	briggsLengthM      = 5000 // L that belongs to Briggs's rural curves
	neutralDiffusionM  = 1.2  // K/U of his class D
	maxDiffusionM2PerS = 100  // larger eddies are resolved by the model or do not fit the depth
	minDiffusionM2PerS = 0.05
)

var stabilityKnots = [...]struct{ stabilityPerS2, across, diffusion float64 }{
	{-3.1e-4, 0.16, 5},    // B
	{-2.3e-4, 0.11, 3},    // C
	{0, 0.08, 1},          // D
	{5.5e-4, 0.08, 0.11},  // E
	{1.4e-3, 0.08, 0.031}, // F
	{2.5e-3, 0.08, 0.005}, // beyond: an inversion of 6 K in 100 m
}

// damping interpolates the table: turbulent intensity across the wind, and
// vertical diffusion relative to neutral air.
func damping(stabilityPerS2 float64) damped {
	knots := &stabilityKnots
	k := 1
	for k < len(knots)-1 && stabilityPerS2 > knots[k].stabilityPerS2 {
		k++
	}
	low, high := &knots[k-1], &knots[k]
	f := (stabilityPerS2 - low.stabilityPerS2) / (high.stabilityPerS2 - low.stabilityPerS2)
	f = min(max(f, 0), 1)
	return damped{low.across + f*(high.across-low.across), low.diffusion + f*(high.diffusion-low.diffusion)}
}

type damped struct{ across, diffusion float64 }

// dampings tabulates it for the particle loop, which asks three times a step
// and cannot predict the answer: the nearest entry, 5e-6 s-2 apart.
const (
	dampingsFirst = -3.1e-4
	dampingsPer   = 2e5
)

var dampings = func() (table [600]damped) {
	for k := range table {
		table[k] = damping(dampingsFirst + float64(k)/dampingsPer)
	}
	return table
}()

func quickDamping(stabilityPerS2 float64) *damped {
	k := int((stabilityPerS2-dampingsFirst)*dampingsPer + 0.5)
	return &dampings[min(max(k, 0), len(dampings)-1)]
}

// diffusionM2PerS is K on one level: all of it up to two thirds of the mixing
// depth, none above four thirds, unless the air there is unstable itself.
// (Plain comparisons: they are predicted, and min and max of floats are slow.)
func (t *Turbulence) diffusionM2PerS(speedMPerS, stabilityPerS2, heightM float64) float64 {
	k := t.perSpeedM * speedMPerS * quickDamping(stabilityPerS2).diffusion
	if share := 2 - 1.5*heightM*t.perDepth; share < 1 {
		if unstable := stabilityPerS2 / -5e-5; unstable > share {
			share = unstable
		}
		if share < 1 {
			k *= share
		}
	}
	if k > maxDiffusionM2PerS {
		return maxDiffusionM2PerS
	}
	if k > minDiffusionM2PerS {
		return k
	}
	return minDiffusionM2PerS
}

// prepare works out what does not change along the way.
func (t *Turbulence) prepare() {
	t.perSpeedM = neutralDiffusionM * t.MountainFactor * t.MountainFactor * (t.LengthM / briggsLengthM)
	t.perDepth = 1 / t.MixingDepthM
	t.perTwiceLength = 1 / (2 * t.LengthM)
}
