package thermo

import "math"

// CondensationTemperatureOfHumidityK is the temperature at which lifted air
// condenses, from its relative humidity over water (0 to 1): Bolton (1980),
// equation 22.
func CondensationTemperatureOfHumidityK(airTemperatureK, relativeHumidityWater float64) float64 {
	if !(relativeHumidityWater > 0 && airTemperatureK > 55) {
		return nan
	}
	return 1/(1/(airTemperatureK-55)-math.Log(relativeHumidityWater)/2840) + 55
}

// CondensationTemperatureOfDewPointK is the same from the dew point: Bolton
// (1980), equation 15, whose stated error is 0.1 K from -35 to 35 degrees
// Celsius.
func CondensationTemperatureOfDewPointK(airTemperatureK, dewPointK float64) float64 {
	if !(airTemperatureK > 56 && dewPointK > 56) {
		return nan
	}
	return 1/(1/(dewPointK-56)+math.Log(airTemperatureK/dewPointK)/800) + 56
}

// CondensationLevel is where lifted air first saturates.
type CondensationLevel struct {
	// HeightM is above the place where the air started.
	HeightM, PressurePa, AirTemperatureK float64
}

// Lifted is air about to be lifted.
type Lifted struct {
	PressurePa, AirTemperatureK float64
	// RelativeHumidityWater is over liquid water, 0 to 1.
	RelativeHumidityWater float64
}

// Constants of Romps (2017), which belong to his solution: with others it is no
// longer exact. Energies in J per kg, heat capacities in J per kg and K.
const (
	rompsTripleK     = 273.16
	rompsTriplePa    = 611.65
	rompsE0v         = 2.3740e6
	rompsE0s         = 0.3337e6
	rompsGravity     = 9.81
	rompsRa, rompsRv = 287.04, 461.0
	rompsCva         = 719.0
	rompsCvv         = 1418.0
	rompsCvl         = 4119.0
	rompsCvs         = 1861.0
	rompsCpa         = rompsCva + rompsRa
	rompsCpv         = rompsCvv + rompsRv
)

// LiftingCondensationLevel is the exact solution of Romps (2017, J. Atmos. Sci.
// 74, 3891-3900), equation 22, where droplets first form. Valid from 150 to
// 330 K and relative humidities up to 1; above, the level is where the air is.
func (l Lifted) LiftingCondensationLevel() CondensationLevel {
	return l.romps(rompsCvl, rompsE0v)
}

// LiftingDepositionLevel is the same over ice (Romps 2017, equation 23): where
// ice could first form. It lies below the condensation level when it is
// freezing, and has no meaning where it comes out warmer than 273.16 K.
func (l Lifted) LiftingDepositionLevel() CondensationLevel {
	return l.romps(rompsCvs, rompsE0v+rompsE0s)
}

// rompsSaturationPa is the saturation vapour pressure that belongs to the
// solution, over the phase with heat capacity cv and energy e0.
func rompsSaturationPa(t, cv, e0 float64) float64 {
	return rompsTriplePa * math.Pow(t/rompsTripleK, (rompsCpv-cv)/rompsRv) *
		math.Exp((e0-(rompsCvv-cv)*rompsTripleK)/rompsRv*(1/rompsTripleK-1/t))
}

func (l Lifted) romps(cv, e0 float64) CondensationLevel {
	t, none := l.AirTemperatureK, CondensationLevel{nan, nan, nan}
	if !(t >= 150 && t <= 330 && l.RelativeHumidityWater > 0 && pressureInRange(l.PressurePa)) {
		return none
	}
	vapour := l.RelativeHumidityWater * rompsSaturationPa(t, rompsCvl, rompsE0v)
	if vapour >= l.PressurePa {
		return none
	}
	humidity := vapour / rompsSaturationPa(t, cv, e0)
	qv := rompsRa * vapour / (rompsRv*l.PressurePa + (rompsRa-rompsRv)*vapour)
	rm := (1-qv)*rompsRa + qv*rompsRv
	cpm := (1-qv)*rompsCpa + qv*rompsCpv
	if humidity >= 1 {
		return CondensationLevel{0, l.PressurePa, t}
	}
	a := cpm/rm + (cv-rompsCpv)/rompsRv
	b := -(e0 - rompsTripleK*(rompsCvv-cv)) / (rompsRv * t)
	c := b / a
	at := c * t / lambertWMinus1(math.Pow(humidity, 1/a)*c*math.Exp(c))
	return CondensationLevel{
		HeightM:         cpm * (t - at) / rompsGravity,
		PressurePa:      l.PressurePa * math.Pow(at/t, cpm/rm),
		AirTemperatureK: at,
	}
}

// Lifted gives the sample as air to be lifted.
func (a MoistAir) Lifted() Lifted {
	return Lifted{a.PressurePa, a.AirTemperatureK, a.RelativeHumidityWater()}
}

// CondensationLevel is the lifting condensation level of the sample.
func (a MoistAir) CondensationLevel() CondensationLevel {
	return a.Lifted().LiftingCondensationLevel()
}

// DepositionLevel is the lifting deposition level of the sample.
func (a MoistAir) DepositionLevel() CondensationLevel {
	return a.Lifted().LiftingDepositionLevel()
}

// lambertWMinus1 is the branch -1 of Lambert's W, w e^w = x with w <= -1, for x
// in [-1/e, 0); NaN elsewhere. Halley's iteration (Corless et al. 1996, Adv.
// Comput. Math. 5, 329-359, equation 5.9), from the branch-point series near
// -1/e and from the asymptote ln(-x) - ln(-ln(-x)) elsewhere.
func lambertWMinus1(x float64) float64 {
	aboveBranch := 1 + math.E*x
	if !(aboveBranch >= -1e-14 && x <= -smallestLambertArgument) {
		return nan
	}
	if aboveBranch <= 0 {
		return -1
	}
	var w float64
	if p := -math.Sqrt(2 * aboveBranch); x < -0.25 {
		w = -1 + p - p*p/3 + 11*p*p*p/72
	} else {
		logX := math.Log(-x)
		w = logX - math.Log(-logX)
	}
	for range lambertIterations {
		exp := math.Exp(w)
		f := w*exp - x
		step := f / (exp*(w+1) - (w+2)*f/(2*w+2))
		if math.IsNaN(step) { // w is -1 to the last digit
			return w
		}
		w -= step
		if math.Abs(step) <= lambertTolerance*math.Abs(w) {
			return w
		}
	}
	return w
}
