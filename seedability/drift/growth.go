package drift

import (
	"math"
	"time"
)

// initialFallSpeedMPerS of a crystal that has just formed. Common practice, no
// source: pristine crystals of 0.1 mm.
const initialFallSpeedMPerS = 0.1

// NucleationDelay of agent in supercooled cloud: the exponential through the
// two delays measured for silver iodide in cloud, 3.6 min at -8.5 °C and 1.4 min
// at -15.5 °C (J. Appl. Meteor. 3, 788, 1964).
func NucleationDelay(airTemperatureK float64) time.Duration {
	return time.Duration(nucleationDelayS(airTemperatureK) * float64(time.Second))
}

func nucleationDelayS(airTemperatureK float64) float64 {
	return 60 * 3.6 * math.Exp(0.135*(airTemperatureK-273.15+8.5))
}

// Delays of contact freezing. Value from memory: 10 to 40 min.
const contactShortestS, contactModeS, contactLongestS = 600, 1200, 2400

// Hydrometeor is a kind of falling ice.
type Hydrometeor int

// Kinds of ice whose fall speed was measured.
const (
	LumpGraupel       Hydrometeor = iota // density 0.1 to 0.2 g cm-3
	HexagonalGraupel                     //
	DendriteAggregate                    // unrimed radiating assemblages of dendrites
	RimedAggregate                       // densely rimed radiating assemblages of dendrites
	RimedDendrite                        // densely rimed dendrites
)

// fallSpeeds: Locatelli and Hobbs (1974, J. Geophys. Res. 79, 2185), table 1:
// v = a D^b, v in m/s, D in mm within the sizes measured.
var fallSpeeds = [...]struct{ a, b, smallestMM, largestMM float64 }{
	LumpGraupel:       {1.3, 0.66, 0.5, 3},
	HexagonalGraupel:  {1.1, 0.57, 0.8, 3.2},
	DendriteAggregate: {0.8, 0.16, 2, 10},
	RimedAggregate:    {0.79, 0.27, 2, 12},
	RimedDendrite:     {0.62, 0.33, 1.8, 4},
}

// FallSpeedMPerS is the terminal velocity of a particle of this diameter, which
// is first brought into the range that was measured. NaN for an unknown kind.
func FallSpeedMPerS(kind Hydrometeor, diameterM float64) float64 {
	if kind < 0 || int(kind) >= len(fallSpeeds) {
		return math.NaN()
	}
	f := fallSpeeds[kind]
	diameterMM := min(max(diameterM*1000, f.smallestMM), f.largestMM)
	return f.a * math.Pow(diameterMM, f.b)
}

// seaLevelDensityKgPerM3: U.S. Standard Atmosphere 1976.
const seaLevelDensityKgPerM3 = 1.225

// FallSpeedDensityFactor is by how much ice falls faster in thin air than at
// sea level, (rho0/rho)^0.4. Value from memory: exponent after Foote and du
// Toit (1969) for rain, in common use for snow.
func FallSpeedDensityFactor(densityKgPerM3 float64) float64 {
	return math.Pow(seaLevelDensityKgPerM3/densityKgPerM3, 0.4)
}

// densityFactors tabulates it for the particle loop: linear interpolation in
// steps of 0.01 kg m-3 is within 2e-4 above 0.2 kg m-3 (12 km).
var densityFactors = func() (table [160]float64) {
	for k := range table {
		table[k] = FallSpeedDensityFactor(max(float64(k)*0.01, 0.05))
	}
	return table
}()

func densityFactor(densityKgPerM3 float64) float64 {
	position := densityKgPerM3 * 100
	if !(position >= 0 && position < float64(len(densityFactors)-1)) {
		return 1
	}
	k := int(position)
	return densityFactors[k] + (position-float64(k))*(densityFactors[k+1]-densityFactors[k])
}

// fall is how a crystal sinks through the air: its speed grows linearly from
// initialFallSpeedMPerS to terminal within the growth time.
type fall struct{ growthS, halfGainMPerS2, terminalMPerS float64 }

func newFall(growthS, terminalMPerS float64) fall {
	return fall{growthS, (terminalMPerS - initialFallSpeedMPerS) / (2 * growthS), terminalMPerS}
}

// after is the way sunk from birth to an age, metres, at sea level's density.
func (f *fall) after(ageS float64) float64 {
	if ageS <= 0 {
		return 0
	}
	if ageS < f.growthS {
		return (initialFallSpeedMPerS + f.halfGainMPerS2*ageS) * ageS
	}
	return (initialFallSpeedMPerS+f.halfGainMPerS2*f.growthS)*f.growthS + f.terminalMPerS*(ageS-f.growthS)
}

// PlumeRiseM is the final rise of a hot plume in stable air,
// 2.6 [F/(U N²)]^(1/3) with F = g Q/(pi cp rho T): Briggs (1969), as in
// regulatory dispersion models. Wind is taken as at least 1 m/s and N² as at
// least 1e-5 s-2; a burner of some kW rises some metres.
func PlumeRiseM(heatReleaseW, windSpeedMPerS, stabilityPerS2, densityKgPerM3, airTemperatureK float64) float64 {
	const g, heatJPerKgK = 9.80665, 1005.7
	flux := g * heatReleaseW / (math.Pi * heatJPerKgK * densityKgPerM3 * airTemperatureK)
	return 2.6 * math.Cbrt(flux/(max(windSpeedMPerS, 1)*max(stabilityPerS2, 1e-5)))
}
