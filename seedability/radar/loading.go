package radar

import (
	"math"

	"rimeline/grid"
)

// HailCapDBZ is where reflectivity is cut off before it is turned into water, as
// hail reflects more than its water (value from memory: WSR-88D VIL product).
const HailCapDBZ = 56.0

// LiquidContentGPerM3 is M = 3.44e-3 Z^(4/7), the water that rain of an
// exponential drop spectrum holds (Greene and Clark 1972, Mon. Wea. Rev. 100,
// 548, eq. 3). It is rain's: of ice it gives an index, of cloud nothing.
func LiquidContentGPerM3(reflectivityDBZ float64) float64 {
	return 3.44e-3 * math.Pow(LinearZ(reflectivityDBZ), 4.0/7)
}

// Loading is reflectivity turned into a mass and summed up in the vertical.
type Loading struct {
	// KgPerM2 between the lowest and the highest beam that saw, within the layer.
	KgPerM2 float64
	// SeenShare of the layer's depth lies between beams that saw; the rest is not
	// in the sum. 0 means that KgPerM2 is no measurement, and NaN.
	SeenShare float64
}

// VIL is vertically integrated liquid between two altitudes (Greene and Clark
// 1972, eq. 4): sum of 3.44e-6 [(Z1 + Z2)/2]^(4/7) dh, with reflectivity cut off
// at capDBZ (HailCapDBZ, or +Inf) and 0 where there is no echo. Beams that were
// not seen end a run of the sum, so that nothing is interpolated over them.
func (c Column) VIL(bottomM, topM, capDBZ float64) Loading {
	if !(topM > bottomM) {
		return Loading{math.NaN(), math.NaN()}
	}
	ceiling := LinearZ(capDBZ)
	sum, depth := 0.0, 0.0
	for k := 1; k < len(c); k++ {
		low, high := c[k-1], c[k]
		if !low.Sight.Seen() || !high.Sight.Seen() || !(high.AltitudeM > low.AltitudeM) {
			continue
		}
		from, to := math.Max(low.AltitudeM, bottomM), math.Min(high.AltitudeM, topM)
		if !(to > from) {
			continue
		}
		z1, z2 := math.Min(low.z(), ceiling), math.Min(high.z(), ceiling)
		// Cut at the edges of the layer, linearly in Z as the mean above is.
		at := func(altitudeM float64) float64 {
			return z1 + (z2-z1)*(altitudeM-low.AltitudeM)/(high.AltitudeM-low.AltitudeM)
		}
		sum += 3.44e-6 * math.Pow((at(from)+at(to))/2, 4.0/7) * (to - from)
		depth += to - from
	}
	if depth == 0 {
		return Loading{math.NaN(), 0}
	}
	return Loading{sum, depth / (topM - bottomM)}
}

// IceLoadingIndex is the same sum above the melting layer. It grows with the
// ice that is there, but is neither the mass of ice nor of liquid: the relation
// is rain's. Never take it for supercooled water.
func (c Column) IceLoadingIndex(freezingLevelM, topM float64) Loading {
	return c.VIL(freezingLevelM, topM, HailCapDBZ)
}

// NaturalIce is how much natural ice the layer maximum between 0 and -20 degrees
// Celsius suggests: weak below 20 dBZ, moderate to 30, efficient above (common
// practice, no source).
type NaturalIce uint8

// The classes; UnknownIce where the layer was not seen.
const (
	UnknownIce NaturalIce = iota
	WeakIce
	ModerateIce
	EfficientIce
)

func (n NaturalIce) String() string {
	return [...]string{"unknown", "weak", "moderate", "efficient"}[min(n, EfficientIce)]
}

// NaturalIceOf a layer maximum.
func NaturalIceOf(m LayerMaximum) NaturalIce {
	switch {
	case m.Sight == grid.NoEcho:
		return WeakIce
	case m.Sight != grid.Echo || math.IsNaN(m.ReflectivityDBZ):
		return UnknownIce
	case m.ReflectivityDBZ < 20:
		return WeakIce
	case m.ReflectivityDBZ <= 30:
		return ModerateIce
	}
	return EfficientIce
}

// naturalIceKnots: layer maximum in dBZ and what is left of the opportunity
// (common practice, no source).
var naturalIceKnots = [][2]float64{{20, 1}, {30, 0.6}, {40, 0.2}}

// NaturalIceMultiplier is what competition by natural ice leaves of an
// opportunity, 0.2 to 1, linear between its knots. It reports false where the
// layer was not seen; the opportunity then stands as it is, with less
// confidence.
func NaturalIceMultiplier(m LayerMaximum) (float64, bool) {
	switch {
	case m.Sight == grid.NoEcho:
		return 1, true
	case m.Sight != grid.Echo || math.IsNaN(m.ReflectivityDBZ):
		return math.NaN(), false
	}
	x := m.ReflectivityDBZ
	if x <= naturalIceKnots[0][0] {
		return naturalIceKnots[0][1], true
	}
	for k := 1; k < len(naturalIceKnots); k++ {
		a, b := naturalIceKnots[k-1], naturalIceKnots[k]
		if x <= b[0] {
			return a[1] + (b[1]-a[1])*(x-a[0])/(b[0]-a[0]), true
		}
	}
	return naturalIceKnots[len(naturalIceKnots)-1][1], true
}
