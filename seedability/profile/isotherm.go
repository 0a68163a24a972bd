package profile

import (
	"fmt"
	"math"

	"rimeline/seedability/liquid"
	"rimeline/seedability/thermo"
)

// Isotherm is where the air has one temperature (or wet-bulb temperature).
type Isotherm struct {
	AirTemperatureK float64 `json:"air_temperature_k"`
	// CrossingsAltitudeM are all crossings, lowest first.
	CrossingsAltitudeM []float64 `json:"crossings_altitude_m"`
	// Lowest and highest crossing. Where the surface is already colder, the
	// lowest is the surface, and so is the highest if there is no crossing.
	LowestAltitudeM  Number `json:"lowest_altitude_m"`
	HighestAltitudeM Number `json:"highest_altitude_m"`
	// SurfaceColder: the surface is already colder than this.
	SurfaceColder bool `json:"surface_colder"`
	// WarmLayer: three crossings or more, so there is warm air above colder.
	WarmLayer bool `json:"warm_layer"`
}

// Activation is where the agent may begin to act.
type Activation struct {
	AirTemperatureK float64 `json:"air_temperature_k"`
	// AltitudeM is the lowest altitude above the release from which the air
	// stays at or below the onset for the depth that Options asks for: the
	// cautious choice for seeding.
	AltitudeM Number `json:"altitude_m"`
}

// surfaceToleranceM is how far above the ground the lowest level may lie and
// still speak for the surface (common practice, no source).
const surfaceToleranceM = 100.0

func (d *Derived) deriveIsotherms(a *ascent) {
	d.FreezingLevelAltitudeM = missing
	for n, target := range IsothermsK() {
		isotherm := a.isotherm(a.temperature, target)
		if !isotherm.LowestAltitudeM.Known() {
			d.lacks(fmt.Sprintf("altitude of %.0f °C", target-thermo.MeltingPointK), a.whyNoCrossing(a.temperature, target))
		}
		if n == 0 {
			d.FreezingLevelAltitudeM = isotherm.HighestAltitudeM
		}
		d.Isotherms = append(d.Isotherms, isotherm)
	}

	d.Activation = Activation{a.options.ActivationTemperatureK, Number(a.activationAltitudeM())}
	if !d.Activation.AltitudeM.Known() {
		d.lacks("activation altitude", fmt.Sprintf("no %.0f m of air at or below %.1f °C above the release",
			a.options.ActivationDepthM, a.options.ActivationTemperatureK-thermo.MeltingPointK))
	}

	wetBulb := a.wetBulb()
	for target, isotherm := range map[float64]*Isotherm{0: &d.WetBulbZero, 0.5: &d.WetBulbHalf} {
		*isotherm = a.isotherm(wetBulb, thermo.MeltingPointK+target)
	}
	if !d.WetBulbZero.LowestAltitudeM.Known() {
		d.lacks("altitude of wet bulb 0 °C", a.whyNoCrossing(wetBulb, thermo.MeltingPointK))
	}
}

// isotherm finds all crossings of a temperature. A level that has it exactly is
// one crossing; of several such levels in a row, the highest is.
func (a *ascent) isotherm(s series, targetK float64) Isotherm {
	isotherm := Isotherm{AirTemperatureK: targetK, CrossingsAltitudeM: []float64{}, LowestAltitudeM: missing, HighestAltitudeM: missing}
	n := len(s.values)
	for k := range n {
		here := s.values[k] - targetK
		joined := k+1 < n && s.altitudesM[k+1]-s.altitudesM[k] <= s.gapM
		switch {
		case here == 0 && !(joined && s.values[k+1] == targetK):
			isotherm.CrossingsAltitudeM = append(isotherm.CrossingsAltitudeM, s.altitudesM[k])
		case joined && here*(s.values[k+1]-targetK) < 0:
			f := here / (s.values[k] - s.values[k+1])
			isotherm.CrossingsAltitudeM = append(isotherm.CrossingsAltitudeM, s.altitudesM[k]+f*(s.altitudesM[k+1]-s.altitudesM[k]))
		}
	}
	isotherm.WarmLayer = len(isotherm.CrossingsAltitudeM) >= 3
	if count := len(isotherm.CrossingsAltitudeM); count > 0 {
		isotherm.LowestAltitudeM = Number(isotherm.CrossingsAltitudeM[0])
		isotherm.HighestAltitudeM = Number(isotherm.CrossingsAltitudeM[count-1])
	}
	if n > 0 && s.altitudesM[0] <= a.surfaceM+surfaceToleranceM && s.values[0] < targetK {
		isotherm.SurfaceColder = true
		isotherm.LowestAltitudeM = Number(a.surfaceM)
		if !isotherm.HighestAltitudeM.Known() {
			isotherm.HighestAltitudeM = Number(a.surfaceM)
		}
	}
	return isotherm
}

func (a *ascent) whyNoCrossing(s series, targetK float64) string {
	n := len(s.values)
	if n == 0 {
		return "no level has the values for it"
	}
	warmer, colder := 0, 0
	for _, v := range s.values {
		if v > targetK {
			warmer++
		} else {
			colder++
		}
	}
	switch {
	case warmer == 0:
		return fmt.Sprintf("the lowest level, %.0f m above the ground, is already colder", s.altitudesM[0]-a.surfaceM)
	case colder == 0:
		return fmt.Sprintf("the column stays warmer up to its top at %.0f m", s.altitudesM[n-1])
	default:
		return fmt.Sprintf("it lies between levels more than %.0f m apart", s.gapM)
	}
}

// activationAltitudeM is the lowest altitude from which the air stays at or
// below the onset; NaN where it nowhere does.
func (a *ascent) activationAltitudeM() float64 {
	cold := a.temperature.minus(a.options.ActivationTemperatureK)
	for k := range cold {
		cold[k] = -cold[k]
	}
	for _, interval := range liquid.Where(a.temperature.altitudesM, a.temperature.gapM, cold) {
		if interval.BaseAltitudeM = max(interval.BaseAltitudeM, a.releaseM); interval.DepthM() >= a.options.ActivationDepthM {
			return interval.BaseAltitudeM
		}
	}
	return nan
}

// wetBulb is the wet-bulb temperature by altitude, as far as its crossings of
// zero can depend on it: the wet bulb is never warmer than the air, so above the
// first level after the last warm one it cannot cross.
func (a *ascent) wetBulb() series {
	s := series{gapM: a.options.MaximumGapM}
	usable := make([]*level, 0, len(a.levels))
	for k := range a.levels {
		if l := &a.levels[k]; !math.IsNaN(l.pressurePa + l.temperatureK + l.dewPointK) {
			usable = append(usable, l)
		}
	}
	warm := func(k int) bool {
		return k >= 0 && k < len(usable) && usable[k].temperatureK >= thermo.MeltingPointK
	}
	for k, l := range usable {
		value := l.temperatureK // colder than zero, as the wet bulb is
		if warm(k) || warm(k-1) || warm(k+1) {
			value = l.air().WetBulbTemperatureK()
		}
		if !math.IsNaN(value) {
			s.altitudesM = append(s.altitudesM, l.altitudeM)
			s.values = append(s.values, value)
		}
	}
	return s
}
