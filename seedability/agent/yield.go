package agent

import (
	"fmt"
	"math"
)

// Yield says how many ice crystals a gram of silver iodide makes, by
// temperature.
type Yield struct {
	Name string
	// Evidence says where the numbers come from and how far they can be
	// trusted.
	Evidence string
	// Points are in the order of falling temperature.
	Points []YieldPoint
}

// YieldPoint is one row of a yield table.
type YieldPoint struct{ AirTemperatureK, CrystalsPerG float64 }

// Validate names the first row that breaks the rules: at least two rows,
// temperatures falling from row to row and between 200 and 273.15 K, yields
// positive and at most 1e18 (a gram holds 2.6e21 molecules of silver iodide).
func (y Yield) Validate() error {
	if len(y.Points) < 2 {
		return fmt.Errorf("yield table %q needs at least two points, not %d", y.Name, len(y.Points))
	}
	for k, point := range y.Points {
		switch {
		case !(point.AirTemperatureK >= 200 && point.AirTemperatureK <= meltingPointK):
			return fmt.Errorf("yield table %q, point %d: air temperature %g K is outside 200 to 273.15 K", y.Name, k+1, point.AirTemperatureK)
		case !(point.CrystalsPerG > 0 && point.CrystalsPerG <= 1e18):
			return fmt.Errorf("yield table %q, point %d: %g crystals per gram is outside 0 to 1e18", y.Name, k+1, point.CrystalsPerG)
		case k > 0 && !(point.AirTemperatureK < y.Points[k-1].AirTemperatureK):
			return fmt.Errorf("yield table %q, point %d: air temperature %g K is not below the %g K before it", y.Name, k+1, point.AirTemperatureK, y.Points[k-1].AirTemperatureK)
		}
	}
	return nil
}

// CrystalsPerG interpolates the logarithm of the yield linearly in temperature:
// none when warmer than the first point, the last point's when colder than that.
func (y Yield) CrystalsPerG(airTemperatureK float64) float64 {
	n := len(y.Points)
	if n == 0 || math.IsNaN(airTemperatureK) {
		return nan
	}
	if airTemperatureK > y.Points[0].AirTemperatureK {
		return 0
	}
	for k := 1; k < n; k++ {
		warm, cold := y.Points[k-1], y.Points[k]
		if airTemperatureK >= cold.AirTemperatureK {
			f := (warm.AirTemperatureK - airTemperatureK) / (warm.AirTemperatureK - cold.AirTemperatureK)
			return warm.CrystalsPerG * math.Pow(cold.CrystalsPerG/warm.CrystalsPerG, f)
		}
	}
	return y.Points[n-1].CrystalsPerG
}

// Scaled multiplies every yield: chamber certificates of fast agents promise 3
// to 300 times what is found in clouds, and 0.1 is usual there (common practice,
// no source).
func (y Yield) Scaled(factor float64) Yield {
	points := make([]YieldPoint, len(y.Points))
	for k, point := range y.Points {
		points[k] = YieldPoint{point.AirTemperatureK, point.CrystalsPerG * factor}
	}
	y.Points = points
	return y
}

// CrystalsPerGOfSource is the yield of a source that was measured as nuclei a
// second at a consumption in grams of silver iodide a second.
func CrystalsPerGOfSource(nucleiPerS, consumptionGPerS float64) float64 {
	if !(consumptionGPerS > 0) {
		return nan
	}
	return nucleiPerS / consumptionGPerS
}

// AcetoneGenerator is a generator burning silver iodide in acetone at wind
// speeds of 1 to 4 m/s: slow to nucleate, poor when warm.
func AcetoneGenerator() Yield {
	return Yield{
		Name:     "acetone generator",
		Evidence: "Griffith et al. 1991, as quoted in an irrigation and drainage paper of the ASCE; three measured points",
		Points:   []YieldPoint{{267.15, 2e10}, {261.15, 1e14}, {253.15, 3e15}},
	}
}

// FastFlareChamber is a modern chlorinated agent as tested in a chamber.
func FastFlareChamber() Yield {
	return Yield{
		Name:     "fast flare, chamber",
		Evidence: "value from memory: chamber tests of the 1990s (DeMott); to be replaced by the certificate of the agent in use; clouds yield 3 to 300 times less",
		Points:   []YieldPoint{{269.35, 4e11}, {267.05, 6e13}, {262.65, 2.8e14}},
	}
}

// ContactField is what contact nucleation makes in clouds: the default where
// there is no certificate. Its points are ContactFraction at water saturation
// times ParticlesPerG; 16 seedings of stratus at -5.1 to -8.3 degrees Celsius
// found 0.07 to 1.63 % of the particles nucleated (Atmos. Chem. Phys. 25, 5387),
// which it agrees with.
func ContactField() Yield {
	return Yield{
		Name:     "contact, field-like",
		Evidence: "computed from the contact polynomial of Meyers et al. 1995 as used by Xue et al. 2013, times the particles in a gram; agrees with stratus seedings at -5 to -8 °C",
		Points:   []YieldPoint{{267.15, 1.8e11}, {265.15, 6.5e12}, {263.15, 1.8e13}, {261.15, 3.3e13}, {258.15, 5.7e13}, {253.15, 9.0e13}},
	}
}

// ParticlesPerG is the number of silver-iodide particles in a gram of a
// log-normal aerosol, from its median diameter in metres and its geometric
// standard deviation: 1 / (pi/6 rho d^3 exp(4.5 ln^2 sigma)), rho = 5670 kg m-3.
func ParticlesPerG(medianDiameterM, geometricStandardDeviation float64) float64 {
	if !(medianDiameterM > 0 && geometricStandardDeviation >= 1) {
		return nan
	}
	const densityGPerM3 = 5.67e6
	spread := math.Log(geometricStandardDeviation)
	return 1 / (math.Pi / 6 * densityGPerM3 * math.Pow(medianDiameterM, 3) * math.Exp(4.5*spread*spread))
}
