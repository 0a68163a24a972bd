package profile

import (
	"math"
	"sort"
)

// Isobaric is the air at one pressure; published criteria speak of 700 hPa.
type Isobaric struct {
	PressurePa      float64 `json:"air_pressure_pa"`
	AltitudeM       Number  `json:"altitude_m"`
	AirTemperatureK Number  `json:"air_temperature_k"`
	DewPointK       Number  `json:"dew_point_k"`
	WindFromDeg     Number  `json:"wind_from_deg"`
	WindSpeedMPerS  Number  `json:"wind_speed_m_per_s"`
}

// isobaricPa are the pressures that Derived.Isobaric gives.
var isobaricPa = []float64{85000, 70000, 50000}

// deriveIsobaric finds the altitude of each pressure, linear in its logarithm,
// and takes the air there. What lies below ground or in a gap is missing.
func (d *Derived) deriveIsobaric(a *ascent) {
	pressures := a.series(func(l *level) float64 { return math.Log(l.pressurePa) })
	for _, pressurePa := range isobaricPa {
		at := Isobaric{pressurePa, missing, missing, missing, missing, missing}
		target, values := math.Log(pressurePa), pressures.values
		k := sort.Search(len(values), func(k int) bool { return values[k] <= target })
		switch {
		case k == len(values) || k == 0 && values[0] != target:
		case values[k] == target:
			at.fill(a, pressures.altitudesM[k])
		case pressures.altitudesM[k]-pressures.altitudesM[k-1] <= pressures.gapM:
			f := (target - values[k-1]) / (values[k] - values[k-1])
			at.fill(a, pressures.altitudesM[k-1]+f*(pressures.altitudesM[k]-pressures.altitudesM[k-1]))
		}
		d.Isobaric = append(d.Isobaric, at)
	}
}

func (i *Isobaric) fill(a *ascent, altitudeM float64) {
	air := a.interpolated(altitudeM)
	i.AltitudeM, i.AirTemperatureK, i.DewPointK = Number(altitudeM), Number(air.temperatureK), Number(air.dewPointK)
	i.WindSpeedMPerS = Number(math.Hypot(air.eastwardMPerS, air.northwardMPerS))
	if i.WindSpeedMPerS.Known() {
		i.WindFromDeg = Number(windFromDeg(air.eastwardMPerS, air.northwardMPerS))
	}
}
