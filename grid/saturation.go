package grid

import "math"

// Constants of moist air, as far as building an atmosphere needs them.
const (
	gravityMPerS2   = 9.80665 // standard acceleration, CGPM 1901
	gasDryJPerKgK   = 287.05  // value from memory: 8.31432 / 0.0289644, U.S. Standard Atmosphere 1976
	gasVapourJPerKK = 461.5   // value from memory: gas constant of water vapour
	epsilonVapour   = gasDryJPerKgK / gasVapourJPerKK
	heatDryJPerKgK  = 1005.7 // value from memory: Bolton (1980, Mon. Wea. Rev. 108, 1046)
)

// saturationWaterPa is the vapour pressure in equilibrium with plane
// (supercooled) water: Murphy and Koop (2005, Q. J. R. Meteorol. Soc. 131,
// 1539, eq. 10), 123 to 332 K. It is kept private: the full set of moist
// formulas is not this package's matter.
func saturationWaterPa(airTemperatureK float64) float64 {
	t, lnT := airTemperatureK, math.Log(airTemperatureK)
	return math.Exp(54.842763 - 6763.22/t - 4.210*lnT + 0.000367*t +
		math.Tanh(0.0415*(t-218.8))*(53.878-1331.22/t-9.44523*lnT+0.014025*t))
}

// saturationIcePa is the same over plane ice: eq. 7 of that paper, above 110 K.
func saturationIcePa(airTemperatureK float64) float64 {
	t := airTemperatureK
	return math.Exp(9.550426 - 5723.265/t + 3.53068*math.Log(t) - 0.00728332*t)
}

// vapourPressurePa of air with this specific humidity.
func vapourPressurePa(specificHumidity, pressurePa float64) float64 {
	return specificHumidity * pressurePa / (epsilonVapour + (1-epsilonVapour)*specificHumidity)
}

// specificHumidityOf air at a vapour pressure; the vapour is never more than
// the pressure leaves room for.
func specificHumidityOf(vapourPa, pressurePa float64) float64 {
	vapourPa = math.Min(vapourPa, pressurePa)
	return epsilonVapour * vapourPa / (pressurePa - (1-epsilonVapour)*vapourPa)
}

// virtualTemperatureK of air with this specific humidity.
func virtualTemperatureK(airTemperatureK, specificHumidity float64) float64 {
	return airTemperatureK * (1 + (1/epsilonVapour-1)*specificHumidity)
}

// dewPointK is the temperature at which the vapour saturates over water, by
// Newton's iteration on ln e; NaN without vapour.
func dewPointK(vapourPa float64) float64 {
	if !(vapourPa > 0) {
		return math.NaN()
	}
	// Start from the Magnus form (WMO-No. 8), good to 0.1 K.
	lnRatio := math.Log(vapourPa / 611.2)
	t := 273.15 + 243.12*lnRatio/(17.62-lnRatio)
	if !(t > 130 && t < 330) {
		t = 200
	}
	for range 20 {
		const h = 0.01
		value := math.Log(saturationWaterPa(t) / vapourPa)
		slope := math.Log(saturationWaterPa(t+h)/saturationWaterPa(t-h)) / (2 * h)
		step := value / slope
		t -= step
		if math.Abs(step) < 1e-7 {
			break
		}
	}
	return t
}

// saturatedLapseKPerM is the lapse rate of a saturated parcel, in the
// approximation of the AMS Glossary ("moist-adiabatic lapse rate").
func saturatedLapseKPerM(airTemperatureK, pressurePa float64) float64 {
	latent := latentHeatJPerKg(airTemperatureK)
	ew := saturationTable.water(airTemperatureK)
	ws := epsilonVapour * ew / (pressurePa - ew)
	return gravityMPerS2 * (1 + latent*ws/(gasDryJPerKgK*airTemperatureK)) /
		(heatDryJPerKgK + latent*latent*ws*epsilonVapour/(gasDryJPerKgK*airTemperatureK*airTemperatureK))
}

// latentHeatJPerKg of vaporisation. Value from memory: Bolton (1980), eq. 2.
func latentHeatJPerKg(airTemperatureK float64) float64 {
	return 2.501e6 - 2370*(airTemperatureK-273.15)
}

// The particle loop asks for saturation at every step. A table of 0.25 K with
// linear interpolation is off by at most h²/8 of the second derivative, which
// for e is about e (d ln e/dT)²: 2e-4 of e at 180 K, 7e-5 at 250 K.
const (
	tableFirstK = 160.0
	tableStepK  = 0.25
	tableSize   = 721 // to 340 K
)

type saturationTables struct{ waterPa, icePa [tableSize]float64 }

var saturationTable = newSaturationTables()

func newSaturationTables() *saturationTables {
	tables := new(saturationTables)
	for k := range tableSize {
		t := tableFirstK + float64(k)*tableStepK
		tables.waterPa[k] = saturationWaterPa(t)
		tables.icePa[k] = saturationIcePa(t)
	}
	return tables
}

func tableIndex(airTemperatureK float64) (int, float64) {
	position := (airTemperatureK - tableFirstK) / tableStepK
	if !(position > 0) {
		return 0, 0
	}
	k := min(int(position), tableSize-2)
	return k, math.Min(position-float64(k), 1)
}

func (s *saturationTables) water(airTemperatureK float64) float64 {
	k, f := tableIndex(airTemperatureK)
	return s.waterPa[k] + f*(s.waterPa[k+1]-s.waterPa[k])
}

func (s *saturationTables) ice(airTemperatureK float64) float64 {
	k, f := tableIndex(airTemperatureK)
	return s.icePa[k] + f*(s.icePa[k+1]-s.icePa[k])
}
